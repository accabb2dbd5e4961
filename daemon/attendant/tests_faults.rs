//! Every fault of a device at every action of a night: the night ends with a
//! named outcome, nothing wrong is among its results, and the bench is left
//! as the record says.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use drivers::simulated::bench::SimulatedBench;
use drivers::simulated::faults::Device::{Fingers, Meter, Rail};
use drivers::simulated::faults::{Device, Fault, Planned};
use drivers::simulated::room::Hidden;
use drivers::simulated::world::{World, WorldSpec};
use photometry::units::{Length, Span};

use super::handle::{Handle, Order};
use super::scene::{self, By, Hands, Sat, Scene, Watch};
use super::tests::{RUN, moves_before_homing, short};
use super::tests_safe::untruths;
use crate::plan::intent::{OnFailure, SettingWord, Settings, Survey, WarmUp};
use crate::plan::itinerary::{OFF, Purpose};
use crate::plan::samples;
use crate::run::journal::{Body, End, Event, HoldCause, Left};
use crate::store::counts::{Standing, standings};
use crate::store::tests_flips::tally;

/// A night that takes longer, in bench time, counts as one without an end: it
/// takes three hours without a fault.
const LONGEST_NIGHT: Span = Span::from_mins(24 * 60);
/// In real time: half a second is usual.
const HUNG_AFTER: Duration = Duration::from_secs(120);
/// What a result may differ from the light at its instant: five times the
/// noise of 0.1 %, and the resolution.
const RELATIVE: f64 = 0.006;
/// The same in lx: five times the noise of a dark meter, and the resolution.
const ABSOLUTE_LX: f64 = 0.004;
/// Half of the integration time of the meter, 200 ms.
const HALF_INTEGRATION: Span = Span::from_ms(100);
/// How far the carriage may truly stand from a result's position: rounding to
/// steps, and what homing does not prove.
const PLACE: Length = Length::from_um(150);

/// What a person saw at one event.
#[derive(Clone)]
pub(super) struct Sight {
    seq: u64,
    body: Body,
    level: u16,
    /// The light and the distance while the reading was taken.
    light: f64,
    distance: Length,
    fingers_down: bool,
    moves: bool,
}

/// Sees everything, and releases a held run so many times before stopping it.
#[derive(Clone, Default)]
pub(super) struct Witness {
    sights: Arc<Mutex<Vec<Sight>>>,
    world: Arc<Mutex<Option<World>>>,
    releases: u32,
}

impl Witness {
    pub(super) fn releasing_once() -> Witness {
        Witness {
            releases: 1,
            ..Witness::default()
        }
    }
    pub(super) fn sights(&self) -> Vec<Sight> {
        self.sights.lock().expect("sights").clone()
    }
}

impl Hands for Witness {
    fn watch(&self) -> Option<Watch> {
        let sights = Arc::clone(&self.sights);
        Some(Box::new(move |event, person| {
            let at = match &event.body {
                Body::Taken { reading, .. } => reading.taken.mono + -HALF_INTEGRATION,
                _ => event.at.mono,
            };
            let sight = Sight {
                seq: event.seq,
                body: event.body.clone(),
                level: person.sees_level(at),
                light: person.sees_light(at).0,
                distance: person.sees_distance(at),
                fingers_down: !person.sees_fingers_down().is_empty(),
                moves: person.sees_motion(event.at.mono),
            };
            sights.lock().expect("sights").push(sight);
        }))
    }
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        let mut world = self.world.lock().expect("a world");
        world.get_or_insert_with(|| bench.world().clone());
        if !matches!(event.body, Body::Held { .. }) {
            return;
        }
        let order = match self.releases {
            0 => Order::Stop(RUN),
            _ => Order::Release(RUN),
        };
        self.releases = self.releases.saturating_sub(1);
        handle.orders.post(order).expect("an order");
    }
}

/// How often each kind of end came.
#[derive(Debug, Default)]
struct Counts {
    nights: u32,
    complete: u32,
    gaps: u32,
    failed: u32,
    held: u32,
    results: usize,
}

