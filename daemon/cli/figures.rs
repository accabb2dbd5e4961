//! `figures`: what a run's spectra, waveforms and programs say.
//!
//! Called by: main, demo. Not here: computing any of it (report, in the daemon).

use std::io::Write;

use super::arguments::{self, Format};
use super::client::Client;
use super::complaint::Complaint;
use super::format::{self, Cell, Grid};
use super::programs;
use super::terminal::printable;
use crate::web::wire::RunStory;
use crate::web::wire::figures::{Figure, Measure};

/// Prints a run's figures.
///
/// # Errors
/// No daemon, no such run, or output that cannot be written.
pub async fn run(
    client: &Client,
    args: &arguments::Figures,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let run = client.number(args.run.run).await?;
    let found: Vec<Measure> = client.get(&format!("/runs/{run}/figures")).await?;
    if !args.beside.is_empty() {
        return beside(client, args, (run, found), out).await;
    }
    match args.printed.format {
        Format::Table => tables(&found, out),
        form => {
            let grid = long(&found).named("figures", &["id"]);
            format::print(out, form, &grid, &found)
        }
    }
}

/// The programs of several runs beside each other, and which lamp each was.
async fn beside(
    client: &Client,
    args: &arguments::Figures,
    first: (i64, Vec<Measure>),
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let mut all = vec![first];
    for other in &args.beside {
        let run = client.number(*other).await?;
        if all.iter().all(|(known, _)| *known != run) {
            let found = client.get(&format!("/runs/{run}/figures")).await?;
            all.push((run, found));
        }
    }
    let columns = all
        .iter()
        .flat_map(|(run, found)| programs::columns(&format!("{run}: "), found));
    let columns: Vec<_> = columns.collect();
    let Some(grid) = programs::beside_each_other(&columns) else {
        return Err(Complaint::Option {
            option: "beside",
            reason: "these runs hold no two recordings of a program".to_owned(),
        });
    };
    if args.printed.format != Format::Table {
        // For programs: a row for each figure, whose id begins with its run.
        let all = all.into_iter().flat_map(|(_, found)| found);
        let all: Vec<Measure> = all.filter(|measure| measure.kind == "ramp").collect();
        let grid = long(&all).named("figures", &["id"]);
        return format::print(out, args.printed.format, &grid, &all);
    }
    format::say(out, &format!("{}\n", grid.table().trim_end()))?;
    for (run, _) in &all {
        let story: RunStory = client.get(&format!("/runs/{run}")).await?;
        let run = story.run;
        let (lamp, unit) = (printable(&run.lamp), printable(&run.unit));
        let begun = run
            .begun
            .map_or_else(|| "not begun".to_owned(), |begun| begun.utc);
        format::say(out, &format!("{}: {lamp}, unit {unit}, {begun}\n", run.run))?;
    }
    Ok(())
}

/// A table for each setting and program.
///
/// # Errors
/// Output that cannot be written.
pub fn tables(found: &[Measure], out: &mut impl Write) -> Result<(), Complaint> {
    if found.is_empty() {
        return format::say(
            out,
            "This run has no test beside surveys: see `wakerail survey`.\n",
        );
    }
    for measure in found {
        let head = format!(
            "\n{} ({}): {}, by {}{}\n",
            printable(&measure.test),
            measure.kind,
            printable(&measure.shown),
            printable(&measure.meter),
            if measure.unfinished {
                "; unfinished"
            } else {
                ""
            }
        );
        format::say(out, &head)?;
        let mut grid = Grid::new(["figure", "value", "U (k = 2)", "unit", "remark", "id"]);
        for figure in &measure.figures {
            let (value, remark) = said(figure);
            let expanded = figure.expanded.map(photometry::figure::five_digits);
            grid.row(vec![
                Cell::text(&figure.name),
                value,
                expanded.map_or(Cell::Empty, Cell::Number),
                Cell::text(&figure.unit),
                Cell::text(remark),
                Cell::text(&figure.id),
            ]);
        }
        if !measure.figures.is_empty() {
            format::say(out, &format!("{}\n", grid.table().trim_end()))?;
        }
        for note in &measure.notes {
            format::say(out, &format!("{}\n", printable(note)))?;
        }
        if !measure.on_the_way.is_empty() {
            let grid = on_the_way(measure);
            format::say(out, "\nSpectra on the way\n")?;
            format::say(out, &format!("{}\n", grid.table().trim_end()))?;
        }
    }
    if let Some(grid) = programs::beside_each_other(&programs::columns("", found)) {
        format::say(out, "\nPrograms beside each other (± U, k = 2)\n")?;
        format::say(out, &format!("{}\n", grid.table().trim_end()))?;
    }
    Ok(())
}

