//! `compute sphere`: the flux of a lamp in an integrating sphere.
//!
//! Columns: `reading` (test, reference, dark, aux_test, aux_reference,
//! aux_dark), `value` in the meter's unit, `u` where a reading's standard
//! uncertainty is known. Readings of one kind may stand in several rows: their
//! mean counts, with its standard error. Called by: compute.

use std::io::Write;

use photometry::light_units::Candelas;
use photometry::sphere::{Reading, Readings, flux};
use photometry::sphere_figures::{self, Beside, LARGE_LAMP, names};
use photometry::statistics::moments;
use photometry::uncertainty::Estimate;

use super::Source;
use super::answer::{Answer, Rows};
use super::arguments;
use super::columns::{Cells, Wanted};
use crate::cli::complaint::Complaint;

/// The kinds of readings; the last three belong to the auxiliary lamp.
const KINDS: [&str; 6] = [
    "test",
    "reference",
    "dark",
    "aux_test",
    "aux_reference",
    "aux_dark",
];
/// How many of them must be there.
const NEEDED: usize = 3;
/// The mark of a flux without an auxiliary lamp.
const NO_AUXILIARY: &str = "no-auxiliary";

/// Computes and prints.
///
/// # Errors
/// When the file or an option cannot be used.
pub fn run(args: &arguments::Sphere, out: &mut impl Write) -> Result<(), Complaint> {
    let column = |name, cells| Wanted { name, cells };
    let wanted = [
        column("reading", Cells::Words),
        column("value", Cells::Numbers),
        column("u", Cells::Readings),
    ];
    let (reference, mismatch, beside) = known(args)?;
    let source = Source::read(&args.measured, &wanted)?;
    let means = means(&source)?;
    let with_auxiliary = means.iter().skip(NEEDED).all(Option::is_some);
    let readings = readings(&source, &means)?;
    let found = flux(&reference, &readings, &mismatch).map_err(|why| source.refused(None, why))?;
    let mut figures = sphere_figures::of(&found, &beside);
    if !with_auxiliary {
        for figure in &mut figures {
            *figure = if figure.name.name == names::ABSORPTION.name {
                photometry::figure::Figure::withheld(figure.name, "no auxiliary lamp was read")
            } else {
                figure.clone().marked(NO_AUXILIARY)
            };
        }
    }
    let shares = found.flux_lm.shares().into_iter().map(|share| {
        vec![
            share.source.as_str().into(),
            share.u.into(),
            (100.0 * share.share).into(),
        ]
    });
    let mut answer = Answer {
        figures,
        rows: vec![Rows {
            about: "Sources of uncertainty",
            columns: vec!["source", "u_lm", "share_percent"],
            rows: shares.collect(),
        }],
        ..Answer::default()
    };
    cautions(&mut answer, args, &means, with_auxiliary);
    answer.print(out, &args.measured)
}

/// What the options say.
fn known(args: &arguments::Sphere) -> Result<(Estimate, Estimate, Beside), Complaint> {
    let above_zero = |option: &'static str, value: f64| {
        if value > 0.0 && value.is_finite() {
            return Ok(value);
        }
        let reason = "it must be above zero".to_owned();
        Err(Complaint::Option { option, reason })
    };
    let uncertainty = |option: &'static str, value: f64| {
        if value >= 0.0 && value.is_finite() {
            return Ok(value);
        }
        let reason = "an uncertainty is not negative".to_owned();
        Err(Complaint::Option { option, reason })
    };
    let reference = Estimate::exact(above_zero("reference-lm", args.reference_lm)?).with(
        "reference lamp",
        uncertainty("reference-u-lm", args.reference_u_lm)?,
        None,
    );
    let mismatch = Estimate::exact(above_zero("mismatch", args.mismatch)?).with(
        "spectral mismatch",
        uncertainty("mismatch-u", args.mismatch_u)?,
        None,
    );
    let optional =
        |option, value: Option<f64>| value.map(|value| above_zero(option, value)).transpose();
    let surface = optional("lamp-surface-m2", args.lamp_surface_m2)?;
    let beside = Beside {
        on_axis: optional("on-axis-cd", args.on_axis_cd)?.map(Candelas),
        power_w: optional("power-w", args.power_w)?.map(Estimate::exact),
        surface_m2_in_m: surface.zip(optional("sphere-m", args.sphere_m)?),
    };
    Ok((reference, mismatch, beside))
}

