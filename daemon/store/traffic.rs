//! The kept traffic of runs: pieces of text beside the journal, each compressed
//! (zlib) and addressed by its SHA-256.
//!
//! A piece is written in a transaction of its own, so that no event fails with
//! it; what could not be written is missing and told by the place of the next.
//! Everything that a row says stands in the first line of its text too, and so
//! under the digest.
//!
//! Called by: the ledger (writes), web (reads), check. Not here: when pieces are
//! cut (attendant), the form of their lines (drivers).

use miniz_oxide::deflate::compress_to_vec_zlib;
use miniz_oxide::inflate::decompress_to_vec_zlib_with_limit;
use photometry::units::Span;
use sqlx::Row;
use sqlx::sqlite::SqliteRow;

use super::error::{StoreError, reasons};
use super::open::Store;
use crate::run::journal::{Link, RunId};
use crate::run::traffic::Piece;

/// Bytes of one device's link that are kept of one run, as they went over it.
pub const KEPT_AT_MOST_BYTES: u64 = 64 << 20;

/// The longest text of one piece, in bytes; a piece is cut long before.
const TEXT_AT_MOST_BYTES: usize = 32 << 20;

/// Of 0 to 10: more takes longer and gains little on lines that are so alike.
const LEVEL: u8 = 6;

/// A piece in the record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PieceRow {
    /// The device's name.
    pub device: String,
    /// Counts the device's pieces, from 1.
    pub no: u64,
    /// Which life of the daemon, from 1.
    pub sitting: u32,
    /// Its first and last bytes went so long after the run began.
    pub from: Span,
    /// See `from`.
    pub to: Span,
    /// Bytes that had gone over the link in this sitting before it.
    pub begins_at: u64,
    /// Bytes in it.
    pub bytes: u64,
    /// Bytes after it that came too fast to be kept.
    pub not_kept: u64,
    /// The run's limit for this device was reached: nothing of it and after it.
    pub is_full: bool,
    /// SHA-256 of its stored content, hexadecimal.
    pub digest: String,
}

impl PieceRow {
    /// The first line of its text, without the end of line.
    fn first_line(&self, run: RunId) -> String {
        let seconds = |span: Span| span.ns() as f64 / 1e9;
        let (from, to) = (seconds(self.from), seconds(self.to));
        let end = self.begins_at + self.bytes;
        let mut line = format!(
            "# piece {} of {}, run {run}, sitting {}, {from:.9} s to {to:.9} s, bytes {} to {end}",
            self.no, self.device, self.sitting, self.begins_at
        );
        if self.not_kept > 0 {
            line.push_str(&format!("; {} after it came too fast", self.not_kept));
        }
        if self.is_full {
            line.push_str("; the limit is reached, nothing more is kept");
        }
        line
    }

    /// Bytes between two pieces of a device that went over its link and are in
    /// neither: the piece that held them could not be written.
    pub fn lost_after(&self, earlier: Option<&PieceRow>) -> u64 {
        let earlier = earlier.filter(|piece| piece.sitting == self.sitting);
        let end = earlier.map_or(0, |piece| piece.begins_at + piece.bytes + piece.not_kept);
        self.begins_at.saturating_sub(end)
    }
}

/// A piece with its content, on its way to disk.
struct Packed {
    row: PieceRow,
    content: Vec<u8>,
}

const COLUMNS: &str = "SELECT device, no, sitting, from_ns, to_ns, begins_at_byte, bytes, \
     not_kept_bytes, is_full, digest FROM traffic WHERE run = ? ORDER BY device, no";

impl Store {
    /// Keeps pieces of a run's traffic, each behind the last of its device. A
    /// device that has reached [`KEPT_AT_MOST_BYTES`] gets one piece that says so.
    ///
    /// # Errors
    /// When they could not be written: none of them is then.
    pub async fn keep_traffic(&self, run: RunId, pieces: Vec<Piece>) -> Result<(), StoreError> {
        self.keep_traffic_up_to(run, pieces, KEPT_AT_MOST_BYTES)
            .await
    }

