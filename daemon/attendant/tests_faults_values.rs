//! What stands among a night's results, held against the simulated world: each
//! number against the closed form at its instant, and each key against the level,
//! the place and the setting that there truly were.

use std::collections::{BTreeMap, HashMap};

use drivers::simulated::bench::SimulatedBench;
use drivers::simulated::faults::{Contact, Device, Fault, Planned};
use drivers::simulated::lights::{Glow, PortGlow};
use drivers::simulated::spectroradiometer::SpectroradiometerModel;
use drivers::simulated::sphere::{Inside, SphereLamp};
use drivers::simulated::world::{Person, World, WorldSpec};
use photometry::measured::{Axis, Capture, CaptureOutcome, Quantity, Reading};
use photometry::units::{Length, Mono, Span};

use super::scene::Scene;
use crate::plan::card::PlaceKind;
use crate::plan::itinerary::{Key, Purpose, UNPLUGGED, What};
use crate::plan::lamp::Worked;
use crate::rehearsal;
use crate::run::journal::{Body, Decision, End, Event};
use crate::store::counts::{Standing, standings};

/// What a result may differ from the light at its instant: five times the
/// noise of 0.1 %, and the resolution.
const RELATIVE: f64 = 0.006;
/// The same in lx: five times the noise of a dark meter, and the resolution.
const ABSOLUTE_LX: f64 = 0.004;
/// The same at the sphere's port, whose photometer is noisier in the dark.
const ABSOLUTE_PORT_LX: f64 = 0.012;
/// The same of light that is weighed from a spectrum of up to a second.
const ABSOLUTE_WEIGHED_LX: f64 = 0.1;
/// The same in W: five times 2 mW, and the resolution.
const ABSOLUTE_W: f64 = 0.012;
/// The mean of a waveform: its last period may be broken off.
const RELATIVE_WAVEFORM: f64 = 0.01;
/// Half of the integration time of the meters, 200 ms.
const HALF_INTEGRATION: Span = Span::from_ms(100);
/// How far the carriage may truly stand from a result's position: rounding to
/// steps, and what homing does not prove.
const PLACE: Length = Length::from_um(150);
/// From a program's beginning to the instant on record: a press and its answer.
const BEGAN_WITHIN: Span = Span::from_secs(1);

/// What a person saw at one instant of a reading or a capture.
#[derive(Clone)]
struct Look {
    level: u16,
    light: f64,
    port: f64,
    watts: f64,
    distance: Length,
    glow: Glow,
    port_glow: PortGlow,
}

impl Look {
    fn at(person: &Person, at: Mono) -> Look {
        Look {
            level: person.sees_level(at),
            light: person.sees_light(at).0,
            port: person.sees_port(at).0,
            watts: person.sees_watts(at),
            distance: person.sees_distance(at),
            glow: person.sees_glow(at),
            port_glow: person.sees_port_glow(at),
        }
    }
}

/// What a person saw at one event.
#[derive(Clone)]
pub(super) struct Sight {
    pub event: Event,
    /// The level while a reading was taken, else at the event.
    pub level: u16,
    pub fingers_down: bool,
    pub moves: bool,
    pub relays_closed: Vec<u16>,
    /// At the beginning, in the middle and at the end of a reading or capture.
    looks: [Look; 3],
    /// What is in the sphere, and whether its auxiliary and reference lamps are lit.
    sphere: (Inside, bool, bool),
    powered: bool,
    /// Since when the lamp is in a program.
    program: Option<Mono>,
}

impl Sight {
    pub fn of(event: &Event, person: &Person) -> Sight {
        let now = event.at.mono;
        let [from, middle, to] = match &event.body {
            Body::Taken { reading, .. } => {
                let taken = reading.taken.mono;
                [reading.asked.mono, taken + -HALF_INTEGRATION, taken]
            }
            Body::Captured { capture, .. } => {
                let (taken, takes) = (capture.taken.mono, takes(capture));
                let half = Span::from_ns(takes.ns() / 2);
                [taken + -takes, taken + -half, taken]
            }
            _ => [now; 3],
        };
        // In their order: looking goes on with the world.
        let looks = [from, middle, to].map(|at| Look::at(person, at));
        let lit = |lamp| person.sees_lit(lamp, now);
        Sight {
            event: event.clone(),
            level: looks[1].level,
            fingers_down: !person.sees_fingers_down().is_empty(),
            moves: person.sees_motion(now),
            relays_closed: person.sees_relays_closed(now),
            looks,
            sphere: (
                person.sees_in_sphere(),
                lit(SphereLamp::Auxiliary),
                lit(SphereLamp::Reference),
            ),
            powered: person.sees_powered(now),
            program: person.sees_program(now).map(|(_, since)| since),
        }
    }
}

