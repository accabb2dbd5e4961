//! Temporal light modulation of a captured waveform: how deep, how fast, how
//! visible, and what must be said about the capture itself.
//!
//! ```text
//!  capture ─► light over mean ─► lines ─┬─► percent flicker, index, duty
//!            (drift taken out)          ├─► SVM
//!                                       ├─► classes of IEEE 1789
//!                                       └─► cautions
//!  capture ─► as it is ─► JA10 at five cut-offs, single extremes
//!  capture ─► PstLM (severity)
//! ```
//!
//! A capture alone cannot tell a line from one that was folded down by
//! sampling: without an analogue filter a second capture at another rate is
//! needed; lines that stay are real. What must not be believed is withheld.
//!
//! Used by: `compute waveform`, reports, scripts. Not here: capturing.

mod depth;
pub mod figures;
mod filtered;
pub mod limits;
pub mod lines;
pub mod recommended;
pub mod severity;
pub mod visibility;
mod waveform;

#[cfg(test)]
mod tests;

pub use filtered::CUT_OFFS_HZ;
pub use waveform::{Capture, Converter, SAMPLES_AT_MOST, WaveformError};

use realfft::num_complex::Complex;

use lines::{Line, Lines, Transforms};
use recommended::Classes;
use severity::Severity;
use waveform::{DRIFT_AT_MOST, extremes, percent_of, relative};

/// Seconds of a longer record that everything but PstLM looks at.
const LOOKED_AT_S: f64 = 20.0;
/// Cycles below which figures are marked and no drift is judged.
const CYCLES_AT_LEAST: f64 = 10.0;
/// Frequencies are trusted up to this share of the rate: ten samples a cycle.
const TRUSTED_OF_RATE: f64 = 0.1;
/// Lines between these frequencies can provoke seizures (IEEE 1789-2015, from
/// memory).
const PHOTOSENSITIVE_HZ: std::ops::RangeInclusive<f64> = 3.0..=70.0;
/// From this share of the mean on (own rule).
const PHOTOSENSITIVE_FROM: f64 = 0.05;
/// The variant of SVM without lines below 80 Hz is given where it differs by
/// more than this.
const VARIANT_FROM: f64 = 0.01;
/// The scope of SVM in NEMA 77 begins here.
const VARIANT_FROM_HZ: f64 = 80.0;

/// What must be said about a capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Flag {
    /// No second capture and no filter: lines may be folded ones.
    AliasUnchecked,
    /// The strongest line is not confirmed by the other capture.
    AliasSuspected,
    /// Lines that the other capture does not confirm were left out.
    AliasLinesDropped,
    /// The strongest line has fewer than ten samples a cycle.
    Undersampled,
    /// The light changed by more than 0.2 % over the record.
    Drift,
    /// More than 0.1 % of the samples are at the converter's top code.
    Clipped,
    /// Peak to peak is below 16 codes of the converter.
    LowResolution,
    /// Fewer than ten cycles.
    TooFewCycles,
    /// No line stands above the noise.
    NoModulationDetected,
    /// A line between 3 and 70 Hz of 5 % or more.
    PhotosensitiveBand,
    /// The strongest line lies within 2 % of an edge of the limits.
    NearLimit,
}

impl Flag {
    /// The word, as a mark of figures.
    pub const fn word(self) -> &'static str {
        match self {
            Flag::AliasUnchecked => "alias_unchecked",
            Flag::AliasSuspected => "alias_suspected",
            Flag::AliasLinesDropped => "alias_lines_dropped",
            Flag::Undersampled => "undersampled",
            Flag::Drift => "drift",
            Flag::Clipped => "clipped",
            Flag::LowResolution => "low_resolution",
            Flag::TooFewCycles => "too_few_cycles",
            Flag::NoModulationDetected => "no_modulation_detected",
            Flag::PhotosensitiveBand => "photosensitive_band",
            Flag::NearLimit => "near_limit",
        }
    }
}

