//! Waveforms: what captures say of the light's modulation, checked by one at another
//! rate, less the mean of what was captured covered. Their scatter is in U, and what
//! the dark captures leave open of the mean light; nothing of a meter's calibration,
//! for these are ratios.

use photometry::figure::{Figure, FigureName, Given};
use photometry::flicker::figures::{names, proven_within};
use photometry::flicker::{Analyser, Capture as Light};
use photometry::measured::{Axis, CaptureOutcome, Quantity};
use photometry::statistics;
use photometry::uncertainty::Estimate;

use super::{Curve, Measure, REPEATABILITY, Test};
use crate::plan::course::DARK;
use crate::plan::itinerary::Purpose;
use crate::store::captures::CaptureRow;

/// A chart shows so many milliseconds: five cycles of 100 Hz.
const SHOWN_MS: f64 = 50.0;
/// And so many points at most.
const POINTS_AT_MOST: usize = 1_000;
/// A longer capture is one for PstLM, in seconds.
const LONG_S: f64 = 60.0;

/// The waveforms of each setting.
pub(super) fn measures(test: &Test<'_>) -> Vec<Measure> {
    let mut analyser = Analyser::new();
    let settings = test.settings().into_iter().filter(|of| *of != DARK);
    settings
        .map(|setting| measure(test, setting, &mut analyser))
        .collect()
}

/// A capture with its samples.
struct Samples<'a> {
    row: &'a CaptureRow,
    values: Vec<f64>,
    rate_hz: f64,
}

impl<'a> Samples<'a> {
    fn of(row: &'a CaptureRow) -> Option<Samples<'a>> {
        let usable = matches!(row.capture.outcome, CaptureOutcome::Numbers(_));
        let Axis::Seconds(step) = row.capture.axis else {
            return None;
        };
        let values = row.capture.numbers().filter(|_| usable && step > 0.0)?;
        Some(Samples {
            row,
            values,
            rate_hz: 1.0 / step,
        })
    }

    fn light(&self, dark: f64) -> Light<'_> {
        Light {
            dark,
            filter_hz: self.row.capture.filter_hz,
            ..Light::new(&self.values, self.rate_hz)
        }
    }

    fn seconds(&self) -> f64 {
        self.values.len() as f64 / self.rate_hz
    }
}

fn measure(test: &Test<'_>, setting: &str, analyser: &mut Analyser) -> Measure {
    let dark = test.captures(DARK, Purpose::Dark);
    let dark: Vec<Samples<'_>> = dark.filter_map(Samples::of).collect();
    let lit: Vec<&CaptureRow> = test.captures(setting, Purpose::Read).collect();
    let meter = lit.first().map_or("", |row| row.capture.meter.as_str());
    let mut found = test.empty(setting, test.shown(setting), meter);
    let bright = |row: &&CaptureRow| matches!(row.capture.outcome, CaptureOutcome::Saturated(_));
    if lit.iter().any(bright) {
        let text = "A waveform was too bright for the meter and is not used.";
        found.notes.push(text.to_owned());
    }
    let lit: Vec<Samples<'_>> = lit.into_iter().filter_map(Samples::of).collect();
    let other = test.captures(setting, Purpose::OtherRate);
    let other: Vec<Samples<'_>> = other.filter_map(Samples::of).collect();
    let all = lit.iter().chain(&other).chain(&dark);
    found.rests_on = all.map(|samples| samples.row.seq).collect();
    let asked = |purpose| test.asked(purpose, Quantity::Waveform, Some(setting));
    found.unfinished = lit.len() < asked(Purpose::Read) || other.len() < asked(Purpose::OtherRate);
    found.notes.extend(test.drifted(setting));
    let means = dark
        .iter()
        .filter_map(|samples| statistics::moments(&samples.values));
    let means: Vec<f64> = means.map(|moments| moments.mean).collect();
    let Some(Dark { mean: dark, error }) = Dark::of(&means) else {
        let text = "No waveform was captured covered: without it there are no figures.";
        found.notes.push(text.to_owned());
        found.unfinished = true;
        return found;
    };
    let mut short = lit.iter().filter(|samples| samples.seconds() < LONG_S);
    let Some(main) = short.next() else {
        let text = "No waveform of it can be used: there are no figures.";
        found.notes.push(text.to_owned());
        found.unfinished = true;
        return found;
    };
    let light = main.light(dark);
    let second = other.first().map(|samples| samples.light(dark));
    match analyser.analyse(&light, second.as_ref()) {
        Ok(flicker) => {
            found.figures = flicker.figures();
            let flags = flicker.flags.iter().map(|flag| flag.word());
            let flags: Vec<&str> = flags.collect();
            if !flags.is_empty() {
                let text = format!("Marks of the capture: {}.", flags.join(", "));
                found.notes.push(text);
            }
        }
        Err(why) => {
            let text = format!("The waveform gives no figures: {why}.");
            found.notes.push(text);
            return found;
        }
    }
    severity(&mut found, &lit, dark, analyser);
    // Held against the other rate as the first is, so that all drop the same lines.
    let others: Vec<&Samples<'_>> = short.collect();
    let again: Vec<Vec<Figure>> = others
        .iter()
        .filter_map(|samples| analyser.analyse(&samples.light(dark), second.as_ref()).ok())
        .map(|flicker| flicker.figures())
        .collect();
    if again.len() < others.len() {
        let (n, there) = (again.len() + 1, others.len() + 1);
        let text = format!("{n} of {there} waveforms give figures.");
        found.notes.push(text);
    }
    let net = statistics::moments(&main.values).map_or(f64::NAN, |moments| moments.mean - dark);
    let of_mean = error.map(|(u, dof)| (u / net, dof));
    give_terms(&mut found, &again, of_mean);
    found.curve = curve(main, dark);
    found
}

