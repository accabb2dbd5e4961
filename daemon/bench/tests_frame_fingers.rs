//! Relay fingers through a codec: an invented board of binary frames, with and without
//! acknowledgements, worked by the driver that works all others. What a coil does is
//! held against the board's own coils, never against what it says.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use drivers::clock::Clock;
use drivers::error::DriverError;
use drivers::exchange::talk::{LinkState, Talk};
use drivers::link::wire::{Machine, memory_wire, serve};
use drivers::link::{Address, Link};
use drivers::profile::types::Profile;
use drivers::roles::presser::Presser;
use drivers::roles::profiled_fingers::ProfiledFingers;
use photometry::units::{Mono, Span, Wall};

use super::profiles::{self, Kind};
use crate::plan::frozen::SentText;
use crate::plan::profiles::UsedProfile;

/// A board that acknowledges all that it is told.
const ACKED: &str = r#"profile: knot
format: 1
role: fingers
about: a relay board of binary frames
codec: knot.rhai
frames: {answer-within: 300 ms, longest-answer: 1 s}
close-coil: {frame: close}
open-coil: {frame: open}
open-all-coils: {frame: open-all}
read-coil: {frame: state, gives: closed}
samples:
  - {read-coil: {bytes: "A5 02 53 01 50"}, gives: closed}
  - {read-coil: {bytes: "A5 02 53 00 51"}, gives: open}
  - {read-coil: {bytes: "A5 02 53 02 53"}, gives: refused}
  - {read-coil: {bytes: "A5 02 53 01 51"}, gives: refused}
  - {read-coil: {bytes: "A5 01 06 07"}, gives: refused}
"#;

/// The answer to `state` says of no coil whose it is, so that one credited to another
/// question would be believed.
const CODEC: &str = r#"// The frames of an invented relay board: A5, length, command, data, xor.
fn encode(word, given) {
    let body = bytes([command(word)]);
    if word != "open-all" { body = body + bytes([nearest(given.coil)]); }
    let counted = bytes([body.len()]) + body;
    bytes([0xA5]) + counted + bytes([counted.xor()])
}

fn command(word) {
    if word == "close" { return 0x43; }
    if word == "open" { return 0x4F; }
    if word == "open-all" { return 0x41; }
    if word == "state" { return 0x53; }
    throw "no command is known for `" + word + "`";
}

fn need(come) {
    if come.len() == 0 { return 2; }
    if come.unsigned(0, 1, "low-first") != 0xA5 { throw "a frame begins with A5"; }
    if come.len() == 2 { return come.unsigned(1, 1, "low-first") + 1; }
    0
}

fn decode(word, answer) {
    let counted = answer.part(1, answer.len() - 2);
    let check = answer.unsigned(answer.len() - 1, 1, "low-first");
    if counted.xor() != check { throw "the check byte is wrong"; }
    let said = counted.unsigned(1, 1, "low-first");
    if said == 0x15 { throw "the board refuses it"; }
    if word == "state" {
        if said != 0x53 { throw "the frame says no state"; }
        return #{ closed: counted.unsigned(2, 1, "low-first") };
    }
    if said != 0x06 { throw "the frame is no acknowledgement"; }
    #{}
}
"#;

/// The same board where it acknowledges nothing: what is told is sent.
fn told_only() -> String {
    let words = ["close", "open", "open-all"];
    words.iter().fold(ACKED.to_owned(), |text, word| {
        text.replace(&format!("{{frame: {word}}}"), &format!("{{send: {word}}}"))
    })
}

fn profile(text: &str) -> Arc<Profile> {
    let used = UsedProfile {
        name: "knot.yaml".to_owned(),
        text: text.to_owned(),
        codec: Some(SentText {
            name: "knot.rhai".to_owned(),
            text: CODEC.to_owned(),
        }),
        ..UsedProfile::default()
    };
    profiles::of(Some(&used), Kind::Fingers).unwrap_or_else(|no| panic!("{no}"))
}

/// What goes wrong with an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Slip {
    /// It comes so much later; what it says was so when it was asked.
    Late(Span),
    /// It does not come.
    Silent,
    /// It comes a second time, so much later.
    Again(Span),
    /// Its check byte is wrong.
    WrongCheck,
    /// It is a refusal.
    Refused,
    /// Noise from then on, a byte every 50 ms for a minute.
    Babbles,
}

