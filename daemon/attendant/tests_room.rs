//! A door that is opened and daylight that leaks in, on a whole simulated bench with a
//! sensor of the room, under each policy: what was read meanwhile is told, read again,
//! or waits for a person. A sensor that says nothing costs no test.

use drivers::simulated::bench::SimulatedBench;
use drivers::simulated::faults::{Device, Fault, Planned};
use drivers::simulated::room::{LightEvent, Shows};
use drivers::simulated::world::WorldSpec;
use photometry::measured::Quantity;
use photometry::units::{Lux, Mono, Span};

use super::handle::{Handle, Order};
use super::scene::{self, By, Hands, Nobody, Sat, Scene};
use super::tests::{RUN, complete, killed_at_writes, results, short};
use super::tests_kinds;
use crate::plan::card::{AirLimits, Card, DarkBy, Meter, Room};
use crate::plan::intent::IfDisturbed;
use crate::plan::itinerary::{Key, Purpose};
use crate::plan::samples;
use crate::run::journal::{
    Body, Decision, End, Event, HoldCause, ResumeCause, RoomVerdict, SeamCause,
};
use crate::run::room;

/// The wall's sensor sees three times what the meter does: 0.15 lx of this room at night.
const QUIET: Lux = Lux(1.0);

fn with_sensor(card: &mut Card, air: Option<AirLimits>) {
    let lux = card.meters[0].clone();
    card.meters.push(Meter {
        name: "wall".to_owned(),
        port: "wall-port".to_owned(),
        rides: false,
        dark: DarkBy::Cap,
        yields: vec![Quantity::Illuminance, Quantity::Temperature],
        ..lux
    });
    scene::add_port(card, "wall-port");
    card.room = Some(Room {
        sensor: "wall".to_owned(),
        light_at_most: Some(QUIET),
        air,
    });
}

/// A survey of two levels in a room that is looked at.
fn night(policy: IfDisturbed, events: Vec<LightEvent>, faults: Vec<Planned>) -> Scene {
    let mut world = WorldSpec {
        faults,
        ..WorldSpec::new(21)
    };
    world.lamp.levels = 2;
    world.room.events = events;
    let mut card = scene::card(&world, true);
    with_sensor(&mut card, None);
    let mut plan = samples::plan(short());
    plan.policies.if_disturbed = policy;
    let placement = scene::placement(&world);
    Scene::planned(world, By::Memory, samples::lamp(2), card, plan, placement)
}

/// When something was first read, on the simulated clock.
fn read_at(scene: &Scene, fits: impl Fn(&Key) -> bool) -> Mono {
    let events = scene.paper.events();
    let found = events.iter().find_map(|event| match &event.body {
        Body::Taken { key, reading } if fits(key) => Some(reading.taken.mono),
        _ => None,
    });
    found.expect("such a reading")
}

fn is_read_of(level: &'static str) -> impl Fn(&Key) -> bool {
    move |key| key.purpose == Purpose::Read && key.setting == level
}

/// A door, opened so long before an instant, for so long.
fn door(at: Mono, before: Span, lasts: Span, adds: Lux) -> Vec<LightEvent> {
    vec![LightEvent {
        begins: at.since(Mono::ZERO) - before,
        lasts,
        adds,
        shows: Shows::AtOnce,
    }]
}

async fn quiet_night() -> Scene {
    let scene = night(IfDisturbed::Flag, Vec::new(), Vec::new());
    complete(&scene, Nobody, "").await;
    scene
}

fn verdicts(events: &[Event]) -> Vec<RoomVerdict> {
    let decided = events.iter().filter_map(|event| match &event.body {
        Body::Decided {
            decision: Decision::Room { verdict, .. },
        } => Some(*verdict),
        _ => None,
    });
    decided.collect()
}

