//! The step of a device of lines whose answer is a block: numbers as bytes, and how
//! they become text that the fields of a verb understand.
//!
//! Numbers that a device cannot say are written as for registers (`registers`):
//! SCPI's own sentinels in single precision are near enough to be known as they
//! are (`scpi`). Called by `perform` and `samples`.

use super::pattern::{Found, Pattern};
use super::perform::{Given, NotPerformed};
use super::registers::written;
use super::template::Template;
use super::types::Within;
use crate::exchange::block::{self, BlockError, Extent, Frame, Length, NoBlock};
use crate::exchange::line::{Answer, shown};
use crate::exchange::manner::LineEnd;
use crate::exchange::modbus::words::{self, Form, Order};
use crate::exchange::talk::Talk;

/// Largest block of a step: each reading keeps its bytes in the record.
pub const READING_AT_MOST_BYTES: usize = 64 << 10;
/// Stands for a number that is not needed.
pub const NOT_NEEDED: &str = "-";

/// Which byte of a number comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ByteOrder {
    /// The most significant one.
    HighFirst,
    /// The least significant one.
    LowFirst,
}

/// What the numbers of a block are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Numbers {
    /// Of what form each is.
    pub form: Form,
    /// In which order its bytes come.
    pub order: ByteOrder,
    /// How many there must be, 1 and more.
    pub count: usize,
    /// What each is multiplied by.
    pub times: f64,
    /// One as large as this, before it is multiplied, means over range.
    pub over_at: Option<f64>,
}

/// A question and its block.
#[derive(Clone, Debug, PartialEq)]
pub struct BlockStep {
    /// The question.
    pub line: Template,
    /// What its block holds.
    pub numbers: Numbers,
    /// The fields of the first numbers, in their order; `-` for none.
    pub gives: Vec<String>,
    /// What stands behind the block; nothing may where there is no form for it.
    pub rest: Option<Pattern>,
    /// When the answer must be there, whole.
    pub within: Within,
}

/// Bytes of one number.
pub const fn size(form: Form) -> usize {
    form.registers() * 2
}

impl Numbers {
    /// Bytes of all of them.
    pub const fn bytes(&self) -> usize {
        size(self.form) * self.count
    }

    /// The numbers of a payload of [`Numbers::bytes`], as text.
    fn texts<'a>(&'a self, payload: &'a [u8]) -> impl Iterator<Item = String> + 'a {
        payload.chunks_exact(size(self.form)).filter_map(|number| {
            let mut bytes = number.to_vec();
            if self.order == ByteOrder::LowFirst {
                bytes.reverse();
            }
            let pairs = bytes.chunks_exact(2);
            let pairs: Vec<u16> = pairs
                .map(|pair| u16::from(pair[0]) << 8 | u16::from(pair[1]))
                .collect();
            let number = words::number(self.form, Order::Abcd, &pairs)?;
            Some(written(
                self.form,
                number,
                self.times,
                self.over_at,
                "bytes",
            ))
        })
    }
}

impl BlockStep {
    /// All fields that its answer gives.
    pub fn fields(&self) -> impl Iterator<Item = &str> {
        let named = self.gives.iter().map(String::as_str);
        let named = named.filter(|name| *name != NOT_NEEDED);
        named.chain(self.rest.iter().flat_map(Pattern::fields))
    }

    /// The fields of a whole answer: its payload, and what stands behind it.
    fn found(&self, payload: &[u8], behind: &str) -> Result<Found, BlockError> {
        let mut found = Found::default();
        match &self.rest {
            None if behind.is_empty() => {}
            None => return Err(BlockError::Follows(shown(behind))),
            Some(form) => {
                let other = || BlockError::OtherRest(shown(behind));
                found.extend(form.find(behind).ok_or_else(other)?);
            }
        }
        for (name, text) in self.gives.iter().zip(self.numbers.texts(payload)) {
            if name != NOT_NEEDED {
                found.set(name, text);
            }
        }
        Ok(found)
    }
}

/// Asks, and gives the fields of the answer and the answer for the record.
pub(super) fn fetch(
    talk: &mut Talk<'_>,
    step: &BlockStep,
    given: Given<'_>,
) -> Result<(Found, Answer), NotPerformed> {
    let question = step.line.fill(given.values);
    let within = step.within.of(given);
    let misfit = |why: BlockError, answer: Box<Answer>| NotPerformed::Misfit {
        question: question.clone(),
        answer,
        why: Some(why.into()),
    };
    let length = Length::Exactly(step.numbers.bytes());
    let mut block = match block::ask(talk, &question, length, within) {
        Ok(block) => block,
        Err(NoBlock::Driver(error)) => return Err(NotPerformed::Driver(error)),
        Err(NoBlock::Malformed { why, answer }) => return Err(misfit(why, answer)),
    };
    let payload = &block.answer.raw[block.payload.clone()];
    match step.found(payload, &block.answer.text) {
        Ok(found) => {
            let texts: Vec<String> = step.numbers.texts(payload).take(step.gives.len()).collect();
            block.answer.text = texts.join(",") + &block.answer.text;
            Ok((found, block.answer))
        }
        Err(why) => Err(misfit(why, Box::new(block.answer))),
    }
}

/// A sample's answer with its end of line, which may be left out, and where its block
/// lies in it.
pub(super) fn whole(
    bytes: &[u8],
    end: LineEnd,
    length: Length,
) -> Result<(Vec<u8>, Frame), String> {
    let mut bytes = bytes.to_vec();
    let whole = match block::extent(&bytes, end, length) {
        Ok(Extent::More(_)) => {
            bytes.push(end.last_byte());
            block::extent(&bytes, end, length)
        }
        whole => whole,
    };
    match whole {
        Ok(Extent::Whole(frame)) => Ok((bytes, frame)),
        Ok(Extent::More(wanted)) => Err(format!("the answer wants {wanted} bytes")),
        Err(malformed) => Err(malformed.why.to_string()),
    }
}

/// The fields of an answer of these bytes, whose end of line may be left out, or why
/// it is no such block.
pub(super) fn read(step: &BlockStep, bytes: &[u8], end: LineEnd) -> Result<Found, String> {
    let (bytes, frame) = whole(bytes, end, Length::Exactly(step.numbers.bytes()))?;
    // Only one answer is a sample.
    if frame.rest.end != bytes.len() {
        return Err(format!(
            "the answer is whole after {} bytes",
            frame.rest.end
        ));
    }
    let behind = crate::exchange::talk::text(&bytes[frame.rest]);
    let found = step.found(&bytes[frame.payload], &behind);
    found.map_err(|why| why.to_string())
}
