//! The stop button on a whole simulated bench: pressed at any moment of a night the bench
//! stands still within a second, nothing moves again while it is pressed or before a
//! person has released the run, and then the night ends as if nothing had been.

use drivers::simulated::bench::SimulatedBench;
use drivers::simulated::faults::{Device, Fault, Planned};
use drivers::simulated::world::WorldSpec;
use photometry::units::Span;

use super::handle::{Handle, Order};
use super::scene::{self, By, Hands, Nobody, Sat, Scene, Watch};
use super::tests::{RUN, complete, killed_at_writes, short};
use crate::plan::card::StopButton;
use crate::plan::intent::{Survey, WarmUp};
use crate::plan::samples;
use crate::run::journal::{Body, End, Event, HoldCause, SeamCause};

fn night(faults: Vec<Planned>) -> Scene {
    let mut world = WorldSpec {
        faults,
        ..WorldSpec::new(31)
    };
    world.lamp.levels = 2;
    let mut card = scene::card(&world, true);
    scene::add_port(&mut card, "button-port");
    card.stop_button = Some(StopButton {
        port: "button-port".to_owned(),
        profile: None,
        pressed_is_closed: false,
    });
    // Each minute is 240 questions.
    let quick = Survey {
        warm_up: WarmUp::Fixed(Span::from_mins(1)),
        ..short()
    };
    Scene::of(world, By::Memory, samples::lamp(2), card, quick)
}

/// Presses at the nth event that starts an action; releases the run while it still
/// presses, and again once it has let go.
#[derive(Default)]
struct Presses {
    at: usize,
    started: usize,
    held: Vec<String>,
    /// The carriage moved, or a level shone, when the run was held.
    alive: Vec<String>,
}

impl Hands for Presses {
    /// For a run that was held already when the daemon died.
    fn first(&mut self, handle: &Handle) {
        let _ = handle.orders.post(Order::Release(RUN));
    }

    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        let person = bench.person();
        let now = event.at.mono;
        match &event.body {
            Body::Started { .. } => {
                self.started += 1;
                if self.started == self.at {
                    person.presses_stop(true, now);
                }
            }
            Body::Held {
                cause: HoldCause::StopButton(words),
            } => {
                self.held.push(words.clone());
                if person.sees_motion(now) {
                    self.alive.push(format!("moves at {}", event.seq));
                }
                if person.sees_level(now) > 0 {
                    self.alive.push(format!("shines at {}", event.seq));
                }
                if self.held.len() == 2 {
                    person.presses_stop(false, now);
                }
                let _ = handle.orders.post(Order::Release(RUN));
            }
            _ => {}
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pressed_at_any_action_it_stops_and_waits_for_a_person() {
    let quiet = night(Vec::new());
    let mut counts = Presses::default();
    assert_eq!(quiet.sit(&mut counts).await, Sat::Ended(End::Complete));
    let actions = counts.started;
    assert!(actions > 60, "{actions}");
    for at in (1..actions).step_by(7) {
        let scene = night(Vec::new());
        let mut hands = Presses {
            at,
            ..Presses::default()
        };
        let events = complete(&scene, &mut hands, &at.to_string()).await;
        assert_eq!(hands.held.len(), 2, "{at}: {:?}", hands.held);
        assert!(hands.held.iter().all(|words| words.contains("is pressed")));
        assert_eq!(hands.alive, Vec::<String>::new(), "{at}");
        // Pressed while a warm-up waits for its next reading it is noticed at once.
        let seam = events.iter().find(|event| {
            matches!(
                event.body,
                Body::Seam {
                    cause: SeamCause::StopButton
                }
            )
        });
        let mut pressed = events
            .iter()
            .filter(|event| matches!(event.body, Body::Started { .. }));
        let pressed = pressed.nth(at - 1).expect("an action").at.mono;
        let after = seam.expect("a seam").at.mono.since(pressed);
        assert!(after < Span::from_secs(2), "{at}: {}", after.shown());
    }
}

/// One whose contact is open until it is pressed counts as free then, and as pressed
/// while it is closed.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_that_is_closed_while_it_is_pressed_is_read_so() {
    struct Opens(Vec<HoldCause>);
    impl Hands for Opens {
        fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
            if let Body::Held { cause } = &event.body {
                self.0.push(cause.clone());
                // The simulated contact is open while its button is pressed.
                bench.person().presses_stop(true, event.at.mono);
                let _ = handle.orders.post(Order::Release(RUN));
            }
        }
    }
    let mut scene = night(Vec::new());
    let mut frozen = (*scene.frozen).clone();
    let button = frozen.card.stop_button.as_mut().expect("a button");
    button.pressed_is_closed = true;
    scene.frozen = std::sync::Arc::new(frozen);
    let mut hands = Opens(Vec::new());
    complete(&scene, &mut hands, "").await;
    assert!(
        matches!(hands.0[..], [HoldCause::StopButton(_)]),
        "{:?}",
        hands.0
    );
}

