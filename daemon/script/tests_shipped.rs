//! The shipped scripts: each says of its sample what stands beside it, and no
//! view, however odd, ends one otherwise than with a ruling or a reason.
//!
//! `WAKERAIL_UPDATE_SAMPLES=1` writes what they say now.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use photometry::uncertainty::{Estimate, Term};
use proptest::prelude::*;

use super::api::{api, help};
use super::host::{Kind, Script, compile, measure, rule};
use super::limits::Limits;
use super::parameters::{Given, Value, given};
use super::shipped::shipped;
use super::unit::Unit;
use super::view::{Measured, PointView, SettingView, View};

fn file(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("scripts")
        .join(name)
}

fn compiled() -> Vec<Script> {
    let one = |(name, text): &(&str, &str)| {
        compile(name, text).unwrap_or_else(|mistakes| panic!("{name}: {mistakes:#?}"))
    };
    shipped().iter().map(one).collect()
}

/// What a script says of a view, in JSON.
fn said(script: &Script, view: &Arc<View>, given: &Given) -> serde_json::Value {
    let limits = Limits::default();
    match script.kind {
        Kind::Criterion => serde_json::to_value(rule(script, view, given, &limits)),
        Kind::Metric => serde_json::to_value(measure(script, view, given, &limits)),
    }
    .expect("JSON")
}

/// The flux of a sample is given beside the view.
fn given_for(script: &Script) -> Given {
    let mut values = BTreeMap::new();
    if script.name == "directivity" {
        values.insert("flux".to_owned(), Value::Quantity(180.0, Unit::Lumen));
    }
    given(script, &values).expect("sound")
}

#[test]
fn each_says_of_its_sample_what_stands_beside_it() {
    for script in compiled() {
        let sample = std::fs::read_to_string(file(&format!("{}.sample.json", script.name)));
        let sample = sample.unwrap_or_else(|why| panic!("{}: {why}", script.name));
        let view: View = serde_json::from_str(&sample).expect("a view");
        let said = said(&script, &Arc::new(view), &given_for(&script));
        let beside = file(&format!("{}.expected.json", script.name));
        if std::env::var_os("WAKERAIL_UPDATE_SAMPLES").is_some() {
            let text = serde_json::to_string_pretty(&said).expect("JSON");
            std::fs::write(&beside, text + "\n").expect("written");
        }
        let expected = std::fs::read_to_string(&beside).expect("an expected answer");
        let expected: serde_json::Value = serde_json::from_str(&expected).expect("JSON");
        assert_eq!(said, expected, "{}", script.name);
    }
}

/// What a script says of its own sample after a change to it.
fn word_after(name: &str, change: impl Fn(&mut View)) -> String {
    let script = compiled()
        .into_iter()
        .find(|script| script.name == name)
        .expect("a shipped script");
    let sample = std::fs::read_to_string(file(&format!("{name}.sample.json"))).expect("a sample");
    let mut view: View = serde_json::from_str(&sample).expect("a view");
    change(&mut view);
    let said = said(&script, &Arc::new(view), &given_for(&script));
    said["word"].as_str().expect("a word").to_owned()
}

/// Levels with others between them are no neighbours, and a fit over the points
/// that happen to have a value says nothing of the others.
#[test]
fn what_was_not_measured_leaves_them_undecided() {
    let top_level_away = |view: &mut View| {
        let most = view.settings.iter().filter_map(|s| s.level).max();
        for setting in &mut view.settings {
            if setting.level == most {
                setting.level = most.map(|level| level + 5);
            }
        }
    };
    assert_eq!(word_after("useful-steps", top_level_away), "undecided");
    let point_lost = |view: &mut View| {
        for setting in &mut view.settings {
            setting.points[0].lux = Measured::unknown("over 2000 lx", Unit::Lux);
        }
        // One that fails would rule whatever is missing.
        view.settings.truncate(1);
    };
    assert_eq!(word_after("inverse-square", point_lost), "undecided");
}

