//! The account of one printed figure.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;

use super::problem::Trouble;
use super::runs;
use super::serve::Desk;
use super::wire::{self, Account, problems};
use crate::plan::itinerary::KindName;
use crate::queue::ruling::refusal;
use crate::report::account::{
    AsRuled, Sources, Unknown, account, ids_of, ids_of_measures, near_text,
};
use crate::report::ids::{self, FigureId, NoFigureId};
use crate::rulings::round;
use crate::run::journal::RunId;
use crate::store::readings::Whole;

/// `GET /accounts/{id}`
///
/// # Errors
/// When the text is no id, or there is no such run or figure.
pub async fn show(
    State(desk): State<Desk>,
    Path(id): Path<String>,
) -> Result<Json<Account>, Trouble> {
    let id = match ids::parse(&id) {
        Ok(id) => id,
        Err(no) => return Err(no_id(&desk, &id, &no).await?),
    };
    let run = RunId(id.run());
    let mut whole = runs::whole(&desk, run).await?;
    let measures = match is_of_survey(&whole, &id) {
        true => Vec::new(),
        false => runs::measured(&desk, &mut whole).await?,
    };
    let lines = desk.store.lines(run).await?;
    let rulings = desk.keeper.rulings(run).await?;
    let mut scripts = BTreeMap::new();
    if let FigureId::Ruling { .. } = id {
        for row in &rulings {
            let digest = &row.ruled.script_digest;
            if let Some(text) = desk.store.script(digest).await? {
                scripts.insert(digest.clone(), text);
            }
        }
    }
    let mut plans = BTreeMap::new();
    let mut looked_at = None;
    if let FigureId::Ruling { no, .. } = id
        && let Some(row) = (no as usize).checked_sub(1).and_then(|at| rulings.get(at))
    {
        for file in row.of.by.files() {
            if let Some(text) = desk.store.plan_text(&file.digest).await? {
                plans.insert(file.digest.clone(), text);
            }
        }
        let again = round::look_again(&desk.store, run, &row.of).await;
        looked_at = Some(again.map_err(|error| refusal(run, error))?);
    }
    let remarks = desk.store.remarks(run).await?;
    let sources = Sources {
        plans: &plans,
        remarks: &remarks,
        as_ruled: looked_at.as_ref().map(|seen| AsRuled {
            frozen: &seen.frozen,
            rows: &seen.readings,
            surveys: Sources::surveys_of(&seen.frozen, &seen.readings, &seen.events),
        }),
        run: run.0,
        frozen: &whole.frozen,
        rows: &whole.readings,
        events: &whole.events,
        lines: &lines,
        rulings: &rulings,
        scripts: &scripts,
        program: concat!("wakerail ", env!("CARGO_PKG_VERSION")),
        utc: wire::utc,
        surveys: Sources::surveys_of(&whole.frozen, &whole.readings, &whole.events),
        measures,
    };
    Ok(Json(account(&sources, &id).map_err(|no| unknown(&id, no))?))
}

/// Whether a figure is a survey's or a ruling: what other tests found is computed from
/// all of their captures, and not needed for it.
fn is_of_survey(whole: &Whole, id: &FigureId) -> bool {
    match id {
        FigureId::Ruling { .. } => true,
        FigureId::Measured { .. } => false,
        FigureId::Test { test, .. } | FigureId::Setting { test, .. } => {
            let mut heads = whole.frozen.itinerary.tests.iter();
            heads.any(|head| head.name == *test && head.kind == KindName::Survey)
        }
    }
}

/// What is said of a text that is no id: which of its run's ids may be meant.
async fn no_id(desk: &Desk, text: &str, no: &NoFigureId) -> Result<Trouble, Trouble> {
    let status = StatusCode::BAD_REQUEST;
    let trouble = Trouble::new(problems::NOT_UNDERSTOOD, status, &no.to_string(), "");
    let known = known(desk, text).await?;
    let written: Vec<String> = known.iter().map(FigureId::to_string).collect();
    let meant = written::nearest(text, written.iter().map(String::as_str));
    Ok(match (meant, near_text(&known, text).as_slice()) {
        (Some(meant), _) => trouble.hint(format!("did you mean `{meant}`?")),
        (None, []) => {
            trouble.hint("the report prints an id beside each figure: `wakerail report latest`")
        }
        (None, near) => trouble.hint(format!("near it: {}", near.join(", "))),
    })
}

/// The ids of the run whose number a text begins with; none without such a run.
async fn known(desk: &Desk, text: &str) -> Result<Vec<FigureId>, Trouble> {
    let run = text.split('.').next().and_then(|run| run.parse().ok());
    let Some(run) = run.map(RunId) else {
        return Ok(Vec::new());
    };
    let Some(mut whole) = desk.store.whole(run).await? else {
        return Ok(Vec::new());
    };
    // A slip of the hand is no reason to rule on a run.
    let rulings = desk.store.rulings(run).await?.len();
    let surveys = Sources::surveys_of(&whole.frozen, &whole.readings, &whole.events);
    let mut all = ids_of(run.0, rulings, &surveys);
    let measures = runs::measured(desk, &mut whole).await?;
    all.extend(ids_of_measures(run.0, &measures));
    Ok(all)
}

fn unknown(id: &FigureId, no: Unknown) -> Trouble {
    let title = format!("there is no figure `{id}`");
    let status = StatusCode::NOT_FOUND;
    let trouble = Trouble::new(problems::NO_SUCH_NAME, status, &title, no.why);
    match no.near.as_slice() {
        [] => trouble.hint("the report prints an id beside each figure"),
        near => trouble.hint(format!("near it: {}", near.join(", "))),
    }
}