/// Gives each figure its terms, and says what they lack. `again`: the figures of the
/// captures like it; `of_mean`: what the dark leaves open of the mean light, as a share.
fn give_terms(found: &mut Measure, again: &[Vec<Figure>], of_mean: Option<(f64, f64)>) {
    if again.is_empty() {
        let text = "One capture: how far others would lie from its figures is not known.";
        found.notes.push(text.to_owned());
    }
    if of_mean.is_none() {
        let text = "One dark capture: what its scatter leaves of the mean light is not in U.";
        found.notes.push(text.to_owned());
    }
    found.notes.extend(other_words(&found.figures, again));
    let lone = |figure: &&Figure| {
        let has = |figures: &Vec<Figure>| {
            let mut others = figures.iter();
            others.any(|other| other.name == figure.name && other.value().is_some())
        };
        let is_long = *figure.name == names::PST_LM;
        matches!(figure.given, Given::Number(_)) && !is_long && !again.iter().all(has)
    };
    let lone: Vec<&str> = found
        .figures
        .iter()
        .filter(lone)
        .map(|of| of.name.name)
        .collect();
    if !lone.is_empty() {
        let lone = lone.join("`, `");
        let text = format!("Not every capture has `{lone}`: the first one's, without scatter.");
        found.notes.push(text);
    }
    let figures = std::mem::take(&mut found.figures);
    let with_terms = |figure| with_terms(figure, again, of_mean);
    found.figures = figures.into_iter().map(with_terms).collect();
}

/// What was captured covered, in the meter's unit.
struct Dark {
    mean: f64,
    /// Standard error of that, with its degrees of freedom; none of one capture.
    error: Option<(f64, f64)>,
}

impl Dark {
    /// From the mean of each capture; none of none.
    fn of(means: &[f64]) -> Option<Dark> {
        let moments = statistics::moments(means)?;
        let error = moments.standard_error().filter(|_| means.len() > 1);
        Some(Dark {
            mean: moments.mean,
            error: error.map(|error| (error, moments.n as f64 - 1.0)),
        })
    }
}

/// The figures that are amplitudes over the mean light, so that a dark which is off by
/// a share of that is off by the same share of them.
const OVER_THE_MEAN: [&FigureName; 11] = [
    &names::PERCENT_FLICKER,
    &names::PERCENT_FLICKER_RAW,
    &names::FLICKER_INDEX,
    &names::SVM,
    &names::SVM_FROM_80_HZ,
    &names::PST_LM,
    &names::JA10_40,
    &names::JA10_90,
    &names::JA10_200,
    &names::JA10_400,
    &names::JA10_1000,
];

