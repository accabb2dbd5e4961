//! The step whose answer is many numbers: a spectrum, a waveform, the wavelengths
//! of a spectroradiometer.
//!
//! ```yaml
//! read-spectrum: {numbers: "READ:SPEC?", as: f32, order: high-first, within: integration + 2 s}
//! ```
//!
//! The numbers stay in the block's bytes: they are kept in the record as they
//! came, with how they are read. Called by `perform`, `read_steps` and `samples`.

use photometry::measured::{self, NumberForm, Packing};
use written::{Fields, Mistake, readers};

use super::blocks::{self, ByteOrder};
use super::perform::{Given, NotPerformed};
use super::read_blocks::ORDERS;
use super::read_steps::{template, within};
use super::template::Template;
use super::types::{Step, Within};
use crate::exchange::block::{self, BLOCK_AT_MOST_BYTES, BlockError, Length, NoBlock};
use crate::exchange::line::{Answer, shown};
use crate::exchange::manner::LineEnd;
use crate::exchange::scpi::{self, Number};
use crate::exchange::talk::Talk;

/// The field that such a step gives: all of its numbers.
pub const NUMBERS: &str = "numbers";

const FORMS: &[(&str, NumberForm)] = &[
    ("f32", NumberForm::F32),
    ("f64", NumberForm::F64),
    ("i16", NumberForm::I16),
    ("u16", NumberForm::U16),
    ("i32", NumberForm::I32),
];

/// A question and its block of numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct ManyStep {
    /// The question.
    pub line: Template,
    /// What each number is.
    pub form: NumberForm,
    /// Which of its bytes comes first.
    pub order: ByteOrder,
    /// What each is multiplied by.
    pub times: f64,
    /// When the answer must be there, whole.
    pub within: Within,
}

/// An answer of many numbers: how they lie in its bytes.
#[derive(Clone, Debug)]
pub struct Many {
    /// The answer, as it came.
    pub answer: Answer,
    /// How it is read.
    pub packing: Packing,
}

impl ManyStep {
    /// How the numbers of a payload lie in the answer.
    fn packing(&self, payload: &std::ops::Range<usize>) -> Result<Packing, BlockError> {
        let bytes = payload.len();
        let each = self.form.bytes();
        if bytes == 0 || !bytes.is_multiple_of(each) {
            return Err(BlockError::Uneven { bytes, each });
        }
        // A block has 16 MiB at most.
        let (from, count) = (payload.start as u32, (bytes / each) as u32);
        Ok(Packing {
            form: self.form,
            high_first: self.order == ByteOrder::HighFirst,
            from,
            count,
            times: self.times,
        })
    }
}

/// A step that begins with `numbers`.
pub(super) fn numbers(fields: &mut Fields<'_, '_>, known: &'static [&'static str]) -> Option<Step> {
    let line = fields.need("numbers", template(known));
    let form = fields.need_like("as", "f32", readers::one_of(FORMS));
    let order = fields.need_like("order", "high-first", readers::one_of(ORDERS));
    let times = fields.may_or("times", readers::number, 1.0);
    let within = fields.may_or("within", within, Within::USUAL);
    if !(times.is_finite() && times != 0.0) {
        let place = fields.node().place();
        let mistake = Mistake::new(place, "times", "`times` must be a number, and not zero");
        fields.mistakes().add(mistake);
        return None;
    }
    Some(Step::Many(ManyStep {
        line: line?,
        form: form?,
        order: order?,
        times,
        within,
    }))
}

/// Asks, and gives the answer with how it is read.
pub(super) fn fetch(
    talk: &mut Talk<'_>,
    step: &ManyStep,
    given: Given<'_>,
) -> Result<Many, NotPerformed> {
    let question = step.line.fill(given.values);
    let misfit = |why: BlockError, answer: Box<Answer>| NotPerformed::Misfit {
        question: question.clone(),
        answer,
        why: Some(why.into()),
    };
    let length = Length::AtMost(BLOCK_AT_MOST_BYTES);
    let block = match block::ask(talk, &question, length, step.within.of(given)) {
        Ok(block) => block,
        Err(NoBlock::Driver(error)) => return Err(NotPerformed::Driver(error)),
        Err(NoBlock::Malformed { why, answer }) => return Err(misfit(why, answer)),
    };
    let behind = shown(&block.answer.text);
    if !block.answer.text.trim().is_empty() {
        return Err(misfit(BlockError::Follows(behind), Box::new(block.answer)));
    }
    match step.packing(&block.payload) {
        Ok(packing) => Ok(Many {
            answer: block.answer,
            packing,
        }),
        Err(why) => Err(misfit(why, Box::new(block.answer))),
    }
}

/// Which number is the first, from 1, that is none; one above the range is one. What
/// they mean is looked for before they are multiplied.
pub fn first_that_is_none(numbers: &[f64], times: f64) -> Option<usize> {
    let is_none = |number: &f64| match scpi::meant(number / times) {
        Number::Value(_) | Number::Over => false,
        Number::Under | Number::Invalid => true,
    };
    numbers.iter().position(is_none).map(|at| at + 1)
}

/// What an answer of these bytes says, for a sample: `4 numbers, 0.5 to 2`; or why
/// it is no such block.
pub(super) fn told(step: &ManyStep, bytes: &[u8], end: LineEnd) -> Result<String, String> {
    let (bytes, frame) = blocks::whole(bytes, end, Length::AtMost(BLOCK_AT_MOST_BYTES))?;
    if frame.rest.end != bytes.len()
        || bytes[frame.rest.clone()]
            .iter()
            .any(|b| !b.is_ascii_whitespace())
    {
        return Err(format!(
            "the block is whole after {} bytes",
            frame.rest.start
        ));
    }
    let packing = step
        .packing(&frame.payload)
        .map_err(|why| why.to_string())?;
    let raw = bytes;
    let numbers = measured::Block { raw, packing }.numbers();
    let numbers = numbers.ok_or("the block is shorter than it says")?;
    if let Some(none) = first_that_is_none(&numbers, packing.times) {
        return Err(format!("number {none} of {} is none", numbers.len()));
    }
    let least = numbers.iter().copied().fold(f64::INFINITY, f64::min);
    let most = numbers.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Ok(format!("{} numbers, {least} to {most}", numbers.len()))
}
