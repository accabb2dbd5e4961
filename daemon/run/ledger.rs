//! The trait through which the attendant writes the journal. `run` owns it,
//! `store` implements it: the attendant needs no database to be tested.

use std::future::Future;
use std::pin::Pin;

use super::journal::{Event, Link};
use super::traffic::Piece;

/// The record could not be written. The run cannot go on: an unrecorded
/// reading does not exist.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the journal could not be written: {reason}")]
pub struct LedgerError {
    /// Why, with the cause chain.
    pub reason: String,
}

/// A future that a ledger returns.
pub type Written<'a> = Pin<Box<dyn Future<Output = Result<(), LedgerError>> + Send + 'a>>;

/// What ends when nothing of the traffic is on its way any more.
pub type Settled<'a> = Pin<Box<dyn Future<Output = ()> + Send + 'a>>;

/// An event on its way into the journal.
#[derive(Clone, Copy, Debug)]
pub struct Line<'a> {
    /// The event.
    pub event: &'a Event,
    /// Its canonical line.
    pub text: &'a str,
    /// The link of that line.
    pub link: Link,
}

/// Appends events to the journal of one run.
pub trait Ledger: Send {
    /// Writes events that follow each other (each with its reading), all or
    /// none, so that they survive a loss of power, and only then returns.
    ///
    /// # Errors
    /// When it cannot be sure that all of them were written.
    fn append_all<'a>(&'a mut self, lines: &'a [Line<'a>]) -> Written<'a>;

    /// The same for one event.
    ///
    /// # Errors
    /// When it cannot be sure that the event was written.
    fn append<'a>(&'a mut self, event: &'a Event, text: &'a str, link: Link) -> Written<'a> {
        Box::pin(async move { self.append_all(&[Line { event, text, link }]).await })
    }

    /// Whether traffic is taken now; what was taken last may still be on its way.
    fn takes_traffic(&mut self) -> bool {
        false
    }

    /// Takes pieces of traffic, to be kept beside the journal, and returns at
    /// once. What cannot be kept is told in the log; no run ends of it.
    fn keep_traffic(&mut self, _pieces: Vec<Piece>) {}

    /// Waits until whatever was taken is kept, or is known not to be.
    fn settle_traffic(&mut self) -> Settled<'_> {
        Box::pin(std::future::ready(()))
    }
}
