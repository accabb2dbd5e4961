//! Flicker by closed forms and for all inputs.

use std::f64::consts::{PI, TAU};

use super::*;
use crate::figure::Given;

fn wave(rate_hz: f64, seconds: f64, of: impl Fn(f64) -> f64) -> Vec<f64> {
    let n = (rate_hz * seconds) as usize;
    (0..n).map(|at| of(at as f64 / rate_hz)).collect()
}

fn analysed(samples: &[f64], rate_hz: f64) -> Flicker {
    let capture = Capture::new(samples, rate_hz);
    Analyser::new().analyse(&capture, None).expect("flicker")
}

fn near(got: f64, want: f64, within: f64) {
    assert!(
        (got - want).abs() <= within,
        "{got}, must be {want} within {within}"
    );
}

/// 200 Hz, full depth: the limit of low risk is 16 %, so it is high risk.
/// Common practice, no source.
#[test]
fn a_square_wave_of_200_hz_at_full_depth_is_high_risk() {
    let square = wave(20_000.0, 1.0, |t| {
        f64::from((200.0 * t + 0.0025).fract() < 0.5)
    });
    let flicker = analysed(&square, 20_000.0);
    assert_eq!(flicker.classes.worst.word(), "high_risk");
    near(
        recommended::low_risk_below_percent(200.0).expect("a limit"),
        16.0,
        1e-12,
    );
    near(flicker.percent, 100.0, 0.1);
}

/// PWM of duty d: index 1 - d, first line 2 sin(pi d) / (pi d); the part of a
/// cycle at the end of a record moves neither.
#[test]
fn a_part_of_a_cycle_moves_neither_index_nor_lines() {
    for (hz, duty) in [(30.2, 0.2), (50.5, 0.5), (101.5, 0.5), (150.25, 0.25)] {
        let pulses = wave(20_000.0, 1.0, |t| f64::from((hz * t).fract() < duty));
        let flicker = analysed(&pulses, 20_000.0);
        near(flicker.index.expect("an index"), 1.0 - duty, 1e-3);
        let line = flicker.lines.dominant().expect("a line").share;
        let want = 2.0 * (PI * duty).sin() / (PI * duty);
        near(line / want, 1.0, 2e-3);
    }
}

/// IEC TR 61547-1 through IEC 61000-4-15: for a sine the percentiles of
/// instantaneous flicker have a closed form; 8 Hz of 1 % gives 1.0497, 3 Hz of
/// 2 % 0.6208.
#[test]
fn short_term_light_modulation_of_sines_is_that_of_the_closed_form() {
    for (hz, peak_to_peak, want) in [
        (8.0, 0.01, 1.0497),
        (20.0, 0.02, 1.4724),
        (3.0, 0.02, 0.6208),
    ] {
        for rate_hz in [2_000.0, 20_000.0] {
            let sine = wave(rate_hz, 200.0, |t| {
                1.0 + peak_to_peak / 2.0 * (TAU * hz * t).sin()
            });
            let found = severity::of(&Capture::new(&sine, rate_hz)).expect("usable");
            let found = found.expect("long enough");
            near(found.pst_lm / want, 1.0, 2e-3);
            near(found.evaluated_s, 180.0, 0.01);
        }
    }
}

/// The check points of IEC TR 61547-1: on a carrier of 22 % at 100 Hz, PstLM is
/// one; the standard allows 5 %.
#[test]
fn the_check_points_of_the_light_flickermeter_are_met() {
    let points = [
        (0.325, 2.5386),
        (0.916_67, 2.0473),
        (8.8, 0.6832),
        (13.5, 0.7780),
        (33.333, 2.0027),
    ];
    for (hz, percent) in points {
        for rate_hz in [2_000.0, 10_000.0] {
            let light = wave(rate_hz, 200.0, |t| {
                let up = if (hz * t + 1e-5).fract() < 0.5 {
                    1.0
                } else {
                    -1.0
                };
                (1.0 - 0.11 * (TAU * 100.0 * t).cos()) * (1.0 + percent / 200.0 * up)
            });
            let found = severity::of(&Capture::new(&light, rate_hz)).expect("usable");
            near(found.expect("long enough").pst_lm, 1.0, 0.01);
        }
    }
}

/// A spectrum of closed forms: sine 100 Hz 30 % gives 1.1706, |sin| of 60 Hz
/// mains 2.4186.
#[test]
fn visibility_of_waves_with_closed_forms() {
    let sine = wave(20_000.0, 1.0, |t| 1.0 + 0.3 * (TAU * 100.0 * t).sin());
    near(analysed(&sine, 20_000.0).svm.expect("svm"), 1.1706, 0.01);
    let mains = wave(20_000.0, 1.0, |t| (TAU * 60.0 * t).sin().abs());
    near(analysed(&mains, 20_000.0).svm.expect("svm"), 2.4186, 0.02);
    let triangle = wave(20_000.0, 1.0, |t| {
        1.0 + 0.4 * (2.0 / PI) * (TAU * 100.0 * t).sin().asin()
    });
    near(
        analysed(&triangle, 20_000.0).index.expect("index"),
        0.1,
        0.002,
    );
}