/// What a capture says. What a flag forbids to believe stands here as it was
/// computed; [`Flicker::figures`] withholds it.
#[derive(Clone, Debug, PartialEq)]
pub struct Flicker {
    /// What must be said.
    pub flags: Vec<Flag>,
    /// The lines that count.
    pub lines: Lines,
    /// Rate of repetition in hertz.
    pub fundamental_hz: Option<f64>,
    /// Percent flicker of the mean cycle; of single extremes where the wave
    /// does not repeat.
    pub percent: f64,
    /// Percent flicker of single extremes of the record as captured: an upper
    /// bound.
    pub percent_raw: f64,
    /// Flicker index; none without a repetition.
    pub index: Option<f64>,
    /// Duty of a wave of two levels.
    pub duty: Option<f64>,
    /// SVM; none below 1 s or 4 kS/s.
    pub svm: Option<f64>,
    /// SVM without lines below 80 Hz, where it differs by more than 1 %.
    pub svm_from_80_hz: Option<f64>,
    /// Percent below the five cut-offs; none below 1 s or 20 kS/s.
    pub filtered: Option<[f64; 5]>,
    /// Cut-offs that a line lies so near to that the text is ambiguous.
    pub near_cut_off: [bool; 5],
    /// Classes of IEEE 1789.
    pub classes: Classes,
    /// PstLM; none below 30 s or 2 kS/s.
    pub severity: Option<Severity>,
    /// Change of the light over the record, over its mean.
    pub drift: f64,
    /// Half a code of the converter over the mean, in per cent: modulation
    /// below it cannot be seen.
    pub code_percent: Option<f64>,
}

impl Flicker {
    /// Whether something was said.
    pub fn has(&self, flag: Flag) -> bool {
        self.flags.contains(&flag)
    }
}

/// Analyses waveforms; keeps its transforms from one to the next.
#[derive(Default)]
pub struct Analyser {
    transforms: Transforms,
    bins: Vec<Complex<f64>>,
}

/// A record made ready.
struct Ready {
    light: Vec<f64>,
    lines: Lines,
    drift: f64,
    drifts: bool,
}

impl Analyser {
    /// A fresh one.
    pub fn new() -> Analyser {
        Analyser::default()
    }

    /// Everything that a capture says, with a second one at another rate where
    /// there is one. Of records longer than 20 s the first 20 s are looked at,
    /// but for PstLM.
    ///
    /// # Errors
    /// When a capture cannot be used.
    pub fn analyse(
        &mut self,
        capture: &Capture<'_>,
        second: Option<&Capture<'_>>,
    ) -> Result<Flicker, WaveformError> {
        capture.check()?;
        let looked_at = capture.first(LOOKED_AT_S);
        let n = looked_at.samples.len();
        let whole = relative(&looked_at, &self.transforms.weights(n))?;
        let (mean, percent_raw) = (whole.mean, percent_of(extremes(&whole.light)));
        let transformed = self.transforms.forward(&whole.light, &mut self.bins);
        let filtered = (transformed
            && looked_at.rate_hz >= filtered::RATE_AT_LEAST_HZ
            && looked_at.seconds() >= filtered::SECONDS_AT_LEAST)
            .then(|| filtered::percents(&mut self.transforms, &self.bins, n, looked_at.rate_hz))
            .flatten();
        let ready = self.ready(whole, looked_at.rate_hz);
        let mut flags = Vec::new();
        let lines = match second {
            Some(second) => {
                second.check()?;
                let second = second.first(LOOKED_AT_S);
                let weights = self.transforms.weights(second.samples.len());
                let other = relative(&second, &weights)?;
                self.transforms.forward(&other.light, &mut self.bins);
                let other = self.ready(other, second.rate_hz);
                confirmed(&ready.lines, &other.lines, &mut flags)
            }
            None => {
                if capture
                    .filter_hz
                    .is_none_or(|hz| hz > capture.rate_hz / 2.0)
                {
                    flags.push(Flag::AliasUnchecked);
                }
                ready.lines.clone()
            }
        };
        judge(&looked_at, &ready, &lines, &mut flags);
        let mut flicker = measure(&looked_at, &ready, lines);
        flicker.percent_raw = percent_raw;
        flicker.filtered = filtered;
        flicker.severity = severity::of(capture)?;
        let code = capture.converter.map(|converter| converter.code());
        flicker.code_percent = code.map(|code| 50.0 * code / mean);
        if flicker.classes.near_edge {
            flags.push(Flag::NearLimit);
        }
        flags.sort_unstable();
        flicker.flags = flags;
        Ok(flicker)
    }

