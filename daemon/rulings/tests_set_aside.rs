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
        row.key.purpose == Purpose::Read
            && row.key.position == at
            && visits.contains(&row.key.visit)
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
    let mut reference = rows.iter().filter(|r| r.key.purpose == Purpose::Reference);
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
        if row.key.purpose == purpose {
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
    let mut visits = rows
        .iter()
        .filter(|row| row.key.purpose == Purpose::Reference);
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

mod taking_readings_away {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::*;

    /// The kinds of sources behind a figure: the first word of each name.
    fn kinds(point: &PointFigure) -> BTreeSet<String> {
        let terms = point.estimate.iter().flat_map(|e| &e.terms);
        let first = |source: &str| source.split(' ').next().unwrap_or_default().to_owned();
        terms.map(|term| first(&term.source)).collect()
    }

    /// Readings that scatter, of every kind, with so many of each background.
    fn story(dark: u16, ambient: u16, scatter: &[u8]) -> Story {
        let mut survey = samples::survey(&[6, 12]);
        (survey.readings, survey.dark, survey.ambient) = (3, dark, ambient);
        let mut story = Story::begin(frozen(1, survey));
        let end = story.actions();
        let mut next = scatter.iter().cycle();
        story.act(0..end, |key, _| {
            let more = 0.001 * (1.0 + f64::from(*next.next().unwrap_or(&0)));
            Outcome::Value(match key.purpose {
                Purpose::Read | Purpose::Reference => 100.0 + more,
                _ => 0.1 + more,
            })
        });
        story
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// Whatever is set aside: a figure that nothing flags has every kind of
        /// term that it had before, none of them zero by a single reading.
        #[test]
        fn no_term_vanishes_without_a_flag(
            (dark, ambient) in (0_u16..3, 0_u16..4),
            scatter in proptest::collection::vec(0_u8..200, 40..60),
            aside in proptest::collection::vec(proptest::bool::weighted(0.3), 64),
        ) {
            let mut story = story(dark, ambient, &scatter);
            let before = only(&story);
            let rows = story.rows();
            for (row, aside) in rows.iter().zip(aside.iter().cycle()) {
                if *aside {
                    story.set_aside.insert(row.seq, "a shadow".to_owned());
                }
            }
            let after = only(&story);
            let points = before.settings[0].points.iter().zip(&after.settings[0].points);
            for (whole, left) in points {
                if left.estimate.is_none() || !left.flags.is_empty() {
                    continue;
                }
                prop_assert!(kinds(left).is_superset(&kinds(whole)), "{whole:?}\n{left:?}");
                for side in after.ambient.iter().flat_map(|a| [&a.before, &a.after]).flatten() {
                    prop_assert!(side.n > 1 || side.u_lx > 0.0 || side.dof.is_some(), "{side:?}");
                }
                let dark = after.dark.iter().filter(|_| after.ambient.is_empty());
                for dark in dark {
                    prop_assert!(dark.n > 1, "{dark:?}");
                }
            }
        }
    }

    /// One of two dark readings set aside: no smaller U, but no ruling.
    #[test]
    fn one_dark_reading_is_not_exact() {
        let mut story = story(2, 0, &[3, 90, 7, 41]);
        let whole = only(&story);
        assert!(first(&whole).flags.is_empty(), "{:?}", first(&whole).flags);
        let rows = story.rows();
        let dark = rows.iter().find(|row| row.key.purpose == Purpose::Dark);
        story.set_aside.insert(
            dark.expect("a dark reading").seq,
            "the cap slipped".to_owned(),
        );
        let left = only(&story);
        let flags = &first(&left).flags;
        assert_eq!(flags.len(), 1, "{flags:?}");
        assert!(
            flags[0].starts_with("one background reading: "),
            "{flags:?}"
        );
        let view = view::view(RunId(1), &story.frozen, &left);
        assert_eq!(&view.settings[0].points[0].lux.flags, flags);
    }

    /// Single ambient readings before and after: the pairs tell the scatter,
    /// s^2 = sum of (b - a)^2/2 over the positions (the closed form of
    /// duplicates), one degree of freedom each; without a pair it is flagged.
    #[test]
    fn single_ambient_readings_are_judged_by_their_pairs() {
        let mut survey = samples::survey(&[6, 12]);
        (survey.readings, survey.dark, survey.ambient) = (3, 0, 1);
        let mut story = Story::begin(frozen(1, survey));
        let end = story.actions();
        let mut level = 0.0;
        story.act(0..end, |key, _| {
            level += 0.01;
            Outcome::Value(if key.purpose == Purpose::Ambient {
                level
            } else {
                100.0
            })
        });
        let figures = only(&story);
        let pair = |at: usize| {
            let lux = |side: &Option<crate::report::background::Background>| {
                side.as_ref().expect("a side").lux
            };
            let one = &figures.ambient[at];
            lux(&one.after) - lux(&one.before)
        };
        let variance = (pair(0).powi(2) + pair(1).powi(2)) / 4.0;
        let side = figures.ambient[0].before.as_ref().expect("a side");
        assert!((side.u_lx - variance.sqrt()).abs() < 1e-12);
        assert_eq!(side.dof, Some(2.0));
        assert!(
            first(&figures).flags.is_empty(),
            "{:?}",
            first(&figures).flags
        );
        let rows = story.rows();
        for row in rows
            .iter()
            .filter(|row| row.key.purpose == Purpose::Ambient)
            .skip(2)
        {
            story.set_aside.insert(row.seq, "a door".to_owned());
        }
        let flags = first(&only(&story)).flags.join("; ");
        assert!(flags.contains("one background reading: "), "{flags}");
        assert!(
            flags.contains("none of its readings here after the lit ones counts"),
            "{flags}"
        );
    }
}
