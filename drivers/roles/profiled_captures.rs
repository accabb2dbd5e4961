//! Spectra and waveforms of a meter that is spoken to as its profile says.
//!
//! The numbers stay in the answer's bytes; here it is only looked whether there
//! are as many as there must be, whether each is one, and whether the meter was
//! full. A part of `profiled_meter`, with the same care for late answers. What a
//! spectrum says of the illuminance is `weighed`.

use std::ops::RangeInclusive;
use std::sync::Arc;

use photometry::measured::{Axis, Block, Capture, CaptureOutcome, Moment, Quantity};
use photometry::units::Span;

use super::photometer::{Spectroradiometer, WaveformPhotometer};
use super::profiled_meter::{
    ASKED_AFTER_RESYNC, ProfiledMeter, SET_UP_AGAIN, resync_flags, with_set_up_last,
};
use crate::error::DriverError;
use crate::exchange::scpi::{self, Number};
use crate::exchange::talk::Talk;
use crate::profile::many::{Many, first_that_is_none};
use crate::profile::perform::{self, Given, NotPerformed, perform};
use crate::profile::types::{Profile, ProfileVerb, Setting, SettingUnit};
use crate::profile::value;

/// Numbers of a spectrum: at most 400 nm in steps of 0.02 nm.
const WAVELENGTHS: RangeInclusive<usize> = 2..=20_000;
/// Light, in nanometres, with a wide margin: what is told in another unit lies outside.
const LIGHT_NM: RangeInclusive<f64> = 10.0..=100_000.0;
/// An element that is as full as this, of 1, no longer tells the light.
const FULL: f64 = 0.98;
/// So large a share of the samples at the top is no waveform any more.
const AT_TOP: f64 = 0.001;
/// A sample is at the top within so small a share of it.
const TOP_WITHIN: f64 = 1e-4;

/// What a capture is made for.
struct Asked {
    quantity: Quantity,
    verb: ProfileVerb,
    axis: Axis,
    /// How long it takes.
    takes: Span,
    /// Numbers that there must be.
    count: u32,
}

impl ProfiledMeter {
    /// Reads the wavelengths of its spectra, where it yields spectra.
    pub(super) fn learn_wavelengths(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        self.wavelengths = None;
        let profile = Arc::clone(&self.profile);
        let Some(steps) = profile.steps(ProfileVerb::ReadWavelengths) else {
            return Ok(());
        };
        let performed = perform(talk, steps, self.given())?;
        let numbers = performed.many.as_ref().and_then(numbers_of);
        match no_wavelengths(&numbers.unwrap_or_default()) {
            None => self.wavelengths = performed.many,
            Some(answer) => {
                return Err(DriverError::Garbled {
                    question: ProfileVerb::ReadWavelengths.word().to_owned(),
                    answer,
                    wanted: "2 to 20,000 wavelengths in nanometres that rise",
                });
            }
        }
        Ok(())
    }

    /// Asks for many numbers; what comes is judged.
    fn captured(&mut self, talk: &mut Talk<'_>, asked: &Asked) -> Result<Capture, DriverError> {
        let profile = Arc::clone(&self.profile);
        let Some(steps) = profile.steps(asked.verb) else {
            return Err(self.yields_no(asked.quantity));
        };
        let before = self.made_ready(talk)?;
        let (step, count) = self.sampling(asked);
        let values = [("step", step.as_str()), ("count", count.as_str())];
        let given = Given {
            values: &values,
            ..self.given()
        };
        if let Some(prepare) = profile.steps(ProfileVerb::PrepareWaveform)
            && asked.quantity == Quantity::Waveform
            && let Err(not) = perform(talk, prepare, given)
        {
            // What it said may have been the answer to an earlier question.
            talk.distrust();
            self.suspect = true;
            return Err(not.into());
        }
        let given = Given {
            values: &values,
            integration: asked.takes,
            ..self.given()
        };
        let from = talk.now();
        let outcome = perform(talk, steps, given);
        let empty = |outcome, to: Moment| self.nothing(asked, outcome, (from, to));
        match outcome {
            Ok(performed) => {
                let flags = with_set_up_last(before, performed.flags);
                match performed.many {
                    Some(many) => self.judge(talk, asked, many, flags),
                    // Reading a profile refuses a capture without numbers.
                    None => Ok(empty(CaptureOutcome::TimedOut, talk.now())),
                }
            }
            Err(NotPerformed::Misfit { answer, why, .. }) => {
                let why = why.map_or_else(|| "no block".to_owned(), |why| why.to_string());
                let mut capture = empty(CaptureOutcome::Rejected(why), answer.taken);
                capture.flags = resync_flags(before);
                capture.flags.extend(answer.flags());
                capture.raw = answer.raw;
                talk.distrust();
                self.suspect = true;
                Ok(capture)
            }
            Err(NotPerformed::Driver(DriverError::Silent { .. })) => {
                let mut capture = empty(CaptureOutcome::TimedOut, talk.now());
                if !resync_flags(before).is_empty() {
                    capture.flags.push(ASKED_AFTER_RESYNC.to_owned());
                }
                self.suspect = true;
                Ok(capture)
            }
            Err(NotPerformed::Driver(error @ DriverError::Garbled { .. })) => {
                let capture = empty(CaptureOutcome::Rejected(error.to_string()), talk.now());
                self.suspect = true;
                Ok(capture)
            }
            Err(NotPerformed::Driver(error)) => Err(error),
        }
    }

