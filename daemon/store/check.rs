//! The whole record looked through: is it still what was written?
//!
//! Followed: the links of every journal and of every run's remarks, each
//! reading's row against its event's line, each run's row against its journal,
//! the digest of each piece of traffic;
//! and SQLite's own check of its pages. Not covered by links, and so only by
//! SQLite's check: rulings and their scripts (they can be made again from the
//! readings), lamps and placements (each run froze its own).
//!
//! Called by: service (`store check`). Not here: the links (verify, remarks).

use serde::Serialize;
use sqlx::Row;

use super::error::{StoreError, reasons};
use super::open::Store;
use super::runs::RunRow;
use crate::run::journal::{Body, Event, RunId, RunState};

/// Lines that SQLite's check may say, after which it stops.
const SQLITE_SAYS_AT_MOST: u32 = 20;

/// Events that a run at work may write between two looks at it: more than a
/// bench does in the time that it takes to read the longest journal.
const EVENTS_BETWEEN: usize = 200;

/// What was found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Checked {
    /// Run by run, in their order.
    pub runs: Vec<CheckedRun>,
    /// What SQLite finds wrong with its pages.
    pub pages: Vec<String>,
}

impl Checked {
    /// The first thing that is not as it was written, in words.
    pub fn first_bad(&self) -> Option<String> {
        let of_run = self.runs.iter().find_map(|run| {
            let bad = run.bad.as_ref()?;
            Some(format!("run {}, {bad}", run.run.0))
        });
        of_run.or_else(|| self.pages.first().map(|page| format!("the file: {page}")))
    }
}

/// One run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct CheckedRun {
    /// Its number.
    pub run: RunId,
    /// Events that are as they were written, up to the first that is not.
    pub events: u64,
    /// The same for its remarks.
    pub remarks: u64,
    /// Pieces of kept traffic that are as they were written, up to the first
    /// that is not.
    pub traffic: u64,
    /// The first thing that is not, in words.
    pub bad: Option<String>,
}

impl Store {
    /// Looks the whole record through; changes nothing.
    ///
    /// # Errors
    /// When not even the list of runs can be read.
    pub async fn check(&self) -> Result<Checked, StoreError> {
        let doing = StoreError::sql("listing the runs");
        let numbers: Vec<i64> = sqlx::query_scalar("SELECT id FROM runs ORDER BY id")
            .fetch_all(self.readers())
            .await
            .map_err(&doing)?;
        let mut runs = Vec::new();
        for number in numbers {
            runs.push(self.check_run(RunId(number)).await);
        }
        let pages = match self.pages().await {
            Ok(said) => said,
            Err(error) => vec![reasons(&error)],
        };
        Ok(Checked { runs, pages })
    }

    async fn check_run(&self, run: RunId) -> CheckedRun {
        let mut checked = CheckedRun {
            run,
            events: 0,
            remarks: 0,
            traffic: 0,
            bad: None,
        };
        let verified = match self.verify(run).await {
            Ok(verified) => verified,
            Err(error) => {
                checked.bad = Some(format!("its record cannot be read: {}", reasons(&error)));
                return checked;
            }
        };
        checked.events = verified.events;
        checked.remarks = verified.remarks.as_ref().map_or(0, |found| found.remarks);
        checked.bad = match (verified.bad, verified.remarks.and_then(|found| found.bad)) {
            (Some(bad), _) => {
                let key = self.key_at(run, bad.seq).await;
                let key = key.map_or(String::new(), |key| format!(" (reading {key})"));
                Some(format!("event {}{key}: {}", bad.seq, bad.why))
            }
            (None, Some((no, why))) => Some(format!("remark {no}: {why}")),
            (None, None) => match self.boots_and_row(run).await {
                Ok(None) => None,
                Ok(Some(why)) => Some(format!("its row: {why}")),
                Err(error) => Some(format!("its row cannot be read: {}", reasons(&error))),
            },
        };
        match self.verify_traffic(run).await {
            Ok((whole, bad)) => {
                checked.traffic = whole;
                checked.bad = checked.bad.or(bad);
            }
            Err(error) => {
                let why = format!("its traffic cannot be read: {}", reasons(&error));
                checked.bad.get_or_insert(why);
            }
        }
        checked
    }

