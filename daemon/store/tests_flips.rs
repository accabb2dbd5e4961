//! Bits that flip on the disk: whatever changes what was measured is found.
//!
//! SQLite itself notices few of them. Data are what a figure rests on: the
//! events, the readings, the captures, the remarks, what a run froze and what its row says of
//! its journal. Beside them lie lamps, placements, rulings, the indexes, and
//! when and with which key a run was booked: those flips are counted apart.

use photometry::measured::Outcome;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection, Row, SqliteConnection};

use super::open::Store;
use super::samples::{Story, frozen};
use crate::plan::samples;
use crate::run::journal::{Body, End};

#[path = "../../tests/faults/tally.rs"]
pub(crate) mod tally;

/// Each query is data; every column that is text, number or bytes counts.
const DATA: [&str; 8] = [
    "SELECT run, seq, kind, no, attempt, sitting, mono_ns, wall_us, line, link, boot FROM events ORDER BY run, seq",
    "SELECT * FROM readings ORDER BY run, seq",
    "SELECT * FROM captures ORDER BY run, seq",
    "SELECT * FROM remarks ORDER BY run, no",
    "SELECT * FROM traffic ORDER BY run, device, no",
    "SELECT digest, content FROM attachments ORDER BY id",
    "SELECT run, bundle FROM bundles ORDER BY run",
    "SELECT id, bundle_link, unit, lamp, bench, plan, state, readings, begun_wall_us, ended_wall_us FROM runs ORDER BY id",
];

/// All data as text; none where they cannot be read.
async fn data(file: &std::path::Path) -> Option<Vec<String>> {
    let options = SqliteConnectOptions::new().filename(file).read_only(true);
    let mut connection = options.connect().await.ok()?;
    let mut all = Vec::new();
    let mut read = true;
    for query in DATA {
        match rows(&mut connection, query).await {
            Some(rows) => all.extend(rows),
            None => read = false,
        }
    }
    connection.close().await.ok()?;
    read.then_some(all)
}

async fn rows(connection: &mut SqliteConnection, query: &'static str) -> Option<Vec<String>> {
    let rows = sqlx::query(query).fetch_all(connection).await.ok()?;
    let shown = |row: &sqlx::sqlite::SqliteRow| {
        let mut text = String::new();
        for column in 0..row.len() {
            let bytes = row.try_get_unchecked::<Option<Vec<u8>>, _>(column).ok()?;
            let number = row.try_get_unchecked::<Option<f64>, _>(column).ok()?;
            let whole = row.try_get_unchecked::<Option<i64>, _>(column).ok()?;
            text.push_str(&format!("{bytes:?} {number:?} {whole:?};"));
        }
        Some(text)
    };
    rows.iter().map(shown).collect()
}

/// Whether something is found: at opening, or by the check.
async fn found(file: &std::path::Path) -> Result<(), String> {
    let store = match Store::open_read_only(file).await {
        Ok(store) => store,
        Err(error) => return Err(error.to_string()),
    };
    let checked = store.check().await;
    store.close().await;
    match checked {
        Ok(checked) => checked.first_bad().map_or(Ok(()), Err),
        Err(error) => Err(error.to_string()),
    }
}

#[tokio::test]
async fn every_flipped_bit_that_changes_data_is_found() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("record.db");
    {
        let store = Store::open(&file).await.expect("opened");
        let mut story = Story::begin(frozen(2, samples::survey(&[6, 12])));
        let end = story.actions();
        story.act(0..end / 2, |_, at| Outcome::Value(100.0 + at as f64));
        story.break_off(3600);
        story.act(end / 2..end, |_, at| Outcome::Value(100.0 + at as f64));
        story.tell(None, Body::Ended { end: End::Complete });
        let run = story.write(&store).await;
        for said in [b"READ?\n".as_slice(), b"12.5\n"] {
            let pieces = vec![super::tests_traffic::piece(0, said)];
            store.keep_traffic(run, pieces).await.expect("kept");
        }
        super::tests_captures::with_a_spectrum(&store).await;
        store.close().await;
    }
    let sound = std::fs::read(&file).expect("bytes");
    let before = data(&file).await.expect("data");
    assert_eq!(found(&file).await, Ok(()));
    let wanted = if tally::long() { 1000 } else { 100 };
    let (mut flips, mut changed, mut beside, mut harmless) = (0, 0, 0, 0);
    let mut missed = Vec::new();
    let mut drawn = 1_u64;
    while changed < wanted {
        flips += 1;
        drawn = drawn
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let bit = (drawn >> 20) as usize % (sound.len() * 8);
        let mut bytes = sound.clone();
        bytes[bit / 8] ^= 1 << (bit % 8);
        std::fs::write(&file, &bytes).expect("written");
        let after = data(&file).await;
        let said = found(&file).await;
        if after.as_ref() == Some(&before) {
            match said {
                Ok(()) => harmless += 1,
                Err(_) => beside += 1,
            }
            continue;
        }
        changed += 1;
        if said.is_ok() {
            let what = after.and_then(|after| {
                let mut pairs = after.iter().zip(&before);
                let (now, was) = pairs.find(|(now, was)| now != was)?;
                Some(format!("{was} became {now}"))
            });
            missed.push(format!("bit {bit}: {what:?}"));
        }
    }
    tally::line(
        "one bit of the record flipped",
        &[
            ("flips", &flips),
            ("changed data", &changed),
            ("of these not found", &missed.len()),
            ("found beside the data", &beside),
            ("without effect", &harmless),
        ],
    );
    assert_eq!(missed, Vec::<String>::new());
    assert!(harmless > 0, "some bits mean nothing");
}
