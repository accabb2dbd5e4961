//! A lamp of one button, whose levels go round: after the highest comes the
//! lowest, or the lamp goes off. Brings it to a level and proves it, one press
//! and one look at a time. Pure, as the ladder is.
//!
//! ```text
//!  unknown ── press until the light falls to less than 1/1.5 ──► the lowest (or off)
//!  the lowest ── press, the light must rise, N−1 times; then it must fall back
//!             ──► the whole round is learned: a press that counted twice shows
//!  learned ── press; the light must be the next level's, as a ratio ──► the target
//! ```
//!
//! Called by: walk. Not here: lamps with two buttons (`ladder`), what a press did
//! (`pressed`).
//!
//! The ratio 1.5 is common practice, no source.

use super::ladder::{Button, Step};
use super::pressed::{
    ANCHORS_AT_MOST, Eye, Lights, MISSED_AT_MOST, Pressed, SAME_WITHIN, STEP_AT_LEAST, Stepped,
    Tally, is_learned,
};
use crate::plan::lamp::Wraps;

/// The light falls by this ratio or more where the levels begin again.
const WRAP_RATIO: f64 = 1.5;
/// Presses of the power button where nothing changes.
const POWER_AT_MOST: u32 = 2;
/// Presses more than the lamp has levels before it is given up that they go round.
const BEYOND_A_ROUND: u32 = 3;
/// The level of a lamp that is off.
const OFF: u16 = 0;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Stage {
    /// The first look, before any press.
    First,
    /// The level is not known: pressed so often since the light last rose or the
    /// search began, and felt so often since then.
    Seeking {
        before: f64,
        pressed: u32,
        felt: u32,
    },
    /// Power was pressed since nothing changed.
    Powered,
    /// Counted from where the levels begin again; a button was pressed there.
    Rounding {
        level: u16,
        before: f64,
        pressed: u32,
    },
    /// The level is known, and the round too; a look is due before the next press.
    Counting {
        level: u16,
    },
    /// A step was pressed.
    Stepped {
        level: u16,
        before: f64,
        pressed: u32,
    },
    /// Counting without a meter.
    Blind {
        level: u16,
    },
    Over,
}

/// The walk to one level, or to off.
#[derive(Clone, Debug)]
pub struct Round {
    levels: u16,
    wraps: Wraps,
    target: u16,
    has_power: bool,
    lights: Lights,
    /// The light while it is off, where the round passes through off.
    gone: Option<f64>,
    eye: Eye,
    stage: Stage,
    look_due: bool,
    anchors: u32,
    power_presses: u32,
    learned_now: bool,
    tally: Tally,
}

/// What is known before a walk begins.
#[derive(Clone, Debug, Default)]
pub struct Before {
    /// The level that the lamp stands at.
    pub known: Option<u16>,
    /// The meter stands where it can see the lamp.
    pub sees: bool,
    /// The lamp has a power button within reach.
    pub has_power: bool,
    /// The light of each level as this run saw it, in lx.
    pub lights: Lights,
    /// A difference in lx that is nothing to this meter.
    pub floor: f64,
    /// The light while the lamp was off, in lx.
    pub dark: Option<f64>,
}

impl Round {
    /// A walk to a level of so many; none goes to off, where the round passes
    /// through it.
    pub fn new(levels: u16, wraps: Wraps, target: Option<u16>, before: Before) -> Round {
        let learned = is_learned(&before.lights, levels);
        let stage = match before.known {
            Some(level) if before.sees && learned => Stage::Counting { level },
            Some(level) if !before.sees => Stage::Blind { level },
            _ if before.sees => Stage::First,
            _ => Stage::Over,
        };
        Round {
            levels,
            wraps,
            target: target.unwrap_or(OFF),
            has_power: before.has_power,
            lights: before.lights,
            gone: before.dark,
            eye: Eye {
                floor: before.floor,
                dark: before.dark,
            },
            stage,
            look_due: false,
            anchors: 0,
            power_presses: 0,
            learned_now: false,
            tally: Tally::default(),
        }
    }

    /// What it leaves for the record.
    pub(super) fn tally(&self) -> &Tally {
        &self.tally
    }

    /// The next step, as of a ladder.
    pub fn next_step(&mut self) -> Step {
        if self.look_due {
            return Step::Look;
        }
        match self.stage {
            Stage::Over => self.lost(
                "the level is not known, and no meter stands where it can see the lamp: levels \
                 that go round are counted by their light",
            ),
            Stage::Blind { level } if level == self.target => {
                self.stage = Stage::Over;
                Step::Reached("counted, not seen")
            }
            Stage::Blind { level } => {
                self.stage = Stage::Blind {
                    level: self.after(level),
                };
                self.tally.press(Button::Up);
                Step::Press(Button::Up)
            }
            _ => self.look(self.stage),
        }
    }

