//! How the daemon is.

use axum::Json;
use axum::extract::State;

use super::serve::Desk;
use super::tell;
use super::wire::Health;

/// `GET /health`
pub async fn show(State(desk): State<Desk>) -> Json<Health> {
    Json(Health {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        pid: std::process::id(),
        rehearsal: desk.keeper.rehearsal(),
        now: tell::instant(desk.keeper.now().wall),
    })
}
