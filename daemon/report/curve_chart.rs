//! Curves on two even axes: spectra, the first cycles of waveforms, dawns.
//!
//! Several lines share one picture, each with its name at its end. Called by:
//! page. Not here: what the curves are (measures).

use super::chart::cut;
use super::ink::Ink;
use super::scale::{Linear, apart};
use super::strokes;
use super::svg::{Anchor, Path, Svg};

/// The paper's measures in pixels.
const WIDTH: f64 = 790.0;
const LEFT: f64 = 72.0;
const RIGHT: f64 = 606.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 314.0;
const HEIGHT: f64 = 366.0;
const NAME_GAP: f64 = 15.0;
const NAME_AT_MOST: usize = 22;

/// What is drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct Curves {
    /// What it shows, in a sentence.
    pub title: String,
    /// The name of the horizontal axis, with its unit.
    pub x_label: String,
    /// The name of the vertical axis, with its unit.
    pub y_label: String,
    /// Names with their points, x rising.
    pub lines: Vec<(String, Vec<(f64, f64)>)>,
}

/// Draws curves within a page; `prefix` is the picture's own there.
pub fn within(prefix: &str, curves: &Curves) -> String {
    let describe = format!(
        "{}. {} against {}.",
        curves.title, curves.y_label, curves.x_label
    );
    let mut out = Svg::within(prefix, (WIDTH, HEIGHT), &curves.title, &describe);
    let points = || curves.lines.iter().flat_map(|(_, points)| points);
    let span = |of: fn(&(f64, f64)) -> f64| {
        let values = || points().map(of).filter(|value| value.is_finite());
        let (from, to) = (
            values().fold(f64::INFINITY, f64::min),
            values().fold(f64::NEG_INFINITY, f64::max),
        );
        (to > from).then_some((from, to))
    };
    let (Some(x), Some(y)) = (span(|point| point.0), span(|point| point.1)) else {
        out.say(
            (LEFT, TOP + 40.0),
            Anchor::Start,
            Ink::Name,
            "nothing to draw",
        );
        return out.finish();
    };
    let x = Linear {
        from: x.0,
        to: x.1,
        start: LEFT,
        end: RIGHT,
    };
    let room = 0.04 * (y.1 - y.0);
    let y = Linear {
        from: y.0.min(0.0),
        to: y.1 + room,
        start: BOTTOM,
        end: TOP,
    };
    axes(&mut out, &x, &y, curves);
    let mut ends = Vec::new();
    for (index, (name, points)) in curves.lines.iter().enumerate() {
        let mut path = Path::default();
        let finite = points
            .iter()
            .filter(|(a, b)| a.is_finite() && b.is_finite());
        for (nth, (px, py)) in finite.enumerate() {
            match nth {
                0 => path.to(x.place(*px), y.place(*py)),
                _ => path.draw(x.place(*px), y.place(*py)),
            };
        }
        strokes::line(&mut out, index, &path);
        if let Some((_, last)) = points.last() {
            ends.push((name, y.place(*last)));
        }
    }
    names(&mut out, &ends);
    out.finish()
}

fn axes(out: &mut Svg, x: &Linear, y: &Linear, curves: &Curves) {
    let (mut grid, mut frame) = (Path::default(), Path::default());
    for tick in y.ticks(6) {
        let at = y.place(tick);
        grid.to(LEFT, at).draw(RIGHT, at);
        let words = photometry::figure::five_digits(tick);
        out.say((LEFT - 8.0, at + 4.0), Anchor::End, Ink::Name, &words);
    }
    for tick in x.ticks(8) {
        let at = x.place(tick);
        grid.to(at, TOP).draw(at, BOTTOM);
        let words = photometry::figure::five_digits(tick);
        out.say((at, BOTTOM + 18.0), Anchor::Middle, Ink::Name, &words);
    }
    out.draw(&grid, Ink::Fine);
    frame.to(LEFT, TOP).draw(LEFT, BOTTOM).draw(RIGHT, BOTTOM);
    out.draw(&frame, Ink::Frame);
    let middle = (LEFT + RIGHT) / 2.0;
    out.say(
        (middle, BOTTOM + 42.0),
        Anchor::Middle,
        Ink::Axis,
        &curves.x_label,
    );
}

/// Names beside the lines' ends, none upon another.
fn names(out: &mut Svg, ends: &[(&String, f64)]) {
    let wishes: Vec<f64> = ends.iter().map(|(_, at)| *at).collect();
    let bottom = BOTTOM.max(TOP + NAME_GAP * ends.len() as f64);
    let places = apart(&wishes, NAME_GAP, TOP, bottom);
    let mut leaders = Path::default();
    for ((name, wish), place) in ends.iter().zip(places) {
        leaders.to(RIGHT + 3.0, *wish).draw(RIGHT + 15.0, place);
        let name = cut(name, NAME_AT_MOST);
        out.say((RIGHT + 18.0, place + 4.0), Anchor::Start, Ink::Name, &name);
    }
    out.draw(&leaders, Ink::Leader);
}
