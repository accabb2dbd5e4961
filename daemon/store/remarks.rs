//! Remarks: what a person says of a run, notes and readings set aside.
//!
//! They are not events: the attendant alone writes a run's journal, also while
//! a person types. So they have a chain of their own, link = SHA-256(previous
//! link, canonical JSON line), whose first link covers the run's bundle link. A
//! run that has not begun takes none: its bundle may still be frozen anew.

use std::collections::{BTreeSet, HashMap};

use photometry::units::Wall;
use serde::{Deserialize, Serialize};
use sqlx::Row;

use super::error::StoreError;
use super::journal::link_of;
use super::open::Store;
use crate::run::journal::{Link, RunId};

/// Remarks on one run; more come from a program that repeats itself.
pub const REMARKS_AT_MOST: u64 = 10_000;

/// What kind of remark.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum RemarkKind {
    /// Words.
    #[serde(rename = "note")]
    Note,
    /// Readings that no longer enter a mean, and why.
    #[serde(rename = "set aside")]
    SetAside,
    /// Readings that were set aside count again, and why.
    #[serde(rename = "taken back")]
    TakenBack,
}

impl RemarkKind {
    /// As it is stored.
    pub const fn words(self) -> &'static str {
        match self {
            RemarkKind::Note => "note",
            RemarkKind::SetAside => "set aside",
            RemarkKind::TakenBack => "taken back",
        }
    }

    /// Figures may be others after it.
    pub const fn alters_figures(self) -> bool {
        match self {
            RemarkKind::Note => false,
            RemarkKind::SetAside | RemarkKind::TakenBack => true,
        }
    }
}

/// A reading that a remark is about.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct About {
    /// The number of its event.
    pub seq: u64,
    /// Its key.
    pub key: String,
    /// Which attempt at its action.
    pub attempt: u32,
}

/// One remark. The order of the fields is that of the canonical line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Remark {
    /// Counts the run's remarks, from 1.
    pub no: u64,
    /// What it is.
    pub kind: RemarkKind,
    /// The note, or why the readings are set aside or taken back.
    pub text: String,
    /// The readings; none for a note.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub readings: Vec<About>,
    /// Who said it.
    pub who: String,
    /// When, microseconds since 1970.
    pub wall_us: i64,
}

impl Remark {
    /// When.
    pub const fn at(&self) -> Wall {
        Wall::from_us(self.wall_us)
    }

    fn line(&self) -> Result<String, StoreError> {
        serde_json::to_string(self).map_err(StoreError::json("a remark"))
    }
}

/// What following the remarks' links found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VerifiedRemarks {
    /// Remarks that are as they were written.
    pub remarks: u64,
    /// The first that is not: its number, and what is wrong with it.
    pub bad: Option<(u64, String)>,
}

impl Store {
    /// Adds a remark; its number is given here.
    ///
    /// # Errors
    /// When there is no such run, it has not begun, it has too many remarks, or
    /// the record cannot be written.
    pub async fn add_remark(&self, run: RunId, mut remark: Remark) -> Result<Remark, StoreError> {
        let doing = StoreError::sql("recording a remark");
        let mut change = self
            .writer()?
            .begin_with("BEGIN IMMEDIATE")
            .await
            .map_err(&doing)?;
        let sql = "SELECT bundle_link, EXISTS (SELECT 1 FROM events WHERE run = runs.id) \
                   FROM runs WHERE id = ?";
        let row = sqlx::query(sql)
            .bind(run.0)
            .fetch_optional(&mut *change)
            .await
            .map_err(&doing)?
            .ok_or(StoreError::NoRun(run))?;
        if !row.try_get::<bool, _>(1).map_err(&doing)? {
            return Err(StoreError::NotBegun(run));
        }
        let sql = "SELECT no, link FROM remarks WHERE run = ? ORDER BY no DESC LIMIT 1";
        let last = sqlx::query(sql)
            .bind(run.0)
            .fetch_optional(&mut *change)
            .await
            .map_err(&doing)?;
        let (no, before) = match &last {
            Some(last) => (
                last.try_get::<i64, _>(0).map_err(&doing)?.unsigned_abs(),
                last.try_get::<Vec<u8>, _>(1).map_err(&doing)?,
            ),
            None => (0, row.try_get::<Vec<u8>, _>(0).map_err(&doing)?),
        };
        if no >= REMARKS_AT_MOST {
            return Err(StoreError::TooManyRemarks(run));
        }
        remark.no = no + 1;
        let line = remark.line()?;
        let link = link_of(&before)?.next(&line);
        sqlx::query("INSERT INTO remarks (run, no, line, link) VALUES (?, ?, ?, ?)")
            .bind(run.0)
            .bind(remark.no as i64) // at most REMARKS_AT_MOST
            .bind(line)
            .bind(link.0.as_slice())
            .execute(&mut *change)
            .await
            .map_err(&doing)?;
        change.commit().await.map_err(&doing)?;
        Ok(remark)
    }

