//! The frozen, ordered list of actions that a plan becomes for one unit on
//! one bench. Pure data, printable, stored with the run.
//!
//! An action is one atomic act. A *point* is a run of actions (move, settle,
//! read x n) that is redone whole; a *leg* is everything at one setting
//! between two reference visits, redone whole when the lamp drifted.

use std::fmt;

use photometry::measured::{CaptureOutcome, Outcome, Quantity};
use photometry::stabilisation::WindowRule;
use photometry::units::{Length, Ratio, Span};
use serde::{Deserialize, Serialize};

use super::card::Room;
use super::intent::{IfDisturbed, PlanLine, Policies};
use super::lamp::Setting;
use super::parts::Elsewhere;

/// Everything that a run will do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Itinerary {
    /// The plan's name.
    pub plan: String,
    /// The lamp model's name.
    pub lamp: String,
    /// The unit.
    pub unit: String,
    /// The bench.
    pub bench: String,
    /// The plan's policies.
    pub policies: Policies,
    /// The tests, in order.
    pub tests: Vec<TestHead>,
    /// The actions; `actions[k].no == k`.
    pub actions: Vec<Action>,
    /// What the plan asked for and the bench or lamp could not give.
    pub left_out: Vec<String>,
    /// Tests of programs that this lamp does not have. Nothing is missing without
    /// them, so they make no gap.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lamp_has_not: Vec<String>,
    /// What of the plan is measured at another place, in a run of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub elsewhere: Option<Elsewhere>,
}

/// One test's head: its name, where it was written, what it needs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TestHead {
    /// The test's name.
    pub name: String,
    /// Where it was written.
    pub line: PlanLine,
    /// What it measures.
    #[serde(default, skip_serializing_if = "KindName::is_survey")]
    pub kind: KindName,
    /// The meter that it uses: the one that watches the lamp, and reads unless
    /// an action names another.
    pub meter: String,
    /// Where the meter sees the lamp while levels change, and where the
    /// reference is taken; zero where there is no axis.
    pub watch: Length,
    /// First action, inclusive.
    pub first: u32,
    /// Last action, inclusive.
    pub last: u32,
}

/// The kinds of test, by name alone.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum KindName {
    /// Illuminance at settings and positions.
    #[default]
    Survey,
    /// Luminous flux in a sphere.
    Flux,
    /// Light against time while the lamp works by itself.
    Ramp,
    /// Spectra.
    Spectrum,
    /// Waveforms.
    Flicker,
    /// The lamp switched off: its display, its power.
    Standby,
}

impl KindName {
    /// All of them.
    pub const ALL: [KindName; 6] = [
        KindName::Survey,
        KindName::Flux,
        KindName::Ramp,
        KindName::Spectrum,
        KindName::Flicker,
        KindName::Standby,
    ];
    /// As it is written in a plan.
    pub const fn word(self) -> &'static str {
        match self {
            KindName::Survey => "survey",
            KindName::Flux => "flux",
            KindName::Ramp => "ramp",
            KindName::Spectrum => "spectrum",
            KindName::Flicker => "flicker",
            KindName::Standby => "standby",
        }
    }
    /// Whether it is a survey.
    pub fn is_survey(&self) -> bool {
        *self == KindName::Survey
    }
}

/// How long an action takes: least, likely, most.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Duration3 {
    /// Not less than this.
    pub least: Span,
    /// Probably this.
    pub likely: Span,
    /// Not more than this.
    pub most: Span,
}

impl Duration3 {
    /// The same in all three.
    pub const fn sure(span: Span) -> Duration3 {
        Duration3 {
            least: span,
            likely: span,
            most: span,
        }
    }
}

impl std::iter::Sum for Duration3 {
    fn sum<I: Iterator<Item = Duration3>>(parts: I) -> Duration3 {
        parts.fold(Duration3::default(), |sum, part| Duration3 {
            least: sum.least + part.least,
            likely: sum.likely + part.likely,
            most: sum.most + part.most,
        })
    }
}

/// How an action restarts after the run was broken off in it (law 4).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Restart {
    /// It can simply be done again.
    Again,
    /// Its whole group is done again, from the action with this number.
    FromGroup(u32),
    /// A person changed something: a person is asked again.
    Ask,
}

