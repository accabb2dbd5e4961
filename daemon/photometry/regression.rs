//! The weighted straight line with all its uncertainties, and one-way analysis
//! of variance.
//!
//! Sums are of differences from the (weighted) mean, so that large offsets do
//! no harm: NIST StRD Norris to ten digits. Predictions after JCGM 100:2008,
//! H.3. Used by: distance fits, calibration curves, `compute`.

use crate::scale::{brought_back, unit_for};
use crate::statistics::moments;

/// A spread of x below this many roundings of x itself is rounding.
const ROUNDINGS: f64 = 2.0;

/// A point with its weight.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weighted {
    /// Where.
    pub x: f64,
    /// What was measured.
    pub y: f64,
    /// Its weight, above zero: 1, or 1/u^2.
    pub weight: f64,
}

/// A fitted line `y = at_zero + slope * x`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    /// y at x = 0.
    pub at_zero: f64,
    /// y per x.
    pub slope: f64,
    /// Standard deviation of `at_zero`.
    pub at_zero_sd: f64,
    /// Standard deviation of `slope`.
    pub slope_sd: f64,
    /// Correlation of both.
    pub correlation: f64,
    /// Residual standard deviation, weighted (n - 2).
    pub residual_sd: f64,
    /// Share of the variance that the line explains; none when all y are equal.
    pub r_squared: Option<f64>,
    scaled: Scaled,
}

/// The line in units in which its squares are numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Scaled {
    unit_x: f64,
    unit_y: f64,
    mean_x: f64,
    mean_y: f64,
    slope: f64,
    residual_sd: f64,
    sum_of_weights: f64,
    sxx: f64,
}

impl Fit {
    /// y at x with the standard deviation that the line gives it; not finite
    /// where x is not, or so far off that y is too large for a number.
    pub fn at(&self, x: f64) -> (f64, f64) {
        let line = &self.scaled;
        let away = x / line.unit_x - line.mean_x;
        let share = 1.0 / line.sum_of_weights + away * away / line.sxx;
        (
            (line.mean_y + line.slope * away) * line.unit_y,
            line.residual_sd * share.sqrt() * line.unit_y,
        )
    }
}

/// The weighted least-squares line; none below three points, when all x are
/// equal (or differ by no more than their rounding, as far as they have weight),
/// when a number is not finite or a weight not above zero, or when a result is
/// too large or too small for a number.
pub fn fit(points: &[Weighted]) -> Option<Fit> {
    let usable =
        |p: &Weighted| p.x.is_finite() && p.y.is_finite() && p.weight.is_finite() && p.weight > 0.0;
    if points.len() < 3 || !points.iter().all(usable) {
        return None;
    }
    let unit_x = unit_for(points.iter().map(|p| p.x));
    let unit_y = unit_for(points.iter().map(|p| p.y));
    let unit_weight = unit_for(points.iter().map(|p| p.weight));
    let points: Vec<Weighted> = points
        .iter()
        .map(|p| Weighted {
            x: p.x / unit_x,
            y: p.y / unit_y,
            weight: p.weight / unit_weight,
        })
        .collect();
    let sum = |of: &dyn Fn(&Weighted) -> f64| points.iter().map(of).sum::<f64>();
    let weights = sum(&|p| p.weight);
    // A second pass over the differences takes the rounding of the first out.
    let mean = |of: fn(&Weighted) -> f64| {
        let rough = sum(&|p| p.weight * of(p)) / weights;
        rough + sum(&|p| p.weight * (of(p) - rough)) / weights
    };
    let (mean_x, mean_y) = (mean(|p| p.x), mean(|p| p.y));
    let sxx = sum(&|p| p.weight * (p.x - mean_x).powi(2));
    let sxy = sum(&|p| p.weight * (p.x - mean_x) * (p.y - mean_y));
    let syy = sum(&|p| p.weight * (p.y - mean_y).powi(2));
    // One point that outweighs all others leaves no spread but its rounding.
    let rounding = weights * (ROUNDINGS * f64::EPSILON * mean_x).powi(2);
    let spread = sxx / weights;
    if sxx <= rounding || !sxx.is_normal() || !spread.is_normal() {
        return None;
    }
    let slope = sxy / sxx;
    let rest = sum(&|p| p.weight * (p.y - mean_y - slope * (p.x - mean_x)).powi(2));
    let line = Scaled {
        unit_x,
        unit_y,
        mean_x,
        mean_y,
        slope,
        residual_sd: (rest / (points.len() - 2) as f64).sqrt(),
        sum_of_weights: weights,
        sxx,
    };
    let scatters = points.iter().any(|p| p.y != points[0].y);
    line.in_the_users_units(
        unit_weight.sqrt(),
        (scatters && syy > 0.0).then(|| 1.0 - rest / syy),
    )
}

