//! What precedes going on after a seam, also for itineraries that no layout of
//! today makes.

use super::restart::{first_to_redo, legs_again, preamble};
use super::tests_walk::itinerary;
use crate::plan::intent::Settings;
use crate::plan::itinerary::{Action, Itinerary, Purpose, Question, What};
use crate::plan::lamp::{Lamp, SwitchOff, Worked};
use crate::plan::{layout, samples};
use photometry::units::{Length, Span};

/// The preamble before going on at the first such action, a line each.
fn lines(
    itinerary: &Itinerary,
    at: impl Fn(&Action) -> bool,
    done: impl Fn(u32) -> bool,
) -> Vec<String> {
    let first = itinerary
        .actions
        .iter()
        .position(at)
        .expect("such an action") as u32;
    let line = |action: Action| {
        let what = format!("{:?}", action.what);
        let what = what.split([' ', '(']).next().unwrap_or_default().to_owned();
        let purpose = action.key.map_or("", |key| key.purpose.word());
        format!("{what} {} {purpose}", action.setting)
            .trim_end()
            .to_owned()
    };
    preamble(itinerary, first, done)
        .into_iter()
        .map(line)
        .collect()
}

/// Goes on at the first reading of the second leg.
fn second_leg(action: &Action) -> bool {
    action.leg == Some(2)
        && matches!(
            action.what,
            What::Read {
                purpose: Purpose::Read,
                ..
            }
        )
}

#[test]
fn what_precedes_going_on() {
    let plain = itinerary(2, 1, false);
    let half = itinerary(2, 1, true);
    let changed = |change: &dyn Fn(&mut Action)| {
        let mut itinerary = itinerary(2, 1, false);
        itinerary.actions.iter_mut().for_each(change);
        itinerary
    };
    let rest = || What::Settle {
        rest: Span::from_secs(1),
    };
    let cold = changed(&|a| {
        if matches!(a.what, What::WarmUp { .. }) {
            a.what = rest();
        }
    });
    let elsewhere = changed(&|a| {
        if let What::Move { to, .. } = &mut a.what {
            *to = Length::from_mm(900);
        }
    });
    let no_reference = changed(&|a| a.key = None);
    let no_check = changed(&|a| {
        if matches!(a.what, What::CheckDrift { .. }) {
            a.what = rest();
        }
    });
    let no_home = changed(&|a| {
        if matches!(a.what, What::Home) {
            a.what = rest();
        }
    });
    let from_zero = changed(&|a| a.leg = a.leg.map(|leg| leg - 1));
    let mut no_tests = itinerary(2, 1, false);
    no_tests.tests.clear();
    let begins_leg = |a: &Action| a.leg == Some(2) && matches!(a.what, What::SetLevel { .. });
    let after_half = |a: &Action| a.leg == Some(1);
    let all = |_: u32| true;
    let cases = [
        ("in the second leg", lines(&plain, second_leg, all)),
        (
            "at the second leg's level change",
            lines(&plain, begins_leg, all),
        ),
        (
            "at the first leg's beginning",
            lines(&plain, after_half, all),
        ),
        (
            "at the beginning of a leg that counts from zero",
            lines(&from_zero, |a| a.leg == Some(0), all),
        ),
        (
            "after the level of half the light was found",
            lines(&half, after_half, all),
        ),
        (
            "nothing done to the lamp",
            lines(&plain, second_leg, |_| false),
        ),
        ("levels without a warm-up", lines(&cold, second_leg, all)),
        (
            "no move to the watch position",
            lines(&elsewhere, second_leg, all),
        ),
        (
            "no reference is read",
            lines(&no_reference, second_leg, all),
        ),
        ("no drift is checked", lines(&no_check, second_leg, all)),
        ("before homing", lines(&plain, |a| a.no == 0, all)),
        ("no homing at all", lines(&no_home, second_leg, all)),
        ("no such test", lines(&no_tests, second_leg, all)),
    ];
    let told: Vec<String> = cases
        .iter()
        .map(|(name, lines)| format!("{name}:\n  {}", lines.join("\n  ")))
        .collect();
    insta::assert_snapshot!(told.join("\n"));
    assert_eq!(preamble(&plain, 9_999, all), Vec::new());
}

