//! What a profile says of a codec: which, how its device is spoken to, and the steps
//! that go through it.
//!
//! ```yaml
//! codec: tern.rhai
//! frames: {answer-within: 1 s, longest-answer: 2 s}
//! read-illuminance: {frame: read, gives: illuminance, within: integration + 1 s}
//! open-shutter: {send: shutter-open}
//! ```

use photometry::units::Span;
use written::{Fields, Mistake, Mistakes, Node, readers};

use super::codec::{Codecs, ENDING, FrameStep, UsedCodec};
use super::read::span;
use super::read_steps::{is, one_or_few, within};
use super::types::{Step, Within};
use crate::exchange::frame::FRAME_AT_MOST_BYTES;
use crate::exchange::manner::{Manner, Resync};

/// The key `codec`: the script that it names, compiled.
pub(super) fn codec(codecs: &dyn Codecs) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<UsedCodec> {
    move |node, mistakes| {
        let name = readers::text(node, mistakes)?;
        let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
        let bare = name.strip_suffix(ENDING).is_some_and(|bare| {
            !bare.is_empty() && !bare.starts_with('.') && name.chars().all(plain)
        });
        if !bare {
            let message = format!("{} is no codec's file", readers::shown(&name));
            mistakes.add(
                Mistake::new(node.place(), "codec-name", message)
                    .hint("write `tern.rhai`; it lies beside the profile"),
            );
            return None;
        }
        let Some(text) = codecs.text(&name) else {
            let message = format!("the codec `{name}` was not given");
            mistakes.add(
                Mistake::new(node.place(), "no-codec", message)
                    .hint("it is looked for beside the profile"),
            );
            return None;
        };
        match codecs.codec(&name, &text) {
            Ok(codec) => Some(UsedCodec(codec)),
            Err(wrong) => {
                mistakes.extend(wrong);
                None
            }
        }
    }
}

/// The key `frames`.
pub(super) fn manner(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Manner> {
    let usual = usual();
    let mut fields = Fields::of(node, "`frames`", mistakes)?;
    let answer_within = fields.may_or("answer-within", span, usual.answer_within);
    let longest_answer = fields.may_or("longest-answer", span, usual.longest_answer);
    let gap = fields.may_or("gap", span, Span::ZERO);
    fields.finish();
    Some(Manner {
        answer_within,
        longest_answer,
        gap,
        ..usual
    })
}

/// How a device with a codec is spoken to, unless its profile says.
pub(super) fn usual() -> Manner {
    Manner {
        resync: Resync::Quiet,
        complaints: None,
        // A frame that comes too late must be over before the silence counts.
        largest_block: FRAME_AT_MOST_BYTES,
        ..Manner::default()
    }
}

/// A step that begins with `send`.
pub(super) fn send(fields: &mut Fields<'_, '_>) -> Option<Step> {
    fields.need("send", readers::name).map(Step::Send)
}

/// A step that begins with `frame`.
pub(super) fn frame(fields: &mut Fields<'_, '_>, known: &'static [&'static str]) -> Option<Step> {
    let word = fields.need("frame", readers::name);
    let is = fields.may_or("is", is(known), Vec::new());
    let gives = one_or_few("fields", readers::name);
    let gives = match fields.node().get("gives") {
        Some(_) => fields.need("gives", gives),
        // What must be said must be there.
        None => Some(is.iter().map(|(field, _)| field.clone()).collect()),
    };
    let within = fields.may_or("within", within, Within::USUAL);
    Some(Step::Frame(FrameStep {
        word: word?,
        gives: gives?,
        is,
        within,
    }))
}
