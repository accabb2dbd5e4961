//! Events on their way to disk. One transaction takes everything that waits:
//! a sync costs the same for one event as for fifty, and many benches at work
//! share the one file.
//!
//! ```text
//! ledger A --\                    +-- whoever gets the writer first takes all
//! ledger B ---+--> the waiting ---+   that waits, writes it, tells each
//! ledger C --/                    +-- the others find nothing left to do
//! ```
//!
//! Nobody is told that an event is stored before the transaction that holds it
//! is. A transaction is one text of several statements: every trip to sqlx's
//! worker thread costs about 50 us. It runs in a task of its own, so that a
//! caller that gives up cannot leave a transaction open on the only writer.
//!
//! If one event cannot be in the record (its number is taken, say), what each
//! ledger brought is written alone. After any other failure, of the disk
//! above all, nothing is tried again: all are told.

use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use sqlx::Arguments;
use sqlx::sqlite::{SqliteArguments, SqliteConnection};
use tokio::sync::oneshot;

use super::captures::CaptureRow;
use super::error::{StoreError, reasons};
use super::open::{Store, naming};
use super::readings::{Beside, ReadingRow};
use crate::plan::itinerary::Key;
use crate::run::journal::{Body, Event, Link, RunId, RunState};

const DOING: &str = "writing an event";

/// Ledgers in one transaction at most: so many statements are still prepared in
/// some milliseconds.
const TOGETHER_AT_MOST: usize = 64;

const EVENT: &str = "
INSERT INTO events (run, seq, kind, no, attempt, sitting, mono_ns, wall_us, line, link, boot)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?);
UPDATE runs SET state = ?, begun_wall_us = coalesce(begun_wall_us, ?), ended_wall_us = ?,
    readings = ?, actions_done = ? WHERE id = ?;";

const READING: &str = "
INSERT INTO readings (run, seq, no, attempt, sitting, key, test, setting, position_nm, purpose, visit,
    meter, quantity, outcome, value, unit, limit_value, reason, range_top, flags, raw,
    asked_mono_ns, taken_mono_ns, asked_wall_us, taken_wall_us, certificate, calibration_due,
    sample, firmware, origin)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?);";

const CAPTURE: &str = "
INSERT INTO captures (run, seq, no, attempt, sitting, key, test, setting, position_nm, purpose, visit,
    meter, quantity, outcome, numbers, reason, raw, digest, axis_raw, axis_digest, taken_mono_ns,
    taken_wall_us, certificate, calibration_due, sample, firmware)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?);";

/// All that one event changes in the record.
pub(super) struct Entry {
    pub(super) run: i64,
    pub(super) event: Event,
    pub(super) line: String,
    pub(super) link: Link,
    pub(super) boot: String,
    /// The run's state after it.
    pub(super) state: RunState,
    /// Readings of the run after it.
    pub(super) readings: i64,
    /// Actions of the run that are done after it.
    pub(super) actions_done: i64,
    /// The row of its reading, where it is one.
    pub(super) reading: Option<ReadingRow>,
    /// The row of its capture, where it is one.
    pub(super) capture: Option<CaptureRow>,
}

/// What one ledger writes at once, all or none, and who waits for it.
struct Waiting {
    entries: Vec<Entry>,
    done: oneshot::Sender<Result<(), StoreError>>,
}

/// What waits for the writer; shared by all ledgers of a record.
#[derive(Clone, Default)]
pub(super) struct Tray(Arc<Mutex<Vec<Waiting>>>);

impl std::fmt::Debug for Tray {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Tray")
    }
}

