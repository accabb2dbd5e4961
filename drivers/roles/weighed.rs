//! Illuminance by a meter that knows spectra alone: one is taken and weighed.
//!
//! ```text
//!   E = 683 lm/W * sum over the wavelengths of S(nm) * V(nm) * width
//! ```
//!
//! Such a reading has an integration of its own, which it finds by trial and remembers;
//! that of captures is put back behind it, because a spectrum and its dark must have
//! the same. Setting it hides what a meter tells by its time: that it started anew and
//! forgot its shutter too. So the meter is asked, before and behind, whether it still
//! integrates as it was told.
//!
//! A part of `profiled_meter`; how long to integrate is `trial`. Not here: the sum
//! (`photometry::colour`), what a spectrum is (`profiled_captures`), the integration of
//! captures (the run decides it).

use photometry::colour;
use photometry::measured::{Capture, CaptureOutcome, Outcome, Quantity, Reading};
use photometry::units::Span;

use super::photometer::Spectroradiometer;
use super::profiled_captures::{as_sent, integration_of, numbers_of};
use super::profiled_meter::{ProfiledMeter, SET_UP_AGAIN, with_set_up_last};
use super::trial::{self, Filled, LIMITS, Limits, Next};
use crate::error::DriverError;
use crate::exchange::line::AFTER_RESYNC;
use crate::exchange::talk::Talk;
use crate::profile::perform;
use crate::profile::types::{ProfileVerb, Setting, SettingUnit};

/// Why a spectrum is no reading that may have been too bright.
const FILL_UNKNOWN: &str = "the meter did not tell how full it was";

/// Why there is no spectrum to weigh.
enum NotWeighed {
    /// The device or its link.
    Driver(DriverError),
    /// What it said, or did not say, to one question: that goes for the reading.
    Says(Outcome),
}

impl From<DriverError> for NotWeighed {
    fn from(error: DriverError) -> NotWeighed {
        NotWeighed::Driver(error)
    }
}

/// Adds flags that are not there yet.
fn note(flags: &mut Vec<String>, more: impl IntoIterator<Item = String>) {
    for flag in more {
        if !flags.contains(&flag) {
            flags.push(flag);
        }
    }
}

/// A flag of the link or of the settings, which is on record of a whole reading, and not
/// of one of its spectra alone.
fn is_of_the_meter(flag: &str) -> bool {
    flag == AFTER_RESYNC || flag == SET_UP_AGAIN
}

impl ProfiledMeter {
    /// One reading of illuminance by spectra.
    ///
    /// # Errors
    /// As [`super::photometer::Photometer::read_illuminance`]; also when its spectra do
    /// not cover what the eye sees. Captures integrate as before then too.
    pub(super) fn read_weighed(&mut self, talk: &mut Talk<'_>) -> Result<Reading, DriverError> {
        self.covers_the_eye()?;
        let chosen = self.card.aperture;
        let from = talk.now();
        let mut reading = Reading {
            meter: self.card.name.clone(),
            quantity: Quantity::Illuminance,
            outcome: Outcome::TimedOut,
            range: None,
            flags: Vec::new(),
            raw: Vec::new(),
            asked: from,
            taken: from,
        };
        let came = self.weigh(talk, chosen, &mut reading);
        // Whatever came of it: before the next question it is set up so again.
        self.card.aperture = chosen;
        match came {
            Ok(()) => {}
            Err(NotWeighed::Says(outcome)) => {
                reading.outcome = outcome;
                reading.taken = talk.now();
            }
            Err(NotWeighed::Driver(error)) => {
                self.suspect = true;
                return Err(error);
            }
        }
        reading.flags = with_set_up_last(reading.flags, Vec::new());
        Ok(reading)
    }

    /// Refuses a meter whose spectra cannot be weighed; nothing is sent.
    fn covers_the_eye(&self) -> Result<(), DriverError> {
        let name = &self.card.name;
        let Some(nm) = self.wavelengths.as_ref().and_then(numbers_of) else {
            let text = format!("{name} does not yield illuminance");
            return Err(DriverError::Unsendable(text));
        };
        match colour::illuminance_of(&nm, &vec![0.0; nm.len()]) {
            Ok(_) => Ok(()),
            Err(why) => {
                let text = format!("{name} does not yield illuminance: {why}");
                Err(DriverError::Unsendable(text))
            }
        }
    }

    fn weigh(
        &mut self,
        talk: &mut Talk<'_>,
        chosen: Span,
        reading: &mut Reading,
    ) -> Result<(), NotWeighed> {
        if self.own_setting().is_some()
            && let Err(not) = self.turn(talk, self.weighs_by, &mut reading.flags)
        {
            // One that it does not take would be refused for ever.
            self.weighs_by = chosen;
            return Err(not);
        }
        let raw = self.spectra(talk, reading)?;
        if !self.suspect {
            self.still_integrates(talk)
                .map_err(|error| self.in_doubt(talk, error))?;
            self.weighs_by = self.card.aperture;
            self.turn_back(talk, chosen)?;
        }
        reading.raw = raw;
        Ok(())
    }

    /// Takes spectra until one can be weighed, or it is known why none can; the bytes of
    /// the last one.
    fn spectra(
        &mut self,
        talk: &mut Talk<'_>,
        reading: &mut Reading,
    ) -> Result<Vec<u8>, NotWeighed> {
        let limits = self.limits();
        let mut tries = 0;
        loop {
            let capture = self.read_spectrum(talk)?;
            tries += 1;
            if tries == 1 {
                reading.asked = capture.asked;
            }
            let outcome = match self.filled(&capture) {
                Err(outcome) => outcome,
                Ok(filled) => match trial::next(self.card.aperture, filled, tries, limits) {
                    Next::Again(integration) => {
                        let flags = capture.flags.into_iter();
                        note(&mut reading.flags, flags.filter(|it| is_of_the_meter(it)));
                        if filled == Filled::NotTold {
                            // What it said instead may be its greeting.
                            talk.distrust();
                            self.suspect = true;
                        }
                        self.turn(talk, integration, &mut reading.flags)?;
                        continue;
                    }
                    next => self.outcome_of(&capture, next),
                },
            };
            self.suspect |= matches!(outcome, Outcome::Rejected(_));
            note(&mut reading.flags, capture.flags);
            reading.outcome = outcome;
            reading.taken = capture.taken;
            return Ok(capture.raw);
        }
    }

