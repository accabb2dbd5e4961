//! Spectra and waveforms of a meter that is spoken to as its profile says.
//!
//! The numbers stay in the answer's bytes; here it is only looked whether there
//! are as many as there must be, whether each is one, and whether the meter was
//! full. A part of `profiled_meter`, with the same care for late answers.

use std::sync::Arc;

use photometry::measured::{Axis, Block, Capture, CaptureOutcome, Moment, Quantity};
use photometry::units::Span;

use super::photometer::{Spectroradiometer, WaveformPhotometer};
use super::profiled_meter::{ProfiledMeter, with_set_up_last};
use crate::error::DriverError;
use crate::exchange::scpi::Number;
use crate::exchange::talk::Talk;
use crate::profile::many::Many;
use crate::profile::perform::{self, Given, NotPerformed, perform};
use crate::profile::types::{ProfileVerb, SettingUnit};
use crate::profile::value;

/// Numbers of a spectrum at most: 400 nm in steps of 0.02 nm.
const SPECTRUM_AT_MOST: u32 = 20_000;
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
        let many = performed.many.filter(|many| {
            let numbers = numbers_of(many).unwrap_or_default();
            let rise = numbers.windows(2).all(|pair| pair[0] < pair[1]);
            rise && numbers.len() >= 2 && many.packing.count <= SPECTRUM_AT_MOST
        });
        if many.is_none() {
            return Err(DriverError::Garbled {
                question: ProfileVerb::ReadWavelengths.word().to_owned(),
                answer: "numbers that do not rise".to_owned(),
                wanted: "at least two wavelengths, rising",
            });
        }
        self.wavelengths = many;
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
        if let Some(prepare) = profile.steps(ProfileVerb::PrepareWaveform)
            && asked.quantity == Quantity::Waveform
        {
            let values = [("step", step.as_str()), ("count", count.as_str())];
            let given = Given {
                values: &values,
                ..self.given()
            };
            perform(talk, prepare, given)?;
        }
        let values = [("step", step.as_str()), ("count", count.as_str())];
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
                capture.raw = answer.raw;
                talk.distrust();
                self.suspect = true;
                Ok(capture)
            }
            Err(NotPerformed::Driver(DriverError::Silent { .. })) => {
                let capture = empty(CaptureOutcome::TimedOut, talk.now());
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
        flags: Vec<String>,
    ) -> Result<Capture, DriverError> {
        let unasked = self.unasked(talk)?;
        let answer = &many.answer;
        let not_its = self.not_of_this_reading(asked.verb, asked.takes, answer, unasked);
        let numbers = numbers_of(&many);
        let count = many.packing.count;
        let why = not_its.or_else(|| match &numbers {
            _ if count != asked.count => {
                let wanted = asked.count;
                Some(format!("there are {count} numbers, and must be {wanted}"))
            }
            Some(numbers) if numbers.iter().all(|number| number.is_finite()) => None,
            _ => Some("not each of its numbers is one".to_owned()),
        });
        let mut capture = self.nothing(
            asked,
            CaptureOutcome::Numbers(count),
            (answer.asked, answer.taken),
        );
        capture.flags = flags;
        if let Some(why) = why {
            // What else it says may belong to an earlier question.
            talk.distrust();
            self.suspect = true;
            capture.outcome = CaptureOutcome::Rejected(why);
            capture.raw = many.answer.raw;
            return Ok(capture);
        }
        self.suspect = false;
        self.tell_more(talk, asked, &mut capture)?;
        let full = capture.fill.is_some_and(|fill| fill >= FULL);
        let at_top = capture.top.is_some_and(|top| {
            let numbers = numbers.unwrap_or_default();
            let high = numbers.iter().filter(|n| **n >= top * (1.0 - TOP_WITHIN));
            high.count() as f64 > AT_TOP * numbers.len() as f64
        });
        if full || at_top {
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

    /// What the meter tells of the capture besides its numbers.
    fn tell_more(
        &mut self,
        talk: &mut Talk<'_>,
        asked: &Asked,
        capture: &mut Capture,
    ) -> Result<(), DriverError> {
        let mut number = |verb, field| self.number(talk, verb, field, &mut capture.flags);
        match asked.quantity {
            Quantity::Spectrum => {
                capture.fill = number(ProfileVerb::ReadFill, "fill")?;
                capture.integration = Some(self.integration());
            }
            _ => {
                capture.top = number(ProfileVerb::ReadTop, "top")?;
                let filter = number(ProfileVerb::ReadFilter, "filter")?;
                capture.filter_hz = filter.filter(|hertz| *hertz > 0.0);
            }
        }
        Ok(())
    }

    /// A number that the meter may tell; one that it does not is flagged, and the
    /// capture stands.
    fn number(
        &self,
        talk: &mut Talk<'_>,
        verb: ProfileVerb,
        field: &str,
        flags: &mut Vec<String>,
    ) -> Result<Option<f64>, DriverError> {
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
        match told {
            Some(Number::Value(number)) => Ok(Some(number)),
            _ => {
                flags.push(format!("{field} not told"));
                Ok(None)
            }
        }
    }
}

fn numbers_of(many: &Many) -> Option<Vec<f64>> {
    let (raw, packing) = (many.answer.raw.clone(), many.packing);
    Block { raw, packing }.numbers()
}

impl Spectroradiometer for ProfiledMeter {
    fn integrate(&mut self, talk: &mut Talk<'_>, integration: Span) -> Result<(), DriverError> {
        let profile = Arc::clone(&self.profile);
        let mut settings = profile.settings.iter();
        let setting = settings.find(|setting| setting.name == "integration");
        let Some(setting) = setting else {
            let name = &self.card.name;
            let text = format!("{name} has no setting for its integration");
            return Err(DriverError::Unsendable(text));
        };
        // Whatever comes between, it is set so again when the meter is opened anew.
        self.card.aperture = integration;
        self.made_ready(talk)?;
        let number = match setting.unit {
            SettingUnit::Milliseconds => integration.secs() * 1e3,
            _ => integration.secs(),
        };
        perform::set(talk, setting, &number.to_string(), self.given())
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
