//! Spectra on the way of a recording: the colour of each, and the melanopic dose that
//! they make of its light.
//!
//! A spectrum is used less the mean of those that were taken covered and integrated as
//! long, and only where their noise leaves its melanopic ratio known. Nothing is filled
//! in for one that cannot be used: the ratio is taken to change evenly from the usable
//! one before to the usable one after, and how much of the dose that covers is a figure
//! of its own. Called by: ramps. Not here: the formulas (photometry::ramp).

use std::collections::BTreeMap;

use photometry::figure::{Figure, Given};
use photometry::measured::{CaptureOutcome, Moment};
use photometry::ramp::figures::NO_SPECTRA;
use photometry::ramp::figures::names::MELANOPIC_DOSE;
use photometry::ramp::figures::on_the_way::{MELANOPIC_COVERED, MELANOPIC_DER_OF_DOSE};
use photometry::ramp::on_the_way::{
    MelanopicDose, NOISE_AT_MOST, NoDose, Sighting, melanopic_dose, noise_of_der, noise_of_element,
};
use photometry::spectrum::{Scale, Spectrum};
use photometry::spectrum_figures::SpectrumFigures;
use photometry::spectrum_figures::names::{CCT_K, MELANOPIC_DER};
use photometry::uncertainty::Estimate;
use photometry::units::Span;

use super::{Measure, Test, counted};
use crate::plan::course::DARK;
use crate::plan::itinerary::{Action, Purpose, SpectraBeat, What};
use crate::store::captures::{CaptureRow, DARKS_AT_LEAST, is_seen_on_the_way};

/// The term of the spectra's noise in a melanopic dose.
pub const NOISE: &str = "noise of the spectra";
/// Usable spectra that lie no farther apart than so many beats enclose what lies
/// between: one may be lost. Own rule, no source.
const BRIDGED: f64 = 2.5;

/// One spectrum on the way.
#[derive(Clone, Debug, PartialEq)]
pub struct WaySpectrum {
    /// Seconds from the program's start to its middle.
    pub after_s: f64,
    /// How long it integrated, where that was told.
    pub integration: Option<Span>,
    /// Its correlated colour temperature in kelvin, where it has one.
    pub cct_k: Option<f64>,
    /// Its melanopic daylight efficacy ratio.
    pub melanopic_der: Option<f64>,
    /// Why it is not used; none where it is.
    pub unused: Option<String>,
}

/// What a covered meter shows at one integration.
struct Background {
    mean: Vec<f64>,
    /// Of one element of one capture.
    noise: f64,
    /// Captures in the mean.
    n: usize,
}

/// The spectra on the way of one recording.
pub(super) struct Spectra {
    every: Span,
    all: Vec<WaySpectrum>,
    usable: Vec<Sighting>,
    rests_on: Vec<u64>,
}

/// Those of a recording that began then, told with what was found by the meter that
/// watches; none where none were asked for, or by another meter: colours are of where
/// that one stands.
pub(super) fn of(
    test: &Test<'_>,
    action: &Action,
    found: &mut Measure,
    began: Moment,
) -> Option<Spectra> {
    let What::Record(recording) = &action.what else {
        return None;
    };
    let beat = recording.spectra.as_ref()?;
    if found.meter != test.head.meter {
        return None;
    }
    found.unfinished |= !is_seen_on_the_way(&test.whole.captures, action.no);
    let spectra = Spectra::of(test, action, beat, began);
    found.rests_on.extend(&spectra.rests_on);
    found.on_the_way.clone_from(&spectra.all);
    found.notes.extend(spectra.notes());
    Some(spectra)
}

