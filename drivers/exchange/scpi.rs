//! SCPI's written forms: numbers and their sentinels, error-queue lines,
//! identities, channel lists. Pure; no bytes can make it panic.
//!
//! Sources: IEEE 488.2-1992 clause 8.7 (answer data), SCPI-99 vol. 1 clauses
//! 7.2.1 (9.9E37, 9.91E37), 8.3.2 (channel lists), 21.8 (error queue).

/// A decimal answer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Number {
    /// A finite value.
    Value(f64),
    /// Plus infinity: above the range.
    Over,
    /// Minus infinity: below the range.
    Under,
    /// Not a number.
    Invalid,
}

/// SCPI-99 vol. 1, 7.2.1.4: infinity on the wire.
const INFINITY: f64 = 9.9e37;
/// SCPI-99 vol. 1, 7.2.1.5: not-a-number on the wire.
const NOT_A_NUMBER: f64 = 9.91e37;
/// Sentinels are compared relatively: devices print five digits and more.
const SENTINEL_TOLERANCE: f64 = 1e-5;

/// Reads NR1, NR2 and NR3 (leading `+`, spaces, lower-case `e` and a missing
/// leading digit included), the sentinels, `INF`/`NAN` words and the markers
/// that cheap meters print. `None` when the text is none of these.
pub fn number(text: &str) -> Option<Number> {
    let text = text.trim();
    let (negative, body) = match text.as_bytes().first()? {
        b'-' => (true, &text[1..]),
        b'+' => (false, &text[1..]),
        _ => (false, text),
    };
    let body = body.trim_start();
    if ["INF", "INFINITY", "OL", "OVER"]
        .iter()
        .any(|word| body.eq_ignore_ascii_case(word))
    {
        return Some(if negative {
            Number::Under
        } else {
            Number::Over
        });
    }
    if body.eq_ignore_ascii_case("NINF") {
        return Some(Number::Under);
    }
    if body.eq_ignore_ascii_case("NAN") || (text.len() >= 2 && text.bytes().all(|b| b == b'-')) {
        return Some(Number::Invalid);
    }
    if !is_decimal(body) {
        return None;
    }
    let size: f64 = body.parse().ok()?;
    Some(meant(if negative { -size } else { size }))
}

/// What a number means that came as bytes or digits: the sentinels are none.
pub fn meant(number: f64) -> Number {
    let size = number.abs();
    let near = |sentinel: f64| (size - sentinel).abs() <= sentinel * SENTINEL_TOLERANCE;
    if number.is_nan() || near(NOT_A_NUMBER) {
        return Number::Invalid;
    }
    match near(INFINITY) || size.is_infinite() {
        true if number < 0.0 => Number::Under,
        true => Number::Over,
        false => Number::Value(number),
    }
}

/// Digits with an optional point and exponent; at least one digit.
fn is_decimal(body: &str) -> bool {
    let (mantissa, exponent) = match body.find(['e', 'E']) {
        Some(at) => (&body[..at], Some(&body[at + 1..])),
        None => (body, None),
    };
    let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, ""));
    let digits = |part: &str| part.bytes().all(|b| b.is_ascii_digit());
    let exponent_reads = exponent.is_none_or(|written| {
        let unsigned = written.strip_prefix(['+', '-']).unwrap_or(written);
        !unsigned.is_empty() && digits(unsigned)
    });
    digits(whole) && digits(fraction) && whole.len() + fraction.len() > 0 && exponent_reads
}

/// One line of the error queue.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Complaint {
    /// 0 means that the queue is empty; -350 that complaints were lost.
    pub code: i64,
    /// The text within the quotes, doubled quotes undone.
    pub text: String,
}

/// Reads `-113,"Undefined header"` and `+0,"No error"`.
pub fn complaint(line: &str) -> Option<Complaint> {
    let (code, rest) = line.trim().split_once(',')?;
    let code: i64 = code.trim().parse().ok()?;
    let text = rest.trim().strip_prefix('"')?.strip_suffix('"')?;
    Some(Complaint {
        code,
        text: text.replace("\"\"", "\""),
    })
}

/// Who a device says it is. Kept whole: a changed firmware is a reason to
/// measure again.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Identity {
    /// The maker.
    pub maker: String,
    /// The model.
    pub model: String,
    /// The serial number, if it tells one.
    pub serial: Option<String>,
    /// The firmware, if it tells one.
    pub firmware: Option<String>,
    /// The answer as it came, without its end of line.
    pub raw: String,
}

