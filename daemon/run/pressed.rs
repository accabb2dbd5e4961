//! What became of a press, going by the light before and after it, and what a
//! walk along the levels leaves for the record.
//!
//! Called by: ladder, round. Not here: which button is next.
//!
//! Percentages are common practice, no source: a step changes the light by at
//! least 2 %; a lamp at its stop changes it by less than 1 %; a level seen
//! before in this run must look the same within 10 %, and a step as large within
//! the same; a lamp that gives less than 5 % of what it must is off.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::journal::Decision;
use super::ladder::Button;

/// A press that changes the light by less than this was missed.
pub(super) const STEP_AT_LEAST: f64 = 0.02;
/// At a stop a press changes the light by less than this.
pub(super) const STOP_AT_MOST: f64 = 0.01;
/// Light that comes up from the lower stop exceeds what is nothing to the meter
/// by this, and is seen twice: noise must not pass for a lit lamp.
pub(super) const RISE_IN_FLOORS: f64 = 5.0;
/// A level seen before must look the same within this.
pub(super) const SAME_WITHIN: f64 = 0.10;
/// Extra presses for one step before the level counts as lost.
pub(super) const MISSED_AT_MOST: u32 = 2;
/// Times that the level may be found anew before the action fails.
pub(super) const ANCHORS_AT_MOST: u32 = 3;
/// A light below this share of what a press must give is no level's.
const OFF_BELOW: f64 = 0.05;

/// The light of each level, in lx, by its number.
pub type Lights = BTreeMap<u16, f64>;

/// What became of a press that did not make just one step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Pressed {
    /// Nothing changed: it was not felt.
    Missed,
    /// It made two steps.
    Double,
    /// It went from the highest level to the lowest, or off, as the lamp does.
    Wrapped,
    /// The lamp is dark after it.
    Off,
    /// The light is no level's that could be expected.
    Unknown,
}

/// What a press did, where the lights of the levels ahead are known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stepped {
    /// One step.
    Once,
    /// Anything else.
    Otherwise(Pressed),
}

/// What a meter can tell apart at the place where a walk is watched from.
#[derive(Clone, Copy, Debug)]
pub(super) struct Eye {
    /// A difference in lx that is nothing to this meter.
    pub floor: f64,
    /// The light while the lamp was off, in lx, where it was seen.
    pub dark: Option<f64>,
}

impl Eye {
    /// Whether two lights are the same within a share of the larger, or differ
    /// by nothing to this meter.
    pub(super) fn same(&self, a: f64, b: f64, within: f64) -> bool {
        (a - b).abs() <= (within * a.abs().max(b.abs())).max(self.floor)
    }

    /// Whether a light is that of the lamp switched off.
    pub(super) fn was_dark(&self, light: f64) -> bool {
        let off = self.dark.map(|dark| (dark, light - dark));
        off.is_some_and(|(dark, off)| off <= (STOP_AT_MOST * dark).max(RISE_IN_FLOORS * self.floor))
    }

    /// Whether the light fell by more than a lamp does that is lit as before.
    pub(super) fn fell(&self, before: f64, after: f64) -> bool {
        after < before && !self.same(before, after, SAME_WITHIN)
    }

    /// Whether the light rose by a step that no noise makes.
    pub(super) fn rose_clearly(&self, before: f64, after: f64) -> bool {
        self.rose(before, after) && after - before > RISE_IN_FLOORS * self.floor
    }

    /// Whether the light rose by a step.
    pub(super) fn rose(&self, before: f64, after: f64) -> bool {
        after > before && !self.same(before, after, STEP_AT_LEAST)
    }

