//! The account of a ruling, or of a metric's figure.

use photometry::figure::five_digits;
use photometry::measured::Outcome;
use photometry::units::{Length, Lux, Ratio, Span};

use super::data::{Account, Correction, JournalTold, PlanPlace, RulingTold, Stated};
use super::point;
use super::sources::{self, Sources};
use crate::plan::itinerary::Purpose;
use crate::plan::uses::Use;
use crate::report::ids::{self, FigureId, SettingFigure};
use crate::run::journal::Link;
use crate::store::remarks::altered_since;
use crate::store::rulings::{RuledBy, RulingRow};

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
            coverage_factor: ruled.k,
            ..sources::stated(value, ruled.expanded, &ruled.unit)
        },
        None => sources::no_value("not known", &ruled.unit),
    };
    let looked_at = sources.looked_at();
    let seen = looked_at.as_ref().unwrap_or(sources);
    let (plan, by) = plan_of(sources, row);
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
        steps: steps(row),
        corrections: corrections(sources, seen, row),
        budget: ruled.estimate.iter().flat_map(sources::budget).collect(),
        rests_on: rests_on
            .map(|id| sources::rests_on(id, shown_of(seen, id)))
            .collect(),
        meters: meters(seen, row),
        journal: JournalTold {
            seq: row.of.last_seq,
            ..JournalTold::default()
        },
        ruling: Some(told(sources, row, known.cloned().unwrap_or_default())),
        ..Account::default()
    };
    if altered_since(sources.remarks, row.of.last_remark) {
        account.flags.push(format!(
            "ruled before readings were set aside or taken back: it may not rest on the figures \
             as they are now; `wakerail rule {}` rules again",
            sources.run
        ));
    }
    account.flags.extend(by);
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

/// Where the criterion stands in the plan that ruled, and what must be known of
/// that plan.
fn plan_of(sources: &Sources<'_>, row: &RulingRow) -> (Option<PlanPlace>, Option<String>) {
    let line = row.ruled.line.as_ref();
    match &row.of.by {
        RuledBy::OwnPlan(_) => (line.map(|line| sources.plan_place(line)), None),
        RuledBy::OtherPlan(files) => {
            let file = line.and_then(|line| files.iter().find(|file| file.name == line.file));
            let text = file.and_then(|file| sources.plans.get(&file.digest));
            let place = line
                .zip(text)
                .map(|(line, text)| sources::place_in(text, line));
            let named = files.iter();
            let named = named.map(|file| format!("{} (SHA-256 {})", file.name, file.digest));
            let named: Vec<String> = named.collect();
            let flag = format!(
                "ruled by another plan than the run's own: {}",
                named.join(", on ")
            );
            (place, Some(flag))
        }
        RuledBy::NotKept => match own_use(sources, row) {
            Some(one) => (Some(sources.plan_place(&one.line)), None),
            None => {
                let flag = "ruled by criteria that are not known to be those of the run's own plan: they were sent when someone asked, and their text was not kept";
                (None, Some(flag.to_owned()))
            }
        },
    }
}

/// What the ruling was made over, and what its uncertainty adds up to.
fn steps(row: &RulingRow) -> Vec<String> {
    let (of, ruled) = (&row.of, &row.ruled);
    let mut steps = vec![format!(
        "Ruled over the figures below as the journal had them up to event {}; link {}.",
        of.last_seq,
        of.last_link.hex()
    )];
    match (&of.certified, &of.certificate) {
        (Some(other), _) => {
            let u = match other.u {
                Some(u) => format!("{u} in place of the meter's term `certificate`"),
                None => "the meter's own".to_owned(),
            };
            steps.push(format!(
                "As with certificate {}: each reading times {} before all else; u (k = 1) {u}. The corrected readings and the figures below are those under it.",
                other.number, other.gain
            ));
        }
        (None, Some(words)) => steps.push(format!(
            "As with certificate {words}; its numbers were not kept, so the figures below are the run's own."
        )),
        (None, None) => {}
    }
    let Some(expanded) = ruled.expanded else {
        return steps;
    };
    let k = ruled.k.map_or("not kept".to_owned(), sources::ten_digits);
    steps.push(match &ruled.estimate {
        Some(estimate) => format!(
            "Uncertainty of what was ruled on: u = {}, the root of the squares below; effective degrees of freedom {}; k = {k}; U = k u = {}.",
            sources::ten_digits(estimate.combined()),
            estimate.effective_dof().map_or("infinite".to_owned(), sources::ten_digits),
            sources::ten_digits(expanded)
        ),
        None => format!(
            "Uncertainty of what was ruled on: U = {}, k = {k}; its sources were not kept.",
            sources::ten_digits(expanded)
        ),
    });
    steps
}

