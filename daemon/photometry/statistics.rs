//! Moments and the straight line, computed so that large offsets do no harm.
//!
//! Two passes: mean first, then the squares of the differences (one-pass
//! formulas fail on data such as NIST StRD NumAcc4).

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
    let mean = moments(values)?.mean;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let pairs = values.windows(2);
    let products: f64 = pairs.map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum();
    let correlation = products / squares;
    (values.len() > 1 && correlation.is_finite()).then_some(correlation)
}

/// Mean and sample standard deviation; none when there is no value or one is
/// not finite.
pub fn moments(values: &[f64]) -> Option<Moments> {
    if values.is_empty() || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let n = values.len();
    let rough = values.iter().sum::<f64>() / n as f64;
    let mean = rough + values.iter().map(|v| v - rough).sum::<f64>() / n as f64;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let sd = (n > 1).then(|| (squares / (n - 1) as f64).sqrt());
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

/// The least-squares line; none below two points or when all x are equal.
pub fn line(points: &[(f64, f64)]) -> Option<Line> {
    if points.len() < 2 || points.iter().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
        return None;
    }
    let n = points.len() as f64;
    let mean_x = points.iter().map(|p| p.0).sum::<f64>() / n;
    let mean_y = points.iter().map(|p| p.1).sum::<f64>() / n;
    let sxx: f64 = points.iter().map(|p| (p.0 - mean_x).powi(2)).sum();
    if sxx <= 0.0 {
        return None;
    }
    let slope = points
        .iter()
        .map(|p| (p.0 - mean_x) * (p.1 - mean_y))
        .sum::<f64>()
        / sxx;
    let at_zero = mean_y - slope * mean_x;
    let slope_sd = (points.len() > 2).then(|| {
        let rest: f64 = points
            .iter()
            .map(|p| (p.1 - at_zero - slope * p.0).powi(2))
            .sum();
        (rest / (n - 2.0) / sxx).sqrt()
    });
    Some(Line {
        at_zero,
        slope,
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
}