impl Sight {
    /// Whether a lamp that belongs to the sphere is lit.
    pub fn sphere_is_lit(&self) -> bool {
        self.sphere.1 || self.sphere.2
    }
}

/// How long a capture takes by itself.
fn takes(capture: &Capture) -> Span {
    let count = match capture.outcome {
        CaptureOutcome::Numbers(n) | CaptureOutcome::Saturated(n) => n,
        _ => 0,
    };
    match capture.axis {
        Axis::Seconds(step) => Span::from_secs_f64(step * f64::from(count)),
        Axis::Wavelengths => capture.integration.unwrap_or(Span::ZERO),
    }
}

/// What must truly have been where a key stands among the results.
struct Wanted {
    level: Option<u16>,
    sphere: Option<(Inside, bool, bool)>,
    powered: Option<bool>,
    covered: bool,
}

impl Wanted {
    /// None where nothing rests on the reading: a look, a trial, a warm-up.
    fn of(key: &Key, in_sphere: bool, in_program: bool) -> Option<Wanted> {
        use Inside::{Lamp, Reference};
        let set = key.setting.trim_start_matches('L').parse().ok();
        let (level, sphere) = match key.purpose {
            Purpose::Read | Purpose::Reference | Purpose::Return | Purpose::OtherRate => {
                (set, (Lamp, false, false))
            }
            Purpose::Ambient => (Some(0), (Lamp, false, false)),
            Purpose::Sample if in_program => (None, (Lamp, false, false)),
            Purpose::Sample => (Some(0), (Lamp, false, false)),
            Purpose::Dark if in_sphere => (Some(0), (Lamp, false, false)),
            Purpose::Dark => (None, (Lamp, false, false)),
            Purpose::Auxiliary => (Some(0), (Lamp, true, false)),
            Purpose::Standard => (None, (Reference, false, true)),
            Purpose::StandardAuxiliary => (None, (Reference, true, false)),
            Purpose::StandardDark => (None, (Reference, false, false)),
            Purpose::WarmUp | Purpose::Watch | Purpose::HalfLight | Purpose::Trial => return None,
            Purpose::Fixed => (Some(set.unwrap_or(0)), (Lamp, false, false)),
            Purpose::Covered => (None, (Lamp, false, false)),
            Purpose::Room | Purpose::Air => return None,
        };
        let own_dark = key.purpose == Purpose::Covered;
        let power_matters = matches!(key.purpose, Purpose::Ambient | Purpose::Sample);
        Some(Wanted {
            level,
            // What a covered meter stands before does not matter.
            sphere: (in_sphere && !own_dark).then_some(sphere),
            powered: power_matters.then_some(key.setting != UNPLUGGED),
            covered: own_dark || key.purpose == Purpose::Dark && !in_sphere,
        })
    }
}

/// What is compared with what.
struct Comparing<'a> {
    scene: &'a Scene,
    world: World,
    in_sphere: bool,
    comes_back: bool,
    /// The device behind each meter.
    devices: BTreeMap<&'a str, Device>,
    wrong: Vec<String>,
    compared: usize,
}

/// How many results were compared with the closed form of lamp and carriage,
/// and those that differ, stand under a wrong level, place or setting, were
/// taken with other settings, stand twice or are lacking.
pub(super) fn wrong_values(scene: &Scene, sights: &[Sight]) -> (usize, Vec<String>) {
    let card = &scene.frozen.card;
    let further: HashMap<String, Device> = rehearsal::further_devices(card).into_iter().collect();
    let device = |port| further.get(port).copied().unwrap_or(Device::Meter);
    let place = &scene.frozen.placement.place;
    let kind = card.places.iter().find(|known| known.name == *place);
    let world = World::start(scene.world.clone(), None, Mono::ZERO, Span::ZERO);
    let mut comparing = Comparing {
        scene,
        world: world.expect("a world"),
        in_sphere: kind.is_some_and(|place| place.kind == PlaceKind::Sphere),
        comes_back: comes_back(&scene.world),
        devices: card
            .meters
            .iter()
            .map(|meter| (meter.name.as_str(), device(&meter.port)))
            .collect(),
        wrong: Vec::new(),
        compared: 0,
    };
    let standings = standings(&scene.frozen.itinerary, &scene.paper.events());
    let mut keys: BTreeMap<String, u32> = BTreeMap::new();
    for sight in sights {
        if standings.get(&sight.event.seq) != Some(&Standing::Counts) {
            continue;
        }
        let (key, says) = match &sight.event.body {
            Body::Taken { key, reading } => (key, reading.outcome.says_something()),
            Body::Captured { key, capture, .. } => (key, capture.outcome.says_something()),
            _ => continue,
        };
        let rests = Wanted::of(key, comparing.in_sphere, false).is_some();
        if rests && (says || key.purpose == Purpose::Sample) {
            *keys.entry(key.to_string()).or_default() += 1;
        }
        comparing.compare(sight, key);
    }
    let twice = keys.iter().filter(|(_, count)| **count > 1);
    let twice = twice.map(|(key, count)| format!("{key} stands {count} times"));
    let mut wrong = std::mem::take(&mut comparing.wrong);
    wrong.extend(twice);
    wrong.extend(lacking(scene, &keys));
    wrong.extend(not_begun(sights, &standings));
    (comparing.compared, wrong)
}

