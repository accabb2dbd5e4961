//! Ask a line, get a line; in the manner of the device.
//!
//! After a time-out the link is *dirty*: the answer may still come. Before the
//! next question it is resynchronised: where the device can give back a token,
//! lines are read until it arrives (`*ESE n;*ESE?` needs no special feature of
//! an IEEE 488.2 device); where it cannot, nothing is asked for longer than any
//! answer may take; a device that closes its connection after each answer gets a
//! new one. Called by `roles` and `profile`. Not here: cutting lines
//! (`talk`), what an answer means (`roles`).

use photometry::measured::Moment;
use photometry::units::Span;

use super::abort;
use super::block;
use super::manner::{Resync as Way, TOKEN};
use super::scpi::{self, Complaint};
use super::talk::{Line, Talk};
use crate::error::DriverError;

/// Flag of an answer that came after the link was resynchronised.
pub const AFTER_RESYNC: &str = "answered after a resync";

/// Tries of a resync until the device counts as silent.
const RESYNC_TRIES: u32 = 3;
/// Lines read in one try: a full kernel queue of short lines is far less.
const RESYNC_LINES_AT_MOST: u32 = 10_000;
/// Entries kept of an error queue.
const COMPLAINTS_KEPT: usize = 30;
/// Entries read from an error queue that never ends: more than devices keep.
const COMPLAINTS_AT_MOST: u32 = 300;
/// Longest question; SCPI devices take 256 bytes and more.
const QUESTION_AT_MOST_BYTES: usize = 250;
/// An answer as shown in a message.
const SHOWN_AT_MOST_CHARS: usize = 60;

/// An answer, with what must be on record about it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// The answer without its end of line.
    pub text: String,
    /// Its bytes as they came.
    pub raw: Vec<u8>,
    /// When the question left.
    pub asked: Moment,
    /// When its first byte was there.
    pub taken: Moment,
    /// What a resync before the question found; `None` when none was needed.
    pub resync: Option<Resync>,
}

/// What a resync found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Resync {
    /// Lines that came too late for their questions.
    pub late_lines: u32,
    /// What was in the device's error queue.
    pub complaints: Vec<Complaint>,
}

impl Resync {
    /// Flags for the record: that there was one, and what the device complained
    /// about.
    pub fn flags(&self) -> Vec<String> {
        let complaints = self.complaints.iter();
        let complaints = complaints.map(|c| format!("complaint {} {}", c.code, c.text));
        std::iter::once(AFTER_RESYNC.to_owned())
            .chain(complaints)
            .collect()
    }
}

impl Answer {
    /// Flags for the record: a resync, and what the device complained about.
    pub fn flags(&self) -> Vec<String> {
        self.resync.as_ref().map_or_else(Vec::new, Resync::flags)
    }

    /// The error of an answer that is not `wanted`.
    pub fn garbled(&self, question: &str, wanted: &'static str) -> DriverError {
        DriverError::Garbled {
            question: question.to_owned(),
            answer: shown(&self.text),
            wanted,
        }
    }
}

/// A device's words, fit for a message: no control characters, not endless.
pub(crate) fn shown(text: &str) -> String {
    text.chars()
        .take(SHOWN_AT_MOST_CHARS)
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect()
}

/// Sends a line that has no answer.
///
/// # Errors
/// When it is too long or the link fails.
pub fn tell(talk: &mut Talk<'_>, line: &str) -> Result<Moment, DriverError> {
    if line.len() > QUESTION_AT_MOST_BYTES || line.contains(['\n', '\r']) {
        return Err(DriverError::Unsendable(format!(
            "a line of {} bytes is no single line of at most {QUESTION_AT_MOST_BYTES}",
            line.len()
        )));
    }
    talk.rest()?;
    let end = talk.state.manner.end.sent();
    talk.send(format!("{line}{end}").as_bytes())
}

/// Asks one question and waits for its one line, after a resync if the link
/// is dirty.
///
/// # Errors
/// [`DriverError::Silent`] after `within` (the link is then dirty), or when the
/// link fails, a resync fails, or the caller withdrew.
pub fn ask(talk: &mut Talk<'_>, question: &str, within: Span) -> Result<Answer, DriverError> {
    let resync = if talk.state.dirty {
        Some(resynchronise(talk)?)
    } else {
        None
    };
    let mut answer = ask_once(talk, question, within)?;
    answer.resync = resync;
    Ok(answer)
}

