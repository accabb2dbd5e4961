//! Options of `bench`: devices tried by hand, without the daemon.
//!
//! Called by: arguments. Not here: doing anything.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::arguments::Printed;

/// `bench`
#[derive(Debug, Args)]
pub struct Bench {
    /// What to do with it.
    #[command(subcommand)]
    pub command: BenchCommand,
}

/// What can be done with a bench by hand.
#[derive(Debug, Subcommand)]
pub enum BenchCommand {
    /// Open each port in turn and say what is there; nothing moves, nothing is pressed.
    /// Fingers are taken off, the rail's controller is reset, the meter is set up
    #[command(before_help = "Examples:
  wakerail bench probe bench.yaml
  wakerail bench probe bench.yaml --bytes          also every byte that was sent and came
  wakerail bench probe bench.yaml --format json")]
    Probe(Probe),

    /// Ask one device for one thing, within the bench file's limits
    #[command(before_help = "Examples:
  wakerail bench try bench.yaml lux-head read
  wakerail bench try bench.yaml lux-head shutter closed
  wakerail bench try bench.yaml fingers press left            or: press left '500 ms'
  wakerail bench try bench.yaml fingers release
  wakerail bench try bench.yaml rail status
  wakerail bench try bench.yaml rail home
  wakerail bench try bench.yaml rail go '500 mm' --way-is-clear    finds its home switch first")]
    Try(Try),
}

/// `bench probe`
#[derive(Debug, Args)]
pub struct Probe {
    /// The bench file
    #[arg(value_name = "BENCH")]
    pub bench: PathBuf,
    /// Print every byte that was sent and came, on standard error; in JSON, with the device
    #[arg(long)]
    pub bytes: bool,
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}

/// `bench try`
#[derive(Debug, Args)]
pub struct Try {
    /// The bench file
    #[arg(value_name = "BENCH")]
    pub bench: PathBuf,
    /// A meter's name in the bench file, `fingers` or `rail`
    #[arg(value_name = "DEVICE")]
    pub device: String,
    /// A meter: read, shutter. Fingers: press, release. The rail: home, go, status
    #[arg(value_name = "VERB")]
    pub verb: String,
    /// shutter: closed or open. press: the finger's name, and for how long [120 ms]. go: a coordinate
    #[arg(value_name = "ARGUMENT", num_args = 0..=2)]
    pub arguments: Vec<String>,
    /// A person has looked: nothing is in the way of what will move. Without it a terminal is asked
    #[arg(long)]
    pub way_is_clear: bool,
    /// Print every byte that was sent and came, on standard error; in JSON, with the answer
    #[arg(long)]
    pub bytes: bool,
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}
