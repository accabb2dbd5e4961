//! What a person set aside enters no figure; what is left is told with it.

use photometry::measured::Outcome;
use photometry::units::Length;

use super::view;
use crate::plan::itinerary::{Key, Purpose};
use crate::plan::samples;
use crate::report::gather::surveys;
use crate::report::survey::{PointFigure, SurveyFigures};
use crate::report::table;
use crate::run::journal::RunId;
use crate::store::samples::{Story, frozen};

/// The readings of a point in turn: 100, 101, 102, 103 lx; no room light.
fn meter(key: &Key, _: i64) -> Outcome {
    Outcome::Value(match key.purpose {
        Purpose::Read => 99.0 + f64::from(key.visit),
        Purpose::Reference => 100.0,
        _ => 0.0,
    })
}

fn whole() -> Story {
    let mut survey = samples::survey(&[6, 12]);
    survey.readings = 4;
    let mut story = Story::begin(frozen(1, survey));
    let end = story.actions();
    story.act(0..end, meter);
    story
}

fn only(story: &Story) -> SurveyFigures {
    let mut all = surveys(&story.frozen, &story.rows(), &story.events);
    assert_eq!(all.len(), 1);
    all.remove(0)
}

/// Sets readings of the point at 6 in aside, by their visits.
fn set_aside(story: &mut Story, visits: std::ops::RangeInclusive<u32>, because: &str) {
    let rows = story.rows();
    let at = Length::from_nm(6 * 25_400_000);
    let meant = rows.iter().filter(|row| {
        row.purpose == Purpose::Read && row.position == at && visits.contains(&row.visit)
    });
    for row in meant {
        story.set_aside.insert(row.seq, because.to_owned());
    }
}

fn first(figures: &SurveyFigures) -> &PointFigure {
    &figures.settings[0].points[0]
}

fn mean(point: &PointFigure) -> Option<f64> {
    point.estimate.as_ref().map(|estimate| estimate.value)
}

/// Three of four left: the mean is theirs, n is smaller, U is larger, and
/// nothing forbids a ruling on it.
#[test]
fn the_mean_is_that_of_the_readings_left() {
    let mut story = whole();
    let before = only(&story);
    assert!((mean(first(&before)).expect("a mean") - 101.5).abs() < 1e-9);
    set_aside(&mut story, 4..=4, "the door was open");
    let after = only(&story);
    let point = first(&after);
    assert!((mean(point).expect("a mean") - 101.0).abs() < 1e-9);
    assert_eq!((point.n, point.missing, point.status()), (3, 0, "value"));
    assert_eq!(point.flags, first(&before).flags);
    let words = "1 reading set aside: the door was open";
    assert_eq!(point.remarks().last().map(String::as_str), Some(words));
    assert!(!after.unfinished, "it was taken");
    let notes = table::notes(&after);
    assert!(notes.iter().any(|note| note.contains(words)), "{notes:?}");
    let seen = view::view(RunId(1), &story.frozen, &after);
    assert!(seen.settings[0].points[0].lux.what.is_ok());
    assert_eq!(seen.settings[0].points[0].lux.flags, point.flags);
}

/// One left: no ruling, because its repeatability is not known. None left: no
/// value, and the reason says why.
#[test]
fn too_few_readings_left_are_undecided() {
    let mut story = whole();
    set_aside(&mut story, 2..=4, "the door was open");
    let after = only(&story);
    assert_eq!(first(&after).n, 1);
    let flag = "one reading: its repeatability is not known";
    assert!(first(&after).flags.iter().any(|known| known == flag));
    set_aside(&mut story, 1..=1, "cable loose");
    let after = only(&story);
    let point = first(&after);
    assert_eq!(
        (point.status(), point.n, mean(point)),
        ("set aside", 0, None)
    );
    assert_eq!(point.missing, 0);
    insta::assert_snapshot!(table::text(&after));
    let seen = view::view(RunId(1), &story.frozen, &after);
    let why = seen.settings[0].points[0].lux.what.clone();
    assert_eq!(why.expect_err("nothing"), "every reading was set aside");
}

