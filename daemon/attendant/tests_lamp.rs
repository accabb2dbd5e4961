//! The lamp on a whole simulated bench: by hand, by half of its light, with
//! presses that are missed, lit for too long.

use drivers::simulated::bench::SimulatedBench;
use drivers::simulated::faults::{Device, Fault, Planned};
use drivers::simulated::lamp_model::Display;
use drivers::simulated::world::WorldSpec;
use photometry::units::{Lux, Span};

use super::handle::{Handle, Order};
use super::scene::{self, By, Dies, Hands, Nobody, Sat, Scene};
use crate::plan::card::DarkBy;
use crate::plan::intent::{SettingWord, Settings, Survey, WarmUp};
use crate::plan::itinerary::Purpose;
use crate::plan::lamp::{SwitchOff, Worked};
use crate::plan::samples;
use crate::run::journal::{Body, Decision, End, Event, HoldCause};

use super::tests::{RUN, promised, results, short};

/// A person with eyes and hands: sets the level that is asked for.
struct Person {
    asked: usize,
}

impl Hands for Person {
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        let Body::Held {
            cause: HoldCause::Question(words),
        } = &event.body
        else {
            return;
        };
        self.asked += 1;
        let person = bench.person();
        let now = event.at.mono;
        if let Some(rest) = words.split("to level ").nth(1) {
            let level: u16 = rest
                .chars()
                .take_while(char::is_ascii_digit)
                .collect::<String>()
                .parse()
                .expect("a level");
            // The first time the person dozes: the meter must notice.
            if self.asked != 5 {
                person.set_level(level, now);
            }
        } else if words.contains("Switch the lamp off") {
            person.set_level(0, now);
        }
        let text = "done".to_owned();
        handle
            .orders
            .post(Order::Answer { run: RUN, text })
            .expect("an order");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_whole_survey_by_hand() {
    let world = WorldSpec::new(11);
    let mut card = scene::card(&world, false);
    card.meters[0].dark = DarkBy::Cap;
    let mut lamp = samples::lamp(12);
    lamp.worked = Worked::ByHand;
    lamp.off = SwitchOff::ByHand;
    let scene = Scene::of(world, By::Memory, lamp, card, short());
    let sat = scene.sit(Person { asked: 0 }).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    assert_eq!(results(itinerary, &events), promised(itinerary));
    let doubts = events
        .iter()
        .filter(|event| match &event.body {
            Body::Held {
                cause: HoldCause::Question(words),
            } => words.contains("did not"),
            _ => false,
        })
        .count();
    assert_eq!(
        doubts, 1,
        "the meter saw that the light did not follow, once"
    );
    let levels = events
        .iter()
        .filter(|e| {
            matches!(
                &e.body,
                Body::Decided {
                    decision: Decision::Level { .. }
                }
            )
        })
        .count();
    assert_eq!(levels, 13, "twelve legs and the warm-up");
}

/// Answers at once, and only does it when asked for the second time.
struct Dozing;

impl Hands for Dozing {
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        let Body::Held {
            cause: HoldCause::Question(words),
        } = &event.body
        else {
            return;
        };
        let first = !words.contains("did not see");
        if words.contains("Switch the lamp off")
            && first
            && bench.person().sees_level(event.at.mono) > 0
        {
            let text = "done".to_owned();
            handle
                .orders
                .post(Order::Answer { run: RUN, text })
                .expect("an order");
            return;
        }
        Person { asked: 10 }.note(event, handle, bench);
    }
}

/// A lamp that is still lit must not be recorded as off: the ambient light
/// after it would be taken from every figure.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_lamp_that_nobody_switched_off_is_asked_for_again() {
    let world = WorldSpec::new(11);
    let card = scene::card(&world, false);
    let mut lamp = samples::lamp(2);
    lamp.worked = Worked::ByHand;
    lamp.off = SwitchOff::ByHand;
    let scene = Scene::of(world, By::Memory, lamp, card, short());
    assert_eq!(
        scene.sit(Dozing).await,
        Sat::Ended(End::Complete),
        "{}",
        scene.paper.text()
    );
    let doubts = scene
        .paper
        .events()
        .iter()
        .filter(|e| match &e.body {
            Body::Held {
                cause: HoldCause::Question(words),
            } => words.contains("did not see"),
            _ => false,
        })
        .count();
    assert_eq!(doubts, 1);
}

/// Does what is asked; of the lamp that was never lit, answers this where it was
/// not seen to go out.
struct Watchful {
    says: &'static str,
    lights_it: bool,
    doubted: usize,
}

