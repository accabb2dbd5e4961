//! Modbus: registers and coils of meters, relay boards and drives, over a
//! serial line (RTU) or a socket (TCP).
//!
//! ```text
//! roles ── read_registers ──> ask ──> single ── talk ── link
//!                              `─> resync ─┘
//!       pure:  request (what can be asked, and the limits)
//!              frames  (bytes of a request; an answer against its request)
//!              station (a device: unit, framing, pauses, probe)
//!              words   (registers as numbers, four orders)
//! ```
//!
//! Nothing in an RTU answer says which question it belongs to. So an answer is
//! matched against its request in all that it carries, and after every
//! time-out or doubtful frame the line is resynchronised before anything is
//! believed. Addresses are those of the wire, from 0: what a manual calls 30001
//! or 40001 is register 0.
//!
//! Sources: Modbus Application Protocol V1.1b3, Modbus over Serial Line V1.02
//! (clauses from memory). Called by roles. Not here: what a register means.

pub mod ask;
pub mod frames;
pub mod request;
pub mod resync;
pub(in crate::exchange) mod single;
pub mod station;
pub mod words;

#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_frames;
#[cfg(test)]
mod tests_late;
