//! Waveforms with known figures: closed forms, published points, an independent
//! implementation; each value in `flicker.json` names its own source.

use photometry::figure::{Figure, Given};
use photometry::flicker::limits::{Measured, Published};
use photometry::flicker::{
    Analyser, Capture, Converter, Flicker, recommended, severity, visibility,
};
use serde_json::Value;

use crate::reference::{array, flicker_json, number, object, text};
use crate::tally::Tally;
use crate::waveforms::{Noise, samples};

fn words<'v>(value: &'v Value, key: &str) -> Vec<&'v str> {
    let Some(list) = value.get(key) else {
        return Vec::new();
    };
    let words = list.as_array().expect("a list").iter();
    words.map(|word| word.as_str().expect("a word")).collect()
}

fn analysed(vector: &Value) -> Flicker {
    let waveform = object(vector, "waveform");
    let first = samples(waveform);
    let second = vector.get("second_capture").map(|formula| {
        let samples = samples(formula);
        (samples, number(formula, "fs_hz"))
    });
    let converter = vector.get("adc").map(|adc| Converter {
        bits: number(adc, "bits") as u32,
        full_scale: number(adc, "full_scale"),
    });
    let capture = Capture {
        dark: vector
            .get("dark_subtract")
            .and_then(Value::as_f64)
            .unwrap_or(0.0),
        converter,
        ..Capture::new(&first, number(waveform, "fs_hz"))
    };
    let second = second
        .as_ref()
        .map(|(samples, rate)| Capture::new(samples, *rate));
    let analysed = Analyser::new().analyse(&capture, second.as_ref());
    analysed.expect("a usable waveform")
}

fn figure<'f>(figures: &'f [Figure], name: &str) -> &'f Figure {
    let mut named = figures.iter().filter(|figure| figure.name.name == name);
    named
        .next()
        .unwrap_or_else(|| panic!("there is no figure {name}"))
}

/// How many things the file asks for, counted without looking at what they are.
fn asked(json: &Value) -> usize {
    let vectors = array(json, "vectors").iter().map(|vector| {
        let lists = ["flags_required", "flags_forbidden", "withheld"];
        let listed: usize = lists.iter().map(|list| words(vector, list).len()).sum();
        let expected = object(vector, "expect").as_object().expect("values").len();
        let probes = usize::from(vector.get("second_probe").is_some()) + 1;
        listed + expected + 8 * probes
    });
    vectors.sum()
}

#[test]
fn every_waveform_has_its_figures_flags_and_gaps() {
    let json = flicker_json();
    let mut tally = Tally::new("flicker");
    for vector in array(&json, "vectors") {
        let id = text(vector, "id");
        probe(
            &mut tally,
            id,
            &samples(object(vector, "waveform")),
            object(vector, "probe"),
        );
        if let Some(second) = vector.get("second_capture") {
            probe(
                &mut tally,
                id,
                &samples(second),
                object(vector, "second_probe"),
            );
        }
        let flicker = analysed(vector);
        let figures = flicker.figures();
        let raised: Vec<&str> = flicker.flags.iter().map(|flag| flag.word()).collect();
        for flag in words(vector, "flags_required") {
            let said = || format!("{id}: {flag} is not raised, {raised:?} are");
            tally.holds("flag raised", raised.contains(&flag), said);
        }
        for flag in words(vector, "flags_forbidden") {
            let said = || format!("{id}: {flag} is raised");
            tally.holds("flag not raised", !raised.contains(&flag), said);
        }
        for name in words(vector, "withheld") {
            let given = &figure(&figures, name).given;
            let said = || format!("{id}: {name} must be withheld, is {given:?}");
            tally.holds("withheld", matches!(given, Given::Withheld(_)), said);
        }
        for (name, value) in object(vector, "expect").as_object().expect("values") {
            expectation(&mut tally, id, &flicker, &figures, name, value);
        }
    }
    tally.end(asked(&json));
}

/// First five samples, mean, least and largest: a wrong wave shows before a
/// wrong metric.
fn probe(tally: &mut Tally, id: &str, samples: &[f64], probe: &Value) {
    let first = array(probe, "first5")
        .iter()
        .map(|v| v.as_f64().expect("a number"));
    for (got, want) in samples.iter().zip(first) {
        tally.number("probe", id, Some(*got), want, 1e-9);
    }
    let mean = samples.iter().sum::<f64>() / samples.len() as f64;
    let least = samples.iter().copied().fold(f64::INFINITY, f64::min);
    let most = samples.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    for (got, key) in [(mean, "mean"), (least, "min"), (most, "max")] {
        tally.number("probe", id, Some(got), number(probe, key), 1e-9);
    }
}

