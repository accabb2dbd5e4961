//! Relay fingers behind mosquitto, worked by its own client programs through our
//! program link. The broker takes every command; done is only what the board says
//! of its state, and no command is kept for whoever comes later.
//!
//! ```text
//!  driver ──runs──► mosquitto_rr, mosquitto_sub ──► mosquitto ◄──► board (here, by
//!                                                             mosquitto_sub and _pub)
//! ```

use std::io::{BufRead, BufReader};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use drivers::clock::Clock;
use drivers::error::DriverError;
use drivers::exchange::talk::{LinkState, Talk};
use drivers::link::{Address, Link};
use drivers::roles::presser::Presser;
use drivers::roles::profiled_fingers::ProfiledFingers;
use photometry::units::Span;

use super::light::Light;
use super::peer::{Process, installed, profile, profile_text};
use super::tally;

const COILS: usize = 3;
const HOLD: Span = Span::from_ms(100);

/// The broker, and where its programs are.
struct Broker {
    port: u16,
    programs: PathBuf,
    process: Process,
}

/// Starts one; none, and loudly, when it is not to be had.
fn broker(folder: &Path) -> Option<Broker> {
    let program = installed("mosquitto", "mosquitto")?;
    let programs = program.parent().expect("a folder").to_owned();
    // Another program may take the port before the broker does.
    let started = (0..3).find_map(|_| {
        let chosen = TcpListener::bind("127.0.0.1:0").expect("a port");
        let port = chosen.local_addr().expect("an address").port();
        drop(chosen);
        let file = folder.join("broker.conf");
        let text = format!("listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n");
        std::fs::write(&file, text).expect("written");
        let mut child = Command::new(&program)
            .arg("-c")
            .arg(&file)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("it starts");
        let begun = Instant::now();
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            if child.try_wait().expect("a state").is_some() {
                return None;
            }
            assert!(begun.elapsed().as_secs() < 60, "nobody listens at {port}");
            std::thread::yield_now();
        }
        Some((port, Process::of(child, None)))
    });
    let (port, process) = started.expect("it listens");
    Some(Broker {
        port,
        programs,
        process,
    })
}

impl Broker {
    fn client(&self, program: &str, arguments: &[&str]) -> Command {
        let mut command = Command::new(self.programs.join(program));
        command.args(["-p", &self.port.to_string(), "-q", "1"]);
        command.args(arguments);
        command
    }

    fn run(&self, program: &str, arguments: &[&str]) -> Output {
        let output = self.client(program, arguments).output().expect("it runs");
        assert!(
            output.status.success(),
            "{program} {arguments:?} {output:?}"
        );
        output
    }

    /// What a subscriber that comes now is given first of the commands, or else a
    /// greeting that is kept for everybody: topics are answered in the order in which
    /// they are asked for.
    fn late_subscriber_gets(&self) -> String {
        let topics = ["-t", "relay/+/set", "-t", "relay/hello"];
        let output = self.run(
            "mosquitto_sub",
            &[&["-C", "1", "-F", "%t"], &topics[..]].concat(),
        );
        String::from_utf8(output.stdout)
            .expect("text")
            .trim()
            .to_owned()
    }
}

#[derive(Default)]
struct State {
    closed: [bool; COILS],
    /// A coil, from 1, that stays as it is.
    stuck: Option<usize>,
    /// Commands as they came.
    heard: Vec<String>,
    /// The lamp whose buttons it works.
    light: Option<Light>,
}

impl State {
    /// Does what a line of topic and word says, and says what came of it.
    fn hear(&mut self, line: &str, publish: impl Fn(&str, bool)) {
        let (topic, word) = line.split_once(' ').expect("a topic and a word");
        let mut levels = topic.split('/').skip(1);
        let (which, set) = (levels.next(), levels.next() == Some("set"));
        let which = which.expect("a coil");
        if set {
            self.heard.push(line.to_owned());
        }
        for coil in 1..=COILS {
            if which != "all" && which != coil.to_string() {
                continue;
            }
            if set && self.stuck != Some(coil) {
                self.closed[coil - 1] = word == "ON";
                if let Some(light) = &self.light {
                    light.coil(coil as u16, word == "ON");
                }
            }
            if which != "all" {
                publish(&format!("relay/{coil}/state"), self.closed[coil - 1]);
            }
        }
        if which == "all" {
            publish("relay/all/state", self.closed.contains(&true));
        }
    }
}

