//! Every fault of a device at every action of a night: the night ends with a
//! named outcome, nothing wrong is among its results, and the bench is left
//! as the record says.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use drivers::simulated::bench::SimulatedBench;
use drivers::simulated::faults::Device::{Fingers, Meter, Rail};
use drivers::simulated::faults::{Device, Fault, Planned};
use drivers::simulated::world::{World, WorldSpec};
use photometry::units::{Length, Span};

use super::handle::{Handle, Order};
use super::scene::{self, By, Hands, Sat, Scene, Watch};
use super::tests::{RUN, moves_before_homing, short};
use super::tests_faults_values::{
    Sight, comes_back, does_what_is_asked, welded_unseen, wrong_values,
};
use super::tests_safe::untruths;
use crate::plan::intent::{OnFailure, SettingWord, Settings, Survey, WarmUp};
use crate::plan::itinerary::OFF;
use crate::plan::samples;
use crate::run::journal::{Body, End, Event, HoldCause, Left};
use crate::store::tests_flips::tally;

/// A night that takes longer, in bench time, counts as one without an end: it
/// takes three hours without a fault.
const LONGEST_NIGHT: Span = Span::from_mins(24 * 60);
/// In real time: half a second is usual.
const HUNG_AFTER: Duration = Duration::from_secs(120);

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
            let sight = Sight::of(event, person);
            sights.lock().expect("sights").push(sight);
        }))
    }
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        let mut world = self.world.lock().expect("a world");
        world.get_or_insert_with(|| bench.world().clone());
        let Body::Held { cause } = &event.body else {
            return;
        };
        let post = |order| handle.orders.post(order).expect("an order");
        if let HoldCause::Question(words) = cause
            && does_what_is_asked(bench, words, event.at.mono)
        {
            let text = "done".to_owned();
            return post(Order::Answer { run: RUN, text });
        }
        post(match self.releases {
            0 => Order::Stop(RUN),
            _ => Order::Release(RUN),
        });
        self.releases = self.releases.saturating_sub(1);
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

impl Counts {
    fn add(&mut self, tried: &Tried) {
        self.results += tried.compared;
        self.nights += 1;
        match tried.sat {
            Sat::Ended(End::Complete) => self.complete += 1,
            Sat::Ended(End::CompleteWithGaps) => self.gaps += 1,
            Sat::Ended(End::Stopped) => self.held += 1,
            _ => self.failed += 1,
        }
    }

    fn tell(&self, kind: &str, complaints: usize) {
        tally::line(
            &format!("a device: {kind}"),
            &[
                ("nights", &self.nights),
                ("complete", &self.complete),
                ("with gaps", &self.gaps),
                ("held or stopped", &self.held),
                ("failed", &self.failed),
                ("results compared", &self.results),
                ("nights with a complaint", &complaints),
                ("hangs", &0),
            ],
        );
    }
}

/// A kind of night that faults are tried on.
pub(super) struct Kind {
    /// In the tally's lines.
    pub word: &'static str,
    /// Events of a fault at which it is tried by default.
    pub events: u64,
    pub night: fn() -> Scene,
}

const SURVEY: Kind = Kind {
    word: "",
    events: 2,
    night: short_survey,
};

impl Kind {
    /// A night with faults, on a policy.
    pub fn night(&self, faults: Vec<Planned>, policy: OnFailure) -> Scene {
        let mut scene = (self.night)();
        scene.world.faults = faults;
        let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
        frozen.itinerary.policies.on_failure = policy;
        scene
    }
}

fn short_survey() -> Scene {
    let mut world = WorldSpec::new(12);
    world.lamp.levels = 2;
    let (card, lamp) = (scene::card(&world, true), samples::lamp(2));
    Scene::of(world, By::Memory, lamp, card, short())
}

