//! A meter's kept traffic, printed by the program, played again over a PTY before
//! the program itself: the same readings to the last bit, and a named end where
//! the talk departs from the record.

use std::path::Path;
use std::time::{Duration, Instant};

use drivers::link::session;
use drivers::link::wire::{Served, pty_wire, serve};
use drivers::simulated::faults::Device;
use drivers::simulated::replayed::{Followed, Replayed};
use wakerail::run::journal::{Body, Event};

use super::night::{Life, Start, book, journal, place, state};
use super::tally;
use super::wall::{self, WallBench};

/// Between two looks at a run's state.
const LOOK: Duration = Duration::from_millis(10);
/// A night of seconds, and the silences of a lost thread, are over by then.
const PATIENCE: Duration = Duration::from_secs(120);

/// A daemon that has measured the plan on a bench, and how the run stands.
fn measured(wall: &WallBench, data: &Path) -> (Life, String) {
    let life = Life::ready(data, &Start::before(wall));
    place(&life, &wall.file("lamp.yaml"));
    book(&life, &wall.file("plan.yaml"));
    let begun = Instant::now();
    loop {
        let stands = state(data, 1);
        if !matches!(stands.as_str(), "measuring" | "waiting" | "unknown") {
            return (life, stands);
        }
        assert!(begun.elapsed() < PATIENCE, "{stands}: {}", life.log());
        std::thread::sleep(LOOK);
    }
}

/// A bench as the first was, but for its meter: that is a record, and is there
/// as long as the second value.
fn played(folder: &Path, session: &str) -> (WallBench, Served, Followed) {
    let wall = kept(folder);
    assert!(wall.bench.unplug(Device::Meter));
    let end = pty_wire(&wall.clock, &folder.join("meter")).expect("a terminal");
    let session = session::read(session).expect("a session");
    let (machine, followed) = Replayed::new(session, wall.clock.now().mono);
    let serving = serve(wall.clock.seat("played meter"), end, machine).expect("a thread");
    (wall, serving, followed)
}

/// The bench of seconds with the meter's traffic kept.
fn kept(folder: &Path) -> WallBench {
    let wall = WallBench::start(folder, wall::spec(5));
    edit(
        &wall,
        "meter, baud: 115200}",
        "meter, baud: 115200, traffic: kept}",
    );
    let plan = std::fs::read_to_string(wall.file("plan.yaml")).expect("text");
    let short = plan.replace("settings: all", "settings: [3]");
    assert_ne!(short, plan);
    std::fs::write(wall.file("plan.yaml"), short).expect("written");
    wall
}

fn edit(wall: &WallBench, from: &str, to: &str) {
    let bench = std::fs::read_to_string(wall.file("bench.yaml")).expect("text");
    assert_eq!(bench.matches(from).count(), 1, "{from}: {bench}");
    std::fs::write(wall.file("bench.yaml"), bench.replace(from, to)).expect("written");
}

/// Every reading with its key, raw bytes and flags; a number's Debug form is exact.
fn readings(events: &[Event]) -> Vec<String> {
    let taken = events.iter().filter_map(|event| match &event.body {
        Body::Taken { key, reading } => Some((key, reading)),
        _ => None,
    });
    taken
        .map(|(key, r)| {
            format!(
                "{key} {:?} {:?} {:?} {:?}",
                r.outcome, r.raw, r.flags, r.range
            )
        })
        .collect()
}

/// The names of the faults, in order.
fn faults(events: &[Event]) -> Vec<String> {
    let failed = events.iter().filter_map(|event| match &event.body {
        Body::Failed { fault } => Some(fault.code.clone()),
        _ => None,
    });
    failed.collect()
}

#[test]
fn a_meter_played_from_its_record_gives_the_same_readings() {
    let folder = tempfile::tempdir().expect("a folder");
    let (wanted, session) = {
        let wall = kept(&folder.path().join("first"));
        let data = folder.path().join("first-data");
        let (life, stands) = measured(&wall, &data);
        assert_eq!(stands, "complete", "{}", life.log());
        let session = life.ok(&["traffic", "1", "lux-head"]);
        (readings(&journal(&data, 1).1), session)
    };

    let (wall, meter, followed) = played(&folder.path().join("again"), &session);
    let data = folder.path().join("again-data");
    let (life, stands) = measured(&wall, &data);
    assert_eq!(followed.departure(), None);
    assert_eq!(stands, "complete", "{}", life.log());
    assert_eq!(readings(&journal(&data, 1).1), wanted);
    assert_eq!(followed.questions_left(), 0);
    drop((life, meter, wall));

    // Another integration is another question, and the record answers none.
    let (wall, _meter, followed) = played(&folder.path().join("other"), &session);
    edit(&wall, "integration: 20 ms", "integration: 25 ms");
    let data = folder.path().join("other-data");
    let (life, stands) = measured(&wall, &data);
    let departure = followed.departure().expect("it departs").to_string();
    assert!(departure.contains("SENS:APER 0.025"), "{departure}");
    assert_eq!(stands, "failed", "{}", life.log());
    let (_, events, whole) = journal(&data, 1);
    assert!(whole);
    let faults = faults(&events);
    assert_eq!(
        faults.first().map(String::as_str),
        Some("silent"),
        "{faults:?}"
    );
    assert!(
        readings(&events).is_empty(),
        "a record that departed answered"
    );
    assert_eq!(life.leave().0, Some(0));
    tally::line(
        "a meter played from its kept traffic, over a PTY",
        &[
            ("readings the same to the last bit", &wanted.len()),
            ("departures noticed", &1),
        ],
    );
}
