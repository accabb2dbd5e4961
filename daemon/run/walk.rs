//! The walk of a lamp with buttons to a level: along a ladder, or round.
//!
//! Called by: attendant. Not here: how either is decided (`ladder`, `round`).

use super::journal::Decision;
use super::ladder::{Button, Ladder, Step};
use super::pressed::Tally;
use super::round::{Before, Round};
use crate::plan::lamp::{Buttons, Descent, Wraps};

/// A walk at work.
#[derive(Clone, Debug)]
pub enum Walk {
    /// Two buttons, and a stop at both ends.
    Ladder(Box<Ladder>),
    /// One button; the levels go round.
    Round(Box<Round>),
}

impl Walk {
    /// A walk to a level of so many. `expected`: the light of the target when it
    /// last stood, in lx.
    pub fn to(
        buttons: &Buttons,
        levels: u16,
        target: u16,
        before: Before,
        expected: Option<f64>,
    ) -> Walk {
        match &buttons.descent {
            Descent::Wraps { wraps } => {
                Walk::Round(Box::new(Round::new(levels, *wraps, Some(target), before)))
            }
            Descent::Button { .. } => {
                let ladder = Ladder::new(
                    levels,
                    target,
                    before.known,
                    before.sees,
                    before.has_power,
                    expected,
                    before.floor,
                );
                let ladder = ladder.knowing(before.lights).dark_at(before.dark);
                Walk::Ladder(Box::new(ladder))
            }
        }
    }

    /// A walk round to off, past the highest level, for a lamp of one button.
    pub fn to_off(levels: u16, before: Before) -> Walk {
        Walk::Round(Box::new(Round::new(levels, Wraps::ToOff, None, before)))
    }

    /// The next step.
    pub fn next_step(&mut self) -> Step {
        match self {
            Walk::Ladder(ladder) => ladder.next_step(),
            Walk::Round(round) => round.next_step(),
        }
    }

    /// What the look showed, in lx; none where the meter gave no value.
    pub fn seen(&mut self, light: Option<f64>) -> Step {
        match self {
            Walk::Ladder(ladder) => ladder.seen(light),
            Walk::Round(round) => round.seen(light),
        }
    }

    /// The light at the end, when it was seen.
    pub fn light(&self) -> Option<f64> {
        self.tally().light
    }

    /// The decision for the journal, once the level stands.
    pub fn decision(
        &self,
        setting: &str,
        proof: &str,
        name: impl Fn(Button) -> String,
        key: impl Fn(u16) -> String,
    ) -> Decision {
        self.tally().decision(setting, proof, name, key)
    }

    fn tally(&self) -> &Tally {
        match self {
            Walk::Ladder(ladder) => ladder.tally(),
            Walk::Round(round) => round.tally(),
        }
    }
}
