//! A SCPI illuminance meter: aperture, averages, ranges, noise, a shutter.
//!
//! `READ?` integrates for aperture × averages and then computes the mean light,
//! taken in the middle of that time. Its calibration is off by the world's
//! hidden gain error. Served by `bench`; not here: lines (`scpi_device`).

use photometry::units::{Lux, Mono, Ratio, Span};
use serde::{Deserialize, Serialize};

use super::faults::{Device, Event, Fault};
use super::random::{Stream, normal};
use super::scpi_device::{
    DATA_TYPE, Instrument, OUT_OF_RANGE, Reply, ScpiDevice, UNDEFINED_HEADER, Unit, closes, shutter,
};
use super::world::{World, WorldSpec};

/// What a meter is made of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeterModel {
    /// Upper ends of the ranges, rising; at least one.
    pub ranges: Vec<Lux>,
    /// Counts in a range.
    pub counts: u32,
    /// Noise of one integration, relative.
    pub noise: Ratio,
    /// Noise of one integration, at any light.
    pub floor: Lux,
    /// What it shows with its shutter closed.
    pub dark: Lux,
}

impl MeterModel {
    /// 20 000 counts, 2 lx to 200 klx, 0.1 % of noise.
    pub fn handheld() -> MeterModel {
        MeterModel {
            ranges: [2.0, 20.0, 200.0, 2e3, 2e4, 2e5].map(Lux).to_vec(),
            counts: 20_000,
            noise: Ratio::new(0.001),
            floor: Lux(0.0005),
            dark: Lux(0.004),
        }
    }

    /// At a sphere's port, where there is much light: 20 lx to 200 klx, and more
    /// dark signal.
    pub fn sphere() -> MeterModel {
        MeterModel {
            ranges: [20.0, 200.0, 2e3, 2e4, 2e5].map(Lux).to_vec(),
            floor: Lux(0.002),
            dark: Lux(0.15),
            ..MeterModel::handheld()
        }
    }
}

/// A meter's settings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeterState {
    aperture: Span,
    averages: u32,
    closed: bool,
    range: Lux,
    /// Held in this range, whatever the light; none where it chooses by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    fixed: Option<Lux>,
}

impl MeterState {
    /// As after power-up: 100 ms, one average, shutter open.
    pub fn new() -> MeterState {
        MeterState {
            aperture: Span::from_ms(100),
            averages: 1,
            closed: false,
            range: Lux(0.0),
            fixed: None,
        }
    }
}

impl Default for MeterState {
    fn default() -> MeterState {
        MeterState::new()
    }
}

/// An illuminance meter as an instrument: the one on the carriage, the fixed one,
/// or the sphere's.
pub(super) struct Meter {
    world: World,
    which: Device,
    faults: Vec<Fault>,
    serial: u64,
}

impl Meter {
    /// The one on the carriage, ready for a wire.
    pub(super) fn machine(world: &World) -> ScpiDevice<Meter> {
        Meter::numbered(world, Device::Meter, 0)
    }

    /// Another one of the same kind in its place.
    pub(super) fn another(world: &World) -> ScpiDevice<Meter> {
        Meter::numbered(world, Device::Meter, 1)
    }

    /// The fixed one.
    pub(super) fn fixed(world: &World) -> ScpiDevice<Meter> {
        Meter::numbered(world, Device::Meter2, 2)
    }

    /// The one at the sphere's port.
    pub(super) fn of_sphere(world: &World) -> ScpiDevice<Meter> {
        Meter::numbered(world, Device::SpherePhotometer, 3)
    }

    fn numbered(world: &World, which: Device, nth: u64) -> ScpiDevice<Meter> {
        let meter = Meter {
            world: world.clone(),
            which,
            faults: Vec::new(),
            serial: (world.spec().seed + nth) % 1_000_000,
        };
        ScpiDevice::new(world.clone(), meter)
    }

