//! Runs: booked with everything that they rest on, listed with their state.

use photometry::units::Wall;
use sqlx::Row;
use sqlx::sqlite::SqliteRow;
use tokio::task::spawn_blocking;

use super::error::StoreError;
use super::journal::done;
use super::open::Store;
use crate::plan::frozen::Frozen;
use crate::run::journal::{Link, RunId, RunState};

/// One run, as lists show it.
#[derive(Clone, Debug, PartialEq)]
pub struct RunRow {
    /// Its number.
    pub id: RunId,
    /// The plan's name.
    pub plan: String,
    /// The lamp model's name.
    pub lamp: String,
    /// The unit.
    pub unit: String,
    /// The bench.
    pub bench: String,
    /// Its state.
    pub state: RunState,
    /// Why it is held, when it has not begun.
    pub why: Option<String>,
    /// When it was booked.
    pub booked: Wall,
    /// When it began.
    pub begun: Option<Wall>,
    /// When it ended.
    pub ended: Option<Wall>,
    /// Readings taken, superseded ones too.
    pub readings: i64,
    /// Actions of the itinerary that were completed at least once.
    pub actions_done: i64,
    /// Actions of the itinerary.
    pub actions: i64,
    /// The run that this one measures again.
    pub redo_of: Option<RunId>,
}

/// The columns that make a [`RunRow`], in the order that `row_of` reads.
const COLUMNS: &str = "SELECT id, plan, lamp, unit, bench, state, booked_wall_us, begun_wall_us, \
     ended_wall_us, readings, actions_done, actions, why, redo_of FROM runs";

/// A run to be booked.
#[derive(Clone, Copy, Debug)]
pub struct Booking<'a> {
    /// A client's key; under one, one run is booked.
    pub key: Option<&'a str>,
    /// What it freezes.
    pub frozen: &'a Frozen,
    /// The placement; none when the unit does not stand there yet.
    pub placement: Option<i64>,
    /// Why it is held from the beginning.
    pub held: Option<&'a str>,
}

/// Runs in one list; a bench makes a few a day.
const RUNS_AT_MOST: i64 = 10_000;

impl Store {
    /// Books a run: freezes the bundle under its digest, state waiting. With a
    /// client's key it may be booked once only. `placement`: none when the unit
    /// stands nowhere yet.
    ///
    /// # Errors
    /// When the record cannot be written, the key was used, or there is no
    /// such placement.
    pub async fn book_run(
        &self,
        key: Option<&str>,
        frozen: &Frozen,
        placement: Option<i64>,
        at: Wall,
    ) -> Result<RunId, StoreError> {
        let booking = Booking {
            key,
            frozen,
            placement,
            held: None,
        };
        let runs = self.insert(&[booking], at).await?;
        Ok(runs[0])
    }

    /// Books two runs, both or neither.
    ///
    /// # Errors
    /// As [`Store::book_run`].
    pub async fn book_two(
        &self,
        first: Booking<'_>,
        second: Booking<'_>,
        at: Wall,
    ) -> Result<(RunId, RunId), StoreError> {
        let runs = self.insert(&[first, second], at).await?;
        Ok((runs[0], runs[1]))
    }

