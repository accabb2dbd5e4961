//! What a device can do for the bench: one small trait per quantity or motion,
//! and one driver per way of speaking.
//!
//! ```text
//! bench ── Photometer, ... profiled_meter ───┐ profile
//!       ── Presser ─────── profiled_fingers ─┼─────────── exchange ── link
//!       ── Positioner ──── profiled_rail ────┤
//!       ── Switcher ────── profiled_outlets ─┤
//!       ── Leveller ────── profiled_level ───┤
//!       ── Contact ─────── profiled_contact ─┘
//! ```
//!
//! No driver knows whether it talks to a real device. Called by the bench's
//! instruments, one thread per port. Not here: when to ask (`attendant`), which
//! port (`bench`).

pub mod contact;
mod identity;
pub mod leveller;
pub mod photometer;
pub mod positioner;
pub mod presser;
mod profiled_captures;
pub mod profiled_contact;
pub mod profiled_fingers;
pub mod profiled_level;
pub mod profiled_meter;
pub mod profiled_outlets;
pub mod profiled_rail;
mod rail_work;
pub mod switcher;
mod trial;
mod weighed;

#[cfg(test)]
mod testing;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_captures;
#[cfg(test)]
mod tests_level;
#[cfg(test)]
mod tests_outlets;
#[cfg(test)]
mod tests_quantities;
#[cfg(test)]
mod tests_rails;
#[cfg(test)]
mod tests_settings;
#[cfg(test)]
mod tests_waveforms;
#[cfg(test)]
mod tests_weighed;
