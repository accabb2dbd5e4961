//! A rail whose controller speaks RS-274 lines with ok/error answers and
//! realtime bytes.
//!
//! ```text
//! Unknown ── home ──> Homed(zero) ── go ──> Homed
//!    ^                    │ any alarm, banner, time-out, abandoned move, reset
//!    └────────────────────┘
//! ```
//!
//! The machine coordinate after homing is the controller's own affair; the
//! carriage coordinate is that plus an offset kept here, since writing offsets
//! into the controller wears its memory. Opened by the bench. Not here: limits
//! against people and lamps (`bench::limits`); the soft limits in this file
//! are a second net.

use photometry::units::{Acceleration, Length, Span, Speed};

use super::identity::same_as_before;
use super::positioner::{Homing, Positioner, Proof, Whereabouts};
use crate::error::DriverError;
use crate::exchange::ack;
use crate::exchange::line::shown;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;

/// A line is accepted at once.
const ACCEPT_WITHIN: Span = Span::from_secs(3);
/// A status is answered at once, also while moving.
const STATUS_WITHIN: Span = Span::from_secs(2);
/// A move may take so much longer than its trapezoid.
const MOVE_MARGIN: Span = Span::from_secs(5);
/// Between two looks at a carriage that brakes (at most 5 Hz).
const LOOK_EVERY: Span = Span::from_ms(200);
/// Looks until a braking carriage must stand: 10 s.
const LOOKS_AT_MOST: u32 = 50;
/// Speed of the slow touch: 120 mm/min.
const TOUCH: Speed = Speed::from_nm_per_s(2_000_000);
/// Where the touch begins, above the switch.
const TOUCH_FROM: Length = Length::from_mm(3);
/// How far beyond the switch's coordinate the touch goes on.
const TOUCH_BEYOND: Length = Length::from_mm(3);
/// A dwell, whose `ok` comes when every move before it has ended. It must be
/// over zero by the firmware's notes, and each move waits for it: 1 ms.
const UNTIL_EMPTY: &str = "G4 P0.001";
/// Holds motion.
const HOLD: &[u8] = b"!";

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

/// A rail behind an ok/error line controller.
#[derive(Debug)]
pub struct LineRail {
    card: RailCard,
    position: Position,
    identity: Option<Identity>,
}

/// What a status line says.
#[derive(Clone, Debug, PartialEq)]
struct Status {
    state: String,
    machine: Length,
}

/// Reads `<Idle|MPos:1.000,0.000,0.000|..>`; field order is not fixed.
fn status_of(text: &str) -> Option<Status> {
    let inner = text.trim().strip_prefix('<')?.strip_suffix('>')?;
    let mut fields = inner.split('|');
    let state = fields.next()?.to_owned();
    let place = fields.find_map(|field| field.strip_prefix("MPos:"))?;
    let machine = Length::parse(&format!("{} mm", place.split(',').next()?)).ok()?;
    Some(Status { state, machine })
}

/// Reads the coordinate in `[PRB:1.000,0.000,0.000:1]`.
fn touched_at(aside: &[String]) -> Option<Length> {
    let place = aside.iter().find_map(|line| line.strip_prefix("[PRB:"))?;
    let (place, found) = place.strip_suffix(']')?.rsplit_once(':')?;
    let first = place.split(',').next()?;
    (found == "1").then(|| Length::parse(&format!("{first} mm")).ok())?
}

