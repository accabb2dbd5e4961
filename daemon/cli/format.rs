//! Prints rows as a table for a person, as CSV (RFC 4180), as lines with tabs
//! or as JSON, and tells what the columns of the CSV are.
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
    /// From a cell of a CSV.
    fn read(text: &str) -> Cell {
        match text {
            "" => Cell::Empty,
            _ if text.parse::<f64>().is_ok_and(f64::is_finite) => Cell::number(text),
            _ => Cell::text(text),
        }
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

/// Text on one line and without tabs, whatever it holds.
fn on_one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

/// Endings of column names, and the unit that each one states (UCUM's code).
const UNITS: [(&str, &str); 12] = [
    ("_lx", "lx"),
    ("_lm", "lm"),
    ("_cd", "cd"),
    ("_m", "m"),
    ("_mm", "mm"),
    ("_in", "[in_i]"),
    ("_s", "s"),
    ("_us", "us"),
    ("_ns", "ns"),
    ("_hz", "Hz"),
    ("_nm", "nm"),
    ("_percent", "%"),
];

/// The ending of a column that holds an instant.
const INSTANT: &str = "_utc";

/// Named columns and their rows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Grid {
    name: &'static str,
    keys: &'static [&'static str],
    columns: Vec<String>,
    rows: Vec<Vec<Cell>>,
}

impl Grid {
    /// With these columns, without rows.
    pub fn new<C: Into<String>>(columns: impl IntoIterator<Item = C>) -> Grid {
        Grid {
            name: "rows",
            keys: &[],
            columns: columns.into_iter().map(Into::into).collect(),
            rows: Vec::new(),
        }
    }
    /// With the name that its CSV file is expected to have, `.csv` added, and
    /// the columns that together tell its rows apart.
    pub fn named(mut self, name: &'static str, keys: &'static [&'static str]) -> Grid {
        self.name = name;
        self.keys = keys;
        self
    }
    /// Adds a row; missing cells are empty.
    pub fn row(&mut self, row: Vec<Cell>) {
        self.rows.push(row);
    }
    /// The rows of a CSV that is there already. A cell that reads as a number
    /// is one.
    ///
    /// # Errors
    /// When it is no CSV.
    pub fn of_csv(text: &str) -> Result<Grid, Complaint> {
        let not_understood = |error: csv::Error| Complaint::Answer {
            reason: error.to_string(),
        };
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let mut grid = Grid::new(reader.headers().map_err(not_understood)?);
        for record in reader.records() {
            let record = record.map_err(not_understood)?;
            grid.row(record.iter().map(Cell::read).collect());
        }
        Ok(grid)
    }
    /// One line a row, tabs between.
    pub fn tsv(&self) -> String {
        let mut text = self.columns.join("\t") + "\n";
        for row in &self.rows {
            let cells = (0..self.columns.len()).map(|at| {
                row.get(at)
                    .map_or(String::new(), |cell| on_one_line(&cell.shown()))
            });
            text.push_str(&cells.collect::<Vec<_>>().join("\t"));
            text.push('\n');
        }
        text
    }
    /// What the columns of its CSV are, as a table description of CSVW: the
    /// type as far as the rows tell, the unit as the column's name tells.
    fn described(&self) -> serde_json::Value {
        let columns = self.columns.iter().enumerate().map(|(at, name)| {
            let mut cells = self.rows.iter().filter_map(|row| row.get(at));
            let numbers = cells.any(|cell| matches!(cell, Cell::Number(_)));
            let datatype = match numbers {
                true => "number",
                false if name.ends_with(INSTANT) => "dateTime",
                false => "string",
            };
            let mut column = serde_json::json!({
                "name": name, "titles": name, "datatype": datatype, "null": "",
            });
            let unit = UNITS.iter().find(|(ending, _)| name.ends_with(ending));
            if let (Some((_, unit)), true) = (unit, numbers) {
                column["schema:unitCode"] = serde_json::json!(unit);
            }
            column
        });
        let mut schema = serde_json::json!({"columns": columns.collect::<Vec<_>>()});
        if !self.keys.is_empty() {
            schema["primaryKey"] = serde_json::json!(self.keys);
        }
        serde_json::json!({
            "@context": "http://www.w3.org/ns/csvw",
            "url": format!("{}.csv", self.name),
            "dialect": {"delimiter": ",", "header": true, "encoding": "utf-8"},
            "tableSchema": schema,
        })
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
        Format::Tsv => out.write_all(grid.tsv().as_bytes()),
        Format::Csvw => return json(out, &grid.described()),
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
        for format in [
            Format::Table,
            Format::Csv,
            Format::Tsv,
            Format::Json,
            Format::Csvw,
        ] {
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
    fn a_line_with_tabs_stays_one_line() {
        assert_eq!(
            grid().tsv(),
            "name\tposition_m\treason\n=1+2\t-1.5\ta, \"b\" c\n@x\t0.1524\t\n\
             knot\u{fffd}[2J\t\t\n"
        );
    }

    #[test]
    fn the_columns_are_described_with_type_and_unit() {
        let mut out = Vec::new();
        print(&mut out, Format::Csvw, &grid(), &["data"]).expect("written");
        let told: serde_json::Value = serde_json::from_slice(&out).expect("JSON");
        let columns = &told["tableSchema"]["columns"];
        assert_eq!(columns[0]["datatype"], "string");
        assert_eq!(columns[1]["datatype"], "number");
        assert_eq!(columns[1]["schema:unitCode"], "m");
        let read = Grid::of_csv("name,position_m\nknot,0.5\n,\n").expect("a CSV");
        assert_eq!(read.tsv(), "name\tposition_m\nknot\t0.5\n\t\n");
    }

    #[test]
    fn a_table_shows_control_characters_and_does_not_obey_them() {
        insta::assert_snapshot!(grid().table());
    }
}
