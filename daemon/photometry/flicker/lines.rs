//! Lines of a waveform: Hann window, DFT, peaks with their frequencies and
//! amplitudes between the bins.
//!
//! A line must exceed six times the median bin (a false one about once in ten
//! million per ten thousand bins) and 0.02 % of the mean. Amplitude and place
//! come from the peak and its larger neighbour: taking the largest bin alone
//! loses up to 15 % under a Hann window. Side lobes of a stronger line are not
//! lines.
//!
//! Used by: every figure of flicker but PstLM.

use std::collections::HashMap;
use std::sync::Arc;

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

use super::waveform::DriftWeights;

/// A line must exceed this times the median bin.
const OVER_MEDIAN: f64 = 6.0;
/// A line must exceed this share of the mean.
pub const FLOOR: f64 = 2e-4;
/// Lines lie at least so many hertz apart (CIE TN 006:2016).
const APART_HZ: f64 = 1.0;
/// Lines lie at least so many bins apart.
const APART_BINS: f64 = 2.5;
/// A peak below this times the leakage of a stronger line is its side lobe.
const LOBE_SLACK: f64 = 2.0;
/// Bins from zero that the mean leaks into.
const FIRST_BIN: usize = 2;
/// Bins from which a median is taken at least, where there are more.
const MEDIAN_OF: usize = 10_000;
/// Lines kept at most.
const LINES_AT_MOST: usize = 1_000;
/// Lines at least this share of the strongest one make up the repetition.
const SIGNIFICANT: f64 = 0.05;
/// The lowest line may be this multiple of the repetition rate at most.
const DIVISOR_AT_MOST: u32 = 8;
/// The repetition must fit so often into the record to be called one.
const REPETITIONS_AT_LEAST: f64 = 5.0;

/// One line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Its frequency in hertz.
    pub hz: f64,
    /// Its amplitude over the mean light: 0.3 for a sine of 30 %.
    pub share: f64,
}

/// The lines of a record, strongest first.
#[derive(Clone, Debug, PartialEq)]
pub struct Lines {
    /// The lines.
    pub lines: Vec<Line>,
    /// What a line must exceed, as a share of the mean.
    pub floor: f64,
    /// Length of the record in seconds.
    pub seconds: f64,
}

impl Lines {
    /// The strongest one.
    pub fn dominant(&self) -> Option<Line> {
        self.lines.first().copied()
    }

    /// Rate at which the waveform repeats: the highest frequency of which all
    /// significant lines are multiples. None without lines or where they have
    /// none in common.
    pub fn fundamental_hz(&self) -> Option<f64> {
        let dominant = self.dominant()?;
        let significant: Vec<f64> = self
            .lines
            .iter()
            .filter(|line| line.share >= SIGNIFICANT * dominant.share)
            .map(|line| line.hz)
            .collect();
        let lowest = significant.iter().copied().fold(f64::INFINITY, f64::min);
        let slack = 0.5 / self.seconds;
        (1..=DIVISOR_AT_MOST)
            .map(|divisor| lowest / f64::from(divisor))
            .take_while(|rate| rate * self.seconds >= REPETITIONS_AT_LEAST || *rate == lowest)
            .find(|rate| {
                let mut all = significant.iter();
                all.all(|hz| (hz - (hz / rate).round() * rate).abs() <= slack)
            })
            // The strongest line knows its place best.
            .map(|rate| dominant.hz / (dominant.hz / rate).round().max(1.0))
    }

    /// Only the lines for which this is true.
    pub fn only(&self, keeps: impl Fn(&Line) -> bool) -> Lines {
        let lines = self.lines.iter().filter(|line| keeps(line));
        Lines {
            lines: lines.copied().collect(),
            ..*self
        }
    }

    /// Whether another record has this line too: within one bin, and of like
    /// strength.
    pub fn confirms(&self, line: &Line) -> bool {
        self.lines.iter().any(|other| {
            let ratio = other.share / line.share;
            (other.hz - line.hz).abs() <= 1.0 / self.seconds && (0.8..=1.25).contains(&ratio)
        })
    }
}

