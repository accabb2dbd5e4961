//! What readings say of the lamp: as it was set, gone for a blink, at another
//! level. Numbers from memory of common practice; no source.

use photometry::measured::{Outcome, Reading};
use photometry::units::Length;

use super::journal::{Body, LIGHT_LOST};
use super::lit::{Astray, Shines, agrees, is_another, least_at, shines_as, steady};
use super::tests_walk::{Light, Walk, failed, itinerary, reading, reads, walk};
use crate::plan::intent::Settings;
use crate::plan::itinerary::{Key, Purpose, What};
use crate::plan::{layout, samples};

#[test]
fn lights_are_held_against_each_other() {
    // light, value: as set at the watch position; of one light at a point
    let cases = [
        (100.0, 100.0, true, true),
        (100.0, 50.0, true, true),
        (100.0, 49.0, false, false),
        (100.0, 200.5, true, true),
        (100.0, 201.0, false, false),
        (0.1, 0.04, false, true),
        (0.1, 0.7, true, true),
        (0.1, 0.71, false, false),
        (-0.1, 0.5, true, true),
    ];
    for (light, value, as_set, of_one) in cases {
        assert_eq!(shines_as(light, value), as_set, "{light} {value}");
        assert_eq!(agrees(light, value), of_one, "{light} {value}");
        assert_eq!(agrees(value, light), of_one, "{value} {light}");
    }
}

#[test]
fn readings_of_a_point_are_of_one_light_within_a_fifth() {
    for (one, other, expected) in [
        (100.0, 79.9, true),
        (100.0, 79.7, false),
        (0.05, 0.3, true),
        (0.05, 0.4, false),
    ] {
        assert_eq!(steady(one, other), expected, "{one} {other}");
        assert_eq!(steady(other, one), expected, "{other} {one}");
    }
}

#[test]
fn a_jump_to_another_levels_light_is_told_from_warming_up() {
    for (light, other, value, expected) in [
        (100.0, 60.0, 60.0, true),
        (100.0, 60.0, 65.0, true),
        (100.0, 60.0, 80.0, false),
        (100.0, 60.0, 95.0, false),
        (100.0, 92.0, 92.0, false),
        (100.0, 160.0, 155.0, true),
        (0.4, 0.2, 0.2, false),
    ] {
        assert_eq!(
            is_another(light, other, value),
            expected,
            "{light} {other} {value}"
        );
    }
}

#[test]
fn what_a_place_gives_at_least() {
    use Shines::{AsSet, Doubtful, Not};
    let watch = Length::from_mm(300);
    for (at_mm, value, expected) in [
        // Twice as far: the inverse square leaves 25 of 100 lx.
        (600, 25.0, AsSet),
        (600, 100.0, AsSet),
        (600, 5.0, AsSet),
        (600, 4.9, Doubtful),
        (600, 0.51, Doubtful),
        (600, 0.49, Not),
        // Nearer no more is sure than at the watch position.
        (150, 20.0, AsSet),
        (150, 19.0, Doubtful),
        (150, 1.9, Not),
        // So far that dark and lit differ by no lamp's light.
        (6_000, 0.0, AsSet),
    ] {
        let said = least_at(100.0, watch, Length::from_mm(at_mm), value);
        assert_eq!(said, expected, "{at_mm} mm {value}");
    }
}

/// Two levels; at work before the reading `nth` of the point at 24 in, level 2.
fn before_the_point(nth: u32) -> Walk {
    let mut walk = walk(itinerary(2, 1, false));
    walk.until(|action| {
        let key = action.key.as_ref();
        let far = key.is_some_and(|key| key.position > Length::from_mm(400) && key.visit == nth);
        reads(action, Purpose::Read) && far
    });
    walk
}

fn take(walk: &mut Walk, outcome: Outcome) {
    let key = walk.start().key.expect("a key");
    let reading = reading(outcome);
    walk.say(Body::Taken { key, reading });
}

