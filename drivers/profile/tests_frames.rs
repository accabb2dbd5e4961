//! Profiles with a codec, here one in Rust: how frames are cut and bounded, and every
//! slip of such a profile. Codecs that are scripts are tested where they run.

use std::cell::Cell;
use std::sync::Arc;

use photometry::units::{Mono, Span};
use proptest::prelude::*;
use written::Mistake;

use super::codec::{Codec, Codecs, NoCodecs};
use super::perform::{Given, perform};
use super::read::{profile, profile_with};
use super::testing::slips_are_told;
use super::types::{ProfileVerb, Speech};
use crate::error::DriverError;
use crate::exchange::frame::{Extent, FRAME_AT_MOST_BYTES, Fault, FrameError, Reach};
use crate::exchange::testing::converse;
use crate::link::wire::Machine;

/// A length, and so many bytes: the number that they are in decimal digits.
#[derive(Debug)]
struct Digits;

impl Codec for Digits {
    fn name(&self) -> &str {
        "digits.rhai"
    }

    fn encode(&self, word: &str, _: &[(&str, &str)]) -> Result<Vec<u8>, Fault> {
        match word {
            "refused" => Err(Fault::of("no bytes are known for it")),
            word => Ok(word.as_bytes().to_vec()),
        }
    }

    fn need(&self, come: &[u8]) -> Result<usize, Fault> {
        match come {
            [] => Ok(1),
            [length] => Ok(usize::from(*length)),
            _ => Ok(0),
        }
    }

    fn decode(&self, _: &str, answer: &[u8]) -> Result<Vec<(String, String)>, Fault> {
        let text = String::from_utf8_lossy(&answer[1..]).into_owned();
        Ok(vec![("illuminance".to_owned(), text)])
    }
}

pub(super) struct Book;

impl Codecs for Book {
    fn text(&self, name: &str) -> Option<String> {
        ["digits.rhai", "wrong.rhai"]
            .contains(&name)
            .then(String::new)
    }

    fn codec(&self, name: &str, _: &str) -> Result<Arc<dyn Codec>, Vec<Mistake>> {
        match name {
            "digits.rhai" => Ok(Arc::new(Digits)),
            _ => {
                let place = written::Place {
                    file: Arc::from(name),
                    line: 3,
                    column: 5,
                    end_column: 5,
                };
                Err(vec![Mistake::new(
                    place,
                    "codec",
                    "there is no function `f`",
                )])
            }
        }
    }
}

/// A profile as short as one with a codec can be.
const SHORT: &str = r#"profile: tern
format: 1
role: meter
about: a meter
codec: digits.rhai
unit: lx
read-illuminance: {frame: read, gives: illuminance}
samples: [{read-illuminance: {bytes: "02 31 32"}, gives: 12 lx}]
"#;

fn told(text: &str, codecs: &dyn Codecs) -> Vec<String> {
    let mistakes = match profile_with("p.yaml", text, codecs) {
        Ok((_, warnings)) => warnings,
        Err(refused) => refused.mistakes,
    };
    let told = mistakes.iter().map(|m| {
        let hint = m.hint.as_deref().map(|hint| format!(" ({hint})"));
        let (file, at) = (&m.place.file, (m.place.line, m.place.column));
        let hint = hint.unwrap_or_default();
        format!("{file}:{}:{} {} {}{hint}", at.0, at.1, m.code, m.message)
    });
    told.collect()
}

