//! The chart of a survey: lux against distance, one line per setting, with a
//! title that says what was found and the same in words for those who don't
//! see it. How it is drawn is said in [`super::chart`].

use photometry::units::{Length, LengthUnit};

use super::chart::{Chart, Line, Mark};
use super::digits;
use super::survey::{K, PointFigure, SurveyFigures};

/// The chart of a survey.
pub fn lux_against_distance(figures: &SurveyFigures) -> Chart {
    let unit = |at: Length| match figures.lengths {
        LengthUnit::Inches => at.inches(),
        LengthUnit::Millimetres => at.mm(),
    };
    let lines = figures
        .settings
        .iter()
        .map(|setting| Line {
            name: setting.shown.clone(),
            points: setting
                .points
                .iter()
                .map(|point| {
                    let mark = point.estimate.as_ref().map(|estimate| Mark {
                        y: estimate.value,
                        expanded: point.expanded_lx.unwrap_or(0.0),
                    });
                    (unit(point.position), mark)
                })
                .collect(),
        })
        .collect();
    let heading = &figures.heading;
    let axis = match figures.lengths {
        LengthUnit::Inches => "in",
        LengthUnit::Millimetres => "mm",
    };
    let title = finding(figures);
    let subtitle = format!(
        "unit {}, plan {}, bench {}, meter {}; bars: U (k = {K}), not drawn where the mark is larger",
        heading.unit, heading.plan, heading.bench, heading.meter
    );
    let notes = notes(figures);
    Chart {
        description: describe(figures, &title, &notes),
        title,
        subtitle,
        x_label: format!("distance from {} ({axis})", heading.datum),
        y_label: "illuminance (lx)".to_owned(),
        lines,
        notes,
    }
}

/// The brightest point, and how little is left of that setting at its
/// farthest. A point over range is the brightest only where its limit is above
/// every value: a low range has a low limit.
fn finding(figures: &SurveyFigures) -> String {
    let lamp = &figures.heading.lamp;
    let points = || {
        let settings = figures.settings.iter();
        settings.flat_map(|setting| setting.points.iter().map(move |point| (setting, point)))
    };
    let value = |point: &PointFigure| Some(point.estimate.as_ref()?.value);
    let over = points()
        .filter_map(|(setting, point)| Some((setting, point, point.over_lx?)))
        .max_by(|a, b| a.2.total_cmp(&b.2));
    let brightest = points()
        .filter_map(|(setting, point)| Some((setting, point, value(point)?)))
        .max_by(|a, b| a.2.total_cmp(&b.2));
    let most = brightest.map_or(0.0, |(_, _, value)| value);
    let (setting, point, lux) = match (over.filter(|o| o.2 >= most), brightest) {
        (Some((setting, point, limit)), _) => (setting, point, format!("more than {limit} lx")),
        (None, Some((setting, point, value))) => (setting, point, lux(value, point)),
        (None, None) => return format!("{lamp}: nothing was measured"),
    };
    let at = |point: &PointFigure| point.position.shown(figures.lengths);
    let mut title = format!("{lamp} gives {lux} at {}", at(point));
    let mut rest = setting.points.iter().rev();
    if let Some((far, left)) = rest.find_map(|p| Some((p, value(p)?)))
        && far.position > point.position
    {
        title += &format!(", {} at {}", self::lux(left, far), at(far));
    }
    format!("{title} ({})", setting.shown)
}

fn lux(value: f64, point: &PointFigure) -> String {
    format!("{} lx", digits::shown(value, point.expanded_lx).0)
}

fn notes(figures: &SurveyFigures) -> Vec<String> {
    let mut notes = Vec::new();
    if figures.unfinished {
        notes.push("Not finished: something that the plan asks for is not measured.".to_owned());
    }
    notes.extend(figures.failures.iter().map(|why| format!("Failed: {why}.")));
    notes.push(format!(
        "Lux are {}, corrected for drift.",
        figures.net_of.words()
    ));
    for setting in &figures.settings {
        if setting.drift_flagged {
            notes.push(format!(
                "{}: the lamp drifted by more than the limit.",
                setting.shown
            ));
        }
        for point in &setting.points {
            let Some(why) = not_drawn(point) else {
                continue;
            };
            let at = point.position.shown(figures.lengths);
            notes.push(format!("{} at {at}: {why}.", setting.shown));
        }
    }
    notes
}

/// Why a point is not in the picture; none for one that is.
fn not_drawn(point: &PointFigure) -> Option<String> {
    match (&point.estimate, point.over_lx, point.under_lx) {
        (Some(estimate), ..) if estimate.value > 0.0 => None,
        (Some(estimate), ..) => Some(format!(
            "{}, not above zero, so not on this axis",
            lux(estimate.value, point)
        )),
        (None, Some(limit), _) => Some(format!("over {limit} lx")),
        (None, None, Some(limit)) => Some(format!("under {limit} lx")),
        (None, None, None) => Some(point.status().to_owned()),
    }
}

/// The chart in words: the finding, each line's ends, the notes.
fn describe(figures: &SurveyFigures, title: &str, notes: &[String]) -> String {
    let mut text = format!("{title}. Illuminance against distance, logarithmic.");
    for setting in &figures.settings {
        let mut known = setting
            .points
            .iter()
            .filter_map(|p| Some((p, p.estimate.as_ref()?.value)));
        let words = |(point, value): (&PointFigure, f64)| {
            let at = point.position.shown(figures.lengths);
            format!("{} at {at}", lux(value, point))
        };
        let Some(near) = known.next() else { continue };
        text += &format!(" {}: {}", setting.shown, words(near));
        if let Some(far) = known.next_back() {
            text += &format!(", {}", words(far));
        }
        text.push('.');
    }
    for note in notes {
        text.push(' ');
        text += note;
    }
    text
}
