//! A rail that follows a profile: what is known about where its carriage stands, and
//! what must be true before it moves.
//!
//! ```text
//! Unknown ── home ──> Homed(zero) ── go ──> Homed
//!    ^                    │ any alarm, banner, time-out, abandoned move, reset
//!    └────────────────────┘
//! ```
//!
//! The machine coordinate after homing is the controller's own affair; the
//! carriage coordinate is that plus an offset kept here, since writing offsets
//! into a controller wears its memory. A controller that would move without its home
//! switch (`locks: false`) is looked at before each move: it must count itself where
//! it was left. Opened by the bench. Not here: how its verbs are worked
//! (`rail_work`); limits against people and lamps (`bench::limits`); the soft limits
//! in this file are a second net.

use std::sync::Arc;

use photometry::units::{Acceleration, Length, Span, Speed};

use super::identity::{self, same_as_before};
use super::positioner::{Homing, Positioner, Proof, Whereabouts};
use super::rail_work::{TOUCH_BEYOND, Touched, Wanted, Work};
use crate::error::DriverError;
use crate::exchange::ack;
use crate::exchange::modbus::station::Station;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;
use crate::profile::perform::Given;
use crate::profile::rail::Look;
use crate::profile::types::{Profile, Step};

/// Where the touch begins, above the switch.
const TOUCH_FROM: Length = Length::from_mm(3);

/// What the bench file says about the rail.
#[derive(Clone, Debug, PartialEq)]
pub struct RailCard {
    /// Lowest coordinate that the carriage may reach, overshoot included.
    pub low: Length,
    /// Highest coordinate.
    pub high: Length,
    /// Greatest speed.
    pub speed: Speed,
    /// Acceleration.
    pub acceleration: Acceleration,
    /// Coordinate at which the carriage stands after homing.
    pub home_at: Length,
    /// Moves down go beyond the target by this much and come back up; more
    /// than the backlash.
    pub overshoot: Length,
    /// The stated position may differ from the target by this much: half a
    /// step and the controller's rounding.
    pub tolerance: Length,
    /// Homing takes at most this long.
    pub home_within: Span,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Position {
    Unknown,
    Homed {
        /// Carriage coordinate minus machine coordinate.
        zero: Length,
        at: Length,
        /// Carriage coordinate of the home switch, if it was touched.
        switch: Option<Length>,
    },
}

/// A rail that follows a profile.
#[derive(Debug)]
pub struct ProfiledRail {
    work: Work,
    position: Position,
    identity: Option<Identity>,
}

impl ProfiledRail {
    /// A driver for this rail; nothing is sent. `station` is who is spoken to, where
    /// the profile speaks by registers.
    pub fn new(card: RailCard, profile: Arc<Profile>, station: Option<Station>) -> ProfiledRail {
        ProfiledRail {
            work: Work {
                card,
                profile,
                station,
            },
            position: Position::Unknown,
            identity: None,
        }
    }

    /// Where the carriage is known to stand, without asking.
    pub fn known(&self) -> Whereabouts {
        match self.position {
            Position::Unknown => Whereabouts::Unknown,
            Position::Homed { at, .. } => Whereabouts::At(at),
        }
    }

    /// The path of a move: its turning point, if it must come from above.
    fn path(&self, at: Length, target: Length) -> Result<Option<Length>, DriverError> {
        let card = &self.work.card;
        let turn = (target < at).then(|| target - card.overshoot);
        for point in [turn.unwrap_or(target), target] {
            if point < card.low || point > card.high {
                return Err(DriverError::OutsideTravel {
                    target: point,
                    low: card.low,
                    high: card.high,
                });
            }
        }
        Ok(turn)
    }

    /// A controller that does not lock itself after power-up must still count itself
    /// where it was left, or a move would go anywhere.
    fn still_there(
        &self,
        talk: &mut Talk<'_>,
        zero: Length,
        at: Length,
    ) -> Result<(), DriverError> {
        if self.work.locks() {
            return Ok(());
        }
        let look = self.work.look(talk)?;
        self.work.stopped_or_anew(&look)?;
        let counts = look.machine + zero;
        if (counts - at).abs() > self.work.card.tolerance {
            return Err(DriverError::Restarted {
                banner: format!("it counts itself at {counts}, and was left at {at}"),
            });
        }
        Ok(())
    }

