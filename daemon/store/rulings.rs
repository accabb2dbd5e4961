//! Rulings and the figures of metrics: rounds that stand beside each other,
//! none of them ever edited. The text of each script and of each plan that was
//! sent along is kept once, by its digest.
//!
//! Called by: rulings (writes), web and report through it. Not here: what a
//! script is, or what a word means.

use std::collections::BTreeMap;

use photometry::uncertainty::Estimate;
use photometry::units::{Ratio, Wall};
use serde::{Deserialize, Serialize};
use sqlx::Row;
use sqlx::sqlite::SqliteRow;

use super::error::StoreError;
use super::open::Store;
use crate::plan::intent::PlanLine;
use crate::plan::uses::Purpose;
use crate::run::journal::{Link, RunId};

/// What a script said, as it is kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Ruled {
    /// The criterion's or metric's name in the plan.
    pub name: String,
    /// Which of the two it is.
    pub purpose: Purpose,
    /// The test that it looked at.
    pub test: String,
    /// Where it stands in the plan that ruled; none where that was not kept.
    pub line: Option<PlanLine>,
    /// The script's name.
    pub script: String,
    /// SHA-256 of its text, as hexadecimal digits.
    pub script_digest: String,
    /// Its parameters, defaults too, as text with units.
    pub given: BTreeMap<String, String>,
    /// The ruling's word; none of a metric.
    pub word: Option<String>,
    /// The value ruled on, or the metric's.
    pub value: Option<f64>,
    /// Its unit's symbol.
    pub unit: String,
    /// Its expanded uncertainty U = k u.
    pub expanded: Option<f64>,
    /// The coverage factor k; none without U, and where it was not kept (rounds
    /// from before layout 6).
    pub k: Option<f64>,
    /// The lower limit.
    pub at_least: Option<f64>,
    /// The upper limit.
    pub at_most: Option<f64>,
    /// The decision rule, in words.
    pub rule: String,
    /// What there is to say: why it is undecided, which level it was.
    pub reason: String,
    /// The value with its terms of uncertainty.
    pub estimate: Option<Estimate>,
    /// Ids of the figures that it rests on.
    pub rests_on: Vec<String>,
}

/// A certificate in place of the one that a run froze.
#[derive(Clone, Debug, PartialEq)]
pub struct Certificate {
    /// Its number.
    pub number: String,
    /// What readings are multiplied by to agree with it, over the old one.
    pub gain: f64,
    /// Its standard uncertainty (k = 1), as a share; the old one's, if none.
    pub u: Option<Ratio>,
}

impl Certificate {
    /// In words.
    pub fn words(&self) -> String {
        let u = self.u.map_or(String::new(), |u| format!(", u {u}"));
        format!("{}, gain {}{u}", self.number, self.gain)
    }
}

/// A file of a plan that ruled.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanFile {
    /// Its name, without folders.
    pub name: String,
    /// SHA-256 of its text, as hexadecimal digits.
    pub digest: String,
}

/// The plan whose criteria and metrics ruled: its file, and the one that it is
/// based on.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum RuledBy {
    /// Rounds from before layout 6 do not say.
    #[default]
    NotKept,
    /// The plan that the run froze; a redo's has no file.
    OwnPlan(Vec<PlanFile>),
    /// One that was sent along.
    OtherPlan(Vec<PlanFile>),
}

impl RuledBy {
    /// Its files.
    pub fn files(&self) -> &[PlanFile] {
        match self {
            RuledBy::NotKept => &[],
            RuledBy::OwnPlan(files) | RuledBy::OtherPlan(files) => files,
        }
    }

    const fn word(&self) -> Option<&'static str> {
        match self {
            RuledBy::NotKept => None,
            RuledBy::OwnPlan(_) => Some(OWN_PLAN),
            RuledBy::OtherPlan(_) => Some(OTHER_PLAN),
        }
    }
}

const OWN_PLAN: &str = "own plan";
const OTHER_PLAN: &str = "other plan";

/// Texts that a round rests on, each by its digest.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Texts {
    /// Of scripts.
    pub scripts: BTreeMap<String, String>,
    /// Of a plan that was sent along.
    pub plans: BTreeMap<String, String>,
}

