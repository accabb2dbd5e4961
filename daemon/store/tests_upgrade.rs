//! Records that earlier layouts filled, opened by today's program: nothing is
//! lost, nothing looks other than it was.

use std::borrow::Cow;
use std::path::Path;

use photometry::measured::Outcome;
use sqlx::migrate::{Migration, MigrationType, Migrator};
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection, SqliteConnection};

use super::counts::Standing;
use super::open::{Store, newest_layout};
use super::readings::ReadingRow;
use super::remarks::{About, Remark, RemarkKind};
use super::rulings::RuledBy;
use super::samples::{Story, frozen};
use crate::plan::itinerary::{Key, Purpose};
use crate::plan::samples;
use crate::run::journal::{Body, End, Link, RunId};

/// The layouts as they were released: (number, name, text).
const LAYOUTS: [(i64, &str, &str); 5] = [
    (
        1,
        "create journal",
        include_str!("../../migrations/0001_create_journal.sql"),
    ),
    (
        2,
        "create views",
        include_str!("../../migrations/0002_create_views.sql"),
    ),
    (
        3,
        "add rulings",
        include_str!("../../migrations/0003_add_rulings.sql"),
    ),
    (
        4,
        "add remarks",
        include_str!("../../migrations/0004_add_remarks.sql"),
    ),
    (
        5,
        "add redo of",
        include_str!("../../migrations/0005_add_redo_of.sql"),
    ),
];

const RUN: RunId = RunId(1);

const SCRIPT: &str = "// Mine.\nfn criterion(run, given) { undecided(\"no\") }\n";

/// What a ruling of layout 3 was kept as; its script stands beside it.
const RULING: &str = "INSERT INTO rulings (run, round, cause, name, purpose, test, script, \
     script_digest, given, word, value, unit, expanded, at_least, at_most, rule, reason, estimate, \
     rests_on, last_seq, last_link, unfinished, certificate, program, ruled_wall_us)
     VALUES (1, ?1, ?2, 'bright', 'criterion', 'survey', 'mine.rhai', ?3, '{\"target\":\"250 lx\"}', \
     'conditional pass', 251.5, 'lx', 8.0, 250.0, NULL, 'simple', 'L02', \
     '{\"value\":251.5,\"terms\":[]}', '[\"1.survey.L02@12in\"]', ?4, ?5, 0, ?6, '0.0.3', \
     1772400000000000)";

/// A file as a program wrote it whose newest layout was `layout`.
async fn at_layout(file: &Path, layout: i64) -> SqliteConnection {
    let mut record = SqliteConnectOptions::new()
        .filename(file)
        .create_if_missing(true)
        .connect()
        .await
        .expect("a file");
    let known = LAYOUTS.iter().filter(|(number, ..)| *number <= layout);
    let migrations: Vec<Migration> = known
        .map(|(number, name, text)| {
            Migration::new(
                *number,
                Cow::Borrowed(name),
                MigrationType::Simple,
                sqlx::SqlSafeStr::into_sql_str(*text),
                false,
            )
        })
        .collect();
    let migrator = Migrator::with_migrations(migrations);
    migrator
        .run_direct(None, &mut record, false)
        .await
        .expect("laid out");
    record
}

/// Lit by the second; the second reading of a point is over the meter's range.
fn meter(key: &Key, at: i64) -> Outcome {
    match (key.purpose, key.visit) {
        (Purpose::Read, 2) => Outcome::Over(20_000.0),
        _ => Outcome::Value(100.0 + at as f64),
    }
}

/// A whole night that was broken off once.
fn night() -> Story {
    let mut story = Story::begin(frozen(2, samples::survey(&[6, 12])));
    let all = story.actions();
    story.act(0..all / 2, meter);
    story.break_off(600);
    story.act(all / 2..all, meter);
    story.tell(None, Body::Ended { end: End::Complete });
    story
}

