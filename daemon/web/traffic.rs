//! What went over the links of a run's devices, where it was kept.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;

use super::problem::Trouble;
use super::runs;
use super::serve::Desk;
use super::wire::{Piece, PieceText, problems};
use crate::store::traffic::PieceRow;

/// `GET /runs/{run}/traffic`
///
/// # Errors
/// When there is no such run.
pub async fn list(
    State(desk): State<Desk>,
    Path(run): Path<String>,
) -> Result<Json<Vec<Piece>>, Trouble> {
    let run = runs::number(&run)?;
    if desk.store.run(run).await?.is_none() {
        return Err(Trouble::no_run(run));
    }
    let rows = desk.store.traffic(run).await?;
    let mut pieces = Vec::with_capacity(rows.len());
    let mut before: Option<&PieceRow> = None;
    for row in &rows {
        let earlier = before.filter(|piece| piece.device == row.device);
        pieces.push(Piece {
            run: run.0,
            device: row.device.clone(),
            no: row.no,
            sitting: row.sitting,
            from_s: row.from.secs(),
            to_s: row.to.secs(),
            bytes: row.bytes,
            missing_before_bytes: row.lost_after(earlier),
            missing_after_bytes: row.not_kept,
            is_full: row.is_full,
            digest: row.digest.clone(),
        });
        before = Some(row);
    }
    Ok(Json(pieces))
}

/// `GET /runs/{run}/traffic/{digest}`
///
/// # Errors
/// When there is no such piece.
pub async fn show(
    State(desk): State<Desk>,
    Path((run, digest)): Path<(String, String)>,
) -> Result<Json<PieceText>, Trouble> {
    let run = runs::number(&run)?;
    match desk.store.traffic_text(run, &digest).await? {
        Some(text) => Ok(Json(PieceText { text })),
        None => {
            let title = format!("run {run} has no such piece of traffic");
            let (kind, status) = (problems::NO_SUCH_NAME, StatusCode::NOT_FOUND);
            Err(Trouble::new(kind, status, &title, ""))
        }
    }
}