    /// Whether a press from a light to another made one step, where levels gave
    /// these lights before: that it came from, the next, and the one after that.
    /// Steps are compared as ratios, so that a lamp may have warmed meanwhile.
    pub(super) fn judge(
        &self,
        (before, light): (f64, f64),
        (from, next, second): (f64, f64, Option<f64>),
    ) -> Stepped {
        let expected = |to: f64| before * to / from;
        if self.same(before, light, STEP_AT_LEAST) {
            return Stepped::Otherwise(Pressed::Missed);
        }
        let off_by = |to: f64| (light - expected(to)).abs();
        let fits = |to: f64| self.same(expected(to), light, SAME_WITHIN);
        let second = second.filter(|second| fits(*second));
        match (fits(next), second) {
            (true, Some(second)) if off_by(second) < off_by(next) => {
                Stepped::Otherwise(Pressed::Double)
            }
            (true, _) => Stepped::Once,
            (false, Some(_)) => Stepped::Otherwise(Pressed::Double),
            (false, None) if self.was_dark(light) || light < OFF_BELOW * expected(next) => {
                Stepped::Otherwise(Pressed::Off)
            }
            (false, None) => Stepped::Otherwise(Pressed::Unknown),
        }
    }
}

/// Whether the light of every level is known.
pub(super) fn is_learned(lights: &Lights, levels: u16) -> bool {
    (1..=levels).all(|level| lights.contains_key(&level))
}

/// What a walk leaves for the record.
#[derive(Clone, Debug, Default)]
pub(super) struct Tally {
    /// Presses of each button.
    pub presses: BTreeMap<Button, u32>,
    /// Presses that did not make just one step, by what became of them.
    pub went: BTreeMap<Pressed, u32>,
    /// The light of each level on the way from the anchor.
    pub passed: Lights,
    /// The light at the end, when it was seen.
    pub light: Option<f64>,
}

impl Tally {
    pub(super) fn press(&mut self, button: Button) {
        *self.presses.entry(button).or_default() += 1;
    }

    pub(super) fn went(&mut self, how: Pressed) {
        *self.went.entry(how).or_default() += 1;
    }

    /// The decision for the journal, once the level stands.
    pub(super) fn decision(
        &self,
        setting: &str,
        proof: &str,
        name: impl Fn(Button) -> String,
        key: impl Fn(u16) -> String,
    ) -> Decision {
        let presses = self.presses.iter();
        let passed = self.passed.iter();
        Decision::Level {
            setting: setting.to_owned(),
            presses: presses.map(|(button, n)| (name(*button), *n)).collect(),
            went: self.went.clone(),
            light_lx: self.light,
            passed_lx: passed.map(|(level, light)| (key(*level), *light)).collect(),
            proof: proof.to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A ladder of steps by half, and one of steps by a twelfth, whose second
    /// level lies within a tenth of the first.
    #[test]
    fn a_press_is_judged_by_the_steps_that_were_seen() {
        let eye = Eye {
            floor: 0.01,
            dark: Some(0.05),
        };
        let (wide, fine) = ((100.0, 150.0, Some(225.0)), (100.0, 108.0, Some(116.6)));
        let last = (100.0, 150.0, None);
        let other = Stepped::Otherwise;
        let cases = [
            ((100.0, 150.0), wide, Stepped::Once),
            // The lamp sagged by a fifth since: the ratio tells.
            ((80.0, 120.0), wide, Stepped::Once),
            ((80.0, 180.0), wide, other(Pressed::Double)),
            ((80.0, 81.0), wide, other(Pressed::Missed)),
            ((80.0, 0.06), wide, other(Pressed::Off)),
            ((80.0, 3.0), wide, other(Pressed::Off)),
            ((80.0, 140.0), wide, other(Pressed::Unknown)),
            ((80.0, 60.0), wide, other(Pressed::Unknown)),
            ((100.0, 225.0), last, other(Pressed::Unknown)),
            // Both fit: the nearer counts.
            ((100.0, 108.5), fine, Stepped::Once),
            ((100.0, 116.0), fine, other(Pressed::Double)),
        ];
        for (lights, steps, wanted) in cases {
            assert_eq!(eye.judge(lights, steps), wanted, "{lights:?} {steps:?}");
        }
    }
}
