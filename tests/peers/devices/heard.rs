//! A device that talks by itself: nmeasim prints sentences with checksums onto a
//! pseudo-terminal, a profile hears them. Each heard value stood in a line that
//! began after it was wanted, and the independent reader pynmea2 finds the same
//! value in the same line.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use drivers::clock::Clock;
use drivers::exchange::talk::{LinkState, Talk};
use drivers::link::{Address, Link};
use drivers::roles::photometer::Photometer;
use drivers::roles::profiled_meter::{PhotometerCard, ProfiledMeter};
use photometry::measured::Outcome;
use photometry::units::{Lux, Span};

use super::peer::{Process, profile, profile_text, python_with};
use super::tally;
use super::wired::terminal;

const READINGS: usize = 15;
/// As if the receiver integrated so long before it prints; not at all, so that
/// nothing but its place in the queue tells how old a line is.
const INTEGRATIONS: [Span; 2] = [Span::from_ms(50), Span::ZERO];

/// Lines as they went onto the terminal: when the first byte was written, and text.
type Spoken = Arc<Mutex<Vec<(Instant, String)>>>;

fn script(python: &Path) -> Command {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers/devices/nmea_bench.py");
    let mut command = Command::new(python);
    command
        .arg(path)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped());
    command
}

/// Starts a receiver that prints sentences of these kinds; its process, its port,
/// and what it says.
fn receiver(python: &Path, kinds: &[&str]) -> (Process, PathBuf, Spoken) {
    let mut child = script(python)
        .arg("talk")
        .args(kinds)
        .spawn()
        .expect("python starts");
    let mut lines = BufReader::new(child.stdout.take().expect("piped"));
    let process = Process::of(child, None);
    let (mut terminal, held, path) = terminal();
    let spoken = Spoken::default();
    let said = Arc::clone(&spoken);
    std::thread::spawn(move || {
        let _held = held;
        let mut line = String::new();
        while lines.read_line(&mut line).is_ok_and(|bytes| bytes > 0) {
            assert!(line.ends_with("\r\n"), "{line:?}");
            let text = std::mem::take(&mut line);
            let now = Instant::now();
            said.lock()
                .unwrap_or_else(PoisonError::into_inner)
                .push((now, text.clone()));
            // In two pieces: a line is not a write.
            let (first, second) = text.split_at(text.len() / 2);
            for piece in [first, second] {
                if terminal.write_all(piece.as_bytes()).is_err() {
                    return;
                }
            }
        }
    });
    (process, path, spoken)
}

/// What pynmea2 finds first in each of these lines.
fn read_by_others(python: &Path, lines: &[String]) -> Vec<f64> {
    let mut child = script(python).arg("read").spawn().expect("python starts");
    let mut stdin = child.stdin.take().expect("piped");
    stdin.write_all(lines.concat().as_bytes()).expect("taken");
    drop(stdin);
    let output = child.wait_with_output().expect("it ends");
    assert!(output.status.success(), "a checksum is wrong");
    let text = String::from_utf8(output.stdout).expect("text");
    text.lines()
        .map(|line| line.parse().expect("a time"))
        .collect()
}

fn meter(aperture: Span) -> ProfiledMeter {
    let card = PhotometerCard {
        name: "head".to_owned(),
        aperture,
        averages: 1,
        plausible: (Lux(0.0), Lux(240_000.0)),
        has_shutter: false,
    };
    ProfiledMeter::new(card, profile(&profile_text("dunlin-receiver")), None)
}

/// Reads so often; what came, with the moment at which it was wanted.
fn heard(path: &Path, integration: Span) -> Vec<(Instant, Outcome, Vec<u8>)> {
    let clock = Clock::wall();
    let mut seat = clock.seat("test");
    let address = Address::serial(path.to_str().expect("text"), 4800);
    let mut link = Link::open(&address, &clock).expect("a link");
    let (never, mut state) = (AtomicBool::new(false), LinkState::new());
    let mut talk = Talk::new(&mut seat, &mut link, &never, &mut state);
    let mut meter = meter(integration);
    meter.open(&mut talk).expect("it opens");
    let read = |nth: usize| {
        if nth % 5 == 4 {
            // Nobody reads for a while: what lies in the queue is old.
            let until = talk.now().mono + Span::from_ms(400);
            talk.pause(until).expect("a pause");
        }
        let wanted = Instant::now();
        let reading = meter.read_illuminance(&mut talk).expect("a reading");
        (wanted, reading.outcome, reading.raw)
    };
    (0..READINGS).map(read).collect()
}

#[test]
fn a_receiver_that_talks_by_itself_is_heard_in_time() {
    let python = python_with("nmeasim, pynmea2", "nmeasim and pynmea2");
    let met = usize::from(python.is_some());
    if let Some(python) = python {
        let (_process, path, spoken) = receiver(&python, &["GGA"]);
        let heard = INTEGRATIONS.map(|integration| heard(&path, integration));
        let spoken = spoken.lock().unwrap_or_else(PoisonError::into_inner);
        let mut raws = Vec::new();
        let mut values = Vec::new();
        for (wanted, outcome, raw) in heard.into_iter().flatten() {
            let raw = String::from_utf8(raw).expect("text");
            let (began, _) = spoken
                .iter()
                .find(|(_, line)| *line == raw)
                .expect("a line that was spoken");
            assert!(*began >= wanted, "{raw} is too old");
            let Outcome::Value(value) = outcome else {
                panic!("{raw}: {outcome:?}");
            };
            raws.push(raw);
            values.push(value);
        }
        assert_eq!(values, read_by_others(&python, &raws));
        let mut once = raws.clone();
        once.dedup();
        assert_eq!(once.len(), 2 * READINGS, "a line was heard twice");
    }
    tally::line(
        "foreign devices, nmeasim, heard",
        &[
            ("readings", &(met * 2 * READINGS)),
            ("spoken to", &met),
            ("skipped", &(1 - met)),
        ],
    );
}

/// A receiver that prints sentences of several kinds: one of another kind is no
/// reading, and none is taken for one.
#[test]
fn a_sentence_of_another_kind_is_no_reading() {
    let Some(python) = python_with("nmeasim, pynmea2", "nmeasim and pynmea2") else {
        return; // told loudly
    };
    let (_process, path, _spoken) = receiver(&python, &["ZDA", "GGA"]);
    let (mut read, mut refused) = (0, 0);
    for (_, outcome, raw) in heard(&path, INTEGRATIONS[0]) {
        let raw = String::from_utf8(raw).expect("text");
        match outcome {
            Outcome::Value(_) if raw.starts_with("$GPGGA") => read += 1,
            Outcome::Rejected(_) if raw.starts_with("$GPZDA") => refused += 1,
            other => panic!("{raw}: {other:?}"),
        }
    }
    assert_eq!(read + refused, READINGS);
    assert!(refused > 0, "none of another kind came");
}
