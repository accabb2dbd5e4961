//! What makes sure that the next answer belongs to the next question.
//!
//! After a time-out, or bytes that are no answer, the link is *dirty*:
//! something may still come.
//!
//! * RTU: nothing in an answer says to which question it belongs. So before the
//!   next question the line is left alone for the longest time that an answer
//!   takes, what came is thrown away, and one read is made whose answer has
//!   another length than any that is still owed. When that one arrives, all
//!   earlier ones have passed, as a device answers in order.
//! * TCP: answers with old transaction numbers are skipped (`single`); nothing
//!   else is needed.
//!
//! Called by `ask`, and by roles that have just opened a link.

use super::super::abort::{self, Act};
use super::super::talk::Talk;
use super::frames::{ANSWER_AT_LEAST_BYTES, Form, Outcome};
use super::single::{exchange, keep_gap, probe, refusal};
use super::station::Station;
use crate::error::DriverError;

/// Tries of a resync until it is given up.
const RESYNC_TRIES: u32 = 3;

/// What a resync found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Resync {
    /// Throw-away reads that were made; none on TCP.
    pub tries: u32,
    /// Frames that came too late for their questions, or were no answer to any.
    pub late_frames: u32,
    /// Bytes that came when nothing was waited for.
    pub late_bytes: u64,
}

/// Makes sure that the next answer belongs to the next question; for a link
/// that was just opened, too, because of what its earlier owner may have asked.
///
/// # Errors
/// [`DriverError::Refused`] when the probe cannot be read, else as a
/// question of `ask`.
pub fn resynchronise(talk: &mut Talk<'_>, station: &Station) -> Result<Resync, DriverError> {
    station.check(&station.probe.request(1))?;
    let mut found = Resync::default();
    abort(talk, station, &mut found);
    match station.form {
        Form::Rtu => quieten(talk, station, &mut found)?,
        // Whatever the device says to this number, it is not late; but a device
        // that refuses its probe, or is not there, is not the one that is meant.
        Form::Tcp => {
            let probe = station.probe.request(1);
            let came = exchange(talk, station, &probe, station.longest_answer, &mut found)?;
            if let Outcome::Refused(exception) = came.outcome {
                return Err(refusal(station, &probe, exception));
            }
        }
    }
    Ok(found)
}

/// Resynchronises where that is needed, and whether it was.
pub(super) fn make_sure(
    talk: &mut Talk<'_>,
    station: &Station,
    found: &mut Resync,
) -> Result<bool, DriverError> {
    let dirty = talk.state.dirty;
    if dirty {
        abort(talk, station, found);
    }
    if station.form == Form::Tcp {
        return Ok(dirty);
    }
    if !dirty {
        // First the pause: what comes during it is thrown away as well.
        keep_gap(talk, station)?;
        let unasked = talk.unasked()?;
        if unasked < ANSWER_AT_LEAST_BYTES as u64 {
            return Ok(false);
        }
        // An answer more than there were questions.
        found.late_bytes += unasked;
    }
    quieten(talk, station, found)?;
    Ok(true)
}

/// Tells the device to give up what it does. Its acknowledgement proves nothing: it
/// may be that of an earlier one, so what was owed before is still owed.
fn abort(talk: &mut Talk<'_>, station: &Station, found: &mut Resync) {
    let owed = talk.state.modbus.owed.clone();
    abort::tell_each(talk, |talk, act| match act {
        Act::Write { request, within } => {
            station.check(request)?;
            exchange(talk, station, request, *within, found).map(|_| ())
        }
        Act::Line(_) | Act::Bytes(_) | Act::Pause(_) => Ok(()),
    });
    talk.state.modbus.owe_all(owed);
}

/// RTU: waits until nothing is owed any more, and proves it.
fn quieten(talk: &mut Talk<'_>, station: &Station, found: &mut Resync) -> Result<(), DriverError> {
    let mut last = None;
    for _ in 0..RESYNC_TRIES {
        talk.state.dirty = true;
        talk.state.resyncs += 1;
        found.tries += 1;
        wait_and_drain(talk, station, found)?;
        let (read, unmistakable) = station.probe.unlike(&talk.state.modbus.owed);
        match probe(talk, station, &read, found) {
            Ok(()) if unmistakable => return Ok(()),
            Ok(()) => {
                // It may have been another's: then its own is still to come.
                if wait_and_drain(talk, station, found)? < ANSWER_AT_LEAST_BYTES as u64 {
                    return Ok(());
                }
            }
            Err(
                error @ (DriverError::Silent { .. }
                | DriverError::Garbled { .. }
                | DriverError::Refused { .. }),
            ) => last = Some(error),
            Err(error) => return Err(error),
        }
    }
    talk.state.dirty = true;
    Err(last.unwrap_or_else(|| DriverError::Silent {
        question: station.question(&station.probe.request(1)),
        within: station.longest_answer.times(i64::from(RESYNC_TRIES)),
    }))
}

fn wait_and_drain(
    talk: &mut Talk<'_>,
    station: &Station,
    found: &mut Resync,
) -> Result<u64, DriverError> {
    talk.pause(talk.now().mono + station.longest_answer)?;
    let bytes = talk.unasked()?;
    found.late_bytes += bytes;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use photometry::units::Span;

    use super::super::super::testing::converse;
    use super::super::ask::read_registers;
    use super::super::request::{RegisterSpace, Request};
    use super::super::station::{Limits, Probe, Shape};
    use super::*;
    use crate::simulated::lapses::Lapse;
    use crate::simulated::registers::{Contents, Registers, Wrapping};

    /// The answer that did not come may come after that of what made the device give
    /// up, which may be an earlier one's: the probe must still be unlike it.
    #[test]
    fn what_was_owed_is_owed_after_the_device_was_told_to_give_up() {
        let space = RegisterSpace::Holding;
        let station = Station {
            unit: 9,
            form: Form::Rtu,
            gap: Span::from_ms(5),
            longest_answer: Span::from_secs(1),
            echo: false,
            probe: Probe::Registers {
                space,
                at: 0,
                count: 4,
            },
        };
        let registers = Registers::new(Contents {
            holding: (0..4).map(|at| (at, 0)).collect(),
            ..Contents::default()
        });
        registers.plan(1, Lapse::Silent);
        let request = Request::WriteRegister { at: 3, value: 0 };
        let within = Span::from_secs(1);
        converse(registers.machine(Wrapping::Rtu, 9), |talk| {
            talk.aborts_by(vec![Act::Write { request, within }]);
            let limits = Limits { within, retries: 0 };
            let silent = read_registers(talk, &station, space, 0, 1, limits);
            assert!(matches!(silent, Err(DriverError::Silent { .. })));
            abort(talk, &station, &mut Resync::default());
            assert_eq!(registers.asked(), 2);
            let read = Request::ReadRegisters {
                space,
                at: 0,
                count: 1,
            };
            let owed = &talk.state.modbus.owed;
            assert!(owed.contains(&Shape::of(&read)), "{owed:?}");
        });
    }
}
