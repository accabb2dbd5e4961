//! `store check`: is the record still what was written?
//!
//! Called by: run. Not here: the looking through (the store does it).

use std::io::Write;

use super::arguments::StoreCheck;
use super::complaint::Complaint;
use super::data_dir::DataDir;
use super::format::{self, Cell, Grid};
use crate::service;

/// Looks the record through and tells run by run; also while a daemon writes.
///
/// # Errors
/// No record, or the first thing in it that is not as it was written.
pub async fn check(
    data: &DataDir,
    args: &StoreCheck,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let checked = service::check_record(data).await?;
    let mut grid =
        Grid::new(["run", "events", "remarks", "traffic", "found"]).named("checked-runs", &["run"]);
    for run in &checked.runs {
        grid.row(vec![
            Cell::number(run.run.0),
            Cell::number(run.events),
            Cell::number(run.remarks),
            Cell::number(run.traffic),
            Cell::text(run.bad.as_deref().unwrap_or("whole")),
        ]);
    }
    format::print(out, args.printed.format, &grid, &checked)?;
    match checked.first_bad() {
        None => Ok(()),
        Some(found) => Err(Complaint::RecordDamaged {
            path: data.database(),
            found,
        }),
    }
}
