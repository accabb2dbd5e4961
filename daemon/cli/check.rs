//! `check`: every mistake of every file at once; needs no daemon.
//!
//! Called by: main; also by serve and demo, for a bench file's card. Not here:
//! what is a mistake (plan::check).

use std::io::Write;
use std::path::{Path, PathBuf};

use written::Severity;

use super::arguments::{self, Format};
use super::complaint::Complaint;
use super::format::{self, Cell, Grid};
use super::terminal::{Terminal, printable};
use super::text_files;
use crate::bench::by_hand;
use crate::bench::profiles::ProfileBook;
use crate::plan::card::Card;
use crate::plan::check::{self, Checked};
use crate::plan::frozen::SentText;
use crate::plan::{merged, print};
use crate::rulings::library::Library;
use crate::service;
use crate::web::wire::Text;

/// Reads a bench file; the profiles that it names lie beside it.
///
/// # Errors
/// All its mistakes and those of its profiles.
pub fn card(path: &Path, text: &Text) -> Result<Card, Complaint> {
    let sent = sent(text.clone());
    let profiles = ProfileBook::of(text_files::profiles_beside(&[(path, &sent)])?);
    check::read_card(&sent, &profiles).map_err(|shown| Complaint::BenchFile {
        name: text.name.clone(),
        shown,
    })
}

/// Checks files, and prints what they become when that was asked for.
///
/// # Errors
/// All mistakes of all files; an itinerary that was asked for without a
/// bench, a lamp and a plan.
pub fn run(
    args: &arguments::Check,
    terminal: Terminal,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let texts = read_all(&args.files)?;
    // A base was found beside the plan that names it: its folder will do.
    let folder = args.files.first().map_or(Path::new(""), PathBuf::as_path);
    let path_of = |at: usize| args.files.get(at).map_or(folder, PathBuf::as_path);
    let plans = texts.iter().enumerate();
    let plans: Vec<_> = plans.map(|(at, text)| (path_of(at), text)).collect();
    let scripts = Library::of(text_files::scripts_beside(&plans)?);
    let mut profiles = texts.clone();
    profiles.extend(text_files::profiles_beside(&plans)?);
    let profiles = ProfileBook::of(profiles);
    let found = check::check(&texts, &service::today(), &scripts, &profiles);
    let shown = found.shown(terminal.bold);
    if found.refuses() {
        let mistakes = found.mistakes.iter();
        let count = mistakes.filter(|m| m.severity == Severity::Mistake).count();
        return Err(Complaint::Mistakes { count, shown });
    }
    if !shown.is_empty() {
        eprintln!("{shown}");
    }
    if args.merged {
        merged(&found.checked, &scripts, args.format, out)?;
    }
    if !args.itinerary && !args.list && !args.merged {
        let files = texts.len();
        let s = if files == 1 { "" } else { "s" };
        for said in given_settings(found.checked.bench.as_ref()) {
            eprintln!("{}", printable(&said));
        }
        eprintln!("{files} file{s}, no mistakes");
        return Ok(());
    }
    if !args.itinerary && !args.list {
        return Ok(());
    }
    let Checked {
        itinerary,
        other_part,
        bench,
        ..
    } = found.checked;
    let (Some(itinerary), Some(card)) = (itinerary, bench) else {
        return Err(Complaint::Option {
            option: if args.itinerary { "itinerary" } else { "list" },
            reason: "needs a bench file, a lamp file and a plan file together".to_owned(),
        });
    };
    for (at, itinerary) in std::iter::once(itinerary).chain(other_part).enumerate() {
        if at > 0 {
            format::say(out, "\nThe other part, a run of its own:\n\n")?;
        }
        if args.itinerary {
            format::say(out, &print::summary(&itinerary, &card))?;
        }
        if args.list {
            format::say(out, &print::list(&itinerary, card.lengths))?;
        }
    }
    Ok(())
}

/// The profile of each device whose settings the bench file gives values to, with
/// these.
fn given_settings(card: Option<&Card>) -> Vec<String> {
    let devices = card.map(by_hand::devices).unwrap_or_default();
    let given = devices.iter().filter_map(|device| {
        let profile = device.profile.as_deref()?;
        let given = device.given()?;
        Some(format!("{}: {profile}, with {given}", device.name))
    });
    given.collect()
}

/// Prints the plan as it is in force.
fn merged(
    checked: &Checked,
    scripts: &Library,
    form: Format,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let (Some(written), Some(plan)) = (&checked.plan_written, &checked.plan) else {
        return Err(Complaint::Option {
            option: "merged",
            reason: "needs a plan file".to_owned(),
        });
    };
    let rows = merged::rows(written, plan, &|one| scripts.given(one));
    if form == Format::Table {
        return format::say(out, &merged::text(&rows));
    }
    let mut grid = Grid::new(["path", "value", "file", "line", "is_default"]);
    for row in &rows {
        grid.row(vec![
            Cell::text(&row.path),
            Cell::maybe_text(row.value.as_deref()),
            Cell::maybe_text(row.file.as_deref()),
            Cell::maybe_number(row.line),
            Cell::text(row.is_default.to_string()),
        ]);
    }
    format::print(out, form, &grid, &rows)
}

/// The files, and those that their plans are based on.
fn read_all(files: &[PathBuf]) -> Result<Vec<SentText>, Complaint> {
    let mut texts = Vec::new();
    for path in files {
        texts.push(sent(text_files::read(path)?));
    }
    for (at, path) in files.iter().enumerate() {
        let Some(base) = check::base_of(&texts[at]) else {
            continue;
        };
        // A base that is not there is a mistake of the plan, told with the
        // line that names it.
        if !texts.iter().any(|text| text.name == base)
            && let Ok(text) = text_files::read(&text_files::beside(path, &base))
        {
            texts.push(sent(text));
        }
    }
    Ok(texts)
}

fn sent(text: Text) -> SentText {
    SentText {
        name: text.name,
        text: text.text,
    }
}
