//! The verdicts over data: whole tables, also where the data say nothing.

use photometry::measured::Outcome;
use photometry::stabilisation::Sample;
use photometry::units::{Mono, Ratio, Span};

use super::decide::{self, WarmUpStep, as_dark_as, drift_of, half_light, no_brighter, went_out};
use super::journal::{Body, Decision, DriftVerdict, ResumeCause, SeamCause};
use super::tests_walk::{Light, Walk, done, itinerary, level, reads, walk};
use crate::plan::itinerary::{Purpose, WarmUpRule, What};

#[test]
fn no_brighter_within_a_tenth() {
    use Outcome::{Over, TimedOut, Under, Value};
    let cases = [
        (Value(1.0), Value(1.0), true),
        (Value(1.0), Value(1.2), false),
        (Value(-1.0), Value(0.005), true),
        (Value(-1.0), Value(0.02), false),
        (Value(1.0), Under(0.1), true),
        (Under(0.1), Under(0.1), true),
        (TimedOut, Under(0.1), true),
        (Over(20.0), Value(19.0), true),
        (Over(20.0), Over(20.0), false),
        (Under(0.1), Value(0.2), false),
        (Value(1.0), TimedOut, false),
    ];
    for (before, after, expected) in cases {
        assert_eq!(
            no_brighter(&before, &after),
            expected,
            "{before:?} {after:?}"
        );
    }
    assert_eq!(went_out(&Under(0.1), &TimedOut), None);
}

#[test]
fn a_dimmer_lamp_is_not_off_where_it_was_seen_darker() {
    use Outcome::{Over, Under, Value};
    for (darkest, after, expected) in [
        (None, Value(60.0), true),
        (Some(0.07), Value(0.07), true),
        (Some(0.07), Value(0.6), true),
        (Some(0.07), Value(0.7), false),
        (Some(30.0), Value(60.0), true),
        (Some(30.0), Value(61.0), false),
        (Some(30.0), Value(5.0), true),
        (Some(0.07), Under(0.1), true),
        // Over range is refused as not gone out already.
        (Some(0.07), Over(20.0), true),
    ] {
        assert_eq!(
            as_dark_as(darkest, &after),
            expected,
            "{darkest:?} {after:?}"
        );
    }
}

#[test]
fn the_visit_farthest_from_the_first_is_the_drift() {
    let cases: [(&[f64], Option<f64>); 7] = [
        (&[], None),
        (&[100.0], None),
        (&[0.0, 1.0], None),
        (&[-1.0, 1.0], None),
        (&[100.0, 101.0], Some(0.01)),
        (&[100.0, 98.0, 101.0], Some(-0.02)),
        (&[100.0, 101.0, 104.0, 100.0], Some(0.04)),
    ];
    for (means, expected) in cases {
        let drift = drift_of(means).map(Ratio::share);
        match (drift, expected) {
            (Some(drift), Some(wanted)) => assert!((drift - wanted).abs() < 1e-12, "{means:?}"),
            other => assert_eq!(other.0, other.1, "{means:?}"),
        }
    }
}

