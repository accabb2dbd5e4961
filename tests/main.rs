//! Tests that start the real program, one folder a subject.

mod cli;
mod faults;
mod reports;