fn ask_once(talk: &mut Talk<'_>, question: &str, within: Span) -> Result<Answer, DriverError> {
    talk.drain()?;
    // Dirty until the answer is there, however this ends.
    talk.state.dirty = true;
    let asked = tell(talk, question)?;
    let until = asked.mono + within;
    while let Some(line) = talk.next_line(until)? {
        let text = line.text();
        if text.trim().is_empty() {
            talk.drop_line(&line);
            continue;
        }
        talk.answered();
        talk.state.dirty = false;
        talk.state.rests_until = talk.now().mono + talk.state.manner.gap;
        let Line { raw, taken } = line;
        return Ok(Answer {
            text,
            raw,
            asked,
            taken,
            resync: None,
        });
    }
    Err(DriverError::Silent {
        question: question.to_owned(),
        within,
    })
}

/// The next token: 101 to 254, so that no coil state, average count or error
/// number looks like it; never the same twice in a row.
fn token(resyncs: u64) -> u64 {
    101 + (resyncs * 37) % 154
}

/// Makes sure that the next answer belongs to the next question; a device that must
/// be told to give up is told so first (`abort`).
///
/// # Errors
/// [`DriverError::Silent`] when no token comes back, or when the link fails.
pub fn resynchronise(talk: &mut Talk<'_>) -> Result<Resync, DriverError> {
    abort::tell(talk);
    if talk.state.manner.closes {
        return by_a_new_connection(talk);
    }
    match talk.state.manner.resync.clone() {
        Way::Token { ask, then } => by_token(talk, &ask, then.as_deref()),
        Way::Quiet => by_waiting(talk),
    }
}

/// Lines read in one wait: a late block may be as many as it has bytes.
fn lines_at_most(talk: &Talk<'_>) -> u32 {
    let block = u32::try_from(talk.state.manner.largest_block).unwrap_or(u32::MAX);
    RESYNC_LINES_AT_MOST.saturating_add(block)
}

/// Whether a second token is the very next line. A late block may hold the first
/// one, but not the second right behind it.
fn once_more(
    talk: &mut Talk<'_>,
    ask: &str,
    within: Span,
    found: &mut Resync,
) -> Result<bool, DriverError> {
    // What is there cannot be the answer to what is not sent yet.
    talk.drain()?;
    talk.state.resyncs += 1;
    let token = token(talk.state.resyncs).to_string();
    let asked = tell(talk, &ask.replace(TOKEN, &token))?;
    match talk.next_line(asked.mono + within)? {
        Some(line) if line.text().trim() == token => Ok(true),
        Some(line) => {
            found.late_lines += 1;
            talk.late_line(&line);
            Ok(false)
        }
        None => Ok(false),
    }
}

/// An answer that is still to come goes to a connection that is no more.
fn by_a_new_connection(talk: &mut Talk<'_>) -> Result<Resync, DriverError> {
    talk.state.resyncs += 1;
    talk.answered();
    talk.drain()?;
    talk.state.dirty = false;
    let complaints = complaints(talk)?;
    Ok(Resync {
        late_lines: 0,
        complaints,
    })
}

fn by_token(talk: &mut Talk<'_>, ask: &str, then: Option<&str>) -> Result<Resync, DriverError> {
    let within = talk.state.manner.longest_answer;
    let mut found = Resync::default();
    for _ in 0..RESYNC_TRIES {
        talk.state.resyncs += 1;
        let token = token(talk.state.resyncs).to_string();
        let asked = tell(talk, &ask.replace(TOKEN, &token))?;
        let until = asked.mono + within;
        block::throw_away_late(talk, until)?;
        for _ in 0..lines_at_most(talk) {
            let Some(line) = talk.next_line(until)? else {
                break;
            };
            if line.text().trim() == token {
                let blocks = talk.state.manner.largest_block > 0;
                if blocks && !once_more(talk, ask, within, &mut found)? {
                    break;
                }
                talk.state.dirty = false;
                if let Some(then) = then {
                    tell(talk, then)?;
                }
                match complaints(talk) {
                    // A late answer overtook the token: once more.
                    Err(DriverError::Garbled { .. }) => break,
                    other => found.complaints = other?,
                }
                return Ok(found);
            }
            found.late_lines += 1;
            talk.late_line(&line);
        }
    }
    Err(DriverError::Silent {
        question: ask.replace(TOKEN, "n"),
        within: within.times(i64::from(RESYNC_TRIES)),
    })
}

