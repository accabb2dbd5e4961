//! A lamp that is told its level by commands, on a whole simulated bench: held against
//! its closed form, killed at its writes, and before a control that ignores, lies or
//! says nothing any more.

use drivers::simulated::faults::{Device, Fault, Planned};
use drivers::simulated::lamp_model::LampModel;
use drivers::simulated::world::WorldSpec;
use photometry::units::Length;

use super::scene::{self, By, Nobody, Sat, Scene};
use super::tests::{killed_at_writes, moves_before_homing, promised, results, short};
use super::tests_safe::{Eyes, says_the_truth};
use crate::plan::card::{BACK_WITHIN, Control};
use crate::plan::intent::{SettingWord, Settings, Survey};
use crate::plan::itinerary::Purpose;
use crate::plan::lamp::{Lamp, Mode, Worked};
use crate::plan::samples;
use crate::run::journal::{Body, Decision, End, Event};

/// Levels of the lamp of one mode.
const LEVELS: u16 = 3;

/// A night before a lamp that has no button, its modes called so.
fn night(model: LampModel, modes: &[(&str, u16)], survey: Survey, faults: Vec<Planned>) -> Scene {
    let mut world = WorldSpec {
        lamp: model,
        faults,
        ..WorldSpec::new(14)
    };
    world.fingers.clear();
    let names = modes.iter().map(|(name, _)| (*name).to_owned());
    world.equipment.level.modes = names.clone().collect();
    let mut card = scene::card(&world, false);
    scene::add_port(&mut card, "level-port");
    card.control = Some(Control {
        port: "level-port".to_owned(),
        profile: None,
        back_within: BACK_WITHIN,
    });
    let levels = modes.iter().map(|(_, levels)| *levels);
    let lamp = Lamp {
        modes: names
            .zip(levels)
            .map(|(name, levels)| Mode { name, levels })
            .collect(),
        worked: Worked::Direct,
        ..samples::lamp(1)
    };
    Scene::of(world, By::Memory, lamp, card, survey)
}

fn usual(faults: Vec<Planned>) -> Scene {
    let mut model = WorldSpec::new(14).lamp;
    model.levels = LEVELS;
    night(model, &[("only", LEVELS)], short(), faults)
}

/// Every result against the stabilised light of its level.
fn is_the_light(scene: &Scene, what: &str) {
    let results = scene
        .paper
        .events()
        .into_iter()
        .filter_map(|event| match event.body {
            Body::Taken { key, reading } if key.purpose == Purpose::Read => {
                Some((key, reading.outcome.value()?))
            }
            _ => None,
        });
    let mut n = 0;
    for (key, lux) in results {
        let level = key
            .setting
            .trim_start_matches('L')
            .parse()
            .expect("a level");
        let truth = scene.world.lamp.truth(level, key.position).0;
        assert!(
            (lux / truth - 1.0).abs() < 0.05,
            "{what} {key}: {lux} {truth}"
        );
        n += 1;
    }
    assert!(n > 0, "{what}");
}