    /// Light with its drift taken out where there is one, and its lines; the
    /// bins are those of the light as it is.
    fn ready(&mut self, whole: waveform::Relative, rate_hz: f64) -> Ready {
        let (n, drift) = (whole.light.len(), whole.drift);
        let as_it_is = lines::lines(&self.bins, n, rate_hz);
        if drift.abs() > DRIFT_AT_MOST {
            let light = whole.levelled();
            self.transforms.forward(&light, &mut self.bins);
            let lines = lines::lines(&self.bins, n, rate_hz);
            // A part of a cycle looks like a drift.
            let few = lines
                .dominant()
                .is_some_and(|line| line.hz * lines.seconds < CYCLES_AT_LEAST);
            if !few {
                return Ready {
                    light,
                    lines,
                    drift,
                    drifts: true,
                };
            }
        }
        Ready {
            light: whole.light,
            lines: as_it_is,
            drift,
            drifts: false,
        }
    }
}

/// The lines that both captures have.
fn confirmed(lines: &Lines, other: &Lines, flags: &mut Vec<Flag>) -> Lines {
    let kept = lines.only(|line| other.confirms(line));
    match (lines.dominant(), other.dominant()) {
        (None, None) => {}
        (None, Some(_)) | (Some(_), None) => flags.push(Flag::AliasSuspected),
        (Some(dominant), Some(_)) if !other.confirms(&dominant) => {
            flags.push(Flag::AliasSuspected);
        }
        _ if kept.lines.len() < lines.lines.len() => flags.push(Flag::AliasLinesDropped),
        _ => {}
    }
    if flags.contains(&Flag::AliasSuspected) {
        return lines.clone();
    }
    kept
}

/// What must be said about a record.
fn judge(capture: &Capture<'_>, ready: &Ready, lines: &Lines, flags: &mut Vec<Flag>) {
    let mut raise = |holds: bool, flag: Flag| {
        if holds {
            flags.push(flag);
        }
    };
    let dominant = lines.dominant();
    let cycles = |line: Line| line.hz * lines.seconds;
    raise(ready.drifts, Flag::Drift);
    raise(capture.is_clipped(), Flag::Clipped);
    raise(capture.has_low_resolution(), Flag::LowResolution);
    raise(dominant.is_none(), Flag::NoModulationDetected);
    let few = dominant.is_some_and(|line| cycles(line) < CYCLES_AT_LEAST);
    raise(few, Flag::TooFewCycles);
    let trusted = TRUSTED_OF_RATE * capture.rate_hz;
    let fast = dominant.is_some_and(|line| line.hz > trusted);
    raise(fast, Flag::Undersampled);
    let provokes =
        |line: &Line| PHOTOSENSITIVE_HZ.contains(&line.hz) && line.share >= PHOTOSENSITIVE_FROM;
    raise(lines.lines.iter().any(provokes), Flag::PhotosensitiveBand);
}

/// The metrics of a record.
fn measure(capture: &Capture<'_>, ready: &Ready, lines: Lines) -> Flicker {
    let rate_hz = capture.rate_hz;
    let fundamental_hz = lines.fundamental_hz();
    let light = &ready.light;
    let percent = fundamental_hz.map_or_else(
        || percent_of(extremes(light)),
        |hz| depth::percent_folded(light, rate_hz, hz),
    );
    let seen = capture.seconds() >= visibility::SECONDS_AT_LEAST
        && rate_hz >= visibility::RATE_AT_LEAST_HZ;
    let svm = seen.then(|| visibility::of(&lines));
    let variant = svm.map(|_| visibility::from(&lines, VARIANT_FROM_HZ));
    let differs = |variant: f64| svm.is_some_and(|svm| (variant - svm).abs() > VARIANT_FROM * svm);
    Flicker {
        flags: Vec::new(),
        fundamental_hz,
        percent,
        percent_raw: percent,
        index: fundamental_hz.map(|hz| depth::index(light, rate_hz, hz)),
        duty: fundamental_hz.and_then(|hz| depth::duty(light, rate_hz, hz)),
        svm,
        svm_from_80_hz: variant.filter(|variant| differs(*variant)),
        filtered: None,
        near_cut_off: CUT_OFFS_HZ.map(|cut| {
            lines
                .lines
                .iter()
                .any(|line| filtered::is_near(line.hz, cut))
        }),
        classes: recommended::of(&lines, percent, fundamental_hz),
        severity: None,
        drift: ready.drift,
        code_percent: None,
        lines,
    }
}
