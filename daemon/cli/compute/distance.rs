//! `compute distance`: illuminance along a rail.
//!
//! Columns: one of `distance_m`, `distance_mm`, `distance_cm`, `distance_in`;
//! `illuminance_lx` or `illuminance_fc`, net of ambient light; `u_lx` where the
//! uncertainty is known (k = 1). Called by: compute.

use std::io::Write;

use photometry::distance::Point;
use photometry::distance_figures::DistanceFigures;
use photometry::far_field::{Beam, Field, field};
use photometry::units::{Length, Lux};

use super::Source;
use super::answer::{Answer, Rows};
use super::arguments::{self, BeamWord};
use super::columns::{Cells, Entry, Wanted};
use super::stats::left_out;
use crate::cli::complaint::Complaint;

/// (column, metres in one of it). 1 in = 25.4 mm exactly (NIST SP 811, App. B).
const DISTANCES: [(&str, f64); 4] = [
    ("distance_m", 1.0),
    ("distance_mm", 1e-3),
    ("distance_cm", 1e-2),
    ("distance_in", 0.0254),
];

/// Computes and prints.
///
/// # Errors
/// When the file or an option cannot be used.
pub fn run(args: &arguments::Distance, out: &mut impl Write) -> Result<(), Complaint> {
    let face = args
        .face
        .as_ref()
        .map(|face| Length::parse(face))
        .transpose();
    let face = face.map_err(|why| Complaint::Option {
        option: "face",
        reason: why.to_string(),
    })?;
    let column = |name, cells| Wanted { name, cells };
    let mut wanted: Vec<Wanted<'_>> = DISTANCES
        .iter()
        .map(|(name, _)| column(*name, Cells::Numbers))
        .collect();
    wanted.push(column("illuminance_lx", Cells::Readings));
    wanted.push(column("illuminance_fc", Cells::Readings));
    wanted.push(column("u_lx", Cells::Readings));
    let source = Source::read(&args.measured, &wanted)?;
    let (points, entries) = points(&source)?;
    let found = DistanceFigures::of(&points, args.target_lx);
    let mut answer = Answer {
        figures: found.figures(),
        ..Answer::default()
    };
    answer
        .rows
        .push(rows(&points, &found, face, args.beam.into()));
    left_out(&entries, &mut answer);
    answer.caution(
        "distances are from the datum that you measured from; say which when you publish them",
    );
    if face.is_none() {
        answer.caution("without --face nothing says which points lie in the near field");
    }
    answer.print(out, &args.measured)
}

fn points(source: &Source) -> Result<(Vec<Point>, Vec<Entry>), Complaint> {
    let given: Vec<_> = DISTANCES
        .iter()
        .filter_map(|(name, metres)| Some((source.columns.numbers(name)?, *metres)))
        .collect();
    let [(distances, metres)] = given.as_slice() else {
        let names = DISTANCES.map(|(name, _)| name).join(", ");
        return Err(source.refused(None, format!("it needs exactly one column of {names}")));
    };
    let (lux, candles) = (
        source.columns.readings("illuminance_lx"),
        source.columns.readings("illuminance_fc"),
    );
    let (entries, per_unit) = match (lux, candles) {
        (Some(lux), None) => (lux, 1.0),
        (None, Some(candles)) => (candles, Lux::from_foot_candles(1.0).0),
        _ => {
            let reason = "it needs one column of illuminance_lx, illuminance_fc";
            return Err(source.refused(None, reason));
        }
    };
    let uncertainties = source.columns.readings("u_lx");
    let points = distances.iter().zip(entries).enumerate();
    let points = points.map(|(at, (distance, entry))| Point {
        distance_m: distance * metres,
        // A reading without a value is no point; the fits leave it out.
        e_lx: entry.value().map_or(f64::NAN, |value| value * per_unit),
        u_lx: uncertainties.and_then(|all| all.get(at)?.value()),
    });
    Ok((points.collect(), entries.to_vec()))
}

fn rows(points: &[Point], found: &DistanceFigures, face: Option<Length>, beam: Beam) -> Rows {
    let residual = |fit: &Result<photometry::distance::DistanceFit, _>, at: usize| {
        let fit = fit.as_ref().ok()?;
        fit.residuals
            .get(at)
            .copied()
            .flatten()
            .map(|residual| 100.0 * residual)
    };
    let label = |distance_m: f64| match face {
        None => "",
        Some(face) => match field(distance_m, face.metres(), beam, 0.0) {
            Field::Near => "near field",
            Field::Far => "far field",
        },
    };
    let row = |(at, point): (usize, &Point)| {
        vec![
            point.distance_m.into(),
            point.e_lx.into(),
            residual(&found.offset, at).into(),
            residual(&found.disc, at).into(),
            label(point.distance_m).into(),
        ]
    };
    Rows {
        about: "Points",
        columns: vec![
            "distance_m",
            "illuminance_lx",
            "offset_residual_percent",
            "disc_residual_percent",
            "field",
        ],
        rows: points.iter().enumerate().map(row).collect(),
    }
}

impl From<BeamWord> for Beam {
    fn from(word: BeamWord) -> Beam {
        match word {
            BeamWord::Wide => Beam::NearCosine,
            BeamWord::Medium => Beam::Medium,
            BeamWord::Narrow => Beam::Narrow,
        }
    }
}
