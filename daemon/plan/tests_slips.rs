//! One slip at a time in good files, and what is said of it: whole tables, so
//! that a word that changes is seen beside its neighbours.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use photometry::units::{Length, Wall};

use super::card::{Card, Carries, Place, PlaceKind};
use super::frozen::SentText;
use super::lamp::{Lamp, Worked};
use super::placing::{self, Request};
use super::tests::{example, found, text};
use super::{file, motion, order, redo, samples};

/// What is said of files: each mistake whole, with its hint and the other places.
fn told(files: &[SentText]) -> String {
    let found = found(files);
    let mut lines = String::new();
    for one in &found.mistakes {
        let _ = writeln!(lines, "  {} {}: {}", one.place, one.code, one.message);
        for (place, what) in &one.also {
            let _ = writeln!(lines, "    {place} is {what}");
        }
        if let Some(hint) = &one.hint {
            let _ = writeln!(lines, "    {hint}");
        }
    }
    match found.refuses() {
        true => lines,
        false => format!("{lines}  taken\n"),
    }
}

/// The same file with one thing written otherwise.
pub(super) fn slipped(good: &SentText, written: &str, slip: &str) -> SentText {
    let changed = good.text.replacen(written, slip, 1);
    assert_ne!(changed, good.text, "{written}");
    text(&good.name, &changed)
}

pub(super) fn table(good: &SentText, beside: &[SentText], slips: &[(&str, &str)]) -> String {
    let mut table = String::new();
    for (written, slip) in slips {
        let files: Vec<SentText> = beside
            .iter()
            .cloned()
            .chain([slipped(good, written, slip)])
            .collect();
        let _ = write!(table, "{written:?} as {slip:?}\n{}", told(&files));
    }
    table
}

#[test]
fn slips_in_a_bench_file() {
    let slips = [
        ("/dev/serial/by-id/usb-meter-0107-if00", "/dev/ttyACM0"),
        (
            "places:\n  axis: rail axis\n  stand: still",
            "places: [axis]",
        ),
        ("192.0.2.10:5025", "192.0.2.10:0"),
        ("192.0.2.10:5025", ":5025"),
        ("192.0.2.10:5025", "192.0.2.10"),
        (
            "{carriage: stops, fingers: off",
            "{carriage: stops, fingers: none",
        ),
        ("1 mm to 2000 mm", "2000 mm"),
        ("1 mm to 2000 mm", "1 mm to much"),
        ("settle: 500 ms", "settle: 721 h"),
        ("  port: meter-port", "  port: 7"),
        ("  port: finger-port\n", ""),
        ("400 mm/s2", "0 mm/s2"),
        ("due: 2027-09-01", "due: soon"),
        ("tcp: \"192.0.2.10:5025\"", "baud: 9600"),
        ("tcp: \"192.0.2.10:5025\"", "serial: [relays]"),
    ];
    insta::assert_snapshot!(table(&example("bench-strand.yaml"), &[], &slips));
}

/// Beside a lamp and a plan that names its meter, so that what the bench cannot
/// give shows at the plan's line.
#[test]
fn slips_in_a_bench_file_beside_a_plan() {
    let plan = text(
        "plan.yaml",
        "plan: p
format: 1
tests:
  levels:
    kind: survey
    meter: lux-head
    positions: [12 in, 24 in]
    warm-up: 5 min
",
    );
    let slips = [
        // Which place is written first is no matter.
        (
            "axis: rail axis\n  stand: still",
            "stand: still\n  axis: rail axis",
        ),
        ("place: axis\n    rides", "place: stand\n    rides"),
        ("rides: true", "rides: false"),
    ];
    let beside = [example("lamp-dunlin.yaml"), plan];
    insta::assert_snapshot!(table(&example("bench-strand.yaml"), &beside, &slips));
}

