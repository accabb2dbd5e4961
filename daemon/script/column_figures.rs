//! Figures of a column: one native pass each, with uncertainty to first order.
//!
//! A figure's sensitivity to each row carries the rows' terms into it; scatter
//! between rows is the figure `sd`, not a term. `lag_one` and `mad_scaled` are
//! plain numbers: nothing rules on them.
//!
//! Called by: scripts. Not here: what a column is (`columns`).

use photometry::uncertainty::Estimate;
use photometry::{robust, statistics};

use super::api::{Entry, entries};
use super::columns::{Column, Filling};
use super::fault::{Raised, raise};
use super::reach::{self, Extreme};
use super::sandbox::charge;
use super::unit::Unit;
use super::values::{Amount, number, shown};

fn mean(column: &Column) -> Amount {
    let values = column.values();
    let value = statistics::moments(values).map(|moments| moments.mean);
    let share = 1.0 / values.len().max(1) as f64;
    column.figure(value, column.0.unit.clone(), |_| share)
}

fn sum(column: &Column) -> Amount {
    let value = column.values().iter().sum::<f64>();
    column.figure(Some(value), column.0.unit.clone(), |_| 1.0)
}

/// The standard deviation; its sensitivity to a row is (x - mean)/((n - 1) s).
fn sd(column: &Column) -> Amount {
    let values = column.values();
    let found = statistics::moments(values).and_then(|m| Some((m.mean, m.sd?)));
    let (mean, sd) = found.unwrap_or((0.0, 0.0));
    let below = (values.len().max(2) - 1) as f64 * sd;
    let by = |row: usize| {
        if sd > 0.0 {
            (values[row] - mean) / below
        } else {
            0.0
        }
    };
    column.figure(found.map(|(_, sd)| sd), column.0.unit.clone(), by)
}

/// The value below which this share of the rows lies, on a straight line
/// between neighbours (Hyndman and Fan 1996, type 7).
fn quantile(column: &Column, share: f64) -> Amount {
    let values = column.values();
    let unit = column.0.unit.clone();
    if values.is_empty() {
        return column.figure(None, unit, |_| 0.0);
    }
    charge(4 * values.len());
    let place = share * (values.len() - 1) as f64;
    let (low, part) = (place.floor() as usize, place.fract());
    let mut order: Vec<usize> = (0..values.len()).collect();
    let by_value = |a: &usize, b: &usize| values[*a].total_cmp(&values[*b]).then(a.cmp(b));
    let (_, &mut low_row, above) = order.select_nth_unstable_by(low, by_value);
    let high_row = above.iter().copied().min_by(by_value).unwrap_or(low_row);
    let value = values[low_row] + part * (values[high_row] - values[low_row]);
    let by = |row: usize| {
        let low = if row == low_row { 1.0 - part } else { 0.0 };
        low + if row == high_row { part } else { 0.0 }
    };
    column.figure(Some(value), unit, by)
}

/// The largest or smallest row; rows without a value may lie beyond it.
fn extreme(column: &Column, which: Extreme) -> Amount {
    let found = match which {
        Extreme::Largest => quantile(column, 1.0),
        Extreme::Smallest => quantile(column, 0.0),
    };
    charge(8 * column.0.passed_over.len());
    match &found.0.what {
        Ok(estimate) => {
            let others = column.0.passed_over.iter();
            let reach = reach::of_extreme(which, estimate.value, others);
            found.reaching(reach)
        }
        Err(_) => found,
    }
}

fn percentile(column: &Column, percent: f64) -> Raised<Amount> {
    if !(0.0..=100.0).contains(&percent) {
        return raise(format!(
            "a percentile lies between 0 and 100, not at {}",
            shown(percent)
        ));
    }
    Ok(match percent {
        0.0 => extreme(column, Extreme::Smallest),
        100.0 => extreme(column, Extreme::Largest),
        _ => quantile(column, percent / 100.0),
    })
}

/// Huber's location; the rows beyond its reach do not move it.
fn huber(column: &Column) -> Amount {
    let values = column.values();
    charge(40 * values.len());
    let value = robust::huber(values);
    let middle = value.unwrap_or(0.0);
    let reach = HUBER_REACH * robust::mad_scaled(values).unwrap_or(0.0);
    let counts = |value: &f64| (value - middle).abs() <= reach;
    let counting = values.iter().filter(|value| counts(value)).count().max(1);
    let by = |row: usize| {
        if counts(&values[row]) {
            1.0 / counting as f64
        } else {
            0.0
        }
    };
    column.figure(value, column.0.unit.clone(), by)
}

/// Huber's bound in scaled MADs, as in `robust`.
const HUBER_REACH: f64 = 1.5;

/// A plain number of a column, or a fault.
fn plain(column: &Column, of: fn(&[f64]) -> Option<f64>, what: &str) -> Raised<f64> {
    charge(8 * column.values().len());
    match of(column.values()) {
        Some(found) => Ok(found),
        None => raise(format!("{} has no {what}", column.0.label)),
    }
}

fn same_length(one: &Column, two: &Column) -> Raised<()> {
    let (a, b) = (one.values().len(), two.values().len());
    if a == b {
        return Ok(());
    }
    raise(format!("the columns have {a} and {b} rows"))
}

