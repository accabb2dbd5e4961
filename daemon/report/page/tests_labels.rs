//! The page's three charts: no two labels touch, whatever the data; every mark
//! read back from its place is the figure that it stands for.

use photometry::uncertainty::Estimate;
use photometry::units::Length;
use proptest::prelude::*;

use crate::report::ladder::ladder;
use crate::report::survey::{PointFigure, SettingFigures, SurveyFigures};
use crate::report::tests_table::figures;
use crate::report::{chart, ladder_chart, lux_chart, reach_chart};

/// A label's box: left, top, right, bottom, in pixels, and its text.
type Label = (f64, f64, f64, f64, String);

/// The value of an attribute.
fn attribute<'t>(line: &'t str, name: &str) -> Option<&'t str> {
    line.split(&format!(" {name}=\"")).nth(1)?.split('"').next()
}

fn number(line: &str, name: &str) -> f64 {
    let value = attribute(line, name).expect("an attribute");
    value.parse().expect("a number")
}

/// Every text's box, a character 0.6 times as wide as its font is high (the
/// mean of common sans-serif fonts), from ascender to baseline.
fn labels(svg: &str) -> Vec<Label> {
    let label = |line: &str| {
        let text = line.split('>').nth(1)?.split('<').next()?;
        let size = if line.contains("class=\"a\"") {
            13.0
        } else {
            12.0
        };
        let mut text = text.to_owned();
        for mark in ["&lt;", "&gt;", "&amp;", "&quot;", "&#39;"] {
            text = text.replace(mark, "'");
        }
        // A narrow space is a third of a character.
        let narrow = text.matches('\u{2009}').count() as f64;
        let characters = text.chars().count() as f64 - 2.0 / 3.0 * narrow;
        let (width, x, y) = (
            0.6 * size * characters,
            number(line, "x"),
            number(line, "y"),
        );
        if line.contains("rotate(-90") {
            return Some((
                x - size,
                y - width / 2.0,
                x,
                y + width / 2.0,
                text.to_owned(),
            ));
        }
        let left = match attribute(line, "text-anchor")? {
            "start" => x,
            "middle" => x - width / 2.0,
            _ => x - width,
        };
        Some((left, y - 0.8 * size, left + width, y, text))
    };
    let lines = svg.lines().filter(|line| line.starts_with("<text"));
    lines.filter_map(label).collect()
}

fn apart(what: &str, svg: &str) -> Result<(), TestCaseError> {
    let labels = labels(svg);
    let size = svg.lines().next().expect("a head");
    let (width, height) = (number(size, "width"), number(size, "height"));
    for (index, a) in labels.iter().enumerate() {
        prop_assert!(a.1 >= 0.0 && a.3 <= height, "{what}: outside: {a:?}");
        prop_assert!(a.0 >= 0.0 && a.2 <= width, "{what}: outside: {a:?} {width}");
        for b in &labels[index + 1..] {
            let touch = a.0 < b.2 && b.0 < a.2 && a.1 < b.3 && b.1 < a.3;
            prop_assert!(!touch, "{what}: {a:?} {b:?}");
        }
    }
    Ok(())
}

fn drawn(figures: &SurveyFigures) -> Vec<(&'static str, String)> {
    let lux = lux_chart::lux_against_distance(figures);
    let contours = reach_chart::contours(figures);
    let mut all = vec![
        ("lux", chart::within("a", &lux)),
        ("reach", reach_chart::within("b", figures, &contours)),
    ];
    if let Some(ladder) = ladder(figures) {
        all.push((
            "ladder",
            ladder_chart::within("c", &ladder, figures.lengths),
        ));
    }
    all
}

/// A survey of any shape: values from nothing to the sun's, gaps and all.
fn any_survey() -> impl Strategy<Value = SurveyFigures> {
    let value = prop_oneof![
        8 => (-6.0..6.0_f64, 0.0..0.9_f64).prop_map(|(log, u)| Some((10_f64.powf(log), u))),
        1 => Just(None),
        1 => Just(Some((-0.01, 0.5))),
    ];
    let rows = prop::collection::vec(prop::collection::vec(value, 1..30), 1..45);
    (rows, 1..2_000_i64, "[a-z<&]{0,30}", prop::bool::ANY).prop_map(|(rows, step, name, mm)| {
        let mut survey = figures();
        if mm {
            survey.lengths = photometry::units::LengthUnit::Millimetres;
        }
        let setting = |(index, row): (usize, Vec<Option<(f64, f64)>>)| SettingFigures {
            setting: format!("L{index:02}"),
            shown: format!("{name} level {index}"),
            points: row
                .iter()
                .enumerate()
                .map(|(k, value)| point(Length::from_mm(step * (k as i64 + 1)), *value))
                .collect(),
            ..survey.settings[0].clone()
        };
        let settings = rows.into_iter().enumerate().map(setting).collect();
        survey.settings = settings;
        survey
    })
}

fn point(position: Length, value: Option<(f64, f64)>) -> PointFigure {
    let mut point = PointFigure {
        position,
        ..PointFigure::default()
    };
    match value {
        Some((lux, share)) => {
            point.estimate = Some(Estimate::exact(lux).with("all", lux * share / 2.0, None));
            point.expanded_lx = Some((lux * share).abs());
            point.n = 5;
        }
        None => {
            point.over = 1;
            point.over_lx = Some(200_000.0);
        }
    }
    point
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]
    #[test]
    fn labels_never_touch(survey in any_survey()) {
        for (what, svg) in drawn(&survey) {
            apart(what, &svg)?;
        }
    }
}

