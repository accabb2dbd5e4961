//! `compute stats`: repeated readings of one quantity.
//!
//! Columns: `value`, or the one that `--column` names. Readings that are
//! missing, over or under range are counted and left out. Called by: compute.

use std::io::Write;

use photometry::data_figures;

use super::Source;
use super::answer::{Answer, Rows};
use super::arguments;
use super::columns::{Cells, Entry, Wanted};
use crate::cli::complaint::Complaint;

/// Computes and prints.
///
/// # Errors
/// When the file has no such column or no value in it.
pub fn run(args: &arguments::Stats, out: &mut impl Write) -> Result<(), Complaint> {
    let column = args.column.as_str();
    let wanted = [Wanted {
        name: column,
        cells: Cells::Readings,
    }];
    let source = Source::read(&args.measured, &wanted)?;
    let entries = source.readings(column)?;
    let values: Vec<f64> = entries.iter().filter_map(|entry| entry.value()).collect();
    if values.is_empty() {
        return Err(source.refused(None, format!("there is no value in `{column}`")));
    }
    let mut answer = Answer {
        figures: data_figures::of_values(&values),
        ..Answer::default()
    };
    let rows: Vec<usize> = (1..=entries.len())
        .filter(|row| {
            entries
                .get(row - 1)
                .is_some_and(|entry| entry.value().is_some())
        })
        .collect();
    let outliers = data_figures::outliers(&values);
    if !outliers.is_empty() {
        let shown = outliers.iter().filter_map(|at| {
            Some(vec![
                (*rows.get(*at)? as f64).into(),
                (*values.get(*at)?).into(),
            ])
        });
        answer.rows.push(Rows {
            about: "Values that lie far out",
            columns: vec!["row", "value"],
            rows: shown.collect(),
        });
        answer.caution(
            "values far out are flagged, not left out: only a person with a reason does that",
        );
    }
    left_out(entries, &mut answer);
    answer.print(out, &args.measured)
}

/// Says how many readings gave no value.
pub(super) fn left_out(entries: &[Entry], answer: &mut Answer) {
    let count = |of: fn(&Entry) -> bool| entries.iter().filter(|entry| of(entry)).count();
    let kinds = [
        ("missing", count(|entry| *entry == Entry::Missing)),
        ("over range", count(|entry| matches!(entry, Entry::Over(_)))),
        (
            "under range",
            count(|entry| matches!(entry, Entry::Under(_))),
        ),
    ];
    for (kind, count) in kinds.into_iter().filter(|(_, count)| *count > 0) {
        answer.caution(format!(
            "{count} of {} readings {kind}: left out, so the rest may be off to one side",
            entries.len()
        ));
    }
}
