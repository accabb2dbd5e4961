//! Takes the keys of a map one by one, collects what is missing or wrong, and
//! at the end reports every key that nobody asked for.
//!
//! Called by every reader of a kind of file. How single values are read is
//! `readers`' business.

use crate::mistake::{Mistake, Mistakes};
use crate::nearest::nearest;
use crate::node::{Kind, Node};
use crate::readers::shown;

/// Keys that a hint lists at most.
const MAX_LISTED: usize = 12;

/// The keys of one map on their way into a caller's type.
///
/// A missing key is reported by [`Fields::finish`], or when the value goes out
/// of scope: by then it is known whether it was merely misspelt.
#[must_use = "`finish` reports unknown keys"]
#[derive(Debug)]
pub struct Fields<'a, 'm> {
    node: Node<'a>,
    what: String,
    mistakes: &'m mut Mistakes,
    asked: Vec<&'static str>,
    missing: Vec<(&'static str, Option<String>)>,
}

impl<'a, 'm> Fields<'a, 'm> {
    /// The keys of `node`; `what` names the whole in messages, like `the rail`.
    /// A mistake and none if it is not a map.
    pub fn of(node: Node<'a>, what: &str, mistakes: &'m mut Mistakes) -> Option<Self> {
        if node.kind() != Kind::Map {
            let message = match node.kind() {
                Kind::Null => format!("{what} is empty"),
                kind => format!("{what} must be a group of keys, this is {}", kind.words()),
            };
            mistakes.add(
                Mistake::new(node.place(), "not-a-map", message)
                    .hint("write its keys below it, indented, each as `key: value`"),
            );
            return None;
        }
        Some(Self {
            node,
            what: what.to_owned(),
            mistakes,
            asked: Vec::new(),
            missing: Vec::new(),
        })
    }

    /// The map itself.
    #[must_use]
    pub fn node(&self) -> Node<'a> {
        self.node
    }

    /// For mistakes that concern several keys.
    pub fn mistakes(&mut self) -> &mut Mistakes {
        self.mistakes
    }

    /// Whether the key was written; it counts as asked for.
    pub fn has(&mut self, key: &'static str) -> bool {
        self.take(key).is_some()
    }

    /// A key that must be there.
    pub fn need<T>(
        &mut self,
        key: &'static str,
        reader: impl FnOnce(Node<'a>, &mut Mistakes) -> Option<T>,
    ) -> Option<T> {
        self.need_or_hint(key, None, reader)
    }

    /// A key that must be there, with an example of its value for the hint:
    /// `need_like("travel", "1500 mm", ...)`.
    pub fn need_like<T>(
        &mut self,
        key: &'static str,
        example: &str,
        reader: impl FnOnce(Node<'a>, &mut Mistakes) -> Option<T>,
    ) -> Option<T> {
        self.need_or_hint(key, Some(example), reader)
    }

    fn need_or_hint<T>(
        &mut self,
        key: &'static str,
        example: Option<&str>,
        reader: impl FnOnce(Node<'a>, &mut Mistakes) -> Option<T>,
    ) -> Option<T> {
        let Some(value) = self.take(key) else {
            self.missing.push((key, example.map(str::to_owned)));
            return None;
        };
        reader(value, self.mistakes)
    }

    /// A key that may be left out: none where it is absent or wrong.
    pub fn may<T>(
        &mut self,
        key: &'static str,
        reader: impl FnOnce(Node<'a>, &mut Mistakes) -> Option<T>,
    ) -> Option<T> {
        let value = self.take(key)?;
        reader(value, self.mistakes)
    }

    /// A key that may be left out, with what holds then. Also given where the
    /// value is wrong, which is reported.
    pub fn may_or<T>(
        &mut self,
        key: &'static str,
        reader: impl FnOnce(Node<'a>, &mut Mistakes) -> Option<T>,
        absent: T,
    ) -> T {
        self.may(key, reader).unwrap_or(absent)
    }

    /// Reports every key that was not asked for, and those that are missing.
    pub fn finish(mut self) {
        let free: Vec<&'static str> = self
            .asked
            .iter()
            .copied()
            .filter(|key| self.node.get(key).is_none())
            .collect();
        for (key, _) in self.node.entries() {
            let Some(written) = key.text() else { continue };
            if self.asked.contains(&written) {
                continue;
            }
            if self.mistakes.is_full() {
                self.mistakes.only_count(key.place());
                continue;
            }
            let meant = nearest(written, free.iter().copied());
            // Misspelt, hence not missing as well.
            self.missing.retain(|(missing, _)| Some(*missing) != meant);
            let message = format!("{} has no key {}", self.what, shown(written));
            let hint = match meant {
                Some(meant) => format!("did you mean `{meant}`?"),
                None => self.listed(&free),
            };
            self.mistakes
                .add(Mistake::new(key.place(), "unknown-key", message).hint(hint));
        }
    }

    fn listed(&self, free: &[&'static str]) -> String {
        let mut free: Vec<String> = free.iter().map(|key| format!("`{key}`")).collect();
        if free.is_empty() {
            return "remove it; every key that can stand here is there".to_owned();
        }
        let more = free.len() > MAX_LISTED;
        free.truncate(MAX_LISTED);
        let dots = if more { ", ..." } else { "" };
        format!("it could have {}{dots}", free.join(", "))
    }

    fn take(&mut self, key: &'static str) -> Option<Node<'a>> {
        if !self.asked.contains(&key) {
            self.asked.push(key);
        }
        self.node.get(key)
    }
}

impl Drop for Fields<'_, '_> {
    fn drop(&mut self) {
        for (key, example) in std::mem::take(&mut self.missing) {
            if self.mistakes.is_full() {
                self.mistakes.only_count(self.node.place());
                continue;
            }
            let message = format!("{} lacks the key `{key}`", self.what);
            let hint = match example {
                Some(example) => format!("add a line like `{key}: {example}`"),
                None => format!("add the line `{key}: ...`"),
            };
            self.mistakes
                .add(Mistake::new(self.node.place(), "missing-key", message).hint(hint));
        }
    }
}
