//! Every slip of a rail's profile, at its line.

use super::shipped;
use super::testing::told;

/// The lines of a rail, the fewest that do.
const SHORT: &str = r#"profile: dunlin
format: 1
role: rail
about: a rail
acks: {good: ok, bad: "error:{code}"}
find-home: {set: HOME}
go: {set: "X{target}"}
wait-for-rest: {set: WAIT}
read-place: {ask: WHERE, answer: "X:{at}"}
read-switch: {ask: SWITCH, answer: "{switch}"}
switch: {closed: "1", open: "0"}
stop: {tell: STOP}
samples: [{read-place: "X:5", gives: 5 mm}, {read-switch: "1", gives: closed}]
"#;

#[test]
fn a_short_profile_of_a_rail_is_read_without_a_word() {
    assert_eq!(told(SHORT), [""; 0]);
}

#[test]
fn every_slip_of_a_rail_is_told_at_its_line() {
    let cases: &[(&str, &str, &[&str])] = &[
        (
            "good: ok",
            "goood: ok",
            &["5:8 unknown-key `acks` has no key `goood`"],
        ),
        (
            "acks: {good: ok, bad: \"error:{code}\"}\n",
            "",
            &["1:1 no-acks nothing says how a line is acknowledged"],
        ),
        (
            "{code}",
            "{number}",
            &["5:23 unused-field nothing uses the field `{number}`"],
        ),
        (
            "error:{code}\"",
            "error:{code}\", bytes: \"?a\"",
            &["5:46 bytes `?a` has more than signs"],
        ),
        (
            "error:{code}\"",
            "error:{code}\", reset: 256",
            &["5:46 out-of-range"],
        ),
        (
            "stop: {tell: STOP}",
            "stop: {set: STOP}",
            &["5:7 no-order nothing brings the link to order after an answer that did not come"],
        ),
        (
            "go: {set: \"X{target}\"}",
            "go: {set: \"X{place}\"}",
            &["7:11 template nothing is called `{place}` here"],
        ),
        (
            "find-home: {set: HOME}\n",
            "",
            &["1:1 missing-key the profile lacks the key `find-home`"],
        ),
        (
            "X:{at}",
            "X:{place}",
            &[
                "9:13 missing-field `read-place` gives no `{at}`",
                "9:13 unused-field nothing uses the field `{place}`",
                "13:11 sample the sample `X:5` is read as `refused`, not as `5 mm`",
            ],
        ),
        (
            "X:{at}",
            "{state} X:{at}",
            &[
                "9:13 missing-field `read-place` gives `{state}`, and there is no `states`",
                "13:11 sample the sample `X:5` is read as `refused`, not as `5 mm`",
            ],
        ),
        (
            "switch: {closed: \"1\", open: \"0\"}\n",
            "",
            &[
                "1:1 half-a-switch `read-switch` and `switch`, what its words mean, belong together",
                "12:45 sample",
            ],
        ),
        (
            "wait-for-rest: {set: WAIT}\n",
            "",
            &["1:1 no-rest whether the carriage has arrived is seen by its place alone"],
        ),
        (
            "gives: 5 mm",
            "gives: 6 mm",
            &["13:11 sample the sample `X:5` is read as `5 mm`, not as `6 mm`"],
        ),
        ("role: rail", "role: rail\nsteps: 0", &["4:8 out-of-range"]),
        ("role: rail", "role: rial", &["3:7"]),
        (
            "role: rail",
            "role: meter",
            &["5:1 unknown-key the profile has no key `acks`"],
        ),
    ];
    let mut missed = Vec::new();
    for (from, to, wanted) in cases {
        assert!(SHORT.contains(from), "{from}");
        let told = told(&SHORT.replacen(from, to, 1));
        for wanted in *wanted {
            if !told.iter().any(|told| told.starts_with(wanted)) {
                missed.push(format!("{to}: {wanted}\n  {}", told.join("\n  ")));
            }
        }
    }
    assert!(missed.is_empty(), "{}", missed.join("\n"));
}

#[test]
fn a_rail_by_registers_must_say_when_it_has_arrived() {
    let text = shipped::text("register-rail").expect("a profile");
    let bits = "bits: {homed: 0, moving: 1, in-position: 2, alarm: 3, switch: 4}\n";
    let cases = [
        (
            bits,
            "",
            "no-bits nothing says when the carriage has arrived",
        ),
        (
            ", alarm: 3, switch: 4",
            ", switch: 4",
            "missing-key `bits` lacks the key `alarm`",
        ),
        (
            ", switch: 4",
            "",
            "no-proof nothing proves that no steps were lost",
        ),
        ("switch: 4", "switch: 32", "out-of-range"),
        (
            bits,
            &format!("{bits}acks: {{good: ok, bad: no}}\n"),
            "two-ways a device that speaks by registers has no `acks`",
        ),
        (
            "gives: status",
            "gives: state",
            "missing-field `bits` is said, and `read-place` gives no `{status}`",
        ),
        (
            "value: 3",
            "value: \"{target}\"",
            "template nothing is called `{target}` here",
        ),
    ];
    for (from, to, wanted) in cases {
        assert!(text.contains(from), "{from}");
        let told = told(&text.replacen(from, to, 1));
        let found = told.iter().any(|told| told.contains(wanted));
        assert!(found, "{to}: {wanted}\n{}", told.join("\n"));
    }
}
