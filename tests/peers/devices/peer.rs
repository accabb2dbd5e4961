//! Starts the foreign devices, or says loudly that they are not there; opens
//! conversations with them.

use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use drivers::clock::{Clock, Seat};
use drivers::exchange::talk::{LinkState, Talk};
use drivers::link::{Address, Link};
use drivers::profile::{read, shipped, types::Profile};

use super::light::Light;
use super::{crate_peer, tally};

/// Ranges of all meters here, lux.
pub const RANGES: [f64; 6] = [2.0, 20.0, 200.0, 2e3, 2e4, 2e5];
/// A longer integration is refused.
pub const RATE_AT_MOST_S: f64 = 10.0;
/// Integration is rounded to steps of this length.
pub const ROUNDED_TO_S: f64 = 0.01;
/// A python that imports a package from a cold disk takes seconds.
const PATIENCE: Duration = Duration::from_secs(60);

/// The smallest range that holds a value.
pub fn range_of(lux: f64) -> f64 {
    let holds = RANGES.iter().find(|top| lux.abs() <= **top);
    *holds.unwrap_or(&RANGES[RANGES.len() - 1])
}

/// Foreign devices before one lamp.
pub struct Peer {
    /// What `*IDN?` of the meter says.
    pub identity: &'static str,
    /// Its code for a question that it does not know.
    pub unknown: i64,
    /// Whether it closes the connection at a parameter that it cannot read.
    pub closes_on_rubbish: bool,
    /// Port of the meter.
    pub meter: u16,
    /// Port of the meter of other words, where there is one.
    pub other_meter: Option<u16>,
    /// Port of the relay board.
    pub board: u16,
    _process: Option<Process>,
}

/// A process that ends with its standard input, and is not left behind.
pub struct Process {
    child: Child,
    log: Option<PathBuf>,
    _stdin: ChildStdin,
}

impl Process {
    /// Takes over a process with a piped standard input; its log is removed with
    /// it.
    pub fn of(mut child: Child, log: Option<PathBuf>) -> Process {
        let stdin = child.stdin.take().expect("piped");
        Process {
            child,
            log,
            _stdin: stdin,
        }
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
        if let Some(log) = &self.log {
            let _ = std::fs::remove_file(log);
        }
    }
}

/// Who can serve the devices.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Maker {
    /// The crates `scpi` and `scpi-contrib`.
    Crates,
    /// The Python package scpipy.
    Scpipy,
}

impl Maker {
    /// Starts its devices; none, and loudly, when they are not to be had.
    pub fn start(self, light: &Light) -> Option<Peer> {
        match self {
            Maker::Crates => Some(Peer {
                identity: "Foreign Works,FM-1,77,1.0.1",
                unknown: -113,
                closes_on_rubbish: false,
                meter: crate_peer::meter(light),
                other_meter: None,
                board: crate_peer::board(light),
                _process: None,
            }),
            Maker::Scpipy => scpipy(light),
        }
    }
}

/// Runs a test before the devices of every maker that is there.
pub fn each(what: &str, test: impl Fn(&Peer, &Light)) {
    each_of(&[Maker::Crates, Maker::Scpipy], what, test);
}

/// Runs a test before the devices of those of these makers that are there.
pub fn each_of(makers: &[Maker], what: &str, test: impl Fn(&Peer, &Light)) {
    let mut met = 0;
    for maker in makers {
        let light = Light::at(|| 1.0);
        if let Some(peer) = maker.start(&light) {
            test(&peer, &light);
            met += 1;
        }
    }
    tally::line(
        &format!("foreign devices, {what}"),
        &[("makers", &met), ("skipped", &(makers.len() - met))],
    );
}

fn scpipy(light: &Light) -> Option<Peer> {
    let python = python_with("scpipy.server", "scpipy")?;
    // Its ports are chosen before it listens: another program may be faster.
    let started = (0..3).find_map(|_| start_scpipy(&python, light));
    Some(started.expect("scpipy listens"))
}

fn set(name: &str) -> Option<std::ffi::OsString> {
    std::env::var_os(name).filter(|value| !value.is_empty())
}

/// Says loudly that a device is not there; fails where it must be.
fn missing<T>(package: &str, why: &str) -> Option<T> {
    let required = set("WAKERAIL_PEERS_REQUIRED").is_some_and(|value| value != "0");
    assert!(!required, "WAKERAIL_PEERS_REQUIRED is set, and {why}");
    // Written, not printed: what a passing test prints is not shown.
    let said = writeln!(
        std::io::stderr(),
        "PEERS SKIPPED: no device of {package} was spoken to: {why}. Run \
         tests/peers/devices/install, then set WAKERAIL_ORACLE_PYTHON and \
         WAKERAIL_FOREIGN_DEVICES as it says (.ci/run does)."
    );
    said.expect("standard error takes it");
    None
}

