//! Codecs of devices: scripts that make bytes of words and fields of bytes.
//!
//! A codec's file begins with its page in `//` lines, the first of them its summary;
//! then three functions:
//!
//! ```text
//!  fn encode(word, given)   the bytes that are sent for a word of the profile
//!  fn need(come)            how many bytes more an answer needs; 0 when it is whole
//!  fn decode(word, answer)  its fields, #{ illuminance: 34.5 }
//! ```
//!
//! They are as closed as all scripts are: no port, clock, file or memory between two
//! calls. Bytes are known to codecs alone, rulings and columns are not (`api`).
//!
//! Called by: bench (profiles with a codec). Not here: links, profiles, when which
//! function is called.

use std::collections::BTreeSet;

use rhai::{AST, Blob, Dynamic, FuncArgs, ImmutableString, Map, Position, Stmt};

use super::api::{self, Hand};
use super::check;
use super::fault::{Fault, FaultKind, Mistake};
use super::host::{self, without_lone_returns};
use super::limits::{BYTES, Limits};
use super::sandbox;
use super::values::kind_of;

/// The functions of a codec, with their parameters.
const PARTS: &[(&str, usize, &str)] = &[
    ("encode", 2, "fn encode(word, given)"),
    ("need", 1, "fn need(come)"),
    ("decode", 2, "fn decode(word, answer)"),
];
/// Operations of one call: a check sum over the longest frame, byte by byte, takes
/// some eight thousand.
const OPERATIONS: u64 = 20_000;
/// Letters of a field at most.
const FIELD_LETTERS: usize = 200;
/// Fields of an answer at most.
const FIELDS: usize = 50;

/// A codec that was compiled; free to be used by any thread.
#[derive(Clone, Debug)]
pub struct CodecScript {
    /// Its file's name.
    pub name: String,
    /// Its text, whole.
    pub text: String,
    ast: AST,
}

fn limits() -> Limits {
    Limits {
        operations: OPERATIONS,
        ..Limits::default()
    }
}

/// Compiles a codec; `given` are the names that `given` may have.
///
/// # Errors
/// All mistakes that can be found at once; after one of syntax nothing else can.
pub fn compile(name: &str, text: &str, given: &[&str]) -> Result<CodecScript, Vec<Mistake>> {
    let ast = host::parsed(text, Hand::Codec)?;
    let plain = without_lone_returns(text);
    let mut mistakes = Vec::new();
    parts(&ast, &plain, &mut mistakes);
    let given: BTreeSet<String> = given.iter().map(|name| (*name).to_owned()).collect();
    check::names(&ast, given, Hand::Codec, &mut mistakes);
    if mistakes.is_empty() {
        return Ok(CodecScript {
            name: name.to_owned(),
            text: text.to_owned(),
            ast,
        });
    }
    mistakes.sort_by_key(|mistake| (mistake.line, mistake.column));
    Err(mistakes)
}

/// The three functions are there, and nothing stands outside of functions.
fn parts(ast: &AST, text: &str, mistakes: &mut Vec<Mistake>) {
    for (name, parameters, head) in PARTS {
        let mut functions = ast.iter_functions().filter(|f| f.name == *name);
        match functions.next() {
            None => {
                let message = format!("the codec has no `{name}`");
                mistakes.push(Mistake::at(Position::NONE, message).hint(format!("write `{head}`")));
            }
            Some(function) if function.params.len() != *parameters => {
                let message = format!("`{name}` has {} parameters", function.params.len());
                let place = check::place_of(text, name);
                mistakes.push(Mistake::at(place, message).hint(format!("write `{head}`")));
            }
            Some(_) => {}
        }
    }
    for function in ast.iter_functions() {
        let mut known = api::named_in(Hand::Codec, function.name);
        if known.any(|entry| !entry.is_operator() && entry.on.is_empty()) {
            let message = format!("`{}` is a function of the host", function.name);
            let place = check::place_of(text, function.name);
            mistakes.push(Mistake::at(place, message).hint("give yours another name"));
        }
    }
    let mut outside = ast.statements().iter();
    if let Some(statement) = outside.find(|s| !matches!(s, Stmt::Noop(_))) {
        let message = "only functions stand outside of functions: this would never run";
        mistakes.push(Mistake::at(statement.position(), message));
    }
}

