//! `book`: sends a plan's text, and the text that it is based on. `redo`: books
//! part of a run again.
//!
//! Called by: main, demo. Not here: checking it (the daemon does, against
//! lamp, placement and bench).

use std::fmt::Write as _;
use std::io::Read;
use std::path::Path;

use photometry::units::Span;
use serde::Serialize;

use super::arguments::{self, Format};
use super::client::Client;
use super::complaint::Complaint;
use super::{format, runs, text_files};
use crate::plan::check;
use crate::plan::frozen::SentText;
use crate::web::wire::{Book, Booked, Redo, Text};

/// A booking is sent again so often when the connection breaks; its key keeps
/// it from being booked twice.
const TRIES_AT_MOST: u32 = 3;

/// Books a run.
///
/// # Errors
/// A file that cannot be read, no daemon, or its refusal.
pub async fn run(client: &Client, args: &arguments::Book) -> Result<Booked, Complaint> {
    let plan = text_files::read(&args.plan)?;
    let based_on = base_of(&plan, &args.plan)?;
    let scripts = scripts_of(&plan, based_on.as_ref(), &args.plan)?;
    let lamp = args.lamp.as_deref().map(text_files::read).transpose()?;
    let book = Book {
        plan,
        based_on,
        unit: args.unit.clone(),
        bench: args.bench.clone(),
        lamp,
        hold: args.hold,
        scripts,
    };
    send(client, &book).await
}

/// Sends a booking, again under the same key when the connection breaks.
///
/// # Errors
/// No daemon, or its refusal.
pub async fn send(client: &Client, book: &Book) -> Result<Booked, Complaint> {
    send_to(client, "/runs", book).await
}

/// Books what of a run is to be measured again.
///
/// # Errors
/// No daemon, or its refusal.
pub async fn redo(
    client: &Client,
    args: &arguments::Redo,
    out: &mut impl std::io::Write,
) -> Result<(), Complaint> {
    let run = client.number(args.run.run).await?;
    let trimmed = |list: &[String]| list.iter().map(|one| one.trim().to_owned()).collect();
    let redo = Redo {
        tests: trimmed(&args.test),
        settings: trimmed(&args.setting),
        positions: trimmed(&args.position),
        hold: args.hold,
    };
    let booked = send_to(client, &format!("/runs/{run}/redo"), &redo).await?;
    match args.printed.format {
        Format::Table => format::say(out, &told(&booked)),
        form => {
            let grid = runs::long(std::slice::from_ref(&booked.run));
            format::print(out, form, &grid, &booked)
        }
    }
}

async fn send_to(
    client: &Client,
    path: &str,
    body: &(impl Serialize + Sync),
) -> Result<Booked, Complaint> {
    let key = fresh_key()?;
    let mut tried = 1;
    loop {
        match client.post(path, body, Some(&key)).await {
            Err(Complaint::BrokenOff { .. }) if tried < TRIES_AT_MOST => tried += 1,
            done => return done,
        }
    }
}

/// What was booked, for a person.
pub fn told(booked: &Booked) -> String {
    let run = &booked.run;
    let span = |secs: f64| Span::from_secs_f64(secs).shown();
    let mut text = format!(
        "run {}: {} of {} ({}) on {}\n",
        run.run, run.plan, run.unit, run.lamp, run.bench
    );
    // Writing to a String cannot fail.
    if let Some(of) = run.redo_of {
        let _ = writeln!(text, "redo of run {of}");
    }
    for what in &booked.again {
        let _ = writeln!(text, "again: {what}");
    }
    let _ = writeln!(
        text,
        "{} actions; about {}, at least {}, at most {}",
        run.actions,
        span(booked.likely_s),
        span(booked.least_s),
        span(booked.most_s)
    );
    if let Some(window) = &booked.window {
        let _ = writeln!(text, "measures from {window}");
    }
    for what in &booked.left_out {
        let _ = writeln!(text, "left out: {what}");
    }
    if let Some(other) = &booked.other_part {
        let (run, tests, bench) = (other.run, other.tests.join(", "), &other.bench);
        let _ = writeln!(
            text,
            "and run {run}: {tests}, {} of bench {bench}; held until the unit stands there",
            other.place
        );
    }
    for what in &booked.warnings {
        let _ = writeln!(text, "warning: {what}");
    }
    if booked.repeated {
        let _ = writeln!(
            text,
            "the same request was booked before; nothing new was booked"
        );
    }
    match &run.why {
        Some(why) => {
            let _ = writeln!(text, "{}: {why}", run.state);
        }
        None => {
            let _ = writeln!(
                text,
                "{}; look on with `wakerail watch {}`",
                run.state, run.run
            );
        }
    }
    text
}

/// The script files that the plan and its base name, from beside the plan.
pub fn scripts_of(
    plan: &Text,
    based_on: Option<&Text>,
    path: &Path,
) -> Result<Vec<Text>, Complaint> {
    let sent = |text: &Text| SentText {
        name: text.name.clone(),
        text: text.text.clone(),
    };
    let texts: Vec<SentText> = std::iter::once(plan).chain(based_on).map(sent).collect();
    let plans: Vec<_> = texts.iter().map(|text| (path, text)).collect();
    let scripts = text_files::scripts_beside(&plans)?;
    let text = |SentText { name, text }| Text { name, text };
    Ok(scripts.into_iter().map(text).collect())
}

/// The text that a plan is based on, from the file beside it. A plan that
/// cannot be read as YAML is sent as it is: the daemon tells its mistakes.
pub fn base_of(plan: &Text, path: &Path) -> Result<Option<Text>, Complaint> {
    let sent = SentText {
        name: plan.name.clone(),
        text: plan.text.clone(),
    };
    let Some(name) = check::base_of(&sent) else {
        return Ok(None);
    };
    text_files::read(&text_files::beside(path, &name)).map(Some)
}

/// 128 random bits as hexadecimal digits.
fn fresh_key() -> Result<String, Complaint> {
    let path = Path::new("/dev/urandom");
    let mut bytes = [0_u8; 16];
    std::fs::File::open(path)
        .and_then(|mut source| source.read_exact(&mut bytes))
        .map_err(|source| Complaint::File {
            path: path.to_owned(),
            source,
        })?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}
