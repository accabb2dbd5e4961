//! Driver acceptance, by lines: each case is a test of that name
//! (`tests/peers/devices/README.md` has the table). A meter by profile reads once
//! while the case happens, and once more: the first reading is right or has no
//! value, and says why; the second is right.

use std::collections::VecDeque;
use std::io::{BufRead as _, BufReader, Write as _};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use photometry::measured::{Outcome, Reading};
use photometry::units::{Mono, Span};

use crate::clock::Clock;
use crate::error::DriverError;
use crate::exchange::talk::{LinkState, Talk};
use crate::exchange::testing::converse;
use crate::link::wire::{Machine, pty_wire, serve};
use crate::link::{Address, Link, LinkError};
use crate::profile::read::profile;
use crate::profile::testing::tern;
use crate::roles::photometer::Photometer;
use crate::roles::profiled_meter::ProfiledMeter;

/// Answers within a second, and never later than in five.
const PROFILE: &str = r#"profile: tern
format: 1
role: meter
about: a meter
unit: lx
lines: {end: lf, answer-within: 1 s, longest-answer: 5 s}
resync: {ask: "*ESE {token};*ESE?", then: "*ESE 0"}
complaints: "SYST:ERR?"
marks: {over: [OL], invalid: ["----"]}
read-illuminance: {ask: "READ?", answer: "{illuminance}"}
"#;

/// A meter of a profile, plausible up to 200,000 lx.
pub(crate) fn meter_of(text: &str) -> ProfiledMeter {
    let (profile, _) = profile("p.yaml", text).unwrap_or_else(|no| panic!("{no}"));
    let card = tern(Span::from_ms(1));
    ProfiledMeter::new(card, Arc::new(profile), None)
}

/// A reading in words: a value stands alone, whatever is no value says why.
pub(crate) fn told(reading: Result<Reading, DriverError>) -> String {
    let reading = match reading {
        Ok(reading) => reading,
        Err(error) if error.link_is_gone() => return "gone".to_owned(),
        Err(error) => return error.to_string(),
    };
    let outcome = match reading.outcome {
        Outcome::Value(lux) => format!("{lux} lx"),
        Outcome::Over(_) => "over".to_owned(),
        Outcome::Under(_) => "under".to_owned(),
        Outcome::TimedOut => "timed out".to_owned(),
        Outcome::Rejected(why) => format!("rejected: {why}"),
    };
    let flags = reading.flags.into_iter().map(|flag| format!("; {flag}"));
    outcome + &flags.collect::<String>()
}

