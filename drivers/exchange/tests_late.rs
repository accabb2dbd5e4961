//! Many questions to a device that answers late, in pieces, without an end of
//! line or with rubbish: no answer is credited to another question.

use std::collections::VecDeque;

use photometry::units::{Mono, Span};

use super::abort::Act;
use super::ack;
use super::block::{self, Length, NoBlock};
use super::line;
use super::manner::{Manner, Resync};
use super::tally;
use super::testing::{Draw, converse};
use crate::error::DriverError;
use crate::link::wire::Machine;

const WITHIN: Span = Span::from_secs(1);

impl Draw {
    fn rubbish(&mut self) -> Vec<u8> {
        let length = self.below(12);
        (0..length).map(|_| self.below(256) as u8).collect()
    }
}

/// Carries lines out one after another, and answers each question with its own
/// number, now and then badly.
struct Fickle {
    draw: Draw,
    input: Vec<u8>,
    out: VecDeque<(Mono, Vec<u8>)>,
    /// The mask that was set last.
    enabled: String,
}

impl Fickle {
    fn new(seed: u64) -> Fickle {
        Fickle {
            draw: Draw(seed),
            input: Vec::new(),
            out: VecDeque::new(),
            enabled: "0".to_owned(),
        }
    }

    fn hear(&mut self, now: Mono, text: &str) {
        if let Some(mask) = text.strip_prefix("*ESE ") {
            let (mask, asks) = match mask.split_once(';') {
                Some((mask, _)) => (mask, true),
                None => (mask, false),
            };
            self.enabled = mask.to_owned();
            if asks {
                let answer = format!("{mask}\n");
                self.answer(now, &answer);
            }
        } else if text == "SYST:ERR?" {
            self.answer(now, "0,\"No error\"\n");
        } else if let Some(number) = text.strip_prefix('Q') {
            let answer = format!("A{}\n", number.trim_end_matches('?'));
            self.answer(now, &answer);
        } else if let Some(number) = text.strip_prefix('B') {
            let number: u32 = number.trim_end_matches('?').parse().unwrap_or_default();
            self.say_badly(now, block_of(number));
        } else if let Some(number) = text.strip_prefix('G') {
            let answer = format!("[{number}]\r\nok\r\n");
            self.answer(now, &answer);
        } else if text.is_empty() {
            self.answer(now, "ok\r\n");
        }
    }

    fn answer(&mut self, now: Mono, text: &str) {
        self.say_badly(now, text.as_bytes().to_vec());
    }

    fn say_badly(&mut self, now: Mono, mut bytes: Vec<u8>) {
        let mut after = Span::from_ms(1);
        let mut pause = Span::ZERO;
        match self.draw.below(24) {
            0 => return,
            1 => after = Span::from_ms(900 + self.draw.below(200) as i64),
            2 => after = Span::from_ms(1000 + self.draw.below(3500) as i64),
            3 => pause = Span::from_ms(self.draw.below(4000) as i64),
            4 => bytes.retain(|byte| !matches!(byte, b'\r' | b'\n')),
            5 => bytes = self.draw.rubbish(),
            6 => bytes = [self.draw.rubbish(), bytes].concat(),
            7 => bytes.extend(self.draw.rubbish()),
            _ => {}
        }
        let second = bytes.split_off(self.draw.below(bytes.len() as u64 + 1) as usize);
        self.say(now + after, bytes);
        self.say(now + after + pause, second);
    }

    fn say(&mut self, at: Mono, bytes: Vec<u8>) {
        let at = self.out.back().map_or(at, |(last, _)| at.max(*last));
        self.out.push_back((at, bytes));
    }
}

impl Machine for Fickle {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        for &byte in bytes {
            match byte {
                b'\n' => {
                    let line = std::mem::take(&mut self.input);
                    self.hear(now, &String::from_utf8_lossy(&line));
                }
                0x18 => self.say(now + Span::from_ms(50), b"\r\nBoard 1.1\r\n".to_vec()),
                _ => self.input.push(byte),
            }
        }
    }

    fn next_due(&self) -> Option<Mono> {
        self.out.front().map(|(at, _)| *at)
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        let mut bytes = Vec::new();
        while self.out.front().is_some_and(|(at, _)| *at <= now) {
            bytes.extend(self.out.pop_front().into_iter().flat_map(|(_, text)| text));
        }
        bytes
    }
}

/// What came of the questions.
#[derive(Debug, Default)]
struct Counts {
    answered: u64,
    /// An answer that nobody could take for one.
    rubbish: u64,
    /// No answer, or an error that names what came instead.
    refused: u64,
    wrong: Vec<String>,
}

impl Counts {
    fn tell(&self, how: &str, exchanges: u64) {
        tally::line(
            &format!("late, split, joined and garbage answers, {how}"),
            &[
                ("exchanges", &exchanges),
                ("answered", &self.answered),
                ("recognised as rubbish", &self.rubbish),
                ("refused", &self.refused),
                ("credited to another question", &self.wrong.len()),
            ],
        );
        assert_eq!(self.wrong, Vec::<String>::new());
        assert!(self.answered > exchanges / 2 && self.refused > exchanges / 20);
    }
}

