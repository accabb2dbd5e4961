//! What went wrong in a script, for the person who wrote it: mistakes found
//! before it runs, and the fault that ended it.
//!
//! Called by: everything here. Not here: telling (`cli`, `web`).

use rhai::{
    Dynamic, EvalAltResult, ImmutableString, LexError, ParseError, ParseErrorType, Position,
};
use serde::{Deserialize, Serialize};

use super::api::{self, Hand};
use super::values::kind_of;

/// A mistake in a script's text.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mistake {
    /// Line from 1; 0 where it belongs to the whole file.
    pub line: usize,
    /// Column from 1; 0 likewise.
    pub column: usize,
    /// What is wrong.
    pub message: String,
    /// What to do.
    pub hint: Option<String>,
}

impl Mistake {
    pub(super) fn at(position: Position, message: impl Into<String>) -> Mistake {
        Mistake {
            line: position.line().unwrap_or(0),
            column: position.position().unwrap_or(0),
            message: message.into(),
            hint: None,
        }
    }

    pub(super) fn hint(mut self, hint: impl Into<String>) -> Mistake {
        self.hint = Some(hint.into());
        self
    }
}

/// What kind of fault ended a script.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultKind {
    /// Something that cannot be done: unlike units, an unknown name.
    Error,
    /// It used up its operations.
    Operations,
    /// It used up its time.
    Deadline,
    /// Calls within calls beyond the limit.
    Depth,
    /// A string, array or map beyond the limit.
    Size,
    /// A criterion gave something that is no ruling.
    NotARuling,
    /// A metric gave something that is no measured value.
    NotAValue,
    /// The engine itself failed: a mistake of the program, not of the script.
    Engine,
}

/// The fault that ended a script.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
#[error("line {line}, column {column}: {message}")]
pub struct Fault {
    /// Line from 1; 0 where there is none.
    pub line: usize,
    /// Column from 1; 0 likewise.
    pub column: usize,
    /// What happened.
    pub message: String,
    /// Of what kind it is.
    pub kind: FaultKind,
}

impl Fault {
    /// The same at another place, where it has none of its own.
    pub(super) fn or_at(self, position: Position) -> Fault {
        match (self.line, position.line()) {
            (0, Some(line)) => Fault {
                line,
                column: position.position().unwrap_or(0),
                ..self
            },
            _ => self,
        }
    }

    pub(super) fn at(position: Position, kind: FaultKind, message: impl Into<String>) -> Fault {
        Fault {
            line: position.line().unwrap_or(0),
            column: position.position().unwrap_or(0),
            message: message.into(),
            kind,
        }
    }
}

/// An error raised by a native function; the engine adds the place.
pub(super) type Raised<T> = Result<T, Box<EvalAltResult>>;

/// Raises one.
pub(super) fn raise<T>(message: impl Into<String>) -> Raised<T> {
    let message: String = message.into();
    let raised = EvalAltResult::ErrorRuntime(message.into(), Position::NONE);
    Err(raised.into())
}

/// Word by which the watch tells that time, not operations, ran out.
pub(super) const DEADLINE_TOKEN: &str = "deadline";

/// How the message of a fault of size begins.
pub(super) const TOO_LARGE: &str = "too large: ";

/// What was thrown, as text; of other things only their kind.
fn thrown(value: &Dynamic) -> String {
    let text = value.read_lock::<ImmutableString>();
    text.map_or_else(
        || format!("{} was thrown", kind_of(value)),
        |text| text.to_string(),
    )
}

/// The engine's names of kinds as scripts know them.
fn in_our_words(text: &str) -> String {
    const KINDS: &[(&str, &str)] = &[
        ("&str | ImmutableString | String", "a text"),
        ("Vec<u8>", "bytes"),
        ("blob", "bytes"),
        ("string", "a text"),
        ("i64", "a number"),
        ("f64", "a number"),
        ("array", "an array"),
        ("map", "a map"),
        ("bool", "true or false"),
        ("()", "nothing"),
    ];
    let is_name = |c: char| c.is_alphanumeric() || c == '_';
    let mut said = text.to_owned();
    for (engine, ours) in KINDS {
        let mut parts = said.split(engine).peekable();
        let mut joined = String::new();
        while let Some(part) = parts.next() {
            joined.push_str(part);
            let Some(next) = parts.peek() else { continue };
            let inside = joined.ends_with(is_name) || next.starts_with(is_name);
            joined.push_str(if inside { engine } else { ours });
        }
        said = joined;
    }
    said
}

