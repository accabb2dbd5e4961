//! `hold`, `release`, `stop`, `answer`: orders to a run, each a line back.
//!
//! Called by: main, watch.

use super::arguments::RunName;
use super::client::Client;
use super::complaint::Complaint;
use crate::web::wire::{Answer, Run};

/// An answer without words.
pub const DONE: &str = "done";

/// What a run is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verb {
    /// Make the bench safe and wait.
    Hold,
    /// Go on.
    Release,
    /// Make the bench safe and end.
    Stop,
}

/// Gives an order; the run does it when its current action is done or
/// abandoned.
///
/// # Errors
/// No daemon, no such run, or a state that does not allow it.
pub async fn order(client: &Client, run: RunName, verb: Verb) -> Result<String, Complaint> {
    let run = client.number(run).await?;
    let (path, doing) = match verb {
        Verb::Hold => ("hold", "is told to make its bench safe and wait"),
        Verb::Release => ("release", "is told to go on"),
        Verb::Stop => ("stop", "is told to make its bench safe and end"),
    };
    let row: Run = client
        .post(&format!("/runs/{run}/{path}"), &(), None)
        .await?;
    let over = if row.is_over {
        format!("; it is {}", row.state)
    } else {
        String::new()
    };
    Ok(format!("run {run} {doing}{over}\n"))
}

/// Answers the open question.
///
/// # Errors
/// No daemon, no such run, or no open question.
pub async fn answer(
    client: &Client,
    run: RunName,
    text: Option<&str>,
) -> Result<String, Complaint> {
    let run = client.number(run).await?;
    let text = text.unwrap_or(DONE).to_owned();
    let _: Run = client
        .post(&format!("/runs/{run}/answer"), &Answer { text }, None)
        .await?;
    Ok(format!("run {run} has its answer\n"))
}
