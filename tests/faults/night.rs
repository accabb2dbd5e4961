//! A daemon before a bench on the wall clock, a listener at its socket, and
//! what must be true of the record afterwards.

use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use wakerail::plan::itinerary::{Action, Itinerary, What};
use wakerail::run::journal::{Body, Event, RunId};
use wakerail::run::progress::State;
use wakerail::store::open::Store;

use super::wall::WallBench;

use crate::cli::daemon::{Told, example, wakerail};

#[path = "facts.rs"]
mod facts;

use facts::{moves_before_homing, promised, results};

/// Nothing that a daemon does here takes so long.
const PATIENCE: Duration = Duration::from_secs(60);
/// Between two looks.
const LOOK: Duration = Duration::from_millis(2);

/// How a daemon is started.
#[derive(Clone)]
pub struct Start {
    /// Bench file and options.
    words: Vec<String>,
    /// Environment: that of the shim.
    env: Vec<(&'static str, String)>,
}

impl Start {
    /// Before a bench on the wall clock.
    pub fn before(wall: &WallBench) -> Start {
        Start::at(&wall.file("bench.yaml"))
    }

    /// Before the bench of a file.
    pub fn at(bench: &str) -> Start {
        Start {
            words: vec!["--bench".to_owned(), bench.to_owned()],
            env: Vec::new(),
        }
    }

    /// Rehearsing the example's bench in simulated time.
    pub fn rehearsing(seed: u64) -> Start {
        let words = [
            "--bench",
            &example("bench-strand.yaml"),
            "--rehearse",
            &seed.to_string(),
        ];
        Start {
            words: words.map(str::to_owned).to_vec(),
            env: Vec::new(),
        }
    }

