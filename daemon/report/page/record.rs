//! The lamp's drift and warm-up, home found again, and what was subtracted.

use photometry::units::Wall;

use super::Page;
use super::markup::{Cell, Markup, Row};
use super::surprises::{home_id, id_of};
use crate::report::background::Background;
use crate::report::digits;
use crate::report::ids::{FigureId, Place, SettingFigure, TestFigure};
use crate::report::survey::{K, SettingFigures, SurveyFigures, WarmUpFigure};
use crate::report::table;

/// Drift, warm-up, home.
pub fn section(out: &mut Markup, page: &Page) {
    out.open("section", &[]);
    out.element("h2", &[], "Drift and warm-up");
    if page.surveys.is_empty() {
        out.element("p", &[], "Nothing was measured.");
    }
    for survey in &page.surveys {
        drift(out, page, survey);
        warm_up(out, page, survey);
        home(out, page, survey);
    }
    out.close();
}

fn caption(page: &Page, survey: &SurveyFigures, what: &str) -> String {
    format!("{}{what}", super::of_test(page, survey))
}

fn drift(out: &mut Markup, page: &Page, survey: &SurveyFigures) {
    let rows = survey.settings.iter().map(|setting| Row {
        id: id_of(page.run.number, survey, setting, SettingFigure::Drift),
        cells: vec![
            Cell::Words(setting.shown.clone()),
            Cell::Figure(table::drift_words(setting)),
            Cell::Figure(setting.visits.to_string()),
        ],
    });
    let what = "Drift over each leg: the last visit to the reference against the first";
    let heads = ["setting", "drift", "visits"];
    out.table(&caption(page, survey, what), &heads, rows);
}

fn warm_up(out: &mut Markup, page: &Page, survey: &SurveyFigures) {
    let rows = survey.settings.iter().flat_map(|setting| {
        let row = |no: u32, cells| Row {
            id: id_of(page.run.number, survey, setting, SettingFigure::WarmUp(no)),
            cells,
        };
        if setting.warm_up.is_empty() {
            let name = Cell::Words(setting.shown.clone());
            let words = Cell::Across(3, "no warm-up is on record".to_owned());
            return vec![row(1, vec![name, words])];
        }
        let all = (1..).zip(&setting.warm_up);
        all.map(|(no, warm_up)| row(no, warm_up_cells(setting, warm_up)))
            .collect()
    });
    let heads = ["setting", "waited", "ended by", "then falling"];
    out.table(&caption(page, survey, "Warm-up"), &heads, rows);
    let mut all = survey.settings.iter().flat_map(|setting| &setting.warm_up);
    if all.any(|warm_up| warm_up.by.starts_with(PREDICTED)) {
        out.element("p", &[], NOT_SETTLED);
    }
}

/// How a warm-up's rule begins that looks no farther than its leg.
const PREDICTED: &str = "predicted";

const NOT_SETTLED: &str = "Where a warm-up ended by a predicted drift, the lamp was steady enough for \
     the time of its leg, not settled at its level for good: left alone it might have gone on \
     changing, by per cents on some lamps. The figures are of the light as it was then, and U holds \
     nothing of what would have come; a plan with warm-up: standard waits longer at every level.";

fn warm_up_cells(setting: &SettingFigures, warm_up: &WarmUpFigure) -> Vec<Cell> {
    let falling = match warm_up.decline_per_hour {
        Some(decline) => format!("{} an hour", table::percent(decline)),
        None => "by no steady rate".to_owned(),
    };
    vec![
        Cell::Words(setting.shown.clone()),
        Cell::Figure(warm_up.after.shown()),
        Cell::Words(table::ended_by(warm_up)),
        Cell::Words(falling),
    ]
}

fn home(out: &mut Markup, page: &Page, survey: &SurveyFigures) {
    let words = match (survey.home_offset, survey.home_tolerance) {
        (Some(offset), Some(tolerance)) => {
            let verdict = if offset.abs() <= tolerance {
                "no step was lost"
            } else {
                "steps were lost, and the distances are in doubt"
            };
            format!(
                "Home was found again at the end {offset} off, where {tolerance} is allowed: {verdict}."
            )
        }
        (Some(offset), None) => format!("Home was found again at the end {offset} off."),
        (None, _) => {
            let words = "Home was not found again at the end: that no step was lost is not proven.";
            out.element("p", &[], words);
            return;
        }
    };
    out.open("p", &[]);
    out.text(&words);
    out.account(&home_id(page.run.number, survey).to_string());
    out.close();
}

/// Dark and ambient light.
pub fn subtracted(out: &mut Markup, page: &Page) {
    out.open("section", &[]);
    out.element("h2", &[], "What was subtracted");
    if page.surveys.is_empty() {
        out.element("p", &[], "Nothing was measured.");
    }
    for survey in &page.surveys {
        let how = format!("Lux are {}.", survey.net_of.words());
        out.element("p", &[], &caption(page, survey, &how));
        let of_test = |figure| FigureId::Test {
            run: page.run.number,
            test: survey.test.clone(),
            figure,
        };
        match &survey.dark {
            Some(dark) => {
                out.open("p", &[]);
                out.text(&format!("The covered meter reads {}.", background(dark)));
                out.account(&of_test(TestFigure::Dark).to_string());
                out.close();
            }
            None => out.element(
                "p",
                &[],
                "The meter's reading in the dark was not measured.",
            ),
        }
        if survey.ambient.is_empty() {
            out.element("p", &[], "Ambient light was not measured.");
            continue;
        }
        let side = |side: &Option<Background>| match side {
            Some(light) => Cell::Figure(background(light)),
            None => Cell::Words("not measured".to_owned()),
        };
        let rows = survey.ambient.iter().map(|ambient| Row {
            id: of_test(TestFigure::Ambient(Place::new(
                ambient.position,
                survey.lengths,
            ))),
            cells: vec![
                Cell::Words(ambient.position.shown(survey.lengths)),
                side(&ambient.before),
                side(&ambient.after),
            ],
        });
        let what = format!("Ambient light, the lamp off; U (k = {K}) is its readings' scatter");
        let heads = ["distance", "before", "after"];
        out.table(&caption(page, survey, &what), &heads, rows);
    }
    out.close();
}

fn background(light: &Background) -> String {
    let Background {
        lux, u_lx, n, at, ..
    } = light;
    let readings = if *n == 1 { "reading" } else { "readings" };
    let when = clock(*at);
    if let Some(limit) = light.below_lx {
        return format!("under {limit} lx ({n} {readings}, {when})");
    }
    match digits::shown(*lux, Some(u_lx * K)) {
        (lux, Some(u)) => format!("{lux} ± {u} lx ({n} {readings}, {when})"),
        (lux, None) => format!("{lux} lx ({n} {readings}, {when})"),
    }
}

/// Hour and minute, UTC.
fn clock(at: Wall) -> String {
    let minutes = at.us().div_euclid(60_000_000).rem_euclid(24 * 60);
    format!("{:02}:{:02} UTC", minutes / 60, minutes % 60)
}
