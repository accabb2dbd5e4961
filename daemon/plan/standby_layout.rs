//! Lays out a standby test: the power that a lamp takes at settings, then the
//! lamp switched off and watched, its display and its power.
//!
//! ```text
//!  opening · dark readings · [ unplugged: light, power · plugged in, a rest ] ·
//!  settings x ( set level · warm up · power ) · lamp off · recording ·
//!  [ unplugged again ] · closing
//! ```
//!
//! What stands in brackets is done where an outlet feeds the lamp; only then can
//! the display's light be told from the room's, which changes meanwhile. A lamp
//! that forgets its clock without power blinks when it has it again, so that one
//! is unplugged at the end alone. A
//! recording that was broken off is made again whole, from the lamp's switching
//! off. Called by: layout.

use photometry::measured::Quantity;
use photometry::units::Length;

use super::card::{Card, Meter, Rail};
use super::course::{Builder, Course, InForce, Nths};
use super::faults::{Part, PlanFault, Problem};
use super::fitting::{Against, fault, rail_at, reading_time};
use super::intent::Test;
use super::itinerary::{
    Duration3, OFF, Purpose, RECORDED_AT_MOST, Recording, Restart, UNPLUGGED, WarmUpRule, What,
};
use super::kinds::{Sight, StandbyTest};
use super::lamp::{Lamp, SwitchOff, Worked};
use super::placement::Placement;
use super::power::power_meter;
use super::sight_fitting::{self, Seen};

/// The light of a display is faint: it is watched from nearby, 6 in.
const NEAR: Length = Length::from_um(152_400);

/// Adds a standby test, the test with this index; the meter that watches, from
/// where, and what was left out.
///
/// # Errors
/// Everything that does not fit, at once.
pub fn lay_out(
    test: &Test,
    standby: &StandbyTest,
    against: Against<'_>,
    builder: &mut Builder,
    index: u32,
) -> Result<(String, Length, Vec<String>), Vec<PlanFault>> {
    let Against {
        lamp,
        placement,
        card,
        ..
    } = against;
    if lamp.worked == Worked::Mains {
        let problem = Problem::NoStandby(lamp.name.clone());
        return Err(vec![fault(test, Part::Lamp, problem)]);
    }
    let mut faults = Vec::new();
    let power = power_meter(standby.power_meter.as_deref(), placement, card);
    let power = power.unwrap_or_else(|problem| {
        faults.push(fault(test, Part::Meter, problem));
        None
    });
    let sight = placed(standby, placement, card);
    let name = standby.sight.watched_by.as_deref();
    let wanted = (Quantity::Illuminance, name);
    let understood = sight_fitting::understand(test, &sight, wanted, against);
    let (seen, watching, mut left_out) = match understood {
        Ok(seen) if faults.is_empty() => seen,
        Ok(_) => return Err(faults),
        Err(found) => {
            faults.extend(found);
            // The meter that watches is also the one that measures.
            faults.dedup();
            return Err(faults);
        }
    };
    let problems = problems(standby, lamp, &[Some(watching), power]).into_iter();
    faults.extend(problems.map(|problem| fault(test, Part::Test, problem)));
    if !faults.is_empty() {
        return Err(faults);
    }
    if power.is_none() {
        let place = &placement.place;
        let why = format!("power: no meter of power stands at the place `{place}`");
        left_out.push(format!("{}, {why}", test.name));
    }
    let course = Course::of(&seen.ground, builder, index);
    let force = InForce::at_first();
    Standby {
        course,
        seen: &seen,
        test: standby,
        power,
        force,
    }
    .build(lamp.loses_clock);
    Ok((seen.ground.meter.name.clone(), seen.ground.watch, left_out))
}

/// How the lamp is watched, with a position: where the plan names none, the
/// nearest to 6 in that the rail can reach.
fn placed(standby: &StandbyTest, placement: &Placement, card: &Card) -> Sight {
    let mut sight = standby.sight.clone();
    if let (None, Some(rail)) = (sight.at, rail_at(placement, card)) {
        let watching = |meter: &&Meter| match &sight.watched_by {
            Some(name) => meter.name == *name,
            None => meter.yields.contains(&Quantity::Illuminance),
        };
        // Without a fitting meter the test is refused anyway.
        let meter = card.meters.iter().find(watching);
        let plane = meter.map_or(Length::ZERO, |meter| meter.plane);
        sight.at = Some(nearest(rail, placement.datum, plane));
    }
    sight
}

/// The position nearest to 6 in to which the carriage can go, arriving from
/// below.
fn nearest(rail: &Rail, datum: Length, plane: Length) -> Length {
    let wanted = rail.coordinate_of(NEAR, datum, plane);
    let least = rail.travel_from + rail.overshoot;
    let off = wanted.max(least).min(rail.travel_to) - wanted;
    match rail.away_is_up {
        true => NEAR + off,
        false => NEAR - off,
    }
}

