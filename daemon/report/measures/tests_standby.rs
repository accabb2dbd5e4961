//! Figures of a standby test from readings whose means and scatters were reckoned
//! by hand.

use photometry::figure::{Figure, Given};
use photometry::measured::{Outcome, Quantity, Reading};
use photometry::units::{Length, Ratio};

use super::{Measure, measures};
use crate::plan::card::WrittenTerm;
use crate::plan::frozen::Frozen;
use crate::plan::intent::TestKind;
use crate::plan::itinerary::{Key, Purpose, UNPLUGGED, What};
use crate::plan::tests_standby::{outlets, standby, wattmeter};
use crate::plan::{layout, samples};
use crate::run::journal::{Body, Facts, Link};
use crate::store::readings::Whole;
use crate::store::samples::{Story, frozen};

/// A lamp on an outlet, and a meter of power; the light's meter has 3 %, the
/// other 1 %. The position is known to 0 mm.
fn bundle(on_an_outlet: bool) -> Frozen {
    let mut frozen = frozen(3, samples::survey(&[24]));
    let term = |share| WrittenTerm {
        source: "certificate".to_owned(),
        share: Ratio::new(share),
    };
    frozen.card.meters[0].uncertainty = vec![term(0.03)];
    frozen.card.meters.push(crate::plan::card::Meter {
        uncertainty: vec![term(0.01)],
        ..wattmeter()
    });
    frozen.card.outlets = Some(outlets());
    frozen.card.lamp_outlet = on_an_outlet.then(|| "lamp".to_owned());
    frozen.placement.datum_uncertainty = Length::ZERO;
    "idle".clone_into(&mut frozen.plan.tests[0].name);
    frozen.plan.tests[0].kind = TestKind::Standby(standby());
    let of = (&frozen.plan, &frozen.lamp, &frozen.placement, &frozen.card);
    frozen.itinerary = layout::itinerary(of.0, of.1, of.2, of.3).expect("it fits");
    frozen
}

/// What a meter says: of which key, of which quantity, and the time of a recording
/// in seconds.
type Says = fn(&Key, Quantity, i64) -> Outcome;

fn taken(story: &mut Story, no: u32, key: Key, quantity: Quantity, outcome: Outcome) {
    let meter = match quantity {
        Quantity::Power => "plug",
        _ => "lux-head",
    };
    let reading = Reading {
        meter: meter.to_owned(),
        quantity,
        outcome,
        range: None,
        flags: Vec::new(),
        raw: Vec::new(),
        asked: story.now(),
        taken: story.now(),
    };
    story.tell(Some(i64::from(no)), Body::Taken { key, reading });
}

/// Every action, a second each; a recording of `beats` beats.
fn told(frozen: Frozen, beats: i64, says: Says) -> Vec<Measure> {
    let mut story = Story::begin(frozen);
    for action in story.frozen.itinerary.actions.clone() {
        let no = action.no;
        let doing = "as planned".to_owned();
        story.tell(Some(i64::from(no)), Body::Started { doing });
        match (&action.what, action.key) {
            (What::Read { quantity, .. }, Some(key)) => {
                story.seconds += 1;
                let outcome = says(&key, *quantity, 0);
                taken(&mut story, no, key, *quantity, outcome);
                continue;
            }
            (What::Record(recording), Some(key)) => {
                let off = story.seconds;
                for beat in 0..beats {
                    story.seconds = off + 10 * beat;
                    for (nth, (_, quantity)) in (0..).zip(&recording.meters) {
                        let visit = key.visit + nth * 100_000 + beat as u32;
                        let key = Key {
                            visit,
                            ..key.clone()
                        };
                        let outcome = says(&key, *quantity, 10 * beat);
                        taken(&mut story, no, key, *quantity, outcome);
                    }
                }
            }
            _ => {}
        }
        let facts = Facts::default();
        story.tell(Some(i64::from(no)), Body::Done { facts });
    }
    measures(&Whole {
        bundle: Link::of_bundle(&[]),
        readings: story.rows(),
        events: story.events.clone(),
        captures: Vec::new(),
        frozen: story.frozen,
    })
}

