//! The simulated side of a wire.
//!
//! ```text
//!   Link -- port's end --+== outward ==> +-- DeviceEnd -- Machine
//!                        +<== inward === +
//! ```
//!
//! Bytes travel through memory or through a real pseudo-terminal. Beside them
//! runs a ledger for each direction: a write reaches the kernel, then the
//! ledger; a seat is ready when its ledger is not empty; a read takes exactly
//! the counted bytes, however the kernel cuts them. So both kinds of wire give
//! the same order of events. On the wall clock the same ends are polled.
//!
//! Reading order: `lane` (one direction), `ends` (the two ends), `pty`,
//! `machine` (a thread that serves a device). Called by: the simulated bench
//! and tests. Not here: how a device behaves.

pub mod ends;
pub mod lane;
pub mod machine;
mod pty;

pub use ends::{DeviceEnd, WireEnd, memory_wire, pty_wire};
pub use lane::Lane;
pub use machine::{Machine, Served, serve};
