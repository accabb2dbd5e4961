//! Run a program, get what it prints.
//!
//! One program at a time, in a group of its own, never through a shell; killed at
//! the limit and when the caller withdraws. A late answer cannot be taken for the
//! next one: each has a pipe of its own. Called by `profile`. Not here: starting
//! and killing (`link::program`), what the answer means (`roles`).

use photometry::units::Span;

use super::line::{Answer, shown};
use super::talk::Talk;
use crate::clock::Woken;
use crate::error::DriverError;
use crate::link::program::{End, Running};

/// How often a program that has closed its output is looked at until it ends.
const LOOK_EVERY: Span = Span::from_ms(10);

/// Runs the link's program with these arguments; what it printed, blanks around it
/// left out of the text.
///
/// # Errors
/// [`DriverError::Silent`] after `within` (it was then killed),
/// [`DriverError::Refused`] with its exit code (or minus its signal) and the
/// beginning of what it complained, [`DriverError::Unsendable`] where the link is
/// no program, or when it cannot be started or the caller withdrew.
pub fn run(talk: &mut Talk<'_>, arguments: &[String], within: Span) -> Result<Answer, DriverError> {
    let Some(path) = talk.link.program().map(str::to_owned) else {
        return Err(DriverError::Unsendable(
            "the port is no program that could be run".to_owned(),
        ));
    };
    let question = format!("{path} {}", arguments.join(" "));
    let asked = talk.now();
    let until = asked.mono + within;
    let mut running = Running::start(&path, arguments)?;
    let mut taken = None;
    loop {
        talk.check_abandoned()?;
        let closed = running.take()?;
        if taken.is_none() && !running.printed().is_empty() {
            taken = Some(talk.now());
        }
        if let (true, Some(end)) = (closed, running.ended()?) {
            let raw = running.printed().to_vec();
            return match end {
                End::Code(0) => Ok(Answer {
                    text: String::from_utf8_lossy(&raw).trim().to_owned(),
                    raw,
                    asked,
                    taken: taken.unwrap_or_else(|| talk.now()),
                    resync: None,
                }),
                End::Code(code) => Err(refused(question, i64::from(code), &mut running)),
                End::Signal(signal) => Err(refused(question, -i64::from(signal), &mut running)),
            };
        }
        let next = match closed {
            true => until.min(talk.now().mono + LOOK_EVERY),
            false => until,
        };
        let ear = (!closed).then(|| running.ear());
        if talk.seat.wait(Some(next), ear.as_ref()) == Woken::Due && talk.now().mono >= until {
            return Err(DriverError::Silent { question, within });
        }
    }
}

fn refused(question: String, code: i64, running: &mut Running) -> DriverError {
    DriverError::Refused {
        question,
        code,
        text: shown(&running.complaint()),
    }
}
