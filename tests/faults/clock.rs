//! Civil time jumps while a run measures: an hour, years, back again; and the
//! whole daemon stands still for a while, as in a suspend.
//!
//! The shim shifts what the system says of civil time (`SHIM_CLOCK`); the
//! monotonic clock is untouched, as on a real machine. Durations must follow
//! the one, and every record must carry both.

use std::fs::File;
use std::os::unix::fs::FileExt;
use std::time::{Duration, Instant};

use wakerail::plan::itinerary::What;
use wakerail::run::journal::{Body, Event};

use super::night::{Heard, Life, Start, Wrong, book, journal, place, state, wrong};
use super::tally;
use super::wall::{self, WallBench};

const HOUR: i64 = 3_600;
const YEAR: i64 = 365 * 24 * HOUR;
/// Where civil time jumps to, one after the other: never two alike.
const JUMPS: [i64; 6] = [HOUR, -2 * HOUR, 10 * YEAR, -8 * YEAR, 30, 0];
const PATIENCE: Duration = Duration::from_secs(90);
const LOOK: Duration = Duration::from_millis(5);

/// Waits for the end of run 1, which must be complete.
fn over(data: &std::path::Path, life: &mut Life) {
    let begun = Instant::now();
    while state(data, 1) != "complete" {
        assert!(begun.elapsed() < PATIENCE, "{}", life.log());
        assert!(life.runs(), "{}", life.log());
        std::thread::sleep(LOOK);
    }
}

#[test]
fn civil_time_jumps_and_nothing_is_early_late_or_lost() {
    let folder = tempfile::tempdir().expect("a folder");
    let wall = WallBench::start(&folder.path().join("bench"), wall::spec(2));
    let data = folder.path().join("data");
    let path = folder.path().join("clock");
    std::fs::write(&path, 0_i64.to_ne_bytes()).expect("a clock");
    let clock = File::options().write(true).open(&path).expect("a clock");
    let shim = [("SHIM_CLOCK", path.to_string_lossy().into_owned())];
    let mut life = Life::ready(&data, &Start::before(&wall).shimmed(&shim));
    place(&life, &wall.file("lamp.yaml"));
    book(&life, &wall.file("plan.yaml"));
    let heard = Heard::default();
    heard.listen(&data, 1);
    let begun = Instant::now();
    for (jump, after) in JUMPS.iter().zip((1..).map(|no| no * 18)) {
        heard.beyond(after, &mut life);
        clock.write_all_at(&jump.to_ne_bytes(), 0).expect("jumped");
    }
    over(&data, &mut life);
    let lasted = begun.elapsed();
    assert_eq!(life.leave().0, Some(0));
    let found = wrong(&data, 1, heard.seq());
    let (itinerary, events, _) = journal(&data, 1);
    // Both clocks in every record: where civil time jumped, they part.
    let mut jumps = 0;
    for pair in events.windows(2) {
        let steady = pair[1].at.mono.since(pair[0].at.mono);
        let civil = pair[1].at.wall.since(pair[0].at.wall);
        assert!(steady.ns() >= 0, "{pair:?}");
        jumps += usize::from((civil.ns() - steady.ns()).abs() > 10_000_000_000);
    }
    assert_eq!(jumps, JUMPS.len(), "each jump stands between two events");
    // No longer than the test itself saw, and no wait cut short.
    let first = events.first().expect("events").at.mono;
    let last = events.last().expect("events").at.mono;
    let whole = last.since(first);
    assert!(whole.secs() <= lasted.as_secs_f64() + 1.0, "{whole:?}");
    let early = waits_cut_short(&itinerary, &events);
    tally::line(
        "civil time jumps by an hour and by years, both ways",
        &[
            ("jumps", &jumps),
            ("waits cut short", &early),
            ("lost", &found.lost),
            ("doubled", &found.doubled),
        ],
    );
    assert_eq!((early, found), (0, Wrong::default()));
}

/// Warm-ups that ended before their time, on the monotonic clock.
fn waits_cut_short(itinerary: &wakerail::plan::itinerary::Itinerary, events: &[Event]) -> usize {
    let mut early = 0;
    let mut seen = 0;
    for action in &itinerary.actions {
        if !matches!(action.what, What::WarmUp { .. }) {
            continue;
        }
        let at = |wanted: fn(&Body) -> bool| {
            let of = events.iter().filter(|e| e.no == Some(i64::from(action.no)));
            of.clone()
                .find(|event| wanted(&event.body))
                .map(|event| event.at.mono)
        };
        let started = at(|body| matches!(body, Body::Started { .. })).expect("started");
        let done = at(|body| matches!(body, Body::Done { .. })).expect("done");
        seen += 1;
        // The plan says `warm-up: 1 s`.
        early += usize::from(done.since(started).secs() < 1.0);
    }
    assert!(seen > 0, "there are warm-ups");
    early
}

#[test]
fn a_daemon_that_stands_still_for_a_while_goes_on() {
    let folder = tempfile::tempdir().expect("a folder");
    let wall = WallBench::start(&folder.path().join("bench"), wall::spec(3));
    let data = folder.path().join("data");
    let mut life = Life::ready(&data, &Start::before(&wall));
    place(&life, &wall.file("lamp.yaml"));
    book(&life, &wall.file("plan.yaml"));
    let heard = Heard::default();
    heard.listen(&data, 1);
    let stops = if tally::long() { 40 } else { 5 };
    let mut stood = 0;
    for no in 0..stops {
        let before = heard.seq();
        if state(&data, 1) == "complete" {
            break;
        }
        life.signal("STOP");
        std::thread::sleep(Duration::from_millis(300 + 400 * (no % 4)));
        life.signal("CONT");
        stood += 1;
        heard.beyond(before, &mut life);
    }
    over(&data, &mut life);
    assert_eq!(life.leave().0, Some(0));
    let found = wrong(&data, 1, heard.seq());
    tally::line(
        "SIGSTOP and SIGCONT in the night",
        &[
            ("stops", &stood),
            ("lost", &found.lost),
            ("doubled", &found.doubled),
        ],
    );
    assert!(stood >= 3);
    assert_eq!(found, Wrong::default());
}
