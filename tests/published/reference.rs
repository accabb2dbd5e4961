//! Reads the reference files; what is missing in them fails the test.

use serde_json::Value;

use crate::tally::Tally;

fn read(text: &str) -> Value {
    serde_json::from_str(text).expect("a reference file")
}

pub fn colour_json() -> Value {
    read(include_str!("../reference/colour.json"))
}

pub fn object<'v>(value: &'v Value, key: &str) -> &'v Value {
    value
        .get(key)
        .unwrap_or_else(|| panic!("no `{key}` in {value}"))
}

pub fn array<'v>(value: &'v Value, key: &str) -> &'v [Value] {
    let found = object(value, key).as_array();
    found.unwrap_or_else(|| panic!("`{key}` is no list"))
}

pub fn number(value: &Value, key: &str) -> f64 {
    let found = object(value, key).as_f64();
    found.unwrap_or_else(|| panic!("`{key}` is no number in {value}"))
}

pub fn numbers(value: &Value, key: &str) -> Vec<f64> {
    let every = array(value, key).iter().map(Value::as_f64);
    every.map(|number| number.expect("a number")).collect()
}

pub fn text<'v>(value: &'v Value, key: &str) -> &'v str {
    let found = object(value, key).as_str();
    found.unwrap_or_else(|| panic!("`{key}` is no text"))
}

pub fn metrology_json() -> Value {
    read(include_str!("../reference/metrology.json"))
}

/// What was computed for a check, with the names of its expectations.
pub type Checked = Value;

/// Holds every check that `mine` picks by topic and id against what `computed`
/// makes of its inputs: each leaf of `expected` within the check's tolerance,
/// each leaf of `published_value` within its last printed digit (or the
/// tolerance, if that is wider). Fails when a leaf is skipped.
pub fn checks(
    group: &'static str,
    mine: &dyn Fn(&str, &str) -> bool,
    computed: fn(&str, &Value) -> Checked,
) {
    let json = metrology_json();
    let mut tally = Tally::new(group);
    let mut wanted = 0;
    for check in array(&json, "checks") {
        let (topic, id) = (text(check, "topic"), text(check, "id"));
        if !mine(topic, id) {
            continue;
        }
        let got = computed(id, object(check, "inputs"));
        let tolerance = object(check, "tol");
        let of = |key: &str| tolerance.get(key).and_then(Value::as_f64).unwrap_or(0.0);
        let (absolute, relative) = (of("abs"), of("rel"));
        // A tolerance of 1e-9 on nine printed digits is met to its last bit.
        let within = |want: f64| absolute.max(relative * want.abs()) * (1.0 + 1e-6);
        let expected = object(check, "expected");
        wanted += leaves(expected);
        compare(&mut tally, "expected", id, &got, expected, &within);
        if let Some(published) = check.get("published_value") {
            wanted += leaves(published);
            let printed = |want: f64| {
                let coarser = ROUNDED_ON_THE_WAY.iter().find(|rounded| rounded.0 == id);
                let coarser = coarser.filter(|(_, printed, _)| *printed == want);
                let digit = coarser.map_or_else(|| last_digit(want), |rounded| rounded.2);
                within(want).max(digit)
            };
            compare(&mut tally, "published", id, &got, published, &printed);
        }
    }
    assert!(wanted > 0, "{group}: nothing to check");
    tally.end(wanted);
}

/// Numbers, words and truths in a value.
fn leaves(value: &Value) -> usize {
    match value {
        Value::Array(items) => items.iter().map(leaves).sum(),
        Value::Object(items) => items.values().map(leaves).sum(),
        _ => 1,
    }
}

/// (check, printed figure, how far it is from the exact one): the publication
/// went on with rounded figures. JCGM 100:2008, H.1 takes 9.7 nm to the fourth
/// power for 9.68 nm: 25.6 degrees of freedom instead of 25.45.
const ROUNDED_ON_THE_WAY: [(&str, f64, f64); 1] = [("U02", 25.6, 0.2)];

/// One unit of the last printed digit: publications round, cut or round up.
fn last_digit(want: f64) -> f64 {
    let text = want.to_string();
    let decimals = text.split_once('.').map_or(0, |(_, part)| part.len());
    1.001 * 10_f64.powi(-(decimals as i32))
}

fn compare(
    tally: &mut Tally,
    kind: &str,
    at: &str,
    got: &Value,
    want: &Value,
    within: &dyn Fn(f64) -> f64,
) {
    match want {
        Value::Object(items) => {
            for (key, want) in items {
                let got = got.get(key).unwrap_or(&Value::Null);
                compare(tally, kind, &format!("{at}.{key}"), got, want, within);
            }
        }
        Value::Array(items) => {
            for (index, want) in items.iter().enumerate() {
                let got = got.get(index).unwrap_or(&Value::Null);
                compare(tally, kind, &format!("{at}[{index}]"), got, want, within);
            }
        }
        Value::Number(number) => {
            let want = number.as_f64().expect("a number");
            tally.number(kind, at, got.as_f64(), want, within(want));
        }
        exact => tally.holds(kind, got == exact, || {
            format!("{at}: {got}, must be {exact}")
        }),
    }
}

pub fn flicker_json() -> Value {
    read(include_str!("../reference/flicker.json"))
}
