//! `runs`: every run in one row.
//!
//! Called by: main.

use std::io::Write;

use super::arguments;
use super::client::Client;
use super::complaint::Complaint;
use super::format::{self, Cell, Grid};
use crate::web::wire::Run;

/// Prints the runs, the newest first.
///
/// # Errors
/// No daemon, or output that cannot be written.
pub async fn run(
    client: &Client,
    args: &arguments::Runs,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let runs: Vec<Run> = client.get("/runs").await?;
    let grid = match args.printed.format {
        arguments::Format::Table => short(&runs),
        _ => long(&runs).named("runs", &["run"]),
    };
    format::print(out, args.printed.format, &grid, &runs)
}

/// The plan, and which run it measures again.
fn plan_words(run: &Run) -> String {
    match run.redo_of {
        Some(of) => format!("{}, redo of run {of}", run.plan),
        None => run.plan.clone(),
    }
}

fn short(runs: &[Run]) -> Grid {
    let mut grid = Grid::new([
        "run",
        "state",
        "plan",
        "unit",
        "bench",
        "done",
        "booked",
        "waits for",
    ]);
    for run in runs {
        grid.row(vec![
            Cell::number(run.run),
            Cell::text(&run.state),
            Cell::text(plan_words(run)),
            Cell::text(&run.unit),
            Cell::text(&run.bench),
            Cell::text(format!("{}/{}", run.actions_done, run.actions)),
            Cell::text(&run.booked.utc),
            Cell::maybe_text(run.asks.as_deref().or(run.why.as_deref())),
        ]);
    }
    grid
}

/// Every column.
pub fn long(runs: &[Run]) -> Grid {
    let mut grid = Grid::new([
        "run",
        "state",
        "why",
        "asks",
        "plan",
        "lamp",
        "unit",
        "bench",
        "actions_done",
        "actions",
        "readings",
        "booked_utc",
        "booked_us",
        "begun_utc",
        "begun_us",
        "ended_utc",
        "ended_us",
        "redo_of",
    ]);
    for run in runs {
        let utc = |at: &Option<crate::web::wire::Instant>| {
            Cell::maybe_text(at.as_ref().map(|at| at.utc.as_str()))
        };
        let us = |at: &Option<crate::web::wire::Instant>| {
            Cell::maybe_number(at.as_ref().map(|at| at.us))
        };
        grid.row(vec![
            Cell::number(run.run),
            Cell::text(&run.state),
            Cell::maybe_text(run.why.as_deref()),
            Cell::maybe_text(run.asks.as_deref()),
            Cell::text(&run.plan),
            Cell::text(&run.lamp),
            Cell::text(&run.unit),
            Cell::text(&run.bench),
            Cell::number(run.actions_done),
            Cell::number(run.actions),
            Cell::number(run.readings),
            Cell::text(&run.booked.utc),
            Cell::number(run.booked.us),
            utc(&run.begun),
            us(&run.begun),
            utc(&run.ended),
            us(&run.ended),
            Cell::maybe_number(run.redo_of),
        ]);
    }
    grid
}