    /// What the look showed, in lx, or none when the meter gave no value.
    pub fn seen(&mut self, light: Option<f64>) -> Step {
        self.look_due = false;
        let Some(light) = light else {
            return self.lost(
                "the meter gave no value while the level was set: it was silent, or the light was \
                 beyond its ranges",
            );
        };
        self.tally.light = Some(light);
        match self.stage {
            Stage::First | Stage::Powered => self.seek(light, 1, 0),
            Stage::Seeking {
                before,
                pressed,
                felt,
            } => self.seeking(before, (pressed, felt), light),
            Stage::Rounding {
                level,
                before,
                pressed,
            } => self.rounding(level, before, pressed, light),
            Stage::Counting { level } => self.counting(level, light),
            Stage::Stepped {
                level,
                before,
                pressed,
            } => self.stepped(level, before, pressed, light),
            Stage::Blind { .. } | Stage::Over => self.next_step(),
        }
    }

    /// What one press makes of a level.
    fn after(&self, level: u16) -> u16 {
        match self.wraps {
            _ if level < self.levels => level + 1,
            Wraps::ToLowest => 1,
            Wraps::ToOff => OFF,
        }
    }

    fn seek(&mut self, before: f64, pressed: u32, felt: u32) -> Step {
        self.press_look(Stage::Seeking {
            before,
            pressed,
            felt,
        })
    }

    fn seeking(&mut self, before: f64, (pressed, felt): (u32, u32), light: f64) -> Step {
        if self.fell_far(before, light) {
            self.tally.went(Pressed::Wrapped);
            return self.begin_round(light);
        }
        if self.eye.same(before, light, STEP_AT_LEAST) {
            self.tally.went(Pressed::Missed);
            if pressed <= MISSED_AT_MOST {
                return self.seek(light, pressed + 1, felt);
            }
            if self.has_power && self.power_presses < POWER_AT_MOST {
                self.power_presses += 1;
                self.tally.press(Button::Power);
                (self.stage, self.look_due) = (Stage::Powered, true);
                return Step::Press(Button::Power);
            }
            return self
                .lost("the light does not change: the lamp is off, or its button is not reached");
        }
        if felt > u32::from(self.levels) + BEYOND_A_ROUND {
            return self.lost(
                "the button was pressed more often than the lamp has levels, and its light never \
                 fell back: it has more levels than its file says, or they do not go round",
            );
        }
        self.seek(light, 1, felt + 1)
    }

    /// The levels begin again here: the whole round is counted from it.
    fn begin_round(&mut self, light: f64) -> Step {
        self.tally.passed.clear();
        let level = match self.wraps {
            Wraps::ToLowest => {
                self.tally.passed.insert(1, light);
                1
            }
            Wraps::ToOff => {
                self.gone = Some(light);
                OFF
            }
        };
        self.press_look(Stage::Rounding {
            level,
            before: light,
            pressed: 1,
        })
    }

    fn rounding(&mut self, level: u16, before: f64, pressed: u32, light: f64) -> Step {
        if self.eye.same(before, light, STEP_AT_LEAST) {
            self.tally.went(Pressed::Missed);
            if pressed > MISSED_AT_MOST {
                return self.anchor(
                    light,
                    "a button was pressed three times and nothing changed",
                );
            }
            let (before, pressed) = (light, pressed + 1);
            return self.press_look(Stage::Rounding {
                level,
                before,
                pressed,
            });
        }
        if level == self.levels {
            return self.closing(before, light);
        }
        if self.eye.rose(before, light) {
            let level = level + 1;
            self.tally.passed.insert(level, light);
            let (before, pressed) = (light, 1);
            return self.press_look(Stage::Rounding {
                level,
                before,
                pressed,
            });
        }
        if self.fell_far(before, light) {
            // It fell back too soon: a press before it counted twice.
            self.tally.went(Pressed::Double);
            return match self.one_anchor_more() {
                true => self.begin_round(light),
                false => self.lost(
                    "the levels began again too soon: presses count twice, or the lamp has fewer \
                     levels than its file says",
                ),
            };
        }
        self.tally.went(Pressed::Unknown);
        self.anchor(light, "the light fell a little where a press must raise it")
    }