/// Readings of one series (a warm-up, the looks while a level is set) at most:
/// ten hours of warm-up at one every 15 s. A second series at the same setting
/// counts on above the first, so that no key stands for two readings.
pub const SERIES_AT_MOST: u32 = 2_400;

/// Readings of one meter in one recording at most: two hours and more at ten a
/// second. The readings of the next meter count on from here.
pub const RECORDED_AT_MOST: u32 = 100_000;

/// Spectra on the way of one recording at most: each is a block of some kilobytes.
pub const WAY_SPECTRA_AT_MOST: u32 = 300;

/// What a reading is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Purpose {
    /// The lamp at its setting.
    Read,
    /// The meter covered; in a sphere, nothing lit and the lamp in it off.
    Dark,
    /// The lamp off.
    Ambient,
    /// A visit to the reference position.
    Reference,
    /// A visit to the reference position after a seam.
    Return,
    /// While the lamp warms up.
    WarmUp,
    /// To see whether a press or a hand changed the light.
    Watch,
    /// To find the level of half the light.
    HalfLight,
    /// To find how long to integrate.
    Trial,
    /// The same waveform at another rate: what was folded down moves.
    OtherRate,
    /// One of a series at a steady beat.
    Sample,
    /// The auxiliary lamp alone, the lamp in the sphere and off.
    Auxiliary,
    /// The reference lamp in the sphere.
    Standard,
    /// The auxiliary lamp alone, the reference lamp in the sphere and off.
    StandardAuxiliary,
    /// Nothing lit, the reference lamp in the sphere.
    StandardDark,
    /// The light of the room, at its own sensor.
    Room,
    /// The temperature of the room's air.
    Air,
    /// The lamp as the sensor that stands still sees it, beside another reading.
    Fixed,
    /// The meter covered, in a sphere: its own dark. That of the sphere is `Dark`.
    Covered,
}

impl Purpose {
    /// All of them.
    pub const ALL: [Purpose; 19] = [
        Purpose::Read,
        Purpose::Dark,
        Purpose::Ambient,
        Purpose::Reference,
        Purpose::Return,
        Purpose::WarmUp,
        Purpose::Watch,
        Purpose::HalfLight,
        Purpose::Trial,
        Purpose::OtherRate,
        Purpose::Sample,
        Purpose::Auxiliary,
        Purpose::Standard,
        Purpose::StandardAuxiliary,
        Purpose::StandardDark,
        Purpose::Room,
        Purpose::Air,
        Purpose::Fixed,
        Purpose::Covered,
    ];

    /// The word in a key.
    pub const fn word(self) -> &'static str {
        match self {
            Purpose::Read => "read",
            Purpose::Dark => "dark",
            Purpose::Ambient => "ambient",
            Purpose::Reference => "reference",
            Purpose::Return => "return",
            Purpose::WarmUp => "warm-up",
            Purpose::Watch => "watch",
            Purpose::HalfLight => "half-light",
            Purpose::Trial => "trial",
            Purpose::OtherRate => "other-rate",
            Purpose::Sample => "sample",
            Purpose::Auxiliary => "auxiliary",
            Purpose::Standard => "standard",
            Purpose::StandardAuxiliary => "standard-auxiliary",
            Purpose::StandardDark => "standard-dark",
            Purpose::Room => "room",
            Purpose::Air => "air",
            Purpose::Fixed => "fixed",
            Purpose::Covered => "covered",
        }
    }
}

/// The setting in force while the lamp is off.
pub const OFF: &str = "off";

/// The setting in force while the lamp's outlet is off.
pub const UNPLUGGED: &str = "unplugged";

/// What is measured, the same in any order and after re-planning: test,
/// setting, position, what, visit. `survey/L07/609600000nm/read/1`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Key {
    /// The test's name.
    pub test: String,
    /// The setting's key, `off`, or `half-light` while it is not yet found.
    pub setting: String,
    /// The position: from the lamp's datum to the meter's reference plane. Zero
    /// where a place has no axis; no meter on a rail can stand at the datum.
    pub position: Length,
    /// What the reading is for.
    pub purpose: Purpose,
    /// Counts readings of the same kind at the same place, from 1.
    pub visit: u32,
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Key {
            test,
            setting,
            position,
            purpose,
            visit,
        } = self;
        write!(
            f,
            "{test}/{setting}/{}nm/{}/{visit}",
            position.nm(),
            purpose.word()
        )
    }
}