fn measure<'m>(all: &'m [Measure], of: &str) -> &'m Measure {
    all.iter().find(|one| one.of == of).expect(of)
}

fn figure<'m>(all: &'m [Measure], of: &str, name: &str) -> &'m Figure {
    let mut figures = measure(all, of).figures.iter();
    figures.find(|figure| figure.name.name == name).expect(name)
}

fn close(found: f64, wanted: f64) {
    assert!(
        (found - wanted).abs() <= 1e-9 * wanted.abs(),
        "{found} {wanted}"
    );
}

/// One above, one below, in turn: their mean is the middle.
fn in_turn(key: &Key, middle: f64, off: f64) -> Outcome {
    let sign = if key.visit % 2 == 1 { 1.0 } else { -1.0 };
    Outcome::Value(middle + sign * off)
}

/// The room 0.02 lx, the display 0.30 lx until 100 s, 0.05 lx until 300 s and out
/// then; 0.8 W and 1 mW of scatter when off, 10 W and 4 W lit, 2 mW unplugged.
fn display(key: &Key, quantity: Quantity, time: i64) -> Outcome {
    match (quantity, key.purpose, key.setting.as_str()) {
        (Quantity::Power, _, UNPLUGGED) => Outcome::Value(0.002),
        (Quantity::Power, _, "L03") => in_turn(key, 10.0, 0.1),
        (Quantity::Power, _, "L01") => in_turn(key, 4.0, 0.1),
        (Quantity::Power, ..) => in_turn(key, 0.8, 0.001),
        (_, Purpose::Dark, _) => Outcome::Value(0.0),
        (_, Purpose::Ambient, _) => in_turn(key, 0.02, 0.000_1),
        _ => match time {
            0..100 => Outcome::Value(0.32),
            100..300 => Outcome::Value(0.07),
            _ => in_turn(key, 0.02, 0.000_1),
        },
    }
}

/// By hand: the last tenth of 61 readings are 7, at 540 to 600 s, visits 55 to 61,
/// so four above and three below: mean 0.02 + 1e-4/7 lx, of which the room's 0.02
/// is taken off. s^2 = (7e-8 - 1e-8/7)/6. Unplugged: 2 readings, s = 1e-4 sqrt 2,
/// u = 1e-4 lx. The same of 0.8 W with 1 mW. The steps lie between 90 and 100 s and
/// between 290 and 300 s, u = 5/sqrt 3 s.
#[test]
fn the_light_its_steps_and_the_power_are_as_reckoned_by_hand() {
    let all = told(bundle(true), 61, display);
    let Given::Estimate(light) = &figure(&all, "off", "standby_light_lx").given else {
        panic!("{:?}", measure(&all, "off"));
    };
    assert!((light.value - 1e-4 / 7.0).abs() < 1e-12, "{}", light.value);
    let term = |source: &str| {
        let mut terms = light.terms.iter();
        terms.find(|term| term.source == source).expect(source)
    };
    let s = ((7e-8 - 1e-8 / 7.0) / 6.0_f64).sqrt();
    let own = term("repeatability");
    assert!((own.u - s / 7.0_f64.sqrt()).abs() < 1e-12, "{}", own.u);
    assert_eq!(own.dof, Some(6.0));
    assert!((term("lamp unplugged").u - 1e-4).abs() < 1e-12);
    close(term("certificate").u, 0.03 * light.value);
    let first = figure(&all, "off", "display_first_lx");
    let Given::Estimate(first) = &first.given else {
        panic!("{first:?}");
    };
    close(first.value, 0.30);
    for (name, middle) in [("display_dims_s", 95.0), ("display_out_s", 295.0)] {
        let Given::Estimate(time) = &figure(&all, "off", name).given else {
            panic!("{:?}", measure(&all, "off").notes);
        };
        close(time.value, middle);
        close(time.combined(), 5.0 / 3.0_f64.sqrt());
    }
    let Given::Estimate(standby) = &figure(&all, "off-power", "standby_w").given else {
        panic!("{:?}", measure(&all, "off-power"));
    };
    // Visits of the second meter begin at 100,001.
    close(standby.value, 0.8 + 1e-3 / 7.0);
    let written = standby
        .terms
        .iter()
        .find(|term| term.source == "certificate");
    close(written.expect("a term").u, 0.01 * standby.value);
    for (setting, watts) in [("L03", 10.0), ("L01", 4.0)] {
        let Given::Estimate(power) = &figure(&all, setting, "operating_w").given else {
            panic!("{:?}", measure(&all, setting));
        };
        close(power.value, watts);
        // s = 0.1 sqrt 2, over sqrt 2.
        let own = power
            .terms
            .iter()
            .find(|term| term.source == "repeatability");
        close(own.expect("a term").u, 0.1);
    }
    insta::assert_snapshot!(measure(&all, "off").notes.join("\n"));
}