#[test]
fn each_has_a_page_and_few_lines() {
    let names: Vec<&str> = shipped().iter().map(|(name, _)| *name).collect();
    assert!(names.is_sorted());
    for script in compiled() {
        assert!(
            script.summary.len() > 20 && script.summary.ends_with('.'),
            "{}",
            script.name
        );
        let code = script.text.lines().map(str::trim);
        let code = code.filter(|line| !line.is_empty() && !line.starts_with("//"));
        assert!(code.count() <= 10, "{}", script.name);
        assert!(script.text.lines().all(|line| line.chars().count() <= 100));
    }
    for entry in std::fs::read_dir(file("")).expect("a folder") {
        let name = entry
            .expect("an entry")
            .file_name()
            .to_string_lossy()
            .into_owned();
        let stem = name.split('.').next().unwrap_or("");
        assert!(names.contains(&stem), "{name} is not shipped");
    }
}

#[test]
fn the_table_tells_all_that_there_is() {
    for entry in api() {
        assert!(
            !entry.gives.is_empty() && !entry.what.is_empty(),
            "{}",
            entry.name
        );
    }
    insta::assert_snapshot!("help", help());
}

fn any_measured() -> impl Strategy<Value = Measured> {
    let number = prop_oneof![
        4 => 0.0..1e4_f64,
        1 => proptest::num::f64::ANY,
        1 => Just(0.0),
    ];
    let terms = proptest::collection::vec(
        (
            "[a-c]",
            number.clone(),
            proptest::option::of(number.clone()),
        ),
        0..4,
    );
    let unit = prop_oneof![
        6 => Just(Unit::Lux), 1 => Just(Unit::Percent), 1 => Just(Unit::One), 1 => Just(Unit::Metre),
    ];
    let flags = proptest::collection::vec("[a-b]", 0..2);
    (number, terms, unit, flags, any::<u8>()).prop_map(|(value, terms, unit, flags, missing)| {
        let terms = terms
            .into_iter()
            .map(|(source, u, dof)| Term { source, u, dof });
        Measured {
            what: match missing {
                0..32 => Err("timed out".to_owned()),
                _ => Ok(Estimate {
                    value,
                    terms: terms.collect(),
                }),
            },
            unit,
            flags: if missing > 200 { flags } else { Vec::new() },
            rests_on: vec![format!("k{missing}")],
            reach: None,
        }
    })
}

fn any_view() -> impl Strategy<Value = View> {
    let position = prop_oneof![4 => 0.05..3.0_f64, 1 => proptest::num::f64::ANY];
    let point =
        (position, any_measured(), "[a-z]{1,3}").prop_map(|(position_m, lux, key)| PointView {
            position_m,
            lux,
            key,
        });
    let points = proptest::collection::vec(point, 0..8);
    let setting = (
        proptest::option::of(0..9_u16),
        points,
        any_measured(),
        any_measured(),
    );
    let setting = setting.prop_map(|(level, points, drift, reference)| SettingView {
        name: "S".to_owned(),
        shown: "s".to_owned(),
        mode: None,
        level,
        points,
        drift,
        reference,
    });
    proptest::collection::vec(setting, 0..5).prop_map(|settings| View {
        lamp: "l".to_owned(),
        unit: "u".to_owned(),
        firmware: None,
        plan: "p".to_owned(),
        bench: "b".to_owned(),
        unfinished: true,
        settings,
    })
}

/// A script that uses what the shipped ones do not.
const MORE: &str = "
    fn metric(run, given) {
        for s in run.settings {
            let c = s.lux;
            for x in [c.mean(), c.sum(), c.sd(), c.median(), c.percentile(3), c.huber(),
                      c.slope(s.distances), s.lux_at(0.5), s.distance_for(100),
                      s.fit_offset().offset, s.fit_disc().radius, s.reference * s.drift,
                      s.reference / s.drift, s.reference * s.reference] {
                all_of([at_least(x, 1), at_most(x, 2), between(x, 1, 2), same_as(x, x, 0.1)]);
            }
            if c.len() > 2 && is_known(c[1]) { c.all_rising(); }
        }
        counted(run.settings.len())
    }";

