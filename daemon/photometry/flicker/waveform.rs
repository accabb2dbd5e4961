//! A captured waveform, checked and freed of its dark reading.
//!
//! Used by: the flicker figures. Not here: capturing.

/// Samples at most: 200 s at 100 kS/s.
pub const SAMPLES_AT_MOST: usize = 20_000_000;
/// Samples at least.
pub const SAMPLES_AT_LEAST: usize = 64;
/// Drift over the record above which every metric is taken relative to the
/// fitted line, and flagged.
pub const DRIFT_AT_MOST: f64 = 0.002;
/// Share of samples at the converter's top code above which the record is
/// clipped.
const CLIPPED_FROM: f64 = 0.001;
/// Peak to peak in codes of the converter below which resolution is low.
const CODES_AT_LEAST: f64 = 16.0;

/// An analogue-to-digital converter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Converter {
    /// Bits, 1 to 32.
    pub bits: u32,
    /// What its full scale stands for, in the samples' unit.
    pub full_scale: f64,
}

impl Converter {
    /// One code in the samples' unit.
    pub fn code(self) -> f64 {
        self.full_scale / f64::from(2_u32).powi(self.bits as i32)
    }
    /// The top code in the samples' unit.
    fn top(self) -> f64 {
        self.full_scale - self.code()
    }
}

/// What was captured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Capture<'s> {
    /// Samples in equal steps of time, in volts or any unit that is
    /// proportional to light.
    pub samples: &'s [f64],
    /// Samples per second.
    pub rate_hz: f64,
    /// What the sensor gives in the dark, in the samples' unit.
    pub dark: f64,
    /// The converter, when it is known.
    pub converter: Option<Converter>,
    /// Where an analogue low-pass before the converter cuts, when there is one.
    pub filter_hz: Option<f64>,
}

/// Why a capture cannot be used.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum WaveformError {
    /// Too few samples to say anything.
    #[error("a waveform needs at least {SAMPLES_AT_LEAST} samples; there are {0}")]
    TooFew(usize),
    /// More than can be held.
    #[error("a waveform has at most {SAMPLES_AT_MOST} samples; there are {0}")]
    TooMany(usize),
    /// A sample that is no finite number.
    #[error("sample {0} is not a finite number")]
    NotFinite(usize),
    /// A rate that is none.
    #[error("the rate must lie between 1 and 100 million samples per second")]
    Rate,
    /// A dark reading or a converter that is none.
    #[error("{0} is not a usable number")]
    Setting(&'static str),
    /// The mean is not above the dark reading.
    #[error("there is no light: the mean is not above the dark reading")]
    NoLight,
}

impl<'s> Capture<'s> {
    /// Samples at a rate, nothing else known.
    pub fn new(samples: &'s [f64], rate_hz: f64) -> Capture<'s> {
        Capture {
            samples,
            rate_hz,
            dark: 0.0,
            converter: None,
            filter_hz: None,
        }
    }

    /// Length in seconds.
    pub fn seconds(&self) -> f64 {
        self.samples.len() as f64 / self.rate_hz
    }

    pub(super) fn check(&self) -> Result<(), WaveformError> {
        let n = self.samples.len();
        if n < SAMPLES_AT_LEAST {
            return Err(WaveformError::TooFew(n));
        }
        if n > SAMPLES_AT_MOST {
            return Err(WaveformError::TooMany(n));
        }
        // Zero times a finite number is zero, times any other none; the search
        // for which one it is takes longer.
        if sum_of(self.samples, |sample| sample * 0.0) != 0.0
            && let Some(at) = self.samples.iter().position(|sample| !sample.is_finite())
        {
            return Err(WaveformError::NotFinite(at + 1));
        }
        if !(1.0..=1e8).contains(&self.rate_hz) {
            return Err(WaveformError::Rate);
        }
        if !self.dark.is_finite() {
            return Err(WaveformError::Setting("the dark reading"));
        }
        let usable = |converter: Converter| {
            (1..=32).contains(&converter.bits)
                && converter.full_scale > 0.0
                && converter.full_scale.is_finite()
        };
        if !self.converter.is_none_or(usable) {
            return Err(WaveformError::Setting("the converter"));
        }
        if !self.filter_hz.is_none_or(|hz| hz > 0.0 && hz.is_finite()) {
            return Err(WaveformError::Setting("the filter"));
        }
        Ok(())
    }

    /// The first so many seconds.
    pub(super) fn first(&self, seconds: f64) -> Capture<'s> {
        let n = (seconds * self.rate_hz).ceil() as usize;
        Capture {
            samples: self.samples.get(..n).unwrap_or(self.samples),
            ..*self
        }
    }

    pub(super) fn is_clipped(&self) -> bool {
        let Some(converter) = self.converter else {
            return false;
        };
        let near_top = converter.top() - converter.code() / 2.0;
        let count = self
            .samples
            .iter()
            .filter(|sample| **sample >= near_top)
            .count();
        count as f64 > CLIPPED_FROM * self.samples.len() as f64
    }

    pub(super) fn has_low_resolution(&self) -> bool {
        self.converter.is_some_and(|converter| {
            let (least, most) = extremes(self.samples);
            most - least < CODES_AT_LEAST * converter.code()
        })
    }
}

/// Sums and extremes run in so many lanes: chains that a processor works on
/// side by side, which one running sum does not allow.
const LANES: usize = 8;

