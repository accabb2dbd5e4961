//! The figures of a ramp under their names. Times count from the programmed
//! start.
//!
//! Used by: `compute ramp`, reports, scripts.

use super::{Ramp, Way};
use crate::figure::{Figure, FigureName};

/// Names with their standards.
pub mod names {
    use crate::figure::figure_names;

    figure_names! {
        PLATEAU_LX "plateau_lx" "lx" "net light of the plateau, median of 120 s (lit by a sunset: 5 s)" "own definition" "closed forms";
        ONSET_S "onset_s" "s" "when light came (sunrise) or went (sunset)" "own definition after Currie 1968" "worked example: sample 7 of 10, 60 s";
        FIRST_LIGHT_LX "first_light_lx" "lx" "net light just after it came, or before it went" "own definition" "no value of its own";
        T10_S "t10_s" "s" "when 10 % of the plateau was crossed" "own definition" "square ramp of 30 min: 9.4868 min, 1e-7";
        T50_S "t50_s" "s" "when 50 % of the plateau was crossed" "own definition" "square ramp of 30 min: 21.2132 min, 1e-7";
        T90_S "t90_s" "s" "when 90 % of the plateau was crossed" "own definition" "square ramp of 30 min: 28.4605 min, 1e-7";
        T100_S "t100_s" "s" "when the light came within 2 % of the plateau, or left that" "own definition" "no value of its own";
        SHAPE_T50 "t50_over_length" "" "half light over the programmed length: above 0.5 begins gently" "own definition" "square ramp 0.70711, 1e-7";
        EXPONENT "exponent" "" "exponent of the rise: 1 linear, 2 square" "own definition" "square ramp 2, 1e-7";
        WORST_REVERSAL "worst_reversal" "" "worst change the wrong way between neighbours, a ratio" "own definition" "closed forms";
        LARGEST_VIOLATION_LX "largest_violation_lx" "lx" "largest distance from a curve that never turns" "Ayer and others 1955" "six values by hand: 0.5";
        LARGEST_STEP_RATIO "largest_step_ratio" "" "largest step above 0.1 lx, the trend removed" "own definition" "10 % step in a square ramp: 1.100, 0.005";
        LARGEST_STEP_AT_S "largest_step_at_s" "s" "when it came" "own definition" "the same: 900 s";
        LARGEST_STEP_DIMMING "largest_step_dimming_steps" "" "the same in steps of standard dimming, 2.77 % each" "IEC 62386-102, from memory" "ratio 1.142857: 4.8907, 1e-6";
        STEP_GRADE "step_grade" "" "how such a step was noticed in a lit room, one study; no verdict" "Optics Express 24(10) A885, 2016" "bounds 2.8, 7.4, 19 %";
        DOSE_LUX_MIN "dose_lux_min" "lx min" "net light over the whole record" "own definition" "13 min of 250 lx: 3250 (Terman and Terman 2006)";
        MELANOPIC_DOSE "melanopic_dose_lux_min" "lx min" "the same in melanopic EDI" "own definition; EDI: CIE S 026:2018" "A to E in a square ramp: 2008.75, 0.15 %";
        BELOW_10 "below_10_lx_melanopic_s" "s" "when a sunset fell below 10 lx melanopic EDI" "Brown and others 2022" "closed forms";
        BELOW_1 "below_1_lx_melanopic_s" "s" "when a sunset fell below 1 lx melanopic EDI" "Brown and others 2022" "closed forms";
    }
}

/// Names of what a program is in a sphere, where a flux tells what a lux at the port is.
pub mod in_sphere {
    use crate::figure::figure_names;

    figure_names! {
        PLATEAU_LM "plateau_lm" "lm" "net flux of the plateau, in a sphere, by the same rule" "own definition" "closed form of the simulated lamp";
        LIGHT_LM_MIN "light_lm_min" "lm min" "net flux over the whole record: quantity of light" "own definition" "closed form of the simulated lamp";
    }
}

/// Names of what spectra on the way of a program add to its melanopic dose.
pub mod on_the_way {
    use crate::figure::figure_names;

