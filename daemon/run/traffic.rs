//! A piece of what went over a device's link in a run: text, handed to whoever
//! keeps it beside the journal. No figure rests on it, and no run waits for it.
//!
//! Called by: bench (cuts pieces), attendant, store. Not here: the form of the
//! text (`drivers::link::session`).

use photometry::units::Span;

/// What went over one device's link since the piece before.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Piece {
    /// The device's name on the bench.
    pub device: String,
    /// Which life of the daemon in this run, from 1.
    pub sitting: u32,
    /// When its first bytes went, since the run began.
    pub from: Span,
    /// When its last did.
    pub to: Span,
    /// Bytes that had gone over the link in this sitting before it, kept or not:
    /// where these do not follow each other, a piece in between was lost.
    pub begins_at: u64,
    /// Bytes in it.
    pub bytes: u64,
    /// Bytes after it that were too many to be kept until it was cut.
    pub not_kept: u64,
    /// Lines of a session.
    pub text: String,
}
