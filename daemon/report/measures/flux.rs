//! Flux in a sphere: the unit's light against the reference lamp's, corrected for
//! what each housing swallows of the auxiliary lamp's light.
//!
//! Each reading is taken less the mean of those with nothing lit and the same lamp
//! inside. Terms: those of the reference lamp's flux; the spectral mismatch of the
//! photometer, whose factor is taken as 1; its other written terms but its
//! certificate, which cancels; s/sqrt(n) of each kind of reading and of both darks;
//! the drift over the leg, change/sqrt(12); a lamp that is large for the sphere.
//! Where spectra were taken as well, the flux is theirs (`flux_spectra`), and that of the
//! photometer stands beside it.
//! Where a meter of power stands in the lamp's mains, the power at the setting and
//! the efficacy stand beside the flux.
//! Not here: the chain (photometry's `sphere`).

use photometry::figure::{Figure, Given};
use photometry::measured::{Outcome, Quantity};
use photometry::sphere::{self, Flux, Reading, Readings};
use photometry::sphere_figures::names::{
    ABSORPTION, FLUX_LM, PHOTOMETER_FLUX_LM, UNCORRECTED_FLUX_LM,
};
use photometry::sphere_figures::{self, Beside};
use photometry::statistics;
use photometry::uncertainty::Estimate;

use super::flux_spectra::BySpectra;
use super::{Curve, Measure, Test, standby};
use crate::plan::card::{SHARE_OF_WALL_AT_MOST, Sphere};
use crate::plan::itinerary::{KindName, Purpose};
use crate::report::background::{Background, Scatter};
use crate::store::readings::{ReadingRow, Whole};

/// The photometer's term that is the mismatch factor's.
const MISMATCH: &str = "spectral mismatch";
/// Its term that substitution takes out: the same photometer reads both lamps.
const CERTIFICATE: &str = "certificate";

/// Share of a setting's light from which it is told that the unit gives light while
/// it is to be off. Own rule, no source.
const GLOWS_FROM: f64 = 0.02;

/// The flux of each setting.
pub(super) fn measures(test: &Test<'_>) -> Vec<Measure> {
    let Some(sphere) = &test.whole.frozen.card.sphere else {
        return Vec::new();
    };
    let settings = test.settings().into_iter();
    settings
        .map(|setting| Substitution::of(test, sphere, setting).measure())
        .collect()
}

/// What a lux of this meter at the port is of the unit's flux, in lm/lx, with the setting
/// that it was found at: the one with most light, of the first test of flux in a run that
/// this meter watched.
///
/// # Errors
/// Why that is not known, in words.
pub(super) fn lumens_per_lux(whole: &Whole, meter: &str) -> Result<(Estimate, String), String> {
    let none = || {
        "no flux was measured in this run: what a lux at the port is of it is not known".to_owned()
    };
    let sphere = whole.frozen.card.sphere.as_ref().ok_or_else(none)?;
    let heads = whole.frozen.itinerary.tests.iter().enumerate();
    let fluxes = heads.filter(|(_, head)| head.kind == KindName::Flux);
    let fluxes: Vec<_> = fluxes.collect();
    let first = fluxes.first().ok_or_else(none)?.1;
    let mut by_it = fluxes.iter().filter(|(_, head)| head.meter == meter);
    let (index, head) = *by_it.next().ok_or_else(|| {
        let watched = &first.meter;
        format!("the flux of this run was watched by `{watched}`, and this was read by `{meter}`")
    })?;
    let test = Test {
        whole,
        head,
        index: index as u32, // tests of a plan are few
    };
    let mut why = none();
    let mut best: Option<(f64, Estimate, String)> = None;
    for setting in test.settings() {
        match Substitution::of(&test, sphere, setting).per_lux() {
            Ok((net, per)) if best.as_ref().is_none_or(|best| net > best.0) => {
                best = Some((net, per, setting.to_owned()));
            }
            Ok(_) => {}
            Err(other) => why = format!("there is no flux: {other}"),
        }
    }
    best.map(|(_, per, setting)| (per, setting)).ok_or(why)
}

