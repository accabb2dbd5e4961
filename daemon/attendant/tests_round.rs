//! Lamps of one button on a whole simulated bench: every reading is made at the
//! level that it says, whatever becomes of a press, and wherever the daemon dies.

use drivers::simulated::faults::{Fault, Planned};
use drivers::simulated::lamp_model;
use drivers::simulated::world::WorldSpec;

use super::scene::{self, By, Dies, Nobody, Sat, Scene};
use super::tests::{complete, short};
use super::tests_safe::{Eyes, says_the_truth};
use super::tests_sweep::stands_under_its_level;
use crate::plan::intent::{SettingWord, Settings, Survey};
use crate::plan::lamp::{Descent, Worked, Wraps};
use crate::plan::samples;
use crate::run::journal::{Body, Decision};
use crate::run::pressed::Pressed;

/// A lamp of five levels that go round; with `power` it has a second button.
fn night(wraps: Wraps, power: bool, faults: Vec<Planned>) -> Scene {
    let mut world = WorldSpec::new(14);
    world.lamp.levels = 5;
    world.lamp.wraps = match wraps {
        Wraps::ToLowest => lamp_model::Wraps::ToLowest,
        Wraps::ToOff => lamp_model::Wraps::ToOff,
    };
    world.faults = faults;
    let (card, mut lamp) = (scene::card(&world, true), samples::lamp(5));
    if let Worked::Buttons(buttons) = &mut lamp.worked {
        buttons.descent = Descent::Wraps { wraps };
        if !power {
            buttons.power = None;
        }
    }
    let survey = Survey {
        settings: Settings::These(vec![
            SettingWord::Level(2),
            SettingWord::Full,
            SettingWord::Level(1),
        ]),
        ..short()
    };
    Scene::of(world, By::Memory, lamp, card, survey)
}

const LAMPS: [(Wraps, bool); 3] = [
    (Wraps::ToLowest, true),
    (Wraps::ToOff, false),
    (Wraps::ToOff, true),
];

fn pressed(events: &[crate::run::journal::Event], how: Pressed) -> u32 {
    let of = |body: &Body| match body {
        Body::Decided {
            decision: Decision::Level { went, .. },
        } => went.get(&how).copied().unwrap_or(0),
        _ => 0,
    };
    events.iter().map(|event| of(&event.body)).sum()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_level_of_a_lamp_of_one_button_is_measured() {
    for (wraps, power) in LAMPS {
        let what = format!("{wraps:?} {power}");
        let scene = night(wraps, power, Vec::new());
        let eyes = Eyes::default();
        let events = complete(&scene, eyes.clone(), &what).await;
        assert!(stands_under_its_level(&eyes.seen(), &what) > 20, "{what}");
        says_the_truth(&eyes.seen(), &what);
        assert!(pressed(&events, Pressed::Wrapped) > 2, "{what}");
        for slip in [Pressed::Missed, Pressed::Double, Pressed::Unknown] {
            // A lamp that is off does not hear its button of levels.
            let heard = wraps == Wraps::ToOff || slip != Pressed::Missed;
            assert_eq!(pressed(&events, slip) == 0, heard, "{what} {slip:?}");
        }
    }
}

/// One press is not felt, or counts twice: any of the night's.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_press_that_slips_is_noticed_wherever_it_is() {
    let long = std::env::var_os("WAKERAIL_LONG").is_some();
    let (mut doubles, mut missed) = (0, 0);
    for (wraps, power) in LAMPS {
        for nth in (1..40).step_by(if long { 1 } else { 4 }) {
            for fault in [Fault::MissedPress, Fault::DoublePress] {
                let what = format!("{wraps:?} {power}: {fault:?} {nth}");
                let planned = Planned {
                    nth,
                    fault: fault.clone(),
                };
                let scene = night(wraps, power, vec![planned]);
                let eyes = Eyes::default();
                let events = complete(&scene, eyes.clone(), &what).await;
                assert!(stands_under_its_level(&eyes.seen(), &what) > 20, "{what}");
                says_the_truth(&eyes.seen(), &what);
                doubles += pressed(&events, Pressed::Double);
                missed += pressed(&events, Pressed::Missed);
            }
        }
    }
    assert!(doubles > 5 && missed > 20, "{doubles} {missed}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_anywhere_a_lamp_of_one_button_stands_at_its_level() {
    let long = std::env::var_os("WAKERAIL_LONG").is_some();
    for (wraps, power) in LAMPS {
        let whole = night(wraps, power, Vec::new());
        complete(&whole, Nobody, "whole").await;
        let writes = whole.paper.events().len();
        for nth in (1..=writes).step_by(if long { 5 } else { 37 }) {
            let scene = night(wraps, power, Vec::new());
            scene.paper.dies_at(nth, Dies::After);
            let eyes = Eyes::default();
            let what = format!("{wraps:?} {power}: died at {nth}");
            if scene.sit(eyes.clone()).await == Sat::Died {
                scene.paper.lives();
                complete(&scene, eyes.clone(), &what).await;
            }
            stands_under_its_level(&eyes.seen(), &what);
            says_the_truth(&eyes.seen(), &what);
        }
    }
}
