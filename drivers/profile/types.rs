//! A device profile as understood: what a device is asked, what its answers
//! look like, what they mean. Data only.
//!
//! Made by `read`, carried out by `perform`, held against its own samples by
//! `samples`.

use std::collections::BTreeMap;

use photometry::units::Span;

use super::blocks::BlockStep;
use super::codec::{FrameStep, UsedCodec};
use super::many::ManyStep;
use super::pattern::Pattern;
use super::perform::Given;
use super::registers::{RegisterManner, Source, Target};
use super::template::Template;
pub use super::verbs::{ProfileVerb, VERBS, VerbForm};
use crate::exchange::manner::Manner;
use crate::exchange::modbus::frames;
use crate::exchange::modbus::station::Station;

/// What a device is on a bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeviceRole {
    /// A meter.
    Meter,
    /// Relay fingers.
    Fingers,
    /// A rail.
    Rail,
    /// Mains relays that hold what they are told.
    Outlets,
    /// A lamp that is told its level.
    Level,
    /// A contact that is closed or open.
    Contact,
}

impl DeviceRole {
    /// As it is written.
    pub const fn word(self) -> &'static str {
        match self {
            DeviceRole::Meter => "meter",
            DeviceRole::Fingers => "fingers",
            DeviceRole::Rail => "rail",
            DeviceRole::Outlets => "outlets",
            DeviceRole::Level => "level",
            DeviceRole::Contact => "contact",
        }
    }
}

/// A time limit that may depend on how long the device integrates.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Within {
    /// The integration of a whole reading, averages included, is added.
    pub integration: bool,
    /// The rest; none is the time within which this device answers.
    pub plus: Option<Span>,
}

impl Within {
    /// The time within which the device answers.
    pub const USUAL: Within = Within {
        integration: false,
        plus: None,
    };

    /// The limit for a device that integrates and answers like this.
    pub fn of(self, given: Given<'_>) -> Span {
        let plus = self.plus.unwrap_or(given.answer_within);
        if self.integration {
            given.integration + plus
        } else {
            plus
        }
    }
}

/// One step of what a device is asked.
#[derive(Clone, Debug, PartialEq)]
pub enum Step {
    /// A line without an answer.
    Tell(Template),
    /// A line, and that the device took it without complaint.
    Set(Template),
    /// A question and its one line.
    Ask {
        /// The question.
        line: Template,
        /// Its answer.
        answer: Pattern,
        /// When it must be there.
        within: Within,
        /// What its fields must say, for a setting that is looked at again.
        is: Vec<(String, Template)>,
    },
    /// A question and its block of bytes.
    Block(BlockStep),
    /// A question and its block of many numbers.
    Many(ManyStep),
    /// A word that the codec makes bytes of, without an answer.
    Send(String),
    /// A word that the codec makes bytes of, and the bytes that answer it.
    Frame(FrameStep),
    /// Asked again and again until the answer says so.
    Until {
        /// The question.
        line: Template,
        /// Its answer.
        answer: Pattern,
        /// What its fields must say.
        is: Vec<(String, Template)>,
        /// From one question to the next.
        every: Span,
        /// When it must say so.
        within: Within,
    },
    /// The first line of a device that speaks by itself which it began to
    /// measure after it was wanted.
    Hear {
        /// What the line looks like.
        answer: Pattern,
        /// When it must be there.
        within: Within,
    },
    /// The program is run; what it prints is the answer.
    Run {
        /// Its arguments, as they are.
        arguments: Vec<Template>,
        /// What it prints.
        answer: Pattern,
        /// When it must have ended.
        within: Within,
    },
    /// Registers, a coil or an input are read into a field.
    Read {
        /// What.
        source: Source,
        /// The field.
        gives: String,
        /// When the answer must be there.
        within: Within,
        /// What the field must say, for a setting that is looked at again.
        is: Option<Template>,
    },
    /// Registers or coils are written.
    Write {
        /// What.
        target: Target,
        /// When the answer must be there.
        within: Within,
    },
    /// Nothing for a while: what a meter that measures all the time needs before
    /// its value is one that began after it was wanted.
    Pause(Within),
}

/// In what a setting's number is sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SettingUnit {
    /// A time in seconds.
    Seconds,
    /// A time in milliseconds.
    Milliseconds,
    /// A number without a unit.
    Number,
    /// A word.
    Word,
}

/// A setting of the device, set at every opening and read back.
#[derive(Clone, Debug, PartialEq)]
pub struct Setting {
    /// Its name; `integration` and `averages` take their values from the bench
    /// file.
    pub name: String,
    /// Sends `{value}`.
    pub set: Vec<Step>,
    /// Asks for it, giving `value`; empty where the device cannot tell.
    pub ask: Vec<Step>,
    /// In what.
    pub unit: SettingUnit,
    /// Its value, where the bench file gives none.
    pub value: Option<String>,
    /// The least and the largest that the device takes.
    pub between: Option<(f64, f64)>,
    /// It reads back equal when it differs by no more than this share.
    pub rounds_by: f64,
}

/// Texts that stand where a number should.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Marks {
    /// Above the range.
    pub over: Vec<String>,
    /// Below the range.
    pub under: Vec<String>,
    /// No number.
    pub invalid: Vec<String>,
    /// The field `flag` says that the value is not live.
    pub not_live: Vec<String>,
}

/// What a device answers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SampleAnswer {
    /// A line, or a coil as 1 or 0.
    Line(String),
    /// Registers.
    Words(Vec<u16>),
    /// Bytes as they come.
    Bytes(Vec<u8>),
}

/// An answer as the device's papers print it, and what it must be read as.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sample {
    /// Whose answer; none for the identity.
    pub verb: Option<ProfileVerb>,
    /// The answer.
    pub answer: SampleAnswer,
    /// What it must give, as [`super::samples::told`] writes it.
    pub gives: String,
}

