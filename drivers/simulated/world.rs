//! The shared state behind all simulated devices, and its file.
//!
//! Devices answer only after the world has been saved (written beside, then
//! renamed), so that killing the daemon does not reset the bench: the lamp
//! stays warm, the carriage where it stopped, the noise where it was. The
//! world has its own time: the clock's `now` plus an offset that survives
//! restarts. Called by the machines, `bench`, and whoever plays the person.
//! Not here: bytes.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};

use photometry::units::{Length, Lux, Mono, Ratio, Span};
use serde::{Deserialize, Serialize};

use super::carriage::{Carriage, RailModel};
use super::equipment::{Equipment, EquipmentState};
use super::faults::{Device, Event, Fault, Planned, striking};
use super::fingers::Coils;
use super::lamp::{Button, Lamp, LampModel};
use super::lights::{Glow, PortGlow, Shining};
use super::meter::{MeterModel, MeterState};
pub use super::person::Person;
use super::rail::Controller;
use super::random::{Stream, normal};
use super::room::{Hidden, RoomModel, Unknowns};
use super::sphere::Inside;

/// Everything that is fixed about a simulated bench.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WorldSpec {
    /// Every random number follows from it.
    pub seed: u64,
    /// The lamp under test.
    pub lamp: LampModel,
    /// Stray and ambient light.
    pub room: RoomModel,
    /// The rail.
    pub rail: RailModel,
    /// The illuminance meter.
    pub meter: MeterModel,
    /// How large the hidden errors may be.
    pub unknowns: Unknowns,
    /// Carriage coordinate at which, as the owner measured it, the meter's
    /// reference plane and the lamp's datum face would coincide.
    pub datum: Length,
    /// True when a higher coordinate is farther from the lamp.
    pub up_is_away: bool,
    /// Which button sits under the finger of which coil.
    pub fingers: Vec<(u16, Button)>,
    /// What goes wrong, and when.
    pub faults: Vec<Planned>,
    /// How long the devices think.
    #[serde(default)]
    pub thinks: Thinks,
    /// How the rail is spoken to.
    #[serde(default)]
    pub rail_speaks: RailSpeech,
    /// What else may stand on the bench.
    #[serde(default)]
    pub equipment: Equipment,
}

/// How the rail is spoken to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RailSpeech {
    /// By lines, and by bytes that it obeys at once.
    #[default]
    Bytes,
    /// By lines alone.
    Lines,
    /// By registers behind serial frames.
    Registers,
    /// By registers behind the frames of a socket.
    RegistersTcp,
}

/// From the end of a line to the first byte of a device's answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Thinks {
    /// The rail's controller; it answers `?` at once.
    pub rail: Span,
    /// The meter and the fingers.
    pub scpi: Span,
}

impl Default for Thinks {
    /// As small devices do: 2 ms and 3 ms.
    fn default() -> Thinks {
        Thinks {
            rail: Span::from_ms(2),
            scpi: Span::from_ms(3),
        }
    }
}

impl WorldSpec {
    /// A sanderling before a two-metre rail, at night, with honest unknowns.
    pub fn new(seed: u64) -> WorldSpec {
        WorldSpec {
            seed,
            lamp: LampModel::sanderling(),
            room: RoomModel::night(),
            rail: RailModel::two_metres(),
            meter: MeterModel::handheld(),
            unknowns: Unknowns {
                calibration: Ratio::new(0.015),
                datum: Length::from_um(500),
            },
            datum: Length::from_mm(-100),
            up_is_away: true,
            fingers: vec![(1, Button::Power), (2, Button::Up), (3, Button::Down)],
            faults: Vec::new(),
            thinks: Thinks::default(),
            rail_speaks: RailSpeech::default(),
            equipment: Equipment::default(),
        }
    }
}

/// Format of the world's file.
const FORMAT: u32 = 1;
/// A world's file is a few kilobytes; a larger one is none.
const FILE_AT_MOST_BYTES: u64 = 1 << 20;