    /// The key of the reading or capture at an event, where it can still be read.
    async fn key_at(&self, run: RunId, seq: u64) -> Option<String> {
        sqlx::query_scalar(
            "SELECT key FROM readings WHERE run = ?1 AND seq = ?2
             UNION ALL SELECT key FROM captures WHERE run = ?1 AND seq = ?2",
        )
        .bind(run.0)
        .bind(i64::try_from(seq).ok()?)
        .fetch_optional(self.readers())
        .await
        .ok()?
    }

    /// What links do not cover: in one sitting the machine was started once, and
    /// the run's row says what its journal says. If not, what differs.
    async fn boots_and_row(&self, run: RunId) -> Result<Option<String>, StoreError> {
        let torn: Option<i64> = sqlx::query_scalar(
            "SELECT sitting FROM events WHERE run = ? GROUP BY sitting
             HAVING count(DISTINCT boot) > 1 LIMIT 1",
        )
        .bind(run.0)
        .fetch_optional(self.readers())
        .await
        .map_err(StoreError::sql("reading the starts of the machine"))?;
        match torn {
            Some(sitting) => Ok(Some(format!(
                "its sitting {sitting} belongs to two starts of the machine"
            ))),
            None => self.row_agrees(run).await,
        }
    }

    /// Whether a run's row says what its journal says; if not, what differs.
    async fn row_agrees(&self, run: RunId) -> Result<Option<String>, StoreError> {
        let row = self.run(run).await?.ok_or(StoreError::NoRun(run))?;
        let (frozen, _) = self.frozen(run).await?.ok_or(StoreError::NoRun(run))?;
        let events = self.events(run, 0, u32::MAX).await?;
        let now = self.run(run).await?.ok_or(StoreError::NoRun(run))?;
        let names = [
            ("unit", &row.unit, &frozen.placement.unit),
            ("lamp", &row.lamp, &frozen.lamp.name),
            ("bench", &row.bench, &frozen.card.name),
            ("plan", &row.plan, &frozen.plan.name),
        ];
        if let Some((what, found, frozen)) = names.iter().find(|(_, a, b)| a != b) {
            return Ok(Some(format!(
                "its {what} is `{found}`, and it froze `{frozen}`"
            )));
        }
        // A run at work goes on between the looks: then its row is what some of
        // the last events made of it, or what it was before the first.
        let at_work = now != row && !events.is_empty();
        let looks = if at_work {
            EVENTS_BETWEEN.min(events.len() + 1)
        } else {
            events.len().min(1)
        };
        let mut told = None;
        for fewer in 0..looks {
            told = row_differs(&row, &events[..events.len() - fewer]);
            if told.is_none() {
                break;
            }
        }
        Ok(told)
    }

    async fn pages(&self) -> Result<Vec<String>, StoreError> {
        let doing = StoreError::sql("checking the pages");
        let rows = sqlx::query(sqlx::AssertSqlSafe(format!(
            "PRAGMA integrity_check({SQLITE_SAYS_AT_MOST})"
        )))
        .fetch_all(self.readers())
        .await
        .map_err(&doing)?;
        let mut said = Vec::new();
        for row in rows {
            let line: String = row.try_get(0).map_err(&doing)?;
            if line != "ok" {
                said.push(line);
            }
        }
        Ok(said)
    }
}

/// What a run's row says other than these events; a run that has not begun waits
/// or is held without an event.
fn row_differs(row: &RunRow, events: &[Event]) -> Option<String> {
    let state = events
        .iter()
        .fold(RunState::Waiting, |state, event| state.after(&event.body));
    let of_meter = events.iter().filter(|event| event.body.is_of_meter());
    let readings = of_meter.count();
    let readings = i64::try_from(readings).unwrap_or(i64::MAX);
    if state != row.state {
        let (found, told) = (row.state.words(), state.words());
        return Some(format!("it says `{found}`, its journal `{told}`"));
    }
    let wall_of = |wanted: fn(&Body) -> bool| {
        let mut events = events.iter();
        events
            .find(|event| wanted(&event.body))
            .map(|event| event.at.wall)
    };
    let begun = wall_of(|body| matches!(body, Body::Begun { .. }));
    let ended = wall_of(|body| matches!(body, Body::Ended { .. }));
    if (row.begun, row.ended) != (begun, ended) {
        return Some("its begin or end is not that of its journal".to_owned());
    }
    let found = row.readings;
    (found != readings).then(|| format!("it says {found} readings, its journal {readings}"))
}
