//! What comes from devices by profile: answers that the shipped profiles read, and
//! Modbus frames.

use drivers::exchange::modbus::frames::{self, Extent, FRAME_AT_MOST_BYTES, Form, Outcome};
use drivers::exchange::modbus::request::{BitSpace, RegisterSpace, Request};
use drivers::profile::samples::told;
use drivers::profile::shipped::{SHIPPED, profile};
use drivers::profile::types::{ProfileVerb, Sample, SampleAnswer, VERBS};
use proptest::prelude::*;

use crate::cost::Reader;
use crate::mutated;

#[test]
fn answers_by_profile() {
    let profiles: Vec<_> = SHIPPED
        .iter()
        .filter(|shipped| shipped.codec.is_none())
        .map(|shipped| profile(shipped.name).expect("a profile"))
        .collect();
    let answers = profiles.iter().flat_map(|profile| &profile.samples);
    let good: Vec<&str> = answers
        .filter_map(|sample| match &sample.answer {
            SampleAnswer::Line(line) => Some(line.as_str()),
            SampleAnswer::Words(_) | SampleAnswer::Bytes(_) => None,
        })
        .collect();
    let blocks: Vec<Vec<u8>> = profiles
        .iter()
        .flat_map(|profile| &profile.samples)
        .filter_map(|sample| match &sample.answer {
            SampleAnswer::Bytes(bytes) => Some(bytes.clone()),
            SampleAnswer::Line(_) | SampleAnswer::Words(_) => None,
        })
        .collect();
    // A good one with bytes of another in its middle.
    let block = (prop::sample::select(blocks), any::<u8>(), 0..16_usize).prop_map(
        |(mut bytes, byte, at)| {
            if let Some(held) = bytes.get_mut(at) {
                *held = byte;
            }
            bytes
        },
    );
    let reader = Reader {
        name: "answers by profile",
        cases: 2_000,
        memory_mib: 32,
    };
    let texts = prop_oneof![mutated::words(&good), mutated::any_text()];
    let words = prop::collection::vec(any::<u16>(), 0..6);
    let bytes = prop_oneof![prop::collection::vec(any::<u8>(), 0..24), block];
    reader.endures((texts, words, bytes), |(text, words, bytes)| {
        let mut all_refused = true;
        let answers = [
            SampleAnswer::Line(text.clone()),
            SampleAnswer::Words(words.clone()),
            SampleAnswer::Bytes(bytes.clone()),
        ];
        for answer in answers {
            let verbs = VERBS.iter().map(|form| Some(form.verb));
            let verbs = verbs.chain([None, Some(ProfileVerb::Heard)]);
            for (profile, verb) in profiles
                .iter()
                .flat_map(|profile| verbs.clone().map(move |verb| (profile, verb)))
            {
                let told = told(
                    profile,
                    &Sample {
                        verb,
                        answer: answer.clone(),
                        gives: String::new(),
                    },
                );
                all_refused &= told == "refused";
                // An identity may end so as well.
                let is_light = verb == Some(ProfileVerb::ReadIlluminance);
                if let Some(lux) = told.strip_suffix(" lx").filter(|_| is_light) {
                    let lux: f64 = lux.parse().map_err(|_| TestCaseError::fail(told.clone()))?;
                    prop_assert!(lux.is_finite(), "{told}");
                }
            }
        }
        Ok(all_refused)
    });
}

fn request() -> impl Strategy<Value = Request> {
    let registers = prop_oneof![Just(RegisterSpace::Holding), Just(RegisterSpace::Input)];
    let bits = prop_oneof![Just(BitSpace::Coils), Just(BitSpace::Inputs)];
    prop_oneof![
        (registers, any::<u16>(), 1..=125_u16)
            .prop_map(|(space, at, count)| Request::ReadRegisters { space, at, count }),
        (bits, any::<u16>(), 1..=2000_u16).prop_map(|(space, at, count)| Request::ReadBits {
            space,
            at,
            count
        }),
        (any::<u16>(), any::<bool>()).prop_map(|(at, on)| Request::WriteCoil { at, on }),
        (any::<u16>(), any::<u16>()).prop_map(|(at, value)| Request::WriteRegister { at, value }),
    ]
}