/// Fills a file of an old layout with a run as it was written then: every
/// column that layout 1 had. Gives the run's readings as they were.
async fn filled(record: &mut SqliteConnection, folder: &Path) -> Vec<ReadingRow> {
    let today = folder.join("today.db");
    let store = Store::open(&today).await.expect("opened");
    assert_eq!(night().write(&store).await, RUN);
    let rows = store.readings(RUN).await.expect("readings");
    assert!(rows.len() > 20, "{}", rows.len());
    store.close().await;
    let attach = sqlx::query("ATTACH ? AS today").bind(today.to_string_lossy().into_owned());
    attach.execute(&mut *record).await.expect("attached");
    for (table, columns) in [
        (
            "placements",
            "id, unit, lamp, firmware, bench, place, datum_nm, datum_uncertainty_nm, gauge_nm, \
             fingers, who, since_wall_us, ended_wall_us",
        ),
        (
            "runs",
            "id, plan, lamp, unit, bench, program, placement, bundle, bundle_link, client_key, \
             booked_wall_us, begun_wall_us, ended_wall_us, state, why, readings, actions_done, actions",
        ),
        (
            "events",
            "run, seq, kind, no, attempt, sitting, mono_ns, wall_us, line, link, boot",
        ),
        ("readings", "*"),
    ] {
        let into = match columns {
            "*" => String::new(),
            named => format!("({named})"),
        };
        // A run's bundle stood in its row once.
        let beside = match table {
            "runs" => "JOIN today.bundles ON run = id",
            _ => "",
        };
        let sql = format!(
            "INSERT INTO main.{table} {into} SELECT {columns} FROM today.{table} {beside} ORDER BY 1, 2"
        );
        let done = sqlx::query(sqlx::AssertSqlSafe(sql))
            .execute(&mut *record)
            .await;
        assert!(done.expect(table).rows_affected() > 0, "{table}");
    }
    sqlx::query("DETACH today")
        .execute(&mut *record)
        .await
        .expect("detached");
    rows
}

/// Two rounds as layout 3 kept them: the run's own, and one by another
/// certificate.
async fn ruled(record: &mut SqliteConnection) {
    let digest = Link::of_bundle(SCRIPT.as_bytes()).hex();
    sqlx::query("INSERT INTO scripts (digest, text) VALUES (?, ?)")
        .bind(&digest)
        .bind(SCRIPT)
        .execute(&mut *record)
        .await
        .expect("a script");
    let linked = night().linked();
    let (last, _, link) = linked.last().expect("an event");
    let rounds = [
        (1, "the run ended", None),
        (2, "asked for", Some("K-2, gain 1.1, u 3 %")),
    ];
    for (round, cause, certificate) in rounds {
        sqlx::query(RULING)
            .bind(round)
            .bind(cause)
            .bind(&digest)
            .bind(last.seq as i64)
            .bind(link.0.as_slice())
            .bind(certificate)
            .execute(&mut *record)
            .await
            .expect("a ruling");
    }
}

/// What must hold of a record from before, whatever its layout was.
async fn is_whole(store: &Store, before: &[ReadingRow]) {
    let layout: i64 = sqlx::query_scalar("PRAGMA user_version")
        .fetch_one(store.readers())
        .await
        .expect("a layout");
    assert_eq!(layout, newest_layout());
    let rows = store.readings(RUN).await.expect("readings");
    let raw = |rows: &[ReadingRow]| -> Vec<_> {
        let rows = rows.iter();
        rows.map(|row| (row.seq, row.key.to_string(), row.reading.clone()))
            .collect()
    };
    assert_eq!(raw(&rows), raw(before));
    let linked = night().linked();
    let verified = store.verify(RUN).await.expect("verified");
    assert!(verified.is_whole(), "{verified:?}");
    assert_eq!(verified.events, linked.len() as u64);
    assert_eq!(verified.seal, linked.last().expect("an event").2);
    let checked = store.check().await.expect("checked");
    assert_eq!(checked.first_bad(), None);
    assert_eq!(checked.runs.len(), 1);
    let row = store.run(RUN).await.expect("read").expect("a run");
    assert_eq!((row.readings, row.redo_of), (before.len() as i64, None));
    let rulings = store.rulings(RUN).await.expect("rulings");
    let of: Vec<_> = rulings
        .iter()
        .map(|row| {
            (
                row.round,
                row.of.cause.as_str(),
                row.of.certificate.as_deref(),
            )
        })
        .collect();
    assert_eq!(
        of,
        [
            (1, "the run ended", None),
            (2, "asked for", Some("K-2, gain 1.1, u 3 %"))
        ]
    );
    for row in &rulings {
        // What was not kept then is said to be so, not made up.
        assert_eq!((&row.of.by, &row.of.certified), (&RuledBy::NotKept, &None));
        assert_eq!((&row.ruled.line, row.ruled.k), (&None, None));
        let ruled = &row.ruled;
        assert_eq!(ruled.word.as_deref(), Some("conditional pass"));
        assert_eq!((ruled.value, ruled.expanded), (Some(251.5), Some(8.0)));
        assert_eq!(ruled.given["target"], "250 lx");
        let script = store.script(&ruled.script_digest).await.expect("read");
        assert_eq!(script.as_deref(), Some(SCRIPT));
        let then = store.whole_until(RUN, row.of.last_seq, row.of.last_remark);
        let then = then.await.expect("read").expect("a run");
        assert_eq!(raw(&then.readings), raw(before));
    }
}

