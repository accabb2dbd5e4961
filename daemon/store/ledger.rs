//! The only writer of a journal: each event with its reading and the run's
//! state, in one transaction (`commit`), on disk before it returns.
//!
//! After any failure the ledger refuses everything: whether the last event is
//! on disk is then unknown, and only a new look at the file can tell. A new
//! ledger accepts the same event again, once it finds it written with the
//! same content.

use std::collections::BTreeSet;
use std::sync::Arc;

use sqlx::{Row, SqlitePool};
use tokio::task::JoinHandle;

use super::captures;
use super::commit::Entry;
use super::counts::LegsAgain;
use super::error::{StoreError, reasons};
use super::journal::link_of;
use super::open::Store;
use super::readings::row_for;
use super::runs::state_of;
use crate::plan::frozen::Frozen;
use crate::plan::itinerary::{Action, Itinerary};
use crate::run::journal::{Body, Event, Link, RunId, RunState};
use crate::run::ledger::{Ledger, LedgerError, Line, Settled, Written};
use crate::run::traffic::Piece;

/// Writes the journal of one run.
pub struct StoreLedger {
    store: Store,
    run: RunId,
    boot: String,
    /// Where the journal stands; read from the file before the first event.
    stand: Option<Stand>,
    /// Why nothing more is written.
    refused: Option<String>,
    /// Pieces of traffic on their way.
    traffic: Option<JoinHandle<()>>,
}

/// Where a journal stands, and the run's projection.
struct Stand {
    frozen: Arc<Frozen>,
    seq: u64,
    link: Link,
    state: RunState,
    readings: i64,
    done: Done,
}

/// The actions that are done, as the journal tells.
#[derive(Default)]
struct Done {
    actions: BTreeSet<i64>,
    legs_again: LegsAgain,
}

impl Done {
    fn see(&mut self, itinerary: &Itinerary, event: &Event) {
        let ends_action = match &event.body {
            Body::Taken { key, reading } => {
                let action = planned(itinerary, event);
                action.is_some_and(|action| action.ends_with(key.purpose, &reading.outcome))
            }
            Body::Captured { key, capture, .. } => {
                let (purpose, outcome) = (key.purpose, &capture.outcome);
                let action = planned(itinerary, event);
                action.is_some_and(|action| action.ends_with_capture(purpose, outcome))
            }
            Body::Done { .. } => true,
            _ => false,
        };
        if ends_action && let Some(no) = event.no.filter(|no| *no >= 0) {
            self.actions.insert(no);
        }
        let undone = self.legs_again.see(itinerary, event);
        for action in undone.actions(itinerary) {
            self.actions.remove(&i64::from(action.no));
        }
    }
}

/// The planned action that an event concerns.
fn planned<'a>(itinerary: &'a Itinerary, event: &Event) -> Option<&'a Action> {
    let no = usize::try_from(event.no?).ok()?;
    itinerary.actions.get(no)
}

impl Store {
    /// The ledger of a run. `boot` names this boot of the machine; it is kept
    /// beside each event, not in its line.
    pub fn ledger(&self, id: RunId, boot: &str) -> StoreLedger {
        StoreLedger {
            store: self.clone(),
            run: id,
            boot: boot.to_owned(),
            stand: None,
            refused: None,
            traffic: None,
        }
    }
}

impl Ledger for StoreLedger {
    fn append_all<'a>(&'a mut self, lines: &'a [Line<'a>]) -> Written<'a> {
        Box::pin(async move {
            if let Some(reason) = &self.refused {
                return Err(LedgerError {
                    reason: format!("an earlier event could not be written: {reason}"),
                });
            }
            // Set before the attempt: a caller that stops waiting leaves it so.
            self.refused = Some("the writing of the last event was given up".to_owned());
            let written = self.write(lines).await;
            self.refused = written.as_ref().err().map(reasons);
            written.map_err(|error| LedgerError {
                reason: reasons(&error),
            })
        })
    }

    fn takes_traffic(&mut self) -> bool {
        self.traffic.as_ref().is_none_or(JoinHandle::is_finished)
    }

    fn keep_traffic(&mut self, pieces: Vec<Piece>) {
        let (store, run) = (self.store.clone(), self.run);
        self.traffic = Some(tokio::spawn(async move {
            let bytes: u64 = pieces.iter().map(|piece| piece.bytes).sum();
            if let Err(error) = store.keep_traffic(run, pieces).await {
                let why = reasons(&error);
                tracing::warn!(%run, bytes, %why, "traffic could not be kept; the run goes on");
            }
        }));
    }

    fn settle_traffic(&mut self) -> Settled<'_> {
        Box::pin(async move {
            if let Some(task) = self.traffic.take() {
                // Its panic is told by the runtime; nothing rests on it.
                let _ = task.await;
            }
        })
    }
}

