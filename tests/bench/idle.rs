//! A daemon that has nothing to do: how soon it answers, and what it costs
//! until somebody asks. Once with an empty record, once with a long one.

use std::path::Path;
use std::time::Duration;

use super::served::Daemon;
use super::wall::{WallBench, spec};
use super::{Failed, Times, beside};

/// Starts that are timed.
const STARTS: usize = 9;
/// Until what comes of a start is over.
const CALM: Duration = Duration::from_secs(3);
/// How long it is watched.
const WATCHED: Duration = Duration::from_secs(20);

/// Both daemons.
pub fn rows(runtime: &tokio::runtime::Runtime, folder: &Path, today: &str) -> Result<(), Failed> {
    let record = folder.join("long.db");
    runtime.block_on(beside::stored(&record, today))?;
    let bench = WallBench::start(&folder.join("idle"), spec(7));
    let card = bench.file("bench.yaml");
    let empty = folder.join("idle-data");
    watched("an empty record", &empty, &card)?;
    let full = folder.join("long-data");
    std::fs::create_dir_all(&full)?;
    std::fs::copy(&record, full.join("wakerail.db"))?;
    let megabytes = std::fs::metadata(&record)?.len() / 1_000_000;
    watched(&format!("a record of {megabytes} MB"), &full, &card)
}

fn watched(what: &str, data: &Path, card: &str) -> Result<(), Failed> {
    drop(Daemon::start(data, card)?); // makes the record, or brings it up to date
    let mut ready = Vec::new();
    for _ in 0..STARTS {
        ready.push(Daemon::start(data, card)?.ready);
    }
    super::row(
        &format!("serve, {what}: start to first answer"),
        Times::of(ready),
    );
    let daemon = Daemon::start(data, card)?;
    std::thread::sleep(CALM);
    let from = daemon.spent()?;
    std::thread::sleep(WATCHED);
    let to = daemon.spent()?;
    let seconds = WATCHED.as_secs_f64();
    println!(
        "  idle: {:.2} ms of CPU a minute (aim 10), {:.2} wake-ups a second (aim 3), {:.1} MB (aim 20)",
        (to.cpu - from.cpu).as_secs_f64() * 1e3 * 60.0 / seconds,
        (to.wakeups - from.wakeups) as f64 / seconds,
        to.resident_kb as f64 * 1024.0 / 1e6,
    );
    Ok(())
}