#[test]
fn slips_in_a_lamp_file() {
    let slips = [
        ("levels: 12\n", ""),
        ("levels: 12", "modes: {}"),
        ("levels: 12", "modes: [warm]"),
        ("levels: 12", "modes: {warm: 3, cool: 2}"),
        ("levels: 12", "modes: {warm: 3, only: 2}"),
        ("levels: 12", "modes: {only: 12}"),
        ("power: power}", "power: power, mode: colour}"),
        ("power: power}", "power: brighter}"),
        ("power: power}", "power: dimmer}"),
        ("power: power}", "}"),
        (
            "worked: {up: brighter, down: dimmer, power: power}",
            "worked: [up]",
        ),
        (
            "worked: {up: brighter, down: dimmer",
            "worked: {up: brighter",
        ),
        (
            "worked: {up: brighter, down: dimmer, power: power}",
            "worked: direct",
        ),
        (
            "worked: {up: brighter, down: dimmer, power: power}",
            "worked: by hand",
        ),
        (
            "up: brighter, down: dimmer, power: power",
            "up: light, wraps: lowest, power: power",
        ),
        (
            "up: brighter, down: dimmer, power: power",
            "up: light, wraps: off",
        ),
        (
            "up: brighter, down: dimmer, power: power",
            "up: light, wraps: lowest",
        ),
        ("down: dimmer", "down: dimmer, wraps: off"),
        ("down: dimmer", "wraps: round"),
        (
            "levels: 12\nworked: {up: brighter, down: dimmer",
            "levels: 1\nworked: {up: light, wraps: lowest",
        ),
        // What cannot be read is not told to be missing as well.
        ("levels: 12", "levels: 0"),
        ("power: power}", "power: power, hold: 2 s}"),
        ("power: power}", "power: power, hold: 2001 ms}"),
    ];
    insta::assert_snapshot!(table(&example("lamp-dunlin.yaml"), &[], &slips));
}

/// Beside a good bench and lamp, so that what does not fit shows too.
#[test]
fn slips_in_a_plan_file() {
    let plan = text(
        "plan.yaml",
        "plan: p
format: 1
tests:
  levels:
    kind: survey
    settings: [full, 3]
    positions: {from: 6 in, to: 72 in, every: 6 in}
policies:
  window: 22:00 to 05:30
",
    );
    let slips = [
        ("every: 6 in", "every: 7 in"),
        ("every: 6 in", "every: 0.0001 in"),
        ("to: 72 in", "to: 90 in"),
        ("settings: [full, 3]", "settings: []"),
        ("settings: [full, 3]", "settings: [3, 13, 14]"),
        ("settings: [full, 3]", "settings: [{warm: 3}]"),
        ("22:00 to 05:30", "22:00 to 22:30"),
        ("22:00 to 05:30", "22:00 to 23:30"),
        (
            "settings: [full, 3]\n    positions: {from: 6 in, to: 72 in, every: 6 in}\npolicies:\n  window: 22:00 to 05:30",
            "positions: {from: 6 in, to: 72 in, every: 6 in}\npolicies:\n  window: 22:00 to 23:30",
        ),
        ("22:00 to 05:30", "late"),
        ("tests:", "tests: []\nother:"),
        ("[full, 3]", "[full, 3]\n    warm-up: slow"),
        ("policies:", "criteria: []\npolicies:"),
        ("policies:", "criteria: {}\npolicies:"),
        (
            "policies:",
            "criteria:\n  bright: {script: ../mine.rhai}\npolicies:",
        ),
        (
            "policies:",
            "criteria:\n  bright: {script: .mine.rhai}\npolicies:",
        ),
        (
            "policies:",
            "criteria:\n  bright: {script: reaches-target, test: levls}\npolicies:",
        ),
        (
            "policies:",
            "criteria:\n  bright: {script: reaches-target, test: darkness}\npolicies:",
        ),
        (
            "policies:",
            "criteria:\n  bright: {script: reaches-target, test: levels}\npolicies:",
        ),
        (
            "policies:",
            "criteria:\n  bright: {script: reaches-target, given: [250 lx]}\npolicies:",
        ),
        (
            "policies:",
            "criteria:\n  bright: {script: reaches-target}\nmetrics:\n  bright: {script: reaches-target}\npolicies:",
        ),
        ("policies:", "policies:\n  if-absent: leave out"),
        (
            "settings: [full, 3]",
            "settings: [full, 3]\n    readings: 60000",
        ),
    ];
    let beside = [example("bench-strand.yaml"), example("lamp-dunlin.yaml")];
    insta::assert_snapshot!(table(&plan, &beside, &slips));
    // Without a bench the settings are still held against the lamp.
    let absent = slipped(&plan, "[full, 3]", "[full, 13]");
    let no_bench = [example("lamp-dunlin.yaml"), absent.clone()];
    assert!(
        told(&no_bench).contains("plan.yaml:6:22"),
        "{}",
        told(&no_bench)
    );
    let leaves_out = slipped(&absent, "policies:", "policies:\n  if-absent: leave out");
    let no_bench = [example("lamp-dunlin.yaml"), leaves_out];
    assert_eq!(told(&no_bench), "  taken\n");
}

