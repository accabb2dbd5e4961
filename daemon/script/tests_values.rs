//! Arithmetic, columns, interpolation and fits against closed forms.

use photometry::uncertainty::Estimate;

use super::samples::{lux, measured, ruled, setting, value, view};
use super::unit::Unit;
use super::view::Measured;

fn near(found: f64, wanted: f64) {
    let off = (found - wanted).abs();
    assert!(
        off <= 1e-9 * wanted.abs().max(1e-9),
        "{found} is not {wanted}"
    );
}

/// Certificate 3 %, repeatability 0.1 % each.
#[test]
fn uncertainty_goes_along_term_by_term() {
    let relative = |body: &str| {
        let found = value(&format!(
            "let a = run.levels[0].reference; let b = run.levels[1].reference; {body}"
        ));
        found.combined() / found.value.abs()
    };
    let both = |certificate: f64, own: f64| certificate.hypot(own);
    near(relative("a"), both(0.03, 0.001));
    near(relative("a * 7"), both(0.03, 0.001));
    near(relative("a / b"), both(0.0, 0.001 * 2.0_f64.sqrt()));
    near(relative("a * b"), both(0.06, 0.001 * 2.0_f64.sqrt()));
    // a : b is 1 : 4.
    near(relative("a + b"), both(0.03, 0.001 * 17.0_f64.sqrt() / 5.0));
    near(relative("b - a"), both(0.03, 0.001 * 17.0_f64.sqrt() / 3.0));
    near(relative("-a"), both(0.03, 0.001));
    near(relative("a / a + 1"), 0.0);
    near(
        value("run.levels[0].reference + 1").value,
        5.0 / 0.3048_f64.powi(2) + 1.0,
    );
    near(value("2 - run.levels[0].drift").value, 1.6);
}

#[test]
fn units_are_kept_and_derived() {
    let unit = |body: &str| measured(body, &view()).unit;
    let a = "let a = run.levels[0]; let d = a.points[1].distance;";
    for (body, wanted) in [
        ("a.reference", Unit::Lux),
        ("a.reference * d * d", Unit::Candela),
        ("a.reference / a.reference", Unit::One),
        ("a.reference * a.drift", Unit::Lux),
        ("a.fit_disc().intensity", Unit::Candela),
        ("a.fit_disc().worst_residual", Unit::Percent),
        ("a.distance_for(50)", Unit::Metre),
        (
            "a.lux.slope(a.distances)",
            Unit::Other("cd m^-3".to_owned()),
        ),
        ("a.lux.ratios().max()", Unit::One),
    ] {
        assert_eq!(unit(&format!("{a} {body}")), wanted, "{body}");
    }
    near(value(&format!("{a} a.reference * d * d")).value, 5.0);
    // 0.4 % of it.
    near(
        value(&format!("{a} a.reference * a.drift / a.reference")).value,
        0.004,
    );
}

/// A point source is a straight line between logarithms: exact between points.
#[test]
fn light_between_points_follows_the_logarithms() {
    for metres in [0.1524, 0.2, 0.3048, 0.5, 1.0, 1.8288] {
        let found = value(&format!("run.levels[1].lux_at({metres:?})"));
        near(found.value, 20.0 / (metres * metres));
        let relative = found.combined() / found.value;
        assert!((0.03..0.03003).contains(&relative), "{metres}: {relative}");
        let back = value(&format!("run.levels[1].distance_for({:?})", found.value));
        assert!((back.value / metres - 1.0).abs() < 1e-9, "{back:?}");
        // d ln d = -1/2 d ln E.
        assert!((back.combined() / back.value - relative / 2.0).abs() < 1e-5);
    }
    let keys = measured("run.levels[1].lux_at(0.2)", &view()).rests_on;
    let wanted = ["1/read/1", "1/read/2", "2/read/1", "2/read/2"];
    assert_eq!(keys, wanted.map(|key| format!("survey/L02/{key}")));
}

#[test]
fn a_missing_neighbour_is_not_skipped() {
    let mut view = view();
    view.settings[0].points[1].lux = Measured::unknown("over range", Unit::Lux);
    for body in ["run.levels[0].lux_at(0.3048)", "run.levels[0].lux_at(0.2)"] {
        let found = measured(body, &view);
        assert_eq!(found.what, Err("over range".to_owned()), "{body}");
        assert!(!found.rests_on.is_empty());
    }
    assert!(measured("run.levels[0].lux_at(0.5)", &view).what.is_ok());
    near(
        measured("counted(run.levels[0].lux.left_out)", &view)
            .what
            .expect("known")
            .value,
        1.0,
    );
    near(
        measured("counted(run.levels[0].lux.len())", &view)
            .what
            .expect("known")
            .value,
        11.0,
    );
}

#[test]
fn fits_find_the_lamp() {
    let disc = value("run.levels[2].fit_disc().intensity");
    near(disc.value, 60.0);
    // The certificate scales all points, and so the intensity.
    assert!((disc.combined() / 60.0 - 0.03).abs() < 1e-4, "{disc:?}");
    let worst = value("run.levels[2].fit_offset().worst_residual");
    assert!(worst.value < 1e-9 && worst.combined() < 0.11, "{worst:?}");
    assert!(
        worst
            .terms
            .iter()
            .all(|t| t.source != "certificate" || t.u.abs() < 1e-12)
    );
    let mut few = view();
    few.settings[0].points.truncate(2);
    let none = measured("run.levels[0].fit_disc().intensity", &few);
    assert!(none.what.expect_err("two points").contains("three points"));
    assert_eq!(none.rests_on.len(), 4);
}

