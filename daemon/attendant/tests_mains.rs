//! A lamp that the outlet of its mains lights and darkens, on a whole simulated bench:
//! a survey, spectra, waveforms and flux of it; killed at its writes, stopped anywhere,
//! before relays that do not follow and lamps that do not come back.

use std::collections::BTreeSet;

use drivers::link::Tap;
use drivers::link::tap::{Traffic, Way};
use drivers::simulated::bench::SimulatedBench;
use drivers::simulated::faults::{Contact, Device, Fault, Planned};
use drivers::simulated::lamp_model::LampModel;
use drivers::simulated::world::WorldSpec;
use photometry::units::{Mono, Span};

use super::handle::{Handle, Order};
use super::scene::{self, By, Hands, Nobody, Sat, Scene, Watch};
use super::tests::{RUN, complete, killed_at_writes, short};
use super::tests_kinds::laboratory;
use super::tests_safe::{Eyes, says_the_truth};
use super::tests_sphere::{self, AtTheSphere};
use super::tests_sweep::stands_under_its_level;
use super::tests_told::proofs;
use crate::plan::card::Outlet;
use crate::plan::intent::{SettingWord, Settings, TestKind};
use crate::plan::itinerary::{Purpose, What};
use crate::plan::kinds::{FlickerTest, SpectrumTest};
use crate::plan::lamp::{Lamp, SwitchOff, Worked};
use crate::plan::mains::OFF_AT_LEAST;
use crate::plan::samples;
use crate::plan::tests_standby::outlets;
use crate::rehearsal;
use crate::run::journal::{Body, Decision, End, Event, HoldCause, LampLeft};

/// A panel with a rocker switch.
pub(super) fn panel() -> Lamp {
    Lamp {
        worked: Worked::Mains,
        off: SwitchOff::Mains,
        ..samples::lamp(1)
    }
}

/// What a lamp does, and what goes wrong; the kind of test, a survey where none is said.
pub(super) struct Night {
    pub(super) change: fn(&mut LampModel),
    pub(super) faults: Vec<Planned>,
    pub(super) kind: Option<TestKind>,
}

pub(super) fn usual() -> Night {
    Night {
        change: |_| {},
        faults: Vec::new(),
        kind: None,
    }
}

fn with(faults: Vec<Planned>) -> Night {
    Night { faults, ..usual() }
}

impl Night {
    /// Before a bench whose outlet `lamp` is relay 1; what is said to its board is kept.
    pub(super) fn scene(self) -> Scene {
        let mut model = rehearsal::lamp_model(&panel());
        (self.change)(&mut model);
        let mut world = WorldSpec {
            lamp: model,
            faults: self.faults,
            ..WorldSpec::new(14)
        };
        world.fingers.clear();
        world.equipment.outlets.lamp = Some(1);
        let mut card = laboratory(&world);
        card.fingers = None;
        scene::add_port(&mut card, "outlet-port");
        card.outlets = Some(outlets());
        card.lamp_outlet = Some("lamp".to_owned());
        let mut plan = samples::plan(short());
        if let Some(kind) = self.kind {
            plan.tests[0].kind = kind;
        }
        let placement = scene::placement(&world);
        let mut scene = Scene::planned(world, By::Memory, panel(), card, plan, placement);
        let tap = Tap::with_room(1 << 22);
        scene.taps.insert("outlets".to_owned(), tap);
        scene
    }
}

pub(super) fn full(kind: TestKind) -> TestKind {
    let full = Settings::These(vec![SettingWord::Full]);
    match kind {
        TestKind::Spectrum(test) => TestKind::Spectrum(SpectrumTest {
            sight: crate::plan::kinds::Sight {
                settings: full,
                ..test.sight
            },
            ..test
        }),
        TestKind::Flicker(test) => TestKind::Flicker(FlickerTest {
            sight: crate::plan::kinds::Sight {
                settings: full,
                ..test.sight
            },
            ..test
        }),
        other => other,
    }
}

