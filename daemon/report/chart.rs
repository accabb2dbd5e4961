//! Lines over a linear and a logarithmic axis, on paper.
//!
//! Colour is never the only difference: lines differ by dash and mark too, and
//! each has its name at its end, moved apart so that no two touch. What lies
//! outside the axes is cut off, never moved to the edge. A point without a
//! value breaks its line, and a note says why.

use super::scale::{Linear, Log, apart};
use super::svg::{Anchor, Path, Svg};

/// A chart of lines over a linear and a logarithmic axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// What was found, in one sentence.
    pub title: String,
    /// What it was found on and with.
    pub subtitle: String,
    /// The figure's content in words, for those who don't see it.
    pub description: String,
    /// The horizontal axis, with its unit.
    pub x_label: String,
    /// The vertical axis, with its unit.
    pub y_label: String,
    /// The lines.
    pub lines: Vec<Line>,
    /// What must be known beside it, one line each.
    pub notes: Vec<String>,
}

/// One line.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Its name.
    pub name: String,
    /// Ascending by x; none breaks the line.
    pub points: Vec<(f64, Option<Mark>)>,
}

/// One point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// Its figure.
    pub y: f64,
    /// Its expanded uncertainty; the bar reaches this far up and down.
    pub expanded: f64,
}

/// Okabe and Ito's colours, told apart by colour-blind people; yellow last
/// but one, as it is the palest, black last.
const COLOURS: [&str; 8] = [
    "#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00", "#F0E442", "#000000",
];
/// Lines of one colour differ by their dashes: five, so that colour and dash
/// repeat together only after 40 lines.
const DASHES: [&str; 5] = ["", "7 3", "2 3", "10 3 2 3", "14 4"];
const OUTLINE: &str = "#333";
/// How far the outline shows on either side of a line, in pixels.
const OUTLINE_BY: f64 = 0.7;

const WIDTH: f64 = 960.0;
const LEFT: f64 = 84.0;
const RIGHT: f64 = 150.0;
const TOP: f64 = 78.0;
const PLOT_HEIGHT: f64 = 440.0;
const BELOW: f64 = 58.0;
/// Half the height of the largest mark, in pixels.
const MARK_REACH: f64 = 5.0;
/// Between the baselines of two names.
const NAME_GAP: f64 = 15.0;
const NOTE_GAP: f64 = 16.0;
/// Notes in the picture; the table has them all.
const NOTES_AT_MOST: usize = 8;
/// Characters of a title or a note that fit on the paper.
const TITLE_AT_MOST: usize = 104;
const NOTE_AT_MOST: usize = 150;
const NAME_AT_MOST: usize = 20;
/// Measured distances are the ticks up to this many.
const TICKS_AT_MOST: usize = 16;

/// Where everything lies.
struct Paper {
    x: Linear,
    y: Log,
    bottom: f64,
    height: f64,
}

/// Draws a chart. Without a single value it says so instead.
pub fn svg(chart: &Chart) -> String {
    let notes = shown_notes(&chart.notes);
    let plot = PLOT_HEIGHT.max(NAME_GAP * chart.lines.len() as f64);
    let bottom = TOP + plot;
    let height = bottom + BELOW + NOTE_GAP * notes.len() as f64;
    let mut out = Svg::new(WIDTH, height, &chart.title, &chart.description);
    let title = cut(&chart.title, TITLE_AT_MOST);
    out.text(
        (16.0, 30.0),
        Anchor::Start,
        "font-size=\"17\" font-weight=\"bold\"",
        &title,
    );
    let subtitle = cut(&chart.subtitle, NOTE_AT_MOST);
    out.text(
        (16.0, 52.0),
        Anchor::Start,
        "font-size=\"12\" fill=\"#555\"",
        &subtitle,
    );
    for (index, note) in notes.iter().enumerate() {
        let y = bottom + BELOW + NOTE_GAP * index as f64;
        out.text(
            (16.0, y),
            Anchor::Start,
            "font-size=\"11\" fill=\"#555\"",
            note,
        );
    }
    let Some(paper) = paper(chart, bottom, height) else {
        let place = (WIDTH / 2.0, TOP + plot / 2.0);
        out.text(
            place,
            Anchor::Middle,
            "font-size=\"14\"",
            "nothing was measured",
        );
        return out.finish();
    };
    axes(&mut out, chart, &paper);
    out.clip("plot", (LEFT, TOP), (WIDTH - LEFT - RIGHT, bottom - TOP));
    out.group("clip-path=\"url(#plot)\"");
    for (index, line) in chart.lines.iter().enumerate() {
        draw_line(&mut out, line, index, &paper);
    }
    out.end();
    // Marks are drawn whole, also on the edge; those outside are left out.
    for (index, line) in chart.lines.iter().enumerate() {
        draw_marks(&mut out, line, index, &paper);
    }
    names(&mut out, chart, &paper);
    out.finish()
}

