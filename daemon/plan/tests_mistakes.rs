//! Mistakes in files, as a person is told of them: whole outputs, and one case
//! for each message.

use super::frozen::SentText;
use super::tests::{example, found, text};

/// Files of one kind are checked each alone, and all their mistakes are told.
#[test]
fn several_files_of_a_kind_are_checked_alone() {
    let slip = text("lamp-b.yaml", "lamp: b\nformat: 1\nlevles: 3\n");
    let files = [
        example("bench-strand.yaml"),
        example("lamp-dunlin.yaml"),
        slip,
        example("plan-short.yaml"),
    ];
    let several = found(&files);
    let shown = several.shown(false);
    assert!(shown.contains("a second lamp file"), "{shown}");
    assert!(shown.contains("did you mean `levels`?"), "{shown}");
    assert!(several.checked.itinerary.is_none());
    let two = found(&[example("lamp-dunlin.yaml"), example("lamp-knot.yaml")]);
    assert!(!two.refuses(), "{}", two.shown(false));
}

/// Ten different mistakes, all told in one go.
#[test]
fn ten_mistakes_are_told_at_once() {
    let plan = text(
        "plan.yaml",
        "plan: ten mistakes
format: 1
tests:
  levels:
    kind: survay
    setings: all
    positions: {from: 72 in, to: 6 in, every: 6 in}
    readings: 0
    warm-up: 20
  second:
    kind: survey
    settings: [half, 13]
    positions: [12 in, 12 in, 99]
    reference: {at: 24 furlong, drift-limit: 150 %}
policies:
  window: 25:00 to 05:30
  on-failure: next-test
",
    );
    let files = [
        example("bench-strand.yaml"),
        example("lamp-dunlin.yaml"),
        plan,
    ];
    let found = found(&files);
    assert!(found.mistakes.len() >= 10, "{}", found.mistakes.len());
    insta::assert_snapshot!(found.shown(false));
}

/// Mistakes that need several files.
#[test]
fn what_only_several_files_show_is_told_at_its_line() {
    let plan = text(
        "plan.yaml",
        "plan: far
format: 1
tests:
  levels:
    kind: survey
    settings: [full, 13]
    positions: [6 in, 24 in, 90 in]
    meter: lux-hed
policies:
  window: 22:00 to 22:30
",
    );
    let bench = text(
        "bench-strand.yaml",
        &example("bench-strand.yaml")
            .text
            .replace("2027-09-01", "2026-11-01"),
    );
    let files = [bench, example("lamp-dunlin.yaml"), plan];
    insta::assert_snapshot!("several files", found(&files).shown(false));
    let by_hand = [
        example("bench-strand-by-hand.yaml"),
        example("lamp-dunlin.yaml"),
        example("plan-short.yaml"),
    ];
    insta::assert_snapshot!("no fingers", found(&by_hand).shown(false));
}

/// A test that cannot be read does not hide what is wrong with the others,
/// and a broken rail is one mistake, not one for every test that needs it.
#[test]
fn a_broken_part_hides_nothing_and_adds_nothing() {
    let codes = |files: &[SentText]| {
        let found = found(files);
        assert!(found.checked.itinerary.is_none());
        let codes = found.mistakes.iter().map(|m| m.code.to_string());
        codes.collect::<Vec<_>>()
    };
    let plan = text(
        "plan.yaml",
        "plan: p
format: 1
tests:
  broken:
    kind: survey
    positions: [6 furlong]
  far:
    kind: survey
    positions: [6 in, 90 in]
",
    );
    let (bench, lamp) = (example("bench-strand.yaml"), example("lamp-dunlin.yaml"));
    assert_eq!(
        codes(&[bench.clone(), lamp.clone(), plan]),
        ["quantity", "outside-travel"]
    );
    let only_13 = example("plan-short.yaml");
    let line = "settings: [full, half-setting]";
    assert!(only_13.text.contains(line), "{}", only_13.text);
    let only_13 = text("plan.yaml", &only_13.text.replace(line, "settings: [13]"));
    assert_eq!(codes(&[bench.clone(), lamp.clone(), only_13]).len(), 1);
    for (right, wrong, code) in [
        ("carries: meter", "carries: metre", "unknown-word"),
        ("channels:", "chanels:", "unknown-key"),
    ] {
        let broken = text(&bench.name, &bench.text.replace(right, wrong));
        let found = codes(&[broken, lamp.clone(), example("plan-short.yaml")]);
        assert!(
            found.iter().all(|c| c == code || c == "missing-key"),
            "{found:?}"
        );
    }
}

