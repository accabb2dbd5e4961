//! How fast the parts are that a night or a person waits for; `cargo bench`.
//!
//! Figures move with the machine by half from hour to hour, so each run
//! measures its own floor beside them: one 4 kB write and fdatasync on the
//! same disk. Compare ratios within one run. Nothing here is a test. A word
//! chooses one part: `cargo bench --bench bench -- seats`.

mod beat;
mod beside;
mod durable;
mod executor;
mod hostile;
mod idle;
mod report;
mod scripts;
mod seats;
mod served;
#[allow(dead_code)] // the tests of faults reach into the bench itself
#[path = "../faults/wall.rs"]
mod wall;

use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use photometry::measured::{Moment, Outcome, Quantity, Reading};
use photometry::units::Wall;
use wakerail::plan::check;
use wakerail::plan::frozen::{Frozen, SentText};
use wakerail::plan::itinerary::{Itinerary, What};
use wakerail::plan::placing;
use wakerail::plan::uses::NotAsked;
use wakerail::run::journal::{Body, Event, Facts, Link, RunId};
use wakerail::run::ledger::Ledger;
use wakerail::run::progress::State;
use wakerail::store::open::Store;

/// Repetitions of what takes milliseconds.
const ROUNDS: usize = 200;
/// Events that are committed one by one.
const COMMITS: usize = 1_000;

type Failed = Box<dyn std::error::Error>;

fn main() -> Result<(), Failed> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let Some((beside::WRITE_PAGE, rest)) = arguments.split_first().map(|(a, r)| (a.as_str(), r))
    {
        return beside::write_page(rest);
    }
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()?;
    let chosen = arguments.iter().find(|word| !word.starts_with('-'));
    let wanted = |name: &str| chosen.is_none_or(|chosen| chosen == name);
    println!("{:<58} {:>10} {:>10}", "what, ms", "p50", "p99");
    let today = "2026-11-25";
    let texts = examples()?;
    let frozen = frozen(&texts, today)?;
    let events = a_night(&frozen.itinerary)?;
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    let folder = folder.path();
    if wanted("parts") {
        let check = times(ROUNDS, || {
            check::check(&texts, today, &NotAsked, &NotAsked).refuses()
        });
        row("read and check three files, lay the itinerary out", check);
        let replay = times(ROUNDS, || State::replay(&frozen.itinerary, &events).is_ok());
        let what = format!("replay a journal of {} events", events.len());
        row(&what, replay);
        scripts::rows()?;
        let page = report::page();
        let size = wakerail::report::page::html(&page).len();
        let report = times(ROUNDS, || !wakerail::report::page::html(&page).is_empty());
        let what = format!("report of 10,000 readings, {} kB", size.div_ceil(1000));
        row(&what, report);
    }
    if wanted("hostile") {
        let small = Arc::new(scripts::view(12, 12, 3));
        hostile::rows("12 levels of 12 points", &small)?;
        let large = Arc::new(scripts::view(2, 5_000, 3));
        hostile::rows("2 levels of 5,000 points", &large)?;
    }
    if wanted("beside") {
        beside::rows(&runtime, folder, today)?;
    }
    let floor = floor(folder)?;
    row("floor: 4 kB write and fdatasync", floor);
    if wanted("commit") {
        let commit = runtime.block_on(commits(folder, &frozen, &events))?;
        row("commit one event, half of them with a reading", commit);
        println!(
            "commit over floor: {:.1} (p50), {:.1} (p99)",
            commit.p50.as_secs_f64() / floor.p50.as_secs_f64(),
            commit.p99.as_secs_f64() / floor.p99.as_secs_f64()
        );
    }
    if wanted("durable") {
        durable::rows(&runtime, folder, &frozen, &events)?;
    }
    if wanted("executor") {
        executor::rows(&runtime, folder)?;
    }
    if wanted("beat") {
        beat::rows(&runtime, folder)?;
    }
    if wanted("idle") {
        idle::rows(&runtime, folder, today)?;
    }
    if wanted("seats") {
        seats::rows(&runtime, folder, &frozen, &events)?;
    }
    Ok(())
}

/// Median and 99th percentile.
#[derive(Clone, Copy)]
struct Times {
    p50: Duration,
    p99: Duration,
}

impl Times {
    fn of(mut all: Vec<Duration>) -> Times {
        all.sort_unstable();
        let at = |share: usize| all[(all.len() - 1) * share / 100];
        Times {
            p50: at(50),
            p99: at(99),
        }
    }
}