/// A test in a sphere has no homing: fingers off, the outlets as they were, the
/// lamp's warm-up, level and return.
#[test]
fn what_precedes_going_on_in_a_sphere() {
    let (card, placement) = samples::in_sphere();
    let mut lamp = samples::lamp(2);
    let plan = samples::flux(Settings::All);
    let laid = |lamp: &Lamp| layout::itinerary(&plan, lamp, &placement, &card).expect("it fits");
    let by_fingers = laid(&lamp);
    (lamp.worked, lamp.off) = (Worked::ByHand, SwitchOff::ByHand);
    let by_hand = laid(&lamp);
    let read = |purpose: Purpose| {
        move |action: &Action| {
            action
                .key
                .as_ref()
                .is_some_and(|key| key.purpose == purpose)
        }
    };
    let all = |_: u32| true;
    let cases = [
        ("in the second leg", lines(&by_fingers, second_leg, all)),
        (
            "at the unit's dark readings",
            lines(&by_fingers, read(Purpose::Dark), all),
        ),
        (
            "at the reference lamp's dark readings",
            lines(&by_fingers, read(Purpose::StandardDark), all),
        ),
        (
            "at the very beginning",
            lines(&by_fingers, |action| action.no == 0, all),
        ),
        (
            "by hand, at the unit's dark readings",
            lines(&by_hand, read(Purpose::Dark), all),
        ),
        (
            "by hand, in the second leg",
            lines(&by_hand, second_leg, all),
        ),
    ];
    let told = cases.map(|(name, lines)| format!("{name}:\n  {}", lines.join("\n  ")));
    insta::assert_snapshot!(told.join("\n"));
}

/// A reading of a lamp that an outlet lights is made again from the switching on,
/// not from its point's beginning.
#[test]
fn a_reading_in_a_group_is_done_again_from_its_group() {
    let (card, placement) = samples::in_sphere();
    let plan = samples::flux(Settings::All);
    let laid = layout::itinerary(&plan, &samples::lamp(2), &placement, &card).expect("it fits");
    let of = |purpose: Purpose| {
        let mut keyed = laid.actions.iter().filter(|action| {
            action
                .key
                .as_ref()
                .is_some_and(|key| key.purpose == purpose)
        });
        keyed.nth(1).expect("a second reading").no
    };
    for purpose in [
        Purpose::StandardAuxiliary,
        Purpose::Standard,
        Purpose::Auxiliary,
    ] {
        let first = first_to_redo(&laid, of(purpose));
        let what = &laid.actions[first as usize].what;
        assert!(matches!(what, What::Switch { on: true, .. }), "{what:?}");
        assert_eq!(first_to_redo(&laid, first), first);
    }
    // One in the dark is not of a group.
    let dark = of(Purpose::Dark);
    assert_eq!(first_to_redo(&laid, dark), dark - 1);
}

/// An alarm that a person set is not asked for again; a cap is.
#[test]
fn of_what_a_person_was_asked_only_a_cap_is_asked_for_again() {
    let asked = |question: Question| {
        let mut itinerary = itinerary(2, 1, false);
        for action in &mut itinerary.actions {
            if matches!(action.what, What::Shutter { closed: true, .. }) {
                let question = question.clone();
                action.what = What::Ask { question };
            } else if matches!(action.what, What::Shutter { .. }) {
                action.what = What::Settle {
                    rest: Span::from_secs(1),
                };
            }
        }
        let told = lines(&itinerary, second_leg, |_| true);
        told.iter().any(|line| line.starts_with("Ask"))
    };
    assert!(asked(Question::CoverMeter("lux-head".to_owned())));
    assert!(!asked(Question::UncoverMeter("lux-head".to_owned())));
    let program = "dawn".to_owned();
    assert!(!asked(Question::SetAlarm {
        program,
        minute: 390
    }));
}

#[test]
fn what_is_done_again() {
    let mut plain = itinerary(2, 1, false);
    assert_eq!(first_to_redo(&plain, 9_999), 9_999);
    for action in plain.actions.iter_mut().take(3) {
        action.point = Some(700);
    }
    assert_eq!(first_to_redo(&plain, 2), 0);
    assert_eq!(legs_again(&plain, 99, true).len(), 0);
    assert_eq!(legs_again(&plain, 2, false), [2].into());
    assert_eq!(legs_again(&plain, 2, true), [1, 2].into());
}
