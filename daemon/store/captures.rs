//! Captures as rows: spectra and waveforms with their bytes. The line of an event
//! holds the digests; a row whose bytes do not fit them is damaged.

use std::collections::HashMap;
use std::sync::Arc;

use photometry::measured::{Capture, CaptureOutcome};
use photometry::ramp::on_the_way::SPECTRA_AT_LEAST;
use sqlx::Row;
use sqlx::sqlite::SqliteRow;

use super::counts::Standing;
use super::error::StoreError;
use super::open::Store;
use super::readings::{Beside, SetAside, stands};
use crate::plan::frozen::Frozen;
use crate::plan::itinerary::{Key, Purpose};
use crate::run::journal::{Body, Event, RunId, digest_of};

/// Captures with the meter covered that a noise can be told from.
pub const DARKS_AT_LEAST: usize = 2;

/// Whether a recording has as many spectra on its way, and with the meter covered, as a
/// melanopic dose needs, whatever they show.
pub fn is_seen_on_the_way(captures: &[CaptureRow], recording: u32) -> bool {
    let of_it = captures.iter().filter(|row| row.no == i64::from(recording));
    let of_it = of_it.filter(|row| row.counts && row.numbers().is_some());
    let (mut lit, mut dark) = (0, 0);
    for row in of_it {
        match row.key.purpose {
            Purpose::Sample => lit += 1,
            Purpose::Dark => dark += 1,
            _ => {}
        }
    }
    lit >= SPECTRA_AT_LEAST && dark >= DARKS_AT_LEAST
}

/// One capture with everything that it refers to.
#[derive(Clone, Debug, PartialEq)]
pub struct CaptureRow {
    /// The run.
    pub run: RunId,
    /// The number of its event.
    pub seq: u64,
    /// Its action; negative in a preamble.
    pub no: i64,
    /// Which attempt at the action.
    pub attempt: u32,
    /// Which life of the daemon.
    pub sitting: u32,
    /// What was measured.
    pub key: Key,
    /// What the meter said; its bytes, where they were asked for.
    pub capture: Capture,
    /// The digest of its answer.
    pub digest: String,
    /// The digest of the answer with its axis.
    pub axis_digest: Option<String>,
    /// The meter's calibration and the sample.
    pub beside: Arc<Beside>,
    /// It is the result of its key.
    pub counts: bool,
    /// Why it counts or does not.
    pub standing: Standing,
    /// Why a person set it aside, when one did.
    pub set_aside: Option<SetAside>,
}

impl CaptureRow {
    /// It is the result of its key, or would be if it were not set aside.
    pub fn is_result(&self) -> bool {
        self.counts || self.set_aside.as_ref().is_some_and(|aside| aside.counted)
    }

    fn stand(&mut self, standing: Standing, because: Option<&String>) {
        (self.standing, self.set_aside) = stands(standing, because);
        self.counts = self.standing == Standing::Counts;
    }

    /// How many numbers there are.
    pub fn numbers(&self) -> Option<u32> {
        match self.capture.outcome {
            CaptureOutcome::Numbers(count) | CaptureOutcome::Saturated(count) => Some(count),
            CaptureOutcome::TimedOut | CaptureOutcome::Rejected(_) => None,
        }
    }

    /// Why there are none, where a reason was given.
    pub fn reason(&self) -> Option<&str> {
        match &self.capture.outcome {
            CaptureOutcome::Rejected(reason) => Some(reason),
            _ => None,
        }
    }
}

/// The row that an event's capture makes; none for other events.
pub(super) fn row_for(run: RunId, frozen: &Frozen, event: &Event) -> Option<CaptureRow> {
    let Body::Captured {
        key,
        capture,
        digest,
        axis_digest,
    } = &event.body
    else {
        return None;
    };
    Some(CaptureRow {
        run,
        seq: event.seq,
        no: event.no.unwrap_or_default(),
        attempt: event.attempt,
        sitting: event.sitting,
        key: key.clone(),
        capture: capture.clone(),
        digest: digest.clone(),
        axis_digest: axis_digest.clone(),
        beside: Arc::new(Beside::of(frozen, &capture.meter)),
        counts: false,
        standing: Standing::default(),
        set_aside: None,
    })
}

/// The rows of a run's captures, each with its standing; without bytes.
pub(super) fn rows(
    run: RunId,
    frozen: &Frozen,
    events: &[Event],
    standings: &HashMap<u64, Standing>,
    asides: &HashMap<u64, String>,
) -> Vec<CaptureRow> {
    let rows = events
        .iter()
        .filter_map(|event| row_for(run, frozen, event));
    rows.map(|mut row| {
        let standing = standings.get(&row.seq).copied().unwrap_or_default();
        row.stand(standing, asides.get(&row.seq));
        row
    })
    .collect()
}