/// The colours on the way of a recording.
fn on_the_way(measure: &Measure) -> Grid {
    let mut grid = Grid::new([
        "time_min",
        "cct_k",
        "melanopic_der",
        "integrated_s",
        "remark",
    ]);
    let number = |value: Option<f64>, digits: usize| {
        value.map_or(Cell::Empty, |value| {
            Cell::Number(format!("{value:.digits$}"))
        })
    };
    for one in &measure.on_the_way {
        grid.row(vec![
            number(Some(one.time_min), 2),
            number(one.cct_k, 0),
            number(one.melanopic_der, 3),
            one.integration_s.map_or(Cell::Empty, |s| {
                Cell::Number(photometry::figure::five_digits(s))
            }),
            Cell::text(one.unused.clone().unwrap_or_default()),
        ]);
    }
    grid
}

/// A figure's value and what must be said of it.
fn said(figure: &Figure) -> (Cell, String) {
    let mut remarks = figure.marks.clone();
    let bound = |word: &str, bound: f64| {
        let bound = photometry::figure::five_digits(bound);
        Cell::text(format!("{word} {bound}"))
    };
    let value = match figure {
        Figure {
            value: Some(value), ..
        } => Cell::Number(photometry::figure::five_digits(*value)),
        Figure {
            word: Some(word), ..
        } => Cell::text(word),
        Figure {
            at_most: Some(most),
            ..
        } => bound("at most", *most),
        Figure {
            at_least: Some(least),
            ..
        } => bound("at least", *least),
        _ => {
            remarks.extend(figure.withheld.clone());
            Cell::Empty
        }
    };
    (value, remarks.join("; "))
}

/// Every figure in a row of its own.
fn long(found: &[Measure]) -> Grid {
    let mut grid = Grid::new([
        "id", "test", "kind", "of", "meter", "name", "unit", "value", "expanded", "word",
        "at_most", "at_least", "withheld", "marks", "standard",
    ]);
    for measure in found {
        for figure in &measure.figures {
            grid.row(vec![
                Cell::text(&figure.id),
                Cell::text(&measure.test),
                Cell::text(&measure.kind),
                Cell::text(&measure.of),
                Cell::text(&measure.meter),
                Cell::text(&figure.name),
                Cell::text(&figure.unit),
                Cell::maybe_number(figure.value),
                Cell::maybe_number(figure.expanded),
                Cell::maybe_text(figure.word.as_deref()),
                Cell::maybe_number(figure.at_most),
                Cell::maybe_number(figure.at_least),
                Cell::maybe_text(figure.withheld.as_deref()),
                Cell::text(figure.marks.join("; ")),
                Cell::text(&figure.standard),
            ]);
        }
    }
    grid
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::web::wire::figures::WaySpectrum;

    #[test]
    fn the_colours_on_the_way_are_told_after_the_figures() {
        let seen = WaySpectrum {
            time_min: 2.02,
            integration_s: Some(3.2),
            cct_k: Some(2_210.4),
            melanopic_der: Some(0.3127),
            unused: None,
        };
        let dim = WaySpectrum {
            time_min: 0.003,
            unused: Some("no answer in time".to_owned()),
            ..WaySpectrum::default()
        };
        let measure = Measure {
            test: "morning".to_owned(),
            kind: "ramp".to_owned(),
            of: "dawn-1".to_owned(),
            shown: "dawn (dawn-1)".to_owned(),
            on_the_way: vec![dim, seen],
            ..Measure::default()
        };
        let mut out = Vec::new();
        tables(&[measure], &mut out).expect("written");
        let told = String::from_utf8(out).expect("text");
        let words = |line: &str| line.split_whitespace().collect::<Vec<_>>().join(" ");
        let lines: Vec<String> = told.lines().map(words).collect();
        let wanted = [
            "Spectra on the way",
            "time_min cct_k melanopic_der integrated_s remark",
            "0.00 no answer in time",
            "2.02 2210 0.313 3.2",
        ];
        for line in wanted {
            assert!(lines.iter().any(|one| one == line), "{line}: {told}");
        }
    }
}
