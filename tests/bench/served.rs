//! The real daemon in a process of its own, before a simulated bench that
//! takes its real time; and what a process has spent (proc(5)).

use std::io::{Read, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use super::Failed;

/// Nothing that a daemon does here takes so long.
const PATIENCE: Duration = Duration::from_secs(120);
/// Between two looks.
const LOOK: Duration = Duration::from_micros(500);

/// A daemon at work; killed when dropped.
pub struct Daemon {
    child: Child,
    data: PathBuf,
    /// From its start to its first answer.
    pub ready: Duration,
}

impl Daemon {
    /// Starts it and waits until it answers.
    pub fn start(data: &Path, bench: &str) -> Result<Daemon, Failed> {
        let begun = Instant::now();
        let child = Command::new(env!("CARGO_BIN_EXE_wakerail"))
            .env_clear()
            .args(["serve", "--bench", bench, "--data"])
            .arg(data)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()?;
        let mut daemon = Daemon {
            child,
            data: data.to_owned(),
            ready: Duration::ZERO,
        };
        while daemon.ask("/health").is_none() {
            if begun.elapsed() > PATIENCE || daemon.child.try_wait()?.is_some() {
                return Err("the daemon does not answer".into());
            }
            std::thread::sleep(LOOK);
        }
        daemon.ready = begun.elapsed();
        Ok(daemon)
    }

    /// The body of an answer, if there is one.
    pub fn ask(&self, path: &str) -> Option<String> {
        let mut stream = UnixStream::connect(self.data.join("socket/daemon.sock")).ok()?;
        stream.set_read_timeout(Some(PATIENCE)).ok()?;
        let request = format!("GET {path} HTTP/1.1\r\nhost: bench\r\nconnection: close\r\n\r\n");
        stream.write_all(request.as_bytes()).ok()?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer).ok()?;
        let (head, body) = answer.split_once("\r\n\r\n")?;
        head.starts_with("HTTP/1.1 200").then(|| body.to_owned())
    }

    /// One command against it that must succeed.
    pub fn told(&self, words: &[&str]) -> Result<(), Failed> {
        let done = Command::new(env!("CARGO_BIN_EXE_wakerail"))
            .env_clear()
            .env("WAKERAIL_DATA", &self.data)
            .env("USER", "ada")
            .args(words)
            .output()?;
        if done.status.success() {
            return Ok(());
        }
        let said = String::from_utf8_lossy(&done.stderr).into_owned();
        Err(format!("{words:?} failed:\n{said}").into())
    }

    /// Waits until a run is over.
    pub fn until_over(&self, run: i64) -> Result<(), Failed> {
        let begun = Instant::now();
        loop {
            let row = self.ask(&format!("/runs/{run}/row")).unwrap_or_default();
            let row: serde_json::Value = serde_json::from_str(&row).unwrap_or_default();
            match row["state"].as_str() {
                Some("waiting" | "measuring") if begun.elapsed() < PATIENCE => {}
                Some("complete") => return Ok(()),
                _ => return Err(format!("the run is not complete: {row}").into()),
            }
            std::thread::sleep(Duration::from_secs(1)); // the bench is to be left alone
        }
    }

    pub fn spent(&self) -> Result<Spent, Failed> {
        Spent::by(&self.child.id().to_string())
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What the living threads of a process have spent.
#[derive(Clone, Copy, Debug, Default)]
pub struct Spent {
    /// On a processor.
    pub cpu: Duration,
    /// Times that a thread went to sleep of itself, and so was woken.
    pub wakeups: u64,
    /// Memory that it holds, in kilobytes.
    pub resident_kb: u64,
}

impl Spent {
    /// By a process: its number, or `self`.
    pub fn by(process: &str) -> Result<Spent, Failed> {
        let folder = Path::new("/proc").join(process);
        let mut spent = Spent {
            resident_kb: field(&folder.join("status"), "VmRSS:")?,
            ..Spent::default()
        };
        for thread in std::fs::read_dir(folder.join("task"))? {
            let thread = thread?.path();
            let Ok(times) = std::fs::read_to_string(thread.join("schedstat")) else {
                continue; // it has ended meanwhile
            };
            let ns = times.split(' ').next().unwrap_or_default().parse()?;
            spent.cpu += Duration::from_nanos(ns);
            spent.wakeups += field(&thread.join("status"), "voluntary_ctxt_switches:")?;
        }
        Ok(spent)
    }
}

fn field(file: &Path, name: &str) -> Result<u64, Failed> {
    let text = std::fs::read_to_string(file)?;
    let found = text.lines().find_map(|line| line.strip_prefix(name));
    let figure = found.and_then(|rest| rest.split_whitespace().next());
    Ok(figure.ok_or("no such field")?.parse()?)
}
