//! `survey`: lux against distance and level, the record of drift and warm-up,
//! and the chart.
//!
//! Called by: main, demo. Not here: computing and laying out any of it
//! (report, in the daemon).

use std::io::Write;
use std::path::{Path, PathBuf};

use super::arguments::{self, Format};
use super::client::Client;
use super::complaint::Complaint;
use super::format::{self, Grid};
use super::terminal::printable;
use crate::web::wire::SurveyAnswer;

/// Prints a run's survey, and writes its chart.
///
/// # Errors
/// No daemon, no such run, or a file that cannot be written.
pub async fn run(
    client: &Client,
    args: &arguments::Survey,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let run = client.number(args.run.run).await?;
    let answer: SurveyAnswer = client.get(&format!("/runs/{run}/survey")).await?;
    print(out, args.printed.format, &answer)?;
    if let Some(file) = &args.chart {
        for written in write_charts(file, &answer)? {
            eprintln!("chart: {}", written.display());
        }
    }
    Ok(())
}

/// Writes the chart of each test; where there are several, the test's name
/// goes into the file's.
///
/// # Errors
/// When a file cannot be written.
pub fn write_charts(file: &Path, answer: &SurveyAnswer) -> Result<Vec<PathBuf>, Complaint> {
    let mut written = Vec::new();
    for chart in &answer.charts {
        let path = match answer.charts.len() {
            1 => file.to_owned(),
            _ => with_test(file, &chart.test),
        };
        std::fs::write(&path, &chart.svg).map_err(|source| Complaint::CannotWrite {
            path: path.clone(),
            source,
        })?;
        written.push(path);
    }
    Ok(written)
}

/// `lux.svg` and `levels` to `lux-levels.svg`. A test's name is data: what is
/// no letter or digit becomes a hyphen, so it leads nowhere else.
fn with_test(file: &Path, test: &str) -> PathBuf {
    let plain = |c: char| if c.is_alphanumeric() { c } else { '-' };
    let test: String = test.chars().map(plain).collect();
    let stem = file.file_stem().unwrap_or_default().to_string_lossy();
    let ending = file.extension().unwrap_or("svg".as_ref()).to_string_lossy();
    file.with_file_name(format!("{stem}-{test}.{ending}"))
}

/// Prints a survey in the form that was asked for.
///
/// # Errors
/// When the output cannot be written.
pub fn print(out: &mut impl Write, form: Format, answer: &SurveyAnswer) -> Result<(), Complaint> {
    match form {
        Format::Table => format::say(out, &printable(&answer.table)),
        Format::Csv => format::say(out, &answer.csv),
        Format::Tsv | Format::Csvw => {
            let grid =
                Grid::of_csv(&answer.csv)?.named("survey", &["test", "setting", "position_m"]);
            format::print(out, form, &grid, &answer.survey)
        }
        Format::Json => format::json(out, &answer.survey),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_test_in_a_file_name_leads_nowhere_else() {
        let cases = [
            ("lux.svg", "levels", "lux-levels.svg"),
            ("out/lux", "half light", "out/lux-half-light.svg"),
            ("lux.svg", "../../etc/x", "lux-------etc-x.svg"),
        ];
        for (file, test, expected) in cases {
            assert_eq!(with_test(Path::new(file), test), Path::new(expected));
        }
    }
}
