//! A device that says what a test wants it to say, and a conversation with it in
//! simulated time.

use std::sync::atomic::AtomicBool;

use drivers::clock::Clock;
use drivers::exchange::talk::{LinkState, Talk};
use drivers::link::wire::{Machine, memory_wire, serve};
use drivers::link::{Address, Link};
use photometry::units::{Mono, Span, Wall};

/// Bytes, and milliseconds after what makes them be said.
pub type Piece = (i64, Vec<u8>);

/// What a device says: by itself, counted from its first moment, and to the n-th
/// thing that it is asked.
#[derive(Clone, Debug, Default)]
pub struct Says {
    /// By itself.
    pub alone: Vec<Piece>,
    /// To each question.
    pub answers: Vec<Vec<Piece>>,
    /// Whatever comes at once is one question; else each line, reset byte and status
    /// byte that stands alone is.
    pub by_frames: bool,
}

struct Device {
    says: Says,
    answered: usize,
    /// A line has begun.
    begun: bool,
    out: Vec<(Mono, Vec<u8>)>,
}

impl Machine for Device {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        let mut questions = usize::from(self.says.by_frames);
        for byte in bytes.iter().filter(|_| !self.says.by_frames) {
            let is_one = matches!(byte, b'\n' | 0x18) || *byte == b'?' && !self.begun;
            self.begun = !is_one;
            questions += usize::from(is_one);
        }
        for _ in 0..questions {
            let pieces = self.says.answers.get(self.answered).into_iter().flatten();
            let pieces = pieces.map(|(ms, piece)| (now + Span::from_ms(*ms), piece.clone()));
            self.out.extend(pieces);
            self.answered += 1;
        }
        self.out.sort_by_key(|(at, _)| *at);
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

/// Talks with such a device.
///
/// # Panics
/// When the system gives no thread.
pub fn with_device<T>(says: Says, how: impl FnOnce(&mut Talk<'_>) -> T) -> T {
    let clock = Clock::simulated(Wall::from_us(0), Mono::ZERO);
    let mut seats = clock.seats(&["port", "device"]);
    let device = seats.pop().expect("a seat");
    let mut port = seats.pop().expect("a seat");
    let _flow = clock.hold_flow();
    let wire = memory_wire(&clock, "device");
    let alone = says.alone.iter();
    let alone = alone.map(|(ms, bytes)| (Mono::ZERO + Span::from_ms(*ms), bytes.clone()));
    let mut out: Vec<_> = alone.collect();
    out.sort_by_key(|(at, _)| *at);
    let machine = Device {
        says,
        answered: 0,
        begun: false,
        out,
    };
    let _served = serve(device, wire, machine).expect("a thread");
    let mut link = Link::open(&Address::memory("device"), &clock).expect("a link");
    let never = AtomicBool::new(false);
    let mut state = LinkState::new();
    how(&mut Talk::new(&mut port, &mut link, &never, &mut state))
}
