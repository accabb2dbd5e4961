//! Figures from synthetic runs whose truth is a closed form: the light of a
//! point source, a lamp that drifts in a straight line, a room whose light
//! grows in a straight line.

use photometry::measured::Outcome;
use photometry::units::{Length, Ratio};

use super::gather::surveys;
use super::survey::{NetOf, PointFigure, SurveyFigures};
use crate::plan::card::WrittenTerm;
use crate::plan::intent::Survey;
use crate::plan::itinerary::{Key, Purpose, What};
use crate::plan::samples;
use crate::run::journal::{Body, Decision, DriftVerdict, Facts};
use crate::store::samples::{Story, frozen};

/// Light of the room: 0.42 lx, and 0.12 lx more every 600 s.
fn room(at: i64) -> f64 {
    0.42 + 0.12 * at as f64 / 600.0
}

/// The lamp at a level: 30 cd and a level, falling by a part in 40 000 a second.
fn lamp(level: f64, position: Length, at: i64) -> f64 {
    30.0 * level / position.metres().powi(2) * (1.0 - at as f64 / 40_000.0)
}

/// What the meter says, 0.02 lx of its own included everywhere.
fn meter(key: &Key, at: i64) -> Outcome {
    let lit = match key.setting.strip_prefix('L') {
        Some(level) => lamp(level.parse().expect("a level"), key.position, at),
        None => 0.0,
    };
    let seen = match key.purpose {
        Purpose::Dark => 0.0,
        _ => lit + room(at),
    };
    Outcome::Value(seen + 0.02)
}

fn told(survey: Survey, levels: u16) -> Story {
    let mut frozen = frozen(levels, survey);
    frozen.card.meters[0].uncertainty = vec![WrittenTerm {
        source: "certificate".to_owned(),
        share: Ratio::new(0.015),
    }];
    Story::begin(frozen)
}

fn whole(survey: Survey, levels: u16, light: impl FnMut(&Key, i64) -> Outcome) -> Story {
    let mut story = told(survey, levels);
    let end = story.actions();
    story.act(0..end, light);
    story
}

fn only(story: &Story) -> SurveyFigures {
    let mut all = surveys(&story.frozen, &story.rows(), &story.events);
    assert_eq!(all.len(), 1);
    all.remove(0)
}

fn point<'f>(figures: &'f SurveyFigures, setting: &str, inches: i64) -> &'f PointFigure {
    let setting = figures
        .settings
        .iter()
        .find(|s| s.setting == setting)
        .expect("a setting");
    let position = Length::from_nm(inches * 25_400_000);
    let found = setting.points.iter().find(|p| p.position == position);
    found.expect("a point")
}

/// The action of the n-th reading for a setting, purpose and position.
fn action(story: &Story, setting: &str, purpose: Purpose, inches: i64, n: usize) -> u32 {
    let position = Length::from_nm(inches * 25_400_000);
    let actions = story.frozen.itinerary.actions.iter();
    let mut fitting = actions.filter(|action| {
        action.key.as_ref().is_some_and(|k| {
            (k.setting.as_str(), k.purpose, k.position) == (setting, purpose, position)
        }) && matches!(action.what, What::Read { .. })
    });
    fitting.nth(n).expect("an action").no
}

/// Mean time of the first reference visit of a leg, in seconds.
fn first_visit(story: &Story, setting: &str) -> f64 {
    let times: Vec<f64> = story
        .rows()
        .iter()
        .filter(|r| r.key.purpose == Purpose::Reference && r.key.setting == setting && r.counts)
        .take(2)
        .map(|r| r.reading.taken.mono.ns() as f64 / 1e9)
        .collect();
    times.iter().sum::<f64>() / times.len() as f64
}