/// The readings that count and lie in a disturbed stretch, by key.
fn suspect(scene: &Scene) -> Vec<String> {
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    let room = scene.frozen.card.room.as_ref().expect("a room");
    let stretches = room::stretches(&room::looks(room, &events));
    let counting = results(itinerary, &events);
    let taken = events.iter().filter_map(|event| match &event.body {
        Body::Taken { key, .. } => Some((event.seq, key)),
        _ => None,
    });
    let held = taken.filter(|(seq, _)| stretches.iter().any(|stretch| stretch.holds(*seq)));
    let keys = held.filter(|(seq, key)| {
        let last = events
            .iter()
            .rev()
            .find(|event| matches!(&event.body, Body::Taken { key: other, .. } if other == *key));
        counting.contains_key(&key.to_string()) && last.map(|event| event.seq) == Some(*seq)
    });
    keys.map(|(_, key)| key.to_string()).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_quiet_room_is_looked_at_after_each_point_and_changes_nothing() {
    let scene = quiet_night().await;
    let events = scene.paper.events();
    assert_eq!(verdicts(&events), []);
    let looks = events.iter().filter(|event| {
        matches!(&event.body, Body::Taken { key, reading }
            if key.purpose == Purpose::Room && reading.meter == "wall")
    });
    // Ambient at 3 positions twice; 2 legs of 3 positions and 2 visits; one before the
    // first of each.
    assert_eq!(looks.count(), 2 * (3 + 1) + 2 * (5 + 1));
    assert_eq!(suspect(&scene), Vec::<String>::new());
}

/// The door stands open for 4 s while a point is read: that point and its neighbour
/// behind the look are told of, nothing else, and nothing is read again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_open_door_is_flagged() {
    let at = read_at(&quiet_night().await, is_read_of("L01"));
    let open = door(at, Span::from_ms(500), Span::from_secs(4), Lux(2.0));
    let scene = night(IfDisturbed::Flag, open, Vec::new());
    let events = complete(&scene, Nobody, "").await;
    assert!(
        verdicts(&events)
            .iter()
            .all(|verdict| *verdict == RoomVerdict::Flagged)
    );
    let suspect = suspect(&scene);
    assert!((2..=8).contains(&suspect.len()), "{suspect:?}");
    assert!(
        suspect.iter().all(|key| key.contains("/L01/")),
        "{suspect:?}"
    );
}

/// The same door where the plan says to repeat: the room is waited for, the point is
/// read again, and nothing that counts was read in its light.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn after_an_open_door_the_point_is_read_again() {
    let at = read_at(&quiet_night().await, is_read_of("L01"));
    let open = door(at, Span::from_secs(2), Span::from_secs(30), Lux(2.0));
    let scene = night(IfDisturbed::Repeat, open, Vec::new());
    let events = complete(&scene, Nobody, "").await;
    assert_eq!(verdicts(&events), [RoomVerdict::Again]);
    assert_eq!(suspect(&scene), Vec::<String>::new());
    let again = |key: &Key| is_read_of("L01")(key);
    let twice = events.iter().filter(
        |event| matches!(&event.body, Body::Taken { key, .. } if again(key) && key.visit == 1),
    );
    assert_eq!(twice.count(), 3 + 1, "one of three points twice");
}

/// Daylight does not go away: after the wait what was read stands, flagged, and the
/// night goes on.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn daylight_is_not_waited_for_for_ever() {
    let at = read_at(&quiet_night().await, is_read_of("L01"));
    let day = door(at, Span::from_secs(2), Span::from_mins(600), Lux(2.0));
    let scene = night(IfDisturbed::Repeat, day, Vec::new());
    let events = complete(&scene, Nobody, "").await;
    let verdicts = verdicts(&events);
    assert!(
        verdicts.len() > 2 && verdicts.iter().all(|v| *v == RoomVerdict::Flagged),
        "{verdicts:?}"
    );
    let first = suspect(&scene);
    assert!(first.len() > 4, "{first:?}");
    // It is waited for once, 40 looks of 15 s, not at every point.
    let looks = events.iter().filter(
        |event| matches!(&event.body, Body::Taken { key, .. } if key.purpose == Purpose::Room),
    );
    let looks = looks.count();
    assert!((50..70).contains(&looks), "{looks}");
}

