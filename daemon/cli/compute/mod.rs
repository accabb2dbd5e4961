//! `compute`: the trade's figures from a measured file; needs no daemon.
//!
//! ```text
//!  file ──► columns (CSV, JSON) ──► a topic ──► photometry ──► answer (table, csv, json)
//! ```
//!
//! Called by: run. Not here: the computations.

mod answer;
pub mod arguments;
mod budget;
mod columns;
mod compare;
mod distance;
mod json_columns;
mod ramp;
mod spectrum;
mod sphere;
mod stats;
mod waveform;

use std::io::Write;
use std::path::Path;

use arguments::{Measured, Topic};
use columns::{Columns, Entry, Wanted};

use super::complaint::Complaint;
use super::text_files;

/// Computes what was asked for.
///
/// # Errors
/// When the file cannot be read or computed with.
pub fn run(topic: &Topic, out: &mut impl Write) -> Result<(), Complaint> {
    match topic {
        Topic::Spectrum(args) => spectrum::run(args, out),
        Topic::Waveform(args) => waveform::run(args, out),
        Topic::Ramp(args) => ramp::run(args, out),
        Topic::Distance(args) => distance::run(args, out),
        Topic::Sphere(args) => sphere::run(args, out),
        Topic::Stats(args) => stats::run(args, out),
        Topic::Budget(args) => budget::run(args, out),
        Topic::Compare(args) => compare::run(args, out),
    }
}

/// A file that was read.
struct Source {
    name: String,
    text: String,
    columns: Columns,
}

impl Source {
    /// Reads a file and its columns; tells of columns that are not used.
    fn read(measured: &Measured, wanted: &[Wanted<'_>]) -> Result<Source, Complaint> {
        Source::read_file(&measured.file, wanted)
    }

    fn read_file(path: &Path, wanted: &[Wanted<'_>]) -> Result<Source, Complaint> {
        let read = text_files::read_data(path)?;
        let columns = columns::read(&read.name, &read.text, wanted)?;
        for name in &columns.not_used {
            let name = super::terminal::printable(name);
            eprintln!("{}: the column `{name}` is not used", read.name);
        }
        Ok(Source {
            name: read.name,
            text: read.text,
            columns,
        })
    }

    /// A column that must be there.
    fn need(&self, name: &str) -> Result<Vec<f64>, Complaint> {
        let column = self.columns.numbers(name);
        column.ok_or_else(|| self.refused(None, format!("the column `{name}` is missing")))
    }

    /// A column of readings that must be there.
    fn readings(&self, name: &str) -> Result<&[Entry], Complaint> {
        let column = self.columns.readings(name);
        column.ok_or_else(|| self.refused(None, format!("the column `{name}` is missing")))
    }

    /// The complaint about several rows (from 1) at once.
    fn refused_rows(&self, rows: Vec<(usize, String)>) -> Complaint {
        columns::refused_rows(&self.name, &self.text, rows)
    }

    /// The complaint about a row (from 1), or about the whole file.
    fn refused(&self, row: Option<usize>, reason: impl ToString) -> Complaint {
        Complaint::Measured {
            name: self.name.clone(),
            line: row.and_then(|row| columns::line_of(&self.text, row)),
            reason: reason.to_string(),
        }
    }
}
