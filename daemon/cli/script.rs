//! `script`: check a script, try it on a stored run, look at those that come
//! with the program.
//!
//! Called by: run. Not here: what a script may do (script), what it says of a
//! run (the daemon).

use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;

use serde::Serialize;
use written::{Sources, render};

use super::arguments_of_rulings::{self as arguments, Told};
use super::client::Client;
use super::complaint::Complaint;
use super::format::{self, Cell, Grid};
use super::terminal::Terminal;
use super::{rulings, text_files};
use crate::plan::frozen::SentText;
use crate::rulings::library;
use crate::script::host::{Kind, Script, compile};
use crate::script::shipped::shipped;
use crate::web::wire::{Ruling, Text, Try};

/// Reports every mistake of every script; needs no daemon.
///
/// # Errors
/// A file that cannot be read; all mistakes of all files.
pub fn check(
    args: &arguments::ScriptCheck,
    terminal: Terminal,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let (mut mistakes, mut sources) = (Vec::new(), Sources::new());
    for path in &args.files {
        let Text { name, text } = text_files::read(path)?;
        sources.add(&name, &text);
        match library::check_file(&SentText { name, text }) {
            Ok(script) => {
                let kind = script.kind.function();
                eprintln!("{}: a sound {kind}: {}", script.name, script.summary);
            }
            Err(found) => mistakes.extend(found),
        }
    }
    if args.format == Told::Json {
        format::json(out, &written::as_json(&mistakes))?;
    }
    if mistakes.is_empty() {
        return Ok(());
    }
    Err(Complaint::Mistakes {
        count: mistakes.len(),
        shown: render(&mistakes, &sources, terminal.bold),
    })
}

/// Runs a script over a stored run and prints what it says.
///
/// # Errors
/// A file that cannot be read, no daemon, no such run or test, mistakes.
pub async fn attempt(
    client: &Client,
    args: &arguments::ScriptTry,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let asked = Try {
        script: named(&args.script)?,
        given: given(&args.given)?,
        test: args.test.clone(),
    };
    let run = client.number(args.run.run).await?;
    let path = format!("/runs/{run}/tries");
    let said: Vec<Ruling> = client.post(&path, &asked, None).await?;
    rulings::print(&said, args.printed.format, out)
}

/// A file; or, where there is none of that name, a script of the program's own.
fn named(path: &Path) -> Result<Text, Complaint> {
    let known = shipped().iter().find(|(name, _)| Path::new(name) == path);
    match known {
        Some((name, text)) if !path.exists() => Ok(Text {
            name: (*name).to_owned(),
            text: (*text).to_owned(),
        }),
        _ => text_files::read(path),
    }
}

fn given(words: &[String]) -> Result<BTreeMap<String, String>, Complaint> {
    let one = |word: &String| match word.split_once('=') {
        Some((name, value)) => Ok((name.trim().to_owned(), value.trim().to_owned())),
        None => Err(Complaint::Option {
            option: "given",
            reason: format!("`{word}` is not NAME=VALUE, such as target='250 lx'"),
        }),
    };
    words.iter().map(one).collect()
}

/// A script that comes with the program.
#[derive(Debug, Serialize)]
struct Listed {
    name: &'static str,
    /// `criterion` or `metric`.
    kind: &'static str,
    summary: String,
    /// Its parameters with their defaults.
    given: BTreeMap<String, String>,
}

/// Prints the scripts that come with the program.
///
/// # Errors
/// When the output cannot be written.
pub fn list(args: &arguments::ScriptList, out: &mut impl Write) -> Result<(), Complaint> {
    let compiled = shipped().iter();
    // A shipped script that does not compile is noticed by a test.
    let compiled = compiled.filter_map(|(name, text)| Some((*name, compile(name, text).ok()?)));
    let all: Vec<Listed> = compiled
        .map(|(name, script)| listed(name, script))
        .collect();
    let mut grid = Grid::new(["script", "kind", "what for", "given"]);
    for one in &all {
        let given = one
            .given
            .iter()
            .map(|(name, value)| format!("{name}: {value}"));
        grid.row(vec![
            Cell::text(one.name),
            Cell::text(one.kind),
            Cell::text(&one.summary),
            Cell::text(given.collect::<Vec<_>>().join(", ")),
        ]);
    }
    format::print(out, args.printed.format, &grid, &all)
}

fn listed(name: &'static str, script: Script) -> Listed {
    let parameters = script.parameters.into_iter();
    Listed {
        name,
        kind: match script.kind {
            Kind::Criterion => "criterion",
            Kind::Metric => "metric",
        },
        summary: script.summary,
        given: parameters
            .map(|parameter| (parameter.name, parameter.default.shown()))
            .collect(),
    }
}

/// A shipped script as JSON.
#[derive(Debug, Serialize)]
struct Shown {
    name: &'static str,
    text: &'static str,
}

/// Prints the text of a script that comes with the program.
///
/// # Errors
/// When there is none of that name.
pub fn show(args: &arguments::ScriptShow, out: &mut impl Write) -> Result<(), Complaint> {
    let mut all = shipped().iter();
    let Some((name, text)) = all.find(|(name, _)| *name == args.name) else {
        let names = shipped().iter().map(|(name, _)| *name);
        return Err(Complaint::NoScript {
            name: args.name.clone(),
            near: written::nearest(&args.name, names).map(str::to_owned),
        });
    };
    match args.format {
        Told::Text => format::say(out, text),
        Told::Json => format::json(out, &Shown { name, text }),
    }
}
