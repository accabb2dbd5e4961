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
