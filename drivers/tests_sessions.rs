//! Recorded sessions played again: the same driver makes the same of the same
//! bytes. `sessions/` holds what was seen on benches, a file each, as `wakerail
//! traffic` prints it; [`SEEN`] says what the driver must make of it.

use std::path::Path;
use std::sync::atomic::AtomicBool;

use photometry::units::{Lux, Mono, Span, Wall};

use crate::clock::{Clock, Seat};
use crate::exchange::talk::{LinkState, Talk};
use crate::link::address::DEFAULT_BAUD;
use crate::link::session::{self, FIRST_LINE, Said};
use crate::link::wire::{memory_wire, pty_wire, serve};
use crate::link::{Address, Link, Tap};
use crate::profile::shipped;
use crate::roles::photometer::Photometer;
use crate::roles::profiled_meter::{PhotometerCard, ProfiledMeter};
use crate::simulated::bench::{BenchSpec, SimulatedBench, Wire};
use crate::simulated::faults::{Device, Fault, Planned};
use crate::simulated::replayed::{Followed, Replayed};
use crate::simulated::world::WorldSpec;

/// Readings that are asked for.
const READINGS: usize = 8;

fn card() -> PhotometerCard {
    PhotometerCard {
        name: "lux-head".to_owned(),
        aperture: Span::from_ms(200),
        averages: 1,
        plausible: (Lux(-1.0), Lux(24_000.0)),
        has_shutter: true,
    }
}

/// Makes the meter ready and reads; what came of each, to the last bit.
fn work(seat: &mut Seat, link: &mut Link, card: PhotometerCard) -> Vec<String> {
    let (never, mut state) = (AtomicBool::new(false), LinkState::new());
    let mut talk = Talk::new(seat, link, &never, &mut state);
    let profile = shipped::profile("asked-luxmeter").expect("shipped");
    let mut meter = ProfiledMeter::new(card, profile, None);
    let mut told = Vec::new();
    match meter.open(&mut talk) {
        Ok(identity) => told.push(identity.raw),
        Err(error) => told.push(error.to_string()),
    }
    for _ in 0..READINGS {
        told.push(match meter.read_illuminance(&mut talk) {
            // A number's Debug form is exact.
            Ok(reading) => format!(
                "{:?} {:?} {:?}",
                reading.outcome,
                String::from_utf8_lossy(&reading.raw),
                reading.flags
            ),
            Err(error) => error.to_string(),
        });
    }
    told
}

/// The simulated meter, read; and what went over its link.
fn recorded(faults: &[(u64, Fault)]) -> (Vec<String>, String) {
    let clock = Clock::simulated(Wall::from_us(0), Mono::ZERO);
    let mut world = WorldSpec::new(3);
    let faults = faults.iter().cloned();
    world.faults = faults.map(|(nth, fault)| Planned { nth, fault }).collect();
    let wire = Wire::Memory("meter".to_owned());
    let spec = BenchSpec {
        world,
        world_file: None,
        absent: Span::ZERO,
        devices: vec![(Device::Meter, wire.clone())],
    };
    let (_bench, mut seats) = SimulatedBench::start(&clock, spec, &["port"]).expect("a bench");
    let _flow = clock.hold_flow();
    let tap = Tap::new();
    let mut link = Link::open_tapped(&wire.address(), &clock, Some(tap.clone())).expect("a link");
    let told = work(&mut seats[0], &mut link, card());
    let mut text = format!("{FIRST_LINE}\n");
    for chunk in tap.take().chunks {
        let after = chunk.at.mono.since(Mono::ZERO);
        session::write(&mut text, after, chunk.way, &chunk.bytes);
    }
    (told, text)
}

/// The same driver against a session.
fn replayed(session: Vec<Said>, pty: bool, card: PhotometerCard) -> (Vec<String>, Followed) {
    let folder = tempfile::tempdir().expect("a folder");
    let clock = Clock::simulated(Wall::from_us(0), Mono::ZERO);
    let mut seats = clock.seats(&["port", "replayed"]);
    let device = seats.pop().expect("a seat");
    let _flow = clock.hold_flow();
    let path = folder.path().join("meter");
    let (end, address) = match pty {
        true => {
            let address = Address::serial(path.to_string_lossy(), DEFAULT_BAUD);
            (pty_wire(&clock, &path).expect("a terminal"), address)
        }
        false => (memory_wire(&clock, "meter"), Address::memory("meter")),
    };
    let (machine, followed) = Replayed::new(session, clock.now().mono);
    let _served = serve(device, end, machine).expect("a thread");
    let mut link = Link::open(&address, &clock).expect("a link");
    (work(&mut seats[0], &mut link, card), followed)
}

/// A late answer and a silence: each by its name, and what follows is right.
fn lapses() -> Vec<(u64, Fault)> {
    let late = Fault::Late(Device::Meter, Span::from_ms(2_900));
    vec![(14, late), (19, Fault::Silent(Device::Meter))]
}

#[test]
fn a_recorded_talk_gives_the_same_again_lapses_included() {
    let (told, text) = recorded(&lapses());
    let begins = |words| told.iter().filter(|line| line.starts_with(words)).count();
    let named = [
        begins("TimedOut "),
        begins("no answer to `SYST:ERR?`"),
        begins("Value("),
    ];
    assert_eq!(named, [1, 1, 6], "{told:#?}");
    for pty in [false, true] {
        let session = session::read(&text).expect("a session");
        let (again, followed) = replayed(session, pty, card());
        assert_eq!(followed.departure(), None);
        assert_eq!(again, told);
        assert_eq!(followed.questions_left(), 0);
    }
}

