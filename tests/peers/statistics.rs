//! Statistics of random numbers against scipy: tests, intervals, lines,
//! adjusted probabilities, robust location.

use photometry::comparison::{self, benjamini_hochberg, holm};
use photometry::decision::Limit;
use photometry::outliers::{Ends, grubbs, grubbs_critical};
use photometry::ramp::isotonic;
use photometry::regression::{self, Weighted};
use photometry::robust;
use photometry::statistics::{lag_one, line, moments};
use photometry::uncertainty::{Estimate, coverage_factor};
use serde_json::{Map, Value, json};

use crate::contest::Contest;
use crate::oracle;
use crate::random::Random;

/// Cases of each kind.
const OF_EACH: usize = 60;
const SEED: u64 = 100_2008;
/// Both sides compute the same; what is left is rounding.
const RELATIVE: f64 = 1e-9;
/// For probabilities far out in a tail, and values that are zero but for
/// rounding.
const ABSOLUTE: f64 = 1e-12;

/// A kind of case: how one is drawn, and what ours makes of it.
struct Kind {
    name: &'static str,
    draw: fn(&mut Random) -> Value,
    ours: fn(&Value) -> Value,
}

const KINDS: [Kind; 11] = [
    Kind {
        name: "coverage",
        draw: draw_coverage,
        ours: coverage,
    },
    Kind {
        name: "budget",
        draw: draw_budget,
        ours: budget,
    },
    Kind {
        name: "compare",
        draw: draw_compare,
        ours: compare,
    },
    Kind {
        name: "adjusted",
        draw: draw_adjusted,
        ours: adjusted,
    },
    Kind {
        name: "grubbs",
        draw: draw_grubbs,
        ours: grubbs_of,
    },
    Kind {
        name: "line",
        draw: draw_line,
        ours: weighted_line,
    },
    Kind {
        name: "plain_line",
        draw: draw_line,
        ours: plain_line,
    },
    Kind {
        name: "isotonic",
        draw: draw_values,
        ours: rising,
    },
    Kind {
        name: "summary",
        draw: draw_values,
        ours: summary,
    },
    Kind {
        name: "variance",
        draw: draw_variance,
        ours: variance,
    },
    Kind {
        name: "conformance",
        draw: draw_conformance,
        ours: conformance,
    },
];

#[test]
fn statistics_of_random_numbers_are_the_oracles() {
    let Some(python) = oracle::python("statistics") else {
        return;
    };
    let mut random = Random::new(SEED);
    let mut cases = Vec::new();
    let mut ours = Vec::new();
    for kind in &KINDS {
        for _ in 0..OF_EACH {
            let mut case = (kind.draw)(&mut random);
            case["kind"] = json!(kind.name);
            ours.push((kind.ours)(&case));
            cases.push(case);
        }
    }
    let answer = oracle::ask(&python, "oracle_statistics.py", &json!({ "cases": cases }));
    let answers = answer["cases"].as_array().expect("a list");
    assert_eq!(answers.len(), cases.len());
    let mut contest = Contest::new("statistics");
    for (at, (ours, theirs)) in ours.iter().zip(answers).enumerate() {
        let kind = KINDS[at / OF_EACH].name;
        let theirs = theirs.as_object().expect("figures");
        assert_eq!(
            ours.as_object().map(Map::len),
            Some(theirs.len()),
            "{kind}: {ours}"
        );
        for (name, theirs) in theirs {
            compare_leaf(
                &mut contest,
                name,
                &format!("{kind} {at}"),
                &ours[name],
                theirs,
            );
        }
    }
    contest.end(cases.len(), &|_| OF_EACH);
}

fn compare_leaf(contest: &mut Contest, name: &str, at: &str, ours: &Value, theirs: &Value) {
    match (ours, theirs) {
        (Value::Array(ours), Value::Array(theirs)) => {
            assert_eq!(ours.len(), theirs.len(), "{name} of {at}");
            for (ours, theirs) in ours.iter().zip(theirs) {
                compare_leaf(contest, name, at, ours, theirs);
            }
        }
        (Value::String(ours), Value::String(theirs)) => contest.word(name, at, ours, theirs),
        _ => {
            let theirs = theirs.as_f64();
            let tolerance = ABSOLUTE + RELATIVE * theirs.unwrap_or(0.0).abs();
            contest.number(name, at, ours.as_f64(), theirs, tolerance);
        }
    }
}