/// A short night with faults, on a policy; held, it is released once.
pub(super) fn night(faults: Vec<Planned>, policy: OnFailure) -> Scene {
    let mut world = WorldSpec::new(12);
    world.lamp.levels = 2;
    world.faults = faults;
    let (card, lamp) = (scene::card(&world, true), samples::lamp(2));
    let mut scene = Scene::of(world, By::Memory, lamp, card, short());
    let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
    frozen.itinerary.policies.on_failure = policy;
    scene
}

/// Sits it to its end; none when it has none.
pub(super) async fn sat_out(scene: &Scene, hands: impl Hands) -> Option<Sat> {
    let (over, waits) = std::sync::mpsc::channel::<()>();
    let patience = tokio::task::spawn_blocking(move || {
        waits.recv_timeout(HUNG_AFTER) == Err(std::sync::mpsc::RecvTimeoutError::Timeout)
    });
    let sat = tokio::select! {
        sat = scene.sit(hands) => Some(sat),
        _ = patience => None,
    };
    drop(over);
    sat
}

/// Everything that must hold of a night, whatever went wrong in it: how many
/// results were compared, and what does not hold.
pub(super) fn complaints(scene: &Scene, sat: &Sat, sights: &[Sight]) -> (usize, Vec<String>) {
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    let Sat::Ended(end) = sat else {
        return (0, vec![format!("{sat:?}")]);
    };
    let (compared, mut found) = wrong_values(scene, sights);
    let lasted = events
        .last()
        .map(|last| last.at.mono.since(events[0].at.mono));
    if lasted >= Some(LONGEST_NIGHT) {
        found.push(format!("it lasted {lasted:?}"));
    }
    let named = events.iter().any(|event| match &event.body {
        Body::Failed { fault } => !fault.code.is_empty() && fault.message.len() > 20,
        Body::Held { cause } => !matches!(cause, HoldCause::Failure(words) if words.is_empty()),
        _ => false,
    });
    if !named && *end != End::Complete {
        found.push(format!("{end:?} without a name"));
    }
    if moves_before_homing(itinerary, &events) > 0 {
        found.push("it moved before homing".to_owned());
    }
    let seen: Vec<(Body, u16)> = sights
        .iter()
        .enumerate()
        .filter(|(at, _)| !(comes_back(&scene.world) && came_back_unseen(&sights[..=*at])))
        .map(|(_, sight)| (sight.body.clone(), sight.level))
        .collect();
    found.extend(untruths(&seen));
    found.extend(sights.iter().filter_map(|sight| match &sight.body {
        Body::MadeSafe { left } => left_otherwise(left, sight),
        _ => None,
    }));
    (compared, found)
}

/// The bench is said to be safe with a lamp that was truly dark at its last
/// look, and lit by itself since: nobody looks at a lamp that is off.
fn came_back_unseen(sights: &[Sight]) -> bool {
    let Some((last, before)) = sights.split_last() else {
        return false;
    };
    let off = |sight: &&Sight| match &sight.body {
        Body::Taken { key, .. } => key.setting == OFF,
        _ => false,
    };
    let looked = before.iter().rfind(off);
    matches!(last.body, Body::MadeSafe { .. }) && looked.is_some_and(|sight| sight.level == 0)
}

/// What is not as it was said to be left.
fn left_otherwise(left: &Left, sight: &Sight) -> Option<String> {
    let unsure = !left.fingers_off || !left.carriage_still;
    if left.fingers_off && sight.fingers_down {
        return Some(format!("a finger is down: {left:?}"));
    }
    if left.carriage_still && sight.moves {
        return Some(format!("the carriage moves: {left:?}"));
    }
    (unsure && left.troubles.is_empty()).then(|| format!("no troubles: {left:?}"))
}

