//! `readings`: the raw readings as rows, units in the names of the columns.
//!
//! A reading without a value has an empty value, its status, and the limit or
//! the reason; there are no magic numbers.
//!
//! Called by: main.

use std::io::Write;

use super::arguments::{self, Format, Which};
use super::client::Client;
use super::complaint::Complaint;
use super::format::{self, Cell, Grid};
use crate::web::wire::Reading;

/// The status of a reading that a person set aside; its value stands beside it.
const SET_ASIDE: &str = "set aside";

/// Prints a run's readings.
///
/// # Errors
/// No daemon, no such run, or output that cannot be written.
pub async fn run(
    client: &Client,
    args: &arguments::Readings,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let run = client.number(args.run.run).await?;
    let what = match args.what {
        Which::Results => "results",
        Which::All => "all",
    };
    let rows: Vec<Reading> = client
        .get(&format!("/runs/{run}/readings?what={what}"))
        .await?;
    let grid = match args.printed.format {
        Format::Table => short(&rows),
        _ => long(&rows).named("readings", &["run", "seq"]),
    };
    format::print(out, args.printed.format, &grid, &rows)
}

fn short(rows: &[Reading]) -> Grid {
    let mut grid = Grid::new([
        "seq",
        "test",
        "setting",
        "position_m",
        "what",
        "visit",
        "illuminance_lx",
        "status",
        "taken_utc",
        "key",
        "remarks",
    ]);
    for row in rows {
        let mut remarks = vec![row.flags.clone()];
        remarks.extend(row.reason.clone());
        remarks.extend(row.power_w.map(|power| format!("{power} W")));
        remarks.extend(row.temperature_c.map(|degrees| format!("{degrees} °C")));
        remarks.extend(row.limit_lx.map(|limit| format!("limit {limit} lx")));
        if !row.counts && row.status != SET_ASIDE {
            remarks.push("superseded".to_owned());
        }
        remarks.retain(|remark| !remark.is_empty());
        grid.row(vec![
            Cell::number(row.seq),
            Cell::text(&row.test),
            Cell::text(&row.setting),
            Cell::number(row.position_m),
            Cell::text(&row.what),
            Cell::number(row.visit),
            Cell::maybe_number(row.illuminance_lx),
            Cell::text(&row.status),
            Cell::text(&row.taken_utc),
            Cell::text(&row.key),
            Cell::text(remarks.join("; ")),
        ]);
    }
    grid
}

/// Every column, in the order of the fields of [`Reading`].
fn long(rows: &[Reading]) -> Grid {
    let mut grid = Grid::new([
        "run",
        "seq",
        "test",
        "setting",
        "position_m",
        "what",
        "visit",
        "attempt",
        "sitting",
        "counts",
        "status",
        "quantity",
        "illuminance_lx",
        "power_w",
        "temperature_c",
        "limit_lx",
        "reason",
        "range_lx",
        "flags",
        "taken_utc",
        "taken_us",
        "taken_mono_ns",
        "meter",
        "certificate",
        "calibration_due",
        "unit",
        "firmware",
        "origin",
        "raw",
        "key",
    ]);
    for row in rows {
        grid.row(vec![
            Cell::number(row.run),
            Cell::number(row.seq),
            Cell::text(&row.test),
            Cell::text(&row.setting),
            Cell::number(row.position_m),
            Cell::text(&row.what),
            Cell::number(row.visit),
            Cell::number(row.attempt),
            Cell::number(row.sitting),
            Cell::text(if row.counts { "true" } else { "false" }),
            Cell::text(&row.status),
            Cell::text(&row.quantity),
            Cell::maybe_number(row.illuminance_lx),
            Cell::maybe_number(row.power_w),
            Cell::maybe_number(row.temperature_c),
            Cell::maybe_number(row.limit_lx),
            Cell::maybe_text(row.reason.as_deref()),
            Cell::maybe_number(row.range_lx),
            Cell::text(&row.flags),
            Cell::text(&row.taken_utc),
            Cell::number(row.taken_us),
            Cell::number(row.taken_mono_ns),
            Cell::text(&row.meter),
            Cell::text(&row.certificate),
            Cell::text(&row.calibration_due),
            Cell::text(&row.unit),
            Cell::maybe_text(row.firmware.as_deref()),
            Cell::text(&row.origin),
            Cell::text(row.raw.escape_default().to_string()),
            Cell::text(&row.key),
        ]);
    }
    grid
}