#[tokio::test]
async fn a_record_of_layout_3_is_kept_whole() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("record.db");
    let mut record = at_layout(&file, 3).await;
    let before = filled(&mut record, folder.path()).await;
    ruled(&mut record).await;
    record.close().await.expect("closed");
    let refused = Store::open_read_only(&file)
        .await
        .expect_err("too old to read");
    assert!(refused.to_string().contains('3'), "{refused}");
    let store = Store::open(&file).await.expect("opened");
    is_whole(&store, &before).await;
    assert_eq!(store.readings(RUN).await.expect("readings"), before);
    assert_eq!(store.remarks(RUN).await.expect("remarks"), []);
    // A second opening finds nothing to do.
    store.close().await;
    let store = Store::open(&file).await.expect("opened again");
    is_whole(&store, &before).await;
}

#[tokio::test]
async fn a_record_of_layout_5_keeps_its_remarks() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("record.db");
    let mut record = at_layout(&file, 5).await;
    let before = filled(&mut record, folder.path()).await;
    ruled(&mut record).await;
    let first = before
        .iter()
        .find(|row| row.counts && row.key.purpose == Purpose::Read);
    let first = first.expect("one that counts");
    let about = About {
        seq: first.seq,
        key: first.key.to_string(),
        attempt: first.attempt,
    };
    let said = [
        (RemarkKind::Note, "the heating was on", Vec::new()),
        (RemarkKind::SetAside, "the door was open", vec![about]),
    ];
    let bundle = super::runs::bundle_json(&night().frozen).expect("a bundle");
    let mut link = Link::of_bundle(bundle.as_bytes());
    let mut remarks = Vec::new();
    for (no, (kind, text, readings)) in (1..).zip(said) {
        let remark = Remark {
            no,
            kind,
            text: text.to_owned(),
            readings,
            who: "ada".to_owned(),
            wall_us: 1_772_400_000_000_000,
        };
        let line = serde_json::to_string(&remark).expect("a line");
        link = link.next(&line);
        sqlx::query("INSERT INTO remarks (run, no, line, link) VALUES (1, ?, ?, ?)")
            .bind(no as i64)
            .bind(line)
            .bind(link.0.as_slice())
            .execute(&mut record)
            .await
            .expect("a remark");
        remarks.push(remark);
    }
    record.close().await.expect("closed");
    let store = Store::open(&file).await.expect("opened");
    is_whole(&store, &before).await;
    assert_eq!(store.remarks(RUN).await.expect("remarks"), remarks);
    let verified = store.verify(RUN).await.expect("verified");
    assert_eq!(verified.remarks.expect("followed").remarks, 2);
    let after = store.readings(RUN).await.expect("readings");
    let same = after
        .iter()
        .find(|row| row.seq == first.seq)
        .expect("there");
    assert_eq!((same.counts, same.standing), (false, Standing::SetAside));
    let others = |rows: &[ReadingRow]| rows.iter().filter(|row| row.counts).count();
    assert_eq!(others(&after), others(&before) - 1);
}

/// One run's bundle was damaged on the disk: the record is brought up to date
/// all the same, and the check names that run.
#[tokio::test]
async fn a_damaged_bundle_does_not_keep_the_others_from_today() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("record.db");
    let mut record = at_layout(&file, 5).await;
    filled(&mut record, folder.path()).await;
    for sql in [
        "PRAGMA ignore_check_constraints = ON",
        "DROP TRIGGER runs_stay_frozen",
        "UPDATE runs SET bundle = replace(bundle, '{\"', '[\"')",
        "CREATE TRIGGER runs_stay_frozen BEFORE UPDATE OF bundle ON runs BEGIN SELECT RAISE(ABORT, 'no'); END",
    ] {
        let done = sqlx::query(sql).execute(&mut record).await;
        done.expect("done behind its back");
    }
    record.close().await.expect("closed");
    let store = Store::open(&file).await.expect("opened");
    let bad = store.verify(RUN).await.expect("verified").bad;
    assert_eq!(bad.expect("found").seq, 0);
    let checked = store.check().await.expect("checked");
    assert!(checked.first_bad().expect("named").starts_with("run 1"));
}
