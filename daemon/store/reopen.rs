//! After a failure: the record is opened anew, and nothing that SQLite or the
//! system believed of it before is trusted.
//!
//! A sync that failed once may have cost pages that the system then counts as
//! written (PostgreSQL's developers found this in 2018): a second sync succeeds
//! and the disk lacks them. So everything that the log holds is written into
//! the file again and synced from there, and the log begins anew.
//!
//! Called by: queue (mend). Not here: what failed (ledger), whether a journal
//! is what was written (verify).

use std::path::{Path, PathBuf};

use sqlx::Row;
use tokio::io::AsyncWriteExt;

use super::error::StoreError;
use super::open::{READERS_AT_MOST, Store, look_at_header, naming};

/// Room that must be there before a run goes on: some two thousand events with
/// their readings, or a good part of a night.
const ROOM_BYTES: usize = 4 << 20;

impl Store {
    /// Opens the record anew and makes sure that the disk holds all of it, and
    /// has room for more.
    ///
    /// # Errors
    /// When it cannot be read, written or synced, when another program holds
    /// it, or when there is no room.
    pub async fn reopen(&self) -> Result<(), StoreError> {
        let failed = |source| naming(self.file(), "opening the record anew", source);
        // A connection that saw the failure may believe what is not so. Readers
        // at work are not waited for: they hold nothing that will be written.
        let writer = self.writer()?;
        let connection = writer.acquire().await.map_err(failed)?;
        connection.close().await.map_err(failed)?;
        for _ in 0..READERS_AT_MOST {
            let Some(reader) = self.readers().try_acquire() else {
                break;
            };
            reader.close().await.map_err(failed)?;
        }
        look_at_header(self.file())?;
        has_room(self.file()).await?;
        let row = sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)")
            .fetch_one(writer)
            .await
            .map_err(failed)?;
        let busy: i64 = row.try_get(0).map_err(failed)?;
        if busy != 0 {
            return Err(StoreError::Busy {
                file: self.file().to_owned(),
            });
        }
        Ok(())
    }
}

/// Writes and syncs a file beside the record, and removes it.
async fn has_room(file: &Path) -> Result<(), StoreError> {
    let path = {
        let mut path = file.as_os_str().to_owned();
        path.push("-room");
        PathBuf::from(path)
    };
    let tried = async {
        let mut tried = tokio::fs::File::create(&path).await?;
        tried.write_all(&vec![0; ROOM_BYTES]).await?;
        tried.sync_all().await
    };
    let tried = tried.await;
    let removed = match tokio::fs::remove_file(&path).await {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        other => other,
    };
    tried.and(removed).map_err(|source| StoreError::NoRoom {
        file: file.to_owned(),
        bytes: ROOM_BYTES,
        source,
    })
}
