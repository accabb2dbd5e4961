//! Is a journal still what was written? SQLite itself does not notice most
//! flipped bits (of 300 single flips 129 changed data in silence), so the
//! links are followed and every column is compared with the line beside it.

use sqlx::Row;
use sqlx::sqlite::SqliteRow;

use super::captures::{self, CaptureRow};
use super::error::{StoreError, reasons};
use super::journal::event_of;
use super::open::Store;
use super::readings::{ReadingRow, reading_of, row_for};
use super::remarks::VerifiedRemarks;
use crate::run::journal::{Body, Event, Link, RunId};

/// What following the links found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verified {
    /// Events that are as they were written.
    pub events: u64,
    /// The link after the last of them.
    pub seal: Link,
    /// The first event that is not.
    pub bad: Option<BadEvent>,
    /// The remarks, which have links of their own; none where the bundle they
    /// begin at is bad.
    pub remarks: Option<VerifiedRemarks>,
}

impl Verified {
    /// Everything is as it was written.
    pub fn is_whole(&self) -> bool {
        self.bad.is_none() && self.remarks.as_ref().is_some_and(|r| r.bad.is_none())
    }
}

/// The first event that is not as it was written; 0 stands for the bundle.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BadEvent {
    /// Its number.
    pub seq: u64,
    /// What is wrong with it.
    pub why: String,
}

const EVENTS: &str = "SELECT seq, kind, no, attempt, sitting, mono_ns, wall_us, line, link \
     FROM events WHERE run = ? ORDER BY seq";

impl Store {
    /// Follows the links of a run's journal from the bundle to the last event,
    /// and those of its remarks.
    ///
    /// # Errors
    /// When there is no such run, or the record cannot be read at all.
    pub async fn verify(&self, id: RunId) -> Result<Verified, StoreError> {
        let doing = StoreError::sql("verifying a run");
        let frozen =
            "SELECT bundle, bundle_link FROM runs LEFT JOIN bundles ON run = id WHERE id = ?";
        let row = sqlx::query(frozen)
            .bind(id.0)
            .fetch_optional(self.readers())
            .await
            .map_err(&doing)?
            .ok_or(StoreError::NoRun(id))?;
        let bundle = row.try_get_unchecked::<Option<Vec<u8>>, _>(0);
        let bundle = bundle.map_err(&doing)?.unwrap_or_default();
        let mut verified = Verified {
            events: 0,
            seal: Link::of_bundle(&bundle),
            bad: None,
            remarks: None,
        };
        let found = |seq, why: &str| {
            Some(BadEvent {
                seq,
                why: why.to_owned(),
            })
        };
        if row.try_get::<Vec<u8>, _>(1).map_err(&doing)? != verified.seal.0 {
            verified.bad = found(0, "what the run froze does not fit its link");
            return Ok(verified);
        }
        verified.remarks = Some(self.verify_remarks(id, verified.seal).await?);
        self.verify_events(id, &bundle, verified).await
    }

