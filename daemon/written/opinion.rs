//! What `serde_yaml` makes of the same text: what plain words mean, and whether
//! it reads the whole as we did. The library lives only here.
//!
//! Called by `parse` once size and nesting are known to be inside the caps.

use crate::complaint;
use crate::mistake::{Mistake, Mistakes};
use crate::node::{Data, Item, Meaning};
use crate::parse::narrow;
use crate::place::{Place, Source};
use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use std::cell::Cell;
use std::fmt::Formatter;
use std::sync::{Arc, LazyLock};

/// Words of YAML's own, old and new, that are no numbers: `serde_yaml` says once
/// of each what it is.
const WORDS: [&str; 16] = [
    "~", "null", "Null", "NULL", "true", "True", "TRUE", "false", "False", "FALSE", "yes", "no",
    "on", "off", "y", "n",
];

/// What a plain word means to `serde_yaml`. A parser for each word would cost
/// more than the rest of the reading, so its own reader of numbers is asked, and
/// what it said of the words of YAML is kept. `tests_opinion` holds this against
/// what its parser says.
pub(crate) fn meaning(text: &str) -> Meaning {
    static SAID: LazyLock<[Meaning; WORDS.len()]> = LazyLock::new(|| {
        WORDS.map(|word| serde_yaml::from_str(word).map_or(Meaning::Text, |said| of(&said)))
    });
    match text.as_bytes().first() {
        None => Meaning::Null,
        Some(b'0'..=b'9' | b'+' | b'-' | b'.') => match text.parse() {
            Ok(number) => of(&serde_yaml::Value::Number(number)),
            Err(_) => Meaning::Text,
        },
        Some(_) => match WORDS.iter().position(|word| *word == text) {
            Some(at) => SAID[at],
            None => Meaning::Text,
        },
    }
}

/// What a value of `serde_yaml` is; what is more than a word is text.
pub(crate) fn of(value: &serde_yaml::Value) -> Meaning {
    match value {
        serde_yaml::Value::Null => Meaning::Null,
        serde_yaml::Value::Bool(b) => Meaning::Boolean(*b),
        serde_yaml::Value::Number(n) => match (n.as_i64(), n.as_f64()) {
            (Some(n), _) => Meaning::Integer(n),
            (None, Some(x)) => Meaning::Float(x),
            (None, None) => Meaning::Text,
        },
        _ => Meaning::Text,
    }
}

/// `serde_yaml` reads the same text; what it refuses, or reads differently, is
/// a mistake: two readers that disagree mean that a person may, too.
pub(crate) fn second(
    file: &Arc<str>,
    source: &Source,
    text: &str,
    root: &Item,
    mistakes: &mut Mistakes,
) {
    let differs = Cell::new(None);
    let whole = Held {
        item: root,
        differs: &differs,
    };
    match whole.deserialize(serde_yaml::Deserializer::from_str(text)) {
        Ok(()) => {
            if let Some(place) = differs.take() {
                mistakes.add(
                    Mistake::new(
                        place.clone(),
                        "two-readings",
                        "this can be read in two ways",
                    )
                    .hint("put the text in quotes, or write it more simply"),
                );
            }
        }
        Err(error) => {
            let (line, column) = error
                .location()
                .map_or((1, 1), |at| (narrow(at.line()), narrow(at.column())));
            let place = source.place(file, line, column, column.saturating_add(1));
            let remark = error.to_string();
            let remark = remark.split(" at line ").next().unwrap_or(&remark);
            mistakes.add(complaint::of(remark, place, file, source));
        }
    }
}

/// A value as we read it, held against what `serde_yaml` reads in its place. No
/// value of its kind is made for that: a file may have 100,000. It reads on after
/// the first difference, because what it refuses is told first.
#[derive(Clone, Copy)]
struct Held<'a> {
    item: &'a Item,
    /// The place of the first difference.
    differs: &'a Cell<Option<&'a Place>>,
}

impl<'a> Held<'a> {
    fn of(self, item: &'a Item) -> Self {
        Self { item, ..self }
    }

    fn differs(self) {
        if self.differs.get().is_none() {
            self.differs.set(Some(&self.item.place));
        }
    }

    fn must_mean<E>(self, wanted: Meaning) -> Result<(), E> {
        let same = match (&self.item.data, wanted) {
            (Data::Scalar { meaning, .. }, Meaning::Float(wanted)) => {
                matches!(meaning, Meaning::Float(found) if found.to_bits() == wanted.to_bits())
            }
            (Data::Scalar { meaning, .. }, wanted) => *meaning == wanted,
            _ => false,
        };
        if !same {
            self.differs();
        }
        Ok(())
    }

    fn must_be<E>(self, number: impl Into<serde_yaml::Number>) -> Result<(), E> {
        self.must_mean(of(&serde_yaml::Value::Number(number.into())))
    }
}

/// Depth is at most `caps::MAX_DEPTH`, so the recursion is bounded.
impl<'de> DeserializeSeed<'de> for Held<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Held<'_> {
    type Value = ();

    fn expecting(&self, f: &mut Formatter<'_>) -> std::fmt::Result {
        f.write_str("any YAML value")
    }

    fn visit_unit<E>(self) -> Result<(), E> {
        self.must_mean(Meaning::Null)
    }

    fn visit_bool<E>(self, b: bool) -> Result<(), E> {
        self.must_mean(Meaning::Boolean(b))
    }

    fn visit_i64<E>(self, n: i64) -> Result<(), E> {
        self.must_be(n)
    }

    fn visit_u64<E>(self, n: u64) -> Result<(), E> {
        self.must_be(n)
    }

    fn visit_f64<E>(self, x: f64) -> Result<(), E> {
        self.must_be(x)
    }

    fn visit_str<E>(self, wanted: &str) -> Result<(), E> {
        match &self.item.data {
            Data::Scalar { text, .. } if text == wanted => self.must_mean(Meaning::Text),
            _ => {
                self.differs();
                Ok(())
            }
        }
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<(), A::Error> {
        let Data::List(items) = &self.item.data else {
            self.differs();
            return IgnoredAny.visit_seq(seq).map(drop);
        };
        for item in items {
            if seq.next_element_seed(self.of(item))?.is_none() {
                self.differs();
                return Ok(());
            }
        }
        while seq.next_element::<IgnoredAny>()?.is_some() {
            self.differs();
        }
        Ok(())
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        let Data::Map(entries) = &self.item.data else {
            self.differs();
            return IgnoredAny.visit_map(map).map(drop);
        };
        for (key, value) in entries {
            if map.next_key_seed(self.of(key))?.is_none() {
                self.differs();
                return Ok(());
            }
            map.next_value_seed(self.of(value))?;
        }
        while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {
            self.differs();
        }
        Ok(())
    }
}