impl Spectra {
    fn of(test: &Test<'_>, action: &Action, beat: &SpectraBeat, began: Moment) -> Spectra {
        let of_it = |row: &&CaptureRow| row.counts && row.no == i64::from(action.no);
        let rows = || test.whole.captures.iter().filter(of_it);
        let lit = rows().filter(|row| row.key.purpose == Purpose::Sample);
        let mut lit: Vec<&CaptureRow> = lit.collect();
        lit.sort_by_key(|row| row.key.visit);
        let is_dark =
            |row: &&CaptureRow| row.key.purpose == Purpose::Dark && row.key.setting == DARK;
        let dark: Vec<&CaptureRow> = rows().filter(is_dark).collect();
        let backgrounds = backgrounds(&dark);
        let (mut all, mut usable) = (Vec::new(), Vec::new());
        for row in &lit {
            let capture = &row.capture;
            let after = |at: Moment| at.mono.since(began.mono).secs();
            let after_s = (after(capture.asked) + after(capture.taken)) / 2.0;
            let mut told = WaySpectrum {
                after_s,
                integration: capture.integration,
                cct_k: None,
                melanopic_der: None,
                unused: None,
            };
            match seen(row, &backgrounds) {
                Ok(seen) => {
                    told.cct_k = seen.cct_k;
                    told.melanopic_der = Some(seen.der);
                    usable.push(Sighting {
                        time_s: after_s,
                        der: seen.der,
                        noise: seen.noise,
                        dark_noise: seen.dark_noise,
                        dark: capture
                            .integration
                            .map_or(0, |time| time.ns().unsigned_abs()),
                    });
                }
                Err(why) => told.unused = Some(why),
            }
            all.push(told);
        }
        usable.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        usable.dedup_by(|b, a| b.time_s <= a.time_s);
        Spectra {
            every: beat.every,
            all,
            usable,
            rests_on: lit.iter().chain(&dark).map(|row| row.seq).collect(),
        }
    }

    /// The melanopic dose of net light in lux over seconds from the same start.
    pub(super) fn dose(&self, time_s: &[f64], net_lx: &[f64]) -> Result<MelanopicDose, NoDose> {
        let bridged_s = BRIDGED * self.every.secs();
        melanopic_dose(time_s, net_lx, &self.usable, bridged_s)
    }

    /// What must be known of them.
    fn notes(&self) -> Vec<String> {
        let (n, usable) = (self.all.len(), self.usable.len());
        let there = counted(n, "spectrum", "spectra");
        let mut notes = vec![format!("{usable} of {there} on its way can be used.")];
        if let [first, .., last] = self.usable.as_slice() {
            notes.push(format!(
                "Its melanopic ratio is taken to change evenly from one usable spectrum to the \
                 next, to stay as it is before the first ({:.1} min) and after the last \
                 ({:.1} min).",
                first.time_s / 60.0,
                last.time_s / 60.0
            ));
        }
        notes
    }
}

/// Gives a recording its melanopic dose, or says why there is none.
pub(super) fn figures(
    found: &mut Measure,
    dose: Result<&MelanopicDose, &NoDose>,
    dose_lux_min: f64,
) {
    let dose = match dose {
        Ok(dose) => dose,
        Err(why) => return withhold(found, &why.to_string()),
    };
    for figure in &mut found.figures {
        if figure.name == &MELANOPIC_DOSE
            && let Given::Number(_) | Given::Estimate(_) = &figure.given
        {
            let known = match &figure.given {
                Given::Estimate(estimate) => estimate.clone(),
                _ => Estimate::exact(dose.lux_min),
            };
            let with = known.with(NOISE, dose.noise_lux_min, None);
            *figure = Figure::estimate(&MELANOPIC_DOSE, with);
        }
    }
    let of_dose = Estimate::exact(dose.lux_min / dose_lux_min);
    let of_dose = of_dose.with(NOISE, dose.noise_lux_min / dose_lux_min, None);
    found.figures.extend([
        Figure::number(&MELANOPIC_COVERED, dose.covered),
        Figure::estimate(&MELANOPIC_DER_OF_DOSE, of_dose),
    ]);
    found.notes.push(
        "U of the melanopic dose holds the terms of the light and the spectra's noise. Errors of \
         the spectroradiometer's wavelengths and its stray light are not in it, nor is how the \
         colour moved between two spectra; what light the room has is in each."
            .to_owned(),
    );
}

