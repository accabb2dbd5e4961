//! Opening the file: one writer, up to four readers, and which files are
//! refused before a byte of them is changed.
//!
//! Refused: what is not SQLite, what is another program's, what a newer
//! version wrote, what is cut short. The order matters: nothing that could
//! change the file runs before all of these have passed.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

use sqlx::migrate::Migrator;
use sqlx::sqlite::{
    SqliteConnectOptions, SqliteConnection, SqliteJournalMode, SqlitePool, SqlitePoolOptions,
    SqliteSynchronous,
};
use sqlx::{ConnectOptions, Connection, Row};

use super::commit::Tray;
use super::error::StoreError;

/// `PRAGMA application_id`: "wkrl".
pub const APPLICATION_ID: u32 = 0x776b_726c;

/// The SQLite that stopped losing WAL content at a reset of the log (3.7.0 to
/// 3.51.2 could).
const SQLITE_AT_LEAST: (&str, [u32; 3]) = ("3.51.3", [3, 51, 3]);

/// How long to wait for another program's lock, in seconds; a person's client
/// with a short transaction passes, a forgotten one is named.
const BUSY_TIMEOUT_S: u64 = 5;

/// Readers at the same time.
pub(super) const READERS_AT_MOST: u32 = 4;

/// Rows that SQLite's thread may be ahead of their reader: with few, the two
/// wake each other for every handful of a long journal.
const ROWS_AHEAD: usize = 1_000;

/// Waits for a free connection, in seconds: longer than the busy time-out, so
/// that the lock is named and not the pool.
const ACQUIRE_TIMEOUT_S: u64 = 30;

static MIGRATIONS: Migrator = sqlx::migrate!();

/// The record. Cheap to clone; all clones share the same connections.
#[derive(Clone, Debug)]
pub struct Store {
    file: PathBuf,
    writer: Option<SqlitePool>,
    readers: SqlitePool,
    tray: Tray,
}

impl Store {
    /// Opens the record for writing; creates the file or brings its layout up
    /// to date. The caller holds the lock of the data directory.
    ///
    /// # Errors
    /// One variant for each kind of file that is refused; nothing in such a
    /// file is changed.
    pub async fn open(file: &Path) -> Result<Store, StoreError> {
        let fresh = !look_at_header(file)?;
        if !fresh {
            look_inside(file).await?;
        }
        let options = common(file)
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .pragma("recursive_triggers", "ON");
        // One connection that is never recycled: closing it would close the
        // WAL, and a second one would only wait for the first.
        let writer = SqlitePoolOptions::new()
            .max_connections(1)
            .idle_timeout(None)
            .max_lifetime(None)
            .acquire_timeout(Duration::from_secs(ACQUIRE_TIMEOUT_S))
            .test_before_acquire(false)
            .before_acquire(|connection, _| {
                Box::pin(async move { is_between_transactions(connection).await })
            })
            .connect_with(options)
            .await
            .map_err(|source| opening(file, source))?;
        check_sqlite(&writer).await?;
        if !fresh {
            check_length(file, &writer).await?;
        }
        MIGRATIONS
            .run(&writer)
            .await
            .map_err(|source| StoreError::Migration {
                file: file.to_owned(),
                source,
            })?;
        let readers = readers(file).await?;
        Ok(Store {
            file: file.to_owned(),
            writer: Some(writer),
            readers,
            tray: Tray::default(),
        })
    }

    /// Opens an existing record for reading; also while a daemon writes it.
    ///
    /// # Errors
    /// As [`Store::open`]; also when the file does not exist, or its layout is
    /// older than this program's.
    pub async fn open_read_only(file: &Path) -> Result<Store, StoreError> {
        if !look_at_header(file)? {
            return Err(StoreError::Absent {
                file: file.to_owned(),
            });
        }
        let (version, known) = (look_inside(file).await?, newest_layout());
        if version < known {
            return Err(StoreError::Older {
                file: file.to_owned(),
                version,
                known,
            });
        }
        let readers = readers(file).await?;
        check_sqlite(&readers).await?;
        Ok(Store {
            file: file.to_owned(),
            writer: None,
            readers,
            tray: Tray::default(),
        })
    }

    /// The file.
    pub fn file(&self) -> &Path {
        &self.file
    }

    /// Closes all connections; the log is folded into the file.
    pub async fn close(&self) {
        self.readers.close().await;
        if let Some(writer) = &self.writer {
            writer.close().await;
        }
    }

