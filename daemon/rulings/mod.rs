//! What scripts make of a run: rulings of its criteria, figures of its metrics.
//!
//! ```text
//!  plan's uses + script texts ──► library (do they fit?) ──► frozen with the run
//!  frozen + readings + events ──► report::gather ──► view ──► script ──► ruled ──► store (a round)
//! ```
//!
//! A round is made when a run is over, and again whenever someone asks, with
//! other limits, scripts or another certificate; it stands beside the earlier
//! ones. Raw readings are read, never written.
//!
//! Reading order: [`library`], [`view`], [`judge`] (pure), [`round`] (reads the
//! store, writes the round), [`attempt`] (one
//! script tried, nothing written).
//!
//! Called by: queue, web, cli (checking). Not here: the language (script).

pub mod attempt;
pub mod judge;
pub mod library;
pub mod round;
#[cfg(test)]
mod tests_dead_meter;
#[cfg(test)]
mod tests_set_aside;
pub mod view;