/// A pure 8 Hz line is in the photosensitive band; its absence is never said to
/// be safe, and a filter that is stated takes the doubt of folding away.
#[test]
fn cautions_are_raised_and_doubts_stated() {
    let slow = wave(20_000.0, 2.0, |t| 1.0 + 0.1 * (TAU * 8.0 * t).sin());
    let flicker = analysed(&slow, 20_000.0);
    assert!(flicker.has(Flag::PhotosensitiveBand) && flicker.has(Flag::AliasUnchecked));
    let capture = Capture {
        filter_hz: Some(8_000.0),
        ..Capture::new(&slow, 20_000.0)
    };
    let filtered = Analyser::new().analyse(&capture, None).expect("flicker");
    assert!(!filtered.has(Flag::AliasUnchecked));
}

#[test]
fn what_cannot_be_used_is_refused() {
    let dark = [0.0; 100];
    let refused = |capture: Capture<'_>| Analyser::new().analyse(&capture, None).expect_err("no");
    assert_eq!(refused(Capture::new(&dark, 1e4)), WaveformError::NoLight);
    assert_eq!(
        refused(Capture::new(&dark[..10], 1e4)),
        WaveformError::TooFew(10)
    );
    let mut broken = [1.0; 100];
    assert_eq!(refused(Capture::new(&broken, 0.0)), WaveformError::Rate);
    broken[7] = f64::NAN;
    assert_eq!(
        refused(Capture::new(&broken, 1e4)),
        WaveformError::NotFinite(8)
    );
    let ones = [1.0; 100];
    let over = Capture {
        dark: 2.0,
        ..Capture::new(&ones, 1e4)
    };
    assert_eq!(refused(over), WaveformError::NoLight);
}

#[test]
fn every_name_is_given_once() {
    let sine = wave(20_000.0, 1.0, |t| {
        1.0 + 0.1 * (TAU * 60.0 * t).sin() + 0.05 * (TAU * 120.0 * t).sin()
    });
    let given: Vec<&str> = analysed(&sine, 20_000.0)
        .figures()
        .iter()
        .map(|figure| figure.name.name)
        .collect();
    let mut known: Vec<&str> = figures::names::ALL.iter().map(|name| name.name).collect();
    let mut sorted = given.clone();
    sorted.sort_unstable();
    known.sort_unstable();
    assert_eq!(sorted, known);
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(40))]

    /// Unit, and a shift by whole cycles, change nothing.
    #[test]
    fn unit_and_whole_cycles_do_not_matter(
        hz in 50_u32..400, depth in 0.05..0.9_f64, factor in 1e-6..1e6_f64, cycles in 1_u32..5,
    ) {
        let hz = f64::from(hz);
        let of = |t: f64| 1.0 + depth * (TAU * hz * t).sin();
        let plain = analysed(&wave(20_000.0, 1.0, of), 20_000.0);
        let late = f64::from(cycles) / hz;
        let moved = analysed(&wave(20_000.0, 1.0, |t| factor * of(t + late)), 20_000.0);
        proptest::prop_assert!((plain.percent - 100.0 * depth).abs() < 0.2);
        proptest::prop_assert!((plain.percent - moved.percent).abs() < 0.05);
        let (a, b) = (plain.svm.expect("svm"), moved.svm.expect("svm"));
        proptest::prop_assert!((a - b).abs() < 1e-3 * a, "{} {}", a, b);
        let (a, b) = (plain.index.expect("index"), moved.index.expect("index"));
        proptest::prop_assert!((a - b).abs() < 1e-3);
        proptest::prop_assert_eq!(plain.classes, moved.classes);
    }

    #[test]
    fn no_samples_panic(
        samples in proptest::collection::vec(proptest::num::f64::ANY, 0..300),
        tame in proptest::collection::vec(0.0..1.0_f64, 64..300),
        rate in proptest::num::f64::ANY, dark in proptest::num::f64::ANY,
        bits in 0_u32..40, full_scale in proptest::num::f64::ANY,
    ) {
        for samples in [&samples, &tame] {
            for rate_hz in [rate, rate.abs() % 1e6, 1e3] {
                let capture = Capture {
                    samples,
                    rate_hz,
                    dark: if rate_hz == rate { dark } else { 0.0 },
                    converter: (bits > 5).then_some(Converter { bits, full_scale }),
                    filter_hz: None,
                };
                if let Ok(flicker) = Analyser::new().analyse(&capture, Some(&capture)) {
                    for figure in flicker.figures() {
                        let sound = !matches!(figure.given, Given::Number(value) if !value.is_finite());
                        proptest::prop_assert!(sound, "{:?}", figure);
                    }
                }
            }
        }
    }
}