/// How many results were compared with the closed form of lamp and carriage,
/// and those that differ, stand under a wrong level or place, were taken with
/// other settings, or stand twice.
fn wrong_values(scene: &Scene, sights: &[Sight]) -> (usize, Vec<String>) {
    let standings = standings(&scene.frozen.itinerary, &scene.paper.events());
    let gain = Hidden::draw(scene.world.seed, scene.world.unknowns).gain;
    let dark = scene.world.meter.dark.0;
    let (mut wrong, mut compared) = (Vec::new(), 0);
    let mut keys: BTreeMap<String, u32> = BTreeMap::new();
    for sight in sights {
        let Body::Taken { key, reading } = &sight.body else {
            continue;
        };
        let level = match key.purpose {
            Purpose::Read | Purpose::Reference | Purpose::Return => {
                key.setting.trim_start_matches('L').parse().ok()
            }
            Purpose::Ambient => Some(0),
            Purpose::Dark => None,
            _ => continue,
        };
        if standings.get(&sight.seq) != Some(&Standing::Counts) {
            continue;
        }
        let Some(value) = reading.outcome.value() else {
            continue;
        };
        *keys.entry(key.to_string()).or_default() += 1;
        let truth = level.map_or(0.0, |_| sight.light * gain) + dark;
        // A light that fades during the integration has no instant.
        let fades = level.is_some_and(|level| level != sight.level);
        if !fades && (value - truth).abs() > truth * RELATIVE + ABSOLUTE_LX {
            let flags = &reading.flags;
            wrong.push(format!("{key}: {value} for {truth} {flags:?}"));
        }
        // A lamp that lights by itself while it is to be dark is noticed where
        // it is watched from, and elsewhere where that place was seen before.
        let elsewhere = scene.frozen.itinerary.tests[0].watch != key.position;
        let told = !(key.purpose == Purpose::Ambient && elsewhere && comes_back(&scene.world));
        if told && level.is_some_and(|level| level != sight.level) {
            wrong.push(format!("{key}: the lamp stood at {}", sight.level));
        }
        // The room's light is taken where the carriage stands; a run that lost
        // steps says so, and drops its legs, not its ambient readings.
        let placed = level.is_some_and(|level| level > 0);
        if placed && (sight.distance - key.position).abs() > PLACE {
            wrong.push(format!("{key}: it stood at {}", sight.distance));
        }
        if reading.taken.mono.since(reading.asked.mono) < HALF_INTEGRATION.times(2) {
            wrong.push(format!("{key}: integrated for too short a time"));
        }
        compared += 1;
    }
    let twice = keys.iter().filter(|(_, count)| **count > 1);
    wrong.extend(twice.map(|(key, count)| format!("{key} stands {count} times")));
    (compared, wrong)
}

fn comes_back(world: &WorldSpec) -> bool {
    let back = |planned: &Planned| matches!(planned.fault, Fault::LampBack(..));
    world.faults.iter().any(back)
}

