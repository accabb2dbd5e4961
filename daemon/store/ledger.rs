//! The only writer of a journal: one transaction per event, with its reading
//! and the run's state, on disk before it returns.
//!
//! The transaction is one text of several statements: every trip to sqlx's
//! worker thread costs about 50 us, a trip per statement would be four of
//! them. It runs in a task of its own, so that a caller that gives up cannot
//! leave a transaction open on the only writer.
//!
//! After any failure the ledger refuses everything: whether the last event is
//! on disk is then unknown, and only a new look at the file can tell. A new
//! ledger accepts the same event again, once it finds it written with the
//! same content.

use std::collections::BTreeSet;
use std::sync::Arc;

use sqlx::sqlite::SqliteArguments;
use sqlx::{Arguments, Row, SqlitePool};

use super::counts::{LegsAgain, says_something};
use super::error::StoreError;
use super::journal::link_of;
use super::open::{Store, naming};
use super::readings::{ReadingRow, row_for};
use super::runs::state_of;
use crate::plan::frozen::Frozen;
use crate::plan::itinerary::{Itinerary, Purpose};
use crate::run::journal::{Body, Event, Link, RunId, RunState};
use crate::run::ledger::{Ledger, LedgerError, Written};

/// Event and projection, one trip.
const WITHOUT_READING: &str = "BEGIN IMMEDIATE;
INSERT INTO events (run, seq, kind, no, attempt, sitting, mono_ns, wall_us, line, link, boot)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?);
UPDATE runs SET state = ?, begun_wall_us = coalesce(begun_wall_us, ?), ended_wall_us = ?,
    readings = ?, actions_done = ? WHERE id = ?;
COMMIT";

/// Event, projection and reading, one trip.
const WITH_READING: &str = "BEGIN IMMEDIATE;
INSERT INTO events (run, seq, kind, no, attempt, sitting, mono_ns, wall_us, line, link, boot)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?);
UPDATE runs SET state = ?, begun_wall_us = coalesce(begun_wall_us, ?), ended_wall_us = ?,
    readings = ?, actions_done = ? WHERE id = ?;
INSERT INTO readings (run, seq, no, attempt, sitting, key, test, setting, position_nm, purpose, visit,
    meter, quantity, outcome, value, unit, limit_value, reason, range_top, flags, raw,
    asked_mono_ns, taken_mono_ns, asked_wall_us, taken_wall_us, certificate, calibration_due,
    sample, firmware, origin)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?);
COMMIT";

/// Writes the journal of one run.
pub struct StoreLedger {
    store: Store,
    run: RunId,
    boot: String,
    /// Where the journal stands; read from the file before the first event.
    stand: Option<Stand>,
    /// Why nothing more is written.
    refused: Option<String>,
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
                let alone = matches!(
                    key.purpose,
                    Purpose::Read | Purpose::Dark | Purpose::Ambient | Purpose::Reference
                );
                alone && says_something(&reading.outcome)
            }
            Body::Done { .. } => true,
            _ => false,
        };
        if ends_action && let Some(no) = event.no.filter(|no| *no >= 0) {
            self.actions.insert(no);
        }
        let legs = self.legs_again.see(itinerary, event);
        if !legs.is_empty() {
            let of_leg = itinerary.actions.iter();
            let again = |leg: Option<u32>| leg.is_some_and(|leg| legs.contains(&leg));
            for action in of_leg.filter(|action| again(action.leg)) {
                self.actions.remove(&i64::from(action.no));
            }
        }
    }
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
        }
    }
}

impl Ledger for StoreLedger {
    fn append<'a>(&'a mut self, event: &'a Event, line: &'a str, link: Link) -> Written<'a> {
        Box::pin(async move {
            if let Some(reason) = &self.refused {
                return Err(LedgerError {
                    reason: format!("an earlier event could not be written: {reason}"),
                });
            }
            // Set before the attempt: a caller that stops waiting leaves it so.
            self.refused = Some("the writing of the last event was given up".to_owned());
            let written = self.write(event, line, link).await;
            self.refused = written.as_ref().err().map(reasons);
            written.map_err(|error| LedgerError {
                reason: reasons(&error),
            })
        })
    }
}

/// An error with its causes, in one line.
pub(super) fn reasons(error: &StoreError) -> String {
    let mut text = error.to_string();
    let mut cause = std::error::Error::source(error);
    while let Some(error) = cause {
        text.push_str(": ");
        text.push_str(&error.to_string());
        cause = error.source();
    }
    text
}

impl StoreLedger {
    async fn write(&mut self, event: &Event, line: &str, link: Link) -> Result<(), StoreError> {
        let writer = self.store.writer()?.clone();
        let stand = match self.stand.take() {
            Some(stand) => stand,
            None => Stand::read(&self.store, &writer, self.run).await?,
        };
        if event.seq <= stand.seq {
            already(&writer, self.run, event.seq, line, link).await?;
            self.stand = Some(stand);
            return Ok(());
        }
        if event.seq != stand.seq + 1 {
            return Err(StoreError::NotNext {
                seq: event.seq,
                last: stand.seq,
            });
        }
        if stand.link.next(line) != link {
            return Err(StoreError::LinkBroken { seq: event.seq });
        }
        let stand = stand.after(event, link);
        let reading = row_for(self.run, &stand.frozen, event);
        let arguments = self.arguments(&stand, event, line, reading.as_ref())?;
        commit(writer, reading.is_some(), arguments)
            .await
            .map_err(|source| naming(self.store.file(), "writing an event", source))?;
        self.stand = Some(stand);
        Ok(())
    }