/// Both lines are straight, so both corrections must be exact: every point is
/// the lamp's light at the time of its leg's first reference visit.
#[test]
fn a_straight_drift_and_a_straight_ambient_are_taken_out_exactly() {
    let story = whole(samples::survey(&[6, 12, 24, 72]), 3, meter);
    let figures = only(&story);
    assert_eq!(figures.net_of, NetOf::Ambient);
    assert!(!figures.unfinished);
    for (level, setting) in [(1.0, "L01"), (2.0, "L02"), (3.0, "L03")] {
        // Readings are whole seconds, the visit's mean lies between two.
        let at = first_visit(&story, setting);
        for inches in [6, 12, 24, 72] {
            let position = Length::from_nm(inches * 25_400_000);
            let truth = lamp(level, position, 0) * (1.0 - at / 40_000.0);
            let point = point(&figures, setting, inches);
            let value = point.estimate.as_ref().expect("a value").value;
            assert!(
                (value / truth - 1.0).abs() < 1e-9,
                "{setting} {inches}: {value} {truth}"
            );
            assert_eq!((point.n, point.missing, point.over), (2, 0, 0));
        }
    }
    let order: Vec<&str> = figures
        .settings
        .iter()
        .map(|s| s.setting.as_str())
        .collect();
    assert_eq!(order, ["L03", "L02", "L01"], "as measured");
    assert_eq!(figures.settings[0].shown, "level 3");
}

/// Check D15 through the whole path: ambient 0.42 lx at 0 s and 0.54 lx at
/// 600 s, a lit reading of 51.37 lx at 250 s: net 50.9 lx (closed form;
/// bracketing is common practice). Check M06: reference 500.0 then 497.5 lx,
/// a reading of 200.0 lx midway becomes 200.501 lx (closed form, ours).
#[test]
fn published_corrections_are_met() {
    use super::background::{Background, Scatter, ambient_at};
    use super::survey::AmbientFigure;
    use photometry::units::Wall;
    let background = |lux: f64, seconds: i64| {
        Some(Background {
            lux,
            u_lx: 0.01,
            dof: Some(2.0),
            scatter: Scatter::Own,
            n: 3,
            below_lx: None,
            at: Wall::from_us(seconds * 1_000_000),
            seqs: Vec::new(),
        })
    };
    let ambient = [AmbientFigure {
        position: Length::from_mm(152),
        before: background(0.42, 0),
        after: background(0.54, 600),
    }];
    let at = Wall::from_us(250_000_000);
    let there = ambient_at(&ambient, Length::from_mm(152), at).expect("known");
    assert!((51.37 - there.lux - 50.9).abs() < 1e-9);
    let elsewhere = ambient_at(&ambient, Length::from_mm(900), at).expect("the nearest");
    assert_eq!(elsewhere, there);

    // No ambient, no dark: the leg's own readings at 500.0, 200.0, 497.5.
    let survey = Survey {
        ambient: 0,
        dark: 0,
        readings: 1,
        ..samples::survey(&[6])
    };
    let mut visits = 0;
    let story = whole(survey, 1, |key, _| {
        visits += usize::from(key.purpose == Purpose::Reference);
        Outcome::Value(match (key.purpose, visits) {
            (Purpose::Reference, 1) => 500.0,
            (Purpose::Reference, _) => 497.5,
            _ => 200.0,
        })
    });
    let figures = only(&story);
    assert_eq!(figures.net_of, NetOf::Nothing);
    let estimate = point(&figures, "L01", 6).estimate.clone().expect("a value");
    assert!(
        (estimate.value - 200.501_253).abs() < 1e-6,
        "{}",
        estimate.value
    );
    let drift = figures.settings[0].drift.expect("a drift").share();
    assert!((drift + 0.005).abs() < 1e-12);
    // 0.5 % between the visits: half of it either way, a rectangle.
    let residual = estimate
        .terms
        .iter()
        .find(|t| t.source == "drift L01")
        .expect("a term");
    assert!((residual.u / estimate.value - 0.0025 / 3.0_f64.sqrt()).abs() < 1e-12);
}