impl Tray {
    /// Writes entries, with whatever else waits; they are on disk afterwards.
    /// Runs to its end, whether or not anybody still waits.
    ///
    /// # Errors
    /// When they could not be written.
    pub(super) async fn write(&self, store: &Store, entries: Vec<Entry>) -> Result<(), StoreError> {
        let (done, answer) = oneshot::channel();
        self.lock().push(Waiting { entries, done });
        let (writer, file) = (store.writer()?.clone(), store.file().to_owned());
        let tray = self.clone();
        tokio::spawn(async move {
            match writer.acquire().await {
                Ok(mut connection) => tray.clear(&mut connection, &file).await,
                Err(error) => tell_all(tray.taken(), &file, error),
            }
        });
        let crashed = |_| StoreError::sql(DOING)(sqlx::Error::WorkerCrashed);
        answer.await.map_err(crashed)?
    }

    /// Ledgers that wait.
    #[cfg(test)]
    pub(super) fn waiting(&self) -> usize {
        self.lock().len()
    }

    fn lock(&self) -> MutexGuard<'_, Vec<Waiting>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The oldest of what waits.
    fn taken(&self) -> Vec<Waiting> {
        let mut waiting = self.lock();
        let many = waiting.len().min(TOGETHER_AT_MOST);
        waiting.drain(..many).collect()
    }

    /// Writes the oldest of what waits; nothing where another was faster.
    /// Whoever waits has brought a task that comes here, so none is left lying.
    async fn clear(&self, connection: &mut SqliteConnection, file: &Path) {
        let taken = self.taken();
        if taken.is_empty() {
            return;
        }
        match together(connection, &taken).await {
            Ok(()) => {
                for one in taken {
                    let _ = one.done.send(Ok(())); // nobody need wait any more
                }
            }
            Err(error) if taken.len() > 1 && is_its_own(&error) => {
                let mut left = taken.into_iter();
                while let Some(one) = left.next() {
                    match together(connection, std::slice::from_ref(&one)).await {
                        Err(error) if !is_its_own(&error) => {
                            let all = std::iter::once(one).chain(left).collect();
                            return tell_all(all, file, error);
                        }
                        alone => {
                            let alone = alone.map_err(|error| naming(file, DOING, error));
                            let _ = one.done.send(alone);
                        }
                    }
                }
            }
            Err(error) => tell_all(taken, file, error),
        }
    }
}

/// Whether an entry itself cannot be in the record, and no harm was done: the
/// rules of a table refused it (primary code 19, SQLITE_CONSTRAINT).
fn is_its_own(error: &sqlx::Error) -> bool {
    let code = error.as_database_error().and_then(|error| error.code());
    let code = code.and_then(|code| code.parse::<u32>().ok());
    code.is_some_and(|code| code & 0xff == 19)
}

/// The first hears the error itself, the others what it was.
fn tell_all(waiting: Vec<Waiting>, file: &Path, error: sqlx::Error) {
    let error = naming(file, DOING, error);
    let why = reasons(&error);
    let mut error = Some(error);
    for one in waiting {
        let why = why.clone();
        let told = error.take().unwrap_or(StoreError::WithOthers { why });
        let _ = one.done.send(Err(told)); // nobody need wait any more
    }
}

