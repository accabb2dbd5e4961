//! Uncertainty, decisions, comparisons, outliers and positioning against
//! published worked examples: JCGM 100 and 106, NIST StRD and the e-Handbook,
//! ISO 230-2; each check in `metrology.json` names its own.

use photometry::comparison::{compare, pooled, welch};
use photometry::decision::{DecisionRule, Limit, Ruling, en_number, is_satisfactory};
use photometry::drift;
use photometry::ordering::abba;
use photometry::outliers::{Ends, grubbs, grubbs_critical};
use photometry::positioning::{error_of_summed_moves_mm, positioning, steps_to};
use photometry::regression::{fit_equal, one_way};
use photometry::robust::{huber, mad_scaled, median};
use photometry::statistics::{Moments, lag_one, moments};
use photometry::uncertainty::{Estimate, Shape, coverage_factor, second_order};
use photometry::units::Mono;
use serde_json::{Value, json};

use crate::reference::{Checked, array, checks, number, numbers, object, text};

/// The topics of this file; the others belong to `distance.rs`.
const TOPICS: [&str; 6] = [
    "uncertainty",
    "decision",
    "regression",
    "outlier",
    "motion",
    "ordering",
];

#[test]
fn every_worked_example_is_met() {
    checks("statistics", &|topic, _| TOPICS.contains(&topic), computed);
}

/// What the library makes of a check's inputs, under the expectation's names.
fn computed(id: &str, inputs: &Value) -> Checked {
    let of = |key: &str| number(inputs, key);
    match id {
        "D14" => intensity(inputs),
        "U01" | "U17" | "U18" | "U19" => series(id, inputs),
        "U02" => end_gauge(inputs),
        "U03" => calibration_line(inputs),
        "U05" => product_of_means(inputs),
        "U07" => {
            let limit = Limit::AtMost(of("T_U"));
            json!({"p_c": limit.conformance(of("y"), of("u"))})
        }
        "U09" => {
            let z = |p: &f64| coverage_factor(2.0 * p - 1.0, None);
            json!({"z": numbers(inputs, "p").iter().map(z).collect::<Vec<_>>()})
        }
        "U10" => guarded(inputs),
        "U11" => {
            let en = en_number(of("x"), of("U_x"), of("ref"), of("U_ref")).expect("a number");
            json!({"En": en, "satisfactory": is_satisfactory(en)})
        }
        "U13" => two_samples(inputs),
        "U14" => firmware(inputs),
        "U16" => ozone_monitors(inputs),
        "U24" => silicon_resistivity(inputs),
        "U25" => mass_spectrometer(inputs),
        "U26" => critical_values(inputs),
        "U28" => {
            let x = numbers(inputs, "x");
            json!({
                "mean": moments(&x).map(|m| m.mean),
                "median": median(&x),
                "mad_scaled": mad_scaled(&x),
                "huber_mu": huber(&x),
            })
        }
        "M01" => grid(inputs),
        "M02" => axis(inputs),
        "M04" => {
            let readings: [f64; 4] = numbers(inputs, "readings").try_into().expect("four");
            // The naive pair is the plain difference that drift falsifies.
            json!({"A_minus_B": abba(readings), "naive_first_pair": readings[0] - readings[1]})
        }
        "M06" => reference_drift(inputs),
        other => panic!("the check {other} is not computed"),
    }
}

fn intensity(inputs: &Value) -> Checked {
    let of = |key: &str| number(inputs, key);
    let (k, y, d) = (of("k_lx_per_count"), of("Y"), of("d_m"));
    let value = k * y * d * d;
    let estimate = Estimate::exact(value)
        .with("calibration", y * d * d * of("u_k"), None)
        .with("reading", k * d * d * of("u_Y"), None)
        .with("distance", 2.0 * k * y * d * of("u_d"), None);
    let shares: Vec<f64> = estimate
        .shares()
        .iter()
        .map(|share| share.share.sqrt())
        .collect();
    json!({
        "I_cd": value,
        "u_c_cd": estimate.combined(),
        "U95_k2_cd": estimate.expanded(2.0),
        "ratio_u_k": shares[0],
        "ratio_u_Y": shares[1],
        "ratio_u_d": shares[2],
    })
}

fn series(id: &str, inputs: &Value) -> Checked {
    let x = if id == "U18" {
        // NIST StRD, NumAcc3, by its rule.
        let mut x = vec![1_000_000.2];
        (0..500).for_each(|_| x.extend([1_000_000.1, 1_000_000.3]));
        x
    } else {
        numbers(inputs, "x")
    };
    let found = moments(&x).expect("values");
    json!({
        "mean": found.mean,
        "s": found.sd,
        "s_mean": found.standard_error(),
        "lag1": lag_one(&x),
    })
}

