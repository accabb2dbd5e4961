//! One direction of a wire: its ledger, and for memory wires its bytes.

use std::collections::VecDeque;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

use rustix::event::{EventfdFlags, eventfd};

/// What one direction of a wire holds, in bytes: the receive buffer of a
/// pseudo-terminal, and more than any line of an instrument. What does not fit
/// is lost and counted, as on a UART.
pub const LIMIT_WIRE_BYTES: usize = 4096;

/// One direction of a wire.
#[derive(Debug)]
pub struct Lane {
    due: AtomicUsize,
    lost: AtomicU64,
    hung_up: AtomicBool,
    memory: Option<Mutex<VecDeque<u8>>>,
    /// Wakes a reader in `poll`: memory wires on the wall clock only.
    bell: Option<OwnedFd>,
}

impl Lane {
    /// A direction whose bytes the kernel carries.
    pub(super) fn of_pty() -> Lane {
        Lane {
            due: AtomicUsize::new(0),
            lost: AtomicU64::new(0),
            hung_up: AtomicBool::new(false),
            memory: None,
            bell: None,
        }
    }

    /// A direction through memory. Without a bell (the process has run out of
    /// descriptors) a reader on the wall clock looks every 20 ms.
    pub(super) fn of_memory(polled: bool) -> Lane {
        let flags = EventfdFlags::CLOEXEC | EventfdFlags::NONBLOCK;
        let bell = polled.then(|| eventfd(0, flags).ok()).flatten();
        Lane {
            memory: Some(Mutex::default()),
            bell,
            ..Lane::of_pty()
        }
    }

    /// Whether a reader has something to do: bytes, or the end.
    pub fn is_ready(&self) -> bool {
        self.due_bytes() > 0 || self.is_hung_up()
    }

    /// Bytes written and not yet read.
    pub fn due_bytes(&self) -> usize {
        self.due.load(Ordering::SeqCst)
    }

    /// Bytes that found no room, since the wire exists.
    pub fn lost_bytes(&self) -> u64 {
        self.lost.load(Ordering::SeqCst)
    }

    pub(crate) fn is_hung_up(&self) -> bool {
        self.hung_up.load(Ordering::SeqCst)
    }

    pub(crate) fn descriptor(&self) -> Option<BorrowedFd<'_>> {
        self.bell.as_ref().map(AsFd::as_fd)
    }

    pub(super) fn is_memory(&self) -> bool {
        self.memory.is_some()
    }

    /// The part of `bytes` that fits; the rest is counted as lost.
    pub(crate) fn room_for<'a>(&self, bytes: &'a [u8]) -> &'a [u8] {
        let room = LIMIT_WIRE_BYTES.saturating_sub(self.due_bytes());
        let fitting = &bytes[..bytes.len().min(room)];
        self.lose(bytes.len() - fitting.len());
        fitting
    }

    pub(super) fn lose(&self, bytes: usize) {
        self.lost.fetch_add(bytes as u64, Ordering::SeqCst);
    }

    /// Enters written bytes.
    pub(crate) fn count(&self, bytes: usize) {
        self.due.fetch_add(bytes, Ordering::SeqCst);
    }

    /// Strikes out read bytes.
    pub(crate) fn uncount(&self, bytes: usize) {
        self.due.fetch_sub(bytes, Ordering::SeqCst);
    }

    /// Writes into memory what fits.
    pub(crate) fn push(&self, bytes: &[u8]) {
        let Some(mut memory) = self.memory() else {
            return;
        };
        let fitting = self.room_for(bytes);
        memory.extend(fitting);
        self.count(fitting.len());
        drop(memory);
        self.ring();
    }

    /// Reads from memory what is there.
    pub(crate) fn pull(&self, into: &mut Vec<u8>, at_most: usize) -> usize {
        let Some(mut memory) = self.memory() else {
            return 0;
        };
        let count = memory.len().min(at_most);
        into.extend(memory.drain(..count));
        self.uncount(count);
        if memory.is_empty()
            && let Some(bell) = &self.bell
        {
            let _ = rustix::io::read(bell, &mut [0_u8; 8]);
        }
        count
    }

    /// Nothing comes any more; what is still on its way is lost, as in the
    /// kernel.
    pub(super) fn hang_up(&self) {
        self.hung_up.store(true, Ordering::SeqCst);
        self.ring();
    }

    fn ring(&self) {
        if let Some(bell) = &self.bell {
            // Fails only when the counter is full, and then it is readable.
            let _ = rustix::io::write(bell, &1_u64.to_ne_bytes());
        }
    }

    fn memory(&self) -> Option<MutexGuard<'_, VecDeque<u8>>> {
        let memory = self.memory.as_ref()?;
        Some(memory.lock().unwrap_or_else(PoisonError::into_inner))
    }
}
