//! Kept traffic: what is written is read again, what is not is told, and no event
//! fails with it.

use photometry::units::Span;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection};

use super::open::Store;
use super::samples::{Story, frozen, record};
use super::traffic::PieceRow;
use crate::plan::samples;
use crate::run::journal::{Body, HoldCause, Link, RunId};
use crate::run::ledger::Ledger;
use crate::run::traffic::Piece;

/// A piece of the lux head that begins at this byte.
pub(super) fn piece(begins_at: u64, said: &[u8]) -> Piece {
    Piece {
        device: "lux-head".to_owned(),
        sitting: 1,
        from: Span::from_ms(12_345),
        to: Span::from_ms(12_400),
        begins_at,
        bytes: said.len() as u64,
        not_kept: 0,
        text: format!("   12.345000000 to   {said:02x?}\n"),
    }
}

async fn begun() -> (tempfile::TempDir, Store, RunId) {
    let (folder, store) = record().await;
    let run = Story::begin(frozen(2, samples::survey(&[6, 12])))
        .write(&store)
        .await;
    (folder, store, run)
}

async fn checked(store: &Store) -> (u64, Option<String>) {
    let checked = store.check().await.expect("checked");
    (checked.runs[0].traffic, checked.first_bad())
}

fn told(rows: &[PieceRow]) -> Vec<(u64, u64, u64, bool)> {
    let before = std::iter::once(None).chain(rows.iter().map(Some));
    let rows = rows.iter().zip(before);
    rows.map(|(row, before)| (row.no, row.bytes, row.lost_after(before), row.is_full))
        .collect()
}

#[tokio::test]
async fn pieces_are_read_as_they_were_written() {
    let (_folder, store, run) = begun().await;
    assert_eq!(store.traffic(run).await.expect("none"), []);
    let fingers = Piece {
        device: "fingers".to_owned(),
        ..piece(0, b"x")
    };
    let first = piece(0, b"READ?\n");
    store
        .keep_traffic(run, vec![first.clone(), fingers])
        .await
        .expect("kept");
    let second = piece(6, b"12.5\n");
    store
        .keep_traffic(run, vec![second.clone()])
        .await
        .expect("kept");
    let rows = store.traffic(run).await.expect("rows");
    let names: Vec<&str> = rows.iter().map(|row| row.device.as_str()).collect();
    assert_eq!(names, ["fingers", "lux-head", "lux-head"]);
    assert_eq!(told(&rows[1..]), [(1, 6, 0, false), (2, 5, 0, false)]);
    for (row, piece) in rows[1..].iter().zip([first, second]) {
        let text = store.traffic_text(run, &row.digest).await.expect("read");
        let text = text.expect("a piece");
        let (_, lines) = text.split_once('\n').expect("a first line");
        assert_eq!(lines, piece.text);
    }
    let of_another = store.traffic_text(RunId(run.0 + 1), &rows[0].digest).await;
    assert_eq!(of_another.expect("read"), None);
    assert_eq!(checked(&store).await, (3, None));
}

/// Whoever hunts a lapse must see that the record ends before it.
#[tokio::test]
async fn a_device_that_reached_its_limit_is_told_once() {
    let (_folder, store, run) = begun().await;
    for at in 0..4 {
        let pieces = vec![piece(at * 6, b"READ?\n")];
        store
            .keep_traffic_up_to(run, pieces, 12)
            .await
            .expect("kept");
    }
    let rows = store.traffic(run).await.expect("rows");
    assert_eq!(
        told(&rows),
        [(1, 6, 0, false), (2, 6, 0, false), (3, 0, 0, true)]
    );
    let last = store.traffic_text(run, &rows[2].digest).await;
    let last = last.expect("read").expect("a piece");
    assert!(last.contains("the limit is reached"), "{last}");
    assert_eq!(checked(&store).await, (3, None));
}

