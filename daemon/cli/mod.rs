//! The command line: what a person types, and what they read.
//!
//! ```text
//!  arguments ──► check · place · book · runs · show · watch · verbs · readings · survey · tonight
//!                  │ files only      └──────────── client ──────────► the daemon's socket
//!                  ▼                                  │
//!               format (table, csv, json)  ◄──────────┘      complaint ──► stderr, exit code
//! ```
//!
//! stdout carries data, everything else goes to stderr. Called by: main and
//! service. Not here: measuring, storing, deciding (the daemon does that);
//! this room knows the daemon only through `web::wire`.

pub mod account;
pub mod arguments;
pub mod arguments_of_bench;
pub mod arguments_of_evening;
pub mod arguments_of_rulings;
pub mod bench;
pub mod book;
pub mod check;
pub mod client;
pub mod complaint;
pub mod compute;
pub mod data_dir;
pub mod demo;
pub mod demo_lamps;
mod demo_table;
pub mod exit_codes;
pub mod figures;
pub mod findings;
pub mod follow;
pub mod format;
pub mod help;
pub mod morning;
pub mod new;
pub mod place;
mod programs;
pub mod readings;
pub mod record;
pub mod remarks;
pub mod rulings;
pub mod run;
pub mod runs;
pub mod script;
pub mod show;
pub mod sse;
pub mod survey;
pub mod terminal;
pub mod text_files;
pub mod tonight;
pub mod traffic;
pub mod user;
pub mod verbs;
pub mod watch;
