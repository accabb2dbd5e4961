//! Profiles of meters of many numbers, and of more than light: every slip of one, what
//! its samples are read as, and that no bytes are too much for it.

use std::sync::OnceLock;

use proptest::prelude::*;

use super::read::profile;
use super::samples;
use super::shipped::SHIPPED;
use super::testing::{slips_are_told, told};
use super::types::{Profile, ProfileVerb, Sample, SampleAnswer, Speech};

/// A profile as short as one of spectra can be; 380, 390, 400 nm and 0.1, 0.2, -0.05 as
/// IEEE 754 writes them (computed).
const SHORT: &str = r#"profile: knot
format: 1
role: meter
about: a spectroradiometer
resync: {ask: "*ESE {token};*ESE?"}
read-wavelengths: {numbers: "WAV?", as: f32, order: high-first}
read-spectrum: {numbers: "SPEC?", as: f32, order: high-first, within: integration + 2 s}
read-fill: {ask: "FILL?", answer: "{fill}"}
samples:
  - {read-wavelengths: {bytes: "23 32 31 32 43 BE 00 00 43 C3 00 00 43 C8 00 00"}, gives: "3 numbers, 380 to 400"}
  - {read-spectrum: {bytes: "23 32 31 32 3D CC CC CD 3E 4C CC CD BD 4C CC CD 0A"}, gives: "3 numbers, -0.05 to 0.2"}
  - {read-fill: "7.1E-01", gives: "0.71"}
"#;

const WAVES: &str = r#"profile: ruff
format: 1
role: meter
about: a waveform photometer
prepare-waveform:
  - set: "STEP {step}"
  - set: "COUNT {count}"
read-waveform: {numbers: "WAVE? {count}", as: i16, order: low-first, times: 0.001}
samples:
  - {read-waveform: {bytes: "23 31 34 F4 01 18 FC 0A"}, gives: "2 numbers, -1 to 0.5"}
"#;

const POWER: &str = r#"profile: plover
format: 1
role: meter
about: a power meter
marks: {over: [OL]}
read-power: {ask: "P?", answer: "{power}"}
read-temperature: {ask: "T?", answer: "{temperature} C"}
samples:
  - {read-power: "4.2E-01", gives: "0.42"}
  - {read-power: "OL", gives: over}
  - {read-power: "-9.9E37", gives: under}
  - {read-power: "9.91E37", gives: invalid}
  - {read-power: "4.2 W", gives: refused}
  - {read-temperature: "21.5 C", gives: "21.5"}
"#;

const OUTLETS: &str = r#"profile: stint
format: 1
role: outlets
about: mains relays
settings:
  watchdog: {set: "DOG {value}", ask: "DOG?", in: s, value: 10}
switch-on: {tell: "ON {outlet}"}
switch-off: {tell: "OFF {outlet}"}
read-outlet: {ask: "ON? {outlet}", answer: "{on}"}
switch-all-off: {tell: "ALL OFF"}
feed: {tell: FEED}
samples:
  - {read-outlet: "1", gives: "on"}
  - {read-outlet: "OFF", gives: "off"}
  - {read-outlet: "2", gives: refused}
"#;

#[test]
fn each_of_them_is_good_as_it_is() {
    for text in [SHORT, WAVES, POWER, OUTLETS] {
        assert_eq!(told(text), Vec::<String>::new(), "{text}");
    }
}

