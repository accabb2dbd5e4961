//! A SCPI power meter in the lamp's mains: active power, a settable integration.
//!
//! The power is the lamp's closed form (`lamp_model`). Served by `bench`; not here:
//! lines (`scpi_device`).

use photometry::units::{Mono, Ratio, Span};
use serde::{Deserialize, Serialize};

use super::faults::{Device, Event, Fault};
use super::meter::{nr3, says_instead};
use super::random::{Stream, normal};
use super::scpi_device::{
    DATA_TYPE, Instrument, OUT_OF_RANGE, Reply, ScpiDevice, UNDEFINED_HEADER, Unit,
};
use super::world::World;

/// Integration times that it takes, in s.
const APERTURE_S: std::ops::RangeInclusive<f64> = 0.001..=10.0;

/// What a power meter is made of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PowerMeterModel {
    /// Noise of one integration, relative.
    pub noise: Ratio,
    /// Noise of one integration, at any power, in W.
    pub floor_w: f64,
    /// What it tells apart, in W.
    pub resolution_w: f64,
}

impl PowerMeterModel {
    /// 0.05 % and 2 mW of noise, 1 mW.
    pub fn plug() -> PowerMeterModel {
        PowerMeterModel {
            noise: Ratio::new(0.0005),
            floor_w: 0.002,
            resolution_w: 0.001,
        }
    }
}

/// A power meter's settings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PowerMeterState {
    aperture: Span,
}

impl Default for PowerMeterState {
    /// As after power-up: 200 ms.
    fn default() -> PowerMeterState {
        PowerMeterState {
            aperture: Span::from_ms(200),
        }
    }
}

/// The power meter as an instrument.
pub(super) struct PowerMeter {
    world: World,
    faults: Vec<Fault>,
}

impl PowerMeter {
    /// One in this world, ready for a wire.
    pub(super) fn machine(world: &World) -> ScpiDevice<PowerMeter> {
        let instrument = PowerMeter {
            world: world.clone(),
            faults: Vec::new(),
        };
        ScpiDevice::new(world.clone(), instrument)
    }

    fn aperture(&self) -> Span {
        self.world.state().equipment.power_meter.aperture
    }

    fn set(&self, state: PowerMeterState) -> Reply {
        self.world.state().equipment.power_meter = state;
        Reply::Done
    }
}

impl Instrument for PowerMeter {
    fn device(&self) -> Device {
        Device::PowerMeter
    }

    fn identity(&self) -> String {
        let serial = self.world.spec().seed % 1_000_000;
        format!("Simulated,Power meter,{serial:06},1.0")
    }

    fn reset(&mut self, _now: Mono) {
        self.set(PowerMeterState::default());
    }

    fn execute(&mut self, now: Mono, unit: &Unit) -> Reply {
        if unit.query {
            return if unit.is("READ") {
                self.faults = self.world.happens(Event::PowerRead);
                self.world.lamp_suffers(&self.faults, now);
                Reply::After(self.aperture())
            } else if unit.is("SENSe:APERture") {
                Reply::Answer(nr3(self.aperture().secs()))
            } else {
                UNDEFINED_HEADER
            };
        }
        if !unit.is("SENSe:APERture") {
            return UNDEFINED_HEADER;
        }
        match unit.number() {
            Some(seconds) if APERTURE_S.contains(&seconds) => {
                let aperture = Span::from_ms((seconds * 1e3).round() as i64);
                self.set(PowerMeterState { aperture })
            }
            Some(_) => OUT_OF_RANGE,
            None => DATA_TYPE,
        }
    }

    fn finish(&mut self, now: Mono) -> Vec<u8> {
        let faults = std::mem::take(&mut self.faults);
        if let Some(said) = faults.iter().find_map(says_instead) {
            return said;
        }
        let spec = self.world.spec();
        let model = &spec.equipment.power_meter;
        let half = Span::from_ns(self.aperture().ns() / 2);
        let true_w = self.world.watts(now + -half);
        let taken = self.world.count(Event::PowerRead);
        let draw = |which| normal(spec.seed, Stream::PowerNoise, 2 * taken + which);
        let relative = 1.0 + model.noise.share() * draw(0);
        let shown =
            true_w * self.world.gain(Device::PowerMeter) * relative + model.floor_w * draw(1);
        let counts = (shown / model.resolution_w).round();
        nr3(counts * model.resolution_w).into_bytes()
    }
}

#[cfg(test)]
mod tests {
    use super::super::lamp::LampModel;
    use super::super::room::Unknowns;
    use super::super::testing::text;
    use super::super::world::WorldSpec;
    use super::*;

    #[test]
    fn it_answers_as_such_devices_do() {
        let world = World::start(WorldSpec::new(1), None, Mono::ZERO, Span::ZERO);
        let mut machine = PowerMeter::machine(&world.expect("a world"));
        let mut now = Mono::ZERO;
        let cases = [
            ("*IDN?", "Simulated,Power meter,000001,1.0\n"),
            ("SENS:APER 0.5;APER?", "5.000000E-01\n"),
            ("SENS:APER 11", ""),
            ("INP:SHUT CLOS", ""),
            (
                "SYST:ERR?;ERR?",
                "-222,\"Data out of range\";-113,\"Undefined header\"\n",
            ),
            ("*RST;SENS:APER?", "2.000000E-01\n"),
        ];
        for (line, said) in cases {
            assert_eq!(text(&mut machine, &mut now, line), said, "{line}");
        }
    }

    /// The plover's page: 0.3 W off, 0.9 W and a share of 11.6 W lit, so 12.5 W at
    /// its brightest. Five times the noise, and half of the resolution.
    #[test]
    fn it_shows_the_power_of_the_setting() {
        let spec = WorldSpec {
            lamp: LampModel::plover(),
            unknowns: Unknowns::NONE,
            ..WorldSpec::new(1)
        };
        let world = World::start(spec, None, Mono::ZERO, Span::ZERO).expect("a world");
        let mut machine = PowerMeter::machine(&world);
        let mut now = Mono::ZERO;
        for (level, watts) in [(0, 0.3), (10, 12.5), (1, 0.9 + 11.6 / 100.0)] {
            world.person().set_level(level, now);
            let asked = now + Span::from_secs(1);
            now = asked;
            let shown: f64 = text(&mut machine, &mut now, "READ?")
                .trim()
                .parse()
                .expect("a number");
            assert_eq!(now.since(asked), Span::from_ms(203));
            let most = 5.0 * (0.0005 * watts + 0.002) + 0.0005;
            assert!((shown - watts).abs() < most, "{level}: {shown} {watts}");
        }
    }
}
