//! A device's link breaks off at any event of a night and comes back: in time,
//! and the night ends as if nothing had been; too late, and its action fails by
//! name. Orders and limits are obeyed meanwhile.

use std::sync::{Arc, Mutex};

use drivers::clock::Post;
use drivers::simulated::faults::{Device, Fault, Planned};
use photometry::units::Span;

use super::handle::{Handle, Order};
use super::scene::{Dies, Hands, Nobody, Sat, Scene, Watch};
use super::tests::{RUN, moves_before_homing, promised, results};
use super::tests_faults::{Witness, complaints, night, sat_out};
use super::tests_sweep::two_tests;
use crate::bench::open::{FINGERS, RAIL};
use crate::plan::intent::OnFailure;
use crate::run::journal::{Body, End, Event, HoldCause, ResumeCause, SeamCause};
use crate::run::progress::State;
use crate::store::tests_flips::tally;

const DEVICES: [Device; 3] = [Device::Meter, Device::Rail, Device::Fingers];

fn name_of(device: Device, scene: &Scene) -> String {
    match device {
        Device::Meter => scene.frozen.card.meters[0].name.clone(),
        Device::Rail => RAIL.to_owned(),
        Device::Fingers => FINGERS.to_owned(),
        other => panic!("no {other:?} on this bench"),
    }
}

/// A night in which a device is away at its nth question.
fn away(device: Device, nth: u64, away: Span, policy: OnFailure) -> Scene {
    let fault = Fault::LinkLost(device, away);
    night(vec![Planned { nth, fault }], policy)
}

fn waits(scene: &mut Scene, within: Span) {
    let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
    frozen.card.meters[0].back_within = within;
    if let Some(rail) = &mut frozen.card.rail {
        rail.back_within = within;
    }
    if let Some(fingers) = &mut frozen.card.fingers {
        fingers.back_within = within;
    }
}

fn kinds(events: &[Event]) -> Vec<&'static str> {
    events.iter().map(|event| event.body.kind()).collect()
}

fn place_of(events: &[Event], kind: &str) -> usize {
    let place = events.iter().position(|event| event.body.kind() == kind);
    place.unwrap_or_else(|| panic!("no `{kind}` in {:?}", kinds(events)))
}

/// How often each device is asked in a night without faults.
async fn asked(device: Device) -> u64 {
    let scene = night(Vec::new(), OnFailure::Stop);
    let count = Arc::new(Mutex::new(0));
    let counting = Counting(Arc::clone(&count), device);
    assert_eq!(scene.sit(counting).await, Sat::Ended(End::Complete));
    *count.lock().expect("a count")
}

struct Counting(Arc<Mutex<u64>>, Device);

impl Hands for Counting {
    fn note(&mut self, _: &Event, _: &Handle, bench: &drivers::simulated::bench::SimulatedBench) {
        *self.0.lock().expect("a count") = bench.world().count(self.1.asked());
    }
}

