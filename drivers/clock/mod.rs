//! Time on the bench. Nobody in bench, attendant or drivers sleeps, receives
//! or joins by any other way than [`Seat::wait`].
//!
//! Whoever acts in bench time has a *seat*: attendant, port thread, simulated
//! device, scripted person, test. Its rank is the order of opening.
//!
//! ```text
//!   attendant   port thread   device        HTTP, signals (no seat)
//!      | seat      | seat       | seat          |
//!      +-----------+------------+---- Clock ----+ mail only
//!                                     |
//!             wall: poll and tokio    |   simulated: one seat acts,
//!             timers, real time       |   the others are parked
//! ```
//!
//! In a simulation exactly one seat acts. When it parks, the clock picks the
//! lowest rank among the seats that are ready (mail, bytes due, `until`
//! reached). If none is ready and a [`Flow`] is held, now becomes the smallest
//! `until` of all seats and it picks again; otherwise time stands still.
//! Nothing else changes now. Real work of the acting seat takes no simulated
//! time.
//!
//! A seat that was opened, or whose wait was abandoned, and that has not parked
//! since is *busy*: the clock neither picks another seat nor advances until it
//! parks or is dropped. So a bench opens all its seats in one call, hands them
//! to threads, and the first pick comes when the last thread has parked: start
//! -up is the same in every run. Until its first wait a seat's owner should do
//! nothing that another seat can see, for the opener may still be acting.
//!
//! Reading order: `handle` (the clock and what hangs on it), `seat` (waiting),
//! `mail` (requests and answers), `ear` (bytes), `simulated`, `wall`, `civil`.
//! Not here: what the calendar says, and how a device behaves.

pub mod civil;
pub mod ear;
pub mod handle;
pub mod mail;
pub mod seat;
mod simulated;
mod wall;

pub use civil::Civil;
pub use ear::Ear;
pub use handle::{Clock, Flow};
pub use mail::{Mailbox, Post, PostError, mailbox};
pub use seat::{Bell, Seat, Woken};
pub use simulated::Patience;
pub(crate) use wall::timespec;

#[cfg(test)]
pub(crate) mod scene;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_async;
