//! The sheets of the evening and of the morning.

use axum::Json;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use serde::Deserialize;

use super::problem::Trouble;
use super::runs::{replayed, story};
use super::serve::Desk;
use super::tell;
use super::wire::{Morning, Tonight, problems};
use crate::plan::frozen::Frozen;
use crate::queue::sheets::{Told, morning as sheet};
use crate::run::journal::{Body, Event, Left};
use crate::run::progress::State as Progress;
use crate::store::runs::RunRow;

/// Runs that a sheet tells about: each is replayed from its journal.
const RUNS_AT_MOST: usize = 50;

/// `GET /tonight`
///
/// # Errors
/// When the record cannot be read.
pub async fn tonight(State(desk): State<Desk>) -> Result<Json<Tonight>, Trouble> {
    let mut rows = desk.store.runs().await?;
    rows.retain(|row| !row.state.is_over());
    rows.reverse(); // the first that was booked first
    let left_out = rows.len().saturating_sub(RUNS_AT_MOST);
    let mut runs = Vec::new();
    for row in rows.into_iter().take(RUNS_AT_MOST) {
        if let Some(story) = story(&desk, row.id).await? {
            runs.push(told(&desk, row, story.frozen, story.progress));
        }
    }
    Ok(Json(desk.keeper.tonight(runs, left_out).await?))
}

/// Since when.
#[derive(Debug, Default, Deserialize)]
pub struct Since {
    /// `2026-11-26T12:00` on the bench's clock; yesterday's noon if left out.
    since: Option<String>,
}

/// `GET /morning?since=2026-11-26T12:00`
///
/// # Errors
/// When the time is not understood, or the record cannot be read.
pub async fn morning(
    State(desk): State<Desk>,
    Query(Since { since }): Query<Since>,
) -> Result<Json<Morning>, Trouble> {
    let since = desk.keeper.since(since.as_deref()).map_err(|why| {
        let status = StatusCode::UNPROCESSABLE_ENTITY;
        Trouble::new(
            problems::NOT_UNDERSTOOD,
            status,
            "the time is not understood",
            why,
        )
    })?;
    let all = desk.store.runs().await?;
    let wanted: Vec<&RunRow> = all
        .iter()
        .filter(|row| sheet::belongs(row, since))
        .collect();
    let left_out = wanted.len().saturating_sub(RUNS_AT_MOST);
    let mut runs = Vec::new();
    for row in wanted.into_iter().take(RUNS_AT_MOST).rev() {
        // Readings are only needed to tell what is missing.
        let whole = match row.state.is_over() {
            true => desk.store.whole(row.id).await?,
            false => None,
        };
        let (frozen, progress, events) = match &whole {
            Some(whole) => {
                let progress = replayed(&whole.frozen, &whole.events)?;
                (whole.frozen.clone(), progress, whole.events.clone())
            }
            None => match story(&desk, row.id).await? {
                Some(story) => (story.frozen, story.progress, story.events),
                None => continue,
            },
        };
        let again = all.iter().filter(|other| other.redo_of == Some(row.id));
        let again = again.cloned().rev().collect();
        let left = left(&events).filter(|_| is_last_there(row, &all));
        let told = told(&desk, row.clone(), frozen, progress);
        let keeper = &desk.keeper;
        runs.push(keeper.morning_of(told, whole.as_ref(), left, again).await?);
    }
    Ok(Json(Morning {
        now: desk.keeper.at(desk.keeper.now().wall),
        since: desk.keeper.at(since),
        runs,
        left_out,
    }))
}

/// A run with the words of what it waits for.
fn told(desk: &Desk, mut row: RunRow, frozen: Frozen, progress: Progress) -> Told {
    let shown = tell::run(&row, Some(&progress));
    row.actions_done = shown.actions_done;
    // Nobody is there to take an answer while the bench is out of service.
    let asks = shown.asks.filter(|_| desk.keeper.trouble(&row).is_none());
    Told {
        row,
        frozen,
        progress,
        why: shown.why,
        asks,
        displaced: None,
        nowhere: false,
    }
}

/// How the bench was left the last time, and the words.
fn left(events: &[Event]) -> Option<(Left, String)> {
    events.iter().rev().find_map(|event| match &event.body {
        Body::MadeSafe { left } => Some((left.clone(), tell::left(left))),
        _ => None,
    })
}

/// Whether no other run began on that bench since.
fn is_last_there(row: &RunRow, all: &[RunRow]) -> bool {
    let mut later = all.iter().filter(|other| other.bench == row.bench);
    !later.any(|other| other.begun > row.begun)
}
