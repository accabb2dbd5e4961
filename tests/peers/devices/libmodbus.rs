//! The server of libmodbus's own tests, over TCP and over a line. It holds a few
//! registers, and misbehaves when some of them are read (`tests/unit-test.h` of its
//! source package): busy, another unit or transaction, half a second late, a byte
//! at a time, fewer registers than asked.
//!
//! It serves one client and ends with it, so every connection has a server of its
//! own. Its port and its line are its arguments here (`install`).

use std::net::TcpListener;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Instant;

use drivers::clock::Clock;
use drivers::error::DriverError;
use drivers::exchange::line::AFTER_RESYNC;
use drivers::exchange::modbus::ask::{self, Answer};
use drivers::exchange::modbus::frames::Form;
use drivers::exchange::modbus::request::{BitSpace, RegisterSpace};
use drivers::exchange::modbus::station::{Limits, Probe, Station};
use drivers::exchange::talk::{LinkState, Talk};
use drivers::link::{Address, Link};
use drivers::profile::read::profile as profile_read;
use drivers::roles::photometer::Photometer;
use drivers::roles::profiled_meter::{PhotometerCard, ProfiledMeter};
use photometry::measured::{Outcome, Reading};
use photometry::units::{Lux, Span};

use super::peer::{Process, installed};
use super::tally;
use super::wired::Line;

/// Its registers, and what reading from some of them does (`tests/unit-test.h`).
const FIRST: u16 = 0x160;
const COUNT: u16 = 0x20;
const BUSY: u16 = 0x170;
const ANOTHER: u16 = 0x171;
const HALF_A_SECOND_LATE: u16 = 0x172;
const BYTE_BY_BYTE: u16 = 0x173;
/// Asked for so many, it gives one less.
const FEWER: u16 = 2;
/// Its coils.
const FIRST_COIL: u16 = 0x130;
const COILS: u16 = 0x25;
/// Its unit on a line; over TCP it answers for any, and a byte at a time for 255
/// only.
const UNIT: u8 = 17;
const ANY_UNIT: u8 = 255;

const HOLDING: RegisterSpace = RegisterSpace::Holding;
const AMPLE: Limits = Limits {
    within: Span::from_secs(5),
    retries: 0,
};
/// Shorter than half a second, which is how late it is.
const SHORT: Limits = Limits {
    within: Span::from_ms(250),
    retries: 0,
};
const FORMS: [Form; 2] = [Form::Tcp, Form::Rtu];

/// The server, the way to it, and what must live as long.
struct Server {
    address: Address,
    _process: Process,
    _line: Option<Line>,
}

/// Starts one; none, and loudly, when it is not to be had.
fn server(form: Form) -> Option<Server> {
    let program = installed("unit-test-server", "libmodbus")?;
    let line = (form == Form::Rtu).then(Line::lay);
    let (kind, place, address) = match &line {
        Some(line) => {
            let [ours, its] = &line.ends;
            let address = Address::serial(ours.to_str().expect("text"), 115_200);
            ("rtu", its.display().to_string(), address)
        }
        None => {
            let chosen = TcpListener::bind("127.0.0.1:0").expect("a port");
            let port = chosen.local_addr().expect("an address").port();
            let host_port = format!("127.0.0.1:{port}");
            ("tcp", port.to_string(), Address::Tcp { host_port })
        }
    };
    let child = Command::new(program)
        .args([kind, &place])
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("it starts");
    Some(Server {
        address,
        _process: Process::of(child, None),
        _line: line,
    })
}

/// What a register holds after `with` has filled it: an odd factor makes every one
/// different.
fn held(at: u16) -> u16 {
    at.wrapping_mul(40_503)
}

fn station(form: Form, unit: u8) -> Station {
    Station {
        unit,
        form,
        gap: Span::from_ms(5),
        longest_answer: Span::from_ms(700),
        echo: false,
        probe: Probe::Registers {
            space: HOLDING,
            at: FIRST + 4,
            count: 8,
        },
    }
}

