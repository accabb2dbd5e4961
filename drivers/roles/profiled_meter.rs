//! A meter that is spoken to as its profile says: of illuminance, of power, of
//! temperature. Its spectra and waveforms are `profiled_captures`; where it has no
//! other illuminance than that of a spectrum, `weighed`.
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
use super::photometer::{Photometer, Thermometer, Wattmeter};
use super::profiled_captures::{as_sent, value_of};
use crate::error::DriverError;
use crate::exchange::line::{self, Answer};
use crate::exchange::modbus::station::Station;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;
use crate::profile::many::Many;
use crate::profile::pattern::Found;
use crate::profile::perform::{self, Given, NotPerformed, perform};
use crate::profile::types::{Profile, ProfileVerb, Step};
use crate::profile::value;

/// No answer to a reading comes in a smaller share of the integration time: the
/// setting's tolerance, and a meter's clock.
const SOONEST: f64 = 0.97;
/// Flag of a reading before which the meter was set up again.
pub const SET_UP_AGAIN: &str = "set up again";
/// Flag of what was not answered in time, after a resync.
pub(super) const ASKED_AFTER_RESYNC: &str = "asked after a resync";

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

/// Electric power outside is no lamp's, in watt.
const PLAUSIBLE_W: (f64, f64) = (-1.0, 10_000.0);
/// Air outside is no room's, in degrees Celsius.
const PLAUSIBLE_C: (f64, f64) = (-40.0, 100.0);

/// What one asking reads.
#[derive(Clone, Copy)]
struct Wanted {
    quantity: Quantity,
    verb: ProfileVerb,
}

/// A meter behind a profile.
#[derive(Debug)]
pub struct ProfiledMeter {
    pub(super) card: PhotometerCard,
    pub(super) profile: Arc<Profile>,
    /// Who is spoken to, where it is by registers.
    pub(super) station: Option<Station>,
    identity: Option<Identity>,
    /// The serial number that its identity must show, if it shows one.
    demanded: Option<String>,
    /// Its shutter as it was last told.
    closed: bool,
    /// Nobody knows whether it still has its settings.
    pub(super) suspect: bool,
    /// The wavelengths of its spectra, as it told them when it was opened.
    pub(super) wavelengths: Option<Many>,
    /// How long a spectrum integrates that is weighed for its illuminance.
    pub(super) weighs_by: Span,
}

impl ProfiledMeter {
    /// A driver for this meter; nothing is sent. `station` is who is spoken to,
    /// where the profile speaks by registers ([`Profile::station`]).
    pub fn new(
        card: PhotometerCard,
        profile: Arc<Profile>,
        station: Option<Station>,
    ) -> ProfiledMeter {
        ProfiledMeter {
            weighs_by: card.aperture,
            card,
            profile,
            station,
            identity: None,
            demanded: None,
            closed: false,
            suspect: false,
            wavelengths: None,
        }
    }

    /// The same driver, for a meter with this serial number alone: a certificate
    /// is one meter's.
    #[must_use]
    pub fn demanding(self, demanded: Option<String>) -> ProfiledMeter {
        ProfiledMeter { demanded, ..self }
    }

    pub(super) fn integration(&self) -> Span {
        self.card.aperture.times(i64::from(self.card.averages))
    }

