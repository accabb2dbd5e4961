//! Carries out the steps of a verb over a conversation.
//!
//! ```text
//!  steps, what they are given ──► line::ask, set, tell ──► fields found
//!                                                           the last answer, as it came
//! ```
//!
//! Called by the roles that follow a profile. Not here: what the fields mean
//! (`value`), and what follows from an error (the roles).

use photometry::units::Span;

use super::codec::{self, Codec};
use super::many::{self, Many};
use super::pattern::{Found, Pattern};
use super::template::Template;
use super::types::{Marks, Profile, Setting, SettingUnit, Step, Within};
use super::{blocks, registers, samples, value};
use crate::error::DriverError;
use crate::exchange::ack;
use crate::exchange::block::BlockError;
use crate::exchange::frame::FrameError;
use crate::exchange::line::{self, Answer};
use crate::exchange::modbus::station::Station;
use crate::exchange::program;
use crate::exchange::scpi::{self, Identity, Number};
use crate::exchange::talk::Talk;

/// Lines that a device may say by itself before the one that is wanted.
const LINES_HEARD_AT_MOST: u32 = 100_000;

/// What the steps are given.
#[derive(Clone, Copy, Debug)]
pub struct Given<'a> {
    /// Values for the places in their templates.
    pub values: &'a [(&'a str, &'a str)],
    /// How long the device integrates for one reading, averages included.
    pub integration: Span,
    /// The time within which the device answers, where a step has none of its own.
    pub answer_within: Span,
    /// Who is spoken to, where it is by registers.
    pub station: Option<&'a Station>,
    /// What its bytes go through, where they go through a codec.
    pub codec: Option<&'a dyn Codec>,
}

impl<'a> Given<'a> {
    /// Nothing to fill in, nothing that integrates.
    pub fn of(profile: &'a Profile, station: Option<&'a Station>) -> Given<'a> {
        Given {
            values: &[],
            integration: Span::ZERO,
            answer_within: profile.answer_within(),
            station,
            codec: profile.codec.as_ref().map(|used| used.0.as_ref()),
        }
    }
}

/// What came of the steps.
#[derive(Clone, Debug, Default)]
pub struct Performed {
    /// All fields of all answers; a later one replaces an earlier one.
    pub found: Found,
    /// The last answer, as it came.
    pub last: Option<Answer>,
    /// The last answer of many numbers.
    pub many: Option<Many>,
    /// What must be on record about the answers: that they came after a resync,
    /// and the like.
    pub flags: Vec<String>,
}

/// Why the steps were not carried out.
#[derive(Debug)]
pub enum NotPerformed {
    /// The device or its link.
    Driver(DriverError),
    /// An answer that is not what the profile says.
    Misfit {
        /// What was asked.
        question: String,
        /// What came.
        answer: Box<Answer>,
        /// Why it is no such answer, where that is known.
        why: Option<Misfit>,
    },
}

