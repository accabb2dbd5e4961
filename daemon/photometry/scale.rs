//! Units in which a computation neither overflows nor underflows.
//!
//! Squares of 1e200 are infinite and squares of 1e-200 are zero, though their
//! sum's root is neither. Numbers far from one are therefore divided by a power
//! of four before they are squared: the division is exact, and so is the root
//! of the power. Ordinary numbers are not touched, so that their results are
//! the same to the last bit. Used by: statistics, robust, outliers, uncertainty,
//! regression, comparison.

/// Exponents (of two) of numbers that are left as they are: their fourth
/// powers, summed, and the squares of their last digits are still numbers.
const ORDINARY: std::ops::RangeInclusive<i32> = -200..=200;
/// Exponent bias of an f64 (IEEE 754).
const BIAS: u32 = 1023;
/// Stored bits of an f64's fraction.
const FRACTION_BITS: u32 = 52;
/// Largest bit of the smallest number, 2^-1074, as an exponent.
const LEAST_EXPONENT: i32 = -1074;

/// The power of four near the largest magnitude, by which all are divided; one
/// when that is ordinary (2^-200 to 2^200), zero or not a finite number.
pub(crate) fn unit_for(values: impl IntoIterator<Item = f64>) -> f64 {
    let largest = values.into_iter().map(f64::abs).fold(0.0, f64::max);
    if largest == 0.0 || !largest.is_finite() {
        return 1.0;
    }
    let exponent = exponent_of(largest);
    if ORDINARY.contains(&exponent) {
        return 1.0;
    }
    // Even, and within the normal numbers: subnormal ones grow by 2^52 at least.
    let even = (exponent & !1).max(-1022);
    f64::from_bits(u64::from((even + BIAS as i32) as u32) << FRACTION_BITS)
}

/// A result brought back to the user's unit; none when it is no finite number
/// there, or too small to be told from zero though it is not.
pub(crate) fn brought_back(scaled: f64, unit: f64) -> Option<f64> {
    let value = scaled * unit;
    (value.is_finite() && (value != 0.0 || scaled == 0.0)).then_some(value)
}

/// Exponent of the largest power of two that is not above a finite number that
/// is above zero.
fn exponent_of(value: f64) -> i32 {
    let bits = value.to_bits();
    let stored = (bits >> FRACTION_BITS) as i32;
    if stored > 0 {
        return stored - BIAS as i32;
    }
    let highest = u64::BITS - 1 - bits.leading_zeros();
    LEAST_EXPONENT + highest as i32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ordinary_numbers_are_left_alone_and_others_come_near_one() {
        for ordinary in [0.0, 1.0, -250.0, 1e-50, 1e60, f64::NAN, f64::INFINITY] {
            assert_eq!(unit_for([ordinary]), 1.0, "{ordinary}");
        }
        for far in [1e-200, -1e200, f64::MAX, f64::MIN_POSITIVE, 1e-310, 5e-324] {
            let unit = unit_for([0.0, far]);
            assert_eq!(unit.sqrt() * unit.sqrt(), unit, "{far}: a square");
            assert_eq!(far / unit * unit, far, "exact");
            let least = if far.is_normal() { 0.99 } else { f64::EPSILON };
            assert!(
                (far / unit).abs() >= least && (far / unit).abs() < 4.0,
                "{far}"
            );
        }
        assert_eq!(brought_back(1e-10, 1e-320), None);
        assert_eq!(
            (brought_back(0.0, 1e-320), brought_back(4.0, f64::MAX)),
            (Some(0.0), None)
        );
    }
}