fn paper(chart: &Chart, bottom: f64, height: f64) -> Option<Paper> {
    let marks = || {
        chart
            .lines
            .iter()
            .flat_map(|line| &line.points)
            .filter_map(|(x, mark)| Some((*x, (*mark)?)))
    };
    // The bars belong to the figure; one that reaches to zero is cut off.
    let ends = marks().flat_map(|(_, m)| {
        let low = m.y - m.expanded;
        [
            m.y,
            m.y + m.expanded,
            if low > m.y / 3.0 { low } else { m.y },
        ]
    });
    let y = Log::around(ends, bottom, TOP)?;
    let far = marks().map(|(x, _)| x).fold(0.0_f64, f64::max);
    let x = Linear {
        from: 0.0,
        to: if far > 0.0 { far * 1.02 } else { 1.0 },
        start: LEFT,
        end: WIDTH - RIGHT,
    };
    Some(Paper {
        x,
        y,
        bottom,
        height,
    })
}

fn axes(out: &mut Svg, chart: &Chart, paper: &Paper) {
    let right = WIDTH - RIGHT;
    let (mut fine, mut decades) = (Path::default(), Path::default());
    for tick in paper.y.ticks() {
        let Some(y) = paper.y.place(tick.value) else {
            continue;
        };
        let path = if tick.decade { &mut decades } else { &mut fine };
        path.to(LEFT, y).draw(right, y);
        if tick.named {
            let place = (LEFT - 8.0, y + 4.0);
            out.text(place, Anchor::End, "font-size=\"12\"", &grouped(tick.value));
        }
    }
    out.path(&fine, "stroke=\"#ececec\" fill=\"none\"");
    out.path(&decades, "stroke=\"#c4c4c4\" fill=\"none\"");
    let mut ticks = Path::default();
    for value in x_ticks(chart, &paper.x) {
        let x = paper.x.place(value);
        ticks.to(x, paper.bottom).draw(x, paper.bottom + 5.0);
        let place = (x, paper.bottom + 19.0);
        out.text(place, Anchor::Middle, "font-size=\"12\"", &plain(value));
    }
    ticks
        .to(LEFT, TOP)
        .draw(LEFT, paper.bottom)
        .draw(right, paper.bottom);
    out.path(&ticks, "stroke=\"#444\" fill=\"none\"");
    let middle = (LEFT + right) / 2.0;
    let place = (middle, paper.bottom + 39.0);
    out.text(place, Anchor::Middle, "font-size=\"13\"", &chart.x_label);
    let centre = (TOP + paper.bottom) / 2.0;
    let turned = format!("font-size=\"13\" transform=\"rotate(-90 20 {centre})\"");
    out.text((20.0, centre), Anchor::Middle, &turned, &chart.y_label);
    debug_assert!(paper.height > paper.bottom);
}

/// The measured distances, where they are few and far enough apart; round
/// figures otherwise.
fn x_ticks(chart: &Chart, axis: &Linear) -> Vec<f64> {
    let mut measured: Vec<f64> = chart
        .lines
        .iter()
        .flat_map(|line| line.points.iter().map(|(x, _)| *x))
        .collect();
    measured.sort_by(f64::total_cmp);
    measured.dedup();
    let room = |pair: &[f64]| axis.place(pair[1]) - axis.place(pair[0]) >= 36.0;
    if measured.len() <= TICKS_AT_MOST && measured.windows(2).all(room) {
        measured.retain(|x| *x >= axis.from && *x <= axis.to);
        measured
    } else {
        axis.ticks(8)
    }
}

fn draw_line(out: &mut Svg, line: &Line, index: usize, paper: &Paper) {
    let mut path = Path::default();
    let mut before = false;
    for (x, mark) in &line.points {
        let place = mark.and_then(|mark| Some((paper.x.place(*x), paper.y.place(mark.y)?)));
        match place {
            Some((x, y)) if before => path.draw(x, y),
            Some((x, y)) => path.to(x, y),
            None => &mut path,
        };
        before = place.is_some();
    }
    let (colour, dash) = (COLOURS[index % COLOURS.len()], DASHES[index % DASHES.len()]);
    let common = format!(
        "fill=\"none\" stroke-linejoin=\"round\"{}",
        if dash.is_empty() {
            String::new()
        } else {
            format!(" stroke-dasharray=\"{dash}\"")
        }
    );
    let wide = 2.0 + 2.0 * OUTLINE_BY;
    out.path(
        &path,
        &format!("{common} stroke=\"{OUTLINE}\" stroke-width=\"{wide:.1}\""),
    );
    out.path(
        &path,
        &format!("{common} stroke=\"{colour}\" stroke-width=\"2\""),
    );
}

