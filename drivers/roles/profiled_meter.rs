//! An illuminance meter that is spoken to as its profile says.
//!
//! A meter may start anew by itself, with or without a word, and then reads on
//! with settings that nobody chose. So its settings are set again before the
//! next reading whenever it answered too late, too soon for its integration,
//! no number, or spoke unasked. A meter that speaks by itself all the time is
//! only heard: what it says unasked is what it is for.
//!
//! Opened by the bench. Not here: resync and limits (`exchange::line`), what an
//! answer's fields mean (`profile::value`).

use std::sync::Arc;

use photometry::measured::{Moment, Outcome, Quantity, Reading};
use photometry::units::{Lux, Span};

use super::identity;
use super::photometer::Photometer;
use crate::error::DriverError;
use crate::exchange::line::{self, Answer};
use crate::exchange::scpi::{Identity, Number};
use crate::exchange::talk::Talk;
use crate::profile::pattern::Found;
use crate::profile::perform::{self, Given, NotPerformed, perform};
use crate::profile::types::{Profile, ProfileVerb, SettingUnit, Step};
use crate::profile::value;

/// No answer to a reading comes in a smaller share of the integration time: the
/// setting's tolerance, and a meter's clock.
const SOONEST: f64 = 0.97;
/// Flag of a reading before which the meter was set up again.
pub const SET_UP_AGAIN: &str = "set up again";

/// What the bench file says about the meter.
#[derive(Clone, Debug, PartialEq)]
pub struct PhotometerCard {
    /// The meter's name in the bench file.
    pub name: String,
    /// Integration time of one sample, 1 ms to 10 s.
    pub aperture: Span,
    /// Samples per reading, 1 to 100.
    pub averages: u32,
    /// Values outside are rejected as implausible.
    pub plausible: (Lux, Lux),
    /// Whether it has a shutter of its own.
    pub has_shutter: bool,
}

/// An illuminance meter behind a profile.
#[derive(Debug)]
pub struct ProfiledMeter {
    card: PhotometerCard,
    profile: Arc<Profile>,
    identity: Option<Identity>,
    /// Its shutter as it was last told.
    closed: bool,
    /// Nobody knows whether it still has its settings.
    suspect: bool,
}

impl ProfiledMeter {
    /// A driver for this meter; nothing is sent.
    pub fn new(card: PhotometerCard, profile: Arc<Profile>) -> ProfiledMeter {
        ProfiledMeter {
            card,
            profile,
            identity: None,
            closed: false,
            suspect: false,
        }
    }

    fn integration(&self) -> Span {
        self.card.aperture.times(i64::from(self.card.averages))
    }

    fn given(&self) -> Given<'static> {
        Given {
            values: &[],
            integration: self.integration(),
        }
    }

    /// A meter that speaks by itself and is never asked for its readings.
    fn is_heard(&self) -> bool {
        let steps = self.profile.steps(ProfileVerb::ReadIlluminance);
        let mut steps = steps.unwrap_or_default().iter();
        steps.any(|step| matches!(step, Step::Hear { .. }))
    }

    /// A meter whose answer takes its integration begins to measure when it is
    /// asked.
    fn measures_when_asked(&self) -> bool {
        let steps = self.profile.steps(ProfileVerb::ReadIlluminance);
        let mut steps = steps.unwrap_or_default().iter();
        steps.any(|step| matches!(step, Step::Ask { within, .. } if within.integration))
    }

    /// Integration and shutter as they were chosen, the rest as the profile says.
    fn set_up(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        for setting in &self.profile.settings {
            let secs = |unit| match unit {
                SettingUnit::Milliseconds => self.card.aperture.secs() * 1e3,
                _ => self.card.aperture.secs(),
            };
            let text = match (setting.name.as_str(), &setting.value) {
                (_, Some(value)) => value.clone(),
                ("integration", None) => secs(setting.unit).to_string(),
                ("averages", None) => self.card.averages.to_string(),
                // Reading a profile refuses a setting without a value.
                (_, None) => continue,
            };
            perform::set(talk, setting, &text)?;
        }
        if self.card.has_shutter {
            self.shutter(talk, self.closed)?;
        }
        self.suspect = false;
        Ok(())
    }

    /// Why an answer is not that of this reading, if it is not.
    fn not_of_this_reading(&self, answer: &Answer, unasked_bytes: u64) -> Option<String> {
        if self.is_heard() {
            return None;
        }
        let took = answer.taken.mono.since(answer.asked.mono);
        let integrates = self.integration();
        if unasked_bytes > 0 {
            return Some("it gave more than one answer".to_owned());
        }
        let too_soon = took.secs() < integrates.secs() * SOONEST;
        (self.measures_when_asked() && too_soon).then(|| {
            format!(
                "it answered in {}, sooner than it integrates ({})",
                took.shown(),
                integrates.shown()
            )
        })
    }

    fn reading(&self, outcome: Outcome, asked: Moment, taken: Moment) -> Reading {
        Reading {
            meter: self.card.name.clone(),
            quantity: Quantity::Illuminance,
            outcome,
            range: None,
            flags: Vec::new(),
            raw: Vec::new(),
            asked,
            taken,
        }
    }

    /// A reading that rests on an answer.
    fn answered(&self, outcome: Outcome, answer: Answer) -> Reading {
        Reading {
            flags: answer.flags(),
            raw: answer.raw,
            ..self.reading(outcome, answer.asked, answer.taken)
        }
    }

    /// The range of the reading before; a meter that does not tell is flagged,
    /// the reading stands.
    fn range(
        &self,
        talk: &mut Talk<'_>,
        flags: &mut Vec<String>,
    ) -> Result<Option<f64>, DriverError> {
        let Some(steps) = self.profile.steps(ProfileVerb::ReadRange) else {
            return Ok(None);
        };
        let told = match perform(talk, steps, self.given()) {
            Ok(performed) => performed.found.get("range").and_then(|text| {
                value::number(text, &self.profile.marks, self.profile.decimal_comma)
            }),
            Err(NotPerformed::Misfit { .. })
            | Err(NotPerformed::Driver(DriverError::Silent { .. })) => None,
            Err(NotPerformed::Driver(error)) => return Err(error),
        };
        match told {
            Some(Number::Value(range)) => Ok(Some(range)),
            _ => {
                flags.push("range not told".to_owned());
                Ok(None)
            }
        }
    }

    /// One reading, from its answer on.
    fn judged(
        &mut self,
        talk: &mut Talk<'_>,
        found: &Found,
        answer: Answer,
        set_up_again: bool,
    ) -> Result<Reading, DriverError> {
        let unasked = if self.is_heard() { 0 } else { talk.unasked()? };
        if let Some(why) = self.not_of_this_reading(&answer, unasked) {
            // What else it says may belong to an earlier question.
            talk.distrust();
            self.suspect = true;
            return Ok(self.answered(Outcome::Rejected(why), answer));
        }
        let mut flags = Vec::new();
        if set_up_again {
            flags.push(SET_UP_AGAIN.to_owned());
        }
        let range = self.range(talk, &mut flags)?;
        let (low, high) = self.card.plausible;
        let outcome = value::illuminance(&self.profile, found, range, (low.0, high.0));
        self.suspect = matches!(outcome, Outcome::Rejected(_));
        let mut reading = self.answered(outcome, answer);
        reading.range = range;
        reading.flags.extend(flags);
        Ok(reading)
    }
}

