//! Each driver against its simulated machine, over memory wires and over real
//! pseudo-terminals, on the simulated clock.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use photometry::measured::{Outcome, Reading};
use photometry::units::{Length, Lux, Mono, Span, Wall};

use super::identity;
use super::photometer::Photometer;
use super::positioner::{Positioner, Proof, Whereabouts};
use super::presser::Presser;
use super::profiled_fingers::ProfiledFingers;
use super::profiled_meter::{PhotometerCard, ProfiledMeter};
use super::profiled_rail::{ProfiledRail, RailCard};
use crate::clock::{Clock, Flow, Seat};
use crate::error::DriverError;
use crate::exchange::line;
use crate::exchange::talk::{LinkState, Talk};
use crate::exchange::testing::{Scripted, converse};
use crate::link::Link;
use crate::profile::perform::Given;
use crate::profile::shipped;
use crate::simulated::bench::{BenchSpec, SimulatedBench, Wire};
use crate::simulated::carriage::trapezoid;
use crate::simulated::faults::{Device, Event, Fault, Planned};
use crate::simulated::world::{RailSpeech, WorldSpec};

const DEVICES: [(Device, &str); 3] = [
    (Device::Meter, "meter"),
    (Device::Rail, "rail"),
    (Device::Fingers, "fingers"),
];

/// A simulated bench with one seat that talks to all of its devices.
pub(super) struct Rig {
    pub(super) bench: SimulatedBench,
    pub(super) seat: Seat,
    links: Vec<(Device, Link, LinkState)>,
    pub(super) abandon: Arc<AtomicBool>,
    _flow: Flow,
    _dir: tempfile::TempDir,
}

impl Rig {
    fn new(pty: bool, faults: &[(u64, Fault)]) -> Rig {
        Rig::with_rail(RailSpeech::Bytes, pty, faults)
    }

    /// With a rail that is spoken to like this.
    pub(super) fn with_rail(speaks: RailSpeech, pty: bool, faults: &[(u64, Fault)]) -> Rig {
        let dir = tempfile::tempdir().expect("a directory");
        let clock = Clock::simulated(Wall::from_us(0), Mono::ZERO);
        let mut world = WorldSpec::new(1);
        world.rail_speaks = speaks;
        world.faults = faults
            .iter()
            .cloned()
            .map(|(nth, fault)| Planned { nth, fault })
            .collect();
        let wire = |name: &str| {
            if pty {
                Wire::Pty(dir.path().join(name))
            } else {
                Wire::Memory(name.to_owned())
            }
        };
        let spec = BenchSpec {
            world,
            world_file: pty.then(|| dir.path().join("world.json")),
            absent: Span::ZERO,
            devices: DEVICES
                .iter()
                .map(|(device, name)| (*device, wire(name)))
                .collect(),
        };
        let (bench, mut seats) = SimulatedBench::start(&clock, spec, &["port"]).expect("a bench");
        let links = DEVICES
            .iter()
            .map(|(device, name)| {
                let link = Link::open(&wire(name).address(), &clock).expect("a link");
                (*device, link, LinkState::new())
            })
            .collect();
        Rig {
            bench,
            seat: seats.remove(0),
            links,
            abandon: Arc::default(),
            _flow: clock.hold_flow(),
            _dir: dir,
        }
    }

    pub(super) fn talk(&mut self, with: Device) -> Talk<'_> {
        let at = DEVICES.iter().position(|(device, _)| *device == with);
        let (_, link, state) = &mut self.links[at.expect("a device")];
        Talk::new(&mut self.seat, link, &self.abandon, state)
    }

    pub(super) fn now(&self) -> Mono {
        self.seat.now().mono
    }

    fn read(&mut self, meter: &mut ProfiledMeter) -> Result<Reading, DriverError> {
        meter.read_illuminance(&mut self.talk(Device::Meter))
    }

    fn rail(&mut self) -> ProfiledRail {
        let mut rail = byte_rail();
        rail.open(&mut self.talk(Device::Rail)).expect("a rail");
        rail
    }

    fn homed(&mut self) -> ProfiledRail {
        let mut rail = self.rail();
        let homing = rail.home(&mut self.talk(Device::Rail)).expect("a home");
        assert_eq!(homing.proof, Proof::FirstTime);
        rail
    }

    fn meter(&mut self) -> ProfiledMeter {
        let mut meter = asked_meter(meter_card());
        meter.open(&mut self.talk(Device::Meter)).expect("a meter");
        meter
    }
}

