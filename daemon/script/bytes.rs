//! Bytes in a codec's hands: made, joined, taken apart, summed up.
//!
//! Orders of bytes are named, `"high-first"` or `"low-first"`; there is no default.
//! A float that is no number or infinite becomes the text that SCPI-99 (vol. 1,
//! 7.2.1) has for it, so that no arithmetic hides it.
//!
//! Called by: codecs. Not here: rulings and metrics, which see no bytes (`api`).

use rhai::{Array, Blob, Dynamic, Engine, ImmutableString};

use super::api::{Entry, entries};
use super::fault::{Raised, TOO_LARGE, raise};
use super::limits::BYTES;
use super::sandbox::charge;
use super::values::number;

/// Bytes that are not too many.
fn bounded(bytes: Vec<u8>) -> Raised<Blob> {
    charge(bytes.len());
    match bytes.len() <= BYTES {
        true => Ok(bytes),
        false => raise(format!("{TOO_LARGE}more than {BYTES} bytes")),
    }
}

fn of_numbers(numbers: &mut Array) -> Raised<Blob> {
    let byte = |item: &Dynamic| {
        item.as_int()
            .ok()
            .and_then(|whole| u8::try_from(whole).ok())
    };
    let bytes: Option<Vec<u8>> = numbers.iter().map(byte).collect();
    bytes.map_or_else(|| raise("a byte is a whole number from 0 to 255"), bounded)
}

fn of_text(text: &ImmutableString) -> Raised<Blob> {
    match text.is_ascii() {
        true => bounded(text.as_bytes().to_vec()),
        false => raise("only ASCII becomes bytes"),
    }
}

fn joined(one: &Blob, other: &Blob) -> Raised<Blob> {
    bounded([&one[..], other].concat())
}

/// Some of the bytes, from 0.
fn part(bytes: &[u8], at: i64, count: i64) -> Raised<&[u8]> {
    charge(bytes.len());
    let range = usize::try_from(at).ok().zip(usize::try_from(count).ok());
    let found = range.and_then(|(at, count)| bytes.get(at..at.checked_add(count)?));
    match found {
        Some(found) => Ok(found),
        None => raise(format!(
            "there are no {count} bytes at {at}: it has {}",
            bytes.len()
        )),
    }
}

/// The same, the most significant byte first.
fn ordered(bytes: &[u8], order: &str) -> Raised<Vec<u8>> {
    let mut bytes = bytes.to_vec();
    match order {
        "high-first" => {}
        "low-first" => bytes.reverse(),
        _ => return raise("an order of bytes is \"high-first\" or \"low-first\""),
    }
    Ok(bytes)
}

fn unsigned(bytes: &mut Blob, at: i64, count: i64, order: &str) -> Raised<i64> {
    if !(1..=7).contains(&count) {
        return raise("a whole number has 1 to 7 bytes");
    }
    let bytes = ordered(part(bytes, at, count)?, order)?;
    let whole = bytes
        .iter()
        .fold(0_i64, |whole, byte| whole << 8 | i64::from(*byte));
    Ok(whole)
}

fn signed(bytes: &mut Blob, at: i64, count: i64, order: &str) -> Raised<i64> {
    let whole = unsigned(bytes, at, count, order)?;
    let span = 1_i64 << (8 * count);
    Ok(if whole >= span / 2 {
        whole - span
    } else {
        whole
    })
}

fn float(bytes: &mut Blob, at: i64, count: i64, order: &str) -> Raised<Dynamic> {
    let bytes = ordered(part(bytes, at, count)?, order)?;
    let value = if let Ok(four) = <[u8; 4]>::try_from(&bytes[..]) {
        // The shortest decimal that means it, as the device would print it.
        let single = f32::from_be_bytes(four);
        single.to_string().parse().unwrap_or(f64::from(single))
    } else if let Ok(eight) = <[u8; 8]>::try_from(&bytes[..]) {
        f64::from_be_bytes(eight)
    } else {
        return raise("a float has 4 or 8 bytes");
    };
    Ok(if value.is_nan() {
        "9.91E37".into()
    } else if value.is_infinite() {
        if value > 0.0 { "9.9E37" } else { "-9.9E37" }.into()
    } else {
        value.into()
    })
}

fn text(bytes: &mut Blob, at: i64, count: i64) -> Raised<ImmutableString> {
    let bytes = part(bytes, at, count)?;
    match bytes.iter().all(|byte| matches!(byte, b' '..=b'~')) {
        true => Ok(bytes
            .iter()
            .copied()
            .map(char::from)
            .collect::<String>()
            .into()),
        false => raise("these bytes are no printable ASCII"),
    }
}

/// A whole number as bytes.
fn whole(value: i64, count: i64, order: &str) -> Raised<Blob> {
    if !(1..=7).contains(&count) {
        return raise("a whole number has 1 to 7 bytes");
    }
    let span = 1_i64 << (8 * count);
    if !(-span / 2..span).contains(&value) {
        return raise(format!("{value} does not fit into {count} bytes"));
    }
    let bytes = value.to_be_bytes();
    ordered(&bytes[bytes.len() - count as usize..], order)
}

fn sum(bytes: &mut Blob) -> i64 {
    charge(bytes.len());
    bytes.iter().map(|byte| i64::from(*byte)).sum()
}

fn xor(bytes: &mut Blob) -> i64 {
    charge(bytes.len());
    i64::from(bytes.iter().fold(0, |xor, byte| xor ^ byte))
}

