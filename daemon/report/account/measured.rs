//! Accounts of the named figures of spectra, waveforms and programs.

use photometry::figure::{Figure, FigureName, Given};

use super::data::{Account, Stated};
use super::sources::{self, Sources};
use crate::plan::itinerary::KindName;
use crate::report::measures::Measure;
use crate::report::survey::K;
use crate::run::journal::Body;

/// Events that are told whole; a recording has thousands, which are counted.
const EVENTS_AT_MOST: usize = 40;

/// A named figure.
pub(super) fn measured(
    sources: &Sources<'_>,
    test: &str,
    of: &str,
    name: &FigureName,
) -> Option<Account> {
    let mut measures = sources.measures.iter();
    let measure = measures.find(|measure| measure.test == test && measure.of == of)?;
    let mut figures = measure.figures.iter();
    let figure = figures.find(|figure| figure.name.name == name.name)?;
    let mut flags = measure.notes.clone();
    if !figure.marks.is_empty() {
        flags.push(format!(
            "Marks of this figure: {}.",
            figure.marks.join(", ")
        ));
    }
    let budget = match &figure.given {
        Given::Estimate(estimate) => sources::budget(estimate),
        _ => Vec::new(),
    };
    let readings = sources.group_of("readings behind it", &measure.rests_on);
    let (captures, all) = captures(sources, measure);
    if all > captures.len() {
        let first = captures.len();
        flags.push(format!(
            "Of {all} captures behind it the lines of the first {first} are told."
        ));
    }
    let mut meters = sources.meters(&measure.rests_on);
    if !meters.iter().any(|told| told.name == measure.meter) {
        meters.extend(sources.meter_by_card(&measure.meter));
    }
    let took: Vec<String> = meters.iter().map(|told| told.name.clone()).collect();
    let lumens = ["lm", "lm min"].contains(&figure.name.unit);
    if measure.kind == KindName::Flux || lumens {
        meters.extend(sources.reference_lamp());
    }
    Some(Account {
        meters,
        what: format!(
            "{}: {}, of {}.",
            figure.name.name, figure.name.meaning, measure.shown
        ),
        values: vec![stated(figure)],
        flags,
        plan: sources.plan_of_test(test),
        steps: steps(measure, &took, figure),
        budget,
        readings: readings.into_iter().collect(),
        events: captures,
        ..Account::default()
    })
}

fn stated(figure: &Figure) -> Stated {
    let unit = figure.name.unit;
    match &figure.given {
        Given::Number(value) => sources::stated(*value, None, unit),
        Given::Estimate(estimate) => {
            sources::stated(estimate.value, Some(estimate.expanded(K)), unit)
        }
        Given::Word(word) => sources::no_value(*word, unit),
        Given::AtMost(bound) => sources::no_value(format!("at most {bound}"), unit),
        Given::AtLeast(bound) => sources::no_value(format!("at least {bound}"), unit),
        Given::Withheld(why) => sources::no_value(format!("withheld: {why}"), unit),
    }
}

fn steps(measure: &Measure, took: &[String], figure: &Figure) -> Vec<String> {
    let name = figure.name;
    vec![
        format!(
            "It rests on {} events of the journal, taken by `{}`.",
            measure.rests_on.len(),
            took.join("`, `")
        ),
        "Captures lie beside the journal: each event's line holds the SHA-256 digest of the bytes \
         as they came, and `wakerail store check` holds them against it."
            .to_owned(),
        format!("It is defined by: {}.", name.standard),
        format!("The program's tests hold it against: {}.", name.check),
    ]
}

/// The lines of the captures behind it, not too many of them, and how many there are.
fn captures(sources: &Sources<'_>, measure: &Measure) -> (Vec<super::data::EventTold>, usize) {
    let seqs = measure.rests_on.iter();
    let captured = seqs.filter(|seq| {
        let at = usize::try_from(**seq)
            .ok()
            .and_then(|seq| seq.checked_sub(1));
        let event = at.and_then(|at| sources.events.get(at));
        event.is_some_and(|event| matches!(event.body, Body::Captured { .. }))
    });
    let captured: Vec<u64> = captured.copied().collect();
    let told = captured.iter().filter_map(|seq| sources.event(*seq));
    (told.take(EVENTS_AT_MOST).collect(), captured.len())
}