/// The record's disk refuses traffic for a while: no event is lost, and the piece
/// that is missing is told by the next.
#[tokio::test]
async fn a_piece_that_cannot_be_written_costs_no_event_and_is_told() {
    let (folder, store) = record().await;
    let mut story = Story::begin(frozen(2, samples::survey(&[6, 12])));
    let run = story.write(&store).await;
    let file = folder.path().join("record.db");
    let other = SqliteConnectOptions::new().filename(&file);
    let mut other = other.connect().await.expect("connected");
    let refuse = "CREATE TRIGGER refused BEFORE INSERT ON attachments \
                  BEGIN SELECT RAISE(ABORT, 'no room'); END";
    let mut ledger = store.ledger(run, "boot-1");
    let mut kept = [false; 3];
    for (at, kept) in kept.iter_mut().enumerate() {
        match at {
            1 => sqlx::raw_sql(refuse).execute(&mut other).await,
            _ => {
                let drop = "DROP TRIGGER IF EXISTS refused";
                sqlx::raw_sql(drop).execute(&mut other).await
            }
        }
        .expect("changed");
        ledger.keep_traffic(vec![piece(at as u64 * 6, b"READ?\n")]);
        let cause = HoldCause::Person;
        story.tell(None, Body::Held { cause });
        let (event, line, link): (_, _, Link) = story.linked().pop().expect("an event");
        ledger.append(&event, &line, link).await.expect("written");
        ledger.settle_traffic().await;
        *kept = store.traffic(run).await.expect("rows").len() > at;
    }
    other.close().await.expect("closed");
    assert_eq!(kept, [true, false, false]);
    let rows = store.traffic(run).await.expect("rows");
    assert_eq!(told(&rows), [(1, 6, 0, false), (2, 6, 6, false)]);
    let events = store.events(run, 0, u32::MAX).await.expect("events");
    assert_eq!(events.len(), 4);
    assert_eq!(checked(&store).await, (2, None));
}

/// Whatever the disk makes of a piece: its row, its content, or a piece that is
/// not there any more.
#[tokio::test]
async fn a_piece_that_is_not_as_it_was_written_is_named() {
    let changes = [
        "UPDATE traffic SET sitting = 2 WHERE no = 1",
        "UPDATE traffic SET from_ns = from_ns + 1 WHERE no = 1",
        "UPDATE traffic SET to_ns = to_ns + 1 WHERE no = 1",
        "UPDATE traffic SET begins_at_byte = 1 WHERE no = 1",
        "UPDATE traffic SET bytes = 7 WHERE no = 1",
        "UPDATE traffic SET not_kept_bytes = 1 WHERE no = 1",
        "UPDATE traffic SET is_full = 1 WHERE no = 1",
        "UPDATE traffic SET device = 'lux-heae' WHERE no = 1",
        "UPDATE traffic SET digest = (SELECT digest FROM traffic WHERE no = 2) WHERE no = 1",
        "UPDATE attachments SET content = zeroblob(40) WHERE id = 1",
        "DELETE FROM traffic WHERE no = 1",
    ];
    for change in changes {
        let (folder, store, run) = begun().await;
        for at in 0..2 {
            let pieces = vec![piece(at * 6, b"READ?\n")];
            store.keep_traffic(run, pieces).await.expect("kept");
        }
        let other = SqliteConnectOptions::new().filename(folder.path().join("record.db"));
        let mut other = other.connect().await.expect("connected");
        let guards = "DROP TRIGGER traffic_no_update; DROP TRIGGER traffic_no_delete; \
                      DROP TRIGGER attachments_no_update";
        let refused = sqlx::raw_sql(change).execute(&mut other).await;
        assert!(refused.is_err(), "the record itself takes it: {change}");
        for sql in [guards, change] {
            let done = sqlx::raw_sql(sql).execute(&mut other).await;
            done.unwrap_or_else(|error| panic!("{sql}: {error}"));
        }
        other.close().await.expect("closed");
        let (whole, bad) = checked(&store).await;
        let bad = bad.unwrap_or_else(|| panic!("not found: {change}"));
        assert!(bad.contains("traffic of lux-hea"), "{change}: {bad}");
        assert!(whole < 2, "{change}");
    }
}