/// One more than may be, of what is counted; as many as may be are taken.
#[test]
fn one_too_many_is_told_with_its_number() {
    let plan = |body: &str| {
        let head = "plan: p\nformat: 1\ntests:\n  levels:\n    kind: survey\n";
        text("plan.yaml", &format!("{head}{body}"))
    };
    let positions = |n: usize| {
        let list: Vec<String> = (1..=n).map(|mm| format!("      - {mm} mm\n")).collect();
        plan(&format!("    positions:\n{}", list.concat()))
    };
    let uses = |section: &str, n: usize| {
        let list: Vec<String> = (1..=n)
            .map(|k| format!("  use {k}: {{script: reaches-target}}\n"))
            .collect();
        let list = list.concat();
        plan(&format!("    positions: [6 in]\n{section}:\n{list}"))
    };
    let script = |length: usize| {
        let name = "s".repeat(length - ".rhai".len());
        let body = "    positions: [6 in]\nmetrics:\n  m: {script: ";
        plan(&format!("{body}{name}.rhai}}\n"))
    };
    let cases = [
        ("1000 positions", positions(1_000)),
        ("1001 positions", positions(1_001)),
        ("100 criteria", uses("criteria", 100)),
        ("101 criteria", uses("criteria", 101)),
        ("101 metrics", uses("metrics", 101)),
        ("a script's name of 64", script(64)),
        ("a script's name of 65", script(65)),
    ];
    let mut table = String::new();
    for (name, plan) in cases {
        let _ = write!(table, "{name}:\n{}", told(&[plan]));
    }
    insta::assert_snapshot!(table);
}

#[test]
fn days_of_the_calendar() {
    let cases = [
        ("2027-03-01", true),
        ("2028-02-29", true),
        ("2000-02-29", true),
        ("2100-02-29", false),
        ("2027-02-29", false),
        ("2027-04-31", false),
        ("2027-12-31", true),
        ("2027-13-01", false),
        ("2027-00-10", false),
        ("2027-01-00", false),
        ("2027-1-01", false),
        ("2027-01-1x", false),
        ("+027-01-01", false),
        ("2027-03", false),
        ("2027-03-01-01", false),
        ("", false),
    ];
    for (day, is_one) in cases {
        assert_eq!(file::is_day(day), is_one, "{day}");
    }
}

/// A rail whose coordinates fall away from the lamp: the same distances, and
/// the datum that a gauge block gives is the one that leads back to it.
#[test]
fn either_way_round_a_position_and_its_datum_agree() {
    let mm = Length::from_mm;
    for (away_is_up, at_305) in [(true, 195), (false, -395)] {
        let mut rail = samples::card().rail.expect("a rail");
        rail.away_is_up = away_is_up;
        let at = rail.coordinate_of(mm(305), mm(-100), mm(10));
        assert_eq!(at, mm(at_305), "away is up: {away_is_up}");
        assert_eq!(rail.datum_for(mm(305), at, mm(10)), mm(-100));
    }
}