/// One transaction, all or nothing.
async fn together(
    connection: &mut SqliteConnection,
    waiting: &[Waiting],
) -> Result<(), sqlx::Error> {
    let mut sql = String::from("BEGIN IMMEDIATE;");
    let mut arguments = SqliteArguments::default();
    let mut bind = Binder(&mut arguments, Ok(()));
    for entry in waiting.iter().flat_map(|one| &one.entries) {
        sql.push_str(EVENT);
        entry.bind(&mut bind);
        if let Some(row) = &entry.reading {
            sql.push_str(READING);
            bind_reading(&mut bind, row)?;
        }
        if let Some(row) = &entry.capture {
            sql.push_str(CAPTURE);
            bind_capture(&mut bind, row);
        }
    }
    bind.1?;
    sql.push_str("\nCOMMIT");
    // What one ledger writes has one of few texts, which stay prepared.
    let done = sqlx::query_with(sqlx::AssertSqlSafe(sql), arguments)
        .persistent(waiting.len() == 1)
        .execute(&mut *connection)
        .await;
    if done.is_err() {
        // Its own failure changes nothing: then there was none to undo.
        let _ = sqlx::query("ROLLBACK").execute(&mut *connection).await;
    }
    done.map(|_| ())
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

impl Entry {
    fn bind(&self, bind: &mut Binder<'_>) {
        let event = &self.event;
        let begun = matches!(event.body, Body::Begun { .. }).then(|| event.at.wall.us());
        let ended = self.state.is_over().then(|| event.at.wall.us());
        bind.add(self.run)
            .add(event.seq as i64) // counts events; far from i64::MAX
            .add(event.body.kind())
            .add(event.no);
        bind.add(event.attempt).add(event.sitting);
        bind.add(event.at.mono.ns()).add(event.at.wall.us());
        bind.add(self.line.clone())
            .add(self.link.0.to_vec())
            .add(self.boot.clone());
        bind.add(self.state.words()).add(begun).add(ended);
        bind.add(self.readings).add(self.actions_done).add(self.run);
    }
}

/// Which event a row stands beside: run, number and action; attempt and sitting.
fn bind_whence(
    bind: &mut Binder<'_>,
    (run, seq, no): (RunId, u64, i64),
    (attempt, sitting): (u32, u32),
) {
    bind.add(run.0).add(seq as i64).add(no); // counts events; far from i64::MAX
    bind.add(attempt).add(sitting);
}

fn bind_key(bind: &mut Binder<'_>, key: &Key) {
    bind.add(key.to_string())
        .add(key.test.clone())
        .add(key.setting.clone());
    bind.add(key.position.nm())
        .add(key.purpose.word())
        .add(key.visit);
}

fn bind_beside(bind: &mut Binder<'_>, beside: &Beside) {
    bind.add(beside.certificate.clone())
        .add(beside.calibration_due.clone());
    bind.add(beside.sample.clone()).add(beside.firmware.clone());
}

fn bind_capture(bind: &mut Binder<'_>, row: &CaptureRow) {
    let capture = &row.capture;
    bind_whence(bind, (row.run, row.seq, row.no), (row.attempt, row.sitting));
    bind_key(bind, &row.key);
    bind.add(capture.meter.clone()).add(capture.quantity.name());
    bind.add(capture.outcome.kind())
        .add(row.numbers())
        .add(row.reason().map(str::to_owned));
    let axis = (!capture.axis_raw.is_empty()).then(|| capture.axis_raw.clone());
    bind.add(capture.raw.clone())
        .add(row.digest.clone())
        .add(axis)
        .add(row.axis_digest.clone());
    bind.add(capture.taken.mono.ns())
        .add(capture.taken.wall.us());
    bind_beside(bind, &row.beside);
}

fn bind_reading(bind: &mut Binder<'_>, row: &ReadingRow) -> Result<(), sqlx::Error> {
    use photometry::measured::Outcome;
    let reading = &row.reading;
    let flags =
        serde_json::to_string(&reading.flags).map_err(|error| sqlx::Error::Encode(error.into()))?;
    let (limit, reason) = match &reading.outcome {
        Outcome::Over(limit) | Outcome::Under(limit) => (Some(*limit), None),
        Outcome::Rejected(reason) => (None, Some(reason.clone())),
        Outcome::Value(_) | Outcome::TimedOut => (None, None),
    };
    bind_whence(bind, (row.run, row.seq, row.no), (row.attempt, row.sitting));
    bind_key(bind, &row.key);
    bind.add(reading.meter.clone()).add(reading.quantity.name());
    bind.add(reading.outcome.kind())
        .add(reading.outcome.value());
    bind.add(reading.quantity.unit()).add(limit).add(reason);
    bind.add(reading.range).add(flags).add(reading.raw.clone());
    bind.add(reading.asked.mono.ns())
        .add(reading.taken.mono.ns());
    bind.add(reading.asked.wall.us())
        .add(reading.taken.wall.us());
    bind_beside(bind, &row.beside);
    bind.add(row.origin.word());
    Ok(())
}
