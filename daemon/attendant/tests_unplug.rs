//! A device's plug is pulled at any event of a night and put in again later,
//! over pseudo-terminals: the device is waited for, the loss has a name, and only
//! the device that was there is measured with.

use std::sync::Arc;

use drivers::simulated::bench::{SimulatedBench, Wire};
use drivers::simulated::faults::Device;
use photometry::units::Span;

use super::handle::Handle;
use super::scene::{By, Hands, Sat, Scene};
use super::tests::{promised, results};
use super::tests_faults::{Witness, complaints, night, sat_out};
use super::tests_sweep::two_tests;
use crate::plan::intent::OnFailure;
use crate::run::journal::{Body, End, Event};
use crate::store::tests_flips::tally;

const DEVICES: [Device; 3] = [Device::Meter, Device::Rail, Device::Fingers];

/// When the plug is put in again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Back {
    /// Before the held run is released.
    WhenHeld,
    /// As soon as something failed.
    WhenFailed,
    /// Another meter, before the held run is released.
    AnotherWhenHeld,
    /// As soon as the bench was made safe: it is waited for then.
    WhenLost,
    /// The same, and another meter.
    AnotherWhenLost,
    Never,
}

/// Pulls a plug at the nth event.
struct Puller {
    device: Device,
    wire: Wire,
    nth: usize,
    back: Back,
    seen: usize,
    out: bool,
}

impl Hands for Puller {
    fn note(&mut self, event: &Event, _handle: &Handle, bench: &SimulatedBench) {
        self.seen += 1;
        if self.seen == self.nth {
            self.out = bench.unplug(self.device);
        }
        let now = match self.back {
            Back::WhenHeld | Back::AnotherWhenHeld => matches!(event.body, Body::Held { .. }),
            Back::WhenFailed => matches!(event.body, Body::Failed { .. }),
            Back::WhenLost | Back::AnotherWhenLost => matches!(event.body, Body::MadeSafe { .. }),
            Back::Never => false,
        };
        if now && std::mem::take(&mut self.out) {
            let plugged = match self.back {
                Back::AnotherWhenHeld | Back::AnotherWhenLost => {
                    bench.plug_another_meter(&self.wire)
                }
                _ => bench.plug(self.device, &self.wire),
            };
            plugged.expect("plugged in");
        }
    }
}

fn codes(scene: &Scene) -> Vec<String> {
    let events = scene.paper.events().into_iter();
    events
        .filter_map(|event| match event.body {
            Body::Failed { fault } => Some(fault.code),
            _ => None,
        })
        .collect()
}