    pub(super) fn writer(&self) -> Result<&SqlitePool, StoreError> {
        self.writer.as_ref().ok_or(StoreError::ReadOnly)
    }

    pub(super) fn tray(&self) -> &Tray {
        &self.tray
    }

    pub(super) fn readers(&self) -> &SqlitePool {
        &self.readers
    }
}

/// Whether a writer's last transaction is over for both sides; else it is closed
/// and another one opened.
///
/// After an error of the disk SQLite rolls back by itself; the library's own
/// rollback then finds nothing to undo, fails, and the library counts a
/// transaction as open for ever: every later change would be refused.
async fn is_between_transactions(connection: &mut SqliteConnection) -> Result<bool, sqlx::Error> {
    if connection.is_in_transaction() {
        // A rollback that was only asked for is done before this is answered.
        connection.ping().await?;
    }
    Ok(!connection.is_in_transaction())
}

/// The version of the SQLite that is built in.
///
/// # Errors
/// When it does not answer.
pub async fn sqlite_version() -> Result<String, StoreError> {
    let doing = StoreError::sql("asking SQLite for its version");
    let mut memory = match SqliteConnectOptions::new().in_memory(true).connect().await {
        Ok(memory) => memory,
        Err(error) => return Err(doing(error)),
    };
    sqlx::query_scalar("SELECT sqlite_version()")
        .fetch_one(&mut memory)
        .await
        .map_err(StoreError::sql("asking SQLite for its version"))
}

/// The newest layout that this program knows.
pub fn newest_layout() -> i64 {
    MIGRATIONS.iter().map(|m| m.version).max().unwrap_or(0)
}

fn common(file: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new()
        .filename(file)
        .busy_timeout(Duration::from_secs(BUSY_TIMEOUT_S))
        .pragma("trusted_schema", "OFF")
        .disable_statement_logging()
}

async fn readers(file: &Path) -> Result<SqlitePool, StoreError> {
    SqlitePoolOptions::new()
        .max_connections(READERS_AT_MOST)
        .acquire_timeout(Duration::from_secs(ACQUIRE_TIMEOUT_S))
        .test_before_acquire(false)
        .connect_with(
            common(file)
                .read_only(true)
                .pragma("query_only", "ON")
                .row_buffer_size(ROWS_AHEAD),
        )
        .await
        .map_err(|source| opening(file, source))
}

/// Reads the first 100 bytes (SQLite's file format, "The database header").
/// False when there is no content yet.
pub(super) fn look_at_header(file: &Path) -> Result<bool, StoreError> {
    let unreachable = |source| StoreError::Unreachable {
        file: file.to_owned(),
        source,
    };
    let mut opened = match std::fs::File::open(file) {
        Ok(opened) => opened,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(false),
        Err(error) => return Err(unreachable(error)),
    };
    let bytes = opened.metadata().map_err(unreachable)?.len();
    if bytes == 0 {
        return Ok(false);
    }
    let not_a_database = |why| StoreError::NotADatabase {
        file: file.to_owned(),
        why,
    };
    let mut header = [0_u8; 100];
    if bytes < header.len() as u64 {
        return Err(not_a_database("it is shorter than a database's header"));
    }
    opened.read_exact(&mut header).map_err(unreachable)?;
    if &header[..16] != b"SQLite format 3\0" {
        return Err(not_a_database("it does not begin as one"));
    }
    let word = |at: usize| {
        u32::from_be_bytes([header[at], header[at + 1], header[at + 2], header[at + 3]])
    };
    let id = word(68);
    if id != 0 && id != APPLICATION_ID {
        return Err(StoreError::Foreign {
            file: file.to_owned(),
            found: format!("application id {id}"),
        });
    }
    // With a log beside it the file may lawfully be behind its header; the
    // length is then checked after the log was folded in.
    let page = match u16::from_be_bytes([header[16], header[17]]) {
        1 => 65_536,
        size => u64::from(size),
    };
    let expected = page * u64::from(word(28));
    if !log_beside(file) && word(24) == word(92) && bytes < expected {
        return Err(StoreError::Truncated {
            file: file.to_owned(),
            bytes,
            expected,
        });
    }
    Ok(true)
}

fn log_beside(file: &Path) -> bool {
    let mut log = file.as_os_str().to_owned();
    log.push("-wal");
    std::fs::metadata(log).is_ok_and(|meta| meta.len() > 0)
}