/// What a round rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct Round {
    /// Why it was made: `the run ended`, `asked for`.
    pub cause: String,
    /// The last event that it knew.
    pub last_seq: u64,
    /// The link after that event.
    pub last_link: Link,
    /// The run was not over.
    pub unfinished: bool,
    /// Another certificate than the run's, in words.
    pub certificate: Option<String>,
    /// The same as numbers; none where they were not kept (rounds from before
    /// layout 6).
    pub certified: Option<Certificate>,
    /// Whose criteria ruled.
    pub by: RuledBy,
    /// The version of the program.
    pub program: String,
    /// When.
    pub at: Wall,
    /// The last remark that it knew; 0 for none.
    pub last_remark: u64,
}

/// A stored ruling.
#[derive(Clone, Debug, PartialEq)]
pub struct RulingRow {
    /// Its number.
    pub id: i64,
    /// The run.
    pub run: RunId,
    /// Which round of the run, from 1.
    pub round: i64,
    /// What the round rests on.
    pub of: Round,
    /// What was said.
    pub ruled: Ruled,
}

const SELECT: &str = "SELECT id, run, round, cause, name, purpose, test, script, script_digest, \
     given, word, value, unit, expanded, at_least, at_most, rule, reason, estimate, rests_on, \
     last_seq, last_link, unfinished, certificate, program, ruled_wall_us, last_remark, ruled_by, \
     plan_files, plan_file, plan_line, certificate_number, certificate_gain, certificate_u, \
     coverage_factor FROM rulings ";

impl Store {
    /// Adds a round of a run: all of it or none, with the texts that it rests
    /// on. Gives the round's number.
    ///
    /// # Errors
    /// When the record cannot be written.
    pub async fn add_round(
        &self,
        run: RunId,
        round: &Round,
        ruled: &[Ruled],
        texts: &Texts,
    ) -> Result<i64, StoreError> {
        let doing = StoreError::sql("recording rulings");
        let mut change = self
            .writer()?
            .begin_with("BEGIN IMMEDIATE")
            .await
            .map_err(&doing)?;
        let into = [(KEEP_SCRIPT, &texts.scripts), (KEEP_PLAN, &texts.plans)];
        for (sql, kept) in into {
            for (digest, text) in kept {
                sqlx::query(sql)
                    .bind(digest)
                    .bind(text)
                    .execute(&mut *change)
                    .await
                    .map_err(&doing)?;
            }
        }
        let sql = "SELECT coalesce(max(round), 0) + 1 FROM rulings WHERE run = ?";
        let number: i64 = sqlx::query_scalar(sql)
            .bind(run.0)
            .fetch_one(&mut *change)
            .await
            .map_err(&doing)?;
        for one in ruled {
            insert(&mut change, run, number, round, one).await?;
        }
        change.commit().await.map_err(&doing)?;
        Ok(number)
    }

    /// All rulings of a run, oldest round first.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn rulings(&self, run: RunId) -> Result<Vec<RulingRow>, StoreError> {
        let sql = format!("{SELECT} WHERE run = ? ORDER BY id");
        let rows = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(run.0)
            .fetch_all(self.readers())
            .await
            .map_err(StoreError::sql("reading rulings"))?;
        rows.iter().map(ruling_of).collect()
    }

    /// The text of a script by its digest.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn script(&self, digest: &str) -> Result<Option<String>, StoreError> {
        sqlx::query_scalar("SELECT text FROM scripts WHERE digest = ?")
            .bind(digest)
            .fetch_optional(self.readers())
            .await
            .map_err(StoreError::sql("reading a script"))
    }

    /// The text of a plan that was sent along to rule by, by its digest.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn plan_text(&self, digest: &str) -> Result<Option<String>, StoreError> {
        sqlx::query_scalar("SELECT text FROM plans WHERE digest = ?")
            .bind(digest)
            .fetch_optional(self.readers())
            .await
            .map_err(StoreError::sql("reading a plan's text"))
    }

    /// Runs that are over and were never ruled on as a whole, though their plan
    /// has criteria or metrics.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn runs_without_rulings(&self) -> Result<Vec<RunId>, StoreError> {
        let sql = "SELECT id FROM runs WHERE state IN ('complete', 'complete with gaps', 'stopped', \
                   'failed') AND begun_wall_us IS NOT NULL \
                   AND CASE WHEN EXISTS (SELECT 1 FROM rulings WHERE run = runs.id AND unfinished = 0) \
                   THEN 0 ELSE coalesce((SELECT json_array_length(bundle, '$.plan.uses') \
                   FROM bundles WHERE run = runs.id), 0) END > 0 \
                   ORDER BY id";
        let runs: Vec<i64> = sqlx::query_scalar(sql)
            .fetch_all(self.readers())
            .await
            .map_err(StoreError::sql("looking for runs to rule on"))?;
        Ok(runs.into_iter().map(RunId).collect())
    }
}

