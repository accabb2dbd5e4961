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
use crate::scale::unit_for;
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

/// Welch's test from summaries; none below two values on a side, without any
/// scatter, or when a number is not finite or a deviation negative.
pub fn welch(first: &Moments, second: &Moments) -> Option<TTest> {
    let sides = (side(first)?, side(second)?);
    let unit = unit_for([sides.0, sides.1]);
    let error = |sd: f64, n: usize| (sd / unit / (n as f64).sqrt()).powi(2);
    let (a, b) = (error(sides.0, first.n), error(sides.1, second.n));
    let spread = a + b;
    let dof = spread * spread / (a * a / (first.n - 1) as f64 + b * b / (second.n - 1) as f64);
    test(difference(first, second, unit) / spread.sqrt(), dof)
}

/// Student's test with one standard deviation for both sides, which is given
/// beside it; none as [`welch`].
pub fn pooled(first: &Moments, second: &Moments) -> Option<(TTest, f64)> {
    let sides = (side(first)?, side(second)?);
    let unit = unit_for([sides.0, sides.1]);
    let (n, m) = (first.n as f64, second.n as f64);
    let dof = n + m - 2.0;
    let squares = (sides.0 / unit).powi(2) * (n - 1.0) + (sides.1 / unit).powi(2) * (m - 1.0);
    let sd = (squares / dof).sqrt();
    let t = difference(first, second, unit) / (sd * (1.0 / n + 1.0 / m).sqrt());
    test(t, dof).map(|test| (test, sd * unit))
}

/// The standard deviation of a side that can be tested.
fn side(of: &Moments) -> Option<f64> {
    of.sd
        .filter(|sd| of.n > 1 && *sd >= 0.0 && sd.is_finite() && of.mean.is_finite())
}

