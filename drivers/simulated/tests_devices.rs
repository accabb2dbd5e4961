//! All devices of a bench at once, and what goes wrong with any of them.

use std::sync::atomic::AtomicBool;

use photometry::units::{Mono, Span, Wall};

use super::bench::{BenchSpec, SimulatedBench, Wire};
use super::contact::Contact;
use super::faults::{Device, Fault, Planned};
use super::level::Level;
use super::meter::Meter;
use super::outlets::Outlets;
use super::power_meter::PowerMeter;
use super::room_sensor::RoomSensor;
use super::spectroradiometer::Spectroradiometer;
use super::testing::answer;
use super::waveform_photometer::WaveformPhotometer;
use super::world::{World, WorldSpec};
use crate::clock::Clock;
use crate::exchange::line;
use crate::exchange::talk::{LinkState, Talk};
use crate::link::Link;
use crate::link::wire::Machine;

/// A device, a setting, a question, its answer with the setting and at power-up.
type Row = (
    Device,
    &'static str,
    &'static str,
    &'static [u8],
    &'static [u8],
);

/// The devices of lines besides rail, meter and fingers, each with a setting that
/// it does not have at power-up, its question, and its answers then and afterwards.
const DEVICES: [Row; 9] = [
    (
        Device::Meter2,
        "SENS:AVER:COUN 4",
        "SENS:AVER:COUN?",
        b"4\n",
        b"1\n",
    ),
    (
        Device::SpherePhotometer,
        "INP:SHUT CLOS",
        "INP:SHUT?",
        b"CLOS\n",
        b"OPEN\n",
    ),
    (
        Device::Spectroradiometer,
        "INP:SHUT CLOS",
        "INP:SHUT?",
        b"CLOS\n",
        b"OPEN\n",
    ),
    (
        Device::SphereSpectroradiometer,
        "SENS:APER 0.05",
        "SENS:APER?",
        b"5.000000E-02\n",
        b"1.000000E-01\n",
    ),
    (
        Device::WaveformPhotometer,
        "SENS:SWE:POIN 77",
        "SENS:SWE:POIN?",
        b"77\n",
        b"1000\n",
    ),
    (
        Device::PowerMeter,
        "SENS:APER 3",
        "SENS:APER?",
        b"3.000000E+00\n",
        b"2.000000E-01\n",
    ),
    (
        Device::Outlets,
        "ROUT:CLOS (@2)",
        "ROUT:CLOS? (@2)",
        b"1\n",
        b"0\n",
    ),
    (
        Device::Level,
        "LEV only,4",
        "LEV?",
        b"only,4\n",
        b"only,0\n",
    ),
    // An input has no setting.
    (Device::Contact, "*CLS", "INP?", b"1\n", b"1\n"),
];

fn machine(world: &World, device: Device) -> Box<dyn Machine> {
    match device {
        Device::Meter2 => Box::new(Meter::fixed(world)),
        Device::SpherePhotometer => Box::new(Meter::of_sphere(world)),
        Device::Spectroradiometer => Box::new(Spectroradiometer::machine(world)),
        Device::SphereSpectroradiometer => Box::new(Spectroradiometer::of_sphere(world)),
        Device::WaveformPhotometer => Box::new(WaveformPhotometer::machine(world)),
        Device::PowerMeter => Box::new(PowerMeter::machine(world)),
        Device::RoomSensor => Box::new(RoomSensor::machine(world)),
        Device::Outlets => Box::new(Outlets::machine(world)),
        Device::Level => Box::new(Level::machine(world)),
        Device::Contact => Box::new(Contact::machine(world)),
        Device::Meter | Device::Rail | Device::Fingers => unreachable!("{device:?}"),
    }
}

/// What comes of a fault at the second question: its answer and when the last of it
/// left, and what the third question is answered. `None`: the link breaks off.
fn struck(at: usize, fault: Fault) -> (Vec<u8>, Span, Option<Span>, Vec<u8>) {
    let (device, setting, question, before, _) = DEVICES[at];
    let mut spec = WorldSpec::new(1);
    spec.faults = vec![Planned { nth: 2, fault }];
    let world = World::start(spec, None, Mono::ZERO, Span::ZERO).expect("a world");
    let mut machine = machine(&world, device);
    let mut now = Mono::ZERO;
    answer(machine.as_mut(), &mut now, setting);
    assert_eq!(
        answer(machine.as_mut(), &mut now, question),
        before,
        "{device:?}"
    );
    let asked = now;
    let second = answer(machine.as_mut(), &mut now, question);
    let took = now.since(asked);
    let away = machine.breaks_off();
    let third = answer(machine.as_mut(), &mut now, question);
    (second, took, away, third)
}