fn expectation(
    tally: &mut Tally,
    id: &str,
    flicker: &Flicker,
    figures: &[Figure],
    name: &str,
    value: &Value,
) {
    let tolerance = number(value, "tol_abs");
    if name == "pinst_max" {
        let got = flicker.severity.map(|severity| severity.largest);
        return tally.number(name, id, got, number(value, "value"), tolerance);
    }
    let given = &figure(figures, name).given;
    match object(value, "value") {
        Value::Null => {
            let none = matches!(given, Given::Withheld(_));
            tally.holds(name, none, || {
                format!("{id}: {name} must be none, is {given:?}")
            });
        }
        Value::String(word) => {
            let same = *given == Given::Word(recommended_word(word));
            tally.holds(name, same, || {
                format!("{id}: {name} must be {word}, is {given:?}")
            });
        }
        _ => {
            let got = match given {
                Given::Number(value) | Given::AtMost(value) => Some(*value),
                _ => None,
            };
            tally.number(name, id, got, number(value, "value"), tolerance);
        }
    }
}

fn recommended_word(word: &str) -> &'static str {
    use recommended::Class;
    let every = [Class::NoObservableEffect, Class::LowRisk, Class::HighRisk];
    let known = every
        .into_iter()
        .map(Class::word)
        .find(|known| *known == word);
    known.unwrap_or_else(|| panic!("{word} is no class"))
}

#[test]
fn every_function_has_its_published_values() {
    let json = flicker_json();
    let checks = object(&json, "function_checks");
    let mut tally = Tally::new("functions of flicker");
    let mut wanted = 0;
    for (kind, cases) in checks.as_object().expect("checks") {
        if kind == "pst_percentile_weights" {
            wanted += weights(&mut tally, cases);
            continue;
        }
        for case in cases.as_array().expect("cases") {
            wanted += 1;
            function(&mut tally, kind, case);
        }
    }
    tally.end(wanted);
}

/// Flicker of one for a share of the time, else none: the percentiles up to that
/// share are one, and what the next share adds is one weight.
fn weights(tally: &mut Tally, weights: &Value) -> usize {
    let shares = [
        ("p01", 0.4),
        ("p1s", 1.8),
        ("p3s", 5.0),
        ("p10s", 20.0),
        ("p50s", 90.0),
    ];
    let mut before = 0.0;
    for (name, percent) in shares {
        let lit = |at: u32| f64::from(f64::from(at) < percent * 100.0);
        let flicker: Vec<f64> = (0..10_000).map(lit).collect();
        let squared = severity::from_instantaneous(&flicker).map(|pst| pst * pst);
        let weight = squared.map(|squared| squared - before);
        tally.number("weight", name, weight, number(weights, name), 1e-12);
        before = squared.unwrap_or(before);
    }
    assert_eq!(
        weights.as_object().map(serde_json::Map::len),
        Some(shares.len())
    );
    shares.len()
}

fn function(tally: &mut Tally, kind: &str, case: &Value) {
    let at = case.to_string();
    match kind {
        "svm_threshold" => {
            let want = number(case, "value");
            let got = visibility::threshold(number(case, "f_hz"));
            tally.number(kind, &at, Some(got), want, number(case, "tol_rel") * want);
        }
        "ieee1789" => {
            let got = recommended::class(number(case, "f_hz"), number(case, "mod_percent"));
            tally.holds(kind, got.word() == text(case, "expect"), || {
                format!("{at}: {got:?}")
            });
        }
        "pst_from_pinst" => {
            let ramp: Vec<f64> = (0..=10_000).map(|k| f64::from(k) / 10_000.0).collect();
            let got = severity::from_instantaneous(&ramp);
            tally.number(
                kind,
                &at,
                got,
                number(case, "value"),
                number(case, "tol_abs"),
            );
        }
        "lcg" => {
            let mut noise = Noise::new(number(case, "seed") as u32, 1.0);
            let same = array(case, "first")
                .iter()
                .all(|want| (noise.next() - want.as_f64().expect("a number")).abs() < 1e-12);
            tally.holds(kind, same, || at.clone());
        }
        "regulatory" => {
            let of = |key: &str| case.get(key).and_then(Value::as_f64);
            let published = match text(case, "rule") {
                "EU 2019/2020 from 2024-09-01" => Published::Eu2024,
                "EU 2019/2020 2021-09-01 to 2024-08-31" => Published::Eu2021,
                "California JA8" => Published::Ja8,
                "NEMA 77 indoor" => Published::Nema77,
                other => panic!("{other} is not checked"),
            };
            let kept = published.is_kept(Measured {
                pst_lm: of("pst_lm"),
                svm: of("svm"),
                percent_below_200_hz: of("ja10_200"),
            });
            let want = text(case, "expect") == "pass";
            tally.holds(kind, kept == Some(want), || format!("{at}: {kept:?}"));
        }
        other => panic!("the check {other} is not known"),
    }
}
