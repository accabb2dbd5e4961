//! The journal: written once, never edited, found out when it was, and which
//! of its readings are results.

use photometry::measured::Outcome;
use photometry::units::Wall;

use super::counts::Standing;
use super::error::StoreError;
use super::journal::LINES_TOGETHER;
use super::open::Store;
use super::readings::ReadingRow;
use super::samples::{Story, frozen, record};
use crate::plan::itinerary::{Key, Purpose, What};
use crate::plan::samples;
use crate::run::journal::{Body, Decision, DriftVerdict, End, Link, RunId, RunState};
use crate::run::ledger::{Ledger, Line};

fn lit(_: &Key, at: i64) -> Outcome {
    Outcome::Value(100.0 + at as f64)
}

/// Two levels, two positions, two readings each, done to the end.
fn whole() -> Story {
    let mut story = Story::begin(frozen(2, samples::survey(&[6, 12])));
    let end = story.actions();
    story.act(0..end, lit);
    story.tell(None, Body::Ended { end: End::Complete });
    story
}

/// A journal that is read while it is written lacks nothing in the middle, whatever
/// is written between one piece of it and the next.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_journal_that_is_read_while_it_is_written_has_no_hole() {
    let (_folder, store) = record().await;
    let story = {
        let mut survey = samples::survey(&[6, 12, 24, 48]);
        survey.readings = 20;
        let mut story = Story::begin(frozen(3, survey));
        let end = story.actions();
        story.act(0..end, lit);
        story
    };
    let linked = story.linked();
    let piece = LINES_TOGETHER as usize;
    assert!(linked.len() > piece + 10, "{}", linked.len());
    let placed = store.place(&story.frozen.placement).await.expect("placed");
    let mut reads = 0;
    for nth in 0..20 {
        let booked = store.book_run(None, &story.frozen, Some(placed), Wall::from_us(0));
        let run = booked.await.expect("booked");
        let mut ledger = store.ledger(run, "boot-1");
        let lines: Vec<Line<'_>> = linked[..piece - 3]
            .iter()
            .map(|(event, text, link)| Line {
                event,
                text,
                link: *link,
            })
            .collect();
        ledger.append_all(&lines).await.expect("written");
        let rest = linked[piece - 3..piece + 10].to_vec();
        let writing = tokio::spawn(async move {
            for (event, text, link) in &rest {
                ledger.append(event, text, *link).await.expect("written");
            }
        });
        loop {
            let over = writing.is_finished();
            let events = store.events(run, 0, u32::MAX).await.expect("events");
            let numbers: Vec<u64> = events.iter().map(|event| event.seq).collect();
            let whole: Vec<u64> = (1..=events.len() as u64).collect();
            assert_eq!(numbers, whole, "run {nth}");
            reads += 1;
            if over {
                assert_eq!(events.len(), piece + 10);
                break;
            }
        }
        writing.await.expect("written");
    }
    assert!(reads > 60, "{reads}");
}

#[tokio::test]
async fn what_is_written_is_read_back_and_verifies() {
    let (_folder, store) = record().await;
    let story = whole();
    let run = story.write(&store).await;
    assert_eq!(
        store.events(run, 0, 10_000).await.expect("events"),
        story.events
    );
    assert_eq!(
        store.events(run, 3, 2).await.expect("events"),
        story.events[3..5]
    );
    let linked = story.linked();
    let lines: Vec<(String, Link)> = linked.iter().map(|(_, l, k)| (l.clone(), *k)).collect();
    assert_eq!(store.lines(run).await.expect("lines"), lines);
    let seal = linked.last().expect("events").2;
    assert_eq!(store.last_link(run).await.expect("a link"), seal);
    let verified = store.verify(run).await.expect("verified");
    assert_eq!(
        (verified.events, verified.seal, verified.bad),
        (story.events.len() as u64, seal, None)
    );
    let readings = store.readings(run).await.expect("readings");
    let taken = story
        .events
        .iter()
        .filter(|e| matches!(e.body, Body::Taken { .. }));
    for (row, event) in readings.iter().zip(taken) {
        let Body::Taken { key, reading } = &event.body else {
            unreachable!("filtered");
        };
        assert_eq!((&row.key, &row.reading), (key, reading));
        assert_eq!(row.beside.certificate.as_deref(), Some("K-1"));
        assert!(row.counts, "{}", row.key);
    }
    let row = store.run(run).await.expect("read").expect("a run");
    assert_eq!(row.state, RunState::Complete);
    assert_eq!(
        (row.actions_done, row.actions),
        (row.actions, i64::from(story.actions()))
    );
    assert_eq!(row.readings, readings.len() as i64);
    assert!(row.begun.is_some() && row.ended > row.begun);
    assert_eq!(
        store.last_boot(run).await.expect("read").as_deref(),
        Some("boot-1")
    );
}

