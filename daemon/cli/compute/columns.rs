//! Named columns of numbers out of a measured file: CSV or JSON.
//!
//! CSV has a header with the columns' names (units in the names), commas or
//! semicolons between cells, `#` before comment lines. Where semicolons
//! separate, a decimal comma is understood. JSON is an object of columns
//! (`{"wavelength_nm": [...], ...}`). A cell may be empty (nothing was
//! measured), `>20000` (over range) or `<0.01` (under range); none of these is
//! ever zero.
//!
//! Every mistake is told at once, with line and column. Called by: the topics of `compute`. Not here: what columns mean.

use std::sync::Arc;

use written::place::{Place, Sources};
use written::{Mistake, Mistakes, Severity, nearest, render};

use crate::cli::complaint::Complaint;

/// The most rows that are read.
const ROWS_AT_MOST: usize = 20_000_000;
/// The most columns that a file may have.
const COLUMNS_AT_MOST: usize = 1_000;
/// The longest cell that a message repeats.
const CELL_SHOWN_AT_MOST: usize = 40;

/// A column that a topic understands.
#[derive(Clone, Copy, Debug)]
pub struct Wanted<'n> {
    /// Its name, unit included.
    pub name: &'n str,
    /// What its cells are.
    pub cells: Cells,
}

/// What the cells of a column are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cells {
    /// A finite number in each.
    Numbers,
    /// A finite number, or none: empty, over or under range.
    Readings,
    /// Words.
    Words,
}

/// One cell of numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Entry {
    /// A finite number.
    Value(f64),
    /// Above this.
    Over(f64),
    /// Below this.
    Under(f64),
    /// Nothing was measured.
    Missing,
}

impl Entry {
    /// The number, if there is one.
    pub fn value(self) -> Option<f64> {
        match self {
            Entry::Value(value) => Some(value),
            Entry::Over(_) | Entry::Under(_) | Entry::Missing => None,
        }
    }
}

/// One column.
#[derive(Clone, Debug, PartialEq)]
pub enum Column {
    /// Numbers.
    Numbers(Vec<Entry>),
    /// Words.
    Words(Vec<String>),
}

/// A file's columns, all of the same length.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Columns {
    rows: usize,
    columns: Vec<(String, Column)>,
    /// Names of columns that no one asked for.
    pub not_used: Vec<String>,
}

impl Columns {
    /// A column of readings; none when the file does not have it.
    pub fn readings(&self, name: &str) -> Option<&[Entry]> {
        self.columns.iter().find_map(|(own, column)| match column {
            Column::Numbers(entries) if *own == name => Some(entries.as_slice()),
            _ => None,
        })
    }

    /// A column of numbers; none when the file does not have it.
    pub fn numbers(&self, name: &str) -> Option<Vec<f64>> {
        let entries = self.readings(name)?;
        Some(entries.iter().filter_map(|entry| entry.value()).collect())
    }

    /// A column of words; none when the file does not have it.
    pub fn words(&self, name: &str) -> Option<&[String]> {
        self.columns.iter().find_map(|(own, column)| match column {
            Column::Words(words) if *own == name => Some(words.as_slice()),
            _ => None,
        })
    }

    fn of(name: &str, cells: Cells) -> (String, Column) {
        let column = match cells {
            Cells::Words => Column::Words(Vec::new()),
            Cells::Numbers | Cells::Readings => Column::Numbers(Vec::new()),
        };
        (name.to_owned(), column)
    }
}