fn asked_meter(card: PhotometerCard) -> ProfiledMeter {
    let profile = shipped::profile(shipped::DEFAULT_METER).expect("a profile");
    ProfiledMeter::new(card, profile, None)
}

fn byte_rail() -> ProfiledRail {
    let profile = shipped::profile(shipped::DEFAULT_RAIL).expect("a profile");
    ProfiledRail::new(rail_card(), profile, None)
}

fn asked_relays() -> ProfiledFingers {
    let profile = shipped::profile(shipped::DEFAULT_FINGERS).expect("a profile");
    ProfiledFingers::new(vec![1, 2, 3], profile, None)
}

fn meter_card() -> PhotometerCard {
    PhotometerCard {
        name: "lux".to_owned(),
        aperture: Span::from_ms(200),
        averages: 2,
        plausible: (Lux(-1.0), Lux(200_000.0)),
        has_shutter: true,
    }
}

pub(super) fn rail_card() -> RailCard {
    let model = WorldSpec::new(1).rail;
    RailCard {
        low: model.home_at,
        high: model.travel,
        speed: model.speed,
        acceleration: model.acceleration,
        home_at: model.home_at,
        overshoot: Length::from_mm(1),
        tolerance: Length::from_um(20),
        home_within: Span::from_mins(4),
    }
}

pub(super) fn mm(mm: i64) -> Length {
    Length::from_mm(mm)
}

/// A whole small job: home, go, press, read, home. The same over both wires.
fn small_job(pty: bool) -> String {
    let mut rig = Rig::new(pty, &[]);
    let mut fingers = asked_relays();
    let board = fingers
        .open(&mut rig.talk(Device::Fingers))
        .expect("a board");
    let mut rail = rig.homed();
    let mut meter = rig.meter();
    let press = fingers
        .press(&mut rig.talk(Device::Fingers), 1, Span::from_ms(100))
        .expect("a press");
    assert_eq!(press.up.mono.since(press.down.mono), Span::from_ms(100));
    let mut story = format!("{}\n", board.raw);
    for target in [mm(900), mm(300), mm(600)] {
        let stands = rail
            .go(&mut rig.talk(Device::Rail), target)
            .expect("a move");
        assert_eq!(rig.bench.world().carriage(rig.now()), target);
        let reading = rig.read(&mut meter).expect("a reading");
        let raw = String::from_utf8_lossy(&reading.raw).into_owned();
        story += &format!(
            "{stands} {raw}{:?} {:?}\n",
            reading.range, reading.taken.mono
        );
    }
    let homing = rail.home(&mut rig.talk(Device::Rail)).expect("a home");
    assert_eq!(homing.proof, Proof::Offset(Length::ZERO));
    story
}

#[test]
fn a_small_job_is_the_same_over_memory_and_over_a_pty() {
    let memory = small_job(false);
    assert_eq!(memory.lines().count(), 7, "{memory}");
    assert_eq!(memory, small_job(true));
}

