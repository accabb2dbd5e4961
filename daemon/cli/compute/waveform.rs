//! `compute waveform`: flicker of a captured waveform.
//!
//! Columns: `light`, in volts or any unit proportional to light, and `time_s`
//! where no rate is given. Called by: compute.

use std::io::Write;
use std::path::Path;

use photometry::flicker::{
    Analyser, Capture, Converter, Flag, Flicker, WaveformError, recommended,
};

use super::Source;
use super::answer::{Answer, Rows};
use super::arguments;
use super::columns::{Cells, Wanted};
use crate::cli::complaint::Complaint;

/// Lines that are printed.
const LINES_SHOWN: usize = 20;
/// A step of time may differ from the mean one by this share.
const STEP_SLACK: f64 = 0.01;

/// Computes and prints.
///
/// # Errors
/// When the file is not a waveform that can be used.
pub fn run(args: &arguments::Waveform, out: &mut impl Write) -> Result<(), Complaint> {
    let (source, light, rate_hz) = read(&args.measured.file, args.rate_hz)?;
    let second = match &args.second {
        Some(path) => Some(read(path, args.second_rate_hz)?),
        None => None,
    };
    let converter = args.bits.zip(args.full_scale);
    let capture = |samples, rate_hz| Capture {
        dark: args.dark,
        converter: converter.map(|(bits, full_scale)| Converter { bits, full_scale }),
        filter_hz: args.filter_hz,
        ..Capture::new(samples, rate_hz)
    };
    let first = capture(&light, rate_hz);
    let other = second
        .as_ref()
        .map(|(_, light, rate_hz)| capture(light, *rate_hz));
    let flicker = Analyser::new()
        .analyse(&first, other.as_ref())
        .map_err(|error| source.refused(row_of(&error), error))?;
    answer(&flicker).print(out, &args.measured)
}

fn read(path: &Path, rate_hz: Option<f64>) -> Result<(Source, Vec<f64>, f64), Complaint> {
    let column = |name| Wanted {
        name,
        cells: Cells::Numbers,
    };
    let source = Source::read_file(path, &[column("light"), column("time_s")])?;
    let light = source.need("light")?;
    let rate_hz = match (rate_hz, source.columns.numbers("time_s")) {
        (Some(rate_hz), _) => rate_hz,
        (None, Some(times)) => rate_of(&source, &times)?,
        (None, None) => {
            let reason = "it needs a column `time_s`, or --rate-hz";
            return Err(source.refused(None, reason));
        }
    };
    Ok((source, light, rate_hz))
}

/// Samples per second of equal steps of time.
fn rate_of(source: &Source, times: &[f64]) -> Result<f64, Complaint> {
    let (Some(first), Some(last)) = (times.first(), times.last()) else {
        return Err(source.refused(None, "there is no time"));
    };
    let step = (last - first) / (times.len().max(2) - 1) as f64;
    let is_steady = |pair: &[f64]| (pair[1] - pair[0] - step).abs() <= STEP_SLACK * step;
    let uneven = times.windows(2).position(|pair| !is_steady(pair));
    match uneven {
        Some(at) => Err(source.refused(
            Some(at + 2),
            "the times do not rise in equal steps; a waveform needs a steady rate",
        )),
        None => Ok(1.0 / step),
    }
}

fn row_of(error: &WaveformError) -> Option<usize> {
    match error {
        WaveformError::NotFinite(row) => Some(*row),
        _ => None,
    }
}

fn answer(flicker: &Flicker) -> Answer {
    let lines = flicker.lines.lines.iter().take(LINES_SHOWN).map(|line| {
        let percent = 100.0 * line.share;
        let class = recommended::class(line.hz, percent).word();
        vec![line.hz.into(), percent.into(), class.into()]
    });
    let mut answer = Answer {
        figures: flicker.figures(),
        ..Answer::default()
    };
    // Lines of which nothing may be believed are not shown either.
    if !flicker.has(Flag::AliasSuspected) && !flicker.has(Flag::Clipped) {
        answer.rows.push(Rows {
            about: "Lines, strongest first",
            columns: vec!["hz", "amplitude_percent", "ieee_1789_class"],
            rows: lines.collect(),
        });
    }
    let told = flicker.flags.iter().map(|flag| caution(*flag));
    told.for_each(|words| answer.caution(words));
    if !flicker.has(Flag::PhotosensitiveBand) {
        answer.caution(
            "photosensitive epilepsy: not assessed (luminance, solid angle and saturated red were \
             not measured)",
        );
    }
    answer.caution(
        "classes and limits are compared with, for this capture; they are recommended practice, \
         not a medical diagnosis",
    );
    answer
}

/// What a flag means, in words.
const fn caution(flag: Flag) -> &'static str {
    match flag {
        Flag::AliasUnchecked => {
            "no second rate and no filter is stated: lines may be folded down by sampling, and small \
             figures prove nothing"
        }
        Flag::AliasSuspected => {
            "the captures disagree on the strongest line: it may lie far above the sampling rate"
        }
        Flag::AliasLinesDropped => "lines that the second capture does not have were left out",
        Flag::Undersampled => "fewer than ten samples in a cycle: depth, index and duty are coarse",
        Flag::Drift => {
            "the light changed over the record: figures are relative to the fitted line, but for \
             raw extremes and JA10"
        }
        Flag::Clipped => "the converter clipped: nothing that rests on amplitudes is given",
        Flag::LowResolution => "peak to peak is below 16 codes of the converter",
        Flag::TooFewCycles => "fewer than ten cycles in the record",
        Flag::NoModulationDetected => {
            "no line stands above the noise; below 2 Hz that is no class of IEEE 1789"
        }
        Flag::PhotosensitiveBand => {
            "this light pulses between 3 and 70 Hz. Flashing in this range can trigger seizures in \
             people with photosensitive epilepsy, most of all at 15 to 20 per second: do not look \
             into it if you or your family have a history of seizures"
        }
        Flag::NearLimit => "the strongest line lies within 2 % of a frequency at which limits jump",
    }
}
