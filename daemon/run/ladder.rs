//! Which button next: brings a lamp with up and down buttons to a level and
//! proves it, one step at a time. Pure: the attendant presses and looks, this
//! decides.
//!
//! ```text
//!  unknown ── down x (N+2), the last two must change nothing ──► at a stop
//!  at a stop ── up, the light must rise ──► level 2 (else: off; press power)
//!  known ── one press, one look ──► counted | double | missed (again)
//!                                   | off, unknown (anchor anew)
//!  counted from the stop to the highest ── up must bring no step more ──► proven
//! ```
//!
//! The first walk from the stop goes on to the highest level, wherever it is to
//! end: then the light of every level is learned, and the count is proven. From
//! then on each step is held against the one that was learned.
//!
//! Called by: walk. Not here: a lamp whose levels go round (`round`), what a
//! press did (`pressed`).

use super::pressed::{
    ANCHORS_AT_MOST, Eye, Lights, MISSED_AT_MOST, Pressed, SAME_WITHIN, STEP_AT_LEAST,
    STOP_AT_MOST, Stepped, Tally, is_learned,
};

/// Presses of the power button that may be needed to see the only level.
const ONLY_LEVEL_PRESSES: u32 = 5;
/// Looks at the highest level until its light is at rest: ten seconds of a meter
/// that takes one.
const LOOKS_AT_MOST: u32 = 10;
/// Presses more than the ladder has levels when walking to its lower stop.
const BEYOND_THE_STOP: u16 = 2;

/// A button of the ladder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Button {
    /// One level up.
    Up,
    /// One level down.
    Down,
    /// On and off.
    Power,
}

