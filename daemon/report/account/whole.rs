//! Accounts of a whole test's figures: dark, ambient, home found again.

use super::data::{Account, BudgetLine, Stated};
use super::point::find;
use super::sources::{self, Sources, ten_digits};
use crate::plan::itinerary::What;
use crate::report::background::{Background, Scatter};
use crate::report::ids::Place;
use crate::report::survey::{K, SurveyFigures};
use crate::run::journal::Body;

fn survey<'s>(sources: &'s Sources<'_>, test: &str) -> Option<&'s SurveyFigures> {
    sources.surveys.iter().find(|survey| survey.test == test)
}

/// The meter covered.
pub(super) fn dark(sources: &Sources<'_>, test: &str) -> Option<Account> {
    let survey = survey(sources, test)?;
    let dark = survey.dark.as_ref()?;
    let group = sources.group_of("with the meter covered", &dark.seqs);
    Some(Account {
        what: format!(
            "What the meter {} reads while it is covered.",
            survey.heading.meter
        ),
        values: vec![level(dark, "")],
        plan: sources.plan_of_test(test),
        steps: vec![how(dark, "")],
        budget: vec![line(dark, "")],
        readings: group.into_iter().collect(),
        ..Account::default()
    })
}

/// The lamp off at a place.
pub(super) fn ambient(sources: &Sources<'_>, test: &str, place: Place) -> Option<Account> {
    let survey = survey(sources, test)?;
    let mut all = survey.ambient.iter();
    let ambient = all.find(|ambient| ambient.position == place.at())?;
    let mut account = Account {
        what: format!(
            "The light of the room at {}, the lamp off.",
            ambient.position.shown(survey.lengths)
        ),
        plan: sources.plan_of_test(test),
        ..Account::default()
    };
    for (when, side) in [("before", &ambient.before), ("after", &ambient.after)] {
        let Some(side) = side else {
            let none = sources::no_value("not measured", "lx");
            account.values.push(Stated {
                label: when.to_owned(),
                ..none
            });
            continue;
        };
        account.values.push(level(side, when));
        account.steps.push(how(side, when));
        account.budget.push(line(side, when));
        let title = format!("with the lamp off, {when} the lit readings");
        account.readings.extend(sources.group_of(title, &side.seqs));
    }
    account.steps.push(
        "A lit reading has taken off what a straight line in civil time between both gives at its own time."
            .to_owned(),
    );
    Some(account)
}

fn level(light: &Background, when: &str) -> Stated {
    let stated = match light.below_lx {
        Some(limit) => Stated {
            shown: format!("under {limit} lx"),
            ..sources::stated(light.lux, Some(light.u_lx * K), "lx")
        },
        None => sources::stated(light.lux, Some(light.u_lx * K), "lx"),
    };
    Stated {
        label: when.to_owned(),
        ..stated
    }
}

fn how(light: &Background, when: &str) -> String {
    let Background { lux, u_lx, n, .. } = light;
    let when = if when.is_empty() {
        String::new()
    } else {
        format!("{}: ", capital(when))
    };
    match light.below_lx {
        Some(limit) => format!(
            "{when}The meter saw nothing {n} times: anywhere between 0 and {limit} lx, so {} lx, u = {} lx (limit over the root of 12).",
            ten_digits(*lux),
            ten_digits(*u_lx)
        ),
        None => {
            let (lux, u) = (ten_digits(*lux), ten_digits(*u_lx));
            match light.scatter {
                Scatter::Own => format!(
                    "{when}Mean of {n} readings as they came: {lux} lx, u = s over the root of n = {u} lx."
                ),
                Scatter::Pooled => format!(
                    "{when}One reading as it came: {lux} lx, u = s of the survey's other ambient readings, pooled = {u} lx."
                ),
                Scatter::Unknown => format!(
                    "{when}One reading as it came: {lux} lx; how far others would lie from it is not known."
                ),
            }
        }
    }
}

/// With a capital, as a sentence begins.
pub fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

fn line(light: &Background, when: &str) -> BudgetLine {
    let source = match light.below_lx {
        Some(_) => "the meter's least reading",
        None => match light.scatter {
            Scatter::Own => "repeatability of the readings",
            Scatter::Pooled => "repeatability of the survey's ambient readings",
            Scatter::Unknown => "repeatability, not known",
        },
    };
    BudgetLine {
        source: format!("{source} {when}").trim_end().to_owned(),
        u: sources::finite(light.u_lx).filter(|_| light.scatter != Scatter::Unknown),
        share_percent: Some(100.0),
        dof: light.dof,
    }
}

/// Home found again at the end.
pub(super) fn home(sources: &Sources<'_>, test: &str) -> Option<Account> {
    let survey = survey(sources, test)?;
    let head = sources.frozen.itinerary.tests.iter();
    let head = head.clone().find(|head| head.name == test)?;
    let mut actions = sources.frozen.itinerary.actions.iter();
    let prove = actions.find(|action| {
        (head.first..=head.last).contains(&action.no)
            && matches!(action.what, What::ProveHome { .. })
    })?;
    let offset = survey.home_offset?;
    let done = sources.events.iter().rev().find(|event| {
        event.no == Some(i64::from(prove.no))
            && matches!(&event.body, Body::Done { facts } if facts.home_offset.is_some())
    })?;
    let allowed = survey.home_tolerance.map(|tolerance| {
        let verdict = if offset.abs() <= tolerance {
            "no step was lost"
        } else {
            "steps were lost, and the distances are in doubt"
        };
        format!("Allowed by the bench file: {tolerance}; {verdict}.")
    });
    let mut steps = vec![
        "The rail looked for its home switch again and compared the coordinate with the one expected."
            .to_owned(),
    ];
    steps.extend(allowed);
    Some(Account {
        what: "How far from its place the home switch was found at the end of the test.".to_owned(),
        values: vec![Stated {
            shown: offset.to_string(),
            value: Some(offset.metres()),
            unit: "m".to_owned(),
            ..Stated::default()
        }],
        plan: sources.plan_of_test(test),
        steps,
        events: sources.event(done.seq).into_iter().collect(),
        ..Account::default()
    })
}

/// Whether a setting is one of the test's.
pub(super) fn has_setting(sources: &Sources<'_>, test: &str, setting: &str) -> bool {
    find(sources, test, setting).is_some()
}