/// The readings of the points that it rests on, corrected as they were for this
/// ruling; none where those are the run's figures as they stand, which have
/// accounts of their own.
fn corrections(sources: &Sources<'_>, seen: &Sources<'_>, row: &RulingRow) -> Vec<Correction> {
    let gain = row.of.certified.as_ref().map(|other| other.gain);
    if gain.is_none() && seen.surveys == sources.surveys {
        return Vec::new();
    }
    let mut all = Vec::new();
    for text in &row.ruled.rests_on {
        let Ok(FigureId::Setting {
            test,
            setting,
            figure: SettingFigure::At(place),
            ..
        }) = ids::parse(text)
        else {
            continue;
        };
        let Some((survey, of)) = point::find(seen, &test, &setting) else {
            continue;
        };
        let points = of
            .points
            .iter()
            .filter(|point| point.position == place.at());
        for part in points.flat_map(|point| &point.parts) {
            let raw = sources.row(part.seq).map(|row| &row.reading.outcome);
            let corrected = point::correction(seen, survey, part);
            all.push(Correction {
                figure: text.clone(),
                gain,
                raw_lx: match raw {
                    Some(Outcome::Value(raw)) => *raw,
                    _ => corrected.raw_lx,
                },
                ..corrected
            });
        }
    }
    all
}

/// The meters, under the certificate that it was ruled as with.
fn meters(seen: &Sources<'_>, row: &RulingRow) -> Vec<super::data::MeterTold> {
    let mut meters = seen.meters(&lit(seen, &row.ruled.test));
    if row.of.certified.is_some() {
        for meter in &mut meters {
            meter.due.clear(); // the day of the old one says nothing of it
        }
    }
    meters
}

/// The readings of a test that its figures are made of.
fn lit(sources: &Sources<'_>, test: &str) -> Vec<u64> {
    let rows = sources.rows.iter();
    let rows =
        rows.filter(|row| row.counts && row.key.purpose == Purpose::Read && row.key.test == test);
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
        let written = |(name, value): (&String, &String)| {
            ruled
                .given
                .get(name)
                .is_some_and(|shown| same_quantity(value, shown))
        };
        digest.as_ref() == Some(&ruled.script_digest) && own.given.iter().all(written)
    };
    (at_the_end || frozen()).then_some(own)
}

/// A parameter as it was written and as it was kept, in whatever units: kept
/// are five digits.
fn same_quantity(written: &str, kept: &str) -> bool {
    const DIGITS_KEPT: f64 = 5.1e-5;
    let read: [fn(&str) -> Option<f64>; 5] = [
        |text| text.trim().parse().ok(),
        |text| Lux::parse(text).ok().map(|lux| lux.0),
        |text| Length::parse(text).ok().map(Length::metres),
        |text| Span::parse(text).ok().map(Span::secs),
        |text| Ratio::parse(text).ok().map(Ratio::percent),
    ];
    written.trim() == kept.trim()
        || read.iter().any(|read| {
            let both = read(written).zip(read(kept));
            both.is_some_and(|(a, b)| (a - b).abs() <= DIGITS_KEPT * a.abs().max(b.abs()))
        })
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

/// `at least 250 lx`, `between 1 and 10`; empty without one. In the digits of
/// the ruling's reason, which names the same limit.
pub fn limit_words(row: &RulingRow) -> String {
    let unit = row.ruled.unit.as_str();
    let space = if unit.is_empty() { "" } else { " " };
    let with_unit = |value: f64| format!("{}{space}{unit}", five_digits(value));
    match (row.ruled.at_least, row.ruled.at_most) {
        (Some(least), None) => format!("at least {}", with_unit(least)),
        (None, Some(most)) => format!("at most {}", with_unit(most)),
        (Some(least), Some(most)) => {
            format!("between {} and {}", with_unit(least), with_unit(most))
        }
        (None, None) => String::new(),
    }
}