/// Reads a file's columns; which form it has shows in its first character.
///
/// # Errors
/// All its mistakes; a JSON that is none ends where it breaks.
pub fn read(file: &str, text: &str, wanted: &[Wanted<'_>]) -> Result<Columns, Complaint> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut mistakes = Mistakes::new();
    let file: Arc<str> = Arc::from(file);
    let columns = if text.trim_start().starts_with('{') {
        super::json_columns::read(&file, text, wanted, &mut mistakes)
    } else {
        read_csv(&file, text, wanted, &mut mistakes)
    };
    if mistakes.refuses() {
        Err(complaint(&file, text, mistakes))
    } else {
        Ok(columns)
    }
}

fn complaint(file: &Arc<str>, text: &str, mistakes: Mistakes) -> Complaint {
    let mut sources = Sources::new();
    sources.add(file, text);
    let mistakes = mistakes.into_sorted();
    let count = mistakes.iter().filter(|m| m.severity == Severity::Mistake);
    Complaint::Mistakes {
        count: count.count(),
        shown: render(&mistakes, &sources, false),
    }
}

/// The complaint about what rows (from 1) mean, all of them at once.
pub(super) fn refused_rows(file: &str, text: &str, rows: Vec<(usize, String)>) -> Complaint {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let file: Arc<str> = Arc::from(file);
    let mut mistakes = Mistakes::new();
    for (row, message) in rows {
        let mistake = match line_of(text, row) {
            Some(line) => {
                let place = place_of(&file, text, delimiter_of(text), line, 0);
                Mistake::new(place, "row", message)
            }
            // A JSON has columns, not rows.
            None => {
                let place = Place {
                    file: Arc::clone(&file),
                    line: 1,
                    column: 1,
                    end_column: 1,
                };
                Mistake::new(place, "row", format!("item {row}: {message}"))
            }
        };
        mistakes.add(mistake);
    }
    complaint(&file, text, mistakes)
}

fn read_csv(
    file: &Arc<str>,
    text: &str,
    wanted: &[Wanted<'_>],
    mistakes: &mut Mistakes,
) -> Columns {
    let delimiter = delimiter_of(text);
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .comment(Some(b'#'))
        .has_headers(false)
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let mut record = csv::StringRecord::new();
    let at = |line: u64, cell: usize| place_of(file, text, delimiter, line, cell);
    if !matches!(reader.read_record(&mut record), Ok(true)) {
        let message = "there is no header: the first line must name the columns";
        mistakes.add(Mistake::new(at(1, 0), "no-header", message).hint(names(wanted)));
        return Columns::default();
    }
    let line = record.position().map_or(1, csv::Position::line);
    let header: Vec<&str> = record.iter().collect();
    let (mut columns, order) = header_of(&header, wanted, mistakes, |cell| at(line, cell));
    let mut slots: Vec<(String, Column)> = order
        .iter()
        .flatten()
        .map(|wanted| Columns::of(wanted.name, wanted.cells))
        .collect();
    let decimal_comma = delimiter == b';';
    while let Ok(true) = reader.read_record(&mut record) {
        let line = record.position().map_or(0, csv::Position::line);
        if columns.rows >= ROWS_AT_MOST {
            let message = format!("there are more than {ROWS_AT_MOST} rows");
            mistakes.add(Mistake::new(at(line, 0), "too-long", message));
            break;
        }
        if record.len() != order.len() {
            let message = format!(
                "the row has {} cells, the header {}",
                record.len(),
                order.len()
            );
            mistakes.add(Mistake::new(at(line, 0), "cells", message));
            continue;
        }
        columns.rows += 1;
        let cells = order.iter().zip(&record).enumerate();
        let used = cells.filter_map(|(index, (wanted, cell))| Some((index, (*wanted)?, cell)));
        for ((index, wanted, cell), (_, column)) in used.zip(&mut slots) {
            let entry = match column {
                Column::Words(words) => {
                    words.push(cell.to_owned());
                    continue;
                }
                Column::Numbers(entries) => {
                    entry_of(cell, wanted.cells, decimal_comma).map(|entry| entries.push(entry))
                }
            };
            if let Err(message) = entry {
                mistakes.add(Mistake::new(at(line, index), "no-number", message));
            }
        }
    }
    if columns.rows == 0 && !mistakes.refuses() {
        mistakes.add(Mistake::new(
            at(line, 0),
            "no-rows",
            "there is no row below the header",
        ));
    }
    columns.columns = slots;
    columns
}

/// What each column of the header is; names that nobody knows are kept apart,
/// and refused where they look like a slip.
pub(super) fn header_of<'w>(
    header: &[&str],
    wanted: &'w [Wanted<'w>],
    mistakes: &mut Mistakes,
    at: impl Fn(usize) -> Place,
) -> (Columns, Vec<Option<&'w Wanted<'w>>>) {
    let mut columns = Columns::default();
    let mut order: Vec<Option<&Wanted<'_>>> = Vec::new();
    if header.len() > COLUMNS_AT_MOST {
        let message = format!("there are more than {COLUMNS_AT_MOST} columns");
        mistakes.add(Mistake::new(at(0), "too-wide", message));
        return (columns, order);
    }
    for (index, name) in header.iter().enumerate() {
        let known = wanted.iter().find(|wanted| wanted.name == *name);
        let twice =
            known.is_some_and(|known| order.iter().flatten().any(|other| other.name == known.name));
        if twice {
            let message = format!("the column `{name}` stands there twice");
            mistakes.add(Mistake::new(at(index), "column-twice", message));
        }
        let slip = nearest(name, wanted.iter().map(|wanted| wanted.name));
        match (known, slip) {
            (None, Some(near)) => {
                let message = format!("the column `{}` is not known", shown(name));
                let hint = format!("did you mean `{near}`?");
                mistakes.add(Mistake::new(at(index), "column", message).hint(hint));
            }
            (None, None) => columns.not_used.push((*name).to_owned()),
            (Some(_), _) => {}
        }
        order.push(known);
    }
    if order.iter().all(Option::is_none) && !mistakes.refuses() {
        let message = "no column of it is known";
        mistakes.add(Mistake::new(at(0), "column", message).hint(names(wanted)));
    }
    (columns, order)
}