/// Lines are read by their numbers, some hundred together. Where a damaged record
/// lacks more of them than that, those behind the gap are still read: whoever
/// replays them says what is wrong, and does not take the rest for the whole.
#[tokio::test]
async fn what_lies_behind_a_gap_is_read_too() {
    let (_folder, store) = record().await;
    let mut story = Story::begin(frozen(9, samples::survey(&[6, 12, 18])));
    let end = story.actions();
    story.act(0..end, lit);
    let run = story.write(&store).await;
    let (from, to) = (7, 450);
    assert!(story.events.len() > to + 10, "{}", story.events.len());
    let writer = store.writer().expect("a writer");
    let lost = format!("WHERE run = {run} AND seq > {from} AND seq <= {to}");
    for sql in [
        "DROP TRIGGER readings_no_delete".to_owned(),
        "DROP TRIGGER events_no_delete".to_owned(),
        format!("DELETE FROM readings {lost}"),
        format!("DELETE FROM events {lost}"),
    ] {
        let done = sqlx::query(sqlx::AssertSqlSafe(sql)).execute(writer).await;
        done.expect("done");
    }
    let rest = [&story.events[..from], &story.events[to..]].concat();
    let all = store.events(run, 0, u32::MAX).await.expect("events");
    assert_eq!(all, rest);
    let some = store.events(run, 5, 4).await.expect("events");
    assert_eq!(some, rest[5..9], "two before the gap, two behind it");
    let none = store.events(run, story.events.len() as u64, 4).await;
    assert_eq!(none.expect("events"), []);
}

#[tokio::test]
async fn every_kind_of_outcome_survives_the_record() {
    let (_folder, store) = record().await;
    let mut story = Story::begin(frozen(1, samples::survey(&[6])));
    let outcomes = [
        Outcome::Value(-0.0),
        Outcome::Value(1.0 / 3.0),
        Outcome::Over(20_000.0),
        Outcome::Under(0.1),
        Outcome::TimedOut,
        Outcome::Rejected("`?` is no number".to_owned()),
    ];
    for (no, outcome) in outcomes.iter().enumerate() {
        let key = Key {
            test: "survey".to_owned(),
            setting: "L01".to_owned(),
            position: samples::survey(&[6]).positions[0],
            purpose: Purpose::Watch,
            visit: no as u32 + 1,
        };
        story.taken(-1, key, outcome.clone());
    }
    let run = story.write(&store).await;
    let found: Vec<Outcome> = store
        .readings(run)
        .await
        .expect("readings")
        .into_iter()
        .map(|row| row.reading.outcome)
        .collect();
    assert_eq!(found, outcomes);
    assert_eq!(store.verify(run).await.expect("verified").bad, None);
}

#[tokio::test]
async fn an_edit_is_refused_whoever_asks() {
    let (_folder, store) = record().await;
    let run = whole().write(&store).await;
    let edits = [
        "UPDATE events SET wall_us = 0",
        "DELETE FROM events WHERE seq = 3",
        "INSERT OR REPLACE INTO events SELECT run, 3, kind, no, attempt, sitting, mono_ns, wall_us, \
             line, link, boot FROM events WHERE seq = 4",
        "INSERT INTO events SELECT run, seq + 9000, kind, no, attempt, sitting, mono_ns, wall_us, \
             line, link, boot FROM events WHERE seq = 4",
        "UPDATE readings SET value = 1",
        "DELETE FROM readings",
        "INSERT OR REPLACE INTO readings SELECT * FROM readings LIMIT 1",
        "UPDATE bundles SET bundle = '{}'",
        "INSERT OR REPLACE INTO bundles SELECT run, '{}' FROM bundles",
        "DELETE FROM bundles",
        "UPDATE runs SET unit = 'dunlin-9'",
        "DELETE FROM runs",
    ];
    for edit in edits {
        let refused = sqlx::query(edit)
            .execute(store.writer().expect("a writer"))
            .await;
        let words = refused.expect_err(edit).to_string();
        assert!(
            words.contains("never") || words.contains("append-only"),
            "{edit}: {words}"
        );
    }
    assert_eq!(store.verify(run).await.expect("verified").bad, None);
}

