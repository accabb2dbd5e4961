//! Remarks: written once, in a chain of their own, beside a journal that goes
//! on, and what becomes of a reading that is set aside.

use photometry::measured::Outcome;

use super::counts::Standing;
use super::error::StoreError;
use super::open::Store;
use super::readings::ReadingRow;
use super::remarks::{About, Remark, RemarkKind};
use super::samples::{Story, frozen};
use crate::plan::itinerary::{Key, Purpose};
use crate::plan::samples;
use crate::run::journal::RunId;

fn lit(_: &Key, at: i64) -> Outcome {
    Outcome::Value(100.0 + at as f64)
}

/// A run in the middle of its first leg: it measures on while people talk.
async fn measuring() -> (tempfile::TempDir, Store, RunId) {
    let folder = tempfile::tempdir().expect("a folder");
    let store = Store::open(&folder.path().join("record.db"))
        .await
        .expect("opened");
    let mut story = Story::begin(frozen(2, samples::survey(&[6, 12])));
    story.act(0..story.actions() / 2, lit);
    let run = story.write(&store).await;
    (folder, store, run)
}

fn remark(kind: RemarkKind, rows: &[&ReadingRow]) -> Remark {
    let about = rows.iter().map(|row| About {
        seq: row.seq,
        key: row.key.to_string(),
        attempt: row.attempt,
    });
    Remark {
        no: 0,
        kind,
        text: "the door was open".to_owned(),
        readings: about.collect(),
        who: "ada".to_owned(),
        wall_us: 1_772_400_000_000_000,
    }
}

#[tokio::test]
async fn a_reading_set_aside_stays_and_no_longer_counts() {
    let (_folder, store, run) = measuring().await;
    let rows = store.readings(run).await.expect("readings");
    let first = rows
        .iter()
        .find(|r| r.counts && r.key.purpose == Purpose::Read);
    let first = first.expect("one that counts");
    let note = store.add_remark(run, remark(RemarkKind::Note, &[])).await;
    assert_eq!(note.expect("noted").no, 1);
    let aside = remark(RemarkKind::SetAside, &[first]);
    let aside = store.add_remark(run, aside).await.expect("set aside");
    assert_eq!(aside.no, 2);
    let after = store.readings(run).await.expect("readings");
    assert_eq!(after.len(), rows.len(), "nothing is deleted");
    let same = after.iter().find(|r| r.seq == first.seq).expect("there");
    assert_eq!(same.reading, first.reading, "nothing is edited");
    assert_eq!((same.counts, same.standing), (false, Standing::SetAside));
    assert!(same.is_result());
    let others = |rows: &[ReadingRow]| rows.iter().filter(|r| r.counts).count();
    assert_eq!(others(&after), others(&rows) - 1);
    assert_eq!(store.remarks(run).await.expect("remarks")[1], aside);
    let verified = store.verify(run).await.expect("verified");
    assert!(verified.is_whole(), "{verified:?}");
    assert_eq!(verified.remarks.expect("followed").remarks, 2);
}

#[tokio::test]
async fn a_run_that_has_not_begun_takes_no_remarks() {
    let (_folder, store, _) = measuring().await;
    let frozen = frozen(2, samples::survey(&[6]));
    let at = photometry::units::Wall::from_us(0);
    let run = store.book_run(None, &frozen, None, at).await;
    let run = run.expect("booked");
    let refused = store.add_remark(run, remark(RemarkKind::Note, &[])).await;
    assert!(matches!(refused, Err(StoreError::NotBegun(r)) if r == run));
    let unknown = RunId(99);
    let refused = store
        .add_remark(unknown, remark(RemarkKind::Note, &[]))
        .await;
    assert!(matches!(refused, Err(StoreError::NoRun(r)) if r == unknown));
}