fn withhold(found: &mut Measure, why: &str) {
    for figure in &mut found.figures {
        if matches!(&figure.given, Given::Withheld(known) if known == NO_SPECTRA) {
            *figure = Figure::withheld(figure.name, why);
        }
    }
    found.figures.extend([
        Figure::withheld(&MELANOPIC_COVERED, why),
        Figure::withheld(&MELANOPIC_DER_OF_DOSE, why),
    ]);
}

/// What a covered meter shows, for each integration at which it was asked often enough.
fn backgrounds(dark: &[&CaptureRow]) -> BTreeMap<Span, Background> {
    let mut by_time: BTreeMap<Span, Vec<Vec<f64>>> = BTreeMap::new();
    for row in dark {
        let is_used = matches!(row.capture.outcome, CaptureOutcome::Numbers(_));
        let numbers = row.capture.numbers().filter(|_| is_used);
        if let (Some(integration), Some(numbers)) = (row.capture.integration, numbers) {
            by_time.entry(integration).or_default().push(numbers);
        }
    }
    let background = |darks: Vec<Vec<f64>>| {
        let n = darks.len();
        let noise = noise_of_element(&darks).filter(|_| n >= DARKS_AT_LEAST)?;
        Some(Background {
            mean: photometry::spectrum::mean_of(&darks)?,
            noise,
            n,
        })
    };
    let found = by_time.into_iter();
    found
        .filter_map(|(integration, darks)| Some((integration, background(darks)?)))
        .collect()
}

/// What a usable spectrum says.
struct Seen {
    cct_k: Option<f64>,
    der: f64,
    /// Its own noise and that of the dark, as shares.
    noise: f64,
    dark_noise: f64,
}

/// What a spectrum says, or why it is not used.
fn seen(row: &CaptureRow, backgrounds: &BTreeMap<Span, Background>) -> Result<Seen, String> {
    let capture = &row.capture;
    match &capture.outcome {
        CaptureOutcome::Numbers(_) => {}
        CaptureOutcome::Saturated(_) => return Err("too bright for the meter".to_owned()),
        CaptureOutcome::TimedOut => {
            let flag = capture.flags.first();
            return Err(flag.map_or("no answer in time", String::as_str).to_owned());
        }
        CaptureOutcome::Rejected(why) => return Err(why.clone()),
    }
    let background = capture.integration.and_then(|time| backgrounds.get(&time));
    let none = "fewer than two were taken covered and integrated as long";
    let background = background.ok_or(none)?;
    let (Some(nm), Some(values)) = (capture.axis_numbers(), capture.numbers()) else {
        return Err("its numbers are not at hand".to_owned());
    };
    if values.len() != background.mean.len() {
        return Err("it has other elements than what was taken covered".to_owned());
    }
    let net = values.iter().zip(&background.mean).map(|(a, b)| a - b);
    let net: Vec<f64> = net.collect();
    let noise = noise_of_der(&nm, &net, background.noise);
    let too_dim = "too dim: noise leaves its melanopic ratio unknown";
    let both = (1.0 + 1.0 / background.n as f64).sqrt();
    let noise = noise
        .filter(|noise| noise * both <= NOISE_AT_MOST)
        .ok_or(too_dim)?;
    let spectrum = Spectrum::new(&nm, &net, Scale::Absolute).map_err(|why| why.to_string())?;
    let figures = SpectrumFigures::of(&spectrum).figures();
    let value = |name| {
        let mut figures = figures.iter();
        figures.find(|one| one.name == name).and_then(Figure::value)
    };
    Ok(Seen {
        cct_k: value(&CCT_K),
        der: value(&MELANOPIC_DER).ok_or(too_dim)?,
        noise,
        dark_noise: noise / (background.n as f64).sqrt(),
    })
}
