//! One script tried on a run: what it would say, and nothing is recorded.
//!
//! Called by: queue (when someone asks). The script is checked here, so that a
//! person who writes one gets every mistake at its place.

use std::collections::BTreeMap;

use written::{Sources, render};

use super::judge;
use super::library::{self, Library};
use crate::plan::frozen::SentText;
use crate::plan::intent::PlanLine;
use crate::plan::uses::{Purpose, Use};
use crate::report::gather;
use crate::run::journal::RunId;
use crate::script::host::Kind;
use crate::store::error::StoreError;
use crate::store::open::Store;
use crate::store::readings::Whole;
use crate::store::rulings::Ruled;

/// A script is to be tried.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Attempt {
    /// Its name.
    pub name: String,
    /// Its text.
    pub text: String,
    /// Its parameters as written.
    pub given: BTreeMap<String, String>,
    /// The test that it looks at; none: every survey.
    pub test: Option<String>,
}

/// What came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Tried {
    /// One for each survey.
    pub ruled: Vec<Ruled>,
    /// The run was not over.
    pub unfinished: bool,
}

/// Why it could not be tried.
#[derive(Debug, thiserror::Error)]
pub enum AttemptError {
    /// The record failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// There is no such run.
    #[error("there is no run {0}")]
    NoRun(RunId),
    /// The script or its parameters have mistakes; all of them, as rendered.
    #[error("the script has mistakes")]
    Mistakes(String),
    /// The run has no such test.
    #[error("the run has no test `{test}`")]
    NoTest {
        /// As asked for.
        test: String,
        /// Those that it has.
        known: Vec<String>,
    },
    /// The task that runs scripts ended badly.
    #[error("a defect ended the ruling")]
    Defect,
}

/// Tries a script on a run as it stands.
///
/// # Errors
/// No such run or test, mistakes of the script, or a record that cannot be
/// read.
pub async fn attempt(store: &Store, run: RunId, one: Attempt) -> Result<Tried, AttemptError> {
    let one_use = use_of(&one)?;
    let row = store.run(run).await?.ok_or(AttemptError::NoRun(run))?;
    let whole = store.whole(run).await?.ok_or(AttemptError::NoRun(run))?;
    let Whole {
        frozen,
        events,
        readings,
        ..
    } = whole;
    let known: Vec<String> = frozen.plan.tests.iter().map(|t| t.name.clone()).collect();
    if let Some(test) = one.test.as_ref().filter(|test| !known.contains(test)) {
        let test = test.clone();
        return Err(AttemptError::NoTest { test, known });
    }
    // A script may take its whole deadline: off the threads that others need.
    let judged = tokio::task::spawn_blocking(move || {
        let surveys = gather::surveys(&frozen, &readings, &events);
        let library = Library::of(vec![SentText {
            name: one.name,
            text: one.text,
        }]);
        judge::judge(run, &frozen, &[one_use], &library, &surveys).ruled
    });
    Ok(Tried {
        ruled: judged.await.map_err(|_| AttemptError::Defect)?,
        unfinished: !row.state.is_over(),
    })
}

/// The script as a plan would use it, its parameters checked.
fn use_of(one: &Attempt) -> Result<Use, AttemptError> {
    let text = SentText {
        name: one.name.clone(),
        text: one.text.clone(),
    };
    let script = library::check_file(&text).map_err(|mistakes| {
        let mut sources = Sources::new();
        sources.add(&text.name, &text.text);
        AttemptError::Mistakes(render(&mistakes, &sources, false))
    })?;
    let wrong = library::misfits(&script, &one.given);
    if !wrong.is_empty() {
        return Err(AttemptError::Mistakes(wrong.join("\n")));
    }
    let purpose = match script.kind {
        Kind::Criterion => Purpose::Criterion,
        Kind::Metric => Purpose::Metric,
    };
    Ok(Use {
        name: one.name.trim_end_matches(".rhai").to_owned(),
        line: PlanLine::default(),
        purpose,
        script: one.name.clone(),
        given: one.given.clone(),
        test: one.test.clone(),
    })
}
