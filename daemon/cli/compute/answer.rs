//! What `compute` prints: figures, rows beside them, cautions.
//!
//! A table for a person gives each figure with its unit, its expanded
//! uncertainty where there is one (k = 2), what it is and whose definition it
//! follows. CSV and JSON carry the same under the same names; their numbers
//! are never rounded. Called by: the topics of `compute`.

use std::io::Write;

use photometry::figure::{Figure, Given};
use serde::Serialize;

use super::arguments::Measured;
use crate::cli::arguments::Format;
use crate::cli::complaint::Complaint;
use crate::cli::format::{self, Cell, Grid};

/// Coverage factor of the U that is shown.
const K: f64 = 2.0;
/// Significant digits of a number that has no uncertainty, in a table.
const DIGITS: usize = 6;

/// Everything that a topic has to say.
#[derive(Debug, Default, Serialize)]
pub struct Answer {
    /// The figures.
    pub figures: Vec<Figure>,
    /// Rows: a line of a spectrum of modulation, a position, an outlier.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub rows: Vec<Rows>,
    /// What must be read beside the figures.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<String>,
}

/// Rows under a heading.
#[derive(Debug, Serialize)]
pub struct Rows {
    /// What they are.
    pub about: &'static str,
    /// The columns' names, units included.
    pub columns: Vec<&'static str>,
    /// The rows.
    pub rows: Vec<Vec<Item>>,
}

/// One item of a row.
#[derive(Clone, Debug, Serialize)]
#[serde(untagged)]
pub enum Item {
    /// A number.
    Number(f64),
    /// Words.
    Word(String),
    /// Nothing.
    Nothing,
}

impl From<f64> for Item {
    fn from(value: f64) -> Item {
        if value.is_finite() {
            Item::Number(value)
        } else {
            Item::Nothing
        }
    }
}

impl From<Option<f64>> for Item {
    fn from(value: Option<f64>) -> Item {
        value.map_or(Item::Nothing, Item::from)
    }
}

impl From<&str> for Item {
    fn from(word: &str) -> Item {
        Item::Word(word.to_owned())
    }
}

impl Answer {
    /// Adds a caution, once.
    pub fn caution(&mut self, caution: impl Into<String>) {
        let caution = caution.into();
        if !self.cautions.contains(&caution) {
            self.cautions.push(caution);
        }
    }

    /// Prints it; cautions of a table or a CSV go to stderr.
    ///
    /// # Errors
    /// When the output cannot be written.
    pub fn print(&self, out: &mut impl Write, measured: &Measured) -> Result<(), Complaint> {
        let format = measured.printed.format;
        if measured.rows && matches!(format, Format::Table | Format::Json) {
            let reason = "a table and a JSON have the rows anyway; it goes with --format csv";
            return Err(Complaint::Option {
                option: "rows",
                reason: reason.to_owned(),
            });
        }
        match format {
            Format::Json => return format::json(out, self),
            Format::Csv | Format::Tsv | Format::Csvw if measured.rows && self.rows.is_empty() => {
                eprintln!("there are no rows beside these figures");
            }
            Format::Csv | Format::Tsv | Format::Csvw if measured.rows => {
                format::print(out, format, &self.csv_rows(), self)?;
            }
            Format::Csv | Format::Tsv | Format::Csvw => {
                format::print(out, format, &self.csv(), self)?;
            }
            Format::Table => {
                format::say(out, &self.table().table())?;
                for rows in &self.rows {
                    let heading = format!("\n{}\n", rows.about);
                    format::say(out, &heading)?;
                    format::say(out, &grid_of(rows, shortened).table())?;
                }
            }
        }
        for caution in &self.cautions {
            eprintln!("caution: {caution}");
        }
        Ok(())
    }

    fn table(&self) -> Grid {
        let columns = [
            "figure",
            "value",
            "U (k=2)",
            "unit",
            "what it is",
            "standard",
        ];
        let mut grid = Grid::new(columns);
        for figure in &self.figures {
            let (value, expanded) = shown(&figure.given);
            let mut meaning = figure.name.meaning.to_owned();
            if let Given::Withheld(why) = &figure.given {
                meaning = format!("{meaning}: {why}");
            }
            if !figure.marks.is_empty() {
                meaning = format!("{meaning} [{}]", figure.marks.join(", "));
            }
            grid.row(vec![
                Cell::text(figure.name.name),
                value,
                expanded,
                Cell::text(figure.name.unit),
                Cell::text(meaning),
                Cell::text(figure.name.standard),
            ]);
        }
        grid
    }

    /// The rows beside the figures, numbers as they are; nothing without any.
    fn csv_rows(&self) -> Grid {
        let none = || Grid::new([] as [&str; 0]);
        self.rows
            .first()
            .map_or_else(none, |rows| grid_of(rows, |value| value.to_string()))
    }

    /// One row a figure; the rows beside them are `csv_rows`.
    fn csv(&self) -> Grid {
        let columns = ["name", "value", "u", "unit", "says", "marks", "standard"];
        let mut grid = Grid::new(columns);
        for figure in &self.figures {
            let says = match &figure.given {
                Given::Number(_) | Given::Estimate(_) => Cell::Empty,
                Given::Word(word) => Cell::text(*word),
                Given::AtMost(bound) => Cell::text(format!("at most {bound}")),
                Given::AtLeast(bound) => Cell::text(format!("at least {bound}")),
                Given::Withheld(why) => Cell::text(format!("withheld: {why}")),
            };
            let u = match &figure.given {
                Given::Estimate(estimate) => Cell::number(estimate.combined()),
                _ => Cell::Empty,
            };
            grid.row(vec![
                Cell::text(figure.name.name),
                Cell::maybe_number(figure.value()),
                u,
                Cell::text(figure.name.unit),
                says,
                Cell::text(figure.marks.join(" ")),
                Cell::text(figure.name.standard),
            ]);
        }
        grid
    }
}