fn numbers(case: &Value, key: &str) -> Vec<f64> {
    let every = case[key].as_array().expect("a list").iter();
    every
        .map(|value| value.as_f64().expect("a number"))
        .collect()
}

fn number(case: &Value, key: &str) -> f64 {
    case[key].as_f64().expect("a number")
}

fn normals(random: &mut Random, count: usize, mean: f64, sd: f64) -> Vec<f64> {
    (0..count).map(|_| mean + sd * random.normal()).collect()
}

fn draw_coverage(random: &mut Random) -> Value {
    let level = random.one_of(&[0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973]);
    let dof = random.by_ratio(1.0, 400.0).floor();
    json!({"level": level, "dof": dof})
}

fn coverage(case: &Value) -> Value {
    let factor = coverage_factor(number(case, "level"), Some(number(case, "dof")));
    json!({ "coverage_factor": factor })
}

fn draw_budget(random: &mut Random) -> Value {
    let count = random.whole(2, 9);
    let u: Vec<f64> = (0..count).map(|_| random.by_ratio(0.01, 3.0)).collect();
    let dof: Vec<Option<f64>> = (0..count)
        .map(|at| (at == 0 || random.share() < 0.6).then(|| random.whole(2, 40) as f64))
        .collect();
    json!({"u": u, "dof": dof})
}

fn budget(case: &Value) -> Value {
    let u = numbers(case, "u").into_iter().enumerate();
    let estimate = u.fold(Estimate::exact(1.0), |estimate, (at, u)| {
        estimate.with(&format!("source {at}"), u, case["dof"][at].as_f64())
    });
    json!({"combined": estimate.combined(), "effective_dof": estimate.effective_dof()})
}

fn draw_compare(random: &mut Random) -> Value {
    let level = random.by_ratio(1.0, 1_000.0);
    let change = 1.0 + random.one_of(&[0.0, 0.003, 0.02, -0.05]);
    let mut side = |level: f64| {
        let (count, sd) = (random.whole(3, 14), random.by_ratio(0.001, 0.03));
        normals(random, count, level, sd * level)
    };
    json!({"before": side(level), "after": side(level * change), "margin": 0.03})
}

fn compare(case: &Value) -> Value {
    let (before, after) = (numbers(case, "before"), numbers(case, "after"));
    let found = comparison::compare(&before, &after, number(case, "margin")).expect("a ruling");
    let of_logarithms = |values: &[f64]| {
        let logarithms: Vec<f64> = values.iter().map(|value| value.ln()).collect();
        moments(&logarithms).expect("moments")
    };
    let pooled = comparison::pooled(&of_logarithms(&after), &of_logarithms(&before));
    let (pooled, _) = pooled.expect("scatter");
    let welch = found.welch.expect("scatter");
    let (low, high) = found.interval.expect("scatter");
    json!({
        "ratio": found.ratio, "welch_t": welch.t, "welch_dof": welch.dof, "welch_p": welch.p,
        "pooled_t": pooled.t, "pooled_p": pooled.p, "low": low, "high": high,
        "p_equivalence": found.p_equivalence, "change": found.change.words(),
    })
}

fn draw_adjusted(random: &mut Random) -> Value {
    let count = random.whole(1, 20);
    let mut p: Vec<f64> = (0..count).map(|_| random.by_ratio(1e-6, 1.0)).collect();
    if count > 3 {
        // Ties must not matter.
        p[1] = p[2];
    }
    json!({ "p": p })
}

fn adjusted(case: &Value) -> Value {
    let p = numbers(case, "p");
    json!({"holm": holm(&p), "benjamini_hochberg": benjamini_hochberg(&p)})
}

fn draw_grubbs(random: &mut Random) -> Value {
    let count = random.whole(3, 60);
    let mut values = normals(random, count, 50.0, 1.0);
    values[0] += random.between(-8.0, 8.0);
    json!({"values": values, "alpha": random.one_of(&[0.01, 0.05, 0.1])})
}

fn grubbs_of(case: &Value) -> Value {
    let (values, alpha) = (numbers(case, "values"), number(case, "alpha"));
    let found = grubbs(&values, alpha, Ends::Both).expect("a test");
    json!({
        "grubbs_g": found.g, "grubbs_two_sided": found.critical,
        "grubbs_one_sided": grubbs_critical(values.len(), alpha, Ends::One),
    })
}

