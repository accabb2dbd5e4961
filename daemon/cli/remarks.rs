//! `note`, `set-aside`: what a person says of a run.
//!
//! Called by: run. Not here: what it does to the figures (the daemon knows).

use std::fmt::Write as _;

use super::arguments;
use super::client::Client;
use super::complaint::Complaint;
use super::format;
use super::terminal::printable;
use super::user::user;
use crate::web::wire::{Note, Remark, SetAside};

/// Records a note and tells what was recorded.
///
/// # Errors
/// No daemon, no such run, or one that has not begun.
pub async fn note(
    client: &Client,
    args: &arguments::Note,
    out: &mut impl std::io::Write,
) -> Result<(), Complaint> {
    let run = client.number(args.run.run).await?;
    let note = Note {
        text: args.text.clone(),
        who: user(),
    };
    let remark: Remark = client
        .post(&format!("/runs/{run}/notes"), &note, None)
        .await?;
    print(&remark, args.printed.format, out)
}

/// Sets readings aside, or takes that back, and tells which.
///
/// # Errors
/// No daemon, no such run or reading, or one that is set aside already, or not
/// at all where that is to be taken back.
pub async fn set_aside(
    client: &Client,
    args: &arguments::SetAside,
    out: &mut impl std::io::Write,
) -> Result<(), Complaint> {
    let run = client.number(args.key.run).await?;
    let aside = SetAside {
        key: args.key.key.clone(),
        attempt: args.attempt,
        because: args.because.clone(),
        who: user(),
    };
    let (verb, without) = match args.take_back {
        true => ("take-back", "with what was taken back"),
        false => ("set-aside", "without what was set aside"),
    };
    let path = format!("/runs/{run}/{verb}");
    let remark: Remark = client.post(&path, &aside, None).await?;
    print(&remark, args.printed.format, out)?;
    eprintln!(
        "the rulings of run {run} stand as they were made; `wakerail rule {run}` rules {without}"
    );
    Ok(())
}

fn print(
    remark: &Remark,
    form: arguments::Format,
    out: &mut impl std::io::Write,
) -> Result<(), Complaint> {
    match form {
        arguments::Format::Table => format::say(out, &told(remark)),
        form => {
            let mut grid = format::Grid::new(COLUMNS);
            grid.row(cells(remark));
            format::print(out, form, &grid, remark)
        }
    }
}

const COLUMNS: [&str; 8] = [
    "run", "remark", "kind", "who", "said_utc", "said_us", "text", "readings",
];

fn cells(remark: &Remark) -> Vec<format::Cell> {
    use format::Cell;
    vec![
        Cell::number(remark.run),
        Cell::number(remark.no),
        Cell::text(&remark.kind),
        Cell::text(&remark.who),
        Cell::text(&remark.at.utc),
        Cell::number(remark.at.us),
        Cell::text(&remark.text),
        Cell::text(remark.readings.join("; ")),
    ]
}

/// One remark for a person, its readings below it.
pub fn told(remark: &Remark) -> String {
    let mut text = format!(
        "{} {} on run {}, {} at {}: {}\n",
        remark.kind,
        remark.no,
        remark.run,
        printable(&remark.who),
        remark.at.utc,
        printable(&remark.text)
    );
    for key in &remark.readings {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "  {}", printable(key));
    }
    text
}