/// A reference reading that is set aside no longer corrects anything: the
/// drift that it alone showed is gone, and the survey says that it was there.
#[test]
fn a_reading_behind_a_correction_leaves_it() {
    let mut survey = samples::survey(&[6, 12]);
    survey.readings = 4;
    let mut story = Story::begin(frozen(1, survey));
    let end = story.actions();
    let (mut last, mut visits) = (0, 0);
    story.act(0..end, |key, at| {
        if key.purpose == Purpose::Reference {
            (last, visits) = (at, visits + 1);
        }
        meter(key, at)
    });
    assert!(visits > 1 && last > 0);
    // The last visit's readings are ten per cent too high.
    let rows = story.rows();
    let mut reference = rows.iter().filter(|r| r.purpose == Purpose::Reference);
    let wrong = reference.next_back().expect("a visit").seq;
    for event in &mut story.events {
        if event.seq == wrong
            && let crate::run::journal::Body::Taken { reading, .. } = &mut event.body
        {
            reading.outcome = Outcome::Value(110.0);
        }
    }
    let drift = |figures: &SurveyFigures| figures.settings[0].drift.map(|d| d.share());
    assert!(drift(&only(&story)).expect("a drift").abs() > 0.01);
    story.set_aside.insert(wrong, "a shadow".to_owned());
    let after = only(&story);
    assert!(drift(&after).expect("a drift").abs() < 1e-9);
    assert_eq!(after.set_aside.len(), 1);
    let words = &after.set_aside[0];
    assert!(words.starts_with("reference reading"), "{words}");
    assert!(words.ends_with(": a shadow"), "{words}");
}

fn aside_all(story: &mut Story, purpose: Purpose) {
    for row in story.rows() {
        if row.purpose == purpose {
            story
                .set_aside
                .insert(row.seq, "the door was open".to_owned());
        }
    }
}

/// A background that was measured and no longer counts is told at each point,
/// so that nothing is ruled on figures that hold the light of the room.
#[test]
fn a_background_that_was_set_aside_flags_what_lacks_it() {
    let lacking = |story: &Story| {
        let figures = only(story);
        let flags = first(&figures).flags.join("; ");
        flags.contains("is not taken off: none of its readings counts")
    };
    let mut story = whole();
    assert!(!lacking(&story));
    aside_all(&mut story, Purpose::Ambient);
    assert!(lacking(&story));
    aside_all(&mut story, Purpose::Dark);
    assert!(lacking(&story));
    let view = view::view(RunId(1), &story.frozen, &only(&story));
    assert!(!view.settings[0].points[0].lux.flags.is_empty());
}

/// The run's own verdict rested on a visit that no longer counts: what is left
/// is held against the limit again.
#[test]
fn a_drift_is_judged_again_without_what_was_set_aside() {
    let mut survey = samples::survey(&[6, 12]);
    survey.reference.drift_limit = photometry::units::Ratio::new(0.005);
    let mut story = Story::begin(frozen(1, survey));
    let end = story.actions();
    let mut visit = 0;
    story.act(0..end, |key, at| {
        if key.purpose == Purpose::Reference {
            visit += 1;
            return Outcome::Value(100.0 + f64::from(visit));
        }
        meter(key, at)
    });
    assert!(
        !only(&story).settings[0].drift_flagged,
        "the run's own verdict"
    );
    let rows = story.rows();
    let mut visits = rows.iter().filter(|row| row.purpose == Purpose::Reference);
    let one = visits.next().expect("a visit").seq;
    story.set_aside.insert(one, "a shadow".to_owned());
    let after = only(&story);
    assert!(
        after.settings[0]
            .drift
            .is_some_and(|drift| drift.share() > 0.005)
    );
    assert!(after.settings[0].drift_flagged);
}