/// The budget of one point, term by term (closed forms; JCGM 100:2008, 4.2.3
/// and 5.1.2). 1 mm at 6 in is 1.31 % (metrology check D11).
#[test]
fn every_doubt_has_its_name_and_size() {
    let mut n = 0;
    let survey = Survey {
        readings: 4,
        ..samples::survey(&[6])
    };
    let story = whole(survey, 1, |key, at| match (key.purpose, meter(key, 0)) {
        // A scatter of +-1 lx on the readings alone; no drift.
        (Purpose::Read, Outcome::Value(value)) => {
            n += 1;
            Outcome::Value(value + if n % 2 == 0 { 1.0 } else { -1.0 })
        }
        (Purpose::Ambient, _) => Outcome::Value(0.44 + 0.01 * (at % 2) as f64),
        (_, outcome) => outcome,
    });
    let figures = only(&story);
    let point = point(&figures, "L01", 6);
    let estimate = point.estimate.as_ref().expect("a value");
    let u = |name: &str| {
        let term = estimate.terms.iter().find(|t| t.source.starts_with(name));
        term.unwrap_or_else(|| panic!("{name}: {:?}", estimate.terms))
            .clone()
    };
    let value = estimate.value;
    assert!((u("certificate lux-head").u / value - 0.015).abs() < 1e-12);
    assert!((u("datum").u / value + 2.0 / 152.4).abs() < 1e-12);
    assert!((u("datum").u.abs() / value - 0.0131).abs() < 5e-5, "D11");
    let sd = (4.0_f64 / 3.0).sqrt();
    assert!((point.sd_lx.expect("sd") - sd).abs() < 1e-9);
    assert!((u("repeatability").u - sd / 2.0).abs() < 1e-9);
    assert_eq!(u("repeatability").dof, Some(3.0));
    assert_eq!(u("drift L01").u, 0.0);
    assert!(u("ambient").u < 0.0 && u("ambient").u > -0.01);
    assert_eq!(point.expanded_lx, Some(estimate.expanded(2.0)));
}

/// Over, under, timed out and rejected are never zero and in no mean.
#[test]
fn a_reading_without_a_value_never_enters_a_mean() {
    let story = whole(samples::survey(&[6, 12, 24, 36]), 1, |key, at| {
        match (key.purpose, (key.position.inches() as i64, key.visit)) {
            (Purpose::Read, (6, 2)) => Outcome::Over(20_000.0),
            (Purpose::Read, (12, 1)) => Outcome::Under(0.1),
            (Purpose::Read, (24, 1)) => Outcome::TimedOut,
            _ => meter(key, at),
        }
    });
    let figures = only(&story);
    let over = point(&figures, "L01", 6);
    assert_eq!(
        (over.status(), over.over, over.over_lx),
        ("over", 1, Some(20_000.0))
    );
    assert_eq!((&over.estimate, over.expanded_lx), (&None, None));
    let under = point(&figures, "L01", 12);
    assert_eq!(
        (under.status(), under.under_lx, &under.estimate),
        ("under", Some(0.1), &None)
    );
    // The time-out did not end its action, so its point was never completed.
    let silent = point(&figures, "L01", 24);
    assert_eq!(
        (silent.status(), silent.n, silent.missing),
        ("not measured", 0, 2)
    );
    assert!(figures.unfinished);
    assert_eq!(point(&figures, "L01", 36).status(), "value");
}

/// A leg that was measured again: the later pass is the result. The earlier
/// one would give another figure.
#[test]
fn a_superseded_attempt_is_not_the_result() {
    let mut story = told(samples::survey(&[6, 12]), 1);
    let leg = |a: &&crate::plan::itinerary::Action| a.leg.is_some();
    let first = story
        .frozen
        .itinerary
        .actions
        .iter()
        .find(leg)
        .expect("a leg")
        .no;
    let end = story
        .frozen
        .itinerary
        .actions
        .iter()
        .rfind(leg)
        .expect("a leg")
        .no
        + 1;
    let doubled = |key: &Key, at: i64| match (key.purpose, meter(key, at)) {
        (Purpose::Read | Purpose::Reference, Outcome::Value(value)) => Outcome::Value(2.0 * value),
        (_, outcome) => outcome,
    };
    story.act(0..first, meter);
    story.act(first..end, doubled);
    story.act(first..end, meter);
    let actions = story.actions();
    story.act(end..actions, meter);
    let once = whole(samples::survey(&[6, 12]), 1, meter);
    let (figures, plain) = (only(&story), only(&once));
    for inches in [6, 12] {
        let of = |f: &SurveyFigures| {
            let point = point(f, "L01", inches);
            assert_eq!(point.n, 2);
            point.estimate.as_ref().expect("a value").value
        };
        let (again, once) = (of(&figures), of(&plain));
        assert!((again / once - 1.0).abs() < 2e-3, "{again} {once}");
    }
    assert!(!figures.unfinished);
}

