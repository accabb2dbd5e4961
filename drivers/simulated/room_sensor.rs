//! A SCPI sensor in the room, away from the lamp: ambient light and the
//! temperature of the air.
//!
//! Both are closed forms of `room`. Served by `bench`; not here: lines
//! (`scpi_device`).

use photometry::units::{Lux, Mono, Ratio, Span};
use serde::{Deserialize, Serialize};

use super::faults::{Device, Event};
use super::meter::nr3;
use super::random::{Stream, normal};
use super::scpi_device::{Instrument, Reply, ScpiDevice, UNDEFINED_HEADER, Unit};
use super::world::World;

/// How long it converts.
const CONVERTS: Span = Span::from_ms(50);

/// What a room sensor is made of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RoomSensorModel {
    /// It sees this share of the ambient light at the meter's plane.
    pub sees: Ratio,
    /// Noise of one reading of light, relative.
    pub noise: Ratio,
    /// What it tells apart.
    pub resolution: Lux,
    /// Noise of one reading of temperature in K.
    pub noise_k: f64,
}

impl RoomSensorModel {
    /// On the wall, where the room is three times as bright as at the meter: 1 %
    /// of noise, 0.005 lx, 0.02 K.
    pub fn wall() -> RoomSensorModel {
        RoomSensorModel {
            sees: Ratio::new(3.0),
            noise: Ratio::new(0.01),
            resolution: Lux(0.005),
            noise_k: 0.02,
        }
    }
}

/// The room sensor as an instrument.
pub(super) struct RoomSensor {
    world: World,
    warmth: bool,
}

impl RoomSensor {
    /// One in this world, ready for a wire.
    pub(super) fn machine(world: &World) -> ScpiDevice<RoomSensor> {
        let instrument = RoomSensor {
            world: world.clone(),
            warmth: false,
        };
        ScpiDevice::new(world.clone(), instrument)
    }
}

impl Instrument for RoomSensor {
    fn device(&self) -> Device {
        Device::RoomSensor
    }

    fn identity(&self) -> String {
        let serial = self.world.spec().seed % 1_000_000;
        format!("Simulated,Room sensor,{serial:06},1.0")
    }

    fn reset(&mut self, _now: Mono) {}

    fn execute(&mut self, _now: Mono, unit: &Unit) -> Reply {
        let (light, warmth) = (unit.is("READ"), unit.is("READ:TEMPerature"));
        if !unit.query || !(light || warmth) {
            return UNDEFINED_HEADER;
        }
        self.world.happens(Event::RoomRead);
        self.warmth = warmth;
        Reply::After(CONVERTS)
    }

    fn finish(&mut self, now: Mono) -> Vec<u8> {
        let spec = self.world.spec();
        let model = &spec.equipment.room_sensor;
        let at = self.world.time(now);
        let taken = self.world.count(Event::RoomRead);
        let noise = normal(spec.seed, Stream::RoomNoise, taken);
        let shown = if self.warmth {
            let celsius = spec.room.air.celsius_at(at) + model.noise_k * noise;
            (celsius * 100.0).round() / 100.0
        } else {
            let light = spec.room.ambient_at(at).0 * model.sees.share();
            let noisy = light * (1.0 + model.noise.share() * noise);
            (noisy / model.resolution.0).round() * model.resolution.0
        };
        nr3(shown).into_bytes()
    }
}

#[cfg(test)]
mod tests {
    use super::super::room::{Air, LightEvent, RoomModel, Shows};
    use super::super::testing::text;
    use super::super::world::WorldSpec;
    use super::*;

    fn at(mins: i64) -> Mono {
        Mono::ZERO + Span::from_mins(mins)
    }

    /// A steady room of 0.1 lx, its door open from the 10th to the 12th minute.
    #[test]
    fn it_shows_the_room_and_its_open_door() {
        let room = RoomModel {
            ambient: Lux(0.1),
            swing: Ratio::new(0.0),
            events: vec![LightEvent {
                begins: Span::from_mins(10),
                lasts: Span::from_mins(2),
                adds: Lux(4.0),
                shows: Shows::AtOnce,
            }],
            air: Air {
                mean_c: 21.0,
                swing_k: 0.5,
                period: Span::from_mins(80),
            },
            ..RoomModel::night()
        };
        let spec = WorldSpec {
            room,
            ..WorldSpec::new(1)
        };
        let world = World::start(spec, None, Mono::ZERO, Span::ZERO).expect("a world");
        let mut machine = RoomSensor::machine(&world);
        let mut read = |question: &str, mut now: Mono| -> f64 {
            let said = text(&mut machine, &mut now, question);
            said.trim().parse().expect("a number")
        };
        for (mins, lux) in [(9, 0.3), (11, 12.3), (13, 0.3)] {
            let shown = read("READ?", at(mins));
            assert!((shown - lux).abs() < 0.05 * lux + 0.0025, "{mins}: {shown}");
        }
        // A quarter of the swing's period on, and three quarters.
        for (mins, celsius) in [(20, 21.5), (60, 20.5)] {
            let shown = read("READ:TEMP?", at(mins));
            assert!(
                (shown - celsius).abs() < 5.0 * 0.02 + 0.005,
                "{mins}: {shown}"
            );
        }
        let mut now = at(90);
        let said = text(&mut machine, &mut now, "*IDN?;:INP:SHUT?;:SYST:ERR?");
        let identity = "Simulated,Room sensor,000001,1.0";
        assert_eq!(said, format!("{identity};-113,\"Undefined header\"\n"));
    }

    #[test]
    fn the_meter_sees_the_open_door_too() {
        let mut spec = WorldSpec::new(1);
        spec.room.events = vec![LightEvent {
            begins: Span::from_mins(10),
            lasts: Span::from_mins(2),
            adds: Lux(4.0),
            shows: Shows::AtOnce,
        }];
        let world = World::start(spec, None, Mono::ZERO, Span::ZERO).expect("a world");
        let more = world.light(at(11)).0 - world.light(at(9)).0;
        assert!((more - 4.0).abs() < 0.01, "{more}");
    }
}
