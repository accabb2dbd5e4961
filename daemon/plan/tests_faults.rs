//! What the planner says of lamps, benches and plans that no file makes, or that
//! only several together make: each message whole, with its hint.

use std::fmt::Write as _;

use photometry::units::{Acceleration, Length};

use super::card::{Place, PlaceKind};
use super::faults::PlanFault;
use super::intent::IfAbsent;
use super::tests::Given;

/// Each fault with its hint, or what is laid out.
fn told(given: &Given) -> String {
    let mut lines = String::new();
    match given.laid_out() {
        Ok(itinerary) => {
            let actions = itinerary.actions.len();
            let tests: Vec<&str> = itinerary.tests.iter().map(|t| t.name.as_str()).collect();
            let _ = writeln!(lines, "  {actions} actions, tests {}", tests.join(", "));
            for one in &itinerary.left_out {
                let _ = writeln!(lines, "  left out: {one}");
            }
        }
        Err(faults) => lines.extend(faults.iter().map(fault)),
    }
    lines
}

fn fault(one: &PlanFault) -> String {
    match one.problem.hint() {
        Some(hint) => format!("  {one}\n    {hint}\n"),
        None => format!("  {one}\n"),
    }
}

#[test]
fn what_no_file_makes_is_refused_in_words() {
    type Case = (&'static str, fn(&mut Given));
    let cases: [Case; 11] = [
        ("as it should be", |_| {}),
        ("another place first", |g| {
            let (name, kind) = ("stand".to_owned(), PlaceKind::Still);
            g.card.places.insert(0, Place { name, kind });
        }),
        ("the rail's place is no axis", |g| {
            g.card.places[0].kind = PlaceKind::Still;
            let (name, kind) = ("another".to_owned(), PlaceKind::Axis);
            g.card.places.push(Place { name, kind });
        }),
        ("a plan without tests", |g| g.plan.tests.clear()),
        ("a rail that cannot speed up", |g| {
            g.card.rail.as_mut().expect("a rail").acceleration = Acceleration::from_nm_per_s2(0);
        }),
        ("a meter asked for, and none there", |g| {
            g.card.meters.clear();
            g.survey().meter = Some("lux-head".to_owned());
        }),
        ("a meter that yields nothing", |g| {
            g.card.meters[0].yields.clear();
            g.survey().meter = Some("lux-head".to_owned());
        }),
        ("nobody's meter yields anything", |g| {
            g.card.meters[0].yields.clear();
        }),
        ("a meter that stands elsewhere", |g| {
            g.card.meters[0].place = "stand".to_owned();
            g.survey().meter = Some("lux-head".to_owned());
        }),
        // What the lamp lacks is left out, what the bench cannot work is not.
        ("left out: a position, and a bare button", |g| {
            g.plan.policies.if_absent = IfAbsent::LeaveOut;
            g.survey().positions.push(Length::from_mm(2_500));
            g.placement.fingers.truncate(2);
        }),
        ("left out: a meter, and a bare button", |g| {
            g.plan.policies.if_absent = IfAbsent::LeaveOut;
            g.survey().meter = Some("far-head".to_owned());
            g.placement.fingers.truncate(2);
        }),
    ];
    let mut table = String::new();
    for (name, spoil) in cases {
        let mut given = Given::fitting();
        spoil(&mut given);
        let _ = write!(table, "{name}:\n{}", told(&given));
    }
    insta::assert_snapshot!(table);
}

/// Each test for itself has fewer readings than may be laid out; together they
/// are more actions than are held in memory. What is wrong besides is told too.
#[test]
fn all_tests_together_may_be_too_many() {
    let mut given = Given::fitting();
    given.lamp.modes[0].levels = 70;
    let survey = given.survey();
    survey.positions = (200..1_200).map(Length::from_mm).collect();
    survey.reference.at = survey.positions[0];
    (survey.readings, survey.ambient) = (1, 0);
    let mut second = given.plan.tests[0].clone();
    second.name = "again".to_owned();
    given.plan.tests.push(second);
    given.placement.lamp = "knot".to_owned();
    insta::assert_snapshot!(told(&given));
}