/// Whose database is it, and how new? Through a connection that cannot write.
/// Gives its layout.
async fn look_inside(file: &Path) -> Result<i64, StoreError> {
    let failed = |source| opening(file, source);
    let mut connection = common(file)
        .read_only(true)
        .connect()
        .await
        .map_err(failed)?;
    let found = whose(&mut connection).await;
    connection.close().await.map_err(failed)?;
    let (id, version, stranger) = found.map_err(failed)?;
    let foreign = |found| StoreError::Foreign {
        file: file.to_owned(),
        found,
    };
    match (id, stranger) {
        (0, Some(table)) => return Err(foreign(format!("it has a table `{table}`"))),
        (id, _) if id != 0 && id != i64::from(APPLICATION_ID) => {
            return Err(foreign(format!("application id {id}")));
        }
        _ => {}
    }
    let known = newest_layout();
    if version > known {
        return Err(StoreError::Newer {
            file: file.to_owned(),
            version,
            known,
        });
    }
    Ok(version)
}

/// Application id, layout, and a table that only another program can have
/// made (looked for where the id is not set yet).
async fn whose(
    connection: &mut SqliteConnection,
) -> Result<(i64, i64, Option<String>), sqlx::Error> {
    let row = sqlx::query(
        "SELECT (SELECT application_id FROM pragma_application_id),
                (SELECT user_version FROM pragma_user_version),
                (SELECT name FROM sqlite_schema WHERE name <> '_sqlx_migrations'
                   AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\' LIMIT 1)",
    )
    .fetch_one(connection)
    .await?;
    Ok((row.try_get(0)?, row.try_get(1)?, row.try_get(2)?))
}

/// Folds the log into the file and compares the file's length with what the
/// database believes.
async fn check_length(file: &Path, writer: &SqlitePool) -> Result<(), StoreError> {
    let failed = |source| opening(file, source);
    let row = sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)")
        .fetch_one(writer)
        .await
        .map_err(failed)?;
    let busy: i64 = row.try_get(0).map_err(failed)?;
    if busy != 0 {
        return Ok(()); // a reader holds the log: nothing can be said
    }
    let row = sqlx::query(
        "SELECT (SELECT page_count FROM pragma_page_count), (SELECT page_size FROM pragma_page_size)",
    )
    .fetch_one(writer)
    .await
    .map_err(failed)?;
    let (pages, size): (i64, i64) = (
        row.try_get(0).map_err(failed)?,
        row.try_get(1).map_err(failed)?,
    );
    let expected = pages.unsigned_abs() * size.unsigned_abs();
    let bytes = std::fs::metadata(file)
        .map_err(|source| StoreError::Unreachable {
            file: file.to_owned(),
            source,
        })?
        .len();
    if bytes < expected {
        return Err(StoreError::Truncated {
            file: file.to_owned(),
            bytes,
            expected,
        });
    }
    Ok(())
}

async fn check_sqlite(pool: &SqlitePool) -> Result<(), StoreError> {
    let found: String = sqlx::query_scalar("SELECT sqlite_version()")
        .fetch_one(pool)
        .await
        .map_err(StoreError::sql("asking for SQLite's version"))?;
    if new_enough(&found) {
        return Ok(());
    }
    Err(StoreError::SqliteTooOld {
        found,
        least: SQLITE_AT_LEAST.0,
    })
}

fn new_enough(version: &str) -> bool {
    let parts: Vec<u32> = version
        .split('.')
        .map_while(|part| part.parse().ok())
        .collect();
    parts.as_slice() >= SQLITE_AT_LEAST.1.as_slice()
}

fn opening(file: &Path, source: sqlx::Error) -> StoreError {
    naming(file, "opening the file", source)
}

/// Names what SQLite's result code means for the file.
pub(super) fn naming(file: &Path, doing: &'static str, source: sqlx::Error) -> StoreError {
    let code = source
        .as_database_error()
        .and_then(|error| error.code())
        .and_then(|code| code.parse::<u32>().ok())
        .map(|code| code & 0xff); // the primary code of an extended one
    let file = file.to_owned();
    match code {
        Some(5 | 6) => StoreError::Busy { file },
        Some(11) => StoreError::Damaged {
            file,
            detail: source.to_string(),
        },
        Some(26) => StoreError::NotADatabase {
            file,
            why: "SQLite cannot read it",
        },
        _ => StoreError::Sql { doing, source },
    }
}