/// Sits a night out with a plug pulled; nothing wrong may be on record.
async fn pulled(scene: &Scene, device: Device, nth: usize, back: Back) -> Sat {
    let puller = Puller {
        device,
        wire: scene.wire(device),
        nth,
        back,
        seen: 0,
        out: false,
    };
    let witness = Witness::releasing_once();
    let sat = sat_out(scene, (puller, witness.clone())).await;
    let sat = sat.unwrap_or_else(|| panic!("{device:?} {nth} {back:?}: no end"));
    let (_, found) = complaints(scene, &sat, &witness.sights());
    assert_eq!(found, Vec::<String>::new(), "{device:?} {nth} {back:?}");
    sat
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_plug_pulled_and_put_in_again_costs_no_wrong_value() {
    let stride = if tally::long() { 1 } else { 37 };
    for (device, first) in DEVICES.into_iter().zip([9, 17, 25]) {
        for back in [Back::WhenHeld, Back::Never] {
            let (mut nights, mut complete, mut held, mut gone) = (0, 0, 0, 0);
            for nth in (first..240).step_by(stride) {
                let mut scene = night(Vec::new(), OnFailure::Hold);
                scene.by = By::Pty;
                match pulled(&scene, device, nth, back).await {
                    Sat::Ended(End::Complete) => complete += 1,
                    _ => held += 1,
                }
                nights += 1;
                let named = ["link", "gone", "silent"];
                let codes = codes(&scene);
                gone += usize::from(codes.iter().any(|code| named.contains(&code.as_str())));
            }
            tally::line(
                &format!("unplugged: {device:?}, back {back:?}"),
                &[
                    ("nights", &nights),
                    ("complete", &complete),
                    ("held to the end", &held),
                    ("loss named", &gone),
                    ("wrong values", &0),
                ],
            );
            assert!(gone > 0, "{device:?} {back:?}");
            assert!(back == Back::Never || complete > 0, "{device:?} {back:?}");
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn another_meter_under_the_same_name_is_refused() {
    let mut scene = night(Vec::new(), OnFailure::Hold);
    scene.by = By::Pty;
    let sat = pulled(&scene, Device::Meter, 90, Back::AnotherWhenHeld).await;
    assert_eq!(sat, Sat::Ended(End::Stopped));
    let (codes, events) = (codes(&scene), scene.paper.events());
    assert_eq!(codes.last().map(String::as_str), Some("identity-changed"));
    let held = events
        .iter()
        .position(|event| matches!(event.body, Body::Held { .. }));
    let read = |event: &Event| matches!(event.body, Body::Taken { .. });
    assert!(!events[held.expect("held")..].iter().any(read));
}

/// Ten hours are waited: the hand comes in real time, which passes beside them, and
/// a busy machine lets it wait while many a look for the device takes no time.
fn waiting_long(scene: &mut Scene) {
    let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
    let within = Span::from_mins(600);
    frozen.card.meters[0].back_within = within;
    let (rail, fingers) = (&mut frozen.card.rail, &mut frozen.card.fingers);
    rail.as_mut().expect("a rail").back_within = within;
    fingers.as_mut().expect("fingers").back_within = within;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_plug_put_in_again_while_it_is_waited_for_costs_nothing() {
    for (device, nth) in DEVICES.into_iter().zip([90, 60, 40]) {
        let mut scene = night(Vec::new(), OnFailure::Stop);
        scene.by = By::Pty;
        waiting_long(&mut scene);
        let sat = pulled(&scene, device, nth, Back::WhenLost).await;
        let (text, events) = (scene.paper.text(), scene.paper.events());
        assert_eq!(sat, Sat::Ended(End::Complete), "{device:?}\n{text}");
        let itinerary = &scene.frozen.itinerary;
        assert_eq!(
            results(itinerary, &events),
            promised(itinerary),
            "{device:?}"
        );
        let count = |kind: &str| events.iter().filter(|e| e.body.kind() == kind).count();
        assert_eq!((count("lost"), count("back")), (1, 1), "{device:?}\n{text}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn another_meter_put_in_while_it_is_waited_for_is_refused() {
    let mut scene = night(Vec::new(), OnFailure::Stop);
    scene.by = By::Pty;
    waiting_long(&mut scene);
    let sat = pulled(&scene, Device::Meter, 90, Back::AnotherWhenLost).await;
    assert_eq!(sat, Sat::Ended(End::Stopped), "{}", scene.paper.text());
    assert_eq!(codes(&scene), ["identity-changed"]);
    let events = scene.paper.events();
    let lost = events.iter().position(|e| e.body.kind() == "lost");
    let read = |event: &Event| matches!(event.body, Body::Taken { .. });
    assert!(!events[lost.expect("lost")..].iter().any(read));
    // At once: no waiting makes it the right one.
    assert!(!scene.paper.text().contains("it was gone for"));
}

/// The first test loses its meter; the second finds it again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_meter_that_is_back_serves_the_next_test() {
    let mut scene = two_tests(2, 2);
    let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
    frozen.itinerary.policies.on_failure = OnFailure::NextTest;
    scene.by = By::Pty;
    let sat = pulled(&scene, Device::Meter, 60, Back::WhenFailed).await;
    assert_eq!(
        sat,
        Sat::Ended(End::CompleteWithGaps),
        "{:?}",
        codes(&scene)
    );
}
