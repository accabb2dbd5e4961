//! Prints rows as a table for a person, as CSV (RFC 4180) or as JSON.
//!
//! Text cells of a CSV that a spreadsheet would take for a formula get a
//! leading apostrophe (CWE-1236); numbers are never altered. Decimals have a
//! dot in every locale.
//!
//! Called by: the reading commands. Not here: what the rows are.

use std::io::Write;

use comfy_table::{CellAlignment, Table, presets};
use serde::Serialize;

use super::arguments::Format;
use super::complaint::Complaint;
use super::terminal::printable;

/// One cell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cell {
    /// Nothing: not measured, not known, not applicable.
    Empty,
    /// Words.
    Text(String),
    /// A number, already written.
    Number(String),
}

impl Cell {
    /// Words.
    pub fn text(text: impl Into<String>) -> Cell {
        Cell::Text(text.into())
    }
    /// A number, in its shortest exact form.
    pub fn number(number: impl std::fmt::Display) -> Cell {
        Cell::Number(number.to_string())
    }
    /// Words, or nothing.
    pub fn maybe_text(text: Option<&str>) -> Cell {
        text.map_or(Cell::Empty, Cell::text)
    }
    /// A number, or nothing.
    pub fn maybe_number(number: Option<impl std::fmt::Display>) -> Cell {
        number.map_or(Cell::Empty, Cell::number)
    }
    fn shown(&self) -> String {
        match self {
            Cell::Empty => String::new(),
            Cell::Text(text) => printable(text),
            Cell::Number(number) => number.clone(),
        }
    }
    fn in_csv(&self) -> String {
        match self {
            Cell::Empty => String::new(),
            Cell::Text(text) => defused(text),
            Cell::Number(number) => number.clone(),
        }
    }
}

/// Text that no spreadsheet evaluates.
fn defused(text: &str) -> String {
    let text: String = text.chars().filter(|c| *c != '\0').collect();
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        format!("'{text}")
    } else {
        text
    }
}

/// Named columns and their rows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Grid {
    columns: Vec<String>,
    rows: Vec<Vec<Cell>>,
}

impl Grid {
    /// With these columns, without rows.
    pub fn new<C: Into<String>>(columns: impl IntoIterator<Item = C>) -> Grid {
        Grid {
            columns: columns.into_iter().map(Into::into).collect(),
            rows: Vec::new(),
        }
    }
    /// Adds a row; missing cells are empty.
    pub fn row(&mut self, row: Vec<Cell>) {
        self.rows.push(row);
    }
    /// As a table, numbers to the right.
    pub fn table(&self) -> String {
        let mut table = Table::new();
        table.load_style(presets::NOTHING);
        table.set_header(self.columns.iter().map(comfy_table::Cell::new));
        for row in &self.rows {
            table.add_row(row.iter().map(|cell| {
                let shown = comfy_table::Cell::new(cell.shown());
                match cell {
                    Cell::Number(_) => shown.set_alignment(CellAlignment::Right),
                    _ => shown,
                }
            }));
        }
        let lines: Vec<String> = table
            .to_string()
            .lines()
            .map(|line| {
                line.trim_end()
                    .strip_prefix(' ')
                    .unwrap_or(line.trim_end())
                    .to_owned()
            })
            .collect();
        lines.join("\n") + "\n"
    }
    /// As CSV with a header.
    ///
    /// # Errors
    /// Those of writing.
    pub fn write_csv(&self, out: impl Write) -> Result<(), std::io::Error> {
        let mut writer = csv::Writer::from_writer(out);
        writer
            .write_record(self.columns.iter().map(|name| defused(name)))
            .map_err(io_error)?;
        for row in &self.rows {
            let cells =
                (0..self.columns.len()).map(|at| row.get(at).map_or(String::new(), Cell::in_csv));
            writer.write_record(cells).map_err(io_error)?;
        }
        writer.flush()
    }
}

/// Prints rows in the form that was asked for: `grid` for table and CSV,
/// `data` for JSON.
///
/// # Errors
/// When the output cannot be written. A reader that has gone (`| head`) is no
/// error.
pub fn print(
    out: &mut impl Write,
    format: Format,
    grid: &Grid,
    data: &(impl Serialize + ?Sized),
) -> Result<(), Complaint> {
    let written = match format {
        Format::Table => out.write_all(grid.table().as_bytes()),
        Format::Csv => grid.write_csv(&mut *out),
        Format::Json => return json(out, data),
    };
    finished(written.and_then(|()| out.flush()))
}

/// Prints JSON, indented.
///
/// # Errors
/// As [`print`].
pub fn json(out: &mut impl Write, data: &(impl Serialize + ?Sized)) -> Result<(), Complaint> {
    let written = serde_json::to_writer_pretty(&mut *out, data)
        .map_err(std::io::Error::from)
        .and_then(|()| out.write_all(b"\n"));
    finished(written.and_then(|()| out.flush()))
}

/// Prints text.
///
/// # Errors
/// As [`print`].
pub fn say(out: &mut impl Write, text: &str) -> Result<(), Complaint> {
    finished(out.write_all(text.as_bytes()).and_then(|()| out.flush()))
}

/// The system's own error inside one of csv's: its conversion hides the kind,
/// and a reader that has gone would pass for a failure.
fn io_error(error: csv::Error) -> std::io::Error {
    match error.into_kind() {
        csv::ErrorKind::Io(error) => error,
        other => std::io::Error::other(format!("{other:?}")),
    }
}

fn finished(written: std::io::Result<()>) -> Result<(), Complaint> {
    match written {
        Err(source) if source.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Complaint::Output { source })
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A reader that has gone, as `| head` goes.
    struct Gone;

    impl Write for Gone {
        fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
            Err(std::io::ErrorKind::BrokenPipe.into())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Err(std::io::ErrorKind::BrokenPipe.into())
        }
    }

    #[test]
    fn a_reader_that_has_gone_is_no_error_in_any_form() {
        for format in [Format::Table, Format::Csv, Format::Json] {
            let grid = grid();
            assert!(
                print(&mut Gone, format, &grid, &["data"]).is_ok(),
                "{format:?}"
            );
        }
    }

    fn grid() -> Grid {
        let mut grid = Grid::new(["name", "position_m", "reason"]);
        grid.row(vec![
            Cell::text("=1+2"),
            Cell::number(-1.5),
            Cell::text("a, \"b\"\nc"),
        ]);
        grid.row(vec![Cell::text("@x"), Cell::number(0.1524), Cell::Empty]);
        grid.row(vec![Cell::text("knot\u{1b}[2J")]);
        grid
    }

    #[test]
    fn csv_is_quoted_and_defused_but_numbers_stay() {
        let mut out = Vec::new();
        grid().write_csv(&mut out).expect("written");
        insta::assert_snapshot!(String::from_utf8(out).expect("text"));
    }

    #[test]
    fn a_table_shows_control_characters_and_does_not_obey_them() {
        insta::assert_snapshot!(grid().table());
    }
}