/// A short night of a survey with faults, on a policy.
pub(super) fn night(faults: Vec<Planned>, policy: OnFailure) -> Scene {
    SURVEY.night(faults, policy)
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
        .map(|(_, sight)| (sight.event.body.clone(), sight.level))
        .collect();
    found.extend(untruths(&seen));
    let unseen = welded_unseen(&scene.world);
    found.extend(sights.iter().filter_map(|sight| match &sight.event.body {
        Body::MadeSafe { left } => left_otherwise(left, sight, unseen),
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
    let off = |sight: &&Sight| match &sight.event.body {
        Body::Taken { key, .. } => key.setting == OFF,
        _ => false,
    };
    let looked = before.iter().rfind(off);
    matches!(last.event.body, Body::MadeSafe { .. }) && looked.is_some_and(|sight| sight.level == 0)
}

/// What is not as it was said to be left.
fn left_otherwise(left: &Left, sight: &Sight, unseen: bool) -> Option<String> {
    let unsure = !left.fingers_off || !left.carriage_still;
    if left.fingers_off && sight.fingers_down {
        return Some(format!("a finger is down: {left:?}"));
    }
    if left.carriage_still && sight.moves {
        return Some(format!("the carriage moves: {left:?}"));
    }
    // Where the board does not know that a contact is closed, its light tells.
    let closed = &sight.relays_closed;
    if (!closed.is_empty() && !unseen || sight.sphere_is_lit()) && left.troubles.is_empty() {
        return Some(format!("relays {closed:?} are closed: {left:?}"));
    }
    (unsure && left.troubles.is_empty()).then(|| format!("no troubles: {left:?}"))
}

/// Each fault at the first, second, third event of its kind, until the night
/// has fewer (`WAKERAIL_LONG`); a few of them by default, every n-th of a whole
/// night's with `WAKERAIL_STRIDE=n`. With `WAKERAIL_KIND=WORDS` only the kinds
/// that have these words.
pub(super) async fn at_every_event(night: &Kind, kinds: &[(String, Fault)]) {
    let mut wrong = Vec::new();
    let chosen = std::env::var("WAKERAIL_KIND").unwrap_or_default();
    let world = without_faults(night).await;
    for (at, (kind, fault)) in (0_u64..).zip(kinds) {
        let kind = format!("{} {kind}", night.word).trim().to_owned();
        if !kind.contains(&chosen) {
            continue;
        }
        let (mut counts, before) = (Counts::default(), wrong.len());
        let whole = world.count(fault.counts());
        let stride = match std::env::var("WAKERAIL_STRIDE") {
            Ok(n) => n.parse::<u64>().expect("n").min(whole),
            _ if tally::long() => 1,
            _ => (whole / night.events).max(1),
        };
        // One event alone is another one for each fault.
        let first = if night.events > 1 {
            stride / 3
        } else {
            stride / 3 + 7 * at
        };
        let mut nth = 1 + first % stride.max(1);
        loop {
            if !tally::long() && nth > whole {
                break;
            }
            let policy = [OnFailure::Hold, OnFailure::NextTest, OnFailure::Stop][nth as usize % 3];
            let planned = Planned {
                nth,
                fault: fault.clone(),
            };
            let what = format!("{kind} at {nth}, {policy:?}");
            let tried = tried(night, planned, policy, &what).await;
            // A fault may add events to a night, and one at its very beginning may
            // end it before the witness saw the world.
            if tried.happened < nth && nth > whole {
                break;
            }
            counts.add(&tried);
            if !tried.found.is_empty() {
                wrong.push(format!("{what}: {}", tried.found.join("; ")));
            }
            nth += stride;
        }
        counts.tell(&kind, wrong.len() - before);
        assert!(counts.nights > 0, "{kind} never struck");
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// What came of a night with a fault.
struct Tried {
    sat: Sat,
    compared: usize,
    found: Vec<String>,
    /// Events of the fault's kind that there were.
    happened: u64,
}

async fn tried(night: &Kind, planned: Planned, policy: OnFailure, what: &str) -> Tried {
    let counts = planned.fault.counts();
    let scene = night.night(vec![planned], policy);
    let witness = Witness::releasing_once();
    let Some(sat) = sat_out(&scene, witness.clone()).await else {
        panic!("{what}: no end after {:?}", scene.paper.lines().last());
    };
    let world = witness.world.lock().expect("a world").clone();
    let (compared, found) = complaints(&scene, &sat, &witness.sights());
    Tried {
        sat,
        compared,
        found,
        happened: world.map_or(0, |world| world.count(counts)),
    }
}

/// The world after a night without faults, which agrees with the closed forms.
async fn without_faults(night: &Kind) -> World {
    let scene = night.night(Vec::new(), OnFailure::Hold);
    let witness = Witness::default();
    let sat = scene.sit(witness.clone()).await;
    let text = || scene.paper.text();
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", text());
    let (compared, found) = complaints(&scene, &sat, &witness.sights());
    assert_eq!(found, Vec::<String>::new(), "{}", night.word);
    assert!(compared > 10, "{} {compared}", night.word);
    let world = witness.world.lock().expect("a world").clone();
    world.expect("a world")
}

/// What a wire or a device may do with any answer.
pub(super) fn of_any_device(device: Device) -> Vec<(String, Fault)> {
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
    at_every_event(&SURVEY, &of_any_device(device)).await;
}

/// Faults by their names.
pub(super) fn named(faults: &[(&str, Fault)]) -> Vec<(String, Fault)> {
    let own = |(kind, fault): &(&str, Fault)| ((*kind).to_owned(), fault.clone());
    faults.iter().map(own).collect()
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
    let faults = named(&[
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
    ]);
    at_every_event(&SURVEY, &faults).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn bad_motion_and_bad_presses_put_nothing_wrong_on_record() {
    let faults = named(&[
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
    ]);
    at_every_event(&SURVEY, &faults).await;
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
        stays_mended(&SURVEY, nth, policy, fault).await;
    }
}

/// A night with this fault has no complaint.
pub(super) async fn stays_mended(night: &Kind, nth: u64, policy: OnFailure, fault: Fault) {
    let what = format!("{} {fault:?} at {nth}", night.word);
    let tried = tried(night, Planned { nth, fault }, policy, &what).await;
    assert_eq!(tried.found, Vec::<String>::new(), "{what}");
}