    pub(super) fn given(&self) -> Given<'_> {
        Given {
            integration: self.integration(),
            ..Given::of(&self.profile, self.station.as_ref())
        }
    }

    /// What comes unasked is a sign, unless it is what the meter is for; and a
    /// link of frames looks after itself.
    pub(super) fn unasked(&self, talk: &mut Talk<'_>) -> Result<bool, DriverError> {
        if self.is_heard() || self.station.is_some() {
            return Ok(false);
        }
        Ok(talk.unasked()? > 0)
    }

    /// A meter that speaks by itself and is never asked for its readings.
    pub(super) fn is_heard(&self) -> bool {
        let mut steps = self.profile.verbs.values().flatten();
        steps.any(|step| matches!(step, Step::Hear { .. }))
    }

    /// A meter whose answer takes its integration begins to measure when it is
    /// asked.
    fn measures_when_asked(&self, verb: ProfileVerb) -> bool {
        let steps = self.profile.steps(verb);
        let mut steps = steps.unwrap_or_default().iter();
        steps.any(|step| match step {
            Step::Ask { within, .. } => within.integration,
            Step::Block(block) => block.within.integration,
            Step::Frame(frame) => frame.within.integration,
            Step::Many(many) => many.within.integration,
            _ => false,
        })
    }

    /// Whether there is anything that a restart could have changed.
    pub(super) fn can_be_set_up(&self) -> bool {
        !self.profile.settings.is_empty() || self.card.has_shutter
    }

    /// Integration and shutter as they were chosen, the rest as the profile says.
    pub(super) fn set_up(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        for setting in &self.profile.settings {
            let text = match (setting.name.as_str(), &setting.value) {
                (_, Some(value)) => value.clone(),
                ("integration", None) => as_sent(setting, self.card.aperture),
                ("averages", None) => self.card.averages.to_string(),
                // Reading a profile refuses a setting without a value.
                (_, None) => continue,
            };
            perform::set(talk, setting, &text, self.given())?;
        }
        if self.card.has_shutter {
            self.shutter(talk, self.closed)?;
        }
        self.suspect = false;
        Ok(())
    }

    /// Why an answer is not that of this reading, if it is not.
    pub(super) fn not_of_this_reading(
        &self,
        verb: ProfileVerb,
        integrates: Span,
        answer: &Answer,
        unasked: bool,
    ) -> Option<String> {
        if self.is_heard() {
            return None;
        }
        let took = answer.taken.mono.since(answer.asked.mono);
        if unasked {
            return Some("it gave more than one answer".to_owned());
        }
        let too_soon = took.secs() < integrates.secs() * SOONEST;
        (self.measures_when_asked(verb) && too_soon).then(|| {
            format!(
                "it answered in {}, sooner than it integrates ({})",
                took.shown(),
                integrates.shown()
            )
        })
    }

    fn reading(&self, wanted: Wanted, outcome: Outcome, asked: Moment, taken: Moment) -> Reading {
        Reading {
            meter: self.card.name.clone(),
            quantity: wanted.quantity,
            outcome,
            range: None,
            flags: Vec::new(),
            raw: Vec::new(),
            asked,
            taken,
        }
    }

    /// A reading that rests on an answer.
    fn answered(
        &self,
        wanted: Wanted,
        outcome: Outcome,
        answer: Answer,
        flags: Vec<String>,
    ) -> Reading {
        Reading {
            flags,
            raw: answer.raw,
            ..self.reading(wanted, outcome, answer.asked, answer.taken)
        }
    }

    /// What an answer says of what is wanted.
    fn outcome(&self, wanted: Wanted, found: &Found, range: Option<f64>) -> Outcome {
        let plain = |field, between| value::plain(&self.profile, found, field, between);
        match wanted.quantity {
            Quantity::Power => plain("power", PLAUSIBLE_W),
            Quantity::Temperature => plain("temperature", PLAUSIBLE_C),
            _ => {
                let (low, high) = self.card.plausible;
                value::illuminance(&self.profile, found, range, (low.0, high.0))
            }
        }
    }

    /// The range of the reading before; a meter that does not tell is flagged,
    /// the reading stands.
    fn range(
        &self,
        talk: &mut Talk<'_>,
        flags: &mut Vec<String>,
    ) -> Result<Option<f64>, DriverError> {
        let told = self.number(talk, ProfileVerb::ReadRange, "range", flags)?;
        Ok(value_of(told))
    }

    /// One reading, from its answer on.
    fn judged(
        &mut self,
        talk: &mut Talk<'_>,
        wanted: Wanted,
        found: &Found,
        answer: Answer,
        mut flags: Vec<String>,
    ) -> Result<Reading, DriverError> {
        let unasked = self.unasked(talk)?;
        let integrates = self.integration();
        let why = self.not_of_this_reading(wanted.verb, integrates, &answer, unasked);
        if let Some(why) = why {
            // What else it says may belong to an earlier question.
            talk.distrust();
            self.suspect = true;
            flags.retain(|flag| flag != SET_UP_AGAIN);
            return Ok(self.answered(wanted, Outcome::Rejected(why), answer, flags));
        }
        let range = match wanted.quantity {
            Quantity::Illuminance => self.range(talk, &mut flags)?,
            _ => None,
        };
        let outcome = self.outcome(wanted, found, range);
        self.suspect = matches!(outcome, Outcome::Rejected(_));
        let mut reading = self.answered(wanted, outcome, answer, flags);
        reading.range = range;
        Ok(reading)
    }
}

impl Photometer for ProfiledMeter {
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError> {
        identity::begin(talk, &self.profile, self.given())?;
        if !self.is_heard() {
            // What was asked by an earlier owner of the port may still come.
            identity::resynchronise(talk, &self.profile, self.station.as_ref())?;
        }
        let known = self.identity.as_ref();
        let identity = identity::ready(talk, &self.profile, self.given(), known)?;
        let identity = identity::as_demanded(identity, self.demanded.as_deref())?;
        self.identity = Some(identity.clone());
        self.closed = false;
        self.set_up(talk)?;
        self.learn_wavelengths(talk)?;
        Ok(identity)
    }

