//! A question whose answer is a block: bytes, counted, and no line.
//!
//! IEEE 488.2-1992, 8.7.9 (from memory), the definite length arbitrary block:
//!
//! ```text
//!  #  2  16  0A 3B ... (16 bytes)  ;more  NL
//!  |  |  |   |                     |      the end of the line
//!  |  |  |   |                     what the same message answers besides
//!  |  |  |   the payload: counted, never searched, so that it may hold an end
//!  |  |  |   of line and a semicolon
//!  |  |  the length, as many digits as were said; leading zeros are legal
//!  |  how many digits, 1 to 9
//!  a block
//! ```
//!
//! The indefinite form `#0` (8.7.10) ends with a signal that a stream does not
//! have; it is refused. A length is held against what was wanted before a byte of
//! the payload is waited for, and nothing is ever allocated by it: what is held is
//! what came. After a time-out or a malformed block the link is dirty, as after
//! any answer that did not come (`line`); a resync then counts a late block as
//! well, and wants two tokens in a row, because a block may hold one.
//!
//! Called by `profile`. Not here: what the payload means.

use std::ops::Range;

use photometry::units::{Mono, Span};

use super::line::{self, Answer, shown};
use super::manner::LineEnd;
use super::talk::{LINE_AT_MOST_BYTES, Talk, text};
use crate::error::DriverError;

/// No block may be longer: a waveform of two million doubles.
pub const BLOCK_AT_MOST_BYTES: usize = 16 << 20;
/// A longer one that comes too late is taken for lines, which takes longer.
const LATE_AT_MOST_BYTES: usize = 64 << 10;
/// `#`, how many digits, and nine digits.
const HEADER_AT_MOST_BYTES: usize = 11;

/// How long a block may be, in bytes of its payload.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Length {
    /// So long, or it is not the one that was wanted.
    Exactly(usize),
    /// Not longer; at most [`BLOCK_AT_MOST_BYTES`] whatever is said.
    AtMost(usize),
}

impl Length {
    fn allows(self, bytes: usize) -> Result<(), BlockError> {
        match self {
            Length::Exactly(wanted) if bytes != wanted => {
                Err(BlockError::OtherLength { bytes, wanted })
            }
            Length::Exactly(most) | Length::AtMost(most) => {
                let most = most.min(BLOCK_AT_MOST_BYTES);
                match bytes > most {
                    true => Err(BlockError::TooLong { bytes, most }),
                    false => Ok(()),
                }
            }
        }
    }
}

/// Why bytes are no block that was wanted.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BlockError {
    /// No whole number of numbers.
    #[error("the block has {bytes} bytes, and a number has {each}")]
    Uneven {
        /// Bytes of the block.
        bytes: usize,
        /// Bytes of a number.
        each: usize,
    },
    /// A line of text, up to its end.
    #[error("`{0}` is no block")]
    NoBlock(String),
    /// `#0`: its end cannot be seen on a stream.
    #[error("the block is of the indefinite form `#0`, whose end cannot be seen on this line")]
    Indefinite,
    /// Something else than digits where its length stands.
    #[error("the block says no length: `{0}` stands where a digit must")]
    NoLength(char),
    /// Not as long as it must be.
    #[error("the block has {bytes} bytes and should have {wanted}")]
    OtherLength {
        /// What it says.
        bytes: usize,
        /// What was wanted.
        wanted: usize,
    },
    /// Longer than it may be.
    #[error("the block has {bytes} bytes, more than {most}")]
    TooLong {
        /// What it says.
        bytes: usize,
        /// The limit.
        most: usize,
    },
    /// The line goes on behind the block and does not end.
    #[error("more than {LINE_AT_MOST_BYTES} bytes follow the block without an end of line")]
    NoEnd,
    /// Something stands behind the block that nobody asked for.
    #[error("`{0}` follows the block, and nothing should")]
    Follows(String),
    /// Something else stands there than was asked for.
    #[error("`{0}` stands behind the block, and something else should")]
    OtherRest(String),
}

