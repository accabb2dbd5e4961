//! Columns out of a JSON object: `{"wavelength_nm": [380, 385], ...}`.
//!
//! A number is a number, `null` is missing, `">20000"` and `"<0.01"` are over
//! and under range. Items are taken as they stand in the text, so that each bad
//! one is told with its place; only broken JSON ends the reading. Called by:
//! columns.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;

use serde::de::{DeserializeSeed, Deserializer, Error, MapAccess, SeqAccess, Visitor};
use serde_json::value::RawValue;
use written::place::Place;
use written::{Mistake, Mistakes};

use super::columns::{Cells, Column, Columns, Entry, Wanted, entry_of, header_of};

/// The most items in one column.
const ITEMS_AT_MOST: usize = 20_000_000;
/// The most bad items that are told; a file with more is another one.
const BAD_AT_MOST: usize = 100;

/// Reads the columns; mistakes end up in `mistakes`.
pub(super) fn read(
    file: &Arc<str>,
    text: &str,
    wanted: &[Wanted<'_>],
    mistakes: &mut Mistakes,
) -> Columns {
    let found = RefCell::new(BTreeMap::new());
    let bad = RefCell::new(Vec::new());
    let mut deserializer = serde_json::Deserializer::from_str(text);
    let whole = Whole {
        wanted,
        found: &found,
        bad: &bad,
    };
    let read = whole
        .deserialize(&mut deserializer)
        .and_then(|()| deserializer.end());
    for Bad { item, message } in bad.into_inner() {
        mistakes.add(Mistake::new(place_of(file, text, item), "item", message));
    }
    if let Err(error) = read {
        let line = u32::try_from(error.line().max(1)).unwrap_or(u32::MAX);
        let column = u32::try_from(error.column().max(1)).unwrap_or(u32::MAX);
        let message = error.to_string();
        let message = message.split(" at line ").next().unwrap_or("").to_owned();
        mistakes.add(Mistake::new(at(file, line, column), "json", message));
        return Columns::default();
    }
    let found = found.into_inner();
    let header: Vec<&str> = found.keys().map(String::as_str).collect();
    let (columns, _) = header_of(&header, wanted, mistakes, |_| at(file, 1, 1));
    let mut rows = None;
    let mut kept: Vec<(String, Column)> = Vec::new();
    for (name, column) in found {
        let Some(wanted) = wanted.iter().find(|wanted| wanted.name == name) else {
            continue;
        };
        let length = match &column {
            Column::Numbers(entries) => entries.len(),
            Column::Words(words) => words.len(),
        };
        if *rows.get_or_insert(length) != length {
            let message = format!(
                "the column `{name}` has {length} items, another one {}",
                rows.unwrap_or(0)
            );
            mistakes.add(Mistake::new(at(file, 1, 1), "lengths", message));
        }
        kept.push((wanted.name.to_owned(), column));
    }
    if rows == Some(0) {
        mistakes.add(Mistake::new(
            at(file, 1, 1),
            "no-rows",
            "the columns are empty",
        ));
    }
    columns.with(rows.unwrap_or(0), kept)
}

fn at(file: &Arc<str>, line: u32, column: u32) -> Place {
    Place {
        file: Arc::clone(file),
        line,
        column,
        end_column: column,
    }
}

/// Where a piece of the text stands in it.
fn place_of(file: &Arc<str>, text: &str, piece: &str) -> Place {
    let offset = (piece.as_ptr() as usize).saturating_sub(text.as_ptr() as usize);
    let before = text.get(..offset).unwrap_or("");
    let line_start = before.rfind('\n').map_or(0, |at| at + 1);
    let number = |count: usize| u32::try_from(count).unwrap_or(u32::MAX);
    let column = number(before[line_start..].chars().count() + 1);
    Place {
        file: Arc::clone(file),
        line: number(before.matches('\n').count() + 1),
        column,
        end_column: column.saturating_add(number(piece.chars().count())),
    }
}

/// An item that is none, as it stands in the text.
struct Bad<'t> {
    item: &'t str,
    message: String,
}

