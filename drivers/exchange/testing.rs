//! A scripted device and a conversation with it, for the tests of this crate.

use std::collections::VecDeque;
use std::sync::atomic::AtomicBool;

use photometry::units::{Mono, Span, Wall};

use super::talk::{LinkState, Talk};
use crate::clock::Clock;
use crate::link::wire::{Machine, memory_wire, serve};
use crate::link::{Address, Link};

/// Pieces that answer one line: milliseconds after it, and bytes.
pub(crate) type Pieces = &'static [(i64, &'static [u8])];

/// Answers the n-th line with the n-th entry of its script. Resyncs and the
/// error queue are answered by themselves and take no entry.
pub(crate) struct Scripted {
    script: VecDeque<Pieces>,
    input: Vec<u8>,
    out: Vec<(Mono, Vec<u8>)>,
}

impl Scripted {
    pub(crate) fn new(script: &[Pieces]) -> Scripted {
        Scripted {
            script: script.iter().copied().collect(),
            input: Vec::new(),
            out: Vec::new(),
        }
    }

    fn hear(&mut self, now: Mono, line: &str) {
        if let Some(token) = line.strip_suffix(";*ESE?") {
            let token = token.trim_start_matches("*ESE ");
            self.say(now, 2, format!("{token}\n").as_bytes());
        } else if line == "SYST:ERR?" {
            self.say(now, 2, b"0,\"No error\"\n");
        } else if !line.starts_with("*ESE") {
            for (ms, bytes) in self.script.pop_front().unwrap_or_default() {
                self.say(now, *ms, bytes);
            }
        }
    }

    fn say(&mut self, now: Mono, ms: i64, bytes: &[u8]) {
        self.out.push((now + Span::from_ms(ms), bytes.to_vec()));
        self.out.sort_by_key(|(at, _)| *at);
    }
}

impl Machine for Scripted {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        for &byte in bytes {
            match byte {
                b'\n' => {
                    let line = std::mem::take(&mut self.input);
                    self.hear(now, &String::from_utf8_lossy(&line));
                }
                b'?' if self.input.is_empty() => self.hear(now, "?"),
                0x18 => self.hear(now, "reset"),
                _ => self.input.push(byte),
            }
        }
    }

    fn next_due(&self) -> Option<Mono> {
        self.out.first().map(|(at, _)| *at)
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        let later = self.out.partition_point(|(at, _)| *at <= now);
        self.out
            .drain(..later)
            .flat_map(|(_, bytes)| bytes)
            .collect()
    }
}

/// What answers one line: milliseconds after it, and bytes.
pub(crate) type Said = Vec<(i64, Vec<u8>)>;

/// A device that is a function from the lines that it hears to what it says, one after
/// the other. Resyncs and the error queue are answered by themselves.
pub(crate) struct Hearing<F> {
    hears: F,
    input: Vec<u8>,
    out: Vec<(Mono, Vec<u8>)>,
}

impl<F: FnMut(&str) -> Said> Hearing<F> {
    pub(crate) fn new(hears: F) -> Hearing<F> {
        Hearing {
            hears,
            input: Vec::new(),
            out: Vec::new(),
        }
    }
}

/// One line as an answer, a millisecond after its question.
pub(crate) fn said(text: &str) -> Said {
    vec![(1, format!("{text}\n").into_bytes())]
}

impl<F: FnMut(&str) -> Said + Send> Machine for Hearing<F> {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        self.input.extend(bytes);
        while let Some(end) = self.input.iter().position(|b| *b == b'\n') {
            let line: Vec<u8> = self.input.drain(..=end).collect();
            let line = String::from_utf8_lossy(&line).trim().to_owned();
            let says = match line.strip_suffix(";*ESE?") {
                Some(mask) => said(mask.trim_start_matches("*ESE ")),
                None if line == "SYST:ERR?" => said("0,\"No error\""),
                None if line.starts_with("*ESE") => Said::new(),
                None => (self.hears)(&line),
            };
            for (ms, bytes) in says {
                let at = now + Span::from_ms(ms);
                // One thing after the other, as devices do.
                let at = self.out.last().map_or(at, |(last, _)| at.max(*last));
                self.out.push((at, bytes));
            }
        }
    }

    fn next_due(&self) -> Option<Mono> {
        self.out.first().map(|(at, _)| *at)
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        let later = self.out.partition_point(|(at, _)| *at <= now);
        let over = self.out.drain(..later);
        over.flat_map(|(_, bytes)| bytes).collect()
    }
}

/// A conversation with `machine` over a memory wire, on a simulated clock.
pub(crate) fn converse<T>(
    machine: impl Machine + 'static,
    how: impl FnOnce(&mut Talk<'_>) -> T,
) -> T {
    converse_at(11_520, machine, how)
}

/// The same over a wire that carries so many bytes a second.
pub(crate) fn converse_at<T>(
    bytes_per_second: u32,
    machine: impl Machine + 'static,
    how: impl FnOnce(&mut Talk<'_>) -> T,
) -> T {
    let clock = Clock::simulated(Wall::from_us(0), Mono::ZERO);
    let mut seats = clock.seats(&["port", "device"]);
    let device = seats.pop().expect("a seat");
    let mut port = seats.pop().expect("a seat");
    let _flow = clock.hold_flow();
    let wire = memory_wire(&clock, "device").at_bytes_per_second(bytes_per_second);
    let _served = serve(device, wire, machine).expect("a thread");
    let mut link = Link::open(&Address::memory("device"), &clock).expect("a link");
    let never = AtomicBool::new(false);
    let mut state = LinkState::new();
    how(&mut Talk::new(&mut port, &mut link, &never, &mut state))
}

/// Numbers from a seed: Marsaglia's xorshift, 64 bits.
pub(crate) struct Draw(pub(crate) u64);

impl Draw {
    /// The next one, below `end`.
    pub(crate) fn below(&mut self, end: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % end
    }
}
