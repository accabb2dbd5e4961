//! Light along the rail: at any distance between measured points, where a
//! target is reached, and the two fits.
//!
//! Between points the light is taken on a straight line between logarithms
//! (what that costs near the lamp is not in the uncertainty); beyond the
//! outermost points it is not known. The laws are photometry's.
//!
//! Called by: scripts. Not here: the points themselves (`seen`).

use photometry::distance::{self, DistanceFit, FitError, Point};
use photometry::far_field::{Reached, distance_for};
use photometry::uncertainty::{Estimate, Term};
use rhai::Dynamic;

use super::api::{Entry, entries};
use super::columns::{Column, Filling};
use super::fault::{Raised, raise};
use super::sandbox::charge;
use super::seen::Setting;
use super::unit::Unit;
use super::values::{Amount, amount_or_number, kind_of, shown};
use super::view::PointView;

/// Two positions nearer than this in m are one: a hundredth of what a rail resolves.
const SAME_POSITION_M: f64 = 1e-6;

/// A fit as scripts hold it.
#[derive(Clone, Debug)]
pub(super) struct Fit {
    intensity: Amount,
    worst_residual: Amount,
    offset: Amount,
    radius: Amount,
}

/// A quantity of a wanted unit, given or as a bare number.
fn wanted(value: &Dynamic, unit: &Unit, what: &str) -> Raised<Amount> {
    let found = amount_or_number(value, unit);
    let Some(amount) = found.as_ref().and_then(|amount| amount.in_unit(unit)) else {
        let stands = match found {
            Some(other) => other.0.unit.words(),
            None => kind_of(value),
        };
        return raise(format!("{what} is in {unit}, not {stands}"));
    };
    Ok(amount)
}

/// The light at a distance: a measured point, or between its neighbours.
fn lux_at(setting: &Setting, at: &Dynamic) -> Raised<Amount> {
    let distance = wanted(at, &Unit::Metre, "a distance")?;
    let metres = match &distance.0.what {
        Ok(estimate) => estimate.value,
        Err(why) => return Ok(Amount::unknown(why.clone(), Unit::Lux)),
    };
    let points = &setting.view().points;
    charge(points.len());
    let none = |why: String| Ok(Amount::unknown(why, Unit::Lux));
    let position = |point: usize| points[point].position_m;
    let at_point = |point: usize| (position(point) - metres).abs() <= SAME_POSITION_M;
    if let Some(point) = (0..points.len()).find(|point| at_point(*point)) {
        return Ok(setting.lux_of(point));
    }
    let nearer = (0..points.len())
        .filter(|p| position(*p) < metres)
        .max_by(|a, b| position(*a).total_cmp(&position(*b)));
    let farther = (0..points.len())
        .filter(|p| position(*p) > metres)
        .min_by(|a, b| position(*a).total_cmp(&position(*b)));
    let name = &setting.view().name;
    let (Some(nearer), Some(farther)) = (nearer, farther) else {
        return none(format!(
            "{name} was not measured on both sides of {} m: not extrapolated",
            shown(metres)
        ));
    };
    let (from, to) = (position(nearer), position(farther));
    if from.is_nan() || from <= 0.0 {
        return none(format!(
            "{} m is not between two distances above zero",
            shown(metres)
        ));
    }
    let part = (metres / from).ln() / (to / from).ln();
    let (near, far) = (setting.lux_of(nearer), setting.lux_of(farther));
    Ok(near.joined(&far, Unit::Lux, |near, far| between(near, far, part)))
}

/// Between two estimates, this part of the way between their logarithms.
fn between(near: &Estimate, far: &Estimate, part: f64) -> Result<Estimate, String> {
    if !(near.value > 0.0 && far.value > 0.0) {
        return Err("between two points, one of them without light".to_owned());
    }
    let value = near.value * (far.value / near.value).powf(part);
    let relative = |estimate: &Estimate, share: f64| {
        let relative = estimate.scaled(share * value / estimate.value);
        Estimate {
            value: 0.0,
            ..relative
        }
    };
    let terms = relative(near, 1.0 - part).plus(&relative(far, part));
    Ok(Estimate { value, ..terms })
}

