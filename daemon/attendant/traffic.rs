//! The traffic of links, where the bench file says that it is kept: cut into
//! pieces while the run goes on, and handed to whoever keeps them beside the
//! journal. Nothing here waits for a disk except the end of a run.

use photometry::measured::Moment;
use photometry::units::{Mono, Span};

use super::work::Attendant;
use crate::run::progress::Phase;

/// A piece is cut when the last one is so old: what a SIGKILL may cost.
const PIECE_AFTER: Span = Span::from_secs(10);
/// Or when so many bytes wait.
const PIECE_AT_BYTES: usize = 256 << 10;

impl Attendant {
    /// A sitting of the run in hand begins to be kept; `begun` is when the run
    /// began, on both clocks of its first sitting. Later sittings count from there
    /// by civil time, the only one that both know.
    pub(super) fn begin_traffic(&mut self, begun: Option<Moment>) {
        let Some(current) = &self.current else { return };
        let now = self.seat.now();
        let gone = begun.map_or(Span::ZERO, |begun| now.wall.since(begun.wall));
        let zero = Mono::from_ns(now.mono.ns().saturating_sub(gone.ns()));
        self.bench.kept_traffic().begin(current.sitting, zero);
        self.piece_due = now.mono + PIECE_AFTER;
    }

    /// Hands on what was said since the last piece, when it is time: at once where
    /// the run is broken off, held or over.
    pub(super) fn keep_traffic(&mut self) {
        let kept = self.bench.kept_traffic();
        let Some(current) = self.current.as_mut().filter(|_| !kept.is_none()) else {
            return;
        };
        let measures = matches!(current.state.phase, Phase::New | Phase::Measuring);
        let now = self.seat.now().mono;
        let is_due = now >= self.piece_due || kept.waiting_bytes() >= PIECE_AT_BYTES;
        // Where the last piece is still on its way, this one grows.
        if (measures && !is_due) || !current.takes_traffic() {
            return;
        }
        self.piece_due = now + PIECE_AFTER;
        let pieces = kept.cut();
        if !pieces.is_empty() {
            current.keep_traffic(pieces);
        }
    }

    /// Hands on all that was said, and waits until it is kept.
    pub(super) async fn settle_traffic(&mut self) {
        let kept = self.bench.kept_traffic();
        let Some(current) = self.current.as_mut().filter(|_| !kept.is_none()) else {
            return;
        };
        current.settle_traffic().await;
        let pieces = kept.cut();
        if !pieces.is_empty() {
            current.keep_traffic(pieces);
            current.settle_traffic().await;
        }
    }
}
