//! Told to leave in any state, watched by a supervisor, started twice.

use std::os::unix::net::UnixDatagram;
use std::time::{Duration, Instant};

use wakerail::run::journal::{Body, SeamCause};

use super::night::{Heard, Life, Start, Wrong, book, journal, place, state, wrong};
use super::tally;
use super::wall::{self, WallBench};

const PATIENCE: Duration = Duration::from_secs(90);
const LOOK: Duration = Duration::from_millis(5);

/// SIGTERM at ever later instants of a run: each time the daemon ends well, the
/// run's journal says how the bench was left, the carriage stands, and the next
/// start goes on.
#[test]
fn told_to_leave_at_any_instant_the_bench_is_safe() {
    let folder = tempfile::tempdir().expect("a folder");
    let wall = WallBench::start(&folder.path().join("bench"), wall::spec(4));
    let data = folder.path().join("data");
    let plain = Start::before(&wall);
    let life = Life::ready(&data, &plain);
    place(&life, &wall.file("lamp.yaml"));
    book(&life, &wall.file("plan.yaml"));
    assert_eq!(life.leave().0, Some(0));
    let wanted = if tally::long() { 60 } else { 8 };
    let heard = Heard::default();
    let mut times = Vec::new();
    let mut whiles = std::collections::BTreeSet::new();
    for no in 0..wanted {
        let mut life = Life::ready(&data, &plain);
        heard.listen(&data, 1);
        // Later in the sitting each time, so that all kinds of action are met.
        let before = heard.seq();
        let after = before + 1 + (no * 5) % 37;
        while heard.seq() < after && state(&data, 1) != "complete" {
            assert!(life.runs(), "{}", life.log());
            std::thread::sleep(LOOK);
        }
        let log = life.log_file();
        let (code, took) = life.leave();
        let told = std::fs::read_to_string(log).unwrap_or_default();
        assert_eq!(code, Some(0), "{told}");
        times.push(took);
        let (_, events, _) = journal(&data, 1);
        if events
            .iter()
            .any(|event| matches!(event.body, Body::Ended { .. }))
        {
            break;
        }
        let seam = events
            .iter()
            .rposition(|event| {
                matches!(
                    event.body,
                    Body::Seam {
                        cause: SeamCause::Shutdown
                    }
                )
            })
            .expect("a seam");
        if let Some(Body::Started { doing }) = events[..seam]
            .iter()
            .rev()
            .map(|event| &event.body)
            .find(|body| matches!(body, Body::Started { .. }))
        {
            whiles.insert(doing.split(' ').next().unwrap_or("").to_owned());
        }
        let left = events[seam..].iter().find_map(|event| match &event.body {
            Body::MadeSafe { left } => Some(left),
            _ => None,
        });
        let left = left.expect("the bench was made safe, and that was written");
        assert!(left.fingers_off && left.carriage_still, "{left:?}");
        let world = wall.bench.world();
        let at = |clock: &drivers::clock::Clock| world.carriage(clock.now().mono);
        let clock = drivers::clock::Clock::wall();
        let (first, _) = (at(&clock), std::thread::sleep(Duration::from_millis(30)));
        assert_eq!(first, at(&clock), "the carriage stands");
        assert_eq!(wall.bench.person().sees_level(clock.now().mono), 0, "dark");
    }
    let mut life = Life::ready(&data, &plain);
    let begun = Instant::now();
    while state(&data, 1) != "complete" {
        assert!(begun.elapsed() < PATIENCE && life.runs(), "{}", life.log());
        std::thread::sleep(LOOK);
    }
    drop(life);
    let found = wrong(&data, 1, heard.seq());
    let longest = times.iter().max().map_or(0, Duration::as_millis);
    tally::line(
        "SIGTERM at any instant",
        &[
            ("times", &times.len()),
            ("while", &whiles.into_iter().collect::<Vec<_>>().join("/")),
            ("unsafe", &0),
            ("longest ms", &longest),
            ("lost", &found.lost),
        ],
    );
    assert_eq!(found, Wrong::default());
}

