//! Reading a run's journal: events, lines, links.

use futures_util::TryStreamExt;
use sqlx::Row;

use super::error::StoreError;
use super::open::Store;
use crate::run::journal::{Event, Link, RunId};

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
        let mut lines = sqlx::query_scalar::<_, String>(
            "SELECT line FROM events WHERE run = ? AND seq > ? ORDER BY seq LIMIT ?",
        )
        .bind(id.0)
        .bind(i64::try_from(after).unwrap_or(i64::MAX))
        .bind(i64::from(at_most))
        .fetch(self.readers());
        // Line by line: SQLite's thread is at the next ones meanwhile.
        let mut events = Vec::new();
        while let Some(line) = lines
            .try_next()
            .await
            .map_err(StoreError::sql("reading a journal"))?
        {
            events.push(event_of(&line)?);
        }
        Ok(events)
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

pub(super) fn event_of(line: &str) -> Result<Event, StoreError> {
    serde_json::from_str(line).map_err(StoreError::json("a journal's line"))
}

pub(super) fn link_of(bytes: &[u8]) -> Result<Link, StoreError> {
    bytes.try_into().map(Link).map_err(|_| StoreError::BadRow {
        what: "a link",
        found: format!("{} bytes", bytes.len()),
    })
}
