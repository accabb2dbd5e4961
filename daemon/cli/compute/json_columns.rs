//! Columns out of a JSON object: `{"wavelength_nm": [380, 385], ...}`.
//!
//! A number is a number, `null` is missing, `">20000"` and `"<0.01"` are over
//! and under range. serde_json names line and column of its first complaint.
//! Called by: columns.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;

use serde::de::{DeserializeSeed, Deserializer, Error, MapAccess, SeqAccess, Visitor};
use written::place::Place;
use written::{Mistake, Mistakes};

use super::columns::{Cells, Column, Columns, Entry, Wanted, entry_of, header_of};

/// The most items in one column.
const ITEMS_AT_MOST: usize = 20_000_000;

/// Reads the columns; mistakes end up in `mistakes`.
pub(super) fn read(
    file: &Arc<str>,
    text: &str,
    wanted: &[Wanted<'_>],
    mistakes: &mut Mistakes,
) -> Columns {
    let found = RefCell::new(BTreeMap::new());
    let mut deserializer = serde_json::Deserializer::from_str(text);
    let whole = Whole {
        wanted,
        found: &found,
    };
    let read = whole
        .deserialize(&mut deserializer)
        .and_then(|()| deserializer.end());
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

struct Whole<'a> {
    wanted: &'a [Wanted<'a>],
    found: &'a RefCell<BTreeMap<String, Column>>,
}

impl<'de> DeserializeSeed<'de> for Whole<'_> {
    type Value = ();
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_map(self)
    }
}

impl<'de> Visitor<'de> for Whole<'_> {
    type Value = ();
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an object of columns")
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        while let Some(name) = map.next_key::<String>()? {
            let wanted = self.wanted.iter().find(|wanted| wanted.name == name);
            let column = match wanted {
                Some(wanted) => map.next_value_seed(Items(wanted.cells))?,
                None => {
                    map.next_value::<serde::de::IgnoredAny>()?;
                    Column::Words(Vec::new())
                }
            };
            if self
                .found
                .borrow_mut()
                .insert(name.clone(), column)
                .is_some()
            {
                let message = format!("the column `{name}` stands there twice");
                return Err(A::Error::custom(message));
            }
        }
        Ok(())
    }
}

/// The items of one column.
struct Items(Cells);

impl<'de> DeserializeSeed<'de> for Items {
    type Value = Column;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Column, D::Error> {
        deserializer.deserialize_seq(self)
    }
}

impl<'de> Visitor<'de> for Items {
    type Value = Column;
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a list of values")
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Column, A::Error> {
        let too_long = || A::Error::custom(format!("more than {ITEMS_AT_MOST} values"));
        if self.0 == Cells::Words {
            let mut words = Vec::new();
            while let Some(word) = items.next_element::<String>()? {
                if words.len() >= ITEMS_AT_MOST {
                    return Err(too_long());
                }
                words.push(word);
            }
            return Ok(Column::Words(words));
        }
        let mut entries = Vec::new();
        while let Some(entry) = items.next_element_seed(Item(self.0))? {
            if entries.len() >= ITEMS_AT_MOST {
                return Err(too_long());
            }
            entries.push(entry);
        }
        Ok(Column::Numbers(entries))
    }
}

/// One item of a column of numbers.
struct Item(Cells);

impl<'de> DeserializeSeed<'de> for Item {
    type Value = Entry;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Entry, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl Visitor<'_> for Item {
    type Value = Entry;
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.0 {
            Cells::Readings => "a number, null, or text such as \">20000\"",
            Cells::Numbers | Cells::Words => "a number",
        })
    }
    fn visit_f64<E: Error>(self, value: f64) -> Result<Entry, E> {
        Ok(Entry::Value(value))
    }
    fn visit_i64<E: Error>(self, value: i64) -> Result<Entry, E> {
        Ok(Entry::Value(value as f64))
    }
    fn visit_u64<E: Error>(self, value: u64) -> Result<Entry, E> {
        Ok(Entry::Value(value as f64))
    }
    fn visit_unit<E: Error>(self) -> Result<Entry, E> {
        entry_of("", self.0, false).map_err(E::custom)
    }
    fn visit_str<E: Error>(self, text: &str) -> Result<Entry, E> {
        entry_of(text, self.0, false).map_err(E::custom)
    }
}
