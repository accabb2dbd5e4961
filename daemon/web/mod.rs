//! The daemon's face: HTTP and JSON over a Unix socket.
//!
//! ```text
//!   client ──► serve (routes, limits) ──► runs · placements · benches · readings · remarks · accounts · sheets · health
//!                     │                      │ queue::keeper (bounded mail), store (reads)
//!                     └─► events: the journal, live (server-sent events)
//!   wire: the only types that cross          problem: errors (RFC 9457)
//! ```
//!
//! Called by: service. Nobody here waits in bench time or has a seat on its
//! clock: a handler posts mail or reads the store. Not here: what a run does.

pub mod accounts;
pub mod benches;
pub mod events;
pub mod figures;
pub mod health;
pub mod placements;
pub mod problem;
pub mod readings;
pub mod remarks;
pub mod rulings;
pub mod runs;
pub mod serve;
pub mod sheets;
pub mod tell;
pub mod traffic;
pub mod wire;