    fn read_illuminance(&mut self, talk: &mut Talk<'_>) -> Result<Reading, DriverError> {
        if self.profile.weighs_spectra() {
            return self.read_weighed(talk);
        }
        let (quantity, verb) = (Quantity::Illuminance, ProfileVerb::ReadIlluminance);
        self.read(talk, Wanted { quantity, verb })
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

impl Wattmeter for ProfiledMeter {
    fn read_power(&mut self, talk: &mut Talk<'_>) -> Result<Reading, DriverError> {
        let (quantity, verb) = (Quantity::Power, ProfileVerb::ReadPower);
        self.read(talk, Wanted { quantity, verb })
    }
}

impl Thermometer for ProfiledMeter {
    fn read_temperature(&mut self, talk: &mut Talk<'_>) -> Result<Reading, DriverError> {
        let (quantity, verb) = (Quantity::Temperature, ProfileVerb::ReadTemperature);
        self.read(talk, Wanted { quantity, verb })
    }
}

impl ProfiledMeter {
    /// Before a question: what is left of earlier ones is thrown away, and a meter
    /// that may have started anew is set up again. What must be on record of that.
    pub(super) fn made_ready(&mut self, talk: &mut Talk<'_>) -> Result<Vec<String>, DriverError> {
        // A silent resync is an error, a silent reading is an outcome.
        let mut resync = identity::in_step(talk, self.station.as_ref())?;
        let spoke = self.unasked(talk)?;
        let doubtful = spoke || !resync.is_empty() || self.suspect;
        if doubtful {
            self.suspect = true;
            self.set_up(talk)?;
        }
        if doubtful && self.can_be_set_up() {
            resync.push(SET_UP_AGAIN.to_owned());
        }
        Ok(resync)
    }

    fn read(&mut self, talk: &mut Talk<'_>, wanted: Wanted) -> Result<Reading, DriverError> {
        let profile = Arc::clone(&self.profile);
        let Some(steps) = profile.steps(wanted.verb) else {
            return Err(DriverError::Unsendable(format!(
                "{} does not yield {}",
                self.card.name,
                wanted.quantity.name()
            )));
        };
        let before = self.made_ready(talk)?;
        let asked = talk.now();
        match perform(talk, steps, self.given()) {
            Ok(performed) => {
                let flags = with_set_up_last(before, performed.flags);
                match performed.last {
                    Some(answer) => self.judged(talk, wanted, &performed.found, answer, flags),
                    // Reading a profile refuses a reading without an answer.
                    None => Ok(self.reading(wanted, Outcome::TimedOut, asked, talk.now())),
                }
            }
            Err(NotPerformed::Misfit { answer, why, .. }) => {
                if !self.is_heard() {
                    talk.distrust();
                }
                self.suspect = true;
                let why = why.map_or_else(
                    || {
                        let answer = line::shown(&answer.text);
                        format!("`{answer}` is no answer that its profile knows")
                    },
                    |why| why.to_string(),
                );
                let mut flags = resync_flags(before);
                flags.extend(answer.flags());
                Ok(self.answered(wanted, Outcome::Rejected(why), *answer, flags))
            }
            Err(NotPerformed::Driver(DriverError::Silent { .. })) => {
                self.suspect |= self.station.is_some();
                let mut reading = self.reading(wanted, Outcome::TimedOut, asked, talk.now());
                if !resync_flags(before).is_empty() {
                    reading.flags.push(ASKED_AFTER_RESYNC.to_owned());
                }
                Ok(reading)
            }
            // Bytes that are no frame are no reading, and the link knows.
            Err(NotPerformed::Driver(error @ DriverError::Garbled { .. })) => {
                self.suspect = true;
                let outcome = Outcome::Rejected(error.to_string());
                Ok(self.reading(wanted, outcome, asked, talk.now()))
            }
            Err(NotPerformed::Driver(error)) => Err(error),
        }
    }
}

/// What was on record of a resync alone.
pub(super) fn resync_flags(before: Vec<String>) -> Vec<String> {
    let others = before.into_iter().filter(|flag| flag != SET_UP_AGAIN);
    others.collect()
}

/// The flags of an answer behind those of the resync before it, and last that the
/// meter was set up again.
pub(super) fn with_set_up_last(before: Vec<String>, flags: Vec<String>) -> Vec<String> {
    let set_up = before.iter().any(|flag| flag == SET_UP_AGAIN);
    let mut all = resync_flags(before);
    all.extend(flags);
    all.extend(set_up.then(|| SET_UP_AGAIN.to_owned()));
    all
}
