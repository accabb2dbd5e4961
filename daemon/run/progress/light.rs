//! What a run's readings say of its lamp: lit, dark, another level than was
//! set, gone for a blink.
//!
//! ```text
//!  at the watch position   held against the light of the setting there
//!  elsewhere               against the point's first reading, and against
//!                          what the watch position lets expect: by the ratio
//!                          that an earlier leg had there, else by a bound
//! ```
//!
//! Part of the state that `progress` replays. The attendant asks it after each
//! reading: [`State::astray`] ends the action at work, [`State::doubted`] has
//! it look again first. Not here: what shines as what (lit).

use std::collections::{BTreeMap, BTreeSet};

use photometry::measured::Outcome;
use photometry::units::Length;

use super::State;
use crate::plan::itinerary::{Action, Itinerary, Key, KindName, OFF, Purpose, TestHead, What};
use crate::run::journal::{Event, LampLeft};
use crate::run::lit::{
    Astray, Lit, Shines, agrees, glimpsed, is_another, is_lit, least_at, mostly_lamp, shines_as,
    steady, steady_power, too_dark,
};

/// A reading that is far below what the bound lets expect: a lamp that blinks,
/// or one whose light falls off in an unusual way. A second look tells.
#[derive(Clone, Debug, PartialEq)]
pub struct Doubt {
    /// The reading's key.
    pub key: Key,
    /// What it said, in lx.
    value: f64,
    /// The light of its setting at the watch position.
    light: f64,
    point: Option<u32>,
    /// The action that looks again has begun.
    looking: bool,
}

/// What was seen so far that later readings are held against.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Sightings {
    /// The light at the watch position when the lamp was last switched off.
    pub(super) dark: Option<f64>,
    /// The last look while it is being switched off.
    off_look: Option<f64>,
    /// The first reading of the point at work.
    first_of_point: Option<f64>,
    /// The lamp's own light over that at the watch position, in the leg at work.
    of_leg: BTreeMap<Length, f64>,
    /// The same of legs whose references agreed, by test.
    learned: BTreeMap<(u32, Length), f64>,
    /// The light of each place with the lamp off, as it was first seen.
    ambient: BTreeMap<(u32, Length), f64>,
    pub(super) doubted: Option<Doubt>,
    /// In a sphere, its light with nothing lit.
    pub(super) unlit: Option<f64>,
    /// The first power of a point.
    first_power: Option<(u32, f64)>,
    /// Something else was read last, and the lamp's light not seen since.
    unseen: Option<Unseen>,
}

/// A reading that says nothing of the lamp's level, power or a capture: the lamp
/// is looked at before anything else is done.
#[derive(Clone, Debug, PartialEq)]
pub struct Unseen {
    /// The reading's key.
    pub key: Key,
    /// The meter that captured; it stood where the one that watches stands else.
    pub captured_by: Option<String>,
    point: Option<u32>,
}

impl Sightings {
    /// A leg's references agree: its lamp stood as it was set all the time.
    pub(super) fn learn(&mut self, test: u32) {
        let of_leg = std::mem::take(&mut self.of_leg);
        let ratios = of_leg.into_iter().map(|(at, ratio)| ((test, at), ratio));
        self.learned.extend(ratios);
    }

    /// A leg whose references do not agree teaches nothing.
    pub(super) fn forget_leg(&mut self) {
        self.of_leg.clear();
    }

    /// Nothing that was learned counts any more: legs are measured again.
    pub(super) fn unlearn(&mut self) {
        self.of_leg.clear();
        self.learned.clear();
        self.first_of_point = None;
    }

    /// Forgets what was seen from elsewhere, or by another meter.
    fn looks_from_elsewhere(&mut self) {
        (self.dark, self.off_look, self.unlit) = (None, None, None);
        self.ambient.clear();
    }
}

impl State {
    /// A reading that needs a second look before anything else is done.
    pub fn doubted(&self) -> Option<&Doubt> {
        self.sightings.doubted.as_ref()
    }

    /// A reading at a level after which nobody looked at the lamp.
    pub fn unseen(&self) -> Option<&Unseen> {
        self.sightings.unseen.as_ref()
    }

    /// Power was read: the readings of one point are of one power.
    pub(super) fn compare_power(&mut self, action: &Action, key: &Key, outcome: &Outcome) {
        let Some(value) = outcome.value() else { return };
        if key.purpose == Purpose::Read {
            let first = self
                .sightings
                .first_power
                .filter(|(of, _)| Some(*of) == action.point);
            let first = first.map_or(value, |(_, first)| first);
            self.sightings.first_power = action.point.map(|point| (point, first));
            if !steady_power(first, value) {
                self.strays(Astray::WithinPoint);
            }
        }
    }

