//! Readings at a steady beat on the wall clock: 60 s at 10 Hz of two meters, by the
//! real daemon over pseudo-terminals, each reading committed. How late each was
//! asked for is the journal's own: its stamp less the beat that was decided.

use std::path::Path;
use std::time::Duration;

use drivers::simulated::faults::Device;
use photometry::measured::Reading;
use photometry::units::Span;
use wakerail::plan::itinerary::{Purpose, RECORDED_AT_MOST};
use wakerail::run::journal::{Body, Decision, Event, RunId};
use wakerail::store::open::Store;

use super::served::{Daemon, Spent};
use super::wall::{WallBench, spec};
use super::{Failed, Times};

const PLAN: &str = "\
plan: a minute of two meters
format: 1
tests:
  idle:
    kind: standby
    at: 12 in
    watch: 1 min
    every: 100 ms
    settings: [full]
    warm-up: 1 s
    readings: 1
    dark: 1
    ambient: 0
";
/// Put before the fingers of the bench file.
const METER_OF_POWER: &str = "  plug:
    port: plug-port
    place: axis
    yields: power
    integration: 20 ms
    calibration: {certificate: K-2026-047, due: 2100-01-01}
    uncertainty: {certificate: 0.5 %}
";
/// Two meters at 10 Hz for 60 s, both ends included.
const READINGS: usize = 2 * 601;

/// Records once, and tells how late the readings were.
pub fn rows(runtime: &tokio::runtime::Runtime, folder: &Path) -> Result<(), Failed> {
    let bench = WallBench::with(&folder.join("beat"), spec(8), &[Device::PowerMeter]);
    let port = bench.file("powermeter");
    let card = std::fs::read_to_string(bench.file("bench.yaml"))?
        .replace(
            "  finger-port:",
            &format!("  plug-port: {{serial: {port}, baud: 115200}}\n  finger-port:"),
        )
        .replace("fingers:\n", &format!("{METER_OF_POWER}fingers:\n"));
    std::fs::write(bench.file("bench.yaml"), card)?;
    std::fs::write(bench.file("plan.yaml"), PLAN)?;
    let data = folder.join("beat-data");
    let daemon = Daemon::start(&data, &bench.file("bench.yaml"))?;
    let fingers = "brighter=left,dimmer=right,power=round";
    let lamp = bench.file("lamp.yaml");
    let place = ["place", "K-1", "--lamp", &lamp, "--gauge", "6 in"];
    daemon.told(&[&place[..], &["--fingers", fingers]].concat())?;
    let from = daemon.spent()?;
    daemon.told(&["book", &bench.file("plan.yaml"), "--unit", "K-1"])?;
    daemon.until_over(1)?;
    let spent: Spent = daemon.spent()?;
    drop(daemon);
    let whole = runtime.block_on(async {
        let store = Store::open_read_only(&data.join("wakerail.db")).await?;
        store.whole(RunId(1)).await
    })?;
    let whole = whole.ok_or("no run")?;
    let late = lateness(&whole.events)?;
    if late.len() != READINGS {
        return Err(format!("{} readings, not {READINGS}", late.len()).into());
    }
    let worst = late.iter().max().copied().unwrap_or_default();
    super::row("60 s at 10 Hz of two meters: lateness", Times::of(late));
    println!(
        "  at most {:.3} ms late; the daemon took {:.1} s of CPU for it",
        worst.as_secs_f64() * 1e3,
        spent.cpu.saturating_sub(from.cpu).as_secs_f64()
    );
    Ok(())
}

/// Of every reading that was taken in time, in the journal's order.
fn lateness(events: &[Event]) -> Result<Vec<Duration>, Failed> {
    let beat = events.iter().find_map(|event| match &event.body {
        Body::Decided {
            decision: Decision::Beat { first, every, .. },
        } => Some((first.mono, *every)),
        _ => None,
    });
    let (first, every) = beat.ok_or("no beat was decided")?;
    let samples = events.iter().filter_map(|event| match &event.body {
        Body::Taken { key, reading } if key.purpose == Purpose::Sample => {
            let nth = (key.visit - 1) % RECORDED_AT_MOST;
            Some((reading, first + every.times(i64::from(nth))))
        }
        _ => None,
    });
    let late = samples
        .filter(|(reading, _)| in_time(reading))
        .map(|(reading, due)| reading.asked.mono.since(due).max(Span::ZERO));
    Ok(late
        .map(|late| Duration::from_nanos(late.ns().unsigned_abs()))
        .collect())
}

/// It was read; one that was not has no stamp of its asking.
fn in_time(reading: &Reading) -> bool {
    reading.outcome.says_something()
}
