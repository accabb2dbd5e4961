//! A device whose answers no pattern and no block can say: its profile names a
//! codec, and steps that go through it.
//!
//! ```text
//!  word, given ── encode ──► bytes ──► device ──► need, need ... ──► decode ──► fields
//! ```
//!
//! What a codec is written in is not known here: whoever opens a profile hands over
//! something that computes ([`Codecs`]). It is pure: no clock, no link, no memory.
//! Whatever goes wrong in it is an error with its words, never a value.
//!
//! Called by `perform` and `samples`. Not here: how bytes become a frame
//! (`exchange::frame`).

use std::fmt::Debug;
use std::sync::Arc;

use written::Mistake;

use super::pattern::Found;
use super::perform::{Given, NotPerformed};
use super::template::Template;
use super::types::Within;
use crate::error::DriverError;
use crate::exchange::frame::{self, Extent, Fault, FrameError, NoFrame, Reach};
use crate::exchange::line::Answer;
use crate::exchange::talk::Talk;

/// What a codec's name ends with.
pub const ENDING: &str = ".rhai";

/// Turns words into bytes and bytes into fields.
pub trait Codec: Debug + Send + Sync {
    /// Its file's name.
    fn name(&self) -> &str;

    /// What is sent for a word.
    ///
    /// # Errors
    /// When it gives up.
    fn encode(&self, word: &str, given: &[(&str, &str)]) -> Result<Vec<u8>, Fault>;

    /// How many bytes more an answer needs that begins like this; 0 when it is whole.
    ///
    /// # Errors
    /// When it gives up: no answer begins so.
    fn need(&self, come: &[u8]) -> Result<usize, Fault>;

    /// The fields of a whole answer to a word.
    ///
    /// # Errors
    /// When it gives up: a wrong check sum, a refusal of the device.
    fn decode(&self, word: &str, answer: &[u8]) -> Result<Vec<(String, String)>, Fault>;
}

/// Who knows codecs by their names.
pub trait Codecs {
    /// A codec's text, if there is one of this name.
    fn text(&self, name: &str) -> Option<String>;

    /// A codec that can be used.
    ///
    /// # Errors
    /// All mistakes of its file.
    fn codec(&self, name: &str, text: &str) -> Result<Arc<dyn Codec>, Vec<Mistake>>;
}

/// Knows none.
#[derive(Clone, Copy, Debug)]
pub struct NoCodecs;

impl Codecs for NoCodecs {
    fn text(&self, _: &str) -> Option<String> {
        None
    }

    fn codec(&self, _: &str, _: &str) -> Result<Arc<dyn Codec>, Vec<Mistake>> {
        Err(Vec::new())
    }
}

/// The codec of a profile.
#[derive(Clone, Debug)]
pub struct UsedCodec(pub Arc<dyn Codec>);

/// Two are equal when they are of one name: a profile has no other codec.
impl PartialEq for UsedCodec {
    fn eq(&self, other: &UsedCodec) -> bool {
        self.0.name() == other.0.name()
    }
}

/// A question through the codec.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameStep {
    /// What the codec is told that is asked.
    pub word: String,
    /// The fields that the answer must have.
    pub gives: Vec<String>,
    /// What they must say, for a setting that is looked at again.
    pub is: Vec<(String, Template)>,
    /// When the answer must be there, whole.
    pub within: Within,
}

/// The codec that the steps go through.
fn codec<'a>(given: Given<'a>) -> Result<&'a dyn Codec, DriverError> {
    given.codec.ok_or_else(|| {
        DriverError::Unsendable("the profile has a step for a codec, and none is there".to_owned())
    })
}

fn encoded(codec: &dyn Codec, word: &str, given: Given<'_>) -> Result<Vec<u8>, DriverError> {
    let encoded = codec.encode(word, given.values);
    encoded.map_err(|fault| DriverError::Unsendable(fault.to_string()))
}

/// The bytes of a word that has no answer.
pub(super) fn bytes_of(word: &str, given: Given<'_>) -> Result<Vec<u8>, DriverError> {
    encoded(codec(given)?, word, given)
}

/// Sends a word that has no answer.
pub(super) fn send(talk: &mut Talk<'_>, word: &str, given: Given<'_>) -> Result<(), DriverError> {
    let bytes = bytes_of(word, given)?;
    frame::send(talk, &bytes)
}

/// Asks, and gives the fields of the answer and the answer for the record.
pub(super) fn fetch(
    talk: &mut Talk<'_>,
    step: &FrameStep,
    given: Given<'_>,
) -> Result<(Found, Answer), NotPerformed> {
    let codec = codec(given)?;
    let bytes = encoded(codec, &step.word, given)?;
    let need = |come: &[u8]| codec.need(come);
    let misfit = |why: FrameError, answer: Box<Answer>| NotPerformed::Misfit {
        question: step.word.clone(),
        answer,
        why: Some(why.into()),
    };
    let within = step.within.of(given);
    let mut answer = match frame::ask(talk, &step.word, &bytes, &need, within) {
        Ok(answer) => answer,
        Err(NoFrame::Driver(error)) => return Err(error.into()),
        Err(NoFrame::Malformed { why, answer }) => return Err(misfit(why, answer)),
    };
    match found(codec, step, &answer.raw) {
        Ok(found) => {
            let texts = step.gives.iter().filter_map(|name| found.get(name));
            answer.text = texts.collect::<Vec<_>>().join(",");
            Ok((found, answer))
        }
        Err(fault) => {
            // What else it says may be as wrong.
            talk.distrust();
            Err(misfit(fault.into(), Box::new(answer)))
        }
    }
}

/// The fields of a whole answer.
fn found(codec: &dyn Codec, step: &FrameStep, answer: &[u8]) -> Result<Found, Fault> {
    let decoded = codec.decode(&step.word, answer)?;
    let mut found = Found::default();
    for name in &step.gives {
        let Some((_, text)) = decoded.iter().find(|(known, _)| known == name) else {
            let name_of = codec.name();
            return Err(Fault::of(&format!(
                "{name_of} gives no `{name}` of this answer"
            )));
        };
        found.set(name, text.trim().to_owned());
    }
    Ok(found)
}

/// The fields of these bytes, or why they are not one whole answer.
pub(super) fn read(codec: &dyn Codec, step: &FrameStep, bytes: &[u8]) -> Result<Found, String> {
    let need = |come: &[u8]| codec.need(come);
    match Extent::default().reach(bytes, &need) {
        Ok(Reach::Whole(whole)) if whole == bytes.len() => {
            found(codec, step, bytes).map_err(|fault| fault.to_string())
        }
        Ok(Reach::Whole(whole)) => Err(format!("the frame is whole after {whole} bytes")),
        Ok(Reach::More(wanted)) => Err(format!("the frame wants {wanted} bytes")),
        Err(why) => Err(why.to_string()),
    }
}
