//! Waveforms: what a capture says of the light's modulation, checked by one at
//! another rate, less the mean of what was captured covered.

use photometry::flicker::figures::names;
use photometry::flicker::{Analyser, Capture as Light};
use photometry::measured::{Axis, CaptureOutcome, Quantity};
use photometry::statistics;

use super::{Curve, Measure, Test};
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
    let Some(dark) = statistics::moments(&means).map(|moments| moments.mean) else {
        let text = "No waveform was captured covered: without it there are no figures.";
        found.notes.push(text.to_owned());
        found.unfinished = true;
        return found;
    };
    let Some(main) = lit.iter().find(|samples| samples.seconds() < LONG_S) else {
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
                found
                    .notes
                    .push(format!("Marks of the capture: {}.", flags.join(", ")));
            }
        }
        Err(why) => {
            found
                .notes
                .push(format!("The waveform gives no figures: {why}."));
            return found;
        }
    }
    let text = "One capture: how far others would lie from its figures is not known.";
    found.notes.push(text.to_owned());
    severity(&mut found, &lit, dark, analyser);
    found.curve = curve(main, dark);
    found
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
