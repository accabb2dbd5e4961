//! Values that lie too far out: Grubbs' test for one, the generalised extreme
//! studentised deviate test for several, which would mask one another.
//!
//! NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1 and 1.3.5.17.3.
//! They **flag**; a value leaves a mean only by a recorded human reason. With
//! three values Grubbs' test is nearly blind: the largest possible G is 1.1547.
//! Used by: `compute stats`, reports.

use crate::distribution::t_beyond;
pub use crate::esd::generalised_esd;
use crate::scale::unit_for;
use crate::statistics::moments;

/// Whether the far value was named beforehand (one end) or may lie at either.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ends {
    /// At one end that was chosen before looking.
    One,
    /// At either end.
    Both,
}

/// The value farthest from the mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Grubbs {
    /// Its place among the values, from 0.
    pub at: usize,
    /// Its distance from the mean in standard deviations.
    pub g: f64,
    /// The distance that it may have.
    pub critical: f64,
}

impl Grubbs {
    /// Whether it lies too far out.
    pub fn is_outlier(&self) -> bool {
        self.g > self.critical
    }
}

/// The largest G that `n` values of one normal population reach with
/// probability `1 - alpha`; none below three values.
pub fn grubbs_critical(n: usize, alpha: f64, ends: Ends) -> Option<f64> {
    if n < 3 || !(alpha > 0.0 && alpha < 1.0) {
        return None;
    }
    let count = n as f64;
    // Asked by the tail: with 1000 values and alpha 1e-14, one minus it is one.
    let t = t_beyond(tail_of(count, alpha, ends), count - 2.0)?;
    let squared = t * t;
    Some((count - 1.0) / count.sqrt() * (squared / (count - 2.0 + squared)).sqrt())
}

/// Probability that is left to each value at each end.
pub(crate) fn tail_of(count: f64, alpha: f64, ends: Ends) -> f64 {
    match ends {
        Ends::One => alpha / count,
        Ends::Both => alpha / (2.0 * count),
    }
}

/// Grubbs' test; none below three values, when all are equal, or when one is
/// not finite.
pub fn grubbs(values: &[f64], alpha: f64, ends: Ends) -> Option<Grubbs> {
    let critical = grubbs_critical(values.len(), alpha, ends)?;
    let (at, g) = farthest(values)?;
    Some(Grubbs { at, g, critical })
}

/// Place of the value farthest from the mean, and its distance in standard
/// deviations; none without scatter or when a value is not finite.
pub(crate) fn farthest(values: &[f64]) -> Option<(usize, f64)> {
    let unit = unit_for(values.iter().copied());
    let values: Vec<f64> = values.iter().map(|value| value / unit).collect();
    let moments = moments(&values)?;
    let sd = moments.sd.filter(|sd| *sd > 0.0)?;
    let distances = values.iter().map(|value| (value - moments.mean).abs() / sd);
    distances
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .filter(|(_, g)| g.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rosner's data in the e-Handbook, 1.3.5.17.3 (from memory): three
    /// outliers among 54 values, found only when up to ten are allowed.
    #[test]
    fn rosners_three_outliers_are_found_though_they_mask_one_another() {
        let data = [
            -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56,
            1.58, 1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10,
            2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92,
            2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
        ];
        let found = generalised_esd(&data, 10, 0.05);
        let values: Vec<f64> = found.iter().map(|at| data[*at]).collect();
        assert_eq!(values, [6.01, 5.42, 5.34]);
        let first = grubbs(&data, 0.05, Ends::Both).expect("a test");
        assert!(!first.is_outlier(), "masked: {first:?}");
        assert!((first.g - 3.118).abs() < 1e-3 && (first.critical - 3.158).abs() < 1.5e-3);
    }

    /// Computed with mpmath to 40 digits. Asked by one minus the tail, the first
    /// was right to seven digits only, and the next three were none.
    #[test]
    fn critical_values_keep_their_digits_in_the_far_tail() {
        let cases = [
            (10, 1e-12, 2.844_943_146_359_74),
            (1_000, 1e-15, 8.667_209_117_368_1),
            (100_000, 1e-20, 10.483_314_332_662_7),
            (50, 1e-30, 6.746_239_114_133_814),
            (1_000, 0.05, 4.039_978_163_761_51),
        ];
        for (n, alpha, wanted) in cases {
            let found = grubbs_critical(n, alpha, Ends::Both).expect("a distance");
            assert!((found / wanted - 1.0).abs() < 1e-11, "{n} {alpha}: {found}");
        }
    }

    #[test]
    fn grubbs_tests_values_of_any_size() {
        for unit in [1e-320, 1e-200, 1.0, 1e200, 1e305] {
            let values = [1.0, 2.0, 3.0, 2.0, 1.0, 2.0, 3.0, 2.0, 90.0].map(|v| v * unit);
            let far = grubbs(&values, 0.05, Ends::Both).expect("a test");
            assert!(far.at == 8 && far.is_outlier(), "{unit}: {far:?}");
            assert!((far.g - 2.666).abs() < 1e-2, "{unit}: {far:?}");
        }
        let ends = [f64::MAX, -f64::MAX, 0.0, 0.0, 0.0];
        assert!(grubbs(&ends, 0.05, Ends::Both).is_some());
    }

    #[test]
    fn few_or_equal_values_have_no_outlier() {
        assert_eq!(grubbs(&[1.0, 2.0], 0.05, Ends::Both), None);
        assert_eq!(grubbs(&[1.0; 9], 0.05, Ends::Both), None);
        assert_eq!(generalised_esd(&[1.0; 9], 3, 0.05), Vec::<usize>::new());
        let nearly_blind = grubbs(&[0.0, 0.0, 1e9], 0.05, Ends::Both).expect("a test");
        assert!((nearly_blind.g - 1.1547).abs() < 1e-4);
    }

    proptest::proptest! {
        #[test]
        fn no_values_panic(
            values in proptest::collection::vec(proptest::num::f64::ANY, 0..30),
            alpha in proptest::num::f64::ANY,
        ) {
            let _ = grubbs(&values, alpha, Ends::One);
            let _ = generalised_esd(&values, 10, alpha);
            let _ = generalised_esd(&values, usize::MAX, 0.05);
        }
    }
}