/// The same drivers in real time: the kernel's own bytes, no ledger.
#[test]
fn meter_and_fingers_answer_on_the_wall_clock() {
    let dir = tempfile::tempdir().expect("a directory");
    let clock = Clock::wall();
    let wires = [Device::Meter, Device::Fingers]
        .map(|device| (device, Wire::Pty(dir.path().join(format!("{device:?}")))));
    let spec = BenchSpec {
        world: WorldSpec::new(1),
        world_file: None,
        absent: Span::ZERO,
        devices: wires.to_vec(),
    };
    let (_bench, mut seats) = SimulatedBench::start(&clock, spec, &["port"]).expect("a bench");
    let never = AtomicBool::new(false);
    let [mut to_meter, mut to_board] =
        wires.map(|(_, wire)| Link::open(&wire.address(), &clock).expect("a link"));
    let mut state = LinkState::new();
    let talk = &mut Talk::new(&mut seats[0], &mut to_meter, &never, &mut state);
    let mut meter = asked_meter(PhotometerCard {
        aperture: Span::from_ms(1),
        ..meter_card()
    });
    let identity = meter.open(talk).expect("a meter");
    assert_eq!(identity.model, "Illuminance meter");
    let reading = meter.read_illuminance(talk).expect("a reading");
    assert!(reading.outcome.value().is_some(), "{reading:?}");
    let mut state = LinkState::new();
    let talk = &mut Talk::new(&mut seats[0], &mut to_board, &never, &mut state);
    let mut fingers = asked_relays();
    fingers.open(talk).expect("a board");
    fingers.press(talk, 1, Span::from_ms(70)).expect("a press");
}

#[test]
fn a_reading_agrees_with_the_world() {
    let mut rig = Rig::new(false, &[]);
    let mut rail = rig.homed();
    let mut meter = rig.meter();
    rig.bench.person().set_level(12, rig.now());
    rail.go(&mut rig.talk(Device::Rail), mm(900))
        .expect("a move");
    let reading = rig.read(&mut meter).expect("a reading");
    let value = reading.outcome.value().expect("a value");
    // Two samples of 200 ms: the middle is 200 ms after the asking.
    let light = rig
        .bench
        .world()
        .light(reading.asked.mono + Span::from_ms(200));
    let shown = light.0 * rig.bench.world().hidden().gain;
    assert!((value / shown - 1.0).abs() < 5.0 * 0.001, "{value} {shown}");
    assert_eq!(reading.range, Some(20_000.0));
    assert_eq!(
        reading.taken.mono.since(reading.asked.mono),
        Span::from_ms(403)
    );
    assert_eq!(reading.flags, Vec::<String>::new());
    meter
        .shutter(&mut rig.talk(Device::Meter), true)
        .expect("a shutter");
    let dark = rig.read(&mut meter).expect("a reading").outcome.value();
    assert!(dark.is_some_and(|lux| lux.abs() < 0.01), "{dark:?}");
}

/// Driver acceptance: what a reading becomes when the meter misbehaves. The
/// opening asks seven questions, a reading two.
#[test]
fn a_misbehaving_meter_gives_outcomes_and_never_wrong_values() {
    let late = Span::from_ms(2_500);
    let over = Outcome::Over(2.0);
    let no_number = Outcome::Rejected("the meter has no number".to_owned());
    let garbled = Outcome::Rejected("`\u{fffd}7;x` is not a number".to_owned());
    let cases = [
        (Fault::OverRange, over, 0),
        (Fault::NoNumber, no_number, 0),
        (Fault::Silent(Device::Meter), Outcome::TimedOut, 1),
        (Fault::Late(Device::Meter, late), Outcome::TimedOut, 1),
        (
            Fault::Garbage(Device::Meter, b"\x017;x\n".to_vec()),
            garbled,
            0,
        ),
    ];
    for (fault, outcome, resyncs) in cases {
        let mut probe = Rig::new(false, &[]);
        probe.meter();
        let asked = probe.bench.world().count(Event::MeterAsked);
        let nth = if fault.counts() == Event::Read {
            1
        } else {
            asked + 1
        };
        let mut rig = Rig::new(false, &[(nth, fault.clone())]);
        let mut meter = rig.meter();
        let first = rig.read(&mut meter).expect("a reading");
        assert_eq!(first.outcome, outcome, "{fault:?}");
        let second = rig.read(&mut meter).expect("a reading");
        let value = second.outcome.value().expect("a value");
        // Lamp off: ambient light and the dark offset.
        assert!((value - 0.05).abs() < 0.02, "{fault:?}: {value}");
        let flagged = second
            .flags
            .iter()
            .filter(|f| *f == "answered after a resync");
        assert_eq!(flagged.count(), resyncs, "{fault:?}");
    }
}

