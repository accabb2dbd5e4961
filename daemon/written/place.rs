//! Where something was written, and the texts that places point into.
//!
//! Made by `parse`, carried by every node and mistake, used by `render` to show
//! the line. Lines and columns count from 1; columns are characters, not bytes.

use std::collections::BTreeMap;
use std::sync::Arc;

/// A stretch of one line of one file.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Place {
    /// The file, under the name by which it was read.
    pub file: Arc<str>,
    /// The line, from 1.
    pub line: u32,
    /// The first character, from 1.
    pub column: u32,
    /// One past the last character on the same line; at least `column`, at most
    /// one past the line's end. What goes on over more lines ends with the first.
    pub end_column: u32,
}

impl Place {
    /// File and line, as an itinerary keeps them.
    #[must_use]
    pub fn plan_line(&self) -> (Arc<str>, u32) {
        (Arc::clone(&self.file), self.line)
    }
}

impl std::fmt::Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}:{}:{}", self.file, self.line, self.column)
    }
}

/// One text with the starts and lengths of its lines.
#[derive(Debug)]
pub(crate) struct Source {
    text: String,
    /// Byte offset of each line's start, and its length in characters.
    lines: Vec<(usize, u32)>,
}

impl Source {
    pub(crate) fn new(text: &str) -> Self {
        let text = without_mark(text);
        let mut lines = Vec::new();
        let mut start = 0;
        for line in text.split('\n') {
            let shown = line.strip_suffix('\r').unwrap_or(line);
            let chars = u32::try_from(shown.chars().count()).unwrap_or(u32::MAX - 1);
            lines.push((start, chars));
            start += line.len() + 1;
        }
        // A final line break ends the last line; it does not open another.
        if lines.len() > 1 && text.ends_with('\n') {
            lines.pop();
        }
        Self {
            text: text.to_owned(),
            lines,
        }
    }

    pub(crate) fn text(&self) -> &str {
        &self.text
    }

    /// The line without its line break; none past the end.
    pub(crate) fn line(&self, line: u32) -> Option<&str> {
        let at = (line as usize).checked_sub(1)?;
        let (start, _) = *self.lines.get(at)?;
        let end = self
            .lines
            .get(at + 1)
            .map_or(self.text.len(), |(next, _)| next - 1);
        let line = &self.text[start..end];
        let line = line.strip_suffix('\n').unwrap_or(line);
        Some(line.strip_suffix('\r').unwrap_or(line))
    }

    /// A place inside the text that is as near as can be to the one asked for:
    /// parsers point past the end for what is missing there.
    pub(crate) fn place(&self, file: &Arc<str>, line: u32, column: u32, end_column: u32) -> Place {
        let last = u32::try_from(self.lines.len()).unwrap_or(u32::MAX);
        let past = line > last;
        let line = line.clamp(1, last.max(1));
        let chars = self.lines.get(line as usize - 1).map_or(0, |l| l.1);
        let column = if past { chars + 1 } else { column }.clamp(1, chars + 1);
        Place {
            file: Arc::clone(file),
            line,
            column,
            end_column: end_column.clamp(column, chars + 1),
        }
    }

    /// From `column` to the end of the line.
    pub(crate) fn to_line_end(&self, file: &Arc<str>, line: u32, column: u32) -> Place {
        self.place(file, line, column, u32::MAX)
    }
}

/// Columns count from after a byte order mark.
pub(crate) fn without_mark(text: &str) -> &str {
    text.strip_prefix('\u{feff}').unwrap_or(text)
}

/// The texts of the files that places may point into. Cheap to clone.
#[derive(Debug, Clone, Default)]
pub struct Sources {
    texts: BTreeMap<Arc<str>, Arc<Source>>,
}

impl Sources {
    /// No file yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a file; one of the same name is replaced.
    pub fn add(&mut self, file: &str, text: &str) {
        self.add_source(Arc::from(file), Arc::new(Source::new(text)));
    }

    pub(crate) fn add_source(&mut self, file: Arc<str>, source: Arc<Source>) {
        self.texts.insert(file, source);
    }

    /// Adds all files of `other`.
    pub fn merge(&mut self, other: &Sources) {
        for (file, source) in &other.texts {
            self.add_source(Arc::clone(file), Arc::clone(source));
        }
    }

    /// A line of a file without its line break; none where either is unknown.
    #[must_use]
    pub fn line(&self, file: &str, line: u32) -> Option<&str> {
        self.texts.get(file)?.line(line)
    }

    /// The whole text of a file.
    #[must_use]
    pub fn text(&self, file: &str) -> Option<&str> {
        self.texts.get(file).map(|source| source.text())
    }
}
