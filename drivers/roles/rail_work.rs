//! How the verbs of a rail's profile are worked: what is waited for, how long, and
//! how a carriage is watched that does not tell by itself when it has arrived.
//!
//! ```text
//! travel ── go ── wait-for-rest                its acknowledgement: all motion has ended
//!             └── read-place, read-place, ..   until twice at rest where it was sent
//! ```
//!
//! Called by `profiled_rail`. Not here: what is known about the position.

use std::sync::Arc;

use photometry::units::{Length, Span, Speed};

use super::profiled_rail::RailCard;
use crate::error::DriverError;
use crate::exchange::line::shown;
use crate::exchange::modbus::station::Station;
use crate::exchange::talk::Talk;
use crate::profile::perform::{self, Given, NotPerformed, Performed};
use crate::profile::rail::{Look, PlaceUnit};
use crate::profile::types::{Profile, ProfileVerb, Speech};

/// A move may take so much longer than its trapezoid.
const MOVE_MARGIN: Span = Span::from_secs(5);
/// A stopped carriage stands after this: none brakes so long.
const BRAKES_WITHIN: Span = Span::from_secs(10);
/// Speed of the slow touch: 120 mm/min.
const TOUCH: Speed = Speed::from_nm_per_s(2_000_000);
/// How far beyond the switch's coordinate the touch goes on.
pub(super) const TOUCH_BEYOND: Length = Length::from_mm(3);
/// A switch is felt for in steps of this size: half of what homing must agree within
/// by default.
const FELT_STEP: Length = Length::from_um(50);
/// Between two looks the place changes by less than so many travels, also when the
/// counter is set anew at the switch; words in another order are far beyond.
const TRAVELS_AT_MOST: i64 = 4;
/// So far beside its way a carriage may be seen: a drive swings by less.
const BESIDE_AT_MOST: Length = Length::from_mm(5);

/// What a carriage is watched for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Wanted {
    /// At rest at this machine coordinate.
    Place(Length),
    /// At rest, and its home switch found.
    Home,
    /// At rest, anywhere.
    NoMotion,
}

/// What came of touching the switch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Touched {
    /// It closes at this carriage coordinate.
    At(Length),
    /// It does not close within the reach of the touch, or was closed above it.
    NotThere,
    /// The controller cannot do that, or does not say where.
    CannotTell,
}

/// A rail's card, its profile, and who is spoken to.
#[derive(Debug)]
pub(super) struct Work {
    pub(super) card: RailCard,
    pub(super) profile: Arc<Profile>,
    pub(super) station: Option<Station>,
}

impl Work {
    pub(super) fn by_registers(&self) -> bool {
        matches!(self.profile.speech, Speech::Registers(_))
    }

    /// Whether a byte starts the controller anew, which then greets.
    pub(super) fn greets(&self) -> bool {
        matches!(&self.profile.speech, Speech::Lines(manner)
            if manner.acks.as_ref().is_some_and(|acks| acks.reset.is_some()))
    }

    /// Whether the controller refuses to move until it has found its home switch.
    pub(super) fn locks(&self) -> bool {
        matches!(&self.profile.speech, Speech::Lines(manner)
            if manner.acks.as_ref().is_some_and(|acks| acks.locks))
    }

    /// Whether a halt of this number says that a touch met no switch.
    pub(super) fn no_touch(&self, code: u16) -> bool {
        matches!(&self.profile.speech, Speech::Lines(manner)
            if manner.acks.as_ref().is_some_and(|acks| acks.no_touch.contains(&code)))
    }

    fn unit(&self) -> PlaceUnit {
        let rail = self.profile.rail.as_ref();
        rail.map_or(PlaceUnit::Millimetres, |rail| rail.unit)
    }

    fn look_every(&self) -> Span {
        let rail = self.profile.rail.as_ref();
        rail.map_or(Span::from_ms(200), |rail| rail.look_every)
    }