/// Change of this column per unit of another, least squares; the other's own
/// uncertainty is not counted.
fn slope(column: &Column, along: &Column) -> Raised<Amount> {
    same_length(column, along)?;
    let (y, x) = (column.values(), along.values());
    let points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
    let line = statistics::line(&points);
    let mean = statistics::moments(x).map_or(0.0, |m| m.mean);
    let squares: f64 = x.iter().map(|x| (x - mean).powi(2)).sum();
    let by = |row: usize| (x[row] - mean) / squares;
    let unit = column.0.unit.over(&along.0.unit);
    let figure = column.figure(line.map(|line| line.slope), unit.clone(), by);
    let scatter = line.and_then(|line| line.slope_sd).unwrap_or(0.0);
    let dof = Some(points.len().saturating_sub(2).max(1) as f64);
    let source = format!("fit of {}", column.0.label);
    let what = figure.0.what.clone();
    let what = what.map(|estimate| match scatter > 0.0 {
        true => estimate.with(&source, scatter, dof),
        false => estimate,
    });
    let both = figure.with(what, unit.clone());
    let other = along.figure(Some(0.0), unit.clone(), |_| 0.0);
    Ok(both.joined(&other, unit, |found, _| Ok(found.clone())))
}

/// Each row over the one before; equal sources cancel.
fn ratios(column: &Column) -> Raised<Column> {
    let rows = column.values().len();
    let mut estimates: Vec<Estimate> = column
        .values()
        .iter()
        .map(|v| Estimate::exact(*v))
        .collect();
    for source in &column.0.sources {
        for (row, u) in &source.rows {
            let terms = &mut estimates[*row].terms;
            terms.push(photometry::uncertainty::Term {
                source: source.name.clone(),
                u: *u,
                dof: source.dof,
            });
        }
    }
    let terms: usize = column.0.sources.iter().map(|s| s.rows.len()).sum();
    charge(32 * (rows + terms));
    let pairs = estimates.windows(2);
    let found: Vec<Estimate> = pairs.map(|pair| pair[1].over(&pair[0])).collect();
    if found.iter().any(|ratio| !ratio.value.is_finite()) {
        return raise(format!(
            "{} holds a zero: there is no ratio to it",
            column.0.label
        ));
    }
    // Ratios of ratios have no longer name, however often they are taken.
    let of = column.0.label.trim_start_matches("ratios of ");
    let mut filling = Filling::new(format!("ratios of {of}"), Unit::One, found.len());
    for ratio in &found {
        filling.push(ratio, &column.0.flags);
    }
    filling.items(&column.0.items);
    Ok(filling.done())
}

fn all_rising(column: &Column) -> bool {
    charge(column.values().len());
    column.values().windows(2).all(|pair| pair[0] < pair[1])
}

pub(super) const ENTRIES: &[Entry] = entries! {
    "column" "mean" (Some("")) -> "a measured value": "arithmetic mean", |e| {
            e.register_fn("mean", |c: &mut Column| mean(c));
        };
    "column" "sum" (Some("")) -> "a measured value": "sum of the rows", |e| {
            e.register_fn("sum", |c: &mut Column| sum(c));
        };
    "column" "sd" (Some("")) -> "a measured value": "sample standard deviation (n - 1)", |e| {
            e.register_fn("sd", |c: &mut Column| sd(c));
        };
    "column" "median" (Some("")) -> "a measured value": "the middle value", |e| {
            e.register_fn("median", |c: &mut Column| quantile(c, 0.5));
        };
    "column" "min" (Some("")) -> "a measured value": "the smallest value; ruled on as smallest_known", |e| {
            e.register_fn("min", |c: &mut Column| extreme(c, Extreme::Smallest));
        };
    "column" "max" (Some("")) -> "a measured value": "the largest value; ruled on as largest_known", |e| {
            e.register_fn("max", |c: &mut Column| extreme(c, Extreme::Largest));
        };
    "column" "percentile" (Some("percent")) -> "a measured value": "below which this share lies, 0 to 100", |e| {
            e.register_fn("percentile", |c: &mut Column, percent: rhai::Dynamic| {
                percentile(c, number(&percent).unwrap_or(f64::NAN))
            });
        };
    "column" "huber" (Some("")) -> "a measured value": "Huber's location, k = 1.5: outliers move it little", |e| {
            e.register_fn("huber", |c: &mut Column| huber(c));
        };
    "column" "mad_scaled" (Some("")) -> "a number": "median absolute deviation times 1.4826", |e| {
            e.register_fn("mad_scaled", |c: &mut Column| {
                plain(c, robust::mad_scaled, "median absolute deviation")
            });
        };
    "column" "lag_one" (Some("")) -> "a number": "correlation of each row with the next", |e| {
            e.register_fn("lag_one", |c: &mut Column| {
                plain(c, statistics::lag_one, "correlation of neighbours")
            });
        };
    "column" "slope" (Some("other")) -> "a measured value": "change per unit of another column, least squares", |e| {
            e.register_fn("slope", |c: &mut Column, along: Column| slope(c, &along));
        };
    "column" "ratios" (Some("")) -> "a column": "each row over the one before", |e| {
            e.register_fn("ratios", |c: &mut Column| ratios(c));
        };
    "column" "all_rising" (Some("")) -> "true or false": "whether each row is above the one before", |e| {
            e.register_fn("all_rising", |c: &mut Column| all_rising(c));
        };
};
