//! Whole morning sheets, over the store's samples.

use photometry::measured::Outcome;
use photometry::units::{Span, Wall};

use super::morning::{Morning, Night, belongs, run};
use super::tests_tonight::{booked, clock, now};
use super::{At, Task};
use crate::plan::samples::survey;
use crate::queue::redo::missing;
use crate::run::journal::{
    Body, End, Fault, HoldCause, LampLeft, Left, RunId, RunState, SeamCause,
};
use crate::run::progress::State;
use crate::store::samples::{Story, frozen};

/// A run's journal as the sheet sees it.
fn night(no: i64, story: &Story) -> Night {
    let mut told = booked(no, story.frozen.clone());
    let itinerary = &story.frozen.itinerary;
    told.progress = State::replay(itinerary, &story.events).expect("legal");
    let states = story.events.iter();
    told.row.state = states.fold(RunState::Waiting, |state, event| state.after(&event.body));
    told.row.begun = Some(now() + Span::from_mins(-600));
    told.row.actions_done = told.progress.actions_done() as i64;
    told.row.readings = story.rows().len() as i64;
    let over = told.row.state.is_over();
    told.row.ended = over.then(|| now() + Span::from_mins(-60));
    let missing = match over {
        true => missing(&story.frozen, &story.rows(), &[], &story.events),
        false => Vec::new(),
    };
    Night {
        told,
        missing,
        left: None,
        trouble: None,
        again: Vec::new(),
    }
}

fn sheet(nights: &[Night]) -> Morning {
    Morning {
        now: At::of(&clock(), now()),
        since: At::of(&clock(), now() + Span::from_mins(-24 * 60)),
        runs: nights.iter().map(|night| run(&clock(), night)).collect(),
        left_out: 0,
    }
}

fn left(lamp: LampLeft) -> Left {
    Left {
        carriage_still: true,
        fingers_off: true,
        lamp,
        troubles: Vec::new(),
    }
}

/// Two levels at 6 and 12 in, two readings each, up to this action.
fn story(end: u32) -> Story {
    let mut story = Story::begin(frozen(2, survey(&[6, 12])));
    let end = end.min(story.actions());
    story.act(0..end, |_, _| Outcome::Value(100.0));
    story
}

fn end(story: &mut Story, end: End) {
    let made_safe = Body::MadeSafe {
        left: left(LampLeft::Off),
    };
    story.tell(None, made_safe);
    story.tell(None, Body::Ended { end });
}

/// A fault of the action after those that are done.
fn fail(story: &mut Story) {
    let done = story.events.iter().filter_map(|event| event.no).max();
    let no = done.map_or(0, |no| no + 1);
    let doing = "as planned".to_owned();
    story.tell(Some(no), Body::Started { doing });
    let fault = Fault {
        code: "silent".to_owned(),
        instrument: Some("lux-head".to_owned()),
        message: "no answer within 2 s".to_owned(),
    };
    story.tell(Some(no), Body::Failed { fault });
}

#[test]
fn what_is_complete_failed_and_stopped_is_told_with_what_to_do() {
    let mut complete = story(u32::MAX);
    end(&mut complete, End::Complete);
    let mut failed = story(40);
    fail(&mut failed);
    end(&mut failed, End::Failed);
    let mut stopped = story(40);
    let cause = SeamCause::Stop;
    stopped.tell(None, Body::Seam { cause });
    end(&mut stopped, End::Stopped);
    let mut nights = [night(7, &complete), night(8, &failed), night(9, &stopped)];
    let mut twin = nights[0].told.row.clone();
    (twin.id, twin.state) = (RunId(12), RunState::Waiting);
    nights[1].again.push(twin);
    let words = "IT IS NOT KNOWN WHETHER THE LAMP IS ON".to_owned();
    nights[2].left = Some((left(LampLeft::NotKnown), words));
    let sheet = sheet(&nights);
    let states: Vec<&str> = sheet
        .runs
        .iter()
        .map(|run| run.tests[0].state.as_str())
        .collect();
    assert_eq!(states, ["complete", "failed", "with gaps"]);
    assert_eq!(sheet.runs[0].fill, None);
    insta::assert_snapshot!(sheet.text());
}

#[test]
fn what_needs_a_person_stands_at_the_top() {
    let mut asking = story(3);
    let no = Some(3);
    let doing = "as planned".to_owned();
    asking.tell(no, Body::Started { doing });
    let words = "Put the cap on the meter `lux-head`, then answer.".to_owned();
    let cause = HoldCause::Question(words.clone());
    asking.tell(no, Body::Held { cause });
    let mut dark = story(3);
    let cause = SeamCause::Died;
    dark.tell(None, Body::Seam { cause });
    let made_safe = left(LampLeft::OnSwitchFailed);
    dark.tell(
        None,
        Body::MadeSafe {
            left: made_safe.clone(),
        },
    );
    let cause = HoldCause::PowerLost;
    dark.tell(None, Body::Held { cause });
    let mut nights = [night(3, &asking), night(4, &dark), night(5, &story(0))];
    nights[0].told.asks = Some(words);
    nights[1].told.why = Some("power was lost; look at the bench, then release the run".to_owned());
    let words = "no finger presses, THE LAMP IS LEFT ON: switching it off failed".to_owned();
    nights[1].left = Some((made_safe, words));
    nights[2].trouble = Some("its record failed: the disk is full".to_owned());
    insta::assert_snapshot!(sheet(&nights).text());
}

/// What was never begun waits, or was ended before; a unit that was moved needs
/// its run held and released.
#[test]
fn runs_that_never_began() {
    let mut waiting = night(5, &story(0));
    waiting.told = booked(5, frozen(2, survey(&[6, 12])));
    waiting.told.displaced = Some("unit `dunlin-1` was placed anew since".to_owned());
    let mut stopped = night(6, &story(0));
    stopped.told = booked(6, frozen(2, survey(&[6, 12])));
    stopped.told.row.state = RunState::Stopped;
    stopped.told.row.ended = Some(now());
    stopped.missing = missing(&stopped.told.frozen, &[], &[], &[]);
    insta::assert_snapshot!(sheet(&[waiting, stopped]).text());
}

/// A test whose gap no missing reading shows is named; its name stays one word.
#[test]
fn a_gap_that_readings_do_not_show_is_named() {
    let mut failed = story(40);
    fail(&mut failed);
    end(&mut failed, End::Failed);
    let mut night = night(8, &failed);
    night.missing.clear();
    night.told.frozen.itinerary.tests[0].name = "ada's wake".to_owned();
    let fill = run(&clock(), &night).fill;
    let command = r"wakerail redo 8 --test 'ada'\''s wake'".to_owned();
    let words = "To measure again what is missing (ada's wake):";
    assert_eq!(fill, Some(Task::of(8, words, &[command])));
}

#[test]
fn what_ended_before_is_not_told() {
    let mut row = booked(1, frozen(1, survey(&[6]))).row;
    let since = Wall::from_us(1_000);
    assert!(belongs(&row, since), "it waits");
    row.state = RunState::Complete;
    for (ended, told) in [(999, false), (1_000, true), (1_001, true)] {
        row.ended = Some(Wall::from_us(ended));
        assert_eq!(belongs(&row, since), told, "{ended}");
    }
}