    /// Works a verb whose acknowledgement comes within this time. An exchange of
    /// registers is short, and is not cut in half.
    fn perform(
        &self,
        talk: &mut Talk<'_>,
        verb: ProfileVerb,
        values: &[(&str, &str)],
        within: Span,
    ) -> Result<Performed, NotPerformed> {
        let steps = self.profile.steps(verb).unwrap_or_default();
        let given = Given {
            values,
            answer_within: within,
            ..Given::of(&self.profile, self.station.as_ref())
        };
        if !self.by_registers() {
            return perform::perform(talk, steps, given);
        }
        let now = talk.now().mono;
        talk.pause(now)?;
        let given = Given {
            answer_within: self.profile.answer_within(),
            ..given
        };
        perform::perform(&mut talk.undisturbed(), steps, given)
    }

    /// Where the carriage stands, and how it is.
    pub(super) fn look(&self, talk: &mut Talk<'_>) -> Result<Look, DriverError> {
        let within = self.profile.answer_within();
        let performed = self.perform(talk, ProfileVerb::ReadPlace, &[], within)?;
        let rail = self.profile.rail.as_ref();
        let look = rail.and_then(|rail| rail.look(&performed.found));
        look.ok_or_else(|| {
            let came = performed.last.map(|last| last.text).unwrap_or_default();
            not_a_place(&came, "a place and a state")
        })
    }

    /// Refuses a carriage that has stopped itself, or whose controller knows no more
    /// that it was homed.
    pub(super) fn stopped_or_anew(&self, look: &Look) -> Result<(), DriverError> {
        if look.alarm {
            let said = look.said.clone();
            return Err(DriverError::Halted { said });
        }
        if look.homed == Some(false) {
            let banner = "it has not found its home switch since it was switched on".to_owned();
            return Err(DriverError::Restarted { banner });
        }
        Ok(())
    }

    /// Longest time for a way: rest to rest at full acceleration, and a margin.
    fn move_within(&self, way: Length) -> Span {
        let (speed, acceleration) = (
            self.card.speed.metres_per_s().max(1e-4),
            self.card.acceleration.metres_per_s2().max(1e-4),
        );
        let secs = way.abs().metres() / speed + 2.0 * speed / acceleration;
        Span::from_secs_f64(secs * 1.5) + MOVE_MARGIN
    }

    /// Sends a move and waits for its end, not for its acknowledgement.
    pub(super) fn travel(
        &self,
        talk: &mut Talk<'_>,
        machine: Length,
        way: Length,
    ) -> Result<(), DriverError> {
        let (target, speed) = self.target_and_speed(machine, self.card.speed);
        let values = [("target", target.as_str()), ("speed", speed.as_str())];
        self.perform(talk, ProfileVerb::Go, &values, self.profile.answer_within())?;
        let within = self.move_within(way);
        if self.profile.steps(ProfileVerb::WaitForRest).is_some() {
            self.perform(talk, ProfileVerb::WaitForRest, &[], within)?;
            return Ok(());
        }
        let from = machine - way;
        self.watch(talk, Wanted::Place(machine), from, within)
            .map(|_| ())
    }

    fn target_and_speed(&self, machine: Length, speed: Speed) -> (String, String) {
        let unit = self.unit();
        (unit.sent(machine), unit.speed(speed))
    }

    /// Finds the home switch; how the carriage stands then.
    pub(super) fn find_home(&self, talk: &mut Talk<'_>) -> Result<Look, DriverError> {
        let usual = self.profile.answer_within();
        let watched = self.by_registers();
        let before = match watched {
            true => Some(self.look(talk)?),
            false => None,
        };
        let within = self.card.home_within;
        self.perform(talk, ProfileVerb::FindHome, &[], within)?;
        if let Some(before) = before {
            self.watch(talk, Wanted::Home, before.machine, within)?;
        }
        self.perform(talk, ProfileVerb::WhenHomed, &[], usual)?;
        self.look(talk)
    }

    /// Whether the switch can be touched, or felt for.
    pub(super) fn touches(&self) -> bool {
        let has = |verb| self.profile.steps(verb).is_some();
        let rail = self.profile.rail.as_ref();
        let bit = rail.and_then(|rail| rail.bits?.switch);
        has(ProfileVerb::TouchSwitch) || has(ProfileVerb::ReadSwitch) || bit.is_some()
    }

