//! Hostile texts for everything that reads one: files, scripts, words, requests,
//! answers of devices.
//!
//! ```text
//!  good text ── wounds (mutated) ──► reader, watched (cost) ──► a line of the
//!                                        │                      fault report
//!                                 no panic, memory bounded,
//!                                 a mistake has its place
//!
//!  kept input (corpus) ──► reader (readings) ──► what its line in the corpus says
//! ```
//!
//! A binary of its own, because memory is counted by its allocator. By default
//! each reader gets as many texts as take a few seconds in all; with
//! `WAKERAIL_LONG=1` at least 100,000, and `PROPTEST_CASES` says another number: some
//! readers of bytes take a few microseconds a case, and millions in a minute.
//! How long a text took is reported and never asserted; it is the time of a debug
//! build, about eight times that of a release.

mod answers;
mod bytes;
mod conversations;
mod corpus;
mod cost;
mod device;
mod devices;
mod files;
mod mutated;
mod readings;
mod requests;
mod scripts;
mod talks;
#[path = "../faults/tally.rs"]
mod tally;
mod words;