/// What was read of one kind, with its standard uncertainty; lx at the port.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Mean {
    value: f64,
    u: f64,
    /// Degrees of freedom; none of a limit of the meter.
    dof: Option<f64>,
    /// Of one reading nobody knows how far others would lie from it.
    single: bool,
}

/// A mean, or why there is none.
type Known = Result<Mean, String>;

/// The mean of readings with light; one outside the range leaves none, because the
/// mean of the rest would be off to one side.
fn lit(rows: &[&ReadingRow], what: &str) -> Known {
    let mut values = Vec::new();
    for row in rows {
        match &row.reading.outcome {
            Outcome::Value(value) => values.push(*value),
            Outcome::Over(_) => {
                return Err(format!("a reading of {what} was over the meter's range"));
            }
            Outcome::Under(_) => {
                return Err(format!("a reading of {what} was under the meter's range"));
            }
            Outcome::TimedOut | Outcome::Rejected(_) => {}
        }
    }
    let moments = statistics::moments(&values).ok_or_else(|| missing(what))?;
    Ok(Mean {
        value: moments.mean,
        u: moments.standard_error().unwrap_or(0.0),
        dof: moments.sd.map(|_| moments.n as f64 - 1.0),
        single: moments.sd.is_none(),
    })
}

/// The mean with nothing lit; under the meter's range it lies between nought and
/// the limit.
fn dark(rows: &[&ReadingRow], what: &str) -> Known {
    let over = |row: &&&ReadingRow| matches!(row.reading.outcome, Outcome::Over(_));
    if rows.iter().find(over).is_some() {
        return Err(format!("a reading of {what} was over the meter's range"));
    }
    let found = Background::of(rows).ok_or_else(|| missing(what))?;
    Ok(Mean {
        value: found.lux,
        u: found.u_lx,
        dof: found.dof,
        single: found.scatter == Scatter::Unknown,
    })
}

fn missing(what: &str) -> String {
    format!("there is no reading of {what}")
}

/// All that one setting's flux is made of.
struct Substitution<'a> {
    test: &'a Test<'a>,
    sphere: &'a Sphere,
    setting: &'a str,
    unit: Known,
    unit_dark: Known,
    auxiliary: Known,
    reference: Known,
    reference_dark: Known,
    reference_auxiliary: Known,
    /// The light of the leg's last visit over its first, minus one.
    drift: Option<f64>,
    rests_on: Vec<u64>,
    /// Kinds of which fewer readings count than were planned.
    short: Vec<String>,
}

/// How each kind of reading is called.
pub(super) fn called(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::Dark => "the dark sphere with the unit in it",
        Purpose::Auxiliary => "the auxiliary lamp beside the unit",
        Purpose::Standard => "the reference lamp",
        Purpose::StandardDark => "the dark sphere with the reference lamp in it",
        Purpose::StandardAuxiliary => "the auxiliary lamp beside the reference lamp",
        _ => "the unit at this setting",
    }
}

