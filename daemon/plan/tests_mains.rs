//! A lamp whose only control is its mains: its file, what a bench must have for it, and
//! what is laid out.

use std::fmt::Write as _;

use photometry::units::Span;

use super::frozen::SentText;
use super::intent::{IfAbsent, TestKind};
use super::itinerary::{Itinerary, What};
use super::lamp::{Lamp, SwitchOff, Worked};
use super::tests::{Given, example, found, text};
use super::tests_standby::{outlets, standby};
use super::{print, samples};

/// A panel with a rocker switch, in a lamp file.
const PANEL: &str = "\
lamp: panel
format: 1
levels: 1
worked: mains
face: 400 mm
off: mains
maximum-on-time: 12 h
";

fn panel() -> Lamp {
    Lamp {
        worked: Worked::Mains,
        off: SwitchOff::Mains,
        ..samples::lamp(1)
    }
}

/// A survey of it on a bench that has what it needs.
fn given() -> Given {
    let mut given = Given::fitting();
    given.lamp = panel();
    given.placement.fingers.clear();
    given.card.fingers = None;
    given.card.outlets = Some(outlets());
    given.card.lamp_outlet = Some("lamp".to_owned());
    given
}

fn told(files: &[SentText]) -> String {
    let mut lines = String::new();
    for one in &found(files).mistakes {
        let _ = writeln!(lines, "  {} {}: {}", one.place, one.code, one.message);
        let _ = writeln!(lines, "    {}", one.hint.as_deref().unwrap_or("-"));
    }
    match lines.is_empty() {
        true => "  taken\n".to_owned(),
        false => lines,
    }
}

/// Each mistake with its place and hint; several of a file all at once.
#[test]
fn slips_in_the_file_of_a_lamp_that_is_worked_by_its_mains() {
    let programs = "programs:\n  dawn: {kind: sunrise, length: 30 min, starts: by hand}\n";
    let more = format!("off: by hand\n{programs}");
    let slips: [(&str, &[(&str, &str)]); 10] = [
        ("as it should be", &[]),
        ("one mode, named", &[("levels: 1", "modes: {white: 1}")]),
        ("four levels", &[("levels: 1", "levels: 4")]),
        ("two modes", &[("levels: 1", "modes: {warm: 1, cool: 1}")]),
        ("off by hand", &[("off: mains", "off: by hand")]),
        ("never off", &[("off: mains", "off: cannot")]),
        (
            "by hand, off by its mains",
            &[("worked: mains", "worked: by hand")],
        ),
        (
            "buttons, off by its mains",
            &[("worked: mains", "worked: {up: more, down: less}")],
        ),
        ("misspelt", &[("worked: mains", "worked: main")]),
        (
            "all at once",
            &[("levels: 1", "levels: 4"), ("off: mains\n", &more)],
        ),
    ];
    let mut table = String::new();
    for (name, changes) in slips {
        let mut lamp = PANEL.to_owned();
        for (written, slip) in changes {
            assert!(lamp.contains(written), "{name}");
            lamp = lamp.replacen(written, slip, 1);
        }
        let _ = write!(table, "{name}:\n{}", told(&[text("lamp.yaml", &lamp)]));
    }
    insta::assert_snapshot!(table);
}

#[test]
fn what_it_says_is_understood() {
    let checked = found(&[text("lamp.yaml", PANEL)]).checked;
    let lamp = checked.lamp.expect("a lamp");
    assert_eq!((lamp.worked, lamp.off), (Worked::Mains, SwitchOff::Mains));
    assert_eq!(lamp.modes.len(), 1);
}

fn count(itinerary: &Itinerary, is: fn(&What) -> bool) -> usize {
    let actions = itinerary.actions.iter();
    actions.filter(|action| is(&action.what)).count()
}

/// Nothing lights it but its level: no outlet is closed at the beginning, as for a lamp
/// with another control, and no finger is needed.
#[test]
fn a_survey_of_it_is_laid_out_as_its_snapshot_says() {
    let given = given();
    let itinerary = given.laid_out().expect("it fits");
    insta::assert_snapshot!(print::list(&itinerary, samples::card().lengths));
    assert_eq!(
        count(&itinerary, |what| matches!(what, What::Switch { .. })),
        0
    );
    let mut buttons = given;
    buttons.lamp.worked = Worked::ByHand;
    let itinerary = buttons.laid_out().expect("it fits");
    assert_eq!(
        count(&itinerary, |what| matches!(what, What::Switch { .. })),
        1
    );
}

/// What the bench lacks is told with what else is wrong.
#[test]
fn a_bench_without_its_outlet_is_refused_in_words() {
    type Case = (&'static str, fn(&mut Given));
    let cases: [Case; 5] = [
        ("no outlets", |g| {
            (g.card.outlets, g.card.lamp_outlet) = (None, None);
        }),
        ("none is the lamp's", |g| g.card.lamp_outlet = None),
        ("one that is not there", |g| {
            g.card.lamp_outlet = Some("lanp".to_owned());
        }),
        ("and a position too far", |g| {
            g.card.lamp_outlet = None;
            let far = photometry::units::Length::from_mm(2_500);
            g.survey().positions.push(far);
        }),
        ("longer on than it may be", |g| {
            g.lamp.maximum_on = Span::from_mins(30);
        }),
    ];
    let mut table = String::new();
    for (name, spoil) in cases {
        let mut given = given();
        spoil(&mut given);
        let faults = given.laid_out().expect_err(name);
        let _ = writeln!(table, "{name}:");
        for fault in faults {
            let hint = fault.problem.hint().unwrap_or_default();
            let _ = writeln!(table, "  {}: {fault}\n    {hint}", fault.problem.code());
        }
    }
    insta::assert_snapshot!(table);
}

/// Without mains it has no display and takes no power: a plan for several lamps may ask
/// for it all the same.
#[test]
fn a_standby_test_is_refused_or_left_out() {
    let mut given = given();
    let mut idle = given.plan.tests[0].clone();
    idle.name = "idle".to_owned();
    idle.kind = TestKind::Standby(standby());
    given.plan.tests.push(idle);
    let faults = given.laid_out().expect_err("no standby");
    let codes: Vec<&str> = faults.iter().map(|fault| fault.problem.code()).collect();
    assert_eq!(codes, ["no-standby"], "{faults:?}");
    given.plan.policies.if_absent = IfAbsent::LeaveOut;
    let itinerary = given.laid_out().expect("left out");
    assert_eq!(itinerary.tests.len(), 1);
    // It is no gap: the lamp does not have it.
    assert!(itinerary.left_out.is_empty(), "{:?}", itinerary.left_out);
    let told = itinerary.not_measured();
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(
        told[0].starts_with("idle, the whole test: the lamp `dunlin` is off when"),
        "{told:?}"
    );
}

/// A dawn that it does not have is no gap either.
#[test]
fn the_example_is_taken_with_a_bench_that_has_its_outlet() {
    let files = ["bench-shore.yaml", "lamp-whimbrel.yaml", "plan-tour.yaml"].map(example);
    let found = found(&files);
    assert!(!found.refuses(), "{}", found.shown(false));
    let itinerary = found.checked.itinerary.expect("it is laid out");
    let names: Vec<&str> = itinerary.tests.iter().map(|t| t.name.as_str()).collect();
    assert!(
        !names.is_empty() && itinerary.left_out.is_empty(),
        "{itinerary:?}"
    );
    insta::assert_snapshot!(format!(
        "measured: {}\n{}",
        names.join(", "),
        itinerary.not_measured().join("\n")
    ));
}
