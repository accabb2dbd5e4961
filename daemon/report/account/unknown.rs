//! Ids that lead nowhere: what is wrong in one, and which are near; and all
//! ids of a run.

use super::sources::Sources;
use super::whole::has_setting;
use crate::report::ids::{FigureId, Place, SettingFigure, TestFigure};
use crate::report::ladder::ladder;
use crate::report::measures::Measure;
use crate::report::reach_chart::TARGET_LX;
use crate::report::survey::SurveyFigures;

/// Near ids that are named.
const NEAR_AT_MOST: usize = 5;
/// Names that are listed in a sentence.
const NAMES_AT_MOST: usize = 24;

/// The run has no such figure.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{why}")]
pub struct Unknown {
    /// What is wrong in the id.
    pub why: String,
    /// Ids that are near it.
    pub near: Vec<String>,
}

/// Every figure of a run that has an account, in the report's order.
pub fn ids(sources: &Sources<'_>) -> Vec<FigureId> {
    let mut all = ids_of(sources.run, sources.rulings.len(), &sources.surveys);
    all.extend(ids_of_measures(sources.run, &sources.measures));
    all
}

/// Every figure of tests that are no surveys.
pub fn ids_of_measures(run: i64, measures: &[Measure]) -> impl Iterator<Item = FigureId> {
    measures.iter().flat_map(move |measure| {
        measure
            .figures
            .iter()
            .map(move |figure| FigureId::Measured {
                run,
                test: measure.test.clone(),
                of: measure.of.clone(),
                figure: figure.name,
            })
    })
}

/// Every figure of a run with so many rulings and these surveys.
pub fn ids_of(run: i64, rulings: usize, surveys: &[SurveyFigures]) -> Vec<FigureId> {
    let rulings = (1..).take(rulings);
    let mut all: Vec<FigureId> = rulings.map(|no| FigureId::Ruling { run, no }).collect();
    for survey in surveys {
        let of = |setting: &str, figure| FigureId::Setting {
            run,
            test: survey.test.clone(),
            setting: setting.to_owned(),
            figure,
        };
        let has_ladder = ladder(survey).is_some();
        for setting in &survey.settings {
            let points = setting.points.iter();
            let places = points.map(|point| Place::new(point.position, survey.lengths));
            let mut figures: Vec<SettingFigure> = places.map(SettingFigure::At).collect();
            figures.push(SettingFigure::Drift);
            let warm_ups = (1..).take(setting.warm_up.len().max(1));
            figures.extend(warm_ups.map(SettingFigure::WarmUp));
            figures.extend([SettingFigure::Offset, SettingFigure::Disc]);
            figures.push(SettingFigure::Reaches(TARGET_LX));
            if has_ladder {
                figures.push(SettingFigure::Step);
            }
            all.extend(figures.into_iter().map(|f| of(&setting.setting, f)));
        }
        let of_test = |figure| FigureId::Test {
            run,
            test: survey.test.clone(),
            figure,
        };
        all.extend(survey.dark.iter().map(|_| of_test(TestFigure::Dark)));
        all.extend(survey.ambient.iter().map(|ambient| {
            let place = Place::new(ambient.position, survey.lengths);
            of_test(TestFigure::Ambient(place))
        }));
        let home = survey.home_offset.iter();
        all.extend(home.map(|_| of_test(TestFigure::Home)));
    }
    all
}

/// What is wrong in an id of this run.
pub(super) fn unknown(sources: &Sources<'_>, id: &FigureId) -> Unknown {
    let run = sources.run;
    let mut tests = sources.surveys.iter().map(|survey| survey.test.as_str());
    let why = match id {
        FigureId::Ruling { no, .. } => match sources.rulings.len() {
            0 => format!("run {run} has no rulings"),
            1 => format!("run {run} has one ruling, {run}.r1, and no {no}"),
            all => format!("run {run} has rulings {run}.r1 to {run}.r{all}, and no {no}"),
        },
        FigureId::Measured {
            test, of, figure, ..
        } => format!("test `{test}` has no {} of `{of}`", figure.name),
        FigureId::Test { test, .. } | FigureId::Setting { test, .. }
            if !tests.clone().any(|known| known == test) =>
        {
            let known = listed(tests.by_ref().map(str::to_owned));
            format!("run {run} has no test `{test}`; it has {known}")
        }
        FigureId::Test { figure, .. } => match figure {
            TestFigure::Dark => "the meter's dark reading was not measured".to_owned(),
            TestFigure::Home => "home was not found again at the end".to_owned(),
            TestFigure::Ambient(place) => format!("ambient light was not measured at {place}"),
        },
        FigureId::Setting { test, setting, .. } if !has_setting(sources, test, setting) => {
            let survey = sources.surveys.iter().find(|s| s.test == *test);
            let settings = survey.iter().flat_map(|survey| &survey.settings);
            let known = listed(settings.map(|setting| setting.setting.clone()));
            format!("test `{test}` has no setting `{setting}`; it has {known}")
        }
        FigureId::Setting {
            setting, figure, ..
        } => match figure {
            SettingFigure::At(place) => format!("{setting} was not measured at {place}"),
            SettingFigure::WarmUp(no) => format!("{setting} has no warm-up {no}"),
            _ => format!("there is no such figure of {setting}"),
        },
    };
    Unknown {
        why,
        near: near(&ids(sources), &id.to_string(), place_of(id)),
    }
}

fn listed(names: impl Iterator<Item = String>) -> String {
    let all: Vec<String> = names.collect();
    if all.is_empty() {
        return "none".to_owned();
    }
    let more = all.len().saturating_sub(NAMES_AT_MOST);
    let shown = all[..all.len() - more].join(", ");
    if more > 0 {
        format!("{shown} and {more} more")
    } else {
        shown
    }
}

/// The ids that a text that is none is nearest to.
pub fn near_text(known: &[FigureId], wanted: &str) -> Vec<String> {
    near(known, wanted, None)
}

/// The nearest: at the nearest places of the same setting, else those that
/// begin or end alike.
fn near(known: &[FigureId], wanted: &str, place: Option<Place>) -> Vec<String> {
    let begins = |text: &str| {
        let both = text.bytes().zip(wanted.bytes());
        both.take_while(|(a, b)| a == b).count()
    };
    let ends = |text: &str| {
        let both = text.bytes().rev().zip(wanted.bytes().rev());
        both.take_while(|(a, b)| a == b).count()
    };
    let away = |other: &FigureId| match (place, place_of(other)) {
        (Some(a), Some(b)) => (a.at() - b.at()).abs().nm(),
        (None, None) => 0,
        _ => i64::MAX,
    };
    let mut all: Vec<(&FigureId, String)> = known.iter().map(|k| (k, k.to_string())).collect();
    // With a place: nearest place of what begins alike; without: likest text.
    all.sort_by_cached_key(|(other, text)| {
        let head = text.split('@').next().unwrap_or(text);
        let same = wanted.split('@').next() == Some(head);
        let like = begins(text) + ends(text);
        (
            !same,
            std::cmp::Reverse(like * usize::from(!same || place.is_none())),
            away(other),
        )
    });
    let names = all.into_iter().map(|(_, text)| text);
    names.take(NEAR_AT_MOST).collect()
}

fn place_of(id: &FigureId) -> Option<Place> {
    match id {
        FigureId::Test {
            figure: TestFigure::Ambient(place),
            ..
        }
        | FigureId::Setting {
            figure: SettingFigure::At(place),
            ..
        } => Some(*place),
        _ => None,
    }
}