    /// How full it was; of what is no spectrum, what came of it.
    fn filled(&self, capture: &Capture) -> Result<Filled, Outcome> {
        let tells = self.profile.steps(ProfileVerb::ReadFill).is_some();
        match (&capture.outcome, capture.fill) {
            (CaptureOutcome::TimedOut, _) => Err(Outcome::TimedOut),
            (CaptureOutcome::Rejected(why), _) => Err(Outcome::Rejected(why.clone())),
            (CaptureOutcome::Saturated(_), _) => Ok(Filled::Saturated),
            (CaptureOutcome::Numbers(_), Some(fill)) => Ok(Filled::To(fill)),
            (CaptureOutcome::Numbers(_), None) if tells => Ok(Filled::NotTold),
            (CaptureOutcome::Numbers(_), None) => Ok(Filled::NeverTold),
        }
    }

    /// What the last spectrum says of the light.
    fn outcome_of(&self, capture: &Capture, next: Next) -> Outcome {
        let (low, high) = self.card.plausible;
        let (low, high) = (low.0, high.0);
        let axis = capture.axis_numbers().unwrap_or_default();
        let numbers = capture.numbers().unwrap_or_default();
        let lux = colour::illuminance_of(&axis, &numbers).map(|lux| lux.0);
        match (next, lux) {
            (Next::Unknown, _) => Outcome::Rejected(FILL_UNKNOWN.to_owned()),
            // Elements that are full may be told as infinite.
            (Next::TooBright, lux) => match lux {
                Ok(lux) if lux <= high => Outcome::Over(lux),
                _ => Outcome::Over(high),
            },
            (_, Err(why)) => Outcome::Rejected(why.to_string()),
            (_, Ok(lux)) if (low..=high).contains(&lux) => Outcome::Value(lux),
            (_, Ok(lux)) => Outcome::Rejected(format!("{lux} lx is outside {low} to {high}")),
        }
    }

    /// Its setting of the integration, where that is free.
    fn own_setting(&self) -> Option<&Setting> {
        integration_of(&self.profile).filter(|setting| setting.value.is_none())
    }

    /// Between which times it may be set; a meter without a setting stays as it is.
    fn limits(&self) -> Limits {
        let (least, most) = LIMITS;
        let Some(setting) = self.own_setting() else {
            return (self.card.aperture, self.card.aperture);
        };
        let span = |number: f64| match setting.unit {
            SettingUnit::Milliseconds => Span::from_secs_f64(number / 1e3),
            _ => Span::from_secs_f64(number),
        };
        match setting.between {
            Some((low, high)) => (span(low).max(least), span(high).min(most)),
            None => LIMITS,
        }
    }

    /// Integrates so long from here on, for this reading. A meter that integrates
    /// otherwise than it was told has forgotten its other settings too, and is set up
    /// first.
    fn turn(
        &mut self,
        talk: &mut Talk<'_>,
        to: Span,
        flags: &mut Vec<String>,
    ) -> Result<(), NotWeighed> {
        if to == self.card.aperture {
            return Ok(());
        }
        note(flags, self.made_ready(talk)?);
        if let Err(error) = self.still_integrates(talk) {
            if let NotWeighed::Driver(error) = self.in_doubt(talk, error) {
                return Err(error.into());
            }
            note(flags, self.made_ready(talk)?);
        }
        self.card.aperture = to;
        self.set_integration(talk)
            .map_err(|error| self.in_doubt(talk, error))
    }

    /// Integrates as was chosen for captures. What goes wrong with that concerns the next
    /// question, and no reading that is whole.
    fn turn_back(&mut self, talk: &mut Talk<'_>, chosen: Span) -> Result<(), NotWeighed> {
        if chosen == self.card.aperture {
            return Ok(());
        }
        self.card.aperture = chosen;
        let Err(error) = self.set_integration(talk) else {
            return Ok(());
        };
        match self.in_doubt(talk, error) {
            NotWeighed::Says(_) => Ok(()),
            gone => Err(gone),
        }
    }

    fn set_integration(&self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        let Some(setting) = self.own_setting() else {
            return Ok(());
        };
        let text = as_sent(setting, self.card.aperture);
        perform::set(talk, setting, &text, self.given())
    }

    /// Asks whether it integrates as it was told; one that cannot tell is believed.
    fn still_integrates(&self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        let Some(setting) = self.own_setting() else {
            return Ok(());
        };
        let text = as_sent(setting, self.card.aperture);
        perform::reads_back(talk, setting, &text, self.given())
    }

    /// After an error of a setting nobody knows what else the meter will say, nor how it
    /// is set. What it said to one question is no reading, but no failure either.
    fn in_doubt(&mut self, talk: &mut Talk<'_>, error: DriverError) -> NotWeighed {
        talk.distrust();
        self.suspect = true;
        match error {
            DriverError::Silent { .. } => NotWeighed::Says(Outcome::TimedOut),
            DriverError::Garbled { .. }
            | DriverError::NotTaken { .. }
            | DriverError::Refused { .. } => NotWeighed::Says(Outcome::Rejected(error.to_string())),
            error => NotWeighed::Driver(error),
        }
    }
}