/// Changes one column after the other with the triggers gone, as a bad disk
/// would: each change is found, and for an event or a reading also where it is.
#[tokio::test]
async fn a_change_behind_the_triggers_is_found_in_every_column() {
    let (_folder, store) = record().await;
    let run = whole().write(&store).await;
    let reading = store.readings(run).await.expect("readings")[1].seq;
    let writer = store.writer().expect("a writer");
    for name in [
        "events_no_update",
        "readings_no_update",
        "runs_stay_frozen",
        "bundles_stay_frozen",
    ] {
        let sql = format!("DROP TRIGGER {name}");
        sqlx::query(sqlx::AssertSqlSafe(sql))
            .execute(writer)
            .await
            .expect("dropped");
    }
    let edits = [
        (
            "events",
            "line",
            "replace(line, '\"attempt\":1', '\"attempt\":2')",
        ),
        ("events", "link", "zeroblob(32)"),
        ("events", "kind", "'done'"),
        ("events", "no", "no + 1"),
        ("events", "attempt", "attempt + 1"),
        ("events", "sitting", "sitting + 4"),
        ("events", "mono_ns", "mono_ns + 1"),
        ("events", "wall_us", "wall_us + 1"),
        ("readings", "value", "value + 1e-9"),
        ("readings", "position_nm", "position_nm + 1"),
        ("readings", "setting", "'L99'"),
        ("readings", "meter", "'other'"),
        ("readings", "raw", "x'00'"),
        ("readings", "range_top", "NULL"),
        ("readings", "taken_wall_us", "taken_wall_us + 1"),
        ("readings", "certificate", "'K-2'"),
        ("readings", "sample", "'dunlin-9'"),
        ("readings", "purpose", "'watched'"),
        ("readings", "unit", "'ly'"),
        ("readings", "visit", "-1"),
        ("readings", "quantity", "'illuminancf'"),
        ("readings", "flags", "'{}'"),
        ("readings", "key", "CAST(x'ff' AS TEXT)"),
        ("readings", "key", "key || '0'"),
        ("bundles", "bundle", "replace(bundle, '\"K-1\"', '\"K-2\"')"),
        ("runs", "bundle_link", "zeroblob(32)"),
    ];
    for (table, column, changed) in edits {
        let at = match table {
            "runs" => "id = ?1 AND ?2 = ?2",
            "bundles" => "run = ?1 AND ?2 = ?2",
            _ => "run = ?1 AND seq = ?2",
        };
        let keep =
            format!("CREATE TEMP TABLE kept AS SELECT {column} AS was FROM {table} WHERE {at}");
        let edit = format!("UPDATE {table} SET {column} = {changed} WHERE {at}");
        let restore = format!("UPDATE {table} SET {column} = (SELECT was FROM kept) WHERE {at}");
        for sql in [keep, edit] {
            // A table cannot be made with bound values.
            let sql = sql
                .replace("?1", &run.0.to_string())
                .replace("?2", &reading.to_string());
            sqlx::query(sqlx::AssertSqlSafe(sql))
                .execute(writer)
                .await
                .expect("edited");
        }
        let bad = store.verify(run).await.expect("verified").bad;
        assert!(bad.is_some(), "{table}.{column}");
        if !matches!(table, "runs" | "bundles") {
            assert_eq!(bad.map(|bad| bad.seq), Some(reading), "{table}.{column}");
        }
        let restore = restore
            .replace("?1", &run.0.to_string())
            .replace("?2", &reading.to_string());
        for sql in [restore, "DROP TABLE kept".to_owned()] {
            sqlx::query(sqlx::AssertSqlSafe(sql))
                .execute(writer)
                .await
                .expect("restored");
        }
    }
    assert_eq!(store.verify(run).await.expect("verified").bad, None);
}

