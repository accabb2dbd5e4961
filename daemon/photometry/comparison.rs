//! Before and after: has a figure changed, and does the change matter?
//!
//! The replicate is the run (a fresh power-up) or the unit; readings inside one
//! run are not independent. Figures are compared as ln ratios, so that margins
//! are ratios. Welch's test answers "different?", two one-sided tests
//! (Schuirmann 1987) answer "equivalent?": both may be true. With the same
//! meter both times its calibration cancels; only repeatability counts.
//!
//! Used by: `compute compare`, regression reports.

use crate::distribution::{t_above, t_quantile, t_two_sided};
use crate::statistics::{Moments, moments};

/// Level of Welch's test.
const DIFFERENT_BELOW: f64 = 0.05;
/// Level of each one-sided test; the interval shown is then of 90 %.
const ONE_SIDED: f64 = 0.05;

/// A t test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TTest {
    /// The statistic, first minus second.
    pub t: f64,
    /// Degrees of freedom.
    pub dof: f64,
    /// Two-sided probability of a |t| at least as large.
    pub p: f64,
}

/// Welch's test from summaries; none below two values on a side, or without
/// any scatter.
pub fn welch(first: &Moments, second: &Moments) -> Option<TTest> {
    let (a, b) = (
        first.standard_error()?.powi(2),
        second.standard_error()?.powi(2),
    );
    let spread = a + b;
    let dof = spread * spread / (a * a / (first.n - 1) as f64 + b * b / (second.n - 1) as f64);
    test((first.mean - second.mean) / spread.sqrt(), dof)
}

/// Student's test with one standard deviation for both sides, which is given
/// beside it; none as [`welch`].
pub fn pooled(first: &Moments, second: &Moments) -> Option<(TTest, f64)> {
    let (n, m) = (first.n as f64, second.n as f64);
    let dof = n + m - 2.0;
    let squares = first.sd?.powi(2) * (n - 1.0) + second.sd?.powi(2) * (m - 1.0);
    let sd = (squares / dof).sqrt();
    let t = (first.mean - second.mean) / (sd * (1.0 / n + 1.0 / m).sqrt());
    test(t, dof).map(|test| (test, sd))
}

fn test(t: f64, dof: f64) -> Option<TTest> {
    if !t.is_finite() || !dof.is_finite() {
        return None;
    }
    let p = t_two_sided(t, dof)?;
    Some(TTest { t, dof, p })
}

/// What a comparison comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Change {
    /// Equivalent, and not shown to differ.
    Unchanged,
    /// Shown to differ, yet equivalent.
    ChangedWithinMargin,
    /// Shown to differ, not shown to be equivalent.
    Changed,
    /// Neither shown: more runs are needed.
    Undecided,
}

impl Change {
    /// The words.
    pub const fn words(self) -> &'static str {
        match self {
            Change::Unchanged => "unchanged",
            Change::ChangedWithinMargin => "changed within margin",
            Change::Changed => "changed",
            Change::Undecided => "undecided",
        }
    }
}

/// A figure before and after.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Comparison {
    /// After over before (ratio of geometric means).
    pub ratio: f64,
    /// 90 % interval of the ratio; none without scatter to judge by.
    pub interval: Option<(f64, f64)>,
    /// Welch's test on the logarithms; none without scatter to judge by.
    pub welch: Option<TTest>,
    /// The larger p of the two one-sided tests.
    pub p_equivalence: Option<f64>,
    /// The ruling.
    pub change: Change,
}

/// Why figures cannot be compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CompareError {
    /// Fewer than two runs on a side.
    #[error("each side needs at least two runs (before {before}, after {after})")]
    TooFew {
        /// Runs before.
        before: usize,
        /// Runs after.
        after: usize,
    },
    /// A value without a logarithm.
    #[error("value {at} {side} is not a finite number above zero")]
    NotPositive {
        /// `before` or `after`.
        side: &'static str,
        /// Which, from 1.
        at: usize,
    },
    /// A margin that is none.
    #[error("the margin must lie between 0 and 1 (3 % is 0.03)")]
    Margin,
}

