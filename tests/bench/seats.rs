//! A hundred benches at 10 Hz on the wall clock: how late a seat of the clock
//! wakes a task, first alone, then with every trigger's event committed FULL
//! by the one writer, as attendants do it.

use std::path::Path;
use std::time::Duration;

use drivers::clock::{Clock, Seat};
use photometry::units::{Mono, Span, Wall};
use wakerail::plan::frozen::Frozen;
use wakerail::run::journal::{Event, Link};
use wakerail::run::ledger::Ledger;
use wakerail::store::ledger::StoreLedger;
use wakerail::store::open::Store;

use super::served::Spent;
use super::{Failed, Times};

const BENCHES: usize = 100;
/// Triggers of a bench: 10 s.
const TRIGGERS: usize = 100;
/// Between two triggers of a bench.
const EVERY: Span = Span::from_ms(100);
/// Until the first trigger.
const AHEAD: Span = Span::from_ms(500);

/// What a bench writes: its run's ledger, chain and events.
type Pen = (StoreLedger, Link, Vec<Event>);

/// Both rounds.
pub fn rows(
    runtime: &tokio::runtime::Runtime,
    folder: &Path,
    frozen: &Frozen,
    events: &[Event],
) -> Result<(), Failed> {
    let none = (0..BENCHES).map(|_| None).collect();
    runtime.block_on(round("triggers alone", none))?;
    let pens = runtime.block_on(pens(&folder.join("hundred.db"), frozen, events))?;
    runtime.block_on(round("each with a commit", pens))
}

async fn pens(file: &Path, frozen: &Frozen, events: &[Event]) -> Result<Vec<Option<Pen>>, Failed> {
    let store = Store::open(file).await?;
    let placement = store.place(&frozen.placement).await?;
    let mut pens = Vec::new();
    for _ in 0..BENCHES {
        let at = Wall::from_us(1_772_395_200_000_000);
        let run = store.book_run(None, frozen, Some(placement), at).await?;
        let (_, mut link) = store.frozen(run).await?.ok_or("no run")?;
        let mut ledger = store.ledger(run, "boot");
        // The first one reads where the journal stands.
        let line = events[0].line()?;
        link = link.next(&line);
        ledger.append(&events[0], &line, link).await?;
        pens.push(Some((ledger, link, events[1..=TRIGGERS].to_vec())));
    }
    Ok(pens)
}

async fn round(what: &str, pens: Vec<Option<Pen>>) -> Result<(), Failed> {
    let clock = Clock::wall();
    let names: Vec<String> = (0..BENCHES).map(|no| format!("bench {no}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let first = clock.now().mono + AHEAD;
    let from = Spent::by("self")?;
    let tasks: Vec<_> = clock
        .seats(&names)
        .into_iter()
        .zip(pens)
        .enumerate()
        .map(|(no, (seat, pen))| {
            let offset = Span::from_ns(EVERY.ns() / BENCHES as i64 * no as i64);
            tokio::spawn(bench(seat, first + offset, pen))
        })
        .collect();
    let (mut late, mut durable) = (Vec::new(), Vec::new());
    for task in tasks {
        let (lateness, commits) = task.await?.map_err(|reason| reason.to_string())?;
        late.extend(lateness);
        durable.extend(commits);
    }
    let cpu = Spent::by("self")?.cpu.saturating_sub(from.cpu);
    let seconds = (AHEAD.secs()) + EVERY.secs() * TRIGGERS as f64;
    let worst = late.iter().max().copied().unwrap_or_default();
    super::row(
        &format!("{BENCHES} benches at 10 Hz, {what}: lateness"),
        Times::of(late),
    );
    if !durable.is_empty() {
        super::row("  trigger to durable", Times::of(durable));
    }
    println!(
        "  at most {:.2} ms late; {:.1} % of a core",
        worst.as_secs_f64() * 1e3,
        100.0 * cpu.as_secs_f64() / seconds
    );
    Ok(())
}

type Late = (Vec<Duration>, Vec<Duration>);

async fn bench(
    mut seat: Seat,
    first: Mono,
    mut pen: Option<Pen>,
) -> Result<Late, Box<dyn std::error::Error + Send + Sync>> {
    let (mut late, mut durable) = (Vec::new(), Vec::new());
    let since = |seat: &Seat, due: Mono| {
        Duration::from_nanos(seat.now().mono.since(due).ns().unsigned_abs())
    };
    for turn in 0..TRIGGERS {
        let due = first + EVERY.times(turn as i64);
        seat.wait_async(Some(due)).await;
        late.push(since(&seat, due));
        if let Some((ledger, link, events)) = &mut pen {
            let line = events[turn].line()?;
            *link = link.next(&line);
            ledger.append(&events[turn], &line, *link).await?;
            durable.push(since(&seat, due));
        }
    }
    Ok((late, durable))
}