#[test]
fn a_dead_meter_is_an_error_in_bounded_time() {
    let mut probe = Rig::new(false, &[]);
    probe.meter();
    let asked = probe.bench.world().count(Event::MeterAsked);
    let mut rig = Rig::new(false, &[(asked + 2, Fault::Dead(Device::Meter))]);
    let mut meter = rig.meter();
    let start = rig.now();
    let first = rig.read(&mut meter).expect("a reading");
    // It dies between the value and the range: the value stands.
    assert_eq!(first.flags, ["range not told"]);
    assert!(first.outcome.value().is_some() && first.range.is_none());
    let second = rig.read(&mut meter);
    assert!(
        matches!(second, Err(DriverError::Silent { .. })),
        "{second:?}"
    );
    assert_eq!(rig.now().since(start), Span::from_ms(17_403));
}

/// A certificate is one meter's: another is refused before it is set up.
#[test]
fn a_meter_with_another_serial_than_demanded_is_refused() {
    let told = |seed: u64| format!("{:06}", seed % 1_000_000);
    let asked = || {
        let profile = shipped::profile(shipped::DEFAULT_METER).expect("a profile");
        ProfiledMeter::new(meter_card(), profile, None)
    };
    let mut rig = Rig::new(false, &[]);
    let seed = rig.bench.world().spec().seed;
    let mut right = asked().demanding(Some(told(seed)));
    right
        .open(&mut rig.talk(Device::Meter))
        .expect("the right one");
    let mut rig = Rig::new(false, &[]);
    let mut wrong = asked().demanding(Some("0107".to_owned()));
    let refused = wrong.open(&mut rig.talk(Device::Meter));
    let refused = refused.expect_err("another one");
    let words = format!(
        "the bench file demands serial 0107, and the device says it is {}. Plug the right one \
         in, or correct `serial` and the calibration in the bench file",
        told(seed)
    );
    assert_eq!(refused.to_string(), words);
    assert!(!refused.link_is_gone());
}

#[test]
fn an_unplugged_meter_is_gone() {
    for pty in [false, true] {
        let mut rig = Rig::new(pty, &[]);
        let mut meter = rig.meter();
        assert!(rig.bench.unplug(Device::Meter));
        let gone = rig.read(&mut meter);
        assert!(
            gone.as_ref().is_err_and(DriverError::link_is_gone),
            "{gone:?}"
        );
    }
}

#[test]
fn nothing_moves_before_homing_or_outside_the_travel() {
    let mut rig = Rig::new(false, &[]);
    let mut rail = rig.rail();
    let talk = &mut rig.talk(Device::Rail);
    assert!(matches!(rail.go(talk, mm(100)), Err(DriverError::NotHomed)));
    assert_eq!(rail.whereis(talk).expect("an answer"), Whereabouts::Unknown);
    rail.home(talk).expect("a home");
    rail.go(talk, mm(100)).expect("a move");
    for outside in [Length::from_um(2_000_001), Length::from_um(1_900), mm(-5)] {
        let refused = rail.go(talk, outside);
        assert!(
            matches!(refused, Err(DriverError::OutsideTravel { .. })),
            "{outside}"
        );
    }
    assert_eq!(
        rail.whereis(talk).expect("an answer"),
        Whereabouts::At(mm(100))
    );
}

/// The trapezoid of each leg and the barrier's 1 ms; the answers' own bytes
/// take less than 1 ms on the line.
#[test]
fn a_move_takes_its_trapezoid_and_arrives_upwards() {
    let mut rig = Rig::new(false, &[]);
    let mut rail = rig.homed();
    let (v, a) = (0.15, 0.4);
    let legs = [
        (Length::from_um(153_400), vec![0.1524]),
        (Length::from_um(458_200), vec![0.3048]),
        (Length::from_um(153_400), vec![0.3058, 0.001]),
    ];
    for (target, ways) in legs {
        let start = rig.now();
        rail.go(&mut rig.talk(Device::Rail), target)
            .expect("a move");
        let took = rig.now().since(start).secs();
        let formula: f64 = ways.iter().map(|way| trapezoid(*way, v, a) + 0.001).sum();
        assert!(
            (0.0..0.001).contains(&(took - formula)),
            "{target}: {took} {formula}"
        );
        assert_eq!(rig.bench.world().carriage(rig.now()), target);
    }
}