    /// With more in its environment.
    pub fn with(&self, env: &[(&'static str, String)]) -> Start {
        let mut with = self.clone();
        with.env.extend(env.iter().cloned());
        with
    }

    /// With the shim before its files.
    pub fn shimmed(&self, env: &[(&'static str, String)]) -> Start {
        let library = super::shim::library().to_string_lossy().into_owned();
        let mut with = self.with(env);
        with.env.push(("LD_PRELOAD", library));
        with.env.push(("SHIM_FILES", "/wakerail.db".to_owned()));
        with
    }
}

/// A daemon at work; killed when dropped.
pub struct Life {
    child: Child,
    data: PathBuf,
    log: PathBuf,
    pub begun: Instant,
}

impl Life {
    /// Starts it, without waiting.
    pub fn start(data: &Path, how: &Start) -> Life {
        let log = data.with_extension("log");
        let file = std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(&log)
            .expect("a log");
        let begun = Instant::now();
        let child = Command::new(env!("CARGO_BIN_EXE_wakerail"))
            .env_clear()
            .envs(how.env.iter().map(|(name, value)| (*name, value.as_str())))
            .args(["serve", "--log", "json"])
            .args(&how.words)
            .arg("--data")
            .arg(data)
            .stderr(Stdio::from(file))
            .stdout(Stdio::null())
            .spawn()
            .expect("the program runs");
        Life {
            child,
            data: data.to_owned(),
            log,
            begun,
        }
    }

    /// Starts it and waits until it answers.
    pub fn ready(data: &Path, how: &Start) -> Life {
        let mut life = Life::start(data, how);
        life.answers();
        life
    }

    /// Waits until it answers; how long that took.
    pub fn answers(&mut self) -> Duration {
        while ask(&self.data, "/health").is_none() {
            assert!(self.begun.elapsed() < PATIENCE, "{}", self.log());
            let ended = self.child.try_wait().expect("a state");
            assert_eq!(ended, None, "{}", self.log());
            std::thread::sleep(LOOK);
        }
        self.begun.elapsed()
    }

    /// Waits until it answers or has ended; whether it answers.
    pub fn answers_or_ends(&mut self) -> bool {
        while ask(&self.data, "/health").is_none() {
            assert!(self.begun.elapsed() < PATIENCE, "{}", self.log());
            if !self.runs() {
                return false;
            }
            std::thread::sleep(LOOK);
        }
        true
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// All that was logged so far.
    pub fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// Where that stands, also when it has ended.
    pub fn log_file(&self) -> PathBuf {
        self.log.clone()
    }

    /// One command against it that must succeed; its output.
    pub fn ok(&self, words: &[&str]) -> String {
        let told = self.told(words);
        assert_eq!(told.code, 0, "{words:?}: {told:?}\n{}", self.log());
        told.out
    }

    /// One command against it.
    pub fn told(&self, words: &[&str]) -> Told {
        wakerail(&self.data, words)
    }

    /// Tries to put a lamp before the rail.
    pub fn told_place(&self, lamp: &str) -> Told {
        let fingers = "brighter=left,dimmer=right,power=round";
        let words = [
            "place",
            "K-1",
            "--lamp",
            lamp,
            "--gauge",
            "6 in",
            "--fingers",
            fingers,
        ];
        self.told(&words)
    }

    /// Tries to book a plan.
    pub fn told_book(&self, plan: &str) -> Told {
        self.told(&["book", plan, "--unit", "K-1"])
    }

    /// Sends a signal by its name.
    pub fn signal(&self, name: &str) {
        let pid = self.pid().to_string();
        let sent = Command::new("kill").args(["-s", name, &pid]).status();
        assert!(sent.expect("kill runs").success());
    }

    /// SIGKILL, and the end of it.
    pub fn kill(mut self) {
        self.child.kill().expect("killed");
        self.child.wait().expect("ended");
    }

    /// SIGTERM, and the end of it: its exit code and how long that took.
    pub fn leave(self) -> (Option<i32>, Duration) {
        let begun = Instant::now();
        self.signal("TERM");
        (self.ended(), begun.elapsed())
    }

    /// Waits for its end; its exit code.
    pub fn ended(mut self) -> Option<i32> {
        let begun = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().expect("a state") {
                return status.code();
            }
            assert!(
                begun.elapsed() < PATIENCE,
                "it does not end: {}",
                self.log()
            );
            std::thread::sleep(LOOK);
        }
    }

    /// Whether it still runs.
    pub fn runs(&mut self) -> bool {
        self.child.try_wait().expect("a state").is_none()
    }
}

impl Drop for Life {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The body of an answer, if there is one.
pub fn ask(data: &Path, path: &str) -> Option<String> {
    let mut stream = UnixStream::connect(data.join("socket/daemon.sock")).ok()?;
    stream.set_read_timeout(Some(PATIENCE)).ok()?;
    let request = format!("GET {path} HTTP/1.1\r\nhost: wakerail\r\nconnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).ok()?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer).ok()?;
    let (head, body) = answer.split_once("\r\n\r\n")?;
    head.starts_with("HTTP/1.1 200").then(|| body.to_owned())
}

/// What a client was told of a run's journal: the highest number so far.
#[derive(Clone, Default)]
pub struct Heard(Arc<AtomicU64>);

impl Heard {
    pub fn seq(&self) -> u64 {
        self.0.load(Ordering::SeqCst)
    }

    /// Listens to a run until the stream ends.
    pub fn listen(&self, data: &Path, run: i64) {
        let heard = self.clone();
        let socket = data.join("socket/daemon.sock");
        let after = self.seq();
        std::thread::spawn(move || {
            let Ok(mut stream) = UnixStream::connect(socket) else {
                return;
            };
            let request =
                format!("GET /runs/{run}/events?after={after} HTTP/1.1\r\nhost: wakerail\r\n\r\n");
            if stream.write_all(request.as_bytes()).is_err() {
                return;
            }
            for line in BufReader::new(stream).lines() {
                let Ok(line) = line else { return };
                if let Some(seq) = line.strip_prefix("id: ").and_then(|id| id.parse().ok()) {
                    heard.0.fetch_max(seq, Ordering::SeqCst);
                }
            }
        });
    }

    /// Waits until something after `seq` was heard.
    pub fn beyond(&self, seq: u64, life: &mut Life) {
        let begun = Instant::now();
        while self.seq() <= seq {
            assert!(begun.elapsed() < PATIENCE, "nothing new: {}", life.log());
            assert!(life.runs(), "it ended: {}", life.log());
            std::thread::sleep(LOOK);
        }
    }
}

/// Puts a lamp before the rail.
pub fn place(life: &Life, lamp: &str) {
    let told = life.told_place(lamp);
    assert_eq!(told.code, 0, "{told:?}\n{}", life.log());
}

/// Books a plan; the run's number is the next one.
pub fn book(life: &Life, plan: &str) {
    let told = life.told_book(plan);
    assert_eq!(told.code, 0, "{told:?}\n{}", life.log());
}

/// A run's state, as listed.
pub fn state(data: &Path, run: i64) -> String {
    let row = ask(data, &format!("/runs/{run}/row")).unwrap_or_default();
    let row: serde_json::Value = serde_json::from_str(&row).unwrap_or_default();
    row["state"].as_str().unwrap_or("unknown").to_owned()
}

/// What is wrong with a run's record.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wrong {
    /// Readings that the plan promises and the results lack.
    pub lost: usize,
    /// Results that stand there more than once.
    pub doubled: usize,
    /// Moves of a sitting before its homing.
    pub moves_before_homing: usize,
    /// Events that a client was told of and the journal lacks.
    pub told_and_missing: u64,
    /// Events that are not as they were written.
    pub damaged: usize,
}

impl Wrong {
    pub fn add(&mut self, other: Wrong) {
        self.lost += other.lost;
        self.doubled += other.doubled;
        self.moves_before_homing += other.moves_before_homing;
        self.told_and_missing += other.told_and_missing;
        self.damaged += other.damaged;
    }
}

/// Reads a run's record, with or without a daemon at work.
pub fn journal(data: &Path, run: i64) -> (Itinerary, Vec<Event>, bool) {
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    runtime.block_on(async {
        let file = data.join("wakerail.db");
        let store = Store::open_read_only(&file).await.expect("a record");
        let run = RunId(run);
        let (frozen, _) = store.frozen(run).await.expect("read").expect("a run");
        let events = store.events(run, 0, u32::MAX).await.expect("events");
        let whole = store.verify(run).await.expect("verified");
        store.close().await;
        (frozen.itinerary, events, whole.is_whole())
    })
}

/// What is wrong with the record of a run that is complete.
pub fn wrong(data: &Path, run: i64, heard: u64) -> Wrong {
    let (itinerary, events, whole) = journal(data, run);
    let (promised, results) = (promised(&itinerary), results(&itinerary, &events));
    let lost = promised.keys().filter(|key| !results.contains_key(*key));
    Wrong {
        lost: lost.count(),
        doubled: results.values().filter(|count| **count > 1).count(),
        moves_before_homing: moves_before_homing(&itinerary, &events),
        told_and_missing: heard.saturating_sub(events.last().map_or(0, |event| event.seq)),
        damaged: usize::from(!whole),
    }
}