#[test]
fn each_single_mistake_has_its_own_message() {
    let plan = |body: &str| format!("plan: p\nformat: 1\ntests:\n  t:\n    kind: survey\n{body}");
    let cases = [
        (plan("    positions: {from: 6 in, to: 72 in, every: 0 in}\n"), "0 mm is not above zero"),
        (plan("    positions: {from: 1 mm, to: 2 m, every: 0.000001 mm}\n"), "that is 1999000001 positions, 63 years at one a second"),
        (plan("    positions: [6]\n"), "the unit is missing after `6`"),
        (plan("    positions: [9000000000 m]\n"), "is longer than any bench"),
        (plan("    positions: [-6 in]\n"), "-152.4 mm is not above zero"),
        (plan("    positions: {from: 12 in, to: 6 in, every: 1 in}\n"), "before it begins"),
        (plan("    positions: [6 in, 12 in, 152.4 mm]\n"), "152.4 mm stands there twice"),
        (plan("    positions: [6 in]\n    settings: [{}]\n"), "one setting is one mode"),
        (plan("    positions: [6 in]\n    settings: [{warm: 1, cool: 2}]\n"), "one setting is one mode"),
        (plan("    positions: [6 in]\n    settings: [1, full, 1]\n"), "the setting stands there twice"),
        (plan("    positions: []\n"), "the list is empty"),
        (plan("    positions: [.inf mm]\n"), "is not a unit of length"),
        (plan("    positions: [6 in]\n    readings: .nan\n"), "`.nan` is not a number"),
        (plan("    positions: [6 in]\n    settings: half\n"), "`half` can mean two things"),
        (plan("    positions: [6 in]\n    settings: [0]\n"), "levels count from 1"),
        (plan("    positions: [6 in]\n    warm-up: 2 weeks\n"), "`weeks` is not a unit of time"),
        (plan("    positions: [6 in]\n    reference: {drift-limit: 2 %, give-up: 1 %}\n"), "is below `drift-limit`"),
        (plan("    positions: [6 in]\npolicies: {window: 22:00 to 22:00}\n"), "closes when it opens"),
        (plan("    positions: [6 in]\npolicies: {window: 2222:00 to 05:30}\n"), "`2222:00 to 05:30` is no window"),
        ("plan: p\nformat: 2\ntests: {}\n".to_owned(), "format 2 is not known"),
        ("plan: a\nformat: 1\nbased-on: file.yaml\n".to_owned(), "is itself based on another plan"),
        ("plann: p\n".to_owned(), "this is no bench, lamp, plan or profile file"),
        ("lamp: l\nformat: 1\nlevels: 3\nmodes: {a: 1}\nworked: by hand\nface: 1 cm\noff: by hand\nmaximum-on-time: 1 h\n".to_owned(), "levels are given twice"),
        ("lamp: l\nformat: 1\nlevels: 3\nworked: by hand\nface: 1 cm\noff: power\nmaximum-on-time: 1 h\n".to_owned(), "no power button"),
        (
            "lamp: l\nformat: 1\nlevels: 3\nworked: {up: a, down: a}\nface: 1 cm\noff: by hand\nmaximum-on-time: 12 h\n".to_owned(),
            "have the same name",
        ),
        (
            "lamp: l\nformat: 1\nlevels: 3\nworked: by hand\nface: 1 cm\noff: by hand\nmaximum-on-time: 1 h\n".to_owned(),
            "its warm-up may take 150 min of that",
        ),
        ("bench: b\nformat: 1\nports: {a: {tcp: \"h:1\"}, m: {tcp: \"h:2\"}}\nplaces: {axis: rail axis}\nrail: {port: a, place: axis, travel: 0 mm to 1 m, speed: 1 m/s, acceleration: 1 m/s2, away: up, carries: meter, datum-at: 0 mm, datum-uncertainty: 1 mm, gauge-at: 2 m}\nmeters: {l: {port: m, place: axis, rides: true, yields: illuminance, ranges: [2 lx], integration: 1 s, dark: cap, calibration: {certificate: c, due: 2027-01-01}, uncertainty: {certificate: 1 %}}}\nmade-safe: {carriage: stops, fingers: off, lamp: stays on}\n".to_owned(), "the carriage cannot stand at 2000 mm"),
        ("bench: b\nformat: 1\nports: {a: {tcp: \"h:1\"}, m: {tcp: \"h:2\"}}\nplaces: {axis: rail axis}\nrail: {port: a, place: axis, travel: 0 mm to 1 m, speed: 1 m/s, acceleration: 1 m/s2, away: up, carries: meter, datum-at: 0 mm, datum-uncertainty: 1 mm, gauge-at: 2 m}\nmeters: {l: {port: m, place: axis, rides: true, yields: illuminance, ranges: [2 lx], integration: 1 s, dark: cap, calibration: {certificate: c, due: 2027-01-01}, uncertainty: {certificate: 1 %}}}\nmade-safe: {carriage: stops, fingers: off, lamp: stays on}\n".to_owned(), "`made-safe` says that they go off"),
    ];
    for (file, message) in cases {
        let found = found(&[text("file.yaml", &file)]);
        let shown = found.shown(false);
        assert!(
            found.refuses() && shown.contains(message),
            "{message}\n{shown}"
        );
    }
}