fn draw_marks(out: &mut Svg, line: &Line, index: usize, paper: &Paper) {
    let mut bars = Path::default();
    let mut places = Vec::new();
    for (x, mark) in &line.points {
        let Some(mark) = mark else { continue };
        let (x, y) = (paper.x.place(*x), paper.y.place(mark.y));
        let Some(y) = y.filter(|y| (TOP - 0.5..=paper.bottom + 0.5).contains(y)) else {
            continue;
        };
        places.push((x, y));
        let top = paper.y.place(mark.y + mark.expanded).unwrap_or(y);
        // At or below zero there is no place: the bar goes on beyond the axis.
        let end = paper.y.place(mark.y - mark.expanded);
        let end = end.unwrap_or(f64::INFINITY);
        let (high, low) = (top.max(TOP), end.min(paper.bottom));
        if low - high <= 2.0 * MARK_REACH {
            continue; // the mark would hide it; the subtitle says so
        }
        bars.to(x, high).draw(x, low);
        // A bar that is cut off has no cap: it does not end there.
        if top >= TOP {
            bars.to(x - 3.0, high).draw(x + 3.0, high);
        }
        if end <= paper.bottom {
            bars.to(x - 3.0, low).draw(x + 3.0, low);
        }
    }
    for place in places {
        shape(out, index, place);
    }
    out.path(&bars, "stroke=\"#000\" stroke-width=\"1\" fill=\"none\"");
}

/// The mark of the n-th line: seven shapes.
fn shape(out: &mut Svg, index: usize, (x, y): (f64, f64)) {
    let colour = COLOURS[index % COLOURS.len()];
    let style = format!("fill=\"{colour}\" stroke=\"{OUTLINE}\" stroke-width=\"1\"");
    let mut path = Path::default();
    let corners: &[(f64, f64)] = match index % 7 {
        0 => return out.circle((x, y), 3.8, &style),
        1 => &[(-3.5, -3.5), (3.5, -3.5), (3.5, 3.5), (-3.5, 3.5)],
        2 => &[(0.0, -4.6), (4.4, 3.2), (-4.4, 3.2)],
        3 => &[(0.0, -5.0), (5.0, 0.0), (0.0, 5.0), (-5.0, 0.0)],
        4 => &[(0.0, 4.6), (4.4, -3.2), (-4.4, -3.2)],
        5 => {
            return out.circle(
                (x, y),
                3.6,
                &style.replace(&format!("fill=\"{colour}\""), "fill=\"#fff\""),
            );
        }
        _ => {
            let white = style.replace(&format!("fill=\"{colour}\""), "fill=\"#fff\"");
            return out.rect((x - 3.3, y - 3.3), (6.6, 6.6), &white);
        }
    };
    for (step, (dx, dy)) in corners.iter().enumerate() {
        if step == 0 {
            path.to(x + dx, y + dy);
        } else {
            path.draw(x + dx, y + dy);
        }
    }
    path.close();
    out.path(&path, &style);
}

/// Each line's name beside its end, with a leader to it.
fn names(out: &mut Svg, chart: &Chart, paper: &Paper) {
    let ends: Vec<(usize, f64, f64)> = chart
        .lines
        .iter()
        .enumerate()
        .filter_map(|(index, line)| {
            let (x, mark) = line
                .points
                .iter()
                .rev()
                .find_map(|(x, m)| Some((*x, (*m)?)))?;
            let y = paper.y.place(mark.y)?.clamp(TOP, paper.bottom);
            Some((index, paper.x.place(x), y))
        })
        .collect();
    let wishes: Vec<f64> = ends.iter().map(|(_, _, y)| *y).collect();
    let places = apart(&wishes, NAME_GAP, TOP + 4.0, paper.bottom - 4.0);
    let column = WIDTH - RIGHT + 26.0;
    for ((index, x, y), place) in ends.iter().zip(places) {
        let mut leader = Path::default();
        leader
            .to(x + 7.0, *y)
            .draw(column - 14.0, place)
            .draw(column - 8.0, place);
        out.path(
            &leader,
            "stroke=\"#999\" stroke-width=\"0.8\" fill=\"none\"",
        );
        shape(out, *index, (column, place));
        let name = cut(&chart.lines[*index].name, NAME_AT_MOST);
        out.text(
            (column + 9.0, place + 4.0),
            Anchor::Start,
            "font-size=\"12\"",
            &name,
        );
    }
}

fn shown_notes(notes: &[String]) -> Vec<String> {
    let mut shown: Vec<String> = notes
        .iter()
        .take(NOTES_AT_MOST)
        .map(|note| cut(note, NOTE_AT_MOST))
        .collect();
    if notes.len() > NOTES_AT_MOST {
        let more = notes.len() - NOTES_AT_MOST;
        shown.push(format!("and {more} more notes: see the table"));
    }
    shown
}

fn cut(text: &str, at_most: usize) -> String {
    if text.chars().count() <= at_most {
        return text.to_owned();
    }
    let kept: String = text.chars().take(at_most.saturating_sub(1)).collect();
    format!("{kept}…")
}

/// 12345 as `12 345`, with a narrow space.
fn grouped(value: f64) -> String {
    let text = plain(value);
    let (whole, rest) = text.split_at(text.find('.').unwrap_or(text.len()));
    if whole.len() < 5 {
        return text;
    }
    let mut out = String::new();
    for (index, digit) in whole.chars().enumerate() {
        if index > 0 && (whole.len() - index) % 3 == 0 {
            out.push('\u{2009}');
        }
        out.push(digit);
    }
    out + rest
}

/// A tick's figure, without the noise of the last binary digit.
fn plain(value: f64) -> String {
    let text = format!("{value:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
