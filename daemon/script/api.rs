//! All that a script can call, in one table: what is not in it does not exist.
//!
//! The engine is filled from this table and nothing else, so that the help text
//! made of it is complete.
//!
//! Called by: `sandbox` (registers), `check` (did-you-mean), help pages.

use std::sync::LazyLock;

use rhai::Engine;

use super::{columns, comparing, criteria, language, seen, values};

/// One name that a script can use.
pub struct Entry {
    /// What it belongs to, as scripts call it: `run`, `setting`; empty for a
    /// plain function or an operator.
    pub on: &'static str,
    /// Its name.
    pub name: &'static str,
    /// Its arguments as written; none for a property.
    pub arguments: Option<&'static str>,
    /// What it gives.
    pub gives: &'static str,
    /// What it is, in a few words.
    pub what: &'static str,
    /// Puts it into an engine.
    pub(super) register: fn(&mut Engine),
}

impl Entry {
    /// As it is written: `setting.lux_at(distance)`, `run.lamp`, `x + y`.
    pub fn call(&self) -> String {
        let dot = if self.on.is_empty() { "" } else { "." };
        let (on, name) = (self.on, self.name);
        match self.arguments {
            None => format!("{on}{dot}{name}"),
            Some(arguments) if self.is_operator() => arguments.to_owned(),
            Some(arguments) => format!("{on}{dot}{name}({arguments})"),
        }
    }

    /// Whether it is an operator and not called by a name.
    pub fn is_operator(&self) -> bool {
        !self.name.starts_with(|c: char| c.is_ascii_alphabetic())
    }
}

/// An entry for a plain function or, with `on`, for a method or property.
macro_rules! entries {
    ($($on:literal $name:literal ($arguments:expr) -> $gives:literal: $what:literal, $register:expr;)*) => {
        &[$($crate::script::api::Entry {
            on: $on,
            name: $name,
            arguments: $arguments,
            gives: $gives,
            what: $what,
            register: $register,
        }),*]
    };
}
pub(super) use entries;

/// Whose hands a thing is in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hand {
    /// Scripts that rule and measure.
    Ruling,
    /// Codecs of devices.
    Codec,
}

static CODECS: LazyLock<Vec<&'static Entry>> = LazyLock::new(|| {
    let parts: [&'static [Entry]; 2] = [super::bytes::ENTRIES, language::ENTRIES];
    parts.into_iter().flatten().collect()
});

static TABLE: LazyLock<Vec<&'static Entry>> = LazyLock::new(|| {
    let parts: [&'static [Entry]; 8] = [
        criteria::ENTRIES,
        seen::ENTRIES,
        super::distances::ENTRIES,
        values::ENTRIES,
        columns::ENTRIES,
        super::column_figures::ENTRIES,
        comparing::ENTRIES,
        language::ENTRIES,
    ];
    parts.into_iter().flatten().collect()
});

/// The whole table of scripts that rule and measure.
pub fn api() -> &'static [&'static Entry] {
    &TABLE
}

/// The whole table of codecs.
pub fn codec_api() -> &'static [&'static Entry] {
    &CODECS
}

/// All that is in these hands.
pub(super) fn of(hand: Hand) -> &'static [&'static Entry] {
    match hand {
        Hand::Ruling => &TABLE,
        Hand::Codec => &CODECS,
    }
}

/// The entries of one name that are in these hands.
pub(super) fn named_in(hand: Hand, name: &str) -> impl Iterator<Item = &'static Entry> {
    let all = of(hand).iter().copied();
    all.filter(move |entry| entry.name == name)
}

/// The table as a help text, a line each.
pub fn help() -> String {
    let width = |entry: &&Entry| entry.call().chars().count();
    let widest = api().iter().copied().map(|e| width(&e)).max().unwrap_or(0);
    let line = |entry: &&Entry| {
        let call = entry.call();
        format!("{call:widest$}  {}: {}\n", entry.gives, entry.what)
    };
    api().iter().map(line).collect()
}
