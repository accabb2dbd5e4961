//! Which files are opened, and which are refused, each in its own words.

use std::path::Path;

use photometry::units::{Length, Wall};
use sqlx::{ConnectOptions, Connection, Executor};

use super::error::StoreError;
use super::open::{APPLICATION_ID, Store, newest_layout};
use super::samples::{Story, frozen};
use crate::plan::frozen::SentText;
use crate::plan::samples;

/// Runs SQL in a file by a connection of its own, as a person would.
async fn by_hand(file: &Path, sql: &'static str) -> Result<(), sqlx::Error> {
    let mut connection = sqlx::sqlite::SqliteConnectOptions::new()
        .filename(file)
        .create_if_missing(true)
        .connect()
        .await?;
    connection.execute(sql).await?;
    connection.close().await
}

/// The refusal of a file, with its folder's name taken out.
async fn refusal(file: &Path) -> (StoreError, String) {
    let before = std::fs::read(file).expect("a file");
    let error = Store::open(file).await.expect_err("refused");
    let after = std::fs::read(file).expect("a file");
    assert_eq!(before, after, "a refused file is left alone: {error}");
    let folder = file.parent().expect("a folder").display().to_string();
    let words = error.to_string().replace(&folder, "DATA");
    (error, words)
}

#[tokio::test]
async fn a_new_file_and_an_existing_one_are_brought_to_the_present_layout() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("record.db");
    assert!(matches!(
        Store::open_read_only(&file).await,
        Err(StoreError::Absent { .. })
    ));
    for _ in 0..2 {
        let store = Store::open(&file).await.expect("opened");
        let row: (i64, i64, String, i64) = sqlx::query_as(
            "SELECT (SELECT application_id FROM pragma_application_id),
                    (SELECT user_version FROM pragma_user_version),
                    (SELECT journal_mode FROM pragma_journal_mode),
                    (SELECT synchronous FROM pragma_synchronous)",
        )
        .fetch_one(store.writer().expect("a writer"))
        .await
        .expect("a row");
        let full = 2;
        assert_eq!(
            row,
            (
                i64::from(APPLICATION_ID),
                newest_layout(),
                "wal".to_owned(),
                full
            )
        );
        store.close().await;
    }
    let store = Store::open_read_only(&file).await.expect("opened");
    let refused = store.place(&samples::placement()).await;
    assert!(matches!(refused, Err(StoreError::ReadOnly)));
    assert!(
        sqlx::query("DELETE FROM lamps")
            .execute(store.readers())
            .await
            .is_err(),
        "a reader cannot write"
    );
}

#[tokio::test]
async fn a_file_that_was_opened_but_never_laid_out_is_ours_to_fill() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("record.db");
    std::fs::write(&file, b"").expect("written");
    Store::open(&file).await.expect("an empty file is no file");
    let file = folder.path().join("second.db");
    by_hand(&file, "PRAGMA journal_mode = WAL; PRAGMA user_version = 0")
        .await
        .expect("made");
    Store::open(&file).await.expect("a database without tables");
}

#[tokio::test]
async fn files_that_are_not_ours_are_refused_in_their_own_words() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    std::fs::write(
        at("text.db"),
        "a shopping list, long enough to fill a header. ".repeat(9),
    )
    .expect("written");
    std::fs::write(at("short.db"), "SQLite format 3").expect("written");
    by_hand(
        &at("app.db"),
        "CREATE TABLE songs (name TEXT); PRAGMA application_id = 252006674",
    )
    .await
    .expect("made");
    by_hand(&at("tables.db"), "CREATE TABLE songs (name TEXT)")
        .await
        .expect("made");
    let mut words = String::new();
    for name in ["text.db", "short.db", "app.db", "tables.db"] {
        let (error, said) = refusal(&at(name)).await;
        let fits = match name {
            "text.db" | "short.db" => matches!(error, StoreError::NotADatabase { .. }),
            _ => matches!(error, StoreError::Foreign { .. }),
        };
        assert!(fits, "{error:?}");
        words += &format!("{said}\n");
    }
    insta::assert_snapshot!(words);
}

#[tokio::test]
async fn a_newer_layout_is_refused_and_an_older_one_only_for_reading() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("record.db");
    Store::open(&file).await.expect("opened").close().await;
    by_hand(&file, "PRAGMA user_version = 99")
        .await
        .expect("set");
    let (error, said) = refusal(&file).await;
    assert!(matches!(error, StoreError::Newer { version: 99, .. }));
    let reading = Store::open_read_only(&file).await;
    assert!(matches!(reading, Err(StoreError::Newer { .. })));
    by_hand(&file, "PRAGMA user_version = 1")
        .await
        .expect("set");
    let older = Store::open_read_only(&file).await.expect_err("refused");
    assert!(matches!(older, StoreError::Older { version: 1, .. }));
    let folder = folder.path().display().to_string();
    let words = format!("{said}\n{older}\n").replace(&folder, "DATA");
    insta::assert_snapshot!(words);
}

#[tokio::test]
async fn a_file_cut_short_is_refused_at_every_page() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("record.db");
    let store = Store::open(&file).await.expect("opened");
    Story::begin(frozen(1, samples::survey(&[6])))
        .write(&store)
        .await;
    store.close().await;
    let whole = std::fs::read(&file).expect("a file");
    assert_eq!(whole.len() % 4096, 0);
    for pages in 1..whole.len() / 4096 {
        std::fs::write(&file, &whole[..pages * 4096 + 100]).expect("written");
        let (error, _) = refusal(&file).await;
        assert!(
            matches!(error, StoreError::Truncated { .. }),
            "{pages}: {error:?}"
        );
    }
}

