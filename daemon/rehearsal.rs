//! A bench file rehearsed: a simulated device behind each of its ports.
//!
//! ```text
//!  card, lamp, placement, seed ──► spec (what the world is) ──► simulated bench
//!                                  addresses (port -> PTY below the data directory)
//! ```
//!
//! Called by: service. Not here: what the devices say (`drivers::simulated`);
//! no driver knows that it talks to a simulation.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use drivers::clock::{Clock, Seat};
use drivers::link::Address;
use drivers::simulated::bench::{BenchError, BenchSpec, SimulatedBench, Wire};
use drivers::simulated::carriage::RailModel;
use drivers::simulated::equipment::Equipment;
use drivers::simulated::faults::Device;
use drivers::simulated::lamp::{Button, LampModel};
use drivers::simulated::lamp_model::{Mains, Wraps};
use drivers::simulated::level::LevelModel;
use drivers::simulated::meter::MeterModel;
use drivers::simulated::outlets::OutletsModel;
use drivers::simulated::programs;
use drivers::simulated::room::{RoomModel, Unknowns};
use drivers::simulated::sphere::{Inside, SphereLamp, SphereModel, SteadyLamp};
use drivers::simulated::world::{Person, RailSpeech, Thinks, World, WorldSpec};
use photometry::measured::Quantity;
use photometry::units::{Length, Mono, Ratio, Span, Wall};

use crate::bench::open::seat_names;
use crate::bench::profiles::Kind;
use crate::plan::card::{Card, Carries, LitBy, Meter};
use crate::plan::lamp::{self, Lamp, Mode, Starts, Way, Worked};
use crate::plan::placement::Placement;
use crate::queue::keeper::StandIn;

/// Civil time at the zero of a rehearsal's clock: 2026-11-02 20:00 UTC.
pub const ANCHOR: Wall = Wall::from_us(1_793_649_600_000_000);
/// A daemon that was killed is away so long in a rehearsal.
pub const ABSENT: Span = Span::from_secs(30);
/// The hidden error of a calibration when the bench file states none (k = 1).
const CALIBRATION_UNKNOWN: f64 = 0.015;
/// The term of a meter's uncertainty from which its hidden error is drawn.
const CALIBRATION_SOURCE: &str = "certificate";
/// The motor's steps: 80 to the millimetre, as on common belts.
const RAIL_REST: fn() -> RailModel = RailModel::two_metres;

