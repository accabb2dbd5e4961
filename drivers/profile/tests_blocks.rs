//! A meter that answers blocks: every form and order, what is refused and how it is
//! told, and every slip of such a profile.

use std::sync::Arc;

use photometry::measured::Reading;
use photometry::units::Span;

use super::read::profile;
use super::testing::{shown, slips_are_told, tern, told};
use super::types::{Profile, Speech};
use crate::exchange::testing::{Pieces, Scripted, converse};
use crate::roles::photometer::Photometer;
use crate::roles::profiled_meter::ProfiledMeter;

/// A profile as short as one with a block can be.
const SHORT: &str = r#"profile: tern
format: 1
role: meter
about: a meter
resync: {ask: "*ESE {token};*ESE?"}
unit: lx
read-illuminance: {block: "E?", as: f32, order: high-first, gives: illuminance}
samples: [{read-illuminance: {bytes: "23 31 34 42 0A 00 00"}, gives: 34.5 lx}]
"#;

/// The step of [`SHORT`], and its sample.
const STEP: &str = r#"{block: "E?", as: f32, order: high-first, gives: illuminance}"#;
const SAMPLE: &str = r#"{read-illuminance: {bytes: "23 31 34 42 0A 00 00"}, gives: 34.5 lx}"#;

fn with(step: &str) -> Arc<Profile> {
    let text = SHORT
        .replacen(STEP, step, 1)
        .replacen(&format!("samples: [{SAMPLE}]"), "samples: []", 1)
        .replacen("unit: lx", "unit: lx\nmarks: {not-live: [HOLD]}", 1);
    let (profile, _) = profile("p.yaml", &text).unwrap_or_else(|no| panic!("{no}"));
    Arc::new(profile)
}

fn readings(profile: Arc<Profile>, script: &[Pieces]) -> Vec<Reading> {
    let card = tern(Span::from_ms(200));
    let count = script.len();
    converse(Scripted::new(script), |talk| {
        let mut meter = ProfiledMeter::new(card, profile, None);
        meter.open(talk).expect("it opens");
        (0..count)
            .map(|_| meter.read_illuminance(talk).expect("a reading"))
            .collect()
    })
}

/// Bytes of numbers: two's complement, and IEEE 754 (34.5 is 420A0000 and
/// 4041400000000000, 9.9E37 is 7E94F56A, 9.91E37 is 7E951BEE: computed).
#[test]
fn numbers_of_every_form_and_order() {
    let cases: [(&str, Pieces, &str); 18] = [
        (
            "as: i16, order: high-first",
            &[(1, b"#12\xFF\xFF\n")],
            "-1 lx []",
        ),
        (
            "as: i16, order: low-first",
            &[(1, b"#12\x0A\x0D\n")],
            "3338 lx []",
        ),
        (
            "as: u16, order: high-first",
            &[(1, b"#12\xFF\xFF\n")],
            "65535 lx []",
        ),
        (
            "as: u16, order: high-first, times: 0.01",
            &[(1, b"#12\x0D\x0A\n")],
            "33.38 lx []",
        ),
        (
            "as: u16, order: high-first, over-at: 65535",
            &[(1, b"#12\xFF\xFF\n")],
            "Over(200000.0) []",
        ),
        (
            "as: i32, order: low-first",
            &[(1, b"#14\x0A\0\0\0\n")],
            "10 lx []",
        ),
        (
            "as: u32, order: high-first",
            &[(1, b"#14\0\x01\0\x0A\n")],
            "65546 lx []",
        ),
        (
            "as: f32, order: high-first",
            &[(1, b"#14\x42\x0A\0\0\n")],
            "34.5 lx []",
        ),
        (
            "as: f32, order: low-first",
            &[(1, b"#14\0\0\x0A\x42\n")],
            "34.5 lx []",
        ),
        (
            "as: f64, order: low-first",
            &[(1, b"#18\0\0\0\0\0\x40\x41\x40\n")],
            "34.5 lx []",
        ),
        (
            "as: f32, order: high-first",
            &[(1, b"#14\x7E\x94\xF5\x6A\n")],
            "Over(200000.0) []",
        ),
        (
            "as: f32, order: low-first",
            &[(1, b"#14\x6A\xF5\x94\xFE\n")],
            "Under(-1.0) []",
        ),
        (
            "as: f32, order: high-first, times: 0.001",
            &[(1, b"#14\x7E\x94\xF5\x6A\n")],
            "Over(200000.0) []",
        ),
        (
            "as: f32, order: high-first",
            &[(1, b"#14\x7E\x95\x1B\xEE\n")],
            "rejected: the meter has no number []",
        ),
        (
            "as: f32, order: high-first",
            &[(1, b"#14\xFF\x80\0\0\n")],
            "Under(-1.0) []",
        ),
        (
            "as: f32, order: low-first",
            &[(1, b"#14\x01\0\x80\x7F\n")],
            "rejected: the meter has no number []",
        ),
        // The other order: no number of a bench is so small.
        (
            "as: f32, order: low-first",
            &[(1, b"#14\x42\x0A\0\0\n")],
            "rejected: `3.6798097673169696e-42, as of bytes in another order,` is not a number []",
        ),
        (
            "as: f64, order: high-first",
            &[(1, b"#18\x7F\xF0\0\0\0\0\0\0\n")],
            "Over(200000.0) []",
        ),
    ];
    for (keys, script, wanted) in cases {
        let step = format!("{{block: \"E?\", {keys}, gives: illuminance}}");
        let [reading] = &readings(with(&step), &[script])[..] else {
            panic!("one reading");
        };
        assert_eq!(shown(reading), wanted, "{keys} {script:?}");
        // The bytes of the answer are in the record, as they came.
        assert_eq!(reading.raw, script[0].1);
    }
}

