//! The four lamps of `demo` beside each other: a row for each figure, a column for
//! each lamp.
//!
//! Called by: demo_lamps. Not here: computing any of it (report, in the daemon).

use photometry::ramp::figures::is_end_of;

use super::demo_lamps::Found;
use super::findings::{figure, values};
use super::format::{Cell, Grid};
use crate::web::wire::SurveyCell;
use crate::web::wire::figures::{Figure, Measure};

/// Colour temperatures nearer to each other than this are told as one, in K.
const ONE_WHITE_K: f64 = 50.0;

/// One row: what it is, its unit, and how it is taken from what was found.
type Row = (&'static str, &'static str, fn(&Found) -> Option<String>);

const ROWS: [Row; 20] = [
    ("illuminance at full, 12 in", "lx", |found| {
        near(found).map(rounded(0))
    }),
    ("luminous flux at full", "lm", |found| {
        shown(brightest(found)?, "flux_lm", 0)
    }),
    ("efficacy at full", "lm/W", |found| {
        shown(brightest(found)?, "efficacy_lm_per_w", 1)
    }),
    ("colour temperature", "K", colour_temperature),
    ("Duv, farthest from 0", "", |found| {
        let all = values(&found.measures, "spectrum", "duv");
        all.max_by(|a, b| a.abs().total_cmp(&b.abs()))
            .map(|duv| format!("{duv:+.4}"))
    }),
    ("Ra, least", "", |found| {
        least(found, "spectrum", "ra").map(rounded(1))
    }),
    ("melanopic DER, most", "", |found| {
        most(found, "spectrum", "melanopic_der").map(rounded(3))
    }),
    ("percent flicker, most", "%", worst_flicker),
    ("dawn: half of its light after", "s", |found| {
        shown(program(found, "dawn")?, "t50_s", 0)
    }),
    ("dawn: dose at 12 in", "lx min", |found| {
        shown(program(found, "dawn")?, "dose_lux_min", 0)
    }),
    ("dawn: melanopic dose at 12 in", "lx min", |found| {
        shown(program(found, "dawn")?, "melanopic_dose_lux_min", 0)
    }),
    ("dawn: colour temperature at its end", "K", |found| {
        shown(end(found, "dawn")?, "cct_k", 0)
    }),
    ("dawn: melanopic DER at its end", "", |found| {
        shown(end(found, "dawn")?, "melanopic_der", 3)
    }),
    ("dusk: a tenth left after", "s", |found| {
        shown(program(found, "dusk")?, "t10_s", 0)
    }),
    ("display, just switched off", "lx", |found| {
        told(found, "display_first_lx", 3)
    }),
    ("light when off", "lx", |found| {
        told(found, "standby_light_lx", 3)
    }),
    ("power when off", "W", |found| told(found, "standby_w", 2)),
    ("power, most", "W", |found| {
        most(found, "standby", "operating_w").map(rounded(1))
    }),
    ("in the sphere", "", |found| {
        Some(found.runs.first()?.state.clone())
    }),
    ("on the rail", "", |found| {
        Some(found.runs.last()?.state.clone())
    }),
];

/// All of them beside each other.
pub fn of(found: &[Found]) -> Grid {
    let heads = ["figure", "unit"].map(str::to_owned).into_iter();
    let lamps = found.iter().map(|one| one.lamp.clone());
    let mut grid = Grid::new(heads.chain(lamps));
    for (what, unit, pick) in ROWS {
        let cells = found
            .iter()
            .map(|one| pick(one).map_or(Cell::Empty, Cell::Number));
        let heads = [Cell::text(what), Cell::text(unit)];
        grid.row(heads.into_iter().chain(cells).collect());
    }
    grid
}

fn rounded(digits: usize) -> impl Fn(f64) -> String {
    move |value| format!("{value:.digits$}")
}

fn most(found: &Found, kind: &'static str, name: &'static str) -> Option<f64> {
    values(&found.measures, kind, name).reduce(f64::max)
}

fn least(found: &Found, kind: &'static str, name: &'static str) -> Option<f64> {
    values(&found.measures, kind, name).reduce(f64::min)
}

/// Of the position nearest to the lamp, the most.
fn near(found: &Found) -> Option<f64> {
    let cells = &found.survey.as_ref()?.cells;
    let nearest = cells.iter().map(|cell| cell.position_m);
    let nearest = nearest.fold(f64::INFINITY, f64::min);
    let near = |cell: &&SurveyCell| cell.position_m == nearest;
    let lux = cells.iter().filter(near);
    lux.filter_map(|cell| cell.illuminance_lx).reduce(f64::max)
}

/// What was measured in the sphere at the setting that gives most light.
fn brightest(found: &Found) -> Option<&Measure> {
    let flux = |measure: &&Measure| figure(measure, "flux_lm")?.value;
    let measured = found.measures.iter().filter(|one| flux(one).is_some());
    measured.max_by(|a, b| {
        let order = flux(a).partial_cmp(&flux(b));
        order.unwrap_or(std::cmp::Ordering::Equal)
    })
}

/// The first recording of a program of this name.
fn program<'f>(found: &'f Found, name: &str) -> Option<&'f Measure> {
    let mut ramps = found.measures.iter();
    ramps.find(|measure| measure.kind == "ramp" && measure.of.starts_with(name))
}

/// The light that the first recording of a program ended in.
fn end<'f>(found: &'f Found, name: &str) -> Option<&'f Measure> {
    let recording = program(found, name)?;
    let mut measures = found.measures.iter();
    measures.find(|end| end.test == recording.test && is_end_of(&end.of, &recording.of))
}

/// A figure of a measure, or the bound that is known of it.
fn shown(measure: &Measure, name: &str, digits: usize) -> Option<String> {
    in_words(figure(measure, name)?, digits)
}

fn in_words(figure: &Figure, digits: usize) -> Option<String> {
    let round = rounded(digits);
    match (figure.value, figure.at_most, figure.at_least) {
        (Some(value), ..) => Some(round(value)),
        (_, Some(bound), _) => Some(format!("at most {}", round(bound))),
        (.., Some(bound)) => Some(format!("at least {}", round(bound))),
        _ => None,
    }
}

/// A figure of the lamp switched off.
fn told(found: &Found, name: &str, digits: usize) -> Option<String> {
    let mut idle = found.measures.iter();
    let figure = idle.find_map(|measure| match measure.kind.as_str() {
        "standby" => figure(measure, name),
        _ => None,
    })?;
    in_words(figure, digits)
}

/// The largest that was seen; where none was, what it may be at most.
fn worst_flicker(found: &Found) -> Option<String> {
    let seen = most(found, "flicker", "percent_flicker").map(rounded(1));
    seen.or_else(|| {
        let all = found.measures.iter();
        let bounds = all.filter_map(|measure| figure(measure, "percent_flicker")?.at_most);
        let bound = bounds.reduce(f64::max)?;
        Some(format!("at most {bound:.2}"))
    })
}

/// One, or from the warmest to the coldest.
fn colour_temperature(found: &Found) -> Option<String> {
    let (warm, cold) = (
        least(found, "spectrum", "cct_k")?,
        most(found, "spectrum", "cct_k")?,
    );
    Some(match cold - warm < ONE_WHITE_K {
        true => format!("{warm:.0}"),
        false => format!("{warm:.0} to {cold:.0}"),
    })
}