    figure_names! {
        MELANOPIC_COVERED "melanopic_dose_covered" "" "share of the melanopic dose between spectra of its way" "own definition" "closed forms, 1e-9";
        MELANOPIC_DER_OF_DOSE "melanopic_der_of_dose" "" "melanopic dose over the dose: mean ratio, weighted by light" "own definition" "A to E in a square ramp: 0.8035, 0.0015";
    }
}

use in_sphere::{LIGHT_LM_MIN, PLATEAU_LM};
use names::*;
use on_the_way::MELANOPIC_DER_OF_DOSE;

/// What tells programs of a lamp apart, in the order in which they are set beside each
/// other.
pub const COMPARED: [&FigureName; 10] = [
    &PLATEAU_LX,
    &PLATEAU_LM,
    &ONSET_S,
    &T10_S,
    &T50_S,
    &T90_S,
    &DOSE_LUX_MIN,
    &MELANOPIC_DOSE,
    &MELANOPIC_DER_OF_DOSE,
    &LIGHT_LM_MIN,
];

/// Why a ramp has no melanopic figures where nothing tells its colour.
pub const NO_SPECTRA: &str = "no spectra were taken";

/// What follows a recording's name (`dawn-1`) where the light that it ended in is told.
pub const END_OF_PROGRAM: &str = "-end";

/// Whether `end` names the end of a recording, `dawn-1-end` of `dawn-1`, or of what one
/// meter of several recorded, `dawn-1-lux-head`.
pub fn is_end_of(end: &str, recording: &str) -> bool {
    let Some(name) = end.strip_suffix(END_OF_PROGRAM) else {
        return false;
    };
    let by_meter = recording.strip_prefix(name);
    by_meter.is_some_and(|rest| rest.is_empty() || rest.starts_with('-'))
}

impl Ramp {
    /// What the light's scatter adds to the standard uncertainty of a time, in s; none
    /// where it adds nothing that is known.
    pub fn scatter_s(&self, name: &FigureName) -> Option<f64> {
        let names = [T10_S, T50_S, T90_S];
        let at = names.iter().position(|one| one.name == name.name)?;
        self.crossings_u_s[at].filter(|u| *u > 0.0)
    }

