//! Quantiles and probabilities of the normal and Student's t distribution,
//! guarded: none where they have no meaning.
//!
//! The distributions are those of the library statrs, which lives only here.
//! Used by: uncertainty, decisions, comparisons, outliers, esd.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Degrees of freedom beyond which Student's t is the normal distribution to
/// all digits that matter here.
const AS_NORMAL_FROM: f64 = 1e7;
/// The largest t that is sought.
const T_AT_MOST: f64 = 1e100;
/// Halvings of an interval until it has the width of the last digit.
const HALVINGS: usize = 70;
/// Fewest degrees of freedom that are answered: samples give at least one, and
/// far below the library fails.
const DOF_AT_LEAST: f64 = 0.1;

/// Probability that a standard normal value is at most `z`.
pub fn normal_cdf(z: f64) -> Option<f64> {
    if z.is_nan() {
        return None;
    }
    Some(Normal::standard().cdf(z))
}

/// The z below which a share `p` of the standard normal distribution lies;
/// none unless 0 < p < 1.
pub fn normal_quantile(p: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0) {
        return None;
    }
    let z = Normal::standard().inverse_cdf(p);
    z.is_finite().then_some(z)
}

/// The t below which a share `p` of Student's distribution lies; none unless
/// 0 < p < 1 and there are at least 0.1 degrees of freedom.
pub fn t_quantile(p: f64, dof: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0 && dof >= DOF_AT_LEAST) {
        return None;
    }
    if dof >= AS_NORMAL_FROM {
        return normal_quantile(p);
    }
    // The smaller tail keeps its digits.
    let t = t_beyond(p.min(1.0 - p), dof)?;
    Some(if p < 0.5 { -t } else { t })
}

/// The t, not below 0, beyond which a share `tail` of Student's distribution
/// lies; none unless 0 < tail <= 0.5 and there are at least 0.1 degrees of
/// freedom. Asked by the tail, because 1 - 1e-17 is 1.
pub fn t_beyond(tail: f64, dof: f64) -> Option<f64> {
    if !(tail > 0.0 && tail <= 0.5 && dof >= DOF_AT_LEAST) {
        return None;
    }
    if dof >= AS_NORMAL_FROM {
        return normal_quantile(tail).map(|z| -z);
    }
    // Sought by halving: the library's own inverse fails at far tails.
    let mut high = 1.0;
    while t_above(high, dof)? > tail {
        high *= 2.0;
        if high > T_AT_MOST {
            return None;
        }
    }
    let mut low = 0.0;
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(low, high);
        if t_above(middle, dof)? > tail {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(f64::midpoint(low, high))
}

/// Probability of a t beyond `t` on its own side (one-sided, upper).
pub fn t_above(t: f64, dof: f64) -> Option<f64> {
    if t.is_nan() || dof.is_nan() || dof < DOF_AT_LEAST {
        return None;
    }
    if t.is_infinite() {
        return Some(if t > 0.0 { 0.0 } else { 1.0 });
    }
    if dof >= AS_NORMAL_FROM {
        return normal_cdf(-t);
    }
    // The far tail keeps its digits when it is asked from below.
    let p = StudentsT::new(0.0, 1.0, dof).ok()?.cdf(-t);
    p.is_finite().then_some(p)
}

/// Probability of a |t| at least as large (two-sided).
pub fn t_two_sided(t: f64, dof: f64) -> Option<f64> {
    t_above(t.abs(), dof).map(|p| (2.0 * p).min(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Student's t, two-sided 95 %: 12.706, 2.571, 2.262, 2.093, 1.960 (GUM,
    /// JCGM 100:2008, Table G.2, from memory).
    #[test]
    fn quantiles_are_those_of_the_tables() {
        let table = [
            (1.0, 12.706),
            (5.0, 2.571),
            (9.0, 2.262),
            (19.0, 2.093),
            (1e12, 1.960),
        ];
        for (dof, t) in table {
            let got = t_quantile(0.975, dof).expect("a quantile");
            assert!((got - t).abs() < 6e-4, "{dof}: {got}");
            let back = t_two_sided(got, dof).expect("a probability");
            assert!((back - 0.05).abs() < 1e-9, "{dof}: {back}");
        }
        assert!((normal_quantile(0.95).expect("z") - 1.644_854).abs() < 1e-6);
    }

    /// Computed with mpmath to 40 digits from the incomplete beta function.
    #[test]
    fn far_tails_keep_their_digits() {
        let quantiles = [
            (5e-14, 8.0, 101.391_191_336_326),
            (5e-19, 998.0, 9.013_050_702_455_01),
            (5e-26, 99_998.0, 10.489_079_774_947_2),
            (1e-32, 48.0, 29.511_838_252_163_8),
            (1e-300, 1e12, 37.047_096_299_361_2),
        ];
        for (tail, dof, t) in quantiles {
            let found = t_beyond(tail, dof).expect("a quantile");
            assert!((found / t - 1.0).abs() < 1e-12, "{tail} {dof}: {found}");
            assert_eq!(t_quantile(1.0 - tail, dof).is_some(), tail > 1e-16);
        }
        let tails = [
            (0.01, 1e5, 0.496_010_653_659_412),
            (3.0, 1e6, 0.001_349_931_270_710_9),
            (20.0, 100.0, 4.997_133_930_668_48e-37),
            (1e10, 3.0, 1.102_657_790_843_58e-30),
        ];
        for (t, dof, p) in tails {
            let found = t_above(t, dof).expect("a probability");
            assert!((found / p - 1.0).abs() < 1e-8, "{t} {dof}: {found}");
        }
    }

    #[test]
    fn what_has_no_meaning_gives_none() {
        let nan = f64::NAN;
        assert_eq!((normal_cdf(nan), normal_quantile(nan)), (None, None));
        assert_eq!((normal_quantile(0.0), normal_quantile(1.0)), (None, None));
        assert_eq!((t_quantile(0.9, 0.0), t_quantile(nan, 3.0)), (None, None));
        assert_eq!((t_above(nan, 3.0), t_above(1.0, nan)), (None, None));
        assert_eq!(t_above(f64::INFINITY, 3.0), Some(0.0));
        for tail in [0.0, 0.500_1, -0.1, nan] {
            assert_eq!(t_beyond(tail, 3.0), None);
        }
    }

    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig::with_cases(2_000))]
        #[test]
        fn no_number_panics(a in proptest::num::f64::ANY, b in proptest::num::f64::ANY) {
            let _ = (normal_cdf(a), normal_quantile(a), t_quantile(a, b), t_above(a, b));
            let _ = (t_quantile(0.975, b.abs()), t_two_sided(a, b.abs()), t_beyond(a, b.abs()));
        }

        #[test]
        fn a_quantile_and_its_probability_agree(p in 0.001..0.999_f64, dof in 0.5..500.0_f64) {
            let t = t_quantile(p, dof).expect("a quantile");
            let above = t_above(t, dof).expect("a probability");
            proptest::prop_assert!((above - (1.0 - p)).abs() < 1e-8, "{t} {above}");
        }
    }
}
