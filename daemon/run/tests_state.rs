//! The state machine: what may follow what, how a run ends, and what each event
//! changes where the walk of a good run never comes.

use photometry::measured::Outcome;
use photometry::units::Length;

use super::journal::{
    Body, End, HoldCause, LampLeft, Link, ResumeCause, RunId, RunState, STEPS_LOST, SeamCause,
};
use super::lit::Lit;
use super::progress::{Move, State};
use super::tests_walk::{
    Walk, done, failed, itinerary, key, level, lost, made_safe, one_of_each, question, reading,
    reads, walk,
};
use crate::plan::itinerary::{Itinerary, Purpose, What};

fn begun() -> Walk {
    let mut walk = walk(itinerary(2, 1, false));
    assert!(walk.step());
    walk
}

fn seam(cause: SeamCause) -> Body {
    Body::Seam { cause }
}

/// A run in each situation in which an event may come.
fn situations() -> Vec<(&'static str, Walk)> {
    let held = |body: Body| {
        let mut walk = begun();
        walk.say(seam(SeamCause::Hold));
        walk.say(body);
        walk
    };
    let at_work = || {
        let mut walk = begun();
        walk.start();
        walk
    };
    let mut asking = at_work();
    asking.say(question());
    let mut broken = at_work();
    broken.say(seam(SeamCause::Died));
    let mut waiting = at_work();
    waiting.say(lost());
    waiting.say(seam(SeamCause::DeviceLost));
    let mut over = begun();
    over.say(Body::Ended { end: End::Stopped });
    let mut unsafe_now = begun();
    assert!(unsafe_now.step());
    vec![
        ("new", walk(itinerary(2, 1, false))),
        ("begun, safe", begun()),
        ("between two actions", unsafe_now),
        ("at work", at_work()),
        ("broken off", broken),
        ("waiting for the meter", waiting),
        (
            "held",
            held(Body::Held {
                cause: HoldCause::Person,
            }),
        ),
        ("asking", asking),
        ("over", over),
    ]
}

/// Every kind of event in every situation, as the action at work would say it
/// and as one that is not; what is refused changes nothing.
#[test]
fn what_may_follow_what() {
    let mut table = String::new();
    for (situation, walk) in situations() {
        table.push_str(&format!("{situation}:\n"));
        for (kind, body) in one_of_each() {
            let right = match (walk.state.running, walk.next(), &walk.state.lost) {
                (Some(running), ..) => (Some(running.no), running.attempt),
                (None, Move::Do { no, attempt }, _) => (Some(no), attempt),
                (None, _, Some(lost)) => (Some(lost.no), lost.attempt),
                _ => (None, 0),
            };
            let mut said = Vec::new();
            for (no, attempt) in [right, (Some(700), 9)] {
                let mut state = walk.state.clone();
                let event = walk.event(no, attempt, body.clone());
                said.push(match state.apply(&walk.itinerary, &event) {
                    Ok(()) => format!("{:?}", state.phase),
                    Err(illegal) => {
                        assert_eq!(state, walk.state, "{situation}, {kind}");
                        format!("({illegal})")
                    }
                });
            }
            said.dedup();
            table.push_str(&format!(
                "  {kind}: {}\n",
                said.join("; of another action ")
            ));
        }
    }
    insta::assert_snapshot!(table);
}

#[test]
fn events_out_of_turn_are_named() {
    let walk = begun();
    let refused = |seq: u64, sitting: u32| {
        let mut event = walk.event(None, 0, seam(SeamCause::Died));
        (event.seq, event.sitting) = (seq, sitting);
        let mut events = walk.events.clone();
        events.push(event);
        State::replay(&walk.itinerary, &events).map_err(|illegal| illegal.to_string())
    };
    let next = walk.state.next_seq;
    assert!(refused(next, 1).is_ok() && refused(next, 2).is_ok());
    let cases = [
        (
            next + 1,
            1,
            "event 3 (seam) cannot follow: the next event is 2",
        ),
        (
            next - 1,
            1,
            "event 1 (seam) cannot follow: the next event is 2",
        ),
        (
            next,
            0,
            "event 2 (seam) cannot follow: sittings count from 1",
        ),
    ];
    for (seq, sitting, why) in cases {
        assert_eq!(refused(seq, sitting), Err(why.to_owned()));
    }
    let mut unborn = super::tests_walk::walk(itinerary(2, 1, false));
    unborn.sitting = 0;
    let event = unborn.event(None, 0, seam(SeamCause::Died));
    let illegal = unborn.try_say(event).expect_err("no sitting");
    assert_eq!(illegal.why, "sittings count from 1");
    let mut later = walk.state.clone();
    later.sitting = 3;
    let illegal = later.apply(&walk.itinerary, &walk.event(None, 0, seam(SeamCause::Died)));
    assert_eq!(illegal.expect_err("old").why, "the present sitting is 3");
}