fn end_gauge(inputs: &Value) -> Checked {
    let of = |key: &str| number(inputs, key);
    let pair = |key: &str| {
        let pair = numbers(inputs, key);
        (pair[0], Some(pair[1]))
    };
    let length_nm = of("l_s_mm") * 1e6;
    let mut difference = Estimate::exact(of("d_nm"));
    for key in ["u_dbar", "u_d1", "u_d2"] {
        let (u, dof) = pair(key);
        difference = difference.with(key, u, dof);
    }
    let u_theta = Estimate::exact(of("theta_bar"))
        .with("mean", of("u_theta_bar"), None)
        .with(
            "swing",
            Shape::Arcsine.standard(of("Delta_arcsine_half")),
            None,
        )
        .combined();
    let u_alpha = Shape::Rectangular.standard(of("alpha_s_half"));
    let u_dalpha = Shape::Rectangular.standard(of("dalpha_half"));
    let u_dtheta = Shape::Rectangular.standard(of("dtheta_half"));
    let of_dalpha = length_nm * of("theta_bar") * u_dalpha;
    let of_dtheta = length_nm * of("alpha_s") * u_dtheta;
    let whole = Estimate::exact(length_nm + of("d_nm"))
        .with("standard", of("u_ls_nm"), Some(of("nu_ls")))
        .with(
            "difference",
            difference.combined(),
            difference.effective_dof(),
        )
        .with("expansion", of_dalpha, Some(of("nu_dalpha")))
        .with("temperature", of_dtheta, Some(of("nu_dtheta")));
    let k = whole.coverage_factor(0.99).expect("a factor");
    let first = second_order(length_nm, u_dalpha, u_theta);
    let second = second_order(length_nm, u_alpha, u_dtheta);
    let with_second = whole
        .clone()
        .with("first", first, None)
        .with("second", second, None);
    json!({
        "l_mm": whole.value * 1e-6,
        "u_d_nm": difference.combined(),
        "nu_d": difference.effective_dof(),
        "u_theta_C": u_theta,
        "term_dalpha_nm": of_dalpha.abs(),
        "term_dtheta_nm": of_dtheta,
        "u_c_nm": whole.combined(),
        "nu_eff": whole.effective_dof(),
        "t99": k,
        "U99_nm": whole.expanded(k),
        "second_order_1_nm": first,
        "second_order_2_nm": second,
        "u_c_with_second_order_nm": with_second.combined(),
    })
}

fn calibration_line(inputs: &Value) -> Checked {
    let t0 = number(inputs, "t0");
    let points: Vec<_> = numbers(inputs, "t")
        .iter()
        .map(|t| t - t0)
        .zip(numbers(inputs, "b"))
        .collect();
    let line = fit_equal(&points).expect("a line");
    let (value, sd) = line.at(number(inputs, "predict_at") - t0);
    json!({
        "y1": line.at_zero, "u_y1": line.at_zero_sd,
        "y2": line.slope, "u_y2": line.slope_sd,
        "corr": line.correlation, "s": line.residual_sd,
        "b30": value, "u_b30": sd,
    })
}

fn product_of_means(inputs: &Value) -> Checked {
    let parts = numbers(inputs, "u_rel_pct")
        .into_iter()
        .zip(numbers(inputs, "n"));
    let estimate = parts
        .enumerate()
        .fold(Estimate::exact(100.0), |sum, (at, (u, n))| {
            sum.with(&format!("mean {at}"), u, Some(n - 1.0))
        });
    let k = estimate.coverage_factor(0.95).expect("a factor");
    json!({
        "u_c_pct": estimate.combined(),
        "nu_eff": estimate.effective_dof(),
        "t95": k,
        "U95_pct": estimate.expanded(k),
    })
}

fn guarded(inputs: &Value) -> Checked {
    let (limit, expanded) = (number(inputs, "T_L"), number(inputs, "U"));
    let at_least = Limit::AtLeast(limit);
    let values = numbers(inputs, "values");
    let rule = |value: f64| at_least.rule_value(value, expanded, DecisionRule::Guarded);
    // The acceptance limit is where pass begins.
    let acceptance = limit + DecisionRule::Guarded.share_of_u() * expanded;
    assert_eq!(rule(acceptance), Ruling::Pass);
    assert_eq!(rule(acceptance - 1e-9), Ruling::ConditionalPass);
    json!({
        "acceptance_limit": acceptance,
        "rulings": values.iter().map(|v| rule(*v).words()).collect::<Vec<_>>(),
        "p_c": values.iter().map(|v| at_least.conformance(*v, expanded / 2.0)).collect::<Vec<_>>(),
    })
}

fn two_samples(inputs: &Value) -> Checked {
    let side = |n: &str, mean: &str, sd: &str| Moments {
        n: number(inputs, n) as usize,
        mean: number(inputs, mean),
        sd: Some(number(inputs, sd)),
    };
    let (first, second) = (side("n1", "mean1", "s1"), side("n2", "mean2", "s2"));
    let apart = welch(&first, &second).expect("a test");
    let (together, sd) = pooled(&first, &second).expect("a test");
    json!({
        "t_pooled": together.t, "s_pooled": sd,
        "t_welch": apart.t, "df_welch": apart.dof,
    })
}