    /// Something else than light was read at a level whose light is known.
    pub(super) fn read_unseen(&mut self, action: &Action, key: &Key) {
        let rests = matches!(
            key.purpose,
            Purpose::Read | Purpose::OtherRate | Purpose::Trial
        );
        if rests && self.light_at.contains_key(&key.setting) {
            let captured_by = match &action.what {
                What::Capture { meter, .. } | What::Expose { meter, .. } => Some(meter.clone()),
                _ => None,
            };
            self.sightings.unseen = Some(Unseen {
                key: key.clone(),
                captured_by,
                point: action.point,
            });
        }
    }

    /// The light at the watch position when the lamp was last switched off, in
    /// lx; none where this run did not see it.
    pub fn dark_light(&self) -> Option<f64> {
        self.sightings.dark
    }

    /// Whether a light at the watch position is that of a lit lamp at this
    /// setting: from half to twice of what it was when the level was set. None
    /// where that is not known.
    pub fn still_shines(&self, setting: &str, value: f64) -> Option<bool> {
        let light = self.light_at.get(setting)?;
        Some(shines_as(*light, value))
    }

    /// Lights that were seen from elsewhere, or by another meter, say nothing.
    pub(super) fn look_from(&mut self, itinerary: &Itinerary, no: i64) {
        let test = self.action(itinerary, no).map(|action| action.test);
        let head = |test: u32| itinerary.tests.get(test as usize);
        let Some(now) = test else { return };
        if let (Some(before), Some(head_now)) = (self.looks_in.and_then(head), head(now))
            && (before.watch != head_now.watch || before.meter != head_now.meter)
        {
            self.lights_unknown();
        }
        self.looks_in = Some(now);
    }

    /// Nothing is known any more of what each setting gives.
    pub(super) fn lights_unknown(&mut self) {
        self.light_at.clear();
        self.passed_at.clear();
        self.sightings.looks_from_elsewhere();
    }

    /// Readings of a point stand in a row; anything else ends it.
    pub(super) fn point_at_work(&mut self, itinerary: &Itinerary, no: i64) {
        let action = self.action(itinerary, no);
        if !action.is_some_and(|action| matches!(action.what, What::Read { .. })) {
            self.sightings.first_of_point = None;
        }
        // A journal of an earlier version went on without that look.
        let doubt = self.sightings.doubted.take();
        self.sightings.doubted = doubt.filter(|doubt| !doubt.looking).map(|doubt| Doubt {
            looking: true,
            ..doubt
        });
    }

    /// The lamp is not, or was not all the time, as it was set.
    pub(super) fn strays(&mut self, how: Astray) {
        self.astray = Some(how);
        self.lose_sight_of_it();
    }

    pub(super) fn lose_sight_of_it(&mut self) {
        if let Lit::On { seen, .. } = &mut self.lit {
            *seen = false;
        }
    }

    /// Holds a reading of this action, whose meter watches from there, against
    /// what is known of the lamp.
    pub(super) fn compare(
        &mut self,
        (action, head): (&Action, &TestHead),
        event: &Event,
        key: &Key,
        outcome: &Outcome,
    ) {
        let (watch, in_sphere) = (head.watch, head.kind == KindName::Flux);
        let at_watch = watch == key.position;
        let unseen = self.sightings.unseen.take();
        match key.purpose {
            Purpose::Standard
            | Purpose::StandardAuxiliary
            | Purpose::StandardDark
            | Purpose::Auxiliary
            | Purpose::Dark
                if in_sphere =>
            {
                self.compare_in_sphere(key.purpose, event, outcome);
            }
            Purpose::Sample if key.setting == OFF => {
                self.compare_dark((action, watch), event, key, outcome);
            }
            Purpose::Read => self.compare_elsewhere((action, watch), key, outcome),
            Purpose::WarmUp | Purpose::Reference | Purpose::Return if at_watch => {
                self.compare_at_watch(key.purpose, &action.setting, outcome);
            }
            Purpose::Ambient => self.compare_dark((action, watch), event, key, outcome),
            Purpose::Watch => match (self.sightings.doubted.take(), unseen) {
                (Some(doubt), _) => self.settle((action, watch), &doubt, outcome),
                (None, Some(unseen)) => {
                    self.compare_at_watch(Purpose::Watch, &unseen.key.setting, outcome);
                }
                (None, None) if matches!(action.what, What::Switch { .. } | What::Ask { .. }) => {
                    self.compare_switched_off(outcome);
                }
                (None, None) if matches!(action.what, What::Record(_)) => {
                    self.compare_dark((action, watch), event, key, outcome);
                }
                (None, None) if key.setting == OFF => self.sightings.off_look = outcome.value(),
                (None, None) => {}
            },
            _ => {}
        }
    }

