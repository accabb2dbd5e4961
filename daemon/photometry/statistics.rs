//! Moments and the straight line, computed so that large offsets do no harm.
//!
//! Two passes: mean first, then the squares of the differences (one-pass
//! formulas fail on data such as NIST StRD NumAcc4).

use crate::scale::{brought_back, unit_for};

/// Mean and spread of some values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moments {
    /// How many values.
    pub n: usize,
    /// Arithmetic mean.
    pub mean: f64,
    /// Sample standard deviation (n - 1); none below two values.
    pub sd: Option<f64>,
}

impl Moments {
    /// Standard deviation of the mean, s / sqrt n (JCGM 100:2008, 4.2.3); none
    /// below two values.
    pub fn standard_error(&self) -> Option<f64> {
        self.sd.map(|sd| sd / (self.n as f64).sqrt())
    }
}

/// Correlation of each value with the next (NIST StRD's definition): far from
/// zero, repeated readings drift. None below two values, when all are equal, or
/// when one is not finite.
pub fn lag_one(values: &[f64]) -> Option<f64> {
    let unit = unit_for(values.iter().copied());
    let values: Vec<f64> = values.iter().map(|v| v / unit).collect();
    let mean = moments(&values)?.mean;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let pairs = values.windows(2);
    let products: f64 = pairs.map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum();
    let correlation = products / squares;
    (values.len() > 1 && correlation.is_finite()).then_some(correlation)
}

/// Mean and sample standard deviation; none when there is no value, when one
/// is not finite, or when a result is too large or too small for a number.
pub fn moments(values: &[f64]) -> Option<Moments> {
    if values.is_empty() || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let unit = unit_for(values.iter().copied());
    let values = values.iter().map(|v| v / unit);
    let n = values.len();
    let rough = values.clone().sum::<f64>() / n as f64;
    let mean = rough + values.clone().map(|v| v - rough).sum::<f64>() / n as f64;
    let squares: f64 = values.map(|v| (v - mean).powi(2)).sum();
    let sd = (n > 1).then(|| (squares / (n - 1) as f64).sqrt());
    let sd = match sd {
        Some(sd) => Some(brought_back(sd, unit)?),
        None => None,
    };
    let mean = brought_back(mean, unit)?;
    Some(Moments { n, mean, sd })
}

/// A straight line `y = at_zero + slope * x` through points, least squares.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Value at x = 0.
    pub at_zero: f64,
    /// Change of y per unit of x.
    pub slope: f64,
    /// Standard uncertainty of the slope; none below three points.
    pub slope_sd: Option<f64>,
}

