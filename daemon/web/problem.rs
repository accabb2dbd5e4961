//! Errors as RFC 9457 problems: a stable name, what failed, why, what to do.

use axum::Json;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};

use super::wire::{Problem, problems};
use crate::queue::refusal::Refusal;
use crate::report::table::TableError;
use crate::store::error::StoreError;

/// A problem on its way out.
#[derive(Debug)]
pub struct Trouble(pub Box<Problem>);

impl Trouble {
    /// A problem of this kind.
    pub fn new(kind: &str, status: StatusCode, title: &str, detail: impl Into<String>) -> Trouble {
        Trouble(Box::new(Problem {
            kind: kind.to_owned(),
            title: title.to_owned(),
            status: status.as_u16(),
            detail: detail.into(),
            hints: Vec::new(),
        }))
    }
    /// With something to do about it.
    pub fn hint(mut self, hint: impl Into<String>) -> Trouble {
        self.0.hints.push(hint.into());
        self
    }
    /// No such run.
    pub fn no_run(run: impl std::fmt::Display) -> Trouble {
        let title = format!("there is no run {run}");
        Trouble::new(problems::NO_SUCH_RUN, StatusCode::NOT_FOUND, &title, "")
            .hint("`wakerail runs` lists them")
    }
}

impl From<StoreError> for Trouble {
    fn from(error: StoreError) -> Trouble {
        let status = StatusCode::INTERNAL_SERVER_ERROR;
        Trouble::new(
            problems::RECORD,
            status,
            "the record cannot be read or written",
            chain(&error),
        )
        .hint("look at the disk and at the daemon's log; nothing that was stored is lost")
    }
}

impl From<TableError> for Trouble {
    fn from(error: TableError) -> Trouble {
        let status = StatusCode::INTERNAL_SERVER_ERROR;
        let title = "the survey cannot be written down";
        Trouble::new(problems::DEFECT, status, title, chain(&error))
    }
}

impl From<Refusal> for Trouble {
    fn from(refusal: Refusal) -> Trouble {
        let title = refusal.to_string();
        let (kind, status) = match &refusal {
            Refusal::Mistakes { .. } => (problems::MISTAKES, StatusCode::UNPROCESSABLE_ENTITY),
            Refusal::NoRun(run) => return Trouble::no_run(run),
            Refusal::NoName { .. } => (problems::NO_SUCH_NAME, StatusCode::NOT_FOUND),
            Refusal::WrongState { .. } => (problems::WRONG_STATE, StatusCode::CONFLICT),
            Refusal::KeyReused(_) => (problems::KEY_REUSED, StatusCode::UNPROCESSABLE_ENTITY),
            Refusal::NotNow { .. } => (problems::NOT_NOW, StatusCode::SERVICE_UNAVAILABLE),
            Refusal::Store(_) => (problems::RECORD, StatusCode::INTERNAL_SERVER_ERROR),
        };
        let detail = match &refusal {
            Refusal::Mistakes { shown } => shown.clone(),
            Refusal::Store(error) => chain(error),
            _ => String::new(),
        };
        let mut trouble = Trouble::new(kind, status, &title, detail);
        if let Some(hint) = refusal.hint() {
            trouble = trouble.hint(hint);
        }
        trouble
    }
}

/// An error with its causes, one a line.
fn chain(error: &dyn std::error::Error) -> String {
    let mut words = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        let next = error.to_string();
        if !words.contains(&next) {
            words.push_str("\nbecause: ");
            words.push_str(&next);
        }
        cause = error.source();
    }
    words
}

impl IntoResponse for Trouble {
    fn into_response(self) -> Response {
        let status =
            StatusCode::from_u16(self.0.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let kind = [(header::CONTENT_TYPE, "application/problem+json")];
        (status, kind, Json(self.0)).into_response()
    }
}
