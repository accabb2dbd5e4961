//! What a survey's figures look like to a script.
//!
//! A point's key is the id of its figure, so that a ruling names what it rests
//! on by what the report prints. Flags of a point (over and under range, too
//! few visits) and of a leg (drift) make every ruling on it undecided. Called
//! by: round. Pure.

use photometry::units::Length;

use crate::plan::frozen::Frozen;
use crate::plan::lamp::{ONLY_MODE, Setting};
use crate::report::ids::{FigureId, Place, SettingFigure};
use crate::report::reference;
use crate::report::survey::{PointFigure, SettingFigures, SurveyFigures};
use crate::run::journal::RunId;
use crate::script::reach::Reach;
use crate::script::unit::Unit;
use crate::script::view::{Measured, PointView, SettingView, View};

/// The flag of a leg that drifted by more than its limit, twice.
const DRIFTED: &str = "the lamp drifted by more than the limit";

/// The flag of a drift between visits of a single reading.
const ONE_READING: &str = "one reading a visit: its scatter is not known";

/// One survey of a run, for scripts.
pub fn view(run: RunId, frozen: &Frozen, figures: &SurveyFigures) -> View {
    let heading = &figures.heading;
    let reference = frozen
        .plan
        .tests
        .iter()
        .find(|test| test.name == figures.test)
        .and_then(|test| Some(test.kind.survey()?.reference.at));
    let known = settings_of(frozen);
    let one = |setting: &SettingFigures| {
        let known = known.iter().find(|known| known.key() == setting.setting);
        setting_view(run, figures, setting, known, reference)
    };
    View {
        lamp: heading.lamp.clone(),
        unit: heading.unit.clone(),
        firmware: heading.firmware.clone(),
        plan: heading.plan.clone(),
        bench: heading.bench.clone(),
        unfinished: figures.unfinished,
        settings: figures.settings.iter().map(one).collect(),
    }
}

/// Every setting that the lamp can have.
fn settings_of(frozen: &Frozen) -> Vec<Setting> {
    let modes = frozen.lamp.modes.iter();
    let of_mode = |mode: &crate::plan::lamp::Mode| {
        let name = mode.name.clone();
        let one = move |level| Setting {
            mode: name.clone(),
            level,
        };
        (1..=mode.levels).map(one).collect::<Vec<_>>()
    };
    modes.flat_map(of_mode).collect()
}

fn setting_view(
    run: RunId,
    figures: &SurveyFigures,
    setting: &SettingFigures,
    known: Option<&Setting>,
    reference: Option<Length>,
) -> SettingView {
    let id = |figure| FigureId::Setting {
        run: run.0,
        test: figures.test.clone(),
        setting: setting.setting.clone(),
        figure,
    };
    let drift_id = id(SettingFigure::Drift).to_string();
    let drift = match reference::drift_percent(&setting.reference) {
        Some((estimate, known)) => {
            let mut drift = Measured::known(estimate, Unit::Percent, &drift_id);
            if !known {
                drift.flags.push(ONE_READING.to_owned());
            }
            drift
        }
        None => Measured::unknown("fewer than two reference visits", Unit::Percent),
    };
    let point = |point: &PointFigure| {
        let place = Place::new(point.position, figures.lengths);
        let key = id(SettingFigure::At(place)).to_string();
        PointView {
            position_m: point.position.metres(),
            lux: lux_of(point, setting.drift_flagged, &key),
            key,
        }
    };
    let points: Vec<PointView> = setting.points.iter().map(point).collect();
    let at_reference = setting
        .points
        .iter()
        .zip(&points)
        .find(|(point, _)| Some(point.position) == reference);
    SettingView {
        name: setting.setting.clone(),
        shown: setting.shown.clone(),
        mode: known
            .map(|known| known.mode.clone())
            .filter(|mode| mode != ONLY_MODE),
        level: known.map(|known| known.level),
        reference: at_reference.map_or_else(
            || Measured::unknown("the reference position is none of the survey's", Unit::Lux),
            |(_, point)| point.lux.clone(),
        ),
        points,
        drift,
    }
}

/// A point's illuminance; a reading over or under range leaves none.
fn lux_of(point: &PointFigure, drifted: bool, key: &str) -> Measured {
    let mut measured = match (&point.estimate, point.over_lx, point.under_lx) {
        (Some(estimate), ..) => Measured::known(estimate.clone(), Unit::Lux, key),
        (None, Some(limit), _) => Measured::unknown(&over(limit), Unit::Lux),
        (None, None, Some(limit)) => Measured::unknown(&under(limit), Unit::Lux),
        // With one reading left the flag "one reading: ..." forbids a ruling, with
        // more U is honest about the smaller n, and the mean may be ruled on.
        (None, None, None) if !point.set_aside.is_empty() => {
            Measured::unknown("every reading was set aside", Unit::Lux)
        }
        (None, None, None) => Measured::unknown("not measured", Unit::Lux),
    };
    measured.reach = reach_of(point);
    measured.rests_on = vec![key.to_owned()];
    measured.flags.clone_from(&point.flags);
    if drifted {
        measured.flags.push(DRIFTED.to_owned());
    }
    measured
}

fn over(limit: f64) -> String {
    format!("over {limit} lx")
}

fn under(limit: f64) -> String {
    format!("under {limit} lx")
}

/// Where a point beyond the meter's range lies. Of readings on both sides of a
/// range nothing is told; one beside those with a value may be a stray, so that
/// the mean lies on the readings' own side of the two.
fn reach_of(point: &PointFigure) -> Option<Reach> {
    let raw = point.mean_raw_lx;
    match (&point.estimate, point.over_lx, point.under_lx) {
        (None, Some(limit), None) => {
            let least = raw.map_or(limit, |raw| raw.min(limit));
            Some(Reach::over(least, &over(limit)))
        }
        (None, None, Some(limit)) => {
            let most = raw.map_or(limit, |raw| raw.max(limit));
            Some(Reach::under(most, &under(limit)))
        }
        _ => None,
    }
}