#[test]
fn how_a_run_ends() {
    let end = |itinerary: Itinerary, failing: &[u32]| {
        let mut walk = walk(itinerary);
        while walk.step() {
            let test = walk.coming().map(|action| action.test);
            if test.is_some_and(|test| failing.contains(&test)) {
                walk.start();
                walk.say(failed("silent"));
            }
        }
        walk.state.phase
    };
    let mut lacking = itinerary(2, 1, false);
    lacking.left_out.push("a dimmer".to_owned());
    let mut without = itinerary(2, 1, false);
    without.lamp_has_not.push("a dawn".to_owned());
    let mut empty = itinerary(2, 1, false);
    (empty.tests, empty.actions) = (Vec::new(), Vec::new());
    let cases = [
        (
            "all measured",
            itinerary(2, 2, false),
            &[][..],
            End::Complete,
        ),
        (
            "a program that the lamp does not have",
            without,
            &[],
            End::Complete,
        ),
        (
            "one of two failed",
            itinerary(2, 2, false),
            &[0],
            End::CompleteWithGaps,
        ),
        (
            "the last of two failed",
            itinerary(2, 2, false),
            &[1],
            End::CompleteWithGaps,
        ),
        ("all failed", itinerary(2, 2, false), &[0, 1], End::Failed),
        ("something left out", lacking, &[], End::CompleteWithGaps),
        ("nothing to do", empty, &[], End::Complete),
    ];
    for (name, itinerary, failing, wanted) in cases {
        let phase = end(itinerary, failing);
        assert_eq!(phase, super::progress::Phase::Ended(wanted), "{name}");
    }
}

#[test]
fn what_is_not_there_is_not_found() {
    let walk = begun();
    let none = |no: i64| walk.state.action(&walk.itinerary, no).is_none();
    assert!(none(-1) && none(i64::MIN) && none(10_000) && none(i64::MAX));
    let light = |leg| walk.state.light_before_the_seam(&walk.itinerary, leg);
    assert_eq!((light(0), light(99)), (None, None));
    assert!(!walk.state.is_done(10_000));
    let mut held = walk;
    held.say(seam(SeamCause::Hold));
    assert_eq!(held.next(), Move::Wait);
}

/// That hold asks to switch the lamp off: only a release says that it was done.
#[test]
fn only_a_release_says_that_the_lamp_is_off() {
    for (cause, off) in [
        (ResumeCause::Released, true),
        (ResumeCause::Restarted, false),
    ] {
        let mut walk = begun();
        walk.until(|action| matches!(action.what, What::WarmUp { .. }));
        walk.say(seam(SeamCause::MaximumOn));
        walk.say(Body::Held {
            cause: HoldCause::MaximumOn,
        });
        walk.say(Body::Resumed { cause });
        assert_eq!(walk.state.lit == Lit::Off, off, "{cause:?}");
    }
}

/// Two windows without progress count; one with progress begins anew, and so
/// does a person's release.
#[test]
fn windows_without_progress_are_counted() {
    let mut walk = begun();
    let mut counted = Vec::new();
    for (steps, cause) in [
        (4, ResumeCause::WindowOpened),
        (0, ResumeCause::WindowOpened),
        (0, ResumeCause::Restarted),
        (0, ResumeCause::Released),
    ] {
        for _ in 0..steps {
            walk.step();
        }
        walk.say(seam(SeamCause::WindowClosed));
        let at_seam = walk.state.fruitless_windows;
        walk.say(Body::Resumed { cause });
        counted.push((at_seam, walk.state.fruitless_windows));
    }
    assert_eq!(counted, [(0, 0), (1, 1), (2, 2), (3, 0)]);
}

/// Losses without progress count; what is done again after a seam is none, and a
/// person's release begins anew.
#[test]
fn losses_without_progress_are_counted() {
    let mut walk = begun();
    let mut counted = Vec::new();
    for (steps, cause) in [
        (6, ResumeCause::DeviceBack),
        (0, ResumeCause::DeviceBack),
        (1, ResumeCause::DeviceBack),
        (0, ResumeCause::Released),
        (0, ResumeCause::DeviceBack),
    ] {
        for _ in 0..steps {
            walk.step();
        }
        walk.start();
        counted.push(walk.state.fruitless_losses_with_one_more());
        walk.say(lost());
        walk.say(seam(SeamCause::DeviceLost));
        walk.say(Body::Resumed { cause });
    }
    assert_eq!(counted, [1, 2, 3, 4, 1]);
}

