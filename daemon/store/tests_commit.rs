//! Many ledgers write at once: all of it is there, in order, and what one of
//! them may not write costs the others nothing.

use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection};

use super::ledger::StoreLedger;
use super::open::Store;
use super::samples::{Story, frozen, record};
use crate::plan::samples;
use crate::run::journal::{Body, End, Event, Link, RunId};
use crate::run::ledger::{Ledger, LedgerError, Line};

/// Runs at work at the same time.
const RUNS: usize = 24;

fn night() -> Story {
    let mut story = Story::begin(frozen(1, samples::survey(&[6])));
    let end = story.actions();
    story.act(0..end, |_, at| {
        photometry::measured::Outcome::Value(at as f64)
    });
    story.tell(None, Body::Ended { end: End::Complete });
    story
}

async fn booked(store: &Store, story: &Story) -> Vec<RunId> {
    let placement = store.place(&story.frozen.placement).await.expect("placed");
    let mut runs = Vec::new();
    for _ in 0..RUNS {
        let at = photometry::units::Wall::from_us(1);
        let run = store.book_run(None, &story.frozen, Some(placement), at);
        runs.push(run.await.expect("booked"));
    }
    runs
}

type Lines = Vec<(Event, String, Link)>;

/// Writes the lines, two at a time where `pairs` says so.
async fn write(store: Store, run: RunId, lines: Lines, pairs: bool) -> Result<(), LedgerError> {
    let mut ledger = store.ledger(run, "boot-1");
    let all: Vec<Line<'_>> = lines
        .iter()
        .map(|(event, text, link)| Line {
            event,
            text,
            link: *link,
        })
        .collect();
    for some in all.chunks(if pairs { 2 } else { 1 }) {
        ledger.append_all(some).await?;
    }
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn many_write_at_once_and_every_run_is_whole() {
    let (_folder, store) = record().await;
    let story = night();
    let lines = story.linked();
    let runs = booked(&store, &story).await;
    let at_work: Vec<_> = runs
        .iter()
        .enumerate()
        .map(|(nth, run)| {
            let pairs = nth % 2 == 0;
            tokio::spawn(write(store.clone(), *run, lines.clone(), pairs))
        })
        .collect();
    for one in at_work {
        one.await.expect("no panic").expect("written");
    }
    for run in runs {
        let verified = store.verify(run).await.expect("verified");
        assert!(verified.is_whole(), "{run}: {verified:?}");
        assert_eq!(verified.events, lines.len() as u64, "{run}");
        let row = store.run(run).await.expect("read").expect("a run");
        let readings = story.rows().len() as i64;
        assert_eq!((row.readings, row.ended.is_some()), (readings, true));
    }
}

/// Each ledger writes what is left, in a task of its own.
fn at_work(
    ledgers: Vec<StoreLedger>,
    lines: &Lines,
) -> Vec<tokio::task::JoinHandle<Result<(), LedgerError>>> {
    let one = |mut ledger: StoreLedger| {
        let lines = lines.clone();
        tokio::spawn(async move {
            for (event, text, link) in &lines[4..] {
                ledger.append(event, text, *link).await?;
            }
            Ok(())
        })
    };
    ledgers.into_iter().map(one).collect()
}

/// Until every run's next event waits for the writer.
async fn all_wait(store: &Store) {
    while store.tray().waiting() < RUNS {
        tokio::task::yield_now().await;
    }
}

/// The disk takes nothing: everybody who waits is told, nobody is tried again.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_failure_that_is_no_runs_own_is_told_to_all() {
    let (_folder, store) = record().await;
    let story = night();
    let lines = story.linked();
    let runs = booked(&store, &story).await;
    let mut ledgers: Vec<_> = runs
        .iter()
        .map(|run| store.ledger(*run, "boot-1"))
        .collect();
    for ledger in &mut ledgers {
        for (event, text, link) in &lines[..4] {
            ledger.append(event, text, *link).await.expect("written");
        }
    }
    let held = store.writer().expect("a writer").acquire().await;
    let mut held = held.expect("the writer");
    let read_only = sqlx::query("PRAGMA query_only = ON").execute(&mut *held);
    read_only.await.expect("set");
    let at_work = at_work(ledgers, &lines);
    all_wait(&store).await;
    drop(held);
    let mut told = Vec::new();
    for one in at_work {
        told.push(one.await.expect("no panic").expect_err("told").reason);
    }
    let alone = |reason: &&String| !reason.contains("with those of other runs");
    assert_eq!(told.iter().filter(alone).count(), 1, "{told:?}");
    assert!(
        told.iter().all(|reason| reason.contains("readonly")),
        "{told:?}"
    );
    for run in runs {
        let verified = store.verify(run).await.expect("verified");
        assert!(
            verified.is_whole() && verified.events == 4,
            "{run}: {verified:?}"
        );
    }
}