/// Mistakes of a bench file, each made by one change of the example.
#[test]
fn each_single_mistake_of_a_bench_has_its_own_message() {
    let cases = [
        (
            "port: meter-port",
            "port: meter-prot",
            "did you mean `meter-port`?",
        ),
        (
            "port: meter-port",
            "port: rail-port",
            "the port `rail-port` has two devices",
        ),
        (
            "usb-meter-0107",
            "usb-rail-0042",
            "`rail-port` and `meter-port` have the same address",
        ),
        (
            "/dev/serial/by-id/usb-meter-0107-if00",
            "/dev/ttyUSB0",
            "may be another device",
        ),
        (
            "axis: rail axis",
            "axis: still",
            "the place `axis` is not a rail's axis",
        ),
        (
            "1 mm to 2000 mm",
            "2000 mm to 1 mm",
            "write the lower end first",
        ),
        (
            "1 mm to 2000 mm",
            "1 mm to 9000000000 m",
            "is longer than any bench",
        ),
        (
            "datum-at: -100 mm",
            "datum-at: -100",
            "the unit is missing after `-100`",
        ),
        ("speed: 150 mm/s", "speed: 0 mm/s", "is not above zero"),
        ("due: 2027-09-01", "due: 2027-02-30", "is no day"),
        ("due: 2027-09-01", "due: 2026-12-01", "in 6 days"),
        ("due: 2027-09-01", "due: 2026-11-24", "ended on 2026-11-24"),
        ("left: 2", "left: 1", "have the same channel 1"),
        (
            "dark: shutter",
            "dark: shutter\n    back-within: 11 min",
            "is not between 0 s (a device that is gone is not waited for) and 10 min",
        ),
        ("1.05 %", "105 %", "is more than the whole"),
        ("made-safe: {", "made-saef: {", "did you mean `made-safe`?"),
    ];
    let bench = example("bench-strand.yaml");
    for (written, slip, message) in cases {
        let slipped = bench.text.replacen(written, slip, 1);
        assert_ne!(slipped, bench.text, "{written}");
        let shown = found(&[text("bench.yaml", &slipped)]).shown(false);
        assert!(shown.contains(message), "{message}\n{shown}");
    }
}

/// Found by mutating the examples: each span is allowed, their sum cannot be
/// held.
#[test]
fn a_plan_of_absurd_times_is_refused_and_ends_nothing() {
    let plan = text(
        "plan.yaml",
        "plan: p\nformat: 1\ntests:\n  t:\n    kind: survey\n    settle: 720 h\n    positions: {from: 300 mm, to: 1200 mm, every: 1 mm}\n",
    );
    let files = [
        example("bench-strand.yaml"),
        example("lamp-dunlin.yaml"),
        plan,
    ];
    let found = found(&files);
    assert!(found.refuses());
    assert!(
        found
            .shown(false)
            .contains("the lamp would be on for at least")
    );
}

/// A lamp that only a person can switch off stays on when a window closes.
#[test]
fn a_window_does_not_excuse_a_lamp_that_stays_on() {
    let plan = "plan: p\nformat: 1\ntests:\n  t:\n    kind: survey\n    warm-up: 1 h\n    positions: [300 mm]\npolicies:\n  window: 22:00 to 05:30\n";
    let lamp = example("lamp-turnstone.yaml");
    let lamp = text(&lamp.name, &lamp.text.replace("12 h", "8 h"));
    let files = [
        example("bench-strand-by-hand.yaml"),
        lamp,
        text("plan.yaml", plan),
    ];
    let shown = found(&files).shown(false);
    assert!(
        shown.contains("the lamp would be on for at least"),
        "{shown}"
    );
}

/// An unreadable setting hides no mistake of the setting beside it.
#[test]
fn a_setting_beside_an_unreadable_one_is_held_against_the_lamp() {
    let plan = "plan: p\nformat: 1\ntests:\n  t:\n    kind: survey\n    settings: [13, ful]\n    positions: [300 mm]\n";
    let files = [
        example("bench-strand.yaml"),
        example("lamp-dunlin.yaml"),
        text("plan.yaml", plan),
    ];
    let shown = found(&files).shown(false);
    assert!(shown.contains("did you mean `full`"), "{shown}");
    assert!(shown.contains("plan.yaml:6:16"), "{shown}");
}