/// What is known of the lamp, after each thing that may befall it.
#[test]
fn what_is_known_of_the_lamp() {
    let at_watch = |walk: &Walk| walk.itinerary.tests[0].watch;
    let words = |walk: &Walk| match walk.state.lit {
        Lit::NotTouched => "not touched".to_owned(),
        Lit::MaybeOn { sitting, .. } => format!("maybe on since sitting {sitting}"),
        Lit::On { sitting, seen, .. } => format!("on since sitting {sitting}, seen {seen}"),
        Lit::Off => "off".to_owned(),
    };
    let lamp_off = |walk: &mut Walk| walk.until(|a| matches!(a.what, What::LampOff));
    let lit = |walk: &mut Walk| walk.until(|a| matches!(a.what, What::WarmUp { .. }));
    let took = |walk: &mut Walk, purpose, position, value| {
        let (key, reading) = (key(purpose, position), reading(Outcome::Value(value)));
        walk.say(Body::Taken { key, reading });
    };
    let mut said = Vec::new();
    let mut case = |name: &str, how: &dyn Fn(&mut Walk)| {
        let mut walk = begun();
        how(&mut walk);
        said.push(format!("{name}: {}", words(&walk)));
    };
    case("begun", &|_| {});
    case("being switched off", &|walk| {
        lamp_off(walk);
        walk.start();
    });
    case("being switched off again after a death", &|walk| {
        lamp_off(walk);
        walk.start();
        walk.dies();
        walk.until(|a| matches!(a.what, What::LampOff));
        walk.start();
    });
    case("set and seen", &lit);
    case("set and seen, and the daemon died", &|walk| {
        lit(walk);
        walk.dies();
    });
    case("a level is decided while it is off", &|walk| {
        walk.start();
        walk.say(level("L02", Some(100.0)));
    });
    case("a level is decided and not seen", &|walk| {
        walk.until(|a| matches!(a.what, What::SetLevel { .. }));
        walk.start();
        walk.say(level("L02", None));
    });
    case("half the light is gone at the watch position", &|walk| {
        lit(walk);
        walk.start();
        let watch = at_watch(walk);
        took(walk, Purpose::WarmUp, watch, 10.0);
    });
    case("it is dark elsewhere, where nothing can be said", &|walk| {
        lit(walk);
        walk.start();
        took(walk, Purpose::WarmUp, Length::from_mm(900), 0.0);
    });
    case("made safe, off", &|walk| {
        lit(walk);
        walk.say(made_safe(LampLeft::Off));
    });
    case("made safe, pressed blind", &|walk| {
        lit(walk);
        walk.say(made_safe(LampLeft::OffNotSeen));
    });
    case("made safe, not known", &|walk| {
        lit(walk);
        walk.say(made_safe(LampLeft::NotKnown));
    });
    for (name, purpose) in [("read", Purpose::Read), ("warmed", Purpose::WarmUp)] {
        case(&format!("made safe, then {name} in the dark"), &|walk| {
            lit(walk);
            walk.say(made_safe(LampLeft::Off));
            walk.start();
            let watch = at_watch(walk);
            took(walk, purpose, watch, 0.0);
        });
    }
    insta::assert_snapshot!(said.join("\n"));
}

/// Lights seen by another meter, or from elsewhere, say nothing.
#[test]
fn lights_are_forgotten_where_they_cannot_be_compared() {
    let lights = |change: fn(&mut Itinerary)| {
        let mut itinerary = itinerary(2, 2, false);
        change(&mut itinerary);
        let mut walk = walk(itinerary);
        walk.until(|action| action.test == 1);
        let before = walk.state.light_at.len();
        walk.start();
        (
            before,
            walk.state.light_at.len(),
            walk.state.passed_at.len(),
        )
    };
    assert_eq!(lights(|_| {}), (2, 2, 1));
    assert_eq!(lights(|i| i.tests[1].meter = "other".to_owned()), (2, 0, 0));
    assert_eq!(
        lights(|i| i.tests[1].watch = Length::from_mm(900)),
        (2, 0, 0)
    );
}

