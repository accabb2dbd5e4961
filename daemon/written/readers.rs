//! Readers of single values: text, names, numbers, words of a set, quantities,
//! lists; and what can be put around a reader.
//!
//! Each takes a node, adds what is wrong to the mistakes, and gives the value
//! or none. They fit `Fields::need` and `Fields::may`; readers of a caller's own
//! have the same form.

use crate::mistake::{Mistake, Mistakes};
use crate::nearest::nearest;
use crate::node::{Kind, Node};
use crate::place::Place;
use std::fmt::Display;
use std::ops::RangeInclusive;

/// Longest name, characters: it must fit a table's column and a file name.
pub const MAX_NAME_CHARS: usize = 64;
/// Characters of a user's text that a message quotes.
const MAX_SHOWN_CHARS: usize = 40;

/// A value with the place where it was written, for checks that come later.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct At<T> {
    /// The value.
    pub value: T,
    /// Where it was written.
    pub place: Place,
}

/// What the user wrote, quoted for a message: shortened, and without control
/// characters.
#[must_use]
pub fn shown(text: &str) -> String {
    let mut out = String::from("`");
    for (at, c) in text.chars().enumerate() {
        if at == MAX_SHOWN_CHARS {
            out.push_str("...");
            break;
        }
        if c.is_control() {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
    out.push('`');
    out
}

/// The mistake of a value that is not what it must be: `must be a number, this
/// is text`.
#[must_use]
pub fn must_be(node: Node<'_>, wanted: &str) -> Mistake {
    let message = match (node.kind(), node.text()) {
        (Kind::Null, _) => format!("a value is missing, it must be {wanted}"),
        (Kind::Text, Some(text)) => format!("{} must be {wanted}", shown(text)),
        (kind, _) => format!("must be {wanted}, this is {}", kind.words()),
    };
    Mistake::new(node.place(), "wrong-kind", message)
}

/// Any text but an empty one. A number is taken as it was written, so that
/// `serial: 1047` needs no quotes.
pub fn text(node: Node<'_>, mistakes: &mut Mistakes) -> Option<String> {
    match (node.kind(), node.text()) {
        (Kind::Text | Kind::Integer | Kind::Number, Some(text)) if !text.trim().is_empty() => {
            Some(text.to_owned())
        }
        (Kind::Text, _) => {
            mistakes.add(Mistake::new(
                node.place(),
                "empty-text",
                "the text is empty",
            ));
            None
        }
        (Kind::Boolean, _) => {
            mistakes.add(must_be(node, "text").hint("put it in quotes"));
            None
        }
        _ => {
            mistakes.add(must_be(node, "text"));
            None
        }
    }
}

/// A name: 1 to [`MAX_NAME_CHARS`] letters, digits, `-`, `_` and spaces within.
pub fn name(node: Node<'_>, mistakes: &mut Mistakes) -> Option<String> {
    let text = text(node, mistakes)?;
    let unwanted = text
        .chars()
        .find(|c| !(c.is_alphanumeric() || matches!(c, '-' | '_' | ' ')));
    let wrong = if let Some(c) = unwanted {
        format!(
            "the name {} has the character {}",
            shown(&text),
            shown(&c.to_string())
        )
    } else if text.chars().count() > MAX_NAME_CHARS {
        format!(
            "the name {} is longer than {MAX_NAME_CHARS} characters",
            shown(&text)
        )
    } else if text.trim() != text {
        format!("the name {} begins or ends with a space", shown(&text))
    } else {
        return Some(text);
    };
    mistakes.add(
        Mistake::new(node.place(), "name", wrong)
            .hint("names have letters, digits, `-`, `_` and spaces"),
    );
    None
}

/// A finite number of either kind.
pub fn number(node: Node<'_>, mistakes: &mut Mistakes) -> Option<f64> {
    match (node.kind(), node.as_f64()) {
        (_, Some(x)) => Some(x),
        (Kind::Number, None) => {
            let written = shown(node.text().unwrap_or_default());
            mistakes.add(Mistake::new(
                node.place(),
                "not-finite",
                format!("{written} is not a number that can be measured or set"),
            ));
            None
        }
        (_, None) => {
            mistakes.add(must_be(node, "a number").hint("write digits alone, such as 0.5"));
            None
        }
    }
}

/// A finite number in a range, ends included.
pub fn number_in(
    range: RangeInclusive<f64>,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<f64> + Clone {
    move |node, mistakes| in_range(number(node, mistakes)?, &range, node, mistakes)
}

/// A whole number.
pub fn integer(node: Node<'_>, mistakes: &mut Mistakes) -> Option<i64> {
    if let Some(n) = node.as_i64() {
        return Some(n);
    }
    // Not finite is said as such; a fraction is told apart from text.
    if node.kind() != Kind::Number || number(node, mistakes).is_some() {
        mistakes.add(must_be(node, "a whole number").hint("write digits alone, such as 5"));
    }
    None
}

/// A whole number in a range, ends included.
pub fn integer_in(
    range: RangeInclusive<i64>,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<i64> + Clone {
    move |node, mistakes| in_range(integer(node, mistakes)?, &range, node, mistakes)
}

/// `true` or `false`.
pub fn boolean(node: Node<'_>, mistakes: &mut Mistakes) -> Option<bool> {
    if let Some(b) = node.as_bool() {
        return Some(b);
    }
    let meant = match node.text().map(str::to_lowercase).as_deref() {
        Some("yes" | "y" | "on") => Some("write `true`"),
        Some("no" | "n" | "off") => Some("write `false`"),
        _ => None,
    };
    mistakes.add(must_be(node, "`true` or `false`").maybe_hint(meant.map(str::to_owned)));
    None
}

/// One of a set of words.
pub fn one_of<T: Clone>(
    words: &[(&'static str, T)],
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<T> {
    let words = words.to_vec();
    move |node, mistakes| {
        let listed = || {
            let words: Vec<String> = words.iter().map(|(w, _)| format!("`{w}`")).collect();
            words.join(", ")
        };
        let written = node.text();
        if let Some((_, value)) = words.iter().find(|(word, _)| Some(*word) == written) {
            return Some(value.clone());
        }
        let mistake = match written {
            Some(written) => {
                let hint = match nearest(written, words.iter().map(|(word, _)| *word)) {
                    Some(meant) => format!("did you mean `{meant}`?"),
                    None => format!("write {}", listed()),
                };
                let message = format!("{} is not known here", shown(written));
                Mistake::new(node.place(), "unknown-word", message).hint(hint)
            }
            None => must_be(node, &format!("one of {}", listed())),
        };
        mistakes.add(mistake);
        None
    }
}

/// A number with a unit, like `6 in`, read by `parse`. If the parser's error
/// says `what; what to do`, the second part becomes the hint.
pub fn quantity<T, E: Display>(
    parse: impl Fn(&str) -> Result<T, E>,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<T> {
    move |node, mistakes| {
        let bare = matches!(node.kind(), Kind::Integer | Kind::Number);
        let Some(text) = node.text().filter(|_| bare || node.kind() == Kind::Text) else {
            mistakes.add(must_be(node, "a number with its unit"));
            return None;
        };
        if bare {
            // Also where the parser would take it: 0 of what?
            number(node, mistakes)?;
            let hint = parse(text).err().map(|error| error.to_string());
            let hint = hint
                .as_deref()
                .map(|error| split_hint(error).1.unwrap_or(error));
            mistakes.add(
                Mistake::new(
                    node.place(),
                    "unit-missing",
                    format!("the unit is missing after {}", shown(text)),
                )
                .maybe_hint(hint.map(str::to_owned)),
            );
            return None;
        }
        match parse(text) {
            Ok(value) => Some(value),
            Err(error) => {
                let error = error.to_string();
                let (message, hint) = split_hint(&error);
                mistakes.add(
                    Mistake::new(node.place(), "quantity", message)
                        .maybe_hint(hint.map(str::to_owned)),
                );
                None
            }
        }
    }
}

fn split_hint(error: &str) -> (&str, Option<&str>) {
    match error.split_once("; ") {
        Some((message, hint)) => (message, Some(hint)),
        None => (error, None),
    }
}

/// A list, each item read by `reader`; the mistakes of all items are reported.
pub fn list_of<T>(
    reader: impl Fn(Node<'_>, &mut Mistakes) -> Option<T>,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Vec<T>> {
    move |node, mistakes| {
        if node.kind() != Kind::List {
            mistakes.add(
                must_be(node, "a list").hint("write `[one, two]`, or lines that begin with `- `"),
            );
            return None;
        }
        let read: Vec<Option<T>> = node.items().map(|item| reader(item, mistakes)).collect();
        read.into_iter().collect()
    }
}

/// A list, or one item without the list's marks.
pub fn one_or_list_of<T>(
    reader: impl Fn(Node<'_>, &mut Mistakes) -> Option<T>,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Vec<T>> {
    move |node, mistakes| {
        if node.kind() == Kind::List {
            return list_of(&reader)(node, mistakes);
        }
        reader(node, mistakes).map(|one| vec![one])
    }
}

/// A list as [`list_of`] reads it, with at least one item.
pub fn some_of<T>(
    reader: impl Fn(Node<'_>, &mut Mistakes) -> Option<T>,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Vec<T>> {
    checked(list_of(reader), |list: &Vec<T>| {
        if list.is_empty() {
            return Err("the list is empty; write at least one item".to_owned());
        }
        Ok(())
    })
}

/// A value in a range, ends included; works with quantities.
pub fn within<T: PartialOrd + Display>(
    reader: impl Fn(Node<'_>, &mut Mistakes) -> Option<T>,
    range: RangeInclusive<T>,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<T> {
    move |node, mistakes| in_range(reader(node, mistakes)?, &range, node, mistakes)
}

/// A value that `check` accepts; its error is the message, as in [`quantity`].
pub fn checked<T>(
    reader: impl Fn(Node<'_>, &mut Mistakes) -> Option<T>,
    check: impl Fn(&T) -> Result<(), String>,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<T> {
    move |node, mistakes| {
        let value = reader(node, mistakes)?;
        let Err(error) = check(&value) else {
            return Some(value);
        };
        let (message, hint) = split_hint(&error);
        mistakes.add(
            Mistake::new(node.place(), "not-allowed", message).maybe_hint(hint.map(str::to_owned)),
        );
        None
    }
}

/// The value with its place.
pub fn at<T>(
    reader: impl Fn(Node<'_>, &mut Mistakes) -> Option<T>,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<At<T>> {
    move |node, mistakes| {
        let value = reader(node, mistakes)?;
        Some(At {
            value,
            place: node.place(),
        })
    }
}

fn in_range<T: PartialOrd + Display>(
    value: T,
    range: &RangeInclusive<T>,
    node: Node<'_>,
    mistakes: &mut Mistakes,
) -> Option<T> {
    if range.contains(&value) {
        return Some(value);
    }
    let hint = if range.start() == range.end() {
        format!("it must be {}", range.start())
    } else {
        format!("it must lie between {} and {}", range.start(), range.end())
    };
    let message = format!("{} is out of range", shown(node.text().unwrap_or_default()));
    mistakes.add(Mistake::new(node.place(), "out-of-range", message).hint(hint));
    None
}
