//! Illuminance against distance: the inverse-square law, its errors near a
//! lamp of some size, and the two fits that a rail allows.
//!
//! * the *offset* fit, `1/sqrt(E) = (d + offset)/sqrt(I)`: right for a lamp whose
//!   light comes from behind its front;
//! * the *disc* fit, `1/E = d^2/I + R^2/I`: right for a flat panel.
//!
//! Both are straight lines (method: common practice, no source). Residuals of
//! more than about 2 % mean stray light, a lamp that was moved, or a step of
//! the meter's range. Used by: `compute distance`, reports.

use crate::light_units::{Candelas, Lumens};
use crate::regression::{Weighted, fit};
use crate::uncertainty::Estimate;

/// Residual above which a fit is marked, as a share of the illuminance.
pub const RESIDUAL_AT_MOST: f64 = 0.02;

/// Illuminance in lux of a point source of this intensity in cd, at a distance
/// in m, on a plane turned so that the light falls under this cosine.
pub fn illuminance_lx(intensity_cd: f64, distance_m: f64, cosine: f64) -> f64 {
    intensity_cd * cosine / (distance_m * distance_m)
}

/// Intensity of a source that sends its flux everywhere alike.
pub fn isotropic_intensity(flux: Lumens) -> Candelas {
    Candelas(flux.0 / (4.0 * std::f64::consts::PI))
}

/// How far a flat Lambertian disc stays below the inverse-square law on its
/// axis, as a (negative) share; the distance in its diameters.
pub fn disc_shortfall(diameters: f64) -> f64 {
    let squared = 4.0 * diameters * diameters;
    -1.0 / (squared + 1.0)
}

/// What a lamp sideways off the axis by `offset` costs, as a (negative) share,
/// for a flat Lambertian lamp and a head that stays parallel; `offset` over the
/// distance.
pub fn misalignment(offset_over_distance: f64) -> f64 {
    (1.0 + offset_over_distance.powi(2)).powi(-2) - 1.0
}

/// Relative uncertainty of the illuminance that a distance's brings.
pub fn of_distance(u_distance: f64, distance: f64) -> f64 {
    2.0 * u_distance / distance
}

/// One measured point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Distance from the lamp's datum in m.
    pub distance_m: f64,
    /// Net illuminance in lux.
    pub e_lx: f64,
    /// Its standard uncertainty in lux; without, the same share is taken for
    /// all points.
    pub u_lx: Option<f64>,
}

impl Point {
    /// Whether it may enter a fit.
    pub fn is_usable(&self) -> bool {
        let sound = |value: f64| value > 0.0 && value.is_finite();
        sound(self.distance_m) && sound(self.e_lx) && self.u_lx.is_none_or(sound)
    }

    fn relative_u(&self) -> f64 {
        self.u_lx.map_or(1.0, |u| u / self.e_lx)
    }
}

/// Why there is no fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FitError {
    /// Fewer than three usable points.
    #[error("a fit needs three points with distance and light above zero; there are {0}")]
    TooFew(usize),
    /// The light does not fall with the distance.
    #[error("the light does not fall with the distance as that of a lamp does")]
    NoFall,
}

/// A fit of either kind.
#[derive(Clone, Debug, PartialEq)]
pub struct DistanceFit {
    /// Intensity in cd, with the fit's uncertainty.
    pub intensity_cd: Estimate,
    /// How far behind the datum the light begins, in m (offset fit); none in a
    /// disc fit.
    pub offset_m: Option<Estimate>,
    /// Radius of the luminous disc in m (disc fit); none in an offset fit, or
    /// where the light falls faster than a point's.
    pub radius_m: Option<f64>,
    /// Measured over fitted illuminance, minus one, in the points' order; none
    /// for points that were left out.
    pub residuals: Vec<Option<f64>>,
}

impl DistanceFit {
    /// The largest residual without its sign.
    pub fn worst_residual(&self) -> f64 {
        let known = self.residuals.iter().flatten();
        known.fold(0.0, |worst: f64, residual| worst.max(residual.abs()))
    }

    /// Whether it is small enough to believe the law.
    pub fn holds(&self) -> bool {
        self.worst_residual() <= RESIDUAL_AT_MOST
    }
}

fn usable(points: &[Point]) -> Result<Vec<Point>, FitError> {
    let usable: Vec<Point> = points.iter().filter(|p| p.is_usable()).copied().collect();
    if usable.len() < 3 {
        return Err(FitError::TooFew(usable.len()));
    }
    Ok(usable)
}

fn residuals(points: &[Point], fitted: impl Fn(f64) -> f64) -> Vec<Option<f64>> {
    let one = |point: &Point| {
        let residual = point.e_lx / fitted(point.distance_m) - 1.0;
        (point.is_usable() && residual.is_finite()).then_some(residual)
    };
    points.iter().map(one).collect()
}

