//! One question, one answer, and what a link remembers between two of them.
//!
//! RTU: any frame but the answer ends the exchange, and the link stays dirty.
//! TCP: answers with old transaction numbers are skipped. Anything else that is
//! no answer means that the stream is out of step; it is never believed again,
//! and the error says that the link is gone, so that it is opened anew. Nobody
//! may throw away bytes of such a stream (`Talk::unasked`).
//!
//! Called by `ask` and `resync`. Not here: asking again.

use photometry::measured::Moment;
use photometry::units::{Mono, Span};

use super::super::talk::Talk;
use super::frames::{self, ANSWER_AT_LEAST_BYTES, Extent, Form, Mismatch, Outcome};
use super::request::{Exception, Request};
use super::resync::Resync;
use super::station::{Shape, Station};
use crate::error::DriverError;

/// Answers to other questions skipped while one is waited for.
const STRANGERS_AT_MOST: u32 = 1000;
/// Answers still owed that are remembered; a question and three tries of a
/// resync are four.
const OWED_AT_MOST: usize = 16;
/// Transactions that count as old: half of all numbers.
const OLD_AT_MOST: u16 = 0x7FFF;
/// Bytes of a frame as shown in a message.
const SHOWN_AT_MOST_BYTES: usize = 20;

/// What a link remembers between two exchanges.
#[derive(Debug, Default)]
pub(in crate::exchange) struct Memory {
    /// The number of the last question on TCP.
    transaction: u16,
    /// Questions so far, whose numbers may still be answered.
    questions: u16,
    /// When something was last heard or waited for.
    busy_until: Option<Mono>,
    /// Answers that may still come, or come again.
    pub(super) owed: Vec<Shape>,
    /// The stream can no longer be cut into frames.
    out_of_step: bool,
}

impl Memory {
    fn owe(&mut self, shape: Shape) {
        if self.owed.len() == OWED_AT_MOST {
            self.owed.remove(0);
        }
        self.owed.push(shape);
    }

    /// Remembers again what was owed before.
    pub(super) fn owe_all(&mut self, owed: Vec<Shape>) {
        for shape in owed {
            if !self.owed.contains(&shape) {
                self.owe(shape);
            }
        }
    }

    fn next_transaction(&mut self) -> u16 {
        self.questions = (self.questions + 1).min(OLD_AT_MOST);
        self.transaction = self.transaction.wrapping_add(1);
        self.transaction
    }

    /// Whether a number belongs to an earlier question on this link.
    fn is_old(&self, transaction: u16) -> bool {
        let behind = self.transaction.wrapping_sub(transaction);
        behind > 0 && behind < self.questions
    }
}

/// The answer to a question.
pub(super) struct Came {
    pub(super) outcome: Outcome,
    /// The frame as it came.
    pub(super) raw: Vec<u8>,
    /// When the question left.
    pub(super) asked: Moment,
    /// When the answer's first byte was there.
    pub(super) taken: Moment,
}

/// Why an exchange gave no answer.
enum Failure {
    /// Nothing came.
    Silence,
    /// Something else came.
    Bytes(Mismatch, Vec<u8>),
    /// The link, or the caller.
    Driver(DriverError),
}

impl From<DriverError> for Failure {
    fn from(error: DriverError) -> Failure {
        Failure::Driver(error)
    }
}

/// A question that has left.
struct Sent<'a> {
    station: &'a Station,
    request: &'a Request,
    bytes: Vec<u8>,
    transaction: u16,
    asked: Moment,
    within: Span,
}

impl Sent<'_> {
    fn until(&self) -> Mono {
        self.asked.mono + self.within
    }

    fn decode(&self, frame: &[u8]) -> Result<Outcome, Mismatch> {
        let Station { form, unit, .. } = *self.station;
        frames::decode(form, unit, self.transaction, self.request, frame)
    }

    /// What the caller is told.
    fn error(&self, talk: &mut Talk<'_>, failure: Failure) -> DriverError {
        let question = self.station.question(self.request);
        match (failure, self.station.form) {
            (Failure::Driver(error), _) => error,
            (Failure::Silence, _) => DriverError::Silent {
                question,
                within: self.within,
            },
            (Failure::Bytes(why, bytes), Form::Rtu) => {
                talk.dropped_bytes(bytes.len());
                DriverError::Garbled {
                    question,
                    answer: shown(&bytes),
                    wanted: why.wanted(),
                }
            }
            (Failure::Bytes(why, bytes), Form::Tcp) => {
                talk.dropped_bytes(bytes.len());
                talk.state.modbus.out_of_step = true;
                out_of_step(&format!(
                    "`{question}` was answered by `{}`, which is not {}",
                    shown(&bytes),
                    why.wanted()
                ))
            }
        }
    }
}

