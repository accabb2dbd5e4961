//! What a person with eyes finds, against what the record says: the lamp is
//! never lit where it is said to be dark, and nothing moves where a person
//! must look first.

use std::sync::{Arc, Mutex};

use drivers::simulated::bench::SimulatedBench;
use drivers::simulated::faults::{Device, Fault, Planned};
use drivers::simulated::world::WorldSpec;
use photometry::units::{Lux, Ratio, Span};

use super::handle::{Handle, Order};
use super::scene::{self, By, Dies, Hands, Nobody, Sat, Scene, Watch};
use super::tests::{RUN, short};
use crate::plan::intent::{
    AfterPowerLoss, OnFailure, SettingWord, Settings, Survey, WarmUp, Window,
};
use crate::plan::lamp::{SwitchOff, Worked};
use crate::plan::samples;
use crate::run::journal::{Body, Decision, DriftVerdict, End, Event, HoldCause, LampLeft};

/// What was written, beside the level that the lamp really stood at.
#[derive(Clone, Default)]
pub(super) struct Eyes {
    seen: Arc<Mutex<Vec<(Body, u16)>>>,
    /// Stops the run when it is held.
    stops: bool,
}

impl Eyes {
    pub(super) fn stopping() -> Eyes {
        Eyes {
            stops: true,
            ..Eyes::default()
        }
    }
    pub(super) fn seen(&self) -> Vec<(Body, u16)> {
        self.seen.lock().expect("eyes").clone()
    }
}

impl Hands for Eyes {
    fn watch(&self) -> Option<Watch> {
        let seen = Arc::clone(&self.seen);
        Some(Box::new(move |event, person| {
            let level = person.sees_level(event.at.mono);
            seen.lock().expect("eyes").push((event.body.clone(), level));
        }))
    }
    fn note(&mut self, event: &Event, handle: &Handle, _bench: &SimulatedBench) {
        if self.stops && matches!(event.body, Body::Held { .. }) {
            handle.orders.post(Order::Stop(RUN)).expect("an order");
        }
    }
}

/// A world of `levels` with one fault at the nth exchange, press or move.
fn faulty(levels: u16, nth: u64, fault: Fault, survey: Survey) -> Scene {
    let mut world = WorldSpec::new(12);
    world.lamp.levels = levels;
    world.faults = vec![Planned { nth, fault }];
    let (card, lamp) = (scene::card(&world, true), samples::lamp(levels));
    Scene::of(world, By::Memory, lamp, card, survey)
}

/// The lamp is dark where that is said, and making safe lights no dark lamp.
pub(super) fn says_the_truth(seen: &[(Body, u16)], what: &str) {
    assert_eq!(untruths(seen), Vec::<String>::new(), "{what}");
}

/// Where the record says that a lit lamp is dark, or making safe lit one.
pub(super) fn untruths(seen: &[(Body, u16)]) -> Vec<String> {
    let (mut at_the_failure, mut found) = (None, Vec::new());
    for (body, level) in seen {
        match body {
            Body::Failed { .. } => at_the_failure = Some(*level),
            Body::MadeSafe { left } => {
                let said_dark = matches!(
                    left.lamp,
                    LampLeft::Off | LampLeft::OffNotSeen | LampLeft::NotTouched
                );
                if said_dark && *level != 0 {
                    found.push(format!("{left:?}, level {level}"));
                }
                if at_the_failure == Some(0) && *level != 0 {
                    found.push(format!("a dark lamp was lit: {left:?}"));
                }
            }
            _ => {}
        }
    }
    found
}

/// A power button toggles: pressed blind, it may light a dark lamp.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_meter_that_dies_anywhere_leaves_no_lamp_lit_unsaid() {
    for nth in (2..120).step_by(2) {
        let scene = faulty(2, nth, Fault::Dead(Device::Meter), short());
        let eyes = Eyes::default();
        let sat = scene.sit(eyes.clone()).await;
        assert!(matches!(sat, Sat::Ended(_)), "{nth}: {sat:?}");
        says_the_truth(&eyes.seen(), &format!("dead from {nth}"));
    }
}

/// Over the range after a press means light, not that nobody can see it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_missed_press_is_seen_by_a_meter_over_its_range() {
    for nth in 18..26 {
        let mut scene = faulty(12, nth, Fault::MissedPress, short());
        scene.world.meter.ranges = [2.0, 20.0].map(Lux).to_vec();
        let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
        frozen.card.meters[0].ranges = scene.world.meter.ranges.clone();
        let eyes = Eyes::default();
        assert_eq!(scene.sit(eyes.clone()).await, Sat::Ended(End::Failed));
        let seen = eyes.seen();
        says_the_truth(&seen, &format!("missed {nth}"));
        let off =
            |body: &Body| matches!(body, Body::MadeSafe { left } if left.lamp == LampLeft::Off);
        assert!(seen.iter().any(|(body, _)| off(body)), "{nth}");
    }
}

