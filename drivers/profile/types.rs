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
        }
    }
}

/// What a device of a role can be asked to do. The words are fixed, so that a
/// plan needs to know nothing of the device.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ProfileVerb {
    /// One reading: gives `illuminance`, and `unit` or `flag` if the answer
    /// tells them.
    ReadIlluminance,
    /// The range of the reading before: gives `range`.
    ReadRange,
    /// Close the meter's own shutter.
    CloseShutter,
    /// Open it.
    OpenShutter,
    /// Electric power: gives `power`, in watt.
    ReadPower,
    /// Temperature of the air: gives `temperature`, in degrees Celsius.
    ReadTemperature,
    /// The wavelengths of its spectra, in nanometres: gives `numbers`.
    ReadWavelengths,
    /// One spectrum, in W/(m2 nm): gives `numbers`.
    ReadSpectrum,
    /// How full its fullest element was at the spectrum before, of 1: gives
    /// `fill`.
    ReadFill,
    /// How a waveform is sampled: `{step}` seconds, `{count}` samples.
    PrepareWaveform,
    /// One waveform: gives `numbers`.
    ReadWaveform,
    /// The largest number of a waveform that it can show: gives `top`.
    ReadTop,
    /// The corner of the filter before its converter, in hertz; 0 for none: gives
    /// `filter`.
    ReadFilter,
    /// Switch an outlet on, to stay so: `{outlet}`.
    SwitchOn,
    /// Switch it off.
    SwitchOff,
    /// Whether it is on: gives `on`, 0 or 1.
    ReadOutlet,
    /// Switch all outlets off.
    SwitchAllOff,
    /// Tell its watchdog that somebody is there.
    Feed,
    /// Light the lamp: `{mode}`, a word, and `{level}`, a whole number.
    SetLevel,
    /// How it is lit: gives `level`, and `mode` if the answer tells it.
    ReadLevel,
    /// Switch the lamp off.
    SwitchLampOff,
    /// Put one finger down: `{coil}`.
    CloseCoil,
    /// Take it off.
    OpenCoil,
    /// Whether it is down: gives `closed`, 0 or 1.
    ReadCoil,
    /// Take all fingers off.
    OpenAllCoils,
    /// Find the home switch.
    FindHome,
    /// What it must be told whenever it has found it.
    WhenHomed,
    /// Go to `{target}`, at most at `{speed}`.
    Go,
    /// Acknowledged when all motion has ended.
    WaitForRest,
    /// Where the carriage stands: gives `at`, and `state` or `status`.
    ReadPlace,
    /// Go slowly towards `{target}` until the home switch closes: gives `at`.
    TouchSwitch,
    /// Whether the home switch is closed: gives `switch`.
    ReadSwitch,
    /// Stop moving.
    Stop,
    /// No verb: a line that came, or a status register. For samples.
    Heard,
}

/// A verb's word, role, whether a profile must have it, what it is given, and
/// the fields that its answers must (first) and may give.
pub struct VerbForm {
    /// The verb.
    pub verb: ProfileVerb,
    /// As it is written.
    pub word: &'static str,
    /// Whose it is.
    pub role: DeviceRole,
    /// Whether a profile of that role must say it.
    pub needed: bool,
    /// Like what, for whoever left it out.
    pub like: &'static str,
    /// What its templates may name.
    pub given: &'static [&'static str],
    /// What its answers must give.
    pub must: &'static [&'static str],
    /// What they may give as well.
    pub may: &'static [&'static str],
}

