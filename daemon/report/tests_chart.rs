//! The chart as it is drawn, whole.

use super::chart::{Chart, Line, Mark, svg};
use super::lux_chart::lux_against_distance;
use super::tests_table::figures;

#[test]
fn a_chart_of_twelve_levels() {
    insta::assert_snapshot!("chart", svg(&lux_against_distance(&figures())));
}

#[test]
fn what_the_chart_says_in_words() {
    let chart = lux_against_distance(&figures());
    let words = [
        chart.title.as_str(),
        &chart.subtitle,
        &chart.description,
        &chart.x_label,
        &chart.notes.join("\n"),
    ];
    insta::assert_snapshot!("words", words.join("\n\n"));
}

fn plain(lines: Vec<Line>) -> Chart {
    Chart {
        title: "t".to_owned(),
        subtitle: "s".to_owned(),
        description: "d".to_owned(),
        x_label: "x (in)".to_owned(),
        y_label: "y (lx)".to_owned(),
        lines,
        notes: Vec::new(),
    }
}

fn line(name: String, ys: &[Option<f64>]) -> Line {
    let mark = |y: &Option<f64>| y.map(|y| Mark { y, expanded: 0.0 });
    let points = ys
        .iter()
        .enumerate()
        .map(|(k, y)| (k as f64 + 1.0, mark(y)));
    Line {
        name,
        points: points.collect(),
    }
}

#[test]
fn a_chart_without_a_value_says_so() {
    for lines in [
        vec![],
        vec![line("a".to_owned(), &[None, Some(0.0), Some(-1.0)])],
    ] {
        assert!(svg(&plain(lines)).contains("nothing was measured"));
    }
}

/// A point without a value breaks the line instead of bridging it.
#[test]
fn a_gap_is_not_bridged() {
    let out = svg(&plain(vec![line(
        "a".to_owned(),
        &[Some(100.0), Some(50.0), None, Some(10.0), Some(5.0)],
    )]));
    let path = out
        .lines()
        .find(|line| line.contains("stroke-linejoin"))
        .expect("a line");
    assert_eq!(path.matches('M').count(), 2, "{path}");
}

/// However many lines end at the same place, no two names are nearer than
/// their height.
#[test]
fn sixty_names_do_not_touch() {
    let lines = (0..60).map(|k| line(format!("name {k}"), &[Some(100.0), Some(50.0)]));
    let out = svg(&plain(lines.collect()));
    let mut places: Vec<f64> = out
        .lines()
        .filter(|line| line.contains(">name "))
        .filter_map(|line| line.split("y=\"").nth(1)?.split('"').next()?.parse().ok())
        .collect();
    places.sort_by(f64::total_cmp);
    assert_eq!(places.len(), 60);
    let nearest = places
        .windows(2)
        .map(|p| p[1] - p[0])
        .fold(f64::MAX, f64::min);
    assert!(nearest >= 12.0, "{nearest}");
}

/// Every mark, read back from its place, is the figure that it stands for: a
/// pixel is split a hundred times, so to 0.05 % on this axis.
#[test]
fn the_marks_read_back_are_the_figures() {
    let figures = figures();
    let out = svg(&lux_against_distance(&figures));
    let points = figures.settings.iter().flat_map(|s| &s.points);
    let known: Vec<f64> = points
        .filter_map(|p| Some(p.estimate.as_ref()?.value))
        .collect();
    let axis = read_axis(&out);
    let read: Vec<f64> = line_places(&out).iter().map(|y| axis(*y)).collect();
    assert_eq!(read.len(), known.len());
    for (read, known) in read.iter().zip(&known) {
        assert!((read / known - 1.0).abs() < 5e-4, "{read} {known}");
    }
}