/// The same where numbers do not form ratios.
const RATIOS: &str = "
    fn metric(run, given) {
        let n = 0;
        for s in run.settings { n += s.lux.ratios().len() + s.lux.lag_one() * 0 + s.lux.mad_scaled() * 0; }
        counted(n)
    }";

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn no_view_ends_a_shipped_script(view in any_view()) {
        let view = Arc::new(view);
        for script in compiled() {
            let given = given_for(&script);
            if script.kind == Kind::Criterion {
                let ruling = rule(&script, &view, &given, &Limits::default());
                let text = serde_json::to_string(&ruling).expect("JSON");
                let back = serde_json::from_str(&text).expect("a ruling");
                prop_assert_eq!(&ruling, &back, "{}", text);
                // Only units of another kind than a lamp's end one.
                let kind = ruling.fault.map_or(super::fault::FaultKind::Error, |f| f.kind);
                prop_assert_eq!(kind, super::fault::FaultKind::Error);
            } else {
                let _ = measure(&script, &view, &given, &Limits::default());
            }
        }
        for text in [MORE, RATIOS] {
            let script = compile("more", text).expect("sound");
            match measure(&script, &view, &Given::default(), &Limits::default()) {
                Ok(found) => prop_assert!(found.what.is_ok_and(|count| count.value.is_finite())),
                Err(fault) => prop_assert_eq!(fault.kind, super::fault::FaultKind::Error, "{}", fault),
            }
        }
    }

    #[test]
    fn no_text_panics_the_compiler(
        tokens in proptest::collection::vec(proptest::sample::select(TOKENS), 0..60),
        noise in "\\PC{0,20}",
    ) {
        let soup = tokens.join(" ");
        for text in [
            soup.clone(),
            format!("fn criterion(run, given) {{ {soup} }}"),
            format!("fn criterion(run, given) {{ {soup} {noise} }}"),
            format!("fn given() {{ #{{ a: {soup} }} }} fn metric(run, given) {{ {noise} }}"),
        ] {
            if let Ok(script) = compile("soup", &text) {
                let limits = Limits { operations: 2_000, ..Limits::default() };
                let view = Arc::new(super::samples::view());
                match script.kind {
                    Kind::Criterion => {
                        let fault = rule(&script, &view, &Given::default(), &limits).fault;
                        let engine = super::fault::FaultKind::Engine;
                        prop_assert!(fault.is_none_or(|f| f.kind != engine), "{}", text);
                    }
                    Kind::Metric => drop(measure(&script, &view, &Given::default(), &limits)),
                }
            }
        }
    }
}

/// What the soup is made of.
const TOKENS: &[&str] = &[
    "fn",
    "f",
    "(",
    ")",
    "{",
    "}",
    "[",
    "]",
    ",",
    ";",
    ";",
    ".",
    "..",
    "=",
    "+",
    "-",
    "*",
    "/",
    "%",
    "**",
    "<",
    ">",
    "==",
    "!",
    "&&",
    "||",
    "??",
    "?.",
    "if",
    "else",
    "for",
    "in",
    "while",
    "loop",
    "break",
    "continue",
    "return",
    "throw",
    "let",
    "const",
    "x",
    "x",
    "run",
    "given",
    "1",
    "2.5",
    "-1",
    "9223372036854775807",
    "1e308",
    "\"t\"",
    "`${x}`",
    "#{",
    "a:",
    "true",
    "()",
    "'c'",
    "run.levels",
    "run.settings",
    ".lux",
    ".reference",
    ".lux_at(",
    "at_least(",
    "all_of(",
    "[0]",
    "undecided(\"\")",
    ".named(",
    ".len()",
    ".push(",
    "column(",
    "|x|",
    "switch",
    "import",
    "Fn",
    "private",
    "let x = 1;",
    "+=",
    "<<",
    "0..9",
    "/*",
    "//",
    "\n",
    "this",
    "is_known(",
    "counted(",
];