/// Most channels in one list: more than any board on a bench has.
pub const CHANNELS_AT_MOST: usize = 64;

/// Reads `(@1,3:5)`; `None` when it is no list or longer than
/// [`CHANNELS_AT_MOST`].
pub fn channels(text: &str) -> Option<Vec<u16>> {
    let inner = text.trim().strip_prefix("(@")?.strip_suffix(')')?;
    let mut found = Vec::new();
    for part in inner.split(',') {
        let (first, last) = part.split_once(':').unwrap_or((part, part));
        let (first, last): (u16, u16) = (first.trim().parse().ok()?, last.trim().parse().ok()?);
        let count = usize::from(last.checked_sub(first)?) + 1;
        if found.len() + count > CHANNELS_AT_MOST {
            return None;
        }
        found.extend(first..=last);
    }
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sentinels: SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5. Forms: IEEE 488.2
    /// 8.7.2 to 8.7.4.
    #[test]
    fn numbers_in_every_written_form() {
        let cases = [
            ("123", Some(Number::Value(123.0))),
            (" +1.23", Some(Number::Value(1.23))),
            ("-1.5e-2", Some(Number::Value(-0.015))),
            ("5.006312E+02", Some(Number::Value(500.6312))),
            (".5", Some(Number::Value(0.5))),
            ("+ 7.", Some(Number::Value(7.0))),
            ("9.9E37", Some(Number::Over)),
            ("+9.90000E+37", Some(Number::Over)),
            ("-9.9E+37", Some(Number::Under)),
            ("9.91E37", Some(Number::Invalid)),
            ("9.910001E37", Some(Number::Invalid)),
            ("1E400", Some(Number::Over)),
            ("OL", Some(Number::Over)),
            ("+OL", Some(Number::Over)),
            ("-INF", Some(Number::Under)),
            ("nan", Some(Number::Invalid)),
            ("----", Some(Number::Invalid)),
            ("", None),
            ("-", None),
            ("1.2.3", None),
            ("1,5", None),
            ("12 lx", None),
            ("0x10", None),
            ("1e", None),
            (".", None),
        ];
        for (text, read) in cases {
            assert_eq!(number(text), read, "{text:?}");
        }
    }

    #[test]
    fn error_lines_keep_quotes_commas_and_semicolons() {
        let cases = [
            ("0,\"No error\"", Some((0, "No error"))),
            ("+0,\"No error\"", Some((0, "No error"))),
            (
                "-113,\"Undefined header;FOO, \"\"BAR\"\"\"",
                Some((-113, "Undefined header;FOO, \"BAR\"")),
            ),
            ("-350,\"Queue overflow\"", Some((-350, "Queue overflow"))),
            ("17", None),
            ("x,\"y\"", None),
            ("1,\"", None),
        ];
        for (line, read) in cases {
            let read = read.map(|(code, text): (i64, &str)| Complaint {
                code,
                text: text.to_owned(),
            });
            assert_eq!(complaint(line), read, "{line:?}");
        }
    }

    /// Writes `(@1,3)`.
    fn channel_list(channels: &[u16]) -> String {
        let numbers: Vec<String> = channels.iter().map(u16::to_string).collect();
        format!("(@{})", numbers.join(","))
    }

    #[test]
    fn channel_lists_read_and_write() {
        assert_eq!(channel_list(&[1, 3]), "(@1,3)");
        assert_eq!(channels("(@1,3:5)"), Some(vec![1, 3, 4, 5]));
        assert_eq!(channels("(@5:3)"), None);
        assert_eq!(channels("(@1:65535)"), None);
        assert_eq!(channels("(@)"), None);
        assert_eq!(channels("1,2"), None);
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text in "\\PC*") {
            let _ = (number(&text), complaint(&text), channels(&text));
        }

        #[test]
        fn a_printed_number_reads_back(value in -1e30_f64..1e30) {
            proptest::prop_assert_eq!(number(&format!("{value:e}")), Some(Number::Value(value)));
        }

        #[test]
        fn a_written_list_reads_back(list in proptest::collection::vec(1_u16..400, 1..20)) {
            proptest::prop_assert_eq!(channels(&channel_list(&list)), Some(list));
        }
    }
}