#[test]
fn lost_steps_show_at_the_next_homing() {
    let lost = Length::from_um(250);
    let far = mm(7);
    // The homing's own touch and return are moves one and two.
    for (way, proof) in [(lost, Proof::Offset(lost)), (far, Proof::NotWithin(mm(3)))] {
        let mut rig = Rig::new(false, &[(3, Fault::LostSteps(way))]);
        let mut rail = rig.homed();
        let talk = &mut rig.talk(Device::Rail);
        assert_eq!(rail.go(talk, mm(500)).expect("a move"), mm(500));
        let homing = rail.home(talk).expect("a home");
        assert_eq!(homing.proof, proof);
        rail.go(talk, mm(200)).expect("a move");
        assert_eq!(
            rail.home(talk).expect("a home").proof,
            Proof::Offset(Length::ZERO)
        );
    }
}

/// Steps lost in a homing's own touch shift the switch with all coordinates: the
/// touch of the next homing shows it.
#[test]
fn steps_lost_in_the_touch_of_a_homing_show_at_the_next() {
    for fault in [Fault::Stall, Fault::LostSteps(Length::from_um(250))] {
        let mut rig = Rig::new(false, &[(1, fault.clone())]);
        let mut rail = rig.homed();
        let talk = &mut rig.talk(Device::Rail);
        rail.go(talk, mm(500)).expect("a move");
        let homing = rail.home(talk).expect("a home");
        let Proof::Offset(way) = homing.proof else {
            panic!("{fault:?} {homing:?}");
        };
        assert!(way.abs() >= Length::from_um(250), "{fault:?} {way}");
        rail.go(talk, mm(200)).expect("a move");
        assert_eq!(rig.bench.world().carriage(rig.now()), mm(200), "{fault:?}");
        let talk = &mut rig.talk(Device::Rail);
        let homing = rail.home(talk).expect("a home");
        assert_eq!(homing.proof, Proof::Offset(Length::ZERO), "{fault:?}");
    }
}

/// Driver acceptance: homing failed, power lost in the middle, a late or
/// missing ok. Afterwards nothing moves until it is homed, and then it does.
#[test]
fn after_any_fault_of_the_rail_it_must_be_homed() {
    let mut probe = Rig::new(false, &[]);
    probe.homed();
    let asked = probe.bench.world().count(Event::RailAsked);
    let faults = [
        (3, Fault::PowerLoss),
        (asked + 1, Fault::Silent(Device::Rail)),
        (asked + 1, Fault::Late(Device::Rail, Span::from_secs(4))),
        (asked + 2, Fault::Late(Device::Rail, Span::from_secs(40))),
        (
            asked + 1,
            Fault::Garbage(Device::Rail, b"\xff\xfe\n".to_vec()),
        ),
    ];
    for fault in faults {
        let mut rig = Rig::new(false, std::slice::from_ref(&fault));
        let mut rail = rig.homed();
        let talk = &mut rig.talk(Device::Rail);
        let failed = rail.go(talk, mm(400));
        assert!(failed.is_err(), "{fault:?}");
        assert_eq!(rail.known(), Whereabouts::Unknown, "{fault:?}");
        assert!(matches!(rail.go(talk, mm(400)), Err(DriverError::NotHomed)));
        let mut homed = rail.home(talk);
        if homed.is_err() {
            homed = rail.home(talk);
        }
        assert_eq!(homed.expect("a home").proof, Proof::FirstTime, "{fault:?}");
        rail.go(talk, mm(400)).expect("a move");
        assert_eq!(rig.bench.world().carriage(rig.now()), mm(400), "{fault:?}");
    }
}

