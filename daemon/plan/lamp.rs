//! The lamp as a model: modes, levels, how it is worked, how it is switched
//! off. Nothing of a bench, no ports.

use photometry::units::{Length, Span};
use serde::{Deserialize, Serialize};

/// A lamp model, as its file describes it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Lamp {
    /// The model's name.
    pub name: String,
    /// Its modes, at least one.
    pub modes: Vec<Mode>,
    /// How it is worked.
    pub worked: Worked,
    /// Largest dimension of the luminous face.
    pub face: Length,
    /// What positions are measured from.
    pub datum: Datum,
    /// How it is switched off.
    pub off: SwitchOff,
    /// Longest wait for it to warm up.
    pub warm_up_cap: Span,
    /// Longest time that it may stay on, whatever a plan says.
    pub maximum_on: Span,
    /// What it runs by itself.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub programs: Vec<Program>,
    /// It forgets clock and alarms when it has no power.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub loses_clock: bool,
    /// Outer surface of its housing in m2, above zero; none where nobody said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub surface_m2: Option<f64>,
}

impl Lamp {
    /// A program by its name.
    pub fn program(&self, name: &str) -> Option<&Program> {
        self.programs.iter().find(|program| program.name == name)
    }
}

/// Which way a program's light goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Way {
    /// From dark to light.
    Sunrise,
    /// From light to dark.
    Sunset,
}

impl Way {
    /// As it is written.
    pub const fn word(self) -> &'static str {
        match self {
            Way::Sunrise => "sunrise",
            Way::Sunset => "sunset",
        }
    }
}

/// A sunrise or a sunset that a lamp runs by itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Program {
    /// Its name.
    pub name: String,
    /// Which way.
    pub way: Way,
    /// How long it lasts, as the lamp's maker says.
    pub length: Span,
    /// What starts it.
    pub starts: Starts,
}

/// What starts a program.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Starts {
    /// A button, on which a finger sits.
    Button(String),
    /// A person, asked by the daemon.
    ByHand,
    /// The lamp's own alarm, set by a person in the evening.
    Alarm(Alarm),
}

/// The alarm of a lamp.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Alarm {
    /// What the time of the alarm marks.
    pub marks: AlarmMarks,
    /// How many alarms it has: so many programs run in one night.
    pub alarms: u16,
    /// It must be armed anew each evening.
    pub rearmed: bool,
}

/// What the time of an alarm marks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmMarks {
    /// The program begins then.
    Start,
    /// It ends then.
    End,
}

/// A white tone, a night light and the like.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mode {
    /// Its name; `only` for a lamp with one mode.
    pub name: String,
    /// Brightness steps 1..=levels.
    pub levels: u16,
}

/// What positions are measured from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Datum {
    /// The front of the housing.
    FrontFace,
    /// The lamp's vertical axis.
    Axis,
    /// The centre of its luminous body.
    Centre,
}

/// Characters of a mode's name at most, where a lamp is told its mode.
pub const TOLD_MODE_AT_MOST: usize = 32;

/// Whether a mode's name can stand in a command: printable ASCII, not too long.
pub fn can_be_told(mode: &str) -> bool {
    let printable = mode.bytes().all(|byte| (b' '..=b'~').contains(&byte));
    printable && !mode.is_empty() && mode.len() <= TOLD_MODE_AT_MOST
}

/// How a lamp is worked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Worked {
    /// A person does it, asked by the daemon.
    ByHand,
    /// By buttons, on which the bench's fingers sit.
    Buttons(Buttons),
    /// By what tells it its mode and level, on the bench.
    Direct,
    /// By the outlet that feeds it, and by nothing else: one level, lit or dark.
    Mains,
}

/// How long a press is held where nothing else is said.
pub const HOLD: Span = Span::from_ms(120);

/// What follows the highest level where one button goes round.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Wraps {
    /// The lowest level.
    ToLowest,
    /// The lamp goes off; the next press lights its lowest level.
    ToOff,
}

/// How a lamp with buttons gets to a lower level.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Descent {
    /// By a button; the levels stop at both ends.
    Button {
        /// The button that lowers the level by one.
        down: String,
    },
    /// Past the highest level: there is one button, and the levels go round.
    Wraps {
        /// What follows the highest.
        wraps: Wraps,
    },
}

/// Buttons that step through the levels.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Buttons {
    /// The button that raises the level by one.
    pub up: String,
    /// How it gets lower.
    #[serde(flatten)]
    pub descent: Descent,
    /// The button that switches the lamp on and off.
    pub power: Option<String>,
    /// The button that goes to the next mode.
    pub mode: Option<String>,
    /// How long a press is held.
    pub hold: Span,
    /// Least rest between two presses.
    pub rest: Span,
    /// How long the light needs to follow a press.
    pub follows: Span,
}

impl Buttons {
    /// The button that lowers the level; none where the levels go round.
    pub fn down(&self) -> Option<&String> {
        match &self.descent {
            Descent::Button { down } => Some(down),
            Descent::Wraps { .. } => None,
        }
    }

    /// What follows the highest level, where the levels go round.
    pub fn wraps(&self) -> Option<Wraps> {
        match self.descent {
            Descent::Wraps { wraps } => Some(wraps),
            Descent::Button { .. } => None,
        }
    }

    /// Its button of the levels switches it off as well: there is no other.
    pub fn goes_off_round(&self) -> bool {
        self.power.is_none() && self.wraps() == Some(Wraps::ToOff)
    }

    /// The buttons that must have a finger: levels and power.
    pub fn needed(&self) -> impl Iterator<Item = &String> {
        let levels = [Some(&self.up), self.down()];
        levels.into_iter().chain([self.power.as_ref()]).flatten()
    }
}

/// How a lamp is switched off.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SwitchOff {
    /// By its power button, or by what tells it its level.
    Power,
    /// By a person.
    ByHand,
    /// It cannot be switched off from here: it stays on.
    Cannot,
    /// By the outlet that feeds it.
    Mains,
}

impl SwitchOff {
    /// The bench switches it off by itself: no person is needed.
    pub const fn needs_nobody(&self) -> bool {
        matches!(self, SwitchOff::Power | SwitchOff::Mains)
    }
}

/// What a lamp is set to: a mode and a level of it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Setting {
    /// The mode's name.
    pub mode: String,
    /// The level, 1..=levels of the mode.
    pub level: u16,
}

/// The mode of a lamp that has only one.
pub const ONLY_MODE: &str = "only";

impl Setting {
    /// As it stands in a key: `L07`, or `warm-L07` where there are modes.
    pub fn key(&self) -> String {
        if self.mode == ONLY_MODE {
            format!("L{:02}", self.level)
        } else {
            format!("{}-L{:02}", self.mode, self.level)
        }
    }
    /// As a person reads it: `level 7`, or `warm, level 7`.
    pub fn shown(&self) -> String {
        if self.mode == ONLY_MODE {
            format!("level {}", self.level)
        } else {
            format!("{}, level {}", self.mode, self.level)
        }
    }
}
