//! `show`: one run's story, or its journal event by event.
//!
//! Called by: main.

use std::fmt::Write as _;
use std::io::Write;

use super::arguments::{self, Format};
use super::client::Client;
use super::complaint::Complaint;
use super::format::{self, Cell, Grid};
use super::remarks;
use super::terminal::printable;
use crate::web::wire::{Entry, RunStory};

/// Remarks that the story prints; the journal has them all.
const REMARKS_AT_MOST: usize = 40;

/// Prints a run's story or journal.
///
/// # Errors
/// No daemon, no such run, or output that cannot be written.
pub async fn run(
    client: &Client,
    args: &arguments::Show,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let run = client.number(args.run.run).await?;
    if args.journal {
        let entries: Vec<Entry> = client.get(&format!("/runs/{run}/journal")).await?;
        return format::print(out, args.printed.format, &journal(&entries), &entries);
    }
    let story: RunStory = client.get(&format!("/runs/{run}")).await?;
    match args.printed.format {
        Format::Table => format::say(out, &told(&story)),
        form => format::print(out, form, &facts(&story), &story),
    }
}

fn journal(entries: &[Entry]) -> Grid {
    let mut grid = Grid::new([
        "seq", "at_utc", "at_us", "mono_s", "kind", "no", "attempt", "sitting", "says",
    ]);
    for entry in entries {
        grid.row(vec![
            Cell::number(entry.seq),
            Cell::text(&entry.at.utc),
            Cell::number(entry.at.us),
            Cell::number(format!("{:.3}", entry.mono_s)),
            Cell::text(&entry.kind),
            Cell::maybe_number(entry.no),
            Cell::number(entry.attempt),
            Cell::number(entry.sitting),
            Cell::text(&entry.says),
        ]);
    }
    grid
}

/// The story as pairs, one a row.
fn pairs(story: &RunStory) -> Vec<(&'static str, String)> {
    let run = &story.run;
    let mut pairs = vec![
        ("run", run.run.to_string()),
        ("state", run.state.clone()),
        ("plan", run.plan.clone()),
        ("unit", format!("{} ({})", run.unit, run.lamp)),
        ("bench", run.bench.clone()),
        (
            "done",
            format!(
                "{} of {} actions, {} readings",
                run.actions_done, run.actions, run.readings
            ),
        ),
        ("booked", run.booked.utc.clone()),
    ];
    let mut maybe = |name, value: Option<String>| pairs.extend(value.map(|value| (name, value)));
    maybe("redo of", run.redo_of.map(|of| format!("run {of}")));
    maybe("begun", run.begun.as_ref().map(|at| at.utc.clone()));
    maybe("ended", run.ended.as_ref().map(|at| at.utc.clone()));
    maybe("waits because", run.why.clone());
    maybe("asks", run.asks.clone());
    maybe("window", story.window.clone());
    maybe("bench left", story.bench_left.clone());
    for test in &story.tests {
        pairs.push((
            "test",
            format!(
                "{} ({}:{}), meter {}",
                test.test, test.file, test.line, test.meter
            ),
        ));
    }
    pairs.extend(story.left_out.iter().map(|what| ("left out", what.clone())));
    pairs.extend(story.elsewhere.clone().map(|other| ("elsewhere", other)));
    pairs.push(("bundle", story.bundle.clone()));
    pairs
}

fn facts(story: &RunStory) -> Grid {
    let mut grid = Grid::new(["fact", "value"]);
    for (name, value) in pairs(story) {
        grid.row(vec![Cell::text(name), Cell::text(value)]);
    }
    for remark in &story.remarks {
        grid.row(vec![Cell::text("remark"), Cell::text(remark)]);
    }
    for note in &story.notes {
        let told = remarks::told(note);
        let words = told.trim_end().replace("\n  ", " ");
        grid.row(vec![Cell::text(&note.kind), Cell::text(words)]);
    }
    grid
}

fn told(story: &RunStory) -> String {
    let mut text = String::new();
    // Writing to a String cannot fail.
    for (name, value) in pairs(story) {
        let _ = writeln!(text, "{name:<14} {}", printable(&value));
    }
    let hidden = story.remarks.len().saturating_sub(REMARKS_AT_MOST);
    if !story.remarks.is_empty() {
        text.push('\n');
    }
    if hidden > 0 {
        let run = story.run.run;
        let _ = writeln!(
            text,
            "({hidden} earlier remarks: `wakerail show {run} --journal`)"
        );
    }
    for remark in &story.remarks[hidden..] {
        let _ = writeln!(text, "{}", printable(remark));
    }
    if !story.notes.is_empty() {
        text.push('\n');
    }
    for note in &story.notes {
        text.push_str(&remarks::told(note));
    }
    text
}