/// Transforms and what they need, kept from one waveform to the next: fresh
/// memory for a long record costs as much as its transform.
#[derive(Default)]
pub(super) struct Transforms {
    planner: Option<RealFftPlanner<f64>>,
    weights: HashMap<usize, Arc<DriftWeights>>,
    real: Vec<f64>,
    scratch: Vec<Complex<f64>>,
}

impl Transforms {
    /// The bins of a record as it is, into `bins`; false when it failed.
    pub fn forward(&mut self, light: &[f64], bins: &mut Vec<Complex<f64>>) -> bool {
        let planner = self.planner.get_or_insert_with(RealFftPlanner::new);
        let transform = planner.plan_fft_forward(light.len());
        self.real.clear();
        self.real.extend_from_slice(light);
        bins.resize(transform.complex_len(), Complex::default());
        let wanted = transform.get_scratch_len();
        self.scratch
            .resize(wanted.max(self.scratch.len()), Complex::default());
        let scratch = &mut self.scratch[..wanted];
        transform
            .process_with_scratch(&mut self.real, bins, scratch)
            .is_ok()
    }

    /// The record of so many points that these bins are of; none when it
    /// failed. The bins are used up.
    pub fn back(&mut self, bins: &mut [Complex<f64>], points: usize) -> Option<&[f64]> {
        let planner = self.planner.get_or_insert_with(RealFftPlanner::new);
        let transform = planner.plan_fft_inverse(points);
        self.real.resize(points, 0.0);
        let wanted = transform.get_scratch_len();
        self.scratch
            .resize(wanted.max(self.scratch.len()), Complex::default());
        let scratch = &mut self.scratch[..wanted];
        let done = transform.process_with_scratch(bins, &mut self.real, scratch);
        done.is_ok().then_some(&self.real[..])
    }

    /// The weights of a drift, for a length.
    pub fn weights(&mut self, n: usize) -> Arc<DriftWeights> {
        let made = self.weights.entry(n);
        Arc::clone(made.or_insert_with(|| Arc::new(DriftWeights::new(n))))
    }
}

/// The lines of a record of n samples whose plain bins these are.
///
/// A Hann window is one half less a quarter turn to either side, so that its
/// bins come from the plain ones: `W[k] = X[k]/2 - (X[k-1] + X[k+1])/4`.
pub(super) fn lines(bins: &[Complex<f64>], n: usize, rate_hz: f64) -> Lines {
    let seconds = n as f64 / rate_hz;
    let (Some(first), Some(second)) = (bins.first(), bins.get(1)) else {
        return none(seconds);
    };
    // The mean under the window: a part of a cycle at the end hardly counts. It
    // would move a plain mean by 2.6 % for pulses of 20 % in 30.2 cycles. The
    // sum of a Hann window is half its length.
    let weights = 0.5 * n as f64;
    let mean = (0.5 * first.re - 0.5 * second.re) / weights;
    // Light that is only at the ends of a record has no mean here.
    if mean <= 0.0 {
        return none(seconds);
    }
    // One line lies in two bins of opposite frequency.
    let to_amplitude = 2.0 / (weights * mean);
    // Squares are in the same order; roots are taken of peaks only.
    let mut powers = Vec::with_capacity(bins.len());
    // Beyond the last bin they come back as they were, turned about.
    let beyond = bins
        .len()
        .wrapping_sub(1 + usize::from(n.is_multiple_of(2)));
    let beyond = bins
        .get(beyond)
        .map_or_else(Complex::default, Complex::conj);
    // The mean is taken off; before the first bin stands the second, turned.
    let mut below = second.conj();
    let mut here = Complex::new(first.re - n as f64 * mean, 0.0);
    let above = bins.iter().skip(1).copied().chain([beyond]);
    for above in above {
        let windowed = here * 0.5 - (below + above) * 0.25;
        powers.push(windowed.norm_sqr());
        (below, here) = (here, above);
    }
    let floor = (OVER_MEDIAN * median(&powers).sqrt() * to_amplitude).max(FLOOR);
    let lines = peaks(&powers, to_amplitude, floor, seconds);
    Lines {
        lines,
        floor,
        seconds,
    }
}

