//! The account of a ruling, or of a metric's figure.

use super::data::{Account, JournalTold, RulingTold, Stated};
use super::point;
use super::sources::{self, Sources};
use crate::plan::itinerary::Purpose;
use crate::plan::uses::Use;
use crate::report::digits;
use crate::report::ids::{self, FigureId, SettingFigure};
use crate::run::journal::Link;
use crate::store::rulings::RulingRow;

/// The cause of the round that is made of the run's own plan.
const ENDED: &str = "the run ended";

/// A ruling by its number in the run, from 1.
pub(super) fn ruling(sources: &Sources<'_>, no: u32) -> Option<Account> {
    let at = usize::try_from(no).ok()?.checked_sub(1)?;
    let row = sources.rulings.get(at)?;
    let ruled = &row.ruled;
    let value = match ruled.value {
        Some(value) => Stated {
            // U of a ruling has the k of its own degrees of freedom.
            coverage_factor: None,
            ..sources::stated(value, ruled.expanded, &ruled.unit)
        },
        None => sources::no_value("not known", &ruled.unit),
    };
    let plan = own_use(sources, row).map(|one| sources.plan_place(&one.line));
    let known = sources.scripts.get(&ruled.script_digest);
    let what = match &ruled.word {
        Some(word) => format!("Criterion `{}` on test {}: {word}.", ruled.name, ruled.test),
        None => format!("Metric `{}` of test {}.", ruled.name, ruled.test),
    };
    let rests_on = ruled.rests_on.iter();
    let mut account = Account {
        what,
        values: vec![value],
        plan: plan.filter(|plan| !plan.text.is_empty()),
        steps: vec![format!(
            "Ruled over the figures below as the journal had them up to event {}; link {}.",
            row.of.last_seq,
            row.of.last_link.hex()
        )],
        budget: ruled.estimate.iter().flat_map(sources::budget).collect(),
        rests_on: rests_on
            .map(|id| sources::rests_on(id, shown_of(sources, id)))
            .collect(),
        meters: sources.meters(&lit(sources, &ruled.test)),
        journal: JournalTold {
            seq: row.of.last_seq,
            ..JournalTold::default()
        },
        ruling: Some(told(sources, row, known.cloned().unwrap_or_default())),
        ..Account::default()
    };
    if account.plan.is_none() {
        let flag = "ruled by criteria that are not known to be those of the run's own plan: they were sent when someone asked";
        account.flags.push(flag.to_owned());
    }
    let link = sources.link_after(row.of.last_seq);
    // While a run measures, its journal grows between the two looks at it.
    if !row.of.unfinished && link.is_some_and(|link| link != row.of.last_link) {
        let flag =
            "the journal is not the one that was ruled on: its link after that event is another";
        account.flags.push(flag.to_owned());
    }
    if row.of.unfinished {
        let flag = "the run was not over when it was ruled on";
        account.flags.push(flag.to_owned());
    }
    if let Some(certificate) = &row.of.certificate {
        account.flags.push(format!(
            "ruled as with another certificate than the run's: {certificate}"
        ));
    }
    Some(account)
}

/// The readings of a test that its figures are made of.
fn lit(sources: &Sources<'_>, test: &str) -> Vec<u64> {
    let rows = sources.rows.iter();
    let rows = rows.filter(|row| row.counts && row.purpose == Purpose::Read && row.test == test);
    rows.map(|row| row.seq).collect()
}

/// The use in the run's own plan that this ruling came from. Someone may have
/// ruled by another plan with the same name in it: then there is none. The same
/// script and parameters as when the run ended prove it, or the frozen script
/// with the parameters as they were written.
fn own_use<'s>(sources: &Sources<'s>, row: &RulingRow) -> Option<&'s Use> {
    let ruled = &row.ruled;
    let mut uses = sources.frozen.plan.uses.iter();
    let own = uses.find(|one| {
        (&one.name, one.purpose, &one.script) == (&ruled.name, ruled.purpose, &ruled.script)
    })?;
    let at_the_end = sources.rulings.iter().any(|other| {
        let same = &other.ruled;
        other.of.cause == ENDED
            && (&same.name, same.purpose) == (&ruled.name, ruled.purpose)
            && (&same.script_digest, &same.given) == (&ruled.script_digest, &ruled.given)
    });
    let frozen = || {
        let mut texts = sources.frozen.scripts.iter();
        let text = texts.find(|text| text.name == own.script);
        let digest = text.map(|text| Link::of_bundle(text.text.as_bytes()).hex());
        let written = |(name, value): (&String, &String)| ruled.given.get(name) == Some(value);
        digest.as_ref() == Some(&ruled.script_digest) && own.given.iter().all(written)
    };
    (at_the_end || frozen()).then_some(own)
}

fn told(sources: &Sources<'_>, row: &RulingRow, script_text: String) -> RulingTold {
    let ruled = &row.ruled;
    RulingTold {
        name: ruled.name.clone(),
        word: ruled.word.clone(),
        reason: ruled.reason.clone(),
        limit: limit_words(row),
        rule: ruled.rule.clone(),
        script: ruled.script.clone(),
        script_digest: ruled.script_digest.clone(),
        script_text,
        given: ruled.given.clone(),
        round: row.round,
        cause: row.of.cause.clone(),
        ruled_utc: (sources.utc)(row.of.at),
        certificate: row.of.certificate.clone(),
    }
}

/// What is printed of a figure that a ruling rests on; empty where it is not
/// one value.
fn shown_of(sources: &Sources<'_>, id: &str) -> String {
    let Ok(FigureId::Setting {
        test,
        setting,
        figure,
        ..
    }) = ids::parse(id)
    else {
        return String::new();
    };
    let Some((_, of)) = point::find(sources, &test, &setting) else {
        return String::new();
    };
    match figure {
        SettingFigure::At(place) => {
            let mut points = of.points.iter();
            let point = points.find(|point| point.position == place.at());
            point.map_or_else(String::new, |point| point::value(point).shown)
        }
        SettingFigure::Drift => crate::report::table::drift_words(of),
        _ => String::new(),
    }
}

/// `at least 250 lx`, `between 1 and 10`; empty without one.
pub fn limit_words(row: &RulingRow) -> String {
    let unit = row.ruled.unit.as_str();
    let space = if unit.is_empty() { "" } else { " " };
    let number = |value: f64| digits::shown(value, None).0;
    match (row.ruled.at_least, row.ruled.at_most) {
        (Some(least), None) => format!("at least {}{space}{unit}", number(least)),
        (None, Some(most)) => format!("at most {}{space}{unit}", number(most)),
        (Some(least), Some(most)) => {
            format!(
                "between {} and {}{space}{unit}",
                number(least),
                number(most)
            )
        }
        (None, None) => String::new(),
    }
}
