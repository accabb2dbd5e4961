//! Bytes on a line, read by the functions that cut and understand them, without a
//! device: millions of cases in a minute.

use std::sync::Arc;

use drivers::exchange::block::{self, BLOCK_AT_MOST_BYTES, Extent, Length};
use drivers::exchange::frame::{self, FRAME_AT_MOST_BYTES, Fault, Reach};
use drivers::exchange::manner::{LineEnd, Manner};
use drivers::exchange::modbus::words::{self, Form, Order};
use drivers::exchange::talk::LINE_AT_MOST_BYTES;
use proptest::prelude::*;
use proptest::sample::select;

use crate::cost::Reader;
use crate::readings;

fn any_bytes(most: usize) -> impl Strategy<Value = Vec<u8>> {
    prop::collection::vec(any::<u8>(), 0..most)
}

fn ends() -> impl Strategy<Value = LineEnd> {
    select(&[LineEnd::Lf, LineEnd::Cr, LineEnd::CrLf][..])
}

/// Pieces of a stream: what stands in lines, what ends them, noise and floods.
fn stream() -> impl Strategy<Value = Vec<u8>> {
    let piece = select(
        &[
            "\n", "\r", "\r\n", "\n\r", "\0", "ok", "12.5", "\u{b5}lx", "<Idle>", "", " ",
            "error:9",
        ][..],
    );
    let piece = piece.prop_map(|text| text.as_bytes().to_vec());
    // Around the longest line, so that both sides of its limit come.
    let long = (any::<u8>(), LINE_AT_MOST_BYTES - 2..LINE_AT_MOST_BYTES + 3);
    let long = long.prop_map(|(byte, times)| vec![byte; times]);
    let flood = (any::<u8>(), 1..3 * LINE_AT_MOST_BYTES);
    let flood = flood.prop_map(|(byte, times)| vec![byte; times]);
    let pieces = prop_oneof![300 => piece, 100 => any_bytes(12), 1 => long, 1 => flood];
    prop::collection::vec(pieces, 0..10).prop_map(|pieces| pieces.concat())
}

#[test]
fn streams_are_cut_into_lines() {
    let reader = Reader {
        name: "streams of lines",
        cases: 3_000,
        memory_mib: 1,
    };
    reader.endures((stream(), ends()), |(bytes, end)| {
        let manner = Manner {
            end: *end,
            ..Manner::default()
        };
        let (lines, thrown) = readings::cut(bytes, manner);
        // Worked out apart: all between two ends, but what is longer than a line.
        let mut wanted = Vec::new();
        let mut lost = 0;
        let mut whole = bytes.split_inclusive(|byte| *byte == end.last_byte());
        for raw in &mut whole {
            if raw.len() > LINE_AT_MOST_BYTES || raw.last() != Some(&end.last_byte()) {
                lost += raw.len() as u64;
                continue;
            }
            let ends = raw.iter().rev().take_while(|b| matches!(b, b'\n' | b'\r'));
            let text = &raw[..raw.len() - ends.count()];
            let latin = || text.iter().copied().map(char::from).collect();
            wanted.push(std::str::from_utf8(text).map_or_else(|_| latin(), str::to_owned));
        }
        prop_assert_eq!(&lines, &wanted);
        prop_assert_eq!(thrown, lost);
        Ok(lines.is_empty())
    });
}

/// A block with a right or a wrong head, or any bytes.
fn block_bytes() -> impl Strategy<Value = Vec<u8>> {
    let headed = ("#[0-9][0-9]{0,10}", any_bytes(60));
    let headed = headed.prop_map(|(head, bytes)| [head.as_bytes(), &bytes].concat());
    let right = (any_bytes(40), 0..3_usize, "[;0-9]{0,3}\r?\n?.{0,4}");
    let right = right.prop_map(|(payload, zeros, rest)| {
        let length = format!("{}{}", "0".repeat(zeros), payload.len());
        let head = format!("#{}{length}", length.len());
        [head.as_bytes(), &payload, rest.as_bytes()].concat()
    });
    let right = right.boxed();
    let long = (
        right.clone(),
        LINE_AT_MOST_BYTES - 80..LINE_AT_MOST_BYTES + 2,
    );
    let long = long.prop_map(|(mut bytes, more)| {
        bytes.resize(bytes.len() + more, b'x');
        bytes
    });
    prop_oneof![50 => any_bytes(60), 100 => headed, 100 => right, 1 => long]
}

