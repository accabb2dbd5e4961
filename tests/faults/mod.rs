//! The daemon broken everywhere: the real program, killed, cut off from its
//! disk and its devices, misled about the time.
//!
//! ```text
//!  test ── orders, signals ──► daemon ── bytes over PTYs ──► wall (a bench in the
//!    │                            │                           test's own process)
//!    └── reads the record         └── files, through `shim.c` (LD_PRELOAD)
//! ```
//!
//! Each test ends with a line of the fault report ([`tally`]). What runs for
//! minutes does a part of its cases, and all of them with `WAKERAIL_LONG=1`.
//! The faults that need no process of their own are told in
//! `attendant/tests_faults.rs`, on memory links and in simulated time.

mod clock;
mod disk;
mod kills;
mod night;
mod other_program;
mod power;
mod processes;
mod replayed;
mod shim;
pub mod tally;
mod traffic;
pub mod wall;
