//! What the kinds of test beside the survey found: figures of each setting or
//! program under their names, a curve to draw, and what must be said of them.
//!
//! ```text
//!  frozen + readings + captures + events
//!      ──► spectra · waveforms · ramps · flux · standby ──► Measure
//! ```
//!
//! Pure, and computed each time from what was recorded. A figure that must not be
//! believed is withheld with its reason; nothing is ever filled in. Called by: web
//! (figures, report). Not here: surveys (gather), the formulas (photometry).

mod beat;
mod flux;
mod flux_spectra;
pub mod on_the_way;
mod ramps;
mod ranges;
mod spectra;
mod standby;
#[cfg(test)]
mod tests_flux;
#[cfg(test)]
pub(crate) mod tests_flux_spectra;
#[cfg(test)]
mod tests_gaps;
#[cfg(test)]
mod tests_standby;
mod waveforms;

use photometry::figure::{Figure, Given};
use photometry::measured::Quantity;
use photometry::statistics;
use photometry::uncertainty::Estimate;

use super::account::capital;
use super::disturbed::Disturbed;
use crate::plan::card::WrittenTerm;
use crate::plan::intent::PlanLine;
use crate::plan::itinerary::{KindName, Purpose, TestHead, What};
use crate::run::journal::{Body, Decision, DriftVerdict};
use crate::store::captures::CaptureRow;
use crate::store::readings::{ReadingRow, Whole};

/// The term of repeated captures, s/sqrt(n).
pub const REPEATABILITY: &str = "repeatability";

/// What was found of one setting, or of one run of a program.
#[derive(Clone, Debug, PartialEq)]
pub struct Measure {
    /// The test.
    pub test: String,
    /// Its kind.
    pub kind: KindName,
    /// The plan line that asked for it.
    pub line: PlanLine,
    /// A setting's key, or a program's name with the time it was run: `dawn-2`.
    pub of: String,
    /// The same as a person reads it.
    pub shown: String,
    /// The meter that measured.
    pub meter: String,
    /// Its figures.
    pub figures: Vec<Figure>,
    /// What to draw.
    pub curve: Option<Curve>,
    /// The colours on the way of a recording, where spectra were taken.
    pub on_the_way: Vec<on_the_way::WaySpectrum>,
    /// What must be known of them, one sentence each.
    pub notes: Vec<String>,
    /// The events that they rest on, by number.
    pub rests_on: Vec<u64>,
    /// Something that the plan asks for is not there.
    pub unfinished: bool,
}

/// A curve: its points, x rising.
#[derive(Clone, Debug, PartialEq)]
pub enum Curve {
    /// Wavelength in nm, spectral irradiance in W/(m2 nm).
    Spectrum(Vec<(f64, f64)>),
    /// Time in ms, light over its mean.
    Waveform(Vec<(f64, f64)>),
    /// Time in minutes from the program's start, or from the lamp's switching off;
    /// net illuminance in lx.
    Ramp(Vec<(f64, f64)>),
    /// The same in a sphere: luminous flux in lm.
    FluxRamp(Vec<(f64, f64)>),
    /// Wavelength in nm, spectral flux in W/nm.
    SpectralFlux(Vec<(f64, f64)>),
}

/// Everything that a run's tests found beside surveys, in the itinerary's order.
pub fn measures(whole: &Whole) -> Vec<Measure> {
    let heads = whole.frozen.itinerary.tests.iter().enumerate();
    let room = Disturbed::of(&whole.frozen, &whole.events);
    heads
        .flat_map(|(index, head)| {
            let test = Test {
                whole,
                head,
                index: index as u32, // tests of a plan are few
            };
            match head.kind {
                KindName::Spectrum => spectra::measures(&test),
                KindName::Flicker => waveforms::measures(&test),
                KindName::Ramp => ramps::measures(&test),
                KindName::Flux => flux::measures(&test),
                KindName::Standby => standby::measures(&test),
                KindName::Survey => Vec::new(),
            }
        })
        .map(|mut measure| {
            let flag = room.flag(measure.rests_on.iter().copied());
            let note = flag.map(|flag| format!("{}.", capital(&flag)));
            measure.notes.extend(note);
            measure
        })
        .collect()
}

/// One test of a run, and what was recorded of it.
struct Test<'a> {
    whole: &'a Whole,
    head: &'a TestHead,
    index: u32,
}