    /// The run that was booked under a client's key.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn run_of_key(&self, key: &str) -> Result<Option<RunId>, StoreError> {
        let run: Option<i64> = sqlx::query_scalar("SELECT id FROM runs WHERE client_key = ?")
            .bind(key)
            .fetch_optional(self.readers())
            .await
            .map_err(StoreError::sql("looking for a booking's key"))?;
        Ok(run.map(RunId))
    }

    /// The placement that a run froze.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn placement_of_run(&self, id: RunId) -> Result<Option<i64>, StoreError> {
        let found: Option<Option<i64>> =
            sqlx::query_scalar("SELECT placement FROM runs WHERE id = ?")
                .bind(id.0)
                .fetch_optional(self.readers())
                .await
                .map_err(StoreError::sql("reading a run's placement"))?;
        Ok(found.flatten())
    }

    /// Holds a run that has no events yet, and says why.
    ///
    /// # Errors
    /// When the record cannot be written, or the run has begun.
    pub async fn hold_unbegun(&self, id: RunId, why: &str) -> Result<(), StoreError> {
        let sql = "UPDATE runs SET state = 'held', why = ?1 WHERE id = ?2 AND state IN \
                   ('waiting', 'held') AND NOT EXISTS (SELECT 1 FROM events WHERE run = ?2)";
        let done = sqlx::query(sql)
            .bind(why)
            .bind(id.0)
            .execute(self.writer()?)
            .await
            .map_err(StoreError::sql("holding a run"))?;
        if done.rows_affected() == 0 {
            Err(StoreError::HasBegun(id))
        } else {
            Ok(())
        }
    }

    /// Ends a run that has no events.
    ///
    /// # Errors
    /// When the record cannot be written, or the run has begun.
    pub async fn stop_unbegun(&self, id: RunId, at: Wall) -> Result<(), StoreError> {
        let sql = "UPDATE runs SET state = 'stopped', why = NULL, ended_wall_us = ?1 WHERE id = ?2 \
                   AND state IN ('waiting', 'held') AND NOT EXISTS (SELECT 1 FROM events WHERE run = ?2)";
        let done = sqlx::query(sql)
            .bind(at.us())
            .bind(id.0)
            .execute(self.writer()?)
            .await
            .map_err(StoreError::sql("ending a run"))?;
        if done.rows_affected() == 0 {
            Err(StoreError::HasBegun(id))
        } else {
            Ok(())
        }
    }

    /// Freezes a run without events anew: its unit stands elsewhere now. The
    /// run waits again.
    ///
    /// # Errors
    /// When the record cannot be written, or the run has begun.
    pub async fn freeze_anew(
        &self,
        id: RunId,
        frozen: &Frozen,
        placement: i64,
    ) -> Result<(), StoreError> {
        let bundle = bundle_json(frozen)?;
        let link = Link::of_bundle(bundle.as_bytes());
        let sql = "UPDATE runs SET lamp = ?1, program = ?2, placement = ?3, \
                   bundle_link = ?4, actions = ?5, state = 'waiting', why = NULL WHERE id = ?6 \
                   AND state IN ('waiting', 'held') AND NOT EXISTS (SELECT 1 FROM events WHERE run = ?6)";
        let doing = StoreError::sql("freezing a run anew");
        let mut change = self.writer()?.begin().await.map_err(&doing)?;
        let done = sqlx::query(sql)
            .bind(&frozen.lamp.name)
            .bind(&frozen.program)
            .bind(placement)
            .bind(link.0.as_slice())
            .bind(frozen.itinerary.actions.len() as i64)
            .bind(id.0)
            .execute(&mut *change)
            .await
            .map_err(&doing)?;
        if done.rows_affected() == 0 {
            return Err(StoreError::HasBegun(id)); // nothing was changed
        }
        sqlx::query("UPDATE bundles SET bundle = ? WHERE run = ?")
            .bind(bundle)
            .bind(id.0)
            .execute(&mut *change)
            .await
            .map_err(&doing)?;
        change.commit().await.map_err(&doing)
    }

    /// The runs, in the order of the bookings.
    async fn insert(&self, bookings: &[Booking<'_>], at: Wall) -> Result<Vec<RunId>, StoreError> {
        let doing = StoreError::sql("booking a run");
        let mut change = self.writer()?.begin().await.map_err(&doing)?;
        let mut runs = Vec::with_capacity(bookings.len());
        for booking in bookings {
            let bundle = bundle_json(booking.frozen)?;
            match insert_one(&mut change, booking, &bundle, at).await {
                Ok(run) => runs.push(run),
                Err(source) => {
                    drop(change); // the only writer is asked why
                    let Booking { placement, key, .. } = *booking;
                    return Err(self.why_not_booked(source, placement, key).await?);
                }
            }
        }
        change.commit().await.map_err(&doing)?;
        Ok(runs)
    }

    /// Names the reason for which a booking was refused.
    async fn why_not_booked(
        &self,
        source: sqlx::Error,
        placement: Option<i64>,
        key: Option<&str>,
    ) -> Result<StoreError, StoreError> {
        let (stranger, twice) = source.as_database_error().map_or((false, false), |error| {
            (
                error.is_foreign_key_violation(),
                error.is_unique_violation(),
            )
        });
        if stranger && let Some(placement) = placement {
            return Ok(StoreError::NoPlacement(placement));
        }
        if twice
            && let Some(key) = key
            && let Some(run) = self.run_of_key(key).await?
        {
            return Ok(StoreError::KeyUsed {
                key: key.to_owned(),
                run,
            });
        }
        Ok(StoreError::sql("booking a run")(source))
    }

    /// All runs, the newest first; at most 10 000.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn runs(&self) -> Result<Vec<RunRow>, StoreError> {
        let sql = format!("{COLUMNS} ORDER BY id DESC LIMIT ?");
        let rows = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(RUNS_AT_MOST)
            .fetch_all(self.readers())
            .await
            .map_err(StoreError::sql("reading the runs"))?;
        rows.iter().map(row_of).collect()
    }

    /// One run.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn run(&self, id: RunId) -> Result<Option<RunRow>, StoreError> {
        let sql = format!("{COLUMNS} WHERE id = ?");
        let row = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(id.0)
            .fetch_optional(self.readers())
            .await
            .map_err(StoreError::sql("reading a run"))?;
        row.as_ref().map(row_of).transpose()
    }

    /// What a run froze, and the link of the bundle's text as it is stored.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn frozen(&self, id: RunId) -> Result<Option<(Frozen, Link)>, StoreError> {
        let doing = StoreError::sql("reading what a run froze");
        // As bytes: SQLite would copy a text once more to end it with a zero.
        let row = sqlx::query("SELECT CAST(bundle AS BLOB) FROM bundles WHERE run = ?")
            .bind(id.0)
            .fetch_optional(self.readers())
            .await
            .map_err(&doing)?;
        let Some(row) = row else {
            return Ok(None);
        };
        // Of a long night it has megabytes.
        let making = spawn_blocking(move || {
            let bundle: &[u8] = row.try_get(0).map_err(&doing)?;
            let frozen = serde_json::from_slice(bundle);
            let frozen = frozen.map_err(StoreError::json("a run's bundle"))?;
            Ok(Some((frozen, Link::of_bundle(bundle))))
        });
        done(making).await
    }
}