/// After a break the lamp came back 3 % darker: the return readings are the
/// visit that the rest of the leg is corrected by; nothing is interpolated
/// across the break.
#[test]
fn after_a_break_the_return_readings_are_the_reference() {
    let mut story = told(samples::survey(&[6, 12, 24]), 1);
    let cut = action(&story, "L01", Purpose::Read, 24, 0) - 2; // before the move
    story.act(0..cut, meter);
    story.break_off(7200);
    let darker = |key: &Key, at: i64| match (key.purpose, meter(key, at)) {
        (Purpose::Ambient, outcome) => outcome,
        (_, Outcome::Value(value)) => {
            let rest = room(at) + 0.02;
            Outcome::Value((value - rest) * 0.97 + rest)
        }
        (_, outcome) => outcome,
    };
    let reference = action(&story, "L01", Purpose::Reference, 6, 0) as usize;
    let key = story.frozen.itinerary.actions[reference]
        .key
        .clone()
        .expect("a key");
    for visit in 1..=2 {
        story.seconds += 1;
        let key = Key {
            purpose: Purpose::Return,
            visit,
            ..key.clone()
        };
        let outcome = darker(&key, story.seconds);
        story.taken(-5 - i64::from(visit), key, outcome);
    }
    let end = story.actions();
    story.act(cut..end, darker);
    let figures = only(&story);
    let at = first_visit(&story, "L01");
    for inches in [6, 12, 24] {
        let position = Length::from_nm(inches * 25_400_000);
        let truth = lamp(1.0, position, 0) * (1.0 - at / 40_000.0);
        let value = point(&figures, "L01", inches)
            .estimate
            .as_ref()
            .expect("a value")
            .value;
        // Before the break the last visit is the first one: the drift since
        // then (14 s) is not seen.
        assert!(
            (value / truth - 1.0).abs() < 5e-4,
            "{inches}: {value} {truth}"
        );
    }
    assert_eq!(figures.settings[0].visits, 3);
}

#[test]
fn an_unfinished_run_shows_what_there_is() {
    let mut story = told(samples::survey(&[6, 12]), 2);
    let cut = action(&story, "L02", Purpose::Read, 12, 1);
    story.act(0..cut, meter); // one of two readings at the last point
    let figures = only(&story);
    assert!(figures.unfinished);
    assert_eq!(point(&figures, "L02", 6).n, 2);
    let half = point(&figures, "L02", 12);
    assert_eq!((half.status(), half.missing), ("not measured", 2));
    assert_eq!(point(&figures, "L01", 6).status(), "not measured");
    let nothing = only(&told(samples::survey(&[6]), 1));
    assert!(nothing.unfinished && nothing.net_of == NetOf::Nothing);
}

#[test]
fn without_ambient_the_dark_reading_is_taken_off_and_a_meter_that_sees_nothing_is_no_zero() {
    let dark_only = Survey {
        ambient: 0,
        ..samples::survey(&[6])
    };
    let story = whole(dark_only, 1, |key, _| match key.purpose {
        Purpose::Dark => Outcome::Value(0.02),
        _ => Outcome::Value(100.0),
    });
    let figures = only(&story);
    assert_eq!(figures.net_of, NetOf::Dark);
    let value = point(&figures, "L01", 6)
        .estimate
        .as_ref()
        .expect("a value")
        .value;
    assert!((value - 99.98).abs() < 1e-9);
    // Ambient below the meter's range: between zero and 0.1 lx.
    let story = whole(samples::survey(&[6]), 1, |key, _| match key.purpose {
        Purpose::Ambient | Purpose::Dark => Outcome::Under(0.1),
        _ => Outcome::Value(100.0),
    });
    let figures = only(&story);
    let estimate = point(&figures, "L01", 6).estimate.clone().expect("a value");
    assert!((estimate.value - 99.95).abs() < 1e-9);
    let term = estimate
        .terms
        .iter()
        .find(|t| t.source.starts_with("ambient"))
        .expect("a term");
    assert!((term.u + 0.1 / 12.0_f64.sqrt()).abs() < 1e-12);
}