/// What a meter could not say counts for nothing, and its action is not done.
#[test]
fn readings_that_say_nothing_end_nothing() {
    let silent = || reading(Outcome::TimedOut);
    let mut walk = begun();
    walk.until(|action| reads(action, Purpose::Reference));
    let action = walk.start();
    let (key_of, leg) = (action.key.expect("a key"), action.leg.expect("a leg"));
    walk.say(Body::Taken {
        key: key_of.clone(),
        reading: silent(),
    });
    assert!(walk.state.running.is_some() && walk.state.references().means(leg).is_empty());
    walk.say(Body::Taken {
        key: key_of,
        reading: reading(Outcome::Value(9.0)),
    });
    assert!(walk.state.running.is_none());
    assert_eq!(walk.state.references().means(leg), [9.0]);
    walk.until(|action| reads(action, Purpose::Read));
    walk.dies();
    walk.until(|action| reads(action, Purpose::Return));
    let key_of = walk.start().key.expect("a key");
    walk.say(Body::Taken {
        key: key_of.clone(),
        reading: silent(),
    });
    assert_eq!(walk.state.return_mean(), None);
    // In a preamble no reading is one of the leg's own visits.
    let purpose = Purpose::Reference;
    let key = crate::plan::itinerary::Key { purpose, ..key_of };
    walk.say(Body::Taken {
        key,
        reading: reading(Outcome::Value(9.0)),
    });
    assert_eq!(walk.state.return_mean(), None);
}

/// Steps that were lost make the whole test's legs suspect.
#[test]
fn lost_steps_undo_the_legs_of_their_test() {
    let mut walk = begun();
    walk.itinerary.policies.on_failure = crate::plan::intent::OnFailure::Hold;
    walk.until(|action| action.leg == Some(2));
    let leg_done = |walk: &Walk| walk.state.leg_is_done(&walk.itinerary, 1);
    assert!(leg_done(&walk));
    walk.start();
    walk.say(failed(STEPS_LOST));
    assert!(!leg_done(&walk) && walk.state.failed_tests.is_empty());
}

/// Nothing is left to do: a seam then needs no preamble.
#[test]
fn a_seam_after_the_last_action_goes_straight_finish() {
    let mut walk = begun();
    while !matches!(walk.next(), Move::MakeSafe) {
        walk.step();
    }
    walk.dies();
    assert_eq!(
        (walk.next(), walk.state.preamble.clone()),
        (Move::MakeSafe, None)
    );
    walk.finish();
    assert_eq!(
        walk.state.phase,
        super::progress::Phase::Ended(End::Complete)
    );
    let replayed = State::replay(&walk.itinerary, &walk.events).expect("legal");
    assert_eq!(replayed, walk.state);
}

/// Wherever a run dies, it comes to its end, and its replay to the same state.
#[test]
fn every_seam_is_survived() {
    let whole = {
        let mut walk = begun();
        walk.finish();
        walk.itinerary.actions.len()
    };
    for (half_light, from) in [(false, 0), (true, 0)] {
        for at in (from..whole).step_by(3) {
            for proven in [true, false] {
                let mut walk = walk(itinerary(2, 1, half_light));
                walk.proven = proven;
                walk.step();
                while walk.state.actions_done() < at && walk.step() {}
                if walk.next() == Move::Wait {
                    continue;
                }
                walk.dies();
                walk.finish();
                let end = super::progress::Phase::Ended(End::Complete);
                assert_eq!(walk.state.phase, end, "seam at {at}");
                let replayed = State::replay(&walk.itinerary, &walk.events).expect("legal");
                assert_eq!(replayed, walk.state, "seam at {at}");
            }
        }
    }
}

/// The states' words, and which event leads where.
#[test]
fn states_and_their_words() {
    use RunState::{Complete, CompleteWithGaps, Failed, Held, Measuring, Stopped, Waiting};
    let all = [
        Waiting,
        Measuring,
        Held,
        Complete,
        CompleteWithGaps,
        Stopped,
        Failed,
    ];
    let mut table = String::new();
    for state in all {
        let over = if state.is_over() { ", over" } else { "" };
        table.push_str(&format!("{}{over}\n", state.words()));
    }
    let ends = [
        End::Complete,
        End::CompleteWithGaps,
        End::Stopped,
        End::Failed,
    ];
    let mut bodies = one_of_each();
    bodies.extend(ends.map(|end| ("ended", Body::Ended { end })));
    for (name, body) in bodies {
        let after: Vec<_> = [Waiting, Measuring, Held]
            .map(|s| s.after(&body).words())
            .into();
        table.push_str(&format!("{name} ({}): {}\n", body.kind(), after.join(", ")));
    }
    table.push_str(&format!("{} {:?}\n", RunId(7), Link::of_bundle(b"bundle")));
    insta::assert_snapshot!(table);
}

/// A question keeps its action at work; the answer lets it go on.
#[test]
fn an_answer_goes_on_with_the_same_action() {
    let mut walk = begun();
    walk.start();
    walk.say(question());
    walk.say(Body::Resumed {
        cause: ResumeCause::Answered,
    });
    walk.say(done(None));
    assert_eq!((walk.state.actions_done(), walk.state.running), (1, None));
}