/// About as many questions as the opening of its port takes.
fn opening(device: Device) -> u64 {
    match device {
        Device::Rail => 4,
        _ => 8,
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_device_that_is_back_in_time_costs_no_result() {
    for device in DEVICES {
        let whole = asked(device).await;
        let stride = if tally::long() { 1 } else { (whole / 5).max(1) };
        let (mut nights, mut compared_in_all, mut lost) = (0, 0, 0);
        for nth in (1..whole).step_by(stride as usize) {
            let what = format!("{device:?} at {nth}");
            let scene = away(device, nth, Span::from_secs(20), OnFailure::Stop);
            let witness = Witness::default();
            let sat = sat_out(&scene, witness.clone()).await;
            let sat = sat.unwrap_or_else(|| panic!("{what}: no end"));
            let text = scene.paper.text();
            let (compared, found) = complaints(&scene, &sat, &witness.sights());
            assert_eq!(found, Vec::<String>::new(), "{what}\n{text}");
            let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
            // Lost in a look that is no measurement, nobody needs it yet.
            assert_eq!(sat, Sat::Ended(End::Complete), "{what}\n{text}");
            assert_eq!(results(itinerary, &events), promised(itinerary), "{what}");
            if kinds(&events).contains(&"lost") {
                told(&scene, device, &events, &what);
                lost += 1;
            }
            (nights, compared_in_all) = (nights + 1, compared_in_all + compared);
        }
        tally::line(
            &format!("link lost, back in 20 s: {device:?}"),
            &[
                ("nights", &nights),
                ("losses", &lost),
                ("complete with every key", &nights),
                ("results compared", &compared_in_all),
                ("wrong values", &0),
            ],
        );
        assert!(
            nights > 3 && lost * 4 >= nights * 3,
            "{device:?}: {lost} of {nights}"
        );
    }
}

/// What stands in the journal around a loss that ended well.
fn told(scene: &Scene, device: Device, events: &[Event], what: &str) {
    let at = place_of(events, "lost");
    let around = &kinds(events)[at..at + 6];
    let wanted = ["lost", "seam", "made safe", "back", "resumed", "started"];
    assert_eq!(around, wanted, "{what}");
    let (
        Body::Lost { fault },
        Body::Back {
            instrument,
            after,
            identity,
        },
    ) = (&events[at].body, &events[at + 3].body)
    else {
        panic!("{what}")
    };
    assert_eq!(fault.instrument.as_ref(), Some(instrument), "{what}");
    assert_eq!(*instrument, name_of(device, scene), "{what}");
    assert!(!identity.is_empty(), "{what}");
    let range = Span::from_secs(15)..Span::from_secs(60);
    assert!(range.contains(after), "{what}: {after:?}");
    let cause = ResumeCause::DeviceBack;
    assert_eq!(events[at + 4].body, Body::Resumed { cause }, "{what}");
    // A plan begins with fingers off and home, which needs no preamble.
    let next = events[at + 5].no;
    let begins = next <= Some(1) && next == events[at].no;
    assert!(begins || next < Some(0), "{what}: no preamble");
    let Body::MadeSafe { left } = &events[at + 2].body else {
        panic!("{what}")
    };
    if device == Device::Fingers {
        assert!(!left.fingers_off && !left.troubles.is_empty(), "{left:?}");
    }
}

/// 60 s by default. The person who releases it finds it after 90 s.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_device_that_is_not_back_in_time_fails_its_action_by_name() {
    for device in DEVICES {
        for nth in [opening(device) + 7, opening(device) + 20] {
            let what = format!("{device:?} at {nth}");
            let scene = away(device, nth, Span::from_secs(90), OnFailure::Hold);
            let witness = Witness::releasing_once();
            let sat = sat_out(&scene, witness.clone()).await;
            let sat = sat.unwrap_or_else(|| panic!("{what}: no end"));
            let text = scene.paper.text();
            let (_, found) = complaints(&scene, &sat, &witness.sights());
            assert_eq!(found, Vec::<String>::new(), "{what}\n{text}");
            assert_eq!(sat, Sat::Ended(End::Complete), "{what}\n{text}");
            let events = scene.paper.events();
            let (lost, failed) = (place_of(&events, "lost"), place_of(&events, "failed"));
            let wanted = [
                "lost",
                "seam",
                "made safe",
                "failed",
                "seam",
                "held",
                "resumed",
            ];
            assert_eq!(&kinds(&events)[lost..lost + 7], wanted, "{what}");
            assert_eq!(events[lost].no, events[failed].no, "{what}");
            let waited = events[failed].at.mono.since(events[lost].at.mono);
            assert!(waited >= Span::from_secs(60), "{what}: {waited:?}");
            let Body::Failed { fault } = &events[failed].body else {
                panic!("{what}")
            };
            assert_eq!(fault.code, "link", "{what}");
            assert_eq!(fault.instrument, Some(name_of(device, &scene)), "{what}");
            assert!(
                fault.message.contains("it was gone for 1 min"),
                "{}",
                fault.message
            );
        }
    }
}

/// The first test fails, the second is measured.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_device_that_is_back_too_late_serves_the_next_test() {
    let mut scene = two_tests(2, 2);
    let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
    frozen.itinerary.policies.on_failure = OnFailure::NextTest;
    let fault = Fault::LinkLost(Device::Meter, Span::from_secs(63));
    scene.world.faults = vec![Planned { nth: 30, fault }];
    let sat = scene.sit(Nobody).await;
    let text = scene.paper.text();
    assert_eq!(sat, Sat::Ended(End::CompleteWithGaps), "{text}");
    let events = scene.paper.events();
    let failed = place_of(&events, "failed");
    let cause = ResumeCause::NextTest;
    assert_eq!(events[failed + 1].body, Body::Resumed { cause });
    assert_eq!(moves_before_homing(&scene.frozen.itinerary, &events), 0);
    let again =
        |event: &&Event| matches!(&event.body, Body::Taken { key, .. } if key.test == "again");
    assert!(events.iter().filter(again).count() > 10, "{text}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn with_nothing_to_wait_the_action_fails_at_once() {
    let mut scene = away(Device::Meter, 20, Span::from_secs(5), OnFailure::Stop);
    waits(&mut scene, Span::ZERO);
    assert_eq!(scene.sit(Nobody).await, Sat::Ended(End::Stopped));
    let kinds = kinds(&scene.paper.events());
    assert!(
        kinds.contains(&"failed") && !kinds.contains(&"lost"),
        "{kinds:?}"
    );
}

/// It has a loose plug: it is opened, and lost again before it is home. Five
/// losses without progress are enough.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_device_that_is_lost_again_and_again_is_not_waited_for_without_end() {
    let every = |nth| Planned {
        nth,
        fault: Fault::LinkLost(Device::Rail, Span::from_secs(2)),
    };
    let faults = (20..400).step_by(6).map(every).collect();
    let scene = night(faults, OnFailure::Stop);
    let sat = sat_out(&scene, Nobody).await.expect("an end");
    assert_eq!(sat, Sat::Ended(End::Stopped), "{}", scene.paper.text());
    let events = scene.paper.events();
    let losses = kinds(&events)
        .iter()
        .filter(|kind| **kind == "lost")
        .count();
    assert_eq!(losses, 5);
    let Body::Failed { fault } = &events[place_of(&events, "failed")].body else {
        panic!("failed")
    };
    assert_eq!(fault.instrument.as_deref(), Some(RAIL));
    assert!(
        !fault.message.contains("it was gone for"),
        "{}",
        fault.message
    );
}