    /// What it is made of.
    fn model<'a>(&self, spec: &'a WorldSpec) -> &'a MeterModel {
        match self.which {
            Device::Meter2 => &spec.equipment.fixed_meter,
            Device::SpherePhotometer => &spec.equipment.sphere_photometer,
            _ => &spec.meter,
        }
    }

    /// What its readings count, and the stream of their noise.
    fn readings(&self) -> (Event, Stream) {
        match self.which {
            Device::Meter2 => (Event::Meter2Read, Stream::Meter2Noise),
            Device::SpherePhotometer => (Event::SphereRead, Stream::SphereNoise),
            _ => (Event::Read, Stream::MeterNoise),
        }
    }

    /// The light before it.
    fn light(&self, now: Mono) -> Lux {
        match self.which {
            Device::Meter2 => self.world.fixed_light(now),
            Device::SpherePhotometer => self.world.port(now),
            _ => self.world.light(now),
        }
    }

    fn settings(&self) -> MeterState {
        self.with_settings(|state| state.clone())
    }

    fn change(&self, how: impl FnOnce(&mut MeterState)) -> Reply {
        self.with_settings(how);
        Reply::Done
    }

    fn with_settings<T>(&self, how: impl FnOnce(&mut MeterState) -> T) -> T {
        let mut state = self.world.state();
        how(match self.which {
            Device::Meter2 => &mut state.equipment.fixed_meter,
            Device::SpherePhotometer => &mut state.equipment.sphere_photometer,
            _ => &mut state.meter,
        })
    }

    /// Held in the least range that holds this much; 0 leaves it free.
    fn hold_range(&self, lux: f64) -> Reply {
        let spec = self.world.spec();
        let mut ranges = self.model(&spec).ranges.iter();
        let range = ranges.find(|range| lux <= range.0).copied();
        match range {
            _ if lux == 0.0 => self.change(|state| state.fixed = None),
            Some(range) if lux > 0.0 => self.change(|state| state.fixed = Some(range)),
            _ => OUT_OF_RANGE,
        }
    }

    fn integration(&self) -> Span {
        let state = self.settings();
        state.aperture.times(i64::from(state.averages))
    }

    /// What the sensor gives, before it is cut to counts.
    fn sensed(&self, now: Mono) -> f64 {
        let spec = self.world.spec();
        let model = self.model(&spec);
        let half = Span::from_ns(self.integration().ns() / 2);
        let state = self.settings();
        let light = if state.closed {
            0.0
        } else {
            self.light(now + -half).0 * self.world.gain(self.which)
        };
        let (event, stream) = self.readings();
        let reading = self.world.count(event);
        let draw = |which| normal(spec.seed, stream, 2 * reading + which);
        let spread = 1.0 / f64::from(state.averages).sqrt();
        let relative = model.noise.share() * spread * draw(0);
        let floor = model.floor.0 * spread * draw(1);
        light * (1.0 + relative) + model.dark.0 + floor
    }
}

impl Instrument for Meter {
    fn device(&self) -> Device {
        self.which
    }

    fn identity(&self) -> String {
        let kind = match self.which {
            Device::SpherePhotometer => "Sphere photometer",
            _ => "Illuminance meter",
        };
        format!("Simulated,{kind},{:06},1.0", self.serial)
    }

    fn reset(&mut self, _now: Mono) {
        self.change(|state| *state = MeterState::new());
    }

    fn execute(&mut self, now: Mono, unit: &Unit) -> Reply {
        let state = self.settings();
        if unit.query {
            return if unit.is("READ") {
                self.faults = self.world.happens(self.readings().0);
                self.world.lamp_suffers(&self.faults, now);
                Reply::After(self.integration())
            } else if unit.is("SENSe:APERture") {
                Reply::Answer(nr3(state.aperture.secs()))
            } else if unit.is("SENSe:AVERage:COUNt") {
                Reply::Answer(state.averages.to_string())
            } else if unit.is("SENSe:RANGe") {
                Reply::Answer(nr3(state.range.0))
            } else if unit.is("SENSe:RANGe:FIX") {
                Reply::Answer(nr3(state.fixed.map_or(0.0, |range| range.0)))
            } else if unit.is("INPut:SHUTter") {
                shutter(state.closed)
            } else {
                UNDEFINED_HEADER
            };
        }
        if unit.is("INPut:SHUTter") {
            let Some(closed) = closes(unit) else {
                return DATA_TYPE;
            };
            return self.change(|state| state.closed = closed);
        }
        let known = ["SENSe:APERture", "SENSe:AVERage:COUNt", "SENSe:RANGe:FIX"];
        if !known.iter().any(|known| unit.is(known)) {
            return UNDEFINED_HEADER;
        }
        let Some(number) = unit.number() else {
            return DATA_TYPE;
        };
        if unit.is("SENSe:RANGe:FIX") {
            return self.hold_range(number);
        }
        if unit.is("SENSe:APERture") && (0.001..=10.0).contains(&number) {
            // Rounded to the millisecond without a word, as devices do.
            let aperture = Span::from_ms((number * 1e3).round() as i64);
            self.change(|state| state.aperture = aperture)
        } else if unit.is("SENSe:AVERage:COUNt") && (1.0..=100.0).contains(&number) {
            self.change(|state| state.averages = number as u32)
        } else {
            OUT_OF_RANGE
        }
    }

