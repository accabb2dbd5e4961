//! Flux by the spectroradiometer at a port of the sphere: the spectra of everything that
//! was read there, each less those that were taken covered and integrated as long.
//!
//! A kind of which one was too bright, or none is left, lit or covered, leaves no flux, and
//! the reason stands in its place. Called by: flux, which has the terms that no capture
//! shows. Not here: the chain (photometry's `sphere_spectral`).

use std::collections::BTreeSet;

use photometry::figure::{Figure, Given};
use photometry::light_units::Kelvin;
use photometry::measured::Quantity;
use photometry::spectrum::{Scale, Spectrum, SpectrumError};
use photometry::spectrum_figures::{RELATIVE, SpectrumFigures};
use photometry::sphere_spectral::{self, ReferenceColour, Repeats, SpectralFlux, Steps};
use photometry::uncertainty::Estimate;

use super::flux::called;
use super::spectra::Usable;
use super::{Test, counted, with_terms};
use crate::plan::card::{LampSpectrum, ReferenceLamp};
use crate::plan::itinerary::{Purpose, What};
use crate::store::captures::CaptureRow;

/// A share of the flux from which it is told that its ratios are its neighbours'. Own
/// rule, no source.
const BRIDGED_FROM: f64 = 0.001;

/// What the spectra of one setting give.
pub(super) struct BySpectra {
    /// The spectroradiometer.
    pub meter: String,
    /// The flux, or why there is none.
    pub found: Result<SpectralFlux, String>,
    /// The wavelengths of its elements in nm.
    pub nm: Vec<f64>,
    /// The captures that it rests on, by their events.
    pub rests_on: Vec<u64>,
    /// What is not as planned, a sentence each.
    pub short: Vec<String>,
    /// What must be known of it, a sentence each.
    pub notes: Vec<String>,
}

impl BySpectra {
    /// Of a setting; none where no spectra were asked for.
    pub fn of(
        test: &Test<'_>,
        lamp: &ReferenceLamp,
        reference_lm: &Estimate,
        setting: &str,
    ) -> Option<BySpectra> {
        let mut gathered = Gathered::of(test, setting)?;
        let colour = colour(lamp);
        gathered.notes.push(told(&colour));
        let steps = gathered.steps();
        let nm = gathered.nm.clone();
        let found = steps.and_then(|steps| {
            let flux = sphere_spectral::flux(&nm, reference_lm, &colour, &steps);
            flux.map_err(|why| why.to_string())
        });
        if let Ok(found) = &found
            && found.bridged_share > BRIDGED_FROM
        {
            gathered.notes.push(format!(
                "{:.1} % of the flux lies at wavelengths where a lamp of the sphere hardly \
                 shines: there the ratios of their neighbours are used.",
                100.0 * found.bridged_share
            ));
        }
        Some(BySpectra {
            meter: gathered.meter,
            found,
            nm,
            rests_on: gathered.rests_on,
            short: gathered.short,
            notes: gathered.notes,
        })
    }

    /// The colour of all the light; nothing where there is no flux.
    pub fn colour_figures(&self) -> (Vec<Figure>, Option<String>) {
        let Ok(found) = &self.found else {
            return (Vec::new(), None);
        };
        let of = |values: &[f64]| -> Result<Vec<Figure>, SpectrumError> {
            let spectrum = Spectrum::new(&self.nm, values, Scale::Relative)?;
            let mut figures = SpectrumFigures::of(&spectrum).figures();
            figures
                .retain(|figure| !matches!(&figure.given, Given::Withheld(why) if why == RELATIVE));
            Ok(figures)
        };
        let all = match of(&found.w_per_nm) {
            Ok(all) => all,
            Err(why) => return (Vec::new(), Some(format!("Its colour is not told: {why}."))),
        };
        let each: Vec<Vec<Figure>> = found.each.iter().filter_map(|one| of(one).ok()).collect();
        let figures = all.into_iter().map(|figure| {
            let same = each.iter().filter_map(|figures| {
                let mut figures = figures.iter();
                figures.find(|one| one.name == figure.name)?.value()
            });
            let repeats: Vec<f64> = same.collect();
            let complete = repeats.len() == found.each.len();
            with_terms(figure, if complete { &repeats } else { &[] }, &[])
        });
        let note = "U of colour figures holds the scatter of the unit's spectra alone.";
        (figures.collect(), Some(note.to_owned()))
    }