/// How long the lamp's outlet had been open whenever it was closed, by what its board was
/// sent. Its watchdog may have opened it before.
fn rests(traffic: &Traffic) -> Vec<Span> {
    let (mut open_since, mut found): (Option<Mono>, _) = (None, Vec::new());
    let sent = traffic.chunks.iter().filter(|chunk| chunk.way == Way::To);
    for chunk in sent {
        let line = String::from_utf8_lossy(&chunk.bytes).into_owned();
        let asks = line.contains('?');
        if line.contains("ROUT:OPEN") && !asks {
            open_since.get_or_insert(chunk.at.mono);
        } else if line.contains("ROUT:CLOS (@1)") && !asks {
            let since = open_since.take().expect("it was opened first");
            found.push(chunk.at.mono.since(since));
        }
    }
    found
}

fn rested(scene: &Scene, what: &str) -> usize {
    let traffic = scene.taps["outlets"].take();
    assert_eq!(traffic.not_kept_bytes, 0);
    let rests = rests(&traffic);
    let short: Vec<&Span> = rests.iter().filter(|rest| **rest < OFF_AT_LEAST).collect();
    assert!(short.is_empty(), "{what}: {short:?}");
    rests.len()
}

fn codes(events: &[Event]) -> Vec<(String, String)> {
    let faults = events.iter().filter_map(|event| match &event.body {
        Body::Failed { fault } => Some((fault.code.clone(), fault.message.clone())),
        _ => None,
    });
    faults.collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_lamp_on_an_outlet_is_surveyed() {
    let scene = usual().scene();
    let eyes = Eyes::default();
    let events = complete(&scene, eyes.clone(), "sound").await;
    let seen = eyes.seen();
    assert!(stands_under_its_level(&seen, "sound") > 6);
    says_the_truth(&seen, "sound");
    assert_eq!(
        seen.last().map(|(_, level)| *level),
        Some(0),
        "dark at the end"
    );
    let proofs = proofs(&events);
    let expected = [
        "by its outlet, tried: seen to light",
        "by its outlet, seen to light as before",
        "by its outlet, it is lit already",
    ];
    assert_eq!(proofs, expected, "{}", scene.paper.text());
    assert_eq!(rested(&scene, "sound"), 2);
    let mut n = 0;
    for event in &events {
        let Body::Taken { key, reading } = &event.body else {
            continue;
        };
        let Some(lux) = reading
            .outcome
            .value()
            .filter(|_| key.purpose == Purpose::Read)
        else {
            continue;
        };
        let truth = scene.world.lamp.truth(1, key.position).0;
        assert!((lux / truth - 1.0).abs() < 0.05, "{key}: {lux} {truth}");
        n += 1;
    }
    assert_eq!(n, 6);
    // No outlet of its own is closed for it by the itinerary.
    let switches = |what: &What| matches!(what, What::Switch { .. });
    let mut actions = scene.frozen.itinerary.actions.iter();
    assert!(!actions.any(|action| switches(&action.what)));
}

/// Captures stand under a lit lamp; without ambient readings nothing else darkens it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn its_spectrum_and_its_waveform_are_captured_while_it_is_lit() {
    for kind in [
        super::tests_kinds::spectra(),
        super::tests_kinds::waveforms(),
    ] {
        let what = format!("{:?}", kind.name());
        let night = Night {
            kind: Some(full(kind)),
            ..usual()
        };
        let scene = night.scene();
        let eyes = Eyes::default();
        let events = complete(&scene, eyes.clone(), &what).await;
        let captured = eyes
            .seen()
            .into_iter()
            .filter_map(|(body, level)| match body {
                Body::Captured { key, .. } if key.purpose == Purpose::Read => Some(level),
                _ => None,
            });
        let captured: Vec<u16> = captured.collect();
        assert!(!captured.is_empty(), "{what}");
        assert!(
            captured.iter().all(|level| *level == 1),
            "{what} {captured:?}"
        );
        assert_eq!(proofs(&events), ["by its outlet, seen to light"], "{what}");
        assert_eq!(rested(&scene, &what), 1);
        says_the_truth(&eyes.seen(), &what);
        assert_eq!(
            eyes.seen().last().map(|(_, level)| *level),
            Some(0),
            "{what}"
        );
    }
}

