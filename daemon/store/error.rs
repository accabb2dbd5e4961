//! What can go wrong with the record, and what to do about it.

use std::path::PathBuf;

use crate::run::journal::RunId;

/// Why the store could not do it.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Not a SQLite file at all.
    #[error(
        "{} is not a database: {why}. Nothing was changed; name another file or move this one away", file.display()
    )]
    NotADatabase {
        /// The file.
        file: PathBuf,
        /// What was found.
        why: &'static str,
    },
    /// A database of some other program.
    #[error(
        "{} is a database of another program ({found}). Nothing was changed; name another data directory", file.display()
    )]
    Foreign {
        /// The file.
        file: PathBuf,
        /// Its application id, or a table that is not ours.
        found: String,
    },
    /// Written by a later version of this program.
    #[error(
        "{} was written by a newer version of wakerail (layout {version}, this one knows up to {known}). \
         Nothing was changed; use that version or a newer one", file.display()
    )]
    Newer {
        /// The file.
        file: PathBuf,
        /// Its layout.
        version: i64,
        /// The newest layout that this program knows.
        known: i64,
    },
    /// Written by an earlier version, and opened for reading only.
    #[error(
        "{} has an older layout ({version}, now {known}); start `wakerail serve` once to bring it up to date", file.display()
    )]
    Older {
        /// The file.
        file: PathBuf,
        /// Its layout.
        version: i64,
        /// The layout of this program.
        known: i64,
    },
    /// Shorter than its own header says.
    #[error(
        "{} is cut short: {bytes} bytes where its header says {expected}. Nothing was changed; restore a \
         back-up, or read out what is left with `sqlite3 FILE .recover`", file.display()
    )]
    Truncated {
        /// The file.
        file: PathBuf,
        /// Its length.
        bytes: u64,
        /// The length that its header states.
        expected: u64,
    },
    /// SQLite finds it damaged.
    #[error(
        "{} is damaged: {detail}. Restore a back-up, or read out what is left with `sqlite3 FILE .recover`", file.display()
    )]
    Damaged {
        /// The file.
        file: PathBuf,
        /// SQLite's words.
        detail: String,
    },
    /// Another program holds the file.
    #[error(
        "{} is locked by another program for longer than 5 s. End that program (a database client with an \
         open transaction?) and try again", file.display()
    )]
    Busy {
        /// The file.
        file: PathBuf,
    },
    /// The transaction that held it failed.
    #[error("an event could not be written with those of other runs: {why}")]
    WithOthers {
        /// What the first of them was told.
        why: String,
    },
    /// No room for more.
    #[error(
        "{} has no room to grow: {bytes} bytes could not be written beside it ({source}). Free some \
         room on that disk", file.display()
    )]
    NoRoom {
        /// The file.
        file: PathBuf,
        /// How much was tried.
        bytes: usize,
        /// The system's reason.
        source: std::io::Error,
    },
    /// The file cannot be reached.
    #[error("{} could not be opened: {source}", file.display())]
    Unreachable {
        /// The file.
        file: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
    /// No such file, where one must exist.
    #[error("{} does not exist; nothing was recorded there yet", file.display())]
    Absent {
        /// The file.
        file: PathBuf,
    },
    /// The SQLite in the program is older than the one that fixed the loss of
    /// WAL content.
    #[error(
        "this program was built with SQLite {found}; at least {least} is needed. Build it again"
    )]
    SqliteTooOld {
        /// Its version.
        found: String,
        /// What is needed.
        least: &'static str,
    },
    /// The file's layout could not be brought up to date.
    #[error("{} could not be brought to the present layout; it is as it was before", file.display())]
    Migration {
        /// The file.
        file: PathBuf,
        /// Why.
        source: sqlx::migrate::MigrateError,
    },
    /// Opened for reading only.
    #[error("the record was opened for reading only")]
    ReadOnly,
    /// SQLite refused or failed.
    #[error("the record failed while {doing}")]
    Sql {
        /// What was being done.
        doing: &'static str,
        /// Why.
        source: sqlx::Error,
    },
    /// Something could not be written as JSON, or read back.
    #[error("{what} is not readable")]
    Json {
        /// What.
        what: &'static str,
        /// Why.
        source: serde_json::Error,
    },
    /// A row that this program cannot have written.
    #[error(
        "the record holds {what} that makes no sense: {found}. `wakerail` did not write it; verify the run"
    )]
    BadRow {
        /// What.
        what: &'static str,
        /// What was found.
        found: String,
    },
    /// No such run.
    #[error("there is no run {0}")]
    NoRun(RunId),
    /// No such placement.
    #[error("there is no placement {0}")]
    NoPlacement(i64),
    /// A run that has begun cannot be frozen anew or set aside.
    #[error("run {0} has begun, or is over; what it froze is never edited")]
    HasBegun(RunId),
    /// A run that has not begun takes no remarks: its bundle may be frozen anew.
    #[error("run {0} has not begun; there is nothing in it to remark on")]
    NotBegun(RunId),
    /// A run has as many remarks as it may have.
    #[error("run {0} has as many remarks as are kept")]
    TooManyRemarks(RunId),
    /// A client's key was used before.
    #[error("run {run} was booked with the key `{key}` already; use a new key for another run")]
    KeyUsed {
        /// The key.
        key: String,
        /// The run that has it.
        run: RunId,
    },
    /// An event that does not follow the last one.
    #[error("event {seq} does not follow event {last}")]
    NotNext {
        /// The event's number.
        seq: u64,
        /// The last number written.
        last: u64,
    },
    /// An event whose link does not follow from the one before.
    #[error("event {seq}: its link does not follow from the event before")]
    LinkBroken {
        /// The event's number.
        seq: u64,
    },
    /// Another event is already written under this number.
    #[error("event {seq} is already written, with another content")]
    Differs {
        /// The event's number.
        seq: u64,
    },
}

impl StoreError {
    /// Wraps an SQL error with what was being done.
    pub(super) fn sql(doing: &'static str) -> impl Fn(sqlx::Error) -> StoreError {
        move |source| StoreError::Sql { doing, source }
    }

    /// Wraps a JSON error with what was being read or written.
    pub(super) fn json(what: &'static str) -> impl Fn(serde_json::Error) -> StoreError {
        move |source| StoreError::Json { what, source }
    }
}

/// An error with its causes, in one line.
pub fn reasons(error: &StoreError) -> String {
    let mut text = error.to_string();
    let mut cause = std::error::Error::source(error);
    while let Some(error) = cause {
        text.push_str(": ");
        text.push_str(&error.to_string());
        cause = error.source();
    }
    text
}