#[test]
fn heads_of_blocks() {
    let lengths = prop_oneof![
        (0..40_usize).prop_map(Length::Exactly),
        (0..40_usize).prop_map(Length::AtMost),
        Just(Length::AtMost(usize::MAX)),
    ];
    let reader = Reader {
        name: "heads of blocks",
        cases: 10_000,
        memory_mib: 1,
    };
    reader.endures((block_bytes(), ends(), lengths), |(bytes, end, length)| {
        match block::extent(bytes, *end, *length) {
            Ok(Extent::Whole(frame)) => {
                // The length is what stands in the head, and allowed.
                let digits = usize::from(bytes[1] - b'0');
                let said = std::str::from_utf8(&bytes[2..2 + digits]);
                let said: usize = said.expect("digits").parse().expect("a length");
                prop_assert_eq!(frame.payload.len(), said);
                prop_assert_eq!(frame.payload.start, 2 + digits);
                prop_assert_eq!(frame.rest.start, frame.payload.end);
                prop_assert!(frame.rest.end <= bytes.len());
                prop_assert_eq!(bytes[frame.rest.end - 1], end.last_byte());
                let allowed = match length {
                    Length::Exactly(wanted) => said == *wanted,
                    Length::AtMost(most) => said <= *most,
                };
                prop_assert!(allowed && said <= BLOCK_AT_MOST_BYTES);
                Ok(false)
            }
            Ok(Extent::More(wanted)) => {
                prop_assert!(wanted > bytes.len());
                prop_assert!(wanted <= bytes.len().max(BLOCK_AT_MOST_BYTES + 11) + 1);
                Ok(true)
            }
            Err(malformed) => {
                prop_assert!(malformed.bytes <= bytes.len());
                let told = malformed.why.to_string();
                prop_assert!(!told.is_empty() && told.len() < 400, "{told}");
                Ok(true)
            }
        }
    });
}

/// What a codec says of a frame, one word after the other.
#[test]
fn frames_as_a_codec_says() {
    let words = prop_oneof![
        6 => 0..40_usize,
        2 => Just(0),
        1 => 900..1_100_usize,
        1 => Just(usize::MAX),
    ];
    // None is a codec that gives up.
    let said = prop::collection::vec(prop::option::weighted(0.95, words), 0..8);
    let reader = Reader {
        name: "frames as a codec says",
        cases: 10_000,
        memory_mib: 1,
    };
    reader.endures(
        (said, any_bytes(200), any::<usize>()),
        |(said, bytes, cut)| {
            let asked = std::cell::Cell::new(0);
            let need = |come: &[u8]| {
                assert!(come.len() <= FRAME_AT_MOST_BYTES);
                let word = said.get(asked.get()).copied();
                asked.set(asked.get() + 1);
                // One that says nothing more wants one byte after the other.
                word.unwrap_or(Some(1))
                    .ok_or_else(|| Fault::of("no\nframe"))
            };
            let whole = frame::Extent::default().reach(bytes, &need);
            // The same in two pieces, wherever they are cut.
            asked.set(0);
            let cut = cut % (bytes.len() + 1);
            let mut extent = frame::Extent::default();
            let mut pieces = extent.reach(&bytes[..cut], &need);
            if matches!(pieces, Ok(Reach::More(_))) {
                pieces = extent.reach(bytes, &need);
            }
            prop_assert_eq!(&pieces, &whole);
            match whole {
                Ok(Reach::Whole(reach)) => {
                    prop_assert!(reach > 0 && reach <= bytes.len().min(FRAME_AT_MOST_BYTES));
                    Ok(false)
                }
                Ok(Reach::More(wanted)) => {
                    prop_assert!(wanted > bytes.len() && wanted <= FRAME_AT_MOST_BYTES);
                    Ok(true)
                }
                Err(why) => {
                    prop_assert!(!why.to_string().chars().any(char::is_control));
                    Ok(true)
                }
            }
        },
    );
}

