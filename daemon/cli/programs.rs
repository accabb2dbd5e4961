//! The programs of a run, or of several runs, beside each other: a row for each figure, a
//! column for each recording.
//!
//! Called by: figures. Not here: computing any of it (report, in the daemon).

use photometry::figure::{FigureName, five_digits};
use photometry::ramp::figures::{END_OF_PROGRAM, is_end_of};
use photometry::{ramp, spectrum_figures};

use super::findings::figure;
use super::format::{Cell, Grid};
use crate::web::wire::figures::{Figure, Measure};

/// One recording, and what it ended in.
pub struct Column<'m> {
    head: String,
    own: &'m Measure,
    end: Option<&'m Measure>,
}

/// The recordings of a run; each head begins with `before`.
pub fn columns<'m>(before: &str, found: &'m [Measure]) -> Vec<Column<'m>> {
    let is_end = |measure: &&Measure| measure.of.ends_with(END_OF_PROGRAM);
    let ramps = || found.iter().filter(|measure| measure.kind == "ramp");
    let recordings = || ramps().filter(|measure| !is_end(measure));
    let column = |own: &'m Measure| {
        let alone = recordings().filter(|one| one.of == own.of).count() == 1;
        let head = match alone {
            true => own.of.clone(),
            false => format!("{} {}", own.test, own.of),
        };
        let mut ends = ramps().filter(is_end);
        Column {
            head: format!("{before}{head}"),
            own,
            end: ends.find(|end| end.test == own.test && is_end_of(&end.of, &own.of)),
        }
    };
    recordings().map(column).collect()
}

/// Recordings beside each other; none where there are not two.
pub fn beside_each_other(columns: &[Column<'_>]) -> Option<Grid> {
    if columns.len() < 2 {
        return None;
    }
    let heads = ["figure", "unit"].map(str::to_owned).into_iter();
    let mut grid = Grid::new(heads.chain(columns.iter().map(|column| column.head.clone())));
    let own: Vec<Option<&Measure>> = columns.iter().map(|column| Some(column.own)).collect();
    let ends: Vec<Option<&Measure>> = columns.iter().map(|column| column.end).collect();
    let of_light = ramp::figures::COMPARED.iter().map(|name| (*name, "", &own));
    let of_ends = spectrum_figures::COMPARED
        .iter()
        .map(|name| (*name, "end: ", &ends));
    for (name, before, columns) in of_light.chain(of_ends) {
        let row: Vec<Cell> = columns.iter().map(|column| cell(*column, name)).collect();
        // Lumens are of a sphere, lux of a distance; not every program ends in light.
        if row.iter().any(|cell| !matches!(cell, Cell::Empty)) {
            grid.row(head(name, before).into_iter().chain(row).collect());
        }
    }
    Some(grid)
}

/// Both to the second digit of U (JCGM 100:2008, 7.2.6, from memory).
fn with_u(value: f64, expanded: f64) -> String {
    if expanded <= 0.0 || !expanded.is_finite() {
        return five_digits(value);
    }
    let decimals = (1 - expanded.log10().floor() as i32).clamp(0, 8) as usize;
    format!("{value:.decimals$} ± {expanded:.decimals$}")
}

fn head(name: &FigureName, before: &str) -> [Cell; 2] {
    [
        Cell::text(format!("{before}{}", name.name)),
        Cell::text(name.unit),
    ]
}

fn cell(measure: Option<&Measure>, name: &FigureName) -> Cell {
    let found: Option<&Figure> = measure.and_then(|measure| figure(measure, name.name));
    match found {
        Some(Figure {
            value: Some(value),
            expanded: Some(expanded),
            ..
        }) => Cell::Number(with_u(*value, *expanded)),
        Some(Figure {
            value: Some(value), ..
        }) => Cell::Number(five_digits(*value)),
        _ => Cell::Empty,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measure(kind: &str, of: &str, figures: &[(&str, f64, Option<f64>)]) -> Measure {
        let figures = figures.iter().map(|(name, value, expanded)| Figure {
            name: (*name).to_owned(),
            value: Some(*value),
            expanded: *expanded,
            ..Figure::default()
        });
        Measure {
            test: "morning".to_owned(),
            kind: kind.to_owned(),
            of: of.to_owned(),
            figures: figures.collect(),
            ..Measure::default()
        }
    }

    /// Two programs, one with its end; a spectrum beside them is none of them, and
    /// what is not known stays empty.
    #[test]
    fn programs_stand_beside_each_other_with_their_ends() {
        let dawn = measure(
            "ramp",
            "dawn-1",
            &[
                ("plateau_lx", 3133.4, Some(119.0)),
                ("t50_s", 1272.99, Some(0.954)),
            ],
        );
        let dusk = measure("ramp", "dusk-1", &[("plateau_lx", 3126.0, None)]);
        let end = measure(
            "ramp",
            "dawn-1-end",
            &[
                ("cct_k", 2785.04, Some(1.24)),
                ("duv", -0.000953, Some(0.0000069)),
            ],
        );
        let other = measure("spectrum", "L10", &[("cct_k", 2785.0, None)]);
        let one = [dawn.clone(), end.clone(), other.clone()];
        assert!(beside_each_other(&columns("", &one)).is_none());
        let all = [dawn, end, dusk, other];
        let grid = beside_each_other(&columns("", &all)).expect("two programs");
        insta::assert_snapshot!(grid.table());
        // One of a run, and two of another: three columns, the runs' numbers before them.
        let mut three = columns("4: ", &one);
        three.extend(columns("7: ", &all));
        let heads: Vec<&str> = three.iter().map(|column| column.head.as_str()).collect();
        assert_eq!(heads, ["4: dawn-1", "7: dawn-1", "7: dusk-1"]);
        let csv = beside_each_other(&three).expect("three programs").table();
        assert_eq!(csv.matches("2785.0 ± 1.2").count(), 2, "{csv}");
    }
}