impl BlockError {
    /// What would have done.
    pub const fn wanted(&self) -> &'static str {
        match self {
            BlockError::NoBlock(_) => "a block",
            BlockError::Uneven { .. } => "a block of whole numbers",
            BlockError::Indefinite => "a block that says its length",
            BlockError::NoLength(_) => "a block whose length is written in digits",
            BlockError::OtherLength { .. } | BlockError::TooLong { .. } => {
                "a block of the length that its profile says"
            }
            BlockError::NoEnd | BlockError::Follows(_) => "a block with an end of line behind it",
            BlockError::OtherRest(_) => "a block with what its profile says behind it",
        }
    }
}

/// Where a block lies in the bytes that came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frame {
    /// Its bytes.
    pub payload: Range<usize>,
    /// What stands behind it up to the end of the line, that end included.
    pub rest: Range<usize>,
}

/// How far an answer has come.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Extent {
    /// Nothing can be said before so many bytes are there, more than there are.
    More(usize),
    /// It is whole.
    Whole(Frame),
}

/// An answer that is no block that was wanted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Malformed {
    /// Why.
    pub why: BlockError,
    /// The first so many bytes show it.
    pub bytes: usize,
}

/// How far the block at the beginning of these bytes has come. What more bytes
/// follow changes nothing once it is whole or malformed.
///
/// # Errors
/// When they begin with no block that was wanted.
pub fn extent(bytes: &[u8], end: LineEnd, length: Length) -> Result<Extent, Malformed> {
    let malformed = |why, bytes| Err(Malformed { why, bytes });
    match bytes.first() {
        None => return Ok(Extent::More(1)),
        Some(b'#') => {}
        // A text: the whole line tells more than its first letter.
        Some(_) => {
            return match line_end(bytes, 0, end) {
                Ok(Some(over)) => {
                    malformed(BlockError::NoBlock(shown(&text(&bytes[..over]))), over)
                }
                Ok(None) => Ok(Extent::More(bytes.len() + 1)),
                Err(seen) => malformed(BlockError::NoBlock(shown(&text(&bytes[..seen]))), seen),
            };
        }
    }
    let digits = match bytes.get(1) {
        None => return Ok(Extent::More(2)),
        Some(b'0') => return malformed(BlockError::Indefinite, 2),
        Some(digit @ b'1'..=b'9') => usize::from(digit - b'0'),
        Some(other) => return malformed(BlockError::NoLength(char::from(*other)), 2),
    };
    let header = 2 + digits;
    debug_assert!(header <= HEADER_AT_MOST_BYTES);
    let mut said = 0_usize;
    for at in 2..header {
        match bytes.get(at) {
            None => return Ok(Extent::More(at + 1)),
            Some(digit) if digit.is_ascii_digit() => said = said * 10 + usize::from(digit - b'0'),
            Some(other) => return malformed(BlockError::NoLength(char::from(*other)), at + 1),
        }
    }
    if let Err(why) = length.allows(said) {
        return malformed(why, header);
    }
    let over = header + said;
    if bytes.len() <= over {
        return Ok(Extent::More(over + 1));
    }
    match line_end(bytes, over, end) {
        Ok(Some(end)) => Ok(Extent::Whole(Frame {
            payload: header..over,
            rest: over..end,
        })),
        Ok(None) => Ok(Extent::More(bytes.len() + 1)),
        Err(seen) => malformed(BlockError::NoEnd, seen),
    }
}

/// Where the line that goes on at `from` is over; none where it goes on, and the
/// bytes that show it where it goes on for too long.
fn line_end(bytes: &[u8], from: usize, end: LineEnd) -> Result<Option<usize>, usize> {
    let line = &bytes[from..];
    let most = line.len().min(LINE_AT_MOST_BYTES);
    match line[..most].iter().position(|b| *b == end.last_byte()) {
        Some(at) => Ok(Some(from + at + 1)),
        None if most < LINE_AT_MOST_BYTES => Ok(None),
        None => Err(from + most),
    }
}

