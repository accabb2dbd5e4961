//! Kept traffic under SIGKILL: what went over the links is in the record up to
//! the last piece before each death, once and in order, and no reading that is
//! older than such a piece stands there without its bytes.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use drivers::link::session;
use drivers::link::tap::Way;
use photometry::units::{Mono, Span};
use wakerail::run::journal::{Body, Event};

use super::kills::share;
use super::night::{Heard, Life, Start, Wrong, book, journal, place, state, wrong};
use super::tally;
use super::wall::{self, WallBench};

/// A piece is cut when the one before is so old (`attendant/traffic.rs`).
const PIECE_AFTER: Span = Span::from_secs(10);
/// From cutting a piece to having it in the record; far more than it takes.
const PIECE_ON_ITS_WAY: Span = Span::from_secs(2);
/// A reading's bytes go over the link when it is taken, by both accounts of time.
const AT_ITS_TIME_S: f64 = 0.5;
/// Those whose links are kept.
const DEVICES: [&str; 3] = ["lux-head", "rail", "fingers"];
/// Between two looks at a run's state.
const LOOK: Duration = Duration::from_millis(10);

/// Positions enough for lives longer than a piece.
const PLAN: &str = "\
plan: a night of a minute
format: 1
tests:
  look:
    kind: survey
    settings: all
    positions: {from: 12 in, to: 28 in, every: 2 in}
    readings: 3
    dark: 2
    ambient: 1
    warm-up: 1 s
    reference: {at: 24 in, every: 9, drift-limit: 2 %, give-up: 5 %}
";

/// A line of `wakerail traffic RUN DEVICE --format json`.
struct Said {
    sitting: u64,
    after_s: f64,
    from_device: bool,
    bytes: Vec<u8>,
}

/// What is kept of a device's link; panics where bytes are said to be missing.
fn kept(life: &Life, device: &str) -> Vec<Said> {
    let text = life.ok(&["traffic", "1", device, "--format", "json"]);
    let lines = text.lines().map(|line| {
        let said: serde_json::Value = serde_json::from_str(line).expect("json");
        let hex = said["hex"].as_str().expect(line);
        let bytes = hex.split_whitespace();
        Said {
            sitting: said["sitting"].as_u64().expect(line),
            after_s: said["after_s"].as_f64().expect(line),
            from_device: said["way"] == "from",
            bytes: bytes
                .map(|byte| u8::from_str_radix(byte, 16).expect(line))
                .collect(),
        }
    });
    lines.collect()
}

/// What is printed of the three links for a person, read as it is replayed.
#[derive(Default)]
struct Printed([Vec<(Span, Way, Vec<u8>)>; 3]);

impl Printed {
    /// Looks the record through and reads what is printed to its end; what was
    /// printed before the death must still be there, and in front.
    fn again(&mut self, life: &Life) {
        life.ok(&["store", "check"]);
        for (device, before) in DEVICES.iter().zip(&mut self.0) {
            let told = life.told(&["traffic", "1", device]);
            if told.code != 0 {
                // No piece was cut yet; and none is there that once was.
                assert!(before.is_empty(), "{device}: {told:?}");
                continue;
            }
            let said = session::read(&told.out).unwrap_or_else(|error| panic!("{device}: {error}"));
            let said = said.into_iter();
            let now: Vec<_> = said
                .map(|said| (said.after, said.way, said.bytes))
                .collect();
            assert!(now.starts_with(before), "{device}: other than it was");
            *before = now;
        }
    }

    /// How many lines there are of all links.
    fn lines(&self) -> usize {
        self.0.iter().map(Vec::len).sum()
    }
}

/// Lines that stand before one that was said earlier, or twice: doubled or moved
/// pieces.
fn out_of_order(said: &[Said]) -> usize {
    let later = |pair: &&[Said]| {
        let (first, second) = (&pair[0], &pair[1]);
        (first.sitting, first.after_s) > (second.sitting, second.after_s)
            || (first.after_s == second.after_s && first.bytes == second.bytes)
    };
    said.windows(2).filter(later).count()
}

/// The raw answer of a reading, and when it was taken.
struct Answer {
    taken: Mono,
    /// Since the run began, by civil time.
    after_s: f64,
    raw: Vec<u8>,
}

/// The answers of the readings of each sitting.
fn answers(events: &[Event]) -> BTreeMap<u64, Vec<Answer>> {
    let began = events.first().expect("a run").at.wall;
    let mut of: BTreeMap<u64, Vec<Answer>> = BTreeMap::new();
    for event in events {
        if let Body::Taken { reading, .. } = &event.body
            && !reading.raw.is_empty()
        {
            of.entry(u64::from(event.sitting))
                .or_default()
                .push(Answer {
                    taken: reading.taken.mono,
                    after_s: reading.taken.wall.since(began).secs(),
                    raw: reading.raw.clone(),
                });
        }
    }
    of
}