/// One slip in the short profile: what is replaced, by what, and what is told.
#[test]
fn each_slip_of_a_codec_has_its_own_message() {
    assert_eq!(told(SHORT, &Book), Vec::<String>::new());
    let cases: [(&str, &str, &str); 15] = [
        (
            "digits.rhai",
            "other.rhai",
            "p.yaml:5:8 no-codec the codec `other.rhai` was not given (it is looked for beside the profile)",
        ),
        (
            "digits.rhai",
            "../digits.rhai",
            "p.yaml:5:8 codec-name `../digits.rhai` is no codec's file (write `tern.rhai`; it lies beside the profile)",
        ),
        (
            "digits.rhai",
            "digits",
            "p.yaml:5:8 codec-name `digits` is no codec's file (write `tern.rhai`; it lies beside the profile)",
        ),
        (
            "digits.rhai",
            "wrong.rhai",
            "wrong.rhai:3:5 codec there is no function `f`",
        ),
        (
            "codec: digits.rhai\n",
            "",
            "p.yaml:1:1 other-step the device is spoken to by lines, and `frame` is no step of such a device (write `registers: ...` for `read` and `write`, `codec: ...` for `send` and `frame`; a program has `run` alone)",
        ),
        (
            "unit: lx",
            "unit: lx\nlines: {end: lf}",
            "p.yaml:7:8 two-ways a device that speaks through a codec has no `lines`",
        ),
        (
            "unit: lx",
            "unit: lx\ncomplaints: \"E?\"",
            "p.yaml:7:13 two-ways a device that speaks through a codec has no `complaints`",
        ),
        (
            "unit: lx",
            "unit: lx\nframes: {end: lf}",
            "p.yaml:7:10 unknown-key `frames` has no key `end` (it could have `answer-within`, `longest-answer`, `gap`)",
        ),
        (
            "unit: lx",
            "unit: lx\non-open: {tell: X}",
            "p.yaml:1:1 other-step the device is spoken to by a codec, and `tell` is no step of such a device (write `registers: ...` for `read` and `write`, `codec: ...` for `send` and `frame`; a program has `run` alone)",
        ),
        (
            ", gives: illuminance}",
            "}",
            "p.yaml:7:19 missing-field `read-illuminance` gives no `{illuminance}` (an answer must have `{illuminance}` where it stands)",
        ),
        (
            "gives: illuminance}",
            "gives: [illuminance, x]}",
            "p.yaml:7:19 unused-field nothing uses the field `{x}` (`read-illuminance` takes `{illuminance}`, `{unit}`, `{flag}`; write `{-}` for what is not needed)",
        ),
        (
            "gives: illuminance}",
            "gives: illuminance, is: {x: 1}}",
            "p.yaml:7:19 missing-field `is` names `x`, which the answer does not have",
        ),
        (
            "frame: read",
            "frame: read, send: read",
            "p.yaml:7:19 step the step says more than one thing to do (a step has one of `tell`, `set`, `ask`, `block`, `numbers`, `until`, `hear`, `read`, `write`, `send`, `frame`, `run`, `pause`)",
        ),
        (
            "12 lx",
            "13 lx",
            "p.yaml:8:11 sample the sample `02 31 32` is read as `12 lx`, not as `13 lx` (correct the answer's form above, or the sample)",
        ),
        (
            "02 31 32",
            "02 31 32 33",
            "p.yaml:8:11 sample the sample `02 31 32 33` is read as `refused`, not as `12 lx` (the frame is whole after 3 bytes; correct the answer's form above, or the sample)",
        ),
    ];
    slips_are_told(SHORT, &cases, |text| told(text, &Book));
    // Where nobody knows codecs, none is there.
    let unknown = "p.yaml:5:8 no-codec the codec `digits.rhai` was not given (it is looked for beside the profile)";
    assert_eq!(told(SHORT, &NoCodecs), [unknown]);
    assert!(profile("p.yaml", SHORT).is_err());
}

#[test]
fn a_codec_has_a_manner_of_its_own() {
    let text = SHORT.replacen(
        "unit: lx",
        "unit: lx\nframes: {answer-within: 300 ms, longest-answer: 1 s, gap: 5 ms}",
        1,
    );
    let (profile, _) = profile_with("p.yaml", &text, &Book).expect("a profile");
    let Speech::Frames(manner) = &profile.speech else {
        panic!("by a codec: {:?}", profile.speech);
    };
    assert_eq!(manner.answer_within, Span::from_ms(300));
    assert_eq!(manner.longest_answer, Span::from_secs(1));
    assert_eq!(manner.gap, Span::from_ms(5));
    assert_eq!(profile.answer_within(), Span::from_ms(300));
    assert!(profile.steps(ProfileVerb::ReadIlluminance).is_some());
}

