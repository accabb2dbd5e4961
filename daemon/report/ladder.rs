//! The ladder of levels: the light of each at one position, and the ratio to
//! the level below. Pure data; drawn by [`super::ladder_chart`].
//!
//! A ratio's uncertainty keeps what two levels share apart from what they do
//! not: the certificate and the distance stand in both, and drop out.

use photometry::uncertainty::Estimate;
use photometry::units::Length;

use super::survey::{K, PointFigure, SettingFigures, SurveyFigures};

/// A ratio between neighbouring levels above which the step is pointed out.
pub const LARGE_STEP: f64 = 10.0;

/// The levels at one position.
#[derive(Clone, Debug, PartialEq)]
pub struct Ladder<'f> {
    /// The position: the nearest in the far field among those where most
    /// settings have a value; without one, the farthest of them.
    pub at: Length,
    /// By mode, the highest level first.
    pub rungs: Vec<Rung<'f>>,
}

/// One setting of the ladder.
#[derive(Clone, Debug, PartialEq)]
pub struct Rung<'f> {
    /// The setting.
    pub setting: &'f SettingFigures,
    /// Its figure at the ladder's position, if the survey has one there.
    pub point: Option<&'f PointFigure>,
    /// What its light is to that of the level below.
    pub step: Step<'f>,
}

/// A level's light to that of the level below.
#[derive(Clone, Debug, PartialEq)]
pub enum Step<'f> {
    /// The ratio, and the next lower level that was measured.
    Ratio(Estimate, &'f SettingFigures),
    /// One of both has no value above zero.
    NotKnown(&'f SettingFigures),
    /// No level is below it, or the setting is no level.
    Lowest,
}

impl Step<'_> {
    /// The ratio and its U (k = 2), if it is known.
    pub fn ratio(&self) -> Option<(f64, f64)> {
        match self {
            Step::Ratio(ratio, _) => Some((ratio.value, ratio.expanded(K))),
            _ => None,
        }
    }

    /// Dimmer than the level below, by more than U.
    pub fn is_backward(&self) -> bool {
        self.ratio().is_some_and(|(ratio, u)| ratio + u < 1.0)
    }
}

impl Rung<'_> {
    /// One press apart from the level below, and more than [`LARGE_STEP`] times
    /// its light. Of levels between which others were not measured nothing is
    /// said.
    pub fn is_large(&self) -> bool {
        let Step::Ratio(_, below) = &self.step else {
            return false;
        };
        let (Some(here), Some(next)) = (
            level_of(&self.setting.setting).1,
            level_of(&below.setting).1,
        ) else {
            return false;
        };
        here == next + 1
            && self
                .step
                .ratio()
                .is_some_and(|(ratio, _)| ratio > LARGE_STEP)
    }
}

/// A setting's key taken apart: mode and level number, if it is a level.
pub fn level_of(key: &str) -> (&str, Option<u32>) {
    let (mode, level) = match key.rsplit_once('-') {
        Some((mode, level)) => (mode, level),
        None => ("", key),
    };
    let number = level.strip_prefix('L').and_then(|n| n.parse().ok());
    match number {
        Some(number) => (mode, Some(number)),
        None => (key, None),
    }
}

/// The settings by mode, the highest level first, what is no level last.
pub fn ordered(figures: &SurveyFigures) -> Vec<&SettingFigures> {
    let mut settings: Vec<&SettingFigures> = figures.settings.iter().collect();
    settings.sort_by_key(|s| {
        let (mode, level) = level_of(&s.setting);
        (level.is_none(), mode, std::cmp::Reverse(level))
    });
    settings
}

/// A point's value above zero.
pub fn lit(point: &PointFigure) -> Option<&Estimate> {
    let estimate = point.estimate.as_ref()?;
    (estimate.value > 0.0 && estimate.value.is_finite()).then_some(estimate)
}

/// The ladder of a survey; none without a single value above zero.
pub fn ladder(figures: &SurveyFigures) -> Option<Ladder<'_>> {
    let at = position(figures)?;
    let settings = ordered(figures);
    let point = |s: &'_ SettingFigures| s.points.iter().position(|p| p.position == at);
    let found = |s: &'_ SettingFigures| point(s).and_then(|index| lit(&s.points[index]).cloned());
    let rungs = settings.iter().enumerate().map(|(index, setting)| {
        let (mode, level) = level_of(&setting.setting);
        let below = settings.get(index + 1).copied().filter(|below| {
            let (other, number) = level_of(&below.setting);
            level.is_some() && number.is_some() && other == mode
        });
        let step = match below {
            None => Step::Lowest,
            Some(below) => match (found(setting), found(below)) {
                (Some(a), Some(b)) => Step::Ratio(ratio(&a, &b), below),
                _ => Step::NotKnown(below),
            },
        };
        Rung {
            setting,
            point: point(setting).map(|index| &setting.points[index]),
            step,
        }
    });
    Some(Ladder {
        at,
        rungs: rungs.collect(),
    })
}

fn position(figures: &SurveyFigures) -> Option<Length> {
    let mut counts: std::collections::BTreeMap<Length, usize> = Default::default();
    for point in figures.settings.iter().flat_map(|s| &s.points) {
        *counts.entry(point.position).or_default() += usize::from(lit(point).is_some());
    }
    let most = counts.values().copied().max().filter(|most| *most > 0)?;
    let mut best = counts
        .iter()
        .filter(|(_, n)| **n == most)
        .map(|(at, _)| *at);
    let near = figures.heading.near_field;
    best.clone()
        .find(|at| *at >= near)
        .or_else(|| best.next_back())
}

/// a/b with the terms of both; equal sources are one, and cancel.
fn ratio(a: &Estimate, b: &Estimate) -> Estimate {
    let value = a.value / b.value;
    let mut ratio = Estimate::exact(value);
    for term in &a.terms {
        ratio = ratio.with(&term.source, value * term.u / a.value, term.dof);
    }
    for term in &b.terms {
        ratio = ratio.with(&term.source, -value * term.u / b.value, term.dof);
    }
    ratio
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests_table::figures;

    #[test]
    fn the_ladder_stands_in_the_far_field() {
        let figures = figures();
        let ladder = ladder(&figures).expect("a ladder");
        // 1000 mm is the limit; 42 in = 1066.8 mm.
        assert_eq!(ladder.at, Length::from_nm(42 * 25_400_000));
        assert_eq!(ladder.rungs[0].setting.setting, "L12");
        assert_eq!(ladder.rungs[11].step, Step::Lowest);
        for rung in &ladder.rungs[..11] {
            let (ratio, _) = rung.step.ratio().expect("a ratio");
            assert!((ratio - 1.76).abs() < 1e-9);
        }
    }

    /// One percent of a certificate in both is none of the ratio; 1 % of each
    /// alone is 1.414 %.
    #[test]
    fn what_both_share_drops_out() {
        let of = |value: f64, own: &str| {
            Estimate::exact(value)
                .with("certificate", value * 0.015, None)
                .with(own, value * 0.01, None)
        };
        let found = ratio(&of(300.0, "a"), &of(100.0, "b"));
        assert!((found.combined() / 3.0 - 0.01 * 2_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn keys_are_taken_apart() {
        let cases = [
            ("L07", ("", Some(7))),
            ("warm-white-L12", ("warm-white", Some(12))),
            ("half-light", ("half-light", None)),
            ("Lx", ("Lx", None)),
            ("", ("", None)),
        ];
        for (key, parts) in cases {
            assert_eq!(level_of(key), parts);
        }
    }
}
