//! The run in hand: its state, and the one way to change it. An event is
//! applied to the state, then written; nothing is done before it is written.
//! What ends an action is written together with what begins the next one.

use std::sync::Arc;

use drivers::clock::Flow;
use photometry::measured::Moment;
use photometry::units::Mono;
use tokio::sync::broadcast;

use super::handle::{Assignment, Note};
use crate::plan::frozen::Frozen;
use crate::plan::itinerary::Action;
use crate::plan::lamp::Setting;
use crate::run::journal::{Body, Event, Link, RunId};
use crate::run::ledger::{Ledger, LedgerError, Line};
use crate::run::progress::{IllegalEvent, State};
use crate::run::traffic::Piece;

/// The record failed, or the program contradicted itself. Either way the run
/// cannot go on: an unrecorded reading does not exist.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// The journal could not be written.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The attendant produced an event that cannot follow.
    #[error(transparent)]
    Illegal(#[from] IllegalEvent),
    /// An event could not be put into words.
    #[error("an event could not be written as JSON: {0}")]
    Line(#[from] serde_json::Error),
}

/// What is known of the bench by having done it; forgotten at every seam.
#[derive(Debug, Default)]
pub struct Known {
    /// What the lamp stands at.
    pub setting: Option<Setting>,
    /// The light at that setting, when it was seen.
    pub light: Option<f64>,
    /// When the level was set.
    pub level_set: Option<Mono>,
    /// When the carriage arrived.
    pub arrived: Option<Mono>,
    /// Where the carriage stands; none while it moves.
    pub coordinate: Option<photometry::units::Length>,
    /// The same as a position, once it was sent to one.
    pub position: Option<photometry::units::Length>,
}

/// The run in hand.
pub struct Current {
    /// Its number.
    pub run: RunId,
    /// What it froze.
    pub frozen: Arc<Frozen>,
    /// Where it is.
    pub state: State,
    /// What is known of the bench.
    pub known: Known,
    /// Held while time may pass for this run.
    pub flow: Option<Flow>,
    /// The machine was started anew since the last event.
    pub other_boot: bool,
    /// Why its unit does not stand as it was frozen.
    pub displaced: Option<String>,
    /// The sitting that this attendant writes.
    pub sitting: u32,
    /// The last fault, in words.
    pub last_fault: Option<String>,
    link: Link,
    /// The last event, where it is applied and still to be written.
    kept: Option<Kept>,
    ledger: Box<dyn Ledger>,
    notes: broadcast::Sender<Note>,
}

/// An event that has its place in the journal and is not written yet.
struct Kept {
    event: Event,
    line: String,
    link: Link,
}

impl Current {
    /// Takes a run over, replaying its journal.
    ///
    /// # Errors
    /// When the journal contradicts itself.
    pub fn take_over(
        assignment: Assignment,
        notes: broadcast::Sender<Note>,
    ) -> Result<Current, IllegalEvent> {
        let Assignment {
            run,
            frozen,
            past,
            link,
            ledger,
            other_boot,
            displaced,
            broken_off_by: _,
        } = assignment;
        let mut state = State::replay(&frozen.itinerary, &past)?;
        state.sits_anew();
        let sitting = state.sitting + 1;
        Ok(Current {
            run,
            frozen,
            state,
            known: Known::default(),
            flow: None,
            other_boot,
            displaced,
            sitting,
            last_fault: past.iter().rev().find_map(|event| match &event.body {
                Body::Failed { fault } => Some(fault.message.clone()),
                _ => None,
            }),
            link,
            kept: None,
            ledger,
            notes,
        })
    }

    /// Applies an event and writes it down, with the one that was kept; returns
    /// only when both are durable.
    ///
    /// # Errors
    /// When it cannot follow, or cannot be written.
    pub async fn write(
        &mut self,
        at: Moment,
        no: Option<i64>,
        attempt: u32,
        body: Body,
    ) -> Result<(), RecordError> {
        let (next, new) = self.told(at, no, attempt, body)?;
        // Applied to a copy first: an event that could not be written has not
        // happened.
        self.put_down(Some(&new)).await?;
        self.state = next;
        self.link = new.link;
        Ok(())
    }

    /// Applies the last event of an action. It is written together with what
    /// is written next: two events, one sync. Only for what is followed by the
    /// next action's *started* at once; whoever waits or acts before that
    /// writes it first ([`Current::write_kept`]).
    ///
    /// # Errors
    /// When it cannot follow, or the one before it cannot be written.
    pub async fn keep(
        &mut self,
        at: Moment,
        no: Option<i64>,
        attempt: u32,
        body: Body,
    ) -> Result<(), RecordError> {
        self.write_kept().await?;
        let (next, new) = self.told(at, no, attempt, body)?;
        self.state = next;
        self.link = new.link;
        self.kept = Some(new);
        Ok(())
    }

    /// Writes what was kept; returns only when it is durable.
    ///
    /// # Errors
    /// When it cannot be written.
    pub async fn write_kept(&mut self) -> Result<(), RecordError> {
        match self.kept {
            Some(_) => self.put_down(None).await,
            None => Ok(()),
        }
    }

    /// Nothing was kept that is still to be written.
    pub fn is_written(&self) -> bool {
        self.kept.is_none()
    }

    /// An event with its line and link, and the state after it.
    fn told(
        &mut self,
        at: Moment,
        no: Option<i64>,
        attempt: u32,
        body: Body,
    ) -> Result<(State, Kept), RecordError> {
        if let Body::Failed { fault } = &body {
            self.last_fault = Some(fault.message.clone());
        }
        let event = Event {
            seq: self.state.next_seq,
            no,
            attempt,
            sitting: self.sitting,
            at,
            body,
        };
        let line = event.line()?;
        let mut next = self.state.clone();
        next.apply(&self.frozen.itinerary, &event)?;
        let link = self.link.next(&line);
        Ok((next, Kept { event, line, link }))
    }

    /// Writes what was kept and what is new, in one go.
    async fn put_down(&mut self, new: Option<&Kept>) -> Result<(), RecordError> {
        let kept = self.kept.take();
        let lines: Vec<Line<'_>> = kept
            .iter()
            .chain(new)
            .map(|one| Line {
                event: &one.event,
                text: &one.line,
                link: one.link,
            })
            .collect();
        self.ledger.append_all(&lines).await?;
        for line in &lines {
            let (run, seq) = (self.run, line.event.seq);
            // Nobody may be listening; that is no fault.
            let _ = self.notes.send(Note::Journal { run, seq });
        }
        Ok(())
    }

    /// The action with this number, planned or of the preamble.
    pub fn action(&self, no: i64) -> Option<Action> {
        self.state.action(&self.frozen.itinerary, no).cloned()
    }

    /// Whether pieces of traffic are taken now.
    pub fn takes_traffic(&mut self) -> bool {
        self.ledger.takes_traffic()
    }

    /// Hands pieces of traffic to whoever keeps them; returns at once.
    pub fn keep_traffic(&mut self, pieces: Vec<Piece>) {
        self.ledger.keep_traffic(pieces);
    }

    /// Waits until they are kept, or known not to be.
    pub async fn settle_traffic(&mut self) {
        self.ledger.settle_traffic().await;
    }

    /// The digest of the frozen bundle: the link before the first event.
    pub fn bundle_digest(&self) -> String {
        self.link.hex()
    }

    /// Forgets what is known of the bench.
    pub fn forget(&mut self) {
        self.known = Known::default();
    }
}
