//! Blocks: how they may be cut, what is refused, and what a late one may do.

use std::collections::VecDeque;

use photometry::units::{Mono, Span};
use proptest::prelude::*;

use super::block::{
    self, BLOCK_AT_MOST_BYTES, Block, BlockError, Extent, Frame, Length, Malformed, NoBlock,
};
use super::line;
use super::manner::{LineEnd, Manner, Resync};
use super::testing::{Pieces, Scripted, converse};
use crate::error::DriverError;
use crate::link::wire::Machine;

const SECOND: Span = Span::from_secs(1);
const FOUR: Length = Length::Exactly(4);

fn manner() -> Manner {
    Manner {
        largest_block: 4,
        ..Manner::default()
    }
}

fn told(bytes: &[u8], end: LineEnd, length: Length) -> String {
    match block::extent(bytes, end, length) {
        Ok(Extent::More(wanted)) => format!("more, {wanted}"),
        Ok(Extent::Whole(Frame { payload, rest })) => format!(
            "{:?} and {:?}",
            String::from_utf8_lossy(&bytes[payload]),
            String::from_utf8_lossy(&bytes[rest])
        ),
        Err(Malformed { why, bytes }) => format!("{why} after {bytes}"),
    }
}

/// Forms: IEEE 488.2-1992, 8.7.9 and 8.7.10 (from memory).
#[test]
fn blocks_in_every_form() {
    use LineEnd::{Cr, CrLf, Lf};
    let any = Length::AtMost(usize::MAX);
    let cases: [(&[u8], LineEnd, Length, &str); 26] = [
        (b"#14ABCD\n", Lf, FOUR, r#""ABCD" and "\n""#),
        (b"#14ABCD\r\n", Lf, FOUR, r#""ABCD" and "\r\n""#),
        (b"#14ABCD\r\n", CrLf, FOUR, r#""ABCD" and "\r\n""#),
        (b"#14ABCD\r", Cr, FOUR, r#""ABCD" and "\r""#),
        (b"#14ABCD;1\nX", Lf, FOUR, r#""ABCD" and ";1\n""#),
        (b"#14\n;\r#\n", Lf, FOUR, r##""\n;\r#" and "\n""##),
        (b"#3004ABCD\n", Lf, FOUR, r#""ABCD" and "\n""#),
        (b"#9000000004ABCD\n", Lf, FOUR, r#""ABCD" and "\n""#),
        (b"#10\n", Lf, any, r#""" and "\n""#),
        (b"", Lf, FOUR, "more, 1"),
        (b"#", Lf, FOUR, "more, 2"),
        (b"#1", Lf, FOUR, "more, 3"),
        (b"#9000", Lf, FOUR, "more, 6"),
        (b"#14", Lf, FOUR, "more, 8"),
        (b"#14\n\n\n", Lf, FOUR, "more, 8"),
        (b"#14ABCD;1", Lf, FOUR, "more, 10"),
        (b"9.9E37", Lf, FOUR, "more, 7"),
        (b"9.9E37\n", Lf, FOUR, "`9.9E37` is no block after 7"),
        (
            b"#0ABCD\n",
            Lf,
            FOUR,
            "the block is of the indefinite form `#0`, whose end cannot be seen on this line after 2",
        ),
        (
            b"#HABCD\n",
            Lf,
            FOUR,
            "the block says no length: `H` stands where a digit must after 2",
        ),
        (
            b"#3-04",
            Lf,
            FOUR,
            "the block says no length: `-` stands where a digit must after 3",
        ),
        (
            b"#15",
            Lf,
            FOUR,
            "the block has 5 bytes and should have 4 after 3",
        ),
        (
            b"#13",
            Lf,
            FOUR,
            "the block has 3 bytes and should have 4 after 3",
        ),
        (
            b"#15",
            Lf,
            Length::AtMost(4),
            "the block has 5 bytes, more than 4 after 3",
        ),
        (
            b"#9999999999",
            Lf,
            any,
            "the block has 999999999 bytes, more than 16777216 after 11",
        ),
        (
            b"#816777217",
            Lf,
            Length::Exactly(BLOCK_AT_MOST_BYTES + 1),
            "the block has 16777217 bytes, more than 16777216 after 10",
        ),
    ];
    for (bytes, end, length, wanted) in cases {
        assert_eq!(told(bytes, end, length), wanted, "{}", bytes.escape_ascii());
    }
}

/// A line behind a block, and a text in a block's place, end or are refused.
#[test]
fn what_never_ends_is_refused() {
    for (begins, why) in [(&b"#14ABCD"[..], BlockError::NoEnd), (b"", no_block(60))] {
        let mut bytes = [begins, &[b'x'; 4095]].concat();
        assert!(matches!(
            block::extent(&bytes, LineEnd::Lf, FOUR),
            Ok(Extent::More(_))
        ));
        bytes.push(b'x');
        let seen = bytes.len();
        bytes.push(b'\n');
        let malformed = Malformed { why, bytes: seen };
        assert_eq!(block::extent(&bytes, LineEnd::Lf, FOUR), Err(malformed));
    }
}

fn no_block(letters: usize) -> BlockError {
    BlockError::NoBlock("x".repeat(letters))
}

/// Asks for two blocks of four bytes.
fn asked_twice(manner: Manner, machine: impl Machine + 'static) -> [String; 2] {
    converse(machine, |talk| {
        talk.follow(manner);
        ["READ?", "NEXT?"].map(|question| match block::ask(talk, question, FOUR, SECOND) {
            Ok(Block { answer, payload }) => {
                let ms = answer.taken.mono.since(answer.asked.mono).ns() / 1_000_000;
                let payload = answer.raw[payload].escape_ascii();
                let raw = answer.raw.escape_ascii();
                format!("{payload} of {raw} after {ms} ms {:?}", answer.flags())
            }
            Err(NoBlock::Malformed { why, answer }) => {
                assert!(talk.state().is_dirty());
                format!("{why} {:?}", answer.flags())
            }
            Err(NoBlock::Driver(error)) => error.to_string(),
        })
    })
}

const SILENT: &str = "no answer to `READ?` within 1 s. Check that the device is on and set to the rate in the bench file";

/// Driver acceptance: however an answer is cut, and whatever was wrong with the
/// first one, the second question gets its own.
#[test]
fn answers_come_in_many_shapes() {
    const SECOND_ONE: Pieces = &[(1, b"#14\n\n\n\n\n")];
    let good = r"\n\n\n\n of #14\n\n\n\n\n after 1 ms";
    let clean = format!("{good} []");
    let resynced = format!("{good} [\"answered after a resync\"]");
    let cases: [(Pieces, &str, &str); 10] = [
        (
            &[
                (5, b"#"),
                (6, b"1"),
                (7, b"4A"),
                (8, b"\n;"),
                (9, b"D"),
                (10, b"\r"),
                (11, b"\n"),
            ],
            r"A\n;D of #14A\n;D\r\n after 5 ms []",
            &clean,
        ),
        (
            &[(1, b"\r\n \n"), (3, b"#14ABCD\n")],
            r"ABCD of #14ABCD\n after 3 ms []",
            &clean,
        ),
        // The second line is nobody's.
        (
            &[(1, b"#14ABCD\n#14EFGH\n")],
            r"ABCD of #14ABCD\n after 1 ms []",
            &clean,
        ),
        (&[(1, b"#14ABC")], SILENT, &resynced),
        (&[(1, b"#14ABCD")], SILENT, &resynced),
        (&[], SILENT, &resynced),
        (&[(1, b"ERR\n")], "`ERR` is no block []", &resynced),
        (
            &[(1, b"#0ABCD\n")],
            "the block is of the indefinite form `#0`, whose end cannot be seen on this line []",
            &resynced,
        ),
        (
            &[(1, b"#216"), (2, b"0123456\n89\n101\n\n"), (3, b"\n")],
            "the block has 16 bytes and should have 4 []",
            &resynced,
        ),
        (&[(995, b"#14\n1"), (1_001, b"\n\n\n")], SILENT, &resynced),
    ];
    for (first, one, two) in cases {
        let got = asked_twice(manner(), Scripted::new(&[first, SECOND_ONE]));
        assert_eq!(got, [one, two], "{first:?}");
    }
}

/// Pieces of one answer: milliseconds after the one before, and bytes.
type Answer = &'static [(i64, &'static [u8])];

/// Answers after one another, as slowly as they say.
struct Late {
    answers: VecDeque<Answer>,
    input: Vec<u8>,
    out: VecDeque<(Mono, Vec<u8>)>,
}

impl Late {
    fn new(first: Answer) -> Late {
        Late {
            answers: VecDeque::from([first, &[(1, b"#14NEW!\n")]]),
            input: Vec::new(),
            out: VecDeque::new(),
        }
    }

    fn say(&mut self, at: Mono, bytes: &[u8]) -> Mono {
        let at = self.out.back().map_or(at, |(last, _)| at.max(*last));
        self.out.push_back((at, bytes.to_vec()));
        at
    }
}

impl Machine for Late {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        self.input.extend(bytes);
        while let Some(end) = self.input.iter().position(|b| *b == b'\n') {
            let line: Vec<u8> = self.input.drain(..=end).collect();
            let line = String::from_utf8_lossy(&line).trim().to_owned();
            if let Some(mask) = line.strip_suffix(";*ESE?") {
                let token = mask.trim_start_matches("*ESE ").to_owned();
                self.say(now + Span::from_ms(2), format!("{token}\n").as_bytes());
            } else if line.ends_with('?') {
                let mut at = now;
                for (after, piece) in self.answers.pop_front().unwrap_or_default() {
                    at = self.say(at + Span::from_ms(*after), piece);
                }
            }
        }
    }

    fn next_due(&self) -> Option<Mono> {
        self.out.front().map(|(at, _)| *at)
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        let later = self.out.partition_point(|(at, _)| *at <= now);
        self.out
            .drain(..later)
            .flat_map(|(_, bytes)| bytes)
            .collect()
    }
}

const NEW: &str = r#"NEW! of #14NEW!\n after 1 ms ["answered after a resync"]"#;

/// The first tokens of a link are 138 and 175: a late block that holds them as lines,
/// and then what looks like the next answer, is not believed, whole or damaged. No
/// queue of complaints helps.
#[test]
fn a_late_block_that_holds_the_token_is_not_believed() {
    let token = Manner {
        complaints: None,
        ..manner()
    };
    let cases: [Answer; 6] = [
        &[(1_100, b"#213\n138\n#14OLD!\n\n")],
        &[(1_100, b"#213\n138\n"), (300, b"#14OLD!\n\n")],
        &[(1_100, b"#213\n138\n"), (900, b"#14OLD!\n\n")],
        // Counted: the next lines are the tokens, each as it is wanted.
        &[
            (1_100, b"#217\n138\n"),
            (300, b"175\n"),
            (300, b"#14OLD!\n\n"),
        ],
        // Its head is lost: the second token is not the next line.
        &[(1_100, b"17\n138\n"), (300, b"x\n"), (300, b"#14OLD!\n\n")],
        // Its end is lost, and both tokens came at once.
        &[(1_100, b"#216\n138\n175\n"), (900, b"\n\n")],
    ];
    for late in cases {
        let got = asked_twice(token.clone(), Late::new(late));
        assert_eq!(got, [SILENT, NEW], "{late:?}");
    }
}

/// A block that is still under way when the longest answer should be over is
/// waited for.
#[test]
fn without_a_token_a_block_under_way_is_waited_for() {
    let quiet = Manner {
        complaints: None,
        resync: Resync::Quiet,
        ..manner()
    };
    let cases: [Answer; 4] = [
        &[(1_100, b"#14OLD!\n#14OLD!\n")],
        &[(1_100, b"#14OL"), (4_500, b"D!\n#14OLD!\n")],
        &[(1_100, b"#14OL"), (5_100, b"D!\n#14OLD!\n")],
        &[(1_100, b"#14OL"), (9_000, b"D!\n#14OLD!\n")],
    ];
    for late in cases {
        let got = asked_twice(quiet.clone(), Late::new(late));
        assert_eq!(got, [SILENT, NEW], "{late:?}");
    }
}

/// Says bytes for ever, once it was asked.
struct Endless(Option<Mono>);

impl Machine for Endless {
    fn bytes(&mut self, now: Mono, _: &[u8]) {
        self.0 = Some(now);
    }
    fn next_due(&self) -> Option<Mono> {
        self.0
    }
    fn due(&mut self, now: Mono) -> Vec<u8> {
        self.0 = Some(now + Span::from_ms(1_000));
        vec![b'x'; 5_000]
    }
}

#[test]
fn bytes_without_end_are_no_pause() {
    let quiet = Manner {
        resync: Resync::Quiet,
        ..manner()
    };
    converse(Endless(None), |talk| {
        talk.follow(quiet);
        let first = block::ask(talk, "READ?", FOUR, SECOND);
        assert!(matches!(first, Err(NoBlock::Malformed { .. })), "{first:?}");
        let before = talk.now().mono;
        let second = line::ask(talk, "NEXT?", SECOND);
        assert!(
            matches!(&second, Err(DriverError::Garbled { wanted, .. }) if wanted.starts_with("a pause")),
            "{second:?}"
        );
        assert_eq!(talk.now().mono.since(before), Span::from_secs(15));
        assert!(talk.state().is_dirty());
    });
}

fn ends() -> impl Strategy<Value = LineEnd> {
    prop_oneof![Just(LineEnd::Lf), Just(LineEnd::Cr), Just(LineEnd::CrLf)]
}

fn lengths() -> impl Strategy<Value = Length> {
    prop_oneof![
        (0..40_usize).prop_map(Length::Exactly),
        (0..40_usize).prop_map(Length::AtMost),
        Just(Length::AtMost(usize::MAX)),
    ]
}

/// Any bytes, and blocks with wounds.
fn answers() -> impl Strategy<Value = Vec<u8>> {
    let bytes = |most| prop::collection::vec(any::<u8>(), 0..most);
    let headed = ("#[0-9][0-9]{0,10}", bytes(60))
        .prop_map(|(head, bytes)| [head.as_bytes(), &bytes].concat());
    let block = (bytes(40), "[;0-9]{0,3}\r?\n.{0,4}").prop_map(|(payload, rest)| {
        let length = payload.len().to_string();
        let head = format!("#{}{length}", length.len());
        [head.as_bytes(), &payload, rest.as_bytes()].concat()
    });
    prop_oneof![bytes(60), headed, block]
}

proptest! {
    /// No bytes panic; what is said of them lies within them; a payload is never
    /// longer than it may be; and what was once said of a beginning is said of all.
    #[test]
    fn how_the_bytes_are_cut_changes_nothing(
        bytes in answers(),
        end in ends(),
        length in lengths(),
    ) {
        let whole = block::extent(&bytes, end, length);
        for cut in 0..=bytes.len() {
            match block::extent(&bytes[..cut], end, length) {
                Ok(Extent::More(wanted)) => {
                    prop_assert!(wanted > cut);
                    // Nothing is decided earlier than it was said.
                    let sooner = (wanted - 1).min(bytes.len());
                    let sooner = block::extent(&bytes[..sooner], end, length);
                    prop_assert!(matches!(sooner, Ok(Extent::More(_))), "{cut} {sooner:?}");
                }
                decided => prop_assert_eq!(&decided, &whole, "{}", cut),
            }
        }
        match whole {
            Ok(Extent::Whole(Frame { payload, rest })) => {
                prop_assert!(payload.end == rest.start && rest.end <= bytes.len());
                prop_assert!(!rest.is_empty());
                match length {
                    Length::Exactly(wanted) => prop_assert_eq!(payload.len(), wanted),
                    Length::AtMost(most) => prop_assert!(payload.len() <= most),
                }
            }
            Ok(Extent::More(wanted)) => {
                prop_assert!(wanted <= 11 + 1 + BLOCK_AT_MOST_BYTES.max(bytes.len()));
            }
            Err(malformed) => prop_assert!(malformed.bytes <= bytes.len()),
        }
    }
}
