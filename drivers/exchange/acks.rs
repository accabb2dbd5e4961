//! What the answers of a controller look like that acknowledges every line: data,
//! filled in by a profile, held by the link's manner, obeyed by `ack`.
//!
//! Not here: what is sent (`profile`), what follows from an answer (`ack`, `roles`).

use std::collections::BTreeMap;

use crate::profile::pattern::Pattern;

/// What a line is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Kind {
    /// The line was accepted.
    Good,
    /// The line was refused: its number, if there is one, and words.
    Bad(Option<i64>, String),
    /// The controller has stopped itself: its number, if there is one, and its words.
    Halt(Option<u16>, String),
    /// An answer or a remark, or an empty line.
    Aside(String),
    /// What it says when it starts.
    Banner(String),
}

/// How a link is brought to order whose controller no byte resets.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Quieting {
    /// The line that stops all motion.
    pub stop: String,
    /// A harmless question.
    pub ask: String,
    /// What its answer looks like.
    pub answer: Pattern,
}

/// How a controller acknowledges its lines.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Acks {
    /// The line was accepted.
    pub good: Vec<Pattern>,
    /// It was refused; `{code}` and `{text}` where they are told.
    pub bad: Vec<Pattern>,
    /// The controller has stopped itself; `{code}` where it is told.
    pub halt: Vec<Pattern>,
    /// Lines that acknowledge nothing.
    pub aside: Vec<Pattern>,
    /// What it says when it starts; with none, whatever is nothing else.
    pub banner: Vec<Pattern>,
    /// What the numbers of refusals mean.
    pub bad_means: BTreeMap<i64, String>,
    /// A refused line is accepted afterwards, in the same breath.
    pub good_follows_bad: bool,
    /// Sent after a refusal, or the next line is refused as well.
    pub after_bad: Option<String>,
    /// Characters that are obeyed at once, and sent without an end of line.
    pub bytes: Vec<u8>,
    /// The byte that starts the controller anew.
    pub reset: Option<u8>,
    /// After it was started it refuses to move until it has found its home switch.
    pub locks: bool,
    /// Numbers of halts that say that a slow touch met no switch, or stood on it.
    pub no_touch: Vec<u16>,
    /// How the link is brought to order where there is no `reset`.
    pub quieting: Option<Quieting>,
}

impl Acks {
    /// Sorts a line.
    pub fn kind(&self, text: &str) -> Kind {
        let text = text.trim();
        if text.is_empty() {
            return Kind::Aside(String::new());
        }
        let of = |forms: &[Pattern]| forms.iter().find_map(|form| form.find(text));
        let number = |code: Option<&str>| code.and_then(|code| code.parse::<i64>().ok());
        if self.good.iter().any(|form| form.fits(text)) {
            return Kind::Good;
        }
        if let Some(found) = of(&self.halt) {
            let code = number(found.get("code")).and_then(|code| u16::try_from(code).ok());
            return Kind::Halt(code, text.to_owned());
        }
        if let Some(found) = of(&self.bad) {
            let code = number(found.get("code"));
            let words = found.get("text").map(str::to_owned);
            let meaning = code.and_then(|code| self.bad_means.get(&code));
            let words = words.unwrap_or_else(|| match (meaning, code) {
                (Some(meaning), _) => format!("({meaning})"),
                (None, Some(_)) => "(see the controller's manual)".to_owned(),
                (None, None) => text.to_owned(),
            });
            return Kind::Bad(code, words);
        }
        let is = |forms: &[Pattern]| forms.iter().any(|form| form.fits(text));
        let greets = match self.banner.is_empty() {
            true => !is(&self.aside),
            false => is(&self.banner),
        };
        match greets {
            true => Kind::Banner(text.to_owned()),
            false => Kind::Aside(text.to_owned()),
        }
    }

    /// Whether this is a byte that is obeyed at once.
    pub fn is_byte(&self, line: &str) -> bool {
        matches!(line.as_bytes(), [byte] if self.bytes.contains(byte))
    }
}