    fn finish(&mut self, now: Mono) -> Vec<u8> {
        let faults = std::mem::take(&mut self.faults);
        let sensed = self.sensed(now);
        let spec = self.world.spec();
        let model = self.model(&spec);
        let fixed = self.settings().fixed;
        let mut ranges = model
            .ranges
            .iter()
            .filter(|range| fixed.is_none_or(|f| f == **range));
        let fits = ranges.find(|range| sensed <= range.0);
        let top = model.ranges.last().copied().unwrap_or(Lux(0.0));
        let range = fits.copied().or(fixed).unwrap_or(top);
        self.change(|state| state.range = range);
        if fits.is_none() {
            return b"9.9E37".to_vec();
        }
        if let Some(said) = faults.iter().find_map(says_instead) {
            return said;
        }
        let count = range.0 / f64::from(model.counts);
        nr3((sensed / count).round() * count).into_bytes()
    }
}

/// What a meter says instead of its number.
pub(super) fn says_instead(fault: &Fault) -> Option<Vec<u8>> {
    match fault {
        Fault::OverRange => Some(b"9.9E37".to_vec()),
        Fault::NoNumber => Some(b"9.91E37".to_vec()),
        Fault::Says(text) => Some(text.clone().into_bytes()),
        _ => None,
    }
}

/// NR3 with seven digits: `5.006312E+02`.
pub(super) fn nr3(value: f64) -> String {
    let written = format!("{value:.6E}");
    match written.split_once('E') {
        Some((mantissa, exponent)) => {
            let exponent: i32 = exponent.parse().unwrap_or(0);
            format!("{mantissa}E{exponent:+03}")
        }
        None => written,
    }
}

#[cfg(test)]
mod tests {
    use super::super::lamp::LampModel;
    use super::super::sphere::{Inside, SphereLamp};
    use super::*;
    use crate::link::wire::Machine;

    fn ask(machine: &mut impl Machine, now: &mut Mono, line: &str) -> String {
        machine.bytes(*now, format!("{line}\n").as_bytes());
        let mut answer = Vec::new();
        while let Some(due) = machine.next_due() {
            *now = due;
            answer.extend(machine.due(due));
        }
        String::from_utf8(answer).expect("text")
    }

    fn world() -> World {
        World::start(WorldSpec::new(1), None, Mono::ZERO, Span::ZERO).expect("a world")
    }

    #[test]
    fn it_answers_as_a_meter_does() {
        let world = world();
        let mut meter = Meter::machine(&world);
        let mut now = Mono::ZERO;
        let cases = [
            ("*IDN?", "Simulated,Illuminance meter,000001,1.0\n"),
            ("SENS:APER 0.2004;AVER:COUN 4", ""),
            ("SENS:APER?", "2.000000E-01\n"),
            ("sense:average:count?", "4\n"),
            ("SENS:APER 11", ""),
            ("SYST:ERR?", "-222,\"Data out of range\"\n"),
            ("FOO?", ""),
            (
                "SYST:ERR?;ERR?",
                "-113,\"Undefined header\";0,\"No error\"\n",
            ),
            ("*ESE 77;*ESE?", "77\n"),
            ("INP:SHUT CLOS;SHUT?", "CLOS\n"),
        ];
        for (line, answer) in cases {
            assert_eq!(ask(&mut meter, &mut now, line), answer, "{line}");
        }
    }

