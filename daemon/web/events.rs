//! A run's journal, live: server-sent events. The stream reads the journal
//! again whenever something was written, so a slow listener loses nothing.

use std::convert::Infallible;

use axum::extract::{Path, Query, State};
use axum::response::sse::{Event as Sent, KeepAlive, Sse};
use futures_util::stream::Stream;
use serde::Serialize;
use tokio::sync::{broadcast, mpsc, watch};
use tokio_stream::wrappers::ReceiverStream;

use super::problem::Trouble;
use super::runs::{self, After};
use super::serve::Desk;
use super::tell;
use crate::attendant::handle::Note;
use crate::plan::frozen::Frozen;
use crate::run::journal::RunId;
use crate::run::progress::{Phase, State as Progress};

/// Events that wait for a slow listener before the stream waits too.
const SENT_AT_MOST: usize = 256;
/// Events that are read from the record at once.
const READ_AT_MOST: u32 = 500;

/// `GET /runs/{run}/events?after=SEQ`: `journal` events with an entry, and
/// `progress` after each batch; ends when the run is over or the daemon leaves.
///
/// # Errors
/// When there is no such run.
pub async fn follow(
    State(desk): State<Desk>,
    Path(run): Path<String>,
    Query(After { after }): Query<After>,
) -> Result<Sse<impl Stream<Item = Result<Sent, Infallible>>>, Trouble> {
    let run = runs::number(&run)?;
    let told = runs::story(&desk, run).await?;
    let frozen = told.ok_or_else(|| Trouble::no_run(run))?.frozen;
    let (out, stream) = mpsc::channel(SENT_AT_MOST);
    // A bench that this daemon does not work says nothing new.
    let notes = desk.keeper.notes(run).await.ok();
    let stirs = desk.keeper.stirs();
    tokio::spawn(async move {
        let leaving = desk.leaving.clone();
        let sending = Sending {
            desk,
            run,
            frozen,
            out,
        };
        leaving
            .run_until_cancelled(sending.send(after, notes, stirs))
            .await;
    });
    Ok(Sse::new(ReceiverStream::new(stream)).keep_alive(KeepAlive::default()))
}

struct Sending {
    desk: Desk,
    run: RunId,
    frozen: Frozen,
    out: mpsc::Sender<Result<Sent, Infallible>>,
}

impl Sending {
    /// Sends what is there, then what comes, until the run is over or nobody
    /// listens.
    async fn send(
        mut self,
        mut after: u64,
        mut notes: Option<broadcast::Receiver<Note>>,
        mut stirs: watch::Receiver<u64>,
    ) {
        let mut progress = Progress::new(&self.frozen.itinerary);
        if after > 0
            && let Ok(Some(story)) = runs::story(&self.desk, self.run).await
        {
            for event in story.events.iter().take_while(|event| event.seq <= after) {
                if progress.apply(&self.frozen.itinerary, event).is_err() {
                    return;
                }
            }
        }
        loop {
            match self.send_new(&mut after, &mut progress).await {
                Some(false) => {}
                Some(true) | None => return,
            }
            let Some(notes) = notes.as_mut() else { return };
            // Whatever it was, and whatever was missed: the record is read again.
            tokio::select! {
                note = notes.recv() => match note {
                    Ok(_) | Err(broadcast::error::RecvError::Lagged(_)) => {}
                    Err(broadcast::error::RecvError::Closed) => return,
                },
                stirred = stirs.changed() => if stirred.is_err() { return },
            }
        }
    }

    /// Whether the record holds events after this one.
    async fn has_more(&self, after: u64) -> Option<bool> {
        let more = self.desk.store.events(self.run, after, 1).await.ok()?;
        Some(!more.is_empty())
    }

    /// Sends the events after `after`; whether nothing more will come.
    /// None when nobody listens or the record fails.
    async fn send_new(&mut self, after: &mut u64, progress: &mut Progress) -> Option<bool> {
        // A run that has not begun may have been frozen anew.
        if *after == 0
            && let Ok(Some((frozen, _))) = self.desk.store.frozen(self.run).await
        {
            *progress = Progress::new(&frozen.itinerary);
            self.frozen = frozen;
        }
        loop {
            let events = self
                .desk
                .store
                .events(self.run, *after, READ_AT_MOST)
                .await
                .ok()?;
            let full = events.len() == READ_AT_MOST as usize;
            for event in &events {
                progress.apply(&self.frozen.itinerary, event).ok()?;
                *after = event.seq;
                let entry = tell::entry(event, &self.frozen);
                self.out
                    .send(Ok(sent("journal", &entry, Some(event.seq))?))
                    .await
                    .ok()?;
            }
            if full {
                continue;
            }
            let row = self.desk.store.run(self.run).await.ok()??;
            // The end may have been written after the events were read: what
            // the row already knows must not end the stream before its event.
            let ended = matches!(progress.phase, Phase::Ended(_));
            if row.state.is_over() && !ended && self.has_more(*after).await? {
                continue;
            }
            let rehearsal = self.desk.keeper.rehearsal().is_some();
            let now = self.desk.keeper.now();
            let mut told = tell::progress(&row, progress, &self.frozen, now, rehearsal);
            told.out_of_service = self.desk.keeper.trouble(&row);
            self.out
                .send(Ok(sent("progress", &told, None)?))
                .await
                .ok()?;
            return Some(told.is_over || told.out_of_service.is_some());
        }
    }
}

fn sent<T: Serialize>(kind: &str, data: &T, id: Option<u64>) -> Option<Sent> {
    let sent = Sent::default().event(kind).json_data(data).ok()?;
    Some(match id {
        Some(id) => sent.id(id.to_string()),
        None => sent,
    })
}
