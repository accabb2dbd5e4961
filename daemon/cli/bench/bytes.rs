//! What went over a link, as hex and text: milliseconds, direction, bytes.
//!
//! ```text
//!     12.345 ms  lux-head <-  2a 49 44 4e 3f 0a                                *IDN?.
//! ```
//!
//! Called by: probe, by_hand.

use std::fmt::Write as _;

use photometry::measured::latin1;
use serde::Serialize;

use crate::bench::by_hand::Said;

/// Bytes on a line.
const ON_A_LINE: usize = 16;

/// Bytes as JSON.
#[derive(Debug, Serialize)]
pub struct Bytes {
    /// Since the bench was opened.
    after_ms: f64,
    /// `to` the device, or `from` it.
    way: &'static str,
    hex: String,
    /// One character a byte (Latin-1).
    text: String,
}

/// As JSON.
pub fn data(said: &[Said]) -> Vec<Bytes> {
    let one = |said: &Said| Bytes {
        after_ms: said.after.secs() * 1e3,
        way: if said.to_device { "to" } else { "from" },
        hex: hex(&said.bytes),
        text: latin1::text(&said.bytes),
    };
    said.iter().map(one).collect()
}

/// For a person; what is no printable ASCII is a dot.
pub fn text(device: &str, said: &[Said], not_kept: u64) -> String {
    let mut text = String::new();
    for one in said {
        let arrow = if one.to_device { "<-" } else { "->" };
        for (at, line) in one.bytes.chunks(ON_A_LINE).enumerate() {
            let when = match at {
                0 => format!("{:10.3} ms", one.after.secs() * 1e3),
                _ => String::new(),
            };
            let shown: String = line.iter().map(|byte| printed(*byte)).collect();
            let width = ON_A_LINE * 3 - 1;
            let hex = hex(line);
            // Writing to a String cannot fail.
            let _ = writeln!(text, "{when:13}  {device} {arrow}  {hex:width$}  {shown}");
        }
    }
    if not_kept > 0 {
        let _ = writeln!(text, "{:13}  {device}: {not_kept} bytes more", "");
    }
    text
}

fn printed(byte: u8) -> char {
    match byte {
        b' '..=b'~' => char::from(byte),
        _ => '.',
    }
}

/// As `2a 49`.
pub fn hex(bytes: &[u8]) -> String {
    let bytes = bytes.iter().map(|byte| format!("{byte:02x}"));
    bytes.collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use photometry::units::Span;

    use super::*;

    #[test]
    fn lines_are_cut_and_nothing_is_obeyed() {
        let said = [
            Said {
                after: Span::from_ns(12_345_678),
                to_device: true,
                bytes: b"*IDN?\n".to_vec(),
            },
            Said {
                after: Span::from_ms(14),
                to_device: false,
                bytes: b"Example Works,LM\x1b[2J\xb5".to_vec(),
            },
        ];
        insta::assert_snapshot!(text("lux-head", &said, 3));
    }
}