/// Gives an order at the very write of an event of a kind.
#[derive(Clone)]
struct OrderOn {
    kind: &'static str,
    order: fn() -> Order,
    post: Arc<Mutex<Option<Post<Order>>>>,
}

impl OrderOn {
    fn new(kind: &'static str, order: fn() -> Order) -> OrderOn {
        let post = Arc::default();
        OrderOn { kind, order, post }
    }
}

impl Hands for OrderOn {
    fn first(&mut self, handle: &Handle) {
        *self.post.lock().expect("a post") = Some(handle.orders.clone());
    }
    fn watch(&self) -> Option<Watch> {
        let OrderOn { kind, order, post } = self.clone();
        Some(Box::new(move |event, _| {
            let mut post = post.lock().expect("a post");
            if event.body.kind() == kind
                && let Some(post) = post.take()
            {
                post.post(order()).expect("an order");
            }
        }))
    }
    fn note(
        &mut self,
        event: &Event,
        handle: &Handle,
        _: &drivers::simulated::bench::SimulatedBench,
    ) {
        if matches!(event.body, Body::Held { .. }) {
            handle.orders.post(Order::Release(RUN)).expect("an order");
        }
    }
}

/// `made safe` is what comes before the wait, at the seam of the loss.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn orders_are_obeyed_while_a_device_is_waited_for() {
    type Case = (fn() -> Order, Sat, &'static str);
    let orders: [Case; 3] = [
        (|| Order::Stop(RUN), Sat::Ended(End::Stopped), "ended"),
        (|| Order::Hold(RUN), Sat::Ended(End::Complete), "held"),
        (|| Order::Shutdown, Sat::Left, ""),
    ];
    for device in DEVICES {
        for (order, wanted, next) in &orders {
            let what = format!("{device:?} {next}");
            // Long, because a released run looks for it again.
            let nth = opening(device) + 15;
            let mut scene = away(device, nth, Span::from_mins(3), OnFailure::Stop);
            waits(&mut scene, Span::from_mins(5));
            let hands = OrderOn::new("made safe", *order);
            let sat = scene.sit(hands).await;
            let text = scene.paper.text();
            assert_eq!(sat, *wanted, "{what}\n{text}");
            let events = scene.paper.events();
            let safe = place_of(&events, "made safe");
            let since = events.last().expect("events").at.mono;
            match *next {
                "" => {
                    assert!(
                        since.since(events[safe].at.mono) < Span::from_secs(30),
                        "{what}"
                    );
                    assert_eq!(scene.sit(Nobody).await, Sat::Ended(End::Complete), "{what}");
                }
                next => {
                    let at = place_of(&events, next);
                    let after = events[at].at.mono.since(events[safe].at.mono);
                    assert!(after < Span::from_secs(1), "{what}: {after:?}\n{text}");
                }
            }
            if *wanted != Sat::Ended(End::Stopped) {
                let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
                assert_eq!(results(itinerary, &events), promised(itinerary), "{what}");
            }
        }
    }
}