/// The mean of each kind of readings.
fn means(source: &Source) -> Result<[Option<Reading>; 6], Complaint> {
    let values = source.need("value")?;
    let kinds = source.columns.words("reading").unwrap_or_default();
    if kinds.len() != values.len() {
        return Err(source.refused(None, "the column `reading` is missing"));
    }
    let stated = source.columns.readings("u");
    let stated = |at: usize| stated.and_then(|all| all.get(at)?.value());
    let mut mistakes = Vec::new();
    let mut of_kind: [Vec<(f64, Option<f64>)>; 6] = Default::default();
    for (at, (kind, value)) in kinds.iter().zip(&values).enumerate() {
        match KINDS.iter().position(|known| known == kind) {
            Some(kind) => of_kind[kind].push((*value, stated(at))),
            None => {
                let known = KINDS.join(", ");
                mistakes.push((
                    at + 1,
                    format!("`{kind}` is no reading; use one of {known}"),
                ));
            }
        }
        if stated(at).is_some_and(|u| u < 0.0) {
            mistakes.push((at + 1, "an uncertainty is not negative".to_owned()));
        }
    }
    if !mistakes.is_empty() {
        return Err(source.refused_rows(mistakes));
    }
    Ok(of_kind.map(|all| mean(&all)))
}

/// The mean with the standard error of repeats and what was stated of each,
/// which does not shrink by repeating.
fn mean(all: &[(f64, Option<f64>)]) -> Option<Reading> {
    let values: Vec<f64> = all.iter().map(|(value, _)| *value).collect();
    let found = moments(&values)?;
    let stated = all.iter().filter_map(|(_, u)| *u).fold(0.0, f64::max);
    let repeats = found.standard_error().unwrap_or(0.0);
    Some(Reading {
        value: found.mean,
        u: stated.hypot(repeats),
    })
}

fn readings(source: &Source, means: &[Option<Reading>; 6]) -> Result<Readings, Complaint> {
    let missing: Vec<&str> = KINDS
        .iter()
        .zip(means)
        .enumerate()
        .filter(|(at, (_, mean))| mean.is_none() && (*at < NEEDED || started(means)))
        .map(|(_, (kind, _))| *kind)
        .collect();
    if !missing.is_empty() {
        let reason = format!("there is no reading of {}", missing.join(", "));
        return Err(source.refused(None, reason));
    }
    let or = |at: usize, value: f64| means[at].unwrap_or(Reading { value, u: 0.0 });
    Ok(Readings {
        test: or(0, 0.0),
        reference: or(1, 0.0),
        dark: or(2, 0.0),
        // Without an auxiliary lamp both lamps absorb alike.
        aux_test: or(3, 1.0),
        aux_reference: or(4, 1.0),
        aux_dark: or(5, 0.0),
    })
}

/// Whether any reading of the auxiliary lamp is there: then all must be.
fn started(means: &[Option<Reading>; 6]) -> bool {
    means.iter().skip(NEEDED).any(Option::is_some)
}

fn cautions(
    answer: &mut Answer,
    args: &arguments::Sphere,
    means: &[Option<Reading>; 6],
    with_auxiliary: bool,
) {
    if !with_auxiliary {
        answer.caution(
            "no auxiliary lamp was read: what the lamp itself absorbs is not corrected, and no uncertainty stands for it",
        );
    }
    if args.reference_u_lm == 0.0 {
        answer.caution(
            "the reference lamp has no uncertainty: give --reference-u-lm from its certificate",
        );
    }
    if args.mismatch_u == 0.0 {
        answer.caution("the spectral mismatch has no uncertainty: U lacks that part");
    }
    let unknown = KINDS
        .iter()
        .zip(means)
        .filter(|(_, mean)| mean.is_some_and(|mean| mean.u == 0.0));
    let unknown: Vec<&str> = unknown.map(|(kind, _)| *kind).collect();
    if !unknown.is_empty() {
        answer.caution(format!(
            "no uncertainty is known of {}: read them several times, or state `u`",
            unknown.join(", ")
        ));
    }
    if answer
        .figures
        .iter()
        .any(|figure| figure.marks.contains(&LARGE_LAMP))
    {
        answer.caution(
            "the lamp's surface is above 2 % of the wall: the auxiliary lamp does not see all that it absorbs",
        );
    }
}