    /// A reading with the lamp off.
    fn compare_dark(
        &mut self,
        (action, watch): (&Action, Length),
        event: &Event,
        key: &Key,
        outcome: &Outcome,
    ) {
        let place = (action.test, key.position);
        let value = outcome.value();
        if value.is_some_and(|value| self.lit_in_the_dark(place, watch, value)) {
            self.lit_by_itself(event);
        }
    }

    /// It is lit, whoever lit it, and is to be switched off.
    pub(super) fn lit_by_itself(&mut self, event: &Event) {
        self.astray = Some(Astray::NotDark);
        self.lit = Lit::On {
            sitting: event.sitting,
            since: event.at,
            seen: true,
        };
    }

    fn compare_at_watch(&mut self, purpose: Purpose, setting: &str, outcome: &Outcome) {
        let Some(light) = self.light_at.get(setting).copied() else {
            return;
        };
        let Some(value) = at_most(outcome) else {
            return;
        };
        if !shines_as(light, value) {
            // Under a limit above it, it may be as bright as before.
            if outcome.value().is_some() || value < light {
                self.strays(Astray::Reference);
            }
            return;
        }
        let Some(value) = outcome.value() else {
            return;
        };
        // After a seam the lamp may have cooled; there the return decides.
        let others = self.light_at.iter().chain(&self.passed_at);
        let others = others.filter(|(other, _)| other.as_str() != setting);
        let mut lights = others.map(|(_, light)| *light);
        if purpose != Purpose::Return && lights.any(|other| is_another(light, other, value)) {
            self.strays(Astray::OtherLevel);
            return;
        }
        // The lamp warms after its level was set; later looks at this
        // level are held against what it gave last.
        if purpose == Purpose::WarmUp {
            self.light_at.insert(setting.to_owned(), value);
        }
    }

    fn compare_elsewhere(
        &mut self,
        (action, watch): (&Action, Length),
        key: &Key,
        outcome: &Outcome,
    ) {
        let Some(value) = at_most(outcome) else {
            return;
        };
        let light = self.light_at.get(&key.setting).copied();
        if light.is_some_and(|light| glimpsed(light, watch, key.position, value)) {
            self.lose_sight_of_it();
        }
        let first = *self.sightings.first_of_point.get_or_insert(value);
        if !steady(first, value) {
            self.strays(Astray::WithinPoint);
            return;
        }
        let Some(light) = light else { return };
        let places = [(action.test, watch), (action.test, key.position)];
        let shines = match self.expected(places, light) {
            Some(expected) if too_dark(expected, value) => Shines::Not,
            Some(_) => Shines::AsSet,
            None => least_at(light, watch, key.position, value),
        };
        match shines {
            Shines::AsSet => self.learn_here(places, light, outcome.value()),
            Shines::Not => self.strays(Astray::AtPoint),
            Shines::Doubtful => {
                let key = key.clone();
                let (point, looking) = (action.point, false);
                self.sightings.doubted = Some(Doubt {
                    key,
                    value,
                    light,
                    point,
                    looking,
                });
            }
        }
    }

    /// Whether the lamp shines while it is to be off: there is more light than
    /// when it had gone out (at the watch position) or than at this place before,
    /// by no less than half of what its lowest level gives here.
    fn lit_in_the_dark(&mut self, place: (u32, Length), watch: Length, value: f64) -> bool {
        let at_watch = watch == place.1;
        let at_place = *self.sightings.ambient.entry(place).or_insert(value);
        let switched_off = self.sightings.dark.filter(|_| at_watch);
        let dark = switched_off.unwrap_or(at_place * self.room_brighter_by((place.0, watch)));
        let ratio = self.sightings.learned.get(&place).copied();
        let ratio = if at_watch { Some(1.0) } else { ratio };
        let lights = self.light_at.values().copied();
        let lowest = lights.reduce(f64::min).zip(ratio);
        let half_of_lowest = lowest.map_or(0.0, |(light, ratio)| light * ratio / 2.0);
        is_lit(dark, value) && value - dark >= half_of_lowest
    }