pub(super) fn proofs(events: &[Event]) -> Vec<String> {
    let of = events.iter().filter_map(|event| match &event.body {
        Body::Decided {
            decision: Decision::Level { proof, .. },
        } => Some(proof.clone()),
        _ => None,
    });
    of.collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_lamp_that_is_told_its_levels_is_surveyed() {
    let scene = usual(Vec::new());
    let eyes = Eyes::default();
    let sat = scene.sit(eyes.clone()).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    assert_eq!(results(itinerary, &events), promised(itinerary));
    assert_eq!(moves_before_homing(itinerary, &events), 0);
    is_the_light(&scene, "sound");
    says_the_truth(&eyes.seen(), "sound");
    let proofs = proofs(&events);
    assert!(
        !proofs.is_empty() && proofs.iter().all(|proof| proof.starts_with("told, seen")),
        "{proofs:?}"
    );
    assert_eq!(
        eyes.seen().last().map(|(_, level)| *level),
        Some(0),
        "dark at the end"
    );
}

/// A control tells one white from another, so that no person is asked for it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_modes_need_no_person() {
    let survey = Survey {
        settings: Settings::These(vec![SettingWord::Full]),
        ..short()
    };
    let modes = [("warm", 4), ("cool", 4)];
    let scene = night(LampModel::knot(), &modes, survey, Vec::new());
    let sat = scene.sit(Nobody).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let at = Length::from_nm(12 * 25_400_000);
    let mean = |setting: &str| {
        let events = scene.paper.events();
        let values = events.iter().filter_map(|event| match &event.body {
            Body::Taken { key, reading }
                if key.purpose == Purpose::Read && key.setting == setting && key.position == at =>
            {
                reading.outcome.value()
            }
            _ => None,
        });
        let values: Vec<f64> = values.collect();
        assert!(!values.is_empty(), "{setting}: {}", scene.paper.text());
        values.iter().sum::<f64>() / values.len() as f64
    };
    // Their brightest levels give 2200 and 2500 lx at a metre.
    let ratio = mean("cool-L04") / mean("warm-L04");
    assert!((ratio / (2500.0 / 2200.0) - 1.0).abs() < 0.03, "{ratio}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_its_writes_it_ends_the_same() {
    killed_at_writes(13, || usual(Vec::new()), || Nobody, |_, _| {}).await;
}

/// A command that is ignored, or only said to be followed, is told again; what is
/// measured is at the right level all the same.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_lapse_of_the_control_costs_nothing() {
    let mut met = 0;
    for fault in [Fault::LevelIgnored, Fault::LevelUnfollowed] {
        for nth in 1..=8 {
            let what = format!("{fault:?} {nth}");
            let fault = fault.clone();
            let scene = usual(vec![Planned { nth, fault }]);
            let eyes = Eyes::default();
            let sat = scene.sit(eyes.clone()).await;
            assert_eq!(
                sat,
                Sat::Ended(End::Complete),
                "{what}\n{}",
                scene.paper.text()
            );
            is_the_light(&scene, &what);
            says_the_truth(&eyes.seen(), &what);
            let dark = eyes.seen().last().map(|(_, level)| *level);
            assert_eq!(dark, Some(0), "{what}");
            met += 1;
        }
    }
    assert_eq!(met, 16);
}

/// One that never takes a level, or dies, ends the test by name with a bench of which
/// the truth is said.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_control_that_does_not_work_fails_the_test_by_name() {
    let three = |first: u64, fault: &Fault| {
        let nths = first..first + 3;
        let planned = nths.map(|nth| Planned {
            nth,
            fault: fault.clone(),
        });
        planned.collect::<Vec<_>>()
    };
    // The first command is the one that switches the lamp off.
    let mut cases = vec![
        (three(2, &Fault::LevelIgnored), "level-not-reached"),
        (three(2, &Fault::LevelUnfollowed), "level-not-reached"),
        // The third tells the level that it has.
        (three(4, &Fault::LevelUnfollowed), "level-not-reached"),
    ];
    for nth in [1, 3, 5, 8] {
        let fault = Fault::Dead(Device::Level);
        cases.push((vec![Planned { nth, fault }], "silent"));
    }
    for (faults, code) in cases {
        let what = format!("{faults:?}");
        let scene = usual(faults);
        let eyes = Eyes::default();
        let sat = scene.sit(eyes.clone()).await;
        let text = scene.paper.text();
        assert_eq!(sat, Sat::Ended(End::Failed), "{what}\n{text}");
        let codes = scene
            .paper
            .events()
            .into_iter()
            .filter_map(|event| match event.body {
                Body::Failed { fault } => Some(fault.code),
                _ => None,
            });
        let codes: Vec<String> = codes.collect();
        assert!(
            codes.iter().any(|found| found == code),
            "{what}: {codes:?}\n{text}"
        );
        says_the_truth(&eyes.seen(), &what);
    }
}
