//! Booking runs, telling about them, and giving orders.

use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, StatusCode};
use serde::Deserialize;

use super::problem::Trouble;
use super::serve::Desk;
use super::tell;
use super::wire::{
    Answer, Book, Booked, Entry, OtherPart, Redo, Run, RunStory, TestLine, problems,
};
use crate::plan::frozen::SentText;
use crate::plan::parts::Elsewhere;
use crate::plan::redo::Wanted;
use crate::queue::orders::BookOrder;
use crate::queue::redo::RedoOrder;
use crate::report::measures::{Measure, measures};
use crate::run::journal::{Body, Event, Link, RunId};
use crate::run::progress::State as Progress;
use crate::store::readings::Whole;
use crate::store::runs::RunRow;

/// A body that is JSON of the right shape, or why not.
///
/// # Errors
/// Too long, not JSON, or of another shape.
pub fn understood<T>(body: Result<Json<T>, JsonRejection>) -> Result<Json<T>, Trouble> {
    body.map_err(|rejection| {
        let status = rejection.status();
        let kind = if status == StatusCode::PAYLOAD_TOO_LARGE {
            problems::TOO_MUCH
        } else {
            problems::NOT_UNDERSTOOD
        };
        Trouble::new(
            kind,
            status,
            "the request is not understood",
            rejection.body_text(),
        )
    })
}

/// A run's number in a path.
///
/// # Errors
/// When it is no number.
pub fn number(text: &str) -> Result<RunId, Trouble> {
    text.parse().map(RunId).map_err(|_| Trouble::no_run(text))
}

/// A text that was sent.
pub fn sent(text: super::wire::Text) -> SentText {
    SentText {
        name: text.name,
        text: text.text,
    }
}

/// `POST /runs`
///
/// # Errors
/// When the plan has mistakes, or the unit or bench is not known.
pub async fn book(
    State(desk): State<Desk>,
    headers: HeaderMap,
    body: Result<Json<Book>, JsonRejection>,
) -> Result<Json<Booked>, Trouble> {
    let Json(book) = understood(body)?;
    let order = BookOrder {
        plan: sent(book.plan),
        based_on: book.based_on.map(sent),
        unit: book.unit,
        bench: book.bench,
        lamp: book.lamp.map(sent),
        hold: book.hold,
        scripts: book.scripts.into_iter().map(sent).collect(),
        key: key_of(&headers),
    };
    let booked = desk.keeper.book(order).await?;
    Ok(Json(as_booked(&desk, booked, Vec::new()).await?))
}

/// `POST /runs/{run}/redo`
///
/// # Errors
/// When the run is not over, nothing is missing, or something that was chosen
/// is not in its plan.
pub async fn redo(
    State(desk): State<Desk>,
    Path(run): Path<String>,
    headers: HeaderMap,
    body: Result<Json<Redo>, JsonRejection>,
) -> Result<Json<Booked>, Trouble> {
    let run = number(&run)?;
    let Json(redo) = understood(body)?;
    let order = RedoOrder {
        wanted: Wanted {
            tests: redo.tests,
            settings: redo.settings,
            positions: redo.positions,
        },
        hold: redo.hold,
        key: key_of(&headers),
    };
    let (booked, parts) = desk.keeper.redo(run, order).await?;
    let lengths = desk.store.frozen(booked.run).await?;
    let lengths = lengths.map(|(frozen, _)| frozen.card.lengths);
    let again = parts.iter().map(|part| {
        let at = |position: &photometry::units::Length| {
            lengths.map_or_else(|| position.to_string(), |unit| position.shown(unit))
        };
        let positions: Vec<String> = part.positions.iter().map(at).collect();
        format!(
            "{}: {} at {}",
            part.test,
            part.settings.join(", "),
            positions.join(", ")
        )
    });
    Ok(Json(as_booked(&desk, booked, again.collect()).await?))
}

/// What makes a repetition of a request harmless.
fn key_of(headers: &HeaderMap) -> Option<String> {
    let key = headers.get("idempotency-key")?;
    key.to_str().ok().map(str::to_owned)
}

