//! `compute ramp`: a sunrise or sunset as a time series.
//!
//! Columns: `time_s` or `time_min`; `illuminance_lx`; `melanopic_der` where
//! spectra were taken. Called by: compute.

use std::io::Write;

use photometry::ramp::{Dark, RampError, Record, Way, analyse};
use photometry::units::Span;

use super::Source;
use super::answer::Answer;
use super::arguments;
use super::columns::{Cells, Wanted};
use crate::cli::complaint::Complaint;

/// Computes and prints.
///
/// # Errors
/// When the file or an option cannot be used.
pub fn run(args: &arguments::Ramp, out: &mut impl Write) -> Result<(), Complaint> {
    let span = |option: &'static str, text: &str| {
        Span::parse(text).map_err(|why| Complaint::Option {
            option,
            reason: why.to_string(),
        })
    };
    let length = span("length", &args.length)?;
    let start = span("start", &args.start)?;
    let column = |name| Wanted {
        name,
        cells: Cells::Numbers,
    };
    let wanted = ["time_s", "time_min", "illuminance_lx", "melanopic_der"].map(column);
    let source = Source::read(&args.measured, &wanted)?;
    let seconds = source.columns.numbers("time_s");
    let minutes = source.columns.numbers("time_min");
    let time_s: Vec<f64> = match (seconds, minutes) {
        (Some(seconds), None) => seconds,
        (None, Some(minutes)) => minutes.iter().map(|minute| 60.0 * minute).collect(),
        _ => {
            let reason = "it needs one column of time_s, time_min";
            return Err(source.refused(None, reason));
        }
    };
    let e_lx = source.need("illuminance_lx")?;
    let der = source.columns.numbers("melanopic_der");
    let dark = Dark::of(&args.dark_lx, args.resolution_lx).ok_or_else(|| Complaint::Option {
        option: "dark-lx",
        reason: "the dark readings are no finite numbers".to_owned(),
    })?;
    let record = Record {
        time_s: &time_s,
        e_lx: &e_lx,
        dark,
        start_s: start.secs(),
        length_s: length.secs(),
        melanopic_der: der.as_deref(),
        way: if args.sunset {
            Way::Sunset
        } else {
            Way::Sunrise
        },
    };
    let found = analyse(&record).map_err(|error| source.refused(row_of(&error), error))?;
    let mut answer = Answer {
        figures: found.figures(),
        ..Answer::default()
    };
    if found.largest_step.is_some() {
        answer.caution("grades of steps are of one study in a lit room; they are no verdict");
    }
    answer.caution(
        "light at the measured plane; what reaches a sleeper passes the closed lid, and nothing \
         here advises a dose",
    );
    answer.print(out, &args.measured)
}

fn row_of(error: &RampError) -> Option<usize> {
    match error {
        RampError::NotFinite(row) | RampError::NotRising(row) => Some(*row),
        _ => None,
    }
}
