//! The photometry crate held against published values: every expectation of
//! the files in `tests/reference/`, none skipped.

mod colour;
mod reference;
mod statistics;
mod tally;