/// How a device is spoken to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Speech {
    /// By lines of text.
    Lines(Manner),
    /// By registers and coils.
    Registers(RegisterManner),
    /// By bytes of a codec's; its ends of lines mean nothing.
    Frames(Manner),
    /// By a program that is run for each question.
    Program,
}

impl Step {
    /// The key that says what it is.
    pub const fn word(&self) -> &'static str {
        match self {
            Step::Tell(_) => "tell",
            Step::Set(_) => "set",
            Step::Ask { .. } => "ask",
            Step::Block(_) => "block",
            Step::Many(_) => "numbers",
            Step::Send(_) => "send",
            Step::Frame(_) => "frame",
            Step::Until { .. } => "until",
            Step::Hear { .. } => "hear",
            Step::Run { .. } => "run",
            Step::Read { .. } => "read",
            Step::Write { .. } => "write",
            Step::Pause(_) => "pause",
        }
    }

    /// Whether it waits for no answer: what may be told to a device that gives none.
    pub const fn is_told(&self) -> bool {
        matches!(
            self,
            Step::Tell(_) | Step::Send(_) | Step::Write { .. } | Step::Pause(_)
        )
    }

    /// Whether a device that is spoken to like this can be asked so.
    pub const fn fits(&self, speech: &Speech) -> bool {
        match self {
            Step::Pause(_) => true,
            Step::Run { .. } => matches!(speech, Speech::Program),
            Step::Send(_) | Step::Frame(_) => matches!(speech, Speech::Frames(_)),
            Step::Read { .. } | Step::Write { .. } => matches!(speech, Speech::Registers(_)),
            _ => matches!(speech, Speech::Lines(_)),
        }
    }
}

impl Speech {
    /// In words.
    pub const fn words(&self) -> &'static str {
        match self {
            Speech::Lines(_) => "by lines",
            Speech::Registers(_) => "by registers",
            Speech::Frames(_) => "by a codec",
            Speech::Program => "by a program",
        }
    }
}

/// A device profile.
#[derive(Clone, Debug, PartialEq)]
pub struct Profile {
    /// Its name.
    pub name: String,
    /// What the device is.
    pub role: DeviceRole,
    /// One line about it.
    pub about: String,
    /// How it is spoken to.
    pub speech: Speech,
    /// What its bytes go through, where it is spoken to by frames.
    pub codec: Option<UsedCodec>,
    /// Rest after its port was opened: boards that start anew are deaf.
    pub settle_after_open: Span,
    /// How it tells who it is; empty where it does not.
    pub identity: Vec<Step>,
    /// Done at every opening, before the settings.
    pub on_open: Vec<Step>,
    /// Told before its thread is found again: steps without an answer.
    pub on_abort: Vec<Step>,
    /// Its settings, in their order.
    pub settings: Vec<Setting>,
    /// The unit of its illuminance, unless each answer tells it.
    pub unit: Option<super::value::IlluminanceUnit>,
    /// Numbers have a comma where others have a point.
    pub decimal_comma: bool,
    /// Texts that stand where a number should.
    pub marks: Marks,
    /// What is said of a rail alone.
    pub rail: Option<super::rail::RailWords>,
    /// What it can be asked.
    pub verbs: BTreeMap<ProfileVerb, Vec<Step>>,
    /// Answers that are known.
    pub samples: Vec<Sample>,
}

impl Profile {
    /// All steps, of whatever it does.
    pub fn all_steps(&self) -> impl Iterator<Item = &Step> {
        let settings = self.settings.iter();
        let settings = settings.flat_map(|setting| setting.set.iter().chain(&setting.ask));
        let others = self.on_open.iter().chain(&self.on_abort);
        let others = others.chain(&self.identity);
        others.chain(settings).chain(self.verbs.values().flatten())
    }

    /// The steps of a verb; none where it has no such verb.
    pub fn steps(&self, verb: ProfileVerb) -> Option<&[Step]> {
        self.verbs.get(&verb).map(Vec::as_slice)
    }

    /// The time within which it answers what needs no work.
    pub fn answer_within(&self) -> Span {
        match &self.speech {
            Speech::Lines(manner) | Speech::Frames(manner) => manner.answer_within,
            Speech::Registers(manner) => manner.answer_within,
            // Each of its steps has a limit of its own.
            Speech::Program => Manner::default().answer_within,
        }
    }

    /// The device at a unit number behind frames of a form; none for one that
    /// speaks by lines.
    pub fn station(&self, unit: u8, form: frames::Form) -> Option<Station> {
        let Speech::Registers(manner) = &self.speech else {
            return None;
        };
        Some(Station {
            unit,
            form,
            gap: manner.gap,
            longest_answer: manner.longest_answer,
            echo: manner.echo,
            probe: manner.probe,
        })
    }

    /// Whether it tells the illuminance: by a verb, or by spectra that are weighed.
    pub fn reads_illuminance(&self) -> bool {
        self.steps(ProfileVerb::ReadIlluminance).is_some() || self.weighs_spectra()
    }

    /// Whether its illuminance is that of its spectra: it has no verb for it, and is
    /// asked for spectra and their wavelengths.
    pub(crate) fn weighs_spectra(&self) -> bool {
        let has = |verb| self.steps(verb).is_some();
        !has(ProfileVerb::ReadIlluminance)
            && has(ProfileVerb::ReadSpectrum)
            && has(ProfileVerb::ReadWavelengths)
    }

    /// Whether it can close its shutter and open it again.
    pub fn has_shutter(&self) -> bool {
        self.verbs.contains_key(&ProfileVerb::CloseShutter)
            && self.verbs.contains_key(&ProfileVerb::OpenShutter)
    }
}