/// Checks of 16 bits: polynomial, start, whether bits go in and out the other way
/// round (names and figures of the usual catalogue of such checks, from memory).
const CHECKS: &[(&str, u16, u16, bool)] = &[
    ("modbus", 0x8005, 0xFFFF, true),
    ("xmodem", 0x1021, 0x0000, false),
    ("ccitt-false", 0x1021, 0xFFFF, false),
    ("kermit", 0x1021, 0x0000, true),
];

fn crc16(bytes: &mut Blob, name: &str) -> Raised<i64> {
    charge(bytes.len().saturating_mul(8));
    let Some((_, polynomial, start, turned)) = CHECKS.iter().find(|(known, ..)| *known == name)
    else {
        return raise("a check is \"modbus\", \"xmodem\", \"ccitt-false\" or \"kermit\"");
    };
    let crc = bytes.iter().fold(*start, |crc, byte| {
        let byte = if *turned { byte.reverse_bits() } else { *byte };
        (0..8).fold(crc ^ u16::from(byte) << 8, |crc, _| {
            let over = crc & 0x8000 != 0;
            crc << 1 ^ if over { *polynomial } else { 0 }
        })
    });
    Ok(i64::from(if *turned { crc.reverse_bits() } else { crc }))
}

/// Digits as a number.
fn number_in(text: &ImmutableString) -> Raised<Dynamic> {
    let plain = text.trim();
    if let Ok(whole) = plain.parse::<i64>() {
        return Ok(whole.into());
    }
    let digits = plain
        .bytes()
        .all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b));
    match plain.parse::<f64>() {
        Ok(value) if digits && value.is_finite() => Ok(value.into()),
        _ => raise(format!("`{plain}` is not a number")),
    }
}

fn rounded(value: &Dynamic) -> Raised<i64> {
    let value = number(value).map(f64::round);
    match value.filter(|value| value.abs() < 9e15) {
        Some(value) => Ok(value as i64),
        None => raise("there is no such whole number"),
    }
}

fn numbers(engine: &mut Engine) {
    engine
        .register_fn(
            "unsigned",
            |b: &mut Blob, at: i64, count: i64, order: &str| unsigned(b, at, count, order),
        )
        .register_fn(
            "signed",
            |b: &mut Blob, at: i64, count: i64, order: &str| signed(b, at, count, order),
        );
}

pub(super) const ENTRIES: &[Entry] = entries! {
    "" "bytes" (Some("[2, 3]")) -> "bytes": "of whole numbers from 0 to 255", |e| {
            e.register_fn("bytes", |mut a: Array| of_numbers(&mut a));
        };
    "" "ascii" (Some("text")) -> "bytes": "those of a text", |e| {
            e.register_fn("ascii", |a: ImmutableString| of_text(&a));
        };
    "" "whole" (Some("a, count, order")) -> "bytes": "a whole number in 1 to 7 bytes, \"high-first\" or \"low-first\"", |e| {
            e.register_fn("whole", |a: i64, count: i64, order: &str| whole(a, count, order));
        };
    "" "+" (Some("bytes + bytes")) -> "bytes": "one behind the other", |e| {
            e.register_fn("+", |a: Blob, b: Blob| joined(&a, &b));
        };
    "bytes" "len" (Some("")) -> "a number": "how many", |e| {
            e.register_fn("len", |b: &mut Blob| b.len() as i64);
        };
    "bytes" "part" (Some("at, count")) -> "bytes": "some of them, from 0", |e| {
            e.register_fn("part", |b: &mut Blob, at: i64, count: i64| -> Raised<Blob> {
                part(b, at, count).map(<[u8]>::to_vec)
            });
        };
    "bytes" "unsigned" (Some("at, count, order")) -> "a number": "whole, of 1 to 7 bytes", numbers;
    "bytes" "signed" (Some("at, count, order")) -> "a number": "the same in two's complement", |_| {};
    "bytes" "float" (Some("at, count, order")) -> "a number": "IEEE 754, of 4 or 8 bytes; the text 9.9E37, -9.9E37 or 9.91E37 where it is infinite or none", |e| {
            e.register_fn("float", |b: &mut Blob, at: i64, count: i64, order: &str| {
                float(b, at, count, order)
            });
        };
    "bytes" "text" (Some("at, count")) -> "a text": "of printable ASCII", |e| {
            e.register_fn("text", |b: &mut Blob, at: i64, count: i64| text(b, at, count));
        };
    "bytes" "sum" (Some("")) -> "a number": "of all bytes; & 255 leaves its lowest byte", |e| {
            e.register_fn("sum", sum);
        };
    "bytes" "xor" (Some("")) -> "a number": "all bytes, bit by bit", |e| {
            e.register_fn("xor", xor);
        };
    "bytes" "crc16" (Some("name")) -> "a number": "a check of 16 bits: \"modbus\", \"xmodem\", \"ccitt-false\", \"kermit\"", |e| {
            e.register_fn("crc16", |b: &mut Blob, name: &str| crc16(b, name));
        };
    "" "number_in" (Some("text")) -> "a number": "that a text is", |e| {
            e.register_fn("number_in", |a: ImmutableString| number_in(&a));
        };
    "" "nearest" (Some("a")) -> "a number": "the whole number nearest to one", |e| {
            e.register_fn("nearest", |a: Dynamic| rounded(&a));
        };
};
