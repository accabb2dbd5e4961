//! At which distance each setting gives an illuminance that somebody asks for:
//! between measured points only, never beyond them. Pure; drawn by
//! [`super::reach_chart`].

use photometry::distance::Point;
use photometry::far_field::{Reached, distance_for};
use photometry::units::Length;

use super::ladder::lit;
use super::survey::{PointFigure, SettingFigures};

/// Where a setting gives a target illuminance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Where {
    /// At this distance in m, on a straight line between the logarithms of the
    /// two points about it.
    At {
        /// In m.
        distance_m: f64,
        /// U (k = 2) in m that the light's own brings; the straight line's
        /// error is not in it.
        expanded_m: Option<f64>,
        /// A point without a value lies between the two.
        gap: bool,
    },
    /// Between these two, of which one was over or under range, or has no light
    /// above zero: there is no logarithm to interpolate.
    Between(Length, Length),
    /// At no distance measured: the light is below it at all.
    Never,
    /// The light is above it at every distance measured.
    Everywhere,
    /// The points do not tell.
    NotKnown,
}

/// On which side of the target a point lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Side {
    Below,
    Above,
    NotKnown,
}

fn side(point: &PointFigure, target_lx: f64) -> Side {
    match (&point.estimate, point.over_lx, point.under_lx) {
        (Some(e), ..) if e.value.is_finite() && e.value < target_lx => Side::Below,
        (Some(e), ..) if e.value.is_finite() => Side::Above,
        (None, Some(limit), _) if limit >= target_lx => Side::Above,
        (None, None, Some(limit)) if limit <= target_lx => Side::Below,
        _ => Side::NotKnown,
    }
}

/// Where a setting gives `target_lx`; of several distances the farthest.
pub fn reaches(setting: &SettingFigures, target_lx: f64) -> Where {
    let points: Vec<Point> = setting.points.iter().filter_map(fit_point).collect();
    if let Reached::At(distance_m) = distance_for(&points, target_lx) {
        return Where::At {
            distance_m,
            expanded_m: expanded(&setting.points, distance_m),
            gap: gap(&setting.points, distance_m),
        };
    }
    let known: Vec<(Length, Side)> = setting
        .points
        .iter()
        .map(|p| (p.position, side(p, target_lx)))
        .filter(|(_, side)| *side != Side::NotKnown)
        .collect();
    let crossing = known.windows(2).rev().find(|pair| pair[0].1 != pair[1].1);
    match (crossing, known.first()) {
        (Some(pair), _) => Where::Between(pair[0].0, pair[1].0),
        (None, Some((_, Side::Below))) => Where::Never,
        (None, Some(_)) => Where::Everywhere,
        (None, None) => Where::NotKnown,
    }
}

/// A point as the fits take it; none without light above zero at a distance
/// above zero.
pub fn fit_point(point: &PointFigure) -> Option<Point> {
    let estimate = lit(point)?;
    let u = point.expanded_lx.map(|u| u / super::survey::K);
    Some(Point {
        distance_m: point.position.metres(),
        e_lx: estimate.value,
        u_lx: u.filter(|u| *u > 0.0 && u.is_finite()),
    })
    .filter(Point::is_usable)
}

/// The measured points about a distance: the last not beyond it, the first
/// beyond.
fn about(points: &[PointFigure], distance_m: f64) -> Option<(Point, Point)> {
    let usable: Vec<Point> = points.iter().filter_map(fit_point).collect();
    let pair = usable.windows(2).rev().find(|pair| {
        pair[0].distance_m <= distance_m * (1.0 + 1e-12)
            && distance_m <= pair[1].distance_m * (1.0 + 1e-12)
    })?;
    Some((pair[0], pair[1]))
}

/// U(d)/d = U(E)/E over the local slope of ln E against ln d, the larger
/// U(E)/E of the two points.
fn expanded(points: &[PointFigure], distance_m: f64) -> Option<f64> {
    let (near, far) = about(points, distance_m)?;
    let slope = (far.e_lx / near.e_lx).ln() / (far.distance_m / near.distance_m).ln();
    let relative = (near.u_lx? / near.e_lx).max(far.u_lx? / far.e_lx) * super::survey::K;
    let expanded = distance_m * relative / slope.abs();
    expanded.is_finite().then_some(expanded)
}

fn gap(points: &[PointFigure], distance_m: f64) -> bool {
    about(points, distance_m).is_some_and(|(near, far)| {
        points.iter().any(|point| {
            let at = point.position.metres();
            at > near.distance_m && at < far.distance_m && fit_point(point).is_none()
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests_table::figures;
    use photometry::uncertainty::Estimate;

    fn setting(lux: &[f64]) -> SettingFigures {
        let mut setting = figures().settings.remove(3);
        setting.points.truncate(lux.len());
        for (index, (point, lux)) in setting.points.iter_mut().zip(lux).enumerate() {
            point.position = Length::from_mm(100 * (index as i64 + 1));
            point.estimate = Some(Estimate::exact(*lux).with("all", lux * 0.02, None));
            point.expanded_lx = Some(lux * 0.04);
        }
        setting
    }

    /// An inverse square of 25 cd: 250 lx at 316.23 mm (closed form); its U of
    /// 4 % is 2 % of the distance.
    #[test]
    fn between_points_the_law_is_met() {
        let square = setting(&[2500.0, 625.0, 2500.0 / 9.0, 156.25]);
        let Where::At {
            distance_m,
            expanded_m,
            gap,
        } = reaches(&square, 250.0)
        else {
            panic!("reached");
        };
        assert!((distance_m - 0.1_f64.sqrt()).abs() < 1e-9 && !gap);
        assert!((expanded_m.expect("U") / distance_m - 0.02).abs() < 1e-9);
        assert_eq!(reaches(&square, 3000.0), Where::Never);
        assert_eq!(reaches(&square, 100.0), Where::Everywhere);
    }

    #[test]
    fn points_without_a_value_still_tell_a_side() {
        let mut some = setting(&[2500.0, 625.0, 100.0, 50.0]);
        some.points[1] = PointFigure {
            position: some.points[1].position,
            missing: 5,
            ..PointFigure::default()
        };
        assert!(matches!(reaches(&some, 250.0), Where::At { gap: true, .. }));
        let over = |limit| PointFigure {
            position: Length::from_mm(100),
            over: 1,
            over_lx: Some(limit),
            ..PointFigure::default()
        };
        some.points.remove(1);
        some.points[0] = over(2000.0);
        let (near, far) = (some.points[0].position, some.points[1].position);
        assert_eq!(reaches(&some, 250.0), Where::Between(near, far));
        // Over 200 lx may be below 250 lx.
        some.points[0] = over(200.0);
        assert_eq!(reaches(&some, 250.0), Where::Never);
        let dark = setting(&[0.0, -0.1]);
        assert_eq!(reaches(&dark, 250.0), Where::Never);
        assert_eq!(reaches(&setting(&[]), 250.0), Where::NotKnown);
    }
}