/// The sum of something of every value.
pub(super) fn sum_of(values: &[f64], of: impl Fn(f64) -> f64) -> f64 {
    let mut sums = [0.0; LANES];
    let (chunks, left) = values.as_chunks::<LANES>();
    for chunk in chunks {
        for lane in 0..LANES {
            sums[lane] += of(chunk[lane]);
        }
    }
    sums.iter().sum::<f64>() + left.iter().map(|value| of(*value)).sum::<f64>()
}

/// The sums of products with two kinds of weights.
fn weighed_sums(values: &[f64], weights: [&[f64]; 2]) -> [f64; 2] {
    let (values, values_left) = values.as_chunks::<LANES>();
    let [(first, first_left), (second, second_left)] = weights.map(|w| w.as_chunks::<LANES>());
    let (mut a, mut b) = ([0.0; LANES], [0.0; LANES]);
    for (values, (first, second)) in values.iter().zip(first.iter().zip(second)) {
        for lane in 0..LANES {
            a[lane] += values[lane] * first[lane];
            b[lane] += values[lane] * second[lane];
        }
    }
    let left = |weights: &[f64]| -> f64 {
        let parts = values_left.iter().zip(weights);
        parts.map(|(value, weight)| value * weight).sum()
    };
    [
        a.iter().sum::<f64>() + left(first_left),
        b.iter().sum::<f64>() + left(second_left),
    ]
}

/// Least and largest value.
pub(super) fn extremes(values: &[f64]) -> (f64, f64) {
    let less = |a: f64, b: f64| if b < a { b } else { a };
    let more = |a: f64, b: f64| if b > a { b } else { a };
    let (mut least, mut most) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
    let (chunks, left) = values.as_chunks::<LANES>();
    for chunk in chunks {
        for lane in 0..LANES {
            least[lane] = less(least[lane], chunk[lane]);
            most[lane] = more(most[lane], chunk[lane]);
        }
    }
    let left = left.iter().copied();
    (
        least
            .into_iter()
            .chain(left.clone())
            .fold(f64::INFINITY, less),
        most.into_iter().chain(left).fold(f64::NEG_INFINITY, more),
    )
}

/// (max - min) / (max + min) in per cent; not clamped: an over-subtracted dark
/// reading shows as more than 100 %.
pub(super) fn percent_of((least, most): (f64, f64)) -> f64 {
    100.0 * (most - least) / (most + least)
}

/// A waveform relative to its mean, with what was found in making it so.
pub(super) struct Relative {
    /// Light over mean light.
    pub light: Vec<f64>,
    /// Mean light in the samples' unit.
    pub mean: f64,
    /// Change over the record, over the mean, by a line fitted with Hann
    /// weights: a plain fit would see a slope in a clean sine.
    pub drift: f64,
    /// Level of that line in the middle.
    level: f64,
}

/// Mean light in the samples' unit.
///
/// # Errors
/// When there is none.
pub(super) fn mean_light(capture: &Capture<'_>) -> Result<f64, WaveformError> {
    let n = capture.samples.len() as f64;
    let rough = sum_of(capture.samples, |sample| sample) / n;
    let rest = sum_of(capture.samples, |sample| sample - rough) / n;
    let mean = rough + rest - capture.dark;
    if mean > 0.0 && mean.is_finite() {
        Ok(mean)
    } else {
        Err(WaveformError::NoLight)
    }
}

/// The weights of a drift, for records of one length: Hann's, and Hann's times
/// the distance from the middle.
pub(super) struct DriftWeights {
    hann: Vec<f64>,
    moment: Vec<f64>,
    hann_sum: f64,
    inertia: f64,
}

impl DriftWeights {
    /// For records of n samples.
    pub fn new(n: usize) -> DriftWeights {
        let turn = std::f64::consts::TAU / n as f64;
        let hann = |at: usize| 0.5 - 0.5 * (turn * at as f64).cos();
        // The window is symmetric about half its length.
        let away = |at: usize| at as f64 - n as f64 / 2.0;
        let moment = (0..n).map(|at| hann(at) * away(at)).collect();
        DriftWeights {
            hann: (0..n).map(hann).collect(),
            hann_sum: (0..n).map(hann).sum(),
            inertia: (0..n).map(|at| hann(at) * away(at) * away(at)).sum(),
            moment,
        }
    }
}

/// Light over its mean; the weights are for the record's length.
///
/// # Errors
/// When there is no light.
pub(super) fn relative(
    capture: &Capture<'_>,
    weights: &DriftWeights,
) -> Result<Relative, WaveformError> {
    let mean = mean_light(capture)?;
    let per_mean = 1.0 / mean;
    let over_mean = |sample: &f64| (sample - capture.dark) * per_mean;
    let light: Vec<f64> = capture.samples.iter().map(over_mean).collect();
    let n = light.len() as f64;
    let [weighed, moment] = weighed_sums(&light, [&weights.hann, &weights.moment]);
    // A mean so small that the light overflows is none.
    if !weighed.is_finite() || !moment.is_finite() {
        return Err(WaveformError::NoLight);
    }
    Ok(Relative {
        light,
        mean,
        drift: moment / weights.inertia * n,
        level: weighed / weights.hann_sum,
    })
}

impl Relative {
    /// Divided by the fitted line.
    pub fn levelled(&self) -> Vec<f64> {
        let n = self.light.len() as f64;
        let slope = self.drift / n;
        let placed = self.light.iter().enumerate();
        placed
            .map(|(at, value)| value / (self.level + slope * (at as f64 - n / 2.0)))
            .collect()
    }
}