#[test]
fn half_the_light_is_found_or_one_more_level_is_asked_for() {
    type Case = (&'static [(u16, f64)], Option<(u16, f64)>);
    let cases: [Case; 7] = [
        (&[], None),
        (&[(3, 0.0)], None),
        (&[(3, 100.0)], None),
        (&[(3, 100.0), (2, 60.0)], None),
        (&[(3, 100.0), (2, 60.0), (1, 20.0)], Some((2, 0.6))),
        // The lowest is reached and still more than half: the nearest it is.
        (&[(2, 100.0), (1, 70.0)], Some((1, 0.7))),
        (&[(1, 100.0)], Some((1, 1.0))),
    ];
    for (seen, expected) in cases {
        let found = half_light(seen).map(|(level, share)| (level, share.share()));
        assert_eq!(found, expected, "{seen:?}");
    }
}

/// Each rule before its end, at its end, at the cap; samples every 10 s.
#[test]
fn a_warm_up_ends_by_its_rule_or_its_cap() {
    let at = |seconds| Mono::ZERO + Span::from_secs(seconds);
    let samples = |falling: f64| -> Vec<Sample> {
        (0..=30)
            .map(|n| (at(10 * n), 100.0 - falling * n as f64))
            .collect()
    };
    let predicted = WarmUpRule::Predicted {
        ahead: Span::from_mins(5),
        limit: Ratio::new(0.001),
        window: Span::from_mins(5),
    };
    let fixed = WarmUpRule::Fixed(Span::from_mins(3));
    let window = WarmUpRule::Window(photometry::stabilisation::WindowRule::LM79);
    let step = |rule, falling, seconds, cap_s| {
        let (every, cap) = (Span::from_secs(10), Span::from_secs(cap_s));
        let (samples, now) = (samples(falling), at(seconds));
        match decide::warm_up(&samples, 31, rule, every, cap, Mono::ZERO, now) {
            WarmUpStep::ReadAt(next) => format!("read at {} s", next.ns() / 1_000_000_000),
            WarmUpStep::Over(Decision::WarmUp {
                stable, by, after, ..
            }) => {
                format!("{by}, stable {stable}, after {after}")
            }
            WarmUpStep::Over(other) => panic!("{other:?}"),
        }
    };
    let cases = [
        (
            predicted,
            0.0,
            305,
            9000,
            "predicted drift, stable true, after 305 s",
        ),
        (predicted, 0.5, 305, 9000, "read at 310 s"),
        (
            predicted,
            0.5,
            9000,
            9000,
            "predicted drift, stable false, after 150 min",
        ),
        (window, 0.5, 305, 9000, "read at 310 s"),
        (window, 0.5, 305, 300, "spread, stable false, after 305 s"),
        (fixed, 0.5, 100, 9000, "read at 180 s"),
        (
            fixed,
            0.5,
            180,
            9000,
            "fixed time, stable true, after 3 min",
        ),
        // A cap before the time ends it, and nothing is read after it.
        (fixed, 0.5, 100, 120, "read at 120 s"),
        (
            fixed,
            0.5,
            120,
            120,
            "fixed time, stable false, after 2 min",
        ),
    ];
    for (rule, falling, seconds, cap, expected) in cases {
        let said = step(rule, falling, seconds, cap);
        assert_eq!(said, expected, "{rule:?} at {seconds} s");
    }
}

/// The verdicts of one leg that drifts by this share each time it is measured.
#[test]
fn a_leg_that_drifts_is_measured_again_once() {
    use DriftVerdict::{Flagged, GivenUp, GoesOn, LegAgain, NotKnown};
    let drifting: [(Light, &[DriftVerdict]); 5] = [
        (|_| Outcome::Value(100.0), &[GoesOn]),
        (
            |key| Outcome::Value(if key.visit > 2 { 99.0 } else { 100.0 }),
            &[LegAgain, Flagged],
        ),
        (
            |key| Outcome::Value(if key.visit > 2 { 90.0 } else { 100.0 }),
            &[LegAgain, GivenUp],
        ),
        (|_| Outcome::Value(0.0), &[NotKnown]),
        (|_| Outcome::Over(20.0), &[NotKnown]),
    ];
    for (light, expected) in drifting {
        let mut walk = walk(itinerary(1, 1, false));
        walk.light = light;
        walk.finish();
        let verdicts: Vec<_> = walk
            .events
            .iter()
            .filter_map(|event| match &event.body {
                Body::Decided {
                    decision: Decision::Drift { verdict, .. },
                } => Some(*verdict),
                _ => None,
            })
            .collect();
        assert_eq!(verdicts, expected);
    }
}

/// What was decided on the last return to the reference, and what it undid.
fn last_return(walk: &Walk) -> String {
    let decided = walk
        .events
        .iter()
        .rev()
        .find_map(|event| match &event.body {
            Body::Decided {
                decision:
                    Decision::Return {
                        drift,
                        goes_on,
                        unproven,
                        ..
                    },
            } => {
                let drift =
                    drift.map_or("none".to_owned(), |drift| format!("{:.3}", drift.share()));
                Some(format!(
                    "drift {drift}, goes on {goes_on}, unproven {unproven}"
                ))
            }
            _ => None,
        });
    decided.expect("a decision")
}

/// A death at each kind of place of two legs, with homing that proves and
/// that does not, and with each light after it.
#[test]
fn whether_a_leg_goes_on_after_a_death() {
    type Place = (&'static str, fn(&crate::plan::itinerary::Action) -> bool);
    let places: [Place; 5] = [
        ("before the first reference of the first leg", |a| {
            reads(a, Purpose::Reference) && a.leg == Some(1)
        }),
        ("before its first reference", |a| {
            reads(a, Purpose::Reference) && a.leg == Some(2)
        }),
        ("after its first reference", |a| {
            reads(a, Purpose::Read) && a.leg == Some(2)
        }),
        ("after another point", |a| {
            let last = a.position.is_some_and(|at| at.mm() < 400.0);
            reads(a, Purpose::Read) && a.leg == Some(2) && last
        }),
        ("where the leg before is done", |a| {
            matches!(a.what, What::SetLevel { .. }) && a.leg == Some(2)
        }),
    ];
    let lights: [(&str, Light); 5] = [
        ("the same light", |_| Outcome::Value(100.0)),
        ("1 % less", |_| Outcome::Value(99.0)),
        ("10 % less", |_| Outcome::Value(90.0)),
        ("over range", |_| Outcome::Over(20.0)),
        ("no light", |_| Outcome::Value(0.0)),
    ];
    let mut table = String::new();
    for (place, is_there) in places {
        table.push_str(&format!("{place}:\n"));
        for proven in [true, false] {
            for (name, light) in lights {
                let mut walk = walk(itinerary(2, 1, false));
                walk.until(is_there);
                walk.dies();
                (walk.proven, walk.light) = (proven, light);
                walk.until(|a| matches!(a.what, What::CheckReturn { .. }));
                walk.step();
                let decided = last_return(&walk);
                table.push_str(&format!("  homing proves {proven}, {name}: {decided}\n"));
            }
        }
    }
    insta::assert_snapshot!(table);
}

/// The second leg's level was set and warmed up when the daemon died: the first
/// leg's readings, taken since the same homing, rest on nothing where no light
/// of that level can be compared.
#[test]
fn a_light_that_was_never_seen_proves_no_place() {
    const DARK: Light = |_| Outcome::Under(0.1);
    const SEEN: Light = |_| Outcome::Value(100.0);
    const BRIGHT: Light = |_| Outcome::Over(20.0);
    // Light with which the level was set, all light after the death, whether
    // homing proves the place, and whether the run goes on.
    let cases = [
        (Some(100.0), SEEN, false, true),
        (Some(100.0), BRIGHT, false, false),
        (Some(100.0), DARK, false, false),
        (Some(100.0), DARK, true, true),
        (None, SEEN, false, false),
        (None, SEEN, true, true),
        (None, BRIGHT, false, false),
        (None, BRIGHT, true, true),
        (Some(0.0), SEEN, false, false),
    ];
    for (nth, (before, after, proven, goes_on)) in cases.into_iter().enumerate() {
        let mut walk = walk(itinerary(2, 1, false));
        walk.until(|a| matches!(a.what, What::SetLevel { .. }) && a.leg == Some(2));
        let set = walk.start();
        walk.say(level(&set.setting, before));
        walk.say(done(None));
        walk.until(|a| reads(a, Purpose::Reference) && a.leg == Some(2));
        walk.dies();
        (walk.proven, walk.light) = (proven, after);
        walk.until(|a| matches!(a.what, What::CheckReturn { .. }));
        walk.step();
        let said = format!("drift none, goes on {goes_on}, unproven {}", !goes_on);
        assert_eq!(last_return(&walk), said, "case {nth}");
        // Measured again means the whole test, from its first leg's level on.
        let next = walk.coming().expect("something is left").leg;
        assert_eq!(next, Some(if goes_on { 2 } else { 1 }), "case {nth}");
    }
}

/// Held and released in the same life of the daemon.
fn is_held(walk: &mut Walk) {
    walk.say(Body::Seam {
        cause: SeamCause::Hold,
    });
    walk.say(Body::Resumed {
        cause: ResumeCause::Released,
    });
}

fn returns(walk: &mut Walk) -> String {
    walk.until(|a| matches!(a.what, What::CheckReturn { .. }));
    walk.step();
    last_return(walk)
}

/// A homing after a death proves nothing. A hold in the warm-up that follows,
/// and a homing that does prove something, prove it of the time since the first
/// homing only. Once the run is back, a hold is a hold again.
#[test]
fn a_second_seam_proves_nothing_of_the_time_before_the_first() {
    let after_a_point = |a: &crate::plan::itinerary::Action| {
        let last = a.position.is_some_and(|at| at.mm() < 400.0);
        reads(a, Purpose::Read) && a.leg == Some(2) && last
    };
    for holds in 0..3 {
        let mut walk = walk(itinerary(2, 1, false));
        walk.until(after_a_point);
        walk.proven = false;
        walk.dies();
        for _ in 0..holds {
            walk.until(|a| matches!(a.what, What::WarmUp { .. }));
            is_held(&mut walk);
            walk.proven = true;
        }
        let said = returns(&mut walk);
        let expected = "drift 0.000, goes on false, unproven false";
        assert_eq!(said, expected, "{holds} holds");
        walk.proven = true;
        walk.until(after_a_point);
        is_held(&mut walk);
        let said = returns(&mut walk);
        assert_eq!(said, "drift 0.000, goes on true, unproven false");
    }
}

/// What the lamp gave after the first death is no light from before it.
#[test]
fn a_second_death_does_not_replace_the_light_from_before_the_first() {
    const DIMMER: Light = |_| Outcome::Value(90.0);
    for deaths in [1, 2] {
        let mut walk = walk(itinerary(2, 1, false));
        walk.until(|a| reads(a, Purpose::Reference) && a.leg == Some(2));
        (walk.proven, walk.light) = (false, DIMMER);
        walk.dies();
        for _ in 1..deaths {
            let sets = |a: &crate::plan::itinerary::Action| matches!(a.what, What::SetLevel { .. });
            while {
                walk.until(|a| sets(a) || reads(a, Purpose::Return));
                walk.coming().is_some_and(|a| sets(&a))
            } {
                let set = walk.start();
                walk.say(level(&set.setting, Some(90.0)));
                walk.say(done(None));
            }
            walk.dies();
        }
        let said = returns(&mut walk);
        let expected = "drift none, goes on false, unproven true";
        assert_eq!(said, expected, "{deaths} deaths");
    }
}
