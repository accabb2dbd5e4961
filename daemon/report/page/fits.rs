//! The fits of each setting against distance, and how well they hold.

use photometry::distance::{DistanceFit, FitError, Point, RESIDUAL_AT_MOST, fit_disc, fit_offset};
use photometry::uncertainty::Estimate;
use photometry::units::LengthUnit;

use super::Page;
use super::markup::{Cell, Markup, Row};
use super::surprises::id_of;
use crate::report::digits;
use crate::report::ids::SettingFigure;
use crate::report::ladder::lit;
use crate::report::reach::fit_point;
use crate::report::reach_chart::distance_text;
use crate::report::survey::{K, PointFigure, SettingFigures, SurveyFigures};

/// Both fits of a setting.
#[derive(Clone, Debug, PartialEq)]
pub struct Fits {
    offset: Result<DistanceFit, FitError>,
    disc: Result<DistanceFit, FitError>,
}

/// Fits a setting both ways; points without light above zero are left out.
pub fn fits(setting: &SettingFigures) -> Fits {
    let points: Vec<Point> = setting.points.iter().filter_map(fit_point).collect();
    Fits {
        offset: fit_offset(&points),
        disc: fit_disc(&points),
    }
}

/// The fit that misses its worst point by less, and by how much, as a share.
pub fn best_residual(fits: &Fits) -> Option<(SettingFigure, f64)> {
    let worst =
        |fit: &Result<DistanceFit, FitError>| fit.as_ref().ok().map(DistanceFit::worst_residual);
    match (worst(&fits.offset), worst(&fits.disc)) {
        (Some(offset), Some(disc)) if disc < offset => Some((SettingFigure::Disc, disc)),
        (Some(offset), _) => Some((SettingFigure::Offset, offset)),
        (None, disc) => disc.map(|disc| (SettingFigure::Disc, disc)),
    }
}

/// The fits of all surveys.
pub fn section(out: &mut Markup, page: &Page) {
    out.open("section", &[]);
    out.element("h2", &[], "Fits against distance");
    let says = "Two straight lines, weighted by each point's uncertainty. Offset: the light comes from a point behind (or before) the datum. Disc: it comes from a flat disc at the datum. The one that holds tells which the lamp is more like; a worst residual above 2 % means that neither does. U of the intensity joins the fit's own scatter and the median U of the points' light; U of the offset is the fit's own scatter, 0.1 mm at least.";
    out.element("p", &[], says);
    if page.surveys.is_empty() {
        out.element("p", &[], "Nothing was measured.");
    }
    for survey in &page.surveys {
        let all: Vec<(&SettingFigures, Fits)> =
            survey.settings.iter().map(|s| (s, fits(s))).collect();
        let test = super::of_test(page, survey);
        let rows = all.iter().map(|(setting, fits)| Row {
            id: id_of(page.run.number, survey, setting, SettingFigure::Offset),
            cells: cells(setting, &fits.offset, survey),
        });
        let heads = ["setting", "intensity", "offset", "worst residual"];
        out.table(&format!("{test}Offset fit; U (k = {K})"), &heads, rows);
        let rows = all.iter().map(|(setting, fits)| Row {
            id: id_of(page.run.number, survey, setting, SettingFigure::Disc),
            cells: cells(setting, &fits.disc, survey),
        });
        let heads = ["setting", "intensity", "radius (no U)", "worst residual"];
        out.table(&format!("{test}Disc fit; U (k = {K})"), &heads, rows);
    }
    out.close();
}

fn cells(
    setting: &SettingFigures,
    fit: &Result<DistanceFit, FitError>,
    survey: &SurveyFigures,
) -> Vec<Cell> {
    let name = Cell::Words(setting.shown.clone());
    let fit = match fit {
        Ok(fit) => fit,
        Err(why) => return vec![name, Cell::Across(3, format!("no fit: {why}"))],
    };
    let i = &fit.intensity_cd;
    let intensity = match digits::shown(i.value, intensity_expanded(setting, fit)) {
        (value, Some(u)) => format!("{value} ± {u} cd"),
        (value, None) => format!("{value} cd, no U"),
    };
    let worst = fit.worst_residual();
    let note = if worst > RESIDUAL_AT_MOST {
        ", too much"
    } else {
        ""
    };
    vec![
        name,
        Cell::Figure(intensity),
        length(fit, survey.lengths),
        Cell::Figure(format!("{:.2} %{note}", worst * 100.0)),
    ]
}

/// U (k = 2) of a fit's intensity in cd: the fit's own scatter and the median U
/// of the points' light, as the root of their squares.
pub fn intensity_expanded(setting: &SettingFigures, fit: &DistanceFit) -> Option<f64> {
    let i = &fit.intensity_cd;
    let light = median_share(setting).map(|share| share * i.value)?;
    Some(light.hypot(i.expanded(K)))
}

/// The median of the points' U over their light: what all share, such as the
/// certificate, does not scatter, and a fit alone would not see it.
fn median_share(setting: &SettingFigures) -> Option<f64> {
    let share = |p: &PointFigure| Some(p.expanded_lx? / lit(p)?.value);
    let mut shares: Vec<f64> = setting.points.iter().filter_map(share).collect();
    shares.sort_by(f64::total_cmp);
    shares.get(shares.len() / 2).copied()
}

/// U (k = 2) of a fit's offset in m, a tenth of a millimetre at least: no datum
/// is set better by hand.
pub fn offset_expanded(offset: &Estimate) -> f64 {
    const LEAST_M: f64 = 1e-4;
    offset.expanded(K).max(LEAST_M)
}

/// Offset or radius.
fn length(fit: &DistanceFit, lengths: LengthUnit) -> Cell {
    match (&fit.offset_m, fit.radius_m) {
        (Some(offset), _) => {
            let u = offset_expanded(offset);
            let (value, u) = distance_text(offset.value, Some(u), lengths);
            Cell::Figure(match u {
                Some(u) => format!("{value} ± {u}"),
                None => value,
            })
        }
        (None, Some(radius)) => Cell::Figure(distance_text(radius, None, lengths).0),
        (None, None) => Cell::Words("none: the light falls faster than a point's".to_owned()),
    }
}
