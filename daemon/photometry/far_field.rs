//! What a rail's readings mean: near or far field, where a target illuminance
//! is reached, how directed the light is.
//!
//! Minimum distances after CIE S 025/E:2015 and EN 13032-4 (from memory): five
//! times the luminous face for a near-cosine beam, ten for beams of 60 degrees
//! or more, fifteen for narrower ones, fifteen times face and gap together
//! where dark gaps part the luminous areas. A target is found between measured
//! points only, never beyond them. Used by: `compute distance`, reports.

use crate::distance::Point;
use crate::light_units::{Candelas, Lumens};

/// How wide a lamp's beam is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Beam {
    /// Near to the cosine law, 90 degrees or more.
    NearCosine,
    /// 60 degrees or more.
    Medium,
    /// Narrower, or with steep gradients.
    Narrow,
}

/// Where a position lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Field {
    /// Too near for the inverse-square law.
    Near,
    /// Far enough.
    Far,
}

/// Least distance for the inverse-square law; all in the same unit. `gap` is
/// the largest dark gap between luminous areas, zero without one.
pub fn least_distance(face: f64, beam: Beam, gap: f64) -> f64 {
    if gap > 0.0 {
        return 15.0 * (face + gap);
    }
    match beam {
        Beam::NearCosine => 5.0 * face,
        Beam::Medium => 10.0 * face,
        Beam::Narrow => 15.0 * face,
    }
}

/// Near or far.
pub fn field(distance: f64, face: f64, beam: Beam, gap: f64) -> Field {
    if distance >= least_distance(face, beam, gap) {
        Field::Far
    } else {
        Field::Near
    }
}

/// Where a target illuminance is reached.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reached {
    /// At this distance in m.
    At(f64),
    /// Nearer than the nearest point.
    Nearer,
    /// Farther than the farthest point.
    Farther,
    /// The points do not tell.
    NotKnown,
}

/// The distance at which a target in lux is reached, on a straight line between
/// the logarithms of neighbouring points; where the light crosses the target
/// more than once, the farthest crossing.
pub fn distance_for(points: &[Point], target_lx: f64) -> Reached {
    let mut usable: Vec<&Point> = points.iter().filter(|p| p.is_usable()).collect();
    usable.sort_by(|a, b| a.distance_m.total_cmp(&b.distance_m));
    let (Some(nearest), Some(farthest)) = (usable.first(), usable.last()) else {
        return Reached::NotKnown;
    };
    if !(target_lx > 0.0 && target_lx.is_finite()) {
        return Reached::NotKnown;
    }
    let crossing = usable.windows(2).rev().find_map(|pair| {
        let (near, far) = (pair[0], pair[1]);
        let (high, low) = (near.e_lx.max(far.e_lx), near.e_lx.min(far.e_lx));
        if !(low..=high).contains(&target_lx) {
            return None;
        }
        let part = if high > low {
            (target_lx / near.e_lx).ln() / (far.e_lx / near.e_lx).ln()
        } else {
            0.0
        };
        let distance = near.distance_m * (far.distance_m / near.distance_m).powf(part);
        distance.is_finite().then_some(distance)
    });
    match crossing {
        Some(distance) => Reached::At(distance),
        None if target_lx > nearest.e_lx.max(farthest.e_lx) => Reached::Nearer,
        None if target_lx < nearest.e_lx.min(farthest.e_lx) => Reached::Farther,
        None => Reached::NotKnown,
    }
}

/// The levels about a target.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Levels {
    /// The brightest level at or below the target, with its lux.
    pub below: Option<(u16, f64)>,
    /// The dimmest level at or above it.
    pub above: Option<(u16, f64)>,
}

impl Levels {
    /// The one whose light is nearer to the target by ratio.
    pub fn nearest(&self, target_lx: f64) -> Option<(u16, f64)> {
        let away = |level: (u16, f64)| (level.1 / target_lx).ln().abs();
        match (self.below, self.above) {
            (Some(below), Some(above)) if away(above) < away(below) => Some(above),
            (Some(below), _) => Some(below),
            (None, above) => above,
        }
    }
}

/// The levels that give just less and just more than a target at one position;
/// levels without light above zero are left out.
pub fn levels_for(levels: &[(u16, f64)], target_lx: f64) -> Levels {
    let lit = || {
        levels
            .iter()
            .copied()
            .filter(|(_, lx)| *lx > 0.0 && lx.is_finite())
    };
    let by_light = |a: &(u16, f64), b: &(u16, f64)| a.1.total_cmp(&b.1);
    Levels {
        below: lit().filter(|(_, lx)| *lx <= target_lx).max_by(by_light),
        above: lit().filter(|(_, lx)| *lx >= target_lx).min_by(by_light),
    }
}

