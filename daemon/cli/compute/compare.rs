//! `compute compare`: has a figure changed, and does it matter?
//!
//! Columns: `when` (`before` or `after`) and `value`, one row a run. Called by:
//! compute.

use std::io::Write;

use photometry::comparison::{CompareError, compare};
use photometry::data_figures;
use photometry::units::Ratio;

use super::Source;
use super::answer::Answer;
use super::arguments;
use super::columns::{Cells, Wanted};
use crate::cli::complaint::Complaint;

/// Computes and prints.
///
/// # Errors
/// When the file or the margin cannot be used.
pub fn run(args: &arguments::Compare, out: &mut impl Write) -> Result<(), Complaint> {
    let margin = Ratio::parse(&args.margin).map_err(|why| Complaint::Option {
        option: "margin",
        reason: why.to_string(),
    })?;
    let column = |name, cells| Wanted { name, cells };
    let wanted = [
        column("when", Cells::Words),
        column("value", Cells::Numbers),
    ];
    let source = Source::read(&args.measured, &wanted)?;
    let values = source.need("value")?;
    let when = source.columns.words("when").unwrap_or_default();
    if when.len() != values.len() {
        return Err(source.refused(None, "the column `when` is missing"));
    }
    let (mut before, mut after) = (Vec::new(), Vec::new());
    let mut mistakes = Vec::new();
    for (row, (when, value)) in when.iter().zip(&values).enumerate() {
        match when.as_str() {
            "before" => before.push(*value),
            "after" => after.push(*value),
            other => {
                let reason = format!("`{other}` is neither `before` nor `after`");
                mistakes.push((row + 1, reason));
            }
        }
        if *value <= 0.0 {
            mistakes.push((row + 1, "a value must be above zero".to_owned()));
        }
    }
    if !mistakes.is_empty() {
        return Err(source.refused_rows(mistakes));
    }
    let found = compare(&before, &after, margin.share()).map_err(|why| match why {
        CompareError::Margin => Complaint::Option {
            option: "margin",
            reason: why.to_string(),
        },
        _ => source.refused(None, why),
    })?;
    let mut answer = Answer {
        figures: data_figures::of_comparison(&found),
        ..Answer::default()
    };
    answer.caution("one row is one run from power-up: readings inside a run are not independent");
    answer.print(out, &args.measured)
}
