//! `book`: sends a plan's text, and the text that it is based on.
//!
//! Called by: main, demo. Not here: checking it (the daemon does, against
//! lamp, placement and bench).

use std::fmt::Write as _;
use std::io::Read;
use std::path::Path;

use photometry::units::Span;

use super::arguments;
use super::client::Client;
use super::complaint::Complaint;
use super::text_files;
use crate::plan::check;
use crate::plan::frozen::SentText;
use crate::web::wire::{Book, Booked, Text};

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
    let key = fresh_key()?;
    let mut tried = 1;
    loop {
        match client.post("/runs", book, Some(&key)).await {
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