#[derive(Default)]
struct State {
    closed: [bool; 9],
    /// Coils that never move.
    stuck: Vec<usize>,
    acks: bool,
    /// Answers so far, and what goes wrong with which of them.
    answers: u32,
    slips: BTreeMap<u32, Slip>,
    /// When a coil moved: which, and whether it closed.
    moved: Vec<(Mono, usize, bool)>,
    /// An answer to an earlier owner, and when it comes.
    owes: Option<(Span, Vec<u8>)>,
}

/// The board, as a test holds it.
#[derive(Clone, Default)]
struct Board(Arc<Mutex<State>>);

impl Board {
    fn new(acks: bool) -> Board {
        let board = Board::default();
        board.state().acks = acks;
        board
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The `nth` answer from now on, from 1, goes wrong.
    fn slips(&self, nth: u32, slip: Slip) {
        let mut state = self.state();
        let nth = state.answers + nth;
        state.slips.insert(nth, slip);
    }

    fn closed(&self) -> Vec<usize> {
        let state = self.state();
        (1..9).filter(|coil| state.closed[*coil]).collect()
    }

    /// How long a coil was closed when it last was.
    fn last_press(&self, coil: usize) -> Span {
        let moved = self.state().moved.clone();
        let last = |closed| {
            let mut moved = moved.iter().rev();
            let found = moved.find(|(_, which, to)| (*which, *to) == (coil, closed));
            found.map(|(at, ..)| *at).expect("it moved")
        };
        last(false).since(last(true))
    }
}

impl State {
    fn set(&mut self, now: Mono, coil: usize, closed: bool) {
        if !self.stuck.contains(&coil) && self.closed[coil] != closed {
            self.closed[coil] = closed;
            self.moved.push((now, coil, closed));
        }
    }

    /// Carries out a command; the body of its answer.
    fn carry_out(&mut self, now: Mono, body: &[u8]) -> Option<Vec<u8>> {
        let acknowledged = self.acks.then(|| vec![0x06]);
        match *body {
            [0x43, coil] => self.set(now, usize::from(coil), true),
            [0x4F, coil] => self.set(now, usize::from(coil), false),
            [0x41] => (1..9).for_each(|coil| self.set(now, coil, false)),
            [0x53, coil] => {
                let closed = self.closed[usize::from(coil)];
                return Some(vec![0x53, u8::from(closed)]);
            }
            _ => return Some(vec![0x15]),
        }
        acknowledged
    }
}

fn frame(body: &[u8]) -> Vec<u8> {
    let counted = [&[body.len() as u8], body].concat();
    let check = counted.iter().fold(0, |sum, byte| sum ^ byte);
    [&[0xA5][..], &counted, &[check]].concat()
}

/// The board at the end of a wire.
struct AtWire {
    board: Board,
    input: Vec<u8>,
    out: Vec<(Mono, Vec<u8>)>,
}

impl AtWire {
    fn answer(&mut self, now: Mono, body: &[u8]) {
        let slip = {
            let mut state = self.board.state();
            state.answers += 1;
            state.slips.get(&state.answers).copied()
        };
        let at = now + Span::from_ms(3);
        let whole = frame(body);
        match slip {
            None => self.out.push((at, whole)),
            Some(Slip::Late(by)) => self.out.push((at + by, whole)),
            Some(Slip::Silent) => {}
            Some(Slip::Again(by)) => {
                self.out.push((at, whole.clone()));
                self.out.push((at + by, whole));
            }
            Some(Slip::WrongCheck) => {
                let mut whole = whole;
                if let Some(check) = whole.last_mut() {
                    *check ^= 1;
                }
                self.out.push((at, whole));
            }
            Some(Slip::Refused) => self.out.push((at, frame(&[0x15]))),
            Some(Slip::Babbles) => {
                let every = |n: i64| (at + Span::from_ms(50 * n), vec![0x00]);
                self.out.extend((0..1_200).map(every));
            }
        }
        self.out.sort_by_key(|(at, _)| *at);
    }
}

impl Machine for AtWire {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        self.input.extend(bytes);
        while let [0xA5, length, rest @ ..] = &self.input[..] {
            let length = usize::from(*length);
            let Some(body) = rest.get(..length).filter(|_| rest.len() > length) else {
                return;
            };
            let body = body.to_vec();
            self.input.drain(..length + 3);
            let answer = self.board.state().carry_out(now, &body);
            if let Some(answer) = answer {
                self.answer(now, &answer);
            }
        }
    }

    fn next_due(&self) -> Option<Mono> {
        self.out.first().map(|(at, _)| *at)
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        let due = self.out.partition_point(|(at, _)| *at <= now);
        self.out.drain(..due).flat_map(|(_, bytes)| bytes).collect()
    }
}

