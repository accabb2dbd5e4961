//! What is refused before any parser sees the text.
//!
//! Called by `document::read`. `serde_yaml` needs 11.6 s for 100 kB of `[` and
//! takes a scalar of 64 MB, so size, line length and characters are checked
//! here; nesting is counted on `parse`'s events, which run in linear time and
//! stop at the limit before `serde_yaml` is asked.

use crate::mistake::{Mistake, Mistakes};
use crate::place::Source;
use std::sync::Arc;

/// Largest file, bytes. A plan of 10,000 lines has about 300 kB.
pub const MAX_BYTES: usize = 1 << 20;
/// Longest line, characters; a person can't repair a longer one.
pub const MAX_LINE_CHARS: usize = 4096;
/// Deepest nesting of lists and maps.
pub const MAX_DEPTH: usize = 64;
/// Most values and keys together in one file: bounds memory and time.
pub const MAX_NODES: usize = 100_000;

/// What is wrong with the size alone; the text is then not looked at.
pub(crate) fn size(file: &Arc<str>, text: &str) -> Option<Mistake> {
    if text.len() <= MAX_BYTES {
        return None;
    }
    // The text is not indexed: it may be of any size.
    let place = Source::new("").place(file, 1, 1, 1);
    let message = format!(
        "the file has {} bytes, at most {MAX_BYTES} are read",
        text.len()
    );
    Some(Mistake::new(place, "too-large", message).hint("split it, or keep bulk data elsewhere"))
}

/// Reports lines that are too long and characters that don't belong in a file
/// that people read, one per line.
pub(crate) fn characters(file: &Arc<str>, source: &Source, mistakes: &mut Mistakes) {
    for (at, line) in source.text().split('\n').enumerate() {
        let number = u32::try_from(at + 1).unwrap_or(u32::MAX);
        let line = line.strip_suffix('\r').unwrap_or(line);
        if line.len() > MAX_LINE_CHARS && line.chars().count() > MAX_LINE_CHARS {
            mistakes.add(
                Mistake::new(
                    source.place(file, number, 1, 2),
                    "long-line",
                    format!("the line is longer than {MAX_LINE_CHARS} characters"),
                )
                .hint("write lists with one item a line, each after `- `"),
            );
            continue;
        }
        if let Some((column, c)) = line.chars().enumerate().find(|(_, c)| is_unwanted(*c)) {
            let column = u32::try_from(column + 1).unwrap_or(u32::MAX);
            mistakes.add(
                Mistake::new(
                    source.place(file, number, column, column + 1),
                    "control-character",
                    format!("an invisible control character (U+{:04X})", u32::from(c)),
                )
                .hint("delete it; in a text in double quotes it can be written as an escape"),
            );
        }
    }
}

/// Control characters, marks that reverse the reading order, and the line
/// breaks that YAML 1.1 knows and YAML 1.2 does not (lines would be counted
/// differently). A carriage return is wanted before a line feed only.
fn is_unwanted(c: char) -> bool {
    (c.is_control() && c != '\t')
        || matches!(c, '\u{2028}' | '\u{2029}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
        || matches!(u32::from(c) & 0xfffe, 0xfffe)
}
