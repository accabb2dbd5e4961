//! What a device is told before its thread is found again: a meter that is still
//! integrating may hear nothing, the question of a resync neither, until it is told
//! to give up.
//!
//! ```text
//!  no answer in time ──► dirty ──► next question: abort ──► resync ──► the question
//! ```
//!
//! Best effort: whether it helped is what the resync finds out, so nothing that goes
//! wrong here is an error, and what the device answers or complains of goes where
//! late answers go. Called by `line` and `modbus::resync`. Not here: what a profile
//! says of it (`profile::abort`).

use std::sync::Arc;

use photometry::units::Span;

use super::frame;
use super::line;
use super::modbus::request::Request;
use super::talk::Talk;
use crate::error::DriverError;

/// One thing that a device is told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Act {
    /// A line, without its end.
    Line(String),
    /// Bytes as they are.
    Bytes(Vec<u8>),
    /// Registers or coils are written, by Modbus.
    Write {
        /// What.
        request: Request,
        /// Its acknowledgement is waited for so long.
        within: Span,
    },
    /// Nothing for so long.
    Pause(Span),
}

impl Talk<'_> {
    /// From now on the device is told this before its thread is found again. To be
    /// called after every opening of the link: a link's memory begins anew with it.
    pub fn aborts_by(&mut self, acts: Vec<Act>) {
        self.state.aborts = acts.into();
    }
}

/// Tells it by lines or by bytes.
pub(super) fn tell(talk: &mut Talk<'_>) {
    tell_each(talk, |talk, act| match act {
        Act::Line(line) => line::tell(talk, line).map(|_| ()),
        Act::Bytes(bytes) => frame::send(talk, bytes),
        Act::Write { .. } | Act::Pause(_) => Ok(()),
    });
}

/// Tells one thing after the other, as `how` does it; the first that cannot be told
/// ends it, as the rest would come without it.
pub(super) fn tell_each(
    talk: &mut Talk<'_>,
    mut how: impl FnMut(&mut Talk<'_>, &Act) -> Result<(), DriverError>,
) {
    for act in Arc::clone(&talk.state.aborts).iter() {
        let told = match act {
            Act::Pause(span) => talk.pause(talk.now().mono + *span),
            other => how(talk, other),
        };
        if let Err(error) = told {
            tracing::debug!(%error, "a device could not be told to give up");
            return;
        }
    }
}
