//! A sensor that stands still before the lamp, on a whole simulated bench: a lamp
//! that drifts in a curve is measured as the closed form of its light along the axis
//! says, with fewer visits; what it says wrong, or does not say, is told.

use std::collections::HashMap;

use drivers::simulated::faults::{Device, Fault, Planned};
use drivers::simulated::lamp::{Lamp, LampModel};
use drivers::simulated::room::Unknowns;
use drivers::simulated::world::WorldSpec;
use photometry::units::{Length, Mono, Ratio, Span};

use super::scene::{self, By, Nobody, Sat, Scene};
use super::tests::{complete, killed_at_writes};
use crate::plan::card::{DarkBy, Meter};
use crate::plan::intent::{Reference, SettingWord, Settings, Survey, WarmUp};
use crate::plan::itinerary::{Purpose, What};
use crate::plan::samples;
use crate::report::gather::surveys;
use crate::report::reference::Tells;
use crate::report::survey::SurveyFigures;
use crate::run::journal::{Body, Decision, DriftVerdict, End};
use crate::store::samples::rows_of;

/// Twelve positions of one level of a lamp that sinks by a quarter while it warms, begun
/// when it is lit for a minute.
fn night(sensor: bool, faults: Vec<Planned>) -> Scene {
    let mut world = WorldSpec {
        faults,
        unknowns: Unknowns::NONE,
        ..WorldSpec::new(31)
    };
    world.lamp.levels = 2;
    world.lamp.sag = Ratio::new(0.25);
    world.lamp.warming = Span::from_mins(3);
    let mut card = scene::card(&world, true);
    let like = card.meters[0].clone();
    card.meters.push(Meter {
        name: "pane".to_owned(),
        port: "pane-port".to_owned(),
        rides: false,
        dark: DarkBy::Cap,
        ..like
    });
    scene::add_port(&mut card, "pane-port");
    // Without it the second meter only stands there.
    card.fixed_sensor = sensor.then(|| "pane".to_owned());
    let inches: Vec<i64> = (2..14).map(|step| 6 * step).collect();
    let survey = samples::survey(&inches);
    let survey = Survey {
        meter: Some("lux-head".to_owned()),
        settings: Settings::These(vec![SettingWord::Full]),
        warm_up: WarmUp::Fixed(Span::from_mins(1)),
        dark: 2,
        readings: 3,
        reference: Reference {
            every: 6,
            give_up: Ratio::new(0.1),
            ..survey.reference
        },
        ..survey
    };
    Scene::of(world, By::Memory, samples::lamp(2), card, survey)
}

fn figures(scene: &Scene) -> SurveyFigures {
    let events = scene.paper.events();
    let rows = rows_of(&scene.frozen, &events, &HashMap::new());
    let mut all = surveys(&scene.frozen, &rows, &events);
    all.pop().expect("a survey")
}

/// The light at a position over that at another, of a lamp at rest: the disc law.
fn ratio(model: &LampModel, to: Length, over: Length) -> f64 {
    let lit = LampModel {
        starts_lit: true,
        ..model.clone()
    };
    let lamp = Lamp::new(&lit, Mono::ZERO);
    let at = Mono::ZERO + Span::from_mins(600);
    lamp.light(&lit, to, at).0 / lamp.light(&lit, over, at).0
}

/// Each point's figure over what the closed form makes of the leg's first visit, less
/// one.
fn errors(scene: &Scene, survey: &SurveyFigures) -> Vec<f64> {
    let setting = &survey.settings[0];
    let first = setting.reference.iter().find(|visit| visit.counts);
    let first = first.and_then(|visit| visit.lux).expect("a first visit");
    let watch = scene.frozen.itinerary.tests[0].watch;
    let points = setting
        .points
        .iter()
        .filter(|point| point.position != watch);
    points
        .map(|point| {
            let figure = point.estimate.as_ref().expect("a figure").value;
            figure / (first * ratio(&scene.world.lamp, point.position, watch)) - 1.0
        })
        .collect()
}

fn farthest(errors: &[f64]) -> f64 {
    errors.iter().fold(0.0, |most, error| most.max(error.abs()))
}

fn verdicts(scene: &Scene) -> Vec<DriftVerdict> {
    let events = scene.paper.events();
    let verdict = |body: &Body| match body {
        Body::Decided {
            decision: Decision::Drift { verdict, .. },
        } => Some(*verdict),
        _ => None,
    };
    events
        .iter()
        .filter_map(|event| verdict(&event.body))
        .collect()
}