/// A number as a table shows it.
fn shortened(value: f64) -> String {
    significant(value, DIGITS)
}

fn grid_of(rows: &Rows, shown: fn(f64) -> String) -> Grid {
    let mut grid = Grid::new(rows.columns.iter().copied());
    for row in &rows.rows {
        let cells = row.iter().map(|item| match item {
            Item::Number(value) => Cell::number(shown(*value)),
            Item::Word(word) => Cell::text(word.as_str()),
            Item::Nothing => Cell::Empty,
        });
        grid.row(cells.collect());
    }
    grid
}

/// Value and expanded uncertainty as a person reads them.
fn shown(given: &Given) -> (Cell, Cell) {
    match given {
        Given::Number(value) => (Cell::number(significant(*value, DIGITS)), Cell::Empty),
        Given::Estimate(estimate) => {
            let expanded = estimate.expanded(K);
            if expanded <= 0.0 {
                return (
                    Cell::number(significant(estimate.value, DIGITS)),
                    Cell::Empty,
                );
            }
            let decimals = decimals_for(expanded, 2);
            (
                Cell::number(fixed(estimate.value, decimals)),
                Cell::number(fixed(expanded, decimals)),
            )
        }
        Given::Word(word) => (Cell::text(*word), Cell::Empty),
        Given::AtMost(bound) => (
            Cell::text(format!("at most {}", significant(*bound, 3))),
            Cell::Empty,
        ),
        Given::AtLeast(bound) => (
            Cell::text(format!("at least {}", significant(*bound, 3))),
            Cell::Empty,
        ),
        Given::Withheld(_) => (Cell::text("none"), Cell::Empty),
    }
}

/// Decimals that show so many significant digits of a value; negative to the
/// left of the point.
fn decimals_for(value: f64, digits: i32) -> i32 {
    digits - 1 - value.abs().log10().floor() as i32
}

/// Rounded to so many decimals.
fn fixed(value: f64, decimals: i32) -> String {
    if !(-300..=300).contains(&decimals) {
        return format!("{value:e}");
    }
    if decimals < 0 {
        let step = 10_f64.powi(-decimals);
        return format!("{:.0}", (value / step).round() * step);
    }
    format!("{value:.*}", decimals as usize)
}

/// So many significant digits, without an exponent where it stays short.
fn significant(value: f64, digits: usize) -> String {
    let size = value.abs();
    if value == 0.0 {
        return "0".to_owned();
    }
    if !(1e-4..1e9).contains(&size) {
        return format!("{value:.*e}", digits.saturating_sub(1));
    }
    let decimals = decimals_for(value, digits as i32).max(0);
    let text = fixed(value, decimals);
    if text.contains('.') {
        let text = text.trim_end_matches('0').trim_end_matches('.');
        return text.to_owned();
    }
    text
}

#[cfg(test)]
mod tests {
    use photometry::figure::FigureName;
    use photometry::uncertainty::Estimate;

    use super::*;

    const E_LX: FigureName = FigureName {
        name: "e_lx",
        unit: "lx",
        meaning: "illuminance",
        standard: "CIE 69",
        check: "none",
    };

    fn answer() -> Answer {
        let estimate = Estimate::exact(1234.5678).with("certificate", 9.0, None);
        Answer {
            figures: vec![
                Figure::number(&E_LX, 0.000_123_456_789).marked("drift"),
                Figure::estimate(&E_LX, estimate),
                Figure::word(&E_LX, "undecided"),
                Figure::of(&E_LX, Given::AtMost(0.0312)),
                Figure::withheld(&E_LX, "nothing was seen"),
            ],
            rows: vec![Rows {
                about: "Positions",
                columns: vec!["distance_m", "label"],
                rows: vec![
                    vec![0.1524.into(), "near field".into()],
                    vec![f64::NAN.into(), Item::Nothing],
                ],
            }],
            cautions: Vec::new(),
        }
    }

    #[test]
    fn every_form_gives_the_same_figures() {
        let mut shown = String::new();
        for (format, rows) in [
            (Format::Table, false),
            (Format::Csv, false),
            (Format::Csv, true),
            (Format::Json, false),
        ] {
            let mut out = Vec::new();
            let measured = Measured {
                file: "-".into(),
                printed: crate::cli::arguments::Printed { format },
                rows,
            };
            answer().print(&mut out, &measured).expect("printed");
            shown.push_str(&String::from_utf8(out).expect("text"));
            shown.push_str("----\n");
        }
        insta::assert_snapshot!(shown);
    }

    #[test]
    fn numbers_are_rounded_for_a_reader_only() {
        let cases = [
            (0.0, "0"),
            (1234.5678, "1234.57"),
            (10.0, "10"),
            (100_000.0, "100000"),
            (1_234_567.0, "1234567"),
            (0.000_012_3, "1.23000e-5"),
            (-2.5, "-2.5"),
        ];
        for (value, text) in cases {
            assert_eq!(significant(value, 6), text);
        }
        assert_eq!(fixed(1234.5678, -1), "1230");
    }
}