const KEEP_SCRIPT: &str = "INSERT INTO scripts (digest, text) VALUES (?, ?) ON CONFLICT DO NOTHING";
const KEEP_PLAN: &str = "INSERT INTO plans (digest, text) VALUES (?, ?) ON CONFLICT DO NOTHING";

const INSERT: &str = "INSERT INTO rulings (run, round, cause, name, purpose, test, script, \
     script_digest, given, word, value, unit, expanded, at_least, at_most, rule, reason, estimate, \
     rests_on, last_seq, last_link, unfinished, certificate, program, ruled_wall_us, last_remark, \
     ruled_by, plan_files, plan_file, plan_line, certificate_number, certificate_gain, \
     certificate_u, coverage_factor) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, \
     ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)";

async fn insert(
    change: &mut sqlx::SqliteConnection,
    run: RunId,
    number: i64,
    round: &Round,
    one: &Ruled,
) -> Result<(), StoreError> {
    let json = StoreError::json("a ruling");
    let estimate = one.estimate.as_ref().map(serde_json::to_string);
    let files = round
        .by
        .word()
        .map(|_| serde_json::to_string(round.by.files()));
    let (line, other) = (one.line.as_ref(), round.certified.as_ref());
    sqlx::query(INSERT)
        .bind(run.0)
        .bind(number)
        .bind(&round.cause)
        .bind(&one.name)
        .bind(word_of(one.purpose))
        .bind(&one.test)
        .bind(&one.script)
        .bind(&one.script_digest)
        .bind(serde_json::to_string(&one.given).map_err(&json)?)
        .bind(&one.word)
        .bind(one.value)
        .bind(&one.unit)
        .bind(one.expanded)
        .bind(one.at_least)
        .bind(one.at_most)
        .bind(&one.rule)
        .bind(&one.reason)
        .bind(estimate.transpose().map_err(&json)?)
        .bind(serde_json::to_string(&one.rests_on).map_err(&json)?)
        .bind(i64::try_from(round.last_seq).unwrap_or(i64::MAX))
        .bind(round.last_link.0.as_slice())
        .bind(round.unfinished)
        .bind(&round.certificate)
        .bind(&round.program)
        .bind(round.at.us())
        .bind(i64::try_from(round.last_remark).unwrap_or(i64::MAX))
        .bind(round.by.word())
        .bind(files.transpose().map_err(&json)?)
        .bind(line.map(|line| &line.file))
        .bind(line.map(|line| line.line))
        .bind(other.map(|other| &other.number))
        .bind(other.map(|other| other.gain))
        .bind(other.and_then(|other| other.u).map(Ratio::share))
        .bind(one.k)
        .execute(change)
        .await
        .map_err(StoreError::sql("recording a ruling"))?;
    Ok(())
}

const fn word_of(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::Criterion => "criterion",
        Purpose::Metric => "metric",
    }
}

/// Whose criteria ruled.
fn ruled_by(row: &SqliteRow) -> Result<RuledBy, StoreError> {
    let doing = StoreError::sql("reading a ruling");
    let word: Option<String> = row.try_get(27).map_err(&doing)?;
    let Some(word) = word else {
        return Ok(RuledBy::NotKept);
    };
    let files: Option<String> = row.try_get(28).map_err(&doing)?;
    let files = files.map(|text| serde_json::from_str::<Vec<PlanFile>>(&text));
    let files = files
        .transpose()
        .map_err(StoreError::json("a plan's files"))?;
    let files = files.unwrap_or_default();
    match word.as_str() {
        OWN_PLAN => Ok(RuledBy::OwnPlan(files)),
        OTHER_PLAN => Ok(RuledBy::OtherPlan(files)),
        _ => Err(StoreError::BadRow {
            what: "a ruling's plan",
            found: word,
        }),
    }
}

/// Another certificate as numbers.
fn certified(row: &SqliteRow) -> Result<Option<Certificate>, StoreError> {
    let doing = StoreError::sql("reading a ruling");
    let number: Option<String> = row.try_get(31).map_err(&doing)?;
    let gain: Option<f64> = row.try_get(32).map_err(&doing)?;
    let u: Option<f64> = row.try_get(33).map_err(&doing)?;
    Ok(number.zip(gain).map(|(number, gain)| Certificate {
        number,
        gain,
        u: u.map(Ratio::new),
    }))
}