impl StoreLedger {
    async fn write(&mut self, lines: &[Line<'_>]) -> Result<(), StoreError> {
        let writer = self.store.writer()?.clone();
        let mut stand = match self.stand.take() {
            Some(stand) => stand,
            None => Stand::read(&self.store, &writer, self.run).await?,
        };
        let mut entries = Vec::with_capacity(lines.len());
        for line in lines {
            let seq = line.event.seq;
            if seq <= stand.seq {
                already(&writer, self.run, line).await?;
                continue;
            }
            if seq != stand.seq + 1 {
                return Err(StoreError::NotNext {
                    seq,
                    last: stand.seq,
                });
            }
            if stand.link.next(line.text) != line.link {
                return Err(StoreError::LinkBroken { seq });
            }
            stand = stand.after(line.event, line.link);
            entries.push(self.entry(&stand, line));
        }
        if !entries.is_empty() {
            self.store.tray().write(&self.store, entries).await?;
        }
        self.stand = Some(stand);
        Ok(())
    }

    /// What an event changes in the record, given the stand after it.
    fn entry(&self, stand: &Stand, line: &Line<'_>) -> Entry {
        Entry {
            run: self.run.0,
            event: line.event.clone(),
            line: line.text.to_owned(),
            link: line.link,
            boot: self.boot.clone(),
            state: stand.state,
            readings: stand.readings,
            actions_done: stand.done.actions.len() as i64,
            reading: row_for(self.run, &stand.frozen, line.event),
            capture: captures::row_for(self.run, &stand.frozen, line.event),
        }
    }
}

/// The event is written already: is it the same?
async fn already(writer: &SqlitePool, run: RunId, line: &Line<'_>) -> Result<(), StoreError> {
    let doing = StoreError::sql("looking for an event");
    let seq = line.event.seq;
    let row = sqlx::query("SELECT line, link FROM events WHERE run = ? AND seq = ?")
        .bind(run.0)
        .bind(seq as i64)
        .fetch_optional(writer)
        .await
        .map_err(&doing)?;
    let Some(row) = row else {
        return Err(StoreError::Differs { seq });
    };
    let (found, found_link): (String, Vec<u8>) = (
        row.try_get(0).map_err(&doing)?,
        row.try_get(1).map_err(&doing)?,
    );
    if found != line.text || link_of(&found_link)? != line.link {
        return Err(StoreError::Differs { seq });
    }
    Ok(())
}

impl Stand {
    async fn read(store: &Store, writer: &SqlitePool, run: RunId) -> Result<Stand, StoreError> {
        let doing = StoreError::sql("reading where a journal stands");
        let (frozen, bundle) = store.frozen(run).await?.ok_or(StoreError::NoRun(run))?;
        let row = sqlx::query("SELECT state, readings FROM runs WHERE id = ?")
            .bind(run.0)
            .fetch_one(writer)
            .await
            .map_err(&doing)?;
        let last =
            sqlx::query("SELECT seq, link FROM events WHERE run = ? ORDER BY seq DESC LIMIT 1")
                .bind(run.0)
                .fetch_optional(writer)
                .await
                .map_err(&doing)?;
        let (seq, link) = match &last {
            Some(last) => (
                last.try_get::<i64, _>(0).map_err(&doing)?.unsigned_abs(),
                link_of(&last.try_get::<Vec<u8>, _>(1).map_err(&doing)?)?,
            ),
            None => (0, bundle),
        };
        let mut done = Done::default();
        for event in store.events(run, 0, u32::MAX).await? {
            done.see(&frozen.itinerary, &event);
        }
        Ok(Stand {
            frozen: Arc::new(frozen),
            seq,
            link,
            state: state_of(&row.try_get::<String, _>(0).map_err(&doing)?)?,
            readings: row.try_get(1).map_err(&doing)?,
            done,
        })
    }

    /// The stand after an event.
    fn after(mut self, event: &Event, link: Link) -> Stand {
        self.seq = event.seq;
        self.link = link;
        self.state = self.state.after(&event.body);
        self.readings += i64::from(event.body.is_of_meter());
        self.done.see(&self.frozen.itinerary, event);
        self
    }
}