/// Not unplugged: the room's 0.02 lx stays in, and nobody can tell when the display
/// is out.
#[test]
fn without_an_outlet_the_room_is_not_told_from_the_display() {
    let all = told(bundle(false), 61, display);
    let Given::Estimate(light) = &figure(&all, "off", "standby_light_lx").given else {
        panic!("{:?}", measure(&all, "off"));
    };
    close(light.value, 0.02 + 1e-4 / 7.0);
    let out = figure(&all, "off", "display_out_s");
    assert!(matches!(out.given, Given::Withheld(_)), "{out:?}");
    let notes = &measure(&all, "off").notes;
    assert!(
        notes[0].contains("the display's and the room's"),
        "{notes:?}"
    );
}

/// Under 0.01 lx and under 0.1 W are told as that; a display that goes under the
/// range is out.
#[test]
fn under_range_is_a_limit_and_never_zero() {
    let all = told(bundle(true), 61, |key, quantity, time| {
        match (quantity, key.purpose) {
            (Quantity::Power, _) => Outcome::Under(0.1),
            (_, Purpose::Sample) if time < 300 => Outcome::Value(0.3),
            _ => Outcome::Under(0.01),
        }
    });
    let given = |of: &str, name: &str| figure(&all, of, name).given.clone();
    assert_eq!(given("off", "standby_light_lx"), Given::AtMost(0.01));
    assert_eq!(given("off-power", "standby_w"), Given::AtMost(0.1));
    assert_eq!(given("L03", "operating_w"), Given::AtMost(0.1));
    assert!(matches!(given("off", "display_out_s"), Given::Estimate(_)));
}

/// A recording of 60 of 61, a tail that is partly under the range, a step in the
/// last tenth, silence: each has its reason and no value.
#[test]
fn what_cannot_be_believed_is_withheld_with_its_reason() {
    let partly: Says = |key, _, _| match key.visit % 2 {
        0 => Outcome::Under(0.01),
        _ => Outcome::Value(0.011),
    };
    let late: Says = |_, _, time| Outcome::Value(if time < 560 { 0.3 } else { 0.1 });
    let silent: Says = |_, _, _| Outcome::TimedOut;
    let over: Says = |_, _, _| Outcome::Over(20.0);
    let mut table = String::new();
    for (name, beats, says) in [
        ("broken off", 60, display as Says),
        ("partly under range", 61, partly),
        ("it dims at last", 61, late),
        ("silent", 61, silent),
        ("over range", 61, over),
    ] {
        let all = told(bundle(true), beats, says);
        table.push_str(&format!("{name}\n"));
        for (of, figure) in [("off", "standby_light_lx"), ("off-power", "standby_w")] {
            let given = &self::figure(&all, of, figure).given;
            let said = match given {
                Given::Withheld(why) => why.clone(),
                other => format!("{other:?}").chars().take(16).collect(),
            };
            table.push_str(&format!("  {figure}: {said}\n"));
        }
    }
    insta::assert_snapshot!(table);
}
