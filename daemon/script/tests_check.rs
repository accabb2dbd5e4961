//! Mistakes found before a script runs, all at once; parameters and defaults.

use std::collections::BTreeMap;

use super::host::{Kind, compile};
use super::parameters::{Value, given, parse_value};
use super::unit::Unit;

fn told(text: &str) -> String {
    let mistakes = compile("mine", text).map(|_| ()).expect_err(text);
    let line = |m: &super::fault::Mistake| {
        let hint = m
            .hint
            .as_ref()
            .map_or_else(String::new, |hint| format!(" ({hint})"));
        format!("{}:{} {}{hint}\n", m.line, m.column, m.message)
    };
    mistakes.iter().map(line).collect()
}

#[test]
fn all_mistakes_are_told_at_once() {
    let text = "// A page.
fn given() { #{ target: \"250 lx\", wide: \"3 parsec\", list: [1] } }
let x = 5;
fn at_least(x, y) { x }
fn criterion(run) {
    let level = run.level;
    let light = run.setings[0].lux_att(given.targte);
    let n = run.levels.len;
    let name = run.lamp();
    helper(1);
    at_leest(light, 5, 6);
    all_of()
}
fn helper(a, b) { a }
";
    insta::assert_snapshot!("mistakes", told(text));
}

#[test]
fn a_parameter_that_does_not_exist_is_noticed() {
    let text = "fn given() { #{ target: \"250 lx\" } }
fn criterion(run, given) {
    at_least(run.levels[0].reference, given.taget)
}";
    assert_eq!(
        told(text),
        "3:45 there is no parameter `taget` (did you mean `target`?)\n"
    );
}

/// However lines end, a place is counted as editors count: a carriage return
/// alone ends none.
#[test]
fn places_do_not_depend_on_how_lines_end() {
    let text = "// A page.
fn given() { #{ target: \"250 lx\" } }

fn criterion(run, given) {
    at_least(run.levels[0].reference, given.taget)
}
";
    let expected = "5:45 there is no parameter `taget` (did you mean `target`?)\n";
    for end in ["\n", "\r\n", "\r\r\n", "\r \r\n"] {
        assert_eq!(told(&text.replace('\n', end)), expected, "{end:?}");
    }
    let open = text
        .replace("given.taget", "\"given")
        .replace('\n', "\r\r\n");
    let line = |place: &str| place.split(':').next().map(str::to_owned);
    assert_eq!(line(&told(&open)).as_deref(), Some("5"));
}

#[test]
fn each_kind_of_file_is_told_what_it_lacks() {
    let cases = [
        "",
        "fn given() { 5 }\nfn metric(run, given) { counted(1) }",
        "fn criterion(run, given) { undecided(\"\") }\nfn metric(run, given) { counted(1) }",
        "fn given(x) { #{} }\nfn metric(run, given) { counted(1) }",
        "fn given() { #{ a: b } }\nfn metric(run, given) { counted(1) }",
        "fn criterion(run, given) {\n    at_least(run.levels[0].reference, 5\n}",
        "fn criterion(run, given) { let a = 5 let b = 6; }",
        "fn criterion(run, given) { light }",
        "fn criterion(run, given) { @ }",
        "fn criterion(run, given) {",
    ];
    let told: Vec<String> = cases
        .iter()
        .map(|text| format!("{text}\n{}", told(text)))
        .collect();
    insta::assert_snapshot!("files", told.join("\n"));
}

#[test]
fn values_are_read_with_their_units() {
    let quantity = |number: f64, unit: Unit| Ok(Value::Quantity(number, unit));
    for (text, value) in [
        ("250 lx", quantity(250.0, Unit::Lux)),
        ("2 klx", quantity(2_000.0, Unit::Lux)),
        ("12 in", quantity(0.3048, Unit::Metre)),
        ("1.5 m", quantity(1.5, Unit::Metre)),
        ("30 min", quantity(1_800.0, Unit::Second)),
        ("2 %", quantity(2.0, Unit::Percent)),
        ("180 lm", quantity(180.0, Unit::Lumen)),
        ("60cd", quantity(60.0, Unit::Candela)),
        ("2700 K", quantity(2_700.0, Unit::Kelvin)),
        (" -3 ", Ok(Value::Number(-3.0))),
        ("1e3", Ok(Value::Number(1_000.0))),
        ("amber", Ok(Value::Text("amber".to_owned()))),
        ("", Ok(Value::Text(String::new()))),
    ] {
        assert_eq!(parse_value(text), value, "{text}");
    }
    for text in [
        "3 parsec", "5 l x", "1e999", "1e999 K", "1.2.3 m", "12 in in",
    ] {
        assert!(parse_value(text).is_err(), "{text}");
    }
}

#[test]
fn a_plans_values_are_checked_all_at_once() {
    let text = "fn given() { #{ target: \"250 lx\", share: \"5 %\", n: 3, name: \"amber\" } }
fn criterion(run, given) { undecided(given.name) }";
    let script = compile("mine", text).expect("sound");
    assert_eq!((script.kind, script.parameters.len()), (Kind::Criterion, 4));
    let plan = |values: &[(&str, Value)]| -> BTreeMap<String, Value> {
        values
            .iter()
            .map(|(name, value)| ((*name).to_owned(), value.clone()))
            .collect()
    };
    let sound = plan(&[
        ("target", Value::Quantity(300.0, Unit::Lux)),
        ("share", Value::Quantity(0.1, Unit::One)),
    ]);
    let found = given(&script, &sound).expect("sound").values;
    assert_eq!(found["target"], Value::Quantity(300.0, Unit::Lux));
    assert_eq!(found["share"], Value::Quantity(10.0, Unit::Percent));
    assert_eq!(found["n"], Value::Number(3.0));
    let wrong = plan(&[
        ("targte", Value::Quantity(300.0, Unit::Lux)),
        ("share", Value::Quantity(1.0, Unit::Metre)),
        ("n", Value::Text("three".to_owned())),
        ("name", Value::Number(f64::NAN)),
        ("wattage", Value::Number(1.0)),
    ]);
    let mistakes = given(&script, &wrong).expect_err("wrong");
    insta::assert_snapshot!("parameters", mistakes.join("\n"));
}

#[test]
fn a_script_has_its_page() {
    let text = "\n// The first line.\n// More.\nfn metric(run, given) { counted(1) }";
    let script = compile("mine", text).expect("sound");
    assert_eq!(script.summary, "The first line.");
    assert_eq!((script.name.as_str(), script.text.as_str()), ("mine", text));
    fn is_shared<T: Send + Sync>(_: &T) {}
    is_shared(&script);
}
