//! Waiting in real time: one `poll` over the bell and the port, to an absolute
//! time, without slices (20 ms slices cost 383 ms of CPU a minute for five
//! idle ports, one poll 5 ms). A task waits for a timer of the kernel
//! (timerfd): tokio's own count in whole milliseconds, rounded up, and a night
//! is some thousand waits. The only home of tokio's timers, too, which wait
//! where there is no descriptor left.

use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use photometry::units::{Mono, Span};
use rustix::event::{EventfdFlags, PollFd, PollFlags, Timespec, eventfd, poll};
use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, timerfd_create, timerfd_settime,
};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;
use tokio::sync::Notify;

use super::ear::{Ear, Source};
use super::handle::Clock;
use super::seat::Woken;

/// How long one poll may last, in nanoseconds, when the process had no
/// descriptor left for a bell.
const SLICE_NS: i64 = 20_000_000;

/// A sharp wait looks at the clock for so long: a sleeping core of a machine with
/// two of them was woken 0.25 ms late in the middle, 0.4 ms at the 99th percentile.
const LOOKS_BEFORE: Span = Span::from_ns(500_000);

/// The bell of a seat in real time.
pub(crate) struct WallBell {
    rung: AtomicBool,
    /// Wakes a thread in `poll`.
    descriptor: Option<OwnedFd>,
    /// Wakes a task.
    notify: Notify,
}

impl WallBell {
    pub(super) fn new() -> WallBell {
        let descriptor = eventfd(0, EventfdFlags::CLOEXEC | EventfdFlags::NONBLOCK);
        if let Err(error) = &descriptor {
            tracing::warn!(%error, "no descriptor for a bell; its seat looks every 20 ms");
        }
        WallBell {
            rung: AtomicBool::new(false),
            descriptor: descriptor.ok(),
            notify: Notify::new(),
        }
    }

    pub(super) fn ring(&self) {
        self.rung.store(true, Ordering::SeqCst);
        if let Some(descriptor) = &self.descriptor {
            // Fails only when the counter is full, and then it is readable.
            let _ = rustix::io::write(descriptor, &1_u64.to_ne_bytes());
        }
        self.notify.notify_one();
    }

    /// A stale count in the descriptor only costs one more round.
    fn take_rung(&self) -> bool {
        if let Some(descriptor) = &self.descriptor {
            let _ = rustix::io::read(descriptor, &mut [0_u8; 8]);
        }
        self.rung.swap(false, Ordering::SeqCst)
    }

    pub(super) fn wait(&self, clock: &Clock, until: Option<Mono>, ear: Option<&Ear>) -> Woken {
        loop {
            if self.take_rung() {
                return Woken::Mail;
            }
            let left_ns = until.map(|until| until.since(clock.now().mono).ns().max(0));
            match self.poll_once(left_ns, ear) {
                Heard::Bytes if !self.rung.load(Ordering::SeqCst) => return Woken::Bytes,
                Heard::Bytes | Heard::Bell => {}
                Heard::Nothing => {
                    if until.is_some_and(|until| until <= clock.now().mono)
                        && !self.rung.load(Ordering::SeqCst)
                    {
                        return Woken::Due;
                    }
                }
            }
        }
    }

    /// Sleeps until shortly before, and then looks at the clock until it is time.
    pub(super) fn wait_sharply(&self, clock: &Clock, until: Mono) -> Woken {
        match self.wait(clock, Some(until + -LOOKS_BEFORE), None) {
            Woken::Due => {}
            woken => return woken,
        }
        while clock.now().mono < until {
            if self.rung.load(Ordering::SeqCst) && self.take_rung() {
                return Woken::Mail;
            }
            std::hint::spin_loop();
        }
        Woken::Due
    }

