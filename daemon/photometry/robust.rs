//! Location and spread that one wild value does not move.
//!
//! Median, scaled median absolute deviation, Huber's location with the scale
//! fixed at the MAD (k = 1.5, as in Venables and Ripley, *Modern Applied
//! Statistics with S*, 5.5). Used by: `compute stats`, reports.

use crate::scale::{brought_back, unit_for};

/// A MAD of normal data times this is their standard deviation.
pub const MAD_TO_SD: f64 = 1.4826;
/// Huber's bound in scaled MADs.
const HUBER_K: f64 = 1.5;
/// Relative change at which Huber's rounds end.
const HUBER_ENDS_AT: f64 = 1e-12;
/// Rounds at most; each is a contraction, so this is never needed.
const HUBER_ROUNDS_AT_MOST: usize = 1_000;

/// The middle value, or the mean of the two; none without values or when one is
/// not finite.
pub fn median(values: &[f64]) -> Option<f64> {
    if values.is_empty() || values.iter().any(|value| !value.is_finite()) {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let upper = sorted.len() / 2;
    let high = *sorted.get(upper)?;
    if sorted.len() % 2 == 1 {
        return Some(high);
    }
    let low = *sorted.get(upper.checked_sub(1)?)?;
    Some(f64::midpoint(low, high))
}

/// Median absolute deviation from the median times 1.4826; none as [`median`],
/// or when it is too large or too small for a number.
pub fn mad_scaled(values: &[f64]) -> Option<f64> {
    let unit = unit_for(values.iter().copied());
    let values: Vec<f64> = values.iter().map(|value| value / unit).collect();
    let middle = median(&values)?;
    let deviations: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
    median(&deviations).and_then(|mad| brought_back(MAD_TO_SD * mad, unit))
}

/// Huber's location: values farther than 1.5 scaled MADs count as if they lay
/// there. With a MAD of zero it is the median; none as [`median`].
pub fn huber(values: &[f64]) -> Option<f64> {
    // Near 1e308 the bounds would be infinite, and a bound that is none panics.
    let unit = unit_for(values.iter().copied());
    let values: Vec<f64> = values.iter().map(|value| value / unit).collect();
    let scale = mad_scaled(&values)?;
    let mut location = median(&values)?;
    let reach = HUBER_K * scale;
    let rounds = if scale > 0.0 { HUBER_ROUNDS_AT_MOST } else { 0 };
    for _ in 0..rounds {
        let pulled = values
            .iter()
            .map(|v| v.clamp(location - reach, location + reach));
        let next = location + pulled.map(|v| v - location).sum::<f64>() / values.len() as f64;
        let moved = (next - location).abs();
        location = next;
        if moved <= HUBER_ENDS_AT * scale {
            break;
        }
    }
    brought_back(location, unit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_wild_value_moves_little() {
        let calm = [1.0, 2.0, 3.0, 4.0, 5.0];
        let wild = [1.0, 2.0, 3.0, 4.0, 5e6];
        assert_eq!((median(&calm), median(&wild)), (Some(3.0), Some(3.0)));
        assert_eq!(mad_scaled(&calm), mad_scaled(&wild));
        assert!(huber(&wild).is_some_and(|location| location < 4.0));
        assert_eq!((median(&[]), huber(&[f64::NAN])), (None, None));
        assert_eq!(huber(&[2.0, 2.0, 2.0, 9.0]), Some(2.0));
    }

    #[test]
    fn values_at_the_end_of_the_numbers_are_met() {
        let ends = [f64::MAX, -f64::MAX, f64::MAX, -f64::MAX, 0.0];
        assert_eq!((median(&ends), huber(&ends)), (Some(0.0), Some(0.0)));
        assert_eq!(mad_scaled(&ends), None, "above f64::MAX");
        assert_eq!(huber(&[f64::MAX; 3]), Some(f64::MAX));
        assert_eq!(median(&[5e-324, 5e-324]), Some(5e-324));
        for unit in [1e-300, 1e300] {
            let values = [1.0, 2.0, 3.0, 4.0, 900.0].map(|v| v * unit);
            let found = huber(&values).expect("a location") / unit;
            let plain = huber(&[1.0, 2.0, 3.0, 4.0, 900.0]).expect("a location");
            assert!((found - plain).abs() < 1e-9, "{unit}: {found}");
        }
    }

    proptest::proptest! {
        #[test]
        fn they_follow_a_shift_and_a_unit(
            values in proptest::collection::vec(-100.0..100.0_f64, 1..40),
            shift in -10.0..10.0_f64,
            factor in 0.1..10.0_f64,
        ) {
            let changed: Vec<f64> = values.iter().map(|v| factor * v + shift).collect();
            for of in [median, huber] {
                let (plain, changed) = (of(&values).expect("a value"), of(&changed).expect("a value"));
                proptest::prop_assert!((factor * plain + shift - changed).abs() < 1e-6);
            }
            let (plain, changed) = (mad_scaled(&values).expect("mad"), mad_scaled(&changed).expect("mad"));
            proptest::prop_assert!((factor * plain - changed).abs() < 1e-9);
            let mut turned = values.clone();
            turned.reverse();
            proptest::prop_assert_eq!(median(&values), median(&turned));
        }

        #[test]
        fn no_values_panic(values in proptest::collection::vec(proptest::num::f64::ANY, 0..30)) {
            // A location lies among its values.
            let least = values.iter().copied().fold(f64::INFINITY, f64::min);
            let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let slack = 4.0 * f64::EPSILON * least.abs().max(most.abs());
            for found in [median(&values), huber(&values)].into_iter().flatten() {
                proptest::prop_assert!(least - slack <= found && found <= most + slack, "{found}");
            }
            if let Some(mad) = mad_scaled(&values) {
                proptest::prop_assert!(mad.is_finite() && mad >= 0.0);
            }
        }

        #[test]
        fn values_near_the_largest_number_do_not_panic(
            values in proptest::collection::vec(-f64::MAX..f64::MAX, 1..30),
        ) {
            let found = huber(&values).expect("a location");
            proptest::prop_assert!(found.is_finite() && median(&values).is_some());
        }
    }
}
