//! A whole simulated bench: a world, its devices, and a thread for each.
//!
//! ```text
//! seats: [ whoever acts.. | meter | rail | fingers ]   ranks in this order
//! ```
//!
//! Devices take the last ranks, so a caller opens its own seats and those of
//! its ports in the same call, through `own_seats`. Called by the demo and by
//! tests. Not here: what the devices say (`meter`, `rail`, `fingers`).

use std::io;
use std::path::PathBuf;
use std::sync::{Mutex, MutexGuard, PoisonError};

use photometry::units::Span;

use super::contact::Contact;
use super::faults::Device;
use super::fingers::Fingers;
use super::level::Level;
use super::line_rail::LineRail;
use super::meter::Meter;
use super::outlets::Outlets;
use super::power_meter::PowerMeter;
use super::rail::Rail;
use super::register_rail::RegisterRail;
use super::registers::Wrapping;
use super::room_sensor::RoomSensor;
use super::spectroradiometer::Spectroradiometer;
use super::waveform_photometer::WaveformPhotometer;
use super::world::{Person, RailSpeech, World, WorldError, WorldSpec};
use crate::clock::{Clock, Seat};
use crate::link::Address;
use crate::link::address::DEFAULT_BAUD;
use crate::link::wire::{DeviceEnd, Served, memory_wire, pty_wire, serve};

/// How a simulated device is reached.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wire {
    /// A pseudo-terminal; this path becomes a link to it, and its address.
    Pty(PathBuf),
    /// A wire inside the process, at `memory:NAME`.
    Memory(String),
}

impl Wire {
    /// Where a link finds the device.
    pub fn address(&self) -> Address {
        match self {
            Wire::Pty(path) => Address::serial(path.to_string_lossy(), DEFAULT_BAUD),
            Wire::Memory(name) => Address::memory(name.as_str()),
        }
    }

    fn end(&self, clock: &Clock) -> io::Result<DeviceEnd> {
        match self {
            Wire::Pty(path) => pty_wire(clock, path),
            Wire::Memory(name) => Ok(memory_wire(clock, name)),
        }
    }
}

/// What a simulated bench consists of.
#[derive(Clone, Debug)]
pub struct BenchSpec {
    /// What is fixed about its world.
    pub world: WorldSpec,
    /// Where the world is kept; without, it is forgotten.
    pub world_file: Option<PathBuf>,
    /// How long ago the file was saved, when it exists.
    pub absent: Span,
    /// Its devices and their wires; each device once.
    pub devices: Vec<(Device, Wire)>,
}

/// Why a simulated bench could not start.
#[derive(Debug, thiserror::Error)]
pub enum BenchError {
    /// Its world's file is at fault.
    #[error(transparent)]
    World(#[from] WorldError),
    /// The system gave no pseudo-terminal or no thread.
    #[error("the simulated {device:?} cannot start")]
    Device {
        /// Which device.
        device: Device,
        /// Why.
        #[source]
        cause: io::Error,
    },
}

/// A running simulated bench. Dropping it unplugs all devices.
pub struct SimulatedBench {
    clock: Clock,
    world: World,
    served: Mutex<Vec<(Device, Served)>>,
}

impl SimulatedBench {
    /// Opens all seats in one call (first `own_seats`, in their order, then
    /// one per device) and serves the devices. Returns the caller's seats.
    ///
    /// # Errors
    /// When the world's file is bad, or the system gives no pseudo-terminal or
    /// no thread.
    pub fn start(
        clock: &Clock,
        spec: BenchSpec,
        own_seats: &[&str],
    ) -> Result<(SimulatedBench, Vec<Seat>), BenchError> {
        let now = clock.now().mono;
        let world = World::start(spec.world, spec.world_file, now, spec.absent)?;
        let names: Vec<&str> = own_seats
            .iter()
            .copied()
            .chain(spec.devices.iter().map(|(device, _)| seat_name(*device)))
            .collect();
        let mut seats = clock.seats(&names);
        let device_seats = seats.split_off(own_seats.len());
        let bench = SimulatedBench {
            clock: clock.clone(),
            world,
            served: Mutex::default(),
        };
        for ((device, wire), seat) in spec.devices.into_iter().zip(device_seats) {
            bench.serve(device, &wire, seat, false)?;
        }
        Ok((bench, seats))
    }

    fn serve(
        &self,
        device: Device,
        wire: &Wire,
        seat: Seat,
        stranger: bool,
    ) -> Result<(), BenchError> {
        let failed = |cause| BenchError::Device { device, cause };
        let end = wire.end(&self.clock).map_err(failed)?;
        let now = self.clock.now().mono;
        let speed = self.world.spec().equipment.bytes_per_second;
        let guard = match device {
            Device::Meter if stranger => serve(seat, end, Meter::another(&self.world)),
            Device::Meter => serve(seat, end, Meter::machine(&self.world)),
            Device::Rail => match self.world.spec().rail_speaks {
                RailSpeech::Bytes => serve(seat, end, Rail::machine(&self.world, now)),
                RailSpeech::Lines => serve(seat, end, LineRail::machine(&self.world, now)),
                RailSpeech::Registers => {
                    serve(seat, end, RegisterRail::machine(&self.world, Wrapping::Rtu))
                }
                RailSpeech::RegistersTcp => {
                    serve(seat, end, RegisterRail::machine(&self.world, Wrapping::Tcp))
                }
            },
            Device::Fingers => serve(seat, end, Fingers::machine(&self.world)),
            Device::Spectroradiometer => {
                let end = end.at_bytes_per_second(speed);
                serve(seat, end, Spectroradiometer::machine(&self.world))
            }
            Device::SphereSpectroradiometer => {
                let end = end.at_bytes_per_second(speed);
                serve(seat, end, Spectroradiometer::of_sphere(&self.world))
            }
            Device::WaveformPhotometer => {
                let end = end.at_bytes_per_second(speed);
                serve(seat, end, WaveformPhotometer::machine(&self.world))
            }
            Device::PowerMeter => serve(seat, end, PowerMeter::machine(&self.world)),
            Device::Meter2 => serve(seat, end, Meter::fixed(&self.world)),
            Device::SpherePhotometer => serve(seat, end, Meter::of_sphere(&self.world)),
            Device::Outlets => serve(seat, end, Outlets::machine(&self.world)),
            Device::Level => serve(seat, end, Level::machine(&self.world)),
            Device::Contact => serve(seat, end, Contact::machine(&self.world)),
            Device::RoomSensor => serve(seat, end, RoomSensor::machine(&self.world)),
        };
        let guard = guard.map_err(failed)?;
        self.plugged().push((device, guard));
        Ok(())
    }