#[test]
fn numbers_that_are_not_needed_and_what_stands_behind() {
    let keys = r#"{block: "E?;F?", as: i16, order: high-first, gives: ["-", illuminance],
        count: 3, rest: ";{flag}"}"#;
    let cases: [(Pieces, &str); 5] = [
        (&[(1, b"#16\0\x01\0\x0A\0\x03;LIVE\r\n")], "10 lx []"),
        (
            &[(1, b"#16\0\x01\0\x0A\0\x03;HOLD\n")],
            "rejected: `HOLD` says that it is not live []",
        ),
        (
            &[(1, b"#16\0\x01\0\x0A\0\x03\n")],
            "rejected: `` stands behind the block, and something else should []",
        ),
        (
            &[(1, b"#14\0\x01\0\x0A;LIVE\n")],
            "rejected: the block has 4 bytes and should have 6 []",
        ),
        (
            &[(1, b"#18\0\x01\0\x0A\0\x03\0\x04;LIVE\n")],
            "rejected: the block has 8 bytes and should have 6 []",
        ),
    ];
    for (script, wanted) in cases {
        let got = readings(with(keys), &[script]);
        assert_eq!(shown(&got[0]), wanted, "{script:?}");
    }
}

/// Whatever is no such block has no value, says why, and spoils no other reading.
#[test]
fn what_is_no_such_block_is_a_named_error() {
    const GOOD: Pieces = &[(1, b"#14\x42\x0A\0\0\n")];
    let cases: [(Pieces, &str, &[u8]); 8] = [
        (
            &[(1, b"9.9E37\n")],
            "rejected: `9.9E37` is no block []",
            b"9.9E37\n",
        ),
        (
            &[(1, b"#0\x42\x0A\0\0\n")],
            "rejected: the block is of the indefinite form `#0`, whose end cannot be seen on this line []",
            b"#0",
        ),
        (
            &[(1, b"#H1F\n")],
            "rejected: the block says no length: `H` stands where a digit must []",
            b"#H",
        ),
        (
            &[(1, b"#18\x42\x0A\0\0\x42\x0A\0\0\n")],
            "rejected: the block has 8 bytes and should have 4 []",
            b"#18",
        ),
        (
            &[(1, b"#9999999999"), (2, &[0x0A; 400])],
            "rejected: the block has 999999999 bytes and should have 4 []",
            b"#9999999999",
        ),
        (
            &[(1, b"#14\x42\x0A\0\0;12\n")],
            "rejected: `;12` follows the block, and nothing should []",
            b"#14\x42\x0A\0\0;12\n",
        ),
        (&[(1, b"#14\x42\x0A\0")], "TimedOut []", b""),
        (
            &[(1_999, b"#14\x42"), (2_001, b"\x0A\0\0\n")],
            "TimedOut []",
            b"",
        ),
    ];
    for (script, wanted, raw) in cases {
        let got = readings(with(STEP), &[script, GOOD, GOOD]);
        assert_eq!(shown(&got[0]), wanted, "{script:?}");
        assert_eq!(got[0].raw, raw, "{script:?}");
        let after = r#"34.5 lx ["answered after a resync"]"#;
        assert_eq!(shown(&got[1]), after, "{script:?}");
        assert_eq!(shown(&got[2]), "34.5 lx []", "{script:?}");
    }
}