/// Fingers at coils 1, 2 and 3 before that board, which may be abandoned.
fn with<T>(
    text: &str,
    board: &Board,
    how: impl FnOnce(&mut ProfiledFingers, &mut Talk<'_>, &AtomicBool) -> T,
) -> T {
    let clock = Clock::simulated(Wall::from_us(0), Mono::ZERO);
    let mut seats = clock.seats(&["port", "device"]);
    let (seat, mut port) = (seats.pop().expect("a seat"), seats.pop().expect("a seat"));
    let _flow = clock.hold_flow();
    let wire = memory_wire(&clock, "device");
    let owes = board.state().owes.take();
    let owes = owes.map(|(after, frame)| (Mono::ZERO + after, frame));
    let machine = AtWire {
        board: board.clone(),
        input: Vec::new(),
        out: owes.into_iter().collect(),
    };
    let _served = serve(seat, wire, machine).expect("a thread");
    let mut link = Link::open(&Address::memory("device"), &clock).expect("a link");
    let abandon = AtomicBool::new(false);
    let mut state = LinkState::new();
    let mut fingers = ProfiledFingers::new(vec![1, 2, 3], profile(text), None);
    let talk = &mut Talk::new(&mut port, &mut link, &abandon, &mut state);
    how(&mut fingers, talk, &abandon)
}

/// What was sent has left; the board hears it in its own turn.
fn in_a_moment(talk: &mut Talk<'_>) {
    let soon = talk.now().mono + Span::from_ms(10);
    let mut talk = talk.undisturbed();
    talk.pause(soon).expect("a pause");
}

const HOLD: Span = Span::from_ms(200);

/// Both ways of speaking, each with its board.
fn both() -> [(String, bool); 2] {
    [(ACKED.to_owned(), true), (told_only(), false)]
}

#[test]
fn a_board_of_frames_closes_reads_back_and_opens() {
    for (text, acks) in both() {
        let board = Board::new(acks);
        board.state().closed[3] = true;
        with(&text, &board, |fingers, talk, _| {
            // Whoever had it before left a finger down.
            let identity = fingers.open(talk).expect("it opens");
            assert_eq!(identity.raw, "a device that does not tell who it is (knot)");
            assert_eq!(board.closed(), Vec::<usize>::new());
            for coil in [1, 3] {
                let pressed = fingers.press(talk, coil, HOLD).expect("a press");
                assert_eq!(board.last_press(usize::from(coil)), HOLD);
                assert_eq!(pressed.up.mono.since(pressed.down.mono), HOLD);
                let moved: Vec<(usize, bool)> = board
                    .state()
                    .moved
                    .drain(..)
                    .map(|(_, coil, closed)| (coil, closed))
                    .collect();
                let coil = usize::from(coil);
                assert!(moved.ends_with(&[(coil, true), (coil, false)]), "{moved:?}");
            }
            board.state().closed[2] = true;
            fingers.release_all(talk).expect("all are off");
            assert_eq!(board.closed(), Vec::<usize>::new());
            let none = fingers.press(talk, 4, HOLD).expect_err("no finger");
            assert!(matches!(none, DriverError::Unsendable(_)), "{none}");
        });
    }
}

#[test]
fn a_coil_that_does_not_follow_is_named() {
    let stuck = |error: DriverError| match error {
        DriverError::CoilStuck { coil, wanted } => (coil, wanted),
        other => panic!("{other}"),
    };
    for (text, acks) in both() {
        let board = Board::new(acks);
        with(&text, &board, |fingers, talk, _| {
            fingers.open(talk).expect("it opens");
            board.state().stuck = vec![2];
            let error = fingers.press(talk, 2, HOLD).expect_err("it stays open");
            assert_eq!(stuck(error), (2, true));
            fingers.press(talk, 1, HOLD).expect("the other one");
            // Welded: it closes and does not open again.
            board.state().closed[2] = true;
            let error = fingers.press(talk, 2, HOLD).expect_err("it stays closed");
            assert_eq!(stuck(error), (2, false));
            let error = fingers.release_all(talk).expect_err("it stays closed");
            assert_eq!(stuck(error), (2, false));
            let error = fingers.open(talk).expect_err("it stays closed");
            assert_eq!(stuck(error), (2, false));
            assert_eq!(board.closed(), [2]);
        });
    }
}

/// Every answer of a press goes wrong in every way: the press is a named error or was
/// carried out, no finger stays down, and the next press, of a coil that does not
/// follow, is never believed for what an answer said that came too late.
#[test]
fn no_late_answer_is_credited_to_another_coil() {
    let ms = Span::from_ms;
    let slips = [
        Slip::Late(ms(301)),
        Slip::Late(ms(600)),
        Slip::Late(ms(1_500)),
        Slip::Late(ms(3_500)),
        Slip::Again(ms(0)),
        Slip::Again(ms(150)),
        Slip::Silent,
        Slip::WrongCheck,
        Slip::Refused,
    ];
    for (text, acks) in both() {
        let answers = if acks { 4 } else { 2 };
        let mut failed = 0;
        for slip in slips {
            for nth in 1..=answers {
                let what = format!("{slip:?} at {nth}, acks {acks}");
                let board = Board::new(acks);
                with(&text, &board, |fingers, talk, _| {
                    fingers.open(talk).expect("it opens");
                    board.slips(nth, slip);
                    let first = fingers.press(talk, 1, HOLD);
                    failed += u32::from(first.is_err());
                    in_a_moment(talk);
                    assert!(
                        !matches!(first, Err(DriverError::CoilStuck { .. })),
                        "{what} {first:?}"
                    );
                    assert_eq!(board.closed(), Vec::<usize>::new(), "{what}");
                    // The hold, an answer that was waited for, and what the board needs.
                    assert!(
                        board.last_press(1) <= HOLD + ms(320),
                        "{what} {}",
                        board.last_press(1)
                    );
                    board.state().stuck = vec![2];
                    let second = fingers.press(talk, 2, HOLD);
                    let named = matches!(
                        second,
                        Err(DriverError::CoilStuck {
                            coil: 2,
                            wanted: true
                        } | DriverError::Garbled { .. })
                    );
                    assert!(named, "{what} {second:?}");
                    let third = fingers.press(talk, 3, HOLD);
                    assert!(third.is_ok(), "{what} {third:?}");
                    assert_eq!(board.closed(), Vec::<usize>::new(), "{what}");
                });
            }
        }
        assert!(failed >= 6 * answers, "{failed}");
    }
}

/// A board that answers an earlier owner's question only now is opened all the same,
/// and that answer is believed for nothing.
#[test]
fn an_answer_to_an_earlier_owner_is_nobodys() {
    for (text, acks) in both() {
        for body in [&[0x06][..], &[0x53, 1], &[0x53, 0], &[0x15]] {
            for after_ms in [1, 2, 100, 299, 301, 900] {
                let board = Board::new(acks);
                board.state().closed[1] = true;
                board.state().owes = Some((Span::from_ms(after_ms), frame(body)));
                with(&text, &board, |fingers, talk, _| {
                    let opened = fingers.open(talk);
                    let what = format!("{body:?} after {after_ms} ms, acks {acks}");
                    assert!(opened.is_ok(), "{what} {opened:?}");
                    assert_eq!(board.closed(), Vec::<usize>::new(), "{what}");
                    let pressed = fingers.press(talk, 1, HOLD);
                    assert!(pressed.is_ok(), "{what} {pressed:?}");
                });
            }
        }
    }
}

/// Whoever withdraws a press, or meets a board that talks without end, leaves no
/// finger down, and not for the time that a thread takes to be found again either.
#[test]
fn on_abort_all_are_open() {
    for (text, acks) in both() {
        let board = Board::new(acks);
        with(&text, &board, |fingers, talk, abandon| {
            fingers.open(talk).expect("it opens");
            abandon.store(true, Ordering::SeqCst);
            fingers
                .press(talk, 1, HOLD)
                .expect("a press is never cut in half");
            assert_eq!(board.last_press(1), HOLD);
            board.state().closed[2] = true;
            fingers.release_all(talk).expect("all are off");
            assert_eq!(board.closed(), Vec::<usize>::new());
        });
        let reading_back = if acks { 2 } else { 1 };
        let board = Board::new(acks);
        with(&text, &board, |fingers, talk, _| {
            fingers.open(talk).expect("it opens");
            board.slips(reading_back, Slip::Babbles);
            let error = fingers.press(talk, 1, HOLD).expect_err("noise");
            assert!(matches!(error, DriverError::Garbled { .. }), "{error}");
            in_a_moment(talk);
            assert_eq!(board.closed(), Vec::<usize>::new(), "acks {acks}");
            assert!(board.last_press(1) <= Span::from_ms(320));
        });
    }
}