    #[test]
    fn a_reading_takes_its_time_and_shows_its_range() {
        let world = world();
        world.person().set_level(12, Mono::ZERO);
        let mut meter = Meter::machine(&world);
        let mut now = Mono::ZERO + Span::from_secs(1);
        ask(&mut meter, &mut now, "SENS:APER 0.5;AVER:COUN 4");
        let asked = now;
        let value: f64 = ask(&mut meter, &mut now, "READ?")
            .trim()
            .parse()
            .expect("a number");
        // 0.5 s x 4, and 3 ms until the answer leaves.
        assert_eq!(now.since(asked), Span::from_ms(2003));
        let light = world.light(asked + Span::from_secs(1)).0 * world.hidden().gain;
        assert!(
            (value / light - 1.0).abs() < 5.0 * 0.0005,
            "{value} {light}"
        );
        assert_eq!(ask(&mut meter, &mut now, "SENS:RANG?"), "2.000000E+04\n");
    }

    /// Held in a range it stays there in the dark, and says over range above it; a range
    /// between two of its own is the next one up.
    #[test]
    fn it_is_held_in_a_range() {
        let world = world();
        world.person().set_level(12, Mono::ZERO);
        let mut meter = Meter::machine(&world);
        let mut now = Mono::ZERO + Span::from_secs(1);
        let mut say = |line: &str| ask(&mut meter, &mut now, line);
        assert_eq!(say("SENS:RANG:FIX?"), "0.000000E+00\n");
        say("SENS:RANG:FIX 200000;:INP:SHUT CLOS");
        say("READ?");
        assert_eq!(say("SENS:RANG?"), "2.000000E+05\n");
        say("SENS:RANG:FIX 150;:INP:SHUT OPEN");
        assert_eq!(say("SENS:RANG:FIX?"), "2.000000E+02\n");
        assert_eq!(say("READ?"), "9.9E37\n");
        assert_eq!(say("SENS:RANG?"), "2.000000E+02\n");
        say("SENS:RANG:FIX 1e9");
        assert_eq!(say("SYST:ERR?"), "-222,\"Data out of range\"\n");
        say("SENS:RANG:FIX 0");
        assert!(!say("READ?").contains("9.9E37"));
    }

    #[test]
    fn too_much_light_and_no_light_are_not_numbers_and_not_zero() {
        let mut spec = WorldSpec::new(1);
        spec.lamp.brightest = Lux(90_000.0);
        let world = World::start(spec, None, Mono::ZERO, Span::ZERO).expect("a world");
        world.person().set_level(12, Mono::ZERO);
        let mut meter = Meter::machine(&world);
        let mut now = Mono::ZERO + Span::from_secs(1);
        assert_eq!(ask(&mut meter, &mut now, "READ?"), "9.9E37\n");
        ask(&mut meter, &mut now, "INP:SHUT CLOS");
        let dark: f64 = ask(&mut meter, &mut now, "READ?")
            .trim()
            .parse()
            .expect("a number");
        assert!((dark - 0.004).abs() < 5.0 * 0.0005 + 1e-4, "{dark}");
    }

    /// What each fault leaves of one session.
    #[test]
    fn faults_change_what_is_said_and_what_is_set() {
        let cases = [
            (
                3,
                Fault::Reset(Device::Meter),
                "Simulated device ready\n1\n",
            ),
            (3, Fault::Forgets(Device::Meter), "OPEN\n1\n"),
            (1, Fault::Says("1.2 fc".to_owned()), "CLOS\n4\n"),
            (2, Fault::Stale(Device::Meter), "CLOS\n4\n"),
        ];
        for (nth, fault, wanted) in cases {
            let mut spec = WorldSpec::new(1);
            let said = match &fault {
                Fault::Says(text) => format!("{text}\n"),
                _ => String::new(),
            };
            spec.faults = vec![super::super::faults::Planned { nth, fault }];
            let world = World::start(spec, None, Mono::ZERO, Span::ZERO).expect("a world");
            let (mut meter, mut now) = (Meter::machine(&world), Mono::ZERO);
            let first = ask(&mut meter, &mut now, "SENS:AVER:COUN 4;COUN?");
            ask(&mut meter, &mut now, "INP:SHUT CLOS");
            let second = ask(&mut meter, &mut now, "READ?");
            let settings = ["INP:SHUT?", "SENS:AVER:COUN?"]
                .map(|line| ask(&mut meter, &mut now, line))
                .concat();
            assert_eq!(settings, wanted, "{nth}");
            assert_eq!(first, "4\n");
            assert!(second.starts_with(&said), "{second}");
            assert_eq!(second.starts_with("4\n"), nth == 2, "{second}");
        }
    }