#[test]
fn decisions_and_the_home_offset_stand_in_the_record() {
    let mut story = told(samples::survey(&[6, 12]), 1);
    let find = |story: &Story, wanted: fn(&What) -> bool| {
        let mut actions = story.frozen.itinerary.actions.iter();
        i64::from(actions.find(|a| wanted(&a.what)).expect("an action").no)
    };
    let warm = find(&story, |w| matches!(w, What::WarmUp { .. }));
    let check = find(&story, |w| matches!(w, What::CheckDrift { .. }));
    let prove = find(&story, |w| matches!(w, What::ProveHome { .. }));
    let end = story.actions();
    story.act(0..end - 1, meter);
    let decide = |story: &mut Story, no, decision| story.tell(Some(no), Body::Decided { decision });
    let warmed = Decision::WarmUp {
        stable: false,
        figure: Some(Ratio::new(0.007)),
        by: "spread".to_owned(),
        after: photometry::units::Span::from_mins(150),
        decline_per_hour: Some(Ratio::new(0.012)),
    };
    decide(&mut story, warm, warmed);
    let drift = Decision::Drift {
        leg: 1,
        drift: Some(Ratio::new(0.006)),
        verdict: DriftVerdict::Flagged,
    };
    decide(&mut story, check, drift);
    let facts = Facts {
        home_offset: Some(Length::from_um(12)),
        ..Facts::default()
    };
    story.tell(Some(prove), Body::Done { facts });
    let figures = only(&story);
    let setting = &figures.settings[0];
    assert!(setting.drift_flagged);
    assert!(!setting.warm_up[0].stable && !setting.warm_up[0].after_seam);
    assert_eq!(figures.home_offset, Some(Length::from_um(12)));
    assert!(point(&figures, "L01", 6).flags[0].contains("drifted"));
}

/// Check D11: 1 mm of doubt costs 2u(d)/d, the derivative of the inverse
/// square law: 1.312336, 0.328084 and 0.131234 % at 6, 24 and 60 in.
#[test]
fn a_millimetre_costs_what_the_inverse_square_says() {
    let mut story = told(samples::survey(&[6, 24, 60]), 1);
    story.frozen.placement.datum_uncertainty = Length::from_mm(1);
    let end = story.actions();
    story.act(0..end, meter);
    let figures = only(&story);
    for (inches, percent) in [(6, 1.312_336), (24, 0.328_084), (60, 0.131_234)] {
        let estimate = &point(&figures, "L01", inches).estimate;
        let estimate = estimate.as_ref().expect("a value");
        let datum = estimate.terms.iter().find(|t| t.source == "datum");
        let share = datum.expect("a term").u.abs() / estimate.value * 100.0;
        assert!((share - percent).abs() < 5e-7, "{inches} in: {share}");
    }
}

/// A reading that was asked for twice is still one visit, not two.
#[test]
fn a_retried_reading_does_not_split_its_visit() {
    let mut story = told(samples::survey(&[6, 12]), 1);
    let second = action(&story, "L01", Purpose::Reference, 6, 1);
    story.act(0..second, meter);
    story.act(second..second + 1, |_, _| Outcome::TimedOut);
    let end = story.actions();
    story.act(second..end, meter);
    let plain = only(&whole(samples::survey(&[6, 12]), 1, meter));
    assert_eq!(only(&story).settings[0].visits, plain.settings[0].visits);
}

