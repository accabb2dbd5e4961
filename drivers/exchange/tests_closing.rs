//! A box on the network that closes its connection after each answer, before a
//! real listener: whole lines are answers, cut ones are not, and a late one is
//! nobody's.

use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::AtomicBool;
use std::sync::mpsc::{Receiver, channel};

use super::talk::{LinkState, Talk};
use crate::clock::Clock;
use crate::link::{Address, Link};
use crate::roles::photometer::Photometer;
use crate::tests_acceptance::{meter_of, told};

const PROFILE: &str = r#"profile: tern
format: 1
role: meter
about: a box that closes after each answer
unit: lx
lines: {end: lf, answer-within: 30 s, closes-after-answer: true}
complaints: "SYST:ERR?"
identity: {ask: "*IDN?", answer: "{maker},{model},{serial},{firmware}"}
settings: {integration: {set: "APER {value}", ask: "APER?", in: s}}
read-illuminance: {ask: "READ?", answer: "{illuminance}", within: 30 s}
"#;

/// What the box makes of one `READ?`.
#[derive(Clone, Copy)]
enum Says {
    /// These bytes, then the end.
    This(&'static str),
    /// Nothing, until the next connection has its answer.
    Late(&'static str),
}

/// Serves so many readings, each with its own connection like every answer; tells
/// each line that it heard, and how many connections there were.
fn serve(server: TcpListener, readings: Vec<Says>) -> Receiver<String> {
    let (tell, heard) = channel();
    std::thread::spawn(move || {
        let mut readings = readings.into_iter();
        let mut late: Option<(TcpStream, &str)> = None;
        for (nth, socket) in server.incoming().enumerate() {
            let mut socket = socket.expect("a client");
            let mut lines = BufReader::new(socket.try_clone().expect("cloned")).lines();
            let answer = lines.by_ref().map_while(Result::ok).find_map(|line| {
                let _ = tell.send(format!("{} {line}", nth + 1));
                Some(match line.as_str() {
                    "*IDN?" => Says::This("Works,Tern,17,1.0\n"),
                    "SYST:ERR?" => Says::This("0,\"No error\"\n"),
                    "APER?" => Says::This("0.001\n"),
                    "READ?" => readings.next()?,
                    _ => return None,
                })
            });
            match answer {
                Some(Says::This(said)) => socket.write_all(said.as_bytes()).expect("bytes"),
                Some(Says::Late(said)) => {
                    late = Some((socket, said));
                    continue;
                }
                None => {}
            }
            drop((lines, socket));
            if let Some((mut socket, said)) = late.take() {
                // Nobody may be there any more to take it.
                let _ = socket.write_all(said.as_bytes());
            }
        }
    });
    heard
}

/// Opens a meter at such a box and reads so often.
fn read(profile: &str, readings: &[Says], times: usize) -> (Vec<String>, Vec<String>) {
    let server = TcpListener::bind("127.0.0.1:0").expect("a server");
    let port = server.local_addr().expect("its address").port();
    let heard = serve(server, readings.to_vec());
    let address: Address = format!("tcp:127.0.0.1:{port}").parse().expect("an address");
    let clock = Clock::wall();
    let mut seat = clock.seat("port");
    let mut link = Link::open(&address, &clock).expect("a link");
    let (never, mut state) = (AtomicBool::new(false), LinkState::new());
    let mut talk = Talk::new(&mut seat, &mut link, &never, &mut state);
    let mut meter = meter_of(profile);
    let got = match meter.open(&mut talk) {
        Ok(identity) => {
            assert_eq!(identity.serial.as_deref(), Some("17"));
            let mut reads = || told(meter.read_illuminance(&mut talk));
            (0..times).map(|_| reads()).collect()
        }
        Err(error) => vec![error.link_is_gone().to_string()],
    };
    (got, heard.try_iter().collect())
}

/// The opening asks five questions, each of its own connection; a setting goes
/// with the question behind it.
#[test]
fn each_whole_line_before_the_end_is_an_answer() {
    let says = [
        Says::This("12.5\n"),
        Says::This("13.5\r\n"),
        Says::This("14.5\n"),
    ];
    let (got, heard) = read(PROFILE, &says, 3);
    assert_eq!(got, ["12.5 lx", "13.5 lx", "14.5 lx"]);
    let settings = heard.iter().position(|line| line.ends_with("APER 0.001"));
    let settings = settings.expect("a setting");
    let connection = |line: &str| line.split(' ').next().map(str::to_owned);
    assert_eq!(
        connection(&heard[settings]),
        connection(&heard[settings + 1])
    );
    let asked: Vec<&String> = heard.iter().filter(|line| line.ends_with('?')).collect();
    let connections: std::collections::BTreeSet<_> =
        asked.iter().map(|line| connection(line)).collect();
    assert_eq!(connections.len(), asked.len(), "{heard:?}");
}

/// `12` of `12.5` would be a number.
#[test]
fn a_line_that_the_end_cuts_is_no_answer() {
    let (got, _) = read(PROFILE, &[Says::This("12"), Says::This("20\n")], 2);
    assert_eq!(got[0], "gone");
}

/// The first answer comes when the second question has its own.
#[test]
fn a_late_answer_goes_to_a_connection_that_is_no_more() {
    let profile = PROFILE.replace("}\", within: 30 s", "}\", within: 300 ms");
    let says = [Says::Late("12.5\n"), Says::This("20\n"), Says::This("21\n")];
    let (got, _) = read(&profile, &says, 3);
    assert_eq!(got[0], "timed out");
    assert!(got[1].starts_with("20 lx"), "{got:?}");
    assert!(got[2].starts_with("21 lx"), "{got:?}");
}

/// Without the key, the end behind an answer is the end of the device.
#[test]
fn a_device_that_is_not_said_to_close_is_gone_when_it_does() {
    let profile = PROFILE.replace(", closes-after-answer: true", "");
    let (got, _) = read(&profile, &[], 1);
    assert_eq!(got, ["true"]);
}
