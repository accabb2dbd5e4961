//! What readings say of the lamp: as it was set, gone for a blink, at another
//! level. Numbers from memory of common practice; no source.

use photometry::measured::Outcome;
use photometry::units::Length;

use super::journal::{Body, LIGHT_LOST};
use super::lit::{Astray, Shines, agrees, is_another, least_at, shines_as, steady};
use super::tests_walk::{Walk, failed, itinerary, reading, reads, walk};
use crate::plan::itinerary::{Key, Purpose, What};

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

/// What a leg had at a place, once its references agreed, is asked of the next
/// leg there; not where the leg is measured again.
#[test]
fn the_next_leg_is_held_against_what_this_one_had() {
    let second_leg = |light: fn(&Key) -> Outcome| {
        let mut walk = walk(itinerary(2, 1, false));
        walk.light = light;
        let first = |walk: &Walk| walk.state.actions_done() > 0;
        walk.until(|action| action.leg == Some(1));
        assert!(first(&walk));
        walk.until(|action| reads(action, Purpose::Read) && action.leg == Some(1));
        walk
    };
    let steady = second_leg(|_| Outcome::Value(100.0));
    let position = |walk: &Walk| {
        let action = walk.state.still_to_do(&walk.itinerary).next();
        action.and_then(|action| action.position)
    };
    assert!(position(&steady).is_some());
    // 100 lx at every place in the first leg: 40 lx are another light now.
    for (value, expected) in [(60.0, None), (40.0, Some(Astray::AtPoint))] {
        let mut walk = steady_copy(&steady);
        take(&mut walk, Outcome::Value(value));
        assert_eq!(walk.state.astray, expected, "{value}");
    }
}

fn steady_copy(walk: &Walk) -> Walk {
    let mut copy = super::tests_walk::walk(walk.itinerary.clone());
    copy.state = walk.state.clone();
    copy.events = walk.events.clone();
    copy
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