/// Two averages are set where one was: the talk departs there and nowhere else,
/// and nothing is answered from there on.
#[test]
fn a_driver_that_asks_something_else_is_told_where_it_departs() {
    let (_, text) = recorded(&[]);
    let session = session::read(&text).expect("a session");
    let set = session
        .iter()
        .find(|said| said.bytes.starts_with(b"SENS:AVER:COUN 1"));
    let line = set.expect("a setting").line;
    let other = PhotometerCard {
        averages: 2,
        ..card()
    };
    let (told, followed) = replayed(session, false, other);
    let departure = followed.departure().expect("it departs").to_string();
    assert!(
        departure.starts_with(&format!("line {line} of the record (")),
        "{departure}"
    );
    let words = "byte 16: `SENS:AVER:COUN 1\\n` was sent then, now `SENS:AVER:COUN 2\\n";
    assert!(departure.contains(words), "{departure}");
    let silent = told.iter().all(|line| line.starts_with("no answer to"));
    assert!(silent, "{told:#?}");
}

#[test]
fn what_is_asked_after_the_end_is_told() {
    let (told, text) = recorded(&[]);
    let mut session = session::read(&text).expect("a session");
    let last = session.iter().rposition(|said| said.bytes == b"READ?\n");
    session.truncate(last.expect("a question"));
    let (again, followed) = replayed(session, false, card());
    assert_eq!(again[..READINGS], told[..READINGS]);
    let departure = followed.departure().expect("it departs").to_string();
    assert_eq!(departure, "the record has ended, and `READ?\\n` was sent");
}

/// What the meter of one file is asked for, and what must come of it.
struct Seen {
    file: &'static str,
    told: &'static [&'static str],
}

/// What was seen on benches. The meter follows `asked-luxmeter`, is made ready and
/// read eight times.
const SEEN: &[Seen] = &[
    Seen {
        file: "late-and-silent.session",
        told: &[
            "Simulated,Illuminance meter,000003,1.0",
            "Value(0.0651) \"6.510000E-02\\n\" []",
            "Value(0.0654) \"6.540000E-02\\n\" []",
            "TimedOut \"\" []",
            "no answer to `SYST:ERR?` within 2 s. Check that the device is on and set to the rate in the bench file",
            "Value(0.066) \"6.600000E-02\\n\" [\"answered after a resync\", \"set up again\"]",
            "Value(0.0653) \"6.530000E-02\\n\" []",
            "Value(0.066) \"6.600000E-02\\n\" []",
            "Value(0.0662) \"6.620000E-02\\n\" []",
        ],
    },
    Seen {
        file: "started-anew.session",
        told: &[
            "Simulated,Illuminance meter,000003,1.0",
            "Value(0.0651) \"6.510000E-02\\n\" []",
            "Value(0.0654) \"6.540000E-02\\n\" []",
            "Value(0.0651) \"6.510000E-02\\n\" [\"range not told\"]",
            "Rejected(\"it answered in 103 ms, sooner than it integrates (200 ms)\") \"6.600000E-02\\n\" []",
            "Value(0.0653) \"6.530000E-02\\n\" [\"answered after a resync\", \"set up again\"]",
            "Value(0.066) \"6.600000E-02\\n\" []",
            "Value(0.0661) \"6.610000E-02\\n\" []",
            "Value(0.0654) \"6.540000E-02\\n\" []",
        ],
    },
    Seen {
        file: "over-twice-and-noise.session",
        told: &[
            "Simulated,Illuminance meter,000003,1.0",
            "Value(0.0651) \"6.510000E-02\\n\" []",
            "Over(2.0) \"9.9E37\\n\" []",
            "Value(0.0651) \"6.510000E-02\\n\" []",
            "Rejected(\"it gave more than one answer\") \"2.000000E+00\\n\" []",
            "`averages` was answered by `\u{fffd}ÿ1`, which is not a number. Check the cable, and that the device is the one in the bench file",
            "Value(0.0653) \"6.530000E-02\\n\" [\"set up again\"]",
            "Value(0.066) \"6.600000E-02\\n\" []",
            "Value(0.0661) \"6.610000E-02\\n\" []",
        ],
    },
];

#[test]
fn what_was_seen_on_benches_comes_out_the_same() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sessions");
    for Seen { file, told } in SEEN {
        let text = std::fs::read_to_string(folder.join(file)).expect(file);
        let session = session::read(&text).unwrap_or_else(|error| panic!("{file}: {error}"));
        let (again, followed) = replayed(session, false, card());
        assert_eq!(followed.departure(), None, "{file}");
        assert_eq!(again, *told, "{file}");
        assert_eq!(followed.questions_left(), 0, "{file}");
    }
    let files = std::fs::read_dir(&folder).expect("a folder");
    let files = files.filter(|file| {
        let path = file.as_ref().expect("an entry").path();
        path.extension().is_some_and(|end| end == "session")
    });
    assert_eq!(files.count(), SEEN.len(), "each file stands in SEEN");
}