    fn plugged(&self) -> MutexGuard<'_, Vec<(Device, Served)>> {
        self.served.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The bench's true state.
    pub fn world(&self) -> &World {
        &self.world
    }

    /// The hands and eyes of a person at it.
    pub fn person(&self) -> Person {
        self.world.person()
    }

    /// Pulls a device's plug, at its next turn; whoever has its port open
    /// finds the link gone. Returns false when it was not plugged in.
    pub fn unplug(&self, device: Device) -> bool {
        let mut served = self.plugged();
        let before = served.len();
        served.retain(|(plugged, _)| *plugged != device);
        served.len() < before
    }

    /// Puts a device's plug in again. It kept its power meanwhile, and is as it
    /// was left.
    ///
    /// # Errors
    /// When the system gives no pseudo-terminal or no thread.
    pub fn plug(&self, device: Device, wire: &Wire) -> Result<(), BenchError> {
        self.plug_one(device, wire, false)
    }

    /// Plugs another meter, of another serial number, in under the meter's name.
    ///
    /// # Errors
    /// As [`SimulatedBench::plug`].
    pub fn plug_another_meter(&self, wire: &Wire) -> Result<(), BenchError> {
        self.plug_one(Device::Meter, wire, true)
    }

    fn plug_one(&self, device: Device, wire: &Wire, stranger: bool) -> Result<(), BenchError> {
        match self.clock.seats(&[seat_name(device)]).pop() {
            Some(seat) => self.serve(device, wire, seat, stranger),
            None => Ok(()),
        }
    }
}

fn seat_name(device: Device) -> &'static str {
    match device {
        Device::Meter => "simulated meter",
        Device::Rail => "simulated rail",
        Device::Fingers => "simulated fingers",
        Device::Spectroradiometer => "simulated spectroradiometer",
        Device::WaveformPhotometer => "simulated waveform photometer",
        Device::PowerMeter => "simulated power meter",
        Device::RoomSensor => "simulated room sensor",
        Device::Outlets => "simulated outlets",
        Device::Level => "simulated lamp control",
        Device::Contact => "simulated stop button",
        Device::Meter2 => "simulated fixed meter",
        Device::SpherePhotometer => "simulated sphere photometer",
        Device::SphereSpectroradiometer => "simulated sphere spectroradiometer",
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::AtomicBool;

    use photometry::units::{Mono, Wall};

    use super::*;
    use crate::exchange::line;
    use crate::exchange::talk::{LinkState, Talk};
    use crate::link::Link;

    /// One life of the daemon: asks the board one question, then dies.
    fn life(file: &std::path::Path, start: Mono, tell: &str, ask: &str) -> (String, f64) {
        let clock = Clock::simulated(Wall::from_us(0), start);
        let wire = Wire::Memory("fingers".to_owned());
        let address = wire.address();
        let spec = BenchSpec {
            world: WorldSpec::new(1),
            world_file: Some(file.to_owned()),
            absent: Span::from_secs(30),
            devices: vec![(Device::Fingers, wire)],
        };
        let (bench, mut seats) = SimulatedBench::start(&clock, spec, &["port"]).expect("a bench");
        let _flow = clock.hold_flow();
        let mut link = Link::open(&address, &clock).expect("a link");
        let (never, mut state) = (AtomicBool::new(false), LinkState::new());
        let mut talk = Talk::new(&mut seats[0], &mut link, &never, &mut state);
        line::tell(&mut talk, tell).expect("told");
        let answer = line::ask(&mut talk, ask, Span::from_secs(1)).expect("an answer");
        let light = bench.world().light(talk.now().mono).0;
        (answer.text, light)
    }

    #[test]
    fn a_killed_daemon_finds_the_bench_as_it_left_it() {
        let dir = tempfile::tempdir().expect("a directory");
        let file = dir.path().join("world.json");
        let ask = "ROUT:CLOS? (@1:3)";
        let (first, dark) = life(&file, Mono::ZERO, "ROUT:CLOS (@2)", ask);
        // Another start of the clock: coils stay closed.
        let later = Mono::from_ns(7_000_000_000);
        let (second, still_dark) = life(&file, later, "*CLS", ask);
        assert_eq!((first.as_str(), second.as_str()), ("0,1,0", "0,1,0"));
        // Only the ambient light has moved on, by half a minute.
        assert!((dark - still_dark).abs() < 1e-3 && dark != still_dark);
    }
}