/// The least-squares line; none below two points, when all x are equal, when a
/// number is not finite, or when a result is too large or too small for one.
pub fn line(points: &[(f64, f64)]) -> Option<Line> {
    if points.len() < 2 || points.iter().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
        return None;
    }
    // A mean's rounding must not pass for a spread of x.
    if points.iter().all(|p| p.0 == points[0].0) {
        return None;
    }
    let unit_x = unit_for(points.iter().map(|p| p.0));
    let unit_y = unit_for(points.iter().map(|p| p.1));
    let points: Vec<(f64, f64)> = points
        .iter()
        .map(|p| (p.0 / unit_x, p.1 / unit_y))
        .collect();
    let n = points.len() as f64;
    // A second pass over the differences takes the rounding of the first out.
    let mean = |of: fn(&(f64, f64)) -> f64| {
        let rough = points.iter().map(of).sum::<f64>() / n;
        rough + points.iter().map(|p| of(p) - rough).sum::<f64>() / n
    };
    let (mean_x, mean_y) = (mean(|p| p.0), mean(|p| p.1));
    let sxx: f64 = points.iter().map(|p| (p.0 - mean_x).powi(2)).sum();
    let products = points.iter().map(|p| (p.0 - mean_x) * (p.1 - mean_y));
    let slope = products.sum::<f64>() / sxx;
    let at_zero = mean_y - slope * mean_x;
    let per_x = unit_y / unit_x;
    let slope_sd = if points.len() > 2 {
        let rest: f64 = points
            .iter()
            .map(|p| (p.1 - mean_y - slope * (p.0 - mean_x)).powi(2))
            .sum();
        Some(brought_back((rest / (n - 2.0) / sxx).sqrt(), per_x)?)
    } else {
        None
    };
    Some(Line {
        at_zero: brought_back(at_zero, unit_y)?,
        slope: brought_back(slope, per_x)?,
        slope_sd,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST StRD, NumAcc1 and NumAcc3-like offsets: certified mean 10000002,
    /// standard deviation 1.
    #[test]
    fn strd_numacc1_is_met() {
        let m = moments(&[10_000_001.0, 10_000_003.0, 10_000_002.0]).expect("three values");
        assert_eq!((m.n, m.mean, m.sd), (3, 10_000_002.0, Some(1.0)));
    }

    /// NIST StRD, NumAcc4 (lower difficulty rules out one-pass formulas):
    /// 1001 values 10000000.2, then 10000000.1 and .3 in turn; certified mean
    /// 10000000.2, standard deviation 0.1.
    #[test]
    fn strd_numacc4_is_met() {
        let mut values = vec![10_000_000.2];
        for _ in 0..500 {
            values.extend([10_000_000.1, 10_000_000.3]);
        }
        let m = moments(&values).expect("values");
        assert!((m.mean - 10_000_000.2).abs() < 1e-8);
        assert!((m.sd.expect("sd") - 0.1).abs() < 1e-8);
    }

    /// Guide to the expression of uncertainty, JCGM 100:2008, H.3: y1 -0.1712,
    /// y2 0.00218, both with their published deviations.
    #[test]
    fn gum_h3_calibration_line_is_met() {
        let data = [
            (21.521, -0.171),
            (22.012, -0.169),
            (22.512, -0.166),
            (23.003, -0.159),
            (23.507, -0.164),
            (23.999, -0.165),
            (24.513, -0.156),
            (25.002, -0.157),
            (25.503, -0.159),
            (26.010, -0.161),
            (26.511, -0.160),
        ];
        let points: Vec<_> = data.iter().map(|(t, b)| (t - 20.0, *b)).collect();
        let fit = line(&points).expect("a line");
        assert!((fit.at_zero + 0.1712).abs() < 5e-5, "{fit:?}");
        assert!((fit.slope - 0.00218).abs() < 5e-6, "{fit:?}");
        assert!(
            (fit.slope_sd.expect("sd") - 0.00067).abs() < 5e-6,
            "{fit:?}"
        );
    }

    #[test]
    fn no_values_no_moments() {
        assert_eq!(moments(&[]), None);
        assert_eq!(moments(&[1.0, f64::NAN]), None);
        assert_eq!(line(&[(1.0, 1.0), (1.0, 2.0)]), None);
    }

    /// In any unit of length the spread of 1, 2, 3 and 4 is the same.
    #[test]
    fn tiny_and_huge_values_keep_their_spread() {
        let sd = moments(&[1.0, 2.0, 3.0, 4.0])
            .and_then(|m| m.sd)
            .expect("sd");
        for unit in [1e-300, 1e-200, 1e-150, 1e150, 1e200, 4e307] {
            let values = [1.0, 2.0, 3.0, 4.0].map(|v| v * unit);
            let found = moments(&values).expect("values");
            assert!((found.mean / unit - 2.5).abs() < 1e-12, "{unit}: {found:?}");
            assert!((found.sd.expect("sd") / unit - sd).abs() < 1e-12, "{unit}");
            assert!(
                (lag_one(&values).expect("r") - 0.25).abs() < 1e-12,
                "{unit}"
            );
        }
        assert_eq!(moments(&[f64::MAX, -f64::MAX]), None, "sd above f64::MAX");
        let most = moments(&[f64::MAX; 9]).expect("values");
        assert_eq!((most.mean, most.sd), (f64::MAX, Some(0.0)));
    }

    #[test]
    fn a_line_is_the_same_in_any_unit_and_at_any_offset() {
        let y = [1.0, 3.0, 4.0, 8.0];
        let points = |x0: f64, ux: f64, uy: f64| -> Vec<(f64, f64)> {
            let places = y.iter().enumerate();
            places
                .map(|(x, y)| ((x0 + x as f64) * ux, y * uy))
                .collect()
        };
        let plain = line(&points(0.0, 1.0, 1.0)).expect("a line");
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-12;
        for (ux, uy) in [
            (1e-200, 1.0),
            (1e200, 1e200),
            (1.0, 1e-250),
            (1e-170, 1e-170),
        ] {
            let found = line(&points(0.0, ux, uy)).expect("a line");
            assert!(near(found.slope / uy * ux, plain.slope), "{found:?}");
            assert!(near(found.at_zero / uy, plain.at_zero), "{found:?}");
            let sd = found.slope_sd.expect("sd") / uy * ux;
            assert!(near(sd, plain.slope_sd.expect("sd")), "{found:?}");
        }
        // The value at zero, 1e15 away, is known to 0.25: residuals taken from
        // it would be that rounding's.
        let far = line(&points(1e15, 1.0, 1.0)).expect("a line");
        assert!(
            near(far.slope_sd.expect("sd"), plain.slope_sd.expect("sd")),
            "{far:?}"
        );
        // The one-pass mean of three 0.1 is not 0.1 to the last bit.
        assert_eq!(line(&[(0.1, 1.0), (0.1, 2.0), (0.1, 4.0)]), None);
        assert_eq!(line(&[(0.0, 0.0), (1e-300, 1e300)]), None);
    }

    proptest::proptest! {
        #[test]
        fn what_is_given_is_finite_and_possible(
            values in proptest::collection::vec(proptest::num::f64::ANY, 0..20),
            same in proptest::num::f64::NORMAL,
        ) {
            if let Some(found) = moments(&values) {
                let least = values.iter().copied().fold(f64::INFINITY, f64::min);
                let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                let slack = 4.0 * f64::EPSILON * least.abs().max(most.abs());
                proptest::prop_assert!(least - slack <= found.mean && found.mean <= most + slack);
                let scatters = least < most;
                let sd = found.sd.unwrap_or(0.0);
                proptest::prop_assert!(sd.is_finite() && (sd > 0.0) == scatters, "{found:?}");
            }
            if let Some(r) = lag_one(&values) {
                proptest::prop_assert!(r.abs() <= 1.0 + 1e-9);
            }
            let equal = moments(&vec![same; values.len() + 1]).expect("values");
            proptest::prop_assert_eq!((equal.mean, equal.sd.unwrap_or(0.0)), (same, 0.0));
            let points: Vec<_> = values.windows(2).map(|pair| (pair[0], pair[1])).collect();
            if let Some(found) = line(&points) {
                let all = [found.at_zero, found.slope, found.slope_sd.unwrap_or(0.0)];
                proptest::prop_assert!(all.iter().all(|v| v.is_finite()), "{found:?}");
            }
        }
    }
}