#[test]
fn a_switch_that_never_closes_is_an_alarm_and_a_dead_rail_is_gone() {
    let mut rig = Rig::new(false, &[(1, Fault::BlindSwitch)]);
    let mut rail = rig.rail();
    let failed = rail.home(&mut rig.talk(Device::Rail));
    assert!(
        matches!(failed, Err(DriverError::Alarm { code: 9 })),
        "{failed:?}"
    );
    rail.home(&mut rig.talk(Device::Rail))
        .expect("a home, now that it closes");

    let mut rig = Rig::new(false, &[(1, Fault::Dead(Device::Rail))]);
    let mut rail = byte_rail();
    let dead = rail.open(&mut rig.talk(Device::Rail));
    assert!(
        dead.as_ref().is_err_and(DriverError::link_is_gone),
        "{dead:?}"
    );
}

#[test]
fn an_abandoned_move_is_held_and_a_stop_stops() {
    let mut rig = Rig::new(false, &[]);
    let mut rail = rig.homed();
    rig.abandon.store(true, Ordering::SeqCst);
    let abandoned = rail.go(&mut rig.talk(Device::Rail), mm(1900));
    assert!(matches!(abandoned, Err(DriverError::Abandoned)));
    assert_eq!(rail.known(), Whereabouts::Unknown);
    rail.stop(&mut rig.talk(Device::Rail))
        .expect("stopped, though abandoned");
    let stopped = rig.bench.world().carriage(rig.now());
    rig.abandon.store(false, Ordering::SeqCst);
    let later = rig.now() + Span::from_mins(1);
    rig.talk(Device::Rail).pause(later).expect("a pause");
    assert_eq!(rig.bench.world().carriage(rig.now()), stopped);
    rail.home(&mut rig.talk(Device::Rail)).expect("a home");
}

/// The request is withdrawn while the carriage is on its way.
#[test]
fn a_move_abandoned_on_its_way_is_held() {
    let mut rig = Rig::new(false, &[]);
    let mut rail = rig.homed();
    let start = rig.now();
    let mut person = rig.seat.clock().seat("person");
    let bell = rig.seat.bell();
    let abandon = Arc::clone(&rig.abandon);
    let acting = std::thread::spawn(move || {
        person.wait(Some(start + Span::from_secs(2)), None);
        abandon.store(true, Ordering::SeqCst);
        bell.ring();
    });
    let abandoned = rail.go(&mut rig.talk(Device::Rail), mm(1900));
    assert!(matches!(abandoned, Err(DriverError::Abandoned)));
    assert_eq!(rig.now(), start + Span::from_secs(2));
    acting.join().expect("a person");
    rig.abandon.store(false, Ordering::SeqCst);
    let later = rig.now() + Span::from_mins(1);
    rig.talk(Device::Rail).pause(later).expect("a pause");
    // From 1 mm: 150 mm/s x 2 s, less v²/2a of speeding up, more of braking.
    let at = rig.bench.world().carriage(rig.now());
    assert!((at - mm(301)).abs() < Length::from_um(500), "{at}");
}

/// Driver acceptance: homing refused (it is not enabled in the controller).
#[test]
fn a_refused_homing_says_why() {
    let script: [&[(i64, &[u8])]; 5] = [
        &[(50, b"Board 1.1\r\n")],
        &[(1, b"ok\r\n")],
        &[(1, b"[VER:1.1:77]\r\nok\r\n")],
        &[(1, b"error:5\r\n")],
        &[(1, b"ok\r\n")],
    ];
    converse(Scripted::new(&script), |talk| {
        let mut rail = byte_rail();
        let identity = rail.open(talk).expect("a rail");
        assert_eq!(identity.serial.as_deref(), Some("77"));
        let refused = rail.home(talk).map_err(|error| error.to_string());
        let why = "the device refused `$H`: 5 (homing is not enabled in the controller)";
        assert_eq!(refused.err().as_deref(), Some(why));
        assert_eq!(rail.known(), Whereabouts::Unknown);
    });
}

