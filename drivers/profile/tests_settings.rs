//! Values of settings: which a device can be told, and which it cannot.

use super::perform::Given;
use super::read::{profile, profile_with};
use super::testing::{slips_are_told, told};
use super::tests_frames::Book;
use super::types::Profile;

const LINES: &str = r#"profile: tern
format: 1
role: meter
about: a meter
unit: lx
settings:
  integration: {set: "T {value}", in: s, between: [0.01, 10]}
  gain: {set: "GAIN {value}", value: 2, between: [1, 4]}
  mode: {set: "MODE {value}", in: word, value: FAST}
read-illuminance: {ask: "E?", answer: "{illuminance}"}
samples: [{read-illuminance: "12", gives: 12 lx}]
"#;

fn takes(profile: &Profile, name: &str, value: &str) -> String {
    let setting = profile.settings.iter().find(|known| known.name == name);
    let setting = setting.expect("a setting");
    match setting.takes(value, Given::of(profile, None)) {
        Ok(()) => "taken".to_owned(),
        Err(error) => error.to_string(),
    }
}

#[test]
fn a_value_is_a_number_within_what_the_device_takes() {
    let (profile, _) = profile("p.yaml", LINES).unwrap_or_else(|no| panic!("{no}"));
    let long = "x".repeat(101);
    for (name, value, wanted) in [
        ("gain", "4", "taken"),
        ("gain", "1", "taken"),
        ("gain", "2.5e0", "taken"),
        ("gain", "4.001", "`gain` takes 1 to 4, not 4.001"),
        ("gain", "-2", "`gain` takes 1 to 4, not -2"),
        ("gain", "high", "`gain` takes a number, not `high`"),
        ("gain", "inf", "`gain` takes a number, not `inf`"),
        ("gain", "NaN", "`gain` takes a number, not `NaN`"),
        ("gain", "2 lx", "`gain` takes a number, not `2 lx`"),
        ("mode", "SLOW", "taken"),
        ("mode", "REAL,32", "taken"),
        (
            "mode",
            "SLOW\nGAIN 4",
            "`mode` cannot be told `SLOW\u{fffd}GAIN 4`: it has more than one line, or signs of no letter",
        ),
        ("mode", &long[1..], "taken"),
    ] {
        assert_eq!(takes(&profile, name, value), wanted, "{name} {value}");
    }
    let told = takes(&profile, "mode", &long);
    assert!(told.ends_with("it has more than 100 characters"), "{told}");
}

/// What the steps that set it cannot send is told before anything is.
#[test]
fn a_value_is_one_that_can_be_sent() {
    let registers = LINES
        .replacen(
            "unit: lx\n",
            "unit: lx\nregisters: {probe: {read: input, at: 0, count: 2}}\n",
            1,
        )
        .replacen(
            "\"T {value}\"",
            "{write: holding, at: 1, as: u16, value: \"{value}\"}",
            1,
        )
        .replacen(
            "\"GAIN {value}\"",
            "{write: holding, at: 2, as: u16, value: \"{value}\"}",
            1,
        )
        .replacen("between: [1, 4]", "between: [1, 4e9]", 1)
        .replacen(
            "  mode: {set: \"MODE {value}\", in: word, value: FAST}\n",
            "",
            1,
        )
        .replacen(
            r#"{ask: "E?", answer: "{illuminance}"}"#,
            "{read: input, at: 0, as: u16, gives: illuminance}",
            1,
        )
        .replacen("\"12\"", "[12]", 1);
    let (read, _) = profile("p.yaml", &registers).unwrap_or_else(|no| panic!("{no}"));
    assert_eq!(takes(&read, "gain", "65535"), "taken");
    let wanted = "`gain` cannot be told `65536`: 65536 does not fit into U16";
    assert_eq!(takes(&read, "gain", "65536"), wanted);
    // The codec of the tests has no bytes for this word.
    for (step, wanted) in [
        ("{send: gain}", "taken"),
        (
            "{send: refused}",
            "`gain` cannot be told `3`: no bytes are known for it",
        ),
        (
            "{frame: refused}",
            "`gain` cannot be told `3`: no bytes are known for it",
        ),
    ] {
        let frames = LINES
            .replacen("unit: lx\n", "unit: lx\ncodec: digits.rhai\n", 1)
            .replacen("\"T {value}\"", "{send: time}", 1)
            .replacen("\"GAIN {value}\"", step, 1)
            .replacen("\"MODE {value}\"", "{send: mode}", 1)
            .replacen(
                r#"{ask: "E?", answer: "{illuminance}"}"#,
                "{frame: read, gives: illuminance}",
                1,
            )
            .replacen("\"12\"", "{bytes: \"02 31 32\"}", 1);
        let (read, _) = profile_with("p.yaml", &frames, &Book).unwrap_or_else(|no| panic!("{no}"));
        assert_eq!(takes(&read, "gain", "3"), wanted, "{step}");
    }
}

/// Those that the bench file has keys of its own for have no value here to replace.
#[test]
fn another_value_stands_in_the_place_of_the_profiles_own() {
    let (mut read, _) = profile("p.yaml", LINES).unwrap_or_else(|no| panic!("{no}"));
    let settable: Vec<&str> = read.settable().map(|known| known.name.as_str()).collect();
    assert_eq!(settable, ["gain", "mode"]);
    assert!(read.give("gain", "4"));
    let before = read.clone();
    assert!(!read.give("integration", "4"));
    assert!(!read.give("gian", "4"));
    assert_eq!(read, before);
    let values = read.settings.iter().map(|known| known.value.as_deref());
    let values: Vec<Option<&str>> = values.collect();
    assert_eq!(values, [None, Some("4"), Some("FAST")]);
}

#[test]
fn each_slip_of_a_profiles_own_value_is_told() {
    assert_eq!(told(LINES), Vec::<String>::new());
    let cases = [
        (
            "value: 2, ",
            "value: 5, ",
            "8:38 setting-value `gain` takes 1 to 4, not 5",
        ),
        (
            "value: 2, ",
            "value: two, ",
            "8:38 wrong-kind `two` must be a number (or say `in: word`)",
        ),
        (
            "between: [1, 4]",
            "between: [1, 2, 3]",
            "8:50 wrong-kind must be a list of two numbers, `[least, largest]`, this is a list",
        ),
    ];
    slips_are_told(LINES, &cases, told);
}
