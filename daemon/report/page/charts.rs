//! The three charts of a survey, each with its figures in a table.

use photometry::units::LengthUnit;

use super::markup::{Cell, Markup, Row};
use super::surprises::id_of;
use super::{Page, of_test};
use crate::report::digits;
use crate::report::ids::{FigureId, Place, SettingFigure};
use crate::report::ladder::{Step, ladder};
use crate::report::ladder_chart::{self, LEAST_SHARE, value_text};
use crate::report::reach::Where;
use crate::report::reach_chart::{self, Contour, TARGET_LX, contours, distance_text};
use crate::report::survey::{K, PointFigure, SettingFigures, SurveyFigures};
use crate::report::{chart, lux_chart, table};

/// The charts of all surveys.
pub fn section(out: &mut Markup, page: &Page) {
    out.open("section", &[]);
    out.element("h2", &[], "Light at each level and distance");
    if page.surveys.is_empty() {
        out.element("p", &[], "No survey was measured, so there is no chart.");
    }
    for (index, survey) in page.surveys.iter().enumerate() {
        let test = of_test(page, survey);
        lux(out, page.run.number, survey, index, &test);
        steps(out, page.run.number, survey, index, &test);
        reach(out, page.run.number, survey, index, &test);
    }
    out.close();
}

/// The id of a point.
pub fn point_id(
    run: i64,
    survey: &SurveyFigures,
    setting: &SettingFigures,
    point: &PointFigure,
) -> FigureId {
    let place = Place::new(point.position, survey.lengths);
    id_of(run, survey, setting, SettingFigure::At(place))
}

pub(super) fn figure(out: &mut Markup, title: &str, svg: &str, says: &str) {
    out.open("figure", &[]);
    out.element("h3", &[], title);
    let attributes = [
        ("class", "scroll"),
        ("tabindex", "0"),
        ("role", "group"),
        ("aria-label", "chart"),
    ];
    out.open("div", &attributes);
    out.picture(svg);
    out.close();
    out.element("figcaption", &[], says);
    out.close();
}

fn lux(out: &mut Markup, run: i64, survey: &SurveyFigures, index: usize, test: &str) {
    let drawn = lux_chart::lux_against_distance(survey);
    let svg = chart::within(&format!("lux{index}"), &drawn);
    let says = format!(
        "Illuminance against distance, logarithmic. Bars: U (k = {K}), not drawn where the mark is larger. {}",
        drawn.notes.join(" ")
    );
    figure(out, &format!("{test}{}", drawn.title), &svg, &says);
    out.element("h4", &[], "The same in figures");
    let near = survey.heading.near_field;
    out.element(
        "p",
        &[],
        &format!(
            "Distance from {}; E and U (k = {K}) in lux; n: readings with a value. Over or under: out of the meter's range, with the number of such readings. Near: nearer than {}. A star: see Surprises.",
            survey.heading.datum,
            near.shown(survey.lengths)
        ),
    );
    out.open("div", &[("class", "levels")]);
    for setting in &survey.settings {
        levels_table(out, run, survey, setting);
    }
    out.close();
}

/// A setting's points. Where every point has as many readings, the caption
/// says so once.
fn levels_table(out: &mut Markup, run: i64, survey: &SurveyFigures, setting: &SettingFigures) {
    let valued = setting.points.iter().filter(|p| p.estimate.is_some());
    let mut counts: Vec<usize> = valued.map(|p| p.n).collect();
    counts.dedup();
    let (caption, heads): (String, &[&str]) = match counts.as_slice() {
        [n] => (
            format!("{}, n = {n}", setting.shown),
            &["distance", "E", "U"],
        ),
        _ => (setting.shown.clone(), &["distance", "E", "U", "n"]),
    };
    let rows = setting.points.iter().map(|point| Row {
        id: point_id(run, survey, setting, point),
        cells: point_cells(point, survey, heads.len() == 4),
    });
    out.table(&caption, heads, rows);
}

fn point_cells(point: &PointFigure, survey: &SurveyFigures, counted: bool) -> Vec<Cell> {
    let star = if point.remarks().is_empty() && !table::gap(point) {
        ""
    } else {
        "*"
    };
    let near = if point.position < survey.heading.near_field {
        " near"
    } else {
        ""
    };
    let at = Cell::Words(format!("{}{near}", point.position.shown(survey.lengths)));
    let asked = point.n.max(point.over + point.under) + point.missing + point.set_aside.len();
    let words = match (&point.estimate, point.over_lx, point.under_lx) {
        (_, Some(limit), _) => format!("over {limit} lx ({} of {asked})", point.over),
        (_, None, Some(limit)) => format!("under {limit} lx ({} of {asked})", point.under),
        (Some(estimate), ..) => {
            let (value, u) = digits::shown(estimate.value, point.expanded_lx);
            let u = u.unwrap_or_else(|| "no U".to_owned());
            let mut cells = vec![at, Cell::Figure(format!("{value}{star}")), Cell::Figure(u)];
            if counted {
                cells.push(Cell::Figure(point.n.to_string()));
            }
            return cells;
        }
        _ => point.status().to_owned(),
    };
    let across = if counted { 3 } else { 2 };
    vec![at, Cell::Across(across, format!("{words}{star}"))]
}

