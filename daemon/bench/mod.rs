//! One physical set-up, as the attendant works it: an instrument for each
//! device, each with a named thread that owns its port.
//!
//! ```text
//!  attendant ── Verb ──► instrument (thread, seat, port) ── bytes ──► device
//!            ◄─ Answer ─┘         limits: no path leaves the travel
//! ```
//!
//! Called by: attendant; opened by service. Not here: what to do when (run),
//! what the bytes mean (drivers).

pub mod instrument;
pub mod limits;
pub mod open;
pub mod profiles;
#[cfg(test)]
mod tests_defect;
#[cfg(test)]
mod tests_profiles;
