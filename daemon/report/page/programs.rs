//! The programs of a run beside each other: a row for each figure, a column for each
//! recording. Nothing where there are not two.

use photometry::figure::{Figure, FigureName, Given, five_digits};
use photometry::ramp::figures::{END_OF_PROGRAM, is_end_of};
use photometry::{ramp, spectrum_figures};

use super::Page;
use super::markup::{Cell, Markup, Row};
use crate::plan::itinerary::KindName;
use crate::report::digits;
use crate::report::ids::FigureId;
use crate::report::measures::Measure;
use crate::report::survey::K;

/// The section; each figure stands with its account in its program's own section.
pub fn section(out: &mut Markup, page: &Page) {
    let is_end = |measure: &&Measure| measure.of.ends_with(END_OF_PROGRAM);
    let of_programs = || {
        page.measures
            .iter()
            .filter(|one| one.kind == KindName::Ramp)
    };
    let recordings: Vec<&Measure> = of_programs().filter(|one| !is_end(one)).collect();
    if recordings.len() < 2 {
        return;
    }
    let end_of = |recording: &Measure| {
        of_programs()
            .filter(is_end)
            .find(|end| end.test == recording.test && is_end_of(&end.of, &recording.of))
    };
    let heads = std::iter::once("figure".to_owned()).chain(
        recordings
            .iter()
            .map(|one| format!("{}: {}", one.test, one.of)),
    );
    let heads: Vec<String> = heads.chain(["unit".to_owned()]).collect();
    let own: Vec<Option<&Measure>> = recordings.iter().copied().map(Some).collect();
    let ends: Vec<Option<&Measure>> = recordings.iter().map(|one| end_of(one)).collect();
    let row = |columns: &[Option<&Measure>], name: &FigureName, before: &str| {
        let has = |measure: &&Measure| {
            let mut own = measure.figures.iter().filter(|one| one.name == name);
            own.any(|one| !needs_a_value(name) || one.value().is_some())
        };
        let first = columns.iter().flatten().copied().find(has)?;
        let mut cells = vec![Cell::Words(format!("{before}{}", name.meaning))];
        cells.extend(columns.iter().map(|column| cell(*column, name)));
        cells.push(Cell::Words(name.unit.to_owned()));
        let figure = first.figures.iter().find(|one| one.name == name)?.name;
        Some(Row {
            id: FigureId::Measured {
                run: page.run.number,
                test: first.test.clone(),
                of: first.of.clone(),
                figure,
            },
            cells,
        })
    };
    let of_light = ramp::figures::COMPARED.iter();
    let of_light = of_light.filter_map(|name| row(&own, name, ""));
    let of_ends = spectrum_figures::COMPARED.iter();
    let of_ends = of_ends.filter_map(|name| row(&ends, name, "at the end: "));
    let rows: Vec<Row> = of_light.chain(of_ends).collect();
    out.open("section", &[]);
    out.element("h2", &[], "Programs beside each other");
    let caption = format!("± U, k = {K}; the account is that of the first program with the figure");
    let heads: Vec<&str> = heads.iter().map(String::as_str).collect();
    out.table(&caption, &heads, rows);
    out.close();
}

/// Without spectra on its way no program has a melanopic dose: no row of none.
fn needs_a_value(name: &FigureName) -> bool {
    name == &ramp::figures::names::MELANOPIC_DOSE
}

fn cell(measure: Option<&Measure>, name: &FigureName) -> Cell {
    let figure: Option<&Figure> =
        measure.and_then(|one| one.figures.iter().find(|figure| figure.name == name));
    let shown = match figure.map(|figure| &figure.given) {
        Some(Given::Number(value)) => five_digits(*value),
        Some(Given::Estimate(estimate)) => {
            let (value, u) = digits::shown(estimate.value, Some(estimate.expanded(K)));
            u.map_or(value.clone(), |u| format!("{value} ± {u}"))
        }
        // Why it is not known is told in its own section.
        _ => "–".to_owned(),
    };
    Cell::Figure(shown)
}

#[cfg(test)]
mod tests {
    use photometry::uncertainty::Estimate;

    use super::*;
    use crate::plan::intent::PlanLine;
    use crate::report::page::tests::{page, plain};

    fn measure(of: &str, figures: Vec<Figure>) -> Measure {
        Measure {
            test: "morning".to_owned(),
            kind: KindName::Ramp,
            line: PlanLine::default(),
            of: of.to_owned(),
            shown: of.to_owned(),
            meter: "lux-head".to_owned(),
            figures,
            curve: None,
            notes: Vec::new(),
            rests_on: Vec::new(),
            on_the_way: Vec::new(),
            unfinished: false,
        }
    }

    /// One program needs no table; of two each figure has its row, and what one of them
    /// lacks is a dash.
    #[test]
    fn two_programs_have_a_table_and_one_has_none() {
        let [plateau, ..] = ramp::figures::COMPARED;
        let [cct, ..] = spectrum_figures::COMPARED;
        let lux = Estimate::exact(3133.0).with("certificate", 59.5, None);
        let dawn = measure("dawn-1", vec![Figure::estimate(plateau, lux)]);
        let end = measure("dawn-1-end", vec![Figure::number(cct, 2785.0)]);
        let mut page = page();
        page.measures = vec![dawn, end];
        let told = |page: &Page| {
            let mut out = Markup::new("t", "");
            section(&mut out, page);
            plain(&out.finish())
        };
        assert!(!told(&page).contains("beside each other"));
        let dusk = measure("dusk-1", vec![Figure::number(plateau, 12.5)]);
        page.measures.push(dusk);
        let told = told(&page);
        assert!(told.contains("Programs beside each other"), "{told}");
        let rows: Vec<&str> = told
            .lines()
            .filter(|line| line.starts_with("<tr id"))
            .collect();
        let [of_light, of_end] = rows.as_slice() else {
            panic!("{told}");
        };
        for words in ["3130 ± 120", "12.5", "12.morning.dawn-1.plateau_lx"] {
            assert!(of_light.contains(words), "{of_light}");
        }
        for words in ["at the end: ", "2785", "–", "12.morning.dawn-1-end.cct_k"] {
            assert!(of_end.contains(words), "{of_end}");
        }
    }
}