/// What changes; all of it is in the file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WorldState {
    format: u32,
    /// World time of the last save.
    at: Mono,
    /// The lamp.
    pub lamp: Lamp,
    /// The carriage.
    pub carriage: Carriage,
    /// The rail's controller.
    pub controller: Controller,
    /// The meter's settings.
    pub meter: MeterState,
    /// The relay board's coils.
    pub coils: Coils,
    /// What the further devices hold.
    #[serde(default)]
    pub equipment: EquipmentState,
    counters: BTreeMap<Event, u64>,
}

impl WorldState {
    /// What has happened by itself until `at`: the outlets' watchdog, the lamp.
    fn catch_up(&mut self, spec: &WorldSpec, at: Mono) {
        let opens_at = self.equipment.outlets.opens_at();
        if let Some(opened) = opens_at.filter(|opens_at| *opens_at <= at) {
            self.equipment.outlets.opened(at);
            self.mains_follow(spec, opened);
        }
        self.lamp.advance(&spec.lamp, at);
    }

    /// What hangs on the relays follows them.
    pub(super) fn mains_follow(&mut self, spec: &WorldSpec, at: Mono) {
        let EquipmentState {
            outlets, sphere, ..
        } = &mut self.equipment;
        let lamp = (&mut self.lamp, &spec.lamp);
        outlets.lead(&spec.equipment.outlets, lamp, sphere, at);
    }
}

/// Why a world could not be loaded or saved.
#[derive(Debug, thiserror::Error)]
pub enum WorldError {
    /// The file cannot be read or written.
    #[error("the simulated bench's file {path} cannot be {verb}", path = path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// `read` or `written`.
        verb: &'static str,
        /// Why.
        #[source]
        cause: std::io::Error,
    },
    /// The file is not a world.
    #[error("{path} is not the file of a simulated bench; remove it to begin anew", path = path.display())]
    NotAWorld {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        cause: serde_json::Error,
    },
    /// The file is of another format, or too large.
    #[error("{path} was written by another version of the simulated bench; remove it to begin anew", path = path.display())]
    Foreign {
        /// The file.
        path: PathBuf,
    },
}

/// The simulated bench's shared state; clones share it.
#[derive(Clone)]
pub struct World(Arc<Shared>);

struct Shared {
    /// Replaced as a whole when another lamp is placed.
    spec: RwLock<Arc<WorldSpec>>,
    hidden: Hidden,
    file: Option<PathBuf>,
    /// World time minus the clock's time.
    offset: Span,
    state: Mutex<WorldState>,
}

impl World {
    /// A world that begins at `now`, or goes on from `file` if that exists:
    /// then `absent` is how long ago it was saved.
    ///
    /// # Errors
    /// When the file exists but cannot be read or is no world.
    pub fn start(
        spec: WorldSpec,
        file: Option<PathBuf>,
        now: Mono,
        absent: Span,
    ) -> Result<World, WorldError> {
        let stored = match &file {
            Some(path) => load(path)?,
            None => None,
        };
        let hidden = Hidden::draw(spec.seed, spec.unknowns);
        let resumes_at = stored.as_ref().map_or(now, |state| state.at + absent);
        let state = stored.unwrap_or_else(|| WorldState {
            format: FORMAT,
            at: now,
            lamp: Lamp::new(&spec.lamp, now),
            carriage: Carriage::new(&spec.rail, now),
            controller: Controller::new(),
            meter: MeterState::new(),
            coils: Coils::new(),
            equipment: EquipmentState::default(),
            counters: BTreeMap::new(),
        });
        let mut state = state;
        state.mains_follow(&spec, resumes_at);
        let offset = resumes_at.since(now);
        Ok(World(Arc::new(Shared {
            spec: RwLock::new(Arc::new(spec)),
            hidden,
            file,
            offset,
            state: Mutex::new(state),
        })))
    }

