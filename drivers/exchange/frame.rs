//! A question and an answer of bytes whose form only a codec knows.
//!
//! ```text
//!  need(nothing) -> 4     four bytes are awaited
//!  need(4 bytes) -> 3     three more
//!  need(7 bytes) -> 0     whole: these seven are the answer
//! ```
//!
//! A codec sees the bytes that it asked for and no others, so that how they were
//! cut on their way, and what follows them, changes nothing. What it says is
//! bounded: the frame's length, and how often it is asked. What is no frame, or
//! comes too late, leaves the link dirty; it is resynchronised by silence
//! (`line`), because nothing is known that such a device would give back.
//!
//! Called by `profile`. Not here: what a codec is (`profile::codec`).

use photometry::units::Span;

use super::line::{self, Answer};
use super::talk::Talk;
use crate::error::DriverError;

/// No frame may be longer.
pub const FRAME_AT_MOST_BYTES: usize = 1_000;
/// A codec is asked so often for one frame at most: one that ends with a byte of its
/// own is asked for each.
const ASKED_AT_MOST: u32 = 300;

/// A codec's words are cut to so many letters.
const WORDS_AT_MOST_CHARS: usize = 200;

/// Why a codec gave up, in its words.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Fault(String);

impl Fault {
    /// Words fit for a message: no control characters, not endless.
    pub fn of(words: &str) -> Fault {
        let plain = |c: char| if c.is_control() { '\u{fffd}' } else { c };
        Fault(words.chars().take(WORDS_AT_MOST_CHARS).map(plain).collect())
    }
}

/// Why bytes are no frame.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FrameError {
    /// The codec says so, or failed.
    #[error("{0}")]
    Codec(#[from] Fault),
    /// It wants more than any frame has.
    #[error("the codec wants a frame of {0} bytes, and {FRAME_AT_MOST_BYTES} are the most")]
    TooLong(usize),
    /// It wants no bytes at all, or always more of them.
    #[error("the codec was asked {0} times and did not say where the frame ends")]
    NoEnd(u32),
    /// A frame without a byte.
    #[error("the codec wants a frame of no bytes")]
    Empty,
}

/// How many bytes more a frame needs that has come so far; 0 when it is whole.
pub type Need<'a> = &'a dyn Fn(&[u8]) -> Result<usize, Fault>;

/// How far a frame has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reach {
    /// So many bytes are wanted in all, more than there are.
    More(usize),
    /// It has so many, and is whole.
    Whole(usize),
}

/// What a codec has said of a frame so far.
#[derive(Clone, Copy, Debug, Default)]
pub struct Extent {
    wanted: usize,
    asked: u32,
}

impl Extent {
    /// Bytes that were wanted so far.
    pub const fn wanted(&self) -> usize {
        self.wanted
    }

    /// Goes on as far as the bytes reach; they may become more between two calls.
    ///
    /// # Errors
    /// When the codec gives up, or wants what no frame has.
    pub fn reach(&mut self, bytes: &[u8], need: Need<'_>) -> Result<Reach, FrameError> {
        loop {
            let Some(come) = bytes.get(..self.wanted) else {
                return Ok(Reach::More(self.wanted));
            };
            if self.asked == ASKED_AT_MOST {
                return Err(FrameError::NoEnd(ASKED_AT_MOST));
            }
            self.asked += 1;
            let more = need(come)?;
            if more == 0 {
                return match self.wanted {
                    0 => Err(FrameError::Empty),
                    whole => Ok(Reach::Whole(whole)),
                };
            }
            let wanted = self.wanted.saturating_add(more);
            if wanted > FRAME_AT_MOST_BYTES {
                return Err(FrameError::TooLong(wanted));
            }
            self.wanted = wanted;
        }
    }
}

/// Why there is no frame.
#[derive(Debug)]
pub enum NoFrame {
    /// The device or its link.
    Driver(DriverError),
    /// Bytes that are none; the link is dirty.
    Malformed {
        /// Why.
        why: FrameError,
        /// The bytes that show it.
        answer: Box<Answer>,
    },
}

impl From<DriverError> for NoFrame {
    fn from(error: DriverError) -> NoFrame {
        NoFrame::Driver(error)
    }
}

/// Sends bytes that have no answer, at once also where the link is dirty: no answer
/// can be taken for theirs, and what takes a finger off must not wait for a silence.
///
/// # Errors
/// [`DriverError::Unsendable`] when they are too many, or when the link fails or the
/// caller withdrew.
pub fn send(talk: &mut Talk<'_>, bytes: &[u8]) -> Result<(), DriverError> {
    sent(talk, bytes)?;
    talk.state.rests_until = talk.now().mono + talk.state.manner.gap;
    Ok(())
}

fn sent(talk: &mut Talk<'_>, bytes: &[u8]) -> Result<photometry::measured::Moment, DriverError> {
    if bytes.is_empty() || bytes.len() > FRAME_AT_MOST_BYTES {
        return Err(DriverError::Unsendable(format!(
            "a frame of {} bytes is not one of 1 to {FRAME_AT_MOST_BYTES}",
            bytes.len()
        )));
    }
    talk.rest()?;
    talk.send(bytes)
}

/// Sends a question of bytes and waits for its frame, after a resync if the link is
/// dirty. `question` names it in errors. The answer's text is empty.
///
/// # Errors
/// [`DriverError::Silent`] after `within`, [`NoFrame::Malformed`] (after both the
/// link is dirty), as [`send`], or when a resync fails.
pub fn ask(
    talk: &mut Talk<'_>,
    question: &str,
    bytes: &[u8],
    need: Need<'_>,
    within: Span,
) -> Result<Answer, NoFrame> {
    let resync = match talk.state.dirty {
        true => Some(line::resynchronise(talk)?),
        false => None,
    };
    talk.drain()?;
    // Dirty until the answer is there, however this ends.
    talk.state.dirty = true;
    let asked = sent(talk, bytes)?;
    let until = asked.mono + within;
    let mut extent = Extent::default();
    let mut wanted = 1;
    while talk.has_bytes(wanted, until)? {
        let found = match extent.reach(talk.held(), need) {
            Ok(Reach::More(more)) => {
                wanted = more;
                continue;
            }
            Ok(Reach::Whole(_)) => Ok(()),
            Err(why) => Err(why),
        };
        let (raw, taken) = talk.take_held(extent.wanted());
        let answer = Answer {
            text: String::new(),
            raw,
            asked,
            taken,
            resync,
        };
        return match found {
            Ok(()) => {
                talk.state.dirty = false;
                talk.state.rests_until = talk.now().mono + talk.state.manner.gap;
                Ok(answer)
            }
            Err(why) => Err(NoFrame::Malformed {
                why,
                answer: Box::new(answer),
            }),
        };
    }
    Err(NoFrame::Driver(DriverError::Silent {
        question: question.to_owned(),
        within,
    }))
}
