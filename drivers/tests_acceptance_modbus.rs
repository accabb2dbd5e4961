//! Driver acceptance, by registers: each case is a test of that name
//! (`tests/peers/devices/README.md` has the table), over RTU and TCP frames. A meter
//! by profile reads once while the case happens; then another reads another register
//! of the same device. The first reading is right or has no value, and says why; the
//! second is right, or the connection is given up and a new one reads right.

use std::collections::BTreeMap;
use std::io::{Read as _, Write as _};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use photometry::units::Span;

use crate::clock::Clock;
use crate::error::DriverError;
use crate::exchange::modbus::frames::Form;
use crate::exchange::talk::{LinkState, Talk};
use crate::exchange::testing::converse;
use crate::link::{Address, Link};
use crate::profile::read::profile;
use crate::profile::shipped;
use crate::profile::testing::tern;
use crate::roles::photometer::Photometer;
use crate::roles::presser::Presser;
use crate::roles::profiled_fingers::ProfiledFingers;
use crate::roles::profiled_meter::ProfiledMeter;
use crate::simulated::lapses::Lapse;
use crate::simulated::registers::{Contents, Registers, Wrapping};
use crate::tests_acceptance::told;

const UNIT: u8 = 1;
const FORMS: [(Form, Wrapping); 2] = [(Form::Rtu, Wrapping::Rtu), (Form::Tcp, Wrapping::Tcp)];
/// A question and the two times that it is asked again.
const TRIES: u64 = 3;

/// Holding registers 0 to 99 with their own number times 17, sixteen coils, and
/// 1009.93 as an IEEE 754 number in input registers 0 and 1, low word first.
fn board() -> Registers {
    Registers::new(Contents {
        coils: (0..16).map(|coil| (coil, false)).collect(),
        holding: (0..100).map(|at| (at, at * 17)).collect(),
        input: BTreeMap::from([(0, 0x7B85), (1, 0x447C), (2, 0), (3, 0)]),
        ..Contents::default()
    })
}

/// A meter whose light is in one register, or as a number in two input registers.
fn meter(form: Form, what: &str) -> ProfiledMeter {
    let text = format!(
        "profile: tern\nformat: 1\nrole: meter\nabout: a transmitter\nunit: lx\n\
         registers: {{answer-within: 1 s, longest-answer: 2 s, \
         probe: {{read: holding, at: 0, count: 4}}}}\n\
         read-illuminance: {{read: {what}, gives: illuminance}}\n"
    );
    let (profile, _) = profile("p.yaml", &text).unwrap_or_else(|no| panic!("{no}"));
    let station = profile.station(UNIT, form);
    let card = tern(Span::from_ms(1));
    ProfiledMeter::new(card, Arc::new(profile), station)
}

const SIXTEEN: &str = "holding, at: 16, as: u16";
const THIRTY_TWO: &str = "holding, at: 32, as: u16";
const NUMBER: &str = "input, at: 0, as: f32, order: CDAB";

/// Reads `what` while `lapse` strikes at these questions, counted from 1, and then
/// register 32 of the same device over the same link. A link that is gone is gone
/// for both, and a new one reads.
fn read(
    (form, wrapping): (Form, Wrapping),
    what: &str,
    lapse: &Lapse,
    questions: &[u64],
) -> String {
    let registers = board();
    for nth in questions {
        registers.plan(*nth, lapse.clone());
    }
    // Over TCP nobody waits for a device that is still busy with what was given up:
    // until it is through, it is silent.
    let tries = if form == Form::Tcp { 5 } else { 1 };
    let (first, second) = converse(registers.machine(wrapping, UNIT), |talk| {
        let first = told(meter(form, what).read_illuminance(talk));
        let mut other = meter(form, THIRTY_TWO);
        let mut told = (0..tries).map(|_| told(other.read_illuminance(talk)));
        (first, told.find(|told| told != "timed out"))
    });
    let next = match first.as_str() {
        "gone" => {
            assert_eq!((form, second.as_deref()), (Form::Tcp, Some("gone")));
            converse(registers.machine(wrapping, UNIT), |talk| {
                told(meter(form, THIRTY_TWO).read_illuminance(talk))
            })
        }
        _ => second.unwrap_or_default(),
    };
    let next = next.split(';').next();
    assert_eq!(next, Some("544 lx"), "{form:?} {lapse:?} after {first}");
    first
}

/// Whatever comes of it over both framings.
fn reads(what: &str, lapse: &Lapse, times: u64, wanted: [&str; 2]) {
    let questions: Vec<u64> = (1..=times).collect();
    for (framing, wanted) in FORMS.into_iter().zip(wanted) {
        let got = read(framing, what, lapse, &questions);
        assert!(got.starts_with(wanted), "{framing:?} {lapse:?}: {got}");
    }
}

/// Late once: it is asked again, and answers. Late whenever it is asked: no value.
fn late_answers_after_timeouts(framing: (Form, Wrapping), asked: [u64; 3]) {
    for ms in [1_000, 1_001, 1_300, 1_999] {
        let late = Lapse::Late(Span::from_ms(ms));
        let once = read(framing, SIXTEEN, &late, &asked[..1]);
        assert!(once.starts_with("272 lx; "), "{framing:?} {ms} {once}");
        let always = read(framing, SIXTEEN, &late, &asked);
        assert_eq!(always, "timed out", "{framing:?} {ms}");
    }
}

/// On a line a throw-away read stands between two questions.
#[test]
fn late_answer_after_timeout_rtu() {
    late_answers_after_timeouts(FORMS[0], [1, 3, 5]);
}

#[test]
fn late_answer_after_timeout_tcp() {
    late_answers_after_timeouts(FORMS[1], [1, 2, 3]);
}