/// The levels seen on the way up betray a press that counts twice on the way
/// down, also where the walk never comes to the lower stop.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_double_press_puts_no_reading_under_a_wrong_level() {
    let mut decided = 0;
    for nth in 44..54 {
        let survey = Survey {
            settings: Settings::These(vec![SettingWord::Full, SettingWord::HalfSetting]),
            ..short()
        };
        let scene = faulty(12, nth, Fault::DoublePress, survey);
        let eyes = Eyes::default();
        assert_eq!(scene.sit(eyes.clone()).await, Sat::Ended(End::Complete));
        for (body, level) in eyes.seen() {
            let Body::Decided {
                decision: Decision::Level { setting, .. },
            } = &body
            else {
                continue;
            };
            assert_eq!(*setting, format!("L{level:02}"), "{nth}: {body:?}");
            decided += 1;
        }
    }
    assert!(decided >= 30, "{decided}");
}

/// Killed in the ambient readings, the lamp dark; stopped while it is switched
/// off once more.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn stopped_while_a_dark_lamp_is_switched_off_it_is_dark() {
    for nth in 1..20 {
        let scene = Scene::new(6, By::Memory, 2, short());
        scene.paper.dies_at(33, Dies::After);
        assert_eq!(
            scene
                .sit(Dark {
                    seen: 0,
                    stop_at: 0
                })
                .await,
            Sat::Died
        );
        scene.paper.lives();
        let eyes = Eyes::default();
        let hands = (
            eyes.clone(),
            Dark {
                seen: 0,
                stop_at: nth,
            },
        );
        scene.sit(hands).await;
        says_the_truth(&eyes.seen(), &format!("stopped at {nth}"));
    }
}

/// Finds the lamp dark at the beginning, and stops the run at an event.
struct Dark {
    seen: usize,
    stop_at: usize,
}

impl Hands for Dark {
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        if matches!(event.body, Body::Begun { .. }) {
            bench.person().set_level(0, event.at.mono);
        }
        self.seen += 1;
        if self.seen == self.stop_at {
            handle.orders.post(Order::Stop(RUN)).expect("an order");
        }
    }
}

impl<A: Hands, B: Hands> Hands for (A, B) {
    fn watch(&self) -> Option<Watch> {
        self.0.watch().or_else(|| self.1.watch())
    }
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        self.0.note(event, handle, bench);
        self.1.note(event, handle, bench);
    }
}

/// Does what is asked, releases once while a question is open, and stops at
/// the first real hold.
struct EarlyRelease {
    asked: usize,
}

impl Hands for EarlyRelease {
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        let Body::Held { cause } = &event.body else {
            return;
        };
        let post = |order| handle.orders.post(order).expect("an order");
        let HoldCause::Question(words) = cause else {
            return post(Order::Stop(RUN));
        };
        self.asked += 1;
        let level = words.split("to level ").nth(1).map(|rest| {
            let digits = rest.chars().take_while(char::is_ascii_digit);
            digits.collect::<String>().parse().expect("a level")
        });
        bench.person().set_level(level.unwrap_or(0), event.at.mono);
        if self.asked == 2 {
            post(Order::Release(RUN));
        }
        let text = "done".to_owned();
        post(Order::Answer { run: RUN, text });
    }
}

/// A release that was meant for nothing must not end the next hold: that of a
/// lamp that has been on for as long as it may.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_release_during_a_question_ends_no_later_hold() {
    let world = WorldSpec::new(11);
    let card = scene::card(&world, false);
    let mut lamp = samples::lamp(3);
    lamp.worked = Worked::ByHand;
    lamp.off = SwitchOff::ByHand;
    lamp.warm_up_cap = Span::from_mins(10);
    let survey = Survey {
        warm_up: WarmUp::Fixed(Span::from_mins(5)),
        ..short()
    };
    let mut scene = Scene::of(world, By::Memory, lamp, card, survey);
    let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
    frozen.lamp.maximum_on = Span::from_mins(14);
    let sat = scene.sit(EarlyRelease { asked: 0 }).await;
    assert_eq!(sat, Sat::Ended(End::Stopped), "{}", scene.paper.text());
    let last: Vec<&str> = scene.paper.events().iter().map(|e| e.body.kind()).collect();
    let end = &last[last.len() - 4..];
    assert_eq!(end, ["seam", "made safe", "held", "ended"]);
}

