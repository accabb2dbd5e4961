//! A reading made durable, beside the same statements by python's sqlite3 on
//! the same disk: one transaction each, `synchronous` FULL on both sides, in
//! turns. `tests/bench/durable.py` copies what our ledger wrote into a record
//! with the same tables, triggers and run.

use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use photometry::units::Wall;
use wakerail::plan::frozen::Frozen;
use wakerail::run::journal::{Body, Event, RunId};
use wakerail::run::ledger::Ledger;
use wakerail::store::open::Store;

use super::{Failed, Times};

/// Turns of each side.
const TURNS: usize = 3;
/// Events in a turn.
const EVENTS: usize = 1_000;

/// Both sides' times of an event with a reading, and their ratio.
pub fn rows(
    runtime: &tokio::runtime::Runtime,
    folder: &Path,
    frozen: &Frozen,
    events: &[Event],
) -> Result<(), Failed> {
    let python = std::env::var_os("WAKERAIL_ORACLE_PYTHON").unwrap_or_else(|| "python3".into());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/durable.py");
    let (mut ours, mut theirs) = (Vec::new(), Vec::new());
    for turn in 0..TURNS {
        let from = folder.join(format!("ours-{turn}.db"));
        let to = folder.join(format!("theirs-{turn}.db"));
        ours.extend(runtime.block_on(written(&from, frozen, &events[..EVENTS]))?);
        runtime.block_on(written(&to, frozen, &[]))?;
        let mut command = Command::new(&python);
        let answer = command.arg(&script).arg(&from).arg(&to).output()?;
        if !answer.status.success() {
            return Err(String::from_utf8_lossy(&answer.stderr).into_owned().into());
        }
        let seconds: Vec<f64> = serde_json::from_slice(&answer.stdout)?;
        theirs.extend(seconds.into_iter().map(Duration::from_secs_f64));
    }
    let (ours, theirs) = (Times::of(ours), Times::of(theirs));
    super::row("commit an event with its reading, ours", ours);
    super::row("the same statements, python's sqlite3", theirs);
    println!(
        "ours over python's: {:.2} (p50), {:.2} (p99; aim 2)",
        ours.p50.as_secs_f64() / theirs.p50.as_secs_f64(),
        ours.p99.as_secs_f64() / theirs.p99.as_secs_f64()
    );
    Ok(())
}

/// A new record with one run and these events; the times of those with a
/// reading.
async fn written(file: &Path, frozen: &Frozen, events: &[Event]) -> Result<Vec<Duration>, Failed> {
    let store = Store::open(file).await?;
    let placement = store.place(&frozen.placement).await?;
    let at = Wall::from_us(1_772_395_200_000_000);
    let run: RunId = store.book_run(None, frozen, Some(placement), at).await?;
    let (_, mut link) = store.frozen(run).await?.ok_or("no run")?;
    let mut ledger = store.ledger(run, "boot");
    let mut times = Vec::new();
    for event in events {
        let line = event.line()?;
        link = link.next(&line);
        let begun = Instant::now();
        ledger.append(event, &line, link).await?;
        let took = begun.elapsed();
        if matches!(event.body, Body::Taken { .. }) {
            times.push(took);
        }
    }
    store.close().await;
    Ok(times)
}