/// What the lamp is to be set to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Target {
    /// A setting.
    Setting(Setting),
    /// The setting that [`What::FindHalfLight`] found in this mode.
    HalfLight(String),
}

impl Target {
    /// As it stands in a key.
    pub fn key(&self) -> String {
        match self {
            Target::Setting(setting) => setting.key(),
            Target::HalfLight(mode) if mode == super::lamp::ONLY_MODE => "half-light".to_owned(),
            Target::HalfLight(mode) => format!("{mode}-half-light"),
        }
    }
    /// As a person reads it.
    pub fn shown(&self) -> String {
        match self {
            Target::Setting(setting) => setting.shown(),
            Target::HalfLight(mode) if mode == super::lamp::ONLY_MODE => {
                "the level of half the light".to_owned()
            }
            Target::HalfLight(mode) => format!("{mode}, the level of half the light"),
        }
    }
}

/// When a warm-up is over.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WarmUpRule {
    /// A rule over a window of readings.
    Window(WindowRule),
    /// Until the drift predicted over `ahead` (one leg) is below `limit`.
    Predicted {
        /// How long the coming leg takes.
        ahead: Span,
        /// The drift that is allowed.
        limit: Ratio,
        /// How far back the prediction looks.
        window: Span,
    },
    /// A fixed time since the level was set.
    Fixed(Span),
}

/// A question to a person.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Question {
    /// Cover the meter.
    CoverMeter(String),
    /// Uncover the meter.
    UncoverMeter(String),
    /// Put the reference lamp into the sphere, and close it.
    MountReference {
        /// The reference lamp.
        reference: String,
        /// The place.
        place: String,
    },
    /// Put the unit under test into the sphere, and close it.
    MountUnit {
        /// The unit.
        unit: String,
        /// The place.
        place: String,
    },
    /// Set the lamp's alarm, and arm it.
    SetAlarm {
        /// The program that it starts.
        program: String,
        /// The time to set, a minute of the day, 0..1440.
        minute: u16,
    },
    /// Switch a lamp of the sphere on or off, where no outlet does.
    SwitchByHand {
        /// Which: the auxiliary or the reference lamp.
        lamp: String,
        /// On or off.
        on: bool,
    },
}

/// Looks at the room in one action at most; the keys of the next one's count on from
/// here. A day is watched with a look every ten seconds.
pub const ROOM_LOOKS_AT_MOST: u32 = 16_384;

/// A look at the room: whether it is as dark and as warm as it must be.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct RoomLook {
    /// The sensor and the limits that matter here.
    pub room: Room,
    /// What follows.
    pub if_disturbed: IfDisturbed,
}

/// Looks at the room while something is recorded.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct RoomBeat {
    /// The look.
    pub look: RoomLook,
    /// From one look to the next.
    pub every: Span,
    /// Number of the first one's key.
    pub first: u32,
}

/// Spectra on the way of what is recorded: the `n`-th is due at its start + n x
/// `every`. Each is integrated as those before it say; afterwards the meter is covered,
/// and spectra are taken for each integration that was used. What of them fails is a
/// gap, and costs no recording.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct SpectraBeat {
    /// The spectroradiometer.
    pub meter: String,
    /// From one to the next.
    pub every: Span,
    /// Not integrated for less than this.
    pub least: Span,
    /// Nor for longer than this.
    pub most: Span,
    /// Spectra covered, for each integration that was used.
    pub dark: u16,
    /// What a person is asked when the recording is over, to cover the meter and then to
    /// uncover it; none where it has a shutter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by_hand: Option<(Question, Question)>,
    /// Number of the first one's key; the covered ones count from here too.
    pub first: u32,
}

/// Readings at a steady beat: `n`-th at its beginning + n x `every`, whatever the
/// one before took. What could not be read in time is recorded as not read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Recording {
    /// The meters, each with what it reads.
    pub meters: Vec<(String, Quantity)>,
    /// From one reading of a meter to its next.
    pub every: Span,
    /// What starts what is recorded; none where nothing is started.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub begins: Option<Begins>,
    /// From the first reading to that start.
    pub lead: Span,
    /// From the start to the last reading.
    pub length: Span,
    /// What looks at the room meanwhile.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub room: Option<RoomBeat>,
    /// Spectra on its way.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spectra: Option<Box<SpectraBeat>>,
}