/// The innermost error as a fault in the words of this house.
pub(super) fn fault_of(error: &EvalAltResult, hand: Hand) -> Fault {
    use EvalAltResult as E;
    let mut error = error;
    let mut position = Position::NONE;
    while let E::ErrorInFunctionCall(_, _, inner, called_at) = error {
        position = *called_at;
        error = inner;
    }
    // Where the engine tells no place, the innermost call is told.
    if !error.position().is_none() {
        position = error.position();
    }
    let of = |kind, message: String| Fault::at(position, kind, message);
    match error {
        E::ErrorTerminated(token, _) if token.to_string() == DEADLINE_TOKEN => of(
            FaultKind::Deadline,
            "the script took too long and was stopped here".to_owned(),
        ),
        E::ErrorTerminated(..) | E::ErrorTooManyOperations(_) => of(
            FaultKind::Operations,
            "the script used up its operations and was stopped here".to_owned(),
        ),
        E::ErrorStackOverflow(_) => of(
            FaultKind::Depth,
            "calls within calls go too deep here".to_owned(),
        ),
        E::ErrorTooManyVariables(_) => of(FaultKind::Size, "too many variables".to_owned()),
        E::ErrorDataTooLarge(what, _) => {
            let what = match what.as_str() {
                "Length of string" => "a text",
                "Size of object map" => "a map",
                "Size of array/BLOB" => "an array",
                other => other,
            };
            of(FaultKind::Size, format!("{TOO_LARGE}{what}"))
        }
        E::ErrorFunctionNotFound(signature, _) => of(FaultKind::Error, not_found(signature, hand)),
        E::ErrorDotExpr(text, _) => of(FaultKind::Error, no_property(text)),
        E::ErrorPropertyNotFound(name, _) => of(
            FaultKind::Error,
            format!("there is no `{name}` in this map"),
        ),
        E::ErrorVariableNotFound(name, _) => {
            of(FaultKind::Error, format!("there is no variable `{name}`"))
        }
        E::ErrorMismatchDataType(wanted, found, _) => of(
            FaultKind::Error,
            format!("{found} stands where {wanted} must"),
        ),
        E::ErrorFor(_) => of(
            FaultKind::Error,
            "`for` goes through an array, a column or a range".to_owned(),
        ),
        E::ErrorRuntime(text, _) => {
            let text = thrown(text);
            let too_large = text.starts_with(TOO_LARGE);
            let kind = if too_large {
                FaultKind::Size
            } else {
                FaultKind::Error
            };
            of(kind, text)
        }
        other => of(FaultKind::Error, plain(other)),
    }
}

/// An engine's own message without the place that it appends.
fn plain(error: &EvalAltResult) -> String {
    let text = error.to_string();
    let place = format!(" ({})", error.position());
    lowered(text.strip_suffix(&place).unwrap_or(&text))
}

fn lowered(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_lowercase().chain(letters).collect()
    })
}

/// `at_least (a measured value, a text)`: what stands there, and what would do.
fn not_found(signature: &str, hand: Hand) -> String {
    let name = signature.split([' ', '(']).next().unwrap_or(signature);
    let known: Vec<String> = api::named_in(hand, name).map(api::Entry::call).collect();
    let signature = in_our_words(signature);
    if known.is_empty() {
        return format!("nothing is known by `{signature}`");
    }
    format!("`{signature}` does not fit; it is {}", known.join(" or "))
}

/// The engine's words for a missing getter or setter.
fn no_property(text: &str) -> String {
    let mut quoted = text.split('\'').skip(1).step_by(2);
    match (quoted.next(), quoted.next()) {
        (Some(name), Some(_)) if text.starts_with("No writable") => {
            format!("`{name}` cannot be changed")
        }
        (Some(name), Some(kind)) => format!("{} has no `{name}`", in_our_words(kind)),
        _ => lowered(text),
    }
}

/// A mistake of syntax in the words of this house.
pub(super) fn mistake_of(error: &ParseError) -> Mistake {
    use ParseErrorType as P;
    let position = error.position();
    let of = |message: String| Mistake::at(position, message);
    match error.err_type() {
        P::Reserved(word) | P::BadInput(LexError::ImproperSymbol(word, _)) => {
            of(format!("`{word}` cannot be used in a script")).hint(instead_of(word))
        }
        P::BadInput(LexError::UnexpectedInput(word)) if word.starts_with('|') => {
            of(format!("`{word}` cannot stand here")).hint(instead_of(word))
        }
        P::VariableUndefined(name) => of(format!("there is no variable `{name}`"))
            .hint("a function sees its own parameters and variables only"),
        P::ExprTooDeep => of("expressions within expressions go too deep".to_owned())
            .hint("give parts of it names with `let`"),
        P::UnexpectedEOF => of("the file ends in the middle of something".to_owned()),
        other => of(lowered(&other.to_string())),
    }
}

/// What to do without a word of the language that is closed.
fn instead_of(word: &str) -> &'static str {
    match word {
        "import" | "export" => "a script stands alone: it loads nothing",
        "eval" | "Fn" | "call" | "curry" | "|" | "||" => "what a script does stands in its text",
        "switch" | "case" => "write if ... else if ...",
        "try" | "catch" => "a fault makes the ruling undecided; is_known(x) asks first",
        "print" | "debug" => "a script says only what it returns; undecided(why) gives a reason",
        _ => "it means nothing here",
    }
}