fn steps(out: &mut Markup, run: i64, survey: &SurveyFigures, index: usize, test: &str) {
    let Some(ladder) = ladder(survey) else {
        out.element("h3", &[], &format!("{test}No ladder of levels"));
        out.element(
            "p",
            &[],
            "No setting has a value above zero at any distance.",
        );
        return;
    };
    let title = ladder_chart::finding(&ladder, survey.lengths);
    let svg = ladder_chart::within(&format!("ladder{index}"), &ladder, survey.lengths);
    let says = format!(
        "Illuminance of each setting at {}, logarithmic, and how many times the light of the next lower measured level it is. Of the distances with the most values, this is the nearest in the far field, or the farthest where none is. An exclamation mark: more than 10 times, or less than once.",
        ladder.at.shown(survey.lengths)
    );
    figure(out, &format!("{test}{title}"), &svg, &says);
    let rows = ladder.rungs.iter().map(|rung| {
        let mut cells = vec![
            Cell::Words(rung.setting.shown.clone()),
            Cell::Figure(value_text(rung.point)),
        ];
        match &rung.step {
            Step::Ratio(ratio, below) => {
                let u = ratio.expanded(K).max(ratio.value * LEAST_SHARE);
                let (value, u) = digits::shown(ratio.value, Some(u));
                let u = u.unwrap_or_else(|| "no U".to_owned());
                cells.push(Cell::Figure(value));
                cells.push(Cell::Figure(u));
                cells.push(Cell::Words(below.shown.clone()));
            }
            Step::NotKnown(below) => cells.push(Cell::Across(
                3,
                format!("no ratio to {}: one of both has no value", below.shown),
            )),
            Step::Lowest => cells.push(Cell::Across(3, "no lower level measured".to_owned())),
        }
        Row {
            id: id_of(run, survey, rung.setting, SettingFigure::Step),
            cells,
        }
    });
    let caption = format!(
        "Ratio to the next lower measured level at {}; what both share (certificate, distance) is not in its U, which is given as 0.1 % at least",
        ladder.at.shown(survey.lengths)
    );
    let heads = ["setting", "E ± U", "ratio", "U", "to"];
    out.table(&caption, &heads, rows);
}

fn reach(out: &mut Markup, run: i64, survey: &SurveyFigures, index: usize, test: &str) {
    let contours = contours(survey);
    let Some(first) = contours.first() else {
        return;
    };
    let title = reach_chart::finding(first, survey.lengths);
    let svg = reach_chart::within(&format!("reach{index}"), survey, &contours);
    let says = format!(
        "The distance at which each setting gives {TARGET_LX} lx, and others where they lie within the survey. Only between measured points (the ticks), on a straight line between their logarithms; never beyond them. A bar between two points, one of them without a value: somewhere there."
    );
    figure(out, &format!("{test}{title}"), &svg, &says);
    for contour in &contours {
        table_of(out, run, survey, contour);
    }
}

fn table_of(out: &mut Markup, run: i64, survey: &SurveyFigures, contour: &Contour<'_>) {
    let target = contour.target_lx;
    let rows = contour.found.iter().map(|(setting, found)| {
        let mut cells = vec![Cell::Words(setting.shown.clone())];
        cells.extend(reach_cells(found, survey.lengths));
        Row {
            id: id_of(run, survey, setting, SettingFigure::Reaches(target)),
            cells,
        }
    });
    let caption = format!(
        "Where {target} lx is reached; U (k = {K}) is that of the light, without the straight line's own error"
    );
    out.table(&caption, &["setting", "distance", "U", "how"], rows);
}

fn reach_cells(found: &Where, lengths: LengthUnit) -> Vec<Cell> {
    let words = |text: &str| vec![Cell::Across(3, text.to_owned())];
    match found {
        Where::At {
            distance_m,
            expanded_m,
            gap,
        } => {
            let (value, u) = distance_text(*distance_m, *expanded_m, lengths);
            let how = if *gap {
                "interpolated across a point without a value"
            } else {
                "interpolated"
            };
            vec![
                Cell::Figure(value),
                Cell::Figure(u.unwrap_or_else(|| "no U".to_owned())),
                Cell::Words(how.to_owned()),
            ]
        }
        Where::Between(near, far) => vec![Cell::Across(
            3,
            format!(
                "between {} and {}: one has no value above zero within range",
                near.shown(lengths),
                far.shown(lengths)
            ),
        )],
        Where::Never => words("not reached: dimmer at every distance"),
        Where::Everywhere => words("brighter at every distance"),
        Where::NotKnown => words("not known: the points do not tell"),
    }
}
