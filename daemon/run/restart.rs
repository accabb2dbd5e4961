//! Where a run resumes after a seam, and what must be done first.
//!
//! Whatever broke the run off, the carriage's position and the lamp's level
//! are unknown until proven. So before the first incomplete point comes a
//! preamble: coils off, home, go to the watch position, bring the lamp back to
//! its level and temperature, and read the reference again. Within the drift
//! limit the run goes on; otherwise the leg is measured again.

use std::collections::BTreeSet;

use photometry::units::Length;

use crate::plan::course::DARK;
use crate::plan::itinerary::{
    Action, Itinerary, Key, KindName, OFF, Purpose, Question, Restart, UNPLUGGED, WarmUpRule, What,
};

/// The first action to do again when `at` is the first that is not done: a
/// point is redone whole, a group from its beginning.
pub fn first_to_redo(itinerary: &Itinerary, at: u32) -> u32 {
    let Some(action) = itinerary.actions.get(at as usize) else {
        return at;
    };
    let mut first = at;
    if let Some(point) = action.point {
        while first > 0 && itinerary.actions[first as usize - 1].point == Some(point) {
            first -= 1;
        }
    }
    match action.restart {
        Restart::FromGroup(group) => group.min(first),
        Restart::Again | Restart::Ask => first,
    }
}

/// What must be done before going on at `first`. Empty when the test's own
/// opening actions come anyway.
pub fn preamble(itinerary: &Itinerary, first: u32, done: impl Fn(u32) -> bool) -> Vec<Action> {
    let Some(next) = itinerary.actions.get(first as usize) else {
        return Vec::new();
    };
    let Some(test) = itinerary.tests.get(next.test as usize) else {
        return Vec::new();
    };
    let before: Vec<&Action> = itinerary.actions[test.first as usize..first as usize]
        .iter()
        .collect();
    let in_test = &itinerary.actions[test.first as usize..=test.last as usize];
    let is_home = |action: &&Action| matches!(action.what, What::Home);
    let home = before.iter().copied().find(is_home);
    // The opening (fingers off, home) is itself still to do: nothing precedes it.
    if home.is_none() && in_test.iter().any(|action| is_home(&action)) {
        return Vec::new();
    }
    let mut actions: Vec<Action> = Vec::new();
    let mut push = |model: &Action, what: What, key: Option<Key>| {
        actions.push(Action {
            no: actions.len() as u32,
            test: next.test,
            point: None,
            leg: next.leg,
            setting: model.setting.clone(),
            position: Some(test.watch),
            what,
            key,
            restart: Restart::Again,
            time: model.time,
            line: model.line.clone(),
        });
    };
    for model in opening(&before, home, in_test, test.watch) {
        push(model, model.what.clone(), None);
    }
    for model in switched(&before, &done) {
        push(model, model.what.clone(), None);
        // The rest of a lamp that has its power again follows at once.
        let rest = |a: &&&Action| a.no == model.no + 1 && matches!(a.what, What::Wait { .. });
        if let Some(rest) = before.iter().find(rest) {
            push(rest, rest.what.clone(), None);
        }
    }
    if next.setting == UNPLUGGED {
        // A lamp without power needs no level, and hears no button.
        return actions;
    }
    // What the lamp was last brought to, among the actions that are done.
    let lamp_action = before.iter().rfind(|a| {
        done(a.no)
            && matches!(
                a.what,
                What::SetLevel { .. } | What::LampOff | What::FindHalfLight { .. }
            )
    });
    let Some(lamp_action) = lamp_action else {
        return actions;
    };
    if matches!(lamp_action.what, What::LampOff) {
        push(lamp_action, What::LampOff, None);
        return actions;
    }
    for (set, warm) in levels_to_restore(&before, lamp_action, &done) {
        push(set, set.what.clone(), None);
        if let Some(warm) = warm {
            push(warm, warm.what.clone(), warm.key.clone());
        }
    }
    push_return(itinerary, next, &mut push);
    actions
}

/// Each outlet of the test as it was switched last: making the bench safe, and a
/// board that nobody feeds, switch all of them off.
fn switched<'a>(before: &[&'a Action], done: &impl Fn(u32) -> bool) -> Vec<&'a Action> {
    let mut last: Vec<&Action> = Vec::new();
    for action in before.iter().copied().filter(|action| done(action.no)) {
        if let What::Switch { outlet, .. } = &action.what {
            last.retain(
                |one| !matches!(&one.what, What::Switch { outlet: of, .. } if of == outlet),
            );
            last.push(action);
        }
    }
    last
}