/// The last question is over for good when nothing can come any more. A block that
/// is under way when the time is over goes on: then it is waited once more.
fn by_waiting(talk: &mut Talk<'_>) -> Result<Resync, DriverError> {
    let mut found = Resync::default();
    talk.state.resyncs += 1;
    let blocks = talk.state.manner.largest_block > 0;
    talk.state.late_block = false;
    for _ in 0..RESYNC_TRIES {
        let before = talk.state.counts().thrown();
        let until = talk.now().mono + talk.state.manner.longest_answer;
        for _ in 0..lines_at_most(talk) {
            let Some(line) = talk.next_line(until)? else {
                break;
            };
            found.late_lines += 1;
            talk.late_line(&line);
        }
        talk.drain()?;
        if blocks && talk.state.counts().thrown() > before {
            continue;
        }
        talk.state.dirty = false;
        found.complaints = complaints(talk)?;
        return Ok(found);
    }
    Err(DriverError::Garbled {
        question: "nothing at all".to_owned(),
        answer: "bytes without end".to_owned(),
        wanted: "a pause after the last answer",
    })
}

/// Empties the device's queue of complaints and gives the first 30; a device
/// without one has none. What is left over would be taken for a complaint of
/// the next setting, so up to 300 entries are read.
///
/// # Errors
/// When the device does not answer as SCPI says, or the link fails.
pub fn complaints(talk: &mut Talk<'_>) -> Result<Vec<Complaint>, DriverError> {
    let Some(question) = talk.state.manner.complaints.clone() else {
        return Ok(Vec::new());
    };
    let within = talk.state.manner.answer_within;
    let mut found = Vec::new();
    for _ in 0..COMPLAINTS_AT_MOST {
        let answer = ask_once(talk, &question, within)?;
        match scpi::complaint(&answer.text) {
            Some(complaint) if complaint.code == 0 => break,
            Some(complaint) if found.len() < COMPLAINTS_KEPT => {
                talk.state.complained(&complaint);
                found.push(complaint);
            }
            Some(_) => {}
            None => {
                // What else was asked may be mixed up as well.
                talk.state.dirty = true;
                return Err(answer.garbled(&question, "an entry of an error queue"));
            }
        }
    }
    Ok(found)
}