impl Recording {
    /// Readings of each meter, at least one.
    pub fn readings(&self) -> u32 {
        self.at_a_beat(self.every)
    }
    /// Looks at the room, at least one where there are any.
    pub fn looks(&self) -> u32 {
        let room = self.room.as_ref();
        room.map_or(0, |room| self.at_a_beat(room.every))
    }
    /// Spectra on the way, none where none are asked for: the last one is over when the
    /// recording is.
    pub fn spectra_on_the_way(&self) -> u32 {
        let Some(spectra) = &self.spectra else {
            return 0;
        };
        let before = (self.length + -spectra.most).ns();
        let spans = before.div_euclid(spectra.every.ns().max(1));
        u32::try_from(spans + 1).unwrap_or_default()
    }
    fn at_a_beat(&self, every: Span) -> u32 {
        let spans = (self.lead + self.length).ns() / every.ns().max(1);
        u32::try_from(spans + 1).unwrap_or(u32::MAX)
    }
}

/// What starts the program that is recorded.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Begins {
    /// The program's name.
    pub program: String,
    /// How.
    pub by: StartedBy,
}

/// How a program is started.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StartedBy {
    /// This button is pressed when the lead is over.
    Button(String),
    /// A person is asked to start it when the lead is over.
    ByHand,
    /// The lamp's alarm starts it so that it begins when the bench's clock shows
    /// this minute of the day, 0..1440; recording begins the lead before.
    Minute(u16),
}

/// How a waveform is sampled.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Sampling {
    /// From one sample to the next.
    pub step: Span,
    /// Samples.
    pub count: u32,
}

impl Sampling {
    /// From the first sample to the last, and one step.
    pub fn length(&self) -> Span {
        self.step.times(i64::from(self.count))
    }
}

/// One atomic act.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum What {
    /// Let go of every button: all coils off, read back.
    ReleaseFingers,
    /// Find the home switch.
    Home,
    /// Home again at the end: the offset proves that no steps were lost.
    ProveHome {
        /// Largest offset that proves it.
        tolerance: Length,
    },
    /// Go to a position, arriving from the same side.
    Move {
        /// Where to.
        to: Length,
        /// The carriage's coordinate for it.
        coordinate: Length,
    },
    /// Wait until the carriage has rested this long since it arrived.
    Settle {
        /// How long.
        rest: Span,
    },
    /// Switch the lamp off.
    LampOff,
    /// Set the lamp's level, and see that it took it.
    SetLevel {
        /// To what.
        target: Target,
    },
    /// Find the level of half the light in a mode: each level from the
    /// highest down is set and read, until one lies below half.
    FindHalfLight {
        /// The mode.
        mode: String,
        /// Its highest level.
        highest: u16,
        /// Readings at each level.
        readings: u16,
    },
    /// Read until the lamp is warm by the rule, or the cap is reached.
    WarmUp {
        /// When it is over.
        rule: WarmUpRule,
        /// Time between readings.
        every: Span,
        /// Not longer than this since the level was set.
        cap: Span,
    },
    /// Close or open the meter's own shutter.
    Shutter {
        /// Closed or open.
        closed: bool,
        /// Whose, if not that of the meter that watches.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        meter: Option<String>,
    },
    /// One reading.
    Read {
        /// What is measured.
        quantity: Quantity,
        /// What for.
        purpose: Purpose,
        /// By which meter, if not by the one that watches.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        meter: Option<String>,
    },
    /// Find how long a spectroradiometer must integrate: trials decide.
    Expose {
        /// The meter.
        meter: String,
        /// Not shorter than this.
        least: Span,
        /// Not longer than this.
        most: Span,
    },
    /// One capture.
    Capture {
        /// By which meter.
        meter: String,
        /// What is measured.
        quantity: Quantity,
        /// What for.
        purpose: Purpose,
        /// How it is sampled; none for a spectrum, which is integrated as the
        /// trials decided.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        sampling: Option<Sampling>,
    },
    /// Wait until the lamp has been off this long, so that it is cold.
    Soak {
        /// How long.
        least: Span,
        /// And until so long before the bench's clock shows this minute of the
        /// day, 0..1440.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        before: Option<(u16, Span)>,
    },
    /// Wait so long: a lamp that was just switched on warms up.
    Wait {
        /// How long, from this action's beginning.
        least: Span,
    },
    /// Readings of several meters at a steady beat, from before something begins
    /// until after it ended.
    Record(Recording),
    /// Look whether the room is quiet; the last action of its point.
    LookAtRoom(RoomLook),
    /// Switch an outlet; it stays so.
    Switch {
        /// Its name on the bench.
        outlet: String,
        /// On or off.
        on: bool,
    },
    /// Compare the leg's reference visits, and decide: go on, measure the leg
    /// again, or fail the test.
    CheckDrift {
        /// Above this the leg is measured again.
        limit: Ratio,
        /// Above this the test fails.
        give_up: Ratio,
        /// The leg.
        leg: u32,
    },
    /// After a seam: compare the reference with the leg's first visit, and
    /// decide whether to go on where the run was or to measure the leg again.
    CheckReturn {
        /// Above this the leg is measured again.
        limit: Ratio,
        /// The leg.
        leg: u32,
    },
    /// Ask a person, and wait for the answer.
    Ask {
        /// What is asked.
        question: Question,
    },
}

