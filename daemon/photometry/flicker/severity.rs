//! Short-term light modulation (PstLM).
//!
//! IEC TR 61547-1, Annex A, whose blocks are those of IEC 61000-4-15: light
//! over its mean; high-pass 0.05 Hz, Butterworth low-pass of sixth order at
//! 35 Hz and eye-brain weighting; square and 0.3 s; percentiles of exceedance.
//! One is the limit of irritability for half of the observers.
//!
//! All filters are bilinear second-order sections, never polynomials of high
//! order: those are off by 10 % at 50 kS/s and overflow at 100 kS/s. Faster
//! records are first thinned to 2-4 kS/s by three running means, whose droop
//! is 0.05 % at 20 Hz and 0.15 % at 35 Hz. The scale follows from the
//! response of the chain itself at 8.8 Hz. Filters start at rest on the first
//! value's difference from the mean; the first 20 s are discarded.
//!
//! Used by: flicker.

use realfft::num_complex::Complex;

use super::waveform::{Capture, WaveformError, mean_light};

/// Seconds at the beginning that the filters need to settle.
pub const SETTLE_S: f64 = 20.0;
/// Seconds that the report asks to evaluate; a shorter record is marked.
pub const EVALUATED_S: f64 = 180.0;
/// Seconds of a whole record below which nothing is given.
pub const SECONDS_AT_LEAST: f64 = 30.0;
/// Rate at least, also after thinning.
pub const RATE_AT_LEAST_HZ: f64 = 2_000.0;
/// Amplitude of the calibrating sine at 8.8 Hz: 0.630 % peak to peak.
const CALIBRATION: f64 = 0.006_30 / 2.0;
/// Its frequency.
const CALIBRATION_HZ: f64 = 8.8;
/// Time constant of the smoothing.
const SMOOTHING_S: f64 = 0.300;
/// Points per second of the smoothed flicker that are sorted.
const SORTED_PER_S: f64 = 250.0;

/// What the chain gives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Severity {
    /// PstLM.
    pub pst_lm: f64,
    /// Largest instantaneous flicker after settling.
    pub largest: f64,
    /// Seconds evaluated.
    pub evaluated_s: f64,
}

/// A second-order section, direct form II transposed.
#[derive(Clone, Copy, Debug)]
struct Section {
    b: [f64; 3],
    a: [f64; 2],
    state: [f64; 2],
}

impl Section {
    /// From `(n0 s^2 + n1 s + n2) / (d0 s^2 + d1 s + d2)` by the bilinear
    /// transform, exact at `exact_hz`.
    fn bilinear(
        numerator: [f64; 3],
        denominator: [f64; 3],
        rate_hz: f64,
        exact_hz: f64,
    ) -> Section {
        let half_turn = std::f64::consts::PI * exact_hz / rate_hz;
        let k = if exact_hz > 0.0 {
            std::f64::consts::TAU * exact_hz / half_turn.tan()
        } else {
            2.0 * rate_hz
        };
        let digital = |[s2, s1, s0]: [f64; 3]| {
            [
                s2 * k * k + s1 * k + s0,
                2.0 * (s0 - s2 * k * k),
                s2 * k * k - s1 * k + s0,
            ]
        };
        let (b, a) = (digital(numerator), digital(denominator));
        Section {
            b: b.map(|value| value / a[0]),
            a: [a[1] / a[0], a[2] / a[0]],
            state: [0.0; 2],
        }
    }

    fn step(&mut self, input: f64) -> f64 {
        let output = self.b[0] * input + self.state[0];
        self.state[0] = self.b[1] * input - self.a[0] * output + self.state[1];
        self.state[1] = self.b[2] * input - self.a[1] * output;
        output
    }

    fn response(&self, hz: f64, rate_hz: f64) -> Complex<f64> {
        let delay = Complex::from_polar(1.0, -std::f64::consts::TAU * hz / rate_hz);
        let twice = delay * delay;
        (self.b[0] + delay * self.b[1] + twice * self.b[2])
            / (1.0 + delay * self.a[0] + twice * self.a[1])
    }
}