#[tokio::test]
async fn a_record_that_was_never_closed_opens_again_with_everything_in_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("record.db");
    let store = Store::open(&file).await.expect("opened");
    let story = Story::begin(frozen(1, samples::survey(&[6])));
    let run = story.write(&store).await;
    // What a kill leaves: the file as it is now, and its log.
    let copy = folder.path().join("copy.db");
    std::fs::copy(&file, &copy).expect("copied");
    std::fs::copy(
        folder.path().join("record.db-wal"),
        folder.path().join("copy.db-wal"),
    )
    .expect("a log stands beside an open record");
    let again = Store::open(&copy).await.expect("opened");
    assert_eq!(
        again.events(run, 0, 100).await.expect("events"),
        story.events
    );
}

#[tokio::test]
async fn lamps_keep_every_version_and_give_the_newest() {
    let folder = tempfile::tempdir().expect("a folder");
    let store = Store::open(&folder.path().join("record.db"))
        .await
        .expect("opened");
    let text = |text: &str| SentText {
        name: "dunlin.yaml".to_owned(),
        text: text.to_owned(),
    };
    assert_eq!(store.lamp("dunlin").await.expect("read"), None);
    for (levels, words) in [(3, "a"), (12, "b"), (12, "b"), (3, "a")] {
        let lamp = samples::lamp(levels);
        store.put_lamp(&lamp, &text(words)).await.expect("kept");
        let found = store.lamp("dunlin").await.expect("read");
        assert_eq!(found, Some((lamp, text(words))));
    }
    let versions: i64 = sqlx::query_scalar("SELECT count(*) FROM lamps")
        .fetch_one(store.readers())
        .await
        .expect("a count");
    assert_eq!(versions, 3, "the same content twice is one version");
    assert_eq!(store.lamp_names().await.expect("names"), ["dunlin"]);
}

#[tokio::test]
async fn a_placement_ends_the_one_before_it_and_the_one_the_unit_left() {
    let folder = tempfile::tempdir().expect("a folder");
    let store = Store::open(&folder.path().join("record.db"))
        .await
        .expect("opened");
    let stands = |unit: &str, place: &str, since: i64| crate::plan::placement::Placement {
        unit: unit.to_owned(),
        place: place.to_owned(),
        gauge: Some(Length::from_nm(152_400_000)),
        firmware: Some("1.4".to_owned()),
        since: Wall::from_us(since),
        stated: [(crate::plan::placement::Stated::Supply, "230 V".to_owned())].into(),
        ..samples::placement()
    };
    let first = stands("dunlin-1", "axis", 1);
    let id = store.place(&first).await.expect("placed");
    let found = store.placement_at("strand", "axis").await.expect("read");
    assert_eq!(found, Some((id, first)));
    // Another unit comes to the same place; the first then goes elsewhere.
    let second = stands("dunlin-2", "axis", 2);
    let second_id = store.place(&second).await.expect("placed");
    assert_eq!(
        store.placement_of_unit("dunlin-1").await.expect("read"),
        None
    );
    store
        .place(&stands("dunlin-2", "still", 3))
        .await
        .expect("placed");
    assert_eq!(
        store.placement_at("strand", "axis").await.expect("read"),
        None
    );
    let (third_id, _) = store
        .placement_of_unit("dunlin-2")
        .await
        .expect("read")
        .expect("it stands");
    assert_ne!(third_id, second_id);
    store
        .end_placement(third_id, Wall::from_us(4))
        .await
        .expect("ended");
    assert_eq!(
        store.placement_of_unit("dunlin-2").await.expect("read"),
        None
    );
    let absent = store.end_placement(99, Wall::from_us(4)).await;
    assert!(matches!(absent, Err(StoreError::NoPlacement(99))));
}

/// After an error of the disk SQLite has rolled back by itself, and the library's
/// rollback finds nothing to undo. The next change is taken all the same; so is one
/// after a change that was given up half-way.
#[tokio::test]
async fn a_transaction_that_ended_by_itself_does_not_close_the_record() {
    let folder = tempfile::tempdir().expect("a folder");
    let store = Store::open(&folder.path().join("record.db"))
        .await
        .expect("opened");
    let text = SentText {
        name: "lamp.yaml".to_owned(),
        text: "lamp: dunlin\n".to_owned(),
    };
    let mut level = 0;
    for undone in [true, false] {
        let writer = store.writer().expect("a writer");
        let mut change = writer.begin_with("BEGIN IMMEDIATE").await.expect("begun");
        if undone {
            // What SQLite does at an error of the disk.
            change.execute("ROLLBACK").await.expect("rolled back");
        }
        drop(change);
        level += 1;
        store
            .put_lamp(&samples::lamp(12), &text)
            .await
            .expect("a lamp");
        store.place(&samples::placement()).await.expect("placed");
        let placed: i64 = sqlx::query_scalar("SELECT count(*) FROM placements")
            .fetch_one(store.writer().expect("a writer"))
            .await
            .expect("a count");
        assert_eq!(placed, level);
    }
}