fn out_of_step(why: &str) -> DriverError {
    DriverError::Gone {
        detail: format!("{why}; nothing on this connection is believed until it is opened anew"),
    }
}

/// Bytes for a message, in hexadecimal and not endless.
fn shown(bytes: &[u8]) -> String {
    let mut shown: Vec<String> = bytes
        .iter()
        .take(SHOWN_AT_MOST_BYTES)
        .map(|byte| format!("{byte:02X}"))
        .collect();
    if bytes.len() > SHOWN_AT_MOST_BYTES {
        shown.push(format!("and {} more", bytes.len() - SHOWN_AT_MOST_BYTES));
    }
    shown.join(" ")
}

/// The error of an exception.
pub(super) fn refusal(station: &Station, request: &Request, exception: Exception) -> DriverError {
    DriverError::Refused {
        question: station.question(request),
        code: i64::from(exception.0),
        text: exception.meaning().to_owned(),
    }
}

/// Waits until the station's pause after the last answer is over.
pub(super) fn keep_gap(talk: &mut Talk<'_>, station: &Station) -> Result<(), DriverError> {
    let heard = talk.state.modbus.busy_until;
    match heard.map(|heard| heard + station.gap) {
        Some(free) if free > talk.now().mono => talk.pause(free),
        _ => Ok(()),
    }
}

/// Sends one question, after the pause that the station needs.
fn send<'a>(
    talk: &mut Talk<'_>,
    station: &'a Station,
    request: &'a Request,
    within: Span,
) -> Result<Sent<'a>, DriverError> {
    if talk.state.modbus.out_of_step {
        return Err(out_of_step("its answers no longer fit our questions"));
    }
    let transaction = talk.state.modbus.next_transaction();
    let bytes = frames::encode(station.form, station.unit, transaction, request)
        .map_err(|bad| station.unsendable(request, &bad))?;
    keep_gap(talk, station)?;
    if station.form == Form::Rtu {
        // What came during the pause answers nothing that will be asked.
        talk.drain()?;
    }
    // Dirty until the answer is there, however this ends.
    talk.state.dirty = true;
    talk.state.modbus.owe(Shape::of(request));
    let asked = talk.send(&bytes)?;
    Ok(Sent {
        station,
        request,
        bytes,
        transaction,
        asked,
        within,
    })
}

/// Asks once and takes the answer; counts old answers that were skipped.
///
/// # Errors
/// `Silent`, `Garbled`, `Gone` (see the top), `Unsendable`, the link's, or
/// `Abandoned`.
pub(super) fn exchange(
    talk: &mut Talk<'_>,
    station: &Station,
    request: &Request,
    within: Span,
    found: &mut Resync,
) -> Result<Came, DriverError> {
    let sent = send(talk, station, request, within)?;
    let came = answer(talk, &sent, found);
    talk.state.modbus.busy_until = Some(talk.now().mono);
    came.map_err(|failure| sent.error(talk, failure))
}

fn answer(talk: &mut Talk<'_>, sent: &Sent<'_>, found: &mut Resync) -> Result<Came, Failure> {
    swallow_echo(talk, sent)?;
    for _ in 0..STRANGERS_AT_MOST {
        let (raw, taken) = next_frame(talk, sent)?;
        let number = frames::transaction(&raw);
        if sent.station.form == Form::Tcp
            && number.is_some_and(|number| talk.state.modbus.is_old(number))
        {
            found.late_frames += 1;
            talk.late_bytes(raw.len());
            continue;
        }
        let outcome = match sent.decode(&raw) {
            Ok(outcome) => outcome,
            Err(why) => return Err(Failure::Bytes(why, raw)),
        };
        settle(talk, sent)?;
        return Ok(Came {
            outcome,
            raw,
            asked: sent.asked,
            taken,
        });
    }
    Err(Failure::Bytes(Mismatch::More, Vec::new()))
}

