//! What a device of lines has said and what has not left yet, in order; on its way
//! a bad wire may spoil it (`mangle`), or break.
//!
//! Called by the machines of `rail`, `line_rail` and `scpi_device`.

use std::collections::VecDeque;

use photometry::units::{Mono, Span};

use super::faults::Fault;
use super::mangle::Mangler;

/// Answers with the instants at which they leave, none before the one ahead of it.
#[derive(Debug, Default)]
pub(super) struct Outgoing {
    queue: VecDeque<(Mono, Vec<u8>)>,
    mangler: Mangler,
}

impl Outgoing {
    /// An answer that is due `at`, with the faults that strike at it.
    pub(super) fn say(&mut self, at: Mono, answer: Vec<u8>, faults: &[Fault]) {
        for (at, piece) in self.mangler.pieces(at, answer, faults) {
            let at = self.queue.back().map_or(at, |(last, _)| at.max(*last));
            self.queue.push_back((at, piece));
        }
    }

    /// Ahead of all that waits: what a device says between its lines.
    pub(super) fn interject(&mut self, now: Mono, answer: Vec<u8>) {
        self.queue.push_front((now, answer));
    }

    /// What waits is not said any more.
    pub(super) fn clear(&mut self) {
        self.queue.clear();
    }

    /// When the next piece leaves.
    pub(super) fn next(&self) -> Option<Mono> {
        self.queue.front().map(|(at, _)| *at)
    }

    /// All that has left by now.
    pub(super) fn leave(&mut self, now: Mono) -> Vec<u8> {
        let mut bytes = Vec::new();
        while self.queue.front().is_some_and(|(at, _)| *at <= now) {
            bytes.extend(
                self.queue
                    .pop_front()
                    .into_iter()
                    .flat_map(|(_, text)| text),
            );
        }
        bytes
    }

    /// For how long the link is to break off, told once.
    pub(super) fn breaks_off(&mut self) -> Option<Span> {
        self.mangler.breaks_off()
    }
}
