//! Lines over a linear and a logarithmic axis, on paper.
//!
//! Colour is never the only difference: lines differ by dash and mark too, and
//! each has its name at its end, moved apart so that no two touch. What lies
//! outside the axes is cut off, never moved to the edge. A point without a
//! value breaks its line, and a note says why.

use super::ink::Ink;
use super::scale::{Linear, Log, apart};
use super::strokes::{self, MARK_REACH};
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

/// The paper's measures in pixels.
#[derive(Clone, Copy)]
struct Sheet {
    width: f64,
    left: f64,
    right: f64,
    top: f64,
    plot: f64,
    below: f64,
}
const ALONE: Sheet = Sheet {
    width: 960.0,
    left: 84.0,
    right: 150.0,
    top: 78.0,
    plot: 440.0,
    below: 58.0,
};
/// A page says title and notes in its own text, and is narrower.
const IN_PAGE: Sheet = Sheet {
    width: 790.0,
    left: 72.0,
    right: 184.0,
    top: 12.0,
    plot: 420.0,
    below: 50.0,
};
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
/// Room for one character of a tick's figure, in pixels, on any screen's font.
const TICK_CHARACTER: f64 = 7.6;

/// Where everything lies.
struct Paper {
    sheet: Sheet,
    x: Linear,
    y: Log,
    bottom: f64,
}

/// Draws a chart that stands alone. Without a single value it says so instead.
pub fn svg(chart: &Chart) -> String {
    let notes = shown_notes(&chart.notes);
    let bottom = bottom(ALONE, chart);
    let height = bottom + ALONE.below + NOTE_GAP * notes.len() as f64;
    let mut out = Svg::new(ALONE.width, height, &chart.title, &chart.description);
    let title = cut(&chart.title, TITLE_AT_MOST);
    out.say((16.0, 30.0), Anchor::Start, Ink::Title, &title);
    let subtitle = cut(&chart.subtitle, NOTE_AT_MOST);
    out.say((16.0, 52.0), Anchor::Start, Ink::Subtitle, &subtitle);
    for (index, note) in notes.iter().enumerate() {
        let y = bottom + ALONE.below + NOTE_GAP * index as f64;
        out.say((16.0, y), Anchor::Start, Ink::Note, note);
    }
    plot(&mut out, chart, ALONE);
    out.finish()
}

/// Draws a chart within a page, which says title and notes itself.
pub fn within(prefix: &str, chart: &Chart) -> String {
    let height = bottom(IN_PAGE, chart) + IN_PAGE.below;
    let size = (IN_PAGE.width, height);
    let mut out = Svg::within(prefix, size, &chart.title, &chart.description);
    plot(&mut out, chart, IN_PAGE);
    out.finish()
}

/// Room for every name, however many lines there are.
fn bottom(sheet: Sheet, chart: &Chart) -> f64 {
    sheet.top + sheet.plot.max(NAME_GAP * chart.lines.len() as f64)
}

fn plot(out: &mut Svg, chart: &Chart, sheet: Sheet) {
    let bottom = bottom(sheet, chart);
    let Some(paper) = paper(chart, sheet, bottom) else {
        let place = (sheet.width / 2.0, (sheet.top + bottom) / 2.0);
        out.say(place, Anchor::Middle, Ink::Axis, "nothing was measured");
        return;
    };
    axes(out, chart, &paper);
    let size = (sheet.width - sheet.left - sheet.right, bottom - sheet.top);
    out.clip("plot", (sheet.left, sheet.top), size);
    out.clipped("plot");
    for (index, line) in chart.lines.iter().enumerate() {
        draw_line(out, line, index, &paper);
    }
    out.end();
    // Marks are drawn whole, also on the edge; those outside are left out.
    for (index, line) in chart.lines.iter().enumerate() {
        draw_marks(out, line, index, &paper);
    }
    names(out, chart, &paper);
}

fn paper(chart: &Chart, sheet: Sheet, bottom: f64) -> Option<Paper> {
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
    let y = Log::around(ends, bottom, sheet.top)?;
    let far = marks().map(|(x, _)| x).fold(0.0_f64, f64::max);
    let x = Linear {
        from: 0.0,
        to: if far > 0.0 { far * 1.02 } else { 1.0 },
        start: sheet.left,
        end: sheet.width - sheet.right,
    };
    Some(Paper {
        sheet,
        x,
        y,
        bottom,
    })
}