impl Hands for Watchful {
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        let Body::Held {
            cause: HoldCause::Question(words),
        } = &event.body
        else {
            return;
        };
        let off = words.contains("Switch the lamp off");
        if off {
            // Who means to switch it off may light it; either hand wakes the display.
            let level = u16::from(self.lights_it);
            bench.person().set_level(level, event.at.mono);
        }
        if off && words.contains("did not see") {
            self.doubted += 1;
            let text = self.says.to_owned();
            let answer = Order::Answer { run: RUN, text };
            handle.orders.post(answer).expect("an order");
        } else if off {
            let text = "done".to_owned();
            let answer = Order::Answer { run: RUN, text };
            handle.orders.post(answer).expect("an order");
        } else {
            Person { asked: 10 }.note(event, handle, bench);
        }
    }
}

/// A hand wakes a display: a lamp that was off already is brighter then, and is off
/// all the same. One whose display stays bright is told by the person, and one that
/// was lit by mistake is not off, because it does not dim.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_display_that_a_hand_wakes_is_no_lit_lamp() {
    let dims = Display {
        bright: Lux(0.3),
        dim: Lux(0.03),
        dims_after: Span::from_secs(15),
        out_after: Span::from_mins(30),
    };
    // Out again before it is first looked at, and bright for as long as it is watched.
    let stays = Display {
        dim: Lux(0.3),
        out_after: Span::from_secs(100),
        ..dims
    };
    let long_in_the_dark = Survey {
        dark: 600,
        ..short()
    };
    let cases = [
        (dims, "done", false, 0, true),
        (stays, "display", false, 1, true),
        (stays, "done", false, 2, false),
        (dims, "done", true, 2, false),
    ];
    for (display, says, lights_it, doubted, complete) in cases {
        let mut world = WorldSpec::new(11);
        world.lamp.display = Some(display);
        let card = scene::card(&world, false);
        let mut lamp = samples::lamp(2);
        lamp.worked = Worked::ByHand;
        lamp.off = SwitchOff::ByHand;
        let scene = Scene::of(world, By::Memory, lamp, card, long_in_the_dark.clone());
        let mut person = Watchful {
            says,
            lights_it,
            doubted: 0,
        };
        let sat = scene.sit(&mut person).await;
        let text = scene.paper.text();
        let end = if complete { End::Complete } else { End::Failed };
        assert_eq!(sat, Sat::Ended(end), "{says} {lights_it}");
        assert_eq!(person.doubted, doubted, "{says} {lights_it}");
        let told = text.contains("\"answer\":\"display\"");
        assert_eq!(told, says == "display", "{text}");
    }
}

/// A lamp that only a person can switch off has been on for too long: the
/// person is asked, and the run goes on.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn after_the_longest_time_a_lamp_by_hand_is_released_and_goes_on() {
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
    let frozen = std::sync::Arc::get_mut(&mut scene.frozen).expect("only one");
    frozen.lamp.maximum_on = Span::from_mins(14);
    let sat = scene.sit(Patient).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let events = scene.paper.events();
    let held = events
        .iter()
        .filter(|e| {
            matches!(
                &e.body,
                Body::Held {
                    cause: HoldCause::MaximumOn
                }
            )
        })
        .count();
    assert!((1..4).contains(&held), "{held}");
    assert_eq!(
        results(&scene.frozen.itinerary, &events),
        promised(&scene.frozen.itinerary)
    );
}

/// Does what is asked, and switches the lamp off before releasing the run.
struct Patient;

impl Hands for Patient {
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        if matches!(
            event.body,
            Body::Held {
                cause: HoldCause::MaximumOn
            }
        ) {
            bench.person().set_level(0, event.at.mono);
            handle.orders.post(Order::Release(RUN)).expect("an order");
            return;
        }
        Person { asked: 10 }.note(event, handle, bench);
    }
}