    pub(super) async fn keep_traffic_up_to(
        &self,
        run: RunId,
        pieces: Vec<Piece>,
        at_most: u64,
    ) -> Result<(), StoreError> {
        let doing = StoreError::sql("keeping traffic");
        let mut packed = Vec::new();
        for piece in pieces {
            if let Some((row, text)) = self.placed(run, piece, at_most).await? {
                packed.push(pack(run, row, text).await?);
            }
        }
        if packed.is_empty() {
            return Ok(());
        }
        let mut change = self
            .writer()?
            .begin_with("BEGIN IMMEDIATE")
            .await
            .map_err(&doing)?;
        for Packed { row, content } in &packed {
            sqlx::query("INSERT INTO attachments (digest, content) VALUES (?, ?)")
                .bind(&row.digest)
                .bind(content)
                .execute(&mut *change)
                .await
                .map_err(&doing)?;
            insert(run, row)
                .execute(&mut *change)
                .await
                .map_err(&doing)?;
        }
        change.commit().await.map_err(&doing)
    }

    /// Where a piece comes in the record, and its text; none where its device has
    /// reached the limit before.
    async fn placed(
        &self,
        run: RunId,
        piece: Piece,
        at_most: u64,
    ) -> Result<Option<(PieceRow, String)>, StoreError> {
        let doing = StoreError::sql("looking for kept traffic");
        let sql = "SELECT coalesce(max(no), 0), coalesce(sum(bytes), 0), coalesce(max(is_full), 0) \
                   FROM traffic WHERE run = ? AND device = ?";
        let found = sqlx::query(sql)
            .bind(run.0)
            .bind(&piece.device)
            .fetch_one(self.readers())
            .await
            .map_err(&doing)?;
        let number = |at: usize| found.try_get::<i64, _>(at).map(i64::unsigned_abs);
        let (last, kept) = (number(0).map_err(&doing)?, number(1).map_err(&doing)?);
        if number(2).map_err(&doing)? > 0 {
            return Ok(None);
        }
        let is_full = kept + piece.bytes > at_most;
        let row = PieceRow {
            device: piece.device,
            no: last + 1,
            sitting: piece.sitting,
            from: piece.from,
            to: piece.to,
            begins_at: piece.begins_at,
            bytes: if is_full { 0 } else { piece.bytes },
            not_kept: if is_full { 0 } else { piece.not_kept },
            is_full,
            digest: String::new(),
        };
        let text = if is_full { String::new() } else { piece.text };
        Ok(Some((row, text)))
    }

    /// The pieces of a run's traffic, device by device, in their order.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn traffic(&self, run: RunId) -> Result<Vec<PieceRow>, StoreError> {
        let doing = StoreError::sql("listing kept traffic");
        let rows = sqlx::query(COLUMNS)
            .bind(run.0)
            .fetch_all(self.readers())
            .await
            .map_err(&doing)?;
        rows.iter()
            .map(|row| piece_of(row).map_err(&doing))
            .collect()
    }

    /// The text of a piece of a run, by its digest; none where there is no such
    /// piece.
    ///
    /// # Errors
    /// When the record cannot be read, or the content is not what was written.
    pub async fn traffic_text(
        &self,
        run: RunId,
        digest: &str,
    ) -> Result<Option<String>, StoreError> {
        let sql = "SELECT content FROM attachments a WHERE digest = ? \
                   AND EXISTS (SELECT 1 FROM traffic t WHERE t.run = ? AND t.digest = a.digest)";
        let content: Option<Vec<u8>> = sqlx::query_scalar(sql)
            .bind(digest)
            .bind(run.0)
            .fetch_optional(self.readers())
            .await
            .map_err(StoreError::sql("reading kept traffic"))?;
        let text = content.map(|content| text_of(&content, digest)).transpose();
        text.map_err(|found| StoreError::BadRow {
            what: "a piece of traffic",
            found,
        })
    }

    /// Looks a run's kept traffic through: pieces that are as they were written,
    /// and the first that is not, in words.
    pub(super) async fn verify_traffic(
        &self,
        run: RunId,
    ) -> Result<(u64, Option<String>), StoreError> {
        let mut whole = 0;
        let mut before: Option<PieceRow> = None;
        for row in self.traffic(run).await? {
            let earlier = before.as_ref().filter(|piece| piece.device == row.device);
            let wanted = earlier.map_or(1, |piece| piece.no + 1);
            let why = match self.traffic_text(run, &row.digest).await {
                _ if row.no != wanted => Some("the one before it is missing".to_owned()),
                Err(error) => Some(reasons(&error)),
                Ok(None) => Some("its content is missing".to_owned()),
                Ok(Some(text)) if text.lines().next() != Some(row.first_line(run).as_str()) => {
                    Some("its columns differ from its content".to_owned())
                }
                Ok(Some(_)) => None,
            };
            if let Some(why) = why {
                let what = format!("traffic of {}, piece {wanted}: {why}", row.device);
                return Ok((whole, Some(what)));
            }
            whole += 1;
            before = Some(row);
        }
        Ok((whole, None))
    }
}