/// A python that has this module; none, and loudly, where there is none.
pub fn python_with(module: &str, package: &'static str) -> Option<PathBuf> {
    let Some(python) = set("WAKERAIL_ORACLE_PYTHON") else {
        return missing(package, "WAKERAIL_ORACLE_PYTHON is not set");
    };
    let has = Command::new(&python)
        .args(["-c", &format!("import {module}")])
        .stderr(Stdio::null())
        .status();
    match has {
        Ok(status) if status.success() => Some(python.into()),
        Ok(_) => missing(package, &format!("that python has no {package}")),
        Err(error) => missing(package, &format!("that python does not start: {error}")),
    }
}

/// A program that `install` put into its folder; none, and loudly, where there is
/// none.
pub fn installed(program: &str, package: &'static str) -> Option<PathBuf> {
    let Some(folder) = set("WAKERAIL_FOREIGN_DEVICES") else {
        return missing(package, "WAKERAIL_FOREIGN_DEVICES is not set");
    };
    let path = Path::new(&folder).join("bin").join(program);
    match path.is_file() {
        true => Some(path),
        false => missing(package, &format!("{} is not there", path.display())),
    }
}

fn start_scpipy(python: &Path, light: &Light) -> Option<Peer> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers/devices/scpipy_bench.py");
    let lamp = light.serve();
    // What it falls over is told there, and here only when it does not start.
    let log = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("scpipy-{lamp}.log"));
    let mut child = Command::new(python)
        .arg(script)
        .arg(lamp.to_string())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(std::fs::File::create(&log).expect("a log"))
        .spawn()
        .expect("python starts");
    let stdout = child.stdout.take().expect("piped");
    let mut process = Process::of(child, Some(log.clone()));
    let mut line = String::new();
    BufReader::new(stdout)
        .read_line(&mut line)
        .expect("its ports");
    let ports: Vec<u16> = line
        .split_whitespace()
        .map(|port| port.parse().expect("a port"))
        .collect();
    let begun = Instant::now();
    for port in &ports {
        while TcpStream::connect(("127.0.0.1", *port)).is_err() {
            if process.child.try_wait().expect("a state").is_some() {
                let said = std::fs::read_to_string(&log).unwrap_or_default();
                eprintln!("scpipy ended:\n{said}");
                return None;
            }
            assert!(begun.elapsed() < PATIENCE, "port {port} is not listened at");
            std::thread::sleep(Duration::from_millis(5));
        }
    }
    let [meter, other_meter, board] = ports[..] else {
        panic!("three ports, not `{line}`");
    };
    Some(Peer {
        identity: "Other Works,OM-2,4711,1.5.1",
        unknown: -110,
        closes_on_rubbish: true,
        meter,
        other_meter: Some(other_meter),
        board,
        _process: Some(process),
    })
}

/// A profile's text by name: one of the test's own files, or a shipped one.
pub fn profile_text(name: &str) -> String {
    let own = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers/devices/profiles");
    match shipped::text(name) {
        Some(text) => text.to_owned(),
        None => std::fs::read_to_string(own.join(format!("{name}.yaml"))).expect("a profile"),
    }
}

/// A profile of a text.
pub fn profile(text: &str) -> Arc<Profile> {
    let (profile, warnings) = read::profile("p.yaml", text).unwrap_or_else(|no| panic!("{no}"));
    assert!(warnings.is_empty(), "{}: {warnings:?}", profile.name);
    Arc::new(profile)
}

/// A conversation with a foreign device, in real time.
pub struct Call {
    seat: Seat,
    link: Link,
    state: LinkState,
    never: AtomicBool,
}

impl Call {
    /// Connects.
    pub fn to(port: u16) -> Call {
        let clock = Clock::wall();
        let address = Address::Tcp {
            host_port: format!("127.0.0.1:{port}"),
        };
        Call {
            seat: clock.seat("test"),
            link: Link::open(&address, &clock).expect("a connection"),
            state: LinkState::new(),
            never: AtomicBool::new(false),
        }
    }

    /// What a driver speaks over.
    pub fn talk(&mut self) -> Talk<'_> {
        Talk::new(&mut self.seat, &mut self.link, &self.never, &mut self.state)
    }
}

/// Says lines to a device over a connection of its own, past the driver, and
/// waits until it has worked them all off.
pub fn past_the_driver(port: u16, lines: &[&str]) {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("a connection");
    let text: String = lines.iter().map(|line| format!("{line}\n")).collect();
    stream
        .write_all(format!("{text}*ESE?\n").as_bytes())
        .expect("sent");
    let mut answer = String::new();
    BufReader::new(stream)
        .read_line(&mut answer)
        .expect("an answer");
    assert!(answer.trim().parse::<u8>().is_ok(), "{answer}");
}
