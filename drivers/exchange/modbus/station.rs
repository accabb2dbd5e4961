//! A Modbus device as one talks to it: its unit, its framing, its pauses, and
//! what can be read from it to prove that nothing is owed any more. Pure.

use photometry::units::Span;

use super::frames::{self, Form};
use super::request::{BadRequest, BitSpace, RegisterSpace, Request};
use crate::error::DriverError;

/// The longest answer where nothing is known: a slow board behind a gateway.
pub const LONGEST_ANSWER: Span = Span::from_secs(1);

/// A longer `longest_answer` is a slip of a digit.
const LONGEST_ANSWER_AT_MOST: Span = Span::from_secs(60);
/// A longer `gap` is one as well.
const GAP_AT_MOST: Span = Span::from_secs(5);

/// A device, and how one talks to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Station {
    /// 1 to 247; on TCP to 255. Unit 0, everybody at once, is refused.
    pub unit: u8,
    /// RTU over a serial line or through a gateway, or TCP.
    pub form: Form,
    /// The least pause between an answer and the next request, 0 to 5 s. Some
    /// boards need 20 to 50 ms.
    pub gap: Span,
    /// No answer comes later than this, up to 60 s; [`LONGEST_ANSWER`] where
    /// nothing is known. A resync of a serial line takes as long, and six
    /// times as long where the device stays silent.
    pub longest_answer: Span,
    /// A two-wire adapter that gives back what we send. Without this flag its
    /// echo of a write would look like the device's answer.
    pub echo: bool,
    /// What a resync reads.
    pub probe: Probe,
}

/// What can be read from a device at any time and has no effect: best several
/// registers in a row, so that a resync finds a length that no question had.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Probe {
    /// So many registers (1 to 125) from an address on.
    Registers {
        /// Holding or input registers.
        space: RegisterSpace,
        /// The first one.
        at: u16,
        /// How many may be read at once.
        count: u16,
    },
    /// So many coils or inputs (1 to 2000) from an address on. An answer has
    /// whole bytes, so up to 8 have only one length.
    Bits {
        /// Coils or inputs.
        space: BitSpace,
        /// The first one.
        at: u16,
        /// How many may be read at once.
        count: u16,
    },
}

/// How long and how often.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// For one answer.
    pub within: Span,
    /// How often it is asked again after silence or exception 5 or 6, at most
    /// 5. Zero for a write that must not happen twice: a write that nobody
    /// answered may have been carried out.
    pub retries: u32,
}

/// What tells an RTU answer from others: its function, and its length.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Shape(u8, Option<usize>);

impl Shape {
    pub(super) fn of(request: &Request) -> Shape {
        Shape(request.function(), request.data_bytes())
    }
}

impl Probe {
    /// A read of `wanted` registers or bytes, or of as many as there are.
    pub(super) fn request(&self, wanted: u16) -> Request {
        match *self {
            Probe::Registers { space, at, count } => Request::ReadRegisters {
                space,
                at,
                count: wanted.min(count),
            },
            Probe::Bits { space, at, count } => Request::ReadBits {
                space,
                at,
                count: wanted.saturating_mul(8).min(count),
            },
        }
    }

    /// A read whose answer cannot be taken for one that is owed, and true; or
    /// the best that can be had, and false.
    pub(super) fn unlike(&self, owed: &[Shape]) -> (Request, bool) {
        let lengths = match self {
            Probe::Registers { count, .. } => *count,
            Probe::Bits { count, .. } => count.div_ceil(8),
        };
        (1..=lengths)
            .map(|length| self.request(length))
            .find(|request| !owed.contains(&Shape::of(request)))
            .map_or_else(|| (self.request(lengths), false), |found| (found, true))
    }
}

impl Station {
    /// Makes sure that a question can be sent to it.
    pub(super) fn check(&self, request: &Request) -> Result<(), DriverError> {
        let refuse = |why: String| Err(DriverError::Unsendable(why));
        if self.gap < Span::ZERO || self.gap > GAP_AT_MOST {
            return refuse(format!(
                "a gap of {} is not between 0 s and {GAP_AT_MOST}",
                self.gap.shown()
            ));
        }
        if self.longest_answer <= Span::ZERO || self.longest_answer > LONGEST_ANSWER_AT_MOST {
            return refuse(format!(
                "a longest answer of {} is not between 0 s and {LONGEST_ANSWER_AT_MOST}",
                self.longest_answer.shown()
            ));
        }
        for request in [request, &self.probe.request(u16::MAX)] {
            if let Err(bad) = frames::encode(self.form, self.unit, 0, request) {
                return Err(self.unsendable(request, &bad));
            }
        }
        Ok(())
    }

    /// A question as it stands in messages.
    pub(super) fn question(&self, request: &Request) -> String {
        format!("{request} of unit {}", self.unit)
    }

    /// The error of a question that cannot be sent.
    pub(super) fn unsendable(&self, request: &Request, bad: &BadRequest) -> DriverError {
        DriverError::Unsendable(format!("{}: {bad}", self.question(request)))
    }
}