/// Compares runs before with runs after, for a margin such as 0.03: equivalent
/// means that the ratio lies within `1 - margin` and `1 / (1 - margin)`.
///
/// # Errors
/// When there are too few values, or one has no logarithm.
pub fn compare(before: &[f64], after: &[f64], margin: f64) -> Result<Comparison, CompareError> {
    if !(margin > 0.0 && margin < 1.0) {
        return Err(CompareError::Margin);
    }
    let logarithms = |side: &'static str, values: &[f64]| {
        let usable = |value: &f64| value.is_finite() && *value > 0.0;
        match values.iter().position(|value| !usable(value)) {
            Some(at) => Err(CompareError::NotPositive { side, at: at + 1 }),
            None => Ok(values.iter().map(|value| value.ln()).collect::<Vec<f64>>()),
        }
    };
    let too_few = CompareError::TooFew {
        before: before.len(),
        after: after.len(),
    };
    let of_before = moments(&logarithms("before", before)?).ok_or(too_few)?;
    let of_after = moments(&logarithms("after", after)?).ok_or(too_few)?;
    let (Some(a), Some(b)) = (of_before.standard_error(), of_after.standard_error()) else {
        return Err(too_few);
    };
    let difference = of_after.mean - of_before.mean;
    let reach = -(1.0 - margin).ln();
    let Some(welch) = welch(&of_after, &of_before) else {
        // Every run gave the same value: nothing tells how far chance reaches.
        return Ok(Comparison {
            ratio: difference.exp(),
            interval: None,
            welch: None,
            p_equivalence: None,
            change: Change::Undecided,
        });
    };
    let spread = a.hypot(b);
    let half = t_quantile(1.0 - ONE_SIDED, welch.dof).map(|t| t * spread);
    let p_low = t_above((difference + reach) / spread, welch.dof);
    let p_high = t_above((reach - difference) / spread, welch.dof);
    let p_equivalence = p_low.zip(p_high).map(|(low, high)| low.max(high));
    let equivalent = p_equivalence.is_some_and(|p| p < ONE_SIDED);
    let different = welch.p < DIFFERENT_BELOW;
    Ok(Comparison {
        ratio: difference.exp(),
        interval: half.map(|half| ((difference - half).exp(), (difference + half).exp())),
        welch: Some(welch),
        p_equivalence,
        change: match (equivalent, different) {
            (true, false) => Change::Unchanged,
            (true, true) => Change::ChangedWithinMargin,
            (false, true) => Change::Changed,
            (false, false) => Change::Undecided,
        },
    })
}

/// Probabilities of several tests, adjusted so that *any* false alarm stays
/// below the level (Holm 1979), in the order given; not-a-number stays.
pub fn holm(p: &[f64]) -> Vec<f64> {
    let order = ascending(p);
    let count = order.len() as f64;
    let mut adjusted = p.to_vec();
    let mut least = 0.0_f64;
    for (rank, at) in order.into_iter().enumerate() {
        least = least.max(((count - rank as f64) * p[at]).min(1.0));
        adjusted[at] = least;
    }
    adjusted
}

/// Probabilities of several tests, adjusted so that the expected *share* of
/// false alarms stays below the level (Benjamini and Hochberg 1995), in the
/// order given; not-a-number stays.
pub fn benjamini_hochberg(p: &[f64]) -> Vec<f64> {
    let order = ascending(p);
    let count = order.len() as f64;
    let mut adjusted = p.to_vec();
    let mut most = 1.0_f64;
    for (rank, at) in order.into_iter().enumerate().rev() {
        // Never below the probability itself, also by rounding.
        most = most.min((p[at] * count / (rank + 1) as f64).max(p[at]));
        adjusted[at] = most;
    }
    adjusted
}