impl<'a> Substitution<'a> {
    fn of(test: &'a Test<'a>, sphere: &'a Sphere, setting: &'a str) -> Substitution<'a> {
        let (mut rests_on, mut short) = (Vec::new(), Vec::new());
        let mut read = |purpose: Purpose| {
            let of_unit = matches!(purpose, Purpose::Read | Purpose::Reference);
            let fits = |row: &&ReadingRow| {
                row.reading.quantity == Quantity::Illuminance
                    && (!of_unit || row.key.setting == setting)
            };
            let rows: Vec<&ReadingRow> = test.readings(purpose).filter(fits).collect();
            rests_on.extend(rows.iter().map(|row| row.seq));
            let asked = test.asked(purpose, Quantity::Illuminance, of_unit.then_some(setting));
            if rows.len() < asked && purpose != Purpose::Reference {
                let (there, what) = (rows.len(), called(purpose));
                short.push(format!("{there} of {asked} readings of {what} count."));
            }
            rows
        };
        let mut mean = |purpose: Purpose| {
            let rows = read(purpose);
            match purpose {
                Purpose::Dark | Purpose::StandardDark => dark(&rows, called(purpose)),
                _ => lit(&rows, called(purpose)),
            }
        };
        let unit = mean(Purpose::Read);
        let unit_dark = mean(Purpose::Dark);
        let auxiliary = mean(Purpose::Auxiliary);
        let reference = mean(Purpose::Standard);
        let reference_dark = mean(Purpose::StandardDark);
        let reference_auxiliary = mean(Purpose::StandardAuxiliary);
        let visits = read(Purpose::Reference);
        let drift = unit_dark
            .as_ref()
            .ok()
            .and_then(|dark| drift(&visits, dark.value));
        rests_on.sort_unstable();
        Substitution {
            test,
            sphere,
            setting,
            unit,
            unit_dark,
            auxiliary,
            reference,
            reference_dark,
            reference_auxiliary,
            drift,
            rests_on,
            short,
        }
    }

    fn measure(self) -> Measure {
        let (test, setting) = (self.test, self.setting);
        let mut found = test.empty(setting, test.shown(setting), &test.head.meter);
        let by_spectra = self.by_spectra();
        found.notes = self.notes(by_spectra.as_ref());
        found.rests_on.clone_from(&self.rests_on);
        let power = self.power(&mut found);
        let beside = self.beside(power.as_ref());
        let unfinished = match &by_spectra {
            Some(by) => self.spectral(by, &beside, &mut found),
            None => {
                let flux = self.flux();
                let none = flux.is_err();
                found.figures = match flux {
                    Ok(flux) => sphere_figures::of(&flux, &beside),
                    Err(why) => self.partly(&why),
                };
                none
            }
        };
        found.unfinished |= unfinished || !self.short.is_empty();
        found.figures.extend(power);
        found.rests_on.sort_unstable();
        found
    }

    /// The flux by the spectra of this setting; none where none were asked for.
    fn by_spectra(&self) -> Option<BySpectra> {
        let lamp = &self.sphere.reference;
        BySpectra::of(self.test, lamp, &self.reference_lm(), self.setting)
    }

    /// The light of the unit at the port in lx, and what each is of its flux, in lm: by
    /// spectra where there is such a flux, else by the meter that watched.
    fn per_lux(&self) -> Result<(f64, Estimate), String> {
        let (unit, dark) = (self.unit.clone()?, self.unit_dark.clone()?);
        let net = unit.value - dark.value;
        if net <= 0.0 {
            return Err("the unit is not above its dark reading".to_owned());
        }
        let by = self.by_spectra();
        let spectral = by
            .as_ref()
            .and_then(|by| Some((by, self.of_spectra(by).ok()?)));
        let Some((by, flux)) = spectral else {
            return Ok((net, self.flux()?.flux_lm.scaled(1.0 / net)));
        };
        let mut per = flux.flux_lm.scaled(1.0 / net);
        let value = per.value;
        // Spectra know nothing of the readings that their flux is divided by.
        for (source, mean) in [("reading at the port", unit), ("dark at the port", dark)] {
            per = per.with(source, value * mean.u / net, mean.dof);
        }
        let head = &self.test.head.meter;
        let own = self.test.terms(head).iter();
        let own = own.filter(|term| by.meter != *head && term.source != CERTIFICATE);
        let per = own.fold(per, |sum, term| {
            let source = format!("{head}, {}", term.source);
            sum.with(&source, value * term.share.share(), None)
        });
        Ok((net, per))
    }

    /// The flux by spectra with all its terms.
    fn of_spectra(&self, by: &BySpectra) -> Result<Flux, String> {
        let flux = by.found.clone()?.flux;
        Ok(Flux {
            flux_lm: self.beside_readings(flux.flux_lm, &by.meter),
            ..flux
        })
    }

    /// Figures, curve and notes by spectra; whether something is missing.
    fn spectral(&self, by: &BySpectra, beside: &Beside, found: &mut Measure) -> bool {
        found.meter.clone_from(&by.meter);
        found.rests_on.extend(&by.rests_on);
        found.notes.extend(by.short.iter().cloned());
        found.notes.extend(by.notes.iter().cloned());
        let flux = self.of_spectra(by);
        let missing = flux.is_err() || !by.short.is_empty();
        found.figures = match flux {
            Ok(flux) => sphere_figures::of(&flux, beside),
            Err(why) => [&FLUX_LM, &ABSORPTION, &UNCORRECTED_FLUX_LM]
                .map(|name| Figure::withheld(name, why.clone()))
                .into(),
        };
        if by.meter != self.test.head.meter {
            found.figures.push(match self.flux() {
                Ok(flux) => Figure::estimate(&PHOTOMETER_FLUX_LM, flux.flux_lm),
                Err(why) => Figure::withheld(&PHOTOMETER_FLUX_LM, why),
            });
        }
        let (colour, note) = by.colour_figures();
        found.figures.extend(colour);
        found.notes.extend(note);
        found.curve = by.points().map(Curve::SpectralFlux);
        missing
    }

    /// The power at this setting; none where no meter of power stands.
    fn power(&self, found: &mut Measure) -> Option<Figure> {
        let (test, setting) = (self.test, self.setting);
        let planned = test.asked(Purpose::Read, Quantity::Power, Some(setting)) > 0;
        let rows = standby::power_rows(test, setting);
        planned.then(|| standby::power_at(test, found, setting, &rows))
    }

    fn beside(&self, power: Option<&Figure>) -> Beside {
        let surface = self.test.whole.frozen.lamp.surface_m2;
        Beside {
            surface_m2_in_m: surface.map(|surface| (surface, self.sphere.diameter.metres())),
            power_w: power.and_then(of_power),
            ..Beside::default()
        }
    }

    /// The flux with all its terms, or why there is none.
    fn flux(&self) -> Result<Flux, String> {
        let known = |mean: &Known| mean.clone();
        let (unit, unit_dark) = (known(&self.unit)?, known(&self.unit_dark)?);
        let (reference, reference_dark) = (known(&self.reference)?, known(&self.reference_dark)?);
        let auxiliary = known(&self.auxiliary)?;
        let reference_auxiliary = known(&self.reference_auxiliary)?;
        let net = |lit: Mean, dark: Mean| Reading {
            value: lit.value - dark.value,
            u: lit.u,
        };
        // Each lamp has a dark of its own, so that what is handed over is net.
        let nothing = Reading { value: 0.0, u: 0.0 };
        let readings = Readings {
            test: net(unit, unit_dark),
            reference: net(reference, reference_dark),
            dark: nothing,
            aux_test: net(auxiliary, unit_dark),
            aux_reference: net(reference_auxiliary, reference_dark),
            aux_dark: nothing,
        };
        let flux = sphere::flux(&self.reference_lm(), &readings, &self.mismatch());
        let flux = flux.map_err(|why| why.to_string())?;
        let value = flux.flux_lm.value;
        let dofs = [
            ("test reading", unit.dof),
            ("reference reading", reference.dof),
            ("auxiliary, test", auxiliary.dof),
            ("auxiliary, reference", reference_auxiliary.dof),
        ];
        let mut sum = Estimate::exact(value);
        for term in flux.flux_lm.terms.iter().filter(|term| term.u != 0.0) {
            let dof = dofs.iter().find(|(source, _)| *source == term.source);
            let dof = dof.map_or(term.dof, |(_, dof)| *dof);
            sum = sum.with(&term.source, term.u, dof);
        }
        // One dark serves the lamp and the auxiliary lamp beside it: its errors go
        // against each other.
        let of_unit = 1.0 / readings.aux_test.value - 1.0 / readings.test.value;
        let of_reference = 1.0 / readings.reference.value - 1.0 / readings.aux_reference.value;
        sum = sum
            .with("dark, test", value * unit_dark.u * of_unit, unit_dark.dof)
            .with(
                "dark, reference",
                value * reference_dark.u * of_reference,
                reference_dark.dof,
            );
        Ok(Flux {
            flux_lm: self.beside_readings(sum, &self.test.head.meter),
            ..flux
        })
    }

    /// The reference lamp's flux as its certificate says.
    fn reference_lm(&self) -> Estimate {
        let lamp = &self.sphere.reference;
        let terms = lamp.uncertainty.iter();
        terms.fold(Estimate::exact(lamp.flux_lm), |sum, term| {
            let source = format!("reference lamp, {}", term.source);
            sum.with(&source, lamp.flux_lm * term.share.share(), None)
        })
    }

    /// Whether the meter that reads is a spectroradiometer.
    fn weighs_spectra(&self) -> bool {
        let mut meters = self.test.whole.frozen.card.meters.iter();
        let meter = meters.find(|meter| meter.name == self.test.head.meter);
        meter.is_some_and(|meter| meter.yields.contains(&Quantity::Spectrum))
    }

    /// The photometer's mismatch factor: 1, as long as nobody has measured both
    /// lamps' spectra, with the term that its file states.
    fn mismatch(&self) -> Estimate {
        let terms = self.test.terms(&self.test.head.meter).iter();
        let mut terms = terms.filter(|term| term.source == MISMATCH);
        let one = Estimate::exact(1.0);
        match terms.next() {
            Some(term) => one.with(MISMATCH, term.share.share(), None),
            None => one,
        }
    }

    /// With the terms that no reading of this meter shows.
    fn beside_readings(&self, mut sum: Estimate, meter: &str) -> Estimate {
        let value = sum.value;
        for term in self.test.terms(meter) {
            if ![MISMATCH, CERTIFICATE].contains(&term.source.as_str()) {
                sum = sum.with(&term.source, value * term.share.share(), None);
            }
        }
        if let Some(drift) = self.drift {
            sum = sum.with("drift", value * drift / 12.0_f64.sqrt(), None);
        }
        match self.large_by() {
            Some(excess) => sum.with("large lamp", value * excess / 3.0_f64.sqrt(), None),
            None => sum,
        }
    }

    /// By how much the lamp's share of the wall is above what is small. Our own
    /// rule, no source: the flux may be wrong by this share either way.
    fn large_by(&self) -> Option<f64> {
        let surface = self.test.whole.frozen.lamp.surface_m2?;
        let excess = self.sphere.wall_share(surface) - SHARE_OF_WALL_AT_MOST.share();
        (excess > 0.0).then_some(excess)
    }

    /// What can be told without a flux: each figure, or why there is none.
    fn partly(&self, why: &str) -> Vec<Figure> {
        let net = |lit: &Known, dark: &Known| -> Result<f64, String> {
            let net = lit.clone()?.value - dark.clone()?.value;
            match net > 0.0 {
                true => Ok(net),
                false => Err("a reading is not above its dark reading".to_owned()),
            }
        };
        let ratio = |above: Result<f64, String>, below: Result<f64, String>| {
            Ok::<f64, String>(above? / below?)
        };
        let absorption = ratio(
            net(&self.auxiliary, &self.unit_dark),
            net(&self.reference_auxiliary, &self.reference_dark),
        );
        let plain = ratio(
            net(&self.unit, &self.unit_dark),
            net(&self.reference, &self.reference_dark),
        );
        let uncorrected = plain.map(|ratio| self.sphere.reference.flux_lm * ratio);
        let told = |name, value: Result<f64, String>| match value {
            Ok(value) => Figure::number(name, value),
            Err(why) => Figure::withheld(name, why),
        };
        vec![
            Figure::withheld(&FLUX_LM, why),
            told(&ABSORPTION, absorption),
            told(&UNCORRECTED_FLUX_LM, uncorrected),
        ]
    }

    fn notes(&self, by_spectra: Option<&BySpectra>) -> Vec<String> {
        let lamp = &self.sphere.reference;
        let mut notes = vec![format!(
            "Against the reference lamp {} of {} lm, certificate {}, good to {}.",
            lamp.name, lamp.flux_lm, lamp.calibration.certificate, lamp.calibration.due
        )];
        notes.extend(self.short.iter().cloned());
        let all = [
            (Purpose::Read, &self.unit),
            (Purpose::Dark, &self.unit_dark),
            (Purpose::Auxiliary, &self.auxiliary),
            (Purpose::Standard, &self.reference),
            (Purpose::StandardDark, &self.reference_dark),
            (Purpose::StandardAuxiliary, &self.reference_auxiliary),
        ];
        for (purpose, mean) in all {
            if mean.as_ref().is_ok_and(|mean| mean.single) {
                notes.push(format!(
                    "One reading of {}: how far others would lie from it is not known.",
                    called(purpose)
                ));
            }
        }
        notes.extend(self.test.drifted(self.setting));
        match self.drift {
            Some(drift) => notes.push(format!(
                "The light changed by {:.2} % over the leg.",
                100.0 * drift
            )),
            None => notes.push("The drift over the leg is not known: U lacks it.".to_owned()),
        }
        if let Some(by) = by_spectra {
            if by.meter != self.test.head.meter {
                notes.push(match self.mismatch().terms.is_empty() {
                    true => format!(
                        "photometer_flux_lm has a mismatch factor of 1, and the photometer no \
                         term `{MISMATCH}` in the bench file: its U lacks it."
                    ),
                    false => "photometer_flux_lm has a mismatch factor of 1.".to_owned(),
                });
            }
        } else if self.weighs_spectra() {
            notes.push(
                "A spectroradiometer read it, without a mismatch of a head: what the colour of the \
                 sphere's wall does to its readings, U lacks unless the bench file has a term for \
                 it."
                    .to_owned(),
            );
        } else if self.mismatch().terms.is_empty() {
            notes.push(format!(
                "The photometer has no term `{MISMATCH}` in the bench file: U lacks it."
            ));
        } else {
            notes.push("The mismatch factor is taken as 1.".to_owned());
        }
        notes.extend(self.of_size());
        notes.extend(self.glow());
        notes
    }

    /// The light with the unit hung there and off, where it is more than its share of
    /// what was there before it: a display, or a lamp that a person left lit.
    fn glow(&self) -> Option<String> {
        let known = |mean: &Known| mean.as_ref().ok().map(|mean| mean.value);
        let dark = known(&self.unit_dark)?;
        let glow = dark - known(&self.reference_dark)?;
        let share = glow / (known(&self.unit)? - dark);
        (share > GLOWS_FROM).then(|| {
            format!(
                "With the unit hung there and off, the sphere was lighter than before by {:.1} % \
                 of the light at this setting: its display, or it was not off. It is taken off.",
                100.0 * share
            )
        })
    }

    fn of_size(&self) -> Option<String> {
        let Some(surface) = self.test.whole.frozen.lamp.surface_m2 else {
            return Some(
                "The lamp's surface is not known, so neither is whether it is large for the sphere."
                    .to_owned(),
            );
        };
        let excess = self.large_by()?;
        Some(format!(
            "The lamp's surface is {:.1} % of the sphere's wall, more than {SHARE_OF_WALL_AT_MOST}: \
             the auxiliary lamp does not see all that it swallows. U has a term for that by our \
             own rule, {:.1} % either way.",
            100.0 * self.sphere.wall_share(surface),
            100.0 * excess
        ))
    }
}