impl Photometer for ProfiledMeter {
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError> {
        talk.follow(self.profile.manner.clone());
        let settled = talk.now().mono + self.profile.settle_after_open;
        talk.pause(settled)?;
        if !self.is_heard() {
            // What was asked by an earlier owner of the port may still come.
            line::resynchronise(talk)?;
        }
        perform(talk, &self.profile.on_open, self.given())?;
        let identity = identity::who(talk, &self.profile, &mut self.identity)?;
        self.closed = false;
        self.set_up(talk)?;
        Ok(identity)
    }

    fn read_illuminance(&mut self, talk: &mut Talk<'_>) -> Result<Reading, DriverError> {
        // A silent resync is an error, a silent reading is an outcome.
        let resync = if talk.state().is_dirty() {
            Some(line::resynchronise(talk)?)
        } else {
            None
        };
        let spoke = !self.is_heard() && talk.unasked()? > 0;
        let set_up_again = spoke || resync.is_some() || self.suspect;
        if set_up_again {
            self.suspect = true;
            self.set_up(talk)?;
        }
        let asked = talk.now();
        let profile = Arc::clone(&self.profile);
        let steps = profile
            .steps(ProfileVerb::ReadIlluminance)
            .unwrap_or_default();
        match perform(talk, steps, self.given()) {
            Ok(performed) => {
                let answer = performed.last.map(|answer| Answer {
                    resync: resync.or(answer.resync.clone()),
                    ..answer
                });
                match answer {
                    Some(answer) => self.judged(talk, &performed.found, answer, set_up_again),
                    // Reading a profile refuses a reading without an answer.
                    None => Ok(self.reading(Outcome::TimedOut, asked, talk.now())),
                }
            }
            Err(NotPerformed::Misfit { answer, .. }) => {
                talk.distrust();
                self.suspect = true;
                let why = format!(
                    "`{}` is no answer that its profile knows",
                    line::shown(&answer.text)
                );
                Ok(self.answered(Outcome::Rejected(why), Answer { resync, ..*answer }))
            }
            Err(NotPerformed::Driver(DriverError::Silent { .. })) => {
                let mut reading = self.reading(Outcome::TimedOut, asked, talk.now());
                if resync.is_some() {
                    reading.flags.push("asked after a resync".to_owned());
                }
                Ok(reading)
            }
            Err(NotPerformed::Driver(error)) => Err(error),
        }
    }

    fn shutter(&mut self, talk: &mut Talk<'_>, closed: bool) -> Result<(), DriverError> {
        let verb = match closed {
            true => ProfileVerb::CloseShutter,
            false => ProfileVerb::OpenShutter,
        };
        let steps = self.profile.steps(verb).filter(|_| self.card.has_shutter);
        let Some(steps) = steps else {
            return Err(DriverError::Unsendable(format!(
                "{} has no shutter of its own",
                self.card.name
            )));
        };
        self.closed = closed;
        perform(talk, steps, self.given())?;
        Ok(())
    }
}
