//! What went over a link, byte by byte, for whoever attaches a device and wants
//! to see it. A link without a tap keeps nothing.
//!
//! Written by `port`. Not here: how it is printed.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use photometry::measured::Moment;

/// Bytes that a tap keeps between two takes, where nothing else is said: the
/// first ones; a device that floods the line is told by its beginning.
pub const KEPT_AT_MOST_BYTES: usize = 65_536;
/// Bytes for each piece that a tap keeps: it keeps so many pieces at most that
/// each could have this many.
const BYTES_A_CHUNK: usize = 8;

/// Which way bytes went.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// Written to the device.
    To,
    /// Read from it.
    From,
}

/// Bytes that were written or read at one go.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chunk {
    /// Before they were written, or after they were read.
    pub at: Moment,
    /// Which way.
    pub way: Way,
    /// The bytes.
    pub bytes: Vec<u8>,
}

/// What a tap kept, and how much it did not.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Traffic {
    /// In their order.
    pub chunks: Vec<Chunk>,
    /// Bytes beyond the tap's room.
    pub not_kept_bytes: u64,
    kept_bytes: usize,
}

impl Traffic {
    /// Bytes in the chunks.
    pub const fn kept_bytes(&self) -> usize {
        self.kept_bytes
    }
}

/// Records what goes over a link; clones record into the same place.
#[derive(Clone, Debug)]
pub struct Tap {
    traffic: Arc<Mutex<Traffic>>,
    room_bytes: usize,
}

impl Default for Tap {
    fn default() -> Tap {
        Tap::with_room(KEPT_AT_MOST_BYTES)
    }
}

impl Tap {
    /// Nothing recorded yet; room for [`KEPT_AT_MOST_BYTES`].
    pub fn new() -> Tap {
        Tap::default()
    }

    /// Nothing recorded yet; room for so many bytes between two takes.
    pub fn with_room(room_bytes: usize) -> Tap {
        let traffic = Arc::default();
        Tap {
            traffic,
            room_bytes,
        }
    }

    /// Bytes that wait to be taken.
    pub fn waiting_bytes(&self) -> usize {
        self.traffic().kept_bytes
    }

    /// What went over the link since the last time; there is room again.
    pub fn take(&self) -> Traffic {
        std::mem::take(&mut *self.traffic())
    }

    /// What came since something was last sent, as far as it was kept; it stays.
    pub fn last_heard(&self) -> Vec<u8> {
        let traffic = self.traffic();
        let chunks = traffic.chunks.iter();
        let asked = chunks.clone().rposition(|chunk| chunk.way == Way::To);
        let since = asked.map_or(0, |at| at + 1);
        chunks
            .skip(since)
            .flat_map(|chunk| &chunk.bytes)
            .copied()
            .collect()
    }

    /// Keeps bytes, as far as there is room.
    pub(super) fn record(&self, at: Moment, way: Way, bytes: &[u8]) {
        if bytes.is_empty() {
            return;
        }
        let mut traffic = self.traffic();
        let mut room = self.room_bytes - traffic.kept_bytes;
        if traffic.chunks.len() >= self.room_bytes / BYTES_A_CHUNK {
            room = 0;
        }
        let kept = bytes.len().min(room);
        traffic.not_kept_bytes += (bytes.len() - kept) as u64;
        traffic.kept_bytes += kept;
        if kept > 0 {
            let bytes = bytes[..kept].to_vec();
            traffic.chunks.push(Chunk { at, way, bytes });
        }
    }

    fn traffic(&self) -> MutexGuard<'_, Traffic> {
        self.traffic.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_is_kept_as_far_as_there_is_room_and_counted() {
        let tap = Tap::new();
        let now = Moment::default();
        tap.record(now, Way::To, b"READ?\n");
        tap.record(now, Way::From, b"");
        tap.record(now, Way::From, &vec![b'x'; KEPT_AT_MOST_BYTES]);
        tap.record(now, Way::From, b"more");
        let traffic = tap.take();
        let sizes: Vec<usize> = traffic.chunks.iter().map(|c| c.bytes.len()).collect();
        assert_eq!(sizes, [6, KEPT_AT_MOST_BYTES - 6]);
        assert_eq!(traffic.not_kept_bytes, 10);
        let chunks = KEPT_AT_MOST_BYTES / BYTES_A_CHUNK;
        for _ in 0..=chunks {
            tap.record(now, Way::From, b"x");
        }
        let traffic = tap.take();
        assert_eq!(traffic.chunks.len(), chunks);
        assert_eq!(traffic.not_kept_bytes, 1);
        assert_eq!(tap.take(), Traffic::default());
    }

    #[test]
    fn what_was_last_heard_begins_after_the_last_question() {
        let tap = Tap::new();
        let now = Moment::default();
        tap.record(now, Way::From, b"hello");
        assert_eq!(tap.last_heard(), b"hello");
        tap.record(now, Way::To, b"?");
        assert_eq!(tap.last_heard(), b"");
        tap.record(now, Way::From, b"<Idle");
        tap.record(now, Way::From, b">");
        assert_eq!(tap.last_heard(), b"<Idle>");
        assert_eq!(tap.take().chunks.len(), 4);
    }
}