/// A power with its terms under names of their own: a certificate of the meter of
/// power is not that of the photometer, and errors of two meters do not cancel.
fn of_power(power: &Figure) -> Option<Estimate> {
    match &power.given {
        Given::Estimate(estimate) => {
            let terms = estimate.terms.iter();
            let sum = Estimate::exact(estimate.value);
            Some(terms.fold(sum, |sum, term| {
                sum.with(&format!("power, {}", term.source), term.u, term.dof)
            }))
        }
        Given::Number(value) => Some(Estimate::exact(*value)),
        _ => None,
    }
}

/// The last of a leg's visits over its first, minus one, both less the dark; none
/// where one of them lacks a value.
fn drift(rows: &[&ReadingRow], dark: f64) -> Option<f64> {
    let mut visits: Vec<(i64, Vec<f64>)> = Vec::new();
    let mut rows: Vec<&ReadingRow> = rows.to_vec();
    rows.sort_by_key(|row| row.key.visit);
    for pair in rows.chunk_by(|one, next| next.no == one.no + 1) {
        let values: Option<Vec<f64>> = pair.iter().map(|row| row.reading.outcome.value()).collect();
        visits.push((pair.first()?.no, values?));
    }
    let mean = |visit: Option<&(i64, Vec<f64>)>| {
        let moments = statistics::moments(&visit?.1)?;
        Some(moments.mean - dark)
    };
    let (first, last) = (mean(visits.first())?, mean(visits.last())?);
    (visits.len() > 1 && first > 0.0).then(|| last / first - 1.0)
}
