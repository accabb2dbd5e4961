//! An invented luxmeter of binary frames, and what goes wrong with it: 02, length,
//! command, data, sum. Its profile is `frame-luxmeter`.
//!
//! It begins to integrate when it is asked, and carries out one question after
//! another. For tests, on a wire of its own: it stands before no simulated lamp.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use photometry::units::{Mono, Span};

use crate::link::wire::Machine;

/// From the end of a question that needs no work to its answer.
const THINKS: Span = Span::from_ms(3);
/// Longest integration, in milliseconds.
const LONGEST_MS: u16 = 10_000;

/// What it reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Light {
    /// Hundredths of a lux.
    Hundredths(i32),
    /// More than it can show.
    Over,
    /// Less than it can show.
    Under,
    /// It cannot say.
    None,
}

/// One thing that goes wrong with its next answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Slip {
    /// A byte at a time, so far apart.
    ByteByByte(Span),
    /// One is added to its sum.
    WrongSum,
    /// So many bytes of it do not come.
    CutShort(usize),
    /// It comes so much later.
    Late(Span),
    /// It comes so much sooner, before the light was integrated.
    Early(Span),
    /// Its second half comes so much later.
    TwoPieces(Span),
    /// It comes twice.
    Twice,
    /// It does not come.
    Silent,
    /// It is that of another command.
    OtherCommand,
    /// So many bytes more are promised than come.
    TooLong(u8),
    /// A byte of noise comes before it.
    Noise(u8),
    /// It is a refusal.
    Refused(u8),
}

#[derive(Debug)]
struct State {
    light: Light,
    integration_ms: u16,
    slip: Option<Slip>,
    asked: u32,
}

/// The luxmeter, as a test holds it.
#[derive(Clone, Debug)]
pub struct Framed(Arc<Mutex<State>>);

impl Framed {
    /// One that was just switched on.
    pub fn new(light: Light) -> Framed {
        Framed(Arc::new(Mutex::new(State {
            light,
            integration_ms: 100,
            slip: None,
            asked: 0,
        })))
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// From now on it reads this.
    pub fn shows(&self, light: Light) {
        self.state().light = light;
    }

    /// This goes wrong with the answer to its next reading.
    pub fn slips(&self, slip: Slip) {
        self.state().slip = Some(slip);
    }

    /// How long it integrates, in milliseconds.
    pub fn integration_ms(&self) -> u16 {
        self.state().integration_ms
    }

    /// Readings that it was asked for.
    pub fn asked(&self) -> u32 {
        self.state().asked
    }

    /// It, at the end of a wire.
    pub fn machine(&self) -> FramedMachine {
        FramedMachine {
            meter: self.clone(),
            input: Vec::new(),
            free_at: Mono::ZERO,
            out: VecDeque::new(),
        }
    }

    /// The body of an answer, and how long it takes.
    fn carry_out(&self, body: &[u8]) -> (Vec<u8>, Span) {
        let mut state = self.state();
        match body {
            [b'I'] => {
                let who = format!("I{:12}{:8}{:8}{:6}", "Simulated", "Framed", "7", "1.0");
                (who.into_bytes(), THINKS)
            }
            [b'T', low, high] => {
                let asked = u16::from_le_bytes([*low, *high]);
                if !(1..=LONGEST_MS).contains(&asked) {
                    return (vec![0x15, 2], THINKS);
                }
                state.integration_ms = asked;
                (body.to_vec(), THINKS)
            }
            [b't'] => {
                let [low, high] = state.integration_ms.to_le_bytes();
                (vec![b't', low, high], THINKS)
            }
            [b'R'] => {
                state.asked += 1;
                let (kind, value) = match state.light {
                    Light::Hundredths(value) => (0, value),
                    Light::Over => (1, 0),
                    Light::Under => (2, 0),
                    Light::None => (3, 0),
                };
                let answer = [&[b'R', kind][..], &value.to_le_bytes()].concat();
                let takes = Span::from_ms(i64::from(state.integration_ms));
                (answer, takes + THINKS)
            }
            _ => (vec![0x15, 1], THINKS),
        }
    }

    fn slip_of(&self, body: &[u8]) -> Option<Slip> {
        match body {
            [b'R'] => self.state().slip.take(),
            _ => None,
        }
    }
}

/// A frame around a body of at most 255 bytes.
fn framed(body: &[u8]) -> Vec<u8> {
    let length = body.len() as u8;
    let sum = body
        .iter()
        .fold(length, |sum, byte| sum.wrapping_add(*byte));
    [&[0x02, length], body, &[sum]].concat()
}

/// The luxmeter at the end of a wire.
#[derive(Debug)]
pub struct FramedMachine {
    meter: Framed,
    input: Vec<u8>,
    free_at: Mono,
    out: VecDeque<(Mono, Vec<u8>)>,
}

impl FramedMachine {
    /// Whole questions; bytes that begin none are passed over.
    fn questions(&mut self) -> Vec<Vec<u8>> {
        let mut found = Vec::new();
        while let Some(first) = self.input.first() {
            if *first != 0x02 {
                self.input.remove(0);
                continue;
            }
            let Some(length) = self.input.get(1).map(|length| usize::from(*length)) else {
                break;
            };
            if self.input.len() < length + 3 {
                break;
            }
            let frame: Vec<u8> = self.input.drain(..length + 3).collect();
            let body = &frame[2..length + 2];
            if framed(body) == frame {
                found.push(body.to_vec());
            }
        }
        found
    }

    fn answer(&mut self, now: Mono, body: &[u8]) {
        let (mut answer, takes) = self.meter.carry_out(body);
        let slip = self.meter.slip_of(body);
        if slip == Some(Slip::OtherCommand) {
            answer[0] = b't';
        }
        if let Some(Slip::Refused(number)) = slip {
            answer = vec![0x15, number];
        }
        let mut bytes = framed(&answer);
        let mut at = now.max(self.free_at) + takes;
        let mut pieces = Vec::new();
        match slip {
            Some(Slip::Silent) => return,
            Some(Slip::WrongSum) => {
                let last = bytes.len() - 1;
                bytes[last] = bytes[last].wrapping_add(1);
            }
            Some(Slip::CutShort(missing)) => bytes.truncate(bytes.len().saturating_sub(missing)),
            Some(Slip::Late(by)) => at = at + by,
            Some(Slip::Early(by)) => at = at + -by,
            Some(Slip::Twice) => bytes = [&bytes[..], &bytes].concat(),
            Some(Slip::TooLong(more)) => bytes[1] = bytes[1].wrapping_add(more),
            Some(Slip::Noise(byte)) => bytes.insert(0, byte),
            Some(Slip::TwoPieces(apart)) => {
                let second = bytes.split_off(bytes.len() / 2);
                pieces.push((at, bytes));
                at = at + apart;
                bytes = second;
            }
            Some(Slip::ByteByByte(apart)) => {
                for byte in bytes.drain(..bytes.len() - 1) {
                    pieces.push((at, vec![byte]));
                    at = at + apart;
                }
            }
            Some(Slip::OtherCommand | Slip::Refused(_)) | None => {}
        }
        pieces.push((at, bytes));
        self.free_at = at;
        self.out.extend(pieces);
    }
}

impl Machine for FramedMachine {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        self.input.extend(bytes);
        for question in self.questions() {
            self.answer(now, &question);
        }
    }

    fn next_due(&self) -> Option<Mono> {
        self.out.front().map(|(at, _)| *at)
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        let later = self.out.partition_point(|(at, _)| *at <= now);
        let pieces = self.out.drain(..later);
        pieces.flat_map(|(_, bytes)| bytes).collect()
    }
}