impl CodecScript {
    /// The bytes that are sent for a word.
    ///
    /// # Errors
    /// With the fault that ended it, or when it gives no bytes.
    pub fn encode(&self, word: &str, given: &[(&str, &str)]) -> Result<Vec<u8>, Fault> {
        let mut map = Map::new();
        for (name, text) in given {
            map.insert((*name).into(), as_number(text));
        }
        let value = self.call("encode", (word.to_owned(), map))?;
        let kind = kind_of(&value);
        let bytes = value.try_cast::<Blob>();
        bytes.ok_or_else(|| self.wrong("encode", format!("it gives {kind} and no bytes")))
    }

    /// How many bytes more an answer needs that begins like this.
    ///
    /// # Errors
    /// With the fault that ended it, or when it gives no count.
    pub fn need(&self, come: &[u8]) -> Result<usize, Fault> {
        let value = self.call("need", (come.to_vec(),))?;
        let count = value.as_int().ok().and_then(|n| usize::try_from(n).ok());
        count.filter(|count| *count <= BYTES).ok_or_else(|| {
            let message = format!("it gives no whole number from 0 to {BYTES}");
            self.wrong("need", message)
        })
    }

    /// The fields of a whole answer, as text.
    ///
    /// # Errors
    /// With the fault that ended it, or when it gives no fields.
    pub fn decode(&self, word: &str, answer: &[u8]) -> Result<Vec<(String, String)>, Fault> {
        let value = self.call("decode", (word.to_owned(), answer.to_vec()))?;
        let kind = kind_of(&value);
        let Some(map) = value.try_cast::<Map>() else {
            return Err(self.wrong("decode", format!("it gives {kind} and no fields")));
        };
        if map.len() > FIELDS {
            return Err(self.wrong("decode", format!("it gives more than {FIELDS} fields")));
        }
        let fields = map.into_iter().map(|(name, value)| {
            let kind = kind_of(&value);
            let message = || format!("the field `{name}` is {kind} and no number or short text");
            let text = field(&value).ok_or_else(|| self.wrong("decode", message()))?;
            Ok((name.to_string(), text))
        });
        fields.collect()
    }

    fn call(&self, function: &str, arguments: impl FuncArgs) -> Result<Dynamic, Fault> {
        let called = sandbox::call(&limits(), Hand::Codec, &self.ast, function, arguments);
        called.map_err(|fault| fault.or_at(check::place_of(&self.text, function)))
    }

    /// What a function gave is not what it must give.
    fn wrong(&self, function: &str, message: String) -> Fault {
        let place = check::place_of(&self.text, function);
        Fault::at(place, FaultKind::Error, message)
    }
}

fn as_number(text: &str) -> Dynamic {
    let whole = text.trim().parse::<i64>().ok().map(Dynamic::from);
    let number = || {
        let number = text.trim().parse::<f64>().ok();
        number.filter(|n| n.is_finite()).map(Dynamic::from)
    };
    whole
        .or_else(number)
        .unwrap_or_else(|| text.to_owned().into())
}

/// A number that is finite, a short text of printable letters, or a truth as 1 or 0.
fn field(value: &Dynamic) -> Option<String> {
    if let Some(text) = value.read_lock::<ImmutableString>() {
        let fits = text.chars().count() <= FIELD_LETTERS && !text.chars().any(char::is_control);
        return fits.then(|| text.to_string());
    }
    if let Ok(truth) = value.as_bool() {
        return Some(u8::from(truth).to_string());
    }
    if let Ok(whole) = value.as_int() {
        return Some(whole.to_string());
    }
    let number = value.as_float().ok().filter(|number| number.is_finite())?;
    Some(format!("{number:e}"))
}