fn draw_line(random: &mut Random) -> Value {
    let count = random.whole(4, 40);
    let (at_zero, slope) = (random.between(-100.0, 100.0), random.between(-5.0, 5.0));
    let x: Vec<f64> = (0..count).map(|_| random.between(-10.0, 30.0)).collect();
    let y: Vec<f64> = x
        .iter()
        .map(|x| at_zero + slope * x + random.normal())
        .collect();
    let weight: Vec<f64> = x.iter().map(|_| random.by_ratio(0.1, 10.0)).collect();
    json!({"x": x, "y": y, "weight": weight, "at": random.between(-20.0, 50.0)})
}

fn weighted_line(case: &Value) -> Value {
    let (x, y, weight) = (
        numbers(case, "x"),
        numbers(case, "y"),
        numbers(case, "weight"),
    );
    let points: Vec<Weighted> = (0..x.len())
        .map(|at| Weighted {
            x: x[at],
            y: y[at],
            weight: weight[at],
        })
        .collect();
    let fit = regression::fit(&points).expect("a line");
    let (prediction, prediction_sd) = fit.at(number(case, "at"));
    json!({
        "slope": fit.slope, "at_zero": fit.at_zero, "slope_sd": fit.slope_sd,
        "at_zero_sd": fit.at_zero_sd, "correlation": fit.correlation,
        "residual_sd": fit.residual_sd, "r_squared": fit.r_squared,
        "prediction": prediction, "prediction_sd": prediction_sd,
    })
}

fn plain_line(case: &Value) -> Value {
    let points: Vec<(f64, f64)> = numbers(case, "x")
        .into_iter()
        .zip(numbers(case, "y"))
        .collect();
    let fit = line(&points).expect("a line");
    json!({"plain_slope": fit.slope, "plain_at_zero": fit.at_zero, "plain_slope_sd": fit.slope_sd})
}

fn draw_values(random: &mut Random) -> Value {
    let (count, drift) = (random.whole(8, 120), random.between(-0.1, 0.2));
    let values: Vec<f64> = (0..count)
        .map(|at| {
            let wild = if random.share() < 0.05 { 8.0 } else { 1.0 };
            20.0 + drift * at as f64 + wild * random.normal()
        })
        .collect();
    json!({ "values": values })
}

fn rising(case: &Value) -> Value {
    json!({ "rising": isotonic::rising(&numbers(case, "values")) })
}

fn summary(case: &Value) -> Value {
    let values = numbers(case, "values");
    let of = moments(&values).expect("moments");
    json!({
        "mean": of.mean, "sd": of.sd, "standard_error": of.standard_error(),
        "median": robust::median(&values), "mad_scaled": robust::mad_scaled(&values),
        "huber": robust::huber(&values), "lag_one": lag_one(&values),
    })
}

fn draw_variance(random: &mut Random) -> Value {
    let count = random.whole(2, 8);
    let groups: Vec<Vec<f64>> = (0..count)
        .map(|_| {
            let (n, mean) = (random.whole(2, 12), 10.0 + 0.5 * random.normal());
            normals(random, n, mean, 1.0)
        })
        .collect();
    json!({ "groups": groups })
}

fn variance(case: &Value) -> Value {
    let groups = case["groups"].as_array().expect("groups");
    let groups: Vec<Vec<f64>> = (0..groups.len())
        .map(|at| numbers(&json!({"g": groups[at]}), "g"))
        .collect();
    json!({ "f": regression::one_way(&groups).map(|found| found.f) })
}

fn draw_conformance(random: &mut Random) -> Value {
    let low = random.between(-5.0, 0.0);
    let high = low + random.between(0.5, 8.0);
    let value = random.between(low - 2.0, high + 2.0);
    json!({"low": low, "high": high, "value": value, "u": random.by_ratio(0.1, 3.0)})
}

fn conformance(case: &Value) -> Value {
    let (low, high) = (number(case, "low"), number(case, "high"));
    let keeps = |limit: Limit| limit.conformance(number(case, "value"), number(case, "u"));
    json!({
        "between": keeps(Limit::Between(low, high)), "at_most": keeps(Limit::AtMost(high)),
        "at_least": keeps(Limit::AtLeast(low)),
    })
}
