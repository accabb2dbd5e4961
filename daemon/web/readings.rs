//! A run's raw readings, and the survey made of them.

use axum::Json;
use axum::extract::{Path, Query, State};
use photometry::measured::{Outcome, Quantity, latin1};
use photometry::units::{Ratio, Span};
use serde::Deserialize;

use super::problem::Trouble;
use super::runs;
use super::serve::Desk;
use super::wire::{self, Chart, Reading, Survey, SurveyAnswer, SurveyCell, WarmUp};
use crate::report::survey::SurveyFigures;
use crate::report::{chart, gather, lux_chart, table};
use crate::store::readings::ReadingRow;

/// Which readings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Which {
    /// Those that are the results of their keys.
    #[default]
    Results,
    /// Every one.
    All,
}

/// The query of `GET /runs/{run}/readings`.
#[derive(Debug, Default, Deserialize)]
pub struct What {
    /// Which readings.
    #[serde(default)]
    pub what: Which,
}

/// `GET /runs/{run}/readings?what=results|all`
///
/// # Errors
/// When there is no such run.
pub async fn list(
    State(desk): State<Desk>,
    Path(run): Path<String>,
    Query(What { what }): Query<What>,
) -> Result<Json<Vec<Reading>>, Trouble> {
    let run = runs::number(&run)?;
    if desk.store.run(run).await?.is_none() {
        return Err(Trouble::no_run(run));
    }
    let rows = desk.store.readings(run).await?;
    let wanted = rows
        .iter()
        .filter(|row| what == Which::All || row.is_result());
    Ok(Json(wanted.map(row).collect()))
}

fn row(row: &ReadingRow) -> Reading {
    let reading = &row.reading;
    let (limit_lx, reason) = match &reading.outcome {
        Outcome::Over(limit) | Outcome::Under(limit) => (Some(*limit), None),
        Outcome::Rejected(reason) => (None, Some(reason.clone())),
        Outcome::Value(_) | Outcome::TimedOut => (None, None),
    };
    let of = |quantity| {
        let value = reading.outcome.value();
        value.filter(|_| reading.quantity == quantity)
    };
    let (status, reason) = match &row.set_aside {
        Some(aside) => ("set aside", Some(aside.because.clone())),
        None => (reading.outcome.kind(), reason),
    };
    Reading {
        run: row.run.0,
        key: format!("{}:{}", row.run, row.key),
        seq: row.seq,
        test: row.key.test.clone(),
        setting: row.key.setting.clone(),
        position_m: row.key.position.metres(),
        what: row.key.purpose.word().to_owned(),
        visit: row.key.visit,
        attempt: row.attempt,
        sitting: row.sitting,
        counts: row.counts,
        status: status.to_owned(),
        quantity: reading.quantity.name().to_owned(),
        illuminance_lx: of(Quantity::Illuminance),
        power_w: of(Quantity::Power),
        temperature_c: of(Quantity::Temperature),
        limit_lx,
        reason,
        range_lx: reading.range,
        flags: reading.flags.join("; "),
        taken_utc: wire::utc(reading.taken.wall),
        taken_us: reading.taken.wall.us(),
        taken_mono_ns: reading.taken.mono.ns(),
        meter: reading.meter.clone(),
        certificate: row.beside.certificate.clone().unwrap_or_default(),
        calibration_due: row.beside.calibration_due.clone().unwrap_or_default(),
        unit: row.beside.sample.clone(),
        firmware: row.beside.firmware.clone(),
        origin: row.origin.word().to_owned(),
        raw: latin1::text(&reading.raw),
    }
}

/// `GET /runs/{run}/survey`
///
/// # Errors
/// When there is no such run.
pub async fn survey(
    State(desk): State<Desk>,
    Path(run): Path<String>,
) -> Result<Json<SurveyAnswer>, Trouble> {
    let run = runs::number(&run)?;
    let whole = runs::whole(&desk, run).await?;
    let events = &whole.events;
    let figures = gather::surveys(&whole.frozen, &whole.readings, events);
    let texts: Vec<String> = figures.iter().map(table::text).collect();
    let charts = figures.iter().map(|test| Chart {
        test: test.test.clone(),
        svg: chart::svg(&lux_chart::lux_against_distance(test)),
    });
    let bench = match (events.first(), events.last()) {
        (Some(first), Some(last)) => last.at.wall.since(first.at.wall),
        _ => Span::ZERO,
    };
    Ok(Json(SurveyAnswer {
        survey: Survey {
            run: run.0,
            bench_s: bench.secs(),
            cells: figures.iter().flat_map(cells).collect(),
            warm_ups: figures.iter().flat_map(warm_ups).collect(),
            notes: figures.iter().flat_map(table::notes).collect(),
        },
        table: texts.join("\n"),
        csv: table::csv(&figures)?,
        charts: charts.collect(),
    }))
}

fn cells(figures: &SurveyFigures) -> Vec<SurveyCell> {
    let mut cells = Vec::new();
    for setting in &figures.settings {
        cells.extend(setting.points.iter().map(|point| SurveyCell {
            test: figures.test.clone(),
            setting: setting.setting.clone(),
            position_m: point.position.metres(),
            illuminance_lx: point.estimate.as_ref().map(|estimate| estimate.value),
            expanded_uncertainty_lx: point.expanded_lx,
            readings: point.n,
            status: point.status().to_owned(),
            flags: point.remarks(),
        }));
    }
    cells
}

fn warm_ups(figures: &SurveyFigures) -> Vec<WarmUp> {
    let mut warm_ups = Vec::new();
    for setting in &figures.settings {
        warm_ups.extend(setting.warm_up.iter().map(|warm_up| WarmUp {
            test: figures.test.clone(),
            setting: setting.setting.clone(),
            stable: warm_up.stable,
            by: warm_up.by.clone(),
            figure: warm_up.figure.map(Ratio::share),
            after_s: warm_up.after.secs(),
            decline_per_hour: warm_up.decline_per_hour.map(Ratio::share),
            drift: setting.drift.map(Ratio::share),
            drift_flagged: setting.drift_flagged,
        }));
    }
    warm_ups
}