#[test]
fn answer_one_byte_at_a_time_modbus() {
    let slowly = Lapse::ByteByByte(Span::from_ms(50));
    reads(SIXTEEN, &slowly, 1, ["272 lx"; 2]);
}

#[test]
fn wrong_transaction_id() {
    // A line has none.
    reads(SIXTEEN, &Lapse::WrongTransaction, 1, ["272 lx", "gone"]);
}

#[test]
fn wrong_unit() {
    let wanted = "rejected: `read 1 holding registers from 16 of unit 1` was answered by";
    reads(SIXTEEN, &Lapse::WrongUnit, 1, [wanted, "gone"]);
}

#[test]
fn fewer_registers_than_asked() {
    let wanted = "rejected: `read 2 input registers from 0 of unit 1` was answered by";
    reads(NUMBER, &Lapse::Fewer, 1, [wanted, "gone"]);
}

/// 5 and 6 pass: asked again, twice at most. 2 does not.
#[test]
fn exception_5_6_2() {
    let refused = |code: &str| {
        format!("the device refused `read 1 holding registers from 16 of unit 1`: {code}")
    };
    let cases = [
        (5, 1, "272 lx; asked 2 times".to_owned()),
        (6, 2, "272 lx; asked 3 times".to_owned()),
        (5, TRIES, refused("5 ")),
        (6, TRIES, refused("6 (it is busy)")),
        (2, 1, refused("2 (it has no such address)")),
    ];
    for (code, times, wanted) in cases {
        reads(SIXTEEN, &Lapse::Exception(code), times, [&wanted; 2]);
    }
}

/// Some devices answer with 80 where 83 is meant: the same, by the same name.
#[test]
fn function_0x80_exception() {
    let wanted = "the device refused `read 1 holding registers from 16 of unit 1`: 2 ";
    reads(SIXTEEN, &Lapse::BareException(2), 1, [wanted; 2]);
    reads(
        SIXTEEN,
        &Lapse::BareException(6),
        1,
        ["272 lx; asked 2 times"; 2],
    );
}

/// 1009.93 is 447C7B85; its words in the other order are 3.1e36.
#[test]
fn word_order_swapped() {
    reads(NUMBER, &Lapse::SwappedWords, 0, ["1009.93 lx"; 2]);
    reads(NUMBER, &Lapse::SwappedWords, 1, ["rejected: "; 2]);
}

#[test]
fn device_silent_for_ever_modbus() {
    for (form, wrapping) in FORMS {
        let registers = board();
        registers.misbehave(Some(Lapse::Silent));
        converse(registers.machine(wrapping, UNIT), |talk| {
            let before = talk.now().mono;
            let mut meter = meter(form, SIXTEEN);
            let silent = meter.open(talk).expect_err("nobody there");
            assert!(matches!(silent, DriverError::Silent { .. }), "{silent}");
            for _ in 0..3 {
                assert_eq!(told(meter.read_illuminance(talk)), "timed out");
            }
            // A resync of a line takes six longest answers.
            let took = talk.now().mono.since(before);
            assert!(took <= Span::from_secs(4 * 15), "{took}");
        });
    }
}

/// It says that it did, and did not: the coil is named, and the next press is one.
#[test]
fn coil_not_following() {
    for (form, wrapping) in FORMS {
        let registers = board();
        converse(registers.machine(wrapping, UNIT), |talk| {
            let profile = shipped::profile("register-relays").expect("a profile");
            let station = profile.station(UNIT, form);
            let mut fingers = ProfiledFingers::new(vec![1, 2, 3], profile, station);
            fingers.open(talk).expect("a board");
            let hold = Span::from_ms(100);
            registers.plan(1, Lapse::StuckCoil);
            let stuck = fingers.press(talk, 3, hold).expect_err("it stays open");
            let wanted = |wanted| DriverError::CoilStuck { coil: 3, wanted }.to_string();
            assert_eq!(stuck.to_string(), wanted(true), "{form:?}");
            // Closed and looked at, then it does not open.
            registers.plan(3, Lapse::StuckCoil);
            let stuck = fingers.press(talk, 3, hold).expect_err("it stays closed");
            assert_eq!(stuck.to_string(), wanted(false), "{form:?}");
            // All were opened at once after that.
            assert!(!registers.contents().coils[&2], "{form:?}");
            fingers.press(talk, 3, hold).expect("a press");
        });
    }
}

/// A real socket that its server closes within an answer: gone, and a new one reads.
#[test]
fn socket_closed_mid_answer_modbus() {
    let server = std::net::TcpListener::bind("127.0.0.1:0").expect("a server");
    let port = server.local_addr().expect("its address").port();
    let serving = std::thread::spawn(move || {
        for bytes in [10, 11] {
            let (mut socket, _) = server.accept().expect("a client");
            let mut asked = [0; 12];
            socket.read_exact(&mut asked).expect("a question");
            let [high, low, ..] = asked;
            let answer = [high, low, 0, 0, 0, 5, UNIT, 3, 2, 1, 16];
            socket.write_all(&answer[..bytes]).expect("bytes");
            if bytes == answer.len() {
                // Until the client is through with it.
                let _ = socket.read(&mut asked);
            }
        }
    });
    let address: Address = format!("tcp:127.0.0.1:{port}").parse().expect("an address");
    let clock = Clock::wall();
    for wanted in ["gone", "272 lx"] {
        let mut seat = clock.seat("port");
        let mut link = Link::open(&address, &clock).expect("a link");
        let (never, mut state) = (AtomicBool::new(false), LinkState::new());
        let mut talk = Talk::new(&mut seat, &mut link, &never, &mut state);
        let got = told(meter(Form::Tcp, SIXTEEN).read_illuminance(&mut talk));
        assert_eq!(got, wanted);
    }
    serving.join().expect("the server");
}