fn axes(out: &mut Svg, chart: &Chart, paper: &Paper) {
    let (left, top) = (paper.sheet.left, paper.sheet.top);
    let right = paper.sheet.width - paper.sheet.right;
    let (mut fine, mut decades) = (Path::default(), Path::default());
    for tick in paper.y.ticks() {
        let Some(y) = paper.y.place(tick.value) else {
            continue;
        };
        let path = if tick.decade { &mut decades } else { &mut fine };
        path.to(left, y).draw(right, y);
        if tick.named {
            let place = (left - 8.0, y + 4.0);
            out.say(place, Anchor::End, Ink::Name, &grouped(tick.value));
        }
    }
    out.draw(&fine, Ink::Fine);
    out.draw(&decades, Ink::Decade);
    let mut ticks = Path::default();
    for value in x_ticks(chart, &paper.x) {
        let x = paper.x.place(value);
        ticks.to(x, paper.bottom).draw(x, paper.bottom + 5.0);
        let place = (x, paper.bottom + 19.0);
        out.say(place, Anchor::Middle, Ink::Name, &plain(value));
    }
    ticks
        .to(left, top)
        .draw(left, paper.bottom)
        .draw(right, paper.bottom);
    out.draw(&ticks, Ink::Frame);
    let place = ((left + right) / 2.0, paper.bottom + 39.0);
    out.say(place, Anchor::Middle, Ink::Axis, &chart.x_label);
    let centre = (top + paper.bottom) / 2.0;
    let ink = Ink::Axis.attributes(out.look());
    let turned = format!("{ink} transform=\"rotate(-90 20 {centre})\"");
    out.text((20.0, centre), Anchor::Middle, &turned, &chart.y_label);
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
    let longest = measured.iter().map(|x| plain(*x).len()).max().unwrap_or(0);
    let least = (TICK_CHARACTER * (longest + 1) as f64).max(36.0);
    let room = |pair: &[f64]| axis.place(pair[1]) - axis.place(pair[0]) >= least;
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
    strokes::line(out, index, &path);
}

fn draw_marks(out: &mut Svg, line: &Line, index: usize, paper: &Paper) {
    let mut bars = Path::default();
    let mut places = Vec::new();
    for (x, mark) in &line.points {
        let Some(mark) = mark else { continue };
        let (x, y) = (paper.x.place(*x), paper.y.place(mark.y));
        let Some(y) = y.filter(|y| (paper.sheet.top - 0.5..=paper.bottom + 0.5).contains(y)) else {
            continue;
        };
        places.push((x, y));
        let top = paper.y.place(mark.y + mark.expanded).unwrap_or(y);
        // At or below zero there is no place: the bar goes on beyond the axis.
        let end = paper.y.place(mark.y - mark.expanded);
        let end = end.unwrap_or(f64::INFINITY);
        let (high, low) = (top.max(paper.sheet.top), end.min(paper.bottom));
        if low - high <= 2.0 * MARK_REACH {
            continue; // the mark would hide it; the subtitle says so
        }
        bars.to(x, high).draw(x, low);
        // A bar that is cut off has no cap: it does not end there.
        if top >= paper.sheet.top {
            bars.to(x - 3.0, high).draw(x + 3.0, high);
        }
        if end <= paper.bottom {
            bars.to(x - 3.0, low).draw(x + 3.0, low);
        }
    }
    strokes::marks(out, index, places);
    out.draw(&bars, Ink::Bar);
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
            let y = paper.y.place(mark.y)?.clamp(paper.sheet.top, paper.bottom);
            Some((index, paper.x.place(x), y))
        })
        .collect();
    let wishes: Vec<f64> = ends.iter().map(|(_, _, y)| *y).collect();
    let places = apart(&wishes, NAME_GAP, paper.sheet.top + 4.0, paper.bottom - 4.0);
    let column = paper.sheet.width - paper.sheet.right + 26.0;
    for ((index, x, y), place) in ends.iter().zip(places) {
        let mut leader = Path::default();
        leader
            .to(x + 7.0, *y)
            .draw(column - 14.0, place)
            .draw(column - 8.0, place);
        out.draw(&leader, Ink::Leader);
        strokes::marks(out, *index, [(column, place)]);
        let name = short_name(&chart.lines[*index].name, NAME_AT_MOST);
        out.say((column + 9.0, place + 4.0), Anchor::Start, Ink::Name, &name);
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

/// A name that has no more characters than fit. It is cut in its middle: what
/// tells levels apart stands at the end.
pub(super) fn short_name(name: &str, at_most: usize) -> String {
    let count = name.chars().count();
    if count <= at_most {
        return name.to_owned();
    }
    let tail = at_most / 2;
    let head: String = name.chars().take(at_most - tail - 1).collect();
    let end: String = name.chars().skip(count - tail).collect();
    format!("{}…{}", head.trim_end(), end.trim_start())
}

/// A text that has no more characters than fit, with an ellipsis.
pub(super) fn cut(text: &str, at_most: usize) -> String {
    if text.chars().count() <= at_most {
        return text.to_owned();
    }
    let kept: String = text.chars().take(at_most.saturating_sub(1)).collect();
    format!("{kept}…")
}

/// 12345 as `12 345`, with a narrow space.
pub(super) fn grouped(value: f64) -> String {
    if !(1e-4..1e7).contains(&value) {
        return format!("{value:.0e}");
    }
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
pub(super) fn plain(value: f64) -> String {
    let text = format!("{value:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