/// Why a bench cannot be rehearsed.
#[derive(Debug, thiserror::Error)]
pub enum RehearsalError {
    /// More than one illuminance meter.
    #[error("a rehearsal has one meter, and the bench file has {0}")]
    Meters(usize),
    /// The lamp rides on the carriage.
    #[error("a rehearsal has the meter on the carriage; `carries: lamp` cannot be rehearsed")]
    CarriesLamp,
    /// The ports' folder cannot be made.
    #[error("the folder {} of the simulated ports cannot be made", path.display())]
    Folder {
        /// Which.
        path: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// The simulated bench could not start.
    #[error("the simulated bench could not start")]
    Bench(#[from] BenchError),
}

/// A rehearsed bench: its devices, the seats of its attendant and ports, and
/// where its ports are.
pub struct Rehearsed {
    /// Dropping it unplugs all devices.
    pub bench: SimulatedBench,
    /// The attendant's seat, then one for each instrument.
    pub seats: Vec<Seat>,
    /// Addresses by port.
    pub elsewhere: BTreeMap<String, Address>,
}

/// The clock of a rehearsal: it goes on [`ABSENT`] after the last thing that
/// was recorded.
pub fn clock(last_recorded: Option<Wall>) -> Clock {
    let start = last_recorded.map_or(Mono::ZERO, |last| {
        Mono::ZERO + (last + ABSENT).since(ANCHOR).max(Span::ZERO)
    });
    Clock::simulated(ANCHOR, start)
}

/// Puts a simulated device behind each port of a bench.
///
/// # Errors
/// When the bench has what cannot be simulated, or the system gives no
/// pseudo-terminal.
pub fn start(
    clock: &Clock,
    folder: &Path,
    card: &Card,
    placed: Option<(&Lamp, &Placement)>,
    seed: u64,
) -> Result<Rehearsed, RehearsalError> {
    let count = riding(card).len();
    if count > 1 {
        return Err(RehearsalError::Meters(count));
    }
    if card
        .rail
        .as_ref()
        .is_some_and(|rail| rail.carries == Carries::Lamp)
    {
        return Err(RehearsalError::CarriesLamp);
    }
    std::fs::create_dir_all(folder).map_err(|source| RehearsalError::Folder {
        path: folder.to_owned(),
        source,
    })?;
    let mut elsewhere = BTreeMap::new();
    let mut devices = Vec::new();
    let mut plug = |device: Device, port: &str| {
        let wire = Wire::Pty(folder.join(format!("{}-{port}", card.name)));
        elsewhere.insert(port.to_owned(), wire.address());
        devices.push((device, wire));
    };
    if let Some(meter) = riding(card).first() {
        plug(Device::Meter, &meter.port);
    }
    if let Some(rail) = &card.rail {
        plug(Device::Rail, &rail.port);
    }
    if let Some(fingers) = &card.fingers {
        plug(Device::Fingers, &fingers.port);
    }
    for (port, device) in further_devices(card) {
        plug(device, &port);
    }
    let spec = BenchSpec {
        world: world(card, placed, seed),
        world_file: Some(folder.join(format!("{}-world.json", card.name))),
        absent: ABSENT,
        devices,
    };
    let names = seat_names(card);
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let (bench, seats) = SimulatedBench::start(clock, spec, &names)?;
    Ok(Rehearsed {
        bench,
        seats,
        elsewhere,
    })
}

/// The simulated devices behind the ports of a bench, beside rail, fingers and the
/// illuminance meter.
pub fn further_devices(card: &Card) -> Vec<(String, Device)> {
    let mut devices = Vec::new();
    for meter in &card.meters {
        let device = match Kind::of(meter) {
            Kind::Meter(Quantity::Spectrum) if in_sphere(meter, card) => {
                Device::SphereSpectroradiometer
            }
            Kind::Meter(Quantity::Spectrum) => Device::Spectroradiometer,
            Kind::Meter(Quantity::Waveform) => Device::WaveformPhotometer,
            Kind::Meter(Quantity::Power) => Device::PowerMeter,
            Kind::Meter(Quantity::Temperature) => Device::RoomSensor,
            _ if in_sphere(meter, card) => Device::SpherePhotometer,
            _ if !meter.rides && card.rail.is_some() => Device::Meter2,
            _ => continue,
        };
        devices.push((meter.port.clone(), device));
    }
    let outlets = card.outlets.iter();
    devices.extend(outlets.map(|outlets| (outlets.port.clone(), Device::Outlets)));
    let control = card.control.iter();
    devices.extend(control.map(|control| (control.port.clone(), Device::Level)));
    let button = card.stop_button.iter();
    devices.extend(button.map(|button| (button.port.clone(), Device::Contact)));
    devices
}

fn in_sphere(meter: &Meter, card: &Card) -> bool {
    card.is_sphere(&meter.place)
}

/// The illuminance meter on the axis that a rehearsal's rail carries, or the only
/// one where there is no rail.
fn riding(card: &Card) -> Vec<&Meter> {
    let lux = |meter: &&Meter| Kind::of(meter) == Kind::Meter(Quantity::Illuminance);
    let meters = card.meters.iter().filter(lux);
    meters
        .filter(|meter| !in_sphere(meter, card) && (meter.rides || card.rail.is_none()))
        .collect()
}

/// What the sphere is, and which of its lamps, and whether the lamp under test,
/// hang on which relay.
pub fn equipment(card: &Card) -> Equipment {
    let mut usual = Equipment::default();
    if let (Some(outlets), Some(lamp)) = (&card.outlets, &card.lamp_outlet) {
        usual.outlets.lamp = outlets.channel(lamp);
    }
    let Some(sphere) = &card.sphere else {
        return usual;
    };
    let relay = |lit: &LitBy| match lit {
        LitBy::Outlet(outlet) => card.outlets.as_ref()?.channel(outlet),
        LitBy::ByHand => None,
    };
    let reads = |meter: &&Meter| Kind::of(meter) == Kind::Meter(Quantity::Illuminance);
    let mut at_ports = card.meters.iter().filter(reads);
    let photometer = at_ports.find(|meter| in_sphere(meter, card));
    Equipment {
        outlets: OutletsModel {
            reference: relay(&sphere.reference.lit),
            auxiliary: relay(&sphere.auxiliary.lit),
            ..usual.outlets
        },
        sphere_photometer: MeterModel {
            ranges: photometer.map_or_else(
                || usual.sphere_photometer.ranges.clone(),
                |meter| meter.ranges.clone(),
            ),
            ..usual.sphere_photometer
        },
        sphere: SphereModel {
            diameter: sphere.diameter,
            reference: SteadyLamp {
                flux_lm: sphere.reference.flux_lm,
                ..usual.sphere.reference
            },
            ..usual.sphere
        },
        ..usual
    }
}

/// Does what a question asks of somebody who stands at the sphere; whether it was
/// such a question.
pub fn at_the_sphere(person: &Person, question: &str, now: Mono) -> bool {
    let lamp = match question {
        _ if question.contains("the auxiliary lamp") => Some(SphereLamp::Auxiliary),
        _ if question.contains("the reference lamp") => Some(SphereLamp::Reference),
        _ => None,
    };
    let switched = question.strip_prefix("Switch ").and(lamp);
    let inside = match question {
        _ if !question.contains("close the sphere") => None,
        _ if question.starts_with("Put the reference lamp") => Some(Inside::Reference),
        _ => Some(Inside::Lamp),
    };
    match (switched, inside) {
        (Some(lamp), _) => person.switches(lamp, question.contains(" on, then"), now),
        (None, Some(inside)) => {
            person.set_level(0, now);
            person.puts_in_sphere(inside, now);
        }
        (None, None) => return false,
    }
    true
}

/// The person at every rehearsed bench: puts lamps before the rail, and does
/// what the daemon asks before the question is answered.
pub struct Hands {
    clock: Clock,
    worlds: BTreeMap<String, (World, Card)>,
    /// The lamp that stands on each bench.
    lamps: Mutex<BTreeMap<String, Lamp>>,
}

impl Hands {
    /// For worlds by the names of their benches, each with the lamp that stands
    /// there.
    pub fn new(clock: Clock, benches: BTreeMap<String, (World, Card, Option<Lamp>)>) -> Hands {
        let (mut worlds, mut lamps) = (BTreeMap::new(), BTreeMap::new());
        for (name, (world, card, lamp)) in benches {
            lamps.extend(lamp.map(|lamp| (name.clone(), lamp)));
            worlds.insert(name, (world, card));
        }
        Hands {
            clock,
            worlds,
            lamps: Mutex::new(lamps),
        }
    }
}

impl StandIn for Hands {
    fn placed(&self, placement: &Placement, lamp: &Lamp) {
        if let Some((world, card)) = self.worlds.get(&placement.bench) {
            let fingers = fingers(card, lamp, placement);
            let now = self.clock.now().mono;
            world.place(lamp_model(lamp), placement.datum, fingers, now);
            world.calls_modes(mode_names(lamp));
            let mut lamps = self.lamps.lock().unwrap_or_else(PoisonError::into_inner);
            lamps.insert(placement.bench.clone(), lamp.clone());
        }
    }

    fn asked(&self, bench: &str, question: &str) {
        let Some((world, _)) = self.worlds.get(bench) else {
            return;
        };
        let (person, now) = (world.person(), self.clock.now());
        if at_the_sphere(&person, question, now.mono) {
            return;
        }
        if let Some(minute) = alarm_asked_for(question) {
            let rings = self.clock.next_at(now.wall, minute);
            let rings = rings.map(|rings| now.mono + rings.since(now.wall));
            person.set_level(0, now.mono);
            person.set_alarm(rings, now.mono);
            return;
        }
        let lamps = self.lamps.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(way) = program_asked_for(question, lamps.get(bench)) {
            person.starts(way, now.mono);
            return;
        }
        let modes = lamps.get(bench).map(|lamp| lamp.modes.as_slice());
        let tone = tone_asked_for(question, modes.unwrap_or_default());
        match (tone, level_asked_for(question)) {
            (Some(tone), Some(level)) => person.set_tone(tone, level, now.mono),
            (Some(tone), None) => {
                let level = person.sees_level(now.mono).max(1);
                person.set_tone(tone, level, now.mono);
            }
            (None, Some(level)) => person.set_level(level, now.mono),
            (None, None) => {}
        }
    }
}

/// The minute of the day that an alarm is to be set to.
fn alarm_asked_for(question: &str) -> Option<u16> {
    let (_, rest) = question.split_once("its alarm for ")?;
    let (_, time) = rest.split_once("` to ")?;
    let (hour, minute) = time.get(..5)?.split_once(':')?;
    let (hour, minute): (u16, u16) = (hour.parse().ok()?, minute.parse().ok()?);
    Some(60 * hour + minute)
}

/// Which way the program goes that is to be started by hand.
fn program_asked_for(question: &str, lamp: Option<&Lamp>) -> Option<programs::Way> {
    let rest = question.strip_prefix("Start the lamp's program `")?;
    let (name, _) = rest.split_once('`')?;
    Some(match lamp?.program(name)?.way {
        Way::Sunrise => programs::Way::Up,
        Way::Sunset => programs::Way::Down,
    })
}

/// The place among the lamp's modes of the one that a question names.
fn tone_asked_for(question: &str, modes: &[Mode]) -> Option<u16> {
    let named = |mode: &Mode| {
        question.contains(&format!("mode `{}`", mode.name))
            || question.contains(&format!("to {}, level", mode.name))
    };
    let at = modes
        .iter()
        .position(|mode| modes.len() > 1 && named(mode))?;
    u16::try_from(at).ok()
}

/// The level that a question asks for; 0 for off.
fn level_asked_for(question: &str) -> Option<u16> {
    if question.contains("Switch the lamp off") {
        return Some(0);
    }
    let (_, rest) = question.rsplit_once("level ")?;
    let digits = rest
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(rest.len());
    rest[..digits].parse().ok()
}

/// What is fixed about a bench's world.
pub fn world(card: &Card, placed: Option<(&Lamp, &Placement)>, seed: u64) -> WorldSpec {
    let rail = card.rail.as_ref();
    let riding = riding(card);
    let meter = riding.first().copied();
    let share = meter
        .and_then(|meter| {
            let mut terms = meter.uncertainty.iter();
            terms.find(|term| term.source == CALIBRATION_SOURCE)
        })
        .map_or(Ratio::new(CALIBRATION_UNKNOWN), |term| term.share);
    let datum_uncertainty = match placed {
        Some((_, placement)) => placement.datum_uncertainty,
        None => rail.map_or(Length::ZERO, |rail| rail.datum_uncertainty),
    };
    WorldSpec {
        seed,
        lamp: placed.map_or_else(LampModel::sanderling, |(lamp, _)| lamp_model(lamp)),
        room: RoomModel::night(),
        rail: rail.map_or_else(RAIL_REST, |rail| RailModel {
            travel: rail.travel_to,
            home_at: rail.travel_from,
            speed: rail.speed,
            acceleration: rail.acceleration,
            ..RAIL_REST()
        }),
        meter: MeterModel {
            ranges: meter.map_or_else(
                || MeterModel::handheld().ranges,
                |meter| meter.ranges.clone(),
            ),
            ..MeterModel::handheld()
        },
        unknowns: Unknowns {
            calibration: share,
            datum: datum_uncertainty,
        },
        datum: match placed {
            Some((_, placement)) => placement.datum,
            None => rail.map_or(Length::ZERO, |rail| rail.datum_at),
        },
        up_is_away: rail.is_none_or(|rail| rail.away_is_up),
        fingers: placed.map_or_else(Vec::new, |(lamp, placement)| fingers(card, lamp, placement)),
        faults: Vec::new(),
        thinks: Thinks::default(),
        rail_speaks: RailSpeech::default(),
        equipment: Equipment {
            level: LevelModel {
                modes: placed.map_or_else(Vec::new, |(lamp, _)| mode_names(lamp)),
            },
            ..equipment(card)
        },
    }
}

/// What the lamp's control calls its modes.
fn mode_names(lamp: &Lamp) -> Vec<String> {
    lamp.modes.iter().map(|mode| mode.name.clone()).collect()
}

/// The lamp of that name where it is one of the invented ones; else the
/// sanderling's light in the shape of the lamp that is placed.
pub fn lamp_model(lamp: &Lamp) -> LampModel {
    let model = light_model(lamp);
    match lamp.worked {
        // Its own switch is left on, as the evening's sheet asks.
        Worked::Mains => LampModel {
            starts_lit: true,
            mains: Mains {
                comes_back_lit: true,
                standby_w: 0.0,
                ..model.mains
            },
            ..model
        },
        _ => model,
    }
}

fn light_model(lamp: &Lamp) -> LampModel {
    let known = match lamp.name.as_str() {
        "knot" => Some(LampModel::knot()),
        "godwit" => Some(LampModel::godwit()),
        "stint" => Some(LampModel::stint()),
        "plover" => Some(LampModel::plover()),
        _ => None,
    };
    if let Some(model) = known {
        return model;
    }
    LampModel {
        levels: lamp.modes.first().map_or(1, |mode| mode.levels),
        wraps: wraps(lamp),
        radius: Length::from_nm(lamp.face.nm() / 2),
        ..LampModel::sanderling()
    }
}

/// What follows its highest level.
fn wraps(lamp: &Lamp) -> Wraps {
    match &lamp.worked {
        Worked::Buttons(buttons) => match buttons.wraps() {
            Some(lamp::Wraps::ToLowest) => Wraps::ToLowest,
            Some(lamp::Wraps::ToOff) => Wraps::ToOff,
            None => Wraps::No,
        },
        Worked::ByHand | Worked::Direct | Worked::Mains => Wraps::No,
    }
}

/// Which button sits under the finger of which coil.
fn fingers(card: &Card, lamp: &Lamp, placement: &Placement) -> Vec<(u16, Button)> {
    let Worked::Buttons(buttons) = &lamp.worked else {
        return Vec::new();
    };
    let Some(board) = &card.fingers else {
        return Vec::new();
    };
    let starts = |way: Way, name: &str| {
        let mut programs = lamp.programs.iter();
        programs
            .any(|program| program.way == way && program.starts == Starts::Button(name.to_owned()))
    };
    let button = |name: &str| match name {
        name if starts(Way::Sunrise, name) => Some(Button::Start),
        name if starts(Way::Sunset, name) => Some(Button::Sunset),
        name if Some(name) == buttons.mode.as_deref() => Some(Button::Mode),
        name if name == buttons.up => Some(Button::Up),
        name if Some(name) == buttons.down().map(String::as_str) => Some(Button::Down),
        name if Some(name) == buttons.power.as_deref() => Some(Button::Power),
        _ => None,
    };
    placement
        .fingers
        .iter()
        .filter_map(|seated| {
            let finger = board
                .channels
                .iter()
                .find(|finger| finger.name == seated.finger)?;
            Some((finger.channel, button(&seated.button)?))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stand_in_understands_what_is_asked() {
        let cases = [
            ("Set the lamp to level 7, then answer.", Some(7)),
            (
                "The light did not change. Set the lamp to warm, level 12, then answer.",
                Some(12),
            ),
            ("Switch the lamp off, then answer.", Some(0)),
            ("Put the cap on the meter `lux-head`, then answer.", None),
            ("level ", None),
        ];
        for (question, level) in cases {
            assert_eq!(level_asked_for(question), level, "{question}");
        }
    }

    #[test]
    fn a_program_by_hand_is_started_by_its_name() {
        let program = |name: &str, way| crate::plan::lamp::Program {
            name: name.to_owned(),
            way,
            length: Span::from_mins(30),
            starts: Starts::ByHand,
        };
        let lamp = Lamp {
            programs: vec![program("up", Way::Sunrise), program("doze", Way::Sunset)],
            ..crate::plan::samples::lamp(3)
        };
        let asked = |name: &str| {
            let words = format!("Start the lamp's program `{name}` now, then answer at once.");
            program_asked_for(&words, Some(&lamp))
        };
        assert_eq!(asked("up"), Some(programs::Way::Up));
        assert_eq!(asked("doze"), Some(programs::Way::Down));
        assert_eq!(asked("noon"), None);
        let other = "Switch the lamp off, then answer.";
        assert_eq!(program_asked_for(other, Some(&lamp)), None);
    }

    #[test]
    fn a_rehearsal_clock_goes_on_after_the_record() {
        assert_eq!(clock(None).now().wall, ANCHOR);
        let later = ANCHOR + Span::from_mins(90);
        assert_eq!(clock(Some(later)).now().wall, later + ABSENT);
        // A record from another clock does not lead back before the zero.
        assert_eq!(clock(Some(Wall::from_us(0))).now().wall, ANCHOR);
    }
}