    fn yields_no(&self, quantity: Quantity) -> DriverError {
        let name = &self.card.name;
        DriverError::Unsendable(format!("{name} does not yield a {}", quantity.name()))
    }

    /// Step in seconds and count, as they are sent.
    fn sampling(&self, asked: &Asked) -> (String, String) {
        let step = match asked.axis {
            Axis::Seconds(step) => step,
            Axis::Wavelengths => 0.0,
        };
        (step.to_string(), asked.count.to_string())
    }

    fn nothing(
        &self,
        asked: &Asked,
        outcome: CaptureOutcome,
        (from, to): (Moment, Moment),
    ) -> Capture {
        Capture {
            meter: self.card.name.clone(),
            quantity: asked.quantity,
            outcome,
            axis: asked.axis.clone(),
            integration: None,
            fill: None,
            top: None,
            filter_hz: None,
            flags: Vec::new(),
            packing: None,
            axis_packing: None,
            asked: from,
            taken: to,
            raw: Vec::new(),
            axis_raw: Vec::new(),
        }
    }

    /// A capture from its answer on.
    fn judge(
        &mut self,
        talk: &mut Talk<'_>,
        asked: &Asked,
        many: Many,
        mut flags: Vec<String>,
    ) -> Result<Capture, DriverError> {
        let unasked = self.unasked(talk)?;
        let answer = &many.answer;
        let not_its = self.not_of_this_reading(asked.verb, asked.takes, answer, unasked);
        let numbers = numbers_of(&many);
        let count = many.packing.count;
        let numbers = numbers.unwrap_or_default();
        let why = not_its.or_else(|| {
            let wanted = asked.count;
            if count != wanted {
                return Some(format!("there are {count} numbers, and must be {wanted}"));
            }
            let none = first_that_is_none(&numbers, many.packing.times)?;
            Some(format!("number {none} of {count} is none"))
        });
        let mut capture = self.nothing(
            asked,
            CaptureOutcome::Numbers(count),
            (answer.asked, answer.taken),
        );
        if let Some(why) = why {
            // What else it says may belong to an earlier question.
            talk.distrust();
            self.suspect = true;
            flags.retain(|flag| flag != SET_UP_AGAIN);
            capture.flags = flags;
            capture.outcome = CaptureOutcome::Rejected(why);
            capture.raw = many.answer.raw;
            return Ok(capture);
        }
        self.suspect = false;
        capture.flags = flags;
        let told_full = self.tell_more(talk, asked, &mut capture)?;
        let over = |number: &f64| scpi::meant(number / many.packing.times) == Number::Over;
        let at_top = capture.top.is_some_and(|top| {
            let high = numbers.iter().filter(|n| **n >= top * (1.0 - TOP_WITHIN));
            high.count() as f64 > AT_TOP * numbers.len() as f64
        });
        if told_full || at_top || numbers.iter().any(over) {
            capture.outcome = CaptureOutcome::Saturated(count);
        }
        capture.packing = Some(many.packing);
        capture.raw = many.answer.raw;
        if let (Axis::Wavelengths, Some(axis)) = (&asked.axis, &self.wavelengths) {
            capture.axis_packing = Some(axis.packing);
            capture.axis_raw.clone_from(&axis.answer.raw);
        }
        Ok(capture)
    }

    /// What the meter tells of the capture besides its numbers, and whether it says
    /// that it was full.
    fn tell_more(
        &mut self,
        talk: &mut Talk<'_>,
        asked: &Asked,
        capture: &mut Capture,
    ) -> Result<bool, DriverError> {
        if asked.quantity == Quantity::Spectrum {
            capture.integration = Some(self.integration());
            let fill = self.number(talk, ProfileVerb::ReadFill, "fill", &mut capture.flags)?;
            capture.fill = value_of(fill);
            return Ok(match fill {
                Some(Number::Value(fill)) => fill >= FULL,
                Some(Number::Over) => true,
                _ => false,
            });
        }
        let top = self.number(talk, ProfileVerb::ReadTop, "top", &mut capture.flags)?;
        capture.top = value_of(top);
        let filter = self.number(talk, ProfileVerb::ReadFilter, "filter", &mut capture.flags)?;
        capture.filter_hz = value_of(filter).filter(|hertz| *hertz > 0.0);
        Ok(false)
    }

