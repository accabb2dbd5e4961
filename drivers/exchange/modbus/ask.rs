//! Ask registers, get registers.
//!
//! Asked again are only questions that nobody answered and exceptions 5 and 6,
//! and only as often as the caller allows. Called by roles. Not here: what
//! belongs to which question (`single`, `resync`), what a register means.

use photometry::measured::Moment;
use photometry::units::Span;

use super::super::line::AFTER_RESYNC;
use super::super::talk::Talk;
use super::frames::{self, Outcome};
use super::request::{BitSpace, RegisterSpace, Request};
use super::resync::{Resync, make_sure};
use super::single::{exchange, refusal};
use super::station::{Limits, Station};
use crate::error::DriverError;

/// How often a question is asked again at most.
pub const RETRIES_AT_MOST: u32 = 5;

/// A busy device is left alone for so long before it is asked again (no source).
const BUSY_PAUSE: Span = Span::from_ms(200);

/// An answer, with what must be on record about it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer<T> {
    /// What was read, or what was written.
    pub value: T,
    /// The frame as it came.
    pub raw: Vec<u8>,
    /// When the question left (the last, if it was asked again).
    pub asked: Moment,
    /// When its first byte was there.
    pub taken: Moment,
    /// What a resync before the question found; `None` when none was needed.
    pub resync: Option<Resync>,
    /// How often it was asked again.
    pub retries: u32,
}

impl<T> Answer<T> {
    /// Flags for the record: a resync, and that it had to be asked again.
    pub fn flags(&self) -> Vec<String> {
        let resync = self.resync.map(|_| AFTER_RESYNC.to_owned());
        let again = (self.retries > 0).then(|| format!("asked {} times", self.retries + 1));
        resync.into_iter().chain(again).collect()
    }

    fn with<U>(self, value: impl FnOnce(T) -> U) -> Answer<U> {
        Answer {
            value: value(self.value),
            raw: self.raw,
            asked: self.asked,
            taken: self.taken,
            resync: self.resync,
            retries: self.retries,
        }
    }
}

/// Reads coils or inputs, 1 to 2000.
///
/// # Errors
/// [`DriverError::Silent`] or [`DriverError::Garbled`] (the link is then
/// dirty), [`DriverError::Refused`] with an exception's code,
/// [`DriverError::Gone`] when a TCP stream is out of step,
/// [`DriverError::Unsendable`], or when the link fails, a resync fails, or the
/// caller withdrew.
pub fn read_bits(
    talk: &mut Talk<'_>,
    station: &Station,
    space: BitSpace,
    at: u16,
    count: u16,
    limits: Limits,
) -> Result<Answer<Vec<bool>>, DriverError> {
    let request = Request::ReadBits { space, at, count };
    let answer = ask(talk, station, &request, limits)?;
    Ok(answer.with(|data| frames::bits(&data, count)))
}

/// Reads holding or input registers, 1 to 125. Numbers of several registers
/// are read in one request, or their halves may be of different samples.
///
/// # Errors
/// As [`read_bits`].
pub fn read_registers(
    talk: &mut Talk<'_>,
    station: &Station,
    space: RegisterSpace,
    at: u16,
    count: u16,
    limits: Limits,
) -> Result<Answer<Vec<u16>>, DriverError> {
    let request = Request::ReadRegisters { space, at, count };
    let answer = ask(talk, station, &request, limits)?;
    Ok(answer.with(|data| frames::registers(&data)))
}

/// Closes or opens one coil. The answer says that the device understood, not
/// that the coil moved: read it back.
///
/// # Errors
/// As [`read_bits`].
pub fn write_coil(
    talk: &mut Talk<'_>,
    station: &Station,
    at: u16,
    on: bool,
    limits: Limits,
) -> Result<Answer<bool>, DriverError> {
    let request = Request::WriteCoil { at, on };
    Ok(ask(talk, station, &request, limits)?.with(|_| on))
}

/// Closes or opens several coils, 1 to 1968, in one request; the value is how
/// many.
///
/// # Errors
/// As [`read_bits`].
pub fn write_coils(
    talk: &mut Talk<'_>,
    station: &Station,
    at: u16,
    on: &[bool],
    limits: Limits,
) -> Result<Answer<usize>, DriverError> {
    let request = Request::WriteCoils {
        at,
        on: on.to_vec(),
    };
    Ok(ask(talk, station, &request, limits)?.with(|_| on.len()))
}

/// Writes one holding register.
///
/// # Errors
/// As [`read_bits`].
pub fn write_register(
    talk: &mut Talk<'_>,
    station: &Station,
    at: u16,
    value: u16,
    limits: Limits,
) -> Result<Answer<u16>, DriverError> {
    let request = Request::WriteRegister { at, value };
    Ok(ask(talk, station, &request, limits)?.with(|_| value))
}

/// Writes several holding registers, 1 to 123, in one request; the value is
/// how many.
///
/// # Errors
/// As [`read_bits`].
pub fn write_registers(
    talk: &mut Talk<'_>,
    station: &Station,
    at: u16,
    values: &[u16],
    limits: Limits,
) -> Result<Answer<usize>, DriverError> {
    let request = Request::WriteRegisters {
        at,
        values: values.to_vec(),
    };
    Ok(ask(talk, station, &request, limits)?.with(|_| values.len()))
}

/// Writes what a request says, which was made elsewhere. The answer says that the
/// device understood.
///
/// # Errors
/// As [`read_bits`].
pub fn write(
    talk: &mut Talk<'_>,
    station: &Station,
    request: &Request,
    limits: Limits,
) -> Result<(), DriverError> {
    ask(talk, station, request, limits).map(|_| ())
}

fn ask(
    talk: &mut Talk<'_>,
    station: &Station,
    request: &Request,
    limits: Limits,
) -> Result<Answer<Vec<u8>>, DriverError> {
    station.check(request)?;
    let mut found = Resync::default();
    let mut resynced = false;
    let mut retries = 0;
    loop {
        resynced |= make_sure(talk, station, &mut found)?;
        let asks_again = retries < limits.retries.min(RETRIES_AT_MOST);
        match exchange(talk, station, request, limits.within, &mut found) {
            Ok(came) => match came.outcome {
                Outcome::Done(value) => {
                    return Ok(Answer {
                        value,
                        raw: came.raw,
                        asked: came.asked,
                        taken: came.taken,
                        resync: (resynced || found.late_frames > 0).then_some(found),
                        retries,
                    });
                }
                Outcome::Refused(exception) if exception.passes() && asks_again => {
                    talk.pause(talk.now().mono + BUSY_PAUSE)?;
                }
                Outcome::Refused(exception) => return Err(refusal(station, request, exception)),
            },
            Err(DriverError::Silent { .. }) if asks_again => {}
            Err(error) => return Err(error),
        }
        retries += 1;
    }
}