struct Whole<'a, 't> {
    wanted: &'a [Wanted<'a>],
    found: &'a RefCell<BTreeMap<String, Column>>,
    bad: &'a RefCell<Vec<Bad<'t>>>,
}

impl<'de> DeserializeSeed<'de> for Whole<'_, 'de> {
    type Value = ();
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_map(self)
    }
}

impl<'de> Visitor<'de> for Whole<'_, 'de> {
    type Value = ();
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an object of columns")
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        while let Some(name) = map.next_key::<String>()? {
            let wanted = self.wanted.iter().find(|wanted| wanted.name == name);
            let column = match wanted {
                Some(wanted) => map.next_value_seed(Items(wanted.cells, self.bad))?,
                None => {
                    map.next_value::<serde::de::IgnoredAny>()?;
                    Column::Words(Vec::new())
                }
            };
            let mut found = self.found.borrow_mut();
            if found.insert(name.clone(), column).is_some() {
                let message = format!("the column `{name}` stands there twice");
                return Err(A::Error::custom(message));
            }
        }
        Ok(())
    }
}

/// The items of one column.
struct Items<'a, 't>(Cells, &'a RefCell<Vec<Bad<'t>>>);

impl<'de> DeserializeSeed<'de> for Items<'_, 'de> {
    type Value = Column;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Column, D::Error> {
        deserializer.deserialize_seq(self)
    }
}

impl<'de> Items<'_, 'de> {
    /// What an item gives; a bad one is noted, and nothing stands for it.
    fn take<T>(&self, item: &'de RawValue, taken: Result<T, String>) -> Option<T> {
        taken
            .map_err(|message| {
                let mut bad = self.1.borrow_mut();
                if bad.len() < BAD_AT_MOST {
                    let item = item.get();
                    bad.push(Bad { item, message });
                }
            })
            .ok()
    }
}

impl<'de> Visitor<'de> for Items<'_, 'de> {
    type Value = Column;
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a list of values")
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Column, A::Error> {
        let (mut words, mut entries, mut count) = (Vec::new(), Vec::new(), 0);
        while let Some(item) = items.next_element::<&RawValue>()? {
            count += 1;
            if count > ITEMS_AT_MOST {
                let message = format!("more than {ITEMS_AT_MOST} values");
                return Err(A::Error::custom(message));
            }
            if self.0 == Cells::Words {
                // Something stands for a bad one, so that lengths stay right.
                words.push(self.take(item, word_of(item)).unwrap_or_default());
            } else {
                let entry = self.take(item, number_of(item, self.0));
                entries.push(entry.unwrap_or(Entry::Missing));
            }
        }
        Ok(match self.0 {
            Cells::Words => Column::Words(words),
            Cells::Numbers | Cells::Readings => Column::Numbers(entries),
        })
    }
}

fn word_of(item: &RawValue) -> Result<String, String> {
    serde_json::from_str(item.get()).map_err(|_| format!("{} is no text", shown(item)))
}

fn number_of(item: &RawValue, cells: Cells) -> Result<Entry, String> {
    let text = item.get();
    match text.as_bytes().first() {
        Some(b'"') => entry_of(&word_of(item)?, cells, false),
        Some(b'n') => entry_of("", cells, false),
        Some(b'-' | b'0'..=b'9') => entry_of(text, cells, false),
        _ => Err(format!("{} is not a number", shown(item))),
    }
}

/// An item in a message, shortened.
fn shown(item: &RawValue) -> String {
    const SHOWN_AT_MOST: usize = 40;
    let mut text: String = item.get().chars().take(SHOWN_AT_MOST).collect();
    if text.len() < item.get().len() {
        text.push_str("...");
    }
    format!("`{text}`")
}