    /// Three meters at once, each with its own light, settings and errors.
    #[test]
    fn several_meters_see_each_its_own_light() {
        let spec = WorldSpec {
            lamp: LampModel::plover(),
            ..WorldSpec::new(5)
        };
        let world = World::start(spec, None, Mono::ZERO, Span::ZERO).expect("a world");
        let person = world.person();
        person.set_level(10, Mono::ZERO);
        person.puts_in_sphere(Inside::Reference, Mono::ZERO);
        person.switches(SphereLamp::Reference, true, Mono::ZERO);
        let mut now = Mono::ZERO + Span::from_secs(50_000);
        let mut meters = [
            (Meter::machine(&world), Device::Meter),
            (Meter::fixed(&world), Device::Meter2),
            (Meter::of_sphere(&world), Device::SpherePhotometer),
        ];
        // By hand: 300 lx at 1 m are 105 lx for the fixed one; 1200 lm * 0.99 * 19.838
        // / pi are 7502 lx at the port.
        let ambient = world.spec().room.ambient_at(now).0;
        let lights = [world.light(now).0, 105.0 + ambient, 7501.8];
        for ((meter, which), light) in meters.iter_mut().zip(lights) {
            ask(meter, &mut now, "INP:SHUT CLOS");
            let dark: f64 = ask(meter, &mut now, "READ?").trim().parse().expect("it");
            ask(meter, &mut now, "INP:SHUT OPEN;:SENS:APER 0.3");
            let shown: f64 = ask(meter, &mut now, "READ?").trim().parse().expect("it");
            let ratio = (shown - dark) / light / world.gain(*which);
            assert!((ratio - 1.0).abs() < 6e-3, "{which:?}: {shown} {light}");
            let model = meter_dark(&world, *which);
            assert!((dark - model).abs() < 0.012, "{which:?}: {dark}");
        }
        let gains: Vec<f64> = meters.iter().map(|(_, which)| world.gain(*which)).collect();
        assert!(gains[0] != gains[1] && gains[1] != gains[2] && gains[0] != gains[2]);
        let read = [Event::Read, Event::Meter2Read, Event::SphereRead];
        assert_eq!(read.map(|event| world.count(event)), [2, 2, 2]);
        ask(&mut meters[2].0, &mut now, "SENS:APER 2");
        let apertures = meters.map(|(mut meter, _)| ask(&mut meter, &mut now, "SENS:APER?"));
        let seconds = ["3.000000E-01\n", "3.000000E-01\n", "2.000000E+00\n"];
        assert_eq!(apertures, seconds);
    }

    fn meter_dark(world: &World, which: Device) -> f64 {
        let spec = world.spec();
        match which {
            Device::Meter2 => spec.equipment.fixed_meter.dark.0,
            Device::SpherePhotometer => spec.equipment.sphere_photometer.dark.0,
            _ => spec.meter.dark.0,
        }
    }

    #[test]
    fn the_error_queue_overflows_into_its_last_entry() {
        let mut meter = Meter::machine(&world());
        let mut now = Mono::ZERO;
        for _ in 0..40 {
            ask(&mut meter, &mut now, "FOO");
        }
        let lines: Vec<String> = (0..17)
            .map(|_| ask(&mut meter, &mut now, "SYST:ERR?"))
            .collect();
        assert_eq!(lines[14], "-113,\"Undefined header\"\n");
        assert_eq!(lines[15], "-350,\"Queue overflow\"\n");
        assert_eq!(lines[16], "0,\"No error\"\n");
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_panic(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..600)) {
            let mut meter = Meter::machine(&world());
            let mut now = Mono::ZERO;
            meter.bytes(now, &bytes);
            ask(&mut meter, &mut now, "");
        }
    }
}
