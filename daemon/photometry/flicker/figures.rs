//! The figures of flicker under their names, with what must be withheld.
//!
//! Used by: `compute waveform`, reports, scripts.

use super::{Flag, Flicker};
use crate::figure::{Figure, FigureName, Given};

/// Names with their standards.
pub mod names {
    use crate::figure::figure_names;

    figure_names! {
        PERCENT_FLICKER "percent_flicker" "%" "modulation depth of the mean cycle" "IES RP-16, JA10.6" "closed forms of 20 waves, 0.1";
        PERCENT_FLICKER_RAW "percent_flicker_raw" "%" "modulation depth of single extremes, as captured: an upper bound" "JA10.6" "closed forms of 4 waves, 0.15";
        FLICKER_INDEX "flicker_index" "" "light above the mean over all light" "IES RP-16" "sine 30 % 0.0955, square 0.5, 0.002";
        DOMINANT_HZ "dominant_hz" "Hz" "frequency of the strongest line" "own definition" "closed forms of 30 waves, 0.1";
        FUNDAMENTAL_HZ "fundamental_hz" "Hz" "rate at which the wave repeats" "own definition" "100 Hz under a stronger 200 Hz, 0.1";
        DUTY "duty" "" "share of the time at the upper of two levels" "own definition" "PWM 25 %, 50 %, 0.011";
        SVM "svm" "" "stroboscopic visibility measure" "CIE TN 006:2016, IEC TR 63158:2018" "sine 100 Hz 30 % 1.1706, square 200 Hz 3.4858, 1 %";
        SVM_FROM_80_HZ "svm_from_80_hz" "" "the same without lines below 80 Hz" "NEMA 77-2017" "no value of its own; the sum of svm";
        PST_LM "pst_lm" "" "short-term light modulation" "IEC TR 61547-1" "check points 1.000 at 39, 1056, 4000 changes/min, 0.02";
        JA10_40 "ja10_40" "%" "modulation depth below 40 Hz" "California JA10" "closed forms, 0.3";
        JA10_90 "ja10_90" "%" "modulation depth below 90 Hz" "California JA10" "closed forms, 0.3";
        JA10_200 "ja10_200" "%" "modulation depth below 200 Hz" "California JA10" "closed forms, 0.3";
        JA10_400 "ja10_400" "%" "modulation depth below 400 Hz" "California JA10" "no value of its own; the code of 200 Hz";
        JA10_1000 "ja10_1000" "%" "modulation depth below 1000 Hz" "California JA10" "no value of its own; the code of 200 Hz";
        IEEE_SIMPLE "ieee_simple" "" "class of the whole modulation at the strongest line" "IEEE 1789-2015, 8.1.1" "19 points of the limits";
        IEEE_WORST "ieee_worst" "" "the worse of that and each line at its own frequency" "IEEE 1789-2015, 8.1.1; rule own" "20 waves";
        IEEE_STRICT "ieee_strict" "" "class of the whole modulation at the rate of repetition" "IEEE 1789-2015, 8.1.1" "the same limits";
        LOW_RISK_BELOW "low_risk_below_percent" "%" "modulation below which the strongest line's frequency is low risk" "IEEE 1789-2015, 8.1.1" "200 Hz: 16 %, common practice";
        DRIFT "drift_percent" "%" "change of the light over the record" "own definition" "ramps of 2 % and 0.38 %";
    }
}

use names::*;

/// How far a figure may lie from what closed forms of known waves give, in its unit: the
/// half-width that the checks beside its name hold it to. None for classes, limits and
/// what is no depth, rate or severity.
pub fn proven_within(name: &FigureName, value: f64) -> Option<f64> {
    let absolute: [(&FigureName, f64); 12] = [
        (&PERCENT_FLICKER, 0.1),
        (&PERCENT_FLICKER_RAW, 0.15),
        (&FLICKER_INDEX, 0.002),
        (&DOMINANT_HZ, 0.1),
        (&FUNDAMENTAL_HZ, 0.1),
        (&DUTY, 0.011),
        (&PST_LM, 0.02),
        (&JA10_40, 0.3),
        (&JA10_90, 0.3),
        (&JA10_200, 0.3),
        (&JA10_400, 0.3),
        (&JA10_1000, 0.3),
    ];
    let of_value = [&SVM, &SVM_FROM_80_HZ].contains(&name).then_some(0.01);
    let absolute = absolute.iter().find(|(of, _)| *of == name);
    let relative = of_value.map(|share| share * value.abs());
    absolute.map(|(_, within)| *within).or(relative)
}

/// Why a figure is withheld by flags.
const CLIPPED: &str = "the converter clipped";
const ALIAS: &str = "the captures disagree";
const NO_LINE: &str = "no line stands above the noise";

impl Flicker {
    /// As named figures; flags that touch a figure are its marks.
    pub fn figures(&self) -> Vec<Figure> {
        let mut figures = self.depth();
        figures.extend(self.visible());
        figures.extend(self.filtered_figures());
        figures.extend(self.class_figures());
        figures.push(Figure::number(&DRIFT, drift_percent(self.drift)));
        figures
    }

