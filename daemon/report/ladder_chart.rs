//! The ladder of levels, drawn: a row for each level, its light on a
//! logarithmic axis, and between two rows the ratio of their light. How the
//! figures come about is said in [`super::ladder`].

use photometry::units::LengthUnit;

use super::chart::cut;
use super::digits;
use super::ink::Ink;
use super::ladder::{LARGE_STEP, Ladder, Rung, Step, lit};
use super::rows::{LEFT, Rows, TOP};
use super::scale::Log;
use super::strokes::{self, MARK_REACH};
use super::survey::PointFigure;
use super::svg::{Anchor, Path, Svg};

/// Where the plot ends, the values and the ratios begin, in pixels.
const PLOT_END: f64 = 516.0;
const VALUES: f64 = 530.0;
const RATIOS: f64 = 676.0;
/// Characters that fit there.
const VALUE_AT_MOST: usize = 18;

/// What the ladder shows, in one sentence.
pub fn finding(ladder: &Ladder<'_>, lengths: LengthUnit) -> String {
    let at = ladder.at.shown(lengths);
    let known = ladder
        .rungs
        .iter()
        .filter_map(|rung| Some((rung, rung.step.ratio()?.0)));
    let most = known.clone().max_by(|a, b| a.1.total_cmp(&b.1));
    let least = known.min_by(|a, b| a.1.total_cmp(&b.1));
    let large = ladder.rungs.iter().filter(|r| r.is_large()).count();
    match (least, most) {
        (Some(least), Some(most)) if least.0.setting != most.0.setting => {
            let tail = match large {
                0 => String::new(),
                1 => format!("; one step is more than {LARGE_STEP} times"),
                n => format!("; {n} steps are more than {LARGE_STEP} times"),
            };
            let (least, most) = (ratio_text(&least.0.step), ratio_text(&most.0.step));
            if least == most {
                format!(
                    "At {at} each level gives {least} times the light of the next lower one{tail}"
                )
            } else {
                format!(
                    "At {at} a level gives {least} to {most} times the light of the next lower one{tail}"
                )
            }
        }
        (_, Some((rung, _))) => format!(
            "At {at} {} gives {} times the light of the next lower level",
            rung.setting.shown,
            ratio_text(&rung.step)
        ),
        _ => format!("At {at} no two neighbouring levels have a value, so there is no ratio"),
    }
}

/// A ratio to three significant digits, or fewer where its U allows no more.
pub fn ratio_text(step: &Step<'_>) -> String {
    match step.ratio() {
        Some((ratio, _)) if !(1e-3..1e6).contains(&ratio) => format!("{ratio:.1e}"),
        Some((ratio, u)) => digits::shown(ratio, Some(u.max(ratio * 0.1))).0,
        None => "not known".to_owned(),
    }
}

/// What both levels share drops out of a ratio's U; what is left may be less
/// than a rail and a lamp repeat. A ratio's U is given as this share at least.
pub const LEAST_SHARE: f64 = 1e-3;

/// A point as one label: its value and U, or why there is none.
pub fn value_text(point: Option<&PointFigure>) -> String {
    let Some(point) = point else {
        return "not asked for".to_owned();
    };
    match (&point.estimate, point.over_lx, point.under_lx) {
        (_, Some(limit), _) => format!("over {limit} lx"),
        (_, None, Some(limit)) => format!("under {limit} lx"),
        (Some(estimate), ..) => match digits::shown(estimate.value, point.expanded_lx) {
            (value, Some(u)) => format!("{value} ± {u} lx"),
            (value, None) => format!("{value} lx"),
        },
        _ => point.status().to_owned(),
    }
}

