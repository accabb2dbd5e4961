//! What devices answer: the words, and whole conversations over a wire.

use drivers::exchange::acks::Kind;
use drivers::exchange::manner::Manner;
use drivers::exchange::scpi::{self, Number};
use drivers::exchange::talk::Talk;
use drivers::exchange::{ack, line};
use drivers::profile::pattern::Pattern;
use drivers::profile::samples::identity;
use drivers::profile::shipped;
use drivers::profile::types::{ProfileVerb, Speech, Step};
use photometry::units::Span;
use proptest::prelude::*;

use crate::cost::Reader;
use crate::device::{Piece, Says, with_device};
use crate::mutated;

const GOOD: &[&str] = &[
    "5.006312E+02",
    "-1.5e-2",
    "9.9E37",
    "9.91E37",
    "OL",
    "----",
    "ok",
    "error:20",
    "ALARM:1",
    "-113,\"Undefined header\"",
    "+0,\"No error\"",
    "Example Works,LM-3,0,1.4",
    "(@1,3:5)",
    "<Idle|MPos:0.000,0.000,0.000|FS:0,0>",
    "[MSG:home first]",
    "Board 1.1 ['$' for help]",
];

/// That of the shipped rail.
fn manner() -> Manner {
    let rail = shipped::profile(shipped::DEFAULT_RAIL).expect("a profile");
    let Speech::Lines(manner) = &rail.speech else {
        panic!("{:?}", rail.speech)
    };
    manner.clone()
}

/// What its status looks like.
fn status_form() -> Pattern {
    let rail = shipped::profile(shipped::DEFAULT_RAIL).expect("a profile");
    match rail.steps(ProfileVerb::ReadPlace) {
        Some([Step::Ask { answer, .. }]) => answer.clone(),
        other => panic!("{other:?}"),
    }
}

#[test]
fn words_of_devices() {
    let reader = Reader {
        name: "words of devices",
        cases: 5_000,
        memory_mib: 16,
    };
    let meter = shipped::profile(shipped::DEFAULT_METER).expect("a profile");
    let acks = manner().acks.expect("acks");
    let wounded = mutated::words(GOOD);
    reader.endures(prop_oneof![wounded, mutated::any_text()], |text| {
        let number = scpi::number(text);
        if let Some(Number::Value(value)) = number {
            prop_assert!(value.is_finite(), "{text:?} is {value}");
        }
        let channels = scpi::channels(text);
        let many = channels
            .as_ref()
            .is_some_and(|c| c.len() > scpi::CHANNELS_AT_MOST);
        prop_assert!(!many, "{text:?}");
        for step in &meter.identity {
            let Step::Ask { answer, .. } = step else {
                continue;
            };
            if let Some(found) = answer.find(text) {
                prop_assert_eq!(identity(&found, Some(text)).raw, text.trim());
            }
        }
        let known = !matches!(acks.kind(text), Kind::Banner(_));
        let complaint = scpi::complaint(text).is_some();
        Ok(number.is_none() && channels.is_none() && !complaint && !known)
    });
}

/// Talks with a device that says the n-th piece to the n-th thing that it is asked.
fn with_pieces<T>(pieces: &[Piece], how: impl FnOnce(&mut Talk<'_>) -> T) -> T {
    let answers = pieces.iter().map(|piece| vec![piece.clone()]).collect();
    let says = Says {
        answers,
        ..Says::default()
    };
    with_device(says, how)
}

/// Pieces of answers: wounded ones, with every kind of end, noise, and floods.
fn pieces() -> impl Strategy<Value = Vec<(i64, Vec<u8>)>> {
    let end = prop::sample::select(&["\n", "\r\n", "\r", "", "\n\n", "\0\n"][..]);
    let line = (mutated::words(GOOD), end).prop_map(|(text, end)| (text + end).into_bytes());
    let ok = prop::sample::select(&["ok\n", "ok\r\n", "<Idle>\n", "7.5\n"][..]);
    let flood = (any::<u8>(), 4000_usize..20_000).prop_map(|(byte, times)| vec![byte; times]);
    let bytes = prop_oneof![
        8 => line,
        8 => ok.prop_map(|ok| ok.as_bytes().to_vec()),
        3 => prop::collection::vec(any::<u8>(), 0..300),
        1 => flood,
    ];
    // What a device sends while 1 s and 5 s are waited for.
    prop::collection::vec((prop_oneof![0_i64..50, 0_i64..6000], bytes), 0..8)
}

#[test]
fn answers_to_questions() {
    let reader = Reader {
        name: "answers to questions",
        cases: 200,
        memory_mib: 16,
    };
    reader.endures(pieces(), |pieces| {
        with_pieces(pieces, |talk| {
            let asked = talk.now().mono;
            let (first, second) = (
                line::ask(talk, "READ?", Span::from_secs(1)),
                line::ask(talk, "SENS:RANG?", Span::from_secs(1)),
            );
            for answer in [&first, &second].into_iter().flatten() {
                prop_assert!(!answer.text.contains('\n') && !answer.text.trim().is_empty());
                prop_assert!(answer.taken.mono >= answer.asked.mono && answer.asked.mono >= asked);
                prop_assert!(answer.raw.len() <= drivers::exchange::talk::LINE_AT_MOST_BYTES);
            }
            let told = [first.as_ref().err(), second.as_ref().err()];
            let clean = |why: String| !why.chars().any(char::is_control);
            prop_assert!(told.iter().flatten().all(|why| clean(why.to_string())));
            Ok(first.is_err())
        })
    });
}

#[test]
fn acknowledgements() {
    let reader = Reader {
        name: "acknowledgements",
        cases: 200,
        memory_mib: 16,
    };
    // Read once: that takes longer than a conversation.
    let (manner, form) = (manner(), status_form());
    reader.endures(pieces(), |pieces| {
        with_pieces(pieces, |talk| {
            talk.follow(manner.clone());
            let first = ack::send(talk, "G0 X5", Span::from_secs(1));
            let second = ack::send(talk, "G0 X6", Span::from_secs(1));
            let status = ack::status(talk, "?", &form, Span::from_secs(1));
            if let Ok((line, _)) = &status {
                prop_assert!(line.text().trim().starts_with('<'));
            }
            let told = [
                first.as_ref().err(),
                second.as_ref().err(),
                status.as_ref().err(),
            ];
            let clean = |why: String| !why.chars().any(char::is_control);
            prop_assert!(told.iter().flatten().all(|why| clean(why.to_string())));
            // Without its answer nothing is sent before a reset.
            let missing = matches!(first, Err(drivers::error::DriverError::Silent { .. }));
            let restarted = !missing || second.is_err();
            prop_assert!(restarted, "{second:?}");
            Ok(first.is_err())
        })
    });
}
