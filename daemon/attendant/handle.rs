//! How the rest of the program speaks to an attendant: orders in, notes out.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use drivers::clock::Post;
use tokio::sync::broadcast;

use crate::plan::frozen::Frozen;
use crate::run::journal::{End, Event, Link, RunId, SeamCause};
use crate::run::ledger::Ledger;

/// Orders that may wait in an attendant's mailbox; a person does not give more
/// while one action lasts.
pub const ORDERS_AT_MOST: usize = 64;

/// Notes kept for a slow listener before it must read the journal again.
pub const NOTES_KEPT: usize = 1024;

/// A run handed to an attendant.
pub struct Assignment {
    /// Its number.
    pub run: RunId,
    /// What it froze.
    pub frozen: Arc<Frozen>,
    /// Its journal so far; empty for a new run.
    pub past: Vec<Event>,
    /// The link after the last event, or the bundle's own link.
    pub link: Link,
    /// Where its journal is written.
    pub ledger: Box<dyn Ledger>,
    /// The machine was started anew since the last event: power was lost.
    pub other_boot: bool,
    /// Why its unit does not stand as it was frozen, when it does not: it may
    /// only be held or ended.
    pub displaced: Option<String>,
    /// What broke it off, where it was at work when its journal ends.
    pub broken_off_by: SeamCause,
}

/// What an attendant is told.
pub enum Order {
    /// Begin or go on with a run.
    Begin(Box<Assignment>),
    /// Make safe and wait.
    Hold(RunId),
    /// Go on after a hold.
    Release(RunId),
    /// Make safe and end the run.
    Stop(RunId),
    /// A person's answer to the open question.
    Answer {
        /// The run that asked.
        run: RunId,
        /// The answer's words.
        text: String,
    },
    /// Say that the loop turns.
    Pulse(Arc<Pulse>),
    /// Make safe and leave; the run goes on when the daemon starts again.
    Shutdown,
}

/// Whether an attendant's loop turns: a question, answered by the loop itself.
#[derive(Debug, Default)]
pub struct Pulse {
    waits: AtomicBool,
}

impl Pulse {
    /// Whether the last question was answered.
    pub fn is_answered(&self) -> bool {
        !self.waits.load(Ordering::SeqCst)
    }

    /// A question is on its way.
    pub fn ask(&self) {
        self.waits.store(true, Ordering::SeqCst);
    }

    /// The loop has come by.
    pub fn answer(&self) {
        self.waits.store(false, Ordering::SeqCst);
    }
}

/// What an attendant says while it works.
#[derive(Clone, Debug, PartialEq)]
pub enum Note {
    /// An event was written.
    Journal {
        /// The run.
        run: RunId,
        /// The event's number.
        seq: u64,
    },
    /// A run ended; the bench is free.
    Ended {
        /// The run.
        run: RunId,
        /// How.
        end: End,
    },
    /// A run's record failed: the bench was made safe, and the run put down.
    RecordFailed {
        /// The run.
        run: RunId,
        /// Why, in words.
        why: String,
    },
    /// The attendant has left: it was told to, or found a contradiction.
    Left,
}

/// One attendant, as the rest of the program sees it.
#[derive(Clone)]
pub struct Handle {
    /// Orders in.
    pub orders: Post<Order>,
    /// Notes out.
    pub notes: broadcast::Sender<Note>,
}