/// RTU: makes the throw-away read of a resync. Frames that are not its answer
/// are skipped, and exceptions, which may be anybody's.
///
/// # Errors
/// `Refused` when exceptions were all that came, else as [`exchange`].
pub(super) fn probe(
    talk: &mut Talk<'_>,
    station: &Station,
    request: &Request,
    found: &mut Resync,
) -> Result<(), DriverError> {
    let sent = send(talk, station, request, station.longest_answer)?;
    let mut exception = None;
    let came = wait_for_probe(talk, &sent, found, &mut exception);
    talk.state.modbus.busy_until = Some(talk.now().mono);
    match (came, exception) {
        (Ok(()), _) => Ok(()),
        (Err(Failure::Silence), Some(exception)) => Err(refusal(station, request, exception)),
        (Err(failure), _) => Err(sent.error(talk, failure)),
    }
}

fn wait_for_probe(
    talk: &mut Talk<'_>,
    sent: &Sent<'_>,
    found: &mut Resync,
    exception: &mut Option<Exception>,
) -> Result<(), Failure> {
    swallow_echo(talk, sent)?;
    for _ in 0..STRANGERS_AT_MOST {
        let (raw, _) = next_frame(talk, sent)?;
        match sent.decode(&raw) {
            Ok(Outcome::Done(_)) => return settle(talk, sent),
            Ok(Outcome::Refused(code)) => *exception = Some(code),
            Err(_) => {
                found.late_frames += 1;
                talk.late_bytes(raw.len());
            }
        }
    }
    Err(Failure::Bytes(Mismatch::More, Vec::new()))
}

/// Takes our own bytes off the line where an adapter gives them back.
fn swallow_echo(talk: &mut Talk<'_>, sent: &Sent<'_>) -> Result<(), Failure> {
    if !sent.station.echo {
        return Ok(());
    }
    let whole = talk.has_bytes(sent.bytes.len(), sent.until())?;
    let (bytes, _) = talk.take_held(sent.bytes.len());
    match (bytes.is_empty(), whole && bytes == sent.bytes) {
        (true, _) => Err(Failure::Silence),
        (false, true) => Ok(()),
        (false, false) => Err(Failure::Bytes(Mismatch::Echo, bytes)),
    }
}

/// The next whole frame, whatever it says.
fn next_frame(talk: &mut Talk<'_>, sent: &Sent<'_>) -> Result<(Vec<u8>, Moment), Failure> {
    let form = sent.station.form;
    loop {
        match frames::extent(form, talk.held()) {
            Extent::Whole(length) => return Ok(talk.take_held(length)),
            Extent::AtLeast(length) => {
                if talk.has_bytes(length, sent.until())? {
                    continue;
                }
                // The rest of a TCP frame comes in its place, and its number
                // tells whose it is; of an RTU frame nobody could tell.
                if form == Form::Tcp || talk.held().is_empty() {
                    return Err(Failure::Silence);
                }
                let (bytes, _) = talk.take_held(usize::MAX);
                return Err(Failure::Bytes(Mismatch::Cut, bytes));
            }
            Extent::Never(why) => {
                let (bytes, _) = talk.take_held(usize::MAX);
                return Err(Failure::Bytes(why, bytes));
            }
        }
    }
}

/// The answer is there: nothing is owed. RTU: unless what came with it may be
/// another answer; fewer bytes are the noise of a line that is let go.
fn settle(talk: &mut Talk<'_>, sent: &Sent<'_>) -> Result<(), Failure> {
    if sent.station.form == Form::Rtu {
        let (left, _) = talk.take_held(usize::MAX);
        if left.len() >= ANSWER_AT_LEAST_BYTES {
            return Err(Failure::Bytes(Mismatch::More, left));
        }
        talk.dropped_bytes(left.len());
    }
    talk.state.dirty = false;
    talk.state.modbus.owed.clear();
    // Should more come than was asked for, it will most likely look like this.
    talk.state.modbus.owe(Shape::of(sent.request));
    Ok(())
}