    fn arrive(
        &self,
        talk: &mut Talk<'_>,
        zero: Length,
        at: Length,
        target: Length,
    ) -> Result<Length, DriverError> {
        let turn = self.path(at, target)?;
        self.still_there(talk, zero, at)?;
        if let Some(turn) = turn {
            self.work.travel(talk, turn - zero, turn - at)?;
            self.work.travel(talk, target - zero, target - turn)?;
        } else if target != at {
            self.work.travel(talk, target - zero, target - at)?;
        }
        let look = self.work.look(talk)?;
        let stands = look.machine + zero;
        let far = (stands - target).abs() > self.work.card.tolerance;
        if look.at_rest == Some(false) || far {
            return Err(DriverError::NotArrived { target, at: stands });
        }
        Ok(stands)
    }

    /// Was the switch where it was last time?
    fn prove(&mut self, talk: &mut Talk<'_>) -> Result<Proof, DriverError> {
        let Position::Homed { zero, at, switch } = self.position else {
            return Ok(Proof::FirstTime);
        };
        let Some(switch) = switch else {
            return Ok(Proof::NotPossible);
        };
        let from = switch + TOUCH_FROM;
        self.work.travel(talk, from - zero, from - at)?;
        match self.work.touch(talk, zero, from, switch) {
            Ok(Touched::At(found)) => Ok(Proof::Offset(found - switch)),
            Ok(Touched::NotThere) => Ok(Proof::NotWithin(TOUCH_BEYOND)),
            Ok(Touched::CannotTell) => Ok(Proof::NotPossible),
            Err(DriverError::Alarm { code }) if self.work.no_touch(code) => {
                ack::reset(talk)?;
                Ok(Proof::NotWithin(TOUCH_BEYOND))
            }
            Err(error) => Err(error),
        }
    }

    fn find_home(&mut self, talk: &mut Talk<'_>) -> Result<Homing, DriverError> {
        if talk.state().is_dirty() && !self.work.by_registers() {
            self.position = Position::Unknown;
            ack::reset(talk)?;
        }
        let before = match self.position {
            Position::Homed { switch, .. } => switch,
            Position::Unknown => None,
        };
        let proof = match self.prove(talk) {
            // The way to the switch was blocked or crashed into it early.
            Err(DriverError::Alarm { .. }) => {
                ack::reset(talk)?;
                Proof::NotWithin(TOUCH_FROM)
            }
            other => other?,
        };
        self.position = Position::Unknown;
        // A reset since the opening may have undone them.
        let work = &self.work;
        let given = Given::of(&work.profile, work.station.as_ref());
        identity::set_up(talk, &work.profile, given)?;
        let home = self.work.find_home(talk)?;
        let home_at = self.work.card.home_at;
        let zero = home_at - home.machine;
        let switch = match self.work.touch(talk, zero, home_at, home_at) {
            Ok(Touched::At(found)) => Some(found),
            Ok(Touched::NotThere) => {
                let said = "the home switch does not close where it was just found".to_owned();
                return Err(DriverError::Halted { said });
            }
            Ok(Touched::CannotTell) | Err(DriverError::Refused { .. }) => None,
            Err(error) => return Err(error),
        };
        if self.work.touches() {
            self.work.travel(talk, home_at - zero, TOUCH_BEYOND)?;
        }
        self.position = Position::Homed {
            zero,
            at: home_at,
            switch,
        };
        let proof = and_since_then(proof, before, switch);
        Ok(Homing { at: home_at, proof })
    }

    /// After an error nothing is known, and what may still move is stopped.
    fn lost<T>(
        &mut self,
        talk: &mut Talk<'_>,
        outcome: Result<T, DriverError>,
    ) -> Result<T, DriverError> {
        let error = match &outcome {
            Ok(_) | Err(DriverError::OutsideTravel { .. } | DriverError::NotHomed) => {
                return outcome;
            }
            Err(error) => error,
        };
        self.position = Position::Unknown;
        let moves = match error {
            DriverError::Abandoned | DriverError::NotArrived { .. } => true,
            // One that locks itself does not move any more, or waits for a reset.
            other => !self.work.locks() && !other.link_is_gone(),
        };
        if moves {
            if let Err(error) = self.work.halt(&mut talk.undisturbed()) {
                tracing::warn!(%error, "the carriage could not be held");
            }
            if !self.work.by_registers() {
                // A held controller takes no lines; only a reset goes on from here.
                talk.distrust();
            }
        }
        outcome
    }

