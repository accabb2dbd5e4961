//! Lines and marks that are told apart without their colour: seven shapes,
//! five dashes, eight colours, each with an outline.

use super::ink::Look;
use super::svg::{Path, Svg};

/// Okabe and Ito's colours, told apart by colour-blind people; yellow last
/// but one, as it is the palest, black last. The page's style sheet names the
/// same ones as `c0` to `c7`.
pub const COLOURS: [&str; 8] = [
    "#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00", "#F0E442", "#000000",
];
/// Lines of one colour differ by their dashes: five, so that colour and dash
/// repeat together only after 40 lines.
const DASHES: [&str; 5] = ["", "7 3", "2 3", "10 3 2 3", "14 4"];
const OUTLINE: &str = "#333";
/// How far the outline shows on either side of a line, in pixels.
const OUTLINE_BY: f64 = 0.7;
/// Half the height of the largest mark, in pixels.
pub const MARK_REACH: f64 = 5.0;

/// Draws the n-th line with its outline.
pub fn line(out: &mut Svg, index: usize, path: &Path) {
    let dash = match DASHES[index % DASHES.len()] {
        "" => String::new(),
        dash => format!(" stroke-dasharray=\"{dash}\""),
    };
    match out.look() {
        Look::Alone => {
            let common = format!("fill=\"none\" stroke-linejoin=\"round\"{dash}");
            let (colour, wide) = (COLOURS[index % COLOURS.len()], 2.0 + 2.0 * OUTLINE_BY);
            let outline = format!("{common} stroke=\"{OUTLINE}\" stroke-width=\"{wide:.1}\"");
            out.path(path, &outline);
            out.path(
                path,
                &format!("{common} stroke=\"{colour}\" stroke-width=\"2\""),
            );
        }
        // Named once and drawn twice: a line of two hundred points is long.
        Look::Page => {
            let colour = index % COLOURS.len();
            out.twice(
                path,
                &dash,
                ["class=\"o\"", &format!("class=\"l c{colour}\"")],
            );
        }
    }
}

/// Draws the n-th line's marks, all in one path.
pub fn marks(out: &mut Svg, index: usize, places: impl IntoIterator<Item = (f64, f64)>) {
    let mut path = Path::default();
    // A tenth of a pixel is enough for a mark; lines are finer.
    let tenth = |place: f64| (place * 10.0).round() / 10.0;
    for (x, y) in places {
        shape(&mut path, index, (tenth(x), tenth(y)));
    }
    let (colour, hollow) = (index % COLOURS.len(), index % 7 >= 5);
    let style = match out.look() {
        Look::Alone => {
            let fill = if hollow { "#fff" } else { COLOURS[colour] };
            format!("fill=\"{fill}\" stroke=\"{OUTLINE}\" stroke-width=\"1\"")
        }
        Look::Page => format!("class=\"m {}{colour}\"", if hollow { "h c" } else { "c" }),
    };
    out.path(&path, &style);
}

/// Adds the mark of the n-th line, centred on a place: disc, square, triangle,
/// diamond, triangle upside down, ring, frame.
fn shape(path: &mut Path, index: usize, (x, y): (f64, f64)) {
    match index % 7 {
        0 => path
            .to(x - 4.0, y)
            .as_written("a4 4 0 1 0 8 0 4 4 0 1 0-8 0z"),
        1 => path.to(x - 3.5, y - 3.5).as_written("h7v7h-7z"),
        2 => path.to(x, y - 4.6).as_written("l4.4 7.8h-8.8z"),
        3 => path.to(x, y - MARK_REACH).as_written("l5 5-5 5-5-5z"),
        4 => path.to(x, y + 4.6).as_written("l4.4-7.8h-8.8z"),
        5 => path
            .to(x - 3.6, y)
            .as_written("a3.6 3.6 0 1 0 7.2 0 3.6 3.6 0 1 0-7.2 0z"),
        _ => path.to(x - 3.3, y - 3.3).as_written("h6.6v6.6h-6.6z"),
    };
}
