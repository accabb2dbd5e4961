//! The trait through which the attendant writes the journal. `run` owns it,
//! `store` implements it: the attendant needs no database to be tested.

use std::future::Future;
use std::pin::Pin;

use super::journal::{Event, Link};

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

/// Appends events to the journal of one run.
pub trait Ledger: Send {
    /// Writes one event (and its reading, in the same transaction) so that it
    /// survives a loss of power, and only then returns.
    ///
    /// # Errors
    /// When it cannot be sure that the event was written.
    fn append<'a>(&'a mut self, event: &'a Event, line: &'a str, link: Link) -> Written<'a>;
}