/// Where a criterion stands.
fn line_of(row: &SqliteRow) -> Result<Option<PlanLine>, StoreError> {
    let doing = StoreError::sql("reading a ruling");
    let file: Option<String> = row.try_get(29).map_err(&doing)?;
    let line: Option<u32> = row.try_get(30).map_err(&doing)?;
    Ok(file.zip(line).map(|(file, line)| PlanLine { file, line }))
}

fn ruling_of(row: &SqliteRow) -> Result<RulingRow, StoreError> {
    let doing = StoreError::sql("reading a ruling");
    let json = StoreError::json("a stored ruling");
    let words = |at: usize| row.try_get::<String, _>(at).map_err(&doing);
    let maybe = |at: usize| row.try_get::<Option<f64>, _>(at).map_err(&doing);
    let purpose = match words(5)?.as_str() {
        "criterion" => Purpose::Criterion,
        _ => Purpose::Metric,
    };
    let link: Vec<u8> = row.try_get(21).map_err(&doing)?;
    let estimate: Option<String> = row.try_get(18).map_err(&doing)?;
    let estimate = estimate.map(|text| serde_json::from_str(&text));
    Ok(RulingRow {
        id: row.try_get(0).map_err(&doing)?,
        run: RunId(row.try_get(1).map_err(&doing)?),
        round: row.try_get(2).map_err(&doing)?,
        of: Round {
            cause: words(3)?,
            last_seq: row.try_get::<i64, _>(20).map_err(&doing)?.unsigned_abs(),
            last_link: Link(link.try_into().unwrap_or_default()),
            unfinished: row.try_get(22).map_err(&doing)?,
            certificate: row.try_get(23).map_err(&doing)?,
            certified: certified(row)?,
            by: ruled_by(row)?,
            program: words(24)?,
            at: Wall::from_us(row.try_get(25).map_err(&doing)?),
            last_remark: row.try_get::<i64, _>(26).map_err(&doing)?.unsigned_abs(),
        },
        ruled: Ruled {
            name: words(4)?,
            purpose,
            test: words(6)?,
            line: line_of(row)?,
            script: words(7)?,
            script_digest: words(8)?,
            given: serde_json::from_str(&words(9)?).map_err(&json)?,
            word: row.try_get(10).map_err(&doing)?,
            value: maybe(11)?,
            unit: words(12)?,
            expanded: maybe(13)?,
            k: maybe(34)?,
            at_least: maybe(14)?,
            at_most: maybe(15)?,
            rule: words(16)?,
            reason: words(17)?,
            estimate: estimate.transpose().map_err(&json)?,
            rests_on: serde_json::from_str(&words(19)?).map_err(&json)?,
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::samples::survey;
    use crate::plan::uses::Use;
    use crate::store::samples::frozen;

    fn ruled(name: &str, word: Option<&str>) -> Ruled {
        Ruled {
            name: name.to_owned(),
            purpose: word.map_or(Purpose::Metric, |_| Purpose::Criterion),
            test: "levels".to_owned(),
            line: Some(PlanLine {
                file: "plan.yaml".to_owned(),
                line: 12,
            }),
            script: "reaches-target".to_owned(),
            script_digest: "a".repeat(64),
            given: BTreeMap::from([("target".to_owned(), "250 lx".to_owned())]),
            word: word.map(str::to_owned),
            value: Some(251.5),
            unit: "lx".to_owned(),
            expanded: Some(8.0),
            k: Some(2.43),
            at_least: Some(250.0),
            at_most: None,
            rule: "guarded".to_owned(),
            reason: "L07".to_owned(),
            estimate: Some(Estimate::exact(251.5).with("certificate", 4.0, None)),
            rests_on: vec!["1.levels.L07@24in".to_owned()],
        }
    }

    fn one_use() -> Use {
        Use {
            name: "bright".to_owned(),
            line: PlanLine::default(),
            purpose: Purpose::Criterion,
            script: "reaches-target".to_owned(),
            given: BTreeMap::new(),
            test: None,
        }
    }

    fn round(cause: &str) -> Round {
        Round {
            cause: cause.to_owned(),
            last_seq: 7,
            last_link: Link([3; 32]),
            unfinished: false,
            certificate: Some("K-2, gain 1.1, u 3 %".to_owned()),
            certified: Some(Certificate {
                number: "K-2".to_owned(),
                gain: 1.1,
                u: Some(Ratio::new(0.03)),
            }),
            by: RuledBy::OtherPlan(vec![PlanFile {
                name: "strict.yaml".to_owned(),
                digest: "b".repeat(64),
            }]),
            program: "0.1.0".to_owned(),
            at: Wall::from_us(1_772_395_200_000_000),
            last_remark: 2,
        }
    }

    #[tokio::test]
    async fn a_run_ruled_on_before_its_end_is_ruled_on_again() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = Store::open(&folder.path().join("record.db"))
            .await
            .expect("opened");
        let mut bundle = frozen(3, survey(&[6, 12]));
        // One without criteria, of which nothing can be said.
        let bare = store.book_run(None, &bundle, None, Wall::from_us(1)).await;
        bundle.plan.uses = vec![one_use()];
        let run = store.book_run(None, &bundle, None, Wall::from_us(1)).await;
        let (bare, run) = (bare.expect("booked"), run.expect("booked"));
        let without = || async { store.runs_without_rulings().await.expect("runs") };
        assert!(without().await.is_empty(), "it is not over");
        sqlx::query("UPDATE runs SET state = 'complete', begun_wall_us = 1")
            .execute(store.writer().expect("a writer"))
            .await
            .expect("updated");
        let scripts = Texts {
            scripts: BTreeMap::from([("a".repeat(64), String::new())]),
            ..Texts::default()
        };
        let early = Round {
            unfinished: true,
            ..round("asked for")
        };
        let ruled = [ruled("bright", Some("undecided"))];
        store
            .add_round(run, &early, &ruled, &scripts)
            .await
            .expect("a round");
        assert_eq!(without().await, [run], "and not {bare}");
        store
            .add_round(run, &round("the run ended"), &ruled, &scripts)
            .await
            .expect("a round");
        assert!(without().await.is_empty());
    }

    #[tokio::test]
    async fn rounds_stand_beside_each_other_and_are_never_edited() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = Store::open(&folder.path().join("record.db"))
            .await
            .expect("opened");
        let at = Wall::from_us(1);
        let run = store
            .book_run(None, &frozen(3, survey(&[6, 12])), None, at)
            .await
            .expect("booked");
        let scripts = Texts {
            scripts: BTreeMap::from([("a".repeat(64), "fn criterion(run, given) {}".to_owned())]),
            plans: BTreeMap::from([("b".repeat(64), "plan: strict\n".to_owned())]),
        };
        let first = [
            ruled("bright", Some("conditional pass")),
            ruled("directed", None),
        ];
        let second = [ruled("bright", Some("fail"))];
        for (number, (cause, all)) in [("the run ended", &first[..]), ("asked for", &second[..])]
            .into_iter()
            .enumerate()
        {
            let made = store.add_round(run, &round(cause), all, &scripts).await;
            assert_eq!(made.expect("a round"), number as i64 + 1);
        }
        let rows = store.rulings(run).await.expect("rulings");
        let kept: Vec<Ruled> = rows.iter().map(|row| row.ruled.clone()).collect();
        assert_eq!(kept, [&first[..], &second[..]].concat());
        assert_eq!(rows[2].of, round("asked for"));
        assert_eq!(
            rows.iter().map(|row| row.round).collect::<Vec<_>>(),
            [1, 1, 2]
        );
        let text = store.script(&"a".repeat(64)).await.expect("read");
        assert_eq!(text.as_deref(), Some("fn criterion(run, given) {}"));
        let text = store.plan_text(&"b".repeat(64)).await.expect("read");
        assert_eq!(text.as_deref(), Some("plan: strict\n"));
        let before = store.rulings(run).await.expect("rulings");
        for sql in [
            "UPDATE rulings SET word = 'pass'",
            "DELETE FROM rulings",
            "UPDATE scripts SET text = ''",
            "DELETE FROM scripts",
            "UPDATE plans SET text = ''",
            "DELETE FROM plans",
            "INSERT OR REPLACE INTO rulings SELECT * FROM rulings WHERE id = 1",
        ] {
            let done = sqlx::query(sql)
                .execute(store.writer().expect("a writer"))
                .await;
            assert!(done.is_err(), "{sql}");
        }
        assert_eq!(store.rulings(run).await.expect("rulings"), before);
        // A word that is none of the five is no ruling.
        let odd = [ruled("bright", Some("good"))];
        let refused = store.add_round(run, &round("x"), &odd, &scripts).await;
        assert!(refused.is_err(), "{refused:?}");
        assert_eq!(store.rulings(run).await.expect("rulings"), before);
    }
}
