//! The little that the language itself needs: numbers, texts, arrays, ranges.
//!
//! Numbers divide as numbers (5/2 is 2.5, not 2). No package of the engine is
//! loaded: what is here is all that there is.
//!
//! Called by: scripts. Not here: measured values (`values`).

use std::ops::{Range, RangeInclusive};

use rhai::{Array, Dynamic, Engine, ImmutableString, Map, NativeCallContext};

use super::api::{Entry, entries};
use super::fault::{Raised, TOO_LARGE, raise};
use super::sandbox::charge;
use super::values::{Amount, kind_of, number, shown};

/// As text, for reasons.
fn text_of(value: &Dynamic) -> Raised<ImmutableString> {
    if let Some(text) = value.read_lock::<ImmutableString>() {
        return Ok((*text).clone());
    }
    if let Some(amount) = value.read_lock::<Amount>() {
        return Ok(amount.shown().into());
    }
    if let Ok(truth) = value.as_bool() {
        return Ok(truth.to_string().into());
    }
    match number(value) {
        Some(number) => Ok(shown(number).into()),
        None => raise(format!("{} is not a text", kind_of(value))),
    }
}

fn appended(text: &ImmutableString, more: &Dynamic) -> Raised<ImmutableString> {
    let more = text_of(more)?;
    charge(text.len() + more.len());
    Ok(format!("{text}{more}").into())
}

fn quotient(a: f64, b: f64) -> Raised<f64> {
    if b == 0.0 {
        return raise("divided by zero");
    }
    Ok(a / b)
}

fn divide(engine: &mut Engine) {
    engine
        .register_fn("/", |a: i64, b: i64| quotient(a as f64, b as f64))
        .register_fn("/", quotient)
        .register_fn("/", |a: f64, b: i64| quotient(a, b as f64))
        .register_fn("/", |a: i64, b: f64| quotient(a as f64, b));
}

fn divide_in_place(engine: &mut Engine) {
    fn refused<A>(_: &mut A, _: Dynamic) -> Raised<()> {
        raise("write x = x / y")
    }
    engine
        .register_fn("/=", refused::<i64>)
        .register_fn("/=", refused::<f64>);
}

fn negated(engine: &mut Engine) {
    engine
        .register_fn("-", |a: f64| -a)
        .register_fn("-", |a: i64| -> Raised<i64> {
            a.checked_neg()
                .map_or_else(|| raise("too large a number"), Ok)
        });
}

/// A function of one plain number.
fn of_number(engine: &mut Engine, name: &str, of: fn(f64) -> f64) {
    let checked = move |value: f64| -> Raised<f64> {
        let found = of(value);
        if found.is_finite() {
            Ok(found)
        } else {
            raise(format!("of {} there is no such number", shown(value)))
        }
    };
    engine
        .register_fn(name, checked)
        .register_fn(name, move |value: i64| checked(value as f64));
}

/// The engine would notice an array that is too large, and not tell where; one
/// that is put into itself it would not notice.
fn push(context: NativeCallContext<'_>, array: &mut Array, item: Dynamic) -> Raised<()> {
    let most = context.engine().max_array_size();
    let bytes = item
        .read_lock::<ImmutableString>()
        .map_or(0, |text| text.len());
    charge(array.len() + bytes);
    if item.is_array() || item.is_map() {
        return raise("an array or map is not put into another one");
    }
    if array.len() >= most {
        return raise(format!("{TOO_LARGE}an array of more than {most} items"));
    }
    array.push(item);
    Ok(())
}

fn ranges(engine: &mut Engine) {
    engine
        .register_iterator::<Range<i64>>()
        .register_iterator::<RangeInclusive<i64>>();
}

pub(super) const ENTRIES: &[Entry] = entries! {
    "" "/" (Some("a / b")) -> "a number": "of plain numbers; 5 / 2 is 2.5", divide;
    "" "/=" (Some("a /= b")) -> "nothing": "refused", divide_in_place;
    "" "-" (Some("-a")) -> "a number": "with the other sign", negated;
    "" "!" (Some("!a")) -> "true or false": "not", |e| {
            e.register_fn("!", |a: bool| !a);
        };
    "" "+" (Some("text + a")) -> "a text": "a text with something shown behind it", |e| {
            e.register_fn("+", |a: ImmutableString, b: Dynamic| appended(&a, &b));
        };
    "" "to_string" (Some("a")) -> "a text": "as it is shown", |e| {
            e.register_fn("to_string", |a: Dynamic| text_of(&a));
        };
    "" "abs" (Some("a")) -> "a number": "without its sign", |e| of_number(e, "abs", f64::abs);
    "" "sqrt" (Some("a")) -> "a number": "square root", |e| of_number(e, "sqrt", f64::sqrt);
    "" "ln" (Some("a")) -> "a number": "natural logarithm", |e| of_number(e, "ln", f64::ln);
    "" "exp" (Some("a")) -> "a number": "e to this power", |e| of_number(e, "exp", f64::exp);
    "" "round" (Some("a")) -> "a number": "to the nearest whole one", |e| of_number(e, "round", f64::round);
    "" ".." (Some("a..b")) -> "a range": "whole numbers for `for`, b left out; a..=b with it", ranges;
    "array" "len" (Some("")) -> "a number": "how many items", |e| {
            e.register_fn("len", |a: &mut Array| a.len() as i64);
        };
    "array" "push" (Some("item")) -> "nothing": "one more item; also array += [item]", |e| {
            e.register_fn("push", push);
            e.register_iterator::<Array>();
        };
    "text" "len" (Some("")) -> "a number": "how many letters", |e| {
            e.register_fn("len", |a: ImmutableString| a.chars().count() as i64);
        };
    "map" "len" (Some("")) -> "a number": "how many entries", |e| {
            e.register_fn("len", |a: &mut Map| a.len() as i64);
        };
};