/// What a check refuses elsewhere must not divide or index here.
#[test]
fn a_rail_at_rest_and_a_grid_of_nothing_take_no_time() {
    let mut rail = samples::card().rail.expect("a rail");
    assert_eq!(order::sweep(&[], rail.travel_from), []);
    let none = order::travel_at_least(&[], rail.travel_from, &rail);
    assert_eq!(none.ns(), 0);
    rail.acceleration = photometry::units::Acceleration::parse("0 mm/s2").expect("read");
    let still = motion::travel_time(Length::from_mm(300), &rail);
    assert_eq!(still.ns(), 0, "{still}");
    let mut rail = samples::rail();
    for speed in [0, -1] {
        rail.speed = photometry::units::Speed::from_nm_per_s(speed);
        let still = motion::travel_time(Length::from_mm(300), &rail);
        assert_eq!(still.ns(), 0, "{still}");
    }
}

fn request() -> Request {
    Request {
        unit: "D-17".to_owned(),
        place: None,
        firmware: None,
        gauge: None,
        carriage_at: None,
        fingers: BTreeMap::new(),
        who: "ada".to_owned(),
        since: Wall::default(),
        stated: BTreeMap::new(),
    }
}

type Slip = fn(&mut Request, &mut Card);

/// What is said of good requests with one thing otherwise.
fn placed(request: &Request, lamp: &Lamp, cases: &[(&str, Slip)]) -> String {
    let mut table = String::new();
    for (name, slip) in cases {
        let (mut request, mut card) = (request.clone(), samples::card());
        slip(&mut request, &mut card);
        let said = match placing::placement(&request, lamp, &card) {
            Ok(placed) => format!(
                "at {}, datum {} u {}, stated {:?}",
                placed.place, placed.datum, placed.datum_uncertainty, placed.stated
            ),
            Err(mistakes) => mistakes.join("\n  "),
        };
        let _ = writeln!(table, "{name}:\n  {said}");
    }
    table
}

/// What is said of one request each, on the example bench, on one without a rail
/// and on one without fingers.
#[test]
fn slips_in_a_placement() {
    let mut lamp = samples::lamp(3);
    lamp.worked = Worked::ByHand;
    let cases: [(&str, Slip); 20] = [
        ("as it should be", |_, _| {}),
        ("a place that is there", |r, _| {
            r.place = Some("axis".to_owned())
        }),
        ("a place misspelt", |r, _| r.place = Some("axsi".to_owned())),
        ("a place that is not", |r, _| {
            r.place = Some("cellar".to_owned())
        }),
        ("nobody", |r, _| r.who = "  ".to_owned()),
        ("a long firmware", |r, _| r.firmware = Some("x".repeat(65))),
        ("a line in a name", |r, _| r.unit = "D\n17".to_owned()),
        ("the supply stated", |r, _| {
            r.stated.insert("supply".to_owned(), " 230 V ".to_owned());
        }),
        ("an item misspelt", |r, _| {
            r.stated.insert("suply".to_owned(), "230 V".to_owned());
        }),
        ("an item of no report", |r, _| {
            r.stated.insert("moon phase".to_owned(), "full".to_owned());
        }),
        ("nothing stated of an item", |r, _| {
            r.stated.insert("supply".to_owned(), " ".to_owned());
        }),
        ("a button of none", |r, _| {
            r.fingers.insert("up".to_owned(), "left".to_owned());
        }),
        ("one finger, two buttons", |r, _| {
            for button in ["up", "down"] {
                r.fingers.insert(button.to_owned(), "left".to_owned());
            }
        }),
        ("no fingers", |r, card| {
            r.fingers.insert("up".to_owned(), "left".to_owned());
            card.fingers = None;
        }),
        ("a gauge of nothing", |r, _| {
            r.gauge = Some("0 mm".to_owned())
        }),
        ("a gauge without a unit", |r, _| {
            r.gauge = Some("50".to_owned())
        }),
        ("a carriage off its rail", |r, _| {
            r.gauge = Some("50 mm".to_owned());
            r.carriage_at = Some("9 m".to_owned());
        }),
        ("no rail", |_, card| card.rail = None),
        ("no rail, a gauge", |r, card| {
            r.gauge = Some("50 mm".to_owned());
            card.rail = None;
        }),
        ("no rail, many places", |_, card| {
            card.rail = None;
            let more = card.places.clone();
            card.places.extend(more);
        }),
    ];
    insta::assert_snapshot!(placed(&request(), &lamp, &cases));
    // A bench without a rail or fingers: the nominal placement claims neither.
    let mut bare = samples::card();
    (bare.rail, bare.fingers) = (None, None);
    let nominal = placing::nominal("D-17", &samples::lamp(3), &bare);
    assert_eq!((nominal.place.as_str(), nominal.fingers.len()), ("", 0));
    assert_eq!(
        samples::card().rail.map(|rail| rail.carries),
        Some(Carries::Meter)
    );
}

