//! The plan as understood: every quantity typed, every name resolved as far
//! as the plan alone allows, the line of each test kept.

use photometry::stabilisation::WindowRule;
use photometry::units::{Length, Ratio, Span};
use serde::{Deserialize, Serialize};

use super::itinerary::KindName;
use super::kinds::{FlickerTest, FluxTest, RampTest, Sight, SpectrumTest, StandbyTest};
use super::uses::Use;

/// A declarative test plan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// Its name.
    pub name: String,
    /// Its tests, in the order written.
    pub tests: Vec<Test>,
    /// What to do when something goes wrong, and when to measure.
    pub policies: Policies,
    /// The criteria and metrics, in the order written.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub uses: Vec<Use>,
}

/// A line of a file that the user wrote.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct PlanLine {
    /// The file's name, without folders.
    pub file: String,
    /// Line, from 1.
    pub line: u32,
}

/// One entry of a plan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Test {
    /// Its name, unique within the plan; begins every key.
    pub name: String,
    /// Where it was written.
    pub line: PlanLine,
    /// What it does.
    pub kind: TestKind,
}

/// Kinds of test.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TestKind {
    /// Illuminance at every setting and position.
    Survey(Survey),
    /// Spectra at settings.
    Spectrum(SpectrumTest),
    /// Waveforms at settings.
    Flicker(FlickerTest),
    /// Luminous flux in a sphere.
    Flux(FluxTest),
    /// Light against time while the lamp runs a program.
    Ramp(RampTest),
    /// The lamp switched off, its display and its power.
    Standby(StandbyTest),
}

impl TestKind {
    /// Its name.
    pub const fn name(&self) -> KindName {
        match self {
            TestKind::Survey(_) => KindName::Survey,
            TestKind::Spectrum(_) => KindName::Spectrum,
            TestKind::Flicker(_) => KindName::Flicker,
            TestKind::Flux(_) => KindName::Flux,
            TestKind::Ramp(_) => KindName::Ramp,
            TestKind::Standby(_) => KindName::Standby,
        }
    }
    /// The settings that it measures.
    pub const fn settings(&self) -> &Settings {
        match self {
            TestKind::Survey(survey) => &survey.settings,
            TestKind::Spectrum(test) => &test.sight.settings,
            TestKind::Flicker(test) => &test.sight.settings,
            TestKind::Flux(test) => &test.sight.settings,
            TestKind::Ramp(test) => &test.sight.settings,
            TestKind::Standby(test) => &test.sight.settings,
        }
    }
    /// The same, to be narrowed.
    pub const fn settings_mut(&mut self) -> &mut Settings {
        match self {
            TestKind::Survey(survey) => &mut survey.settings,
            TestKind::Spectrum(test) => &mut test.sight.settings,
            TestKind::Flicker(test) => &mut test.sight.settings,
            TestKind::Flux(test) => &mut test.sight.settings,
            TestKind::Ramp(test) => &mut test.sight.settings,
            TestKind::Standby(test) => &mut test.sight.settings,
        }
    }
    /// The survey that it is, if it is one.
    pub const fn survey(&self) -> Option<&Survey> {
        match self {
            TestKind::Survey(survey) => Some(survey),
            _ => None,
        }
    }
    /// How the lamp is looked at, where it is from one place.
    pub const fn sight(&self) -> Option<&Sight> {
        match self {
            TestKind::Survey(_) => None,
            TestKind::Spectrum(test) => Some(&test.sight),
            TestKind::Flicker(test) => Some(&test.sight),
            TestKind::Flux(test) => Some(&test.sight),
            TestKind::Ramp(test) => Some(&test.sight),
            TestKind::Standby(test) => Some(&test.sight),
        }
    }
}

/// An illuminance grid.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Survey {
    /// The meter by name; none when the only fitting one is meant.
    pub meter: Option<String>,
    /// The settings to measure.
    pub settings: Settings,
    /// The positions, ascending, without doubles.
    pub positions: Vec<Length>,
    /// Readings at each point.
    pub readings: u16,
    /// Rest after a move, when longer than the rail's own.
    pub settle: Option<Span>,
    /// Dark readings (meter covered) at the start; zero for none.
    pub dark: u16,
    /// Ambient readings (lamp off) at each position, before and after; zero
    /// for none.
    pub ambient: u16,
    /// How the lamp is warmed up.
    pub warm_up: WarmUp,
    /// The reference position and its limits.
    pub reference: Reference,
}

