//! `bench`: the devices of a bench tried by hand, for whoever attaches them.
//!
//! ```text
//!  bench file ──► card ──► probe (each port in turn)      ──► what is there, what to do
//!                     └──► by_hand (one device, one verb) ──► what came of it
//!                              bytes: what went over the links
//! ```
//!
//! Needs no daemon; one at work holds the ports. Called by: run. Not here: what
//! devices are asked, and the limits (`bench`).

mod by_hand;
pub(super) mod bytes;
mod probe;

use std::io::Write;

use super::arguments_of_bench::BenchCommand;
use super::complaint::Complaint;
use super::exit_codes::ExitCode;
use super::terminal::Terminal;
use crate::bench::by_hand::OpenError;
use crate::bench::failed::Kind;

/// Does what was asked.
///
/// # Errors
/// Mistakes of the bench file, a device that fails, what is outside the limits,
/// nobody's word, Ctrl-C.
pub async fn run(
    command: &BenchCommand,
    terminal: Terminal,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    match command {
        BenchCommand::Probe(args) => probe::run(args, terminal, out).await,
        BenchCommand::Try(args) => by_hand::run(args, terminal, out).await,
    }
}

/// How the program ends when a device failed.
const fn code(kind: Kind) -> ExitCode {
    match kind {
        Kind::NotThere | Kind::Settings | Kind::AnotherDevice => ExitCode::Config,
        Kind::Busy => ExitCode::Retry,
        Kind::NotPermitted => ExitCode::NotPermitted,
        Kind::NotSent => ExitCode::Usage,
        Kind::Silent
        | Kind::Garbled
        | Kind::Refused
        | Kind::Alarm
        | Kind::NotFollowed
        | Kind::Gone
        | Kind::Withdrawn
        | Kind::Hung => ExitCode::Io,
    }
}

fn not_opened(bench: &str) -> impl FnOnce(OpenError) -> Complaint {
    |error| Complaint::Bench {
        bench: bench.to_owned(),
        source: Box::new(error),
    }
}