/// A right answer's bytes with wounds, or any bytes.
#[derive(Clone, Debug)]
enum Bytes {
    /// Data for the request, cut, grown, or with bytes changed, its checksum right
    /// or not.
    Wounded(Vec<(u16, u8)>, i8, bool),
    Any(Vec<u8>),
}

fn bytes() -> impl Strategy<Value = Bytes> {
    let changes = prop::collection::vec((any::<u16>(), any::<u8>()), 0..4);
    prop_oneof![
        3 => (changes, -3..4_i8, any::<bool>())
            .prop_map(|(changes, grown, sum)| Bytes::Wounded(changes, grown, sum)),
        1 => prop::collection::vec(any::<u8>(), 0..300).prop_map(Bytes::Any),
    ]
}

/// The right answer to a request, all its data zero.
fn answer(form: Form, unit: u8, number: u16, request: &Request) -> Vec<u8> {
    let body = match request {
        Request::ReadRegisters { count, .. } => vec![0; usize::from(*count) * 2],
        Request::ReadBits { count, .. } => vec![0; usize::from(count.div_ceil(8))],
        // A write's answer is the request.
        _ => return frames::encode(form, unit, number, request).unwrap_or_default(),
    };
    let mut frame = vec![unit, request.function(), body.len() as u8];
    frame.extend(body);
    match form {
        Form::Rtu => {
            let sum = frames::crc16(&frame);
            frame.extend(sum.to_le_bytes());
            frame
        }
        Form::Tcp => {
            let mut whole = number.to_be_bytes().to_vec();
            whole.extend([0, 0]);
            whole.extend((frame.len() as u16).to_be_bytes());
            whole.extend(frame);
            whole
        }
    }
}

#[test]
fn modbus_frames() {
    let reader = Reader {
        name: "Modbus frames",
        cases: 20_000,
        memory_mib: 1,
    };
    let forms = prop_oneof![Just(Form::Rtu), Just(Form::Tcp)];
    let asked = (forms, 1..=247_u8, any::<u16>(), request());
    reader.endures(
        (asked, bytes()),
        |((form, unit, number, request), bytes)| {
            let right = answer(*form, *unit, *number, request);
            let frame = match bytes {
                Bytes::Any(bytes) => bytes.clone(),
                Bytes::Wounded(changes, grown, sum) => {
                    let mut frame = right.clone();
                    for (at, byte) in changes {
                        let at = usize::from(*at) % frame.len();
                        frame[at] = *byte;
                    }
                    let length = frame.len().saturating_add_signed(isize::from(*grown));
                    frame.resize(length, 0xAA);
                    if *form == Form::Rtu && *sum && frame.len() > 2 {
                        let end = frame.len() - 2;
                        let sum = frames::crc16(&frame[..end]).to_le_bytes();
                        frame[end..].copy_from_slice(&sum);
                    }
                    frame
                }
            };
            match frames::extent(*form, &frame) {
                Extent::AtLeast(bytes) | Extent::Whole(bytes) => {
                    prop_assert!(bytes <= FRAME_AT_MOST_BYTES, "{bytes} of {frame:?}");
                }
                Extent::Never(_) => {}
            }
            let outcome = frames::decode(*form, *unit, *number, request, &frame);
            // What is taken for data has the length of the right answer, and its head.
            if let Ok(Outcome::Done(_)) = &outcome {
                prop_assert_eq!(frame.len(), right.len());
                let head = match form {
                    Form::Rtu => frame[..2] == right[..2],
                    Form::Tcp => frame[..2] == right[..2] && frame[6..8] == right[6..8],
                };
                prop_assert!(head, "{frame:?}");
            }
            prop_assert!(frame != right || outcome.is_ok(), "{right:?}");
            Ok(outcome.is_err())
        },
    );
}