/// How many answers, from the first on, went over the link at their time.
fn found(answers: &[Answer], said: &[&Said]) -> usize {
    let mut bytes = Vec::new();
    for one in said.iter().filter(|said| said.from_device) {
        bytes.extend(one.bytes.iter().map(|byte| (*byte, one.after_s)));
    }
    let mut rest = &bytes[..];
    for (at, answer) in answers.iter().enumerate() {
        let is_it = |part: &[(u8, f64)]| {
            let same = part.iter().zip(&answer.raw).all(|(one, raw)| one.0 == *raw);
            same && (part[0].1 - answer.after_s).abs() < AT_ITS_TIME_S
        };
        let Some(place) = rest.windows(answer.raw.len()).position(is_it) else {
            return at;
        };
        rest = &rest[place + answer.raw.len()..];
    }
    answers.len()
}

/// A bench whose three links are kept, and rests long enough for some pieces.
fn slow_bench(folder: &std::path::Path) -> WallBench {
    let wall = WallBench::start(folder, wall::spec(4));
    let bench = std::fs::read_to_string(wall.file("bench.yaml")).expect("text");
    let kept = bench.replace("baud: 115200}", "baud: 115200, traffic: kept}");
    assert_eq!(kept.matches("traffic: kept").count(), 3);
    let slow = kept.replace("settle: 10 ms", "settle: 300 ms");
    assert_ne!(slow, kept);
    std::fs::write(wall.file("bench.yaml"), slow).expect("written");
    std::fs::write(wall.file("plan.yaml"), PLAN).expect("written");
    wall
}

/// Every third life ends before its first piece, the others between one piece and
/// two; then one to the run's end.
fn killed(
    wall: &WallBench,
    data: &std::path::Path,
    kills: usize,
    printed: &mut Printed,
) -> (Life, Heard) {
    let mut seed = 20_261_127;
    let start = Start::before(wall);
    let life = Life::ready(data, &start);
    place(&life, &wall.file("lamp.yaml"));
    book(&life, &wall.file("plan.yaml"));
    let heard = Heard::default();
    heard.listen(data, 1);
    let mut life = life;
    for nth in 0..kills {
        let secs = match nth % 3 {
            0 => 4.0 * share(&mut seed),
            _ => 11.5 + 8.0 * share(&mut seed),
        };
        let lives = Duration::from_secs_f64(secs);
        while life.begun.elapsed() < lives && state(data, 1) == "measuring" {
            std::thread::sleep(LOOK);
        }
        life.kill();
        life = Life::ready(data, &start);
        heard.listen(data, 1);
        printed.again(&life);
    }
    let begun = Instant::now();
    while matches!(state(data, 1).as_str(), "measuring" | "waiting") {
        assert!(begun.elapsed() < Duration::from_secs(180), "{}", life.log());
        std::thread::sleep(LOOK);
    }
    assert_eq!(state(data, 1), "complete", "{}", life.log());
    (life, heard)
}

#[test]
fn killed_at_random_instants_the_kept_traffic_lacks_the_last_piece_alone() {
    let kills = if tally::long() { 30 } else { 3 };
    let folder = tempfile::tempdir().expect("a folder");
    let wall = slow_bench(&folder.path().join("bench"));
    let data = folder.path().join("data");
    let mut printed = Printed::default();
    let (life, heard) = killed(&wall, &data, kills, &mut printed);
    let lines_before_the_last = printed.lines();
    assert!(lines_before_the_last > 0, "nothing outlived a death");
    printed.again(&life);

    let checked = life.ok(&["store", "check", "--format", "json"]);
    let checked: serde_json::Value = serde_json::from_str(&checked).expect("json");
    let pieces = checked["runs"][0]["traffic"].as_u64().expect("a number");
    let meter = kept(&life, "lux-head");
    let mut disordered = out_of_order(&meter);
    for device in ["rail", "fingers"] {
        disordered += out_of_order(&kept(&life, device));
    }
    let in_text = printed.0[0].len();
    assert_eq!(in_text, meter.len(), "both forms tell the same lines");
    let (_, events, whole) = journal(&data, 1);
    assert!(whole);
    let sittings = answers(&events);
    let last = *sittings.keys().last().expect("readings");
    let (mut with_bytes, mut gone, mut gone_too_old) = (0, 0, 0);
    for (sitting, answers) in &sittings {
        let of = meter.iter().filter(|said| said.sitting == *sitting);
        let found = found(answers, &of.collect::<Vec<_>>());
        with_bytes += found;
        gone += answers.len() - found;
        let end = answers.last().expect("readings").taken;
        let may_lack = PIECE_AFTER + PIECE_ON_ITS_WAY;
        let lacking = answers[found..].iter();
        gone_too_old += lacking
            .filter(|one| *sitting == last || end.since(one.taken) > may_lack)
            .count();
    }
    let found = wrong(&data, 1, heard.seq());
    tally::line(
        "kept traffic under SIGKILL, over PTYs",
        &[
            ("kills", &kills),
            ("pieces", &pieces),
            ("lines that outlived a death", &lines_before_the_last),
            ("readings with their bytes", &with_bytes),
            ("since the last piece", &gone),
            ("older without bytes", &gone_too_old),
            ("lines out of order", &disordered),
        ],
    );
    assert_eq!((gone_too_old, disordered), (0, 0));
    assert!(with_bytes > 100, "{with_bytes} readings, {pieces} pieces");
    assert!(gone > 0, "no life ended behind its last piece");
    assert_eq!(found, Wrong::default());
}
