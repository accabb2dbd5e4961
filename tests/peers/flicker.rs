//! Every figure of random waveforms but PstLM.

use std::path::Path;

use photometry::figure::{Figure, Given};
use photometry::flicker::{Analyser, Capture, Flicker};
use serde_json::{Value, json};

use crate::contest::{Contest, answered};
use crate::oracle;
use crate::waves::{Wave, waves};

const WAVES: usize = 288;
const SEED: u64 = 61_547;

#[test]
fn every_figure_of_random_waveforms_is_the_oracles() {
    let Some(python) = oracle::python("waveforms") else {
        return;
    };
    let waves = waves(WAVES, SEED);
    let answers = asked(&python, "waves", &waves, false);
    let mut contest = Contest::new("flicker");
    let mut analyser = Analyser::new();
    for (wave, answer) in waves.iter().zip(&answers) {
        let capture = Capture::new(&wave.samples, wave.rate_hz);
        let flicker = analyser.analyse(&capture, None).expect("a waveform");
        compare(&mut contest, wave, &flicker, answer);
    }
    contest.end(waves.len(), &|name| match name {
        "duty" => 30,
        "svm_from_80_hz" | "percent_by_harmonics" => 90,
        name if name.starts_with("ja10") => 120,
        _ => 150,
    });
}

/// What the oracle says of each wave.
pub fn asked(python: &Path, name: &str, waves: &[Wave], severity: bool) -> Vec<Value> {
    let samples: Vec<&[f64]> = waves.iter().map(|wave| wave.samples.as_slice()).collect();
    let file = oracle::raw(&format!("{name}.f64"), &samples);
    let mut from = 0;
    let places: Vec<Value> = waves
        .iter()
        .map(|wave| {
            let place = json!({
                "from": from, "n": wave.samples.len(), "rate_hz": wave.rate_hz,
                "repeats": wave.repeats, "smooth": wave.smooth, "noisy": wave.noisy,
                "two_levels": wave.two_levels, "flat": wave.flat,
            });
            from += wave.samples.len();
            place
        })
        .collect();
    let request = json!({"file": file, "severity": severity, "waves": places});
    let answer = oracle::ask(python, "oracle_flicker.py", &request);
    std::fs::remove_file(&file).expect("the samples go away");
    let answers = answer["waves"].as_array().expect("a list").clone();
    assert_eq!(answers.len(), waves.len());
    answers
}

fn figure<'f>(figures: &'f [Figure], name: &str) -> Option<&'f Figure> {
    figures.iter().find(|figure| figure.name.name == name)
}

fn compare(contest: &mut Contest, wave: &Wave, flicker: &Flicker, answer: &Value) {
    let figures = flicker.figures();
    let ours = |name: &str| figure(&figures, name).and_then(Figure::value);
    let mut hold_as = |theirs: &str, name: &str, tolerance: f64| {
        let answer = answered(answer, theirs);
        contest.number(theirs, &wave.name, ours(name), answer, tolerance);
    };
    hold_as("percent_flicker_raw", "percent_flicker_raw", 1e-6);
    hold_as("drift_percent", "drift_percent", 1e-6);
    let svm = answered(answer, "svm").unwrap_or(0.0);
    // Noise below the floor of lines adds less than 0.003 at 1 % rms.
    let noise = if wave.noisy { 0.003 } else { 1e-3 };
    hold_as("svm", "svm", 0.01 * svm + noise);
    if figure(&figures, "svm_from_80_hz").is_some() {
        hold_as("svm_from_80_hz", "svm_from_80_hz", 0.01 * svm + noise);
    }
    if wave.rate_hz >= 20_000.0 {
        for cut_off in [40, 90, 200, 400, 1000] {
            let name = format!("ja10_{cut_off}");
            hold_as(&name, &name, 0.5);
        }
    }
    if wave.flat {
        let percent = figure(&figures, "percent_flicker").map(|figure| &figure.given);
        assert!(
            matches!(percent, Some(Given::AtMost(_))),
            "{}: {percent:?}",
            wave.name
        );
        return;
    }
    hold_as("dominant_hz", "dominant_hz", 0.1);
    hold_as(
        "low_risk_below_percent",
        "low_risk_below_percent",
        0.025 * 0.1 + 0.08 * 0.1,
    );
    if wave.repeats {
        hold_as("fundamental_hz", "fundamental_hz", 0.1);
        hold_as("percent_flicker", "percent_flicker", 0.1);
        hold_as("flicker_index", "flicker_index", 0.002);
        if wave.smooth {
            // The mean over a phase rounds the crests of high harmonics off.
            let theirs = answered(answer, "percent_by_harmonics").unwrap_or(0.0);
            hold_as(
                "percent_by_harmonics",
                "percent_flicker",
                0.1 + 0.01 * theirs,
            );
        }
    } else if flicker.fundamental_hz.is_none() {
        hold_as("percent_flicker", "percent_flicker", 0.1);
    }
    if wave.two_levels {
        hold_as("duty", "duty", 0.005);
    }
    words(contest, wave, &figures, answer);
    lines(contest, wave, flicker, answer);
}

/// Classes, where the oracle does not call them a close thing.
fn words(contest: &mut Contest, wave: &Wave, figures: &[Figure], answer: &Value) {
    for name in ["ieee_simple", "ieee_worst", "ieee_strict"] {
        let Some(theirs) = answer.get(name).and_then(Value::as_str) else {
            continue;
        };
        match figure(figures, name).map(|figure| &figure.given) {
            Some(Given::Word(ours)) => contest.word(name, &wave.name, ours, theirs),
            other => contest.word(name, &wave.name, &format!("{other:?}"), theirs),
        }
    }
}

/// The three strongest lines, each against ours of the same place.
fn lines(contest: &mut Contest, wave: &Wave, flicker: &Flicker, answer: &Value) {
    for line in answer["lines"].as_array().expect("lines") {
        let part = |at: usize| line[at].as_f64().expect("a number");
        let (hz, share) = (part(0), part(1));
        let away = |ours: &&photometry::flicker::lines::Line| (ours.hz - hz).abs();
        let nearest = flicker
            .lines
            .lines
            .iter()
            .min_by(|a, b| away(a).total_cmp(&away(b)));
        let (ours_hz, ours_share) = (nearest.map(|line| line.hz), nearest.map(|line| line.share));
        contest.number("line_hz", &wave.name, ours_hz, Some(hz), 0.1);
        contest.number(
            "line_share",
            &wave.name,
            ours_share,
            Some(share),
            0.01 * share,
        );
    }
}