/// The same with a lamp whose buttons want fingers. The gauge block leads from
/// the meter's plane to the lamp, whichever place is written first: the carriage
/// stands at 252.4 mm, so 50 mm with a plane of 10 mm is a datum of 212.4 mm.
#[test]
fn slips_in_a_placement_with_fingers() {
    let mut good = request();
    for (button, finger) in [
        ("brighter", "left"),
        ("dimmer", "right"),
        ("power", "round"),
    ] {
        good.fingers.insert(button.to_owned(), finger.to_owned());
    }
    let cases: [(&str, Slip); 7] = [
        ("as it should be", |_, _| {}),
        ("a button of none", |r, _| {
            r.fingers.remove("power");
            r.fingers.insert("mode".to_owned(), "round".to_owned());
        }),
        ("a finger of none", |r, _| {
            r.fingers.insert("power".to_owned(), "thumb".to_owned());
        }),
        ("two buttons bare", |r, _| {
            r.fingers.retain(|b, _| b == "power")
        }),
        ("a bench without fingers", |r, card| {
            r.fingers.clear();
            card.fingers = None;
        }),
        ("a gauge", |r, card| {
            r.gauge = Some("50 mm".to_owned());
            card.meters[0].plane = Length::from_mm(10);
        }),
        ("a gauge, another place first", |r, card| {
            r.gauge = Some("50 mm".to_owned());
            card.meters[0].plane = Length::from_mm(10);
            let (name, kind) = ("stand".to_owned(), PlaceKind::Still);
            card.places.insert(0, Place { name, kind });
        }),
    ];
    insta::assert_snapshot!(placed(&good, &samples::lamp(3), &cases));
}

/// What a redo takes of a plan of two tests, by what was named: tests, then
/// settings, then positions; where nothing is named, all of it.
#[test]
fn a_redo_takes_what_was_named() {
    let mut plan = samples::plan(samples::survey(&[6, 12]));
    let mut second = plan.tests[0].clone();
    second.name = "far".to_owned();
    second.kind = super::intent::TestKind::Survey(samples::survey(&[24]));
    plan.tests.push(second);
    let first = plan.tests[0].name.clone();
    let lamp = samples::lamp(2);
    type Names<'a> = &'a [&'a str];
    let cases: [(Names<'_>, Names<'_>, Names<'_>, Names<'_>); 6] = [
        (&[], &[], &[], &[&first, "far"]),
        (&["far"], &[], &[], &["far"]),
        (&[], &["L02"], &[], &[&first, "far"]),
        (&[], &[], &["24 in"], &["far"]),
        (&[], &["L01"], &["6 in", "12 in"], &[&first]),
        (&["far"], &["L01"], &["24 in"], &["far"]),
    ];
    let words = |all: &[&str]| all.iter().map(|one| (*one).to_owned()).collect();
    for (tests, settings, positions, kept) in cases {
        let wanted = redo::Wanted {
            tests: words(tests),
            settings: words(settings),
            positions: words(positions),
        };
        let parts = redo::choose(&plan, &lamp, &wanted).expect("parts");
        let narrow = redo::narrowed(&plan, &lamp, &parts);
        let names: Vec<&str> = narrow.tests.iter().map(|test| test.name.as_str()).collect();
        assert_eq!(names, kept, "{wanted:?}");
    }
}