#[test]
fn every_general_fault_strikes_at_every_device() {
    let (soon, late) = (Span::from_ms(3), Span::from_ms(700));
    for (at, (device, _, _, set, reset)) in DEVICES.into_iter().enumerate() {
        let silent = (Vec::new(), Span::ZERO, None, set.to_vec());
        assert_eq!(struck(at, Fault::Silent(device)), silent, "{device:?}");
        let lost = (Vec::new(), Span::ZERO, Some(late), set.to_vec());
        assert_eq!(struck(at, Fault::LinkLost(device, late)), lost);
        let dead = (Vec::new(), Span::ZERO, None, Vec::new());
        assert_eq!(struck(at, Fault::Dead(device)), dead);
        let said =
            |bytes: &[u8], took: Span, third: &[u8]| (bytes.to_vec(), took, None, third.to_vec());
        let noise = [b"\0", set].concat();
        let twice = [set, set].concat();
        let unended = &set[..set.len() - 1];
        let banner = b"Simulated device ready\n";
        let cases = [
            (Fault::Late(device, late), said(set, late + soon, set)),
            (Fault::Split(device, late), said(set, late + soon, set)),
            (Fault::Garbage(device, b"?".to_vec()), said(b"?", soon, set)),
            (Fault::Noise(device, vec![0]), said(&noise, soon, set)),
            (Fault::Stale(device), said(&twice, soon, set)),
            (Fault::Unended(device), said(unended, soon, set)),
            (Fault::Forgets(device), said(reset, soon, reset)),
            (
                Fault::Reset(device),
                said(banner, Span::from_ms(100), reset),
            ),
        ];
        for (fault, wanted) in cases {
            assert_eq!(struck(at, fault.clone()), wanted, "{fault:?}");
        }
    }
}

#[test]
fn a_whole_bench_answers_at_once() {
    let all = [
        (Device::Meter, "Illuminance meter,000001"),
        (Device::Meter2, "Illuminance meter,000003"),
        (Device::SpherePhotometer, "Sphere photometer,000004"),
        (Device::Spectroradiometer, "Spectroradiometer,000001"),
        (
            Device::SphereSpectroradiometer,
            "Sphere spectroradiometer,000002",
        ),
        (Device::WaveformPhotometer, "Waveform photometer,000001"),
        (Device::PowerMeter, "Power meter,000001"),
        (Device::RoomSensor, "Room sensor,000001"),
        (Device::Outlets, "Outlet board,4"),
        (Device::Level, "Lamp control,000001"),
        (Device::Contact, "Stop button,000001"),
        (Device::Fingers, "Relay board,8"),
    ];
    let clock = Clock::simulated(Wall::from_us(0), Mono::ZERO);
    let wire = |device: Device| Wire::Memory(format!("{device:?}"));
    let bench = BenchSpec {
        world: WorldSpec::new(1),
        world_file: None,
        absent: Span::ZERO,
        devices: all.map(|(device, _)| (device, wire(device))).to_vec(),
    };
    let (bench, mut seats) = SimulatedBench::start(&clock, bench, &["port"]).expect("a bench");
    let _flow = clock.hold_flow();
    let never = AtomicBool::new(false);
    let second = Span::from_secs(1);
    for (device, identity) in all {
        let mut link = Link::open(&wire(device).address(), &clock).expect("a link");
        let mut state = LinkState::new();
        let mut talk = Talk::new(&mut seats[0], &mut link, &never, &mut state);
        let said = line::ask(&mut talk, "*IDN?", second).expect("an answer");
        assert_eq!(said.text, format!("Simulated,{identity},1.0"));
        let said = line::ask(&mut talk, "*ESE 77;*ESE?", second).expect("an answer");
        assert_eq!(said.text, "77");
        assert!(bench.unplug(device), "{device:?}");
    }
}

proptest::proptest! {
    #[test]
    fn no_bytes_panic(
        nth in 0_usize..10,
        bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..300),
    ) {
        let device = DEVICES.get(nth).map_or(Device::RoomSensor, |device| device.0);
        let world = World::start(WorldSpec::new(1), None, Mono::ZERO, Span::ZERO);
        let mut machine = machine(&world.expect("a world"), device);
        let mut now = Mono::ZERO;
        machine.bytes(now, &bytes);
        answer(machine.as_mut(), &mut now, "");
    }
}
