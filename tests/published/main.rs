//! The photometry crate held against published values: every expectation of
//! the files in `tests/reference/`, none skipped.

mod colour;
mod distance;
mod flicker;
mod reference;
mod statistics;
mod tally;
mod waveforms;
