//! The programs of a run beside each other: a row for each figure, a column for each
//! recording.
//!
//! Called by: figures. Not here: computing any of it (report, in the daemon).

use photometry::figure::{FigureName, five_digits};
use photometry::ramp::figures::{END_OF_PROGRAM, is_end_of};
use photometry::{ramp, spectrum_figures};

use super::findings::figure;
use super::format::{Cell, Grid};
use crate::web::wire::figures::{Figure, Measure};

/// All recordings beside each other; none where there are not two.
pub fn beside_each_other(found: &[Measure]) -> Option<Grid> {
    let is_end = |measure: &&Measure| measure.of.ends_with(END_OF_PROGRAM);
    let ramps = || found.iter().filter(|measure| measure.kind == "ramp");
    let columns: Vec<&Measure> = ramps().filter(|measure| !is_end(measure)).collect();
    if columns.len() < 2 {
        return None;
    }
    let ends: Vec<Option<&Measure>> = columns
        .iter()
        .map(|column| {
            ramps()
                .filter(is_end)
                .find(|end| end.test == column.test && is_end_of(&end.of, &column.of))
        })
        .collect();
    let heads = ["figure", "unit"].map(str::to_owned).into_iter();
    let names = columns.iter().map(|column| {
        let alone = columns.iter().filter(|one| one.of == column.of).count() == 1;
        match alone {
            true => column.of.clone(),
            false => format!("{} {}", column.test, column.of),
        }
    });
    let mut grid = Grid::new(heads.chain(names));
    let columns: Vec<Option<&Measure>> = columns.into_iter().map(Some).collect();
    let of_light = ramp::figures::COMPARED
        .iter()
        .map(|name| (*name, "", &columns));
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
        assert!(beside_each_other(&[dawn.clone(), end.clone(), other.clone()]).is_none());
        let all = [dawn, end, dusk, other];
        let grid = beside_each_other(&all).expect("two programs");
        insta::assert_snapshot!(grid.table());
    }
}
