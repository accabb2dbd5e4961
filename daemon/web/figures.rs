//! What the tests of a run found beside surveys.

use axum::Json;
use axum::extract::{Path, State};
use photometry::figure::{Figure, Given};
use photometry::units::Span;

use super::problem::Trouble;
use super::runs;
use super::serve::Desk;
use super::wire::figures as wire;
use crate::report::ids::FigureId;
use crate::report::measures::on_the_way::WaySpectrum;
use crate::report::measures::{Curve, Measure};
use crate::report::survey::K;

/// `GET /runs/{run}/figures`
///
/// # Errors
/// When there is no such run.
pub async fn list(
    State(desk): State<Desk>,
    Path(run): Path<String>,
) -> Result<Json<Vec<wire::Measure>>, Trouble> {
    let run = runs::number(&run)?;
    let mut whole = runs::whole(&desk, run).await?;
    let found = runs::measured(&desk, &mut whole).await?;
    Ok(Json(found.iter().map(|one| told(run.0, one)).collect()))
}

fn told(run: i64, measure: &Measure) -> wire::Measure {
    let figures = measure.figures.iter();
    wire::Measure {
        test: measure.test.clone(),
        kind: measure.kind.word().to_owned(),
        of: measure.of.clone(),
        shown: measure.shown.clone(),
        meter: measure.meter.clone(),
        figures: figures.map(|one| figure(run, measure, one)).collect(),
        notes: measure.notes.clone(),
        events: measure.rests_on.len(),
        unfinished: measure.unfinished,
        curve: measure.curve.as_ref().map(curve),
        on_the_way: measure.on_the_way.iter().map(on_the_way).collect(),
    }
}

fn on_the_way(one: &WaySpectrum) -> wire::WaySpectrum {
    wire::WaySpectrum {
        time_min: one.after_s / 60.0,
        integration_s: one.integration.map(Span::secs),
        cct_k: one.cct_k,
        melanopic_der: one.melanopic_der,
        unused: one.unused.clone(),
    }
}

fn curve(curve: &Curve) -> wire::Curve {
    let (x, y, points) = match curve {
        Curve::Spectrum(points) => ("wavelength_nm", "irradiance_w_per_m2_nm", points),
        Curve::Waveform(points) => ("time_ms", "light_over_mean", points),
        Curve::Ramp(points) => ("time_min", "net_illuminance_lx", points),
        Curve::FluxRamp(points) => ("time_min", "net_flux_lm", points),
        Curve::SpectralFlux(points) => ("wavelength_nm", "flux_w_per_nm", points),
    };
    wire::Curve {
        x: x.to_owned(),
        y: y.to_owned(),
        points: points.clone(),
    }
}

fn figure(run: i64, measure: &Measure, figure: &Figure) -> wire::Figure {
    let id = FigureId::Measured {
        run,
        test: measure.test.clone(),
        of: measure.of.clone(),
        figure: figure.name,
    };
    let mut told = wire::Figure {
        id: id.to_string(),
        name: figure.name.name.to_owned(),
        unit: figure.name.unit.to_owned(),
        marks: figure.marks.iter().map(|mark| (*mark).to_owned()).collect(),
        meaning: figure.name.meaning.to_owned(),
        standard: figure.name.standard.to_owned(),
        ..wire::Figure::default()
    };
    match &figure.given {
        Given::Number(value) => told.value = Some(*value),
        Given::Estimate(estimate) => {
            told.value = Some(estimate.value);
            told.expanded = Some(estimate.expanded(K));
            let terms = estimate.terms.iter();
            told.terms = terms.map(|term| (term.source.clone(), term.u)).collect();
        }
        Given::Word(word) => told.word = Some((*word).to_owned()),
        Given::AtMost(bound) => told.at_most = Some(*bound),
        Given::AtLeast(bound) => told.at_least = Some(*bound),
        Given::Withheld(why) => told.withheld = Some(why.clone()),
    }
    told
}
