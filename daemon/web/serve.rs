//! The routes and their limits, on a Unix socket.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::StatusCode;
use axum::routing::{get, post};
use tokio::net::UnixListener;
use tokio_util::sync::CancellationToken;

use super::problem::Trouble;
use super::wire::problems;
use super::{
    accounts, benches, events, figures, health, placements, readings, remarks, rulings, runs,
    sheets, traffic,
};
use crate::queue::keeper::Keeper;
use crate::store::open::Store;

/// The longest request: a plan and the one that it is based on, with room.
const BODY_BYTES_AT_MOST: usize = 4 << 20;

/// An open stream of events ends this long after the daemon was told to leave.
const LEAVE_WITHIN: Duration = Duration::from_secs(2);

/// What handlers see of the daemon.
#[derive(Clone)]
pub struct Desk {
    /// Books and orders.
    pub keeper: Arc<Keeper>,
    /// The record, to read.
    pub store: Store,
    /// Told when the daemon leaves.
    pub leaving: CancellationToken,
}

/// The routes.
pub fn router(desk: Desk) -> Router {
    Router::new()
        .route("/health", get(health::show))
        .route("/benches", get(benches::list))
        .route("/accounts/{id}", get(accounts::show))
        .route("/tonight", get(sheets::tonight))
        .route("/morning", get(sheets::morning))
        .route("/placements", post(placements::place))
        .route("/runs", get(runs::list).post(runs::book))
        .route("/runs/latest/row", get(runs::latest))
        .route("/runs/{run}", get(runs::show))
        .route("/runs/{run}/row", get(runs::row))
        .route("/runs/{run}/journal", get(runs::journal))
        .route("/runs/{run}/events", get(events::follow))
        .route("/runs/{run}/hold", post(runs::hold))
        .route("/runs/{run}/release", post(runs::release))
        .route("/runs/{run}/stop", post(runs::stop))
        .route("/runs/{run}/answer", post(runs::answer))
        .route("/runs/{run}/redo", post(runs::redo))
        .route("/runs/{run}/notes", post(remarks::note))
        .route("/runs/{run}/set-aside", post(remarks::set_aside))
        .route("/runs/{run}/take-back", post(remarks::take_back))
        .route("/runs/{run}/figures", get(figures::list))
        .route("/runs/{run}/readings", get(readings::list))
        .route("/runs/{run}/traffic", get(traffic::list))
        .route("/runs/{run}/traffic/{digest}", get(traffic::show))
        .route("/runs/{run}/survey", get(readings::survey))
        .route(
            "/runs/{run}/rulings",
            get(rulings::list).post(rulings::rule),
        )
        .route("/runs/{run}/tries", post(rulings::attempt))
        .route("/runs/{run}/report", get(rulings::report))
        .fallback(no_such_route)
        .layer(DefaultBodyLimit::max(BODY_BYTES_AT_MOST))
        .with_state(desk)
}

async fn no_such_route() -> Trouble {
    Trouble::new(
        problems::NOT_UNDERSTOOD,
        StatusCode::NOT_FOUND,
        "there is nothing here",
        "",
    )
}

/// Serves until the token is cancelled, and then no longer than it takes to
/// let streams end.
///
/// # Errors
/// When the socket fails.
pub async fn serve(listener: UnixListener, desk: Desk) -> std::io::Result<()> {
    let leaving = desk.leaving.clone();
    let told = leaving.clone();
    let served = axum::serve(listener, router(desk))
        .with_graceful_shutdown(async move { told.cancelled().await });
    let task = tokio::spawn(async move { served.await });
    leaving.cancelled().await;
    let abort = task.abort_handle();
    // Real time: no run depends on how long a listener takes to hang up.
    let watch = std::thread::spawn(move || {
        std::thread::park_timeout(LEAVE_WITHIN);
        abort.abort();
    });
    let ended = task.await;
    watch.thread().unpark();
    match ended {
        Ok(result) => result,
        Err(_) => Ok(()),
    }
}