/// Source of the term of the dark captures.
const DARK_CAPTURES: &str = "dark captures";
/// Source of the term of the computation itself: how far it may lie from closed forms.
const EVALUATION: &str = "evaluation";

/// The mean of a figure over this capture and those like it, with their scatter and
/// the dark's term. PstLM is of another capture, and of that alone. `dark`: what the
/// dark leaves open of the mean light, as a share.
fn with_terms(figure: Figure, again: &[Vec<Figure>], dark: Option<(f64, f64)>) -> Figure {
    let Given::Number(first) = figure.given else {
        return figure;
    };
    let is_long = *figure.name == names::PST_LM;
    let same = again.iter().filter(|_| !is_long).filter_map(|figures| {
        let mut figures = figures.iter();
        figures.find(|one| one.name == figure.name)?.value()
    });
    let all: Vec<f64> = std::iter::once(first).chain(same).collect();
    // A figure that not every capture has scatters by more than those say.
    let whole = is_long || all.len() == again.len() + 1;
    let scatter = statistics::moments(&all).filter(|_| whole && all.len() > 1);
    let mut estimate = Estimate::exact(scatter.as_ref().map_or(first, |moments| moments.mean));
    let error = scatter.and_then(|moments| Some((moments.standard_error()?, moments.n)));
    if let Some((u, n)) = error.filter(|(u, _)| *u > 0.0) {
        estimate = estimate.with(REPEATABILITY, u, Some(n as f64 - 1.0));
    }
    // A share of nothing is no doubt: a term of zero would say that it is known.
    let of_mean = dark.filter(|_| estimate.value != 0.0 && OVER_THE_MEAN.contains(&figure.name));
    if let Some((share, dof)) = of_mean {
        let u = (estimate.value * share).abs();
        estimate = estimate.with(DARK_CAPTURES, u, Some(dof));
    }
    let half = proven_within(figure.name, estimate.value);
    if let Some(half) = half.filter(|half| *half > 0.0) {
        // A rectangle of this half-width (JCGM 100:2008, 4.3.7).
        estimate = estimate.with(EVALUATION, half / 3.0_f64.sqrt(), None);
    }
    let given = match estimate.terms.is_empty() {
        true => Given::Number(estimate.value),
        false => Given::Estimate(estimate),
    };
    Figure { given, ..figure }
}

/// Says where another capture gives another class.
fn other_words(figures: &[Figure], again: &[Vec<Figure>]) -> Vec<String> {
    let word = |figure: &Figure| match figure.given {
        Given::Word(word) => Some(word),
        _ => None,
    };
    let classes = figures
        .iter()
        .filter_map(|figure| Some((figure.name, word(figure)?)));
    let others = classes.filter_map(|(name, class)| {
        let mut others = again.iter().flatten().filter(|other| other.name == name);
        let other = others.find_map(|other| word(other).filter(|other| *other != class))?;
        Some(format!(
            "`{}` is {class} by the first capture, {other} by another.",
            name.name
        ))
    });
    others.collect()
}