/// The points of a fit and the columns of their light.
fn points_of(setting: &Setting) -> (Vec<Point>, Column) {
    let name = &setting.view().name;
    let mut filling = Filling::new(format!("lux of {name}"), Unit::Lux, 0);
    let mut points = Vec::new();
    for (at, point) in setting.known_points() {
        let Ok(estimate) = &point.lux.what else {
            continue;
        };
        let u = estimate.combined();
        let fits = Point {
            distance_m: point.position_m,
            e_lx: estimate.value,
            u_lx: (u > 0.0 && u.is_finite()).then_some(u),
        };
        if fits.is_usable() {
            points.push(fits);
            filling.push(estimate, &point.lux.flags);
            filling.item(setting.point_item(at));
        }
    }
    // A fit weights all points or none.
    if points.iter().any(|point| point.u_lx.is_none()) {
        for point in &mut points {
            point.u_lx = None;
        }
    }
    charge(64 * points.len());
    (points, filling.done())
}

/// One of the two fits as values.
fn fit(setting: &Setting, of: fn(&[Point]) -> Result<DistanceFit, FitError>) -> Fit {
    let (points, column) = points_of(setting);
    let count = points.len().max(1) as f64;
    let light = |row: usize| points[row].e_lx;
    match of(&points) {
        Err(why) => {
            let none = |unit| column.figure(Some(0.0), unit, |_| 0.0);
            let none = |unit: Unit| none(unit.clone()).with(Err(why.to_string()), unit);
            Fit {
                intensity: none(Unit::Candela),
                worst_residual: none(Unit::Percent),
                offset: none(Unit::Metre),
                radius: none(Unit::Metre),
            }
        }
        Ok(found) => {
            let fitted = |estimate: &Estimate, by: &dyn Fn(usize) -> f64, unit: Unit| {
                let name = &setting.view().name;
                let own = estimate.terms.iter().map(|term| Term {
                    source: format!("{} of {name}", term.source),
                    ..term.clone()
                });
                let figure = column.figure(Some(estimate.value), unit.clone(), by);
                let what = figure.0.what.clone().map(|mut what| {
                    what.terms.extend(own);
                    what
                });
                figure.with(what, unit)
            };
            let cd = found.intensity_cd.value;
            // What scales all points alike scales the intensity.
            let scales = |row: usize| cd / (light(row) * count);
            let not_of_disc = || "a disc fit has no offset".to_owned();
            let offset = found.offset_m.as_ref();
            let radius = found.radius_m.map(Estimate::exact);
            let none = |why: String| {
                column
                    .figure(Some(0.0), Unit::Metre, |_| 0.0)
                    .with(Err(why), Unit::Metre)
            };
            Fit {
                intensity: fitted(&found.intensity_cd, &scales, Unit::Candela),
                worst_residual: worst_residual(&found, &column),
                offset: offset.map_or_else(
                    || none(not_of_disc()),
                    |offset| fitted(offset, &|_| 0.0, Unit::Metre),
                ),
                radius: radius.map_or_else(
                    || none("this fit has no disc".to_owned()),
                    |radius| fitted(&radius, &|_| 0.0, Unit::Metre),
                ),
            }
        }
    }
}

/// The largest residual without its sign, in per cent. What scales all points
/// alike leaves it alone; what moves only its own point moves it.
fn worst_residual(fit: &DistanceFit, column: &Column) -> Amount {
    let residuals = fit.residuals.iter().enumerate();
    let known = residuals.filter_map(|(row, residual)| Some((row, (*residual)?)));
    let worst = known.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    let rows = column.values().len().max(1) as f64;
    let by = |row: usize| {
        let (at, residual) = worst.unwrap_or((0, 0.0));
        let own = if row == at { 1.0 } else { 0.0 };
        100.0 * residual.signum() * (1.0 + residual) * (own - 1.0 / rows) / column.values()[row]
    };
    let value = worst.map(|(_, residual)| 100.0 * residual.abs());
    column.figure(value, Unit::Percent, by)
}

