//! A recorded session played as a device: it answers with the recorded bytes when
//! the recorded questions come in the recorded order, each answer as long after
//! its question as it was then. A session is what `wakerail traffic` prints
//! (`link::session`).
//!
//! When other bytes come, it says where the talk departs from the record and is
//! silent from there on: an answer to another question would prove nothing.
//!
//! What counts is the order of bytes. How they were cut is not compared (a kernel
//! cuts as it likes), nor when a question comes: an answer that once came after
//! the next question had left comes so again. What the device said before it was
//! first asked is said at the beginning.
//!
//! Called by tests. Not here: what the bytes mean.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use photometry::units::{Mono, Span};

use crate::link::session::Said;
use crate::link::tap::Way;
use crate::link::wire::Machine;

/// Bytes of a question that a departure shows.
const SHOWN_AT_MOST: usize = 80;

/// Where a talk departs from its record.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Departure {
    /// Something else was sent.
    #[error(
        "line {line} of the record ({} after it began), byte {byte}: `{recorded}` was sent then, now `{sent}`",
        after.shown()
    )]
    Other {
        /// The line of what was recorded.
        line: usize,
        /// When that was.
        after: Span,
        /// The first byte of it that differs, from 1.
        byte: usize,
        /// What was recorded.
        recorded: String,
        /// What was sent, as far as it is known.
        sent: String,
    },
    /// Something was sent after the record's end.
    #[error("the record has ended, and `{sent}` was sent")]
    Ended {
        /// What was sent.
        sent: String,
    },
}

/// How far a talk has come in its record; clones see the same.
#[derive(Clone, Debug, Default)]
pub struct Followed(Arc<Mutex<Sheet>>);

#[derive(Debug, Default)]
struct Sheet {
    departure: Option<Departure>,
    questions_left: usize,
}

impl Followed {
    /// Where the talk departed from the record, if it did.
    pub fn departure(&self) -> Option<Departure> {
        self.sheet().departure.clone()
    }

    /// Writes to the device in the record that have not come yet.
    pub fn questions_left(&self) -> usize {
        self.sheet().questions_left
    }

    fn sheet(&self) -> MutexGuard<'_, Sheet> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What was sent at one go, and what came until the next was sent.
#[derive(Debug)]
struct Exchange {
    line: usize,
    after: Span,
    question: Vec<u8>,
    /// Each so long after the question.
    answers: Vec<(Span, Vec<u8>)>,
}

/// The device.
#[derive(Debug)]
pub struct Replayed {
    /// The first one is at work.
    ahead: VecDeque<Exchange>,
    /// Bytes of its question that came.
    come: usize,
    out: VecDeque<(Mono, Vec<u8>)>,
    followed: Followed,
}

impl Replayed {
    /// Plays a session from `now` on.
    pub fn new(session: Vec<Said>, now: Mono) -> (Replayed, Followed) {
        let followed = Followed::default();
        let mut replayed = Replayed {
            ahead: VecDeque::new(),
            come: 0,
            out: VecDeque::new(),
            followed: followed.clone(),
        };
        let began = session.first().map(|said| said.after);
        for said in session {
            match (said.way, replayed.ahead.back_mut()) {
                (Way::To, _) => replayed.ahead.push_back(Exchange {
                    line: said.line,
                    after: said.after,
                    question: said.bytes,
                    answers: Vec::new(),
                }),
                (Way::From, Some(exchange)) => {
                    let later = said.after - exchange.after;
                    exchange.answers.push((later, said.bytes));
                }
                (Way::From, None) => {
                    let later = said.after - began.unwrap_or(said.after);
                    replayed.out.push_back((now + later, said.bytes));
                }
            }
        }
        followed.sheet().questions_left = replayed.ahead.len();
        (replayed, followed)
    }

    /// Takes one byte; false when it departs from the record.
    fn take(&mut self, now: Mono, byte: u8) -> bool {
        let Some(exchange) = self.ahead.front() else {
            return false;
        };
        if exchange.question.get(self.come) != Some(&byte) {
            return false;
        }
        self.come += 1;
        if self.come == exchange.question.len()
            && let Some(exchange) = self.ahead.pop_front()
        {
            self.come = 0;
            self.followed.sheet().questions_left = self.ahead.len();
            for (later, bytes) in exchange.answers {
                // Bytes come in the recorded order, whatever the times say.
                let after_the_last = self.out.back().map_or(now, |(at, _)| *at);
                self.out
                    .push_back(((now + later).max(after_the_last), bytes));
            }
        }
        true
    }

    fn depart(&mut self, rest: &[u8]) {
        let departure = match self.ahead.front() {
            Some(exchange) => {
                let mut sent = exchange.question[..self.come].to_vec();
                sent.extend(rest);
                Departure::Other {
                    line: exchange.line,
                    after: exchange.after,
                    byte: self.come + 1,
                    recorded: shown(&exchange.question),
                    sent: shown(&sent),
                }
            }
            None => Departure::Ended { sent: shown(rest) },
        };
        tracing::warn!(%departure, "the talk departs from its record");
        self.followed.sheet().departure = Some(departure);
        self.out.clear();
    }
}

fn shown(bytes: &[u8]) -> String {
    bytes[..bytes.len().min(SHOWN_AT_MOST)]
        .escape_ascii()
        .to_string()
}

impl Machine for Replayed {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        if self.followed.departure().is_some() {
            return;
        }
        for (at, byte) in bytes.iter().enumerate() {
            if !self.take(now, *byte) {
                return self.depart(&bytes[at..]);
            }
        }
    }

    fn next_due(&self) -> Option<Mono> {
        self.out.front().map(|(at, _)| *at)
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        let mut bytes = Vec::new();
        while self.out.front().is_some_and(|(at, _)| *at <= now) {
            bytes.extend(self.out.pop_front().into_iter().flat_map(|(_, said)| said));
        }
        bytes
    }
}