#[tokio::test]
async fn an_event_written_twice_is_one_and_another_in_its_place_is_refused() {
    let (_folder, store) = record().await;
    let story = whole();
    let run = story.write(&store).await;
    let linked = story.linked();
    // A daemon that was killed after a commit and before it heard of it writes
    // its last event again.
    let mut ledger = store.ledger(run, "boot-2");
    let (event, line, link) = linked.last().expect("events");
    ledger
        .append(event, line, *link)
        .await
        .expect("the same again");
    let mut other = event.clone();
    other.body = Body::Ended { end: End::Failed };
    let other_line = other.line().expect("a line");
    let refused = ledger.append(&other, &other_line, *link).await;
    let words = refused.expect_err("refused").reason;
    assert!(
        words.contains("already written, with another content"),
        "{words}"
    );
    // After a failure nothing more is written, not even what would be right.
    let sticky = ledger
        .append(event, line, *link)
        .await
        .expect_err("refused")
        .reason;
    assert!(
        sticky.starts_with("an earlier event could not be written"),
        "{sticky}"
    );
    assert_eq!(
        store.events(run, 0, 10_000).await.expect("events").len(),
        linked.len()
    );
}

#[tokio::test]
async fn a_gap_or_a_wrong_link_is_refused() {
    let (_folder, store) = record().await;
    let story = whole();
    let run = book(&store, &story).await;
    let linked = story.linked();
    let (event, line, link) = &linked[1];
    let gap = store.ledger(run, "b").append(event, line, *link).await;
    assert!(
        gap.expect_err("refused")
            .reason
            .contains("event 2 does not follow event 0")
    );
    let (event, line, _) = &linked[0];
    let wrong = store
        .ledger(run, "b")
        .append(event, line, linked[1].2)
        .await;
    assert!(
        wrong
            .expect_err("refused")
            .reason
            .contains("link does not follow")
    );
    let nowhere = store
        .ledger(RunId(77), "b")
        .append(event, line, linked[0].2)
        .await;
    assert!(
        nowhere
            .expect_err("refused")
            .reason
            .contains("there is no run 77")
    );
}

async fn book(store: &Store, story: &Story) -> RunId {
    let placement = store.place(&story.frozen.placement).await.expect("placed");
    store
        .book_run(None, &story.frozen, Some(placement), Wall::default())
        .await
        .expect("booked")
}

/// A statement in the transaction fails: nothing of the event stays, and the
/// writer is free for others.
#[tokio::test]
async fn a_transaction_that_fails_leaves_nothing_and_no_lock() {
    let (_folder, store) = record().await;
    let story = whole();
    let run = book(&store, &story).await;
    let trap =
        "CREATE TRIGGER full BEFORE INSERT ON readings BEGIN SELECT RAISE(ABORT, 'disk full'); END";
    let writer = store.writer().expect("a writer");
    sqlx::query(trap).execute(writer).await.expect("set");
    let mut ledger = store.ledger(run, "b");
    let mut failed_at = 0;
    for (event, line, link) in story.linked() {
        if let Err(error) = ledger.append(&event, &line, link).await {
            assert!(error.reason.contains("disk full"), "{}", error.reason);
            failed_at = event.seq;
            break;
        }
    }
    assert!(failed_at > 1);
    let events = store.events(run, 0, 10_000).await.expect("events").len() as u64;
    assert_eq!(
        events,
        failed_at - 1,
        "the event without its reading is not there"
    );
    sqlx::query("DROP TRIGGER full")
        .execute(writer)
        .await
        .expect("removed");
    // The way on: a new ledger, the same event.
    let mut ledger = store.ledger(run, "b");
    for (event, line, link) in &story.linked()[failed_at as usize - 2..] {
        ledger.append(event, line, *link).await.expect("written");
    }
    assert_eq!(store.verify(run).await.expect("verified").bad, None);
}

#[tokio::test]
async fn a_key_books_one_run() {
    let (_folder, store) = record().await;
    let frozen = frozen(1, samples::survey(&[6]));
    let placement = store.place(&frozen.placement).await.expect("placed");
    let book = |key| store.book_run(key, &frozen, Some(placement), Wall::default());
    let run = book(Some("k")).await.expect("booked");
    assert_eq!(store.run_of_key("k").await.expect("read"), Some(run));
    let again = book(Some("k")).await;
    assert!(matches!(again, Err(StoreError::KeyUsed { run: found, .. }) if found == run));
    let nowhere = store
        .book_run(None, &frozen, Some(99), Wall::default())
        .await;
    assert!(matches!(nowhere, Err(StoreError::NoPlacement(99))));
    let (found, link) = store.frozen(run).await.expect("read").expect("a bundle");
    assert_eq!(found, frozen);
    assert_eq!(store.last_link(run).await.expect("a link"), link);
    assert_eq!(store.runs().await.expect("runs").len(), 1);
}