/// Ends of lines within the bytes of a number, and the number a second time.
const MASK: u32 = 0x0A0A_0D0A;

/// A number as a block that can be known again.
fn block_of(number: u32) -> Vec<u8> {
    let both = [number ^ MASK, number].map(u32::to_be_bytes).concat();
    [b"#18", &both[..], b"\n"].concat()
}

/// The number of a block; none where its two halves are not of one number.
fn number_of(payload: &[u8]) -> Option<u32> {
    let half = |at: usize| {
        Some(u32::from_be_bytes(
            payload.get(at..at + 4)?.try_into().ok()?,
        ))
    };
    half(4).filter(|number| half(0) == Some(number ^ MASK))
}

fn exchanges() -> u64 {
    if tally::long() { 100_000 } else { 5_000 }
}

#[test]
fn no_answer_of_a_line_is_credited_to_another_question() {
    lines("line", 0x5eed_0001, Vec::new());
}

/// A device may answer what makes it give up, and that comes as late as all else.
#[test]
fn nor_where_the_device_is_told_to_give_up_first() {
    let acts = vec![
        Act::Line("Q999999999?".to_owned()),
        Act::Pause(Span::from_ms(100)),
    ];
    lines("line, told to give up", 0x5eed_0008, acts);
}

fn lines(how: &str, seed: u64, acts: Vec<Act>) {
    let mut counts = Counts::default();
    converse(Fickle::new(seed), |talk| {
        talk.aborts_by(acts);
        for nth in 0..exchanges() {
            match line::ask(talk, &format!("Q{nth}?"), WITHIN) {
                Ok(answer) if answer.text == format!("A{nth}") => counts.answered += 1,
                Ok(answer) => match answer.text.strip_prefix('A').map(str::parse::<u64>) {
                    Some(Ok(other)) => counts.wrong.push(format!("A{other} for Q{nth}")),
                    _ => counts.rubbish += 1,
                },
                Err(DriverError::Silent { .. } | DriverError::Garbled { .. }) => {
                    counts.refused += 1;
                }
                Err(error) => panic!("{nth}: {error}"),
            }
        }
    });
    counts.tell(how, exchanges());
}

/// Every way to find the thread again; the last has no queue of complaints, which
/// would show that an answer overtook the token.
#[test]
fn no_block_is_credited_to_another_question() {
    let of_blocks = Manner {
        largest_block: 8,
        ..Manner::default()
    };
    let silent = Manner {
        complaints: None,
        ..of_blocks.clone()
    };
    let quiet = Manner {
        resync: Resync::Quiet,
        ..silent.clone()
    };
    for (how, seed, manner) in [
        ("block, token", 0x5eed_0003, of_blocks),
        ("block, token, no complaints", 0x5eed_0004, silent),
        ("block, quiet", 0x5eed_0005, quiet),
    ] {
        let mut counts = Counts::default();
        converse(Fickle::new(seed), |talk| {
            talk.follow(manner.clone());
            for nth in 0..exchanges() {
                let length = Length::Exactly(8);
                match block::ask(talk, &format!("B{nth}?"), length, WITHIN) {
                    Ok(block) => match number_of(&block.answer.raw[block.payload]) {
                        Some(number) if u64::from(number) == nth => counts.answered += 1,
                        Some(other) => counts.wrong.push(format!("{other} for B{nth}")),
                        None => {
                            talk.distrust();
                            counts.rubbish += 1;
                        }
                    },
                    Err(NoBlock::Malformed { .. }) => counts.refused += 1,
                    Err(NoBlock::Driver(
                        DriverError::Silent { .. } | DriverError::Garbled { .. },
                    )) => counts.refused += 1,
                    Err(NoBlock::Driver(error)) => panic!("{nth}: {error}"),
                }
            }
        });
        counts.tell(how, exchanges());
    }
}

#[test]
fn no_ok_is_credited_to_another_line() {
    let mut counts = Counts::default();
    converse(Fickle::new(0x5eed_0002), |talk| {
        talk.follow(super::ack::tests::manner());
        for nth in 0..exchanges() {
            match ack::send(talk, &format!("G{nth}"), WITHIN) {
                Ok(accepted) if accepted.aside == [format!("[{nth}]")] => counts.answered += 1,
                Ok(accepted) => {
                    let other = accepted.aside.iter().find_map(|line| {
                        let number = line.strip_prefix('[')?.strip_suffix(']')?;
                        number.parse::<u64>().ok().filter(|other| *other != nth)
                    });
                    match other {
                        Some(other) => counts.wrong.push(format!("[{other}] for G{nth}")),
                        None => counts.rubbish += 1,
                    }
                }
                Err(
                    DriverError::Silent { .. }
                    | DriverError::Restarted { .. }
                    | DriverError::Gone { .. }
                    | DriverError::Refused { .. }
                    | DriverError::Alarm { .. },
                ) => counts.refused += 1,
                Err(error) => panic!("{nth}: {error}"),
            }
        }
    });
    counts.tell("ok", exchanges());
}