/// A block that came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Block {
    /// The answer; its text is what stands behind the block, without the end of
    /// the line.
    pub answer: Answer,
    /// Where the block's bytes are among those of the answer.
    pub payload: Range<usize>,
}

/// Why there is no block.
#[derive(Debug)]
pub enum NoBlock {
    /// The device or its link.
    Driver(DriverError),
    /// Bytes that are no block that was wanted; the link is dirty.
    Malformed {
        /// Why.
        why: BlockError,
        /// The bytes that show it.
        answer: Box<Answer>,
    },
}

impl From<DriverError> for NoBlock {
    fn from(error: DriverError) -> NoBlock {
        NoBlock::Driver(error)
    }
}

/// Asks one question and waits for its block and the end of its line, after a
/// resync if the link is dirty.
///
/// # Errors
/// [`DriverError::Silent`] after `within`, [`NoBlock::Malformed`] (after both the
/// link is dirty), or when the link fails, a resync fails, or the caller withdrew.
pub fn ask(
    talk: &mut Talk<'_>,
    question: &str,
    length: Length,
    within: Span,
) -> Result<Block, NoBlock> {
    let resync = match talk.state.dirty {
        true => Some(line::resynchronise(talk)?),
        false => None,
    };
    talk.drain()?;
    // Dirty until the answer is there, however this ends.
    talk.state.dirty = true;
    talk.state.late_block = true;
    let asked = line::tell(talk, question)?;
    let until = asked.mono + within;
    let Some(found) = next(talk, length, until)? else {
        return Err(NoBlock::Driver(DriverError::Silent {
            question: question.to_owned(),
            within,
        }));
    };
    let bytes = match &found {
        Ok(frame) => frame.rest.end,
        Err(malformed) => malformed.bytes,
    };
    let (raw, taken) = talk.take_held(bytes);
    talk.state.late_block = false;
    let behind = found.as_ref().map_or(0..raw.len(), |f| f.rest.clone());
    let answer = Answer {
        text: text(&raw[behind]),
        raw,
        asked,
        taken,
        resync,
    };
    match found {
        Ok(Frame { payload, .. }) => {
            talk.state.dirty = false;
            talk.state.rests_until = talk.now().mono + talk.state.manner.gap;
            Ok(Block { answer, payload })
        }
        Err(Malformed { why, .. }) => Err(NoBlock::Malformed {
            why,
            answer: Box::new(answer),
        }),
    }
}

/// The block that comes next, left where it is; none when `until` has come first.
fn next(
    talk: &mut Talk<'_>,
    length: Length,
    until: Mono,
) -> Result<Option<Result<Frame, Malformed>>, DriverError> {
    let mut wanted = 1;
    while talk.has_bytes(wanted, until)? {
        if matches!(talk.held().first(), Some(b'\r' | b'\n' | b' ')) {
            // A blank line is no answer.
            talk.take_held(1);
            talk.dropped_bytes(1);
            wanted = 1;
            continue;
        }
        match extent(talk.held(), talk.state.manner.end, length) {
            Ok(Extent::More(bytes)) => wanted = bytes,
            Ok(Extent::Whole(frame)) => return Ok(Some(Ok(frame))),
            Err(malformed) => return Ok(Some(Err(malformed))),
        }
    }
    Ok(None)
}

/// Throws away the block of a question that was given up, if that is what comes
/// next: its bytes may look like anything, so they are counted here too. What is
/// no block is left where it is.
pub(super) fn throw_away_late(talk: &mut Talk<'_>, until: Mono) -> Result<(), DriverError> {
    if !std::mem::take(&mut talk.state.late_block) {
        return Ok(());
    }
    let most = LATE_AT_MOST_BYTES.max(talk.state.manner.largest_block);
    if let Some(Ok(frame)) = next(talk, Length::AtMost(most), until)? {
        talk.take_held(frame.rest.end);
        talk.late_bytes(frame.rest.end);
    }
    Ok(())
}