/// Releases every hold that is no question, and remembers why it was held.
#[derive(Default)]
struct Releases(Vec<HoldCause>);

impl Hands for Releases {
    fn note(&mut self, event: &Event, handle: &Handle, _bench: &SimulatedBench) {
        if let Body::Held { cause } = &event.body {
            self.0.push(cause.clone());
            let _ = handle.orders.post(Order::Release(RUN));
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_plan_that_holds_waits_for_a_person_and_reads_it_again() {
    let at = read_at(&quiet_night().await, is_read_of("L01"));
    let open = door(at, Span::from_secs(2), Span::from_secs(30), Lux(2.0));
    let scene = night(IfDisturbed::Hold, open, Vec::new());
    let mut hands = Releases::default();
    let events = complete(&scene, &mut hands, "").await;
    let [HoldCause::Disturbed(words)] = &hands.0[..] else {
        panic!("{:?}", hands.0);
    };
    assert!(words.contains("where at most 1 lx is quiet"), "{words}");
    assert_eq!(verdicts(&events), [RoomVerdict::Held]);
    let seams = events.iter().filter(|event| {
        matches!(
            event.body,
            Body::Seam {
                cause: SeamCause::Disturbed
            }
        )
    });
    assert_eq!(seams.count(), 1);
    assert_eq!(suspect(&scene), Vec::<String>::new());
}

/// A sensor that is gone, for good or for a time, costs no test; what is read without
/// it is told of.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_dead_sensor_costs_no_test() {
    let (device, nth) = (Device::RoomSensor, 4);
    let faults = [
        Fault::Dead(device),
        Fault::LinkLost(device, Span::from_mins(6000)),
    ];
    for fault in faults {
        for policy in [IfDisturbed::Flag, IfDisturbed::Repeat, IfDisturbed::Hold] {
            let fault = fault.clone();
            let scene = night(policy, Vec::new(), vec![Planned { nth, fault }]);
            let verdicts = verdicts(&complete(&scene, Nobody, policy.word()).await);
            assert!(verdicts.len() > 8, "{verdicts:?}");
            assert!(
                verdicts
                    .iter()
                    .all(|verdict| *verdict == RoomVerdict::NotKnown)
            );
            assert!(suspect(&scene).len() > 20);
        }
    }
}

/// Light that makes the lamp look as if it had changed its level by itself: without a
/// sensor the test is given up, with one the night goes on when the door is shut.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_open_door_is_not_taken_for_a_lamp_astray() {
    let at = read_at(&quiet_night().await, is_read_of("L01"));
    let open = |before| door(at, before, Span::from_mins(3), Lux(900.0));
    for before in [Span::from_ms(-200), Span::from_secs(2), Span::from_secs(40)] {
        for policy in [IfDisturbed::Flag, IfDisturbed::Repeat, IfDisturbed::Hold] {
            let scene = night(policy, open(before), Vec::new());
            let mut hands = Releases::default();
            let what = format!("{policy:?} {before:?}");
            let events = complete(&scene, &mut hands, &what).await;
            let quiet = |event: &Event| {
                matches!(
                    event.body,
                    Body::Resumed {
                        cause: ResumeCause::RoomQuiet
                    }
                )
            };
            let resumed = events.iter().filter(|event| quiet(event)).count();
            let held = hands.0.len();
            match policy {
                IfDisturbed::Hold => assert!(held > 0 && resumed == 0, "{held} {resumed}"),
                _ => assert!(held == 0, "{held} {resumed}"),
            }
        }
    }
    // The same without a sensor.
    let mut scene = night(IfDisturbed::Flag, open(Span::from_ms(-200)), Vec::new());
    let frozen = (*scene.frozen).clone();
    let mut card = frozen.card.clone();
    card.room = None;
    card.meters.retain(|meter| meter.name != "wall");
    let (plan, lamp) = (frozen.plan.clone(), frozen.lamp.clone());
    let without = samples::frozen(plan, lamp, card, frozen.placement.clone());
    scene.frozen = std::sync::Arc::new(without);
    assert_ne!(scene.sit(Nobody).await, Sat::Ended(End::Complete));
}

/// Killed at its writes, a night with a door and a repeat ends the same.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_its_writes_the_point_is_still_read_again() {
    let at = read_at(&quiet_night().await, is_read_of("L01"));
    let open = door(at, Span::from_secs(2), Span::from_secs(30), Lux(2.0));
    let scene = || night(IfDisturbed::Repeat, open.clone(), Vec::new());
    killed_at_writes(
        17,
        scene,
        || Nobody,
        |scene, _| {
            let held = suspect(scene);
            assert_eq!(held, Vec::<String>::new());
        },
    )
    .await;
}