async fn as_booked(
    desk: &Desk,
    booked: crate::queue::orders::Booked,
    again: Vec<String>,
) -> Result<Booked, Trouble> {
    let row = find(desk, booked.run).await?;
    Ok(Booked {
        again,
        run: row,
        least_s: booked.time.least.secs(),
        likely_s: booked.time.likely.secs(),
        most_s: booked.time.most.secs(),
        window: booked.window.map(|window| window.shown()),
        left_out: booked.left_out,
        repeated: booked.repeated,
        warnings: booked.warnings,
        other_part: booked.rest.map(|rest| OtherPart {
            run: rest.run.0,
            bench: rest.bench,
            tests: rest.tests,
            place: rest.side.words().to_owned(),
        }),
    })
}

/// `GET /runs`
///
/// # Errors
/// When the record cannot be read.
pub async fn list(State(desk): State<Desk>) -> Result<Json<Vec<Run>>, Trouble> {
    let rows = desk.store.runs().await?;
    let mut runs = Vec::with_capacity(rows.len());
    for row in &rows {
        runs.push(told(&desk, row).await?);
    }
    Ok(Json(runs))
}

/// The row of one run.
///
/// # Errors
/// When there is none, or the record cannot be read.
pub async fn find(desk: &Desk, run: RunId) -> Result<Run, Trouble> {
    let row = desk
        .store
        .run(run)
        .await?
        .ok_or_else(|| Trouble::no_run(run))?;
    told(desk, &row).await
}

/// A row with what only a replay of the journal tells, and with its bench's
/// trouble: a run on a bench that is out of service is not at work.
async fn told(desk: &Desk, row: &RunRow) -> Result<Run, Trouble> {
    if row.state.is_over() {
        return Ok(tell::run(row, None));
    }
    let story = story(desk, row.id).await?;
    let progress = story.as_ref().map(|story| &story.progress);
    let mut run = tell::run(row, progress);
    if let Some(trouble) = desk.keeper.trouble(row) {
        run.why = Some(format!("its bench is out of service: {trouble}"));
        run.asks = None; // nobody is there to take an answer
    }
    Ok(run)
}

/// A run as its journal tells it.
pub struct Story {
    /// What it froze.
    pub frozen: crate::plan::frozen::Frozen,
    /// The link of that.
    pub bundle: Link,
    /// Its state.
    pub progress: Progress,
    /// Its journal.
    pub events: Vec<Event>,
}

/// What a run froze, its state, and its events.
///
/// # Errors
/// When the record cannot be read or contradicts itself.
pub async fn story(desk: &Desk, run: RunId) -> Result<Option<Story>, Trouble> {
    let read = tokio::try_join!(desk.store.frozen(run), desk.store.events(run, 0, u32::MAX));
    let (Some((frozen, bundle)), events) = read? else {
        return Ok(None);
    };
    let progress = replayed(&frozen, &events)?;
    Ok(Some(Story {
        frozen,
        bundle,
        progress,
        events,
    }))
}

/// The same with its readings instead of its state.
///
/// # Errors
/// When there is no such run, or its record cannot be read or contradicts
/// itself.
pub async fn whole(desk: &Desk, run: RunId) -> Result<Whole, Trouble> {
    let whole = desk.store.whole(run).await?;
    let whole = whole.ok_or_else(|| Trouble::no_run(run))?;
    replayed(&whole.frozen, &whole.events)?;
    Ok(whole)
}

/// What a run's tests found beside surveys; only this needs the bytes of its captures.
///
/// # Errors
/// When the record cannot be read.
pub async fn measured(desk: &Desk, whole: &mut Whole) -> Result<Vec<Measure>, Trouble> {
    desk.store.fetch_bytes(&mut whole.captures).await?;
    Ok(measures(whole))
}

/// The state after these events.
///
/// # Errors
/// When the journal contradicts itself.
pub fn replayed(
    frozen: &crate::plan::frozen::Frozen,
    events: &[Event],
) -> Result<Progress, Trouble> {
    Progress::replay(&frozen.itinerary, events).map_err(|error| {
        let status = StatusCode::INTERNAL_SERVER_ERROR;
        Trouble::new(
            problems::RECORD,
            status,
            "the journal contradicts itself",
            error.to_string(),
        )
    })
}

/// `GET /runs/latest/row`
///
/// # Errors
/// When nothing was booked yet.
pub async fn latest(State(desk): State<Desk>) -> Result<Json<Run>, Trouble> {
    let newest = desk.store.runs().await?.into_iter().map(|row| row.id).max();
    let run = newest.ok_or_else(|| {
        let title = "nothing was booked yet";
        Trouble::new(problems::NO_SUCH_RUN, StatusCode::NOT_FOUND, title, "")
            .hint("book a run with `wakerail book plan.yaml --unit UNIT`")
    })?;
    find(&desk, run).await.map(Json)
}