/// A block that comes sooner than the meter integrates belongs to another question.
#[test]
fn a_block_sooner_than_its_integration_is_not_believed() {
    let step = STEP.replace("gives", "within: integration + 2 s, gives");
    let script: [Pieces; 2] = [
        &[(100, b"#14\x42\x0A\0\0\n")],
        &[(201, b"#14\x42\x0A\0\0\n")],
    ];
    let got = readings(with(&step), &script);
    let sooner = "rejected: it answered in 100 ms, sooner than it integrates (200 ms) []";
    assert_eq!(shown(&got[0]), sooner);
    assert_eq!(shown(&got[1]), r#"34.5 lx ["answered after a resync"]"#);
}

/// A resync must know how long a late block may be.
#[test]
fn the_manner_knows_the_largest_block() {
    for (step, bytes) in [
        (STEP, 4),
        (
            r#"{block: "E?", as: f64, order: high-first, gives: illuminance, count: 8192}"#,
            65_536,
        ),
        (r#"{ask: "E?", answer: "{illuminance}"}"#, 0),
    ] {
        let profile = with(step);
        let Speech::Lines(manner) = &profile.speech else {
            panic!("by lines");
        };
        assert_eq!(manner.largest_block, bytes, "{step}");
    }
}

/// One slip in the short profile: what is replaced, by what, and what is told.
#[test]
fn each_slip_of_a_block_has_its_own_message() {
    assert_eq!(told(SHORT), Vec::<String>::new());
    let cases: [(&str, &str, &str); 20] = [
        (
            "as: f32, ",
            "",
            "7:19 missing-key the step lacks the key `as` (add a line like `as: f32`)",
        ),
        (
            "as: f32",
            "as: f23",
            "7:37 unknown-word `f23` is not known here (did you mean `f32`?)",
        ),
        (
            "order: high-first, ",
            "",
            "7:19 missing-key the step lacks the key `order` (add a line like `order: high-first`)",
        ),
        (
            "high-first",
            "hi-first",
            "7:49 unknown-word `hi-first` is not known here (did you mean `high-first`?)",
        ),
        (
            ", gives: illuminance}",
            "}",
            "7:19 missing-key the step lacks the key `gives` (add a line like `gives: illuminance`)",
        ),
        (
            "gives: illuminance}",
            "gives: lux}",
            "7:19 missing-field `read-illuminance` gives no `{illuminance}` (an answer must have `{illuminance}` where it stands)",
        ),
        (
            "gives: illuminance}",
            "gives: [illuminance, x]}",
            "7:19 unused-field nothing uses the field `{x}` (`read-illuminance` takes `{illuminance}`, `{unit}`, `{flag}`; write `{-}` for what is not needed)",
        ),
        (
            "gives: illuminance}",
            "gives: [illuminance, illuminance]}",
            "7:68 twice the field `illuminance` stands twice",
        ),
        (
            "gives: illuminance}",
            "gives: [\"-\", illuminance], count: 1}",
            "7:19 count 2 numbers are named, and `count` is 1",
        ),
        (
            "gives: illuminance}",
            "gives: illuminance, count: 0}",
            "7:88 out-of-range `0` is out of range (it must lie between 1 and 65536)",
        ),
        (
            "gives: illuminance}",
            "gives: illuminance, count: 16385}",
            "7:19 too-long the block has 65540 bytes, and at most 65536 may be read (each reading keeps its bytes in the record)",
        ),
        (
            "gives: illuminance}",
            "gives: illuminance, rest: \";{flag\"}",
            "7:87 pattern a brace stands alone; write `{{` or `}}` for the character itself",
        ),
        (
            "gives: illuminance}",
            "gives: illuminance, rest: \";{mode}\"}",
            "7:19 unused-field nothing uses the field `{mode}` (`read-illuminance` takes `{illuminance}`, `{unit}`, `{flag}`; write `{-}` for what is not needed)",
        ),
        (
            "gives: illuminance}",
            "gives: illuminance, answer: x}",
            "7:81 unknown-key the step has no key `answer` (it could have `count`, `times`, `over-at`, `rest`, `within`)",
        ),
        (
            "\"E?\"",
            "\"E{coil}?\"",
            "7:27 template nothing is called `{coil}` here (the text is sent as it stands)",
        ),
        (
            "resync: {ask: \"*ESE {token};*ESE?\"}",
            "registers: {probe: {read: input, at: 0, count: 2}}",
            "1:1 other-step the device is spoken to by registers, and `block` is no step of such a device (write `registers: ...` for `read` and `write`, `codec: ...` for `send` and `frame`; a program has `run` alone)",
        ),
        (
            "0A 00 00\"",
            "0A 00 0\"",
            "8:38 no-bytes `23 31 34 42 0A 00 0` is not bytes in hexadecimal (write two digits a byte, \"23 31 34 0A\")",
        ),
        (
            "{bytes:",
            "{byte:",
            "8:31 unknown-key the answer has no key `byte` (did you mean `bytes`?)",
        ),
        (
            "34.5 lx",
            "34 lx",
            "8:11 sample the sample `23 31 34 42 0A 00 00` is read as `34.5 lx`, not as `34 lx` (correct the answer's form above, or the sample)",
        ),
        (
            "0A 00 00\"",
            "0A 00 00 0A 0A\"",
            "8:11 sample the sample `23 31 34 42 0A 00 00 0A 0A` is read as `refused`, not as `34.5 lx` (the answer is whole after 8 bytes; correct the answer's form above, or the sample)",
        ),
    ];
    slips_are_told(SHORT, &cases, told);
}
