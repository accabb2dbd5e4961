//! How a question becomes bytes and bytes become an answer.
//!
//! ```text
//! roles ── ask("READ?") ──> line ──┐                ┌── token resync after a time-out
//!       ── send("G0 X5") ─> ack ───┼── talk ── link ┘
//!       ── ask("CURV?") ─> block ──┤   (a block of bytes, counted)
//!       ── bytes of a codec ─> frame ┤   (bytes whose length a codec tells)
//!       ── read registers ─> modbus┘ resync by a throw-away read, or by numbers
//!                          scpi (pure): numbers, errors, identity, channel lists
//! ```
//!
//! One question is outstanding at a time, every wait has a limit, and after
//! every time-out the link is resynchronised before anything else is asked: a
//! late answer credited to the next question is the worst fault there is.
//! Called by `roles`. Not here: what the answers mean (`roles`), moving bytes
//! (`link`).

pub mod abort;
pub mod ack;
pub mod acks;
pub mod block;
pub mod frame;
pub mod line;
pub mod manner;
pub mod modbus;
pub mod program;
pub mod scpi;
pub mod talk;
#[cfg(test)]
#[path = "../../tests/faults/tally.rs"]
mod tally;
#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests_block;
#[cfg(test)]
mod tests_closing;
#[cfg(test)]
mod tests_flood;
#[cfg(test)]
mod tests_late;
#[cfg(test)]
mod tests_program;
