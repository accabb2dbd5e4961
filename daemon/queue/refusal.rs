//! Why an order is not taken.

use crate::run::journal::RunId;
use crate::store::error::StoreError;

/// Why an order is not taken.
#[derive(Debug, thiserror::Error)]
pub enum Refusal {
    /// What was sent has mistakes; all of them, as rendered.
    #[error("what was sent has mistakes")]
    Mistakes {
        /// The mistakes.
        shown: String,
    },
    /// No such run.
    #[error("there is no run {0}")]
    NoRun(RunId),
    /// No such bench, unit or lamp.
    #[error("there is no {what} `{name}`")]
    NoName {
        /// `bench`, `unit`, ...
        what: &'static str,
        /// The name as given.
        name: String,
        /// What to do.
        hint: String,
    },
    /// The run's state does not allow it.
    #[error("run {run} {why}")]
    WrongState {
        /// The run.
        run: RunId,
        /// Why not, as the rest of a sentence.
        why: String,
        /// What to do.
        hint: Option<String>,
    },
    /// The bench takes no orders now.
    #[error("bench `{bench}` takes no orders: {why}")]
    NotNow {
        /// The bench.
        bench: String,
        /// Why not.
        why: String,
    },
    /// A client's key was used for another booking.
    #[error("this request's key was used before, for another booking (run {0})")]
    KeyReused(RunId),
    /// The record.
    #[error("the record cannot be read or written")]
    Store(#[from] StoreError),
}

impl Refusal {
    /// What to do now.
    pub fn hint(&self) -> Option<String> {
        match self {
            Refusal::NoName { hint, .. } => Some(hint.clone()),
            Refusal::WrongState { hint, .. } => hint.clone(),
            Refusal::NotNow { .. } => Some(
                "look at the daemon's log; start the daemon again when the cause is gone"
                    .to_owned(),
            ),
            Refusal::NoRun(_) => Some("`wakerail runs` lists them".to_owned()),
            Refusal::Store(_) => Some("look at the disk and at the daemon's log".to_owned()),
            Refusal::KeyReused(_) => Some("send each booking under a key of its own".to_owned()),
            Refusal::Mistakes { .. } => None,
        }
    }
}
