//! A thread that serves one simulated device.

use std::collections::VecDeque;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use photometry::units::{Mono, Span};

use super::ends::DeviceEnd;
use crate::clock::{Bell, Seat, Woken};

/// An answer leaves in pieces of at most this many bytes, at the line's speed,
/// so that it fits on the wire.
pub const LIMIT_PIECE_BYTES: usize = 4000;

/// What a device may have waiting to leave, in bytes; the rest is thrown away.
/// A block of four million samples has 16 MB.
const LIMIT_OUTBOX_BYTES: usize = 17_000_000;

/// How often a device may be due within one instant before others get a turn.
const LIMIT_DUE_IN_ONE_TURN: usize = 1000;

/// A device as a pure machine: no thread, no clock, no wire. It computes a
/// value when the value is due, not when it is asked for.
pub trait Machine: Send {
    /// Bytes came from the port.
    fn bytes(&mut self, now: Mono, bytes: &[u8]);
    /// When it next does something by itself, at the latest knowledge.
    fn next_due(&self) -> Option<Mono>;
    /// Its time has come (`next_due` is not after `now`): what it sends. Must
    /// move `next_due` on.
    fn due(&mut self, now: Mono) -> Vec<u8>;
    /// For how long its plug is to be pulled from now on, told once.
    fn breaks_off(&mut self) -> Option<Span> {
        None
    }
}

/// A served device. Dropping it ends the thread at its next turn, which
/// unplugs the device; it is not waited for, as the one who drops may be the
/// acting seat.
#[derive(Debug)]
pub struct Served {
    ending: Arc<AtomicBool>,
    bell: Bell,
}

impl Served {
    /// Pulls the plug, at the device's next turn.
    pub fn unplug(self) {
        drop(self);
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        self.ending.store(true, Ordering::SeqCst);
        self.bell.ring();
    }
}

/// Serves `machine` at `end`, in a thread named after the seat, until the
/// returned guard is dropped.
///
/// # Errors
/// When the system gives no thread.
pub fn serve(seat: Seat, end: DeviceEnd, machine: impl Machine + 'static) -> io::Result<Served> {
    let ending = Arc::new(AtomicBool::new(false));
    let served = Served {
        ending: Arc::clone(&ending),
        bell: seat.bell(),
    };
    let mut bench = Serving {
        end,
        machine,
        outbox: VecDeque::new(),
        line_free: Mono::from_ns(i64::MIN),
    };
    std::thread::Builder::new()
        .name(seat.name().to_owned())
        .spawn(move || {
            let mut seat = seat;
            if let Err(error) = bench.run(&mut seat, &ending) {
                tracing::warn!(%error, address = bench.end.address(), "simulated device ended");
            }
            // The plug is pulled while this seat still acts.
            drop(bench);
            drop(seat);
        })?;
    Ok(served)
}

struct Serving<M> {
    end: DeviceEnd,
    machine: M,
    outbox: VecDeque<u8>,
    /// When the last piece will have left.
    line_free: Mono,
}

impl<M: Machine> Serving<M> {
    fn run(&mut self, seat: &mut Seat, ending: &AtomicBool) -> io::Result<()> {
        let mut received = Vec::new();
        loop {
            if let Some(away) = self.machine.breaks_off() {
                self.end.pull();
                let back = seat.now().mono + away;
                while seat.wait(Some(back), None) != Woken::Due {
                    if ending.load(Ordering::SeqCst) {
                        return Ok(());
                    }
                }
                self.end.put_in()?;
                // What it said meanwhile nobody could hear.
                self.work();
                self.outbox.clear();
            }
            let ear = self.end.ear();
            let woken = seat.wait(self.next(), Some(&ear));
            if ending.load(Ordering::SeqCst) {
                return Ok(());
            }
            if woken == Woken::Bytes {
                received.clear();
                self.end.read(&mut received)?;
                self.machine.bytes(seat.now().mono, &received);
            }
            self.work();
            self.send()?;
        }
    }

    fn next(&self) -> Option<Mono> {
        let piece = (!self.outbox.is_empty()).then_some(self.line_free);
        [self.machine.next_due(), piece].into_iter().flatten().min()
    }

    fn work(&mut self) {
        for _ in 0..LIMIT_DUE_IN_ONE_TURN {
            let now = self.end.clock().now().mono;
            if self.machine.next_due().is_none_or(|due| due > now) {
                return;
            }
            let answer = self.machine.due(now);
            let room = LIMIT_OUTBOX_BYTES.saturating_sub(self.outbox.len());
            self.outbox.extend(answer.into_iter().take(room));
        }
    }

    fn send(&mut self) -> io::Result<()> {
        let now = self.end.clock().now().mono;
        if self.outbox.is_empty() || now < self.line_free {
            return Ok(());
        }
        let size = self.outbox.len().min(LIMIT_PIECE_BYTES);
        let piece: Vec<u8> = self.outbox.drain(..size).collect();
        self.end.write(&piece)?;
        let ns = size as i64 * 1_000_000_000 / i64::from(self.end.bytes_per_second());
        self.line_free = now + Span::from_ns(ns);
        Ok(())
    }
}
