//! Options of the commands that tell what a run comes to: rulings, reports,
//! accounts, scripts.
//!
//! Called by: arguments. Not here: doing anything.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

use super::arguments::{Printed, RunArg};

/// `rule`
#[derive(Debug, Args)]
pub struct Rule {
    /// Which run
    #[command(flatten)]
    pub run: RunArg,
    /// A plan whose criteria and metrics stand in place of the run's own
    #[arg(long, value_name = "FILE")]
    pub plan: Option<PathBuf>,
    /// Another certificate of the meter, by its number; with --gain,
    /// --certificate-u or both, which say what it changes
    #[arg(long, value_name = "NUMBER")]
    pub certificate: Option<String>,
    /// What readings are multiplied by to agree with it [default: 1]
    #[arg(long, value_name = "FACTOR", requires = "certificate")]
    pub gain: Option<f64>,
    /// Its standard uncertainty (k = 1), such as '1.2 %' [default: the meter's own]
    #[arg(long, value_name = "RATIO", requires = "certificate")]
    pub certificate_u: Option<String>,
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}

/// `rulings`
#[derive(Debug, Args)]
pub struct Rulings {
    /// Which run
    #[command(flatten)]
    pub run: RunArg,
    /// Every round, not only the latest
    #[arg(long)]
    pub all: bool,
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}

/// How a text is printed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Told {
    /// For a person.
    #[default]
    Text,
    /// JSON, units in the names.
    Json,
}

/// `account`
#[derive(Debug, Args)]
pub struct Account {
    /// The figure's id, as the report prints it; `latest` may stand for the run
    #[arg(value_name = "ID")]
    pub id: String,
    /// How to print
    #[arg(long, value_enum, default_value_t, value_name = "FORM")]
    pub format: Told,
}

/// `report`
#[derive(Debug, Args)]
pub struct Report {
    /// Which run
    #[command(flatten)]
    pub run: RunArg,
    /// Where to write the page; `-` is standard output [default: run-RUN.html]
    #[arg(long, value_name = "FILE")]
    pub to: Option<PathBuf>,
}

/// `script`
#[derive(Debug, Args)]
pub struct Script {
    /// What to do
    #[command(subcommand)]
    pub command: ScriptCommand,
}

/// What to do with scripts.
#[derive(Debug, Subcommand)]
pub enum ScriptCommand {
    /// Report every mistake of every script; needs no daemon
    #[command(before_help = "Examples:
  wakerail script check mine.rhai
  wakerail script check *.rhai")]
    Check(ScriptCheck),

    /// Run a script over a stored run and print what it says; nothing is stored
    #[command(before_help = "Examples:
  wakerail script try mine.rhai latest
  wakerail script try reaches-target 7 --given target='300 lx' --given distance='24 in'
  wakerail script try mine.rhai 7 --test levels --format json")]
    Try(ScriptTry),

    /// List the scripts that come with the program
    #[command(before_help = "Examples:
  wakerail script list
  wakerail script list --format json")]
    List(ScriptList),

    /// Print the text of a script that comes with the program
    #[command(before_help = "Examples:
  wakerail script show reaches-target
  wakerail script show drift-within > mine.rhai")]
    Show(ScriptShow),
}

/// `script check`
#[derive(Debug, Args)]
pub struct ScriptCheck {
    /// Script files
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// How to print the mistakes: text on stderr, or JSON on stdout
    #[arg(long, value_enum, default_value_t, value_name = "FORM")]
    pub format: Told,
}

/// `script try`
#[derive(Debug, Args)]
pub struct ScriptTry {
    /// A script file, or the name of a shipped script
    #[arg(value_name = "FILE")]
    pub script: PathBuf,
    /// Which run
    #[command(flatten)]
    pub run: RunArg,
    /// A parameter, with its unit; may be repeated
    #[arg(long, value_name = "NAME=VALUE")]
    pub given: Vec<String>,
    /// The test to look at; every survey otherwise
    #[arg(long, value_name = "T")]
    pub test: Option<String>,
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}

/// `script list`
#[derive(Debug, Args)]
pub struct ScriptList {
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}

/// `script show`
#[derive(Debug, Args)]
pub struct ScriptShow {
    /// Its name
    #[arg(value_name = "NAME")]
    pub name: String,
    /// How to print
    #[arg(long, value_enum, default_value_t, value_name = "FORM")]
    pub format: Told,
}