/// The board: closes and opens coils as it is told, and says what they are.
struct Board {
    state: Arc<Mutex<State>>,
    _listener: Process,
}

fn locked(state: &Mutex<State>) -> MutexGuard<'_, State> {
    state.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Board {
    /// Switches it on. It listens when this returns.
    fn on(broker: &Broker, state: &Arc<Mutex<State>>) -> Board {
        // Kept for whoever subscribes, and given after the commands are listened to.
        let hello = ["-r", "-t", "relay/hello", "-m", "hello"];
        broker.run("mosquitto_pub", &hello);
        let topics = [
            "-t",
            "relay/+/set",
            "-t",
            "relay/+/get",
            "-t",
            "relay/hello",
        ];
        let mut child = broker
            .client("mosquitto_sub", &[&["-v"], &topics[..]].concat())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("it starts");
        let mut lines = BufReader::new(child.stdout.take().expect("piped")).lines();
        let listener = Process::of(child, None);
        let publish = {
            let (programs, port) = (broker.programs.clone(), broker.port.to_string());
            move |topic: &str, closed: bool| {
                let word = if closed { "ON" } else { "OFF" };
                // A broker that is gone takes no state, and the test tells why.
                let _ = Command::new(programs.join("mosquitto_pub"))
                    .args(["-p", &port, "-q", "1", "-t", topic, "-m", word])
                    .stderr(Stdio::null())
                    .status();
            }
        };
        let hear = {
            let state = Arc::clone(state);
            move |line: &str| locked(&state).hear(line, &publish)
        };
        loop {
            let line = lines.next().expect("it hears itself").expect("text");
            if line.starts_with("relay/hello") {
                break;
            }
            hear(&line);
        }
        std::thread::spawn(move || lines.map_while(Result::ok).for_each(|line| hear(&line)));
        Board {
            state: Arc::clone(state),
            _listener: listener,
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        locked(&self.state)
    }
}

/// The profile as the user of this broker writes it, with its programs and port.
fn profile_of(broker: &Broker) -> String {
    let programs = broker.programs.display();
    profile_text("broker-relays")
        .replace("[mosquitto_", &format!("[{programs}/mosquitto_"))
        .replace("\"1883\"", &format!("\"{}\"", broker.port))
}

fn fingers(broker: &Broker) -> ProfiledFingers {
    ProfiledFingers::new(vec![1, 2, 3], profile(&profile_of(broker)), None)
}

/// A board behind a broker, as long as this value lives.
pub struct Behind {
    _board: Board,
    broker: Broker,
}

impl Behind {
    /// How it is spoken to.
    pub fn profile(&self) -> String {
        profile_of(&self.broker)
    }
}

/// A board behind a broker that works a lamp's buttons; none, and loudly, when
/// there is no broker.
pub fn working(light: &Light, folder: &Path) -> Option<Behind> {
    let broker = broker(folder)?;
    let state = State {
        light: Some(light.clone()),
        ..State::default()
    };
    Some(Behind {
        _board: Board::on(&broker, &Arc::new(Mutex::new(state))),
        broker,
    })
}

fn with_programs<T>(how: impl FnOnce(&mut Talk<'_>) -> T) -> T {
    let clock = Clock::wall();
    let mut seat = clock.seat("test");
    let address = Address::Program {
        path: "/usr/bin/env".to_owned(),
    };
    let mut link = Link::open(&address, &clock).expect("a program");
    let (never, mut state) = (AtomicBool::new(false), LinkState::new());
    how(&mut Talk::new(&mut seat, &mut link, &never, &mut state))
}

/// Runs a test before a board that is switched on; tells whether it was run.
fn before_a_board(what: &str, test: impl FnOnce(&mut Talk<'_>, Broker, Board)) {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = broker(folder.path());
    let met = usize::from(broker.is_some());
    if let Some(broker) = broker {
        let board = Board::on(&broker, &Arc::default());
        with_programs(|talk| test(talk, broker, board));
    }
    tally::line(
        &format!("foreign devices, mosquitto, {what}"),
        &[("spoken to", &met), ("skipped", &(1 - met))],
    );
}

#[test]
fn fingers_behind_a_broker_press_and_are_seen_to() {
    before_a_board("presses", |talk, broker, board| {
        // Boards keep their coils.
        board.state().closed[1] = true;
        let mut fingers = fingers(&broker);
        fingers.open(talk).expect("it opens");
        assert_eq!(board.state().closed, [false; COILS]);
        for coil in [1, 3] {
            let press = fingers.press(talk, coil, HOLD).expect("a press");
            assert!(press.up.mono.since(press.down.mono) >= HOLD);
        }
        let heard = board.state().heard.clone();
        let wanted = ["1/set ON", "1/set OFF", "3/set ON", "3/set OFF"];
        let pressed: Vec<&str> = heard
            .iter()
            .filter_map(|line| line.strip_prefix("relay/"))
            .filter(|line| !line.starts_with("all"))
            .collect();
        assert_eq!(pressed, wanted);
    });
}

/// The broker takes the command, the board does not follow, or is not there: what
/// the board says counts, and its silence is no press.
#[test]
fn the_brokers_word_is_no_press() {
    before_a_board("stuck, and off", |talk, broker, board| {
        let mut fingers = fingers(&broker);
        fingers.open(talk).expect("it opens");
        board.state().stuck = Some(2);
        let stuck = fingers.press(talk, 2, HOLD).expect_err("it did not follow");
        assert!(
            matches!(&stuck, DriverError::Garbled { answer, .. } if answer == "OFF"),
            "{stuck}"
        );
        board.state().stuck = None;
        fingers.press(talk, 2, HOLD).expect("it follows");
        // A finger that stays down is named by its coil.
        board.state().closed[2] = true;
        board.state().stuck = Some(3);
        let down = fingers.release_all(talk).expect_err("one is down");
        let coil = DriverError::CoilStuck {
            coil: 3,
            wanted: false,
        };
        assert_eq!(down.to_string(), coil.to_string());
        board.state().stuck = None;
        fingers.release_all(talk).expect("all up");

        drop(board);
        // The broker takes it all the same.
        broker.run("mosquitto_pub", &["-t", "relay/1/set", "-m", "OFF"]);
        let off = fingers.press(talk, 1, HOLD).expect_err("nobody pressed");
        assert!(matches!(off, DriverError::Silent { .. }), "{off}");

        drop(broker.process);
        let gone = fingers.press(talk, 1, HOLD).expect_err("no broker");
        // mosquitto_rr ends with 1 when nobody takes its connection.
        assert!(
            matches!(gone, DriverError::Refused { code: 1, .. }),
            "{gone}"
        );
    });
}

/// Driver acceptance: a retained command would be carried out again by a board that
/// comes back. Ours are gone when they are carried out.
#[test]
fn retained_command() {
    before_a_board("retained commands", |talk, broker, board| {
        let mut fingers = fingers(&broker);
        fingers.open(talk).expect("it opens");
        fingers.press(talk, 1, HOLD).expect("a press");
        assert_eq!(broker.late_subscriber_gets(), "relay/hello");
        let heard = board.state().heard.len();
        assert!(heard >= 3, "{heard}");
        // The board loses its power and comes back: nothing is pressed.
        let state = Arc::clone(&board.state);
        drop(board);
        let board = Board::on(&broker, &state);
        assert_eq!(board.state().heard.len(), heard);
        // What that would have shown, had the command been retained.
        broker.run("mosquitto_pub", &["-r", "-t", "relay/1/set", "-m", "ON"]);
        assert_eq!(broker.late_subscriber_gets(), "relay/1/set");
        drop(board);
        let board = Board::on(&broker, &state);
        assert!(board.state().closed[0], "pressed by nobody");
    });
}
