//! An illuminance meter that speaks SCPI: `READ?` per reading, settings read
//! back, the range asked afterwards.
//!
//! A meter may start anew by itself, with or without a word, and then reads on
//! with settings that nobody chose. So its settings are set again before the
//! next reading whenever it answered too late, too soon for its integration,
//! no number, or spoke unasked.
//!
//! Opened by the bench. Not here: resync and limits (`exchange::line`).

use photometry::measured::{Moment, Outcome, Quantity, Reading};
use photometry::units::{Lux, Span};

use super::photometer::Photometer;
use crate::error::DriverError;
use crate::exchange::line::{self, Answer};
use crate::exchange::scpi::{self, Identity, Number};
use crate::exchange::talk::Talk;

/// Questions that are answered at once.
const ANSWER_WITHIN: Span = Span::from_secs(2);
/// A reading may take so much longer than its integration: filters, autorange.
const READ_MARGIN: Span = Span::from_secs(2);
/// No answer to `READ?` comes in a smaller share of the integration time: the
/// setting's tolerance, and a meter's clock.
const SOONEST: f64 = 0.97;
/// Flag of a reading before which the meter was set up again.
pub const SET_UP_AGAIN: &str = "set up again";
/// A setting reads back equal when it differs by less (devices round).
const READ_BACK_TOLERANCE: f64 = 0.01;

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

/// A SCPI illuminance meter.
#[derive(Debug)]
pub struct ScpiPhotometer {
    card: PhotometerCard,
    identity: Option<Identity>,
    /// Its shutter as it was last told.
    closed: bool,
    /// Nobody knows whether it still has its settings.
    suspect: bool,
}

impl ScpiPhotometer {
    /// A driver for this meter; nothing is sent.
    pub fn new(card: PhotometerCard) -> ScpiPhotometer {
        ScpiPhotometer {
            card,
            identity: None,
            closed: false,
            suspect: false,
        }
    }

    fn integration(&self) -> Span {
        self.card.aperture.times(i64::from(self.card.averages))
    }

    /// Integration and shutter as they were chosen.
    fn set_up(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        set_number(talk, "SENS:APER", self.card.aperture.secs())?;
        set_number(talk, "SENS:AVER:COUN", f64::from(self.card.averages))?;
        if self.card.has_shutter {
            self.shutter(talk, self.closed)?;
        }
        self.suspect = false;
        Ok(())
    }

    /// Why an answer is not that of this reading, if it is not.
    fn not_of_this_reading(&self, answer: &Answer, unasked_bytes: u64) -> Option<String> {
        let took = answer.taken.mono.since(answer.asked.mono);
        let integrates = self.integration();
        if unasked_bytes > 0 {
            return Some("it gave more than one answer".to_owned());
        }
        (took.secs() < integrates.secs() * SOONEST).then(|| {
            format!(
                "it answered in {}, sooner than it integrates ({})",
                took.shown(),
                integrates.shown()
            )
        })
    }