/// The offset fit.
///
/// # Errors
/// When there are too few points, or the light does not fall.
pub fn fit_offset(points: &[Point]) -> Result<DistanceFit, FitError> {
    let weighted: Vec<Weighted> = usable(points)?
        .iter()
        .map(|point| {
            let y = point.e_lx.powf(-0.5);
            // u(y) = y/2 * u(E)/E.
            let u = y / 2.0 * point.relative_u();
            Weighted {
                x: point.distance_m,
                y,
                weight: 1.0 / (u * u),
            }
        })
        .collect();
    let line = fit(&weighted)
        .filter(|line| line.slope > 0.0)
        .ok_or(FitError::NoFall)?;
    let intensity = line.slope.powi(-2);
    let offset = line.at_zero / line.slope;
    // d(offset) = d(at_zero)/slope - offset d(slope)/slope.
    let (a, b) = (
        line.at_zero_sd / line.slope,
        offset * line.slope_sd / line.slope,
    );
    let u_offset = (a * a + b * b - 2.0 * line.correlation * a * b)
        .max(0.0)
        .sqrt();
    let dof = Some((weighted.len() - 2) as f64);
    if !(intensity.is_finite() && offset.is_finite()) {
        return Err(FitError::NoFall);
    }
    let u_intensity = 2.0 * intensity * line.slope_sd / line.slope;
    Ok(DistanceFit {
        intensity_cd: Estimate::exact(intensity).with("fit", u_intensity, dof),
        offset_m: Some(Estimate::exact(offset).with("fit", u_offset, dof)),
        radius_m: None,
        residuals: residuals(points, |d| intensity / (d + offset).powi(2)),
    })
}

/// The disc fit.
///
/// # Errors
/// When there are too few points, or the light does not fall.
pub fn fit_disc(points: &[Point]) -> Result<DistanceFit, FitError> {
    let weighted: Vec<Weighted> = usable(points)?
        .iter()
        .map(|point| {
            let y = 1.0 / point.e_lx;
            // u(y) = y * u(E)/E.
            let u = y * point.relative_u();
            Weighted {
                x: point.distance_m * point.distance_m,
                y,
                weight: 1.0 / (u * u),
            }
        })
        .collect();
    let line = fit(&weighted)
        .filter(|line| line.slope > 0.0)
        .ok_or(FitError::NoFall)?;
    let intensity = 1.0 / line.slope;
    let squared = line.at_zero / line.slope;
    if !(intensity.is_finite() && squared.is_finite()) {
        return Err(FitError::NoFall);
    }
    let dof = Some((weighted.len() - 2) as f64);
    let u_intensity = intensity * line.slope_sd / line.slope;
    Ok(DistanceFit {
        intensity_cd: Estimate::exact(intensity).with("fit", u_intensity, dof),
        offset_m: None,
        radius_m: (squared >= 0.0).then(|| squared.sqrt()),
        residuals: residuals(points, |d| intensity / (d * d + squared)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(of: impl Fn(f64) -> f64) -> Vec<Point> {
        let at = |station: u32| {
            let distance_m = 0.1524 * f64::from(station);
            Point {
                distance_m,
                e_lx: of(distance_m),
                u_lx: None,
            }
        };
        (1..=12).map(at).collect()
    }

    #[test]
    fn a_panel_fits_the_disc_and_not_the_offset() {
        let panel = points(|d| 500.0 / (d * d + 0.01));
        let disc = fit_disc(&panel).expect("a fit");
        assert!((disc.intensity_cd.value - 500.0).abs() < 1e-6 && disc.holds());
        assert!((disc.radius_m.expect("a radius") - 0.1).abs() < 1e-9);
        let offset = fit_offset(&panel).expect("a fit");
        assert!(!offset.holds(), "{}", offset.worst_residual());
    }

    /// The same share of error everywhere: the far, dim points, whose 1/E is
    /// largest, must not rule the fit.
    #[test]
    fn far_points_do_not_rule_the_disc_fit() {
        let mut panel = points(|d| 500.0 / (d * d + 0.01));
        for (at, point) in panel.iter_mut().enumerate() {
            point.e_lx *= if at % 2 == 0 { 1.02 } else { 0.98 };
        }
        let found = fit_disc(&panel).expect("a fit");
        let radius = found.radius_m.expect("a radius");
        assert!((radius - 0.1).abs() < 0.01, "{radius}");
    }

    #[test]
    fn points_that_are_none_are_left_out_and_said() {
        let mut some = points(|d| 100.0 / (d * d));
        some[3].e_lx = 0.0;
        some[4].e_lx = f64::NAN;
        let found = fit_offset(&some).expect("a fit");
        assert_eq!((found.residuals[3], found.residuals[4]), (None, None));
        assert!(found.residuals[5].is_some());
        assert_eq!(fit_disc(&some[..4].to_vec()[2..]), Err(FitError::TooFew(1)));
        assert_eq!(fit_offset(&points(|d| d * d)), Err(FitError::NoFall));
    }

    proptest::proptest! {
        #[test]
        fn units_and_order_do_not_matter(
            intensity in 1.0..1e4_f64, offset in 0.0..0.1_f64, factor in 0.1..10.0_f64,
        ) {
            let plain = points(|d| intensity / (d + offset).powi(2));
            let mut other: Vec<Point> = plain
                .iter()
                .map(|p| Point { distance_m: p.distance_m / 0.0254, e_lx: factor * p.e_lx, u_lx: None })
                .collect();
            other.reverse();
            let (a, b) = (fit_offset(&plain).expect("a fit"), fit_offset(&other).expect("a fit"));
            let per_inch = factor * a.intensity_cd.value / 0.0254_f64.powi(2);
            proptest::prop_assert!((b.intensity_cd.value / per_inch - 1.0).abs() < 1e-6);
            let inches = b.offset_m.expect("an offset").value * 0.0254;
            proptest::prop_assert!((inches - offset).abs() < 1e-6);
        }

        #[test]
        fn no_points_panic(
            numbers in proptest::collection::vec(
                (proptest::num::f64::ANY, proptest::num::f64::ANY, proptest::num::f64::ANY), 0..12),
        ) {
            let points: Vec<Point> = numbers
                .into_iter()
                .map(|(distance_m, e_lx, u)| Point { distance_m, e_lx, u_lx: (u > 0.0).then_some(u) })
                .collect();
            let _ = (fit_offset(&points), fit_disc(&points));
        }
    }
}