/// The fingers are gone while the lamp is lit: nothing can switch it off, and
/// its longest time on counts.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_longest_time_on_counts_while_the_fingers_are_waited_for() {
    let nth = opening(Device::Fingers) + 20;
    let mut scene = away(Device::Fingers, nth, Span::from_mins(9), OnFailure::Stop);
    waits(&mut scene, Span::from_mins(10));
    let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
    frozen.lamp.maximum_on = Span::from_mins(4);
    let witness = Witness::default();
    let sat = sat_out(&scene, witness.clone()).await.expect("an end");
    let (_, found) = complaints(&scene, &sat, &witness.sights());
    assert_eq!(found, Vec::<String>::new(), "{}", scene.paper.text());
    let events = scene.paper.events();
    let lost = place_of(&events, "lost");
    let around = &kinds(&events)[lost..lost + 5];
    assert_eq!(around, ["lost", "seam", "made safe", "seam", "held"]);
    let cause = SeamCause::MaximumOn;
    assert_eq!(events[lost + 3].body, Body::Seam { cause });
    let cause = HoldCause::MaximumOn;
    assert_eq!(events[lost + 4].body, Body::Held { cause });
    let Body::MadeSafe { left } = &events[lost + 2].body else {
        panic!("made safe")
    };
    assert!(!left.fingers_off, "{left:?}");
}