/// All verbs.
pub const VERBS: &[VerbForm] = &[
    VerbForm {
        verb: ProfileVerb::ReadIlluminance,
        word: "read-illuminance",
        role: DeviceRole::Meter,
        needed: false,
        like: "{ask: \"READ?\", answer: \"{illuminance}\"}",
        given: &[],
        must: &["illuminance"],
        may: &["unit", "flag"],
    },
    VerbForm {
        verb: ProfileVerb::ReadRange,
        word: "read-range",
        role: DeviceRole::Meter,
        needed: false,
        like: "{ask: \"RANG?\", answer: \"{range}\"}",
        given: &[],
        must: &["range"],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::CloseShutter,
        word: "close-shutter",
        role: DeviceRole::Meter,
        needed: false,
        like: "{tell: \"SHUT 1\"}",
        given: &[],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::OpenShutter,
        word: "open-shutter",
        role: DeviceRole::Meter,
        needed: false,
        like: "{tell: \"SHUT 0\"}",
        given: &[],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::CloseCoil,
        word: "close-coil",
        role: DeviceRole::Fingers,
        needed: true,
        like: "{tell: \"ON {coil}\"}",
        given: &["coil"],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::OpenCoil,
        word: "open-coil",
        role: DeviceRole::Fingers,
        needed: true,
        like: "{tell: \"OFF {coil}\"}",
        given: &["coil"],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::ReadCoil,
        word: "read-coil",
        role: DeviceRole::Fingers,
        needed: true,
        like: "{ask: \"ON? {coil}\", answer: \"{closed}\"}",
        given: &["coil"],
        must: &["closed"],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::OpenAllCoils,
        word: "open-all-coils",
        role: DeviceRole::Fingers,
        needed: true,
        like: "{tell: \"ALL OFF\"}",
        given: &[],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::FindHome,
        word: "find-home",
        role: DeviceRole::Rail,
        needed: true,
        like: "{set: \"$H\"}",
        given: &[],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::WhenHomed,
        word: "when-homed",
        role: DeviceRole::Rail,
        needed: false,
        like: "{set: \"G21 G90\"}",
        given: &[],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::Go,
        word: "go",
        role: DeviceRole::Rail,
        needed: true,
        like: "{set: \"G0 X{target}\"}",
        given: &["target", "speed"],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::WaitForRest,
        word: "wait-for-rest",
        role: DeviceRole::Rail,
        needed: false,
        like: "{set: \"M400\"}",
        given: &[],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::ReadPlace,
        word: "read-place",
        role: DeviceRole::Rail,
        needed: true,
        like: "{ask: \"M114\", answer: \"X:{at:number} {-}\"}",
        given: &[],
        must: &["at"],
        may: &["state", "status"],
    },
    VerbForm {
        verb: ProfileVerb::TouchSwitch,
        word: "touch-switch",
        role: DeviceRole::Rail,
        needed: false,
        like: "{ask: \"G38.2 X{target} F{speed}\", answer: \"[PRB:{at},{-}]\"}",
        given: &["target", "speed"],
        must: &["at"],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::ReadSwitch,
        word: "read-switch",
        role: DeviceRole::Rail,
        needed: false,
        like: "{ask: \"M119\", answer: \"x_min: {switch}\"}",
        given: &[],
        must: &["switch"],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::Stop,
        word: "stop",
        role: DeviceRole::Rail,
        needed: true,
        like: "{tell: \"M410\"}",
        given: &[],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::ReadPower,
        word: "read-power",
        role: DeviceRole::Meter,
        needed: false,
        like: "{ask: \"READ?\", answer: \"{power}\"}",
        given: &[],
        must: &["power"],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::ReadTemperature,
        word: "read-temperature",
        role: DeviceRole::Meter,
        needed: false,
        like: "{ask: \"TEMP?\", answer: \"{temperature}\"}",
        given: &[],
        must: &["temperature"],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::ReadWavelengths,
        word: "read-wavelengths",
        role: DeviceRole::Meter,
        needed: false,
        like: "{numbers: \"WAV?\", as: f32, order: high-first}",
        given: &[],
        must: &["numbers"],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::ReadSpectrum,
        word: "read-spectrum",
        role: DeviceRole::Meter,
        needed: false,
        like: "{numbers: \"SPEC?\", as: f32, order: high-first, within: integration + 2 s}",
        given: &[],
        must: &["numbers"],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::ReadFill,
        word: "read-fill",
        role: DeviceRole::Meter,
        needed: false,
        like: "{ask: \"FILL?\", answer: \"{fill}\"}",
        given: &[],
        must: &["fill"],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::PrepareWaveform,
        word: "prepare-waveform",
        role: DeviceRole::Meter,
        needed: false,
        like: "[{set: \"STEP {step}\"}, {set: \"COUNT {count}\"}]",
        given: &["step", "count"],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::ReadWaveform,
        word: "read-waveform",
        role: DeviceRole::Meter,
        needed: false,
        like: "{numbers: \"WAVE?\", as: f32, order: high-first, within: integration + 2 s}",
        given: &["step", "count"],
        must: &["numbers"],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::ReadTop,
        word: "read-top",
        role: DeviceRole::Meter,
        needed: false,
        like: "{ask: \"RANG?\", answer: \"{top}\"}",
        given: &[],
        must: &["top"],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::ReadFilter,
        word: "read-filter",
        role: DeviceRole::Meter,
        needed: false,
        like: "{ask: \"FILT?\", answer: \"{filter}\"}",
        given: &[],
        must: &["filter"],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::SwitchOn,
        word: "switch-on",
        role: DeviceRole::Outlets,
        needed: true,
        like: "{tell: \"ON {outlet}\"}",
        given: &["outlet"],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::SwitchOff,
        word: "switch-off",
        role: DeviceRole::Outlets,
        needed: true,
        like: "{tell: \"OFF {outlet}\"}",
        given: &["outlet"],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::ReadOutlet,
        word: "read-outlet",
        role: DeviceRole::Outlets,
        needed: true,
        like: "{ask: \"ON? {outlet}\", answer: \"{on}\"}",
        given: &["outlet"],
        must: &["on"],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::SwitchAllOff,
        word: "switch-all-off",
        role: DeviceRole::Outlets,
        needed: true,
        like: "{tell: \"ALL OFF\"}",
        given: &[],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::Feed,
        word: "feed",
        role: DeviceRole::Outlets,
        needed: false,
        like: "{tell: \"FEED\"}",
        given: &[],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::SetLevel,
        word: "set-level",
        role: DeviceRole::Level,
        needed: true,
        like: "{set: \"LEV {mode},{level}\"}",
        given: &["mode", "level"],
        must: &[],
        may: &[],
    },
    VerbForm {
        verb: ProfileVerb::ReadLevel,
        word: "read-level",
        role: DeviceRole::Level,
        needed: false,
        like: "{ask: \"LEV?\", answer: \"{mode},{level}\"}",
        given: &[],
        must: &["level"],
        may: &["mode"],
    },
    VerbForm {
        verb: ProfileVerb::SwitchLampOff,
        word: "switch-off",
        role: DeviceRole::Level,
        needed: true,
        like: "{set: \"LEV:OFF\"}",
        given: &[],
        must: &[],
        may: &[],
    },
];

impl ProfileVerb {
    /// As it is written.
    pub fn word(self) -> &'static str {
        VERBS
            .iter()
            .find(|form| form.verb == self)
            .map_or("", |form| form.word)
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

    /// Whether it can close its shutter and open it again.
    pub fn has_shutter(&self) -> bool {
        self.verbs.contains_key(&ProfileVerb::CloseShutter)
            && self.verbs.contains_key(&ProfileVerb::OpenShutter)
    }
}
