//! Stroboscopic visibility measure (SVM).
//!
//! CIE TN 006:2016, equation (4), with the threshold of IEC TR 63158:2018: one
//! is just visible to an average observer. Lines from 1 to 2000 Hz count; the
//! threshold itself suppresses low ones.
//!
//! Used by: flicker.

use super::lines::Lines;

/// Lowest line that counts, in hertz.
const FROM_HZ: f64 = 1.0;
/// Highest line that counts, in hertz.
pub const TO_HZ: f64 = 2_000.0;
/// Exponent of the sum.
const EXPONENT: f64 = 3.7;
/// Record that is needed, in seconds.
pub const SECONDS_AT_LEAST: f64 = 1.0;
/// Rate that is needed: 2000 Hz must lie well below half of it.
pub const RATE_AT_LEAST_HZ: f64 = 4_000.0;

/// Amplitude over the mean at which a sine of this frequency is just visible.
pub fn threshold(hz: f64) -> f64 {
    1.0 / (1.0 + (-0.00518 * (hz - 306.6)).exp()) + 20.0 * (-hz / 10.0).exp()
}

/// SVM of lines at or above a frequency.
pub(super) fn from(lines: &Lines, from_hz: f64) -> f64 {
    let counted = lines
        .lines
        .iter()
        .filter(|line| (from_hz..=TO_HZ).contains(&line.hz));
    let sum: f64 = counted
        .map(|line| (line.share / threshold(line.hz)).powf(EXPONENT))
        .sum();
    sum.powf(1.0 / EXPONENT)
}

/// SVM.
pub(super) fn of(lines: &Lines) -> f64 {
    from(lines, FROM_HZ)
}