/// What to do next.
#[derive(Clone, Debug, PartialEq)]
pub enum Step {
    /// Press a button, wait until the light has followed.
    Press(Button),
    /// Read the meter and tell [`Ladder::seen`].
    Look,
    /// The level stands; how that is known.
    Reached(&'static str),
    /// It could not be reached; why.
    Lost(String),
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Stage {
    /// Presses left until the two that must change nothing.
    WalkDown {
        left: u16,
    },
    /// Before the last two presses.
    BeforeStop,
    /// One of the last two was pressed; how many are left.
    AtStop {
        left: u8,
        before: f64,
    },
    /// Up was pressed at the stop; what was seen before.
    FirstUp {
        before: f64,
        pressed: u32,
    },
    /// The light rose from the stop; seen once.
    RisenOnce {
        before: f64,
        pressed: u32,
    },
    /// A lamp of one level: power was pressed; what was seen before.
    OnlyLevel {
        before: f64,
        pressed: u32,
    },
    /// Power was pressed since nothing rose.
    Powered,
    /// The level is known; a look is needed before the next press.
    Counting {
        level: u16,
    },
    /// A step was pressed.
    Stepped {
        level: u16,
        before: f64,
        up: bool,
        pressed: u32,
    },
    /// The count from the stop says that this is the highest level: its light
    /// comes to rest first, a lamp may fade for longer than its file says.
    TopComesToRest {
        before: f64,
        looks: u32,
    },
    /// Then up was pressed, and must change nothing.
    AtTop {
        before: f64,
    },
    /// Counting without a meter.
    Blind {
        level: u16,
    },
    Over,
}

/// The walk to one level.
#[derive(Clone, Debug)]
pub struct Ladder {
    levels: u16,
    target: u16,
    has_power: bool,
    sees: bool,
    expected: Option<f64>,
    /// The light of each level as this run saw it before.
    seen_before: Lights,
    /// The lights of all levels are known, from before or from this walk.
    learned: bool,
    eye: Eye,
    stage: Stage,
    look_due: bool,
    anchors: u32,
    power_presses: u32,
    walked: bool,
    /// The count was proven at the highest level since the last walk to the stop.
    proven: bool,
    /// The light at the end of the last walk to the stop and up.
    walked_to: Option<f64>,
    tally: Tally,
}

impl Ladder {
    /// A walk to `target` on a ladder of `levels`. `known`: the level that it
    /// stands at, if that is known; `sees`: the meter stands where it can see
    /// the lamp; `expected`: the light of the target seen before in this run;
    /// `floor`: a difference in lux that is nothing to this meter.
    pub fn new(
        levels: u16,
        target: u16,
        known: Option<u16>,
        sees: bool,
        has_power: bool,
        expected: Option<f64>,
        floor: f64,
    ) -> Ladder {
        let stage = match known {
            Some(level) if sees => Stage::Counting { level },
            Some(level) => Stage::Blind { level },
            None => Stage::WalkDown { left: levels },
        };
        Ladder {
            levels,
            target,
            has_power,
            sees,
            expected,
            seen_before: Lights::new(),
            learned: false,
            eye: Eye { floor, dark: None },
            stage,
            look_due: false,
            anchors: 0,
            power_presses: 0,
            walked: false,
            proven: false,
            walked_to: None,
            tally: Tally::default(),
        }
    }

    /// The same walk, knowing what levels on its way looked like before. One
    /// that looks different sends it to the stop once: a press may have counted
    /// twice. After that the count from the stop is believed, since a lamp may
    /// have warmed up by as much.
    pub fn knowing(mut self, seen_before: Lights) -> Ladder {
        self.learned = is_learned(&seen_before, self.levels);
        self.seen_before = seen_before;
        self
    }

    /// The same walk, knowing the light at the watch position while the lamp is
    /// off: what rises from there was not lit before, and says no level.
    pub fn dark_at(mut self, dark: Option<f64>) -> Ladder {
        self.eye.dark = dark;
        self
    }

    /// What it leaves for the record.
    pub(super) fn tally(&self) -> &Tally {
        &self.tally
    }

    /// The next step. After [`Step::Press`] it may be asked again at once;
    /// after [`Step::Look`] only when [`Ladder::seen`] was told.
    pub fn next_step(&mut self) -> Step {
        if self.look_due {
            return Step::Look;
        }
        match self.stage {
            Stage::WalkDown { left: 0 } => {
                if !self.sees {
                    // A stop that nobody can see is still a stop after more
                    // presses than there are levels, if the lamp is on.
                    return self.press_then(Button::Down, Stage::Blind { level: 1 });
                }
                self.look(Stage::BeforeStop)
            }
            Stage::WalkDown { left } => {
                self.press_then(Button::Down, Stage::WalkDown { left: left - 1 })
            }
            Stage::Blind { level } => self.blind(level),
            Stage::BeforeStop
            | Stage::AtStop { .. }
            | Stage::FirstUp { .. }
            | Stage::RisenOnce { .. }
            | Stage::OnlyLevel { .. }
            | Stage::Powered
            | Stage::Counting { .. }
            | Stage::TopComesToRest { .. }
            | Stage::AtTop { .. }
            | Stage::Stepped { .. } => self.look(self.stage),
            Stage::Over => Step::Lost("the walk is over".to_owned()),
        }
    }

    /// What the look showed: the light in lux, or none when the meter gave no
    /// value. Returns the next step.
    pub fn seen(&mut self, light: Option<f64>) -> Step {
        self.look_due = false;
        let Some(light) = light else {
            self.stage = Stage::Over;
            return Step::Lost(
                "the meter gave no value while the level was set: it was silent, or the light was \
                 beyond its ranges"
                    .to_owned(),
            );
        };
        self.tally.light = Some(light);
        match self.stage {
            Stage::BeforeStop => self.press_look(
                Button::Down,
                Stage::AtStop {
                    left: 1,
                    before: light,
                },
            ),
            Stage::AtStop { left, before } => self.at_stop(left, before, light),
            Stage::FirstUp { before, pressed } => self.first_up(before, pressed, light),
            Stage::RisenOnce { before, pressed } => self.risen_once(before, pressed, light),
            Stage::OnlyLevel { before, pressed } => self.only_level(before, pressed, light),
            Stage::Powered => {
                self.stage = Stage::WalkDown { left: self.levels };
                self.next_step()
            }
            Stage::Counting { level } => self.counting(level, light),
            Stage::TopComesToRest { before, looks } => self.top_rests(before, looks, light),
            Stage::AtTop { before } => self.at_top(before, light),
            Stage::Stepped {
                level,
                before,
                up,
                pressed,
            } => self.stepped(level, before, up, pressed, light),
            Stage::WalkDown { .. } | Stage::Blind { .. } | Stage::Over => self.next_step(),
        }
    }

    fn at_stop(&mut self, left: u8, before: f64, light: f64) -> Step {
        if !self.eye.same(before, light, STOP_AT_MOST) {
            return self.anchor("the light still changed at the lower stop");
        }
        if left > 0 {
            return self.press_look(
                Button::Down,
                Stage::AtStop {
                    left: left - 1,
                    before: light,
                },
            );
        }
        if self.levels == 1 {
            // Nothing can rise: only its going on and off shows that it shines.
            if !self.has_power {
                self.stage = Stage::Over;
                return Step::Lost(
                    "one level and no power button: nothing can show that the lamp is on"
                        .to_owned(),
                );
            }
            let (before, pressed) = (light, 1);
            return self.press_look(Button::Power, Stage::OnlyLevel { before, pressed });
        }
        self.press_look(
            Button::Up,
            Stage::FirstUp {
                before: light,
                pressed: 1,
            },
        )
    }

    /// A lamp of one level stands when the power button makes its light rise.
    fn only_level(&mut self, before: f64, pressed: u32, light: f64) -> Step {
        if self.eye.rose_clearly(before, light) {
            self.walked = true;
            return self.arrived(light);
        }
        if pressed >= ONLY_LEVEL_PRESSES {
            self.stage = Stage::Over;
            return Step::Lost(
                "the power button does not make the light rise: it is not reached, or the lamp is \
                 broken"
                    .to_owned(),
            );
        }
        // It was on and went out, or the press was missed.
        let (before, pressed) = (light, pressed + 1);
        self.press_look(Button::Power, Stage::OnlyLevel { before, pressed })
    }

    /// A second look, without a press: a lit lamp still shines.
    fn risen_once(&mut self, before: f64, pressed: u32, light: f64) -> Step {
        if !self.eye.rose_clearly(before, light) {
            return self.not_risen(pressed, light);
        }
        if self.eye.was_dark(before) {
            return self.anchor(
                "the light rose from what it is while the lamp is off: the lamp lit by itself or \
                 by a button of its levels, or its lowest level is not seen from here",
            );
        }
        self.walked = true;
        self.tally.passed.insert(1, before);
        self.stage = Stage::Counting { level: 2 };
        self.counting(2, light)
    }

    fn first_up(&mut self, before: f64, pressed: u32, light: f64) -> Step {
        if self.eye.rose_clearly(before, light) {
            return self.look(Stage::RisenOnce { before, pressed });
        }
        self.not_risen(pressed, light)
    }

    fn not_risen(&mut self, pressed: u32, light: f64) -> Step {
        if pressed <= MISSED_AT_MOST {
            return self.press_look(
                Button::Up,
                Stage::FirstUp {
                    before: light,
                    pressed: pressed + 1,
                },
            );
        }
        if self.has_power && self.power_presses < 2 {
            self.power_presses += 1;
            return self.press_look(Button::Power, Stage::Powered);
        }
        self.stage = Stage::Over;
        Step::Lost(
            "the light does not rise: the lamp is off, or its button is not reached".to_owned(),
        )
    }

    /// Where the walk goes next: to the target, but first from the stop to the
    /// highest level where not every level's light is known.
    fn aim(&self) -> u16 {
        let learns = self.walked && !self.learned;
        if learns { self.levels } else { self.target }
    }

    fn counting(&mut self, level: u16, light: f64) -> Step {
        if self.walked {
            self.tally.passed.insert(level, light);
        } else if let Some(before) = self.seen_before.get(&level)
            && !self.eye.same(*before, light, SAME_WITHIN)
        {
            return self.anchor("a level on the way looks different from before in this run");
        }
        let aim = self.aim();
        if level == aim {
            if self.walked && level == self.levels && !self.proven {
                // A press that the lamp did not take while its light rose by
                // itself would leave the count one level short.
                let (before, looks) = (light, 1);
                return self.look(Stage::TopComesToRest { before, looks });
            }
            return self.arrived(light);
        }
        let up = level < aim;
        let button = if up { Button::Up } else { Button::Down };
        self.press_look(
            button,
            Stage::Stepped {
                level,
                before: light,
                up,
                pressed: 1,
            },
        )
    }

    fn stepped(&mut self, level: u16, before: f64, up: bool, pressed: u32, light: f64) -> Step {
        let twice = if up {
            level + 2
        } else {
            level.saturating_sub(2)
        };
        match self.judged(level, up, (before, light)) {
            Some(Pressed::Double) => {
                self.tally.went(Pressed::Double);
                self.stage = Stage::Counting { level: twice };
                return self.counting(twice, light);
            }
            Some(how @ (Pressed::Off | Pressed::Unknown)) if !self.walked => {
                self.tally.went(how);
                return self.anchor("the light after a press is not that of the next level");
            }
            _ => {}
        }
        let counted = if up {
            self.eye.rose(before, light)
        } else {
            self.eye.rose(light, before)
        };
        if counted {
            let level = if up { level + 1 } else { level - 1 };
            self.stage = Stage::Counting { level };
            return self.counting(level, light);
        }
        if self.eye.same(before, light, STEP_AT_LEAST) {
            self.tally.went(Pressed::Missed);
            if pressed <= MISSED_AT_MOST {
                let button = if up { Button::Up } else { Button::Down };
                let stage = Stage::Stepped {
                    level,
                    before: light,
                    up,
                    pressed: pressed + 1,
                };
                return self.press_look(button, stage);
            }
            if !up {
                // Downward steps only start from a counted level. Nothing below
                // it means that the count is wrong, and with it every level
                // counted since the last walk to the stop: that must be said,
                // not mended in silence.
                self.stage = Stage::Over;
                return Step::Lost(format!(
                    "the count says level {level} and no press lowers the light: a press counted \
                     twice or a button out of reach; no level since the last walk to the stop is \
                     proven"
                ));
            }
            return self.anchor("a button was pressed three times and nothing changed");
        }
        self.tally.went(Pressed::Unknown);
        self.anchor("the light changed the wrong way")
    }

    /// What a press did beside one step, where every level's light is known.
    fn judged(&self, level: u16, up: bool, lights: (f64, f64)) -> Option<Pressed> {
        let known = |level: u16| {
            let here = self.tally.passed.get(&level);
            here.or_else(|| self.seen_before.get(&level)).copied()
        };
        let (next, second) = if up {
            (level + 1, level + 2)
        } else {
            (level.checked_sub(1)?, level.saturating_sub(2))
        };
        if !self.learned {
            return None;
        }
        let steps = (known(level)?, known(next)?, known(second));
        match self.eye.judge(lights, steps) {
            Stepped::Once => None,
            Stepped::Otherwise(how) => Some(how),
        }
    }

    fn top_rests(&mut self, before: f64, looks: u32, light: f64) -> Step {
        if self.eye.fell(before, light) {
            return self.anchor("the light of the highest level fell while it came to rest");
        }
        if self.eye.same(before, light, STOP_AT_MOST) {
            self.tally.passed.insert(self.levels, light);
            return self.press_look(Button::Up, Stage::AtTop { before: light });
        }
        if looks >= LOOKS_AT_MOST {
            return self.anchor("the light of the highest level does not come to rest");
        }
        let (before, looks) = (light, looks + 1);
        self.look(Stage::TopComesToRest { before, looks })
    }

    /// A level more would raise the light by about as much as the last one did; half
    /// of that is no warming up, which may be faster than a stop's 1 %.
    fn at_top(&mut self, before: f64, light: f64) -> Step {
        let below = self.tally.passed.get(&(self.levels - 1));
        let step = below.map_or(1.0, |below| before / below);
        let half_a_step = (step.sqrt() - 1.0).max(STOP_AT_MOST);
        let rose =
            !self.eye.same(before, light, STOP_AT_MOST) && light > before * (1.0 + half_a_step);
        if rose || self.eye.fell(before, light) {
            return self.anchor("the light still changed where the count says the highest level");
        }
        self.proven = true;
        self.learned = true;
        self.stage = Stage::Counting { level: self.levels };
        self.counting(self.levels, light)
    }

    fn arrived(&mut self, light: f64) -> Step {
        let differs = self
            .expected
            .is_some_and(|expected| !self.eye.same(expected, light, SAME_WITHIN));
        // Two walks to the stop that end at the same light outweigh what was
        // seen before: a lamp that cooled may differ by more than that.
        let again = self.walked
            && self
                .walked_to
                .replace(light)
                .is_some_and(|before| self.eye.same(before, light, STEP_AT_LEAST));
        if differs && !again {
            return self.anchor("this level looks different from before in this run");
        }
        self.stage = Stage::Over;
        Step::Reached(if self.walked {
            "walked to a stop, counted and seen"
        } else {
            "counted and seen"
        })
    }

    fn blind(&mut self, level: u16) -> Step {
        if level == self.target {
            self.stage = Stage::Over;
            return Step::Reached("counted, not seen");
        }
        let (button, next) = if level < self.target {
            (Button::Up, level + 1)
        } else {
            (Button::Down, level - 1)
        };
        self.press_then(button, Stage::Blind { level: next })
    }

    /// Finds the level anew from the lower stop, or gives up.
    fn anchor(&mut self, why: &str) -> Step {
        self.anchors += 1;
        self.proven = false;
        if self.anchors > ANCHORS_AT_MOST {
            self.stage = Stage::Over;
            return Step::Lost(why.to_owned());
        }
        self.stage = Stage::WalkDown {
            left: self.levels + BEYOND_THE_STOP,
        };
        self.next_step()
    }

    fn press_then(&mut self, button: Button, stage: Stage) -> Step {
        self.tally.press(button);
        self.stage = stage;
        Step::Press(button)
    }

    fn press_look(&mut self, button: Button, stage: Stage) -> Step {
        self.look_due = true;
        self.press_then(button, stage)
    }

    fn look(&mut self, stage: Stage) -> Step {
        self.stage = stage;
        self.look_due = true;
        Step::Look
    }
}
