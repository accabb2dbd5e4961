//! The benches that this daemon works.

use axum::Json;
use axum::extract::State;

use super::serve::Desk;
use super::wire::Bench;

/// `GET /benches`
pub async fn list(State(desk): State<Desk>) -> Json<Vec<Bench>> {
    let benches = desk.keeper.benches();
    Json(
        benches
            .into_iter()
            .map(|bench| Bench {
                name: bench.card.name.clone(),
                run: bench.at_hand.map(|run| run.0),
                out_of_service: bench.out_of_service,
                places: bench
                    .card
                    .places
                    .iter()
                    .map(|place| place.name.clone())
                    .collect(),
                fingers: bench
                    .card
                    .fingers
                    .iter()
                    .flat_map(|fingers| &fingers.channels)
                    .map(|finger| finger.name.clone())
                    .collect(),
            })
            .collect(),
    )
}
