//! The program as a person meets it: real processes, whole outputs.

mod accounts;
mod bench;
mod by_hand;
mod compute;
pub mod daemon;
mod demo;
mod evening;
mod files;
mod help;
mod http;
mod mains;
mod parts;
mod redo;
mod refusals;
mod remarks;
mod round;
mod rulings;
mod serving;
mod terminal;
mod traffic;