/// One action of an itinerary.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Action {
    /// Its place in the itinerary, from 0.
    pub no: u32,
    /// Index into the itinerary's tests.
    pub test: u32,
    /// Point that it belongs to; actions of a point stand together.
    pub point: Option<u32>,
    /// Leg that it belongs to; a leg's actions stand together.
    pub leg: Option<u32>,
    /// The setting in force: a target's key, or `off`.
    pub setting: String,
    /// The position in force; none before the first move.
    pub position: Option<Length>,
    /// What is done.
    pub what: What,
    /// The key of a reading, or the first key of a series.
    pub key: Option<Key>,
    /// How it restarts.
    pub restart: Restart,
    /// How long it takes.
    pub time: Duration3,
    /// The plan line that asked for it.
    pub line: PlanLine,
}

impl Action {
    /// Whether a reading taken while this action is at work ends it: its own
    /// does, if it says something of the light; a look in between never does.
    pub fn ends_with(&self, purpose: Purpose, outcome: &Outcome) -> bool {
        let reads = matches!(self.what, What::Read { .. });
        reads && purpose != Purpose::Watch && outcome.says_something()
    }

    /// The same of a capture: a trial never ends an action.
    pub fn ends_with_capture(&self, purpose: Purpose, outcome: &CaptureOutcome) -> bool {
        let captures = matches!(self.what, What::Capture { .. });
        captures && purpose != Purpose::Trial && outcome.says_something()
    }

    /// How it looks at the room, where it does.
    pub fn room_look(&self) -> Option<&RoomLook> {
        match &self.what {
            What::LookAtRoom(look) => Some(look),
            What::Record(recording) => recording.room.as_ref().map(|room| &room.look),
            _ => None,
        }
    }

    /// All meters that it asks beside the one that watches.
    pub fn meters(&self) -> Vec<&str> {
        match &self.what {
            What::Record(recording) => {
                let meters = recording.meters.iter().map(|(meter, _)| meter.as_str());
                let spectra = recording.spectra.iter();
                meters
                    .chain(spectra.map(|spectra| spectra.meter.as_str()))
                    .collect()
            }
            _ => self.other_meter().into_iter().collect(),
        }
    }

    /// The meter that it asks, if not the one that watches.
    pub fn other_meter(&self) -> Option<&str> {
        match &self.what {
            What::Read { meter, .. } | What::Shutter { meter, .. } => meter.as_deref(),
            What::Expose { meter, .. } | What::Capture { meter, .. } => Some(meter.as_str()),
            _ => None,
        }
    }
}

impl Itinerary {
    /// What the plan asked for and is not measured, for whichever reason.
    pub fn not_measured(&self) -> Vec<String> {
        let all = self.left_out.iter().chain(&self.lamp_has_not);
        all.cloned().collect()
    }
    /// The whole time.
    pub fn time(&self) -> Duration3 {
        self.actions.iter().map(|action| action.time).sum()
    }
}
