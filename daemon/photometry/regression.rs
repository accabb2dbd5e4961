//! The weighted straight line with all its uncertainties, and one-way analysis
//! of variance.
//!
//! Sums are of differences from the (weighted) mean, so that large offsets do
//! no harm: NIST StRD Norris to ten digits. Predictions after JCGM 100:2008,
//! H.3. Used by: distance fits, calibration curves, `compute`.

use crate::statistics::moments;

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
    mean_x: f64,
    mean_y: f64,
    sum_of_weights: f64,
    sxx: f64,
}

impl Fit {
    /// y at x with the standard deviation that the line gives it.
    pub fn at(&self, x: f64) -> (f64, f64) {
        let away = x - self.mean_x;
        let share = 1.0 / self.sum_of_weights + away * away / self.sxx;
        (
            self.mean_y + self.slope * away,
            self.residual_sd * share.sqrt(),
        )
    }
}

/// The weighted least-squares line; none below three points, when all x are
/// equal, or when a number is not finite or a weight not above zero.
pub fn fit(points: &[Weighted]) -> Option<Fit> {
    let usable =
        |p: &Weighted| p.x.is_finite() && p.y.is_finite() && p.weight.is_finite() && p.weight > 0.0;
    if points.len() < 3 || !points.iter().all(usable) {
        return None;
    }
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
    if !(sxx > 0.0 && sxx.is_finite() && syy.is_finite()) {
        return None;
    }
    let slope = sxy / sxx;
    let rest = sum(&|p| p.weight * (p.y - mean_y - slope * (p.x - mean_x)).powi(2));
    let residual_sd = (rest / (points.len() - 2) as f64).sqrt();
    let share_at_zero = 1.0 / weights + mean_x * mean_x / sxx;
    let found = Fit {
        at_zero: mean_y - slope * mean_x,
        slope,
        at_zero_sd: residual_sd * share_at_zero.sqrt(),
        slope_sd: residual_sd / sxx.sqrt(),
        correlation: -mean_x / (sxx * share_at_zero).sqrt(),
        residual_sd,
        r_squared: (syy > 0.0).then(|| 1.0 - rest / syy),
        mean_x,
        mean_y,
        sum_of_weights: weights,
        sxx,
    };
    (found.at_zero.is_finite() && found.slope.is_finite()).then_some(found)
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
/// them, or when a value is not finite.
pub fn one_way(groups: &[Vec<f64>]) -> Option<Variance> {
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
    f.is_finite().then_some(Variance {
        between,
        within,
        f,
        residual_sd: of_within.sqrt(),
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
            let _ = fit(&points).map(|line| line.at(1e300));
            let groups: Vec<Vec<f64>> = points.chunks(3).map(|c| c.iter().map(|p| p.y).collect()).collect();
            let _ = one_way(&groups);
        }
    }
}