/// A night that is said to be complete has everything that was promised.
fn lacking(scene: &Scene, keys: &BTreeMap<String, u32>) -> Vec<String> {
    let events = scene.paper.events();
    let ended = |event: &Event| {
        matches!(
            event.body,
            Body::Ended {
                end: End::Complete,
                ..
            }
        )
    };
    if !events.last().is_some_and(ended) {
        return Vec::new();
    }
    let mut wanted = 0;
    let mut found = Vec::new();
    for action in &scene.frozen.itinerary.actions {
        let Some(key) = &action.key else { continue };
        match &action.what {
            What::Read { .. } | What::Capture { .. } if !keys.contains_key(&key.to_string()) => {
                found.push(format!("complete without {key}"));
            }
            What::Record(recording) => {
                wanted += recording.readings() as usize * recording.meters.len();
            }
            _ => {}
        }
    }
    let sample = format!("/{}/", Purpose::Sample.word());
    let samples = keys.keys().filter(|key| key.contains(&sample)).count();
    if samples != wanted {
        found.push(format!("complete with {samples} samples of {wanted}"));
    }
    found
}

/// Programs that are said to have begun and did not, where their samples stand.
fn not_begun(sights: &[Sight], standings: &HashMap<u64, Standing>) -> Vec<String> {
    let began = sights.iter().filter_map(|sight| match &sight.event.body {
        Body::Decided {
            decision: Decision::Began { at, .. },
        } => Some((sight, at.mono)),
        _ => None,
    });
    let stands = |of: &Event| {
        sights.iter().any(|sight| {
            let same = (sight.event.no, sight.event.attempt) == (of.no, of.attempt);
            let is_taken = matches!(sight.event.body, Body::Taken { .. });
            same && is_taken && standings.get(&sight.event.seq) == Some(&Standing::Counts)
        })
    };
    let wrong = began.filter(|(sight, at)| {
        let since = sight.program.map(|since| at.since(since));
        let then = since.is_some_and(|off| off >= Span::ZERO && off < BEGAN_WITHIN);
        !then && stands(&sight.event)
    });
    wrong
        .map(|(sight, _)| format!("said to have begun, and is in {:?}", sight.program))
        .collect()
}

