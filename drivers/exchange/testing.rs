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

/// A conversation with `machine` over a memory wire, on a simulated clock.
pub(crate) fn converse<T>(
    machine: impl Machine + 'static,
    how: impl FnOnce(&mut Talk<'_>) -> T,
) -> T {
    let clock = Clock::simulated(Wall::from_us(0), Mono::ZERO);
    let mut seats = clock.seats(&["port", "device"]);
    let device = seats.pop().expect("a seat");
    let mut port = seats.pop().expect("a seat");
    let _flow = clock.hold_flow();
    let wire = memory_wire(&clock, "device");
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
