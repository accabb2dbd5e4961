//! Ours beside numpy, scipy and colour-science on the very same data, in one
//! run; `cargo bench -p photometry --bench peers`. Their times come from
//! `tests/peers/timing.py` when `WAKERAIL_ORACLE_PYTHON` names a python with
//! `tests/peers/requirements.txt`; without it only ours are printed.
//!
//! Best of several rounds, ours before and after theirs: the machine's clock
//! moves between runs, ratios within one do not. Nothing here is a test.

use std::f64::consts::TAU;
use std::time::Instant;

use photometry::colour::Tristimulus;
use photometry::flicker::{Analyser, Capture, severity};
use photometry::spectrum::{Scale, Spectrum};
use photometry::spectrum_figures::SpectrumFigures;
use photometry::{rendering, temperature};
use serde_json::{Value, json};

#[path = "../peers/oracle.rs"]
mod oracle;

/// Rounds of what takes milliseconds, and of what takes longer.
const ROUNDS: usize = 50;
const LONG_ROUNDS: usize = 5;
/// Below this rate JA10 is not asked for: a record that says so is timed without
/// it.
const BELOW_JA10_HZ: f64 = 19_999.0;

/// A record that is timed.
struct Wave {
    name: &'static str,
    rate_hz: f64,
    samples: Vec<f64>,
    severity: bool,
}

fn main() {
    let nm: Vec<f64> = (0..81).map(|at| 380.0 + 5.0 * f64::from(at)).collect();
    let bell = |nm: f64, centre: f64, sigma: f64| (-0.5 * ((nm - centre) / sigma).powi(2)).exp();
    let of = |nm: &f64| 0.8 * bell(*nm, 452.0, 10.0) + bell(*nm, 570.0, 50.0);
    let values: Vec<f64> = nm.iter().map(of).collect();
    let waves = waves();
    let mut ours = timed(&nm, &values, &waves);
    let theirs = oracle::python("benches").map(|python| {
        let theirs = oracle::ask(&python, "timing.py", &request(&nm, &values, &waves));
        let again = timed(&nm, &values, &waves);
        for (first, second) in ours.iter_mut().zip(again) {
            first.1 = first.1.min(second.1);
        }
        theirs
    });
    println!(
        "{:<44} {:>10} {:>10} {:>7}",
        "what, ms", "ours", "theirs", "ratio"
    );
    for (name, seconds) in &ours {
        let theirs = theirs.as_ref().and_then(|all| all[name].as_f64());
        let or_none =
            |value: Option<f64>| value.map_or("-".to_owned(), |value| format!("{value:.3}"));
        println!(
            "{name:<44} {:>10.3} {:>10} {:>7}",
            1e3 * seconds,
            or_none(theirs.map(|seconds| 1e3 * seconds)),
            or_none(theirs.map(|theirs| seconds / theirs))
        );
    }
}

/// Two seconds of pulses with the mains' ripple, and three minutes for PstLM.
fn waves() -> Vec<Wave> {
    let wave = |name, rate_hz: f64, seconds: f64, severity| {
        let n = (rate_hz * seconds) as usize;
        let sample = |at: usize| {
            let t = at as f64 / rate_hz;
            let up = if (973.0 * t).fract() < 0.6 { 1.0 } else { 0.2 };
            up * (1.0 + 0.1 * (TAU * 100.0 * t).sin()) * (1.0 + 0.004 * (TAU * 8.3 * t).sin())
        };
        Wave {
            name,
            rate_hz,
            samples: (0..n).map(sample).collect(),
            severity,
        }
    };
    vec![
        wave("flicker: 2 s at 20 kS/s", 20_000.0, 2.0, false),
        wave("flicker: 2 s at 100 kS/s", 100_000.0, 2.0, false),
        wave("PstLM: 180 s at 20 kS/s", 20_000.0, 180.0, true),
    ]
}

fn request(nm: &[f64], values: &[f64], waves: &[Wave]) -> Value {
    let samples: Vec<&[f64]> = waves.iter().map(|wave| wave.samples.as_slice()).collect();
    let file = oracle::raw("timing.f64", &samples);
    let mut from = 0;
    let places: Vec<Value> = waves
        .iter()
        .map(|wave| {
            let place = json!({
                "name": wave.name, "from": from, "n": wave.samples.len(),
                "rate_hz": wave.rate_hz, "severity": wave.severity, "rounds": rounds(wave),
            });
            from += wave.samples.len();
            place
        })
        .collect();
    let spectrum = json!({"nm": nm, "values": values, "rounds": ROUNDS});
    json!({"spectrum": spectrum, "file": file, "waves": places})
}

fn rounds(wave: &Wave) -> usize {
    if wave.severity { LONG_ROUNDS } else { ROUNDS }
}

/// Ours, in seconds, by name.
fn timed(nm: &[f64], values: &[f64], waves: &[Wave]) -> Vec<(String, f64)> {
    let spectrum = || Spectrum::new(nm, values, Scale::Absolute).expect("a spectrum");
    let temperature_and_ra = || {
        let spectrum = spectrum();
        let found = temperature::of_tristimulus(Tristimulus::of(&spectrum));
        found.map(|found| rendering::of(&spectrum, found.cct))
    };
    let mut all = vec![
        (
            "spectrum: CCT, Duv, Ra".to_owned(),
            best(ROUNDS, temperature_and_ra),
        ),
        (
            "spectrum: every figure".to_owned(),
            best(ROUNDS, || SpectrumFigures::of(&spectrum()).figures()),
        ),
    ];
    for wave in waves {
        let capture = Capture::new(&wave.samples, wave.rate_hz);
        if wave.severity {
            let seconds = best(rounds(wave), || severity::of(&capture));
            all.push((wave.name.to_owned(), seconds));
            continue;
        }
        let mut analyser = Analyser::new();
        let slower = Capture {
            rate_hz: BELOW_JA10_HZ,
            ..capture
        };
        let without = best(rounds(wave), || analyser.analyse(&slower, None));
        all.push((wave.name.to_owned(), without));
        let with = best(rounds(wave), || analyser.analyse(&capture, None));
        all.push((format!("{}, with JA10", wave.name), with));
    }
    all
}

fn best<T>(rounds: usize, mut act: impl FnMut() -> T) -> f64 {
    let one = |_| {
        let begun = Instant::now();
        std::hint::black_box(act());
        begun.elapsed().as_secs_f64()
    };
    (0..rounds).map(one).fold(f64::INFINITY, f64::min)
}