/// The watch position gives 100 lx, so 24 in give 25 by the inverse square.
#[test]
fn a_reading_out_of_place_is_noticed() {
    use Outcome::{Over, Under, Value};
    // before it, the reading; what it says, whether another look is wanted
    let lost = |astray| (Some(astray), false);
    for (nth, outcome, expected) in [
        (1, Value(100.0), (None, false)),
        (1, Value(0.05), lost(Astray::AtPoint)),
        (1, Under(0.1), lost(Astray::AtPoint)),
        (1, Value(3.0), (None, true)),
        (1, Over(20.0), (None, false)),
        (2, Value(3.0), lost(Astray::WithinPoint)),
        (2, Value(125.0), (None, false)),
        (2, Value(81.0), (None, false)),
        (2, Value(79.0), lost(Astray::WithinPoint)),
        (2, Value(126.0), lost(Astray::WithinPoint)),
    ] {
        let mut walk = before_the_point(nth);
        take(&mut walk, outcome.clone());
        let said = (walk.state.astray, walk.state.doubted().is_some());
        assert_eq!(said, expected, "{nth} {outcome:?}");
    }
}

/// At the reference position, where level 2 gave 100 lx and level 1 50 lx.
#[test]
fn a_light_at_the_reference_that_is_not_its_settings_is_noticed() {
    use Outcome::{Over, TimedOut, Under, Value};
    for (outcome, expected) in [
        (Value(100.0), None),
        (Value(60.0), None),
        (Value(49.0), Some(Astray::Reference)),
        (Value(201.0), Some(Astray::Reference)),
        (Value(52.0), Some(Astray::OtherLevel)),
        // Under a limit it may still be what it was, or not.
        (Under(0.1), Some(Astray::Reference)),
        (Under(150.0), None),
        (Under(300.0), None),
        (Over(20.0), None),
        (TimedOut, None),
    ] {
        let mut walk = walk(itinerary(2, 1, false));
        walk.until(|action| reads(action, Purpose::Reference));
        take(&mut walk, outcome.clone());
        assert_eq!(walk.state.astray, expected, "{outcome:?}");
    }
}

/// A second test of flux, whose photometer has seen the unit's levels before: what
/// other lamps give in the sphere says nothing of the unit; what it gives does.
#[test]
fn readings_of_other_lamps_are_not_held_against_the_lamp() {
    use Outcome::Value;
    let laid_out = || {
        let (card, placement) = samples::in_sphere();
        let mut plan = samples::flux(Settings::All);
        let mut second = plan.tests[0].clone();
        "again".clone_into(&mut second.name);
        plan.tests.push(second);
        layout::itinerary(&plan, &samples::lamp(2), &placement, &card).expect("it fits")
    };
    for (purpose, value, expected) in [
        (Purpose::StandardDark, 0.0, None),
        (Purpose::StandardAuxiliary, 4_000.0, None),
        (Purpose::StandardAuxiliary, 0.2, None),
        (Purpose::Standard, 9_000.0, None),
        (Purpose::Standard, 50.0, None),
        (Purpose::Dark, 0.0, None),
        (Purpose::Auxiliary, 4_000.0, None),
        (Purpose::Auxiliary, 0.2, None),
        (Purpose::Reference, 100.0, None),
        (Purpose::Reference, 4_000.0, Some(Astray::Reference)),
        (Purpose::Read, 0.0, Some(Astray::AtPoint)),
    ] {
        let mut walk = walk(laid_out());
        let seen = |value| Reading {
            meter: "port-head".to_owned(),
            ..reading(Value(value))
        };
        // Before that, the photometer saw the unit go out.
        let last_of_first = walk.itinerary.tests[0].last;
        walk.until(|action| action.no == last_of_first);
        walk.start();
        let key = Key {
            setting: "off".to_owned(),
            ..super::tests_walk::key(Purpose::Watch, Length::ZERO)
        };
        let reading = seen(0.2);
        walk.say(Body::Taken { key, reading });
        walk.say(super::tests_walk::done(None));
        walk.until(|action| action.test == 1 && reads(action, purpose));
        assert!(!walk.state.light_at.is_empty(), "it was lit before");
        let key = walk.start().key.expect("a key");
        let reading = seen(value);
        walk.say(Body::Taken { key, reading });
        assert_eq!(walk.state.astray, expected, "{purpose:?} {value}");
    }
}