/// The lamp sinks by several per cent within the leg: each figure is that of the
/// first visit all the same, within the noise of the meters (0.1 % a reading).
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_lamp_that_drifts_is_measured_as_ratios() {
    let scene = night(true, Vec::new());
    complete(&scene, Nobody, "").await;
    let survey = figures(&scene);
    let setting = &survey.settings[0];
    let drift = setting.drift.expect("two visits").share();
    assert!(drift < -0.02, "{drift}");
    let errors = errors(&scene, &survey);
    assert_eq!(errors.len(), 11);
    assert!(farthest(&errors) < 0.003, "{errors:?}");
    assert_eq!(verdicts(&scene), [DriftVerdict::GoesOn]);
    for point in &setting.points {
        assert!(point.flags.is_empty(), "{:?}", point.flags);
        assert!(point.parts.iter().all(|part| {
            part.brought
                .is_some_and(|by| by.tells == Tells::FixedSensor)
        }));
        let estimate = point.estimate.as_ref().expect("a figure");
        let has = |word: &str| {
            estimate
                .terms
                .iter()
                .any(|term| term.source.starts_with(word))
        };
        assert!(has("fixed sensor") && !has("drift") && !has("reference visits"));
    }
    assert_eq!(survey.heading.fixed_sensor.as_deref(), Some("pane"));
    // One visit before the positions and one behind them; without it one between.
    assert_eq!(setting.visits, 2);
    let plain = night(false, Vec::new());
    assert_eq!(plain.sit(Nobody).await, Sat::Ended(End::Complete));
    let without = figures(&plain);
    assert!(without.settings[0].visits > 2 && without.heading.fixed_sensor.is_none());
    assert_eq!(verdicts(&plain)[0], DriftVerdict::LegAgain);
    let moves = |scene: &Scene| {
        let actions = scene.frozen.itinerary.actions.iter();
        actions
            .filter(|a| matches!(a.what, What::Move { .. }))
            .count()
    };
    assert!(moves(&scene) < moves(&plain));
}

/// Lost steps are no drift of the lamp: the last visit shows them, whatever the lamp
/// did meanwhile.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_carriage_that_lost_steps_is_still_noticed() {
    let whole = night(true, Vec::new());
    complete(&whole, Nobody, "whole").await;
    let moves = whole.frozen.itinerary.actions.iter();
    let moves = moves
        .filter(|a| matches!(a.what, What::Move { .. }))
        .count() as u64;
    // In the middle of the leg's positions.
    let fault = Fault::LostSteps(Length::from_mm(8));
    let nth = moves / 2;
    let scene = night(true, vec![Planned { nth, fault }]);
    scene.sit(Nobody).await;
    assert_eq!(
        verdicts(&scene)[0],
        DriftVerdict::LegAgain,
        "{}",
        scene.paper.text()
    );
}

/// The sensor says nothing at some readings: they are tried again; where it never
/// answers, the test fails by its name. What it did not tell stands nowhere as a zero.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_sensor_that_says_nothing_is_told() {
    let silent = |from: u64, to: u64| {
        let fault = |nth| Planned {
            nth,
            fault: Fault::Silent(Device::Meter2),
        };
        (from..to).map(fault).collect::<Vec<_>>()
    };
    let scene = night(true, silent(40, 42));
    complete(&scene, Nobody, "twice silent").await;
    let survey = figures(&scene);
    assert!(farthest(&errors(&scene, &survey)) < 0.003);
    let scene = night(true, silent(40, 4000));
    assert_eq!(scene.sit(Nobody).await, Sat::Ended(End::Failed));
    let events = scene.paper.events();
    let failed = events.iter().find_map(|event| match &event.body {
        Body::Failed { fault } => fault.instrument.clone(),
        _ => None,
    });
    assert_eq!(failed.as_deref(), Some("pane"));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_anywhere_the_ratios_are_the_same() {
    killed_at_writes(
        41,
        || night(true, Vec::new()),
        || Nobody,
        |scene, events| {
            let survey = figures(scene);
            let what = errors(scene, &survey);
            assert!(farthest(&what) < 0.004, "{what:?}");
            let rows = rows_of(&scene.frozen, events, &HashMap::new());
            let beside = rows
                .iter()
                .filter(|row| row.key.purpose == Purpose::Fixed && row.counts);
            let read = rows.iter().filter(|row| {
                let lit = matches!(row.key.purpose, Purpose::Read | Purpose::Reference);
                (lit || row.key.purpose == Purpose::Ambient) && row.counts
            });
            assert_eq!(beside.count(), read.count());
        },
    )
    .await;
}
