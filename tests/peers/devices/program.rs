//! The real program measures a lamp with foreign devices: a foreign board works
//! its buttons, or one behind a foreign broker, a foreign meter reads it, over TCP
//! and in real time. The rail is
//! a simulated one over a pseudo-terminal, because no library plays one.

use std::time::{Duration, Instant};

use drivers::exchange::line::AFTER_RESYNC;
use drivers::roles::profiled_meter::SET_UP_AGAIN;
use photometry::measured::{Outcome, Reading};
use wakerail::plan::itinerary::{Key, Purpose};
use wakerail::run::journal::Body;

use super::broker;
use super::light::{AT_ONE_METRE, Given, Light};
use super::night::{Life, Start, Wrong, book, journal, place, state, wrong};
use super::peer::{Maker, Peer, profile_text};
use super::tally;
use super::wall::{self, WallBench};

/// A survey here takes some ten seconds.
const PATIENCE: Duration = Duration::from_secs(120);
const LOOK: Duration = Duration::from_millis(20);

/// Two levels, two places, two readings, a warm-up of a second.
const PLAN: &str = "\
plan: a short look
format: 1
tests:
  look:
    kind: survey
    settings: [1, 3]
    positions: [12 in, 18 in]
    readings: 2
    dark: 2
    ambient: 1
    warm-up: 1 s
    reference: {at: 18 in, every: 6, drift-limit: 2 %, give-up: 5 %}
";

/// Who works the buttons.
#[derive(Clone, Copy)]
enum Fingers {
    /// The maker's board.
    Maker,
    /// A board behind mosquitto, worked by its programs.
    Broker,
}

/// The bench of the fault tests with the foreign devices in the places of its
/// meter and its board.
fn bench(text: &str, meter: u16, profile: &str, fingers: (Fingers, u16)) -> String {
    let lines = text.lines().map(|line| {
        let key = line.split(": ").next().unwrap_or_default();
        match (key, fingers) {
            ("  meter-port", _) => format!("  meter-port: {{tcp: \"127.0.0.1:{meter}\"}}"),
            ("  finger-port", (Fingers::Maker, board)) => {
                format!("  finger-port: {{tcp: \"127.0.0.1:{board}\"}}")
            }
            ("  finger-port", (Fingers::Broker, _)) => {
                "  finger-port: {program: /usr/bin/env}".to_owned()
            }
            ("  port", (Fingers::Broker, _)) if line.ends_with("finger-port") => {
                format!("{line}\n  profile: broker-relays.yaml")
            }
            ("    port", _) => format!("{line}\n    profile: {profile}"),
            _ => line.to_owned(),
        }
    });
    lines.map(|line| line + "\n").collect()
}

/// What a run was worth.
struct Run {
    readings: Vec<(Key, Reading)>,
    given: Vec<Given>,
    presses: u32,
    wrong: Wrong,
    took: Duration,
}

/// Has the program carry out the plan before devices of a maker, its meter spoken
/// to as a profile says, one of its readings late; none when the devices are not
/// there.
fn measured(
    maker: Maker,
    profile: &str,
    port: fn(&Peer) -> Option<u16>,
    late: Option<usize>,
    fingers: Fingers,
) -> Option<Run> {
    let folder = tempfile::tempdir().expect("a folder");
    let wall = WallBench::start(&folder.path().join("bench"), wall::spec(7));
    let (world, clock) = (wall.bench.world().clone(), wall.clock.clone());
    let light = Light::at(move || world.distance(clock.now().mono).metres());
    if let Some(reading) = late {
        light.late(reading);
    }
    let peer = maker.start(&light)?;
    let meter = port(&peer).expect("such a meter");
    let behind = match fingers {
        Fingers::Maker => None,
        Fingers::Broker => Some(broker::working(&light, folder.path())?),
    };
    if let Some(behind) = &behind {
        let file = wall.file("broker-relays.yaml");
        std::fs::write(file, behind.profile()).expect("written");
    }
    let text = std::fs::read_to_string(wall.file("bench.yaml")).expect("a bench file");
    let text = bench(&text, meter, profile, (fingers, peer.board));
    std::fs::write(wall.file("bench.yaml"), text).expect("written");
    std::fs::write(wall.file("plan.yaml"), PLAN).expect("written");
    if let Some(name) = profile.strip_suffix(".yaml") {
        std::fs::write(wall.file(profile), profile_text(name)).expect("written");
    }
    let data = folder.path().join("data");
    let begun = Instant::now();
    let mut life = Life::ready(&data, &Start::at(&wall.file("bench.yaml")));
    place(&life, &wall.file("lamp.yaml"));
    book(&life, &wall.file("plan.yaml"));
    loop {
        let now = state(&data, 1);
        if now == "complete" {
            break;
        }
        let goes_on = ["waiting", "measuring", "unknown"].contains(&now.as_str());
        assert!(goes_on && life.runs(), "{now}: {}", life.log());
        assert!(begun.elapsed() < PATIENCE, "{now}: {}", life.log());
        std::thread::sleep(LOOK);
    }
    assert_eq!(life.leave().0, Some(0));
    assert_eq!(light.closed(), [0_u16; 0], "no finger is left down");
    let (_, events, _) = journal(&data, 1);
    let readings = events.into_iter().filter_map(|event| match event.body {
        Body::Taken { key, reading } => Some((key, reading)),
        _ => None,
    });
    Some(Run {
        readings: readings.collect(),
        given: light.given(),
        presses: light.presses(),
        wrong: wrong(&data, 1, 0),
        took: begun.elapsed(),
    })
}