/// Talks to a server of its own; false, and loudly, when there is none.
fn connected(form: Form, how: impl FnOnce(&mut Talk<'_>, &Station)) -> bool {
    let Some(server) = server(form) else {
        return false;
    };
    let clock = Clock::wall();
    let mut seat = clock.seat("test");
    let begun = Instant::now();
    // The first that it takes is its client: nothing else may look whether it is there.
    let mut link = loop {
        match Link::open(&server.address, &clock) {
            Ok(link) => break link,
            Err(error) => assert!(begun.elapsed().as_secs() < 60, "{error}"),
        }
        std::thread::yield_now();
    };
    let (never, mut state) = (AtomicBool::new(false), LinkState::new());
    let mut talk = Talk::new(&mut seat, &mut link, &never, &mut state);
    let unit = if form == Form::Rtu { UNIT } else { ANY_UNIT };
    how(&mut talk, &station(form, unit));
    true
}

/// The same, and its registers were filled.
fn with(form: Form, how: impl FnOnce(&mut Talk<'_>, &Station)) -> bool {
    connected(form, |talk, station| {
        let values: Vec<u16> = (FIRST..FIRST + COUNT).map(held).collect();
        // On a line nobody can tell when it began to listen.
        let again = Limits {
            retries: 5,
            ..AMPLE
        };
        ask::write_registers(talk, station, FIRST, &values, again).expect("filled");
        how(talk, station);
    })
}

fn read(
    talk: &mut Talk<'_>,
    station: &Station,
    at: u16,
    limits: Limits,
) -> Result<Answer<Vec<u16>>, DriverError> {
    ask::read_registers(talk, station, HOLDING, at, 1, limits)
}

/// A register that it answers as it should: its own value, and whether a resync
/// came before.
fn reads(talk: &mut Talk<'_>, station: &Station, at: u16) -> bool {
    let answer = read(talk, station, at, AMPLE).expect("an answer");
    assert_eq!(answer.value, [held(at)], "{at:#x}");
    answer.flags() == [AFTER_RESYNC]
}

fn count(met: [bool; 2]) -> usize {
    met.into_iter().filter(|met| *met).count()
}

fn tell(what: &str, met: usize) {
    tally::line(
        &format!("foreign devices, libmodbus, {what}"),
        &[("spoken to", &met), ("skipped", &(FORMS.len() - met))],
    );
}

#[test]
fn registers_and_coils_of_libmodbus_are_what_was_written() {
    let met = FORMS.map(|form| {
        with(form, |talk, station| {
            let whole = ask::read_registers(talk, station, HOLDING, FIRST, COUNT, AMPLE);
            let wanted: Vec<u16> = (FIRST..FIRST + COUNT).map(held).collect();
            assert_eq!(whole.expect("all of them").value, wanted, "{form:?}");
            for nth in 0..COILS {
                let at = FIRST_COIL + nth;
                ask::write_coil(talk, station, at, nth % 3 == 0, AMPLE).expect("written");
            }
            let on = ask::read_bits(talk, station, BitSpace::Coils, FIRST_COIL, COILS, AMPLE);
            let wanted: Vec<bool> = (0..COILS).map(|nth| nth % 3 == 0).collect();
            assert_eq!(on.expect("coils").value, wanted, "{form:?}");
            // Its only input register is the standard's example (6.4): 10.
            let input = RegisterSpace::Input;
            let ten = ask::read_registers(talk, station, input, 0x108, 1, AMPLE);
            assert_eq!(ten.expect("ten").value, [10], "{form:?}");
        })
    });
    tell("registers and coils", count(met));
}

/// Exception 6, at this register whenever it is asked: a named refusal after as
/// many tries as are allowed, and no resync.
#[test]
fn libmodbus_is_busy_or_has_no_such_address() {
    let met = FORMS.map(|form| {
        with(form, |talk, station| {
            let again = Limits {
                retries: 2,
                ..AMPLE
            };
            for (at, limits, wanted) in [(BUSY, again, 6), (BUSY, AMPLE, 6), (0x100, again, 2)] {
                let refused = read(talk, station, at, limits);
                assert!(
                    matches!(&refused, Err(DriverError::Refused { code, .. }) if *code == wanted),
                    "{form:?} {at:#x} {refused:?}"
                );
                assert!(!reads(talk, station, FIRST + 1), "{form:?} {at:#x}");
            }
        })
    });
    tell("busy, no such address", count(met));
}

/// The answer to a question that was given up comes half a second late: it answers
/// no other.
#[test]
fn libmodbus_answers_too_late() {
    let met = FORMS.map(|form| {
        with(form, |talk, station| {
            for at in FIRST..FIRST + 5 {
                let late = read(talk, station, HALF_A_SECOND_LATE, SHORT);
                assert!(
                    matches!(late, Err(DriverError::Silent { .. })),
                    "{form:?} {late:?}"
                );
                assert!(reads(talk, station, at), "{form:?} {at:#x}");
                assert!(!reads(talk, station, at + 5), "{form:?} {at:#x}");
            }
            // In time it is an answer as any other.
            assert!(!reads(talk, station, HALF_A_SECOND_LATE), "{form:?}");
        })
    });
    tell("late", count(met));
}

/// On a line another unit answers, over TCP with a transaction that nobody asked
/// with: both are named. The line is made sure of; of the connection nothing is
/// believed any more, and a new one reads.
#[test]
fn libmodbus_answers_as_another() {
    let met = FORMS.map(|form| {
        with(form, |talk, station| {
            let another = read(talk, station, ANOTHER, SHORT);
            match (form, &another) {
                (Form::Rtu, Err(DriverError::Garbled { wanted, .. })) => {
                    assert_eq!(*wanted, "an answer of the unit that was asked");
                    assert!(reads(talk, station, FIRST + 2));
                }
                (Form::Tcp, Err(gone @ DriverError::Gone { .. })) => {
                    let wanted = "the answer to this transaction";
                    assert!(gone.to_string().contains(wanted), "{gone}");
                    let after = read(talk, station, FIRST + 2, AMPLE);
                    assert!(after.is_err_and(|no| no.link_is_gone()));
                }
                _ => panic!("{form:?} {another:?}"),
            }
        })
    });
    with(Form::Tcp, |talk, station| {
        assert!(!reads(talk, station, FIRST + 2));
    });
    tell("another unit or transaction", count(met));
}

/// A byte each 5 ms is an answer as any other. Over a line this server cannot do
/// it, and says nothing.
#[test]
fn libmodbus_answers_byte_by_byte() {
    let met = FORMS.map(|form| {
        with(form, |talk, station| {
            let limits = if form == Form::Tcp { AMPLE } else { SHORT };
            let slow = read(talk, station, BYTE_BY_BYTE, limits);
            match (form, &slow) {
                // What it sends is not what the register holds.
                (Form::Tcp, Ok(answer)) => assert_eq!(answer.value, [0]),
                (Form::Rtu, Err(DriverError::Silent { .. })) => {}
                _ => panic!("{form:?} {slow:?}"),
            }
            let resynced = reads(talk, station, FIRST + 3);
            assert_eq!(resynced, form == Form::Rtu);
        })
    });
    tell("byte by byte", count(met));
}

/// One register less than was asked for: no answer. Over TCP the connection is
/// given up, and a new one reads.
#[test]
fn libmodbus_gives_fewer_registers_than_asked() {
    let wanted = "as much data as was asked for";
    let met = FORMS.map(|form| {
        with(form, |talk, station| {
            let fewer = ask::read_registers(talk, station, HOLDING, FIRST, FEWER, AMPLE);
            match (form, &fewer) {
                (Form::Rtu, Err(DriverError::Garbled { wanted: said, .. })) => {
                    assert_eq!(*said, wanted);
                    assert!(reads(talk, station, FIRST + 4));
                }
                (Form::Tcp, Err(gone @ DriverError::Gone { .. })) => {
                    assert!(gone.to_string().contains(wanted), "{gone}");
                    let after = read(talk, station, FIRST + 4, AMPLE);
                    assert!(after.is_err_and(|no| no.link_is_gone()));
                }
                _ => panic!("{form:?} {fewer:?}"),
            }
        })
    });
    with(Form::Tcp, |talk, station| {
        assert!(!reads(talk, station, FIRST + 4));
    });
    tell("fewer registers", count(met));
}

/// On a line nobody answers for another unit. This server takes what comes next for
/// that unit's answer, and so is deaf to one question of ours: the resync asks
/// again.
#[test]
fn libmodbus_is_silent_for_another_unit() {
    let met = with(Form::Rtu, |talk, own| {
        let other = station(own.form, UNIT + 1);
        let silent = read(talk, &other, FIRST, SHORT);
        assert!(
            matches!(silent, Err(DriverError::Silent { .. })),
            "{silent:?}"
        );
        assert!(reads(talk, own, FIRST + 6));
        assert!(!reads(talk, own, FIRST + 7));
    });
    tell("another unit", usize::from(met));
}

/// A meter by profile before each lapse: an outcome that has no value or the right
/// one, and the next reading is right.
#[test]
fn a_meter_before_libmodbus_never_reads_a_wrong_value() {
    let cases = [
        (BUSY, 1, ["refused 6", "refused 6"]),
        (HALF_A_SECOND_LATE, 1, ["timed out", "timed out"]),
        (ANOTHER, 1, ["gone", "rejected"]),
        // What it sends is not what the register holds.
        (BYTE_BY_BYTE, 1, ["value 0", "timed out"]),
        (FIRST, FEWER, ["gone", "rejected"]),
    ];
    let met = [0, 1].map(|nth| {
        let form = FORMS[nth];
        cases.iter().all(|(at, registers, wanted)| {
            with(form, |talk, station| {
                let case = format!("{form:?} {at:#x}");
                let told = told(meter(*at, *registers, station).read_illuminance(talk));
                assert_eq!(told, wanted[nth], "{case}");
                let mut good = meter(FIRST + 9, 1, station);
                let lux = f64::from(held(FIRST + 9));
                // Over TCP nobody waits for a device that is still busy with what was
                // given up: until it is through, it is silent.
                let tries = if form == Form::Tcp { 10 } else { 1 };
                let mut after = (0..tries).map(|_| self::told(good.read_illuminance(talk)));
                let next = after.find(|told| told != "timed out").expect("an outcome");
                match told.as_str() {
                    "gone" => assert_eq!(next, "gone", "{case}"),
                    _ => assert_eq!(next, format!("value {lux}"), "{case}"),
                }
            })
        })
    });
    tell("a meter by profile", count(met));
}

fn told(reading: Result<Reading, DriverError>) -> String {
    match reading.map(|reading| reading.outcome) {
        Ok(Outcome::Value(lux)) => format!("value {lux}"),
        Ok(Outcome::TimedOut) => "timed out".to_owned(),
        Ok(Outcome::Rejected(_)) => "rejected".to_owned(),
        Ok(other) => panic!("{other:?}"),
        Err(DriverError::Refused { code, .. }) => format!("refused {code}"),
        Err(error) if error.link_is_gone() => "gone".to_owned(),
        Err(error) => panic!("{error}"),
    }
}

/// A meter whose illuminance is in so many registers from one on.
fn meter(at: u16, registers: u16, station: &Station) -> ProfiledMeter {
    let form = if registers == 1 { "u16" } else { "u32" };
    let order = if registers == 1 { "" } else { ", order: ABCD" };
    let text = format!(
        "profile: turnstone\nformat: 1\nrole: meter\nabout: a meter of registers\n\
         registers: {{gap: 5 ms, answer-within: 250 ms, longest-answer: 700 ms, \
         probe: {{read: holding, at: {FIRST}, count: 8}}}}\nunit: lx\n\
         read-illuminance: {{read: holding, at: {at}, as: {form}{order}, gives: illuminance}}\n"
    );
    let (profile, _) = profile_read("turnstone.yaml", &text).unwrap_or_else(|no| panic!("{no}"));
    let card = PhotometerCard {
        name: "head".to_owned(),
        aperture: Span::from_ms(1),
        averages: 1,
        plausible: (Lux(0.0), Lux(1e5)),
        has_shutter: false,
    };
    ProfiledMeter::new(card, Arc::new(profile), Some(station.clone()))
}