/// The columns that are held against the line.
pub(super) const COLUMNS: &str = "seq, no, attempt, sitting, key, test, setting, position_nm, \
     purpose, visit, meter, quantity, outcome, numbers, reason, raw, digest, axis_raw, \
     axis_digest, taken_mono_ns, taken_wall_us, certificate, calibration_due, sample, firmware";

/// Whether a row is the one that an event's line makes, its bytes too; if not,
/// why.
pub(super) fn agrees(row: &SqliteRow, expected: &CaptureRow) -> Result<(), String> {
    let failed = |error: sqlx::Error| error.to_string();
    let text = |at: &str| row.try_get::<Option<String>, _>(at).map_err(failed);
    let whole = |at: &str| row.try_get::<Option<i64>, _>(at).map_err(failed);
    let bytes = |at: &str| row.try_get::<Option<Vec<u8>>, _>(at).map_err(failed);
    let (key, capture) = (&expected.key, &expected.capture);
    let texts = [
        ("key", Some(key.to_string())),
        ("test", Some(key.test.clone())),
        ("setting", Some(key.setting.clone())),
        ("purpose", Some(key.purpose.word().to_owned())),
        ("meter", Some(capture.meter.clone())),
        ("quantity", Some(capture.quantity.name().to_owned())),
        ("outcome", Some(capture.outcome.kind().to_owned())),
        ("reason", expected.reason().map(str::to_owned)),
        ("digest", Some(expected.digest.clone())),
        ("axis_digest", expected.axis_digest.clone()),
        ("certificate", expected.beside.certificate.clone()),
        ("calibration_due", expected.beside.calibration_due.clone()),
        ("sample", Some(expected.beside.sample.clone())),
        ("firmware", expected.beside.firmware.clone()),
    ];
    for (column, wanted) in texts {
        if text(column)? != wanted {
            return Err(format!("its capture's {column} differs from its line"));
        }
    }
    let wholes = [
        ("no", Some(expected.no)),
        ("attempt", Some(i64::from(expected.attempt))),
        ("sitting", Some(i64::from(expected.sitting))),
        ("position_nm", Some(key.position.nm())),
        ("visit", Some(i64::from(key.visit))),
        ("numbers", expected.numbers().map(i64::from)),
        ("taken_mono_ns", Some(capture.taken.mono.ns())),
        ("taken_wall_us", Some(capture.taken.wall.us())),
    ];
    for (column, wanted) in wholes {
        if whole(column)? != wanted {
            return Err(format!("its capture's {column} differs from its line"));
        }
    }
    let digests = [
        (bytes("raw")?, Some(&expected.digest)),
        (bytes("axis_raw")?, expected.axis_digest.as_ref()),
    ];
    let fits = |(bytes, digest): (Option<Vec<u8>>, Option<&String>)| {
        bytes.map(|bytes| digest_of(&bytes)).as_ref() == digest
    };
    match digests.into_iter().all(fits) {
        true => Ok(()),
        false => Err("its capture's bytes do not fit the digest in its line".to_owned()),
    }
}

impl Store {
    /// Fetches the bytes of a run's captures that count, or would if they had not
    /// been set aside. Bytes that do not fit their digest are none.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn fetch_bytes(&self, captures: &mut [CaptureRow]) -> Result<(), StoreError> {
        let doing = StoreError::sql("reading a capture");
        for row in captures.iter_mut().filter(|row| row.is_result()) {
            let sql = "SELECT raw, axis_raw FROM captures WHERE run = ? AND seq = ?";
            let found = sqlx::query(sql)
                .bind(row.run.0)
                .bind(row.seq as i64) // counts events; far from i64::MAX
                .fetch_optional(self.readers())
                .await
                .map_err(&doing)?;
            let Some(found) = found else { continue };
            let raw: Vec<u8> = found.try_get(0).map_err(&doing)?;
            let axis: Option<Vec<u8>> = found.try_get(1).map_err(&doing)?;
            if digest_of(&raw) == row.digest {
                row.capture.raw = raw;
            }
            let axis = axis.filter(|axis| Some(digest_of(axis)) == row.axis_digest);
            row.capture.axis_raw = axis.unwrap_or_default();
        }
        Ok(())
    }

    /// The rows in order, not made sense of.
    pub(super) async fn capture_rows(&self, id: RunId) -> Result<Vec<SqliteRow>, StoreError> {
        let sql = format!("SELECT {COLUMNS} FROM captures WHERE run = ? ORDER BY seq");
        sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(id.0)
            .fetch_all(self.readers())
            .await
            .map_err(StoreError::sql("reading the captures"))
    }
}