/// Registers as numbers, in every order, and back.
#[test]
fn registers_as_numbers() {
    const FORMS: &[Form] = &[
        Form::U16,
        Form::I16,
        Form::U32,
        Form::I32,
        Form::F32,
        Form::F64,
    ];
    const ORDERS: &[Order] = &[Order::Abcd, Order::Cdab, Order::Badc, Order::Dcba];
    let all = (
        select(FORMS),
        select(ORDERS),
        prop::collection::vec(any::<u16>(), 0..6),
        any::<f64>(),
    );
    let reader = Reader {
        name: "registers as numbers",
        cases: 10_000,
        memory_mib: 1,
    };
    reader.endures(all, |(form, order, registers, value)| {
        let read = words::number(*form, *order, registers);
        prop_assert_eq!(read.is_some(), registers.len() == form.registers());
        if let Some(read) = read.filter(|read| read.is_finite()) {
            let again = words::registers(*form, *order, read);
            prop_assert_eq!(again.as_ref(), Ok(registers));
        }
        if let Ok(written) = words::registers(*form, *order, *value) {
            prop_assert_eq!(written.len(), form.registers());
            let back = words::number(*form, *order, &written).expect("as many");
            let near = match form {
                Form::F64 => back == *value,
                Form::F32 => back == f64::from(*value as f32),
                _ => (back - value).abs() <= 0.5,
            };
            prop_assert!(near, "{value} is {back}");
        }
        Ok(read.is_none())
    });
}

/// Frames through the shipped codec, wounded.
#[test]
fn frames_through_a_codec() {
    let profile = readings::profile("frame-luxmeter");
    let codec = Arc::clone(&profile.codec.as_ref().expect("a codec").0);
    // Start, length, command and data, sum: right, and then wounded.
    let body = prop_oneof![
        any_bytes(12),
        (0..4_u8, any::<[u8; 4]>()).prop_map(|(state, value)| {
            let mut body = vec![0x52, state];
            body.extend(value);
            body
        }),
        any_bytes(3).prop_map(|data| [&[0x74], &data[..]].concat()),
        any_bytes(40).prop_map(|data| [&[0x49], &data[..]].concat()),
        any_bytes(2).prop_map(|data| [&[0x15], &data[..]].concat()),
    ];
    let wounds = prop::collection::vec((any::<u8>(), any::<u8>()), 0..3);
    let frames = (body, wounds, -2..3_i8).prop_map(|(body, wounds, grown)| {
        let mut counted = vec![body.len() as u8];
        counted.extend(&body);
        let sum = counted.iter().fold(0_u8, |sum, b| sum.wrapping_add(*b));
        let mut frame = [&[0x02], &counted[..], &[sum]].concat();
        for (at, byte) in wounds {
            let at = usize::from(at) % frame.len();
            frame[at] = byte;
        }
        let length = frame.len().saturating_add_signed(isize::from(grown));
        frame.resize(length, 0xAA);
        frame
    });
    let reader = Reader {
        name: "frames through a codec",
        cases: 500,
        memory_mib: 4,
    };
    reader.endures(prop_oneof![9 => frames, 1 => any_bytes(60)], |bytes| {
        let need = |come: &[u8]| codec.need(come);
        let reach = frame::Extent::default().reach(bytes, &need);
        let sum_is_right = bytes.len() > 2 && {
            let (sum, counted) = (bytes[bytes.len() - 1], &bytes[1..bytes.len() - 1]);
            counted.iter().fold(0_u8, |all, b| all.wrapping_add(*b)) == sum
        };
        let mut refused = true;
        for word in ["who", "read", "integration", "set-integration", "?"] {
            match codec.decode(word, bytes) {
                Ok(fields) => {
                    refused = false;
                    prop_assert!(sum_is_right, "{word} {bytes:02X?}");
                    let clean = |text: &str| !text.chars().any(char::is_control);
                    prop_assert!(fields.iter().all(|(_, text)| clean(text)), "{fields:?}");
                }
                Err(why) => prop_assert!(!why.to_string().chars().any(char::is_control)),
            }
        }
        if let Ok(Reach::Whole(reach)) = reach {
            prop_assert!(reach <= bytes.len());
        }
        Ok(refused || reach.is_err())
    });
}
