//! What a careful reader must know before the charts: a sentence for each
//! surprise, with the id of the figure that it speaks of.

use photometry::units::{Length, LengthUnit};

use super::fits::{best_residual, fits};
use super::markup::Markup;
use super::{Page, of_test};
use crate::report::ids::{FigureId, SettingFigure, TestFigure};
use crate::report::ladder::{LARGE_STEP, Step, ladder};
use crate::report::ladder_chart::ratio_text;
use crate::report::survey::{PointFigure, SettingFigures, SurveyFigures};
use crate::report::table;
use photometry::distance::RESIDUAL_AT_MOST;

/// One surprise.
#[derive(Clone, Debug, PartialEq)]
pub struct Surprise {
    /// A sentence.
    pub words: String,
    /// The figure that it speaks of.
    pub id: Option<FigureId>,
}

/// The surprises of all surveys.
pub fn section(out: &mut Markup, page: &Page) {
    out.open("section", &[]);
    out.element("h2", &[], "Surprises");
    let mut all = Vec::new();
    for survey in &page.surveys {
        let test = of_test(page, survey);
        for mut surprise in surprises(page.run.number, survey) {
            surprise.words = format!("{test}{}", surprise.words);
            all.push(surprise);
        }
    }
    if all.is_empty() {
        let points = |survey: &SurveyFigures| survey.settings.iter().any(|s| !s.points.is_empty());
        let none = if !page.surveys.iter().any(points) {
            "Nothing was measured, so nothing could surprise."
        } else {
            "No surprise: no drift over its limit, nothing over range, nothing missing, every warm-up stable, no step lost, no large step between levels, no residual above 2 %."
        };
        out.element("p", &[], none);
    } else {
        out.open("ul", &[]);
        for surprise in &all {
            out.open("li", &[]);
            out.text(&surprise.words);
            if let Some(id) = &surprise.id {
                out.leads_to(id);
            }
            out.close();
        }
        out.close();
    }
    out.close();
}

/// The surprises of a survey, the gravest first.
pub fn surprises(run: i64, survey: &SurveyFigures) -> Vec<Surprise> {
    let mut found = Vec::new();
    let mut say = |words: String, id: Option<FigureId>| found.push(Surprise { words, id });
    for failure in &survey.failures {
        say(format!("Failed: {}.", failure.trim_end_matches('.')), None);
    }
    for aside in &survey.set_aside {
        say(format!("Set aside: {}.", aside.trim_end_matches('.')), None);
    }
    home(run, survey, &mut say);
    for setting in &survey.settings {
        of_setting(run, survey, setting, &mut say);
    }
    steps(run, survey, &mut say);
    near(survey, &mut say);
    residuals(run, survey, &mut say);
    found
}

/// A figure's id of a setting.
pub fn id_of(
    run: i64,
    survey: &SurveyFigures,
    setting: &SettingFigures,
    figure: SettingFigure,
) -> FigureId {
    FigureId::Setting {
        run,
        test: survey.test.clone(),
        setting: setting.setting.clone(),
        figure,
    }
}

/// The id of the home switch's offset.
pub fn home_id(run: i64, survey: &SurveyFigures) -> FigureId {
    FigureId::Test {
        run,
        test: survey.test.clone(),
        figure: TestFigure::Home,
    }
}

fn home(run: i64, survey: &SurveyFigures, say: &mut impl FnMut(String, Option<FigureId>)) {
    let Some(tolerance) = survey.home_tolerance else {
        return;
    };
    match survey.home_offset {
        None => say(
            "The carriage was not homed again at the end: that no step was lost is not proven."
                .to_owned(),
            None,
        ),
        Some(offset) if offset.abs() > tolerance => say(
            format!(
                "Steps were lost: home was found {offset} off at the end, where {tolerance} is allowed; the distances are in doubt."
            ),
            Some(home_id(run, survey)),
        ),
        Some(_) => {}
    }
}

