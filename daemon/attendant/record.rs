//! The run in hand: its state, and the one way to change it. An event is
//! applied to the state, then written; nothing that changes the world is done
//! before it is written. What ends an action is written together with what
//! begins the next one. Where that is a rest or a reading, which change
//! nothing, it is done while the two are written; whatever follows waits for
//! both.
//!
//! ```text
//!  done, started (move) ── written ──► move
//!  done, started (rest) ──► rest          no reading counts, nothing moves
//!                 └─ written ─┴──► next   until what was before it is on disk
//! ```

use std::future::poll_fn;
use std::pin::Pin;
use std::sync::Arc;
use std::task::Poll;

use drivers::clock::Flow;
use photometry::measured::Moment;
use photometry::units::Mono;
use tokio::sync::broadcast;
use tokio::task::JoinHandle;

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
    /// When the lamp was last switched off.
    pub off_since: Option<Mono>,
    /// Since when the lamp's outlet is open; none where it is closed, or nobody knows.
    pub mains_off: Option<Mono>,
    /// When the carriage arrived.
    pub arrived: Option<Mono>,
    /// Where the carriage stands; none while it moves.
    pub coordinate: Option<photometry::units::Length>,
    /// The same as a position, once it was sent to one.
    pub position: Option<photometry::units::Length>,
    /// The room's sensor said nothing, and is not asked until then.
    pub room_blind_until: Option<Mono>,
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
    pen: Pen,
    notes: broadcast::Sender<Note>,
}

/// Where the ledger is.
enum Pen {
    /// At hand; all that was handed to it is written.
    AtHand(Box<dyn Ledger>),
    /// Writing, while something else is waited for.
    Writing(JoinHandle<Handed>),
    /// It went down with the task that wrote.
    Lost,
}

/// A ledger that has written, and what came of it.
type Handed = (Box<dyn Ledger>, Result<(), LedgerError>);

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
            pen: Pen::AtHand(ledger),
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
        let link = new.link;
        self.put_down(Some(new)).await?;
        self.state = next;
        self.link = link;
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

    /// Applies the first event of a rest or a reading, and has it written with
    /// the one that was kept while that is waited for. Only for what changes
    /// nothing: should the writing fail, it was for nothing. Every other event
    /// waits for these first.
    ///
    /// # Errors
    /// When it cannot follow, or what came before could not be written.
    pub async fn set_out(
        &mut self,
        at: Moment,
        no: Option<i64>,
        attempt: u32,
        body: Body,
    ) -> Result<(), RecordError> {
        self.arrive().await?;
        let (next, new) = self.told(at, no, attempt, body)?;
        self.state = next;
        self.link = new.link;
        let lines: Vec<Kept> = self.kept.take().into_iter().chain([new]).collect();
        match std::mem::replace(&mut self.pen, Pen::Lost) {
            Pen::AtHand(ledger) => {
                let writing = hand(ledger, lines, self.run, self.notes.clone());
                self.pen = begin(Box::pin(writing)).await?;
                Ok(())
            }
            Pen::Writing(_) | Pen::Lost => Err(lost()),
        }
    }

    /// Waits until what was handed over is on disk.
    async fn arrive(&mut self) -> Result<(), RecordError> {
        let Pen::Writing(task) = &mut self.pen else {
            return Ok(());
        };
        let Ok((ledger, written)) = task.await else {
            self.pen = Pen::Lost;
            return Err(lost());
        };
        self.pen = Pen::AtHand(ledger);
        Ok(written?)
    }

    /// Writes what was kept; returns only when it is durable.
    ///
    /// # Errors
    /// When it cannot be written.
    pub async fn write_kept(&mut self) -> Result<(), RecordError> {
        self.arrive().await?;
        match self.kept {
            Some(_) => self.put_down(None).await,
            None => Ok(()),
        }
    }

    /// Nothing is still to be written.
    pub fn is_written(&self) -> bool {
        self.kept.is_none() && !matches!(self.pen, Pen::Writing(_))
    }

    /// Whatever is still to be written is on its way.
    pub fn is_handed_over(&self) -> bool {
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
    async fn put_down(&mut self, new: Option<Kept>) -> Result<(), RecordError> {
        self.arrive().await?;
        let lines: Vec<Kept> = self.kept.take().into_iter().chain(new).collect();
        match std::mem::replace(&mut self.pen, Pen::Lost) {
            Pen::AtHand(ledger) => {
                let (ledger, written) = hand(ledger, lines, self.run, self.notes.clone()).await;
                self.pen = Pen::AtHand(ledger);
                Ok(written?)
            }
            Pen::Writing(_) | Pen::Lost => Err(lost()),
        }
    }

    /// The action with this number, planned or of the preamble.
    pub fn action(&self, no: i64) -> Option<Action> {
        self.state.action(&self.frozen.itinerary, no).cloned()
    }

    /// Whether pieces of traffic are taken now.
    pub fn takes_traffic(&mut self) -> bool {
        match &mut self.pen {
            Pen::AtHand(ledger) => ledger.takes_traffic(),
            Pen::Writing(_) | Pen::Lost => false,
        }
    }

    /// Hands pieces of traffic to whoever keeps them; returns at once. Where
    /// none are taken now they are lost.
    pub fn keep_traffic(&mut self, pieces: Vec<Piece>) {
        match &mut self.pen {
            Pen::AtHand(ledger) => ledger.keep_traffic(pieces),
            Pen::Writing(_) | Pen::Lost => {
                tracing::warn!(run = %self.run, "traffic could not be kept: the ledger is away");
            }
        }
    }

    /// Waits until they are kept, or known not to be; and until what was handed
    /// over is written, or known not to be: who asks for this has been told.
    pub async fn settle_traffic(&mut self) {
        let _ = self.arrive().await;
        if let Pen::AtHand(ledger) = &mut self.pen {
            ledger.settle_traffic().await;
        }
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

/// Writes lines that follow each other, and tells whoever listens.
async fn hand(
    mut ledger: Box<dyn Ledger>,
    kept: Vec<Kept>,
    run: RunId,
    notes: broadcast::Sender<Note>,
) -> Handed {
    let lines: Vec<Line<'_>> = kept
        .iter()
        .map(|one| Line {
            event: &one.event,
            text: &one.line,
            link: one.link,
        })
        .collect();
    let written = ledger.append_all(&lines).await;
    if written.is_ok() {
        for line in &lines {
            let seq = line.event.seq;
            // Nobody may be listening; that is no fault.
            let _ = notes.send(Note::Journal { run, seq });
        }
    }
    (ledger, written)
}

/// Begins to write. What is written at once, as on paper, needs no task, and is
/// written before anything else happens.
async fn begin(
    mut writing: Pin<Box<dyn Future<Output = Handed> + Send>>,
) -> Result<Pen, LedgerError> {
    match poll_fn(|context| Poll::Ready(writing.as_mut().poll(context))).await {
        Poll::Ready((ledger, written)) => {
            written?;
            Ok(Pen::AtHand(ledger))
        }
        Poll::Pending => Ok(Pen::Writing(tokio::spawn(writing))),
    }
}

/// The task that wrote is gone, and the ledger with it.
fn lost() -> RecordError {
    let reason = "the task that wrote the last event is gone".to_owned();
    RecordError::Ledger(LedgerError { reason })
}