impl Scaled {
    /// The fit in the units of the points; none when a result is too large or
    /// too small for a number.
    fn in_the_users_units(self, root_of_weight: f64, r_squared: Option<f64>) -> Option<Fit> {
        let (mean_x, sxx) = (self.mean_x, self.sxx);
        let share_at_zero = 1.0 / self.sum_of_weights + mean_x * mean_x / sxx;
        let per_x = self.unit_y / self.unit_x;
        Some(Fit {
            at_zero: brought_back(self.mean_y - self.slope * mean_x, self.unit_y)?,
            slope: brought_back(self.slope, per_x)?,
            at_zero_sd: brought_back(self.residual_sd * share_at_zero.sqrt(), self.unit_y)?,
            slope_sd: brought_back(self.residual_sd / sxx.sqrt(), per_x)?,
            correlation: -mean_x / (sxx * share_at_zero).sqrt(),
            residual_sd: brought_back(self.residual_sd, self.unit_y * root_of_weight)?,
            r_squared,
            scaled: self,
        })
    }
}

/// The line through points of equal weight.
pub fn fit_equal(points: &[(f64, f64)]) -> Option<Fit> {
    let weighted: Vec<Weighted> = points
        .iter()
        .map(|(x, y)| Weighted {
            x: *x,
            y: *y,
            weight: 1.0,
        })
        .collect();
    fit(&weighted)
}

/// Scatter between groups against scatter within them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Variance {
    /// Sum of squares between groups.
    pub between: f64,
    /// Sum of squares within groups.
    pub within: f64,
    /// Mean square between over mean square within.
    pub f: f64,
    /// Standard deviation within groups.
    pub residual_sd: f64,
    /// Degrees of freedom between and within.
    pub dof: (usize, usize),
}

