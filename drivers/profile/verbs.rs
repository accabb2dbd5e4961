//! What a device of each role can be asked to do: the words of a profile's verbs, what
//! each is given, and what its answers must and may give. Data only.
//!
//! Read by `read_steps`, obeyed by the roles. Not here: what the fields mean (`value`).

use super::types::DeviceRole;

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
    /// Whether the contact is closed: gives `closed`, 0 or 1.
    ReadContact,
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
    VerbForm {
        verb: ProfileVerb::ReadContact,
        word: "read-contact",
        role: DeviceRole::Contact,
        needed: true,
        like: "{ask: \"INP?\", answer: \"{closed}\"}",
        given: &[],
        must: &["closed"],
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
