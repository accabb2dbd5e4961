//! Profiles as a user writes them: the shipped ones, every slip with its message,
//! and a meter that prints by itself over a wire.

use std::sync::Arc;

use photometry::measured::Outcome;
use photometry::units::{Lux, Mono, Span};

use super::perform::Given;
use super::read::profile;
use super::shipped::SHIPPED;
use super::testing::{slips_are_told, tern, told};
use super::types::{Profile, ProfileVerb, Step};
use crate::exchange::testing::converse;
use crate::link::wire::Machine;
use crate::roles::photometer::Photometer;
use crate::roles::profiled_meter::{PhotometerCard, ProfiledMeter};

/// Every shipped profile is read without a word, its samples included.
#[test]
fn every_shipped_profile_is_read_without_a_word() {
    // Those with a codec are read where codecs are run (`bench` of the daemon).
    for shipped in SHIPPED.iter().filter(|shipped| shipped.codec.is_none()) {
        let file = format!("{}.yaml", shipped.name);
        let (read, warnings) = profile(&file, shipped.text).unwrap_or_else(|no| panic!("{no}"));
        assert_eq!(read.name, shipped.name);
        let told = written::render(&warnings, &written::Sources::new(), false);
        assert!(warnings.is_empty(), "{told}");
        assert!(!read.samples.is_empty(), "{file}");
    }
}

/// IEEE 488.2, 10.14: four fields, a `0` stands for unknown; commas after the third
/// belong to the firmware.
#[test]
fn an_identity_has_four_fields_and_zero_means_unknown() {
    let profile = super::shipped::profile(super::shipped::DEFAULT_METER).expect("a profile");
    let [Step::Ask { answer, .. }] = profile.identity.as_slice() else {
        panic!("one question: {:?}", profile.identity);
    };
    let line = "Example Works,LM-3,0,1.4,beta\r\n";
    let found = answer.find(line).expect("four fields");
    let read = super::samples::identity(&found, Some(line));
    assert_eq!(read.maker, "Example Works");
    assert_eq!(read.serial, None);
    assert_eq!(read.firmware.as_deref(), Some("1.4,beta"));
    assert_eq!(read.raw, "Example Works,LM-3,0,1.4,beta");
    assert_eq!(answer.find("only,three,fields"), None);
}