    /// Touches the switch slowly from above; where it was found.
    pub(super) fn touch(
        &self,
        talk: &mut Talk<'_>,
        zero: Length,
        from: Length,
        switch: Length,
    ) -> Result<Touched, DriverError> {
        if !self.touches() {
            return Ok(Touched::CannotTell);
        }
        let beyond = switch - TOUCH_BEYOND;
        if self.profile.steps(ProfileVerb::TouchSwitch).is_none() {
            return self.feel(talk, zero, from, beyond);
        }
        let way = from - beyond;
        let secs = way.abs().metres() / TOUCH.metres_per_s();
        let within = Span::from_secs_f64(secs * 1.5) + MOVE_MARGIN;
        let (target, speed) = self.target_and_speed(beyond - zero, TOUCH);
        let values = [("target", target.as_str()), ("speed", speed.as_str())];
        match self.perform(talk, ProfileVerb::TouchSwitch, &values, within) {
            Ok(performed) => {
                let machine = performed
                    .found
                    .get("at")
                    .and_then(|at| self.unit().told(at));
                Ok(machine.map_or(Touched::CannotTell, |machine| Touched::At(machine + zero)))
            }
            Err(NotPerformed::Misfit { .. }) => Ok(Touched::CannotTell),
            Err(NotPerformed::Driver(error)) => Err(error),
        }
    }

    /// Goes down in small steps until the switch is closed.
    fn feel(
        &self,
        talk: &mut Talk<'_>,
        zero: Length,
        from: Length,
        beyond: Length,
    ) -> Result<Touched, DriverError> {
        let mut at = from;
        if self.switch_is_closed(talk)?.1 {
            return Ok(Touched::NotThere);
        }
        while at > beyond {
            at = at - FELT_STEP;
            self.travel(talk, at - zero, -FELT_STEP)?;
            let (machine, closed) = self.switch_is_closed(talk)?;
            if closed {
                return Ok(Touched::At(machine + zero));
            }
        }
        Ok(Touched::NotThere)
    }

    /// Where the carriage stands, and whether its home switch is closed there.
    fn switch_is_closed(&self, talk: &mut Talk<'_>) -> Result<(Length, bool), DriverError> {
        let look = self.look(talk)?;
        if let Some(closed) = look.switch {
            return Ok((look.machine, closed));
        }
        let within = self.profile.answer_within();
        let performed = self.perform(talk, ProfileVerb::ReadSwitch, &[], within)?;
        let said = performed.found.get("switch").unwrap_or_default();
        let rail = self.profile.rail.as_ref();
        let words = rail.and_then(|rail| rail.switch.as_ref());
        match words.and_then(|words| words.is_closed(said)) {
            Some(closed) => Ok((look.machine, closed)),
            None => Err(DriverError::Garbled {
                question: ProfileVerb::ReadSwitch.word().to_owned(),
                answer: shown(said),
                wanted: "a word of its profile's `switch`",
            }),
        }
    }

    /// Tells it to stop; it may still brake.
    pub(super) fn halt(&self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        let usual = self.profile.answer_within();
        self.perform(talk, ProfileVerb::Stop, &[], usual)?;
        Ok(())
    }

    /// Watches a carriage that was stopped.
    pub(super) fn until(&self, talk: &mut Talk<'_>, wanted: Wanted) -> Result<Look, DriverError> {
        let from = self.look(talk)?.machine;
        self.watch(talk, wanted, from, BRAKES_WITHIN)
    }

    /// Looks at a carriage until it is twice as it should be.
    fn watch(
        &self,
        talk: &mut Talk<'_>,
        wanted: Wanted,
        from: Length,
        within: Span,
    ) -> Result<Look, DriverError> {
        let end = talk.now().mono + within;
        let mut last = from;
        let mut seen = Seen::default();
        loop {
            let next = (talk.now().mono + self.look_every()).min(end.max(talk.now().mono));
            talk.pause(next)?;
            let look = self.look(talk)?;
            self.plausible(&look, last)?;
            match wanted {
                Wanted::Place(target) => {
                    self.stopped_or_anew(&look)?;
                    on_its_way(from, target, look.machine)?;
                }
                Wanted::Home if look.alarm => {
                    let said = look.said;
                    return Err(DriverError::Halted { said });
                }
                Wanted::Home | Wanted::NoMotion => {}
            }
            let moves = match (look.moving, look.at_rest) {
                (Some(moves), _) => moves,
                (None, Some(rests)) => !rests,
                (None, None) => look.machine != last,
            };
            last = look.machine;
            match seen.after(self.is(wanted, &look, moves), moves) {
                Verdict::AsWanted => return Ok(look),
                Verdict::Stands if wanted == Wanted::Home => {
                    let said = "it stands, and has not found its home switch".to_owned();
                    return Err(DriverError::Halted { said });
                }
                _ => {}
            }
            if talk.now().mono >= end {
                return Err(not_in_time(wanted, &look));
            }
        }
    }

