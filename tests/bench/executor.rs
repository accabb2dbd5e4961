//! The wall time of a plan against the times that nobody can avoid, on a
//! simulated bench that takes its real time, by the real daemon: 60 points of
//! one reading, each 25 mm after the one before. A move of 25 mm at 10 m/s2
//! takes 100 ms, an integration 50 ms. Unavoidable are a move's trapezoid, a
//! rest and an integration, from the itinerary and the rail's and the meter's
//! figures; the wall time is the journal's. Home, level, warm-up and reference
//! are told apart: nothing says what of them could be avoided.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

use drivers::simulated::carriage::RailModel;
use drivers::simulated::world::Thinks;
use photometry::units::{Acceleration, Length, Span};
use wakerail::plan::frozen::Frozen;
use wakerail::plan::itinerary::{Action, Purpose, What};
use wakerail::run::journal::{Body, Event, RunId};
use wakerail::store::open::Store;

use super::Failed;
use super::served::Daemon;
use super::wall::{WallBench, spec};

const PLAN: &str = "\
plan: sixty points
format: 1
tests:
  look:
    kind: survey
    settings: [3]
    positions: {from: 300 mm, to: 1775 mm, every: 25 mm}
    readings: 1
    dark: 1
    ambient: 1
    warm-up: 1 s
    reference: {at: 300 mm, every: 60, drift-limit: 50 %, give-up: 90 %}
";
/// Of a reading.
const INTEGRATION_MS: f64 = 50.0;
/// Of a move of 25 mm; for the program that only knows this.
const MOVE_MS: f64 = 100.0;
/// Of the plan.
const POINTS: u32 = 60;

/// Measures the plan once and tells where its time went.
pub fn rows(runtime: &tokio::runtime::Runtime, folder: &Path) -> Result<(), Failed> {
    let mut spec = spec(7);
    spec.rail.acceleration = Acceleration::from_nm_per_s2(10_000_000_000);
    // Devices that answer at once: what is waited for is not their thinking.
    spec.thinks = Thinks {
        rail: Span::ZERO,
        scpi: Span::ZERO,
    };
    let rail = spec.rail.clone();
    let bench = WallBench::start(&folder.join("executor"), spec);
    let card = std::fs::read_to_string(bench.file("bench.yaml"))?
        .replace("integration: 20 ms", "integration: 50 ms")
        .replace("acceleration: 20000 mm/s2", "acceleration: 10000 mm/s2")
        .replace("settle: 10 ms", "settle: 1 ms");
    std::fs::write(bench.file("bench.yaml"), card)?;
    std::fs::write(bench.file("plan.yaml"), PLAN)?;
    let data = folder.join("executor-data");
    let daemon = Daemon::start(&data, &bench.file("bench.yaml"))?;
    let fingers = "brighter=left,dimmer=right,power=round";
    let lamp = bench.file("lamp.yaml");
    let place = ["place", "K-1", "--lamp", &lamp, "--gauge", "6 in"];
    daemon.told(&[&place[..], &["--fingers", fingers]].concat())?;
    daemon.told(&["book", &bench.file("plan.yaml"), "--unit", "K-1"])?;
    daemon.until_over(1)?;
    drop(daemon);
    let whole = runtime.block_on(async {
        let store = Store::open_read_only(&data.join("wakerail.db")).await?;
        store.whole(RunId(1)).await
    })?;
    let whole = whole.ok_or("no run")?;
    tell(&whole.frozen, &whole.events, &rail)?;
    reference(folder)
}

/// A short asyncio program that does as much and no more.
fn reference(folder: &Path) -> Result<(), Failed> {
    let python = std::env::var_os("WAKERAIL_ORACLE_PYTHON").unwrap_or_else(|| "python3".into());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/reference.py");
    let mut command = Command::new(python);
    let answer = command.arg(script).arg(folder.join("ref.db")).output()?;
    if !answer.status.success() {
        return Err(String::from_utf8_lossy(&answer.stderr).into_owned().into());
    }
    let ms = String::from_utf8(answer.stdout)?.trim().parse::<f64>()? * 1e3;
    let unavoidable = f64::from(POINTS) * (MOVE_MS + INTEGRATION_MS);
    println!(
        "  asyncio, one commit a point: {ms:.1} ms over {unavoidable:.1} = {:.4}; {:.2} ms over in each point",
        ms / unavoidable,
        (ms - unavoidable) / f64::from(POINTS)
    );
    Ok(())
}

/// What of some actions was unavoidable and what it took, in ms.
#[derive(Clone, Copy, Default)]
struct Sum {
    n: usize,
    wall: f64,
    unavoidable: f64,
}

impl Sum {
    fn row(&self, what: &str) {
        let (n, over) = (self.n, self.wall - self.unavoidable);
        let each = over / n.max(1) as f64;
        println!(
            "  {what:<40} n {n:>3}: {:>9.1} ms, unavoidable {:>8.1}, {each:.2} over in each",
            self.wall, self.unavoidable
        );
    }