impl LineRail {
    /// A driver for this rail; nothing is sent.
    pub fn new(card: RailCard) -> LineRail {
        LineRail {
            card,
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

    fn status(&self, talk: &mut Talk<'_>) -> Result<Status, DriverError> {
        let line = ack::status(talk, STATUS_WITHIN)?;
        let text = line.text();
        status_of(&text).ok_or_else(|| DriverError::Garbled {
            question: "?".to_owned(),
            answer: shown(&text),
            wanted: "a state and a machine position",
        })
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

    /// The path of a move: its turning point, if it must come from above.
    fn path(&self, at: Length, target: Length) -> Result<Option<Length>, DriverError> {
        let turn = (target < at).then(|| target - self.card.overshoot);
        for point in [turn.unwrap_or(target), target] {
            if point < self.card.low || point > self.card.high {
                return Err(DriverError::OutsideTravel {
                    target: point,
                    low: self.card.low,
                    high: self.card.high,
                });
            }
        }
        Ok(turn)
    }

    /// Sends a move and waits for its end, not for its `ok`.
    fn travel(&self, talk: &mut Talk<'_>, machine: Length, way: Length) -> Result<(), DriverError> {
        ack::send(
            talk,
            &format!("G0 X{}", millimetres(machine)),
            ACCEPT_WITHIN,
        )?;
        ack::send(talk, UNTIL_EMPTY, self.move_within(way))?;
        Ok(())
    }

    fn arrive(
        &self,
        talk: &mut Talk<'_>,
        zero: Length,
        at: Length,
        target: Length,
    ) -> Result<Length, DriverError> {
        if let Some(turn) = self.path(at, target)? {
            self.travel(talk, turn - zero, turn - at)?;
            self.travel(talk, target - zero, target - turn)?;
        } else if target != at {
            self.travel(talk, target - zero, target - at)?;
        }
        let status = self.status(talk)?;
        let stands = status.machine + zero;
        if status.state != "Idle" || (stands - target).abs() > self.card.tolerance {
            return Err(DriverError::NotArrived { target, at: stands });
        }
        Ok(stands)
    }

    /// Touches the switch slowly from above; returns its coordinate.
    fn touch(
        &self,
        talk: &mut Talk<'_>,
        zero: Length,
        from: Length,
        switch: Length,
    ) -> Result<Option<Length>, DriverError> {
        let beyond = switch - TOUCH_BEYOND;
        let way = from - beyond;
        let secs = way.abs().metres() / TOUCH.metres_per_s();
        let within = Span::from_secs_f64(secs * 1.5) + MOVE_MARGIN;
        let feed_mm_per_min = TOUCH.nm_per_s() * 60 / 1_000_000;
        let line = format!("G38.2 X{} F{feed_mm_per_min}", millimetres(beyond - zero));
        let accepted = ack::send(talk, &line, within)?;
        Ok(touched_at(&accepted.aside).map(|machine| machine + zero))
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
        self.travel(talk, from - zero, from - at)?;
        match self.touch(talk, zero, from, switch) {
            Ok(Some(found)) => Ok(Proof::Offset(found - switch)),
            Ok(None) => Ok(Proof::NotPossible),
            Err(DriverError::Alarm { code: 1 | 4 | 5 }) => {
                ack::reset(talk)?;
                Ok(Proof::NotWithin(TOUCH_BEYOND))
            }
            Err(error) => Err(error),
        }
    }

    fn find_home(&mut self, talk: &mut Talk<'_>) -> Result<Homing, DriverError> {
        if talk.state().is_dirty() {
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
        ack::send(talk, "$H", self.card.home_within)?;
        ack::send(talk, "G21 G90 G94", ACCEPT_WITHIN)?;
        let home_at = self.card.home_at;
        let zero = home_at - self.status(talk)?.machine;
        let switch = match self.touch(talk, zero, home_at, home_at) {
            Ok(found) => found,
            Err(DriverError::Refused { .. }) => None,
            Err(error) => return Err(error),
        };
        self.travel(talk, home_at - zero, TOUCH_BEYOND)?;
        self.position = Position::Homed {
            zero,
            at: home_at,
            switch,
        };
        let proof = and_since_then(proof, before, switch);
        Ok(Homing { at: home_at, proof })
    }

    /// After an error nothing is known, and an abandoned move is held.
    fn lost<T>(
        &mut self,
        talk: &mut Talk<'_>,
        outcome: Result<T, DriverError>,
    ) -> Result<T, DriverError> {
        let harmless = matches!(
            outcome,
            Ok(_) | Err(DriverError::OutsideTravel { .. } | DriverError::NotHomed)
        );
        if !harmless {
            self.position = Position::Unknown;
        }
        if matches!(
            outcome,
            Err(DriverError::Abandoned | DriverError::NotArrived { .. })
        ) {
            if let Err(error) = talk.send(HOLD) {
                tracing::warn!(%error, "the carriage could not be held");
            }
            // A held controller takes no lines; only a reset goes on from here.
            talk.distrust();
        }
        outcome
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

/// As `152.4000`: controllers read four decimals and more.
fn millimetres(at: Length) -> String {
    format!("{:.4}", at.mm())
}

impl Positioner for LineRail {
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError> {
        self.position = Position::Unknown;
        let banner = ack::reset(talk)?;
        let about = ack::send(talk, "$I", ACCEPT_WITHIN)?.aside;
        let version = about.iter().find_map(|line| line.strip_prefix("[VER:"));
        let mut fields = version.unwrap_or("").trim_end_matches(']').split(':');
        let mut known = || fields.next().filter(|f| !f.is_empty()).map(str::to_owned);
        let (firmware, serial) = (known(), known());
        let identity = Identity {
            maker: "unknown".to_owned(),
            model: banner.clone(),
            serial,
            firmware,
            raw: format!("{banner} {}", about.join(" ")),
        };
        let identity = same_as_before(identity, self.identity.as_ref())?;
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
        let outcome = self.status(talk);
        let status = self.lost(talk, outcome)?;
        Ok(match self.position {
            Position::Homed { zero, .. } => Whereabouts::At(status.machine + zero),
            Position::Unknown => Whereabouts::Unknown,
        })
    }

    fn stop(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        self.position = Position::Unknown;
        let mut talk = talk.undisturbed();
        talk.send(HOLD)?;
        for _ in 0..LOOKS_AT_MOST {
            // Whatever it says or does not say, the reset below comes.
            match self.status(&mut talk) {
                Ok(status) if status.state == "Run" || status.state == "Hold:1" => {}
                _ => break,
            }
            let next = talk.now().mono + LOOK_EVERY;
            talk.pause(next)?;
        }
        ack::reset(&mut talk).map(|_| ())
    }
}
