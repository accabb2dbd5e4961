//! The attendant on a whole simulated bench: a short night from end to end,
//! the same again from the seed, killed at every write of its journal, and
//! what stays on around a seam.

use drivers::simulated::bench::SimulatedBench;
use photometry::units::{Length, Span};

use super::handle::{Handle, Order};
use super::scene::{By, Dies, Hands, Nobody, Sat, Scene};
use super::tests_orders::{StopWhenHeld, last_left};
use crate::plan::intent::{Survey, WarmUp, Window};
use crate::plan::itinerary::{Action, Itinerary, What};
use crate::plan::samples;
use crate::run::journal::{Body, End, Event, LampLeft, RunId};
use crate::run::progress::State;
use crate::store::tests_flips::tally;

pub(super) const RUN: RunId = RunId(1);

#[path = "../../tests/faults/facts.rs"]
mod facts;

pub(super) use facts::{moves_before_homing, promised, results};

/// 2 levels x 3 positions x 2 readings.
pub(super) fn short() -> Survey {
    Survey {
        dark: 2,
        ambient: 1,
        ..samples::survey(&[12, 24, 48])
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_short_night_ends_complete() {
    let scene = Scene::new(1, By::Memory, 2, short());
    assert_eq!(scene.sit(Nobody).await, Sat::Ended(End::Complete));
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    assert_eq!(results(itinerary, &events), promised(itinerary));
    assert_eq!(moves_before_homing(itinerary, &events), 0);
    let offsets: Vec<Length> = events
        .iter()
        .filter_map(|event| match &event.body {
            Body::Done { facts } => facts.home_offset,
            _ => None,
        })
        .collect();
    assert_eq!(
        offsets,
        [Length::ZERO],
        "homing at the end proves that no steps were lost"
    );
}

/// Promise P4, on a disk that is quick and on one that is slow. The journal's text carries every reading with its bytes and
/// both clocks, so equal texts mean equal nights.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_same_seed_writes_the_same_journal_over_both_links_under_load() {
    let stop = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
    let load: Vec<_> = (0..2)
        .map(|_| {
            let stop = std::sync::Arc::clone(&stop);
            std::thread::spawn(move || {
                let mut x = 1_u64;
                while !stop.load(std::sync::atomic::Ordering::Relaxed) {
                    x = std::hint::black_box(
                        x.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1),
                    );
                }
                x
            })
        })
        .collect();
    let mut first: Option<String> = None;
    for round in 0..20 {
        let by = if round % 2 == 0 { By::Memory } else { By::Pty };
        let scene = Scene::new(7, by, 2, short());
        if round % 4 > 1 {
            scene.paper.is_slow();
        }
        assert_eq!(
            scene.sit(Nobody).await,
            Sat::Ended(End::Complete),
            "round {round} {by:?}"
        );
        let text = scene.paper.text();
        let first = first.get_or_insert_with(|| text.clone());
        assert!(*first == text, "round {round} ({by:?}) differs");
    }
    let other = Scene::new(8, By::Memory, 2, short());
    assert_eq!(
        other.sit(Nobody).await,
        Sat::Ended(End::Complete),
        "{}",
        other.paper.text()
    );
    assert_ne!(
        first,
        Some(other.paper.text()),
        "another seed, another night"
    );
    stop.store(true, std::sync::atomic::Ordering::Relaxed);
    for thread in load {
        assert_ne!(thread.join().expect("joins"), 0);
    }
}

/// Promise P1. The daemon dies at write k, before the disk has it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_before_every_write_the_night_ends_the_same() {
    killed_at_every_write(Dies::Before).await;
}

/// Promise P1. The daemon dies at write k, after the disk has it and before
/// anybody was told.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_after_every_write_the_night_ends_the_same() {
    killed_at_every_write(Dies::After).await;
}