/// Nobody saw what became of the cap while the daemon was away.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_cap_is_asked_for_again_after_a_seam() {
    let world = WorldSpec::new(11);
    let mut card = scene::card(&world, false);
    card.meters[0].dark = DarkBy::Cap;
    let mut lamp = samples::lamp(2);
    lamp.worked = Worked::ByHand;
    lamp.off = SwitchOff::ByHand;
    let scene = Scene::of(world, By::Memory, lamp, card, short());
    // Begun, home, move, the question, its answer: killed at the dark readings.
    let first_dark = |events: &[Event]| {
        events.iter().position(
            |e| matches!(&e.body, Body::Taken { key, .. } if key.purpose == Purpose::Dark),
        )
    };
    let whole = scene.sit(Person { asked: 10 }).await;
    assert_eq!(whole, Sat::Ended(End::Complete));
    let nth = first_dark(&scene.paper.events()).expect("dark readings") + 1;
    let again = Scene::of(
        WorldSpec::new(11),
        By::Memory,
        scene.frozen.lamp.clone(),
        scene.frozen.card.clone(),
        short(),
    );
    again.paper.dies_at(nth, Dies::After);
    assert_eq!(again.sit(Person { asked: 10 }).await, Sat::Died);
    again.paper.dies_at(usize::MAX, Dies::After);
    let sat = again.sit(Person { asked: 10 }).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", again.paper.text());
    let asked = again
        .paper
        .events()
        .iter()
        .filter(|e| match &e.body {
            Body::Held {
                cause: HoldCause::Question(words),
            } => words.starts_with("Put the cap"),
            _ => false,
        })
        .count();
    assert_eq!(asked, 2);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_level_of_half_the_light_is_found_by_measuring() {
    let survey = Survey {
        settings: Settings::These(vec![SettingWord::Full, SettingWord::HalfLight]),
        ..short()
    };
    let scene = Scene::new(2, By::Memory, 12, survey);
    assert_eq!(
        scene.sit(Nobody).await,
        Sat::Ended(End::Complete),
        "{}",
        scene.paper.text()
    );
    let found = scene
        .paper
        .events()
        .iter()
        .find_map(|event| match &event.body {
            Body::Decided {
                decision: Decision::HalfLight { level, share, .. },
            } => Some((*level, *share)),
            _ => None,
        });
    // The ladder is geometric: 2000 lx to 6 lx in 11 steps, a ratio of 1.696
    // each; one step down gives 59 %, two steps 35 %.
    let (level, share) = found.expect("decided");
    assert_eq!(level, 11);
    assert!((share.share() - 1.0 / 1.696).abs() < 0.01, "{share}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn missed_presses_are_noticed_and_a_dead_meter_fails_the_test_by_name() {
    let mut world = WorldSpec::new(12);
    world.lamp.levels = 4;
    world.faults = [3, 9, 14, 15]
        .into_iter()
        .map(|nth| Planned {
            nth,
            fault: Fault::MissedPress,
        })
        .collect();
    let (card, lamp) = (scene::card(&world, true), samples::lamp(4));
    let scene = Scene::of(world, By::Memory, lamp, card, short());
    assert_eq!(
        scene.sit(Nobody).await,
        Sat::Ended(End::Complete),
        "{}",
        scene.paper.text()
    );
    let events = scene.paper.events();
    assert_eq!(
        results(&scene.frozen.itinerary, &events),
        promised(&scene.frozen.itinerary)
    );

    let mut world = WorldSpec::new(12);
    world.lamp.levels = 2;
    world.faults = (40..4000)
        .map(|nth| Planned {
            nth,
            fault: Fault::Silent(Device::Meter),
        })
        .collect();
    let (card, lamp) = (scene::card(&world, true), samples::lamp(2));
    let scene = Scene::of(world, By::Memory, lamp, card, short());
    assert_eq!(
        scene.sit(Nobody).await,
        Sat::Ended(End::Failed),
        "{}",
        scene.paper.text()
    );
    let fault = scene
        .paper
        .events()
        .iter()
        .find_map(|event| match &event.body {
            Body::Failed { fault } => Some(fault.clone()),
            _ => None,
        });
    assert_eq!(
        fault.and_then(|fault| fault.instrument).as_deref(),
        Some("lux-head")
    );
}

/// A meter out of range cannot say when the lamp is warm; it is not asked
/// without a pause until the cap either.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_warm_up_by_a_meter_out_of_range_is_named_after_three_readings() {
    let mut world = WorldSpec::new(1);
    world.meter.ranges = [2.0, 20.0].map(photometry::units::Lux).to_vec();
    let card = scene::card(&world, false);
    let mut lamp = samples::lamp(12);
    lamp.worked = Worked::ByHand;
    lamp.off = SwitchOff::ByHand;
    let survey = Survey {
        warm_up: WarmUp::Leg(photometry::stabilisation::WindowRule::LM79),
        ..short()
    };
    let scene = Scene::of(world, By::Memory, lamp, card, survey);
    let sat = scene.sit(Person { asked: 10 }).await;
    assert_eq!(sat, Sat::Ended(End::Failed));
    let events = scene.paper.events();
    let codes: Vec<&str> = events
        .iter()
        .filter_map(|event| match &event.body {
            Body::Failed { fault } => Some(fault.code.as_str()),
            _ => None,
        })
        .collect();
    assert_eq!(codes, ["out-of-range"]);
    let readings: Vec<i64> = events
        .iter()
        .filter(|e| matches!(&e.body, Body::Taken { key, .. } if key.purpose == Purpose::WarmUp))
        .map(|e| e.at.mono.ns() / 1_000_000_000)
        .collect();
    assert_eq!(readings.len(), 3);
    assert!(
        readings.windows(2).all(|pair| pair[1] - pair[0] >= 290),
        "{readings:?}"
    );
}