    /// As named figures.
    pub fn figures(&self) -> Vec<Figure> {
        let never = "the record does not cross it";
        let spectra = NO_SPECTRA;
        let sunset = match self.way {
            Way::Sunset if self.melanopic_dose_lux_min.is_none() => spectra,
            Way::Sunset => never,
            Way::Sunrise => "it is a sunrise",
        };
        let graded = "not graded: samples lie more than 0.5 s apart, or too dim";
        let step = self.largest_step;
        let grade = match step {
            Some(step) => Figure::word(&STEP_GRADE, step.grade()),
            None => Figure::withheld(&STEP_GRADE, graded),
        };
        vec![
            Figure::number(&PLATEAU_LX, self.plateau_lx),
            Figure::or_withheld(&ONSET_S, self.onset_s, never),
            Figure::or_withheld(&FIRST_LIGHT_LX, self.first_light_lx, never),
            Figure::or_withheld(&T10_S, self.t10_s, never),
            Figure::or_withheld(&T50_S, self.t50_s, never),
            Figure::or_withheld(&T90_S, self.t90_s, never),
            Figure::or_withheld(&T100_S, self.t100_s, never),
            Figure::or_withheld(&SHAPE_T50, self.t50_s.map(|t| t / self.length_s), never),
            Figure::or_withheld(&EXPONENT, self.exponent, never),
            Figure::number(&WORST_REVERSAL, self.worst_reversal),
            Figure::number(&LARGEST_VIOLATION_LX, self.largest_violation_lx),
            Figure::or_withheld(&LARGEST_STEP_RATIO, step.map(|step| step.ratio), graded),
            Figure::or_withheld(&LARGEST_STEP_AT_S, step.map(|step| step.at_s), graded),
            Figure::or_withheld(
                &LARGEST_STEP_DIMMING,
                step.map(|step| step.in_dimming_steps()),
                graded,
            ),
            grade,
            Figure::number(&DOSE_LUX_MIN, self.dose_lux_min),
            Figure::or_withheld(&MELANOPIC_DOSE, self.melanopic_dose_lux_min, spectra),
            Figure::or_withheld(&BELOW_10, self.below_10_lx_s, sunset),
            Figure::or_withheld(&BELOW_1, self.below_1_lx_s, sunset),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Dark, RampError, Record, analyse};
    use super::*;

    const LENGTH: f64 = 1_800.0;

    fn record<'r>(time_s: &'r [f64], e_lx: &'r [f64], way: Way) -> Record<'r> {
        Record {
            time_s,
            e_lx,
            dark: Dark {
                mean_lx: 0.0,
                sd_lx: 0.001,
            },
            start_s: 0.0,
            length_s: LENGTH,
            melanopic_der: None,
            way,
        }
    }

    fn square(t: f64) -> f64 {
        250.0 * (t / LENGTH).clamp(0.0, 1.0).powi(2)
    }

    fn times(step: f64) -> Vec<f64> {
        let n = (2_200.0 / step) as usize;
        (0..n).map(|at| step * at as f64 - 200.0).collect()
    }

    #[test]
    fn a_sunset_is_the_mirror_of_a_sunrise() {
        let time = times(0.5);
        let up: Vec<f64> = time.iter().map(|t| square(*t)).collect();
        let down: Vec<f64> = time.iter().map(|t| square(LENGTH - *t)).collect();
        let ratios = vec![0.5; time.len()];
        let sunrise = analyse(&record(&time, &up, Way::Sunrise)).expect("a ramp");
        let sunset = Record {
            melanopic_der: Some(&ratios),
            ..record(&time, &down, Way::Sunset)
        };
        let sunset = analyse(&sunset).expect("a ramp");
        let both = [
            (sunrise.t10_s, sunset.t10_s),
            (sunrise.t50_s, sunset.t50_s),
            (sunrise.t90_s, sunset.t90_s),
        ];
        for (up, down) in both {
            let sum = up.expect("a time") + down.expect("a time");
            assert!((sum - LENGTH).abs() < 1e-3, "{sum}");
        }
        let (a, b) = (
            sunrise.exponent.expect("up"),
            sunset.exponent.expect("down"),
        );
        assert!((a - 2.0).abs() < 1e-3 && (b - 2.0).abs() < 1e-3, "{a} {b}");
        // 20 lx of net light are 10 lx of melanopic EDI.
        let wanted = LENGTH * (1.0 - (20.0_f64 / 250.0).sqrt());
        assert!((sunset.below_10_lx_s.expect("a time") - wanted).abs() < 1e-2);
        assert!(sunset.below_1_lx_s > sunset.below_10_lx_s);
        assert_eq!(sunrise.below_10_lx_s, None);
        assert_eq!((sunrise.worst_reversal, sunset.worst_reversal), (1.0, 1.0));
    }

    /// A lamp that its sunset lights, 6 s late by its own clock and over 2 s: the
    /// same figures as of one that was lit before, by the closed form
    /// t = L (1 - sqrt(share)); its coming on is no step, no light before it.
    #[test]
    fn a_sunset_that_lights_its_lamp_is_seen_from_there() {
        let time = times(0.1);
        // Its display glows in the dark, more than five deviations of the dark.
        let light = |t: f64| 0.01 + square(LENGTH - t) * ((t - 6.0) / 2.0).clamp(0.0, 1.0);
        let down: Vec<f64> = time.iter().map(|t| light(*t)).collect();
        let found = analyse(&record(&time, &down, Way::Sunset)).expect("a ramp");
        // 7 s into it 250 lx are 248.1, and 246.7 at its first light's end.
        assert!((found.plateau_lx - 247.0).abs() < 1.0, "{found:?}");
        for (time, share) in [(found.t10_s, 0.1_f64), (found.t50_s, 0.5)] {
            let crossed_lx = share * found.plateau_lx - 0.01;
            let wanted = LENGTH * (1.0 - (crossed_lx / 250.0).sqrt());
            assert!((time.expect("a time") - wanted).abs() < 0.1, "{share}");
        }
        assert!((found.exponent.expect("one") - 2.0).abs() < 0.05);
        assert_eq!(found.worst_reversal, 1.0);
        assert_eq!(found.largest_step.expect("one").grade(), "smooth");
        // One that comes minutes late has no plateau.
        let late: Vec<f64> = time.iter().map(|t| light(*t - 300.0)).collect();
        let late = analyse(&record(&time, &late, Way::Sunset));
        assert_eq!(late, Err(RampError::LitLate));
    }

    #[test]
    fn a_fall_on_the_way_up_is_seen_and_noise_is_not() {
        let time = times(0.5);
        let mut up: Vec<f64> = time.iter().map(|t| square(*t)).collect();
        up[2_000] *= 0.8;
        let found = analyse(&record(&time, &up, Way::Sunrise)).expect("a ramp");
        assert!(
            (found.worst_reversal - 1.25).abs() < 2e-3,
            "{}",
            found.worst_reversal
        );
        assert!(found.largest_step.expect("a step").grade() == "jump");
        let coarse: Vec<f64> = times(5.0);
        let up: Vec<f64> = coarse.iter().map(|t| square(*t)).collect();
        let found = analyse(&record(&coarse, &up, Way::Sunrise)).expect("a ramp");
        assert_eq!(found.largest_step, None);
    }

    #[test]
    fn an_end_is_of_its_own_recording_alone() {
        for (recording, is_its_end) in [
            ("dawn-1", true),
            ("dawn-1-lux-head", true),
            ("dawn-10", false),
            ("dusk-1", false),
        ] {
            assert_eq!(
                is_end_of("dawn-1-end", recording),
                is_its_end,
                "{recording}"
            );
        }
        assert!(!is_end_of("dawn-1", "dawn-1"));
    }

    #[test]
    fn every_name_is_given_once() {
        let time = times(0.5);
        let up: Vec<f64> = time.iter().map(|t| square(*t)).collect();
        let figures = analyse(&record(&time, &up, Way::Sunrise))
            .expect("a ramp")
            .figures();
        let mut given: Vec<&str> = figures.iter().map(|figure| figure.name.name).collect();
        let mut known: Vec<&str> = names::ALL.iter().map(|name| name.name).collect();
        given.sort_unstable();
        known.sort_unstable();
        assert_eq!(given, known);
    }

    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig::with_cases(60))]

        #[test]
        fn unit_and_clock_do_not_matter(factor in 0.5..20.0_f64, shift in -1e4..1e4_f64) {
            let time = times(0.5);
            let up: Vec<f64> = time.iter().map(|t| square(*t)).collect();
            let plain = analyse(&record(&time, &up, Way::Sunrise)).expect("a ramp");
            let late: Vec<f64> = time.iter().map(|t| t + shift).collect();
            let bright: Vec<f64> = up.iter().map(|e| factor * e).collect();
            let moved = Record { start_s: shift, ..record(&late, &bright, Way::Sunrise) };
            let moved = analyse(&moved).expect("a ramp");
            let near = |a: Option<f64>, b: Option<f64>| {
                a.zip(b).is_some_and(|(a, b)| (a - b).abs() < 1e-5)
            };
            proptest::prop_assert!(near(plain.t10_s, moved.t10_s));
            proptest::prop_assert!(near(plain.t90_s, moved.t90_s));
            proptest::prop_assert!((moved.dose_lux_min / plain.dose_lux_min / factor - 1.0).abs() < 1e-9);
        }

        #[test]
        fn no_record_panics(
            numbers in proptest::collection::vec(
                (proptest::num::f64::ANY, proptest::num::f64::ANY), 0..60),
            tame in proptest::collection::vec(-1.0..100.0_f64, 10..60),
            start in proptest::num::f64::ANY, length in proptest::num::f64::ANY,
        ) {
            let (time, e): (Vec<f64>, Vec<f64>) = numbers.into_iter().unzip();
            let steps: Vec<f64> = (0..tame.len()).map(|at| 0.4 * at as f64).collect();
            for way in [Way::Sunrise, Way::Sunset] {
                let wild = Record { start_s: start, length_s: length, ..record(&time, &e, way) };
                let _ = analyse(&wild).map(|ramp| ramp.figures());
                for start_s in [0.0, 4.0, start] {
                    let tame = Record { start_s, length_s: 2.0, ..record(&steps, &tame, way) };
                    let _ = analyse(&tame).map(|ramp| ramp.figures());
                }
            }
        }
    }
}