fn row(what: &str, times: Times) {
    let ms = |time: Duration| time.as_secs_f64() * 1e3;
    println!("{what:<58} {:>10.3} {:>10.3}", ms(times.p50), ms(times.p99));
}

fn times<T>(rounds: usize, mut act: impl FnMut() -> T) -> Times {
    let one = |_| {
        let begun = Instant::now();
        std::hint::black_box(act());
        begun.elapsed()
    };
    Times::of((0..rounds).map(one).collect())
}

fn examples() -> Result<Vec<SentText>, Failed> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples");
    let names = [
        "bench-strand.yaml",
        "lamp-dunlin.yaml",
        "plan-evening-survey.yaml",
    ];
    let read = |name: &str| {
        let text = std::fs::read_to_string(folder.join(name))?;
        let name = name.to_owned();
        Ok(SentText { name, text })
    };
    names.into_iter().map(read).collect()
}

fn frozen(texts: &[SentText], today: &str) -> Result<Frozen, Failed> {
    let checked = check::check(texts, today, &NotAsked, &NotAsked).checked;
    let (Some(card), Some(lamp), Some(plan), Some(itinerary)) =
        (checked.bench, checked.lamp, checked.plan, checked.itinerary)
    else {
        return Err("the examples do not fit".into());
    };
    Ok(Frozen {
        program: "bench".to_owned(),
        plan_texts: Vec::new(),
        scripts: Vec::new(),
        redo_of: None,
        placement: placing::nominal("any", &lamp, &card),
        plan,
        lamp,
        card,
        itinerary,
    })
}

/// The whole itinerary, done once, every reading a value.
fn a_night(itinerary: &Itinerary) -> Result<Vec<Event>, Failed> {
    let mut bodies = vec![(
        None,
        Body::Begun {
            bundle: String::new(),
        },
    )];
    for action in &itinerary.actions {
        let no = Some(i64::from(action.no));
        let doing = String::new();
        bodies.push((no, Body::Started { doing }));
        bodies.push(match (&action.what, &action.key) {
            (What::Read { .. }, Some(key)) => (
                no,
                Body::Taken {
                    key: key.clone(),
                    reading: reading(),
                },
            ),
            _ => (
                no,
                Body::Done {
                    facts: Facts::default(),
                },
            ),
        });
    }
    let mut events = Vec::with_capacity(bodies.len());
    for (no, body) in bodies {
        events.push(Event {
            seq: events.len() as u64 + 1,
            no,
            attempt: u32::from(no.is_some()),
            sitting: 1,
            at: Moment::default(),
            body,
        });
    }
    State::replay(itinerary, &events)?;
    Ok(events)
}

fn reading() -> Reading {
    Reading {
        meter: "lux-head".to_owned(),
        quantity: Quantity::Illuminance,
        outcome: Outcome::Value(123.4),
        range: Some(200.0),
        flags: Vec::new(),
        raw: b"+1.234000E+02\r\n".to_vec(),
        asked: Moment::default(),
        taken: Moment::default(),
    }
}

fn floor(folder: &Path) -> Result<Times, Failed> {
    let file = File::create(folder.join("floor"))?;
    let page = [7_u8; 4096];
    let mut all = Vec::with_capacity(COMMITS);
    for index in 0..COMMITS {
        let begun = Instant::now();
        file.write_all_at(&page, (index * page.len()) as u64)?;
        file.sync_data()?;
        all.push(begun.elapsed());
    }
    Ok(Times::of(all))
}

async fn commits(folder: &Path, frozen: &Frozen, events: &[Event]) -> Result<Times, Failed> {
    let store = Store::open(&folder.join("wakerail.db")).await?;
    let placement = store.place(&frozen.placement).await?;
    let at = Wall::from_us(1_772_395_200_000_000);
    let run: RunId = store.book_run(None, frozen, Some(placement), at).await?;
    let (_, mut link): (Frozen, Link) = store.frozen(run).await?.ok_or("no run")?;
    let mut ledger = store.ledger(run, "boot");
    let mut all = Vec::with_capacity(COMMITS);
    for event in events.iter().take(COMMITS) {
        let line = event.line()?;
        link = link.next(&line);
        let begun = Instant::now();
        ledger.append(event, &line, link).await?;
        all.push(begun.elapsed());
    }
    store.close().await;
    Ok(Times::of(all))
}