/// What a profile says of how soon its device answers holds wherever a step says
/// nothing else.
#[test]
fn a_step_without_a_limit_has_the_devices_own() {
    let late = |keys: &str, step: &str| {
        let text = SHORT
            .replacen("unit: lx\n", &format!("unit: lx\n{keys}\n"), 1)
            .replacen(r#"{ask: "E?", answer: "{illuminance}"}"#, step, 1)
            .replacen(
                "\"12\", gives",
                "[12], gives",
                usize::from(keys.starts_with('r')),
            );
        let (profile, _) = profile("p.yaml", &text).unwrap_or_else(|no| panic!("{no}"));
        let steps = profile
            .steps(ProfileVerb::ReadIlluminance)
            .expect("it reads");
        let (Step::Ask { within, .. } | Step::Read { within, .. } | Step::Hear { within, .. }) =
            &steps[0]
        else {
            panic!("{steps:?}");
        };
        let given = Given {
            integration: Span::from_ms(300),
            ..Given::of(&profile, None)
        };
        within.of(given)
    };
    let ask = r#"{ask: "E?", answer: "{illuminance}"}"#;
    let asks_long = r#"{ask: "E?", answer: "{illuminance}", within: integration + 9 s}"#;
    let read = "{read: input, at: 0, as: u16, gives: illuminance}";
    let hear = r#"{hear: "{illuminance}"}"#;
    let lines = "lines: {answer-within: 700 ms}";
    let registers = "registers: {probe: {read: input, at: 0, count: 2}}";
    let slow = "registers: {answer-within: 4 s, probe: {read: input, at: 0, count: 2}}";
    for (keys, step, ms) in [
        ("lines: {end: lf}", ask, 2_000),
        (lines, ask, 700),
        (lines, asks_long, 9_300),
        (lines, hear, 1_000),
        (registers, read, 1_000),
        (slow, read, 4_000),
    ] {
        assert_eq!(late(keys, step), Span::from_ms(ms), "{keys} {step}");
    }
}

/// A profile as short as one can be.
const SHORT: &str = r#"profile: tern
format: 1
role: meter
about: a meter
unit: lx
read-illuminance: {ask: "E?", answer: "{illuminance}"}
samples: [{read-illuminance: "12", gives: 12 lx}]
"#;

/// One slip in the short profile: what is replaced, by what, and what is told.
#[test]
fn each_slip_has_its_own_message() {
    assert_eq!(told(SHORT), Vec::<String>::new());
    let cases: [(&str, &str, &str); 22] = [
        (
            "role: meter",
            "role: metre",
            "3:7 unknown-word `metre` is not known here (did you mean `meter`?)",
        ),
        (
            "format: 1",
            "format: 2",
            "2:9 not-allowed format 2 is not known (this program reads format 1)",
        ),
        (
            "unit: lx\n",
            "",
            "1:1 no-unit nothing says in which unit the meter answers (write `unit: lx`, or take `{unit}` from the answer)",
        ),
        (
            "unit: lx",
            "unit: cd",
            "5:7 unknown-unit `cd` is no unit of illuminance that is known (write `lx`, `klx`, `mlx` or `fc`)",
        ),
        (
            "read-illuminance: {ask",
            "read-iluminance: {ask",
            "6:1 unknown-key the profile has no key `read-iluminance` (did you mean `read-illuminance`?)",
        ),
        (
            "{illuminance}\"}",
            "{lux}\"}",
            "6:19 missing-field `read-illuminance` gives no `{illuminance}` (an answer must have `{illuminance}` where it stands)",
        ),
        (
            "{illuminance}\"}",
            "{illuminance} {mode}\"}",
            "6:19 unused-field nothing uses the field `{mode}` (`read-illuminance` takes `{illuminance}`, `{unit}`, `{flag}`; write `{-}` for what is not needed)",
        ),
        (
            "\"E?\"",
            "\"E{coil}?\"",
            "6:25 template nothing is called `{coil}` here (the text is sent as it stands)",
        ),
        (
            "answer: \"{illuminance}\"",
            "answer: \"{illuminance}{-}\"",
            "6:39 pattern nothing says where `{illuminance}` ends (put what stands between the fields, or say what it is: `{illuminance:number}`)",
        ),
        (
            "answer: \"{illuminance}\"",
            "match: \"(?<illuminance>\"",
            "6:38 pattern unclosed group",
        ),
        (
            "{ask: \"E?\"",
            "{asks: \"E?\"",
            "6:19 step the step says not what to do (a step has one of `tell`, `set`, `ask`, `block`, `numbers`, `until`, `hear`, `read`, `write`, `send`, `frame`, `run`, `pause`)",
        ),
        (
            "{ask: \"E?\"",
            "{tell: x, ask: \"E?\"",
            "6:19 step the step says more than one thing to do (a step has one of `tell`, `set`, `ask`, `block`, `numbers`, `until`, `hear`, `read`, `write`, `send`, `frame`, `run`, `pause`)",
        ),
        (
            "\"}\nsamples",
            "\", within: soon}\nsamples",
            "6:64 quantity `soon` is not a number with a unit",
        ),
        (
            "\"}\nsamples",
            "\", within: integration - 1 s}\nsamples",
            "6:64 within `integration - 1 s` is no time limit (write `2 s` or `integration + 2 s`)",
        ),
        (
            "\"}\nsamples",
            "\", within: 1 h}\nsamples",
            "6:64 not-allowed 1 h is not between 0 s and 1 min",
        ),
        (
            "gives: 12 lx",
            "gives: 13 lx",
            "7:11 sample the sample `12` is read as `12 lx`, not as `13 lx` (correct the answer's form above, or the sample)",
        ),
        (
            "gives: 12 lx",
            "gives: over",
            "7:11 sample the sample `12` is read as `12 lx`, not as `over` (correct the answer's form above, or the sample)",
        ),
        (
            "samples: [{read-illuminance: \"12\", gives: 12 lx}]\n",
            "",
            "6:19 no-sample `read-illuminance` has no sample (write an answer from the device's papers under `samples`, and what it means)",
        ),
        (
            "unit: lx\n",
            "unit: lx\nclose-shutter: {tell: SHUT}\n",
            "1:1 half-a-shutter a shutter that closes must also open, and one that opens, close",
        ),
        (
            "unit: lx\n",
            "unit: lx\nresync: {ask: \"*OPC?\"}\n",
            "6:15 no-token the question has no token (write `{token}` where the device takes a number that it gives back)",
        ),
        (
            "unit: lx\n",
            "unit: lx\nsettings: {integration: {set: \"A {value}\", value: 3}}\n",
            "6:25 setting-value the value of `integration` comes from the bench file (leave `value` out)",
        ),
        (
            "unit: lx\n",
            "unit: lx\nsettings: {gain: {set: \"G {value}\"}}\n",
            "6:18 setting-value the setting `gain` has no value (write `value: ...`; it is set at every opening)",
        ),
    ];
    slips_are_told(SHORT, &cases, told);
}

/// Lists of any length are refused before their patterns are compiled.
#[test]
fn too_many_are_refused_before_they_are_read() {
    let step = r#"{ask: "E?", answer: "{illuminance}"}"#;
    let many = |one: &str, count: usize| vec![one; count].join(", ");
    let steps = SHORT.replacen(step, &format!("[{}]", many(step, 21)), 1);
    assert_eq!(told(&steps), ["6:19 too-many more than 20 steps"]);
    let sample = r#"{read-illuminance: "12", gives: 12 lx}"#;
    let samples = SHORT.replacen(sample, &many(sample, 101), 1);
    assert_eq!(told(&samples)[1], "7:10 too-many more than 100 samples");
    let settings: String = (0..31)
        .map(|n| format!("  s{n}: {{set: \"S {{value}}\", value: 1}}\n"))
        .collect();
    let settings = format!("{SHORT}settings:\n{settings}");
    assert_eq!(told(&settings)[0], "8:1 too-many more than 30 settings");
}

/// What is compared each with each, or costs milliseconds: a mebibyte of names took
/// half a minute, and 1,220 forms of answers ten seconds.
#[test]
fn fields_and_patterns_are_few() {
    let step = r#"{ask: "E?", answer: "{illuminance}"}"#;
    let with = |other: &str| told(&SHORT.replacen(step, other, 1));
    let names = |count: usize| {
        let names: Vec<String> = (0..count).map(|n| format!("n{n}")).collect();
        names.join(", ")
    };
    let block = |count| {
        format!(
            "{{block: E, as: u16, order: low-first, gives: [{}]}}",
            names(count)
        )
    };
    assert_eq!(with(&block(51)), ["6:64 too-many more than 50 fields"]);
    assert!(!with(&block(50)).join(" ").contains("too-many"));
    let frame = |gives: &str| format!("{{frame: read, {gives}}}");
    let gives = frame(&format!("gives: [{}]", names(51)));
    assert_eq!(with(&gives), ["6:40 too-many more than 50 fields"]);
    let is = frame(&format!("is: {{{}: 1}}", names(51).replace(',', ": 1,")));
    assert!(
        with(&is).contains(&"6:37 too-many more than 50 fields".to_owned()),
        "{:?}",
        with(&is)
    );
    let run = format!(
        "{{run: [{}], answer: \"{{illuminance}}\", within: 1 s}}",
        names(51)
    );
    assert_eq!(with(&run), ["6:25 too-many more than 50 arguments"]);
    // Wherever they stand; no more is said of a text that was not read.
    let steps = vec![step; 20].join(", ");
    let settings = |count: usize| -> String {
        let one = |n| format!("  s{n}: {{set: [{steps}], value: 1}}\n");
        (0..count).map(one).collect()
    };
    let many = format!("{SHORT}settings:\n{}", settings(3));
    assert_eq!(told(&many), ["1:1 too-many more than 50 forms of answers"]);
    let fewer = format!("{SHORT}settings:\n{}", settings(2));
    assert!(!told(&fewer).join(" ").contains("too-many"));
}

#[test]
fn a_verb_of_another_role_is_not_known() {
    let text = SHORT
        .replace("role: meter", "role: fingers")
        .replace("unit: lx\n", "");
    let found = told(&text);
    assert!(
        found
            .iter()
            .any(|t| t.starts_with("5:1 unknown-key the profile has no key `read-illuminance` (")),
        "{found:#?}"
    );
    let missing = found.iter().filter(|t| t.contains(" missing-key ")).count();
    assert_eq!(missing, 4, "{found:#?}");
}

/// Prints a line every so often: the light of the moment at which it began to
/// integrate, which here is its number.
struct Printer {
    next: Mono,
    every: Span,
    number: u32,
    end: &'static str,
    words: &'static str,
}

impl Machine for Printer {
    fn bytes(&mut self, _: Mono, _: &[u8]) {}

    fn next_due(&self) -> Option<Mono> {
        Some(self.next)
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        self.next = now + self.every;
        self.number += 1;
        format!("{} {}{}", self.number, self.words, self.end).into_bytes()
    }
}

fn heard(profile: Arc<Profile>, integration: Span) -> ProfiledMeter {
    let card = PhotometerCard {
        plausible: (Lux(-1.0), Lux(1e6)),
        ..tern(integration)
    };
    ProfiledMeter::new(card, profile, None)
}

/// Driver acceptance: a free-running line. Whatever lies in the queue is old, the
/// line under way is half, and a line that was integrated before the question is
/// another moment's.
#[test]
fn a_heard_reading_began_after_it_was_wanted() {
    let ends = [("crlf", "\r\n"), ("lf", "\n"), ("cr", "\r")];
    for (word, end) in ends {
        let text = SHORT
            .replace("unit: lx\n", &format!("lines: {{end: {word}}}\n"))
            .replace(
                "{ask: \"E?\", answer: \"{illuminance}\"}",
                "{hear: \"{illuminance} {unit}\"}",
            )
            .replace("\"12\"", "\"12 lx\"");
        let (profile, _) = profile("p.yaml", &text).unwrap_or_else(|no| panic!("{no}"));
        let printer = Printer {
            next: Mono::ZERO,
            every: Span::from_ms(300),
            number: 0,
            end,
            words: "lx",
        };
        converse(printer, |talk| {
            let mut meter = heard(Arc::new(profile.clone()), Span::from_ms(300));
            meter.open(talk).expect("it opens");
            for idle_ms in [0, 7_100, 450, 60_000] {
                let until = talk.now().mono + Span::from_ms(idle_ms);
                talk.pause(until).expect("a pause");
                let asked = talk.now().mono;
                let reading = meter.read_illuminance(talk).expect("a reading");
                let number = reading.outcome.value().expect("a value");
                // Line n leaves at (n - 1) * 300 ms and was integrated before.
                let left = Span::from_ms(300).times(number as i64 - 1);
                let began = (Mono::ZERO + left).since(asked) - Span::from_ms(300);
                assert!(began >= Span::ZERO, "{word} {idle_ms}: {began}");
                assert!(began <= Span::from_ms(600), "{word} {idle_ms}: {began}");
                assert_eq!(reading.flags, Vec::<String>::new());
                assert_eq!(reading.raw, format!("{number} lx{end}").as_bytes());
            }
        });
    }
}

#[test]
fn what_a_heard_meter_prints_is_judged_by_its_words() {
    let cases = [
        ("klx LIVE", "value 2000"),
        ("lx HOLD", "rejected: `HOLD` says that it is not live"),
        ("lumen LIVE", "rejected: `lumen` is no unit of illuminance"),
        ("lx", "rejected: `2 lx` is no answer that its profile knows"),
    ];
    for (words, wanted) in cases {
        let printer = Printer {
            next: Mono::ZERO,
            every: Span::from_ms(300),
            number: 0,
            end: "\r\n",
            words,
        };
        let told = converse(printer, |talk| {
            let profile = super::shipped::profile("heard-luxmeter").expect("a profile");
            let mut meter = heard(profile, Span::from_ms(100));
            meter.open(talk).expect("it opens");
            match meter.read_illuminance(talk).expect("a reading").outcome {
                Outcome::Value(lux) => format!("value {lux}"),
                Outcome::Rejected(why) => format!("rejected: {why}"),
                other => format!("{other:?}"),
            }
        });
        assert_eq!(told, wanted, "{words}");
    }
}

/// A line that is no reading costs no more than itself, and nothing is said to have
/// been set up that cannot be.
#[test]
fn after_a_line_of_rubbish_the_next_reading_comes_at_once() {
    let printer = Printer {
        next: Mono::ZERO,
        every: Span::from_ms(300),
        number: 0,
        end: "\r\n",
        words: "lx",
    };
    converse(printer, |talk| {
        let profile = super::shipped::profile("heard-luxmeter").expect("a profile");
        let mut meter = heard(profile, Span::from_ms(100));
        meter.open(talk).expect("it opens");
        for _ in 0..3 {
            let before = talk.now().mono;
            let reading = meter.read_illuminance(talk).expect("a reading");
            assert!(
                matches!(reading.outcome, Outcome::Rejected(_)),
                "{reading:?}"
            );
            assert_eq!(reading.flags, Vec::<String>::new());
            assert!(talk.now().mono.since(before) <= Span::from_ms(900));
        }
    });
}

/// A meter that is silent is a reading that timed out, as of any meter.
#[test]
fn a_heard_meter_that_is_silent_times_out() {
    let printer = Printer {
        next: Mono::ZERO + Span::from_mins(60),
        every: Span::from_secs(1),
        number: 0,
        end: "\n",
        words: "lx LIVE",
    };
    converse(printer, |talk| {
        let profile = super::shipped::profile("heard-luxmeter").expect("a profile");
        let mut meter = heard(profile, Span::from_ms(100));
        meter.open(talk).expect("it opens");
        let before = talk.now().mono;
        let reading = meter.read_illuminance(talk).expect("a reading");
        assert_eq!(reading.outcome, Outcome::TimedOut);
        assert_eq!(talk.now().mono.since(before), Span::from_ms(2_100));
    });
}