/// Why bytes are no answer that a profile knows.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Misfit {
    /// No such block.
    #[error(transparent)]
    Block(#[from] BlockError),
    /// No such frame.
    #[error(transparent)]
    Frame(#[from] FrameError),
}

/// The first bytes of an answer, fit for a message.
fn bytes(raw: &[u8]) -> String {
    const SHOWN_AT_MOST: usize = 12;
    let first = raw.iter().take(SHOWN_AT_MOST);
    let first: Vec<String> = first.map(|byte| format!("{byte:02X}")).collect();
    let more = if raw.len() > SHOWN_AT_MOST {
        " ..."
    } else {
        ""
    };
    first.join(" ") + more
}

impl From<DriverError> for NotPerformed {
    fn from(error: DriverError) -> NotPerformed {
        NotPerformed::Driver(error)
    }
}

impl From<NotPerformed> for DriverError {
    fn from(not: NotPerformed) -> DriverError {
        match not {
            NotPerformed::Driver(error) => error,
            NotPerformed::Misfit {
                question,
                answer,
                why,
            } => {
                match why {
                    None => answer.garbled(&question, "an answer as its profile says"),
                    Some(Misfit::Block(why)) => answer.garbled(&question, why.wanted()),
                    // Its bytes say little; what the codec says of them, more.
                    Some(Misfit::Frame(why)) => DriverError::Garbled {
                        question,
                        answer: format!("{} ({why})", bytes(&answer.raw))
                            .trim_start()
                            .to_owned(),
                        wanted: "an answer that its codec knows",
                    },
                }
            }
        }
    }
}

/// Carries out all steps in their order.
///
/// # Errors
/// The first step that fails ends it: [`DriverError::Silent`],
/// [`DriverError::Refused`], [`DriverError::NotTaken`] where an answer says
/// something else than `is`, [`NotPerformed::Misfit`], or when the link fails or
/// the caller withdrew.
pub fn perform(
    talk: &mut Talk<'_>,
    steps: &[Step],
    given: Given<'_>,
) -> Result<Performed, NotPerformed> {
    let mut performed = Performed::default();
    for step in steps {
        match step {
            Step::Tell(line) => tell(talk, &line.fill(given.values))?,
            Step::Set(line) => set_line(talk, &line.fill(given.values), given.answer_within)?,
            Step::Pause(within) => {
                let until = talk.now().mono + within.of(given);
                talk.pause(until)?;
            }
            Step::Ask {
                line,
                answer,
                within,
                is,
            } => {
                let question = line.fill(given.values);
                let came = asked(talk, &question, answer, within.of(given))?;
                performed.take(&question, answer, came)?;
                says(&question, differs(&performed.found, is, given))?;
            }
            Step::Block(step) => {
                performed.add(blocks::fetch(talk, step, given)?);
            }
            Step::Many(step) => {
                performed.add_many(many::fetch(talk, step, given)?);
            }
            Step::Send(word) => codec::send(talk, word, given)?,
            Step::Frame(step) => {
                performed.add(codec::fetch(talk, step, given)?);
                says(&step.word, differs(&performed.found, &step.is, given))?;
            }
            Step::Until {
                line,
                answer,
                is,
                every,
                within,
            } => {
                let question = line.fill(given.values);
                let times = (*every, within.of(given));
                until(talk, &question, answer, is, times, given, &mut performed)?;
            }
            Step::Run {
                arguments,
                answer,
                within,
            } => run(talk, arguments, answer, *within, given, &mut performed)?,
            Step::Read {
                source,
                gives,
                within,
                is,
            } => {
                let got = registers::fetch(talk, source, within.of(given), given)?;
                let (text, answer, flags) = got;
                performed.found.set(gives, text);
                performed.keep(answer, flags);
                let is: Vec<_> = is.iter().map(|is| (gives.clone(), is.clone())).collect();
                says(gives, differs(&performed.found, &is, given))?;
            }
            Step::Write { target, within } => {
                registers::put(talk, target, within.of(given), given)?;
            }
            Step::Hear { answer, within } => hear(talk, answer, *within, given, &mut performed)?,
        }
    }
    Ok(performed)
}

/// Sends a line without an answer; where each line is acknowledged, one whose word
/// is not waited for.
fn tell(talk: &mut Talk<'_>, line: &str) -> Result<(), DriverError> {
    let acks = talk.manner().acks.as_ref();
    if acks.is_some_and(|acks| acks.is_byte(line)) {
        talk.send(line.as_bytes())?;
        return Ok(());
    }
    let acknowledged = acks.is_some();
    line::tell(talk, line)?;
    if acknowledged {
        // Its word is still to come.
        talk.distrust();
    }
    Ok(())
}

/// Sends a line that the device must take.
fn set_line(talk: &mut Talk<'_>, line: &str, within: Span) -> Result<(), DriverError> {
    match talk.manner().acks {
        Some(_) => ack::send(talk, line, within).map(|_| ()),
        None => line::set(talk, line),
    }
}

/// Asks for one line. Where each line is acknowledged, its answer stands before the
/// acknowledgement: the line that looks like it, or the last one.
fn asked(
    talk: &mut Talk<'_>,
    question: &str,
    form: &Pattern,
    within: Span,
) -> Result<Answer, DriverError> {
    let Some(acks) = talk.manner().acks.clone() else {
        return line::ask(talk, question, within);
    };
    let (text, raw, asked, taken) = if acks.is_byte(question) {
        let (line, asked) = ack::status(talk, question, form, within)?;
        (line.text().trim().to_owned(), line.raw, asked, line.taken)
    } else {
        let accepted = ack::send(talk, question, within)?;
        let fitting = accepted.aside.iter().find(|line| form.fits(line));
        let text = fitting.or(accepted.aside.last()).cloned();
        let text = text.unwrap_or_default();
        let raw = text.clone().into_bytes();
        (text, raw, accepted.asked, accepted.taken)
    };
    Ok(Answer {
        text,
        raw,
        asked,
        taken,
        resync: None,
    })
}

impl Performed {
    fn take(&mut self, question: &str, form: &Pattern, came: Answer) -> Result<(), NotPerformed> {
        let Some(found) = form.find(&came.text) else {
            return Err(NotPerformed::Misfit {
                question: question.to_owned(),
                answer: Box::new(came),
                why: None,
            });
        };
        self.found.extend(found);
        let flags = came.flags();
        self.keep(came, flags);
        Ok(())
    }

    /// Takes over an answer and its fields.
    fn add(&mut self, (found, answer): (Found, Answer)) {
        self.found.extend(found);
        let flags = answer.flags();
        self.keep(answer, flags);
    }

    /// Takes over an answer of many numbers.
    fn add_many(&mut self, came: Many) {
        let flags = came.answer.flags();
        self.keep(came.answer.clone(), flags);
        self.many = Some(came);
    }

    /// What was on record about an earlier answer of the same verb stays so.
    fn keep(&mut self, answer: Answer, flags: Vec<String>) {
        for flag in flags {
            if !self.flags.contains(&flag) {
                self.flags.push(flag);
            }
        }
        self.last = Some(answer);
    }
}

fn run(
    talk: &mut Talk<'_>,
    arguments: &[Template],
    form: &Pattern,
    within: Within,
    given: Given<'_>,
    performed: &mut Performed,
) -> Result<(), NotPerformed> {
    let filled = arguments.iter().map(|one| one.fill(given.values));
    let filled: Vec<String> = filled.collect();
    let came = program::run(talk, &filled, within.of(given))?;
    performed.take(&filled.join(" "), form, came)
}

/// Refuses an answer that says something else than it must.
fn says(setting: &str, differs: Option<(String, String)>) -> Result<(), DriverError> {
    differs.map_or(Ok(()), |(wanted, got)| {
        Err(DriverError::NotTaken {
            setting: setting.to_owned(),
            wanted,
            got,
        })
    })
}

/// The first field that does not say what it must: wanted, and said.
fn differs(found: &Found, is: &[(String, Template)], given: Given<'_>) -> Option<(String, String)> {
    is.iter().find_map(|(field, wanted)| {
        let wanted = wanted.fill(given.values);
        let got = found.get(field).unwrap_or_default();
        (!alike(&wanted, got, 0.0)).then(|| (wanted, line::shown(got)))
    })
}

/// Whether a device says what it was told: numbers as numbers, within a share;
/// words whatever their case.
pub fn alike(wanted: &str, got: &str, share: f64) -> bool {
    if wanted.trim().eq_ignore_ascii_case(got.trim()) {
        return true;
    }
    match (scpi::number(wanted), scpi::number(got)) {
        (Some(Number::Value(wanted)), Some(Number::Value(got))) => {
            (got - wanted).abs() <= share * wanted.abs()
        }
        _ => false,
    }
}

fn until(
    talk: &mut Talk<'_>,
    question: &str,
    form: &Pattern,
    is: &[(String, Template)],
    (every, within): (Span, Span),
    given: Given<'_>,
    performed: &mut Performed,
) -> Result<(), NotPerformed> {
    let end = talk.now().mono + within;
    loop {
        let left = end.since(talk.now().mono).max(every);
        let came = asked(talk, question, form, left)?;
        performed.take(question, form, came)?;
        let Some((wanted, got)) = differs(&performed.found, is, given) else {
            return Ok(());
        };
        let next = talk.now().mono + every;
        if next > end {
            return Err(DriverError::NotTaken {
                setting: question.to_owned(),
                wanted,
                got,
            }
            .into());
        }
        talk.pause(next)?;
    }
}

/// The first line that began after a whole integration after now. What was
/// under way, in the device or on the wire, belongs to another time.
fn hear(
    talk: &mut Talk<'_>,
    form: &Pattern,
    within: Within,
    given: Given<'_>,
    performed: &mut Performed,
) -> Result<(), NotPerformed> {
    const QUESTION: &str = "a line that comes by itself";
    talk.drain()?;
    let asked = talk.now();
    let from = asked.mono + given.integration;
    let end = asked.mono + within.of(given);
    // The rest of a line whose beginning was thrown away looks like a line.
    let mut first = true;
    for _ in 0..LINES_HEARD_AT_MOST {
        let Some(line) = talk.next_line(end)? else {
            break;
        };
        let text = line.text();
        if std::mem::take(&mut first) || line.taken.mono < from || text.trim().is_empty() {
            talk.drop_line(&line);
            continue;
        }
        let came = Answer {
            text,
            raw: line.raw,
            asked,
            taken: line.taken,
            resync: None,
        };
        return performed.take(QUESTION, form, came);
    }
    Err(DriverError::Silent {
        question: QUESTION.to_owned(),
        within: within.of(given),
    }
    .into())
}

/// Asks a device who it is.
///
/// # Errors
/// As [`perform`].
pub fn identify(
    talk: &mut Talk<'_>,
    steps: &[Step],
    given: Given<'_>,
) -> Result<Identity, DriverError> {
    let performed = perform(talk, steps, given)?;
    let by_line = matches!(steps, [Step::Ask { .. }]);
    let line = performed.last.filter(|_| by_line).map(|last| last.text);
    Ok(samples::identity(&performed.found, line.as_deref()))
}

/// Sets one setting and makes sure that it reads back.
///
/// # Errors
/// [`DriverError::NotTaken`] when it does not, [`DriverError::Unsendable`] when
/// the device cannot take such a value, and as [`perform`].
pub fn set(
    talk: &mut Talk<'_>,
    setting: &Setting,
    text: &str,
    given: Given<'_>,
) -> Result<(), DriverError> {
    setting
        .within(text)
        .map_err(|error| DriverError::Unsendable(error.to_string()))?;
    let values = [("value", text)];
    let given = Given {
        values: &values,
        ..given
    };
    perform(talk, &setting.set, given)?;
    reads_back(talk, setting, text, given)
}

/// Makes sure that a setting is as it was told; a device that cannot tell is believed.
///
/// # Errors
/// [`DriverError::NotTaken`] when it is not, and as [`perform`].
pub fn reads_back(
    talk: &mut Talk<'_>,
    setting: &Setting,
    text: &str,
    given: Given<'_>,
) -> Result<(), DriverError> {
    if setting.ask.is_empty() {
        return Ok(());
    }
    let values = [("value", text)];
    let given = Given {
        values: &values,
        ..given
    };
    let performed = perform(talk, &setting.ask, given)?;
    let got = performed.found.get("value").unwrap_or_default();
    let is_number = value::number(got, &Marks::default(), false).is_some();
    if setting.unit != SettingUnit::Word && !is_number {
        return Err(DriverError::Garbled {
            question: setting.name.clone(),
            answer: line::shown(got),
            wanted: "a number",
        });
    }
    if alike(text, got, setting.rounds_by) {
        return Ok(());
    }
    Err(DriverError::NotTaken {
        setting: setting.name.clone(),
        wanted: text.to_owned(),
        got: line::shown(got),
    })
}