    /// After the highest level the light must fall to where the count began.
    fn closing(&mut self, before: f64, light: f64) -> Step {
        let begins = match self.wraps {
            Wraps::ToLowest => self.tally.passed.get(&1).copied(),
            Wraps::ToOff => self.gone,
        };
        let closed = begins.is_some_and(|begins| self.eye.same(begins, light, SAME_WITHIN));
        if !self.fell_far(before, light) || !closed {
            self.tally.went(Pressed::Unknown);
            return self.anchor(
                light,
                "after as many levels as its file says the light did not fall back to where the \
                 count began",
            );
        }
        self.tally.went(Pressed::Wrapped);
        self.lights = self.tally.passed.clone();
        self.learned_now = true;
        let level = self.after(self.levels);
        self.counting(level, light)
    }

    fn counting(&mut self, level: u16, light: f64) -> Step {
        if let Some(before) = self.lights.get(&level)
            && !self.eye.same(*before, light, SAME_WITHIN)
        {
            return self.anchor(light, "a level looks different from before in this run");
        }
        if level == self.target {
            self.stage = Stage::Over;
            return Step::Reached(if self.learned_now {
                "counted through a whole round and seen"
            } else {
                "counted and seen"
            });
        }
        self.press_look(Stage::Stepped {
            level,
            before: light,
            pressed: 1,
        })
    }

    fn stepped(&mut self, level: u16, before: f64, pressed: u32, light: f64) -> Step {
        let next = self.after(level);
        match self.judged(level, before, light) {
            Stepped::Once => {
                if next <= 1 && level == self.levels {
                    self.tally.went(Pressed::Wrapped);
                }
                self.counting(next, light)
            }
            Stepped::Otherwise(Pressed::Missed) if pressed <= MISSED_AT_MOST => {
                self.tally.went(Pressed::Missed);
                let (before, pressed) = (light, pressed + 1);
                self.press_look(Stage::Stepped {
                    level,
                    before,
                    pressed,
                })
            }
            Stepped::Otherwise(Pressed::Double) => {
                self.tally.went(Pressed::Double);
                self.counting(self.after(next), light)
            }
            Stepped::Otherwise(how) => {
                self.tally.went(how);
                self.anchor(
                    light,
                    "the light after a press is not that of the next level",
                )
            }
        }
    }

    /// What a press at a level did, by the lights of the round.
    fn judged(&self, level: u16, before: f64, light: f64) -> Stepped {
        let next = self.after(level);
        let known = |level: u16| match level {
            OFF => self.gone,
            level => self.lights.get(&level).copied(),
        };
        let second = known(self.after(next));
        if level != OFF && next != OFF {
            return match known(level).zip(known(next)) {
                // Through off a second step is no ratio of the first.
                Some((from, to)) => {
                    let second = second.filter(|_| self.after(next) != OFF);
                    self.eye.judge((before, light), (from, to, second))
                }
                None => Stepped::Otherwise(Pressed::Unknown),
            };
        }
        // To or from off there is no ratio: the light itself must be the next one's.
        let is = |to: Option<f64>| to.is_some_and(|to| self.eye.same(to, light, SAME_WITHIN));
        if self.eye.same(before, light, STEP_AT_LEAST) {
            Stepped::Otherwise(Pressed::Missed)
        } else if is(known(next)) || next == OFF && self.eye.was_dark(light) {
            Stepped::Once
        } else if is(second) {
            Stepped::Otherwise(Pressed::Double)
        } else {
            Stepped::Otherwise(Pressed::Unknown)
        }
    }

    /// The light fell as far as it does where the levels begin again.
    fn fell_far(&self, before: f64, light: f64) -> bool {
        self.eye.fell(before, light) && before > WRAP_RATIO * light
    }

    fn one_anchor_more(&mut self) -> bool {
        self.anchors += 1;
        self.learned_now = false;
        self.anchors <= ANCHORS_AT_MOST
    }

    /// Looks for the beginning of the levels anew, or gives up.
    fn anchor(&mut self, light: f64, why: &str) -> Step {
        match self.one_anchor_more() {
            true => self.seek(light, 1, 0),
            false => self.lost(why),
        }
    }

    fn lost(&mut self, why: &str) -> Step {
        self.stage = Stage::Over;
        Step::Lost(why.to_owned())
    }

    fn press_look(&mut self, stage: Stage) -> Step {
        (self.stage, self.look_due) = (stage, true);
        self.tally.press(Button::Up);
        Step::Press(Button::Up)
    }

    fn look(&mut self, stage: Stage) -> Step {
        (self.stage, self.look_due) = (stage, true);
        Step::Look
    }
}