/// What keeps the lamp from being watched.
fn problems(standby: &StandbyTest, lamp: &Lamp, meters: &[Option<&Meter>]) -> Vec<Problem> {
    let mut problems = Vec::new();
    for meter in meters.iter().copied().flatten() {
        let takes = reading_time(meter).likely;
        if takes > standby.every {
            problems.push(Problem::BeatTooFast {
                meter: meter.name.clone(),
                every: standby.every,
                takes,
            });
        }
    }
    if lamp.off == SwitchOff::Cannot {
        problems.push(Problem::NeverDark(lamp.name.clone()));
    }
    let readings = recording(standby, Vec::new()).readings();
    if readings >= RECORDED_AT_MOST {
        problems.push(Problem::TooMany {
            readings: readings.into(),
            at_most: RECORDED_AT_MOST.into(),
            time: standby.watch,
        });
    }
    problems
}

fn recording(standby: &StandbyTest, meters: Vec<(String, Quantity)>) -> Recording {
    Recording {
        meters,
        every: standby.every,
        begins: None,
        lead: photometry::units::Span::ZERO,
        length: standby.watch,
        room: None,
        spectra: None,
    }
}

struct Standby<'a, 'b> {
    course: Course<'a, 'b>,
    seen: &'a Seen<'a>,
    test: &'a StandbyTest,
    power: Option<&'a Meter>,
    force: InForce,
}

impl Standby<'_, '_> {
    fn build(mut self, loses_clock: bool) {
        self.course.open(&mut self.force);
        self.course.dark(&self.force, self.test.dark.into());
        if !loses_clock {
            self.unplugged(0);
        }
        self.operating();
        self.watched();
        self.unplugged(1);
        self.course.close(&mut self.force);
    }

    /// The room's light, and what the meter of power shows without the lamp.
    fn unplugged(&mut self, nth: u32) {
        let n = u32::from(self.test.ambient);
        let readings = u32::from(self.seen.sight.readings);
        let base = nth * (n + readings);
        let Some(outlet) = self.seen.ground.lamp_outlet.filter(|_| n > 0) else {
            return;
        };
        // In force until it has its power again: a seam in between must not
        // press the buttons of a lamp that hears none.
        UNPLUGGED.clone_into(&mut self.force.setting);
        self.course.switch(&self.force, outlet, false);
        let watch = self.seen.ground.watch;
        let light = Nths {
            first: base + 1,
            count: n,
        };
        self.course
            .point(&mut self.force, watch, Purpose::Ambient, light);
        // Numbered on from those of the light, which have the same keys.
        let power = Nths {
            first: base + n + 1,
            count: readings,
        };
        self.read_power(Purpose::Ambient, power);
        self.course.switch(&self.force, outlet, true);
        OFF.clone_into(&mut self.force.setting);
        self.course.plugged_in(&self.force);
    }

    /// The power at each setting; without a meter of power the first alone is
    /// set, because a display is watched after the lamp was in use.
    fn operating(&mut self) {
        let seen = self.seen;
        let rule = match seen.sight.warm_up {
            super::intent::WarmUp::Fixed(span) => WarmUpRule::Fixed(span),
            other => self.course.leg_rule(other),
        };
        let measured = if self.power.is_some() { usize::MAX } else { 1 };
        let modes = seen.modes.iter().filter(|mode| !mode.targets.is_empty());
        for mode in modes.take(measured) {
            self.course
                .begin_mode(mode, seen.sight.warm_up, &mut self.force);
            for target in mode.targets.iter().take(measured) {
                let time = self.course.level_time(mode.mode.levels);
                self.course
                    .set_and_warm(&mut self.force, target, time, rule);
                let n = Nths::first(seen.sight.readings.into());
                self.read_power(Purpose::Read, n);
            }
        }
    }

    /// Readings of power, one point; nothing without a meter.
    fn read_power(&mut self, purpose: Purpose, nths: Nths) {
        if let Some(meter) = self.power {
            self.course.read_power(&self.force, meter, purpose, nths);
        }
    }

    /// The lamp off, and the recording: one group.
    fn watched(&mut self) {
        self.course.builder.end_point();
        let group = self.course.builder.actions.len();
        self.course.lamp_off(&mut self.force);
        let light = (self.seen.ground.meter, Quantity::Illuminance);
        let power = self.power.map(|meter| (meter, Quantity::Power));
        let meters = std::iter::once(light).chain(power);
        let meters = meters.map(|(meter, quantity)| (meter.name.clone(), quantity));
        let mut recording = recording(self.test, meters.collect());
        recording.room = self.course.builder.room_beat();
        let watch = self.seen.ground.watch;
        let key = self.course.key(OFF, watch, Purpose::Sample, 1);
        let time = Duration3::sure(self.test.watch);
        let what = What::Record(recording);
        self.course.push(&self.force, None, what, Some(key), time);
        for action in &mut self.course.builder.actions[group..] {
            if action.point.is_none() {
                action.restart = Restart::FromGroup(group as u32);
            }
        }
    }
}