/// With the lamp off: 1 lx at the watch position when it had gone out.
#[test]
fn a_lamp_that_lights_while_it_is_to_be_off_is_noticed() {
    use Outcome::{Under, Value};
    let in_the_dark = |elsewhere: bool, at_end: bool| {
        let mut walk = walk(itinerary(2, 1, false));
        walk.light = |key| match key.purpose {
            Purpose::Ambient => Value(1.0),
            _ => Value(100.0),
        };
        walk.until(|action| matches!(action.what, What::LampOff));
        let position = walk.itinerary.tests[0].watch;
        walk.start();
        let key = Key {
            setting: "off".to_owned(),
            ..super::tests_walk::key(Purpose::Watch, position)
        };
        let reading = reading(Value(1.0));
        walk.say(Body::Taken { key, reading });
        walk.say(super::tests_walk::done(None));
        let ambient = walk.itinerary.actions.iter();
        let ambient = ambient.filter(|action| reads(action, Purpose::Ambient));
        let mut ambient = ambient.filter(|a| (a.position > Some(position)) == elsewhere);
        let action = if at_end {
            ambient.next_back()
        } else {
            ambient.next()
        };
        let no = action.expect("an ambient reading").no;
        walk.until(|action| action.no == no);
        walk
    };
    for (elsewhere, at_end, outcome, expected) in [
        // The first at the watch position, against the light after switching off.
        (false, false, Value(2.5), None),
        (false, false, Value(2.6), Some(Astray::NotDark)),
        (false, false, Under(0.1), None),
        // The first elsewhere has nothing to be held against.
        (true, false, Value(90.0), None),
        // At the end level 1 gave 50 lx or more everywhere: 20 lx are no lamp's.
        (true, true, Value(20.0), None),
        (true, true, Value(60.0), Some(Astray::NotDark)),
    ] {
        let mut walk = in_the_dark(elsewhere, at_end);
        take(&mut walk, outcome.clone());
        assert_eq!(
            walk.state.astray, expected,
            "{elsewhere} {at_end} {outcome:?}"
        );
        let lit = matches!(walk.state.lit, super::lit::Lit::On { seen: true, .. });
        assert_eq!(lit, expected.is_some(), "{outcome:?}");
    }
    // Nothing of that series stands: it is measured again.
    let mut walk = in_the_dark(true, true);
    walk.itinerary.policies.on_failure = crate::plan::intent::OnFailure::Hold;
    let done = walk.state.actions_done();
    take(&mut walk, Value(60.0));
    walk.start();
    walk.say(failed(LIGHT_LOST));
    assert!(
        walk.state.actions_done() + 1 < done,
        "the points of the series are undone"
    );
}

/// At the end the room is thirty times as bright where the lamp is watched from,
/// and so it is elsewhere: the morning came, no lamp.
#[test]
fn a_morning_is_no_lamp() {
    use Outcome::Value;
    for (watched, elsewhere, expected) in [
        (30.0, 55.0, None),
        (30.0, 90.0, Some(Astray::NotDark)),
        (1.0, 55.0, Some(Astray::NotDark)),
    ] {
        let mut walk = walk(itinerary(2, 1, false));
        walk.light = |key| match key.purpose {
            Purpose::Ambient => Value(1.0),
            _ => Value(100.0),
        };
        let position = walk.itinerary.tests[0].watch;
        for light in [1.0, watched] {
            walk.until(|action| matches!(action.what, What::LampOff));
            walk.start();
            let key = Key {
                setting: "off".to_owned(),
                ..super::tests_walk::key(Purpose::Watch, position)
            };
            let reading = reading(Value(light));
            walk.say(Body::Taken { key, reading });
            walk.say(super::tests_walk::done(None));
        }
        walk.until(|action| reads(action, Purpose::Ambient) && action.position > Some(position));
        take(&mut walk, Value(elsewhere));
        assert_eq!(walk.state.astray, expected, "{watched} {elsewhere}");
    }
}

/// A second look settles it: the same light is the lamp's there.
#[test]
fn a_second_look_settles_a_doubt() {
    use Outcome::{Over, Value};
    for (outcome, expected) in [
        (Value(3.1), None),
        (Value(25.0), Some(Astray::AtPoint)),
        (Value(0.05), Some(Astray::AtPoint)),
        (Over(20.0), Some(Astray::AtPoint)),
    ] {
        let mut walk = before_the_point(1);
        take(&mut walk, Value(3.0));
        let doubted = walk.state.doubted().expect("a doubt").key.clone();
        walk.start();
        let key = Key {
            purpose: Purpose::Watch,
            ..doubted
        };
        let reading = reading(outcome.clone());
        walk.say(Body::Taken { key, reading });
        assert_eq!(walk.state.doubted(), None);
        assert_eq!(walk.state.astray, expected, "{outcome:?}");
        assert!(walk.state.running.is_some(), "the look ends no action");
    }
}

