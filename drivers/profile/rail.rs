//! What a profile says of a rail besides its verbs: in what its places are told,
//! what its states are called, which bits say that it stands and knows where.
//!
//! Read by `read_rail`, obeyed by `roles::profiled_rail`. Pure. Not here: how its
//! lines are acknowledged (`exchange::acks`).

use photometry::units::{Length, Span, Speed};

use super::pattern::Found;
use crate::exchange::scpi::{self, Number};

/// In what places are told and sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PlaceUnit {
    /// Millimetres, and speeds in millimetres a minute.
    Millimetres,
    /// Whole steps, so many a millimetre, and speeds in steps a second.
    Steps {
        /// How many a millimetre, 1 to 100 000.
        per_mm: i64,
    },
}

/// Which bits of the field `{status}` say what, from 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bits {
    /// It has found its home switch since it was switched on.
    pub homed: u8,
    /// It moves.
    pub moving: u8,
    /// It stands where it was sent.
    pub in_position: u8,
    /// It has stopped itself.
    pub alarm: u8,
    /// Its home switch is closed, where it tells that.
    pub switch: Option<u8>,
}

/// What the field `{state}` says.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct States {
    /// It stands and waits.
    pub at_rest: Vec<String>,
    /// It moves, or is about to stop.
    pub moving: Vec<String>,
}

/// What the field `{switch}` says.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SwitchWords {
    /// The home switch is closed.
    pub closed: Vec<String>,
    /// It is open.
    pub open: Vec<String>,
}

impl SwitchWords {
    /// Whether it is closed; none where it says neither.
    pub fn is_closed(&self, word: &str) -> Option<bool> {
        let is = |words: &[String]| words.iter().any(|known| known == word);
        match (is(&self.closed), is(&self.open)) {
            (true, _) => Some(true),
            (_, true) => Some(false),
            _ => None,
        }
    }
}

/// A rail's own part of a profile.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RailWords {
    /// In what places are told.
    pub unit: PlaceUnit,
    /// From one look at a carriage that moves to the next.
    pub look_every: Span,
    /// What its states are called, where it has words for them.
    pub states: Option<States>,
    /// What its bits say, where it has a status register.
    pub bits: Option<Bits>,
    /// What is said of the home switch, where it can be asked for.
    pub switch: Option<SwitchWords>,
}

/// How a carriage was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Look {
    /// Where the controller says it stands, in its own coordinates.
    pub machine: Length,
    /// Whether it says that it stands and waits; none where it says nothing of it.
    pub at_rest: Option<bool>,
    /// Whether it says that it moves.
    pub moving: Option<bool>,
    /// Whether it says that it has found its home switch.
    pub homed: Option<bool>,
    /// Whether it says that it has stopped itself.
    pub alarm: bool,
    /// Whether it says that its home switch is closed.
    pub switch: Option<bool>,
    /// The state's word, or its bits.
    pub said: String,
}

impl PlaceUnit {
    /// A place, or the way of a speed in a second, as the device wants it.
    pub fn sent(self, place: Length) -> String {
        match self {
            // Controllers read four decimals and more.
            PlaceUnit::Millimetres => format!("{:.4}", place.mm()),
            PlaceUnit::Steps { per_mm } => steps(place, per_mm).to_string(),
        }
    }

    /// A speed as the device wants it; never nothing.
    pub fn speed(self, speed: Speed) -> String {
        let a_second = Length::from_nm(speed.nm_per_s());
        match self {
            PlaceUnit::Millimetres => (a_second.nm() * 60 / 1_000_000).max(1).to_string(),
            PlaceUnit::Steps { per_mm } => steps(a_second, per_mm).max(1).to_string(),
        }
    }

    /// A place as the device tells it; none of what is no number.
    pub fn told(self, text: &str) -> Option<Length> {
        match self {
            PlaceUnit::Millimetres => Length::parse(&format!("{text} mm")).ok(),
            PlaceUnit::Steps { per_mm } => match scpi::number(text)? {
                // An i32 of steps is far below 2^53.
                Number::Value(steps) if steps.abs() < 1e12 => {
                    Some(Length::from_nm((steps * 1e6 / per_mm as f64).round() as i64))
                }
                _ => None,
            },
        }
    }
}

fn steps(place: Length, per_mm: i64) -> i64 {
    (place.nm() as f64 * per_mm as f64 / 1e6).round() as i64
}

impl RailWords {
    /// What the fields of `read-place` say; none when there is no place in them.
    pub fn look(&self, found: &Found) -> Option<Look> {
        let machine = self.unit.told(found.get("at")?)?;
        let mut look = Look {
            machine,
            at_rest: None,
            moving: None,
            homed: None,
            alarm: false,
            switch: None,
            said: String::new(),
        };
        if let Some(states) = &self.states {
            let state = found.get("state")?;
            let is = |words: &[String]| words.iter().any(|word| word == state);
            look.at_rest = Some(is(&states.at_rest));
            look.moving = Some(is(&states.moving));
            state.clone_into(&mut look.said);
        }
        if let Some(bits) = self.bits {
            let status = bits_of(found.get("status")?)?;
            let is = |bit: u8| status >> bit & 1 == 1;
            look.moving = Some(is(bits.moving));
            look.at_rest = Some(is(bits.in_position) && !is(bits.moving));
            look.homed = Some(is(bits.homed));
            look.alarm = is(bits.alarm);
            look.switch = bits.switch.map(is);
            look.said = bits.words(status);
        }
        Some(look)
    }
}

/// A status as a number without a sign, 32 bits at most.
pub(super) fn bits_of(text: &str) -> Option<u32> {
    match scpi::number(text)? {
        Number::Value(number) if number.fract() == 0.0 => (0.0..=f64::from(u32::MAX))
            .contains(&number)
            .then_some(number as u32),
        _ => None,
    }
}

impl Bits {
    /// A status in words: `homed, in position`, or `none` of them.
    pub fn words(self, status: u32) -> String {
        let known = [
            (Some(self.homed), "homed"),
            (Some(self.moving), "moving"),
            (Some(self.in_position), "in position"),
            (Some(self.alarm), "alarm"),
            (self.switch, "switch"),
        ];
        let is_set = |bit: Option<u8>| bit.is_some_and(|bit| status >> bit & 1 == 1);
        let set = known.iter().filter(|(bit, _)| is_set(*bit));
        let words: Vec<&str> = set.map(|(_, word)| *word).collect();
        match words.is_empty() {
            true => "none".to_owned(),
            false => words.join(", "),
        }
    }
}

impl Look {
    /// As a sample says it: `12.5 mm`, and how the carriage is unless it rests.
    pub(super) fn told(&self) -> String {
        let at = format!("{} mm", self.machine.mm());
        match (self.at_rest, self.moving) {
            (_, Some(true)) => format!("{at}, moving"),
            (Some(false), _) => format!("{at}, {}", self.said),
            _ => at,
        }
    }
}