/// On-axis intensity over that of a source of the same flux that shines
/// everywhere alike: 1 for a ball, 4 for a flat Lambertian face. None without
/// flux.
pub fn directivity(on_axis: Candelas, flux: Lumens) -> Option<f64> {
    let ratio = on_axis.0 / crate::distance::isotropic_intensity(flux).0;
    (flux.0 > 0.0 && ratio.is_finite()).then_some(ratio)
}

/// Directional response index f2 of a head (ISO/CIE 19476:2014, from memory):
/// how far its response at an angle (in radians) strays from the cosine's, 0 to
/// 85 degrees, weighted by sin 2 theta.
pub fn cosine_index(response: impl Fn(f64) -> f64) -> Option<f64> {
    const STEPS: usize = 2_000;
    let straight = response(0.0);
    let step = 85.0_f64.to_radians() / STEPS as f64;
    let error =
        |theta: f64| (response(theta) / (straight * theta.cos()) - 1.0).abs() * (2.0 * theta).sin();
    // Simpson's rule.
    let sum: f64 = (0..=STEPS)
        .map(|at| {
            let weight = match at {
                0 | STEPS => 1.0,
                at if at % 2 == 1 => 4.0,
                _ => 2.0,
            };
            weight * error(step * at as f64)
        })
        .sum();
    let index = sum * step / 3.0;
    index.is_finite().then_some(index)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(e: &[f64]) -> Vec<Point> {
        let at = |(at, e_lx): (usize, &f64)| Point {
            distance_m: (at + 1) as f64,
            e_lx: *e_lx,
            u_lx: None,
        };
        e.iter().enumerate().map(at).collect()
    }

    #[test]
    fn a_target_is_found_between_points_only() {
        let square = points(&[900.0, 225.0, 100.0, 56.25]);
        assert_eq!(distance_for(&square, 225.0), Reached::At(2.0));
        let Reached::At(distance) = distance_for(&square, 400.0) else {
            panic!("between points");
        };
        // On an inverse square the logarithms lie on a line: exact.
        assert!((distance - 1.5).abs() < 1e-12, "{distance}");
        assert_eq!(distance_for(&square, 2_500.0), Reached::Nearer);
        assert_eq!(distance_for(&square, 10.0), Reached::Farther);
        assert_eq!(distance_for(&square, f64::NAN), Reached::NotKnown);
        assert_eq!(distance_for(&[], 1.0), Reached::NotKnown);
    }

    #[test]
    fn the_levels_about_a_target() {
        let levels = [(1, 20.0), (2, 90.0), (3, 240.0), (4, 600.0), (5, f64::NAN)];
        let found = levels_for(&levels, 250.0);
        assert_eq!(
            (found.below, found.above),
            (Some((3, 240.0)), Some((4, 600.0)))
        );
        assert_eq!(found.nearest(250.0), Some((3, 240.0)));
        assert_eq!(levels_for(&levels, 5.0).nearest(5.0), Some((1, 20.0)));
        assert_eq!(levels_for(&[], 5.0).nearest(5.0), None);
    }

    /// A ball has directivity 1, a flat Lambertian face 4 (flux = pi I).
    #[test]
    fn near_far_and_directed() {
        assert_eq!(field(0.9, 0.2, Beam::NearCosine, 0.0), Field::Near);
        assert_eq!(field(1.0, 0.2, Beam::NearCosine, 0.0), Field::Far);
        assert_eq!(
            least_distance(0.2, Beam::Narrow, 0.1),
            15.0 * 0.30000000000000004
        );
        let face =
            directivity(Candelas(100.0), Lumens(std::f64::consts::PI * 100.0)).expect("a ratio");
        assert!((face - 4.0).abs() < 1e-12);
        assert_eq!(directivity(Candelas(1.0), Lumens(0.0)), None);
        assert!(cosine_index(f64::cos).expect("an index") < 1e-12);
    }

    proptest::proptest! {
        #[test]
        fn no_points_panic(
            e in proptest::collection::vec(proptest::num::f64::ANY, 0..9),
            target in proptest::num::f64::ANY,
        ) {
            let _ = distance_for(&points(&e), target);
            let levels: Vec<(u16, f64)> = e.iter().map(|e| (1, *e)).collect();
            let _ = levels_for(&levels, target).nearest(target);
            let _ = directivity(Candelas(target), Lumens(target));
        }
    }
}