    /// What is fixed, until another lamp is placed.
    pub fn spec(&self) -> Arc<WorldSpec> {
        Arc::clone(&self.0.spec.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// A person puts another lamp, cold, before the rail: its model, the datum
    /// as the owner measured it, and which button sits under which coil.
    pub fn place(&self, lamp: LampModel, datum: Length, fingers: Vec<(u16, Button)>, now: Mono) {
        let at = self.time(now);
        self.edit(now, |_, state, _| state.lamp = Lamp::new(&lamp, at));
        let placed = WorldSpec {
            lamp,
            datum,
            fingers,
            ..WorldSpec::clone(&self.spec())
        };
        *self.0.spec.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(placed);
        self.edit(now, |spec, state, at| state.mains_follow(spec, at));
        self.save(now);
    }

    /// What the lamp's control calls the white tones of the lamp that stands there.
    pub fn calls_modes(&self, modes: Vec<String>) {
        let mut spec = WorldSpec::clone(&self.spec());
        spec.equipment.level.modes = modes;
        *self.0.spec.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(spec);
    }

    /// The clock's `now` in world time.
    pub(super) fn time(&self, now: Mono) -> Mono {
        now + self.0.offset
    }

    /// World time as the clock's.
    pub(super) fn clock_time(&self, at: Mono) -> Mono {
        at + -self.0.offset
    }

    /// A thread that died while holding the state cannot have left it
    /// half-changed in a way that matters more than going on.
    pub(super) fn state(&self) -> MutexGuard<'_, WorldState> {
        self.0.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Looks at or changes the state, at the world's time, when it has caught up.
    pub(super) fn edit<T>(
        &self,
        now: Mono,
        how: impl FnOnce(&WorldSpec, &mut WorldState, Mono) -> T,
    ) -> T {
        let (at, spec) = (self.time(now), self.spec());
        let mut state = self.state();
        state.catch_up(&spec, at);
        how(&spec, &mut state, at)
    }

    /// Saves the world; a failure is logged, and the bench goes on.
    pub(super) fn save(&self, now: Mono) {
        let Some(path) = &self.0.file else {
            return;
        };
        let mut state = self.state();
        state.at = self.time(now);
        if let Err(error) = store(path, &state) {
            tracing::error!(%error, "the simulated bench's world is not saved");
        }
    }

    /// Counts an event; returns the faults that strike at it.
    pub(super) fn happens(&self, event: Event) -> Vec<Fault> {
        let mut state = self.state();
        let nth = state.counters.entry(event).or_insert(0);
        *nth += 1;
        striking(&self.spec().faults, event, *nth)
            .map(|fault| fault.itself().clone())
            .collect()
    }

    /// What faults do to the lamp at a reading that began at `began`.
    pub(super) fn lamp_suffers(&self, faults: &[Fault], began: Mono) {
        for fault in faults {
            self.edit(began, |spec, state, at| match fault {
                // One that is off is not touched, or its display would light.
                Fault::LampOut if state.lamp.shining() == 0 => {}
                Fault::LampOut => state.lamp.set(&spec.lamp, 0, at),
                Fault::LampBack(after, level) => {
                    if state.lamp.shining() > 0 {
                        state.lamp.set(&spec.lamp, 0, at);
                    }
                    state.lamp.comes_back(at + *after, *level);
                }
                _ => {}
            });
        }
    }

    /// How often something has happened since the world began.
    pub fn count(&self, event: Event) -> u64 {
        self.state().counters.get(&event).copied().unwrap_or(0)
    }

    /// True distance from the lamp's datum face to the meter's plane.
    pub fn distance(&self, now: Mono) -> Length {
        self.distance_of(&self.state(), self.time(now))
    }

    fn distance_of(&self, state: &WorldState, at: Mono) -> Length {
        let spec = self.spec();
        let along = state.carriage.at(&spec.rail, at).carriage - spec.datum - self.0.hidden.datum;
        if spec.up_is_away { along } else { -along }
    }

    /// True carriage coordinate.
    pub fn carriage(&self, now: Mono) -> Length {
        let at = self.time(now);
        self.state().carriage.at(&self.spec().rail, at).carriage
    }

    /// Illuminance at the plane of the meter on the carriage, stray and ambient light included, meant
    /// over its modulation; `now` may lie one integration back.
    pub fn light(&self, now: Mono) -> Lux {
        let glow = self.glow(now);
        Lux(glow.lamp.0 + glow.ambient.0)
    }

    /// The same by its parts.
    pub fn glow(&self, now: Mono) -> Glow {
        let at = self.time(now);
        let spec = self.spec();
        let mut state = self.state();
        state.catch_up(&spec, at);
        let distance = self.distance_of(&state, at);
        let direct = match state.equipment.sphere.inside {
            Inside::Lamp => Lux(0.0),
            Inside::Nothing | Inside::Reference => state.lamp.light(&spec.lamp, distance, at),
        };
        Glow {
            lamp: spec.room.with_stray(direct),
            ambient: spec.room.ambient_at(at),
            colour: state.lamp.colour(&spec.lamp, at),
            modulation: state.lamp.modulation(&spec.lamp, at),
        }
    }

    /// Illuminance at the fixed meter, which sees a share of what there is at 1 m
    /// on the axis, and the room.
    pub fn fixed_light(&self, now: Mono) -> Lux {
        self.edit(now, |spec, state, at| {
            let ambient = spec.room.ambient_at(at);
            if state.equipment.sphere.inside == Inside::Lamp {
                return ambient;
            }
            let metre = state.lamp.light(&spec.lamp, Length::from_mm(1000), at);
            Lux(metre.0 * spec.equipment.fixed_meter_sees.share() + ambient.0)
        })
    }

    /// Illuminance at the sphere's port.
    pub fn port(&self, now: Mono) -> Lux {
        self.port_glow(now).lux()
    }

    /// The light at the sphere's port by its parts.
    pub fn port_glow(&self, now: Mono) -> PortGlow {
        self.edit(now, |spec, state, at| {
            let lamp = Shining {
                flux_lm: state.lamp.flux(&spec.lamp, at),
                colour: state.lamp.colour(&spec.lamp, at),
            };
            let sphere = &state.equipment.sphere;
            sphere.glow(&spec.equipment.sphere, lamp, at)
        })
    }

    /// Active power that the lamp takes, in W; `now` may lie one integration back.
    pub fn watts(&self, now: Mono) -> f64 {
        self.edit(now, |spec, state, at| state.lamp.watts(&spec.lamp, at))
    }

    /// The errors that the bench's owner cannot know.
    pub fn hidden(&self) -> Hidden {
        self.0.hidden
    }

    /// The factor by which a device shows too much.
    pub fn gain(&self, device: Device) -> f64 {
        match device {
            Device::Spectroradiometer => self.draw_gain(2),
            Device::WaveformPhotometer => self.draw_gain(3),
            Device::PowerMeter => self.draw_gain(4),
            Device::Meter2 => self.draw_gain(5),
            Device::SpherePhotometer => self.draw_gain(6),
            Device::SphereSpectroradiometer => self.draw_gain(7),
            Device::Meter => self.0.hidden.gain,
            _ => 1.0,
        }
    }

    fn draw_gain(&self, nth: u64) -> f64 {
        let spec = self.spec();
        1.0 + spec.unknowns.calibration.share() * normal(spec.seed, Stream::Hidden, nth)
    }

    /// The hands and eyes of a person at this bench.
    pub fn person(&self) -> Person {
        Person(self.clone())
    }
}

fn load(path: &Path) -> Result<Option<WorldState>, WorldError> {
    let unreadable = |cause| WorldError::File {
        path: path.to_owned(),
        verb: "read",
        cause,
    };
    let size = match std::fs::metadata(path) {
        Ok(about) => about.len(),
        Err(cause) if cause.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(cause) => return Err(unreadable(cause)),
    };
    let foreign = || WorldError::Foreign {
        path: path.to_owned(),
    };
    if size > FILE_AT_MOST_BYTES {
        return Err(foreign());
    }
    let bytes = std::fs::read(path).map_err(unreadable)?;
    let state: WorldState =
        serde_json::from_slice(&bytes).map_err(|cause| WorldError::NotAWorld {
            path: path.to_owned(),
            cause,
        })?;
    if state.format != FORMAT {
        return Err(foreign());
    }
    Ok(Some(state))
}

fn store(path: &Path, state: &WorldState) -> Result<(), WorldError> {
    let unwritable = |cause| WorldError::File {
        path: path.to_owned(),
        verb: "written",
        cause,
    };
    let text = serde_json::to_vec(state).map_err(|cause| unwritable(cause.into()))?;
    let beside = path.with_extension("new");
    std::fs::write(&beside, text).map_err(unwritable)?;
    std::fs::rename(&beside, path).map_err(unwritable)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(secs: i64) -> Mono {
        Mono::ZERO + Span::from_secs(secs)
    }

    #[test]
    fn a_killed_world_goes_on_where_it_was() {
        let dir = tempfile::tempdir().expect("a directory");
        let file = dir.path().join("world.json");
        let begin = |now, absent| {
            World::start(WorldSpec::new(1), Some(file.clone()), now, absent).expect("a world")
        };
        let first = begin(at(5), Span::ZERO);
        first.person().set_level(12, at(10));
        assert!(first.happens(Event::Read).is_empty());
        first.save(at(600));
        let warm = first.light(at(630));
        drop(first);
        // Restarted: the clock begins anew at 2 s, half a minute has passed.
        let second = begin(at(2), Span::from_secs(30));
        assert_eq!(second.light(at(2)), warm);
        assert_eq!(second.person().sees_level(at(2)), 12);
        assert_eq!(second.count(Event::Read), 1);
    }

    #[test]
    fn a_file_that_is_no_world_is_refused_by_name() {
        let dir = tempfile::tempdir().expect("a directory");
        let file = dir.path().join("world.json");
        std::fs::write(&file, b"{\"format\":1}").expect("written");
        let refused = World::start(WorldSpec::new(1), Some(file), Mono::ZERO, Span::ZERO);
        assert!(matches!(refused, Err(WorldError::NotAWorld { .. })));
    }

    /// As an earlier version wrote it: without the further devices, tones, programs,
    /// alarm and mains.
    #[test]
    fn a_file_of_an_earlier_bench_is_read() {
        let dir = tempfile::tempdir().expect("a directory");
        let file = dir.path().join("world.json");
        let begin = || {
            let spec = WorldSpec::new(1);
            World::start(spec, Some(file.clone()), at(5), Span::ZERO).expect("a world")
        };
        begin().person().set_level(12, at(5));
        let text = std::fs::read_to_string(&file).expect("a file");
        let mut kept: serde_json::Value = serde_json::from_str(&text).expect("json");
        let world = kept.as_object_mut().expect("a world");
        assert!(world.remove("equipment").is_some());
        let lamp = world["lamp"].as_object_mut().expect("a lamp");
        for new in ["tone", "running", "alarm", "unpowered"] {
            assert!(lamp.remove(new).is_some(), "{new}");
        }
        std::fs::write(&file, kept.to_string()).expect("written");
        let again = begin();
        assert_eq!(again.person().sees_level(at(5)), 12);
        assert_eq!(again.state().equipment, EquipmentState::default());
    }

    #[test]
    fn light_follows_the_disc_law_and_the_room() {
        let spec = WorldSpec {
            unknowns: Unknowns::NONE,
            ..WorldSpec::new(3)
        };
        let world = World::start(spec, None, at(0), Span::ZERO).expect("a world");
        let person = world.person();
        person.set_level(12, at(0));
        let late = at(100_000);
        let distance = world.distance(late);
        assert_eq!(distance, Length::from_mm(400));
        let direct = person.truth(12, distance).0;
        let expected = direct * 1.002 + world.spec().room.ambient_at(late).0;
        assert!((world.light(late).0 / expected - 1.0).abs() < 1e-9);
    }
}
