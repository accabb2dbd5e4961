//! A defect of whoever holds the instruments (a panic of an attendant): their
//! threads outlive it long enough that the carriage stops and the finger leaves
//! the button. In real time, before simulated devices.

use std::time::{Duration, Instant};

use drivers::clock::{Clock, mailbox};
use drivers::profile::shipped::{self, DEFAULT_FINGERS};
use drivers::roles::profiled_fingers::ProfiledFingers;
use drivers::roles::profiled_rail::{ProfiledRail, RailCard};
use drivers::simulated::bench::{BenchSpec, SimulatedBench, Wire};
use drivers::simulated::faults::Device;
use drivers::simulated::world::WorldSpec;
use photometry::units::{Length, Span};

use super::instrument::{Answer, Attached, Instrument, Role, Verb};

const PATIENCE: Duration = Duration::from_secs(30);

fn until(what: &str, mut holds: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !holds() {
        assert!(begun.elapsed() < PATIENCE, "{what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// A thread of its own takes the instrument and panics with it.
fn defect(held: Instrument) {
    let ended = std::thread::spawn(move || {
        let _held = held;
        std::panic::resume_unwind(Box::new("a defect"));
    });
    assert!(ended.join().is_err());
}

fn served(clock: &Clock, device: Device) -> (SimulatedBench, Wire) {
    let wire = Wire::Memory(format!("defect {device:?}"));
    let spec = BenchSpec {
        world: WorldSpec::new(1),
        world_file: None,
        absent: Span::ZERO,
        devices: vec![(device, wire.clone())],
    };
    let (bench, _) = SimulatedBench::start(clock, spec, &[]).expect("a bench");
    (bench, wire)
}

fn attached(wire: &Wire, role: Role) -> Attached {
    Attached {
        address: wire.address(),
        role,
        follows: None,
        tap: None,
    }
}

#[test]
fn a_defect_lifts_the_fingers() {
    let clock = Clock::wall();
    let (bench, wire) = served(&clock, Device::Fingers);
    let holder = clock.seat("holder");
    let (replies, mut inbox) = mailbox(holder.bell(), 8);
    let profile = shipped::profile(DEFAULT_FINGERS).expect("a profile");
    let role = Role::Presser(Box::new(ProfiledFingers::new(vec![1, 2, 3], profile, None)));
    let seat = clock.seat("port");
    let fingers = Instrument::start("fingers", seat, attached(&wire, role), replies);
    let fingers = fingers.expect("a thread");
    let hold = Span::from_secs(2); // the longest
    fingers
        .post(1, Verb::Press { coil: 2, hold })
        .expect("posted");
    let person = bench.person();
    until("pressed", || {
        let early = inbox.take().map(|reply| reply.outcome);
        assert!(early.is_none(), "{early:?}");
        person.sees_fingers_down() == [2]
    });
    defect(fingers);
    until("the finger is off", || {
        person.sees_fingers_down().is_empty()
    });
}

#[test]
fn a_defect_stops_the_carriage() {
    let clock = Clock::wall();
    let (bench, wire) = served(&clock, Device::Rail);
    let holder = clock.seat("holder");
    let (replies, mut inbox) = mailbox(holder.bell(), 8);
    let mm = Length::from_mm;
    let card = RailCard {
        low: mm(1),
        high: mm(2000),
        speed: WorldSpec::new(1).rail.speed,
        acceleration: WorldSpec::new(1).rail.acceleration,
        home_at: mm(1),
        overshoot: mm(2),
        tolerance: Length::from_um(20),
        home_within: Span::from_secs(60),
    };
    let profile = shipped::profile(shipped::DEFAULT_RAIL).expect("a profile");
    let role = Role::Positioner(Box::new(ProfiledRail::new(card, profile, None)));
    let seat = clock.seat("port");
    let rail = Instrument::start("rail", seat, attached(&wire, role), replies);
    let rail = rail.expect("a thread");
    rail.post(1, Verb::Home).expect("posted");
    until("homed", || match inbox.take().map(|reply| reply.outcome) {
        Some(outcome) => matches!(outcome.expect("homed"), Answer::Homed(_)),
        None => false,
    });
    let at = || bench.world().carriage(clock.now().mono);
    rail.post(2, Verb::Go(mm(1900))).expect("posted");
    assert!(at() < mm(50), "it is at home");
    until("on its way", || at() > mm(100));
    defect(rail);
    let mut last = Length::ZERO;
    until("it stands", || {
        std::thread::sleep(Duration::from_millis(50));
        let now = at();
        std::mem::replace(&mut last, now) == now
    });
    assert!(
        last < mm(1000),
        "it stands at {last:?}, and was sent to 1900 mm"
    );
}