/// Draws the ladder within a page.
pub fn within(prefix: &str, ladder: &Ladder<'_>, lengths: LengthUnit) -> String {
    let rows = Rows::of(ladder.rungs.len());
    let title = finding(ladder, lengths);
    let mut out = Svg::within(prefix, rows.size(), &title, &describe(ladder, &title));
    let lights = ladder
        .rungs
        .iter()
        .filter_map(|rung| Some(lit(rung.point?)?.value));
    let Some(axis) = Log::around(lights, LEFT, PLOT_END) else {
        return out.finish(); // a ladder has a value above zero
    };
    let label = format!("illuminance at {} (lx)", ladder.at.shown(lengths));
    rows.log_axis(&mut out, &axis, &label);
    out.say(
        (VALUES, TOP - 10.0),
        Anchor::Start,
        Ink::Strong,
        "E ± U (k = 2)",
    );
    let head = "times below";
    out.say(
        (RATIOS - 12.0, TOP - 10.0),
        Anchor::Start,
        Ink::Strong,
        head,
    );
    connect(&mut out, ladder, &rows, &axis);
    let (mut bars, mut places) = (Path::default(), Vec::new());
    for (index, rung) in ladder.rungs.iter().enumerate() {
        rows.name(&mut out, index, &rung.setting.shown);
        let y = rows.at(index);
        let value = cut(&value_text(rung.point), VALUE_AT_MOST);
        out.say((VALUES, y + 4.0), Anchor::Start, Ink::Name, &value);
        step(
            &mut out,
            rung,
            (rows.at(index), rows.after(index), rows.pitch),
        );
        let Some((point, x)) = place(rung, &axis) else {
            continue;
        };
        places.push((x, y));
        bar(&mut bars, point, &axis, y);
    }
    strokes::marks(&mut out, 0, places);
    out.draw(&bars, Ink::Bar);
    out.finish()
}

fn place<'f>(rung: &Rung<'f>, axis: &Log) -> Option<(&'f PointFigure, f64)> {
    let point = rung.point?;
    Some((point, axis.place(lit(point)?.value)?))
}

/// U as a bar, where the mark does not hide it.
fn bar(bars: &mut Path, point: &PointFigure, axis: &Log, y: f64) {
    let (Some(estimate), Some(u)) = (lit(point), point.expanded_lx) else {
        return;
    };
    let most = axis.place(estimate.value + u).unwrap_or(axis.end);
    let least = axis.place(estimate.value - u).unwrap_or(axis.start);
    let (least, most) = (least.max(axis.start), most.min(axis.end));
    if most - least > 2.0 * MARK_REACH {
        bars.to(least, y).draw(most, y);
        bars.to(least, y - 3.0).draw(least, y + 3.0);
        bars.to(most, y - 3.0).draw(most, y + 3.0);
    }
}

/// Lines from level to level; a level without a value breaks them.
fn connect(out: &mut Svg, ladder: &Ladder<'_>, rows: &Rows, axis: &Log) {
    let mut path = Path::default();
    for (index, pair) in ladder.rungs.windows(2).enumerate() {
        let ends = (place(&pair[0], axis), place(&pair[1], axis));
        if let (Step::Ratio(..), (Some((_, from)), Some((_, to)))) = (&pair[0].step, ends) {
            path.to(from, rows.at(index)).draw(to, rows.at(index + 1));
        }
    }
    strokes::line(out, 0, &path);
}

/// The ratio between this row and the next, with a bracket about both.
fn step(out: &mut Svg, rung: &Rung<'_>, (row, between, pitch): (f64, f64, f64)) {
    let text = match &rung.step {
        Step::Lowest => return,
        Step::NotKnown(_) => "no ratio".to_owned(),
        known @ Step::Ratio(..) => format!("× {}", ratio_text(known)),
    };
    let (text, ink) = if rung.is_large() || rung.step.is_backward() {
        (format!("{text} !"), Ink::Strong)
    } else {
        (text, Ink::Name)
    };
    let mut bracket = Path::default();
    let x = RATIOS - 6.0;
    bracket
        .to(x - 5.0, row + 3.0)
        .draw(x, row + 3.0)
        .draw(x, row + pitch - 3.0)
        .draw(x - 5.0, row + pitch - 3.0);
    out.draw(&bracket, Ink::Leader);
    out.say((RATIOS, between + 4.0), Anchor::Start, ink, &text);
}

fn describe(ladder: &Ladder<'_>, title: &str) -> String {
    let mut text = format!("{title}. Illuminance of each level, logarithmic.");
    for rung in &ladder.rungs {
        text += &format!(" {}: {}", rung.setting.shown, value_text(rung.point));
        if let Step::Ratio(_, below) = &rung.step {
            text += &format!(", {} times {}", ratio_text(&rung.step), below.shown);
        }
        text.push('.');
    }
    text
}