    /// Spectral flux in W/nm at its wavelengths.
    pub fn points(&self) -> Option<Vec<(f64, f64)>> {
        let found = self.found.as_ref().ok()?;
        let points = self.nm.iter().copied().zip(found.w_per_nm.iter().copied());
        Some(points.collect())
    }
}

/// What is known of the reference lamp's colour.
fn colour(lamp: &ReferenceLamp) -> ReferenceColour {
    match &lamp.spectrum {
        None => ReferenceColour::AsSeen,
        Some(LampSpectrum::Planckian(kelvin)) => ReferenceColour::Planck(Kelvin(*kelvin)),
        Some(LampSpectrum::Table {
            from_nm,
            step_nm,
            relative,
        }) => {
            let rows = relative.iter().enumerate();
            let rows = rows.map(|(nth, value)| (from_nm + step_nm * nth as f64, *value));
            ReferenceColour::Table(rows.collect())
        }
    }
}

fn told(colour: &ReferenceColour) -> String {
    match colour {
        ReferenceColour::AsSeen => "The bench file gives the reference lamp no `spectrum`: what \
                                    the colour of the sphere's wall does is in the flux and in \
                                    its colour, and not in U."
            .to_owned(),
        ReferenceColour::Planck(kelvin) => format!(
            "The reference lamp is taken for a Planckian radiator of {} K; how well that is known \
             is not in U.",
            kelvin.0
        ),
        ReferenceColour::Table(_) => {
            "The reference lamp's spectrum is that of the bench file; how well that is known is \
             not in U."
                .to_owned()
        }
    }
}

/// The captures of a setting, as far as they can be computed with.
struct Gathered<'t> {
    test: &'t Test<'t>,
    setting: &'t str,
    meter: String,
    nm: Vec<f64>,
    rests_on: Vec<u64>,
    short: Vec<String>,
    notes: Vec<String>,
}

impl<'t> Gathered<'t> {
    fn of(test: &'t Test<'t>, setting: &'t str) -> Option<Gathered<'t>> {
        let actions = test.whole.frozen.itinerary.actions.iter();
        let mut meters = actions.filter_map(|action| match &action.what {
            What::Capture { meter, .. } if action.test == test.index => Some(meter.clone()),
            _ => None,
        });
        Some(Gathered {
            test,
            setting,
            meter: meters.next()?,
            nm: Vec::new(),
            rests_on: Vec::new(),
            short: Vec::new(),
            notes: Vec::new(),
        })
    }

    /// All six kinds; of each that lacks something it is told, and the first that is not
    /// there at all is the reason why there is no flux.
    fn steps(&mut self) -> Result<Steps, String> {
        let unit = self.repeats(Purpose::Read);
        let unit_dark = self.repeats(Purpose::Dark);
        let auxiliary = self.repeats(Purpose::Auxiliary);
        let reference = self.repeats(Purpose::Standard);
        let reference_dark = self.repeats(Purpose::StandardDark);
        let reference_auxiliary = self.repeats(Purpose::StandardAuxiliary);
        self.rests_on.sort_unstable();
        Ok(Steps {
            unit: unit?,
            unit_dark: unit_dark?,
            auxiliary: auxiliary?,
            reference: reference?,
            reference_dark: reference_dark?,
            reference_auxiliary: reference_auxiliary?,
        })
    }

    /// The point of the itinerary in which a capture was made: what was taken covered
    /// belongs to what was taken in the same.
    fn point(&self, row: &CaptureRow) -> Option<u32> {
        let no = usize::try_from(row.no).ok()?;
        self.test.whole.frozen.itinerary.actions.get(no)?.point
    }

    /// How many spectra are to be taken covered in these points.
    fn asked_covered(&self, points: &BTreeSet<Option<u32>>) -> usize {
        let actions = self.test.whole.frozen.itinerary.actions.iter();
        let of = actions.filter(|action| {
            let key = action.key.as_ref();
            let covered = key.is_some_and(|key| key.purpose == Purpose::Covered);
            covered && action.test == self.test.index && points.contains(&action.point)
        });
        of.count()
    }

    /// All spectra have the wavelengths of the first.
    fn on_one_grid<'r>(
        &mut self,
        rows: impl Iterator<Item = &'r &'r CaptureRow>,
    ) -> Result<(), String> {
        for row in rows {
            let axis = row.capture.axis_numbers().unwrap_or_default();
            if self.nm.is_empty() {
                self.nm = axis;
            } else if self.nm != axis {
                return Err("the wavelengths of the spectra are not the same".to_owned());
            }
        }
        Ok(())
    }

