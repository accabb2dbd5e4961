//! Scripts: what one ruling costs, and a metric over a long record against the
//! same figures taken natively.

use std::collections::BTreeMap;
use std::sync::Arc;

use photometry::statistics;
use photometry::uncertainty::Estimate;
use wakerail::script::host::{compile, measure, rule};
use wakerail::script::limits::Limits;
use wakerail::script::parameters::given;
use wakerail::script::shipped::shipped;
use wakerail::script::unit::Unit;
use wakerail::script::view::{Measured, PointView, SettingView, View};

use crate::{Failed, ROUNDS, row, times};

/// Readings of the long record.
const READINGS: usize = 100_000;

/// A metric of three passes: mean, largest, slope along the record.
const METRIC: &str = "fn metric(run, given) {
    let s = run.settings[0];
    s.lux.mean() + s.lux.max() + s.lux.slope(s.distances) * s.distances[0]
}";

/// Measures and prints.
pub fn rows() -> Result<(), Failed> {
    let ladder = Arc::new(view(12, 12, 3));
    for (name, text) in shipped() {
        let script = compile(name, text).map_err(|mistakes| format!("{mistakes:?}"))?;
        let given = given(&script, &BTreeMap::new()).map_err(|wrong| wrong.join("; "))?;
        if *name == "directivity" {
            continue;
        }
        let took = times(ROUNDS, || {
            rule(&script, &ladder, &given, &Limits::default()).word
        });
        row(&format!("rule {name} on 12 levels of 12 points"), took);
    }
    let (_, text) = shipped()[0];
    row(
        "compile a script",
        times(ROUNDS, || compile("mine", text).is_ok()),
    );
    for terms in [0, 3] {
        let long = Arc::new(view(1, READINGS, terms));
        let script = compile("long", METRIC).map_err(|mistakes| format!("{mistakes:?}"))?;
        let defaults = given(&script, &BTreeMap::new()).map_err(|wrong| wrong.join("; "))?;
        let found = || measure(&script, &long, &defaults, &Limits::default());
        found()?;
        let scripted = times(ROUNDS / 4, || found().is_ok());
        let native = times(ROUNDS / 4, || natively(&long));
        row(
            &format!("metric over {READINGS} readings of {terms} terms"),
            scripted,
        );
        row("  natively", native);
        let ratio = scripted.p50.as_secs_f64() / native.p50.as_secs_f64();
        println!("  script over native: {ratio:.2} (p50)");
    }
    Ok(())
}

/// The same figures without a script: values, their terms summed by source, and
/// the keys that they rest on.
fn natively(view: &View) -> Option<(Estimate, Vec<String>)> {
    let points = &view.settings[0].points;
    let mut lux = Vec::with_capacity(points.len());
    let mut places = Vec::with_capacity(points.len());
    for point in points {
        if let Ok(estimate) = &point.lux.what {
            lux.push(estimate);
            places.push(point.position_m);
        }
    }
    let values: Vec<f64> = lux.iter().map(|estimate| estimate.value).collect();
    let mean = statistics::moments(&values)?.mean;
    let middle = statistics::moments(&places)?.mean;
    let largest = (0..values.len()).max_by(|a, b| values[*a].total_cmp(&values[*b]))?;
    let pairs: Vec<(f64, f64)> = places.iter().copied().zip(values.iter().copied()).collect();
    let slope = statistics::line(&pairs)?.slope;
    let squares: f64 = places.iter().map(|x| (x - middle).powi(2)).sum();
    let summed = |by: &dyn Fn(usize) -> f64| {
        let mut sum = Estimate::exact(0.0);
        for (row, estimate) in lux.iter().enumerate() {
            for term in &estimate.terms {
                match sum
                    .terms
                    .iter_mut()
                    .find(|known| known.source == term.source)
                {
                    Some(known) => known.u += by(row) * term.u,
                    None => sum = sum.with(&term.source, by(row) * term.u, term.dof),
                }
            }
        }
        sum
    };
    let share = 1.0 / values.len() as f64;
    let mut found = summed(&|_| share)
        .plus(&summed(&|row| if row == largest { 1.0 } else { 0.0 }))
        .plus(&summed(&|row| (places[row] - middle) / squares * places[0]));
    found.value = mean + values[largest] + slope * places[0];
    let mut keys: Vec<String> = points.iter().map(|point| point.key.clone()).collect();
    keys.sort();
    keys.dedup();
    Some((found, keys))
}

/// A lamp of so many levels and points.
pub fn view(levels: u16, points: usize, terms: usize) -> View {
    let lux = |value: f64, key: &str| {
        let mut estimate = Estimate::exact(value);
        for term in 0..terms {
            let source = format!("source {term} of the lux head");
            estimate = estimate.with(&source, 0.01 * value, None);
        }
        Measured::known(estimate, Unit::Lux, key)
    };
    let setting = |level: u16| {
        let name = format!("L{level:02}");
        let cd = f64::from(level).powi(2);
        let point = |at: usize| {
            let position_m = 0.1524 + 1.7 * at as f64 / points as f64;
            let key = format!("survey/{name}/{at:06}/read/1");
            PointView {
                position_m,
                lux: lux(cd / position_m.powi(2), &key),
                key,
            }
        };
        SettingView {
            shown: format!("level {level}"),
            mode: None,
            level: Some(level),
            points: (0..points).map(point).collect(),
            drift: Measured::known(Estimate::exact(0.1), Unit::Percent, "drift"),
            reference: lux(cd / 0.0929, "reference"),
            name,
        }
    };
    View {
        lamp: "knot".to_owned(),
        unit: "K-1".to_owned(),
        firmware: None,
        plan: "evening".to_owned(),
        bench: "strand".to_owned(),
        unfinished: false,
        settings: (1..=levels).map(setting).collect(),
    }
}