/// Fingers off; on a rail home and to the watch position; and the meter open or
/// covered as it was. Without homing nothing moves.
fn opening<'a>(
    before: &[&'a Action],
    home: Option<&'a Action>,
    in_test: &'a [Action],
    watch: Length,
) -> Vec<&'a Action> {
    let release = before
        .iter()
        .find(|a| matches!(a.what, What::ReleaseFingers))
        .copied();
    let going = in_test
        .iter()
        .find(|a| matches!(a.what, What::Move { to, .. } if to == watch));
    // A cap that a person put on is asked for again: nobody saw what became of
    // it meanwhile. What else a person was asked stays as it is.
    let caps = |a: &Action| match &a.what {
        What::Ask { question } => matches!(
            question,
            Question::CoverMeter(_) | Question::UncoverMeter(_)
        ),
        _ => false,
    };
    let cap = before.iter().copied().rfind(|a| caps(a));
    let cap = cap.filter(|a| {
        !matches!(
            a.what,
            What::Ask {
                question: Question::UncoverMeter(_)
            }
        )
    });
    let cover = shutters(before, in_test).into_iter().chain(cap);
    release
        .into_iter()
        .chain(home)
        .chain(going.filter(|_| home.is_some()))
        .chain(cover)
        .collect()
}

/// Each meter's shutter as it was left before; one that is closed and opened later
/// alone is open, for the run may have been broken off in between.
fn shutters<'a>(before: &[&'a Action], in_test: &'a [Action]) -> Vec<&'a Action> {
    fn of(action: &Action) -> Option<(bool, &Option<String>)> {
        match &action.what {
            What::Shutter { closed, meter } => Some((*closed, meter)),
            _ => None,
        }
    }
    let mut found: Vec<&Action> = Vec::new();
    for action in in_test {
        let Some((_, meter)) = of(action) else {
            continue;
        };
        let same = |other: &Action| of(other).is_some_and(|(_, it)| it == meter);
        if found.iter().any(|other| same(other)) {
            continue;
        }
        let last = before.iter().copied().rfind(|other| same(other));
        let opens = || {
            in_test
                .iter()
                .find(|a| same(a) && of(a).is_some_and(|(closed, _)| !closed))
        };
        found.extend(last.or_else(opens));
    }
    found
}

/// The level changes to repeat, each with its warm-up: the full warm-up first
/// (the lamp may have been off), then the level in force.
fn levels_to_restore<'a>(
    before: &[&'a Action],
    in_force: &'a Action,
    done: &impl Fn(u32) -> bool,
) -> Vec<(&'a Action, Option<&'a Action>)> {
    let warm_after = |set: &Action| {
        before
            .iter()
            .find(|a| a.no == set.no + 1 && matches!(a.what, What::WarmUp { .. }))
            .copied()
    };
    let full = before.iter().copied().find(|a| {
        let full = matches!(
            &a.what,
            What::WarmUp {
                rule: WarmUpRule::Window(_),
                ..
            }
        );
        full && done(a.no)
    });
    let full_set = full.and_then(|warm| before.iter().copied().find(|a| a.no + 1 == warm.no));
    let mut levels = Vec::new();
    if let Some(set) = full_set
        && set.no != in_force.no
    {
        levels.push((set, full));
    }
    if matches!(in_force.what, What::SetLevel { .. }) {
        levels.push((in_force, warm_after(in_force)));
    }
    levels
}

/// The leg whose reference is read again: the one that goes on, or, where that
/// begins with its own level change, the one before it in the test, whose level
/// is in force.
fn leg_to_return_to(itinerary: &Itinerary, next: &Action) -> Option<u32> {
    let leg = next.leg?;
    let first = itinerary.actions.iter().find(|a| a.leg == Some(leg));
    if first.is_some_and(|first| first.no != next.no) {
        return Some(leg);
    }
    let before = leg.checked_sub(1)?;
    let same_test = |a: &&Action| a.leg == Some(before) && a.test == next.test;
    let reads = |a: &Action| matches!(a.what, What::CheckDrift { .. });
    itinerary
        .actions
        .iter()
        .filter(same_test)
        .any(reads)
        .then_some(before)
}