/// Whoever has the file can change it, but neither by slip nor unseen.
#[tokio::test]
async fn remarks_are_never_edited_and_every_edit_is_found() {
    let (_folder, store, run) = measuring().await;
    for _ in 0..3 {
        let note = remark(RemarkKind::Note, &[]);
        store.add_remark(run, note).await.expect("noted");
    }
    let writer = store.writer().expect("a writer");
    let by_hand = async |sql: &'static str| sqlx::query(sql).execute(writer).await;
    for sql in [
        "UPDATE remarks SET line = replace(line, 'open', 'shut')",
        "DELETE FROM remarks",
        "INSERT OR REPLACE INTO remarks (run, no, line, link) SELECT run, no, line, link FROM remarks",
        "INSERT INTO remarks (run, no, line, link) SELECT run, 9, line, link FROM remarks LIMIT 1",
    ] {
        let refused = by_hand(sql).await.expect_err("refused").to_string();
        assert!(refused.contains("remarks: "), "{sql}: {refused}");
    }
    for sql in [
        "DROP TRIGGER remarks_no_update",
        "DROP TRIGGER remarks_no_delete",
    ] {
        by_hand(sql).await.expect("dropped");
    }
    let cases = [
        (
            "UPDATE remarks SET line = replace(line, 'ada', 'bob') WHERE no = 2",
            2,
        ),
        ("UPDATE remarks SET link = zeroblob(32) WHERE no = 1", 1),
        ("DELETE FROM remarks WHERE no = 1", 1),
    ];
    for (sql, bad) in cases {
        by_hand(sql).await.expect("changed");
        let verified = store.verify(run).await.expect("verified");
        assert!(!verified.is_whole());
        let found = verified.remarks.expect("followed").bad;
        assert_eq!(found.map(|(no, _)| no), Some(bad), "{sql}");
        assert_eq!(verified.bad, None, "the journal is untouched");
    }
}

/// The last word on a reading holds: set aside, taken back, set aside again.
/// Nothing of it is lost, and the views say the same as the store.
#[tokio::test]
async fn what_is_taken_back_counts_again_and_every_word_stays() {
    let (_folder, store, run) = measuring().await;
    let before = store.readings(run).await.expect("readings");
    let is_result = |row: &&ReadingRow| row.counts && row.key.purpose == Purpose::Read;
    let two: Vec<&ReadingRow> = before.iter().filter(is_result).take(2).collect();
    let turns = [
        (RemarkKind::SetAside, &two[..], [false, false]),
        (RemarkKind::TakenBack, &two[..1], [true, false]),
        (RemarkKind::SetAside, &two[..1], [false, false]),
        (RemarkKind::TakenBack, &two[..], [true, true]),
    ];
    for (turn, (kind, rows, counting)) in turns.into_iter().enumerate() {
        let added = store.add_remark(run, remark(kind, rows)).await;
        assert_eq!(added.expect("recorded").no, turn as u64 + 1);
        let after = store.readings(run).await.expect("readings");
        let of = |seq: u64| after.iter().find(|row| row.seq == seq).expect("there");
        assert_eq!([of(two[0].seq).counts, of(two[1].seq).counts], counting);
        let sql = "SELECT count(*) FROM illuminance_readings WHERE status = 'set aside'";
        let seen: i64 = sqlx::query_scalar(sql)
            .fetch_one(store.readers())
            .await
            .expect("a view");
        let aside = counting.iter().filter(|counts| !**counts).count();
        assert_eq!(seen, aside as i64, "turn {turn}");
    }
    let after = store.readings(run).await.expect("readings");
    let again = after.iter().filter(|row| row.taken_back.is_some()).count();
    assert_eq!(again, 2);
    let plain = after.into_iter().map(|row| ReadingRow {
        taken_back: None,
        ..row
    });
    assert_eq!(plain.collect::<Vec<_>>(), before, "as if nothing was said");
    let verified = store.verify(run).await.expect("verified");
    assert!(verified.is_whole(), "{verified:?}");
    assert_eq!(verified.remarks.expect("followed").remarks, 4);
}

