//! Notes on a run, and readings set aside.

use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};

use super::problem::Trouble;
use super::runs::{number, understood};
use super::serve::Desk;
use super::wire::{self, Note, SetAside};
use crate::queue::remarks::SetAsideOrder;
use crate::report::ids::{self, FigureId, SettingFigure};
use crate::run::journal::RunId;
use crate::store::remarks::Remark;

/// `POST /runs/{run}/notes`
///
/// # Errors
/// When there is no such run, or it has not begun.
pub async fn note(
    State(desk): State<Desk>,
    Path(run): Path<String>,
    body: Result<Json<Note>, JsonRejection>,
) -> Result<Json<wire::Remark>, Trouble> {
    let run = number(&run)?;
    let Json(note) = understood(body)?;
    let remark = desk.keeper.note(run, note.text, note.who).await?;
    Ok(Json(one(run, &remark)))
}

/// `POST /runs/{run}/set-aside`
///
/// # Errors
/// When there is no such run or reading, or it was set aside before.
pub async fn set_aside(
    State(desk): State<Desk>,
    Path(run): Path<String>,
    body: Result<Json<SetAside>, JsonRejection>,
) -> Result<Json<wire::Remark>, Trouble> {
    let run = number(&run)?;
    let Json(aside) = understood(body)?;
    let remark = desk.keeper.set_aside(run, order(aside)).await?;
    Ok(Json(one(run, &remark)))
}

/// `POST /runs/{run}/take-back`
///
/// # Errors
/// When there is no such run or reading, or it is not set aside.
pub async fn take_back(
    State(desk): State<Desk>,
    Path(run): Path<String>,
    body: Result<Json<SetAside>, JsonRejection>,
) -> Result<Json<wire::Remark>, Trouble> {
    let run = number(&run)?;
    let Json(aside) = understood(body)?;
    let remark = desk.keeper.take_back(run, order(aside)).await?;
    Ok(Json(one(run, &remark)))
}

fn order(aside: SetAside) -> SetAsideOrder {
    SetAsideOrder {
        key: as_key(aside.key),
        attempt: aside.attempt,
        because: aside.because,
        who: aside.who,
    }
}

/// A point's figure, as reports and rulings name it, is one way to say its key.
fn as_key(key: String) -> String {
    match ids::parse(&key) {
        Ok(FigureId::Setting {
            test,
            setting,
            figure: SettingFigure::At(place),
            ..
        }) => format!("{test}/{setting}/{}nm", place.at().nm()),
        _ => key,
    }
}

/// The remarks of a run, for the wire.
pub fn told(run: RunId, remarks: &[Remark]) -> Vec<wire::Remark> {
    remarks.iter().map(|remark| one(run, remark)).collect()
}

fn one(run: RunId, remark: &Remark) -> wire::Remark {
    let keys = remark.readings.iter();
    wire::Remark {
        run: run.0,
        no: remark.no,
        kind: remark.kind.words().to_owned(),
        text: remark.text.clone(),
        readings: keys.map(|about| format!("{run}:{}", about.key)).collect(),
        who: remark.who.clone(),
        at: wire::Instant::at(remark.at()),
    }
}
