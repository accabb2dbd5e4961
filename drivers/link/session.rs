//! What went over a link as text: one line for what was written or read at one
//! go, for a person to read and for `simulated::replayed` to play.
//!
//! ```text
//! # the lux head, as it was at night
//! session 1
//!     0.000412000 to   2a 49 44 4e 3f 0a  # *IDN?.
//!     0.031870000 from 53 69 6d 0a  # Sim.
//! ```
//!
//! First `session 1`, the number of this form. Then seconds (nine decimals, on the
//! monotonic clock), `to` the device or `from` it, and the bytes in hexadecimal.
//! What stands behind a `#` is a comment; empty lines are nothing. Times go
//! back only where civil time was set back between two sittings of a run.
//!
//! Called by: bench (writes it), simulated (reads it). Not here: the recording
//! ([`super::tap`]).

use std::fmt::Write as _;

use photometry::units::Span;

use super::tap::Way;

/// The first line that is no comment.
pub const FIRST_LINE: &str = "session 1";

/// The longest session that is read, in bytes of text.
pub const AT_MOST_BYTES: usize = 64 << 20;

/// Bytes that were written or read at one go.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Said {
    /// Where it stands in the text, from 1; 0 where it was in none.
    pub line: usize,
    /// Since the session's beginning.
    pub after: Span,
    /// Which way.
    pub way: Way,
    /// The bytes, one at least.
    pub bytes: Vec<u8>,
}

/// A line that is none of a session.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line} of the session: {why}")]
pub struct SessionError {
    /// Which line, from 1.
    pub line: usize,
    /// What is wrong with it.
    pub why: &'static str,
}

/// Writes one line, its end included.
pub fn write(text: &mut String, after: Span, way: Way, bytes: &[u8]) {
    let (sign, ns) = (
        if after.ns() < 0 { "-" } else { "" },
        after.ns().unsigned_abs(),
    );
    let (seconds, decimals) = (ns / 1_000_000_000, ns % 1_000_000_000);
    let when = format!("{sign}{seconds}.{decimals:09}");
    let way = match way {
        Way::To => "to  ",
        Way::From => "from",
    };
    // Writing to a String cannot fail.
    let _ = write!(text, "{when:>15} {way}");
    for byte in bytes {
        let _ = write!(text, " {byte:02x}");
    }
    text.push_str("  # ");
    text.extend(bytes.iter().map(|byte| match byte {
        b' '..=b'~' => char::from(*byte),
        _ => '.',
    }));
    text.push('\n');
}

/// Reads a session.
///
/// # Errors
/// The first line that is none of a session.
pub fn read(text: &str) -> Result<Vec<Said>, SessionError> {
    let wrong = |line, why| SessionError { line, why };
    if text.len() > AT_MOST_BYTES {
        return Err(wrong(1, "the text is longer than 64 MiB"));
    }
    let lines = text.lines().enumerate().map(|(at, line)| {
        let said = line.split('#').next().unwrap_or_default().trim();
        (at + 1, said)
    });
    let mut lines = lines.filter(|(_, said)| !said.is_empty());
    match lines.next() {
        Some((_, FIRST_LINE)) => {}
        Some((line, _)) => return Err(wrong(line, "it must begin with `session 1`")),
        None => return Err(wrong(1, "there is nothing in it")),
    }
    let mut all = Vec::new();
    for (line, said) in lines {
        all.push(one(line, said)?);
    }
    Ok(all)
}

/// One line without its comment.
fn one(line: usize, text: &str) -> Result<Said, SessionError> {
    let wrong = |why| SessionError { line, why };
    let mut words = text.split_ascii_whitespace();
    let after = words.next().and_then(seconds);
    let after = after.ok_or_else(|| wrong("it must begin with seconds, such as `12.031870000`"))?;
    let way = match words.next() {
        Some("to") => Way::To,
        Some("from") => Way::From,
        _ => return Err(wrong("after the seconds stands `to` or `from`")),
    };
    let bytes: Option<Vec<u8>> = words.map(byte).collect();
    match bytes {
        Some(bytes) if !bytes.is_empty() => Ok(Said {
            line,
            after,
            way,
            bytes,
        }),
        _ => Err(wrong("its bytes must be pairs of hexadecimal digits")),
    }
}

fn byte(word: &str) -> Option<u8> {
    let digits = word.len() == 2 && word.bytes().all(|digit| digit.is_ascii_hexdigit());
    let byte = u8::from_str_radix(word, 16);
    byte.ok().filter(|_| digits)
}

/// Seconds with nine decimals at most, to the nanosecond.
fn seconds(word: &str) -> Option<Span> {
    let (sign, word) = match word.strip_prefix('-') {
        Some(rest) => (-1, rest),
        None => (1, word),
    };
    let (whole, decimals) = word.split_once('.').unwrap_or((word, "0"));
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|c| c.is_ascii_digit());
    if !digits(whole) || !digits(decimals) || decimals.len() > 9 {
        return None;
    }
    let whole: i64 = whole.parse().ok()?;
    let ns: i64 = format!("{decimals:0<9}").parse().ok()?;
    let all = whole.checked_mul(1_000_000_000)?.checked_add(ns)?;
    Some(Span::from_ns(sign * all))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_again() {
        let all = [
            (-12_345_678_901, Way::From, b"left over".to_vec()),
            (0, Way::To, b"*IDN?\n".to_vec()),
            (31_870_001, Way::From, vec![0x00, 0x23, 0xff, b'\n']),
        ];
        let mut text = format!("# a comment\n\n{FIRST_LINE}  # form\n");
        for (ns, way, bytes) in &all {
            write(&mut text, Span::from_ns(*ns), *way, bytes);
        }
        let shown = "\
# a comment

session 1  # form
  -12.345678901 from 6c 65 66 74 20 6f 76 65 72  # left over
    0.000000000 to   2a 49 44 4e 3f 0a  # *IDN?.
    0.031870001 from 00 23 ff 0a  # .#..
";
        assert_eq!(text, shown);
        let read = read(&text).expect("a session");
        let read = read.into_iter().map(|s| (s.after.ns(), s.way, s.bytes));
        assert_eq!(read.collect::<Vec<_>>(), all);
    }

    #[test]
    fn a_line_that_is_none_is_named() {
        let of = |line: &str| read(&format!("session 1\n0.5 to 0a\n{line}")).unwrap_err();
        const SECONDS: &str = "it must begin with seconds, such as `12.031870000`";
        for (line, why) in [
            ("x to 0a", SECONDS),
            ("1.1234567890 to 0a", SECONDS),
            ("1 at 0a", "after the seconds stands `to` or `from`"),
            ("1 to", "its bytes must be pairs of hexadecimal digits"),
            ("1 to 0a+1", "its bytes must be pairs of hexadecimal digits"),
            ("1 to +a", "its bytes must be pairs of hexadecimal digits"),
        ] {
            assert_eq!(of(line), SessionError { line: 3, why }, "{line}");
        }
        assert_eq!(read("1 to 0a").unwrap_err().line, 1);
        assert_eq!(read("# nothing\n").unwrap_err().line, 1);
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text in ".*") {
            let _ = read(&text);
            let _ = read(&format!("session 1\n{text}"));
        }
    }
}