/// Two remarks that changed places, each whole by itself, one made a note,
/// one taken out of the middle: each is found and named.
#[tokio::test]
async fn swapped_and_removed_remarks_are_named() {
    let swap = "UPDATE remarks SET no = CASE no WHEN 2 THEN 99 WHEN 3 THEN 2 END \
                WHERE no IN (2, 3); UPDATE remarks SET no = 3 WHERE no = 99";
    let contents = "CREATE TEMP TABLE kept AS SELECT no, line, link FROM remarks; \
                    UPDATE remarks SET line = (SELECT line FROM kept WHERE kept.no = 5 - remarks.no), \
                    link = (SELECT link FROM kept WHERE kept.no = 5 - remarks.no) WHERE no IN (2, 3)";
    let lines = "CREATE TEMP TABLE kept AS SELECT no, line FROM remarks; \
                 UPDATE remarks SET line = (SELECT line FROM kept WHERE kept.no = 5 - remarks.no) \
                 WHERE no IN (2, 3)";
    let cases = [
        (contents, 2, "its line does not fit its link"),
        (lines, 2, "its line does not fit its link"),
        (
            "DELETE FROM remarks WHERE no = 2",
            2,
            "it is missing, or another stands in its place",
        ),
        (
            "UPDATE remarks SET line = replace(line, 'set aside', 'note')",
            2,
            "its line does not fit its link",
        ),
        (swap, 2, "its line does not fit its link"),
    ];
    for (sql, bad, why) in cases {
        let (_folder, store, run) = measuring().await;
        let rows = store.readings(run).await.expect("readings");
        let is_result = |row: &&ReadingRow| row.counts && row.key.purpose == Purpose::Read;
        let first = rows.iter().find(is_result).expect("one that counts");
        for (kind, who) in [
            (RemarkKind::Note, "ada"),
            (RemarkKind::SetAside, "bob"),
            (RemarkKind::TakenBack, "cleo"),
            (RemarkKind::Note, "dora"),
        ] {
            let about: &[&ReadingRow] = if kind.alters_figures() { &[first] } else { &[] };
            let mut said = remark(kind, about);
            said.who = who.to_owned();
            store.add_remark(run, said).await.expect("recorded");
        }
        // One connection: a temporary table is its own.
        let mut writer = store
            .writer()
            .expect("a writer")
            .acquire()
            .await
            .expect("it");
        for trigger in ["remarks_no_update", "remarks_no_delete"] {
            let drop = format!("DROP TRIGGER {trigger}");
            let dropped = sqlx::raw_sql(sqlx::AssertSqlSafe(drop)).execute(&mut *writer);
            dropped.await.expect("dropped");
        }
        let changed = sqlx::raw_sql(sql).execute(&mut *writer).await;
        changed.expect("changed");
        drop(writer);
        let verified = store.verify(run).await.expect("verified");
        assert!(!verified.is_whole(), "{sql}");
        assert_eq!(verified.bad, None, "the journal is untouched: {sql}");
        let found = verified.remarks.expect("followed").bad;
        assert_eq!(found, Some((bad, why.to_owned())), "{sql}");
    }
}

/// What a person with a database client sees.
#[tokio::test]
async fn the_views_tell_what_was_set_aside() {
    let (_folder, store, run) = measuring().await;
    let rows = store.readings(run).await.expect("readings");
    let first = rows
        .iter()
        .find(|r| r.counts && r.key.purpose == Purpose::Read);
    let first = first.expect("one that counts");
    let aside = remark(RemarkKind::SetAside, &[first]);
    store.add_remark(run, aside).await.expect("set aside");
    let sql = "SELECT seq, status, reason, illuminance_lx FROM illuminance_readings \
               WHERE status <> 'value'";
    let seen: Vec<(i64, String, String, f64)> = sqlx::query_as(sql)
        .fetch_all(store.readers())
        .await
        .expect("a view");
    let value = first.reading.outcome.value().expect("a value");
    let expected = (first.seq as i64, "set aside", "the door was open", value);
    let seen = seen.iter().map(|(s, w, r, v)| (*s, &**w, &**r, *v));
    assert_eq!(seen.collect::<Vec<_>>(), [expected]);
    let sql = "SELECT kind || ' ' || who || ' ' || said_utc FROM remark_list";
    let told: String = sqlx::query_scalar(sql)
        .fetch_one(store.readers())
        .await
        .expect("a view");
    assert_eq!(told, "set aside ada 2026-03-01T21:20:00.000000Z");
}