    /// Who a controller is that greets after a reset: its banner, and what it tells.
    fn greeted(&self, talk: &mut Talk<'_>) -> Result<Identity, DriverError> {
        let banner = ack::reset(talk)?;
        let steps = self.work.profile.identity.as_slice();
        let (about, found) = match steps {
            [Step::Ask { line, answer, .. }] => {
                let within = self.work.profile.answer_within();
                let about = ack::send(talk, &line.fill(&[]), within)?.aside;
                let found = about.iter().find_map(|line| answer.find(line));
                (about, found.unwrap_or_default())
            }
            _ => Default::default(),
        };
        let known = |name: &str| {
            let text = found.get(name).filter(|text| !text.is_empty());
            text.map(str::to_owned)
        };
        Ok(Identity {
            maker: "unknown".to_owned(),
            model: banner.clone(),
            serial: known("serial"),
            firmware: known("firmware"),
            raw: format!("{banner} {}", about.join(" ")),
        })
    }
}

/// Steps that were lost in the touch of the last homing shifted all coordinates with
/// it, the switch's too: it is found again where it was found. Against the touch of
/// this homing the shift shows.
fn and_since_then(proof: Proof, before: Option<Length>, now: Option<Length>) -> Proof {
    match (proof, before, now) {
        (Proof::Offset(way), Some(before), Some(now)) if (now - before).abs() > way.abs() => {
            Proof::Offset(now - before)
        }
        _ => proof,
    }
}

impl Positioner for ProfiledRail {
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError> {
        self.position = Position::Unknown;
        let work = &self.work;
        let given = Given::of(&work.profile, work.station.as_ref());
        identity::begin(talk, &work.profile, given)?;
        let identity = if work.greets() {
            same_as_before(self.greeted(talk)?, self.identity.as_ref())?
        } else {
            if work.by_registers() {
                let station = work.station.as_ref();
                identity::resynchronise(talk, &work.profile, station)?;
                work.halt(talk)?;
            } else {
                ack::reset(talk)?;
            }
            identity::ready(talk, &work.profile, given, self.identity.as_ref())?
        };
        identity::set_up(talk, &work.profile, given)?;
        self.identity = Some(identity.clone());
        Ok(identity)
    }

    fn home(&mut self, talk: &mut Talk<'_>) -> Result<Homing, DriverError> {
        let outcome = self.find_home(talk);
        self.lost(talk, outcome)
    }

    fn go(&mut self, talk: &mut Talk<'_>, target: Length) -> Result<Length, DriverError> {
        let Position::Homed { zero, at, switch } = self.position else {
            return Err(DriverError::NotHomed);
        };
        let outcome = self.arrive(talk, zero, at, target);
        let stands = self.lost(talk, outcome)?;
        self.position = Position::Homed {
            zero,
            at: target,
            switch,
        };
        Ok(stands)
    }

    fn whereis(&mut self, talk: &mut Talk<'_>) -> Result<Whereabouts, DriverError> {
        let outcome = self.work.look(talk);
        let Look { machine, homed, .. } = self.lost(talk, outcome)?;
        if homed == Some(false) {
            self.position = Position::Unknown;
        }
        Ok(match self.position {
            Position::Homed { zero, .. } => Whereabouts::At(machine + zero),
            Position::Unknown => Whereabouts::Unknown,
        })
    }

    fn stop(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        self.position = Position::Unknown;
        let talk = &mut talk.undisturbed();
        if self.work.greets() {
            self.work.halt(talk)?;
            // Whatever it says or does not say, the reset below comes.
            let look = self.work.look(talk);
            if look.is_ok_and(|look| look.moving == Some(true)) {
                let _ = self.work.until(talk, Wanted::NoMotion);
            }
            return ack::reset(talk).map(|_| ());
        }
        match self.work.by_registers() {
            true => self.work.halt(talk)?,
            false => ack::reset(talk).map(|_| ())?,
        }
        self.work.until(talk, Wanted::NoMotion).map(|_| ())
    }
}
