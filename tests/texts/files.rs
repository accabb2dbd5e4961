//! Plan, bench and lamp files.

use std::path::Path;

use drivers::profile::shipped::SHIPPED;
use proptest::prelude::*;
use wakerail::bench::profiles::ProfileBook;
use wakerail::plan::check;
use wakerail::plan::frozen::SentText;
use wakerail::plan::uses::NotAsked;
use written::{Mistake, as_json};

use crate::corpus;
use crate::cost::Reader;
use crate::mutated;
use crate::readings::READINGS;

const TODAY: &str = "2026-11-25";
const BENCH: &str = "bench-strand.yaml";
const LAMP: &str = "lamp-dunlin.yaml";

fn example(name: &str) -> SentText {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("examples")
        .join(name);
    SentText {
        name: name.to_owned(),
        text: std::fs::read_to_string(path).expect("an example"),
    }
}

/// The mistake points at a character of its file, or just behind the line.
fn has_a_place(mistake: &Mistake, files: &[SentText]) -> bool {
    let place = &mistake.place;
    let Some(file) = files.iter().find(|file| *file.name == *place.file) else {
        return false;
    };
    let text = file.text.strip_prefix('\u{feff}').unwrap_or(&file.text);
    // A file that is too large is not looked at: its first line stands for it.
    let line = text.split('\n').nth(place.line as usize - 1);
    line.is_some_and(|line| place.column as usize <= line.chars().count() + 1)
}

fn checked(files: &[SentText]) -> Result<bool, TestCaseError> {
    let found = check::check(files, TODAY, &NotAsked, &ProfileBook::of(files.to_vec()));
    for mistake in &found.mistakes {
        prop_assert!(has_a_place(mistake, files), "{mistake:?}");
        prop_assert!(!mistake.message.is_empty() && !mistake.code.is_empty());
    }
    prop_assert_eq!(as_json(&found.mistakes).len(), found.mistakes.len());
    prop_assert_eq!(found.shown(true).is_empty(), found.mistakes.is_empty());
    prop_assert!(found.checked.itinerary.is_none() || !found.refuses());
    Ok(found.refuses())
}

/// Wounds one of the named examples; the others of its set stay as they are.
fn endures(reader: &Reader, wounded: &[&str], beside: &[&str]) {
    let names: Vec<String> = wounded.iter().map(|name| (*name).to_owned()).collect();
    let texts = wounded.iter().map(|name| example(name).text).collect();
    let others: Vec<SentText> = beside.iter().map(|name| example(name)).collect();
    reader.endures(mutated::files(texts), |(which, text)| {
        let mut files = others.clone();
        files.push(SentText {
            name: names[*which].clone(),
            text: text.clone(),
        });
        checked(&files)
    });
}

#[test]
fn plans() {
    let plans = [
        "plan-evening-survey.yaml",
        "plan-half-light.yaml",
        "plan-short.yaml",
    ];
    let reader = Reader {
        name: "plans",
        cases: 200,
        memory_mib: 192,
    };
    endures(&reader, &plans, &[BENCH, LAMP]);
}

#[test]
fn plans_based_on_another() {
    let reader = Reader {
        name: "plans based on another",
        cases: 100,
        memory_mib: 192,
    };
    endures(
        &reader,
        &["plan-night.yaml"],
        &[BENCH, LAMP, "plan-evening-survey.yaml"],
    );
}

#[test]
fn benches() {
    let reader = Reader {
        name: "benches",
        cases: 200,
        memory_mib: 192,
    };
    let benches = [BENCH, "bench-strand-by-hand.yaml"];
    endures(&reader, &benches, &[LAMP, "plan-short.yaml"]);
}

#[test]
fn lamps() {
    let reader = Reader {
        name: "lamps",
        cases: 200,
        memory_mib: 192,
    };
    let lamps = [LAMP, "lamp-knot.yaml", "lamp-turnstone.yaml"];
    endures(&reader, &lamps, &[BENCH, "plan-half-light.yaml"]);
}

/// Device profiles, each with its own samples, which are read as well.
#[test]
fn profiles() {
    let shipped = SHIPPED
        .iter()
        .map(|shipped| (format!("{}.yaml", shipped.name), shipped.text.to_owned()));
    // Kinds of devices and mistakes that no shipped one has.
    let reading = READINGS.iter().find(|(name, ..)| *name == "profiles");
    let kept = corpus::inputs(reading.expect("the reader of profiles"));
    let kept = kept.into_iter().filter_map(|(name, bytes)| {
        let text = String::from_utf8(bytes).ok()?;
        Some((format!("{name}.yaml"), text))
    });
    let (names, texts): (Vec<String>, Vec<String>) = shipped.chain(kept).unzip();
    let reader = Reader {
        name: "device profiles",
        cases: 300,
        memory_mib: 64,
    };
    reader.endures(mutated::files(texts), |(which, text)| {
        checked(&[SentText {
            name: names[*which].clone(),
            text: text.clone(),
        }])
    });
}