fn names(wanted: &[Wanted<'_>]) -> String {
    let names: Vec<&str> = wanted.iter().map(|wanted| wanted.name).collect();
    format!("columns may be {}", names.join(", "))
}

/// A cell's number, or why there is none.
pub(super) fn entry_of(cell: &str, cells: Cells, decimal_comma: bool) -> Result<Entry, String> {
    let gaps = cells == Cells::Readings;
    let (make, digits): (fn(f64) -> Entry, &str) = match cell.chars().next() {
        None if gaps => return Ok(Entry::Missing),
        Some('>') if gaps => (Entry::Over, &cell[1..]),
        Some('<') if gaps => (Entry::Under, &cell[1..]),
        _ => (Entry::Value, cell),
    };
    let digits = digits.trim();
    let parsed = if decimal_comma && digits.contains(',') && !digits.contains('.') {
        digits.replacen(',', ".", 1).parse::<f64>()
    } else {
        digits.parse::<f64>()
    };
    match parsed {
        Ok(value) if value.is_finite() => Ok(make(value)),
        Ok(_) => Err(format!("`{}` is not a finite number", shown(cell))),
        Err(_) if cell.is_empty() => Err("the cell is empty".to_owned()),
        Err(_) => Err(format!("`{}` is not a number", shown(cell))),
    }
}

fn shown(cell: &str) -> String {
    let mut text: String = cell.chars().take(CELL_SHOWN_AT_MOST).collect();
    if text.len() < cell.len() {
        text.push_str("...");
    }
    text
}

/// Semicolons separate where the header has one, else commas.
fn delimiter_of(text: &str) -> u8 {
    let header = text
        .lines()
        .find(|line| !line.trim().is_empty() && !line.starts_with('#'));
    match header {
        Some(header) if header.contains(';') => b';',
        _ => b',',
    }
}

/// Where the nth cell of a line stands. Quoted cells may hold the delimiter.
fn place_of(file: &Arc<str>, text: &str, delimiter: u8, line: u64, cell: usize) -> Place {
    let number = u32::try_from(past_remarks(text, line)).unwrap_or(u32::MAX);
    let shown = text.lines().nth(number as usize - 1).unwrap_or("");
    let (mut at, mut start, mut quoted) = (0, 1_u32, false);
    let mut end = 1_u32;
    for c in shown.chars() {
        end += 1;
        match c {
            '"' => quoted = !quoted,
            c if c == char::from(delimiter) && !quoted => {
                if at == cell {
                    end -= 1;
                    break;
                }
                at += 1;
                start = end;
            }
            _ => {}
        }
    }
    Place {
        file: Arc::clone(file),
        line: number,
        column: start,
        end_column: end.max(start),
    }
}

impl Columns {
    pub(super) fn with(mut self, rows: usize, columns: Vec<(String, Column)>) -> Columns {
        self.rows = rows;
        self.columns = columns;
        self
    }
}

/// The line of a CSV's nth row, from 1; none in a JSON, or past the end.
pub fn line_of(text: &str, row: usize) -> Option<u64> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    if text.trim_start().starts_with('{') {
        return None;
    }
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter_of(text))
        .comment(Some(b'#'))
        .flexible(true)
        .from_reader(text.as_bytes());
    let record = reader.records().nth(row.checked_sub(1)?)?.ok()?;
    Some(past_remarks(text, record.position()?.line()))
}

