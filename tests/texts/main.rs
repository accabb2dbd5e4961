//! Hostile texts for everything that reads one: files, scripts, words, requests,
//! answers of devices.
//!
//! ```text
//!  good text ── wounds (mutated) ──► reader, watched (cost) ──► a line of the
//!                                        │                      fault report
//!                                 no panic, memory bounded,
//!                                 a mistake has its place
//! ```
//!
//! A binary of its own, because memory is counted by its allocator. By default
//! each reader gets as many texts as take a few seconds in all; with
//! `WAKERAIL_LONG=1` at least 100,000, and `PROPTEST_CASES` says another number.
//! How long a text took is reported and never asserted; it is the time of a debug
//! build, about eight times that of a release.

mod answers;
mod cost;
mod devices;
mod files;
mod mutated;
mod requests;
mod scripts;
#[path = "../faults/tally.rs"]
mod tally;
mod words;