/// `GET /runs/{run}/row`
///
/// # Errors
/// When there is none.
pub async fn row(State(desk): State<Desk>, Path(run): Path<String>) -> Result<Json<Run>, Trouble> {
    find(&desk, number(&run)?).await.map(Json)
}

/// `GET /runs/{run}`
///
/// # Errors
/// When there is none.
pub async fn show(
    State(desk): State<Desk>,
    Path(run): Path<String>,
) -> Result<Json<RunStory>, Trouble> {
    let run = number(&run)?;
    let row = find(&desk, run).await?;
    let Story {
        frozen,
        bundle,
        events,
        ..
    } = story(&desk, run)
        .await?
        .ok_or_else(|| Trouble::no_run(run))?;
    let left = events.iter().rev().find_map(|event| match &event.body {
        Body::MadeSafe { left } => Some(tell::left(left)),
        _ => None,
    });
    let remarks = events
        .iter()
        .filter(|event| {
            matches!(
                event.body,
                Body::Failed { .. }
                    | Body::Lost { .. }
                    | Body::Back { .. }
                    | Body::Decided { .. }
                    | Body::Seam { .. }
                    | Body::Held { .. }
            )
        })
        .map(|event| tell::says(event, &frozen))
        .collect();
    let tests = frozen
        .itinerary
        .tests
        .iter()
        .map(|test| TestLine {
            test: test.name.clone(),
            file: test.line.file.clone(),
            line: test.line.line,
            meter: test.meter.clone(),
        })
        .collect();
    Ok(Json(RunStory {
        run: row,
        tests,
        window: frozen.plan.policies.window.map(|window| window.shown()),
        elsewhere: frozen.itinerary.elsewhere.as_ref().map(Elsewhere::words),
        left_out: frozen.itinerary.not_measured(),
        bench_left: left,
        remarks,
        notes: super::remarks::told(run, &desk.store.remarks(run).await?),
        bundle: bundle.hex(),
    }))
}

/// Where to begin reading a journal.
#[derive(Debug, Default, Deserialize)]
pub struct After {
    /// The last event that is already known.
    #[serde(default)]
    pub after: u64,
}

/// `GET /runs/{run}/journal`
///
/// # Errors
/// When there is none.
pub async fn journal(
    State(desk): State<Desk>,
    Path(run): Path<String>,
    Query(After { after }): Query<After>,
) -> Result<Json<Vec<Entry>>, Trouble> {
    let run = number(&run)?;
    let Story { frozen, events, .. } = story(&desk, run)
        .await?
        .ok_or_else(|| Trouble::no_run(run))?;
    let entries = events.iter().filter(|event| event.seq > after);
    Ok(Json(
        entries.map(|event| tell::entry(event, &frozen)).collect(),
    ))
}

/// `POST /runs/{run}/hold`
///
/// # Errors
/// When the run is over, or there is none.
pub async fn hold(State(desk): State<Desk>, Path(run): Path<String>) -> Result<Json<Run>, Trouble> {
    let run = number(&run)?;
    desk.keeper.hold(run).await?;
    find(&desk, run).await.map(Json)
}

/// `POST /runs/{run}/release`
///
/// # Errors
/// When the run is not held, or its unit does not stand where it must.
pub async fn release(
    State(desk): State<Desk>,
    Path(run): Path<String>,
) -> Result<Json<Run>, Trouble> {
    let run = number(&run)?;
    desk.keeper.release(run).await?;
    find(&desk, run).await.map(Json)
}

/// `POST /runs/{run}/stop`
///
/// # Errors
/// When the run is over, or there is none.
pub async fn stop(State(desk): State<Desk>, Path(run): Path<String>) -> Result<Json<Run>, Trouble> {
    let run = number(&run)?;
    desk.keeper.stop(run).await?;
    find(&desk, run).await.map(Json)
}

/// `POST /runs/{run}/answer`
///
/// # Errors
/// When nothing was asked.
pub async fn answer(
    State(desk): State<Desk>,
    Path(run): Path<String>,
    body: Result<Json<Answer>, JsonRejection>,
) -> Result<Json<Run>, Trouble> {
    let run = number(&run)?;
    let Json(answer) = understood(body)?;
    desk.keeper.answer(run, answer.text).await?;
    find(&desk, run).await.map(Json)
}