/// High-pass, low-pass and weighting at a rate.
fn sections(rate_hz: f64) -> [Section; 6] {
    let plain = |numerator, denominator| Section::bilinear(numerator, denominator, rate_hz, 0.0);
    let high_pass = std::f64::consts::TAU * 0.05;
    let cut = std::f64::consts::TAU * 35.0;
    let butterworth = |damping: f64| {
        Section::bilinear(
            [0.0, 0.0, cut * cut],
            [1.0, damping * cut, cut * cut],
            rate_hz,
            35.0,
        )
    };
    // The weighting of IEC 61000-4-15 for 230 V over the response of the
    // reference lamp, 3.57 / (0.02e-3 s^2 + 21.2e-3 s + 1): but for a factor,
    // which the calibration sets, equation A.5 of IEC TR 61547-1.
    let lambda = std::f64::consts::TAU * 4.059_81;
    let [w1, w2, w3, w4] =
        [9.154_94, 2.279_79, 1.225_35, 21.9].map(|hz| std::f64::consts::TAU * hz);
    [
        plain([0.0, 1.0, 0.0], [0.0, 1.0, high_pass]),
        butterworth(0.517_638),
        butterworth(std::f64::consts::SQRT_2),
        butterworth(1.931_852),
        plain([1.0, w2, 0.0], [1.0, 2.0 * lambda, w1 * w1]),
        plain(
            [1.0, 21.2e-3 / 0.02e-3, 1.0 / 0.02e-3],
            [1.0, w3 + w4, w3 * w4],
        ),
    ]
}

/// Square of the weighted light to instantaneous flicker.
fn smoothing(rate_hz: f64) -> Section {
    Section::bilinear([0.0, 0.0, 1.0], [0.0, SMOOTHING_S, 1.0], rate_hz, 0.0)
}

/// What makes the largest instantaneous flicker of the calibrating sine one.
fn scale(sections: &[Section; 6], smoothing: &Section, rate_hz: f64, thinned: f64) -> f64 {
    let chain: f64 = sections
        .iter()
        .map(|section| section.response(CALIBRATION_HZ, rate_hz).norm())
        .product();
    let ripple = smoothing.response(2.0 * CALIBRATION_HZ, rate_hz).norm();
    2.0 / ((CALIBRATION * chain * thinned).powi(2) * (1.0 + ripple))
}

/// Thins by a whole factor with three running means in a row: each new sample
/// is a weighted mean of three old ones' lengths.
fn thinned(samples: &[f64], factor: usize, less_mean: impl Fn(f64) -> f64) -> Vec<f64> {
    if factor < 2 {
        return samples.iter().map(|sample| less_mean(*sample)).collect();
    }
    let kernel = kernel(factor);
    let mut thin = Vec::with_capacity(samples.len() / factor);
    let mut start = 0;
    while let Some(part) = samples.get(start..start + kernel.len()) {
        // Four sums at once: one would wait for each addition.
        let mut sums = [0.0; 4];
        let (parts, weights) = (part.chunks_exact(4), kernel.chunks_exact(4));
        let rest = parts.remainder().iter().zip(weights.remainder());
        let end: f64 = rest.map(|(sample, weight)| sample * weight).sum();
        for (four, weights) in parts.zip(weights) {
            for at in 0..4 {
                sums[at] += four[at] * weights[at];
            }
        }
        thin.push(less_mean(sums.iter().sum::<f64>() + end));
        start += factor;
    }
    thin
}

/// Three running means of a length, convolved; its sum is one.
fn kernel(length: usize) -> Vec<f64> {
    let mean = vec![1.0 / length as f64; length];
    let convolved = |a: &[f64], b: &[f64]| {
        let mut sums = vec![0.0; a.len() + b.len() - 1];
        for (at, x) in a.iter().enumerate() {
            for (sum, y) in sums.iter_mut().skip(at).zip(b) {
                *sum += x * y;
            }
        }
        sums
    };
    convolved(&convolved(&mean, &mean), &mean)
}