    /// Why nothing that rests on amplitudes may be believed.
    fn spoiled(&self) -> Option<&'static str> {
        if self.has(Flag::Clipped) {
            return Some(CLIPPED);
        }
        self.has(Flag::AliasSuspected).then_some(ALIAS)
    }

    /// Withheld where amplitudes are spoiled; with the marks that touch all.
    fn guarded(&self, figure: Figure) -> Figure {
        if let Some(why) = self.spoiled() {
            return Figure::withheld(figure.name, why);
        }
        self.marked(figure)
    }

    fn marked(&self, figure: Figure) -> Figure {
        if let Given::Withheld(_) = figure.given {
            return figure;
        }
        let touching = [
            Flag::AliasUnchecked,
            Flag::AliasLinesDropped,
            Flag::Undersampled,
            Flag::Drift,
            Flag::LowResolution,
            Flag::TooFewCycles,
        ];
        let raised = touching.into_iter().filter(|flag| self.has(*flag));
        raised.fold(figure, |figure, flag| figure.marked(flag.word()))
    }

    fn depth(&self) -> Vec<Figure> {
        let none = self.has(Flag::NoModulationDetected);
        // Without a line the extremes are noise, or what one code hides.
        let bound = self.percent.max(self.code_percent.unwrap_or(0.0));
        let percent = if none && bound.is_finite() {
            Figure::of(&PERCENT_FLICKER, Given::AtMost(bound))
        } else {
            Figure::number(&PERCENT_FLICKER, self.percent)
        };
        let mut percent = self.guarded(percent);
        if !none && self.fundamental_hz.is_none() {
            percent = percent.marked("single_extremes");
        }
        let alias = self.has(Flag::AliasSuspected).then_some(ALIAS);
        let frequency = |name: &'static FigureName, hz: Option<f64>, why: &str| match alias {
            Some(alias) => Figure::withheld(name, alias),
            None => self.marked(Figure::or_withheld(name, hz, why)),
        };
        let dominant = self.lines.dominant().map(|line| line.hz);
        let repeats = "the lines are no multiples of one rate";
        let no_cycle = if none { NO_LINE } else { repeats };
        let two = if none {
            NO_LINE
        } else {
            "the wave does not have two levels"
        };
        // No bound either, when samples miss the extremes.
        let raw = match self.spoiled() {
            Some(why) => Figure::withheld(&PERCENT_FLICKER_RAW, why),
            None => Figure::number(&PERCENT_FLICKER_RAW, self.percent_raw),
        };
        vec![
            percent,
            raw,
            self.guarded(Figure::or_withheld(&FLICKER_INDEX, self.index, no_cycle)),
            frequency(&DOMINANT_HZ, dominant, NO_LINE),
            frequency(&FUNDAMENTAL_HZ, self.fundamental_hz, no_cycle),
            self.guarded(Figure::or_withheld(&DUTY, self.duty, two)),
        ]
    }

    fn visible(&self) -> Vec<Figure> {
        let short = "it needs 1 s at 4 kS/s or more";
        let mut svm = self.guarded(Figure::or_withheld(&SVM, self.svm, short));
        if self.has(Flag::NoModulationDetected) {
            svm = svm.marked(Flag::NoModulationDetected.word());
        }
        let mut figures = vec![svm];
        if let Some(variant) = self.svm_from_80_hz {
            figures.push(self.guarded(Figure::number(&SVM_FROM_80_HZ, variant)));
        }
        let pst = self.severity.map(|severity| severity.pst_lm);
        let long = "it needs 30 s at 2 kS/s or more, 200 s to be full";
        let mut pst = self.guarded(Figure::or_withheld(&PST_LM, pst, long));
        let shorter = |s: super::Severity| s.evaluated_s < super::severity::EVALUATED_S - 0.5;
        if self.severity.is_some_and(shorter) {
            pst = pst.marked("short");
        }
        figures.push(pst);
        figures
    }

    fn filtered_figures(&self) -> Vec<Figure> {
        const NAMES: [&FigureName; 5] = [&JA10_40, &JA10_90, &JA10_200, &JA10_400, &JA10_1000];
        let none = "it needs 1 s at 20 kS/s or more";
        let every = NAMES.into_iter().zip(self.near_cut_off).enumerate();
        every
            .map(|(at, (name, near))| {
                let value = self.filtered.and_then(|all| all.get(at).copied());
                let figure = self.guarded(Figure::or_withheld(name, value, none));
                if near && figure.value().is_some() {
                    figure.marked("near_cut_off")
                } else {
                    figure
                }
            })
            .collect()
    }

    fn class_figures(&self) -> Vec<Figure> {
        let word = |name, class: super::recommended::Class| {
            let mut figure = self.guarded(Figure::word(name, class.word()));
            if self.has(Flag::NearLimit) {
                figure = figure.marked(Flag::NearLimit.word());
            }
            if self.has(Flag::NoModulationDetected) {
                figure = figure.marked(Flag::NoModulationDetected.word());
            }
            figure
        };
        let strict = match self.classes.strict {
            Some(class) => word(&IEEE_STRICT, class),
            None => Figure::withheld(&IEEE_STRICT, "the wave does not repeat"),
        };
        let dominant = self.lines.dominant();
        let limit = dominant.and_then(|line| super::recommended::low_risk_below_percent(line.hz));
        let why = if dominant.is_some() {
            "no restriction above 1250 Hz"
        } else {
            NO_LINE
        };
        vec![
            word(&IEEE_SIMPLE, self.classes.simple),
            word(&IEEE_WORST, self.classes.worst),
            strict,
            self.guarded(Figure::or_withheld(&LOW_RISK_BELOW, limit, why)),
        ]
    }
}
/// A drift in per cent, without the digits that only rounding made.
fn drift_percent(drift: f64) -> f64 {
    const DIGITS_OF_ONE: f64 = 1e9;
    100.0 * (drift * DIGITS_OF_ONE).round() / DIGITS_OF_ONE + 0.0
}