/// Driver acceptance: -350, and a setting that is refused or rounded away.
#[test]
fn a_meter_that_refuses_says_why() {
    let mut rig = Rig::new(false, &[]);
    let talk = &mut rig.talk(Device::Meter);
    for _ in 0..40 {
        line::tell(talk, "FOO").expect("sent");
        let next = talk.now().mono + Span::from_ms(10);
        talk.pause(next).expect("a pause");
    }
    let found = line::complaints(talk).expect("complaints");
    assert_eq!((found.len(), found[15].code), (16, -350));
    let mut meter = asked_meter(PhotometerCard {
        aperture: Span::from_secs(11),
        ..meter_card()
    });
    let refused = meter.open(talk).map_err(|error| error.to_string());
    let why = "the device refused `SENS:APER 11`: -222 Data out of range";
    assert_eq!(refused.err().as_deref(), Some(why));
    let mut meter = asked_meter(PhotometerCard {
        aperture: Span::from_ns(1_400_000),
        ..meter_card()
    });
    let rounded = meter.open(talk).map_err(|error| error.to_string());
    let why = "`integration` was set to 0.0014 and reads back as 1.000000E-03";
    assert_eq!(rounded.err().as_deref(), Some(why));
}

#[test]
fn another_device_under_the_same_name_is_refused() {
    // Each opening begins with a line that has no answer.
    let script: [&[(i64, &[u8])]; 4] = [
        &[],
        &[(1, b"Works,LM-3,17,1.0\n")],
        &[],
        &[(1, b"Works,LM-3,18,1.0\n")],
    ];
    converse(Scripted::new(&script), |talk| {
        let profile = shipped::profile(shipped::DEFAULT_METER).expect("a profile");
        let given = Given::of(&profile, None);
        let before = identity::ready(talk, &profile, given, None).expect("an identity");
        let other = identity::ready(talk, &profile, given, Some(&before))
            .map_err(|error| error.to_string());
        let why = "the device was `Works,LM-3,17,1.0` and now says it is `Works,LM-3,18,1.0`. \
                   Plug the right one in, or correct the bench file";
        assert_eq!(other.err().as_deref(), Some(why));
    });
}

#[test]
fn presses_walk_the_lamp_and_its_ends() {
    let mut rig = Rig::new(false, &[]);
    let mut fingers = asked_relays();
    fingers
        .open(&mut rig.talk(Device::Fingers))
        .expect("a board");
    let mut levels = Vec::new();
    for coil in [2, 1, 2, 2, 3, 1] {
        let talk = &mut rig.talk(Device::Fingers);
        fingers
            .press(talk, coil, Span::from_ms(100))
            .expect("a press");
        let rested = talk.now().mono + Span::from_ms(250);
        talk.pause(rested).expect("a pause");
        levels.push(rig.bench.person().sees_level(rig.now()));
    }
    assert_eq!(levels, [0, 6, 7, 8, 7, 0]);
    let talk = &mut rig.talk(Device::Fingers);
    for (coil, hold) in [
        (4, Span::from_ms(100)),
        (1, Span::ZERO),
        (1, Span::from_ms(2001)),
    ] {
        let refused = fingers.press(talk, coil, hold);
        assert!(
            matches!(refused, Err(DriverError::Unsendable(_))),
            "{coil} {hold}"
        );
    }
}

#[test]
fn a_coil_that_does_not_follow_is_named() {
    let cases = [
        (
            Fault::StuckCoil(2),
            "coil 2 does not close. Take the finger off the lamp and check the relay board",
        ),
        (
            Fault::WeldedCoil(2),
            "coil 2 does not open. Take the finger off the lamp and check the relay board",
        ),
    ];
    for (fault, message) in cases {
        let mut rig = Rig::new(false, &[(1, fault.clone())]);
        let mut fingers = asked_relays();
        let talk = &mut rig.talk(Device::Fingers);
        fingers.open(talk).expect("a board");
        let failed = fingers
            .press(talk, 2, Span::from_ms(100))
            .map_err(|e| e.to_string());
        assert_eq!(failed.err().as_deref(), Some(message));
        let released = fingers.release_all(talk);
        assert_eq!(
            released.is_err(),
            fault == Fault::WeldedCoil(2),
            "{released:?}"
        );
    }
}
