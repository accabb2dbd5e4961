//! Bytes to and from one instrument: over a serial line, TCP, or memory.
//!
//! A device that is only reached through a program is run for each question
//! ([`program`]). A port thread opens a [`Link`] by its [`Address`], writes with a time limit,
//! waits with its seat on [`Link::ear`], and reads what is there. No read or
//! write blocks for ever. A link does not know whether it leads to a device or
//! to a simulated one: in a simulation the clock hands it the end of a wire,
//! whose ledger says which bytes are due.
//!
//! Reading order: `address`, `port` (the link), `descriptor` (serial and TCP),
//! `error`, [`tap`] (what went over it), [`session`] (the same as text), then
//! [`wire`] (the simulated side). Called by: exchanges and the bench. Not here: what the bytes mean, re-opening, identity checks.

pub mod address;
mod descriptor;
pub mod error;
pub mod port;
pub mod program;
pub mod session;
pub mod tap;
pub mod wire;

pub use address::{Address, AddressError, Framing, Parity};
pub use error::LinkError;
pub use port::Link;
pub use tap::Tap;

#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_order;