/// Sends a setting and makes sure that the device took it without complaint.
///
/// # Errors
/// [`DriverError::Refused`] with the device's first complaint.
pub fn set(talk: &mut Talk<'_>, line: &str) -> Result<(), DriverError> {
    if talk.state.dirty {
        resynchronise(talk)?;
    }
    tell(talk, line)?;
    match complaints(talk)?.into_iter().next() {
        None => Ok(()),
        Some(complaint) => Err(DriverError::Refused {
            question: line.to_owned(),
            code: complaint.code,
            text: shown(&complaint.text),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Pieces, Scripted, converse};
    use super::*;

    const SECOND: Span = Span::from_secs(1);

    fn asked_twice(script: &[Pieces]) -> Vec<String> {
        converse(Scripted::new(script), |talk| {
            ["READ?", "SENS:RANG?"]
                .iter()
                .map(|question| match ask(talk, question, SECOND) {
                    Ok(answer) => {
                        let ms = answer.taken.mono.since(answer.asked.mono).ns() / 1_000_000;
                        format!("{} after {ms} ms {:?}", answer.text, answer.flags())
                    }
                    Err(error) => error.to_string(),
                })
                .collect()
        })
    }

    const SILENT: &str = "no answer to `READ?` within 1 s. Check that the device is on and set to the rate in the bench file";

    /// Driver acceptance: how answers may be cut and ended.
    #[test]
    fn answers_come_in_many_shapes() {
        let cases: [(&str, &[Pieces], [&str; 2]); 5] = [
            (
                "one byte at a time",
                &[
                    &[(5, b"1"), (6, b"2"), (7, b"."), (8, b"5"), (9, b"\n")],
                    &[(1, b"20\n")],
                ],
                ["12.5 after 5 ms []", "20 after 1 ms []"],
            ),
            (
                "CRLF and LF",
                &[&[(1, b"12.5\r\n")], &[(1, b"20\n")]],
                ["12.5 after 1 ms []", "20 after 1 ms []"],
            ),
            (
                "several lines in one read: the second is nobody's",
                &[&[(1, b"12.5\n777\n")], &[(1, b"20\n")]],
                ["12.5 after 1 ms []", "20 after 1 ms []"],
            ),
            (
                "blank lines are no answers",
                &[&[(1, b"\r\n\n12.5\n")], &[(1, b"20\n")]],
                ["12.5 after 1 ms []", "20 after 1 ms []"],
            ),
            (
                "no answer to a bad question",
                &[&[], &[(1, b"20\n")]],
                [SILENT, "20 after 1 ms [\"answered after a resync\"]"],
            ),
        ];
        for (name, script, wanted) in cases {
            assert_eq!(asked_twice(script), wanted, "{name}");
        }
    }

    /// The worst fault: the first answer comes after its time-out. Whenever it
    /// comes, even past the token, the second question gets its own answer.
    #[test]
    fn a_late_answer_is_never_credited_to_the_next_question() {
        const LATE: [Pieces; 6] = [
            &[(1_000, b"12.5\n")],
            &[(1_001, b"12.5\n")],
            &[(1_002, b"12.5\n")],
            &[(1_003, b"12.5\n")],
            &[(995, b"12."), (1_001, b"5\n")],
            &[(1_001, b"12.5\n7\n0\n")],
        ];
        for late in LATE {
            let second = "20 after 1 ms [\"answered after a resync\"]";
            let got = asked_twice(&[late, &[(1, b"20\n")]]);
            assert_eq!(got, [SILENT, second], "{late:?}");
        }
    }

    #[test]
    fn a_device_silent_for_ever_is_reported_in_bounded_time() {
        struct Deaf;
        impl crate::link::wire::Machine for Deaf {
            fn bytes(&mut self, _: photometry::units::Mono, _: &[u8]) {}
            fn next_due(&self) -> Option<photometry::units::Mono> {
                None
            }
            fn due(&mut self, _: photometry::units::Mono) -> Vec<u8> {
                Vec::new()
            }
        }
        converse(Deaf, |talk| {
            let start = talk.now().mono;
            assert!(ask(talk, "READ?", SECOND).is_err());
            let second = ask(talk, "READ?", SECOND);
            assert!(matches!(second, Err(DriverError::Silent { within, .. })
                if within == Span::from_secs(15)));
            assert_eq!(talk.now().mono.since(start), Span::from_secs(16));
            assert!(talk.state().is_dirty());
        });
    }

    /// Has so many complaints, and gives one whenever it hears anything.
    struct Complainer {
        left: u32,
        asked: Option<photometry::units::Mono>,
    }

    impl crate::link::wire::Machine for Complainer {
        fn bytes(&mut self, now: photometry::units::Mono, _: &[u8]) {
            self.asked = Some(now);
        }
        fn next_due(&self) -> Option<photometry::units::Mono> {
            self.asked
        }
        fn due(&mut self, _: photometry::units::Mono) -> Vec<u8> {
            self.asked = None;
            if self.left == 0 {
                return b"0,\"No error\"\n".to_vec();
            }
            self.left -= 1;
            format!("-113,\"Undefined header;{}\"\n", self.left).into_bytes()
        }
    }

    /// What is not kept is not left over either, and a queue without end ends.
    #[test]
    fn a_long_queue_of_complaints_is_emptied() {
        for (left, kept, next) in [(3, 3, 0), (30, 30, 0), (100, 30, 0), (u32::MAX, 30, 30)] {
            let counts = converse(Complainer { left, asked: None }, |talk| {
                [(); 2].map(|()| complaints(talk).expect("complaints").len())
            });
            assert_eq!(counts, [kept, next], "{left}");
        }
    }

    #[test]
    fn an_endless_line_is_thrown_away_and_counted() {
        struct Flood(Option<photometry::units::Mono>);
        impl crate::link::wire::Machine for Flood {
            fn bytes(&mut self, now: photometry::units::Mono, _: &[u8]) {
                self.0 = Some(now);
            }
            fn next_due(&self) -> Option<photometry::units::Mono> {
                self.0
            }
            fn due(&mut self, now: photometry::units::Mono) -> Vec<u8> {
                self.0 = Some(now + Span::from_ms(100));
                vec![b'x'; 1000]
            }
        }
        converse(Flood(None), |talk| {
            assert!(ask(talk, "READ?", Span::from_secs(2)).is_err());
            let dropped = talk.state().counts().dropped_bytes;
            assert!((15_000..=21_000).contains(&dropped), "{dropped}");
        });
    }

    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig::with_cases(48))]
        #[test]
        fn no_bytes_panic_and_the_next_answer_is_right(
            rubbish in proptest::collection::vec(proptest::num::u8::ANY, 0..400),
            late_ms in 0_i64..3000,
        ) {
            let rubbish: &'static [u8] = rubbish.leak();
            let pieces: Pieces = vec![(late_ms, rubbish), (late_ms, b"\n".as_slice())].leak();
            let answers = converse(Scripted::new(&[pieces, &[(1, b"20\n")]]), |talk| {
                let first = ask(talk, "READ?", SECOND);
                // What came too early to be told apart would need a serial number.
                talk.pause(talk.now().mono + Span::from_secs(4)).expect("a pause");
                (first.is_ok(), ask(talk, "SENS:RANG?", SECOND))
            });
            proptest::prop_assert_eq!(answers.1.expect("an answer").text, "20");
        }
    }
}