/// PstLM is that of the long capture, where one was made.
fn severity(found: &mut Measure, lit: &[Samples<'_>], dark: f64, analyser: &mut Analyser) {
    let Some(long) = lit.iter().find(|samples| samples.seconds() >= LONG_S) else {
        return;
    };
    let Ok(flicker) = analyser.analyse(&long.light(dark), None) else {
        return;
    };
    let mut of_long = flicker.figures().into_iter();
    if let Some(pst) = of_long.find(|figure| *figure.name == names::PST_LM) {
        found.figures.retain(|figure| *figure.name != names::PST_LM);
        found.figures.push(pst);
    }
}

/// The first milliseconds, light over its mean.
fn curve(main: &Samples<'_>, dark: f64) -> Option<Curve> {
    let mean = statistics::moments(&main.values)?.mean - dark;
    let step_ms = 1e3 / main.rate_hz;
    let shown = (SHOWN_MS / step_ms) as usize;
    let every = shown.div_ceil(POINTS_AT_MOST).max(1);
    let points = main.values.iter().take(shown).enumerate().step_by(every);
    let points = points.map(|(nth, value)| (nth as f64 * step_ms, (value - dark) / mean));
    (mean > 0.0).then(|| Curve::Waveform(points.collect()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Scatter after JCGM 100:2008, 4.2.3: 10.0, 10.2 and 10.1 have the mean 10.1,
    /// s = 0.1 and u = s over the root of 3. The dark of 3 and 5 has the mean 4 and
    /// u = 1; over 100 of net light that is 1 % of a depth (5.1.2: c = depth over
    /// light).
    #[test]
    fn u_holds_the_scatter_and_the_dark() {
        let percent = |value| Figure::number(&names::PERCENT_FLICKER, value);
        let again = [vec![percent(10.2)], vec![percent(10.1)]];
        let dark = Dark::of(&[3.0, 5.0]).expect("a dark");
        assert_eq!((dark.mean, dark.error), (4.0, Some((1.0, 1.0))));
        let share = dark.error.map(|(u, dof)| (u / 100.0, dof));
        let estimate = |figure: Figure| match figure.given {
            Given::Estimate(estimate) => estimate,
            other => panic!("{other:?}"),
        };
        let both = estimate(with_terms(percent(10.0), &again, share));
        assert!((both.value - 10.1).abs() < 1e-12);
        // The computation is held to 0.1 % of a closed form: 0.1 over the root of 3 (4.3.7).
        let computed = 0.1_f64 / 3.0_f64.sqrt();
        let u = computed.hypot(0.101).hypot(computed);
        assert!((both.combined() - u).abs() < 1e-9, "{}", both.combined());
        // A frequency is no depth: its dark is no matter.
        let hz = |value| Figure::number(&names::DOMINANT_HZ, value);
        let of_hz = [vec![hz(100.2)], vec![hz(100.1)]];
        let rate = estimate(with_terms(hz(100.0), &of_hz, share));
        let sources = |of: &Estimate| {
            of.terms
                .iter()
                .map(|t| t.source.clone())
                .collect::<Vec<_>>()
        };
        assert_eq!(sources(&rate), [REPEATABILITY, EVALUATION]);
        // One capture has no scatter, and one dark no term.
        let one = estimate(with_terms(percent(10.0), &[], None));
        assert_eq!(
            (one.value, sources(&one)),
            (10.0, vec![EVALUATION.to_owned()])
        );
        // No light moves: a share of nothing is no U, and none is told.
        let still = Figure::number(&names::SVM, 0.0);
        assert_eq!(with_terms(still.clone(), &[], share), still);
        // A change over the record is none of these: a number as it was.
        let drift = Figure::number(&names::DRIFT, 0.5);
        assert_eq!(with_terms(drift.clone(), &[], share), drift);
        assert_eq!(Dark::of(&[3.0]).and_then(|dark| dark.error), None);
        assert!(Dark::of(&[]).is_none());
        // Not all captures have the figure: the first one's value, and the dark alone.
        let some = [vec![percent(10.2)], vec![hz(100.0)]];
        let lone = estimate(with_terms(percent(10.0), &some, share));
        assert_eq!(
            (lone.value, sources(&lone)),
            (10.0, vec![DARK_CAPTURES.to_owned(), EVALUATION.to_owned()])
        );
        // PstLM is of one capture, whatever the others are.
        let pst = Figure::number(&names::PST_LM, 0.5);
        let short = [vec![Figure::number(&names::PST_LM, 0.9)]];
        assert_eq!(estimate(with_terms(pst, &short, share)).value, 0.5);
    }

    #[test]
    fn another_class_is_told() {
        let class = |word| Figure::word(&names::IEEE_SIMPLE, word);
        let again = [vec![class("low risk")], vec![class("high risk")]];
        let told = other_words(&[class("low risk")], &again);
        assert_eq!(
            told,
            ["`ieee_simple` is low risk by the first capture, high risk by another."]
        );
        assert!(other_words(&[class("low risk")], &again[..1]).is_empty());
    }
}