/// A table refuses an event of one run: a gap was made behind its ledger's back.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn what_a_table_refuses_costs_the_others_nothing() {
    let (_folder, store) = record().await;
    let story = night();
    let lines = story.linked();
    let runs = booked(&store, &story).await;
    for run in &runs {
        write(store.clone(), *run, lines[..3].to_vec(), false)
            .await
            .expect("written");
    }
    // Every ledger has looked at the file before one run is written by another.
    let mut ledgers: Vec<_> = runs
        .iter()
        .map(|run| store.ledger(*run, "boot-1"))
        .collect();
    for ledger in &mut ledgers {
        let (event, text, link) = &lines[3];
        ledger.append(event, text, *link).await.expect("written");
    }
    let robbed = runs[7];
    write(store.clone(), robbed, lines[..6].to_vec(), false)
        .await
        .expect("written by another");
    let held = store.writer().expect("a writer").acquire().await;
    let at_work = at_work(ledgers, &lines);
    all_wait(&store).await;
    drop(held); // whoever gets the writer now takes all of them
    let mut refused = Vec::new();
    for (run, one) in runs.iter().zip(at_work) {
        if let Err(error) = one.await.expect("no panic") {
            refused.push((*run, error.reason));
        }
    }
    assert_eq!(refused.len(), 1, "{refused:?}");
    assert_eq!(refused[0].0, robbed);
    assert!(refused[0].1.contains("append-only"), "{refused:?}");
    for run in runs {
        let verified = store.verify(run).await.expect("verified");
        let expected = if run == robbed { 6 } else { lines.len() };
        assert!(verified.is_whole(), "{run}: {verified:?}");
        assert_eq!(verified.events, expected as u64, "{run}");
    }
}

/// A reading's row stands where the second of two events will put one.
#[tokio::test]
async fn two_events_are_written_both_or_not_at_all() {
    let (_folder, store) = record().await;
    let story = night();
    let lines = story.linked();
    let is_taken = |(event, ..): &(Event, String, Link)| matches!(event.body, Body::Taken { .. });
    let taken = lines.iter().position(is_taken).expect("a reading");
    let runs = booked(&store, &story).await;
    let (run, other) = (runs[0], runs[1]);
    let before = lines[..taken - 1].to_vec();
    write(store.clone(), run, before, true)
        .await
        .expect("written");
    let all = lines[..=taken].to_vec();
    write(store.clone(), other, all, true)
        .await
        .expect("written");
    let connect = SqliteConnectOptions::new().filename(store.file());
    let mut behind = connect.foreign_keys(false).connect().await.expect("open");
    for sql in [
        format!("CREATE TEMP TABLE stray AS SELECT * FROM readings WHERE run = {other}"),
        format!("UPDATE stray SET run = {run}"),
        "INSERT INTO readings SELECT * FROM stray".to_owned(),
    ] {
        let done = sqlx::query(sqlx::AssertSqlSafe(sql)).execute(&mut behind);
        assert!(done.await.expect("done behind its back").rows_affected() <= 1);
    }
    behind.close().await.expect("closed");
    let both = lines[taken - 1..=taken].to_vec();
    let refused = write(store.clone(), run, both, true).await;
    let reason = refused.expect_err("refused").reason;
    assert!(reason.contains("never replaced"), "{reason}");
    let events = store.events(run, 0, u32::MAX).await.expect("read");
    assert_eq!(events.len(), taken - 1, "the first of the two is not there");
    // Alone it can be written; and again with what follows it.
    for some in [&lines[taken - 1..taken], &lines[taken - 2..taken]] {
        let again = write(store.clone(), run, some.to_vec(), true).await;
        again.expect("written");
    }
    let events = store.events(run, 0, u32::MAX).await.expect("read");
    assert_eq!(events.len(), taken);
}

/// A run at work is looked through while it writes: it is whole each time.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_run_that_writes_meanwhile_is_whole() {
    let (_folder, store) = record().await;
    let mut story = Story::begin(frozen(12, samples::survey(&[6, 12, 18, 24, 30, 36])));
    let end = story.actions();
    story.act(0..end, |_, at| {
        photometry::measured::Outcome::Value(at as f64)
    });
    story.tell(None, Body::Ended { end: End::Complete });
    let placement = store.place(&story.frozen.placement).await.expect("placed");
    let at = photometry::units::Wall::from_us(1);
    let run = store.book_run(None, &story.frozen, Some(placement), at);
    let run = run.await.expect("booked");
    let writing = tokio::spawn(write(store.clone(), run, story.linked(), false));
    let mut looks = 0;
    while !writing.is_finished() {
        let checked = store.check().await.expect("checked");
        assert_eq!(checked.first_bad(), None, "look {looks}");
        looks += 1;
    }
    writing.await.expect("no panic").expect("written");
    assert!(looks > 3, "only {looks} looks");
    assert_eq!(store.check().await.expect("checked").first_bad(), None);
}
