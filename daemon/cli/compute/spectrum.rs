//! `compute spectrum`: all colour figures of one spectrum, or what sets two of
//! them apart.
//!
//! Columns: `wavelength_nm`, and one of `irradiance_w_per_m2_nm`,
//! `irradiance_mw_per_m2_nm`, `relative`. Called by: compute.

use std::io::Write;
use std::path::Path;

use photometry::figure::Figure;
use photometry::spectrum::{Scale, Spectrum, SpectrumError};
use photometry::spectrum_figures::SpectrumFigures;
use photometry::two_spectra::TwoSpectra;

use super::Source;
use super::answer::Answer;
use super::arguments;
use super::columns::{Cells, Wanted};
use crate::cli::complaint::Complaint;

/// (column, W/(m2 nm) in one of it; none for relative values).
const VALUES: [(&str, Option<f64>); 3] = [
    ("irradiance_w_per_m2_nm", Some(1.0)),
    ("irradiance_mw_per_m2_nm", Some(1e-3)),
    ("relative", None),
];

/// Computes and prints.
///
/// # Errors
/// When the file is not a spectrum that can be used.
pub fn run(args: &arguments::Spectrum, out: &mut impl Write) -> Result<(), Complaint> {
    let first = figures_of(&args.measured.file)?;
    let answer = match &args.second {
        None => answer(first.figures(), &first.figures()),
        Some(second) => {
            let second = figures_of(second)?;
            let mut of_both = first.figures();
            of_both.extend(second.figures());
            // Nothing of a small source is compared.
            of_both.retain(|figure| !figure.marks.contains(&"small-source"));
            answer(TwoSpectra::of(&first, &second).figures(), &of_both)
        }
    };
    answer.print(out, &args.measured)
}

fn figures_of(path: &Path) -> Result<SpectrumFigures, Complaint> {
    let numbers = |name| Wanted {
        name,
        cells: Cells::Numbers,
    };
    let mut wanted = vec![numbers("wavelength_nm")];
    wanted.extend(VALUES.map(|(name, _)| numbers(name)));
    let source = Source::read_file(path, &wanted)?;
    let wavelengths = source.need("wavelength_nm")?;
    let given: Vec<_> = VALUES
        .iter()
        .filter_map(|(name, factor)| Some((source.columns.numbers(name)?, *factor)))
        .collect();
    let [(values, factor)] = given.as_slice() else {
        let names = VALUES.map(|(name, _)| name).join(", ");
        return Err(source.refused(None, format!("it needs exactly one column of {names}")));
    };
    let scale = factor.map_or(Scale::Relative, |_| Scale::Absolute);
    let values: Vec<f64> = values.iter().map(|v| v * factor.unwrap_or(1.0)).collect();
    let spectrum = Spectrum::new(&wavelengths, &values, scale)
        .map_err(|error| source.refused(row_of(&error), error))?;
    Ok(SpectrumFigures::of(&spectrum))
}

/// The row that an error is about.
fn row_of(error: &SpectrumError) -> Option<usize> {
    match error {
        SpectrumError::NotFinite(row) | SpectrumError::NotAscending(row) => Some(*row),
        _ => None,
    }
}

/// Figures, with the cautions that the marks of what was computed call for.
fn answer(figures: Vec<Figure>, computed: &[Figure]) -> Answer {
    let mut answer = Answer {
        figures,
        ..Answer::default()
    };
    let marked = |mark: &str| {
        let mut figures = computed.iter();
        figures.any(|figure: &Figure| figure.marks.contains(&mark))
    };
    let cautions = [
        (
            "short",
            "the spectrum does not reach from 380 to 780 nm: it counts as zero beyond its ends; where more than 0.5 % of the power may lie there, irradiance and efficacy are bounds",
        ),
        (
            "coarse",
            "steps are longer than 5 nm: 10 nm may move x, y by 2e-4 and narrow lines by more",
        ),
        (
            "noisy",
            "negative values are more than 1 % of the positive ones: noise moves the figures of colour",
        ),
        (
            "amber",
            "amber light: its nearest point of the locus is no colour temperature to compare, and no reference light is like it",
        ),
        (
            "far-from-reference",
            "the light lies farther from its reference (5.4e-3 in u, v) than CIE 13.3 allows for Ra",
        ),
        (
            "small-source",
            "small_source_lx is for sources below 11 mrad only; a lamp with a wide face is none. No risk group follows from it: hot spots and the field of view were not assessed",
        ),
    ];
    let told: Vec<&str> = cautions
        .into_iter()
        .filter(|(mark, _)| marked(mark))
        .map(|(_, caution)| caution)
        .collect();
    told.into_iter().for_each(|caution| answer.caution(caution));
    answer
}
