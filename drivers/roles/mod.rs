//! What a device can do for the bench: one small trait per quantity or motion,
//! and one driver per way of speaking.
//!
//! ```text
//! bench ── Photometer ── scpi_photometer ──┐
//!       ── Positioner ── line_rail ────────┼── exchange ── link
//!       ── Presser ───── scpi_presser ─────┘
//! ```
//!
//! No driver knows whether it talks to a real device. Called by the bench's
//! instruments, one thread per port. Not here: when to ask (`attendant`), which
//! port (`bench`).

pub mod line_rail;
pub mod photometer;
pub mod positioner;
pub mod presser;
pub mod scpi_photometer;
pub mod scpi_presser;
#[cfg(test)]
mod tests;