/// The board opens its relays when the daemon is gone for long enough, or when it is back.
/// Either way the lamp has its rest before it is lit again, and each reading the light
/// that it says.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_its_writes_it_ends_the_same() {
    for (away, stride) in [(Span::from_secs(30), 13), (Span::from_secs(1), 29)] {
        let eyes = Eyes::default();
        let night = || {
            let mut scene = usual().scene();
            scene.away = away;
            scene
        };
        let what = away.shown();
        let then = |scene: &Scene, _: &[Event]| {
            rested(scene, &what);
        };
        killed_at_writes(stride, night, || eyes.clone(), then).await;
        let seen = eyes.seen();
        says_the_truth(&seen, &what);
        assert!(stands_under_its_level(&seen, &what) > 100, "{what}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_the_writes_of_waveforms_it_ends_the_same() {
    let night = || {
        let kind = Some(full(super::tests_kinds::waveforms()));
        Night { kind, ..usual() }.scene()
    };
    let then = |scene: &Scene, _: &[Event]| {
        rested(scene, "waveforms");
    };
    killed_at_writes(11, night, || Nobody, then).await;
}

/// One that waits for a button when its power comes back, one whose own switch is off,
/// one that hangs elsewhere, one whose relay does not close: the light tells.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_lamp_that_does_not_light_is_named() {
    let dead = |contact| {
        vec![Planned {
            nth: 1,
            fault: Fault::Relay(1, contact),
        }]
    };
    let lamps: [fn(&mut LampModel); 2] = [
        |model| model.mains.comes_back_lit = false,
        |model| model.starts_lit = false,
    ];
    let mut nights: Vec<(String, Scene, &str)> = Vec::new();
    for (at, change) in lamps.into_iter().enumerate() {
        let scene = Night { change, ..usual() }.scene();
        nights.push((format!("lamp {at}"), scene, "not-lit"));
    }
    let mut elsewhere = usual().scene();
    elsewhere.world.equipment.outlets.lamp = None;
    nights.push(("lit all the time".to_owned(), elsewhere, "not-lit"));
    for (contact, code) in [
        (Contact::DeadUnseen, "not-lit"),
        (Contact::Dead, "outlet-stuck"),
    ] {
        let scene = with(dead(contact)).scene();
        nights.push((format!("{contact:?}"), scene, code));
    }
    for (what, scene, code) in nights {
        let eyes = Eyes::default();
        let sat = scene.sit(eyes.clone()).await;
        assert_eq!(
            sat,
            Sat::Ended(End::Failed),
            "{what}\n{}",
            scene.paper.text()
        );
        let found = codes(&scene.paper.events());
        assert_eq!(found.len(), 1, "{what}: {found:?}");
        assert_eq!(found[0].0, code, "{what}: {found:?}");
        if code == "not-lit" {
            let words = &found[0].1;
            let named = words.contains("stays off when its power comes back");
            assert!(named && words.contains("`lamp`"), "{what}: {words}");
            assert_eq!(rested(&scene, &what), 2, "{what}");
        }
        says_the_truth(&eyes.seen(), &what);
    }
}

/// A relay that welds: the lamp cannot be darkened, and the record says so.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_relay_that_welds_is_named_and_the_lamp_is_not_said_to_be_dark() {
    for (contact, code) in [
        (Contact::WeldedUnseen, "not-dark"),
        (Contact::Welded, "outlet-stuck"),
    ] {
        let fault = Fault::Relay(1, contact);
        let scene = with(vec![Planned { nth: 1, fault }]).scene();
        let eyes = Eyes::default();
        let sat = scene.sit(eyes.clone()).await;
        let text = scene.paper.text();
        assert_eq!(sat, Sat::Ended(End::Failed), "{contact:?}\n{text}");
        let events = scene.paper.events();
        let found = codes(&events);
        assert_eq!(found.len(), 1, "{contact:?}: {found:?}");
        assert_eq!(found[0].0, code, "{contact:?}: {found:?}");
        let left = events.iter().rev().find_map(|event| match &event.body {
            Body::MadeSafe { left } => Some(left.clone()),
            _ => None,
        });
        let left = left.expect("made safe");
        let loud = matches!(left.lamp, LampLeft::OnSwitchFailed | LampLeft::NotKnown);
        assert!(loud && !left.troubles.is_empty(), "{contact:?}: {left:?}");
        says_the_truth(&eyes.seen(), &format!("{contact:?}"));
    }
}

