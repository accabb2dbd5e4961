//! What `serde_yaml` makes of the same text: what plain words mean, and whether
//! it reads the whole as we did. The library lives only here.
//!
//! Called by `parse` once size and nesting are known to be inside the caps.

use crate::complaint;
use crate::mistake::{Mistake, Mistakes};
use crate::node::{Data, Item, Meaning};
use crate::parse::narrow;
use crate::place::{Place, Source};
use std::sync::Arc;

/// What a plain word means to `serde_yaml`. Words that begin like text are not
/// asked about: there are many, and asking costs a parser each.
pub(crate) fn meaning(text: &str) -> Meaning {
    const BEGINNINGS: &[u8] = b"0123456789+-.~tTfFnN";
    match text.as_bytes().first() {
        None => return Meaning::Null,
        // No number or word of YAML's own has a space: `6 in` is text.
        Some(_) if text.contains(' ') => return Meaning::Text,
        Some(first) if !BEGINNINGS.contains(first) => return Meaning::Text,
        Some(_) => {}
    }
    match serde_yaml::from_str::<serde_yaml::Value>(text) {
        Ok(serde_yaml::Value::Null) => Meaning::Null,
        Ok(serde_yaml::Value::Bool(b)) => Meaning::Boolean(b),
        Ok(serde_yaml::Value::Number(n)) => match (n.as_i64(), n.as_f64()) {
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
    match serde_yaml::from_str::<serde_yaml::Value>(text) {
        Ok(value) => {
            if let Err(place) = agrees(root, &value) {
                mistakes.add(
                    Mistake::new(place, "two-readings", "this can be read in two ways")
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

/// Depth is at most `caps::MAX_DEPTH`, so the recursion is bounded.
fn agrees(item: &Item, value: &serde_yaml::Value) -> Result<(), Place> {
    use serde_yaml::Value;
    let same = match (&item.data, value) {
        (Data::List(items), Value::Sequence(values)) => {
            if items.len() == values.len() {
                return items.iter().zip(values).try_for_each(|(i, v)| agrees(i, v));
            }
            false
        }
        (Data::Map(entries), Value::Mapping(values)) => {
            if entries.len() == values.len() {
                return entries
                    .iter()
                    .zip(values)
                    .try_for_each(|((ik, iv), (vk, vv))| {
                        agrees(ik, vk)?;
                        agrees(iv, vv)
                    });
            }
            false
        }
        (Data::Scalar { text, meaning, .. }, value) => match (meaning, value) {
            (Meaning::Null, Value::Null) => true,
            (Meaning::Boolean(a), Value::Bool(b)) => a == b,
            (Meaning::Integer(a), Value::Number(b)) => Some(*a) == b.as_i64(),
            (Meaning::Float(a), Value::Number(b)) => {
                b.as_f64().is_some_and(|b| a.to_bits() == b.to_bits())
            }
            (Meaning::Text, Value::String(b)) => text == b,
            _ => false,
        },
        _ => false,
    };
    if same {
        Ok(())
    } else {
        Err(item.place.clone())
    }
}
