//! The record on disk: lamps, placements, runs, their journals and readings,
//! in one SQLite file. The journal is only ever appended to.
//!
//! ```text
//!  attendant ──► ledger ──(event + reading + run state, one transaction)──► file
//!  cli, web, report ◄── runs · journal · readings ◄── up to four readers ──┘
//!                              │
//!                           counts: which readings are results
//! ```
//!
//! Reading order: [`open`] (the file, and which files are refused), one file
//! per noun ([`lamps`], [`placements`], [`runs`], [`journal`], [`readings`],
//! [`rulings`], [`remarks`], [`traffic`]),
//! [`ledger`] (the only writer of a journal), `commit` (how its events get to
//! disk), [`verify`] (is it still what was
//! written?), [`check`] (the whole record), `reopen`
//! (after a failure).
//!
//! Called by: service (opens it), attendant (through the ledger trait), queue,
//! report, web. Not here: what an event means for what comes next (run), any
//! computation on readings (report, photometry).

pub mod captures;
pub mod check;
mod commit;
pub mod counts;
pub mod error;
pub mod journal;
pub mod lamps;
pub mod ledger;
pub mod open;
pub mod placements;
pub mod readings;
pub mod remarks;
mod reopen;
pub mod room;
pub mod rulings;
pub mod runs;
#[cfg(test)]
pub mod samples;
#[cfg(test)]
mod tests_captures;
#[cfg(test)]
mod tests_commit;
#[cfg(test)]
mod tests_file;
#[cfg(test)]
pub(crate) mod tests_flips;
#[cfg(test)]
mod tests_journal;
#[cfg(test)]
mod tests_property;
#[cfg(test)]
mod tests_remarks;
#[cfg(test)]
mod tests_traffic;
#[cfg(test)]
mod tests_upgrade;
pub mod traffic;
pub mod verify;