    fn repeats(&mut self, purpose: Purpose) -> Result<Repeats, String> {
        let (name, of_unit) = (called(purpose), purpose == Purpose::Read);
        let test = self.test;
        let counts = test.whole.captures.iter().filter(|row| {
            row.counts
                && row.key.test == test.head.name
                && row.capture.quantity == Quantity::Spectrum
        });
        let all: Vec<&CaptureRow> = counts.collect();
        let fits = |row: &&&CaptureRow| {
            row.key.purpose == purpose && (!of_unit || row.key.setting == self.setting)
        };
        let lit = Usable::of(all.iter().filter(fits).copied());
        let points: BTreeSet<Option<u32>> = lit.rows.iter().map(|row| self.point(row)).collect();
        let integration = lit.rows.first().and_then(|row| row.capture.integration);
        let covered = Usable::of(all.iter().copied().filter(|row| {
            row.key.purpose == Purpose::Covered
                && points.contains(&self.point(row))
                && row.capture.integration == integration
        }));
        let used = lit.rows.iter().chain(&covered.rows);
        self.rests_on.extend(used.map(|row| row.seq));
        let setting = of_unit.then_some(self.setting);
        let asked = test.asked(purpose, Quantity::Spectrum, setting);
        if lit.too_bright > 0 {
            let many = counted(lit.too_bright, "spectrum", "spectra");
            let (was, is) = match lit.too_bright {
                1 => ("was", "is"),
                _ => ("were", "are"),
            };
            self.short.push(format!(
                "{many} of {name} {was} too bright for the meter and {is} not used."
            ));
        }
        let asked_covered = self.asked_covered(&points);
        for (there, asked, how) in [
            (lit.rows.len(), asked, ""),
            (covered.rows.len(), asked_covered, ", covered,"),
        ] {
            if there < asked {
                let text = format!("{there} of {asked} spectra of {name}{how} can be used.");
                self.short.push(text);
            }
        }
        if lit.too_bright > 0 {
            // As of readings over range: the mean of the rest would be off to one side.
            return Err(format!("a spectrum of {name} was too bright for the meter"));
        }
        if lit.rows.is_empty() {
            return Err(format!("there is no spectrum of {name} that can be used"));
        }
        if covered.rows.is_empty() {
            return Err(format!(
                "no spectrum of {name} was taken covered and integrated as long"
            ));
        }
        for (rows, how) in [(&lit, ""), (&covered, ", covered")] {
            if rows.rows.len() == 1 {
                self.notes.push(format!(
                    "One spectrum of {name}{how}: how far others would lie from it is not known."
                ));
            }
        }
        self.on_one_grid(lit.rows.iter().chain(&covered.rows))?;
        Ok(Repeats {
            lit: lit.values,
            covered: covered.values,
        })
    }
}