#[test]
fn each_slip_of_spectra_has_its_own_message() {
    let cases: [(&str, &str, &str); 15] = [
        (
            "{numbers: \"SPEC?\", as: f32, ",
            "{numbers: \"SPEC?\", ",
            "7:16 missing-key the step lacks the key `as` (add a line like `as: f32`)",
        ),
        (
            "{numbers: \"SPEC?\", as: f32",
            "{numbers: \"SPEC?\", as: u32",
            "7:39 unknown-word `u32` is not known here (did you mean `f32`?)",
        ),
        (
            "{numbers: \"SPEC?\", as: f32, order: high-first",
            "{numbers: \"SPEC?\", as: f32",
            "7:16 missing-key the step lacks the key `order` (add a line like `order: high-first`)",
        ),
        (
            "order: high-first, within",
            "order: high-first, times: 0, within",
            "7:16 times `times` must be a number, and not zero",
        ),
        (
            "order: high-first, within",
            "order: high-first, gives: light, within",
            "7:63 unknown-key the step has no key `gives` (it could have `times`)",
        ),
        (
            "{numbers: \"SPEC?\", as: f32, order: high-first, within: integration + 2 s}",
            "{ask: \"SPEC?\", answer: \"{numbers}\"}",
            "7:16 missing-field `read-spectrum` gives no numbers (write `{numbers: \"SPEC?\", as: f32, order: high-first, within: integration + 2 s}`)",
        ),
        (
            "{numbers: \"SPEC?\", as: f32, order: high-first, within: integration + 2 s}",
            "{tell: \"SPEC?\"}",
            "7:16 missing-field `read-spectrum` gives no numbers (write `{numbers: \"SPEC?\", as: f32, order: high-first, within: integration + 2 s}`)",
        ),
        (
            "{ask: \"FILL?\", answer: \"{fill}\"}",
            "{numbers: \"FILL?\", as: f32, order: high-first}",
            "8:12 missing-field `read-fill` gives no `{fill}` (an answer must have `{fill}` where it stands)",
        ),
        (
            "read-wavelengths: {numbers: \"WAV?\", as: f32, order: high-first}\n",
            "",
            "6:16 missing-key `read-spectrum` needs `read-wavelengths` beside it",
        ),
        (
            "read-spectrum: {",
            "read-spektrum: {",
            "7:1 unknown-key the profile has no key `read-spektrum` (did you mean `read-spectrum`?)",
        ),
        (
            "-0.05 to 0.2\"",
            "-0.05 to 0.21\"",
            "11:5 sample the sample `23 32 31 32 3D CC CC CD 3E 4C CC CD BD 4...` is read as `3 numbers, -0.05000000074505806 to 0.20000000298023224`, not as `3 numbers, -0.05 to 0.21` (correct the answer's form above, or the sample)",
        ),
        (
            "3 numbers, -0.05",
            "4 numbers, -0.05",
            "11:5 sample the sample `23 32 31 32 3D CC CC CD 3E 4C CC CD BD 4...` is read as `3 numbers, -0.05000000074505806 to 0.20000000298023224`, not as `4 numbers, -0.05 to 0.2` (correct the answer's form above, or the sample)",
        ),
        (
            "23 32 31 32 3D CC CC CD",
            "23 32 31 32 7F C0 00 00",
            "11:5 sample the sample `23 32 31 32 7F C0 00 00 3E 4C CC CD BD 4...` is read as `refused`, not as `3 numbers, -0.05 to 0.2` (number 1 of 3 is none; correct the answer's form above, or the sample)",
        ),
        (
            "23 32 31 32 3D CC CC CD",
            "23 32 31 31 CC CC CD",
            "11:5 sample the sample `23 32 31 31 CC CC CD 3E 4C CC CD BD 4C C...` is read as `refused`, not as `3 numbers, -0.05 to 0.2` (the block has 11 bytes, and a number has 4; correct the answer's form above, or the sample)",
        ),
        (
            "BD 4C CC CD 0A",
            "BD 4C CC CD 31 0A",
            "11:5 sample the sample `23 32 31 32 3D CC CC CD 3E 4C CC CD BD 4...` is read as `refused`, not as `3 numbers, -0.05 to 0.2` (the block is whole after 16 bytes; correct the answer's form above, or the sample)",
        ),
    ];
    slips_are_told(SHORT, &cases, told);
}