impl<'a> Test<'a> {
    /// The settings that it measures, in the itinerary's order.
    fn settings(&self) -> Vec<&'a str> {
        let mut settings: Vec<&str> = Vec::new();
        for action in &self.whole.frozen.itinerary.actions {
            let key = action.key.as_ref().filter(|_| action.test == self.index);
            if let Some(key) = key.filter(|key| key.purpose == Purpose::Read)
                && !settings.contains(&key.setting.as_str())
            {
                settings.push(&key.setting);
            }
        }
        settings
    }

    /// Its captures of a setting that count.
    fn captures(&self, setting: &str, purpose: Purpose) -> impl Iterator<Item = &'a CaptureRow> {
        let test = self.head.name.as_str();
        self.whole.captures.iter().filter(move |row| {
            let key = &row.key;
            row.counts && key.test == test && key.setting == setting && key.purpose == purpose
        })
    }

    /// How many readings or captures of a quantity the plan asks for, for this
    /// purpose, at one setting or in all.
    fn asked(&self, purpose: Purpose, quantity: Quantity, setting: Option<&str>) -> usize {
        let actions = self.whole.frozen.itinerary.actions.iter();
        let of = actions.filter(|action| {
            let asks = match &action.what {
                What::Read { quantity, .. } | What::Capture { quantity, .. } => Some(*quantity),
                _ => None,
            };
            asks == Some(quantity)
        });
        let keys = of.filter_map(|action| action.key.as_ref());
        keys.filter(|key| {
            key.test == self.head.name
                && key.purpose == purpose
                && setting.is_none_or(|setting| key.setting == setting)
        })
        .count()
    }

    /// Its readings that count.
    fn readings(&self, purpose: Purpose) -> impl Iterator<Item = &'a ReadingRow> {
        let test = self.head.name.as_str();
        let all = self.whole.readings.iter();
        all.filter(move |row| row.counts && row.key.test == test && row.key.purpose == purpose)
    }

    /// The written terms of uncertainty of a meter.
    fn terms(&self, meter: &str) -> &'a [WrittenTerm] {
        let mut meters = self.whole.frozen.card.meters.iter();
        let found = meters.find(|known| known.name == meter);
        found.map_or(&[], |meter| &meter.uncertainty)
    }

    /// A setting as a person reads it.
    fn shown(&self, setting: &str) -> String {
        let modes = self.whole.frozen.lamp.modes.iter();
        let settings = modes.flat_map(|mode| {
            (1..=mode.levels).map(|level| crate::plan::lamp::Setting {
                mode: mode.name.clone(),
                level,
            })
        });
        let mut found = settings.filter(|known| known.key() == setting);
        found
            .next()
            .map_or_else(|| setting.to_owned(), |known| known.shown())
    }

    /// Whether the light of a setting's leg drifted beyond its limit to the end.
    fn drifted(&self, setting: &str) -> Option<String> {
        let actions = &self.whole.frozen.itinerary.actions;
        let leg = actions.iter().find_map(|action| {
            let of = action.test == self.index && action.setting == setting;
            action.leg.filter(|_| of)
        })?;
        let decided = self.whole.events.iter().rev().find_map(|event| {
            let Body::Decided {
                decision:
                    Decision::Drift {
                        leg: of,
                        drift,
                        verdict,
                    },
            } = &event.body
            else {
                return None;
            };
            (*of == leg).then_some((*drift, *verdict))
        });
        match decided {
            Some((Some(drift), DriftVerdict::Flagged | DriftVerdict::GivenUp)) => Some(format!(
                "The light drifted by {drift} while this was measured, more than the plan allows."
            )),
            Some((None, _)) => Some("The drift of the light is not known.".to_owned()),
            _ => None,
        }
    }

    /// A measure without anything in it.
    fn empty(&self, of: &str, shown: String, meter: &str) -> Measure {
        Measure {
            test: self.head.name.clone(),
            kind: self.head.kind,
            line: self.head.line.clone(),
            of: of.to_owned(),
            shown,
            meter: meter.to_owned(),
            figures: Vec::new(),
            curve: None,
            on_the_way: Vec::new(),
            notes: Vec::new(),
            rests_on: Vec::new(),
            unfinished: false,
        }
    }
}

/// The units of figures that scale with the light: a meter's written terms, which
/// are shares of its value, are theirs.
const SCALING: [&str; 6] = ["lx", "W/m2", "mW/m2", "lx min", "lm", "W"];

/// Figures in such a unit that are ratios all the same.
const RATIOS: [&str; 2] = ["melanopic_edi_per_100_lx", "small_source_lx"];

/// A figure with its terms: the scatter of the same figure over `repeats`, and the
/// meter's written ones where it scales with the light.
fn with_terms(figure: Figure, repeats: &[f64], terms: &[WrittenTerm]) -> Figure {
    let Given::Number(value) = figure.given else {
        return figure;
    };
    let mut estimate = Estimate::exact(value);
    let scatter = statistics::moments(repeats).filter(|_| repeats.len() > 1);
    if let Some(u) = scatter.and_then(|moments| moments.standard_error()) {
        estimate = estimate.with(REPEATABILITY, u, Some((repeats.len() - 1) as f64));
    }
    let is_ratio = RATIOS.contains(&figure.name.name);
    if SCALING.contains(&figure.name.unit) && !is_ratio {
        for term in terms {
            estimate = estimate.with(&term.source, (value * term.share.share()).abs(), None);
        }
    }
    if estimate.terms.is_empty() {
        return figure;
    }
    let marks = figure.marks.clone();
    let with = Figure::estimate(figure.name, estimate);
    marks.into_iter().fold(with, Figure::marked)
}

/// How many there are, in words: `1 spectrum`, `3 spectra`.
fn counted(n: usize, one: &str, many: &str) -> String {
    match n {
        1 => format!("1 {one}"),
        n => format!("{n} {many}"),
    }
}
