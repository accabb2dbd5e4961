//! How mistakes look: on a terminal, and to a program.
//!
//! Called by `cli` (and by `web`, which sends the second form). The words are
//! made where the mistakes are found.

use crate::mistake::{Mistake, Severity};
use crate::place::{Place, Sources};
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use serde::Serialize;
use std::ops::Range;

/// Lines between two places up to which one excerpt shows both.
const MAX_EXCERPT_LINES: u32 = 200;
/// Characters of a line that are shown after the place.
const MAX_SHOWN_AFTER: usize = 160;

/// A mistake as a program gets it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MistakeTold {
    /// The file's name as given.
    pub file: String,
    /// From 1.
    pub line: u32,
    /// In characters, from 1.
    pub column: u32,
    /// One past the last character.
    pub end_column: u32,
    /// `mistake` or `warning`.
    pub severity: &'static str,
    /// A stable word, like `unknown-key`.
    pub code: &'static str,
    /// What is wrong.
    pub message: String,
    /// What to do about it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hint: Option<String>,
}

/// Mistakes for a program, in the order given.
#[must_use]
pub fn as_json(mistakes: &[Mistake]) -> Vec<MistakeTold> {
    let told = |mistake: &Mistake| MistakeTold {
        file: mistake.place.file.to_string(),
        line: mistake.place.line,
        column: mistake.place.column,
        end_column: mistake.place.end_column,
        severity: word(mistake.severity),
        code: mistake.code,
        message: mistake.message.clone(),
        hint: mistake.hint.clone(),
    };
    mistakes.iter().map(told).collect()
}

/// Mistakes for a person, in the order given, an empty line between two.
#[must_use]
pub fn render(mistakes: &[Mistake], sources: &Sources, colour: bool) -> String {
    let renderer = if colour {
        Renderer::styled()
    } else {
        Renderer::plain()
    };
    let mut out = String::new();
    for mistake in mistakes {
        if !out.is_empty() {
            out.push('\n');
        }
        out.push_str(&renderer.render(&[group(mistake, sources)]));
        out.push('\n');
    }
    out
}

fn word(severity: Severity) -> &'static str {
    match severity {
        Severity::Mistake => "mistake",
        Severity::Warning => "warning",
    }
}

fn group<'a>(mistake: &'a Mistake, sources: &'a Sources) -> Group<'a> {
    let level = match mistake.severity {
        Severity::Mistake => Level::ERROR,
        Severity::Warning => Level::WARNING,
    };
    let title = level
        .with_name(word(mistake.severity))
        .primary_title(mistake.message.as_str());
    let mut group = Group::with_title(title);
    let (near, far): (Vec<_>, Vec<_>) = mistake.also.iter().partition(|(place, _)| {
        place.file == mistake.place.file
            && place.line.abs_diff(mistake.place.line) <= MAX_EXCERPT_LINES
    });
    let mut shown = vec![(&mistake.place, None)];
    shown.extend(
        near.iter()
            .map(|(place, what)| (place, Some(what.as_str()))),
    );
    group = group.element(excerpt(&shown, sources));
    for (place, what) in far {
        group = group.element(excerpt(&[(place, Some(what.as_str()))], sources));
    }
    if let Some(hint) = &mistake.hint {
        group = group.element(Level::HELP.with_name("hint").message(hint.as_str()));
    }
    group
}

/// The lines from the first to the last of `places`, all of one file; the place
/// without words is the mistake's own.
fn excerpt<'a>(
    places: &[(&'a Place, Option<&'a str>)],
    sources: &'a Sources,
) -> Snippet<'a, annotate_snippets::Annotation<'a>> {
    let lines = || places.iter().map(|(place, _)| place.line);
    let (first, last) = (lines().min().unwrap_or(1), lines().max().unwrap_or(1));
    let mut text = String::new();
    let mut marks = Vec::new();
    for line in first..=last {
        let here = || places.iter().filter(move |(place, _)| place.line == line);
        let file = places.first().map_or("", |(place, _)| &place.file);
        let whole = sources.line(file, line).unwrap_or_default();
        let end = here().map(|(place, _)| place.column).max().unwrap_or(1);
        let shown = start_of(whole, end as usize + MAX_SHOWN_AFTER);
        for (place, what) in here() {
            let span = bytes(shown, place, text.len());
            marks.push(match what {
                Some(what) => AnnotationKind::Context.span(span).label(*what),
                None => AnnotationKind::Primary.span(span),
            });
        }
        text.push_str(shown);
        text.push('\n');
    }
    let path = places.first().map_or("", |(place, _)| &*place.file);
    Snippet::source(text)
        .line_start(first as usize)
        .path(path)
        .fold(true)
        .annotations(marks)
}

/// The first `chars` characters.
fn start_of(line: &str, chars: usize) -> &str {
    match line.char_indices().nth(chars) {
        Some((end, _)) => &line[..end],
        None => line,
    }
}

/// The place's characters as bytes of a text in which its line begins at `start`.
fn bytes(line: &str, place: &Place, start: usize) -> Range<usize> {
    let at = |column: u32| start_of(line, column.saturating_sub(1) as usize).len();
    let (from, to) = (at(place.column), at(place.end_column));
    start + from..start + to.max(from)
}