/// Power was lost, or another unit was put there, while the run waited for its
/// evening or was at work: it is held before anything moves.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn where_a_person_must_look_nothing_moves_before() {
    let displaced = || Some("unit `D-17` stands on no bench".to_owned());
    for (windowed, other_boot, displaced, policy) in [
        (true, true, None, AfterPowerLoss::Hold),
        (true, false, displaced(), AfterPowerLoss::Resume),
        (false, false, displaced(), AfterPowerLoss::Resume),
        (false, true, displaced(), AfterPowerLoss::Hold),
    ] {
        let survey = Survey {
            warm_up: WarmUp::Fixed(Span::from_mins(5)),
            ..short()
        };
        let mut scene = Scene::new(3, By::Memory, 3, survey);
        let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
        frozen.itinerary.policies.after_power_loss = policy;
        if windowed {
            let (opens, closes) = (20 * 60, 20 * 60 + 10);
            let window = Some(Window { opens, closes });
            frozen.plan.policies.window = window;
            frozen.itinerary.policies.window = window;
            scene.paper.dies_on("made safe", Dies::After);
        } else {
            scene.paper.dies_at(120, Dies::After);
        }
        assert_eq!(scene.sit(Nobody).await, Sat::Died);
        let before = scene.paper.events().len();
        scene.paper.lives();
        scene.other_boot = other_boot;
        scene.displaced.clone_from(&displaced);
        let eyes = Eyes {
            stops: true,
            ..Eyes::default()
        };
        scene.sit(eyes).await;
        let events = scene.paper.events();
        let held = events[before..].iter().find_map(|e| match &e.body {
            Body::Held { cause } => Some(cause.clone()),
            Body::Started { .. } | Body::Resumed { .. } => panic!("it moved: {e:?}"),
            _ => None,
        });
        let wanted = displaced.map_or(HoldCause::PowerLost, HoldCause::NoPlacement);
        assert_eq!(held, Some(wanted));
    }
}

/// A leg that a seam sent back was not measured in vain: its first drift over
/// the limit has it measured again, as any leg's.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_leg_sent_back_by_a_seam_still_has_its_repeat() {
    let mut sent_back = 0;
    for nth in [95, 100, 105, 110, 120, 130] {
        let mut survey = Survey {
            warm_up: WarmUp::Fixed(Span::from_mins(5)),
            ..short()
        };
        survey.reference.drift_limit = Ratio::new(0.0001);
        survey.reference.give_up = Ratio::new(0.0002);
        let scene = Scene::new(4, By::Memory, 2, survey);
        scene.paper.dies_at(nth, Dies::After);
        assert_eq!(scene.sit(Nobody).await, Sat::Died);
        scene.paper.lives();
        scene.sit(Nobody).await;
        let events = scene.paper.events();
        let decided = |e: &Event| match &e.body {
            Body::Decided { decision } => Some(decision.clone()),
            _ => None,
        };
        let decisions: Vec<Decision> = events.iter().filter_map(decided).collect();
        let first = decisions.iter().find_map(|d| match d {
            Decision::Drift { verdict, .. } => Some(*verdict),
            _ => None,
        });
        assert!(
            matches!(first, Some(DriftVerdict::LegAgain | DriftVerdict::GoesOn)),
            "{nth}: {first:?}"
        );
        let back = |d: &Decision| matches!(d, Decision::Return { goes_on: false, .. });
        sent_back += usize::from(decisions.iter().any(back));
    }
    assert!(sent_back > 0, "no seam sent a leg back");
}

/// What failed is still said after the daemon died before it could hold.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_reason_of_a_failure_outlasts_a_death() {
    let mut scene = faulty(2, 20, Fault::Dead(Device::Meter), short());
    let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
    frozen.itinerary.policies.on_failure = OnFailure::Hold;
    scene.paper.dies_on("made safe", Dies::Before);
    assert_eq!(scene.sit(Nobody).await, Sat::Died);
    scene.paper.lives();
    let eyes = Eyes {
        stops: true,
        ..Eyes::default()
    };
    assert_eq!(scene.sit(eyes.clone()).await, Sat::Ended(End::Stopped));
    let seen = eyes.seen();
    let words = seen.iter().find_map(|(body, _)| match body {
        Body::Held {
            cause: HoldCause::Failure(words),
        } => Some(words.clone()),
        _ => None,
    });
    assert!(words.is_some_and(|words| words.contains("no answer to")));
}

/// The mains failed while the lamp was lit; the meter is still dead when a
/// person stops the held run.
struct AfterTheCut {
    dark: bool,
}

impl Hands for AfterTheCut {
    fn note(&mut self, event: &Event, _handle: &Handle, bench: &SimulatedBench) {
        if !std::mem::replace(&mut self.dark, true) {
            bench.person().set_level(0, event.at.mono);
        }
    }
}

/// What was seen before the daemon died is no reason to press blind.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn after_a_death_a_dead_meter_leaves_a_dark_lamp_dark() {
    let mut scene = Scene::new(3, By::Memory, 3, short());
    scene.paper.dies_at(120, Dies::After);
    assert_eq!(scene.sit(Nobody).await, Sat::Died);
    scene.paper.lives();
    scene.other_boot = true;
    scene.world.faults = vec![Planned {
        nth: 1,
        fault: Fault::Dead(Device::Meter),
    }];
    let eyes = Eyes {
        stops: true,
        ..Eyes::default()
    };
    let hands = (AfterTheCut { dark: false }, eyes.clone());
    assert_eq!(scene.sit(hands).await, Sat::Ended(End::Stopped));
    let left = eyes
        .seen()
        .into_iter()
        .find_map(|(body, level)| match body {
            Body::MadeSafe { left } => Some((left.lamp, level)),
            _ => None,
        });
    assert_eq!(left, Some((LampLeft::NotKnown, 0)));
}