/// Killed at every `stride`-th write of a night (at each in the long loop), and once
/// more at work against the bench as it was left, it ends complete with the results
/// that its plan promises, and home before any move. `then` looks at each journal.
pub(super) async fn killed_at_writes<H: Hands>(
    stride: usize,
    night: impl Fn() -> Scene,
    hands: impl Fn() -> H,
    then: impl Fn(&Scene, &[Event]),
) {
    let stride = if tally::long() { 1 } else { stride };
    let whole = night();
    assert_eq!(whole.sit(hands()).await, Sat::Ended(End::Complete));
    for nth in (1..=whole.paper.events().len()).step_by(stride) {
        let scene = night();
        let how = [Dies::Before, Dies::After][nth % 2];
        scene.paper.dies_at(nth, how);
        assert_eq!(scene.sit(hands()).await, Sat::Died, "{nth} {how:?}");
        scene.paper.lives();
        let what = format!("{nth} {how:?}");
        go_on(&scene, hands(), &what).await;
        let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
        assert_eq!(results(itinerary, &events), promised(itinerary), "{what}");
        assert_eq!(moves_before_homing(itinerary, &events), 0, "{what}");
        then(&scene, &events);
    }
}

/// A night that ends complete, with the results that its plan promises, and home before
/// any move; its journal.
pub(super) async fn complete(scene: &Scene, hands: impl Hands, what: &str) -> Vec<Event> {
    let sat = scene.sit(hands).await;
    let text = scene.paper.text();
    assert_eq!(sat, Sat::Ended(End::Complete), "{what}\n{text}");
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    assert_eq!(results(itinerary, &events), promised(itinerary), "{what}");
    assert_eq!(moves_before_homing(itinerary, &events), 0, "{what}");
    events
}

/// The next daemon goes on against the bench as it was left, to the end; killed after
/// its very last write, the run is over already.
async fn go_on(scene: &Scene, hands: impl Hands, what: &str) {
    let over = matches!(
        scene.paper.events().last().map(|event| &event.body),
        Some(Body::Ended { .. })
    );
    if !over {
        let sat = scene.sit(hands).await;
        let text = scene.paper.text();
        assert_eq!(sat, Sat::Ended(End::Complete), "{what}\n{text}");
    }
}

/// Every write of a short night.
async fn killed_at_every_write(how: Dies) {
    let seed = 3;
    let whole = Scene::new(seed, By::Memory, 2, short());
    assert_eq!(whole.sit(Nobody).await, Sat::Ended(End::Complete));
    let writes = whole.paper.events().len();
    assert!(writes > 200, "{writes}");
    // Every write in the long loop; a stride over them otherwise.
    let stride = if tally::long() { 1 } else { 13 };
    let (mut kills, mut redone) = (0, 0);
    for nth in (1..=writes).step_by(stride) {
        let scene = Scene::new(seed, By::Memory, 2, short());
        if nth % 2 == 0 {
            scene.paper.is_slow();
        }
        scene.paper.dies_at(nth, how);
        assert_eq!(scene.sit(Nobody).await, Sat::Died, "{nth} {how:?}");
        kills += 1;
        scene.paper.dies_at(usize::MAX, how);
        let what = format!("{nth} {how:?}");
        go_on(&scene, Nobody, &what).await;
        let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
        assert_eq!(results(itinerary, &events), promised(itinerary), "{what}");
        assert_eq!(moves_before_homing(itinerary, &events), 0, "{what}");
        let state = State::replay(itinerary, &events).expect("a legal journal");
        assert_eq!(state.actions_done(), itinerary.actions.len(), "{what}");
        redone += events.len().saturating_sub(writes);
    }
    println!(
        "seed {seed}, {writes} writes: {kills} kills {how:?} the write, {:.0} events a kill done again",
        redone as f64 / f64::from(kills)
    );
}

/// The daemon dies between breaking off and having made safe: whoever goes on
/// makes the bench safe before it holds.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_around_a_hold_the_bench_is_safe_before_it_is_held() {
    for (kind, how) in [
        ("seam", Dies::Before),
        ("seam", Dies::After),
        ("made safe", Dies::Before),
        ("made safe", Dies::After),
        ("held", Dies::Before),
    ] {
        let scene = Scene::new(9, By::Memory, 2, short());
        scene.paper.dies_on(kind, how);
        let first = scene.sit(HoldThenStop { nth: 150, seen: 0 }).await;
        assert_eq!(first, Sat::Died, "{kind} {how:?}");
        scene.paper.lives();
        let second = scene.sit(HoldThenStop { nth: 10, seen: 0 }).await;
        assert_eq!(second, Sat::Ended(End::Stopped), "{kind} {how:?}");
        let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
        let mut state = State::new(itinerary);
        let mut holds = 0;
        for event in &events {
            let held = matches!(event.body, Body::Held { .. });
            holds += usize::from(held);
            assert!(!held || state.safe, "{kind} {how:?}: held and not safe");
            state.apply(itinerary, event).expect("a legal journal");
        }
        assert!(holds > 0, "{kind} {how:?}");
        last_left(&events);
    }
}