/// Response of the thinning at a frequency.
fn thinning_response(factor: usize, hz: f64, rate_hz: f64) -> f64 {
    let half_turn = std::f64::consts::PI * hz / rate_hz;
    let length = factor as f64;
    ((length * half_turn).sin() / (length * half_turn.sin())).powi(3)
}

/// Instantaneous flicker after settling, and its rate.
fn instantaneous(capture: &Capture<'_>, mean: f64) -> (Vec<f64>, f64) {
    let rate_hz = capture.rate_hz;
    let factor = ((rate_hz / RATE_AT_LEAST_HZ) as usize).max(1);
    let dark = capture.dark;
    let thin = thinned(capture.samples, factor, |sample| {
        (sample - dark) / mean - 1.0
    });
    let thin_rate = rate_hz / factor as f64;
    let mut chain = sections(thin_rate);
    let mut smooth = smoothing(thin_rate);
    let through = if factor < 2 {
        1.0
    } else {
        thinning_response(factor, CALIBRATION_HZ, rate_hz)
    };
    let scale = scale(&chain, &smooth, thin_rate, through);
    let settled = (SETTLE_S * thin_rate).round() as usize;
    let mut flicker = Vec::with_capacity(thin.len().saturating_sub(settled));
    for (at, value) in thin.into_iter().enumerate() {
        let weighted = chain
            .iter_mut()
            .fold(value, |value, section| section.step(value));
        let now = smooth.step(scale * weighted * weighted);
        if at >= settled {
            flicker.push(now);
        }
    }
    (flicker, thin_rate)
}

/// Level that is exceeded this share of the time, linear between sorted
/// values; `descending` is not empty.
fn exceeded(descending: &[f64], percent: f64) -> f64 {
    let place = percent / 100.0 * (descending.len().saturating_sub(1)) as f64;
    let below = place as usize;
    let value = |at: usize| {
        descending
            .get(at)
            .or(descending.last())
            .copied()
            .unwrap_or(0.0)
    };
    value(below) + (place - below as f64) * (value(below + 1) - value(below))
}

/// PstLM of instantaneous flicker (IEC 61000-4-15, 5.7.2): smoothed percentiles
/// of exceedance. None without values.
pub fn from_instantaneous(flicker: &[f64]) -> Option<f64> {
    let mut sorted = flicker.to_vec();
    sorted.sort_unstable_by(|a, b| b.total_cmp(a));
    if sorted.is_empty() {
        return None;
    }
    let mean = |percents: &[f64]| {
        let levels = percents.iter().map(|percent| exceeded(&sorted, *percent));
        levels.sum::<f64>() / percents.len() as f64
    };
    let sum = 0.0314 * mean(&[0.1])
        + 0.0525 * mean(&[0.7, 1.0, 1.5])
        + 0.0657 * mean(&[2.2, 3.0, 4.0])
        + 0.28 * mean(&[6.0, 8.0, 10.0, 13.0, 17.0])
        + 0.08 * mean(&[30.0, 50.0, 80.0]);
    // The bilinear smoothing may ring a hair below zero.
    let pst = sum.max(0.0).sqrt();
    pst.is_finite().then_some(pst)
}

/// PstLM of a capture; none when it is too short or too slow.
///
/// # Errors
/// When the capture cannot be used.
pub fn of(capture: &Capture<'_>) -> Result<Option<Severity>, WaveformError> {
    if capture.seconds() < SECONDS_AT_LEAST || capture.rate_hz < RATE_AT_LEAST_HZ {
        return Ok(None);
    }
    capture.check()?;
    let (flicker, rate_hz) = instantaneous(capture, mean_light(capture)?);
    // Smoothed by 0.3 s, it is known from fewer points; the largest is not.
    let every = ((rate_hz / SORTED_PER_S) as usize).max(1);
    let picked: Vec<f64> = flicker.iter().step_by(every).copied().collect();
    Ok(from_instantaneous(&picked).map(|pst_lm| Severity {
        pst_lm,
        largest: flicker.iter().copied().fold(0.0, f64::max),
        evaluated_s: flicker.len() as f64 / rate_hz,
    }))
}