/// Air that is too warm is flagged all night and repeats nothing.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn warm_air_is_flagged() {
    let mut scene = night(IfDisturbed::Repeat, Vec::new(), Vec::new());
    let mut frozen = (*scene.frozen).clone();
    let room = frozen.card.room.as_mut().expect("a room");
    room.air = Some(AirLimits {
        from_c: 24.0,
        to_c: 26.0,
    });
    let (plan, lamp, card) = (frozen.plan, frozen.lamp, frozen.card);
    let frozen = samples::frozen(plan, lamp, card, frozen.placement);
    scene.frozen = std::sync::Arc::new(frozen);
    let verdicts = verdicts(&complete(&scene, Nobody, "").await);
    assert!(verdicts.len() > 8 && verdicts.iter().all(|v| *v == RoomVerdict::Flagged));
    assert!(suspect(&scene).len() > 20);
}

/// A dawn is looked at while it is recorded: under `flag` it is told, under `repeat` it
/// is recorded again from a cold lamp, and then it counts.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_door_in_the_middle_of_a_dawn() {
    let dawn = |policy, events: Vec<LightEvent>| {
        let kind = tests_kinds::dawn();
        let scene = tests_kinds::night(5, By::Memory, tests_kinds::plover(), kind);
        let mut world = scene.world.clone();
        world.room.events = events;
        let frozen = (*scene.frozen).clone();
        let (mut plan, mut card) = (frozen.plan, frozen.card);
        with_sensor(&mut card, None);
        plan.policies.if_disturbed = policy;
        Scene::planned(world, By::Memory, frozen.lamp, card, plan, frozen.placement)
    };
    let quiet = dawn(IfDisturbed::Flag, Vec::new());
    assert_eq!(verdicts(&complete(&quiet, Nobody, "quiet").await), []);
    let at = read_at(&quiet, |key| key.purpose == Purpose::Sample);
    let middle = at + Span::from_mins(15);
    let open = door(middle, Span::ZERO, Span::from_secs(60), Lux(2.0));
    let cases = [
        (IfDisturbed::Flag, RoomVerdict::Flagged, false),
        (IfDisturbed::Repeat, RoomVerdict::Again, true),
    ];
    for (policy, wanted, clean) in cases {
        let scene = dawn(policy, open.clone());
        let events = complete(&scene, Nobody, policy.word()).await;
        assert_eq!(verdicts(&events), [wanted], "{policy:?}");
        let began = events.iter().filter(|event| {
            matches!(
                &event.body,
                Body::Decided {
                    decision: Decision::Began { .. }
                }
            )
        });
        assert_eq!(began.count(), 1 + usize::from(clean), "{policy:?}");
        let room = scene.frozen.card.room.as_ref().expect("a room");
        let stretches = room::stretches(&room::looks(room, &events));
        assert_eq!(stretches.len(), 1, "{stretches:?}");
    }
}