/// Places of the numbers, smallest first.
fn ascending(p: &[f64]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..p.len()).filter(|at| !p[*at].is_nan()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_four_rulings_are_reached() {
        let before = [251.2, 249.8, 250.9, 250.1, 251.5];
        let shifted = |factor: f64| before.map(|value| value * factor);
        let wild = [300.0, 200.0, 251.0, 270.0, 230.0];
        let cases = [
            (shifted(1.0005).to_vec(), 0.03, Change::Unchanged),
            (shifted(0.99).to_vec(), 0.03, Change::ChangedWithinMargin),
            (shifted(0.90).to_vec(), 0.03, Change::Changed),
            (wild.to_vec(), 0.03, Change::Undecided),
        ];
        for (after, margin, wanted) in cases {
            let found = compare(&before, &after, margin).expect("a comparison");
            assert_eq!(found.change, wanted, "{found:?}");
        }
    }

    #[test]
    fn without_scatter_nothing_is_claimed() {
        let same = compare(&[5.0, 5.0], &[5.0, 5.0], 0.03).expect("a comparison");
        assert_eq!((same.change, same.welch), (Change::Undecided, None));
        let few = CompareError::TooFew {
            before: 1,
            after: 2,
        };
        assert_eq!(compare(&[5.0], &[5.0, 5.0], 0.03), Err(few));
        let zero = compare(&[5.0, 0.0], &[5.0, 5.0], 0.03);
        assert!(matches!(zero, Err(CompareError::NotPositive { at: 2, .. })));
        assert_eq!(
            compare(&[1.0, 2.0], &[1.0, 2.0], 1.0),
            Err(CompareError::Margin)
        );
    }

    /// Benjamini and Hochberg 1995, section 3.2 (from memory): 15 p-values of
    /// which Bonferroni and Holm reject three, their procedure four, at 5 %.
    #[test]
    fn the_example_of_benjamini_and_hochberg_is_met() {
        let p = [
            0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
            0.5719, 0.6528, 0.7590, 1.0000,
        ];
        let rejected = |p: &[f64]| p.iter().filter(|p| **p <= 0.05).count();
        assert_eq!(rejected(&benjamini_hochberg(&p)), 4);
        assert_eq!(rejected(&holm(&p)), 3);
        assert!((holm(&p)[0] - 0.0015).abs() < 1e-12);
    }

    proptest::proptest! {
        #[test]
        fn adjusted_probabilities_keep_their_order(
            p in proptest::collection::vec(0.0..1.0_f64, 0..20),
        ) {
            for adjust in [holm, benjamini_hochberg] {
                let adjusted = adjust(&p);
                for (at, a) in p.iter().enumerate() {
                    proptest::prop_assert!(adjusted[at] >= *a && adjusted[at] <= 1.0);
                    for (other, b) in p.iter().enumerate() {
                        proptest::prop_assert!(a > b || adjusted[at] <= adjusted[other]);
                    }
                }
            }
        }

        #[test]
        fn before_and_after_are_mirror_images(
            before in proptest::collection::vec(1.0..2.0_f64, 2..9),
            after in proptest::collection::vec(1.0..2.0_f64, 2..9),
            unit in 0.01..100.0_f64,
        ) {
            let there = compare(&before, &after, 0.05).expect("a comparison");
            let back = compare(&after, &before, 0.05).expect("a comparison");
            proptest::prop_assert!((there.ratio * back.ratio - 1.0).abs() < 1e-9);
            proptest::prop_assert_eq!(there.change, back.change);
            let scaled: Vec<Vec<f64>> =
                [before, after].iter().map(|side| side.iter().map(|v| v * unit).collect()).collect();
            let scaled = compare(&scaled[0], &scaled[1], 0.05).expect("a comparison");
            proptest::prop_assert!((scaled.ratio - there.ratio).abs() < 1e-9);
        }

        #[test]
        fn no_values_panic(
            a in proptest::collection::vec(proptest::num::f64::ANY, 0..9),
            b in proptest::collection::vec(proptest::num::f64::ANY, 0..9),
            margin in proptest::num::f64::ANY,
        ) {
            let _ = compare(&a, &b, margin);
            let _ = compare(&a, &b, 0.03);
            let _ = (holm(&a), benjamini_hochberg(&b));
        }
    }
}
