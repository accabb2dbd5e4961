//! A transmitter and a relay board behind Modbus, served by pymodbus over TCP and
//! over a serial line: the shipped register profiles as they are.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use drivers::clock::Clock;
use drivers::error::DriverError;
use drivers::exchange::modbus::frames::Form;
use drivers::exchange::talk::{LinkState, Talk};
use drivers::link::{Address, Link, LinkError};
use drivers::profile::shipped;
use drivers::roles::photometer::Photometer;
use drivers::roles::presser::Presser;
use drivers::roles::profiled_fingers::ProfiledFingers;
use drivers::roles::profiled_meter::{PhotometerCard, ProfiledMeter};
use photometry::measured::Outcome;
use photometry::units::{Lux, Span};

use super::peer::{Process, python_with};
use super::tally;

/// Its unit, in `modbus_bench.py`.
const UNIT: u8 = 17;
/// Light with no coil closed, and what each closed coil adds.
const STEP_LUX: f64 = 100.25;
/// Readings and presses of the endurance test.
const ROUNDS: usize = 300;

/// The peer, and where it is; none, and loudly, when it is not to be had.
fn peer() -> Option<(Process, Address, Address)> {
    let python = python_with("pymodbus.server", "pymodbus")?;
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers/devices/modbus_bench.py");
    let mut child = Command::new(python)
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("python starts");
    let stdout = child.stdout.take().expect("piped");
    let process = Process::of(child, None);
    let mut line = String::new();
    BufReader::new(stdout)
        .read_line(&mut line)
        .expect("its places");
    let (port, path) = line.trim().split_once(' ').expect("a port and a path");
    let tcp = Address::Tcp {
        host_port: format!("127.0.0.1:{port}"),
    };
    let serial = Address::serial(path, 19_200);
    listens(&tcp);
    Some((process, tcp, serial))
}

/// Waits until a server takes connections.
fn listens(address: &Address) {
    let begun = std::time::Instant::now();
    while Link::open(address, &Clock::wall()).is_err() {
        assert!(
            begun.elapsed().as_secs() < 60,
            "{address} is not listened at"
        );
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
}

/// Opens a link. A process that another test starts at this very moment holds a
/// copy of what was just closed, until it has become the program that it is to be.
fn opened(address: &Address, clock: &Clock) -> Link {
    let begun = std::time::Instant::now();
    loop {
        match Link::open(address, clock) {
            Err(LinkError::Busy { .. }) if begun.elapsed().as_secs() < 10 => {
                std::thread::sleep(std::time::Duration::from_millis(5));
            }
            other => return other.expect("a link"),
        }
    }
}

fn with<T>(address: &Address, how: impl FnOnce(&mut Talk<'_>) -> T) -> T {
    let clock = Clock::wall();
    let mut seat = clock.seat("test");
    let mut link = opened(address, &clock);
    let (never, mut state) = (AtomicBool::new(false), LinkState::new());
    how(&mut Talk::new(&mut seat, &mut link, &never, &mut state))
}

fn meter(unit: u8, form: Form) -> ProfiledMeter {
    let profile = shipped::profile("register-luxmeter").expect("a profile");
    let station = profile.station(unit, form);
    let card = PhotometerCard {
        name: "head".to_owned(),
        aperture: Span::from_ms(1),
        averages: 1,
        plausible: (Lux(-1.0), Lux(2e5)),
        has_shutter: false,
    };
    ProfiledMeter::new(card, Arc::clone(&profile), station)
}

fn fingers(form: Form) -> ProfiledFingers {
    let profile = shipped::profile("register-relays").expect("a profile");
    let station = profile.station(UNIT, form);
    ProfiledFingers::new((1..=8).collect(), profile, station)
}

#[test]
fn a_transmitter_and_relays_by_registers() {
    let mut met = 0;
    if let Some((_process, tcp, serial)) = peer() {
        for (address, form) in [(&tcp, Form::Tcp), (&serial, Form::Rtu)] {
            with(address, |talk| {
                let (mut meter, mut fingers) = (meter(UNIT, form), fingers(form));
                fingers.open(talk).expect("a board");
                meter.open(talk).expect("a transmitter");
                for round in 0..ROUNDS {
                    let coil = (round % 8) as u16 + 1;
                    if round % 50 == 0 {
                        let press = fingers
                            .press(talk, coil, Span::from_ms(20))
                            .expect("a press");
                        assert!(press.up.mono.since(press.down.mono) >= Span::from_ms(20));
                    }
                    let reading = meter.read_illuminance(talk).expect("a reading");
                    assert_eq!(
                        reading.outcome,
                        Outcome::Value(STEP_LUX),
                        "{form:?} {round}"
                    );
                    assert_eq!(reading.flags, Vec::<String>::new());
                }
                fingers.release_all(talk).expect("all off");
            });
            // Nobody is there under another number: named, and no value.
            with(address, |talk| {
                let refused = meter(UNIT + 1, form).open(talk).expect_err("no such unit");
                assert!(
                    matches!(
                        refused,
                        DriverError::Silent { .. } | DriverError::Refused { .. }
                    ),
                    "{form:?} {refused}"
                );
            });
        }
        met = 1;
    }
    tally::line(
        "foreign devices, Modbus over TCP and a line",
        &[
            ("makers", &met),
            ("readings", &(met * 2 * ROUNDS)),
            ("skipped", &(1 - met)),
        ],
    );
}

/// What a register says while coils are down, read beside a press.
#[test]
fn the_light_follows_the_coils() {
    let Some((_process, tcp, _serial)) = peer() else {
        return; // told loudly by the peer
    };
    with(&tcp, |talk| {
        use drivers::exchange::modbus::ask;
        use drivers::exchange::modbus::station::Limits;
        let profile = shipped::profile("register-relays").expect("a profile");
        let station = profile.station(UNIT, Form::Tcp).expect("registers");
        let limits = Limits {
            within: Span::from_secs(5),
            retries: 0,
        };
        let mut meter = meter(UNIT, Form::Tcp);
        meter.open(talk).expect("a transmitter");
        for closed in 0..=8_u16 {
            let on: Vec<bool> = (0..8).map(|coil| coil < closed).collect();
            ask::write_coils(talk, &station, 0, &on, limits).expect("written");
            let reading = meter.read_illuminance(talk).expect("a reading");
            let lux = STEP_LUX * f64::from(1 + closed);
            assert_eq!(reading.outcome, Outcome::Value(lux), "{closed}");
        }
        // Opening takes all fingers off, whoever left them down.
        fingers(Form::Tcp).open(talk).expect("a board");
        let reading = meter.read_illuminance(talk).expect("a reading");
        assert_eq!(reading.outcome, Outcome::Value(STEP_LUX));
        // A register that it does not have: exception 2, by name.
        let beyond = ask::write_coil(talk, &station, 500, true, limits);
        assert!(
            matches!(&beyond, Err(DriverError::Refused { code: 2, .. })),
            "{beyond:?}"
        );
    });
}