/// Compressed and digested, away from the threads that answer.
async fn pack(run: RunId, mut row: PieceRow, text: String) -> Result<Packed, StoreError> {
    let whole = format!("{}\n{text}", row.first_line(run));
    let packing = tokio::task::spawn_blocking(move || {
        let content = compress_to_vec_zlib(whole.as_bytes(), LEVEL);
        row.digest = Link::of_bundle(&content).hex();
        Packed { row, content }
    });
    let crashed = |_| StoreError::sql("packing traffic")(sqlx::Error::WorkerCrashed);
    packing.await.map_err(crashed)
}

/// The text of a content, or what is wrong with it.
fn text_of(content: &[u8], digest: &str) -> Result<String, String> {
    if Link::of_bundle(content).hex() != digest {
        return Err("its content does not fit its digest".to_owned());
    }
    let bytes = decompress_to_vec_zlib_with_limit(content, TEXT_AT_MOST_BYTES)
        .map_err(|error| format!("its content cannot be unpacked ({error})"))?;
    String::from_utf8(bytes).map_err(|_| "its content is no text".to_owned())
}

type Insert<'q> = sqlx::query::Query<'q, sqlx::Sqlite, sqlx::sqlite::SqliteArguments>;

fn insert(run: RunId, row: &PieceRow) -> Insert<'_> {
    // Counts of bytes and pieces stay far below 2^63.
    let sql = "INSERT INTO traffic (run, device, no, sitting, from_ns, to_ns, begins_at_byte, \
               bytes, not_kept_bytes, is_full, digest) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)";
    sqlx::query(sql)
        .bind(run.0)
        .bind(&row.device)
        .bind(row.no as i64)
        .bind(row.sitting)
        .bind(row.from.ns())
        .bind(row.to.ns())
        .bind(row.begins_at as i64)
        .bind(row.bytes as i64)
        .bind(row.not_kept as i64)
        .bind(row.is_full)
        .bind(&row.digest)
}

fn piece_of(row: &SqliteRow) -> Result<PieceRow, sqlx::Error> {
    let number = |name| row.try_get::<i64, _>(name).map(i64::unsigned_abs);
    let span = |name| row.try_get::<i64, _>(name).map(Span::from_ns);
    Ok(PieceRow {
        device: row.try_get("device")?,
        no: number("no")?,
        sitting: row.try_get("sitting")?,
        from: span("from_ns")?,
        to: span("to_ns")?,
        begins_at: number("begins_at_byte")?,
        bytes: number("bytes")?,
        not_kept: number("not_kept_bytes")?,
        is_full: row.try_get("is_full")?,
        digest: row.try_get("digest")?,
    })
}