    fn is(&self, wanted: Wanted, look: &Look, moves: bool) -> bool {
        let rests = look.at_rest.unwrap_or(!moves);
        match wanted {
            Wanted::Place(target) => rests && (look.machine - target).abs() <= self.card.tolerance,
            Wanted::Home => !moves && look.homed != Some(false),
            Wanted::NoMotion => !moves,
        }
    }

    /// A place that is nowhere near the one before was read wrongly: its words come in
    /// another order, or its steps are others.
    fn plausible(&self, look: &Look, last: Length) -> Result<(), DriverError> {
        let travel = self.card.high - self.card.low;
        let at_most = Length::from_nm(travel.nm().saturating_mul(TRAVELS_AT_MOST));
        if (look.machine - last).abs() <= at_most {
            return Ok(());
        }
        let at = look.machine.to_string();
        let wanted = "a place on this rail (do its words come in another order?)";
        Err(not_a_place(&at, wanted))
    }
}

fn not_in_time(wanted: Wanted, look: &Look) -> DriverError {
    match wanted {
        Wanted::Place(target) => {
            let at = look.machine;
            DriverError::NotArrived { target, at }
        }
        Wanted::Home => DriverError::Halted {
            said: "it has not found its home switch in time".to_owned(),
        },
        Wanted::NoMotion => DriverError::NotTaken {
            setting: "stop".to_owned(),
            wanted: "standing still".to_owned(),
            got: "moving".to_owned(),
        },
    }
}

/// A carriage that has left the way between two places was sent somewhere else: its
/// target was understood in another order of words, or in other steps.
fn on_its_way(from: Length, target: Length, at: Length) -> Result<(), DriverError> {
    let (low, high) = (from.min(target), from.max(target));
    if (low - BESIDE_AT_MOST..=high + BESIDE_AT_MOST).contains(&at) {
        return Ok(());
    }
    Err(DriverError::NotArrived { target, at })
}

fn not_a_place(came: &str, wanted: &'static str) -> DriverError {
    DriverError::Garbled {
        question: ProfileVerb::ReadPlace.word().to_owned(),
        answer: shown(came),
        wanted,
    }
}

/// What was seen in a row.
#[derive(Default)]
struct Seen {
    as_wanted: u32,
    at_rest: u32,
}

enum Verdict {
    AsWanted,
    Stands,
    Unsettled,
}

impl Seen {
    /// Twice the same word is believed.
    fn after(&mut self, as_wanted: bool, moves: bool) -> Verdict {
        self.as_wanted = if as_wanted { self.as_wanted + 1 } else { 0 };
        self.at_rest = if moves { 0 } else { self.at_rest + 1 };
        match (self.as_wanted, self.at_rest) {
            (2.., _) => Verdict::AsWanted,
            (_, 2..) => Verdict::Stands,
            _ => Verdict::Unsettled,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// In position once, as of a drive that swings through, is not believed.
    #[test]
    fn what_is_seen_once_is_not_believed() {
        let mut seen = Seen::default();
        let looks = [
            (true, false, "unsettled"),
            (false, true, "unsettled"),
            (true, false, "unsettled"),
            (true, false, "as wanted"),
            (false, false, "stands"),
            (false, true, "unsettled"),
            (false, false, "unsettled"),
            (false, false, "stands"),
        ];
        for (nth, (as_wanted, moves, wanted)) in looks.into_iter().enumerate() {
            let told = match seen.after(as_wanted, moves) {
                Verdict::AsWanted => "as wanted",
                Verdict::Stands => "stands",
                Verdict::Unsettled => "unsettled",
            };
            assert_eq!(told, wanted, "{nth}");
        }
    }
}