#[test]
fn each_slip_of_waveforms_power_and_outlets_has_its_own_message() {
    let waves: [(&str, &str, &str); 3] = [
        (
            "STEP {step}",
            "STEP {time}",
            "6:10 template nothing is called `{time}` here (write `{step}` or `{count}`)",
        ),
        (
            "prepare-waveform:\n  - set: \"STEP {step}\"\n  - set: \"COUNT {count}\"\n",
            "",
            "5:16 missing-key `read-waveform` needs `prepare-waveform` beside it",
        ),
        (
            "read-waveform: {numbers: \"WAVE? {count}\", as: i16, order: low-first, times: 0.001}",
            "decimal-comma: false",
            "1:1 missing-key the meter reads nothing (write one of `read-illuminance`, `read-power`, `read-temperature`, `read-spectrum`, `read-waveform`)",
        ),
    ];
    slips_are_told(WAVES, &waves, told);
    let power: [(&str, &str, &str); 2] = [
        (
            "{power}\"",
            "{power} {unit}\"",
            "6:13 unused-field nothing uses the field `{unit}` (`read-power` takes `{power}`; write `{-}` for what is not needed)",
        ),
        (
            "21.5 C\", gives: \"21.5\"",
            "21.5 C\", gives: \"22\"",
            "14:5 sample the sample `21.5 C` is read as `21.5`, not as `22` (correct the answer's form above, or the sample)",
        ),
    ];
    slips_are_told(POWER, &power, told);
    let outlets: [(&str, &str, &str); 6] = [
        (
            "feed: {tell: FEED}\n",
            "",
            "6:3 missing-key a watchdog that nobody feeds switches everything off (write `feed: ...`, or leave the setting out)",
        ),
        (
            "settings:\n  watchdog: {set: \"DOG {value}\", ask: \"DOG?\", in: s, value: 10}\n",
            "",
            "9:7 missing-key nothing says how often the board is to be fed (write a setting `watchdog`, in s)",
        ),
        (
            "in: s, value: 10",
            "in: s, value: 0.5",
            "6:3 setting-value a watchdog waits 1 to 3600 s, or 0 for never, not 0.5 s",
        ),
        (
            "in: s, value: 10",
            "in: ms, value: 500",
            "6:3 setting-value a watchdog waits 1 to 3600 s, or 0 for never, not 0.5 s",
        ),
        (
            "in: s, value: 10",
            "in: word, value: LONG",
            "6:3 setting-value a watchdog takes a time, `in: s` or `in: ms`",
        ),
        (
            "ON {outlet}",
            "ON {coil}",
            "7:19 template nothing is called `{coil}` here (write `{outlet}`)",
        ),
    ];
    slips_are_told(OUTLETS, &outlets, told);
}

/// A resync of a meter of many numbers counts as long a block as there may be: 16 MiB.
#[test]
fn the_manner_knows_that_blocks_may_be_long() {
    for (text, bytes) in [(SHORT, 16 << 20), (WAVES, 16 << 20), (POWER, 0)] {
        let (profile, _) = profile("p.yaml", text).unwrap_or_else(|no| panic!("{no}"));
        let Speech::Lines(manner) = &profile.speech else {
            panic!("by lines");
        };
        assert_eq!(manner.largest_block, bytes);
    }
}

fn all() -> &'static [Profile] {
    static ALL: OnceLock<Vec<Profile>> = OnceLock::new();
    let shipped = SHIPPED.iter().filter(|shipped| shipped.codec.is_none());
    let texts = shipped.map(|shipped| shipped.text).chain([WAVES, POWER]);
    let read = |text| {
        profile("p.yaml", text)
            .unwrap_or_else(|no| panic!("{no}"))
            .0
    };
    ALL.get_or_init(|| texts.map(read).collect())
}

proptest! {
    /// Whatever a device says to whatever it can be asked.
    #[test]
    fn no_answer_panics_a_sample(
        bytes in prop::collection::vec(any::<u8>(), 0..80),
        line in "[ -~]{0,30}",
        digits in 1..5_usize,
    ) {
        let length = bytes.len().to_string();
        let header = format!("#{digits}{length:0>digits$}");
        let block = [header.as_bytes(), &bytes, b"\n"].concat();
        for profile in all() {
            for verb in profile.verbs.keys() {
                for answer in [
                    SampleAnswer::Bytes(block.clone()),
                    SampleAnswer::Bytes(bytes.clone()),
                    SampleAnswer::Line(line.clone()),
                ] {
                    let sample = Sample { verb: Some(*verb), answer, gives: String::new() };
                    let told = samples::told(profile, &sample);
                    prop_assert!(!told.contains("NaN") || *verb == ProfileVerb::Heard);
                }
            }
        }
    }
}