/// Answers whatever it hears with the same bytes.
pub(super) struct Says(pub(super) &'static [u8], pub(super) Option<Mono>);

impl Machine for Says {
    fn bytes(&mut self, now: Mono, _: &[u8]) {
        self.1 = Some(now);
    }
    fn next_due(&self) -> Option<Mono> {
        self.1
    }
    fn due(&mut self, _: Mono) -> Vec<u8> {
        self.1 = None;
        self.0.to_vec()
    }
}

/// After an answer that its codec does not take, the link is resynchronised, whatever
/// the answer was for; what the codec says of it is in the error, with its bytes.
#[test]
fn what_a_codec_does_not_take_leaves_the_link_dirty() {
    let text = SHORT.replacen("gives: illuminance", "gives: [illuminance, unit]", 1);
    let text = text.replacen("gives: 12 lx", "gives: refused", 1);
    let (profile, _) = profile_with("p.yaml", &text, &Book).unwrap_or_else(|no| panic!("{no}"));
    let steps = profile.steps(ProfileVerb::ReadIlluminance).expect("steps");
    converse(Says(b"\x0212", None), |talk| {
        let given = Given::of(&profile, None);
        let failed = perform(talk, steps, given).expect_err("no such answer");
        assert!(talk.state().is_dirty());
        let told = DriverError::from(failed).to_string();
        let wanted = "`read` was answered by `02 31 32 (digits.rhai gives no `unit` of this \
                      answer)`, which is not an answer that its codec knows.";
        assert!(told.starts_with(wanted), "{told}");
    });
}

/// A codec that wants too much, always more, or nothing, is ended.
#[test]
fn what_a_codec_wants_is_bounded() {
    let bytes = [0; 2_000];
    let ended = |need: &dyn Fn(&[u8]) -> Result<usize, Fault>| {
        Extent::default().reach(&bytes, need).expect_err("ended")
    };
    assert_eq!(ended(&|_| Ok(0)), FrameError::Empty);
    assert_eq!(ended(&|_| Ok(1)), FrameError::NoEnd(300));
    assert_eq!(ended(&|_| Ok(1_001)), FrameError::TooLong(1_001));
    assert_eq!(ended(&|_| Ok(usize::MAX)), FrameError::TooLong(usize::MAX));
    assert_eq!(ended(&|_| Ok(400)), FrameError::TooLong(1_200));
    let fault = Fault::of("no");
    assert_eq!(
        ended(&|_| Err(fault.clone())),
        FrameError::Codec(fault.clone())
    );
    let whole = |come: &[u8]| Ok(if come.is_empty() { 1_000 } else { 0 });
    let reach = Extent::default().reach(&bytes, &whole);
    assert_eq!(reach, Ok(Reach::Whole(1_000)));
}

proptest! {
    /// However the bytes are cut: the codec sees the same, and the frame ends at the
    /// same byte or with the same error.
    #[test]
    fn how_the_bytes_are_cut_changes_nothing(
        bytes in prop::collection::vec(any::<u8>(), 0..80),
        wants in prop::collection::vec(prop_oneof![8 => 0..20_usize, 1 => any::<usize>()], 1..12),
        cuts in prop::collection::vec(1..20_usize, 0..12),
    ) {
        let run = |pieces: &[&[u8]]| {
            let (asked, seen) = (Cell::new(0), Cell::new(0));
            let need = |come: &[u8]| {
                let nth = asked.replace(asked.get() + 1);
                // The codec answers by what it sees.
                seen.set(seen.get() * 31 + come.iter().map(|b| usize::from(*b)).sum::<usize>());
                match wants.get(nth) {
                    Some(wanted) => Ok(*wanted),
                    None => Err(Fault::of("enough")),
                }
            };
            let (mut extent, mut held) = (Extent::default(), Vec::new());
            let mut last = extent.reach(&held, &need);
            for piece in pieces {
                held.extend_from_slice(piece);
                if let Ok(Reach::More(wanted)) = last {
                    // As the exchange does: not asked before so many are there.
                    if held.len() >= wanted {
                        last = extent.reach(&held, &need);
                    }
                }
            }
            (last, extent.wanted(), asked.get(), seen.get())
        };
        let whole = run(&[&bytes]);
        let mut rest = &bytes[..];
        let mut pieces = Vec::new();
        for cut in cuts {
            let (piece, left) = rest.split_at(cut.min(rest.len()));
            pieces.push(piece);
            rest = left;
        }
        pieces.push(rest);
        prop_assert_eq!(&run(&pieces), &whole);
        prop_assert!(whole.1 <= FRAME_AT_MOST_BYTES);
        if let Ok(Reach::Whole(end)) = whole.0 {
            prop_assert!(end <= bytes.len() && end == whole.1);
        }
    }
}