impl Comparing<'_> {
    fn compare(&mut self, sight: &Sight, key: &Key) {
        let program = self.scene.frozen.lamp.program(&key.setting).is_some();
        let Some(wanted) = Wanted::of(key, self.in_sphere, program) else {
            return;
        };
        let before = self.compared;
        let level = match &sight.event.body {
            Body::Taken { reading, .. } => self.reading(sight, key, reading, &wanted),
            Body::Captured { capture, .. } => self.capture(sight, key, capture, &wanted),
            _ => return,
        };
        if self.compared == before {
            return;
        }
        // A lamp that lights by itself while it is to be dark is noticed where
        // it is watched from, and elsewhere where that place was seen before.
        let head = &self.scene.frozen.itinerary.tests[0];
        let elsewhere = head.watch != key.position;
        let told = !(key.purpose == Purpose::Ambient && elsewhere && self.comes_back);
        if told && wanted.level.is_some_and(|wanted| wanted != level) {
            self.says(key, &format!("the lamp stood at {level}"));
        }
        if wanted.sphere.is_some_and(|wanted| wanted != sight.sphere) {
            self.says(key, &format!("in the sphere was {:?}", sight.sphere));
        }
        // The light of a lamp that is off does not tell whether its relay opened. One that
        // its outlet lights is off by having no power.
        let by_mains = self.scene.frozen.lamp.worked == Worked::Mains;
        let told = !welded_unseen(&self.scene.world) && !by_mains;
        if told && wanted.powered.is_some_and(|wanted| wanted != sight.powered) {
            self.says(key, &format!("the lamp's power was {}", sight.powered));
        }
    }

    fn says(&mut self, key: &Key, words: &str) {
        self.wrong.push(format!("{key}: {words}"));
    }

    /// Holds a reading against the world; the level that it saw.
    fn reading(&mut self, sight: &Sight, key: &Key, reading: &Reading, wanted: &Wanted) -> u16 {
        let Some(value) = reading.outcome.value() else {
            return sight.level;
        };
        self.compared += 1;
        let device = self.devices[reading.meter.as_str()];
        let gain = self.world.gain(device);
        let (dark, absolute) = match device {
            Device::PowerMeter => (0.0, ABSOLUTE_W),
            Device::SpherePhotometer => (
                self.scene.world.equipment.sphere_photometer.dark.0,
                ABSOLUTE_PORT_LX,
            ),
            // Weighed from a spectrum, whose dark signal stays in it.
            Device::SphereSpectroradiometer => (0.0, ABSOLUTE_WEIGHED_LX),
            _ => (self.scene.world.meter.dark.0, ABSOLUTE_LX),
        };
        let truth = |look: &Look| {
            let light = match device {
                _ if wanted.covered => 0.0,
                Device::PowerMeter => look.watts,
                Device::SpherePhotometer | Device::SphereSpectroradiometer => look.port,
                _ => look.light,
            };
            light * gain + dark
        };
        let [from, middle, to] = &sight.looks;
        let (mut least, mut most) = (truth(middle), truth(middle));
        if key.purpose == Purpose::Sample {
            // Its light moves.
            least = least.min(truth(from)).min(truth(to));
            most = most.max(truth(from)).max(truth(to));
        }
        // A light that fades during the integration has no instant.
        let fades = wanted.level.is_some_and(|level| level != sight.level);
        let near = (least - least * RELATIVE - absolute)..=(most + most * RELATIVE + absolute);
        if !fades && !near.contains(&value) {
            let flags = &reading.flags;
            self.says(key, &format!("{value} for {least} to {most} {flags:?}"));
        }
        if !reading.raw.iter().any(u8::is_ascii_digit) {
            self.says(key, &format!("{value} out of {:?}", reading.raw));
        }
        self.placed(sight, key, device, wanted);
        let weighed = device == Device::SphereSpectroradiometer;
        let took = reading.taken.mono.since(reading.asked.mono);
        if !weighed && took < HALF_INTEGRATION.times(2) {
            self.says(key, "integrated for too short a time");
        }
        sight.level
    }

    /// The room's light is taken where the carriage stands; a run that lost steps
    /// says so, and drops its legs, not its ambient readings.
    fn placed(&mut self, sight: &Sight, key: &Key, device: Device, wanted: &Wanted) {
        let rides = !matches!(
            device,
            Device::PowerMeter | Device::SpherePhotometer | Device::SphereSpectroradiometer
        );
        let lit = wanted.level.is_some_and(|level| level > 0);
        let matters = rides && (lit || key.purpose == Purpose::Sample);
        let at = sight.looks[1].distance;
        if matters && (at - key.position).abs() > PLACE {
            self.says(key, &format!("it stood at {at}"));
        }
    }

    /// Holds a spectrum or a waveform against the world; the level that it saw.
    fn capture(&mut self, sight: &Sight, key: &Key, capture: &Capture, wanted: &Wanted) -> u16 {
        let CaptureOutcome::Numbers(count) = capture.outcome else {
            return sight.level;
        };
        self.compared += 1;
        let numbers = capture.numbers().unwrap_or_default();
        let promised = self.promised(sight, capture);
        if numbers.len() != count as usize || promised != Some(numbers.len()) {
            let found = numbers.len();
            self.says(
                key,
                &format!("{found} of {count} numbers, {promised:?} promised"),
            );
        }
        let differs = match capture.quantity {
            Quantity::Spectrum => self.spectrum(sight, capture, &numbers, wanted.covered),
            _ => self.waveform(sight, &numbers, wanted.covered),
        };
        if let Some(words) = differs {
            self.says(key, &words);
        }
        if capture.taken.mono.since(capture.asked.mono) < takes(capture) {
            self.says(key, "captured for too short a time");
        }
        self.placed(sight, key, self.devices[capture.meter.as_str()], wanted);
        let levels = sight.looks.each_ref().map(|look| look.level);
        let other = levels.iter().find(|level| Some(**level) != wanted.level);
        *other.unwrap_or(&sight.level)
    }

    /// How many numbers there must be.
    fn promised(&self, sight: &Sight, capture: &Capture) -> Option<usize> {
        if capture.quantity == Quantity::Spectrum {
            return Some(self.array(capture).0.elements as usize);
        }
        let no = usize::try_from(sight.event.no?).ok()?;
        match &self.scene.frozen.itinerary.actions.get(no)?.what {
            What::Capture { sampling, .. } => {
                let sampling = (*sampling)?;
                let same = capture.axis == Axis::Seconds(sampling.step.secs());
                same.then_some(sampling.count as usize)
            }
            _ => None,
        }
    }

    /// The spectroradiometer that made a capture.
    fn array(&self, capture: &Capture) -> (&SpectroradiometerModel, Device) {
        let equipment = &self.scene.world.equipment;
        let device = self.devices[capture.meter.as_str()];
        match device {
            Device::SphereSpectroradiometer => (&equipment.sphere_spectroradiometer, device),
            _ => (&equipment.spectroradiometer, device),
        }
    }

    /// Each element within six times its noise, with the dark signal of its own,
    /// which is up to twice the usual one.
    fn spectrum(
        &self,
        sight: &Sight,
        capture: &Capture,
        numbers: &[f64],
        covered: bool,
    ) -> Option<String> {
        let (model, device) = self.array(capture);
        let seconds = capture.integration.map_or(0.0, Span::secs);
        let (full, dark) = (model.sensitivity * seconds, model.dark_per_s * seconds);
        let gain = self.world.gain(device);
        let axis = capture.axis_numbers()?;
        for ((nm, told), value) in model.wavelengths().iter().zip(axis).zip(numbers) {
            if f64::from(*nm) != told {
                return Some(format!("{told} nm for {nm}"));
            }
            let light = if covered {
                0.0
            } else {
                let look = &sight.looks[1];
                match device {
                    Device::SphereSpectroradiometer => look.port_glow.spectral(told) * gain,
                    _ => look.glow.spectral(told) * gain,
                }
            };
            let filled = (light + dark) * full;
            let spread = (model.read_noise.share().powi(2) + filled / model.full_well).sqrt();
            let most = 6.0 * spread / full + light * RELATIVE + dark;
            if (value - light - dark).abs() > most {
                return Some(format!("{value} for {} at {nm} nm", light + dark));
            }
        }
        None
    }

    /// Its mean, by the mean light. That of a lamp which blinked meanwhile lies
    /// between the dark and its light: a blink belongs to a waveform.
    fn waveform(&self, sight: &Sight, numbers: &[f64], covered: bool) -> Option<String> {
        let model = &self.scene.world.equipment.waveform_photometer;
        let volts = model.volts_per_lux * self.world.gain(Device::WaveformPhotometer);
        let light = if covered { 0.0 } else { sight.looks[1].light };
        let lights = sight.looks.each_ref().map(|look| look.light);
        let (least, most) = match self.comes_back && !covered {
            true => (0.0, lights.into_iter().fold(0.0, f64::max)),
            false => (light, light),
        };
        let mean = numbers.iter().sum::<f64>() / numbers.len().max(1) as f64;
        let off = |light: f64| light * volts * RELATIVE_WAVEFORM + model.noise_v;
        let (least, most) = (
            least * volts + model.dark_v - off(least),
            most * volts + model.dark_v + off(most),
        );
        let near = (least..=most).contains(&mean);
        (!near).then(|| format!("{mean} V for {least} to {most}"))
    }
}

/// Whether the lamp is to light by itself.
pub(super) fn comes_back(world: &WorldSpec) -> bool {
    fn is_back(fault: &Fault) -> bool {
        match fault {
            Fault::LampBack(..) => true,
            Fault::At(_, fault) => is_back(fault),
            _ => false,
        }
    }
    let back = |planned: &Planned| is_back(&planned.fault);
    world.faults.iter().any(back)
}

/// Whether a contact is to weld without its board's knowing.
pub(super) fn welded_unseen(world: &WorldSpec) -> bool {
    let welded =
        |planned: &Planned| matches!(planned.fault, Fault::Relay(_, Contact::WeldedUnseen));
    world.faults.iter().any(welded)
}

/// Does what a question asks, if it is one that is asked at a sphere.
pub(super) fn does_what_is_asked(bench: &SimulatedBench, words: &str, now: Mono) -> bool {
    rehearsal::at_the_sphere(&bench.person(), words, now)
}