/// One-way analysis of variance; none below two groups, without scatter within
/// them, when a value is not finite, or when a result is too large or too small
/// for a number.
pub fn one_way(groups: &[Vec<f64>]) -> Option<Variance> {
    let unit = unit_for(groups.iter().flatten().copied());
    let groups: Vec<Vec<f64>> = groups
        .iter()
        .map(|group| group.iter().map(|v| v / unit).collect())
        .collect();
    let all: Vec<f64> = groups.iter().flatten().copied().collect();
    let grand = moments(&all)?.mean;
    let of_groups: Vec<_> = groups.iter().map(|g| moments(g)).collect::<Option<_>>()?;
    let between: f64 = of_groups
        .iter()
        .map(|group| group.n as f64 * (group.mean - grand).powi(2))
        .sum();
    let parts = groups.iter().zip(&of_groups);
    let within: f64 = parts
        .flat_map(|(values, group)| values.iter().map(|v| (v - group.mean).powi(2)))
        .sum();
    let dof = (
        groups.len().checked_sub(1)?,
        all.len().checked_sub(groups.len())?,
    );
    if dof.0 == 0 || dof.1 == 0 || within <= 0.0 {
        return None;
    }
    let of_within = within / dof.1 as f64;
    let f = between / dof.0 as f64 / of_within;
    // Twice by the unit, whose square may be no number.
    let squares = |sum: f64| brought_back(sum * unit, unit).filter(|s| *s > 0.0 || sum == 0.0);
    f.is_finite().then_some(Variance {
        between: squares(between)?,
        within: squares(within)?,
        f,
        residual_sd: brought_back(of_within.sqrt(), unit)?,
        dof,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_pull_the_line() {
        let points = |far: f64| {
            [
                (0.0, 0.0, 1.0),
                (1.0, 1.0, 1.0),
                (2.0, 2.0, 1.0),
                (3.0, 9.0, far),
            ]
            .map(|(x, y, weight)| Weighted { x, y, weight })
        };
        let light = fit(&points(1e-9)).expect("a line");
        assert!((light.slope - 1.0).abs() < 1e-6);
        let heavy = fit(&points(1.0)).expect("a line");
        assert!(heavy.slope > 2.0);
    }

    #[test]
    fn what_has_no_line_gives_none() {
        assert_eq!(fit_equal(&[(0.0, 1.0), (1.0, 2.0)]), None);
        assert_eq!(fit_equal(&[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]), None);
        assert_eq!(fit_equal(&[(0.0, 1.0), (1.0, f64::NAN), (2.0, 1.0)]), None);
        assert_eq!(one_way(&[vec![1.0, 2.0]]), None);
        assert_eq!(one_way(&[vec![1.0, 1.0], vec![2.0, 2.0]]), None);
        assert_eq!(one_way(&[]), None);
    }

    #[test]
    fn a_line_and_its_doubts_are_the_same_in_any_unit() {
        let of = |ux: f64, uy: f64, uw: f64| {
            let points = [
                (1.0, 1.0, 1.0),
                (2.0, 3.0, 2.0),
                (3.0, 4.0, 1.0),
                (4.0, 8.0, 3.0),
            ];
            let points = points.map(|(x, y, weight)| Weighted {
                x: x * ux,
                y: y * uy,
                weight: weight * uw,
            });
            fit(&points)
        };
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-12;
        let plain = of(1.0, 1.0, 1.0).expect("a line");
        let units = [1e-250, 1e-100, 1.0, 1e100, 1e250];
        for (ux, uy) in units
            .iter()
            .flat_map(|ux| units.iter().map(move |uy| (*ux, *uy)))
        {
            if !(1e-300..1e300).contains(&(uy / ux)) {
                assert_eq!(of(ux, uy, 1.0), None, "a slope beyond the numbers");
                continue;
            }
            for uw in [1e-90, 1.0, 1e90] {
                let found = of(ux, uy, uw).expect("a line");
                let said = format!("{ux} {uy} {uw}: {found:?}");
                assert!(near(found.slope / uy * ux, plain.slope), "{said}");
                assert!(near(found.slope_sd / uy * ux, plain.slope_sd), "{said}");
                assert!(near(found.at_zero / uy, plain.at_zero), "{said}");
                assert!(near(found.at_zero_sd / uy, plain.at_zero_sd), "{said}");
                let residual_sd = found.residual_sd / uw.sqrt() / uy;
                assert!(near(residual_sd, plain.residual_sd), "{said}");
                assert!(near(found.correlation, plain.correlation), "{said}");
                assert!(near(
                    found.r_squared.expect("r2"),
                    plain.r_squared.expect("r2")
                ));
                let (there, wanted) = (found.at(5.0 * ux), plain.at(5.0));
                assert!(
                    near(there.0 / uy, wanted.0) && near(there.1 / uy, wanted.1),
                    "{said}"
                );
            }
        }
    }

    #[test]
    fn the_analysis_of_variance_is_the_same_in_any_unit() {
        let of = |unit: f64| {
            let groups = [[1.0, 2.0, 3.0], [2.0, 4.0, 6.0]];
            one_way(&groups.map(|group| group.map(|v| v * unit).to_vec()))
        };
        let plain = of(1.0).expect("an analysis");
        // At 1e-160 the sums of squares have three digits left, F all of them.
        for unit in [1e-160, 1e-120, 1e120, 1e150] {
            let found = of(unit).expect("an analysis");
            assert!((found.f - plain.f).abs() < 1e-9, "{found:?}");
            assert!((found.residual_sd / unit / plain.residual_sd - 1.0).abs() < 1e-9);
        }
        // Sums of squares beyond the numbers.
        assert_eq!((of(1e-200), of(1e200)), (None, None));
    }

    #[test]
    fn a_point_that_outweighs_all_others_makes_no_line() {
        let points =
            |weight: f64| {
                [(0.1, 1.0, weight), (0.7, 2.0, 1.0), (0.9, 7.0, 1.0)]
                    .map(|(x, y, weight)| Weighted { x, y, weight })
            };
        assert!(fit(&points(1e9)).is_some());
        assert_eq!(fit(&points(1e40)), None);
        let level = fit_equal(&[(0.0, 0.1), (1.0, 0.1), (2.0, 0.1), (3.0, 0.1)]).expect("a line");
        assert_eq!((level.r_squared, level.slope), (None, 0.0));
    }

    proptest::proptest! {
        #[test]
        fn units_and_order_do_not_matter(
            points in proptest::collection::vec((0.1..10.0_f64, -5.0..5.0_f64), 5..30),
            factor in 0.01..100.0_f64,
        ) {
            let plain = fit_equal(&points);
            let mut turned: Vec<_> = points.iter().map(|(x, y)| (x * factor, *y)).collect();
            turned.reverse();
            let changed = fit_equal(&turned);
            if let (Some(plain), Some(changed)) = (plain, changed) {
                let near = |a: f64, b: f64| (a - b).abs() <= 1e-6 * (1.0 + a.abs());
                proptest::prop_assert!(near(plain.slope, changed.slope * factor));
                proptest::prop_assert!(near(plain.at_zero, changed.at_zero));
                proptest::prop_assert!(near(plain.correlation, changed.correlation));
                proptest::prop_assert!(near(plain.at(3.0).1, changed.at(3.0 * factor).1));
            }
        }

        #[test]
        fn no_numbers_panic(
            points in proptest::collection::vec(
                (proptest::num::f64::ANY, proptest::num::f64::ANY, proptest::num::f64::ANY), 0..20),
        ) {
            let points: Vec<_> =
                points.into_iter().map(|(x, y, weight)| Weighted { x, y, weight }).collect();
            if let Some(line) = fit(&points) {
                let _ = line.at(1e300);
                let (value, sd) = line.at(points[0].x);
                let all = [line.at_zero, line.slope, line.at_zero_sd, line.slope_sd];
                proptest::prop_assert!(all.iter().all(|v| v.is_finite()), "{line:?}");
                proptest::prop_assert!(line.correlation.abs() <= 1.0 + 1e-9, "{line:?}");
                let explained = line.r_squared.unwrap_or(0.5);
                proptest::prop_assert!((-1e-9..=1.0).contains(&explained), "{line:?}");
                proptest::prop_assert!(!value.is_nan() && sd >= 0.0, "{line:?}");
            }
            let groups: Vec<Vec<f64>> = points.chunks(3).map(|c| c.iter().map(|p| p.y).collect()).collect();
            if let Some(found) = one_way(&groups) {
                proptest::prop_assert!(found.within > 0.0 && found.f.is_finite(), "{found:?}");
            }
        }
    }
}