/// Each fault at the first, second, third event of its kind, until the night
/// has fewer (`WAKERAIL_LONG`); two of them by default, every n-th of a whole
/// night's with `WAKERAIL_STRIDE=n`. With `WAKERAIL_KIND=WORDS` only the kinds
/// that have these words.
async fn at_every_event(kinds: &[(&str, Fault)]) {
    let mut wrong = Vec::new();
    let chosen = std::env::var("WAKERAIL_KIND").unwrap_or_default();
    for (kind, fault) in kinds.iter().filter(|(kind, _)| kind.contains(&chosen)) {
        let (mut counts, before) = (Counts::default(), wrong.len());
        let whole = count_of(fault).await;
        let stride = match std::env::var("WAKERAIL_STRIDE") {
            Ok(n) => n.parse::<u64>().expect("n").min(whole),
            _ if tally::long() => 1,
            _ => (whole / 2).max(1),
        };
        let mut nth = 1 + stride / 3;
        loop {
            if !tally::long() && nth > whole {
                break;
            }
            let policy = [OnFailure::Hold, OnFailure::NextTest, OnFailure::Stop][nth as usize % 3];
            let planned = Planned {
                nth,
                fault: fault.clone(),
            };
            let scene = night(vec![planned], policy);
            let witness = Witness::releasing_once();
            let what = format!("{kind} at {nth}, {policy:?}");
            let Some(sat) = sat_out(&scene, witness.clone()).await else {
                panic!("{what}: no end after {:?}", scene.paper.lines().last());
            };
            let world = witness.world.lock().expect("a world").clone();
            let happened = world.map_or(0, |world| world.count(fault.counts()));
            // A fault may add events to a night, and one at its very beginning may
            // end it before the witness saw the world.
            if happened < nth && nth > whole {
                break;
            }
            let sights = witness.sights();
            let (compared, found) = complaints(&scene, &sat, &sights);
            counts.results += compared;
            if !found.is_empty() {
                wrong.push(format!("{what}: {}", found.join("; ")));
            }
            counts.nights += 1;
            match sat {
                Sat::Ended(End::Complete) => counts.complete += 1,
                Sat::Ended(End::CompleteWithGaps) => counts.gaps += 1,
                Sat::Ended(End::Stopped) => counts.held += 1,
                _ => counts.failed += 1,
            }
            nth += stride;
        }
        tally::line(
            &format!("a device: {kind}"),
            &[
                ("nights", &counts.nights),
                ("complete", &counts.complete),
                ("with gaps", &counts.gaps),
                ("held or stopped", &counts.held),
                ("failed", &counts.failed),
                ("results compared", &counts.results),
                ("nights with a complaint", &(wrong.len() - before)),
                ("hangs", &0),
            ],
        );
        assert!(counts.nights > 0, "{kind} never struck");
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// How many such events a night without faults has.
async fn count_of(fault: &Fault) -> u64 {
    let scene = night(Vec::new(), OnFailure::Hold);
    let witness = Witness::default();
    assert_eq!(scene.sit(witness.clone()).await, Sat::Ended(End::Complete));
    let world = witness.world.lock().expect("a world").clone();
    world.map_or(0, |world| world.count(fault.counts()))
}

/// What a wire or a device may do with any answer.
fn of_any_device(device: Device) -> Vec<(String, Fault)> {
    let (below, above) = (Span::from_ms(700), Span::from_ms(3500));
    [
        ("silent", Fault::Silent(device)),
        ("dead", Fault::Dead(device)),
        ("late, in time", Fault::Late(device, below)),
        ("too late", Fault::Late(device, above)),
        ("split, in time", Fault::Split(device, below)),
        ("split, too late", Fault::Split(device, above)),
        ("garbage", Fault::Garbage(device, b"\xfe~7\n".to_vec())),
        (
            "noise and NULs before",
            Fault::Noise(device, vec![0, 0xff, 0xc3, 0]),
        ),
        ("the last answer once more", Fault::Stale(device)),
        ("no end of line", Fault::Unended(device)),
        ("a megabyte without end", Fault::Endless(device)),
        ("reset with a banner", Fault::Reset(device)),
        ("reset without a word", Fault::Forgets(device)),
        (
            "link lost, back in 20 s",
            Fault::LinkLost(device, Span::from_secs(20)),
        ),
        (
            "link lost, back in 5 min",
            Fault::LinkLost(device, Span::from_mins(5)),
        ),
    ]
    .map(|(kind, fault)| (format!("{device:?}, {kind}").to_lowercase(), fault))
    .to_vec()
}

async fn any_device(device: Device) {
    let kinds = of_any_device(device);
    let kinds: Vec<(&str, Fault)> = kinds
        .iter()
        .map(|(kind, fault)| (kind.as_str(), fault.clone()))
        .collect();
    at_every_event(&kinds).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_meter_that_answers_badly_puts_nothing_wrong_on_record() {
    any_device(Meter).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_rail_that_answers_badly_puts_nothing_wrong_on_record() {
    any_device(Rail).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_board_that_answers_badly_puts_nothing_wrong_on_record() {
    any_device(Fingers).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn bad_readings_and_a_wilful_lamp_put_nothing_wrong_on_record() {
    at_every_event(&[
        ("meter says nan", Fault::Says("NAN".to_owned())),
        ("meter says nothing", Fault::Says(String::new())),
        (
            "meter says another unit",
            Fault::Says("46.52 fc".to_owned()),
        ),
        ("meter over range", Fault::OverRange),
        ("meter has no number", Fault::NoNumber),
        ("lamp goes out", Fault::LampOut),
        (
            "lamp out, back in 0.4 s at level 1",
            Fault::LampBack(Span::from_ms(400), 1),
        ),
        (
            "lamp out, back in 5 min at level 1",
            Fault::LampBack(Span::from_mins(5), 1),
        ),
        (
            "lamp out, back in 20 s at level 2",
            Fault::LampBack(Span::from_secs(20), 2),
        ),
    ])
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn bad_motion_and_bad_presses_put_nothing_wrong_on_record() {
    at_every_event(&[
        ("press missed", Fault::MissedPress),
        ("press counts twice", Fault::DoublePress),
        ("coil of the power button stuck", Fault::StuckCoil(1)),
        ("coil of a level button stuck", Fault::StuckCoil(3)),
        ("coil of the power button welded", Fault::WeldedCoil(1)),
        ("coil of a level button welded", Fault::WeldedCoil(2)),
        ("steps lost, 5 mm", Fault::LostSteps(Length::from_mm(5))),
        ("steps lost, 60 mm", Fault::LostSteps(Length::from_mm(60))),
        ("rail stalls", Fault::Stall),
        ("limit switch hit", Fault::LimitHit),
        ("rail loses power", Fault::PowerLoss),
        ("home switch never closes", Fault::BlindSwitch),
        ("home switch never opens", Fault::StuckSwitch),
    ])
    .await;
}

/// Without a fault the comparison itself must hold.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_night_without_faults_agrees_with_the_closed_form() {
    let scene = night(Vec::new(), OnFailure::Stop);
    let witness = Witness::default();
    assert_eq!(scene.sit(witness.clone()).await, Sat::Ended(End::Complete));
    let sights = witness.sights();
    let (compared, wrong) = wrong_values(&scene, &sights);
    assert_eq!(wrong, Vec::<String>::new());
    assert!(compared > 20, "{compared}");
}

/// Twelve levels lie within a factor of two of their neighbours: a lamp that
/// slips by one is told by its neighbour's light, wherever that happens before
/// its points are measured; after that by the reference at the leg's end.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_lamp_that_slips_by_one_level_is_noticed() {
    let slipping = |nth: u64| {
        let mut world = WorldSpec::new(12);
        let fault = Fault::LampBack(Span::from_ms(400), 11);
        world.faults = vec![Planned { nth, fault }];
        let survey = Survey {
            settings: Settings::These(vec![SettingWord::Full]),
            warm_up: WarmUp::Fixed(Span::from_mins(5)),
            ..short()
        };
        let (card, lamp) = (scene::card(&world, true), samples::lamp(12));
        let mut scene = Scene::of(world, By::Memory, lamp, card, survey);
        let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
        frozen.itinerary.policies.on_failure = OnFailure::Stop;
        scene
    };
    let stride = if tally::long() { 1 } else { 5 };
    let (mut nights, mut complete, mut compared_in_all) = (0, 0, 0);
    for nth in (1..=60).step_by(stride) {
        let scene = slipping(nth);
        let witness = Witness::default();
        let sat = sat_out(&scene, witness.clone()).await;
        let sat = sat.unwrap_or_else(|| panic!("{nth}: no end"));
        let (compared, found) = complaints(&scene, &sat, &witness.sights());
        assert_eq!(found, Vec::<String>::new(), "{nth}");
        nights += 1;
        complete += u32::from(sat == Sat::Ended(End::Complete));
        compared_in_all += compared;
    }
    assert!(
        complete < nights && compared_in_all > 100,
        "{complete} {nights} {compared_in_all}"
    );
}

/// What the whole loop found once, with the event at which it did.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_found_once_stays_mended() {
    let back = |secs, level| Fault::LampBack(Span::from_secs(secs), level);
    let blink = || Fault::LampBack(Span::from_ms(400), 1);
    for (nth, policy, fault) in [
        (4, OnFailure::NextTest, blink()),
        (11, OnFailure::Stop, blink()),
        (76, OnFailure::NextTest, blink()),
        (77, OnFailure::Stop, blink()),
        (78, OnFailure::Hold, blink()),
        (85, OnFailure::NextTest, blink()),
        (86, OnFailure::Stop, blink()),
        (5, OnFailure::Stop, Fault::OverRange),
        (32, OnFailure::Stop, Fault::Reset(Meter)),
        (32, OnFailure::Stop, Fault::Forgets(Meter)),
        (59, OnFailure::Stop, back(20, 2)),
        (81, OnFailure::Hold, back(300, 1)),
    ] {
        let what = format!("{fault:?} at {nth}");
        let scene = night(vec![Planned { nth, fault }], policy);
        let witness = Witness::releasing_once();
        let sat = sat_out(&scene, witness.clone()).await;
        let sat = sat.unwrap_or_else(|| panic!("{what}: no end"));
        let (_, found) = complaints(&scene, &sat, &witness.sights());
        assert_eq!(found, Vec::<String>::new(), "{what}");
    }
}