fn of_setting(
    run: i64,
    survey: &SurveyFigures,
    setting: &SettingFigures,
    say: &mut impl FnMut(String, Option<FigureId>),
) {
    let name = &setting.shown;
    let id = |figure| Some(id_of(run, survey, setting, figure));
    if setting.drift_flagged {
        let drift = table::drift_words(setting);
        let what = match setting.left_over {
            None => "the lamp drifted",
            Some(_) => "carriage or meter changed",
        };
        let words = format!("{name}: {what}, {drift}; its figures stand, flagged.");
        say(words, id(SettingFigure::Drift));
    }
    let mut warm_ups = (1..).zip(&setting.warm_up);
    if let Some((no, _)) = warm_ups.find(|(_, warm_up)| !warm_up.stable) {
        let words = format!("{name}: the lamp was not stable when its warm-up ended.");
        say(words, id(SettingFigure::WarmUp(no)));
    }
    type Kind = fn(&PointFigure) -> bool;
    let kinds: [(&str, Kind); 5] = [
        ("the light was over the meter's range", |p| p.over > 0),
        ("the light was under the meter's range", |p| p.under > 0),
        ("not measured", |p| p.status() == "not measured"),
        ("some of the readings gave nothing", table::gap),
        ("the net light is not above zero", |p| {
            p.estimate.as_ref().is_some_and(|e| e.value <= 0.0)
        }),
    ];
    for (what, is) in kinds {
        let points: Vec<&PointFigure> = setting.points.iter().filter(|p| is(p)).collect();
        let Some(first) = points.first() else {
            continue;
        };
        let at = places(
            points.iter().map(|p| p.position),
            setting.points.len(),
            survey.lengths,
        );
        let first = super::charts::point_id(run, survey, setting, first);
        say(format!("{name} at {at}: {what}."), Some(first));
    }
    for flag in flags(setting) {
        let flagged = setting
            .points
            .iter()
            .filter(|p| p.remarks().contains(&flag));
        let at = places(
            flagged.map(|p| p.position),
            setting.points.len(),
            survey.lengths,
        );
        say(format!("{name} at {at}: {flag}."), None);
    }
}

/// The points' flags and what was set aside, each once. That of the drift is said of the setting.
fn flags(setting: &SettingFigures) -> std::collections::BTreeSet<String> {
    let flags = setting.points.iter().flat_map(PointFigure::remarks);
    flags
        .filter(|flag| !(setting.drift_flagged && flag.as_str() == DRIFTED))
        .collect()
}

const DRIFTED: &str = "the lamp drifted by more than the limit";

/// Positions in words: all of them, or each.
fn places(at: impl Iterator<Item = Length>, all: usize, lengths: LengthUnit) -> String {
    let at: Vec<String> = at.map(|at| at.shown(lengths)).collect();
    if at.len() == all && all > 1 {
        "every distance".to_owned()
    } else {
        at.join(", ")
    }
}

fn steps(run: i64, survey: &SurveyFigures, say: &mut impl FnMut(String, Option<FigureId>)) {
    let Some(ladder) = ladder(survey) else {
        return;
    };
    let at = ladder.at.shown(survey.lengths);
    for rung in &ladder.rungs {
        let Step::Ratio(_, below) = &rung.step else {
            continue;
        };
        let what = if rung.is_large() {
            format!("more than {LARGE_STEP} times: one press is a large step")
        } else if rung.step.is_backward() {
            "so the higher level is the dimmer one".to_owned()
        } else {
            continue;
        };
        let words = format!(
            "{} gives {} times the light of {} at {at}, {what}.",
            rung.setting.shown,
            ratio_text(&rung.step),
            below.shown
        );
        say(
            words,
            Some(id_of(run, survey, rung.setting, SettingFigure::Step)),
        );
    }
}

fn near(survey: &SurveyFigures, say: &mut impl FnMut(String, Option<FigureId>)) {
    let limit = survey.heading.near_field;
    let mut near: Vec<Length> = survey
        .settings
        .iter()
        .flat_map(|s| s.points.iter().map(|p| p.position))
        .filter(|at| *at < limit)
        .collect();
    near.sort_unstable();
    near.dedup();
    if near.is_empty() {
        return;
    }
    let at: Vec<String> = near.iter().map(|at| at.shown(survey.lengths)).collect();
    say(
        format!(
            "Near field: {} lie nearer than {} (5 times the lamp's face), where light does not fall as the inverse square.",
            at.join(", "),
            limit.shown(survey.lengths)
        ),
        None,
    );
}

fn residuals(run: i64, survey: &SurveyFigures, say: &mut impl FnMut(String, Option<FigureId>)) {
    for setting in &survey.settings {
        let Some((figure, worst)) = best_residual(&fits(setting)) else {
            continue;
        };
        if worst <= RESIDUAL_AT_MOST {
            continue;
        }
        say(
            format!(
                "{}: no fit against distance holds, the better one misses a point by {:.1} %: stray light, a lamp that was moved, or a step of the meter's range.",
                setting.shown,
                worst * 100.0
            ),
            Some(id_of(run, survey, setting, figure)),
        );
    }
}