/// SIGTERM while a start takes up the run that is in line, which reads its
/// journal in another task than the bench's: that is no failure of the record.
#[test]
fn told_to_leave_while_a_run_is_taken_up_nothing_failed() {
    /// Between two instants; the run is taken up within some 40 ms.
    const LATER: Duration = Duration::from_millis(2);
    let folder = tempfile::tempdir().expect("a folder");
    let wall = WallBench::start(&folder.path().join("bench"), wall::spec(6));
    let data = folder.path().join("data");
    let plain = Start::before(&wall);
    let mut life = Life::ready(&data, &plain);
    place(&life, &wall.file("lamp.yaml"));
    book(&life, &wall.file("plan.yaml"));
    let heard = Heard::default();
    heard.listen(&data, 1);
    heard.beyond(20, &mut life);
    assert_eq!(life.leave().0, Some(0));
    for no in 0..if tally::long() { 100 } else { 20 } {
        let life = Life::ready(&data, &plain);
        let log = life.log_file();
        std::thread::sleep(LATER * no);
        let (code, _) = life.leave();
        let told = std::fs::read_to_string(log).unwrap_or_default();
        assert_eq!(code, Some(0), "after {no} x 2 ms: {told}");
        assert!(!told.contains("failed"), "{told}");
    }
}

/// The test plays the supervisor: told that the daemon is ready and alive; when
/// it stands still, nothing is told any more, it is killed as systemd would,
/// and the next one goes on.
#[test]
fn a_supervisor_notices_a_daemon_that_hangs() {
    const WITHIN: Duration = Duration::from_secs(2);
    let folder = tempfile::tempdir().expect("a folder");
    let wall = WallBench::start(&folder.path().join("bench"), wall::spec(5));
    let data = folder.path().join("data");
    let ear = folder.path().join("notify");
    let supervisor = UnixDatagram::bind(&ear).expect("bound");
    supervisor.set_read_timeout(Some(WITHIN)).expect("set");
    let hears = || {
        let mut state = [0; 256];
        let bytes = supervisor.recv(&mut state).ok()?;
        Some(String::from_utf8_lossy(&state[..bytes]).into_owned())
    };
    let watched = Start::before(&wall).with(&[
        ("NOTIFY_SOCKET", ear.to_string_lossy().into_owned()),
        ("WATCHDOG_USEC", WITHIN.as_micros().to_string()),
    ]);
    let mut life = Life::ready(&data, &watched);
    assert_eq!(hears().as_deref(), Some("READY=1"));
    place(&life, &wall.file("lamp.yaml"));
    book(&life, &wall.file("plan.yaml"));
    let heard = Heard::default();
    heard.listen(&data, 1);
    heard.beyond(40, &mut life);
    let mut alive = 0;
    let begun = Instant::now();
    while begun.elapsed() < WITHIN {
        assert_eq!(hears().as_deref(), Some("WATCHDOG=1"), "{}", life.log());
        alive += 1;
    }
    assert!(alive >= 2, "told {alive} times within the limit");
    life.signal("STOP");
    let begun = Instant::now();
    while let Some(told) = hears() {
        assert_eq!(told, "WATCHDOG=1", "sent before it stood still");
        assert!(begun.elapsed() < PATIENCE);
    }
    let noticed = begun.elapsed();
    life.kill();
    let mut life = Life::ready(&data, &watched);
    let begun = Instant::now();
    while state(&data, 1) != "complete" {
        assert!(begun.elapsed() < PATIENCE && life.runs(), "{}", life.log());
        while supervisor.recv(&mut [0; 256]).is_err() {}
    }
    assert_eq!(life.leave().0, Some(0));
    let found = wrong(&data, 1, heard.seq());
    tally::line(
        "a daemon that hangs, with a watchdog of 2 s",
        &[
            ("noticed after ms", &noticed.as_millis()),
            ("lost", &found.lost),
        ],
    );
    assert_eq!(found, Wrong::default());
}
