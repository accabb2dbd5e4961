//! How one device wants to be spoken to by lines: how they end, how long it
//! takes to answer, how a lost thread is found again, how it complains.
//!
//! Data, held by the link's memory (`talk`), obeyed by `line`. A profile fills
//! it in; without one it is that of IEEE 488.2 devices.

use std::sync::Arc;

use photometry::units::Span;

use super::acks::Acks;

/// What ends a line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LineEnd {
    /// A line feed, with or without a carriage return before it.
    #[default]
    Lf,
    /// A carriage return; a line feed after it is a blank line.
    Cr,
    /// Both, when sent; either way of [`LineEnd::Lf`] when read.
    CrLf,
}

impl LineEnd {
    /// What is sent after a line.
    pub const fn sent(self) -> &'static str {
        match self {
            LineEnd::Lf => "\n",
            LineEnd::Cr => "\r",
            LineEnd::CrLf => "\r\n",
        }
    }

    /// The byte at which a line that came is over.
    pub const fn last_byte(self) -> u8 {
        match self {
            LineEnd::Lf | LineEnd::CrLf => b'\n',
            LineEnd::Cr => b'\r',
        }
    }
}

/// How it is made sure that the next answer belongs to the next question.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Resync {
    /// A question whose answer nobody else gives: lines are read until the
    /// token comes back.
    Token {
        /// Sent with the token in the place of [`TOKEN`]; the device answers
        /// with the token alone.
        ask: String,
        /// Sent when it came back, to undo what the question changed.
        then: Option<String>,
    },
    /// The device has no such question: longer than any answer may take nothing
    /// is asked, and what comes is thrown away.
    Quiet,
}

/// Stands for the token within [`Resync::Token`].
pub const TOKEN: &str = "{token}";

/// How one device wants to be spoken to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Manner {
    /// What ends its lines and ours.
    pub end: LineEnd,
    /// Questions that need no work are answered within this time.
    pub answer_within: Span,
    /// No answer comes later than this after its question: what a resync waits.
    pub longest_answer: Span,
    /// Rest after each answer before the next line is sent.
    pub gap: Span,
    /// It closes its connection after each answer: a whole line that came before
    /// the end is the answer, and the next question has a connection of its own.
    pub closes: bool,
    /// How a lost thread is found again.
    pub resync: Resync,
    /// The question that empties its queue of complaints, each `code,"text"`
    /// with code 0 for none (SCPI-99, 21.8).
    pub complaints: Option<String>,
    /// Bytes of the largest block that it answers; 0 where it answers lines
    /// alone. A late block may hold whatever a resync listens for.
    pub largest_block: usize,
    /// How it acknowledges each line, where it does.
    pub acks: Option<Arc<Acks>>,
}

impl Default for Manner {
    /// That of IEEE 488.2: the event-status mask takes the token, because every
    /// such device has it and no answer looks like it.
    fn default() -> Manner {
        Manner {
            end: LineEnd::Lf,
            answer_within: Span::from_secs(2),
            longest_answer: Span::from_secs(5),
            gap: Span::ZERO,
            closes: false,
            resync: Resync::Token {
                ask: format!("*ESE {TOKEN};*ESE?"),
                then: Some("*ESE 0".to_owned()),
            },
            complaints: Some("SYST:ERR?".to_owned()),
            largest_block: 0,
            acks: None,
        }
    }
}
