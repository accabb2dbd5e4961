//! A meter that dies in the middle of a night: what was not measured is never
//! in favour of the lamp.

use std::collections::{BTreeMap, BTreeSet};

use photometry::measured::Outcome;

use super::judge::judge;
use super::library::Library;
use crate::plan::intent::PlanLine;
use crate::plan::itinerary::{Key, Purpose as For};
use crate::plan::samples;
use crate::plan::uses::{Purpose, Use};
use crate::report::gather::surveys;
use crate::report::ids::{self, FigureId, SettingFigure};
use crate::report::survey::SurveyFigures;
use crate::run::journal::{Body, Fault, RunId};
use crate::store::rulings::Ruled;
use crate::store::samples::{Story, frozen};

/// Each speaks of every level, but the first, which one level can meet.
const SCRIPTS: [&str; 5] = [
    "reaches-target",
    "drift-within",
    "inverse-square",
    "monotonic-ladder",
    "useful-steps",
];

/// A point source, 1.5 times brighter with each level, a little noise, no room.
fn lamp(key: &Key, at: i64) -> Outcome {
    let level = key
        .setting
        .trim_start_matches(|c: char| !c.is_ascii_digit());
    let level: i32 = level.parse().unwrap_or(0);
    let d = key.position.metres();
    let noise = 1.0 + 0.0001 * (at % 3 - 1) as f64;
    Outcome::Value(match key.purpose {
        For::Dark | For::Ambient => 0.0,
        _ => noise * 20.0 * 1.5_f64.powi(level) / (d * d),
    })
}

fn begun() -> Story {
    let mut survey = samples::survey(&[12, 24, 48, 60, 72]);
    survey.readings = 3;
    Story::begin(frozen(3, survey))
}

/// The meter answers until this action, then no more; the test fails by name.
fn dead_from(action: u32) -> Story {
    let mut story = begun();
    story.act(0..action, lamp);
    let no = i64::from(action);
    let doing = "as planned".to_owned();
    story.tell(Some(no), Body::Started { doing });
    let key = story.frozen.itinerary.actions[action as usize].key.clone();
    if let Some(key) = key {
        story.taken(no, key, Outcome::TimedOut);
    }
    let fault = Fault {
        code: "silent".to_owned(),
        instrument: Some("lux-head".to_owned()),
        message: "the meter does not answer".to_owned(),
    };
    story.tell(Some(no), Body::Failed { fault });
    story
}

fn ruled(story: &Story) -> (Vec<SurveyFigures>, Vec<Ruled>) {
    let uses: Vec<Use> = SCRIPTS
        .into_iter()
        .map(|script| Use {
            name: script.to_owned(),
            line: PlanLine {
                file: "plan.yaml".to_owned(),
                line: 8,
            },
            purpose: Purpose::Criterion,
            script: script.to_owned(),
            given: BTreeMap::new(),
            test: None,
        })
        .collect();
    let surveys = surveys(&story.frozen, &story.rows(), &story.events);
    let library = Library::of(Vec::new());
    let judged = judge(RunId(1), &story.frozen, &uses, &library, &surveys);
    assert_eq!(judged.ruled.len(), uses.len(), "none is left out");
    (surveys, judged.ruled)
}

/// Ids of the points that have a value.
fn measured(surveys: &[SurveyFigures]) -> BTreeSet<(String, i64)> {
    let settings = surveys.iter().flat_map(|survey| &survey.settings);
    let points = settings.flat_map(|setting| {
        let valued = setting.points.iter().filter(|p| p.estimate.is_some());
        valued.map(|point| (setting.setting.clone(), point.position.nm()))
    });
    points.collect()
}

/// The whole night is ruled on as the lamp is, so that the next test says
/// something.
#[test]
fn a_whole_night_passes() {
    let mut story = begun();
    let end = story.actions();
    story.act(0..end, lamp);
    let (_, ruled) = ruled(&story);
    for one in &ruled {
        assert_eq!(one.word.as_deref(), Some("pass"), "{one:?}");
    }
}

/// Wherever the meter dies: what speaks of every level does not pass before
/// every level was measured, what is undecided says why, and what is ruled
/// rests on points that have a value.
#[test]
fn wherever_the_meter_dies_nothing_passes_by_absence() {
    let whole = begun();
    let (end, actions) = (whole.actions(), &whole.frozen.itinerary.actions);
    let last_lit = actions
        .iter()
        .rev()
        .find(|a| a.key.as_ref().is_some_and(|key| key.purpose == For::Read))
        .expect("a reading")
        .no;
    let mut undecided = 0;
    for dies in 0..end {
        let story = dead_from(dies);
        let (surveys, ruled) = ruled(&story);
        let measured = measured(&surveys);
        for one in &ruled {
            let word = one.word.as_deref().expect("a word");
            if word == "undecided" {
                undecided += 1;
                assert!(!one.reason.trim().is_empty(), "{dies}: {one:?}");
                continue;
            }
            assert!(!one.rests_on.is_empty(), "{dies}: {one:?}");
            let has_value = |id: &String| match ids::parse(id) {
                Ok(FigureId::Setting {
                    setting,
                    figure: SettingFigure::At(place),
                    ..
                }) => measured.contains(&(setting, place.at().nm())),
                _ => true,
            };
            // The best of the levels may rule while others are not known.
            let mut ids = one.rests_on.iter();
            let rests = match one.name.as_str() {
                "reaches-target" => ids.any(has_value),
                _ => ids.all(has_value),
            };
            assert!(rests, "action {dies} of {end}: {one:?}");
            let of_every_level = one.name != "reaches-target";
            let passes = word == "pass" || word == "conditional pass";
            assert!(
                !(of_every_level && passes && dies <= last_lit),
                "action {dies} of {end}: {one:?}"
            );
        }
    }
    assert!(
        undecided > 4 * end / 3,
        "{undecided} of {} rulings",
        5 * end
    );
}
