//! A small stage for tests of time: named actors with seats, and one list of
//! what happened when.

use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

use photometry::units::{Mono, Span, Wall};

use super::{Clock, Seat};

/// What happened, line by line: milliseconds, actor, what.
#[derive(Clone, Default)]
pub(crate) struct Log(Arc<Mutex<Vec<String>>>);

impl Log {
    pub(crate) fn note(&self, seat: &Seat, what: impl std::fmt::Display) {
        let ms = seat.now().mono.ns() as f64 / 1e6;
        self.push(format!("{ms} {} {what}", seat.name()));
    }

    pub(crate) fn push(&self, line: String) {
        let mut lines = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        lines.push(line);
    }

    pub(crate) fn lines(&self) -> Vec<String> {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }
}

/// What one actor does with its seat.
pub(crate) type Part = Box<dyn FnOnce(Seat, &Log) + Send>;

/// A part, boxed.
pub(crate) fn part(act: impl FnOnce(Seat, &Log) + Send + 'static) -> Part {
    Box::new(act)
}

/// A clock that starts at zero, 2026-11-25 00:00 UTC.
pub(crate) fn clock() -> Clock {
    Clock::simulated(Wall::from_us(1_795_564_800_000_000), Mono::ZERO)
}

/// `ms` milliseconds after the clock's zero.
pub(crate) fn at_ms(ms: i64) -> Option<Mono> {
    Some(Mono::ZERO + Span::from_ms(ms))
}

/// Plays all parts, each in its thread, to the end; ranks in the order given.
/// `meanwhile` runs in the calling thread, which has no seat; what it returns
/// (a flow, say) is held until all have played.
pub(crate) fn play<Held>(
    clock: &Clock,
    cast: Vec<(&str, Part)>,
    meanwhile: impl FnOnce(&Log) -> Held,
) -> Vec<String> {
    let log = Log::default();
    let names: Vec<&str> = cast.iter().map(|(name, _)| *name).collect();
    let seats = clock.seats(&names);
    let threads: Vec<thread::JoinHandle<()>> = seats
        .into_iter()
        .zip(cast)
        .map(|(seat, (_, act))| {
            let log = log.clone();
            thread::spawn(move || act(seat, &log))
        })
        .collect();
    let held = meanwhile(&log);
    for thread in threads {
        // A part that panics on purpose has dropped its seat all the same.
        let _ = thread.join();
    }
    drop(held);
    log.lines()
}