    fn add(&mut self, wall: f64, unavoidable: f64) {
        self.n += 1;
        self.wall += wall;
        self.unavoidable += unavoidable;
    }
}

fn tell(frozen: &Frozen, events: &[Event], rail: &RailModel) -> Result<(), Failed> {
    let actions = &frozen.itinerary.actions;
    let is_read = |action: &&Action| {
        let key = action.key.as_ref();
        key.is_some_and(|key| key.purpose == Purpose::Read)
    };
    let points: BTreeSet<u32> = actions
        .iter()
        .filter(is_read)
        .filter_map(|a| a.point)
        .collect();
    let ms = |span: Span| span.secs() * 1e3;
    let (mut moves, mut rests, mut reads, mut other) = Default::default();
    let (mut to_start, mut to_ask, mut device, mut to_write) = (
        Sum::default(),
        Sum::default(),
        Sum::default(),
        Sum::default(),
    );
    let mut stands: Option<Length> = None;
    let mut before = events.first().ok_or("no events")?.at.mono;
    let mut started = before;
    for event in events {
        let no = event.no.and_then(|no| usize::try_from(no).ok());
        let Some(action) = no.and_then(|no| actions.get(no)) else {
            continue;
        };
        let at = event.at.mono;
        let is_point = action.point.is_some_and(|point| points.contains(&point));
        match &event.body {
            Body::Started { .. } => {
                started = at;
                if is_point {
                    to_start.add(ms(at.since(before)), 0.0);
                }
                continue;
            }
            Body::Taken { reading, .. } if is_point => {
                to_ask.add(ms(reading.asked.mono.since(started)), 0.0);
                let took = ms(reading.taken.mono.since(reading.asked.mono));
                device.add(took, INTEGRATION_MS);
                to_write.add(ms(at.since(reading.taken.mono)), 0.0);
            }
            Body::Taken { .. } | Body::Done { .. } => {}
            _ => continue,
        }
        let wall = ms(at.since(before));
        before = at;
        let sum: &mut Sum = match (&action.what, is_point) {
            (What::Move { .. }, true) => &mut moves,
            (What::Settle { .. }, true) => &mut rests,
            (What::Read { .. }, true) => &mut reads,
            _ => &mut other,
        };
        let unavoidable = match &action.what {
            What::Move { coordinate, .. } => {
                let from = stands.replace(*coordinate);
                from.map_or(0.0, |from| way_ms(from, *coordinate, frozen, rail))
            }
            What::Settle { rest } => ms(*rest),
            What::Read { .. } => INTEGRATION_MS,
            _ => 0.0,
        };
        sum.add(wall, unavoidable);
    }
    let all = Sum {
        n: moves.n + rests.n + reads.n,
        wall: moves.wall + rests.wall + reads.wall,
        unavoidable: moves.unavoidable + rests.unavoidable + reads.unavoidable,
    };
    println!(
        "{} points on a bench in real time: {:.1} ms over {:.1} unavoidable = {:.4} (aim 1.010); \
         {:.2} ms over in each of {} actions (aim 2), {:.2} in each point",
        points.len(),
        all.wall,
        all.unavoidable,
        all.wall / all.unavoidable,
        (all.wall - all.unavoidable) / all.n as f64,
        all.n,
        (all.wall - all.unavoidable) / points.len() as f64,
    );
    moves.row("moves");
    rests.row("rests");
    reads.row("readings");
    to_start.row("of these: end to next start");
    to_ask.row("a reading: start to question (a commit of both)");
    device.row("a reading: question to first byte");
    to_write.row("a reading: first byte to event (range asked)");
    other.row("home, level, warm-up, reference, ..");
    Ok(())
}

/// From rest to rest; a way down goes beyond its end and comes back.
fn way_ms(from: Length, to: Length, frozen: &Frozen, rail: &RailModel) -> f64 {
    let overshoot = frozen.card.rail.as_ref().map(|rail| rail.overshoot);
    let beyond = overshoot.unwrap_or(Length::ZERO);
    if to < from {
        return trapezoid_ms((from - to) + beyond, rail) + trapezoid_ms(beyond, rail);
    }
    trapezoid_ms(to - from, rail)
}

/// Full acceleration up to full speed, if the way is long enough.
fn trapezoid_ms(way: Length, rail: &RailModel) -> f64 {
    let (speed, acceleration) = (rail.speed.metres_per_s(), rail.acceleration.metres_per_s2());
    let metres = way.metres();
    let seconds = if metres < speed * speed / acceleration {
        2.0 * (metres / acceleration).sqrt()
    } else {
        metres / speed + speed / acceleration
    };
    seconds * 1e3
}
