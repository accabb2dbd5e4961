//! Which unit stands where.

use axum::Json;
use axum::extract::State;
use axum::extract::rejection::JsonRejection;

use super::problem::Trouble;
use super::serve::Desk;
use super::wire::{Place, Placement};
use super::{runs, tell};
use crate::plan::frozen::SentText;
use crate::queue::orders::PlaceOrder;

/// `POST /placements`
///
/// # Errors
/// When the lamp file has mistakes or the bench cannot take the unit so.
pub async fn place(
    State(desk): State<Desk>,
    body: Result<Json<Place>, JsonRejection>,
) -> Result<Json<Placement>, Trouble> {
    let Json(place) = runs::understood(body)?;
    let order = PlaceOrder {
        unit: place.unit,
        lamp: SentText {
            name: place.lamp.name,
            text: place.lamp.text,
        },
        bench: place.bench,
        place: place.place,
        firmware: place.firmware,
        gauge: place.gauge,
        carriage_at: place.carriage_at,
        fingers: place.fingers,
        who: place.who,
        stated: place.stated,
    };
    let placed = desk.keeper.place(order).await?;
    let placement = placed.placement;
    Ok(Json(Placement {
        unit: placement.unit,
        lamp: placement.lamp,
        firmware: placement.firmware,
        bench: placement.bench,
        place: placement.place,
        datum_m: placement.datum.metres(),
        datum_uncertainty_m: placement.datum_uncertainty.metres(),
        gauge_m: placement.gauge.map(|gauge| gauge.metres()),
        fingers: placement
            .fingers
            .into_iter()
            .map(|s| (s.button, s.finger))
            .collect(),
        who: placement.who,
        since: tell::instant(placement.since),
        stated: placement
            .stated
            .into_iter()
            .map(|(item, words)| (item.word().to_owned(), words))
            .collect(),
        replaced: placed.replaced,
        held_runs: placed.held_runs.iter().map(|run| run.0).collect(),
    }))
}
