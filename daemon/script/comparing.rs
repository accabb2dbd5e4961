//! Comparing with < > == in scripts.
//!
//! The engine's own comparisons are silently false between unlike kinds, and
//! between numbers they are blind below 2.2e-16: a limit would pass that does
//! not. These replace them: plain numbers, texts and truth values among
//! themselves, exactly; anything else is a fault that says what to write.
//!
//! Called by: scripts. Not here: rulings (`criteria`).

use std::cmp::Ordering;

use rhai::Dynamic;

use super::api::{Entry, entries};
use super::fault::{Raised, raise};
use super::values::{Amount, kind_of, number, shown};

/// How two values stand to one another.
fn compared(one: &Dynamic, two: &Dynamic) -> Raised<Ordering> {
    if let (Some(a), Some(b)) = (number(one), number(two)) {
        return a
            .partial_cmp(&b)
            .map_or_else(|| raise("not-a-number cannot be compared"), Ok);
    }
    if let (Ok(a), Ok(b)) = (one.as_bool(), two.as_bool()) {
        return Ok(a.cmp(&b));
    }
    if let (Some(a), Some(b)) = (
        one.read_lock::<rhai::ImmutableString>(),
        two.read_lock::<rhai::ImmutableString>(),
    ) {
        return Ok(a.as_str().cmp(b.as_str()));
    }
    let amounts = (one.read_lock::<Amount>(), two.read_lock::<Amount>());
    match &amounts {
        (Some(a), Some(b)) if a.0.given && b.0.given => given(a, b),
        (Some(_), _) | (_, Some(_)) => raise(
            "a measured value is not compared with < > ==: \
             use at_least, at_most, between or same_as, or its plain `.value`",
        ),
        _ => raise(format!(
            "{} and {} cannot be compared",
            kind_of(one),
            kind_of(two)
        )),
    }
}

/// Two parameters are known exactly.
fn given(one: &Amount, two: &Amount) -> Raised<Ordering> {
    let other = two.in_unit(&one.0.unit);
    let values = (&one.0.what, other.as_ref().map(|other| &other.0.what));
    match values {
        (Ok(a), Some(Ok(b))) => a.value.partial_cmp(&b.value).map_or_else(
            || raise(format!("{} cannot be compared", shown(a.value))),
            Ok,
        ),
        _ => raise(format!(
            "{} and {} cannot be compared",
            one.0.unit.words(),
            two.0.unit.words()
        )),
    }
}

pub(super) const ENTRIES: &[Entry] = entries! {
    "" "==" (Some("a == b")) -> "true or false": "equal numbers, texts or truth values", |e| {
            e.register_fn("==", |a: Dynamic, b: Dynamic| compared(&a, &b).map(Ordering::is_eq));
        };
    "" "!=" (Some("a != b")) -> "true or false": "not equal", |e| {
            e.register_fn("!=", |a: Dynamic, b: Dynamic| compared(&a, &b).map(Ordering::is_ne));
        };
    "" "<" (Some("a < b")) -> "true or false": "below", |e| {
            e.register_fn("<", |a: Dynamic, b: Dynamic| compared(&a, &b).map(Ordering::is_lt));
        };
    "" "<=" (Some("a <= b")) -> "true or false": "not above", |e| {
            e.register_fn("<=", |a: Dynamic, b: Dynamic| compared(&a, &b).map(Ordering::is_le));
        };
    "" ">" (Some("a > b")) -> "true or false": "above", |e| {
            e.register_fn(">", |a: Dynamic, b: Dynamic| compared(&a, &b).map(Ordering::is_gt));
        };
    "" ">=" (Some("a >= b")) -> "true or false": "not below", |e| {
            e.register_fn(">=", |a: Dynamic, b: Dynamic| compared(&a, &b).map(Ordering::is_ge));
        };
};
