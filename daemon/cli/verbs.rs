//! `hold`, `release`, `stop`, `answer`: orders to a run, each a line back.
//!
//! Called by: main, watch.

use std::io::Write;

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

/// Ends a run for good; where a person can be asked, after they said yes. What
/// is no yes, an end of the input included, leaves the run alone.
///
/// # Errors
/// As [`order`]; [`Complaint::NotStopped`] after a no.
pub async fn stop(client: &Client, run: RunName, asks: bool) -> Result<String, Complaint> {
    let run = client.number(run).await?;
    if asks {
        eprint!("stop run {run} for good? `wakerail hold {run}` lets it wait instead. [y/N] ");
        let mut line = String::new();
        let read = std::io::stderr()
            .flush()
            .and_then(|()| std::io::stdin().read_line(&mut line));
        if read.is_err() || !is_yes(&line) {
            return Err(Complaint::NotStopped { run });
        }
    }
    order(client, RunName::Number(run), Verb::Stop).await
}

/// Whether a typed line is a yes.
pub fn is_yes(line: &str) -> bool {
    let line = line.trim();
    ["y", "yes"]
        .iter()
        .any(|yes| line.eq_ignore_ascii_case(yes))
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

#[cfg(test)]
mod tests {
    use super::is_yes;

    #[test]
    fn only_a_yes_is_a_yes() {
        for line in ["y\n", "Y\n", "yes\n", " YES \n"] {
            assert!(is_yes(line), "{line:?}");
        }
        for line in ["", "\n", "n\n", "no\n", "yesterday\n", "y n\n"] {
            assert!(!is_yes(line), "{line:?}");
        }
    }
}