/// Holds at the nth event, and stops the run once it is held.
struct HoldThenStop {
    nth: usize,
    seen: usize,
}

impl Hands for HoldThenStop {
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        self.seen += 1;
        if self.seen == self.nth {
            handle.orders.post(Order::Hold(RUN)).expect("an order");
        }
        StopWhenHeld.note(event, handle, bench);
    }
}

/// Killed in its window and started again when that has closed: nothing stays
/// on until the next evening.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn started_again_after_the_window_the_lamp_does_not_wait_for_the_evening_lit() {
    for nth in [80, 120, 160] {
        let survey = Survey {
            warm_up: WarmUp::Fixed(Span::from_mins(2)),
            ..short()
        };
        let mut scene = Scene::new(1, By::Memory, 2, survey);
        let frozen = std::sync::Arc::get_mut(&mut scene.frozen).expect("only one");
        let window = Some(Window {
            opens: 1320,
            closes: 1360,
        });
        frozen.plan.policies.window = window;
        frozen.itinerary.policies.window = window;
        scene.away = Span::from_mins(120);
        scene.paper.dies_at(nth, Dies::After);
        assert_eq!(scene.sit(Nobody).await, Sat::Died);
        scene.paper.dies_at(usize::MAX, Dies::After);
        let died = scene.paper.events().len();
        assert_eq!(scene.sit(Nobody).await, Sat::Ended(End::Complete), "{nth}");
        let events = scene.paper.events();
        let kinds: Vec<&str> = events[died..died + 3]
            .iter()
            .map(|e| e.body.kind())
            .collect();
        assert_eq!(kinds, ["seam", "made safe", "resumed"], "{nth}");
        let Body::MadeSafe { left } = &events[died + 1].body else {
            panic!("made safe")
        };
        assert!(
            matches!(left.lamp, LampLeft::Off | LampLeft::NotTouched),
            "{left:?}"
        );
    }
}

/// The same code in real time, over pseudo-terminals: nothing of it may lean
/// on the simulation. It takes as long as a bench does, so only the long loops
/// run it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_very_short_night_in_real_time() {
    if std::env::var_os("WAKERAIL_LONG").is_none() {
        println!("SKIPPED: set WAKERAIL_LONG=1 to measure in real time (about a minute)");
        return;
    }
    let survey = Survey {
        warm_up: WarmUp::Fixed(Span::from_secs(1)),
        dark: 1,
        ambient: 1,
        readings: 2,
        ..samples::survey(&[18, 24])
    };
    let mut scene = Scene::new(1, By::Pty, 2, survey);
    scene.real_time = true;
    let sat = scene.sit(Nobody).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    assert_eq!(results(itinerary, &events), promised(itinerary));
}

/// Law 2: an unrecorded reading does not exist. The run is put down, and goes
/// on when it is handed over with its record again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn when_the_record_fails_the_run_is_put_down() {
    let steps = [1, 30, 90, 91, 92, 93, 160];
    for (nth, slow) in steps
        .into_iter()
        .flat_map(|nth| [(nth, false), (nth, true)])
    {
        let scene = Scene::new(5, By::Memory, 2, short());
        if slow {
            scene.paper.is_slow();
        }
        scene.paper.breaks_at(nth);
        assert_eq!(scene.sit(Nobody).await, Sat::PutDown, "{nth}");
        let events = scene.paper.events();
        assert_eq!(events.len(), nth - 1, "nothing follows a failed write");
        scene.paper.lives();
        assert_eq!(scene.sit(Nobody).await, Sat::Ended(End::Complete), "{nth}");
        let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
        assert_eq!(results(itinerary, &events), promised(itinerary), "{nth}");
        assert_eq!(moves_before_homing(itinerary, &events), 0, "{nth}");
    }
}
