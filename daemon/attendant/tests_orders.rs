//! Orders and the window on a whole simulated bench: stopped, held, released,
//! told to leave, the evening's end; each leaves a safe bench and a seam.

use drivers::simulated::bench::SimulatedBench;
use photometry::units::Span;

use super::handle::{Handle, Order};
use super::scene::{By, Dies, Hands, Nobody, Sat, Scene};
use super::tests::{RUN, moves_before_homing, promised, results, short};
use crate::plan::intent::{Survey, WarmUp, Window};
use crate::plan::itinerary::{Purpose, What};
use crate::plan::layout;
use crate::run::journal::{Body, End, Event, HoldCause, LampLeft, SeamCause};

/// Gives an order when the nth event of a kind comes.
struct OrderAt {
    nth: usize,
    orders: fn() -> Vec<Order>,
    seen: usize,
}

impl Hands for OrderAt {
    fn note(&mut self, _event: &Event, handle: &Handle, _bench: &SimulatedBench) {
        self.seen += 1;
        if self.seen == self.nth {
            for order in (self.orders)() {
                handle.orders.post(order).expect("an order");
            }
        }
    }
}

pub(super) fn last_left(events: &[Event]) -> LampLeft {
    let left = events.iter().rev().find_map(|event| match &event.body {
        Body::MadeSafe { left } => Some(left.clone()),
        _ => None,
    });
    let left = left.expect("made safe");
    assert!(left.carriage_still && left.fingers_off, "{left:?}");
    left.lamp
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn stopped_anywhere_the_bench_is_left_safe() {
    for nth in (1..250).step_by(9) {
        let scene = Scene::new(5, By::Memory, 2, short());
        let hands = OrderAt {
            nth,
            orders: || vec![Order::Stop(RUN)],
            seen: 0,
        };
        let sat = scene.sit(hands).await;
        let events = scene.paper.events();
        let over = matches!(sat, Sat::Ended(End::Stopped | End::Complete));
        assert!(over, "{nth}: {sat:?}\n{}", scene.paper.text());
        if sat == Sat::Ended(End::Stopped) {
            let left = last_left(&events);
            assert!(
                matches!(left, LampLeft::Off | LampLeft::NotTouched),
                "{nth}: {left:?}"
            );
            assert!(events.iter().any(|e| matches!(
                e.body,
                Body::Seam {
                    cause: SeamCause::Stop
                }
            )));
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn told_to_leave_anywhere_the_next_daemon_goes_on() {
    for nth in (1..250).step_by(13) {
        let scene = Scene::new(6, By::Memory, 2, short());
        let hands = OrderAt {
            nth,
            orders: || vec![Order::Shutdown],
            seen: 0,
        };
        let first = scene.sit(hands).await;
        if first == Sat::Left {
            let ended = matches!(
                scene.paper.events().last().map(|e| &e.body),
                Some(Body::Ended { .. } | Body::MadeSafe { .. })
            );
            assert!(ended, "{nth}: {}", scene.paper.text());
            last_left(&scene.paper.events());
        }
        if first == Sat::Left
            && !matches!(
                scene.paper.events().last().map(|e| &e.body),
                Some(Body::Ended { .. })
            )
        {
            let sat = scene.sit(Nobody).await;
            assert_eq!(
                sat,
                Sat::Ended(End::Complete),
                "{nth}\n{}",
                scene.paper.text()
            );
        }
        let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
        assert_eq!(results(itinerary, &events), promised(itinerary), "{nth}");
    }
}

/// What a person wants of a run is not lost because the daemon leaves in the
/// same moment: the run would go on at the next start.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stop_or_a_hold_outlasts_a_shutdown_in_the_same_moment() {
    let both: [fn() -> Vec<Order>; 2] = [
        || vec![Order::Stop(RUN), Order::Shutdown],
        || vec![Order::Shutdown, Order::Hold(RUN)],
    ];
    for (index, orders) in both.into_iter().enumerate() {
        for nth in (1..250).step_by(23) {
            let scene = Scene::new(5, By::Memory, 2, short());
            let hands = OrderAt {
                nth,
                orders,
                seen: 0,
            };
            let sat = scene.sit(hands).await;
            let events = scene.paper.events();
            let last = events.last().map(|e| e.body.clone());
            let wanted = match index {
                0 => Body::Ended { end: End::Stopped },
                _ => Body::Held {
                    cause: HoldCause::Person,
                },
            };
            let complete = Some(Body::Ended { end: End::Complete });
            assert!(
                last == Some(wanted) || last == complete,
                "{index}, {nth}: {sat:?}\n{}",
                scene.paper.text()
            );
        }
    }
}

/// Orders that come right behind the run, before it is taken in hand.
struct AtOnce(fn() -> Order);

impl Hands for AtOnce {
    fn first(&mut self, handle: &Handle) {
        handle.orders.post((self.0)()).expect("an order");
    }
    fn note(&mut self, event: &Event, handle: &Handle, _bench: &SimulatedBench) {
        if matches!(event.body, Body::Held { .. }) {
            handle.orders.post(Order::Shutdown).expect("an order");
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_order_right_behind_a_run_is_for_that_run() {
    let scene = Scene::new(5, By::Memory, 2, short());
    let sat = scene.sit(AtOnce(|| Order::Stop(RUN))).await;
    assert_eq!(sat, Sat::Ended(End::Stopped));
    let scene = Scene::new(5, By::Memory, 2, short());
    assert_eq!(scene.sit(AtOnce(|| Order::Hold(RUN))).await, Sat::Left);
    let kinds: Vec<&str> = scene.paper.events().iter().map(|e| e.body.kind()).collect();
    assert_eq!(kinds, ["begun", "seam", "made safe", "held"]);
}

/// Holds, then releases when held.
struct HoldAndRelease {
    nth: usize,
    seen: usize,
}

impl Hands for HoldAndRelease {
    fn note(&mut self, event: &Event, handle: &Handle, _bench: &SimulatedBench) {
        self.seen += 1;
        if self.seen == self.nth {
            handle.orders.post(Order::Hold(RUN)).expect("an order");
        }
        if matches!(event.body, Body::Held { .. }) {
            handle.orders.post(Order::Release(RUN)).expect("an order");
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn held_and_released_it_goes_on_at_the_first_incomplete_point() {
    for nth in [3, 40, 100, 150, 200] {
        let scene = Scene::new(9, By::Memory, 2, short());
        let sat = scene.sit(HoldAndRelease { nth, seen: 0 }).await;
        assert_eq!(sat, Sat::Ended(End::Complete), "{nth}");
        let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
        assert_eq!(results(itinerary, &events), promised(itinerary), "{nth}");
        assert_eq!(moves_before_homing(itinerary, &events), 0, "{nth}");
        assert!(events.iter().any(|e| matches!(
            e.body,
            Body::Held {
                cause: HoldCause::Person
            }
        )));
    }
}

/// Held before the window opens, then released while the daemon is told to
/// leave.
#[derive(Default)]
struct ReleaseByDay {
    held: bool,
}

impl Hands for ReleaseByDay {
    fn first(&mut self, handle: &Handle) {
        if !self.held {
            handle.orders.post(Order::Hold(RUN)).expect("an order");
        }
    }
    fn note(&mut self, event: &Event, handle: &Handle, _bench: &SimulatedBench) {
        if matches!(event.body, Body::Held { .. }) && !std::mem::replace(&mut self.held, true) {
            handle.orders.post(Order::Release(RUN)).expect("an order");
            handle.orders.post(Order::Shutdown).expect("an order");
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_release_by_day_outlasts_the_daemon() {
    let mut scene = Scene::new(1, By::Memory, 2, short());
    let frozen = std::sync::Arc::get_mut(&mut scene.frozen).expect("only one");
    let window = Some(Window {
        opens: 22 * 60,
        closes: 5 * 60,
    });
    frozen.plan.policies.window = window;
    frozen.itinerary.policies.window = window;
    assert_eq!(scene.sit(ReleaseByDay::default()).await, Sat::Left);
    let sat = tokio::time::timeout(std::time::Duration::from_secs(60), scene.sit(Nobody)).await;
    assert_eq!(sat, Ok(Sat::Ended(End::Complete)), "{}", scene.paper.text());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn after_a_loss_of_power_nothing_moves_until_a_person_releases() {
    let mut scene = Scene::new(4, By::Memory, 2, short());
    scene.paper.dies_at(120, Dies::After);
    assert_eq!(scene.sit(Nobody).await, Sat::Died);
    let before = scene.paper.events().len();
    scene.paper.dies_at(usize::MAX, Dies::After);
    scene.other_boot = true;
    let sat = scene
        .sit(HoldAndRelease {
            nth: usize::MAX,
            seen: 0,
        })
        .await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let events = scene.paper.events();
    let kinds: Vec<&str> = events[before..before + 3]
        .iter()
        .map(|e| e.body.kind())
        .collect();
    assert_eq!(kinds, ["seam", "held", "resumed"]);
    assert_eq!(
        events[before + 1].body,
        Body::Held {
            cause: HoldCause::PowerLost
        }
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn at_the_end_of_the_window_it_stops_at_a_seam_and_goes_on_the_next_evening() {
    let mut returns = 0;
    for length in [8, 10, 11, 13] {
        let survey = Survey {
            warm_up: WarmUp::Fixed(Span::from_mins(2)),
            ..short()
        };
        let mut scene = Scene::new(1, By::Memory, 6, survey);
        let opens = 22 * 60;
        let closes = opens + length;
        let frozen = std::sync::Arc::get_mut(&mut scene.frozen).expect("only one");
        let window = Some(Window { opens, closes });
        frozen.plan.policies.window = window;
        frozen.itinerary.policies.window = window;
        let sat = scene.sit(Nobody).await;
        assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
        let events = scene.paper.events();
        for event in &events {
            let Body::Taken { key, .. } = &event.body else {
                continue;
            };
            let minute = (event.at.wall.us() / 60_000_000).rem_euclid(1440);
            let open = i64::from(opens)..=i64::from(closes);
            assert!(open.contains(&minute), "{minute}: {event:?}");
            returns += usize::from(key.purpose == Purpose::Return);
        }
        let evenings = events
            .iter()
            .filter(|e| {
                matches!(
                    e.body,
                    Body::Seam {
                        cause: SeamCause::WindowClosed
                    }
                )
            })
            .count();
        assert!((1..10).contains(&evenings), "{evenings} evenings");
        let itinerary = &scene.frozen.itinerary;
        assert_eq!(results(itinerary, &events), promised(itinerary));
    }
    assert!(
        returns > 0,
        "the reference is read again after a seam inside a leg"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_window_too_short_for_anything_asks_a_person_instead_of_trying_for_ever() {
    let survey = Survey {
        warm_up: WarmUp::Fixed(Span::from_mins(20)),
        ..short()
    };
    let mut scene = Scene::new(1, By::Memory, 2, survey);
    let frozen = std::sync::Arc::get_mut(&mut scene.frozen).expect("only one");
    let window = Some(Window {
        opens: 1320,
        closes: 1330,
    });
    frozen.plan.policies.window = window;
    frozen.itinerary.policies.window = window;
    let sat = scene.sit(StopWhenHeld).await;
    assert_eq!(sat, Sat::Ended(End::Stopped));
    let held = scene
        .paper
        .events()
        .iter()
        .find_map(|event| match &event.body {
            Body::Held {
                cause: HoldCause::Failure(words),
            } => Some(words.clone()),
            _ => None,
        });
    assert!(held.is_some_and(|words| words.contains("the window is too short")));
}

pub(super) struct StopWhenHeld;

impl Hands for StopWhenHeld {
    fn note(&mut self, event: &Event, handle: &Handle, _bench: &SimulatedBench) {
        if matches!(event.body, Body::Held { .. }) {
            handle.orders.post(Order::Stop(RUN)).expect("an order");
        }
    }
}

/// Stops the run when the meter's shutter has closed for the nth time.
struct StopInTheDark {
    nth: usize,
    closed: usize,
    shutters: Vec<i64>,
}

impl Hands for StopInTheDark {
    fn note(&mut self, event: &Event, handle: &Handle, _bench: &SimulatedBench) {
        let done = matches!(event.body, Body::Done { .. });
        if done && event.no.is_some_and(|no| self.shutters.contains(&no)) {
            self.closed += 1;
            if self.closed == self.nth {
                handle.orders.post(Order::Stop(RUN)).expect("an order");
            }
        }
    }
}

/// A lamp that stays on from one test to the next is switched off also where
/// the meter's shutter happens to be closed: a blind meter would see no press
/// work and have the button pressed again and again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn stopped_with_the_shutter_closed_the_lamp_is_seen_to_go_out() {
    let survey = Survey {
        ambient: 0,
        ..short()
    };
    let mut scene = Scene::new(5, By::Memory, 2, survey);
    let frozen = std::sync::Arc::get_mut(&mut scene.frozen).expect("only one");
    let mut second = frozen.plan.tests[0].clone();
    second.name = "again".to_owned();
    frozen.plan.tests.push(second);
    let (plan, lamp) = (&frozen.plan, &frozen.lamp);
    frozen.itinerary =
        layout::itinerary(plan, lamp, &frozen.placement, &frozen.card).expect("it fits");
    let shutters = frozen
        .itinerary
        .actions
        .iter()
        .filter(|action| matches!(action.what, What::Shutter { closed: true, .. }))
        .map(|action| i64::from(action.no))
        .collect();
    let hands = StopInTheDark {
        nth: 2,
        closed: 0,
        shutters,
    };
    let sat = scene.sit(hands).await;
    assert_eq!(sat, Sat::Ended(End::Stopped), "{}", scene.paper.text());
    assert_eq!(last_left(&scene.paper.events()), LampLeft::Off);
}