#[test]
fn the_pages_own_charts_have_labels_apart() {
    for page in [
        super::tests::page(),
        super::tests_awkward::forty_levels(),
        super::tests_awkward::two_thousand_points(),
        super::tests_awkward::hostile(),
    ] {
        for (what, svg) in drawn(&page.surveys[0]) {
            apart(what, &svg).expect("labels apart");
        }
    }
}

/// Corners of the paths that are drawn as lines, in the order drawn.
fn corners(svg: &str) -> Vec<Vec<(f64, f64)>> {
    let paths = svg.lines().filter(|line| line.starts_with("<defs><path"));
    let read = |line: &str| {
        let d = attribute(line, "d")?;
        let pair = |pair: &str| {
            let (x, y) = pair.split_once(' ')?;
            Some((x.parse().ok()?, y.parse().ok()?))
        };
        Some(d.split(['M', 'L']).skip(1).filter_map(pair).collect())
    };
    paths.filter_map(read).collect()
}

/// An axis as its own figures tell it: places and figures of the named ticks.
fn ticks(svg: &str, along: &str, is_tick: impl Fn(&str) -> bool) -> Vec<(f64, f64)> {
    svg.lines()
        .filter(|line| line.starts_with("<text") && is_tick(line))
        .filter_map(|line| {
            let figure = line.split('>').nth(1)?.split('<').next()?;
            Some((
                number(line, along),
                figure.replace('\u{2009}', "").parse().ok()?,
            ))
        })
        .collect()
}

#[test]
fn the_first_charts_lines_read_back_as_the_figures() {
    let survey = figures();
    let svg = chart::within("a", &lux_chart::lux_against_distance(&survey));
    let heights = ticks(&svg, "y", |line| line.contains("text-anchor=\"end\""));
    let (low, high) = (heights[0], heights[heights.len() - 1]);
    // A figure's baseline is 4 below its tick.
    let lux = |y: f64| low.1 * (high.1 / low.1).powf((y + 4.0 - low.0) / (high.0 - low.0));
    for (setting, line) in survey.settings.iter().zip(corners(&svg)) {
        let known: Vec<f64> = setting
            .points
            .iter()
            .filter_map(|p| Some(p.estimate.as_ref()?.value))
            .collect();
        assert_eq!(known.len(), line.len());
        for (known, (_, y)) in known.iter().zip(line) {
            assert!((lux(y) / known - 1.0).abs() < 5e-4, "{known} {}", lux(y));
        }
    }
}

#[test]
fn the_ladder_reads_back_as_the_figures() {
    let survey = figures();
    let ladder = ladder(&survey).expect("a ladder");
    let svg = ladder_chart::within("c", &ladder, survey.lengths);
    let places = ticks(&svg, "x", |line| {
        line.contains("middle") && line.contains("class=\"t\"")
    });
    let (low, high) = (places[0], places[places.len() - 1]);
    let lux = |x: f64| low.1 * (high.1 / low.1).powf((x - low.0) / (high.0 - low.0));
    // The line goes from each level to the next: every second corner is new.
    let line = corners(&svg).remove(0);
    let read: Vec<f64> = line.iter().step_by(2).map(|(x, _)| lux(*x)).collect();
    assert_eq!(read.len(), 11);
    for (rung, read) in ladder.rungs.iter().zip(read) {
        let point = rung.point.expect("a point");
        let known = point.estimate.as_ref().expect("a value").value;
        assert!((read / known - 1.0).abs() < 1e-3, "{read} {known}");
    }
    assert_eq!(svg.matches("× 1.76<").count(), 11, "the ratios are written");
}

/// The contour's corners, read back, are where the light is 250 lx: by the
/// closed form of the sample's lamp to the straight line's error.
#[test]
fn the_contour_reads_back_as_the_distances() {
    let survey = figures();
    let contours = reach_chart::contours(&survey);
    let svg = reach_chart::within("b", &survey, &contours);
    let places = ticks(&svg, "x", |line| {
        line.contains("middle") && line.contains("class=\"t\"")
    });
    let (low, high) = (places[0], places[places.len() - 1]);
    let inches = |x: f64| low.1 + (high.1 - low.1) * (x - low.0) / (high.0 - low.0);
    let lines = corners(&svg);
    // Drawn last, as it lies on top; its last two corners are the key.
    let first = lines.last().expect("the target");
    let read: Vec<f64> = first
        .iter()
        .rev()
        .skip(2)
        .rev()
        .map(|(x, _)| inches(*x))
        .collect();
    assert_eq!(read.len(), 8, "levels 12 to 5");
    for (level, read) in (5..=12).rev().zip(read) {
        let candela = 0.85 * 1.76_f64.powi(level - 1);
        let known = (candela / 250.0 - 0.06_f64.powi(2)).sqrt() / 0.0254;
        assert!((read / known - 1.0).abs() < 0.02, "{level}: {read} {known}");
    }
}

/// A step above ten times is pointed out in the chart and in its title.
#[test]
fn large_steps_are_pointed_out() {
    let mut survey = figures();
    for point in &mut survey.settings[0].points {
        if let Some(estimate) = &mut point.estimate {
            estimate.value *= 10.0;
        }
    }
    let found = ladder(&survey).expect("a ladder");
    let svg = ladder_chart::within("c", &found, survey.lengths);
    assert!(svg.contains("× 17.6 !<"), "{svg}");
    assert!(
        ladder_chart::finding(&found, survey.lengths).contains("one step is more than 10 times")
    );
    let mut page = super::tests::page();
    page.surveys = vec![survey];
    let out = super::tests::plain(&super::html(&page));
    assert!(out.contains("level 12 gives 17.6 times the light of level 11 at 42 in"));
}