/// A board that says nothing any more fails the test by name; one that comes back does
/// not.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_board_that_is_gone_fails_the_test_or_is_waited_for() {
    let mut failed = 0;
    for nth in (1..20).step_by(2) {
        let fault = Fault::Dead(Device::Outlets);
        let scene = with(vec![Planned { nth, fault }]).scene();
        let eyes = Eyes::default();
        let sat = scene.sit(eyes.clone()).await;
        let text = scene.paper.text();
        let events = scene.paper.events();
        let named = |event: &Event| match &event.body {
            Body::Failed { fault } => fault.instrument.as_deref() == Some("outlets"),
            _ => false,
        };
        // Where it is asked nothing more it is missed when the bench is made safe.
        let troubled = |event: &Event| match &event.body {
            Body::MadeSafe { left } => left.troubles.iter().any(|it| it.starts_with("outlets: ")),
            _ => false,
        };
        assert!(events.iter().any(troubled), "{nth}\n{text}");
        match sat {
            Sat::Ended(End::Failed) => {
                assert!(events.iter().any(named), "{nth}\n{text}");
                failed += 1;
            }
            other => assert_eq!(other, Sat::Ended(End::Complete), "{nth}\n{text}"),
        }
        says_the_truth(&eyes.seen(), &format!("dead from {nth}"));
    }
    assert!(failed > 5, "{failed}");
    let mut lost = 0;
    for nth in (4..22).step_by(3) {
        let what = format!("lost at {nth}");
        let fault = Fault::LinkLost(Device::Outlets, Span::from_secs(8));
        let scene = with(vec![Planned { nth, fault }]).scene();
        let eyes = Eyes::default();
        let events = complete(&scene, eyes.clone(), &what).await;
        lost += events.iter().filter(|e| e.body.kind() == "lost").count();
        rested(&scene, &what);
        says_the_truth(&eyes.seen(), &what);
        stands_under_its_level(&eyes.seen(), &what);
    }
    assert!(lost > 2, "{lost}");
}

/// A person with eyes on lamp and relays who gives an order at the nth event, and stops
/// the run when it is held.
struct OrderAt {
    nth: usize,
    seen: usize,
    eyes: Eyes,
    order: fn() -> Order,
    held_with: Vec<(HoldCause, Vec<u16>, u16)>,
}

impl OrderAt {
    fn new(nth: usize, order: fn() -> Order) -> OrderAt {
        OrderAt {
            nth,
            seen: 0,
            eyes: Eyes::default(),
            order,
            held_with: Vec::new(),
        }
    }
}

impl Hands for OrderAt {
    fn watch(&self) -> Option<Watch> {
        self.eyes.watch()
    }
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        self.seen += 1;
        if self.seen == self.nth {
            handle.orders.post((self.order)()).expect("an order");
        }
        if let Body::Held { cause } = &event.body {
            let (person, now) = (bench.person(), event.at.mono);
            let relays = person.sees_relays_closed(now);
            self.held_with
                .push((cause.clone(), relays, person.sees_level(now)));
            handle.orders.post(Order::Stop(RUN)).expect("an order");
        }
    }
}

