//! `new`: a commented starter file of a bench, a lamp, a plan or a profile.
//!
//! The texts lie in `starters/`; together they pass `check` as they are. A file
//! that is there is never overwritten. Called by: run. Not here: what the keys
//! mean (the pages of `help`).

use std::fs::OpenOptions;
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use super::arguments::{self, FileKind};
use super::complaint::Complaint;
use super::format;
use crate::service;

const BENCH: &str = include_str!("starters/bench.yaml");
const LAMP: &str = include_str!("starters/lamp.yaml");
const PLAN: &str = include_str!("starters/plan.yaml");
const PROFILE: &str = include_str!("starters/profile.yaml");

/// Stands for the name in a starter, and nowhere else.
const NAME: &str = "NAME";
/// Stands for the day on which the example's certificate ends.
const DUE: &str = "DUE";

/// Writes a starter file and prints where; to stdout for `-`.
///
/// # Errors
/// When the file is there already, or cannot be written.
pub fn run(args: &arguments::New, out: &mut impl Write) -> Result<(), Complaint> {
    let name = &args.name.0;
    let text = text(args.kind, name, &service::today());
    if args.to.as_deref() == Some(Path::new("-")) {
        return format::say(out, &text);
    }
    let path = args.to.clone().unwrap_or_else(|| {
        let kind = args.kind.word();
        PathBuf::from(format!("{kind}-{}.yaml", name.replace(' ', "-")))
    });
    let failed = |source: std::io::Error| match source.kind() {
        ErrorKind::AlreadyExists => Complaint::Exists { path: path.clone() },
        _ => Complaint::CannotWrite {
            path: path.clone(),
            source,
        },
    };
    // Asking first and writing then would overwrite what came in between.
    let opened = OpenOptions::new().write(true).create_new(true).open(&path);
    let written = opened.and_then(|mut file| file.write_all(text.as_bytes()));
    written.map_err(failed)?;
    format::say(out, &format!("{}\n", path.display()))
}

/// The starter of a kind under a name. `today` as `2026-11-25`: the example's
/// certificate holds for a year, so that the starters pass as they are.
fn text(kind: FileKind, name: &str, today: &str) -> String {
    let starter = match kind {
        FileKind::Bench => BENCH,
        FileKind::Lamp => LAMP,
        FileKind::Plan => PLAN,
        FileKind::Profile => PROFILE,
    };
    starter.replace(NAME, name).replace(DUE, &in_a_year(today))
}

/// The same day of the next year; the last of February for a leap day.
fn in_a_year(day: &str) -> String {
    let next = day.split_once('-').and_then(|(year, rest)| {
        let year = year.parse::<u32>().ok()? + 1;
        let rest = if rest == "02-29" { "02-28" } else { rest };
        Some(format!("{year:04}-{rest}"))
    });
    next.unwrap_or_else(|| day.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::profiles::ProfileBook;
    use crate::plan::check;
    use crate::plan::frozen::SentText;
    use crate::rulings::library::Library;

    /// The promise of the command: no mistake, not even a warning, and an
    /// itinerary, whatever the day and the names.
    #[test]
    fn the_starters_pass_a_check_together_as_they_are() {
        for (today, names) in [
            ("2026-11-25", ["mudflat", "sanderling", "first look"]),
            ("2028-02-29", ["a", "Grünschenkel", "x-1_2 3"]),
        ] {
            let kinds = [FileKind::Bench, FileKind::Lamp, FileKind::Plan];
            let files: Vec<SentText> = kinds
                .iter()
                .zip(names)
                .map(|(kind, name)| SentText {
                    name: format!("{}.yaml", kind.word()),
                    text: text(*kind, name, today),
                })
                .collect();
            let found = check::check(
                &files,
                today,
                &Library::of(Vec::new()),
                &ProfileBook::of(Vec::new()),
            );
            assert_eq!(found.shown(false), "");
            let itinerary = found.checked.itinerary.expect("an itinerary");
            assert_eq!(itinerary.bench, names[0]);
            assert_eq!(itinerary.lamp, names[1]);
            assert_eq!(itinerary.plan, names[2]);
        }
    }

    #[test]
    fn the_starter_of_a_profile_passes_a_check_as_it_is() {
        for name in ["tern", "Grünschenkel", "x-1_2 3"] {
            let file = SentText {
                name: "profile.yaml".to_owned(),
                text: text(FileKind::Profile, name, "2026-11-25"),
            };
            let book = ProfileBook::of(Vec::new());
            let found = check::check(&[file], "2026-11-25", &Library::of(Vec::new()), &book);
            assert_eq!(found.shown(false), "");
        }
    }

    /// A starter is filled in its two gaps, and nowhere else.
    #[test]
    fn each_gap_stands_once() {
        for starter in [BENCH, LAMP, PLAN, PROFILE] {
            assert_eq!(starter.matches(NAME).count(), 1);
            let dated = usize::from(starter == BENCH);
            assert_eq!(starter.matches(DUE).count(), dated);
        }
    }

    #[test]
    fn a_year_on_is_a_day() {
        assert_eq!(in_a_year("2026-11-25"), "2027-11-25");
        assert_eq!(in_a_year("2028-02-29"), "2029-02-28");
    }
}