    /// A number that the meter may tell; one that it does not is flagged, and what it
    /// measured stands.
    pub(super) fn number(
        &self,
        talk: &mut Talk<'_>,
        verb: ProfileVerb,
        field: &str,
        flags: &mut Vec<String>,
    ) -> Result<Option<Number>, DriverError> {
        let Some(steps) = self.profile.steps(verb) else {
            return Ok(None);
        };
        let told = match perform(talk, steps, self.given()) {
            Ok(performed) => performed.found.get(field).and_then(|text| {
                value::number(text, &self.profile.marks, self.profile.decimal_comma)
            }),
            Err(NotPerformed::Misfit { .. })
            | Err(NotPerformed::Driver(DriverError::Silent { .. })) => None,
            Err(NotPerformed::Driver(error)) => return Err(error),
        };
        // No converter ends at nought or below.
        let told = told.filter(|told| {
            verb != ProfileVerb::ReadTop || matches!(told, Number::Value(top) if *top > 0.0)
        });
        match told {
            Some(Number::Value(_)) => {}
            Some(Number::Over) => flags.push(format!("{field} over range")),
            _ => flags.push(format!("{field} not told")),
        }
        Ok(told)
    }
}

/// The value, if it is one.
pub(super) const fn value_of(number: Option<Number>) -> Option<f64> {
    match number {
        Some(Number::Value(value)) => Some(value),
        _ => None,
    }
}

/// What is wrong with wavelengths, if anything is.
fn no_wavelengths(numbers: &[f64]) -> Option<String> {
    if !WAVELENGTHS.contains(&numbers.len()) {
        return Some(format!("wavelengths, {} of them", numbers.len()));
    }
    let mut before = 0.0;
    for (at, nm) in (1..).zip(numbers) {
        if !(LIGHT_NM.contains(nm) && *nm > before) {
            return Some(format!("wavelengths, where wavelength {at} is {nm} nm"));
        }
        before = *nm;
    }
    None
}

/// The setting of how long it integrates, where it has one.
pub(super) fn integration_of(profile: &Profile) -> Option<&Setting> {
    let mut settings = profile.settings.iter();
    settings.find(|setting| setting.name == "integration")
}

/// A time as such a setting is sent it.
pub(super) fn as_sent(setting: &Setting, time: Span) -> String {
    let number = match setting.unit {
        SettingUnit::Milliseconds => time.secs() * 1e3,
        _ => time.secs(),
    };
    number.to_string()
}

/// Its numbers; none where the bytes do not hold them.
pub(super) fn numbers_of(many: &Many) -> Option<Vec<f64>> {
    let (raw, packing) = (many.answer.raw.clone(), many.packing);
    Block { raw, packing }.numbers()
}

impl Spectroradiometer for ProfiledMeter {
    fn integrate(&mut self, talk: &mut Talk<'_>, integration: Span) -> Result<(), DriverError> {
        let profile = Arc::clone(&self.profile);
        let Some(setting) = integration_of(&profile) else {
            let name = &self.card.name;
            let text = format!("{name} has no setting for its integration");
            return Err(DriverError::Unsendable(text));
        };
        // Whatever comes between, it is set so again when the meter is opened anew.
        let before = std::mem::replace(&mut self.card.aperture, integration);
        let set = self.made_ready(talk);
        let text = as_sent(setting, integration);
        let set = set.and_then(|_| perform::set(talk, setting, &text, self.given()));
        if let Err(
            DriverError::NotTaken { .. }
            | DriverError::Refused { .. }
            | DriverError::Unsendable(_)
            | DriverError::Garbled { .. },
        ) = &set
        {
            // With one that it does not take it could never be opened again.
            self.card.aperture = before;
            self.suspect = true;
        }
        set
    }

    fn read_spectrum(&mut self, talk: &mut Talk<'_>) -> Result<Capture, DriverError> {
        let count = self.wavelengths.as_ref().map(|many| many.packing.count);
        let Some(count) = count else {
            return Err(self.yields_no(Quantity::Spectrum));
        };
        let asked = Asked {
            quantity: Quantity::Spectrum,
            verb: ProfileVerb::ReadSpectrum,
            axis: Axis::Wavelengths,
            takes: self.integration(),
            count,
        };
        self.captured(talk, &asked)
    }
}

impl WaveformPhotometer for ProfiledMeter {
    fn capture(
        &mut self,
        talk: &mut Talk<'_>,
        step: Span,
        count: u32,
    ) -> Result<Capture, DriverError> {
        let asked = Asked {
            quantity: Quantity::Waveform,
            verb: ProfileVerb::ReadWaveform,
            axis: Axis::Seconds(step.secs()),
            takes: step.times(i64::from(count)),
            count,
        };
        self.captured(talk, &asked)
    }
}
