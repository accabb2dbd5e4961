//! Modulation below cut-off frequencies, after California's JA10.
//!
//! The record's DFT, everything above the cut-off set to zero, back, and the
//! percent equation over the whole record. A filtered pulse can dip below zero,
//! so that the figure exceeds 100 %: that is no error and is not clamped. What
//! lies exactly at the cut-off is kept.
//!
//! Used by: flicker.

use realfft::num_complex::Complex;

use super::lines::Transforms;
use super::waveform::{extremes, percent_of};

/// The five cut-offs in hertz.
pub const CUT_OFFS_HZ: [f64; 5] = [40.0, 90.0, 200.0, 400.0, 1_000.0];
/// Rate that the method asks for: one sample in 50 us at most.
pub const RATE_AT_LEAST_HZ: f64 = 20_000.0;
/// Record that it asks for, in seconds.
pub const SECONDS_AT_LEAST: f64 = 1.0;
/// A line within 2 % of a cut-off may be meant to be in or out.
const NEAR: f64 = 0.02;
/// Per cent that the transforms' rounding makes of nothing.
const ROUNDING: f64 = 1e-9;
/// Points per cycle of the cut-off at which the filtered record is looked at:
/// 0.12 % of an extreme may lie between two of them.
const POINTS_PER_CYCLE: f64 = 64.0;

/// Whether a frequency lies so near to a cut-off that the text is ambiguous.
pub(super) fn is_near(hz: f64, cut_off_hz: f64) -> bool {
    (hz / cut_off_hz - 1.0).abs() <= NEAR
}

/// Percent at each cut-off of a record of n samples with these bins; none when
/// a transform fails.
pub(super) fn percents(
    transforms: &mut Transforms,
    bins: &[Complex<f64>],
    n: usize,
    rate_hz: f64,
) -> Option<[f64; 5]> {
    let seconds = n as f64 / rate_hz;
    let mut percents = [0.0; 5];
    let mut kept = Vec::new();
    for (percent, cut_off) in percents.iter_mut().zip(CUT_OFFS_HZ) {
        let last = ((cut_off * seconds) * (1.0 + 1e-9)).floor() as usize;
        let last = last.min(bins.len().checked_sub(1)?);
        // Few bins need few points.
        let wanted = (POINTS_PER_CYCLE * cut_off * seconds).ceil() as usize;
        let points = wanted
            .next_power_of_two()
            .max(2 * last + 2)
            .min(n.max(2 * last + 2));
        kept.clear();
        kept.extend(bins.iter().take(last + 1).map(|bin| bin / n as f64));
        kept.resize(points / 2 + 1, Complex::default());
        if let Some(first) = kept.first_mut() {
            first.im = 0.0;
        }
        if points.is_multiple_of(2)
            && let Some(end) = kept.last_mut()
        {
            *end = Complex::new(end.re, 0.0);
        }
        let found = percent_of(extremes(transforms.back(&mut kept, points)?));
        *percent = if found.abs() < ROUNDING { 0.0 } else { found };
    }
    percents
        .iter()
        .all(|percent| percent.is_finite())
        .then_some(percents)
}