/// One run and its bundle.
async fn insert_one(
    change: &mut sqlx::SqliteConnection,
    booking: &Booking<'_>,
    bundle: &str,
    at: Wall,
) -> Result<RunId, sqlx::Error> {
    let frozen = booking.frozen;
    let link = Link::of_bundle(bundle.as_bytes());
    let state = match booking.held {
        Some(_) => RunState::Held,
        None => RunState::Waiting,
    };
    let booked = sqlx::query(
        "INSERT INTO runs (plan, lamp, unit, bench, program, placement, bundle_link,
             client_key, booked_wall_us, state, actions, redo_of, why)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    )
    .bind(&frozen.plan.name)
    .bind(&frozen.lamp.name)
    .bind(&frozen.placement.unit)
    .bind(&frozen.card.name)
    .bind(&frozen.program)
    .bind(booking.placement)
    .bind(link.0.as_slice())
    .bind(booking.key)
    .bind(at.us())
    .bind(state.words())
    .bind(frozen.itinerary.actions.len() as i64)
    .bind(frozen.redo_of)
    .bind(booking.held)
    .execute(&mut *change)
    .await?;
    let id = RunId(booked.last_insert_rowid());
    sqlx::query("INSERT INTO bundles (run, bundle) VALUES (?, ?)")
        .bind(id.0)
        .bind(bundle)
        .execute(&mut *change)
        .await?;
    Ok(id)
}

/// The bundle's canonical text: its fields in the order of their declaration,
/// without spaces.
///
/// # Errors
/// When a number in it is not finite.
pub fn bundle_json(frozen: &Frozen) -> Result<String, StoreError> {
    serde_json::to_string(frozen).map_err(StoreError::json("a run's bundle"))
}

/// A state from its words.
pub(super) fn state_of(words: &str) -> Result<RunState, StoreError> {
    use RunState::{Complete, CompleteWithGaps, Failed, Held, Measuring, Stopped, Waiting};
    [
        Waiting,
        Measuring,
        Held,
        Complete,
        CompleteWithGaps,
        Stopped,
        Failed,
    ]
    .into_iter()
    .find(|state| state.words() == words)
    .ok_or_else(|| StoreError::BadRow {
        what: "a run's state",
        found: words.to_owned(),
    })
}

fn row_of(row: &SqliteRow) -> Result<RunRow, StoreError> {
    let doing = StoreError::sql("reading a run");
    let wall = |at: Option<i64>| at.map(Wall::from_us);
    Ok(RunRow {
        id: RunId(row.try_get(0).map_err(&doing)?),
        plan: row.try_get(1).map_err(&doing)?,
        lamp: row.try_get(2).map_err(&doing)?,
        unit: row.try_get(3).map_err(&doing)?,
        bench: row.try_get(4).map_err(&doing)?,
        state: state_of(&row.try_get::<String, _>(5).map_err(&doing)?)?,
        booked: Wall::from_us(row.try_get(6).map_err(&doing)?),
        begun: wall(row.try_get(7).map_err(&doing)?),
        ended: wall(row.try_get(8).map_err(&doing)?),
        readings: row.try_get(9).map_err(&doing)?,
        actions_done: row.try_get(10).map_err(&doing)?,
        actions: row.try_get(11).map_err(&doing)?,
        why: row.try_get(12).map_err(&doing)?,
        redo_of: row
            .try_get::<Option<i64>, _>(13)
            .map_err(&doing)?
            .map(RunId),
    })
}