fn firmware(inputs: &Value) -> Checked {
    let margin = 1.0 - number(inputs, "low");
    assert!((1.0 / (1.0 - margin) - number(inputs, "high")).abs() < 1e-12);
    let found = compare(
        &numbers(inputs, "before"),
        &numbers(inputs, "after"),
        margin,
    );
    let found = found.expect("a comparison");
    let (low, high) = found.interval.expect("an interval");
    let test = found.welch.expect("a test");
    json!({
        "ratio": found.ratio, "ci90": [low, high], "df": test.dof,
        "p_tost": found.p_equivalence, "p_welch": test.p,
        "equivalent": found.p_equivalence.is_some_and(|p| p < 0.05),
    })
}

fn ozone_monitors(inputs: &Value) -> Checked {
    let pairs = array(inputs, "yx").iter().map(|pair| {
        let of = |at: usize| pair.get(at).and_then(Value::as_f64).expect("a number");
        (of(1), of(0))
    });
    let line = fit_equal(&pairs.collect::<Vec<_>>()).expect("a line");
    json!({
        "B0": line.at_zero, "B1": line.slope,
        "sd_B0": line.at_zero_sd, "sd_B1": line.slope_sd,
        "s": line.residual_sd, "R2": line.r_squared,
    })
}

fn silicon_resistivity(inputs: &Value) -> Checked {
    let mut groups: Vec<Vec<f64>> = vec![Vec::new(); number(inputs, "groups") as usize];
    for row in array(inputs, "rows") {
        let of = |at: usize| row.get(at).and_then(Value::as_f64).expect("a number");
        groups[of(0) as usize - 1].push(of(1));
    }
    let found = one_way(&groups).expect("an analysis");
    json!({
        "SSB": found.between, "SSW": found.within,
        "F": found.f, "s_res": found.residual_sd,
    })
}

fn mass_spectrometer(inputs: &Value) -> Checked {
    let (x, alpha) = (numbers(inputs, "x"), number(inputs, "alpha"));
    let both = grubbs(&x, alpha, Ends::Both).expect("a test");
    let one = grubbs(&x, alpha, Ends::One).expect("a test");
    assert!(both.is_outlier() && one.is_outlier());
    json!({
        "G": both.g, "outlier": x[both.at],
        "crit_one_sided": one.critical, "crit_two_sided": both.critical,
    })
}

fn critical_values(inputs: &Value) -> Checked {
    let table = |alpha: f64, ends: Ends| -> Vec<Option<f64>> {
        let counts = numbers(inputs, "n").into_iter();
        counts
            .map(|n| grubbs_critical(n as usize, alpha, ends))
            .collect()
    };
    json!({
        "one_sided_5": table(0.05, Ends::One),
        "two_sided_5": table(0.05, Ends::Both),
        "two_sided_1": table(0.01, Ends::Both),
    })
}

/// A motor of 200 steps, 16 microsteps, on the grid of 6 in.
fn grid(inputs: &Value) -> Checked {
    let stations = number(inputs, "stations") as u32;
    let per_mm = numbers(inputs, "mm_per_rev")
        .into_iter()
        .map(|mm| 3_200.0 / mm);
    let per_mm: Vec<f64> = per_mm.collect();
    json!({
        "steps_per_station": per_mm.iter().map(|s| steps_to(1, 152.4, *s)).collect::<Vec<_>>(),
        "accumulated_error_mm": per_mm
            .iter()
            .map(|s| error_of_summed_moves_mm(stations, 152.4, *s))
            .collect::<Vec<_>>(),
    })
}

fn axis(inputs: &Value) -> Checked {
    let runs = |key: &str| -> Vec<Vec<f64>> {
        let rows = array(inputs, key).iter();
        rows.map(|row| {
            let row = row.as_array().expect("a run").iter();
            row.map(|v| v.as_f64().expect("a number")).collect()
        })
        .collect()
    };
    let found = positioning(&runs("dev_up"), &runs("dev_down")).expect("figures");
    json!({
        "B": found.reversal, "R_up": found.repeatability_up,
        "R_dn": found.repeatability_down, "R": found.repeatability,
        "M": found.mean_range,
    })
}

fn reference_drift(inputs: &Value) -> Checked {
    let at = |seconds: f64| Mono::from_ns((seconds * 1e9) as i64);
    let visits: Vec<_> = array(inputs, "ref")
        .iter()
        .map(|visit| {
            let of = |i: usize| visit.get(i).and_then(Value::as_f64).expect("a number");
            (at(of(0)), of(1))
        })
        .collect();
    let reading = (at(number(inputs, "t")), number(inputs, "reading"));
    json!({
        "corrected": drift::corrected(reading, &visits),
        "drift_pct": drift::drift(&visits).map(|drift| 100.0 * drift),
    })
}

/// Every check of the file belongs to one of the two groups.
#[test]
fn no_topic_is_left_over() {
    let json = crate::reference::metrology_json();
    let others = ["distance", "sphere", "stabilisation", "ramp", "safety"];
    for check in array(&json, "checks") {
        let topic = text(check, "topic");
        let known = TOPICS.contains(&topic) || others.contains(&topic);
        assert!(known, "{topic}: {}", object(check, "id"));
    }
}