    /// The events of a run, once the bundle is known to be whole.
    async fn verify_events(
        &self,
        id: RunId,
        bundle: &[u8],
        mut verified: Verified,
    ) -> Result<Verified, StoreError> {
        let doing = StoreError::sql("verifying a run");
        let found = |seq, why: &str| {
            Some(BadEvent {
                seq,
                why: why.to_owned(),
            })
        };
        let Some((frozen, _)) = self.frozen(id).await? else {
            return Err(StoreError::NoRun(id));
        };
        let rows = sqlx::query(EVENTS)
            .bind(id.0)
            .fetch_all(self.readers())
            .await
            .map_err(&doing)?;
        let readings = self.reading_rows(id).await?;
        let mut readings = readings.into_iter().peekable();
        let captures = self.capture_rows(id).await?;
        let mut captures = captures.into_iter().peekable();
        for row in &rows {
            let seq = verified.events + 1;
            let link = match event_at(row, seq, verified.seal, bundle) {
                Err(why) => {
                    verified.bad = found(seq, &why);
                    return Ok(verified);
                }
                Ok((event, link)) => {
                    let beside = readings.next_if(|row| seq_of(row) == Some(seq));
                    let expected = row_for(id, &frozen, &event);
                    let captured = captures.next_if(|row| seq_of(row) == Some(seq));
                    let capture = captures::row_for(id, &frozen, &event);
                    let agreed = agrees(id, beside.as_ref(), expected.as_ref())
                        .and_then(|()| capture_agrees(captured.as_ref(), capture.as_ref()));
                    if let Err(why) = agreed {
                        verified.bad = found(seq, &why);
                        return Ok(verified);
                    }
                    link
                }
            };
            verified.events = seq;
            verified.seal = link;
        }
        if let Some(reading) = readings.next() {
            let seq = seq_of(&reading).unwrap_or_default();
            // A run at work has written more since its events were read.
            let since = seq > verified.events && !self.events(id, seq - 1, 1).await?.is_empty();
            if !since {
                verified.bad = found(seq, "a reading without its event");
            }
        }
        if let Some(capture) = captures.next() {
            let seq = seq_of(&capture).unwrap_or_default();
            let since = seq > verified.events && !self.events(id, seq - 1, 1).await?.is_empty();
            if !since {
                verified.bad = found(seq, "a capture without its event");
            }
        }
        Ok(verified)
    }
}

/// Whether the capture beside an event is the one that its line makes; if not,
/// why.
fn capture_agrees(beside: Option<&SqliteRow>, expected: Option<&CaptureRow>) -> Result<(), String> {
    match (beside, expected) {
        (None, None) => Ok(()),
        (Some(row), Some(expected)) => captures::agrees(row, expected),
        (None, Some(_)) => Err("its capture's row is missing".to_owned()),
        (Some(_), None) => Err("a capture stands beside an event that has none".to_owned()),
    }
}

/// The event that a reading's row stands beside.
fn seq_of(row: &SqliteRow) -> Option<u64> {
    let seq: i64 = row.try_get("seq").ok()?;
    u64::try_from(seq).ok()
}

/// Whether the row beside an event is the one that its line makes; if not, why.
fn agrees(
    run: RunId,
    beside: Option<&SqliteRow>,
    expected: Option<&ReadingRow>,
) -> Result<(), String> {
    let found = beside
        .map(|row| reading_of(run, row))
        .transpose()
        .map_err(|error| format!("its reading's row makes no sense: {}", reasons(&error)))?;
    if found.as_ref() == expected {
        return Ok(());
    }
    Err("its reading's row differs from its line".to_owned())
}

/// The event of a row and its link, or what is wrong with it.
fn event_at(
    row: &SqliteRow,
    seq: u64,
    before: Link,
    bundle: &[u8],
) -> Result<(Event, Link), String> {
    let failed = |error: sqlx::Error| error.to_string();
    if row.try_get::<i64, _>("seq").map_err(failed)? != seq as i64 {
        return Err("it is missing, or another stands in its place".to_owned());
    }
    let line: String = row.try_get("line").map_err(failed)?;
    let link = before.next(&line);
    if row.try_get::<Vec<u8>, _>("link").map_err(failed)? != link.0 {
        return Err("its line does not fit its link".to_owned());
    }
    let event = event_of(&line).map_err(|error| error.to_string())?;
    let columns = (
        row.try_get::<String, _>("kind").map_err(failed)?,
        row.try_get::<Option<i64>, _>("no").map_err(failed)?,
        row.try_get::<i64, _>("attempt").map_err(failed)?,
        row.try_get::<i64, _>("sitting").map_err(failed)?,
        row.try_get::<i64, _>("mono_ns").map_err(failed)?,
        row.try_get::<i64, _>("wall_us").map_err(failed)?,
    );
    let expected = (
        event.body.kind().to_owned(),
        event.no,
        i64::from(event.attempt),
        i64::from(event.sitting),
        event.at.mono.ns(),
        event.at.wall.us(),
    );
    if event.seq != seq || columns != expected {
        return Err("its columns differ from its line".to_owned());
    }
    if let Body::Begun { bundle: stated } = &event.body
        && *stated != Link::of_bundle(bundle).hex()
    {
        return Err("it began with another bundle".to_owned());
    }
    Ok((event, link))
}
