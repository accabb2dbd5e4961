//! Everything between the attendant's wishes and the bytes on a wire: time,
//! links, exchanges, device drivers, and the simulated bench that speaks the
//! same bytes.
//!
//! Reading order: [`clock`] (all waiting, real and simulated), [`link`]
//! (bytes over serial lines, TCP and memory; the simulated side of a wire),
//! [`exchange`] (questions and answers), [`profile`] (one model of device, as
//! data), [`roles`] (what a device can do),
//! [`error`], [`simulated`] (a bench of closed forms).
//!
//! Called by: the bench room (instruments) and the attendant (time). Not here:
//! what to measure, in which order, and what a reading means.

// A table of cases in a test may be long; functions of the product may not.
#![cfg_attr(not(test), warn(clippy::too_many_lines))]

pub mod clock;
pub mod error;
pub mod exchange;
pub mod link;
pub mod profile;
pub mod roles;
pub mod simulated;

#[cfg(test)]
mod tests_acceptance;
#[cfg(test)]
mod tests_acceptance_modbus;
#[cfg(test)]
mod tests_sessions;