/// (action, attempt, standing) of the readings that `pick` lets through.
fn standings(rows: &[ReadingRow], pick: impl Fn(&ReadingRow) -> bool) -> Vec<(i64, u32, Standing)> {
    rows.iter()
        .filter(|row| pick(row))
        .map(|row| (row.no, row.attempt, row.standing))
        .collect()
}

/// The first action of the n-th point with readings for this purpose.
fn first_of(story: &Story, purpose: Purpose) -> (u32, u32) {
    let actions = &story.frozen.itinerary.actions;
    let point = actions
        .iter()
        .find(|a| matches!(a.what, What::Read { purpose: p, .. } if p == purpose))
        .and_then(|a| a.point)
        .expect("a point");
    let of_point = || {
        actions
            .iter()
            .filter(|a| a.point == Some(point))
            .map(|a| a.no)
    };
    (
        of_point().min().expect("first"),
        of_point().max().expect("last"),
    )
}

#[tokio::test]
async fn the_last_complete_pass_counts_and_no_half_one() {
    use Standing::{Counts, Preamble, Superseded, Unfinished};
    let (_folder, store) = record().await;
    let mut story = Story::begin(frozen(1, samples::survey(&[6])));
    let (first, last) = first_of(&story, Purpose::Read); // move, settle, read, read
    story.act(0..last, lit); // all but the second reading
    story.break_off(600);
    let key = Key {
        purpose: Purpose::Return,
        visit: 1,
        ..story.frozen.itinerary.actions[last as usize]
            .key
            .clone()
            .expect("a key")
    };
    story.taken(-6, key, Outcome::Value(1.0));
    story.act(first..last + 1, lit); // redone whole
    story.act(first..last + 1, lit); // the leg again
    story.act(first..last, lit); // again, not completed
    let run = story.write(&store).await;
    let rows = store.readings(run).await.expect("readings");
    let (a, b) = (i64::from(last) - 1, i64::from(last));
    assert_eq!(
        standings(&rows, |row| row.key.purpose == Purpose::Read || row.no < 0),
        [
            (a, 1, Unfinished),
            (-6, 1, Preamble),
            (a, 2, Superseded),
            (b, 1, Superseded),
            (a, 3, Counts),
            (b, 2, Counts),
            (a, 4, Unfinished),
        ]
    );
    let counting = rows.iter().filter(|row| row.counts);
    let keys: std::collections::BTreeSet<&Key> = counting.clone().map(|row| &row.key).collect();
    assert_eq!(keys.len(), counting.count(), "no key counts twice");
}

/// A leg that drifted too far gives no results until it is measured again: a
/// run that is stopped in between must not show them.
#[tokio::test]
async fn from_the_verdict_on_a_drifted_leg_does_not_count() {
    let (_folder, store) = record().await;
    let mut story = Story::begin(frozen(1, samples::survey(&[6])));
    let actions = &story.frozen.itinerary.actions;
    let in_leg = || actions.iter().filter(|a| a.leg == Some(1)).map(|a| a.no);
    let (first, check) = (
        in_leg().min().expect("a leg"),
        in_leg().max().expect("a leg"),
    );
    story.act(0..check, lit);
    let no = Some(i64::from(check));
    let doing = "checking the drift".to_owned();
    story.tell(no, Body::Started { doing });
    let decision = Decision::Drift {
        leg: 1,
        drift: Some(photometry::units::Ratio::new(0.02)),
        verdict: DriftVerdict::LegAgain,
    };
    story.tell(no, Body::Decided { decision });
    let undecided = story.rows();
    let in_the_leg = |row: &&ReadingRow| row.no >= i64::from(first);
    assert!(undecided.iter().filter(in_the_leg).all(|row| row.counts));
    let facts = crate::run::journal::Facts::default();
    story.tell(no, Body::Done { facts });
    let run = story.write(&store).await;
    let rows = store.readings(run).await.expect("readings");
    assert!(rows.iter().any(|row| row.counts), "dark and ambient stand");
    let in_leg: Vec<_> = rows.iter().filter(in_the_leg).collect();
    assert!(in_leg.len() > 4);
    assert!(
        in_leg
            .iter()
            .all(|row| row.standing == Standing::Superseded)
    );
    let row = store.run(run).await.expect("read").expect("a run");
    assert_eq!(row.actions_done, i64::from(first));
    // Measured again, it counts.
    story.act(first..check, lit);
    let rows = story.rows();
    let counting = rows.iter().filter(in_the_leg).filter(|row| row.counts);
    assert_eq!(counting.count(), in_leg.len());
}