    /// How much brighter the room has become where the lamp is watched from, from
    /// the first ambient reading there to the lamp's last going out: a morning is
    /// no lamp.
    fn room_brighter_by(&self, watch: (u32, Length)) -> f64 {
        let first = self.sightings.ambient.get(&watch).copied();
        let both = self.sightings.dark.zip(first);
        let brighter = both.filter(|(_, first)| *first > 0.0);
        brighter.map_or(1.0, |(now, first)| (now / first).max(1.0))
    }

    /// The lamp's own light at a place, by what this leg or an earlier one had
    /// there; at the watch position as it is. The room's light is taken off.
    fn expected(&self, [watch, place]: [(u32, Length); 2], light: f64) -> Option<f64> {
        if watch == place {
            return Some(light);
        }
        let learned = self.sightings.learned.get(&place);
        let ratio = learned.or_else(|| self.sightings.of_leg.get(&place.1))?;
        let room = self.sightings.ambient.get(&watch)?;
        Some((light - room) * ratio)
    }

    /// What a reading teaches of its place: only where the light is the lamp's, ten
    /// times the room's, so that a room that changes changes little of it.
    fn learn_here(&mut self, [watch, place]: [(u32, Length); 2], light: f64, value: Option<f64>) {
        let ambient = &self.sightings.ambient;
        let rooms = ambient.get(&watch).zip(ambient.get(&place));
        let (Some((at_watch, here)), Some(value)) = (rooms, value) else {
            return;
        };
        let (lamp, there) = (value - here, light - at_watch);
        if mostly_lamp(*here, lamp) && mostly_lamp(*at_watch, there) {
            let of_leg = &mut self.sightings.of_leg;
            of_leg.entry(place.1).or_insert(lamp / there);
        }
    }

    /// A second look at the place of a doubted reading: the same light is the
    /// lamp's there, another says that it changed in between.
    fn settle(&mut self, (action, watch): (&Action, Length), doubt: &Doubt, outcome: &Outcome) {
        if at_most(outcome).is_none_or(|value| !agrees(doubt.value, value)) {
            self.strays(Astray::AtPoint);
        } else {
            let places = [(action.test, watch), (action.test, doubt.key.position)];
            self.learn_here(places, doubt.light, Some(doubt.value));
        }
    }

    /// A point whose doubted reading nobody looked at again is redone.
    pub(super) fn drop_doubt(&mut self, itinerary: &Itinerary) {
        self.astray = None;
        self.sightings.first_of_point = None;
        let doubt = self.sightings.doubted.take();
        let doubted = doubt.and_then(|doubt| doubt.point);
        self.sightings.first_power = None;
        let unseen = self.sightings.unseen.take();
        let unseen = unseen.and_then(|unseen| unseen.point);
        self.undo_points(itinerary, &doubted.into_iter().chain(unseen).collect());
    }

    /// These points are to be measured again.
    pub(super) fn undo_points(&mut self, itinerary: &Itinerary, points: &BTreeSet<u32>) {
        if points.is_empty() {
            return;
        }
        let again = |point: Option<u32>| point.is_some_and(|point| points.contains(&point));
        for action in itinerary.actions.iter().filter(|a| again(a.point)) {
            self.done.unmark(action.no);
        }
        self.sightings.ambient.clear();
    }

    /// A lamp that was switched off by an action is no longer lit.
    pub(super) fn light(&mut self, itinerary: &Itinerary, event: &Event) {
        let off = event
            .no
            .and_then(|no| self.action(itinerary, no))
            .is_some_and(|action| matches!(action.what, What::LampOff));
        if off {
            self.lit = Lit::Off;
            self.sightings.dark = self.sightings.off_look.take();
        }
    }

    /// The bench was made safe: what became of the lamp.
    pub(super) fn left_lamp(&mut self, left: LampLeft) {
        match (left, &mut self.lit) {
            (LampLeft::Off, lit) => *lit = Lit::Off,
            // Pressed blind: it counts as on, and is not pressed again.
            (LampLeft::OffNotSeen, Lit::On { seen, .. }) => *seen = false,
            _ => {}
        }
    }
}

/// The light that a reading says there is at most, in lx; none where it says
/// nothing, or only that it is more than the range.
fn at_most(outcome: &Outcome) -> Option<f64> {
    match outcome {
        Outcome::Value(value) => Some(*value),
        Outcome::Under(limit) => Some(*limit),
        Outcome::Over(_) | Outcome::TimedOut | Outcome::Rejected(_) => None,
    }
}