/// A reference point that was measured twice in a row: the later pass counts,
/// and the earlier one does not hide it.
#[test]
fn a_superseded_visit_does_not_hide_the_next() {
    let mut story = told(samples::survey(&[6, 12]), 1);
    let first = action(&story, "L01", Purpose::Reference, 6, 0);
    let last = action(&story, "L01", Purpose::Reference, 6, 1);
    let of = |no: u32| story.frozen.itinerary.actions[no as usize].point;
    assert_eq!(of(first), of(last), "one visit");
    let begin = story.frozen.itinerary.actions.iter();
    let begin = begin.clone().find(|a| a.point == of(first)).expect("it").no;
    story.act(0..last + 1, meter);
    story.act(begin..last + 1, meter);
    let end = story.actions();
    story.act(last + 1..end, meter);
    let figures = only(&story);
    assert_eq!(figures.settings[0].visits, 3, "all three are true");
    assert!(figures.settings[0].drift.is_some());
}

/// With one visit nothing is known of the drift: its term is not in U, and
/// the point says so.
#[test]
fn a_drift_that_is_not_known_is_said() {
    let mut story = told(samples::survey(&[6, 12]), 1);
    let cut = action(&story, "L01", Purpose::Read, 12, 0) - 2;
    story.act(0..cut, meter);
    let figures = only(&story);
    assert_eq!(figures.settings[0].visits, 1);
    let point = point(&figures, "L01", 6);
    assert!(point.estimate.is_some());
    let said = point.flags.iter().any(|f| f.contains("drift"));
    assert!(said, "{:?}", point.flags);
}

/// The room lit at one look alone: the point read before it and the next one are
/// flagged, a setting whose reference visit was read meanwhile is told of everywhere, and
/// no figure changes.
#[test]
fn what_was_read_in_a_disturbed_room_is_flagged() {
    use crate::plan::card::Room;
    use photometry::units::Lux;
    let told = |lit_after: Option<(Purpose, i64)>| {
        let mut sample = frozen(2, samples::survey(&[6, 12, 24, 72]));
        let mut wall = sample.card.meters[0].clone();
        "wall".clone_into(&mut wall.name);
        sample.card.meters.push(wall);
        sample.card.room = Some(Room {
            sensor: "wall".to_owned(),
            light_at_most: Some(Lux(0.5)),
            air: None,
        });
        let (plan, lamp, card) = (sample.plan, sample.lamp, sample.card);
        let mut story = Story::begin(samples::frozen(plan, lamp, card, sample.placement));
        let mut last: Option<Key> = None;
        let end = story.actions();
        story.act(0..end, |key, at| {
            if key.purpose != Purpose::Room {
                last = Some(key.clone());
                return meter(key, at);
            }
            let here = last.as_ref().is_some_and(|last| {
                let inches = last.position.nm() / 25_400_000;
                key.setting == "L02" && lit_after == Some((last.purpose, inches))
            });
            Outcome::Value(if here { 3.2 } else { 0.1 })
        });
        only(&story)
    };
    let flagged = |figures: &SurveyFigures| -> Vec<String> {
        let settings = figures.settings.iter();
        let points = settings.flat_map(|setting| {
            let points = setting.points.iter().filter(|point| {
                let mut flags = point.flags.iter();
                flags.any(|flag| flag.contains("3.200 lx at its sensor, where at most 0.5 lx"))
            });
            points.map(|p| format!("{} {}", setting.setting, p.position.nm() / 25_400_000))
        });
        points.collect()
    };
    let quiet = told(None);
    assert_eq!(flagged(&quiet), Vec::<String>::new());
    let one = told(Some((Purpose::Read, 24)));
    // Read in this order: 6, 12, 24, 72 or back.
    let of_24 = flagged(&one);
    assert!(
        of_24.contains(&"L02 24".to_owned()) && of_24.len() == 2,
        "{of_24:?}"
    );
    let visit = told(Some((Purpose::Reference, 6)));
    let all = ["L02 6", "L02 12", "L02 24", "L02 72"];
    assert_eq!(flagged(&visit), all);
    for inches in [6, 12, 24, 72] {
        let value = |figures| point(figures, "L02", inches).estimate.clone();
        assert_eq!(value(&one), value(&quiet));
    }
}