/// The reference readings after the seam and the decision on them.
fn push_return(
    itinerary: &Itinerary,
    next: &Action,
    push: &mut impl FnMut(&Action, What, Option<Key>),
) {
    let Some(leg) = leg_to_return_to(itinerary, next) else {
        return;
    };
    let leg_actions = || itinerary.actions.iter().filter(|a| a.leg == Some(leg));
    let check = leg_actions().find_map(|a| match a.what {
        What::CheckDrift { limit, .. } => Some((a, limit)),
        _ => None,
    });
    let first_visit = leg_actions().find_map(|a| {
        let reference = a
            .key
            .as_ref()
            .is_some_and(|key| key.purpose == Purpose::Reference);
        reference.then_some(a.point).flatten()
    });
    let (Some((check, limit)), Some(first_visit)) = (check, first_visit) else {
        return;
    };
    let of_visit = leg_actions().filter(|a| a.point == Some(first_visit));
    let reads = of_visit.filter(|a| a.other_meter().is_none());
    let reads = reads.filter_map(|a| match (&a.what, &a.key) {
        (
            What::Read {
                quantity, meter, ..
            },
            Some(key),
        ) => Some((a, (*quantity, meter), key)),
        _ => None,
    });
    for (visit, (read, (quantity, meter), key)) in (1..).zip(reads) {
        let purpose = Purpose::Return;
        let key = Key {
            purpose,
            visit,
            ..key.clone()
        };
        let what = What::Read {
            quantity,
            purpose,
            meter: meter.clone(),
        };
        push(read, what, Some(key));
    }
    push(check, What::CheckReturn { limit, leg }, None);
}

/// The legs that are measured again with this one: it alone, or all of its test
/// up to it.
pub fn legs_again(itinerary: &Itinerary, leg: u32, earlier: bool) -> BTreeSet<u32> {
    let test = itinerary
        .actions
        .iter()
        .find(|action| action.leg == Some(leg));
    let of_test = |action: &&Action| test.is_some_and(|test| action.test == test.test);
    let legs = itinerary
        .actions
        .iter()
        .filter(of_test)
        .filter_map(|action| action.leg);
    legs.filter(|other| *other == leg || (earlier && *other < leg))
        .collect()
}

/// The points that are in doubt, beside the leg at work, when a light is not as
/// it must be before or in this action: those of its own group; those that were
/// measured with the lamp off, in a row, before it; those at a level that is in
/// no leg, in a row.
pub fn points_in_doubt(itinerary: &Itinerary, no: u32) -> BTreeSet<u32> {
    let Some(at) = itinerary.actions.get(no as usize) else {
        return BTreeSet::new();
    };
    let mut tests = itinerary.tests.iter().skip(at.test as usize);
    // In a sphere nothing covers the meter while it is dark there.
    let in_sphere = tests.next().is_some_and(|head| head.kind == KindName::Flux);
    let of_group = itinerary.actions.iter().filter(|action| {
        let grouped = matches!(at.restart, Restart::FromGroup(_));
        grouped && action.restart == at.restart && action.test == at.test
    });
    let before = || itinerary.actions.iter().take(no as usize).rev();
    let dark = before().take_while(|action| {
        let switched = matches!(action.what, What::LampOff);
        let off = action.setting == OFF || in_sphere && action.setting == DARK;
        !switched && action.leg.is_none() && off
    });
    let read_dark = dark.filter(|action| {
        let purpose = action.key.as_ref().map(|key| key.purpose);
        purpose == Some(Purpose::Ambient) || in_sphere && purpose == Some(Purpose::Dark)
    });
    let lit = before().take_while(|action| {
        let set = matches!(action.what, What::SetLevel { .. } | What::LampOff);
        !set && action.leg.is_none()
    });
    let read_lit = lit.filter(|action| {
        let key = action.key.as_ref();
        key.is_some_and(|key| key.purpose == Purpose::Read)
    });
    let all = of_group.chain(read_dark).chain(read_lit);
    all.filter_map(|action| action.point).collect()
}

/// Recordings of a test, and what their groups hold after them: when the carriage
/// did not stand where they were to be made.
pub fn recordings_of_test(itinerary: &Itinerary, test: u32) -> BTreeSet<u32> {
    let of_test = || itinerary.actions.iter().filter(|a| a.test == test);
    let records = of_test().filter(|action| matches!(action.what, What::Record(_)));
    records
        .flat_map(|record| {
            of_test().filter(|action| {
                let after = action.no > record.no && action.restart == record.restart;
                action.no == record.no || after && action.restart != Restart::Again
            })
        })
        .map(|action| action.no)
        .collect()
}

/// All legs of a test.
pub fn legs_of_test(itinerary: &Itinerary, test: u32) -> BTreeSet<u32> {
    let of_test = itinerary
        .actions
        .iter()
        .filter(|action| action.test == test);
    of_test.filter_map(|action| action.leg).collect()
}