    fn arguments(
        &self,
        stand: &Stand,
        event: &Event,
        line: &str,
        reading: Option<&ReadingRow>,
    ) -> Result<SqliteArguments, StoreError> {
        let run = self.run.0;
        let seq = event.seq as i64; // counts events; far from i64::MAX
        let begun = matches!(event.body, Body::Begun { .. }).then(|| event.at.wall.us());
        let ended = stand.state.is_over().then(|| event.at.wall.us());
        let mut bound = SqliteArguments::default();
        let mut bind = Binder(&mut bound, Ok(()));
        bind.add(run).add(seq).add(event.body.kind()).add(event.no);
        bind.add(event.attempt).add(event.sitting);
        bind.add(event.at.mono.ns()).add(event.at.wall.us());
        bind.add(line.to_owned())
            .add(stand.link.0.to_vec())
            .add(self.boot.clone());
        bind.add(stand.state.words()).add(begun).add(ended);
        bind.add(stand.readings)
            .add(stand.done.actions.len() as i64)
            .add(run);
        if let Some(row) = reading {
            bind_reading(&mut bind, row)?;
        }
        bind.1.map_err(StoreError::sql("writing an event"))?;
        Ok(bound)
    }
}

/// Adds arguments and keeps the first error.
struct Binder<'b>(&'b mut SqliteArguments, Result<(), sqlx::Error>);

impl Binder<'_> {
    fn add<'t, T>(&mut self, value: T) -> &mut Self
    where
        T: sqlx::Encode<'t, sqlx::Sqlite> + sqlx::Type<sqlx::Sqlite>,
    {
        if let Err(error) = self.0.add(value)
            && self.1.is_ok()
        {
            self.1 = Err(sqlx::Error::Encode(error));
        }
        self
    }
}

fn bind_reading(bind: &mut Binder<'_>, row: &ReadingRow) -> Result<(), StoreError> {
    use photometry::measured::Outcome;
    let reading = &row.reading;
    let flags =
        serde_json::to_string(&reading.flags).map_err(StoreError::json("a reading's flags"))?;
    let (limit, reason) = match &reading.outcome {
        Outcome::Over(limit) | Outcome::Under(limit) => (Some(*limit), None),
        Outcome::Rejected(reason) => (None, Some(reason.clone())),
        Outcome::Value(_) | Outcome::TimedOut => (None, None),
    };
    bind.add(row.run.0).add(row.seq as i64).add(row.no);
    bind.add(row.attempt).add(row.sitting);
    bind.add(row.key_text.clone())
        .add(row.test.clone())
        .add(row.setting.clone());
    bind.add(row.position.nm())
        .add(row.purpose.word())
        .add(row.visit);
    bind.add(reading.meter.clone()).add(reading.quantity.name());
    bind.add(reading.outcome.kind())
        .add(reading.outcome.value());
    bind.add(reading.quantity.unit()).add(limit).add(reason);
    bind.add(reading.range).add(flags).add(reading.raw.clone());
    bind.add(reading.asked.mono.ns())
        .add(reading.taken.mono.ns());
    bind.add(reading.asked.wall.us())
        .add(reading.taken.wall.us());
    bind.add(row.certificate.clone())
        .add(row.calibration_due.clone());
    bind.add(row.unit.clone())
        .add(row.firmware.clone())
        .add(row.origin.word());
    Ok(())
}

/// Runs the transaction to its end, whether or not anybody still waits.
async fn commit(
    writer: SqlitePool,
    with_reading: bool,
    arguments: SqliteArguments,
) -> Result<(), sqlx::Error> {
    let sql = if with_reading {
        WITH_READING
    } else {
        WITHOUT_READING
    };
    let task = tokio::spawn(async move {
        let mut connection = writer.acquire().await?;
        let done = sqlx::query_with(sql, arguments)
            .execute(&mut *connection)
            .await;
        if done.is_err() {
            // Its own failure changes nothing: then there was none to undo.
            let _ = sqlx::query("ROLLBACK").execute(&mut *connection).await;
        }
        done
    });
    match task.await {
        Ok(done) => done.map(|_| ()),
        Err(_) => Err(sqlx::Error::WorkerCrashed),
    }
}

/// The event is written already: is it the same?
async fn already(
    writer: &SqlitePool,
    run: RunId,
    seq: u64,
    line: &str,
    link: Link,
) -> Result<(), StoreError> {
    let doing = StoreError::sql("looking for an event");
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
    if found != line || link_of(&found_link)? != link {
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
        self.readings += i64::from(matches!(event.body, Body::Taken { .. }));
        self.done.see(&self.frozen.itinerary, event);
        self
    }
}