    fn outcome(&self, text: &str, range: Option<f64>) -> Outcome {
        let (low, high) = self.card.plausible;
        match scpi::number(text) {
            None => Outcome::Rejected(format!("`{}` is not a number", line::shown(text))),
            Some(Number::Invalid) => Outcome::Rejected("the meter has no number".to_owned()),
            Some(Number::Over) => Outcome::Over(range.unwrap_or(high.0)),
            Some(Number::Under) => Outcome::Under(low.0),
            Some(Number::Value(value)) if value < low.0 || value > high.0 => {
                Outcome::Rejected(format!("{value} lx is outside {low} to {high}"))
            }
            Some(Number::Value(value)) => Outcome::Value(value),
        }
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

    /// The range of the reading before; a meter that does not tell is flagged,
    /// the reading stands.
    fn range(
        &self,
        talk: &mut Talk<'_>,
        flags: &mut Vec<String>,
    ) -> Result<Option<f64>, DriverError> {
        match line::ask(talk, "SENS:RANG?", ANSWER_WITHIN) {
            Ok(answer) => match scpi::number(&answer.text) {
                Some(Number::Value(range)) => Ok(Some(range)),
                _ => {
                    flags.push("range not told".to_owned());
                    Ok(None)
                }
            },
            Err(DriverError::Silent { .. }) => {
                flags.push("range not told".to_owned());
                Ok(None)
            }
            Err(error) => Err(error),
        }
    }
}

/// Sets a number and makes sure that it reads back within 1 %.
fn set_number(talk: &mut Talk<'_>, header: &str, value: f64) -> Result<(), DriverError> {
    line::set(talk, &format!("{header} {value}"))?;
    let question = format!("{header}?");
    let answer = line::ask(talk, &question, ANSWER_WITHIN)?;
    match scpi::number(&answer.text) {
        Some(Number::Value(got)) if (got / value - 1.0).abs() <= READ_BACK_TOLERANCE => Ok(()),
        Some(_) => Err(DriverError::NotTaken {
            setting: header.to_owned(),
            wanted: value.to_string(),
            got: line::shown(&answer.text),
        }),
        None => Err(answer.garbled(&question, "a number")),
    }
}

/// Asks a SCPI device who it is and compares it with who it was.
pub(super) fn identify(
    talk: &mut Talk<'_>,
    before: &mut Option<Identity>,
) -> Result<Identity, DriverError> {
    const QUESTION: &str = "*IDN?";
    let answer: Answer = line::ask(talk, QUESTION, ANSWER_WITHIN)?;
    let Some(identity) = scpi::identity(&answer.text) else {
        return Err(answer.garbled(QUESTION, "maker, model, serial number and firmware"));
    };
    same_as_before(identity, before)
}

/// Refuses another device under the same name.
pub(super) fn same_as_before(
    identity: Identity,
    before: &mut Option<Identity>,
) -> Result<Identity, DriverError> {
    match before {
        Some(was) if was.raw != identity.raw => Err(DriverError::IdentityChanged {
            was: was.raw.clone(),
            is: identity.raw,
        }),
        _ => Ok(before.insert(identity).clone()),
    }
}

impl Photometer for ScpiPhotometer {
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError> {
        // What was asked by an earlier owner of the port may still come.
        line::resynchronise(talk)?;
        line::tell(talk, "*CLS")?;
        let identity = identify(talk, &mut self.identity)?;
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
        let set_up_again = talk.unasked()? > 0 || resync.is_some() || self.suspect;
        if set_up_again {
            self.suspect = true;
            self.set_up(talk)?;
        }
        let asked = talk.now();
        let answer = match line::ask(talk, "READ?", self.integration() + READ_MARGIN) {
            Ok(answer) => Answer { resync, ..answer },
            Err(DriverError::Silent { .. }) => {
                let mut reading = self.reading(Outcome::TimedOut, asked, talk.now());
                if resync.is_some() {
                    reading.flags.push("asked after a resync".to_owned());
                }
                return Ok(reading);
            }
            Err(error) => return Err(error),
        };
        if let Some(why) = self.not_of_this_reading(&answer, talk.unasked()?) {
            // What else it says may belong to an earlier question.
            talk.distrust();
            self.suspect = true;
            return Ok(Reading {
                flags: answer.flags(),
                raw: answer.raw,
                ..self.reading(Outcome::Rejected(why), answer.asked, answer.taken)
            });
        }
        let mut flags = answer.flags();
        if set_up_again {
            flags.push(SET_UP_AGAIN.to_owned());
        }
        let range = self.range(talk, &mut flags)?;
        let outcome = self.outcome(&answer.text, range);
        self.suspect = matches!(outcome, Outcome::Rejected(_));
        Ok(Reading {
            range,
            flags,
            raw: answer.raw,
            ..self.reading(outcome, answer.asked, answer.taken)
        })
    }

    fn shutter(&mut self, talk: &mut Talk<'_>, closed: bool) -> Result<(), DriverError> {
        if !self.card.has_shutter {
            return Err(DriverError::Unsendable(format!(
                "{} has no shutter of its own",
                self.card.name
            )));
        }
        self.closed = closed;
        let word = if closed { "CLOS" } else { "OPEN" };
        line::set(talk, &format!("INP:SHUT {word}"))?;
        let answer = line::ask(talk, "INP:SHUT?", ANSWER_WITHIN)?;
        if answer.text.trim().to_ascii_uppercase().starts_with(word) {
            return Ok(());
        }
        Err(DriverError::NotTaken {
            setting: "INP:SHUT".to_owned(),
            wanted: word.to_owned(),
            got: line::shown(&answer.text),
        })
    }
}
