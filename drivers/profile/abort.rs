//! What `on-abort` says, made ready to be told: whoever finds a thread again
//! (`exchange`) knows lines, bytes and registers, and no templates and no codecs.
//!
//! Called by `read`, which refuses what cannot be made ready, and by the roles at
//! each opening.

use super::codec;
use super::perform::Given;
use super::registers;
use super::types::{Profile, Step};
use crate::error::DriverError;
use crate::exchange::abort::Act;

/// All that is told, in its order.
///
/// # Errors
/// [`DriverError::Unsendable`] when something cannot be made of its step, which
/// reading a profile rules out.
pub fn acts(profile: &Profile, given: Given<'_>) -> Result<Vec<Act>, DriverError> {
    let steps = profile.on_abort.iter();
    steps.map(|step| act(step, given)).collect()
}

/// The bytes of frames that make a device safe, to be told before its thread is
/// found again: their answers are thrown away by that, and a silence of seconds is
/// too long for a finger to stay down.
///
/// # Errors
/// [`DriverError::Unsendable`] when the codec makes no bytes of a word.
pub fn frames(steps: &[Step], given: Given<'_>) -> Result<Vec<Act>, DriverError> {
    let words = steps.iter().filter_map(|step| match step {
        Step::Frame(frame) => Some(&frame.word),
        _ => None,
    });
    words
        .map(|word| codec::bytes_of(word, given).map(Act::Bytes))
        .collect()
}

/// What one step tells.
pub(super) fn act(step: &Step, given: Given<'_>) -> Result<Act, DriverError> {
    Ok(match step {
        Step::Tell(line) => Act::Line(line.fill(given.values)),
        Step::Send(word) => Act::Bytes(codec::bytes_of(word, given)?),
        Step::Write { target, within } => Act::Write {
            request: registers::request(target, given)?,
            within: within.of(given),
        },
        Step::Pause(within) => Act::Pause(within.of(given)),
        other => {
            return Err(DriverError::Unsendable(format!(
                "`{}` waits for an answer",
                other.word()
            )));
        }
    })
}