/// Broken off before that look, the point is measured again.
#[test]
fn a_doubt_that_nobody_settled_has_its_point_measured_again() {
    let mut walk = before_the_point(1);
    take(&mut walk, Outcome::Value(3.0));
    let done = walk.state.actions_done();
    walk.dies();
    assert_eq!(walk.state.doubted(), None);
    assert!(walk.state.actions_done() < done, "nothing was undone");
}

/// At the first reading of a leg's point at 24 in; every light was 100 lx.
fn at_the_far_point(leg: u32, room: Light) -> Walk {
    let mut walk = walk(itinerary(2, 1, false));
    walk.light = room;
    walk.until(|action| {
        let far = action.position > Some(Length::from_mm(400));
        far && reads(action, Purpose::Read) && action.leg == Some(leg)
    });
    walk
}

/// A lamp of 100 lx everywhere in a room of so many.
const DARK_ROOM: Light = |key| match key.purpose {
    Purpose::Ambient => Outcome::Value(0.05),
    _ => Outcome::Value(100.0),
};
const ROOM_OF_20_LX: Light = |key| match key.purpose {
    Purpose::Ambient => Outcome::Value(20.0),
    _ => Outcome::Value(100.0),
};

/// What a leg had at a place, once its references agreed, is asked of the next
/// leg there: 100 lx at 24 in where the reference gave 100, unlike a point's.
#[test]
fn the_next_leg_is_held_against_what_this_one_had() {
    let legs: Vec<u32> = {
        let itinerary = itinerary(2, 1, false);
        let legs: std::collections::BTreeSet<u32> =
            itinerary.actions.iter().filter_map(|a| a.leg).collect();
        legs.into_iter().collect()
    };
    let [first, second] = legs[..] else {
        panic!("{legs:?}");
    };
    for (leg, value, expected) in [
        (first, 40.0, None),
        (first, 60.0, None),
        (second, 60.0, None),
        (second, 40.0, Some(Astray::AtPoint)),
    ] {
        let mut walk = at_the_far_point(leg, DARK_ROOM);
        take(&mut walk, Outcome::Value(value));
        assert_eq!(walk.state.astray, expected, "{leg} {value}");
    }
    // Brighter than it was is no blink, and in a room of a fifth of its light
    // nothing is learned of the lamp's own.
    for (room, value) in [(DARK_ROOM, 700.0), (ROOM_OF_20_LX, 40.0)] {
        let mut walk = at_the_far_point(second, room);
        take(&mut walk, Outcome::Value(value));
        assert_eq!(walk.state.astray, None, "{value}");
    }
    // Under its lowest range a meter says as much as its limit does.
    for (limit, expected) in [(0.1, Some(Astray::AtPoint)), (70.0, None), (300.0, None)] {
        let mut walk = at_the_far_point(second, DARK_ROOM);
        take(&mut walk, Outcome::Under(limit));
        assert_eq!(walk.state.astray, expected, "{limit}");
    }
}

/// The leg is measured again, and nothing of what was seen is left.
#[test]
fn a_lamp_that_strayed_has_its_leg_measured_again() {
    let mut walk = before_the_point(1);
    walk.itinerary.policies.on_failure = crate::plan::intent::OnFailure::Hold;
    take(&mut walk, Outcome::Value(0.05));
    assert_eq!(walk.state.astray, Some(Astray::AtPoint));
    walk.start();
    walk.say(failed(LIGHT_LOST));
    assert_eq!(walk.state.astray, None);
    let next = walk.state.still_to_do(&walk.itinerary).next();
    let what = next.map(|action| action.what.clone());
    assert!(
        matches!(
            what,
            Some(What::SetLevel { .. } | What::Move { .. } | What::WarmUp { .. })
        ),
        "{what:?}"
    );
}