/// What comes of one `READ?`: milliseconds after the piece before, and bytes.
type Pieces = Vec<(i64, &'static str)>;

/// A meter that does one thing after another: what is late delays what follows.
#[derive(Default)]
struct InOrder {
    readings: VecDeque<Pieces>,
    /// What its error queue will hold after the first `READ?`.
    complains: Vec<&'static str>,
    complaints: VecDeque<&'static str>,
    input: String,
    out: VecDeque<(Mono, String)>,
}

impl InOrder {
    fn new(readings: &[&[(i64, &'static str)]]) -> InOrder {
        InOrder {
            readings: readings.iter().map(|pieces| pieces.to_vec()).collect(),
            ..InOrder::default()
        }
    }

    fn hear(&mut self, now: Mono, line: &str) {
        let answer = match line {
            "READ?" => {
                self.complaints.extend(self.complains.drain(..));
                return self.say(now, self.readings.front().cloned().unwrap_or_default());
            }
            "SYST:ERR?" => self.complaints.pop_front().unwrap_or("0,\"No error\""),
            _ => match line.split_once(';') {
                Some((set, "*ESE?")) => set.trim_start_matches("*ESE "),
                _ => return,
            },
        };
        self.answer(now, 2, format!("{answer}\n"));
    }

    fn say(&mut self, now: Mono, pieces: Pieces) {
        self.readings.pop_front();
        for (ms, text) in pieces {
            self.answer(now, ms, text.to_owned());
        }
    }

    fn answer(&mut self, now: Mono, ms: i64, text: String) {
        let free = self.out.back().map_or(now, |(at, _)| now.max(*at));
        self.out.push_back((free + Span::from_ms(ms), text));
    }
}

impl Machine for InOrder {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        for &byte in bytes {
            match byte {
                b'\n' => {
                    let line = std::mem::take(&mut self.input);
                    self.hear(now, &line);
                }
                _ => self.input.push(char::from(byte)),
            }
        }
    }

    fn next_due(&self) -> Option<Mono> {
        self.out.front().map(|(at, _)| *at)
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        let mut bytes = Vec::new();
        while self.out.front().is_some_and(|(at, _)| *at <= now) {
            bytes.extend(
                self.out
                    .pop_front()
                    .into_iter()
                    .flat_map(|(_, text)| text.into_bytes()),
            );
        }
        bytes
    }
}

/// What a meter says when it is read so often, once for each of these answers.
fn read(device: InOrder) -> Vec<String> {
    let times = device.readings.len();
    converse(device, |talk| {
        let mut meter = meter_of(PROFILE);
        meter.open(talk).expect("it opens");
        (0..times)
            .map(|_| told(meter.read_illuminance(talk)))
            .collect()
    })
}

const NEXT: &[(i64, &str)] = &[(1, "20\n")];
const RESYNCED: &str = "20 lx; answered after a resync";

#[test]
fn late_answer_after_timeout_line() {
    for ms in [1_000, 1_001, 1_500, 2_000, 4_999] {
        let got = read(InOrder::new(&[&[(ms, "777\n")], NEXT, NEXT]));
        assert_eq!(got, ["timed out", RESYNCED, "20 lx"], "{ms}");
    }
    // Begun in time, and a number already.
    let got = read(InOrder::new(&[&[(999, "77"), (400, "7\n")], NEXT, NEXT]));
    assert_eq!(got, ["timed out", RESYNCED, "20 lx"]);
}

#[test]
fn answer_one_byte_at_a_time_line() {
    let slowly = [(5, "1"), (200, "2"), (200, "."), (200, "5"), (200, "\n")];
    let got = read(InOrder::new(&[&slowly, NEXT]));
    assert_eq!(got, ["12.5 lx", "20 lx"]);
}

/// One answer too many: nobody can tell which of the two is ours.
#[test]
fn several_lines_in_one_read() {
    let got = read(InOrder::new(&[&[(1, "12.5\n777\n")], NEXT, NEXT]));
    let wanted = "rejected: it gave more than one answer";
    assert_eq!(got, [wanted, RESYNCED, "20 lx"]);
}

#[test]
fn crlf_vs_lf() {
    let endings: [&[(i64, &str)]; 5] = [
        &[(1, "12.5\r\n")],
        &[(1, "12.5\n")],
        // The end of a line in two pieces is one end.
        &[(1, "12.5\r"), (300, "\n")],
        &[(1, "\r\n12.5\r\n")],
        NEXT,
    ];
    let wanted = ["12.5 lx", "12.5 lx", "12.5 lx", "12.5 lx", "20 lx"];
    assert_eq!(read(InOrder::new(&endings)), wanted);
}

/// Nothing but an entry in its error queue, which stands beside the next reading.
#[test]
fn no_answer_to_a_bad_query() {
    let mut device = InOrder::new(&[&[], NEXT, NEXT]);
    device.complains = vec!["-113,\"Undefined header;READ?\""];
    let next = format!("{RESYNCED}; complaint -113 Undefined header;READ?");
    assert_eq!(read(device), ["timed out", &next, "20 lx"]);
}

/// A queue that was full ends with -350 (SCPI-99, vol. 2, 21.8, from memory): it is
/// told, the queue is emptied, and the readings are their own.
#[test]
fn error_350_overflow() {
    let mut device = InOrder::new(&[&[], NEXT, NEXT]);
    device.complains = vec!["-113,\"Undefined header\""; 9];
    device.complains.push("-350,\"Queue overflow\"");
    let nine = "; complaint -113 Undefined header".repeat(9);
    let next = format!("{RESYNCED}{nine}; complaint -350 Queue overflow");
    assert_eq!(read(device), ["timed out", &next, "20 lx"]);
}

/// SCPI-99, vol. 1, 7.2.1 (from memory): over range, under range, no number. Other
/// meters print words.
#[test]
fn value_9_9e37_9_91e37_ol() {
    let no_number = "rejected: the meter has no number";
    let cases = [
        ("9.9E37\n", "over"),
        ("+9.900000E+37\n", "over"),
        ("-9.9E37\n", "under"),
        ("9.91E37\n", no_number),
        ("OL\n", "over"),
        ("----\n", no_number),
        ("9.8E37\n", "rejected: 98"),
        ("NAN\n", no_number),
        ("INF\n", "over"),
    ];
    for (answer, wanted) in cases {
        let got = read(InOrder::new(&[&[(1, answer)], NEXT]));
        assert!(got[0].starts_with(wanted), "{answer} {got:?}");
        assert!(got[1].starts_with("20 lx"), "{answer} {got:?}");
    }
}

#[test]
fn device_silent_for_ever_line() {
    struct Deaf;
    impl Machine for Deaf {
        fn bytes(&mut self, _: Mono, _: &[u8]) {}
        fn next_due(&self) -> Option<Mono> {
            None
        }
        fn due(&mut self, _: Mono) -> Vec<u8> {
            Vec::new()
        }
    }
    converse(Deaf, |talk| {
        // Three resyncs of the longest answer, and then it is said.
        let mut meter = meter_of(PROFILE);
        let before = talk.now().mono;
        let silent = meter.open(talk).expect_err("nobody there");
        assert!(matches!(silent, DriverError::Silent { .. }), "{silent}");
        assert_eq!(talk.now().mono.since(before), Span::from_secs(15));
        for _ in 0..3 {
            let told = told(meter.read_illuminance(talk));
            assert!(
                told == "timed out" || told.starts_with("no answer"),
                "{told}"
            );
        }
    });
}

/// Talks over a link in real time.
fn over<T>(link: &mut Link, clock: &Clock, how: impl FnOnce(&mut Talk<'_>) -> T) -> T {
    let mut seat = clock.seat("port");
    let (never, mut state) = (AtomicBool::new(false), LinkState::new());
    how(&mut Talk::new(&mut seat, link, &never, &mut state))
}

/// `12` of `12.5` would be a number. The connection is gone, and a new one reads.
#[test]
fn socket_closed_mid_answer_line() {
    let server = std::net::TcpListener::bind("127.0.0.1:0").expect("a server");
    let port = server.local_addr().expect("its address").port();
    let serving = std::thread::spawn(move || {
        for answer in ["12", "20\n"] {
            let (mut socket, _) = server.accept().expect("a client");
            let lines = BufReader::new(socket.try_clone().expect("cloned")).lines();
            for line in lines.map_while(Result::ok) {
                let said = match line.split_once(';') {
                    Some((set, "*ESE?")) => format!("{}\n", set.trim_start_matches("*ESE ")),
                    _ if line == "SYST:ERR?" => "0,\"No error\"\n".to_owned(),
                    _ if line == "READ?" => answer.to_owned(),
                    _ => continue,
                };
                socket.write_all(said.as_bytes()).expect("bytes");
                if said == "12" {
                    break;
                }
            }
        }
    });
    let address: Address = format!("tcp:127.0.0.1:{port}").parse().expect("an address");
    let clock = Clock::wall();
    let text = PROFILE.replace("within: 1 s", "within: 30 s");
    for wanted in ["gone", "20 lx"] {
        let mut link = Link::open(&address, &clock).expect("a link");
        let got = over(&mut link, &clock, |talk| {
            let mut meter = meter_of(&text);
            meter.open(talk).expect("it opens");
            told(meter.read_illuminance(talk))
        });
        assert_eq!(got, wanted);
    }
    serving.join().expect("the server");
}

/// A port has one owner: another is refused by name, and the first reads on.
#[test]
fn second_opener() {
    let folder = tempfile::tempdir().expect("a folder");
    let clock = Clock::wall();
    let path = folder.path().join("meter");
    let end = pty_wire(&clock, &path).expect("a pseudo-terminal");
    let address = Address::serial(end.address(), 115_200);
    let device = InOrder::new(&[&[(1, "12.5\n")], NEXT]);
    let _served = serve(clock.seat("device"), end, device).expect("a thread");
    let mut link = Link::open(&address, &clock).expect("a link");
    let text = PROFILE.replace("within: 1 s", "within: 30 s");
    let got = over(&mut link, &clock, |talk| {
        let mut meter = meter_of(&text);
        meter.open(talk).expect("it opens");
        let first = told(meter.read_illuminance(talk));
        let second = Link::open(&address, &clock).expect_err("it is in use");
        assert!(matches!(second, LinkError::Busy { .. }), "{second}");
        [first, told(meter.read_illuminance(talk))]
    });
    assert_eq!(got, ["12.5 lx", "20 lx"]);
}

/// A device that takes no bytes: the write ends, is named, and nothing is read; when
/// the device is there again, the port opened anew reads.
#[test]
fn write_blocked() {
    let folder = tempfile::tempdir().expect("a folder");
    let clock = Clock::wall();
    let path = folder.path().join("meter");
    let end = pty_wire(&clock, &path).expect("a pseudo-terminal");
    let address = Address::serial(end.address(), 115_200);
    let text = PROFILE.replace("within: 1 s", "within: 30 s");
    let mut link = Link::open(&address, &clock).expect("a link");
    // More than the kernel holds of what nobody reads, until it takes nothing more.
    let mut seat = clock.seat("port");
    let full = (0..100).find_map(|_| {
        match link.write(&mut seat, &vec![b'x'; 200_000], Span::from_ms(20)) {
            Err(LinkError::WriteTimedOut { left, of, .. }) => (left == of).then_some(left),
            other => panic!("{other:?}"),
        }
    });
    assert_eq!(full, Some(200_000));
    drop(seat);
    let blocked = over(&mut link, &clock, |talk| {
        meter_of(PROFILE).read_illuminance(talk)
    });
    match blocked {
        Err(DriverError::Link(LinkError::WriteTimedOut { .. })) => {}
        // The kernel found room for the question all the same.
        Ok(reading) => assert_eq!(reading.outcome, Outcome::TimedOut),
        Err(error) => panic!("{error}"),
    }
    drop((link, end));
    let end = pty_wire(&clock, &path).expect("a pseudo-terminal");
    let _served = serve(clock.seat("device"), end, InOrder::new(&[NEXT])).expect("a thread");
    let mut link = Link::open(&address, &clock).expect("a link");
    let got = over(&mut link, &clock, |talk| {
        let mut meter = meter_of(&text);
        meter.open(talk).expect("it opens");
        told(meter.read_illuminance(talk))
    });
    assert_eq!(got, "20 lx");
}
