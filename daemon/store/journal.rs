//! Reading a run's journal: events, lines, links.

use sqlx::Row;
use sqlx::sqlite::SqliteRow;
use tokio::task::{JoinHandle, spawn_blocking};

use super::error::StoreError;
use super::open::Store;
use crate::run::journal::{Event, Link, RunId};

/// Lines in one answer of SQLite: each row of an answer costs some
/// microseconds however short it is, and a night has 20,000 lines. More would
/// be texts of over 128 kB, for each of which glibc asks the kernel for pages.
pub(super) const LINES_TOGETHER: i64 = 400;

/// Lines that follow each other, in one text; nothing where none are. SQLite
/// does not promise that it joins them in the order in which they come, so they
/// are put in order when they are understood; to have them ordered here would
/// copy all of them, and to have them counted here takes a quarter longer.
const SOME_LINES: &str = "SELECT group_concat(line, char(10)) FROM events \
     WHERE run = ? AND seq > ? AND seq <= ?";

impl Store {
    /// The events after number `after` (0 for all), at most `at_most` of them,
    /// in order.
    ///
    /// # Errors
    /// When the record cannot be read, or a line is not an event.
    pub async fn events(
        &self,
        id: RunId,
        after: u64,
        at_most: u32,
    ) -> Result<Vec<Event>, StoreError> {
        let doing = StoreError::sql("reading a journal");
        let mut after = i64::try_from(after).unwrap_or(i64::MAX);
        let mut left = i64::from(at_most);
        let mut events = Vec::new();
        // SQLite's thread is at the next lines while these are made sense of;
        // the events go along, so that none is moved again.
        let mut at_work: Option<JoinHandle<Result<Vec<Event>, StoreError>>> = None;
        while left > 0 {
            let asked = left.min(LINES_TOGETHER);
            let to = after.saturating_add(asked);
            let row = sqlx::query(SOME_LINES)
                .bind(id.0)
                .bind(after)
                .bind(to)
                .fetch_one(self.readers())
                .await
                .map_err(&doing)?;
            if let Some(before) = at_work.take() {
                events = done(before).await?;
            }
            let found = lines_in(&row)?;
            let known = std::mem::take(&mut events);
            at_work = Some(spawn_blocking(move || with_events_of(&row, known)));
            (after, left) = (to, left - found);
            if found < asked {
                // The end, or what was written since, or a gap, which only a damaged
                // record has: then some of these lines come once more.
                let last = to - asked + found;
                let Some(next) = self.next_seq(id, last).await? else {
                    break;
                };
                after = next - 1;
            }
        }
        match at_work {
            Some(making) => done(making).await,
            None => Ok(events),
        }
    }

    /// The number of the first event after this one.
    async fn next_seq(&self, id: RunId, after: i64) -> Result<Option<i64>, StoreError> {
        sqlx::query_scalar("SELECT min(seq) FROM events WHERE run = ? AND seq > ?")
            .bind(id.0)
            .bind(after)
            .fetch_one(self.readers())
            .await
            .map_err(StoreError::sql("reading a journal"))
    }

    /// Every line with its link, in order.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn lines(&self, id: RunId) -> Result<Vec<(String, Link)>, StoreError> {
        let doing = StoreError::sql("reading a journal");
        let rows = sqlx::query("SELECT line, link FROM events WHERE run = ? ORDER BY seq")
            .bind(id.0)
            .fetch_all(self.readers())
            .await
            .map_err(&doing)?;
        rows.iter()
            .map(|row| {
                let link: Vec<u8> = row.try_get(1).map_err(&doing)?;
                Ok((row.try_get(0).map_err(&doing)?, link_of(&link)?))
            })
            .collect()
    }

    /// The link of the last event, or the bundle's own before the first.
    ///
    /// # Errors
    /// When there is no such run, or the record cannot be read.
    pub async fn last_link(&self, id: RunId) -> Result<Link, StoreError> {
        let link: Option<Vec<u8>> = sqlx::query_scalar(
            "SELECT coalesce((SELECT link FROM events WHERE run = ?1 ORDER BY seq DESC LIMIT 1),
                             bundle_link) FROM runs WHERE id = ?1",
        )
        .bind(id.0)
        .fetch_optional(self.readers())
        .await
        .map_err(StoreError::sql("reading a journal's last link"))?;
        link_of(&link.ok_or(StoreError::NoRun(id))?)
    }

    /// The boot in which the last event was written; none before the first.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn last_boot(&self, id: RunId) -> Result<Option<String>, StoreError> {
        sqlx::query_scalar("SELECT boot FROM events WHERE run = ? ORDER BY seq DESC LIMIT 1")
            .bind(id.0)
            .fetch_optional(self.readers())
            .await
            .map_err(StoreError::sql("reading a journal's last boot"))
    }
}

/// What came of work that was given to a thread of its own, because it takes
/// milliseconds.
pub(super) async fn done<T>(work: JoinHandle<Result<T, StoreError>>) -> Result<T, StoreError> {
    let crashed = |_| StoreError::sql("making sense of a record")(sqlx::Error::WorkerCrashed);
    work.await.map_err(crashed)?
}

/// Lines in one text; none where there is no line.
fn text_of(row: &SqliteRow) -> Result<Option<&str>, StoreError> {
    let doing = StoreError::sql("reading a journal");
    row.try_get(0).map_err(doing)
}

/// How many lines one text has; JSON has no end of line within.
fn lines_in(row: &SqliteRow) -> Result<i64, StoreError> {
    let ends = |text: &str| text.bytes().filter(|byte| *byte == b'\n').count() as i64;
    Ok(text_of(row)?.map_or(0, |text| ends(text) + 1))
}

/// The events so far, and those of lines in one text that come after them.
fn with_events_of(row: &SqliteRow, mut events: Vec<Event>) -> Result<Vec<Event>, StoreError> {
    let known = events.len();
    let last = events.last().map_or(0, |event: &Event| event.seq);
    for line in text_of(row)?.into_iter().flat_map(|text| text.split('\n')) {
        let event = event_of(line)?;
        if event.seq > last {
            events.push(event);
        }
    }
    events[known..].sort_by_key(|event| event.seq);
    Ok(events)
}

pub(super) fn event_of(line: &str) -> Result<Event, StoreError> {
    serde_json::from_str(line).map_err(StoreError::json("a journal's line"))
}

pub(super) fn link_of(bytes: &[u8]) -> Result<Link, StoreError> {
    bytes.try_into().map(Link).map_err(|_| StoreError::BadRow {
        what: "a link",
        found: format!("{} bytes", bytes.len()),
    })
}