/// Promise P1, with a loss in the night. The device is there again when the
/// daemon is.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_any_write_around_a_loss_the_night_ends_the_same() {
    for device in DEVICES {
        let nth = opening(device) + 15;
        let new = || away(device, nth, Span::from_secs(20), OnFailure::Stop);
        let whole = new();
        assert_eq!(whole.sit(Nobody).await, Sat::Ended(End::Complete));
        let lost = place_of(&whole.paper.events(), "lost") + 1;
        for at in lost - 1..lost + 8 {
            for how in [Dies::Before, Dies::After] {
                let what = format!("{device:?} {at} {how:?}");
                let scene = new();
                scene.paper.dies_at(at, how);
                assert_eq!(scene.sit(Nobody).await, Sat::Died, "{what}");
                scene.paper.lives();
                let sat = scene.sit(Nobody).await;
                let text = scene.paper.text();
                assert_eq!(sat, Sat::Ended(End::Complete), "{what}\n{text}");
                let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
                assert_eq!(results(itinerary, &events), promised(itinerary), "{what}");
                assert_eq!(moves_before_homing(itinerary, &events), 0, "{what}");
                let state = State::replay(itinerary, &events).expect("a legal journal");
                assert_eq!(state.actions_done(), itinerary.actions.len(), "{what}");
            }
        }
    }
}

/// The next daemon waits anew, and the record tells the loss of the first one.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn started_again_while_it_is_gone_the_wait_goes_on() {
    for device in DEVICES {
        let nth = opening(device) + 15;
        let lost = |nth| Planned {
            nth,
            fault: Fault::LinkLost(device, Span::from_secs(20)),
        };
        // Away again at the first question of the next daemon.
        let scene = night(vec![lost(nth), lost(nth + 1)], OnFailure::Stop);
        scene.paper.dies_on("made safe", Dies::After);
        assert_eq!(scene.sit(Nobody).await, Sat::Died, "{device:?}");
        scene.paper.lives();
        let sat = scene.sit(Nobody).await;
        let text = scene.paper.text();
        assert_eq!(sat, Sat::Ended(End::Complete), "{device:?}\n{text}");
        let events = scene.paper.events();
        let at = place_of(&events, "lost");
        let around = &kinds(&events)[at..at + 5];
        let wanted = ["lost", "seam", "made safe", "back", "resumed"];
        assert_eq!(around, wanted, "{device:?}");
        let Body::Back { after, .. } = &events[at + 3].body else {
            panic!("back")
        };
        let away = scene.away + Span::from_secs(20);
        assert!(*after >= away, "{device:?}: {after:?}");
        let itinerary = &scene.frozen.itinerary;
        assert_eq!(
            results(itinerary, &events),
            promised(itinerary),
            "{device:?}"
        );
    }
}

/// The daemon dies when the action had failed: nothing is waited for again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_when_it_had_failed_the_policy_still_holds() {
    for (policy, end) in [
        (OnFailure::Stop, Sat::Ended(End::Stopped)),
        (OnFailure::NextTest, Sat::Ended(End::Failed)),
    ] {
        for how in [Dies::Before, Dies::After] {
            let mut scene = away(Device::Meter, 30, Span::from_mins(3), policy);
            scene.away = Span::from_secs(1);
            scene.paper.dies_on("failed", how);
            assert_eq!(scene.sit(Nobody).await, Sat::Died, "{policy:?} {how:?}");
            scene.paper.lives();
            let sat = scene.sit(Nobody).await;
            // A device is plugged in again with the bench, when it is not given up.
            let wanted = match how {
                Dies::Before => &Sat::Ended(End::Complete),
                Dies::After => &end,
            };
            assert_eq!(sat, *wanted, "{policy:?} {how:?}\n{}", scene.paper.text());
        }
    }
}

/// The meter's certificate is another's: nothing is read.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_meter_with_another_serial_than_its_certificates_is_not_read() {
    let mut scene = night(Vec::new(), OnFailure::Stop);
    let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
    frozen.card.meters[0].serial = Some("0107".to_owned());
    assert_eq!(scene.sit(Nobody).await, Sat::Ended(End::Stopped));
    let events = scene.paper.events();
    let Body::Failed { fault } = &events[place_of(&events, "failed")].body else {
        panic!("failed")
    };
    assert_eq!(fault.code, "another-serial");
    assert!(
        fault.message.contains("demands serial 0107"),
        "{}",
        fault.message
    );
    assert!(!kinds(&events).contains(&"taken"));
}