/// A time-out does not end a read action; the next attempt does, within the
/// same pass.
#[tokio::test]
async fn a_reading_that_timed_out_gives_way_to_the_next_attempt() {
    let (_folder, store) = record().await;
    let mut story = Story::begin(frozen(1, samples::survey(&[6])));
    let (_, last) = first_of(&story, Purpose::Read);
    story.act(0..last, lit);
    story.act(last..last + 1, |_, _| Outcome::TimedOut);
    story.act(last..last + 1, lit);
    let run = story.write(&store).await;
    let rows = store.readings(run).await.expect("readings");
    assert_eq!(
        standings(&rows, |row| row.key.purpose == Purpose::Read),
        [
            (i64::from(last) - 1, 1, Standing::Counts),
            (i64::from(last), 1, Standing::Unfinished),
            (i64::from(last), 2, Standing::Counts),
        ]
    );
}

/// A series counts whole, and only once its action is done.
#[tokio::test]
async fn a_warm_up_counts_by_its_last_complete_attempt() {
    use Standing::{Counts, Superseded, Unfinished};
    let (_folder, store) = record().await;
    let mut story = Story::begin(frozen(1, samples::survey(&[6])));
    let warm = story
        .frozen
        .itinerary
        .actions
        .iter()
        .find(|a| matches!(a.what, What::WarmUp { .. }))
        .cloned()
        .expect("a warm-up");
    let no = i64::from(warm.no);
    let key = |visit| Key {
        visit,
        ..warm.key.clone().expect("a key")
    };
    for (readings, done) in [(3, true), (2, true), (1, false)] {
        let doing = "warming up".to_owned();
        story.tell(Some(no), Body::Started { doing });
        for visit in 1..=readings {
            story.taken(no, key(visit), Outcome::Value(1.0));
        }
        if done {
            let facts = crate::run::journal::Facts::default();
            story.tell(Some(no), Body::Done { facts });
        }
    }
    let run = story.write(&store).await;
    let rows = store.readings(run).await.expect("readings");
    assert_eq!(
        standings(&rows, |_| true),
        [
            (no, 1, Superseded),
            (no, 1, Superseded),
            (no, 1, Superseded),
            (no, 2, Counts),
            (no, 2, Counts),
            (no, 3, Unfinished),
        ]
    );
}

#[tokio::test]
async fn views_have_units_in_their_names_and_utc_as_text() {
    let (_folder, store) = record().await;
    let run = whole().write(&store).await;
    let row: (f64, f64, f64, String, String, String) = sqlx::query_as(
        "SELECT position_m, position_in, illuminance_lx, status, taken_utc, unit
         FROM illuminance_readings WHERE run = ? AND purpose = 'read' ORDER BY seq LIMIT 1",
    )
    .bind(run.0)
    .fetch_one(store.readers())
    .await
    .expect("a row");
    assert!((row.0 - 0.1524).abs() < 1e-12 && (row.1 - 6.0).abs() < 1e-12);
    assert_eq!((row.3.as_str(), row.5.as_str()), ("value", "dunlin-1"));
    assert!(
        row.4.starts_with("2026-03-01T20:0") && row.4.ends_with(".000000Z"),
        "{}",
        row.4
    );
    let (runs, events): (i64, i64) =
        sqlx::query_as("SELECT (SELECT count(*) FROM run_list), (SELECT count(*) FROM event_list)")
            .fetch_one(store.readers())
            .await
            .expect("counts");
    assert_eq!((runs, events as usize), (1, whole().events.len()));
}