/// One that is pressed before the run begins lets nothing move.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pressed_before_the_run_nothing_begins() {
    struct Early(Presses, bool);
    impl Hands for Early {
        fn watch(&self) -> Option<Watch> {
            Some(Box::new(|event, person| {
                if let Body::Begun { .. } = event.body {
                    person.presses_stop(true, event.at.mono);
                }
            }))
        }
        fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
            if let Body::Started { .. } = event.body {
                self.1 |= self.0.held.len() < 2;
            }
            self.0.note(event, handle, bench);
        }
    }
    let scene = night(Vec::new());
    let mut hands = Early(Presses::default(), false);
    assert_eq!(scene.sit(&mut hands).await, Sat::Ended(End::Complete));
    assert_eq!(hands.0.held.len(), 2, "{}", scene.paper.text());
    assert!(!hands.1, "something was begun while it was pressed");
}

/// An input that says nothing stops the run as one that is pressed does.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_input_that_is_dead_stops_the_run() {
    let device = Device::Contact;
    for fault in [
        Fault::Dead(device),
        Fault::LinkLost(device, Span::from_mins(600)),
    ] {
        for nth in [2, 40, 400] {
            let fault = fault.clone();
            let scene = night(vec![Planned { nth, fault }]);
            #[derive(Default)]
            struct Stops(Vec<String>);
            impl Hands for Stops {
                fn note(&mut self, event: &Event, handle: &Handle, _bench: &SimulatedBench) {
                    if let Body::Held {
                        cause: HoldCause::StopButton(words),
                    } = &event.body
                    {
                        self.0.push(words.clone());
                        let order = match self.0.len() {
                            1 => Order::Release(RUN),
                            _ => Order::Stop(RUN),
                        };
                        let _ = handle.orders.post(order);
                    }
                }
            }
            let mut hands = Stops::default();
            assert_eq!(
                scene.sit(&mut hands).await,
                Sat::Ended(End::Stopped),
                "{nth}"
            );
            assert_eq!(hands.0.len(), 2, "{nth} {:?}", hands.0);
            assert!(
                hands.0.iter().all(|words| words.contains("cannot be read")),
                "{:?}",
                hands.0
            );
        }
    }
}

/// A single answer that fails is no stop.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_answer_that_fails_is_asked_again() {
    let device = Device::Contact;
    let faults = [
        Fault::Silent(device),
        Fault::Garbage(device, b"9\n".to_vec()),
        Fault::Late(device, Span::from_ms(700)),
        Fault::Noise(device, b"\xff".to_vec()),
    ];
    for fault in faults {
        let fault = &fault;
        let scene = night(vec![Planned {
            nth: 50,
            fault: fault.clone(),
        }]);
        let sat = scene.sit(Nobody).await;
        assert_eq!(
            sat,
            Sat::Ended(End::Complete),
            "{fault:?}\n{}",
            scene.paper.text()
        );
    }
}

/// A killed daemon finds the button as it is.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_its_writes_a_pressed_button_still_holds() {
    let hands = || Presses {
        at: 20,
        ..Presses::default()
    };
    killed_at_writes(37, || night(Vec::new()), hands, |_, _| {}).await;
}