/// Stopped or held anywhere, the outlet is open and the lamp dark, and that is said.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn stopped_or_held_anywhere_its_outlet_is_open() {
    let orders: [fn() -> Order; 2] = [|| Order::Stop(RUN), || Order::Hold(RUN)];
    let mut said = BTreeSet::new();
    for (nth, order) in (1..130)
        .step_by(9)
        .flat_map(|nth| orders.map(|order| (nth, order)))
    {
        let scene = usual().scene();
        let mut hands = OrderAt::new(nth, order);
        let sat = scene.sit(&mut hands).await;
        assert_eq!(sat, Sat::Ended(End::Stopped), "{nth}");
        let seen = hands.eyes.seen();
        says_the_truth(&seen, &format!("{nth}"));
        assert_eq!(seen.last().map(|(_, level)| *level), Some(0), "{nth}");
        for (_, relays, level) in &hands.held_with {
            assert_eq!((relays.as_slice(), *level), (&[][..], 0), "{nth}");
        }
        let mut dark_seen = false;
        for (body, _) in &seen {
            match body {
                Body::Decided {
                    decision: Decision::Level { proof, .. },
                } => dark_seen |= !proof.contains("tried"),
                // Before it was seen dark nobody can tell.
                Body::MadeSafe { left } if dark_seen => {
                    said.insert(format!("{:?}", left.lamp));
                }
                Body::MadeSafe { left } => {
                    assert!(left.lamp != LampLeft::OnSwitchFailed, "{nth}: {left:?}")
                }
                _ => {}
            }
        }
    }
    assert_eq!(said, BTreeSet::from(["Off".to_owned()]));
}

/// The lamp's longest time on opens the outlet, and the run waits for a person.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn its_longest_time_on_opens_the_outlet() {
    let mut scene = usual().scene();
    let frozen = std::sync::Arc::get_mut(&mut scene.frozen).expect("only one");
    // A plan that needs more is refused when it is laid out.
    frozen.lamp.maximum_on = Span::from_mins(7);
    let mut hands = OrderAt::new(usize::MAX, || Order::Stop(RUN));
    let sat = scene.sit(&mut hands).await;
    assert_eq!(sat, Sat::Ended(End::Stopped), "{}", scene.paper.text());
    assert_eq!(hands.held_with, [(HoldCause::MaximumOn, Vec::new(), 0)]);
    let seen = hands.eyes.seen();
    says_the_truth(&seen, "longest time on");
    let off = |body: &Body| matches!(body, Body::MadeSafe { left } if left.lamp == LampLeft::Off);
    assert!(
        seen.iter().any(|(body, _)| off(body)),
        "{}",
        scene.paper.text()
    );
}

/// In a sphere such a unit is lit by an outlet of its own, beside those of the sphere's
/// lamps; nobody is asked to switch it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn its_flux_in_a_sphere_is_the_one_that_it_states() {
    let plan = samples::flux(Settings::These(vec![SettingWord::Full]));
    let like = tests_sphere::planned(1, By::Memory, false, Vec::new(), plan.clone());
    let (mut card, placement) = (like.frozen.card.clone(), like.frozen.placement.clone());
    let (name, channel) = ("lamp".to_owned(), 3);
    let board = card.outlets.as_mut().expect("outlets");
    board.channels.push(Outlet { name, channel });
    card.lamp_outlet = Some("lamp".to_owned());
    let mut world = like.world.clone();
    world.lamp = LampModel {
        starts_lit: true,
        levels: 1,
        tones: Vec::new(),
        ..LampModel::plover()
    };
    world.lamp.mains.comes_back_lit = true;
    world.equipment = rehearsal::equipment(&card);
    assert_eq!(world.equipment.outlets.lamp, Some(3));
    let scene = Scene::planned(world, By::Memory, panel(), card, plan, placement);
    let mut person = AtTheSphere::default();
    let events = complete(&scene, &mut person, "flux").await;
    assert_eq!(person.asked(), 2, "both lamps are mounted by hand");
    let expected = [
        "by its outlet, tried: seen to light",
        "by its outlet, seen to light as before",
    ];
    assert_eq!(proofs(&events), expected);
    let found = tests_sphere::flux_by_hand(&scene, "L01");
    let truth = scene.world.lamp.flux_of(0, 1);
    // As of a lamp with buttons (`tests_sphere`).
    assert!((found / truth - 1.0).abs() < 0.03, "{found} {truth}");
}