/// The record holds each reading that the lamp gave and no other, in their order,
/// to the last bit, at the level and with the shutter that its key says; the late
/// ones as timed out, and what follows them as its own.
fn hold(what: &str, run: Option<Run>, wanted_late: u32) {
    let Some(run) = run else {
        tally::line(&format!("foreign devices, {what}"), &[("skipped", &1)]);
        return;
    };
    assert_eq!(run.wrong, Wrong::default());
    assert_eq!(run.readings.len(), run.given.len());
    let mut late = 0;
    let mut after_late = false;
    for ((key, reading), given) in run.readings.iter().zip(&run.given) {
        assert_eq!(given.dark, key.purpose == Purpose::Dark, "{key}");
        if !given.late.is_zero() {
            assert_eq!(reading.outcome, Outcome::TimedOut, "{key}");
            (late, after_late) = (late + 1, true);
            continue;
        }
        assert_eq!(reading.outcome, Outcome::Value(given.lux), "{key}");
        let printed = String::from_utf8(reading.raw.clone()).expect("text");
        let printed = printed.split_whitespace().next().expect("a number");
        assert_eq!(printed.parse(), Ok(given.lux), "{key}");
        let flags: &[&str] = match std::mem::take(&mut after_late) {
            true => &[AFTER_RESYNC, SET_UP_AGAIN],
            false => &[],
        };
        assert_eq!(reading.flags, flags, "{key}");
        if matches!(key.purpose, Purpose::Read | Purpose::Reference) {
            assert_eq!(key.setting, format!("L{:02}", given.level), "{key}");
            // The rail went there: its datum is known to some tenths of a millimetre,
            // and a millimetre at 12 in is 0.7 %.
            let law = AT_ONE_METRE[usize::from(given.level)] / key.position.metres().powi(2);
            assert!(
                (given.lux / law - 1.0).abs() < 0.02,
                "{key}: {given:?}, not {law}"
            );
        }
    }
    assert_eq!(late, wanted_late);
    let results = run
        .readings
        .iter()
        .filter(|(key, reading)| {
            key.purpose == Purpose::Read && matches!(reading.outcome, Outcome::Value(_))
        })
        .count();
    assert_eq!(results, 2 * 2 * 2);
    tally::line(
        &format!("foreign devices, {what}"),
        &[
            ("readings", &run.readings.len()),
            ("late", &late),
            ("results", &results),
            ("presses", &run.presses),
            ("seconds", &run.took.as_secs()),
        ],
    );
}

/// The 25th reading, the first result of the plan, comes too late.
const FIRST_RESULT: usize = 24;

#[test]
fn the_program_measures_with_devices_of_the_crates() {
    let meter = |peer: &Peer| Some(peer.meter);
    let run = measured(
        Maker::Crates,
        "asked-luxmeter",
        meter,
        Some(FIRST_RESULT),
        Fingers::Maker,
    );
    hold("a survey with the crates' devices, a reading late", run, 1);
}

#[test]
fn the_program_measures_with_devices_of_scpipy() {
    let meter = |peer: &Peer| Some(peer.meter);
    let run = measured(Maker::Scpipy, "asked-luxmeter", meter, None, Fingers::Maker);
    hold("a survey with scpipy's devices", run, 0);
}

#[test]
fn the_program_measures_by_a_profile_that_a_user_wrote() {
    let meter = |peer: &Peer| peer.other_meter;
    let run = measured(
        Maker::Scpipy,
        "redshank-luxmeter.yaml",
        meter,
        None,
        Fingers::Maker,
    );
    hold("a survey by a profile that a user wrote", run, 0);
}

#[test]
fn the_program_measures_with_fingers_behind_a_broker() {
    let meter = |peer: &Peer| Some(peer.meter);
    let (maker, profile) = (Maker::Crates, "asked-luxmeter");
    let run = measured(maker, profile, meter, None, Fingers::Broker);
    hold("a survey with fingers behind a broker", run, 0);
}