    fn poll_once(&self, left_ns: Option<i64>, ear: Option<&Ear>) -> Heard {
        let held; // keeps the port's descriptor alive while it is polled
        let listens = ear.is_some();
        let ear = match ear.map(|ear| &ear.0) {
            None => None,
            Some(Source::Lane(lane)) => {
                if lane.is_ready() {
                    return Heard::Bytes;
                }
                lane.descriptor()
            }
            Some(Source::Descriptor(weak)) => match weak.upgrade() {
                None => return Heard::Bytes,
                Some(descriptor) => {
                    held = descriptor;
                    Some(held.as_fd())
                }
            },
        };
        let bell = self.descriptor.as_ref().map(AsFd::as_fd);
        let watched = bell.is_some() && listens == ear.is_some();
        let left_ns = if watched {
            left_ns
        } else {
            Some(left_ns.unwrap_or(i64::MAX).min(SLICE_NS))
        };
        poll_pair(bell, ear, left_ns)
    }

    /// Loses no mail when abandoned: the bell is taken only on return.
    pub(super) async fn wait_async(&self, clock: &Clock, until: Option<Mono>) -> Woken {
        loop {
            if self.take_rung() {
                return Woken::Mail;
            }
            let Some(until) = until else {
                self.notify.notified().await;
                continue;
            };
            let left_ns = until.since(clock.now().mono).ns();
            if left_ns <= 0 {
                // Let other tasks run, so that a wait in the past is a wait.
                tokio::task::yield_now().await;
                return if self.take_rung() {
                    Woken::Mail
                } else {
                    Woken::Due
                };
            }
            match alarm(left_ns) {
                Some(alarm) => tokio::select! {
                    () = self.notify.notified() => {}
                    _ = alarm.readable() => {}
                },
                None => {
                    let left = Duration::from_nanos(u64::try_from(left_ns).unwrap_or(0));
                    let _ = tokio::time::timeout(left, self.notify.notified()).await;
                }
            }
        }
    }
}

/// A timer that becomes readable in `left_ns` (positive). One for each wait,
/// because a seat may wait in another runtime the next time; making one and
/// closing it takes some microseconds.
fn alarm(left_ns: i64) -> Option<AsyncFd<OwnedFd>> {
    let flags = TimerfdFlags::CLOEXEC | TimerfdFlags::NONBLOCK;
    let timer = timerfd_create(TimerfdClockId::Monotonic, flags).ok()?;
    let once = Itimerspec {
        it_interval: timespec(0),
        it_value: timespec(left_ns.max(1)),
    };
    timerfd_settime(&timer, TimerfdTimerFlags::empty(), &once).ok()?;
    register(timer)
}

#[expect(unsafe_code, reason = "tokio has no other way to wait for a timerfd")]
fn register(timer: OwnedFd) -> Option<AsyncFd<OwnedFd>> {
    // SAFETY: an `OwnedFd` is open for as long as it lives and always names the
    // same descriptor. It moves into the `AsyncFd` here, and `alarm` hands that
    // out only to be waited for: nobody takes it out or puts another in.
    unsafe { AsyncFd::register_with_interest(timer, Interest::READABLE) }.ok()
}

enum Heard {
    Bell,
    Bytes,
    Nothing,
}

fn poll_pair(
    bell: Option<BorrowedFd<'_>>,
    ear: Option<BorrowedFd<'_>>,
    left_ns: Option<i64>,
) -> Heard {
    let timeout = left_ns.map(timespec);
    let mut fds: Vec<PollFd<'_>> = Vec::with_capacity(2);
    fds.extend(
        ear.iter()
            .map(|fd| PollFd::from_borrowed_fd(*fd, PollFlags::IN)),
    );
    fds.extend(
        bell.iter()
            .map(|fd| PollFd::from_borrowed_fd(*fd, PollFlags::IN)),
    );
    // An interrupted poll heard nothing; the caller looks at the time again.
    let heard = poll(&mut fds, timeout.as_ref()).unwrap_or(0);
    if heard == 0 {
        return Heard::Nothing;
    }
    if ear.is_some() && !fds[0].revents().is_empty() {
        return Heard::Bytes;
    }
    Heard::Bell
}

/// A span of `ns` (not negative) for the kernel.
pub(crate) fn timespec(ns: i64) -> Timespec {
    let ns = ns.max(0);
    Timespec {
        tv_sec: ns / 1_000_000_000,
        tv_nsec: ns % 1_000_000_000,
    }
}