/// The distance at which a target is reached, between measured points only.
fn distance_to(setting: &Setting, target: &Dynamic) -> Raised<Amount> {
    let target = wanted(target, &Unit::Lux, "a target")?;
    let lux = match &target.0.what {
        Ok(estimate) => estimate.value,
        Err(why) => return Ok(Amount::unknown(why.clone(), Unit::Metre)),
    };
    let (points, column) = points_of(setting);
    let none = |why: &str| {
        let rests = column.figure(Some(0.0), Unit::Metre, |_| 0.0);
        Ok(rests.with(Err(why.to_owned()), Unit::Metre))
    };
    let metres = match distance_for(&points, lux) {
        Reached::At(metres) => metres,
        Reached::Nearer => return none("reached nearer than the nearest point: not extrapolated"),
        Reached::Farther => {
            return none("reached farther than the farthest point: not extrapolated");
        }
        Reached::NotKnown => return none("the points do not tell where it is reached"),
    };
    let mut order: Vec<usize> = (0..points.len()).collect();
    order.sort_by(|a, b| points[*a].distance_m.total_cmp(&points[*b].distance_m));
    // Rounding may set the outermost points a last digit beyond themselves.
    let inside = |at: usize| {
        let (near, far) = (
            points[order[at]].distance_m,
            points[order[at + 1]].distance_m,
        );
        (at == 0 || near <= metres) && (at + 2 == order.len() || metres <= far)
    };
    let Some(at) = (0..order.len().saturating_sub(1))
        .rev()
        .find(|at| inside(*at))
    else {
        return none("the points do not tell where it is reached");
    };
    let (near, far) = (order[at], order[at + 1]);
    let (from, to) = (&points[near], &points[far]);
    let hidden = |point: &PointView| {
        let between = from.distance_m < point.position_m && point.position_m < to.distance_m;
        between.then_some(point.position_m)
    };
    if let Some(at) = setting.view().points.iter().find_map(hidden) {
        return none(&format!(
            "it would be reached across {} m, where there is no value above zero",
            shown(at)
        ));
    }
    let steepness = (to.e_lx / from.e_lx).ln() / (to.distance_m / from.distance_m).ln();
    if steepness == 0.0 || !steepness.is_finite() {
        return none("the light does not change there: the points do not tell");
    }
    let part = (metres / from.distance_m).ln() / (to.distance_m / from.distance_m).ln();
    // d ln d = -d ln E / steepness.
    let by = |row: usize| {
        let share = match row {
            row if row == near => 1.0 - part,
            row if row == far => part,
            _ => 0.0,
        };
        -metres * share / (steepness * points[row].e_lx)
    };
    Ok(column.figure(Some(metres), Unit::Metre, by))
}

pub(super) const ENTRIES: &[Entry] = entries! {
    "setting" "lux_at" (Some("distance")) -> "a measured value": "light at a distance: a point, or between two of them", |e| {
            e.register_fn("lux_at", |s: &mut Setting, at: Dynamic| lux_at(s, &at));
        };
    "setting" "distance_for" (Some("lux")) -> "a measured value": "where this light is reached, m; not known across a point without a value", |e| {
            e.register_fn("distance_for", |s: &mut Setting, target: Dynamic| {
                distance_to(s, &target)
            });
        };
    "setting" "fit_offset" (Some("")) -> "a fit": "1/sqrt(E) = (d + offset)/sqrt(I): light from behind the front", |e| {
            e.register_fn("fit_offset", |s: &mut Setting| fit(s, distance::fit_offset));
        };
    "setting" "fit_disc" (Some("")) -> "a fit": "1/E = d^2/I + R^2/I: a flat panel", |e| {
            e.register_fn("fit_disc", |s: &mut Setting| fit(s, distance::fit_disc));
        };
    "fit" "intensity" (None) -> "a measured value": "luminous intensity on the axis, cd", |e| {
            e.register_get("intensity", |f: &mut Fit| f.intensity.clone());
        };
    "fit" "worst_residual" (None) -> "a measured value": "largest difference of a point from the fit, %", |e| {
            e.register_get("worst_residual", |f: &mut Fit| f.worst_residual.clone());
        };
    "fit" "offset" (None) -> "a measured value": "how far behind the datum the light begins, m", |e| {
            e.register_get("offset", |f: &mut Fit| f.offset.clone());
        };
    "fit" "radius" (None) -> "a measured value": "radius of the luminous disc, m", |e| {
            e.register_get("radius", |f: &mut Fit| f.radius.clone());
        };
};