/// Which settings a survey measures.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Settings {
    /// Every level of every mode.
    All,
    /// The ones named, in the order of the words.
    These(Vec<SettingWord>),
}

/// One setting as a plan may say it; never a bare half.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SettingWord {
    /// The highest level of each mode.
    Full,
    /// The middle of the ladder by number: level N/2, rounded up.
    HalfSetting,
    /// The level whose light is nearest to half of that of the highest one;
    /// found by measuring.
    HalfLight,
    /// A level by number, in every mode that has it.
    Level(u16),
    /// A level of one mode.
    ModeLevel(String, u16),
}

/// How the lamp is warmed up before and between legs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WarmUp {
    /// The full rule once at the highest level; then at each level wait until
    /// the drift predicted over one leg is small.
    Leg(WindowRule),
    /// The full rule at every level.
    Standard(WindowRule),
    /// A fixed time at every level.
    Fixed(Span),
}

/// The reference position: where, how often, and what drift is allowed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reference {
    /// Where it is.
    pub at: Length,
    /// Visits after every so many positions, besides the first and the last.
    pub every: u16,
    /// A leg that drifts by more is measured again, once.
    pub drift_limit: Ratio,
    /// A leg that drifts by more fails the test.
    pub give_up: Ratio,
}

/// What to do when a test fails.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OnFailure {
    /// Go on with the next test; the run ends complete with gaps.
    #[default]
    NextTest,
    /// Make the bench safe and wait for a person.
    Hold,
    /// Make the bench safe and end the run.
    Stop,
}

/// What to do when a bench lacks what a test needs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum IfAbsent {
    /// It is a mistake of the plan.
    #[default]
    Refuse,
    /// Leave the test, setting or position out, and say so.
    LeaveOut,
}

/// What to do when power was lost in the middle of a run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AfterPowerLoss {
    /// Hold without a motion until a person releases the run.
    #[default]
    Hold,
    /// Go on as after any restart.
    Resume,
}

/// What to do when the room was disturbed while something was read: a door, a lamp,
/// daylight.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum IfDisturbed {
    /// Go on; what was read meanwhile is flagged.
    #[default]
    Flag,
    /// Wait until the room is quiet, and read it again; flagged where that does not help.
    Repeat,
    /// Make the bench safe and wait for a person; then read it again.
    Hold,
}

impl IfDisturbed {
    /// As a plan says it.
    pub const fn word(self) -> &'static str {
        match self {
            IfDisturbed::Flag => "flag",
            IfDisturbed::Repeat => "repeat",
            IfDisturbed::Hold => "hold",
        }
    }
    /// It is the usual one.
    pub fn is_usual(&self) -> bool {
        *self == IfDisturbed::default()
    }
}

/// A plan's policies.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Policies {
    /// When a test fails.
    pub on_failure: OnFailure,
    /// When the bench or the lamp lacks something.
    pub if_absent: IfAbsent,
    /// After a loss of power.
    pub after_power_loss: AfterPowerLoss,
    /// When the room was disturbed.
    #[serde(default, skip_serializing_if = "IfDisturbed::is_usual")]
    pub if_disturbed: IfDisturbed,
    /// The hours in which to measure; none means at any time.
    pub window: Option<Window>,
}

/// Hours of the local day; may pass midnight.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Window {
    /// Opens at this minute of the day, 0..1440.
    pub opens: u16,
    /// Closes at this minute of the day, 0..1440.
    pub closes: u16,
}

impl Window {
    /// Whether the window is open at a minute of the day.
    pub fn is_open(&self, minute: u16) -> bool {
        if self.opens <= self.closes {
            (self.opens..self.closes).contains(&minute)
        } else {
            minute >= self.opens || minute < self.closes
        }
    }
    /// How long it stays open.
    pub fn length(&self) -> Span {
        let minutes = (i64::from(self.closes) - i64::from(self.opens)).rem_euclid(1440);
        Span::from_mins(minutes)
    }
    /// As written: `22:00 to 05:30`.
    pub fn shown(&self) -> String {
        format!("{} to {}", of_day(self.opens), of_day(self.closes))
    }
}

/// A minute of the day, 0 to 1439, as a clock shows it: `06:30`.
pub fn of_day(minute: u16) -> String {
    format!("{:02}:{:02}", minute / 60, minute % 60)
}