/// The vertical axis as its own figures tell it: lux at a height.
fn read_axis(out: &str) -> impl Fn(f64) -> f64 + use<> {
    let named: Vec<(f64, f64)> = out
        .lines()
        .filter(|line| line.starts_with("<text x=\"76\""))
        .filter_map(|line| {
            let y: f64 = line.split("y=\"").nth(1)?.split('"').next()?.parse().ok()?;
            let figure = line.split('>').nth(1)?.split('<').next()?;
            let lux: f64 = figure.replace('\u{2009}', "").parse().ok()?;
            Some((y - 4.0, lux)) // a figure's baseline is 4 below its tick
        })
        .collect();
    assert!(named.len() >= 3, "{named:?}");
    let (low, high) = (named[0], named[named.len() - 1]);
    move |y| low.1 * (high.1 / low.1).powf((y - low.0) / (high.0 - low.0))
}

/// Each line as it is drawn, without its outline.
fn drawn(out: &str) -> impl Iterator<Item = &str> {
    out.lines()
        .filter(|line| line.contains("stroke-linejoin") && line.contains("stroke-width=\"2\""))
}

/// The heights of the lines' corners, line by line.
fn line_places(out: &str) -> Vec<f64> {
    drawn(out)
        .filter_map(|line| line.split('"').nth(1))
        .flat_map(|d| d.split(['M', 'L']).skip(1))
        .filter_map(|pair| pair.split(' ').nth(1)?.parse().ok())
        .collect()
}

/// A net illuminance at or below zero has no place on a logarithmic axis: it
/// is left out, and a note says so.
#[test]
fn what_a_logarithmic_axis_cannot_show_is_said() {
    let mut figures = figures();
    for (at, value) in [(3, 0.0), (4, -0.02)] {
        let point = &mut figures.settings[11].points[at];
        point.estimate.as_mut().expect("a value").value = value;
    }
    let chart = lux_against_distance(&figures);
    for at in ["level 1 at 24 in", "level 1 at 30 in"] {
        let said = chart.notes.iter().any(|n| n.starts_with(at));
        assert!(said, "{:?}", chart.notes);
        assert!(chart.description.contains(at));
    }
}

/// A limit of a low range is no sign that its point is the brightest.
#[test]
fn the_title_names_the_brightest_that_is_known() {
    let mut figures = figures();
    figures.settings[0].points[0].over_lx = Some(20.0);
    let title = lux_against_distance(&figures).title;
    assert!(title.contains("9040 lx at 6 in"), "{title}");
}

#[test]
fn one_point_makes_a_chart() {
    let out = svg(&plain(vec![line("a".to_owned(), &[Some(7.0)])]));
    assert!(out.contains(">a</text>") && !out.contains("NaN"), "{out}");
    assert_eq!(out.matches("a4 4").count(), 2, "the mark, its name's");
}

/// Forty lines: no two share colour and dash.
#[test]
fn forty_lines_are_told_apart() {
    let lines = (0..40).map(|k| line(format!("n{k}"), &[Some(100.0 + f64::from(k)), Some(50.0)]));
    let out = svg(&plain(lines.collect()));
    let styles: std::collections::BTreeSet<&str> = drawn(&out)
        .filter_map(|line| Some(line.split_once("fill=\"none\"")?.1))
        .collect();
    assert_eq!(styles.len(), 40);
}

/// A bar that reaches to zero or below goes on beyond the axis: a cap there
/// would say that U ends at the axis.
#[test]
fn a_bar_that_is_cut_off_has_no_cap() {
    for (expanded, pieces) in [(5.0, 3), (10.0, 2), (12.0, 2)] {
        let mut one = line("a".to_owned(), &[Some(100.0), Some(10.0)]);
        if let Some(mark) = &mut one.points[1].1 {
            mark.expanded = expanded;
        }
        let out = svg(&plain(vec![one]));
        let bars = out.lines().find(|line| line.contains("stroke=\"#000\""));
        let bars = bars.expect("a bar");
        assert_eq!(bars.matches('M').count(), pieces, "{expanded}: {bars}");
    }
}