    /// The remarks on a run, in order.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn remarks(&self, run: RunId) -> Result<Vec<Remark>, StoreError> {
        let lines: Vec<String> =
            sqlx::query_scalar("SELECT line FROM remarks WHERE run = ? ORDER BY no")
                .bind(run.0)
                .fetch_all(self.readers())
                .await
                .map_err(StoreError::sql("reading remarks"))?;
        let read = |line: &String| serde_json::from_str(line);
        let remarks: Result<_, _> = lines.iter().map(read).collect();
        remarks.map_err(StoreError::json("a remark"))
    }

    /// Follows the links of a run's remarks from its bundle's link.
    pub(super) async fn verify_remarks(
        &self,
        run: RunId,
        bundle: Link,
    ) -> Result<VerifiedRemarks, StoreError> {
        let doing = StoreError::sql("verifying remarks");
        let rows = sqlx::query("SELECT no, line, link FROM remarks WHERE run = ? ORDER BY no")
            .bind(run.0)
            .fetch_all(self.readers())
            .await
            .map_err(&doing)?;
        let (mut verified, mut before) = (0, bundle);
        for row in &rows {
            let no = verified + 1;
            let line: String = row.try_get(1).map_err(&doing)?;
            let link = before.next(&line);
            let remark = serde_json::from_str::<Remark>(&line);
            let why = if row.try_get::<i64, _>(0).map_err(&doing)? != no as i64 {
                "it is missing, or another stands in its place"
            } else if row.try_get::<Vec<u8>, _>(2).map_err(&doing)? != link.0 {
                "its line does not fit its link"
            } else if !remark.is_ok_and(|remark| remark.no == no) {
                "its line makes no sense"
            } else {
                (verified, before) = (no, link);
                continue;
            };
            let bad = Some((no, why.to_owned()));
            return Ok(VerifiedRemarks {
                remarks: verified,
                bad,
            });
        }
        Ok(VerifiedRemarks {
            remarks: verified,
            bad: None,
        })
    }
}

/// Why each reading that is set aside is, by its event's number. The last word
/// on a reading holds: what was taken back is not set aside.
pub fn set_aside(remarks: &[Remark]) -> HashMap<u64, String> {
    last_words(remarks, RemarkKind::SetAside)
}

/// Whether other readings are set aside now than were after the remark of this
/// number: what was ruled then is outdated. A set-aside that was taken back
/// since changed nothing.
pub fn altered_since(remarks: &[Remark], no: u64) -> bool {
    let known = remarks.partition_point(|remark| remark.no <= no);
    let aside = |remarks: &[Remark]| set_aside(remarks).into_keys().collect::<BTreeSet<u64>>();
    aside(&remarks[..known]) != aside(remarks)
}

/// Why each reading counts again after it was set aside, by its event's number.
pub fn taken_back(remarks: &[Remark]) -> HashMap<u64, String> {
    last_words(remarks, RemarkKind::TakenBack)
}

/// The readings on which the last word is of this kind, and its text; a note is
/// no word on a reading.
fn last_words(remarks: &[Remark], kind: RemarkKind) -> HashMap<u64, String> {
    let mut words = HashMap::new();
    for remark in remarks.iter().filter(|remark| remark.kind.alters_figures()) {
        for about in &remark.readings {
            match remark.kind == kind {
                true => words.insert(about.seq, remark.text.clone()),
                false => words.remove(&about.seq),
            };
        }
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    fn remark(no: u64, kind: RemarkKind, seqs: &[u64]) -> Remark {
        let about = |seq: &u64| About {
            seq: *seq,
            key: format!("levels/L1/24in/read/{seq}"),
            attempt: 1,
        };
        Remark {
            no,
            kind,
            text: format!("remark {no}"),
            readings: seqs.iter().map(about).collect(),
            who: "ada".to_owned(),
            wall_us: 0,
        }
    }

    /// What counts is which readings are set aside, not how often or why.
    #[test]
    fn a_set_aside_that_was_taken_back_alters_nothing() {
        use RemarkKind::{Note, SetAside, TakenBack};
        let remarks = [
            remark(1, SetAside, &[7, 8]),
            remark(2, Note, &[]),
            remark(3, TakenBack, &[8]),
            remark(4, TakenBack, &[7]),
            remark(5, SetAside, &[7]),
            remark(6, SetAside, &[8]),
        ];
        let altered = |until: usize, no| altered_since(&remarks[..until], no);
        // Ruled before all of them: altered only while something is aside.
        let since_0: Vec<bool> = (0..=6).map(|until| altered(until, 0)).collect();
        assert_eq!(since_0, [false, true, true, true, false, true, true]);
        // Ruled when 7 and 8 were aside: altered until both are again.
        let since_2: Vec<bool> = (2..=6).map(|until| altered(until, 2)).collect();
        assert_eq!(since_2, [false, true, true, true, false]);
        // A number above the last is that of a round that knew all.
        assert!(!altered(6, 9));
    }
}
