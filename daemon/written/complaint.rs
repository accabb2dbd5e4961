//! What the YAML parsers remark, said in plain words with the usual cause.
//!
//! Called by `parse` and `opinion` for the one error after which a text can't
//! be read on.
//! A remark that is not listed is passed on as it is.

use crate::mistake::Mistake;
use crate::place::{Place, Source};
use std::sync::Arc;

/// A part of the parser's remark; what we say; what to do.
const REMARKS: &[(&str, &str, &str)] = &[
    (
        "mapping values are not allowed",
        "a `:` stands where no key can be",
        "check the indentation here and one line up; text that contains `: ` needs quotes",
    ),
    (
        "block sequence entries are not allowed",
        "a `- ` stands where no list can begin",
        "begin the list on the next line, or write it as `[one, two]`",
    ),
    (
        "did not find expected key",
        "this line fits neither the lines above nor a new key",
        "keys of one group begin in the same column; a list needs a key above it",
    ),
    (
        "did not find expected '-' indicator",
        "this line fits neither the list above nor a new key",
        "items of one list begin with `- ` in the same column",
    ),
    (
        "quoted scalar, found unknown escape",
        "an unknown escape after `\\` in double quotes",
        "write `\\\\` for a backslash, or use single quotes",
    ),
    (
        "invalid trailing content after",
        "something follows the closing quote",
        "put the whole text into the quotes; a quote inside is written twice: 'it''s'",
    ),
    (
        "quoted scalar",
        "the quotes that open here are not closed, or hold a wrong escape",
        "close the quotes on the same line",
    ),
    (
        "flow mapping",
        "a `,` or the closing `}` is missing",
        "write `{key: value, key: value}`",
    ),
    (
        "flow sequence",
        "a `,` or the closing `]` is missing",
        "write `[one, two]`",
    ),
    (
        "illegal placement of ':'",
        "a `:` stands inside brackets that are still open",
        "close the `[` or `{` before it",
    ),
    (
        "indentation in flow construct",
        "a line inside brackets begins too far left",
        "indent it, or close the `[` or `{` before it",
    ),
    (
        "misplaced bracket",
        "a closing bracket without its opening one",
        "remove it, or put the text in quotes",
    ),
    (
        "unexpected character",
        "a value can't begin with this character",
        "put the text in quotes",
    ),
    (
        "comment intercepting",
        "a text goes on after a comment",
        "put the whole text on one line, or write a key before the second part",
    ),
    (
        "must be followed by a valid YAML whitespace",
        "a tab follows the `:`",
        "write one space instead",
    ),
    (
        "as u128",
        "the number is too large",
        "text made of digits needs quotes",
    ),
    (
        "as i128",
        "the number is too large",
        "text made of digits needs quotes",
    ),
    (
        "expected <document start>",
        "a key or value can't go on like this",
        "a `:` after a key needs a space; text with marks in it needs quotes",
    ),
    (
        "simple key expect",
        "a `:` is missing after the key",
        "write `key: value`",
    ),
    (
        "block scalar",
        "the text after `|` or `>` begins wrongly",
        "indent it with spaces, deeper than its key",
    ),
];

/// The mistake for a remark at a place.
pub(crate) fn of(info: &str, place: Place, file: &Arc<str>, source: &Source) -> Mistake {
    if info.contains("tab ") || info.contains("tabs ") || info.ends_with("tab") {
        return tab(place, file, source);
    }
    let Some((_, message, hint)) = REMARKS.iter().find(|(part, ..)| info.contains(part)) else {
        return Mistake::new(place, "not-yaml", info.to_owned());
    };
    if info.contains("mapping values")
        && let Some(line) = (1..place.line).rev().find(|line| !is_blank(source, *line))
        && let Some(column) = glued_colon(source.line(line).unwrap_or_default())
    {
        let place = source.place(file, line, column, column.saturating_add(1));
        return Mistake::new(place, "not-yaml", "no space after the `:`")
            .hint("write `key: value`");
    }
    Mistake::new(place, "not-yaml", *message).hint(*hint)
}

/// The parser points before the tab: find the first line at or below that is
/// indented with one.
fn tab(place: Place, file: &Arc<str>, source: &Source) -> Mistake {
    let mut found = place.clone();
    // Ends with the text: at most `MAX_BYTES` lines.
    let mut line = place.line;
    while let Some(text) = source.line(line) {
        let indent = text.chars().take_while(|c| matches!(c, ' ' | '\t'));
        if let Some(column) = indent.clone().position(|c| c == '\t') {
            let column = u32::try_from(column + 1).unwrap_or(u32::MAX - 1);
            found = source.place(file, line, column, column + 1);
            break;
        }
        line += 1;
    }
    Mistake::new(
        found,
        "tab",
        "a tab stands where the indentation must be spaces",
    )
    .hint("use two spaces for each step")
}

fn is_blank(source: &Source, line: u32) -> bool {
    let text = source.line(line).unwrap_or_default().trim_start();
    text.is_empty() || text.starts_with('#')
}

/// The column of the `:` of a line like `key:value`.
fn glued_colon(line: &str) -> Option<u32> {
    let word = line.trim_start().trim_start_matches("- ");
    let before = line.chars().count() - word.chars().count();
    let key = word
        .chars()
        .take_while(|c| c.is_alphanumeric() || matches!(c, '-' | '_'));
    let key = key.count();
    let mut rest = word.chars().skip(key);
    let glued = key > 0 && rest.next() == Some(':') && rest.next().is_some_and(|c| c != ' ');
    glued.then(|| u32::try_from(before + key + 1).unwrap_or(u32::MAX - 1))
}