/// A ball of 4 pi lm has 1 cd everywhere.
#[test]
fn directivity_of_a_ball_is_one() {
    let mut view = view();
    view.settings = vec![setting(1, 1.0)];
    let script = super::samples::script(super::shipped::shipped()[0].1);
    let flux = super::parameters::Value::Quantity(4.0 * std::f64::consts::PI, Unit::Lumen);
    let values = std::collections::BTreeMap::from([("flux".to_owned(), flux)]);
    let given = super::parameters::given(&script, &values).expect("sound");
    let view = std::sync::Arc::new(view);
    let found = super::host::measure(&script, &view, &given, &Default::default()).expect("a value");
    near(found.what.expect("known").value, 1.0);
    let none = super::parameters::given(&script, &Default::default()).expect("defaults");
    let found = super::host::measure(&script, &view, &none, &Default::default()).expect("a value");
    assert_eq!(found.what, Err("there is no flux above zero".to_owned()));
}

/// Closed forms over 1, 2, 4, 8, 16.
#[test]
fn columns_have_their_figures() {
    let mut view = view();
    for (point, value) in view.settings[0]
        .points
        .iter_mut()
        .zip([4.0, 1.0, 16.0, 2.0, 8.0])
    {
        point.lux = lux(value, &point.key);
    }
    view.settings[0].points.truncate(5);
    let of = |body: &str| {
        let body = format!("run.setting(\"L01\").lux.{body}");
        measured(&body, &view).what.expect("known")
    };
    near(of("mean()").value, 6.2);
    near(of("sum()").value, 31.0);
    near(of("median()").value, 4.0);
    near(of("min()").value, 1.0);
    near(of("max()").value, 16.0);
    near(of("percentile(25)").value, 2.0);
    near(of("percentile(90.0)").value, 12.8);
    near(of("sd()").value, (148.8_f64 / 4.0).sqrt());
    // The certificate moves all rows by 3 %, and so each figure.
    for body in ["mean()", "sum()", "median()", "sd()", "percentile(90)"] {
        let found = of(body);
        let certificate = found.terms.iter().find(|t| t.source == "certificate");
        near(certificate.expect("a term").u, 0.03 * found.value);
    }
    let own: f64 = [4.0_f64, 1.0, 16.0, 2.0, 8.0]
        .iter()
        .map(|v| (0.001 * v).powi(2))
        .sum();
    let mean = of("mean()")
        .without(|source| source == "certificate")
        .combined();
    near(mean, own.sqrt() / 5.0);
    let ratios = of("ratios()[0]");
    near(ratios.value, 0.25);
    near(ratios.combined(), 0.25 * 0.001 * 2.0_f64.sqrt());
    assert!(ruled("if run.setting(\"L01\").lux.all_rising() { undecided(\"rises\") } else { undecided(\"falls\") }").reason == "falls");
}

#[test]
fn a_slope_is_the_lines() {
    let body = "let s = run.setting(\"L01\"); s.distances.slope(s.distances)";
    near(value(body).value, 1.0);
    let list = "let c = column([run.levels[0].reference, run.levels[1].reference, run.levels[2].reference]);";
    near(value(&format!("{list} c.ratios()[-1]")).value, 3.0);
    near(
        value(&format!(
            "{list} let n = 0; for x in c {{ n += 1; }} counted(n)"
        ))
        .value,
        3.0,
    );
}

/// Many repeatabilities are joined, and the mean's doubt stays what it was.
#[test]
fn many_rows_have_few_terms() {
    let mut view = view();
    let point = view.settings[0].points[0].clone();
    view.settings[0].points = (0..5_000)
        .map(|row| {
            let mut point = point.clone();
            point.position_m = 0.1 + f64::from(row) * 1e-3;
            point.key = format!("row {row}");
            point.lux = lux(100.0, &point.key);
            point
        })
        .collect();
    let mean = measured("run.setting(\"L01\").lux.mean()", &view)
        .what
        .expect("known");
    assert_eq!(mean.terms.len(), 2, "{:?}", mean.terms);
    near(mean.combined(), 3.0_f64.hypot(0.1 / 5_000.0_f64.sqrt()));
    near(mean.terms[1].dof.expect("counted"), 20_000.0);
}

#[test]
fn what_is_unknown_stays_unknown_and_keeps_its_reason() {
    let mut view = view();
    view.settings[0].reference = Measured::unknown("timed out", Unit::Lux);
    view.settings[1].reference.flags = vec!["drift".to_owned(), "drift".to_owned()];
    let all = "[run.levels[0].reference, run.levels[1].reference, run.levels[2].reference]";
    let why = |body: &str| measured(body, &view).what.expect_err(body);
    assert_eq!(
        why("run.levels[1].reference - run.levels[0].reference"),
        "timed out"
    );
    assert_eq!(why(&format!("largest({all})")), "timed out");
    assert_eq!(
        why("run.levels[2].reference / (run.levels[2].reference - run.levels[2].reference)"),
        "divided by zero"
    );
    let known = measured(&format!("largest_known({all})"), &view);
    near(known.what.expect("known").value, 60.0 / 0.3048_f64.powi(2));
    let passed = "a value that is not known was passed over: timed out";
    assert_eq!(known.flags, ["drift", passed]);
    let body = "if is_known(run.levels[0].reference) || is_sound(run.levels[1].reference) { counted(1) } else { counted(0) }";
    assert_eq!(measured(body, &view).what, Ok(Estimate::exact(0.0)));
}
