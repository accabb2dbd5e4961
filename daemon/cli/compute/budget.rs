//! `compute budget`: an uncertainty budget.
//!
//! Columns: `source`, `stated`, `shape` (standard, expanded k=2, rectangular,
//! triangular, arcsine, resolution; standard where the column is missing),
//! `sensitivity` (1 where missing), `dof` (empty: infinitely many). Equal
//! sources correlate fully. Called by: compute.

use std::io::Write;

use photometry::data_figures;
use photometry::uncertainty::{Estimate, Shape};

use super::Source;
use super::answer::{Answer, Rows};
use super::arguments;
use super::columns::{Cells, Entry, Wanted};
use crate::cli::complaint::Complaint;

/// The words of `shape`.
const SHAPES: [(&str, Shape); 6] = [
    ("standard", Shape::Standard),
    ("expanded k=2", Shape::Expanded(2.0)),
    ("rectangular", Shape::Rectangular),
    ("triangular", Shape::Triangular),
    ("arcsine", Shape::Arcsine),
    ("resolution", Shape::Resolution),
];

/// Computes and prints.
///
/// # Errors
/// When the file is not a budget.
pub fn run(args: &arguments::Budget, out: &mut impl Write) -> Result<(), Complaint> {
    let column = |name, cells| Wanted { name, cells };
    let source = Source::read(
        &args.measured,
        &[
            column("source", Cells::Words),
            column("stated", Cells::Numbers),
            column("shape", Cells::Words),
            column("sensitivity", Cells::Numbers),
            column("dof", Cells::Readings),
        ],
    )?;
    let estimate = estimate(&source, args.value)?;
    let shares = estimate.shares().into_iter().map(|share| {
        vec![
            share.source.as_str().into(),
            share.u.into(),
            (100.0 * share.share).into(),
            share.dof.into(),
        ]
    });
    let answer = Answer {
        figures: data_figures::of_budget(&estimate),
        rows: vec![Rows {
            about: "Sources",
            columns: vec!["source", "u", "share_percent", "dof"],
            rows: shares.collect(),
        }],
        ..Answer::default()
    };
    answer.print(out, &args.measured)
}

fn estimate(source: &Source, value: f64) -> Result<Estimate, Complaint> {
    let names = source.columns.words("source").unwrap_or_default().to_vec();
    let stated = source.need("stated")?;
    if names.len() != stated.len() {
        return Err(source.refused(None, "the column `source` is missing"));
    }
    let shapes = source.columns.words("shape");
    let sensitivities = source.columns.numbers("sensitivity");
    let dofs = source.columns.readings("dof");
    let mut estimate = Estimate::exact(value);
    let mut mistakes = Vec::new();
    for (at, (name, stated)) in names.iter().zip(stated).enumerate() {
        let word = shapes
            .and_then(|shapes| shapes.get(at))
            .map_or("standard", String::as_str);
        let sensitivity = sensitivities
            .as_ref()
            .and_then(|all| all.get(at))
            .unwrap_or(&1.0);
        let dof = dofs.and_then(|dofs| dofs.get(at));
        let mut told = |reason: String| mistakes.push((at + 1, reason));
        match (standard_u(word, stated), dof_of(dof)) {
            (Ok(u), Ok(dof)) => estimate = estimate.with(name, sensitivity * u, dof),
            (u, dof) => {
                u.err().into_iter().chain(dof.err()).for_each(&mut told);
            }
        }
    }
    if mistakes.is_empty() {
        Ok(estimate)
    } else {
        Err(source.refused_rows(mistakes))
    }
}

/// The standard uncertainty of a stated one.
fn standard_u(word: &str, stated: f64) -> Result<f64, String> {
    let known = SHAPES
        .iter()
        .find(|(known, _)| *known == word || word.is_empty());
    let Some((_, shape)) = known else {
        let words = SHAPES.map(|(word, _)| word).join(", ");
        return Err(format!("`{word}` is no shape; use one of {words}"));
    };
    if stated < 0.0 {
        return Err("an uncertainty is not negative".to_owned());
    }
    Ok(shape.standard(stated))
}

fn dof_of(dof: Option<&Entry>) -> Result<Option<f64>, String> {
    match dof {
        Some(Entry::Value(dof)) if *dof >= 1.0 => Ok(Some(*dof)),
        Some(Entry::Missing) | None => Ok(None),
        Some(_) => Err(
            "degrees of freedom are at least 1; leave the cell empty for infinitely many"
                .to_owned(),
        ),
    }
}