/// No lines at all.
fn none(seconds: f64) -> Lines {
    Lines {
        lines: Vec::new(),
        floor: FLOOR,
        seconds,
    }
}

/// Median of the bins; of very many, every so manieth is enough.
fn median(powers: &[f64]) -> f64 {
    let every = (powers.len() / MEDIAN_OF).max(1);
    let mut sorted: Vec<f64> = powers.iter().step_by(every).copied().collect();
    let middle = sorted.len() / 2;
    if sorted.is_empty() {
        return 0.0;
    }
    // Squares are never negative: their bits are in the same order.
    *sorted
        .select_nth_unstable_by_key(middle, |power| power.to_bits())
        .1
}

/// A Hann window's response to a line `away` bins off, over that on the bin.
fn leakage(away: f64) -> f64 {
    let scale = away * (away * away - 1.0);
    if scale.abs() < 1e-9 {
        return 1.0;
    }
    1.0 / (std::f64::consts::PI * scale).abs()
}

/// Places in bins and shares of the local peaks above the floor.
fn local_peaks(powers: &[f64], to_amplitude: f64, floor: f64) -> Vec<(f64, f64)> {
    let mut found: Vec<(f64, f64)> = Vec::new();
    let least = (floor / to_amplitude) * (floor / to_amplitude);
    for (at, around) in powers.windows(3).enumerate() {
        let at = at + 1;
        let is_peak = around[1] > least && around[1] >= around[0] && around[1] > around[2];
        if at < FIRST_BIN || !is_peak {
            continue;
        }
        let share = |power: f64| power.sqrt() * to_amplitude;
        let (below, peak, above) = (share(around[0]), share(around[1]), share(around[2]));
        let neighbour = below.max(above);
        let ratio = neighbour / peak;
        let away = (2.0 * ratio - 1.0) / (ratio + 1.0);
        let away = away.clamp(0.0, 0.5);
        let pi_away = std::f64::consts::PI * away;
        let lost = if away < 1e-9 {
            1.0
        } else {
            pi_away * (1.0 - away * away) / pi_away.sin()
        };
        let side = if above >= below { away } else { -away };
        found.push((at as f64 + side, peak * lost));
    }
    found
}

fn peaks(powers: &[f64], to_amplitude: f64, floor: f64, seconds: f64) -> Vec<Line> {
    let mut found = local_peaks(powers, to_amplitude, floor);
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    let apart = APART_BINS.max(APART_HZ * seconds);
    let strongest = found.first().map_or(0.0, |(_, share)| *share);
    let mut lines = Vec::new();
    // Those kept so far by place: only near ones can hide another.
    let mut kept: Vec<(f64, f64)> = Vec::new();
    for (place, share) in found {
        // Beyond this even the strongest line leaks less than the share: its
        // leakage falls as the cube of the distance.
        let leaks = LOBE_SLACK * strongest / (std::f64::consts::PI * share);
        let reach = apart.max(1.0 + leaks.cbrt());
        let at = kept.partition_point(|(other, _)| *other < place);
        let hides = |(other, stronger): &(f64, f64)| {
            let away = (place - other).abs();
            away < apart || share < LOBE_SLACK * stronger * leakage(away)
        };
        let is_near = |(other, _): &&(f64, f64)| (place - other).abs() <= reach;
        let below = kept[..at].iter().rev().take_while(is_near);
        if below
            .chain(kept[at..].iter().take_while(is_near))
            .any(hides)
        {
            continue;
        }
        kept.insert(at, (place, share));
        lines.push(Line {
            hz: place / seconds,
            share,
        });
        if lines.len() >= LINES_AT_MOST {
            break;
        }
    }
    lines
}
