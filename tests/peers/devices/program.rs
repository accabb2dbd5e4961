//! The real program measures a lamp with foreign devices: a foreign board works
//! its buttons, a foreign meter reads it, over TCP and in real time. The rail is
//! a simulated one over a pseudo-terminal, because no library plays one.

use std::time::{Duration, Instant};

use photometry::measured::{Outcome, Reading};
use wakerail::plan::itinerary::{Key, Purpose};
use wakerail::run::journal::Body;

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

/// The bench of the fault tests with the foreign devices in the places of its
/// meter and its board.
fn bench(text: &str, meter: u16, profile: &str, board: u16) -> String {
    let lines = text.lines().map(|line| {
        let key = line.split(": ").next().unwrap_or_default();
        match key {
            "  meter-port" => format!("  meter-port: {{tcp: \"127.0.0.1:{meter}\"}}"),
            "  finger-port" => format!("  finger-port: {{tcp: \"127.0.0.1:{board}\"}}"),
            "    port" => format!("{line}\n    profile: {profile}"),
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
/// to as a profile says; none when the devices are not there.
fn measured(maker: Maker, profile: &str, port: fn(&Peer) -> Option<u16>) -> Option<Run> {
    let folder = tempfile::tempdir().expect("a folder");
    let wall = WallBench::start(&folder.path().join("bench"), wall::spec(7));
    let (world, clock) = (wall.bench.world().clone(), wall.clock.clone());
    let light = Light::at(move || world.distance(clock.now().mono).metres());
    let peer = maker.start(&light)?;
    let meter = port(&peer).expect("such a meter");
    let text = std::fs::read_to_string(wall.file("bench.yaml")).expect("a bench file");
    let text = bench(&text, meter, profile, peer.board);
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

/// Every stored reading is one that the lamp gave, in the order in which it gave
/// them, to the last bit, at the level and with the shutter that its key says.
fn hold(what: &str, run: Option<Run>) {
    let Some(run) = run else {
        tally::line(&format!("foreign devices, {what}"), &[("skipped", &1)]);
        return;
    };
    assert_eq!(run.wrong, Wrong::default());
    let mut given = run.given.iter();
    for (key, reading) in &run.readings {
        let Outcome::Value(lux) = reading.outcome else {
            panic!("{key}: {reading:?}");
        };
        let printed = String::from_utf8(reading.raw.clone()).expect("text");
        let printed: f64 = printed
            .split_whitespace()
            .next()
            .and_then(|number| number.parse().ok())
            .expect("a number");
        assert_eq!(printed, lux, "{key}");
        assert_eq!(reading.flags, Vec::<String>::new(), "{key}");
        let source = given
            .find(|given| given.lux == lux)
            .unwrap_or_else(|| panic!("{key}: {lux} lx was not given, or before its time"));
        assert_eq!(source.dark, key.purpose == Purpose::Dark, "{key}");
        if matches!(key.purpose, Purpose::Read | Purpose::Reference) {
            assert_eq!(key.setting, format!("L{:02}", source.level), "{key}");
            // The rail went there: its datum is known to some tenths of a millimetre,
            // and a millimetre at 12 in is 0.7 %.
            let law = AT_ONE_METRE[usize::from(source.level)] / key.position.metres().powi(2);
            assert!((lux / law - 1.0).abs() < 0.02, "{key}: {lux}, not {law}");
        }
    }
    let results = run
        .readings
        .iter()
        .filter(|(key, _)| key.purpose == Purpose::Read)
        .count();
    assert_eq!(results, 2 * 2 * 2);
    tally::line(
        &format!("foreign devices, {what}"),
        &[
            ("readings", &run.readings.len()),
            ("given", &run.given.len()),
            ("results", &results),
            ("presses", &run.presses),
            ("seconds", &run.took.as_secs()),
        ],
    );
}

#[test]
fn the_program_measures_with_devices_of_the_crates() {
    let run = measured(Maker::Crates, "asked-luxmeter", |peer| Some(peer.meter));
    hold("a survey with the crates' meter and board", run);
}

#[test]
fn the_program_measures_with_devices_of_scpipy() {
    let run = measured(Maker::Scpipy, "asked-luxmeter", |peer| Some(peer.meter));
    hold("a survey with scpipy's meter and board", run);
}

#[test]
fn the_program_measures_by_a_profile_that_a_user_wrote() {
    let run = measured(Maker::Scpipy, "redshank-luxmeter.yaml", |peer| {
        peer.other_meter
    });
    hold("a survey with scpipy's meter of other words", run);
}