/// The reader counts a row from the comments above it; this is its own line.
fn past_remarks(text: &str, line: u64) -> u64 {
    let line = line.max(1);
    let skipped = text
        .lines()
        .skip(usize::try_from(line - 1).unwrap_or(usize::MAX))
        .take_while(|line| line.trim().is_empty() || line.starts_with('#'));
    line + skipped.count() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    const WANTED: [Wanted<'static>; 3] = [
        Wanted {
            name: "time_s",
            cells: Cells::Numbers,
        },
        Wanted {
            name: "illuminance_lx",
            cells: Cells::Readings,
        },
        Wanted {
            name: "note",
            cells: Cells::Words,
        },
    ];

    #[test]
    fn what_was_not_measured_is_no_number() {
        let csv = "time_s,illuminance_lx,note\n0,1.5,a\n1,,b\n2,>20000,\"c,d\"\n3,< 0.01,\n";
        let json =
            "{\"illuminance_lx\": [1.5, null, \">20000\", \"<0.01\"], \"time_s\": [0, 1, 2, 3],
            \"note\": [\"a\", \"b\", \"c,d\", \"\"]}";
        for text in [csv, json] {
            let columns = read("x", text, &WANTED).expect("columns");
            let entries = [
                Entry::Value(1.5),
                Entry::Missing,
                Entry::Over(20_000.0),
                Entry::Under(0.01),
            ];
            assert_eq!(columns.readings("illuminance_lx"), Some(&entries[..]));
            let words = columns.words("note").expect("words");
            assert_eq!(words, ["a", "b", "c,d", ""]);
            assert_eq!((columns.rows, columns.numbers("volts")), (4, None));
        }
        let refused = read("x", "time_s\n>3\n\n", &WANTED);
        assert!(refused.is_err(), "{refused:?}");
    }

    #[test]
    fn a_row_leads_back_to_its_line() {
        let text = "# one\ntime_s\n# three\n4\n5\n";
        assert_eq!(line_of(text, 1), Some(4));
        assert_eq!((line_of(text, 2), line_of(text, 3)), (Some(5), None));
        assert_eq!(line_of("{\"time_s\": [1]}", 1), None);
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text in ".*", rows in "(time_s|note|illuminance_lx|[,;\"\n#{}:0-9.e<>-]){0,60}") {
            let _ = read("x", &text, &WANTED);
            let _ = read("x", &rows, &WANTED);
            let _ = (line_of(&rows, 1), line_of(&rows, 0));
            let json = format!("{{\"time_s\": [{rows}]}}");
            let _ = read("x", &json, &WANTED);
        }
    }
}
