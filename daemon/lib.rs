//! wakerail: unattended measuring of wake-up and light-therapy lamps.
//!
//! The rooms, in the order of one reading: [`plan`] (files, checks, the
//! itinerary), [`queue`] (booking, who is next), [`run`] (what has happened and
//! what comes next; pure), [`attendant`] (the loop of one bench), [`bench`]
//! (instruments), [`store`] (SQLite), [`report`] (figures, table, charts, page),
//! [`script`] (the sandbox), [`rulings`] (criteria and metrics on a run),
//! [`web`] (HTTP on a socket), [`cli`] (commands); [`service`], [`supervised`] and
//! [`rehearsal`] wire them. DEVELOPERS.md has the map and who may import whom.

// A table of cases in a test may be long; functions of the product may not.
#![cfg_attr(not(test), warn(clippy::too_many_lines))]

pub mod attendant;
pub mod bench;
pub mod cli;
pub mod plan;
pub mod queue;
pub mod rehearsal;
pub mod report;
pub mod rulings;
pub mod run;
pub mod script;
pub mod service;
pub mod store;
pub mod supervised;
pub mod web;
