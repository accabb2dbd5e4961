//! Orders of measurement in which drift cancels.
//!
//! ABBA takes out a linear drift exactly (the order of double substitution,
//! NISTIR 6969, SOP 4, from memory), ABBABAAB a quadratic one too. Used by:
//! comparisons of two settings, scripts.

/// A minus B from readings in the order A B B A; none when one is not finite.
pub fn abba([a, b, b_again, a_again]: [f64; 4]) -> Option<f64> {
    finite((a - b - b_again + a_again) / 2.0)
}

/// A minus B from readings in the order A B B A B A A B; none when one is not
/// finite.
pub fn abbabaab(readings: [f64; 8]) -> Option<f64> {
    const SIGNS: [f64; 8] = [1.0, -1.0, -1.0, 1.0, -1.0, 1.0, 1.0, -1.0];
    let terms = readings.iter().zip(SIGNS);
    finite(terms.map(|(reading, sign)| sign * reading).sum::<f64>() / 4.0)
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    proptest::proptest! {
        #[test]
        fn drift_cancels(
            a in -10.0..10.0_f64, b in -10.0..10.0_f64,
            linear in -1.0..1.0_f64, quadratic in -0.1..0.1_f64,
        ) {
            let at = |value: f64, place: usize, quadratic: f64| {
                let time = place as f64;
                value + linear * time + quadratic * time * time
            };
            let order = [a, b, b, a, b, a, a, b];
            let four = [0, 1, 2, 3].map(|place: usize| at(order[place], place, 0.0));
            let eight = [0, 1, 2, 3, 4, 5, 6, 7].map(|place: usize| at(order[place], place, quadratic));
            proptest::prop_assert!((abba(four).expect("a value") - (a - b)).abs() < 1e-12);
            proptest::prop_assert!((abbabaab(eight).expect("a value") - (a - b)).abs() < 1e-12);
        }
    }

    #[test]
    fn what_was_not_measured_gives_none() {
        assert_eq!(abba([1.0, f64::NAN, 1.0, 1.0]), None);
        assert_eq!(abbabaab([f64::INFINITY; 8]), None);
    }
}