/// First mean minus second, over a unit; neither a huge difference nor a tiny
/// unit is too much where the quotient is a number.
fn difference(first: &Moments, second: &Moments, unit: f64) -> f64 {
    if unit > 1.0 {
        first.mean / unit - second.mean / unit
    } else {
        (first.mean - second.mean) / unit
    }
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
    /// After over before (ratio of geometric means); not-a-number when it is too
    /// large or too small for a number.
    pub ratio: f64,
    /// 90 % interval of the ratio; none without scatter to judge by, or when an
    /// end is too large or too small for a number.
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
    // ln_1p: a margin of 1e-17 is small, yet not zero.
    let reach = -(-margin).ln_1p();
    let Some(welch) = welch(&of_after, &of_before) else {
        // Every run gave the same value: nothing tells how far chance reaches.
        return Ok(Comparison {
            ratio: ratio_of(difference).unwrap_or(f64::NAN),
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
        ratio: ratio_of(difference).unwrap_or(f64::NAN),
        interval: half
            .and_then(|half| ratio_of(difference - half).zip(ratio_of(difference + half))),
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

/// The ratio with this logarithm; none when it is too large or too small for a
/// number.
fn ratio_of(logarithm: f64) -> Option<f64> {
    Some(logarithm.exp()).filter(|ratio| *ratio > 0.0 && ratio.is_finite())
}

/// Probabilities of several tests, adjusted so that *any* false alarm stays
/// below the level (Holm 1979), in the order given; what is no probability
/// (from 0 to 1) stays and does not count as a test.
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
/// order given; what is no probability stays, as in [`holm`].
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

/// Places of the probabilities, smallest first.
fn ascending(p: &[f64]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..p.len())
        .filter(|at| (0.0..=1.0).contains(&p[*at]))
        .collect();
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
            (shifted(1.0005), Change::Unchanged, "unchanged"),
            (
                shifted(0.99),
                Change::ChangedWithinMargin,
                "changed within margin",
            ),
            (shifted(0.90), Change::Changed, "changed"),
            (wild, Change::Undecided, "undecided"),
        ];
        for (after, wanted, words) in cases {
            let found = compare(&before, &after, 0.03).expect("a comparison");
            assert_eq!(found.change, wanted, "{found:?}");
            assert_eq!(found.change.words(), words);
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

    #[test]
    fn tests_of_tiny_and_huge_summaries_are_the_same() {
        let side = |n: usize, mean: f64, sd: f64| Moments {
            n,
            mean,
            sd: Some(sd),
        };
        let of = |unit: f64| {
            let sides = (
                side(5, 2.0 * unit, 0.5 * unit),
                side(9, 1.0 * unit, 0.25 * unit),
            );
            let (pooled, sd) = pooled(&sides.0, &sides.1).expect("a test");
            (
                welch(&sides.0, &sides.1).expect("a test"),
                pooled,
                sd / unit,
            )
        };
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-9;
        let plain = of(1.0);
        for unit in [1e-300, 1e-200, 1e-90, 1e90, 1e200, 8e307] {
            let found = of(unit);
            assert!(
                near(found.0.t, plain.0.t) && near(found.0.dof, plain.0.dof),
                "{unit}"
            );
            assert!(
                near(found.1.t, plain.1.t) && near(found.2, plain.2),
                "{unit}"
            );
        }
        // One reading, none, and what is no deviation: no test, and no panic.
        let sound = side(5, 1.0, 0.1);
        let nan = f64::NAN;
        let bad = [
            side(0, 1.0, 0.1),
            side(1, 1.0, 0.1),
            side(5, nan, 0.1),
            side(5, 1.0, nan),
            side(5, 1.0, -0.1),
            side(5, 1.0, f64::INFINITY),
            Moments {
                n: 5,
                mean: 1.0,
                sd: None,
            },
        ];
        for bad in bad {
            assert_eq!(
                (welch(&bad, &sound), welch(&sound, &bad)),
                (None, None),
                "{bad:?}"
            );
            assert!(pooled(&bad, &sound).is_none() && pooled(&sound, &bad).is_none());
        }
    }

    #[test]
    fn what_is_beyond_the_numbers_is_not_given() {
        let far = compare(&[1e-300, 2e-300], &[1e300, 2e300], 0.03).expect("a comparison");
        assert!(far.ratio.is_nan() && far.interval.is_none(), "{far:?}");
        let near = compare(&[1e300, 2e300], &[1e-300, 2e-300], 0.03).expect("a comparison");
        assert!(near.ratio.is_nan() && near.interval.is_none(), "{near:?}");
        // Equivalent within 1e-17 is a claim, though 1 - 1e-17 is 1.
        let values = [1.0, 1.0 + f64::EPSILON];
        let fine = compare(&values, &values, 1e-17).expect("a comparison");
        assert!(fine.p_equivalence.is_some_and(|p| p < 0.5), "{fine:?}");
        let adjusted = [
            holm(&[-1.0, 0.5, 2.0]),
            benjamini_hochberg(&[-1.0, 0.5, 2.0]),
        ];
        assert_eq!(adjusted, [[-1.0, 0.5, 2.0], [-1.0, 0.5, 2.0]]);
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
            if let Ok(found) = compare(&a, &b, 0.03) {
                let (low, high) = found.interval.unwrap_or((1e-300, 1e300));
                let p = found.p_equivalence.unwrap_or(0.5);
                proptest::prop_assert!(low > 0.0 && low <= high && high.is_finite(), "{found:?}");
                proptest::prop_assert!((0.0..=1.0).contains(&p), "{found:?}");
            }
            let _ = (holm(&a), benjamini_hochberg(&b));
            let summary = |values: &[f64]| Moments {
                n: values.len(),
                mean: values.first().copied().unwrap_or(margin),
                sd: values.last().copied(),
            };
            for found in [
                welch(&summary(&a), &summary(&b)),
                pooled(&summary(&a), &summary(&b)).map(|found| found.0),
            ].into_iter().flatten() {
                proptest::prop_assert!(found.t.is_finite() && found.dof >= 1.0 - 1e-9, "{found:?}");
                proptest::prop_assert!((0.0..=1.0).contains(&found.p), "{found:?}");
            }
        }
    }
}
