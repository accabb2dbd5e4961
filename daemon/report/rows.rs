//! Charts that give each setting a row of its own: names to the left, words to
//! the right, an axis below. A row holds one label in each column, so that no
//! two labels can touch, however many settings there are. Pure geometry.

use super::chart::{grouped, plain, short_name};
use super::ink::Ink;
use super::scale::{Linear, Log};
use super::svg::{Anchor, Path, Svg};

/// Width of the paper, in pixels.
pub const WIDTH: f64 = 760.0;
/// Where the plot begins.
pub const LEFT: f64 = 138.0;
/// Room for the key above the rows.
pub const TOP: f64 = 30.0;
/// Room for the axis below them.
const BELOW: f64 = 50.0;
/// The rows share this height while they are few.
const ROOM: f64 = 400.0;
/// Least and most between two rows' middles: a line of text, and not so far
/// apart that the eye loses the column.
const PITCH: (f64, f64) = (20.0, 30.0);
/// Characters of a name that fit to the left.
const NAME_AT_MOST: usize = 17;
/// Room for one character of a tick's figure, in pixels, on any screen's font.
const CHARACTER: f64 = 7.6;

/// Where the rows lie.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rows {
    /// How many there are.
    pub count: usize,
    /// Between two rows' middles, in pixels.
    pub pitch: f64,
}

impl Rows {
    /// Room for so many rows.
    pub fn of(count: usize) -> Rows {
        let pitch = (ROOM / count.max(1) as f64).clamp(PITCH.0, PITCH.1);
        Rows { count, pitch }
    }

    /// The middle of the n-th row.
    pub fn at(&self, index: usize) -> f64 {
        TOP + self.pitch * (index as f64 + 0.5)
    }

    /// Halfway from the n-th row to the next.
    pub fn after(&self, index: usize) -> f64 {
        self.at(index) + self.pitch / 2.0
    }

    /// Below the last row.
    pub fn bottom(&self) -> f64 {
        TOP + self.pitch * self.count as f64
    }

    /// The paper's size.
    pub fn size(&self) -> (f64, f64) {
        (WIDTH, self.bottom() + BELOW)
    }

    /// Writes the n-th row's name.
    pub fn name(&self, out: &mut Svg, index: usize, name: &str) {
        let place = (LEFT - 10.0, self.at(index) + 4.0);
        out.say(
            place,
            Anchor::End,
            Ink::Name,
            &short_name(name, NAME_AT_MOST),
        );
    }

    /// Draws a logarithmic axis below the rows, with its grid.
    pub fn log_axis(&self, out: &mut Svg, axis: &Log, label: &str) {
        let (mut fine, mut decades) = (Path::default(), Path::default());
        let mut figures = Vec::new();
        for tick in axis.ticks() {
            let Some(x) = axis.place(tick.value) else {
                continue;
            };
            let path = if tick.decade { &mut decades } else { &mut fine };
            path.to(x, TOP).draw(x, self.bottom());
            if tick.named {
                figures.push((x, grouped(tick.value)));
            }
        }
        out.draw(&fine, Ink::Fine);
        out.draw(&decades, Ink::Decade);
        self.below(out, (axis.start, axis.end), &figures, label);
    }

    /// Draws a linear axis below the rows.
    pub fn linear_axis(&self, out: &mut Svg, axis: &Linear, ticks: &[f64], label: &str) {
        let figures: Vec<(f64, String)> = ticks
            .iter()
            .map(|value| (axis.place(*value), plain(*value)))
            .collect();
        let mut grid = Path::default();
        for (x, _) in &figures {
            grid.to(*x, TOP).draw(*x, self.bottom());
        }
        out.draw(&grid, Ink::Fine);
        self.below(out, (axis.start, axis.end), &figures, label);
    }

    /// The axis's line, its figures where there is room, its name.
    fn below(&self, out: &mut Svg, ends: (f64, f64), figures: &[(f64, String)], label: &str) {
        let bottom = self.bottom();
        let mut line = Path::default();
        line.to(ends.0, bottom).draw(ends.1, bottom);
        let mut free = f64::NEG_INFINITY;
        for (x, figure) in figures {
            let half = CHARACTER * figure.chars().count() as f64 / 2.0;
            if x - half < free {
                continue;
            }
            free = x + half;
            line.to(*x, bottom).draw(*x, bottom + 5.0);
            out.say((*x, bottom + 19.0), Anchor::Middle, Ink::Name, figure);
        }
        out.draw(&line, Ink::Frame);
        let place = ((ends.0 + ends.1) / 2.0, bottom + 40.0);
        out.say(place, Anchor::Middle, Ink::Axis, label);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_never_nearer_than_a_line_of_text() {
        for count in [0, 1, 12, 40, 500] {
            let rows = Rows::of(count);
            assert!((20.0..=30.0).contains(&rows.pitch));
            assert!((rows.at(1) - rows.at(0) - rows.pitch).abs() < 1e-9);
            assert!(rows.bottom() >= TOP);
        }
        assert_eq!(Rows::of(12).pitch, 30.0);
    }
}
