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
