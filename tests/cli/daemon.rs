//! A real daemon in a process of its own, rehearsing an example bench.

use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// What the program said and how it ended.
#[derive(Debug)]
pub struct Told {
    pub code: i32,
    pub out: String,
    pub err: String,
}

/// A path in the examples.
pub fn example(name: &str) -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples");
    folder.join(name).to_string_lossy().into_owned()
}

/// Runs one command against the data in `data`.
pub fn wakerail(data: &Path, words: &[&str]) -> Told {
    let done = Command::new(env!("CARGO_BIN_EXE_wakerail"))
        .env_clear()
        .env("WAKERAIL_DATA", data)
        .env("USER", "ada")
        .args(words)
        .output()
        .expect("the program runs");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("text");
    Told {
        code: done.status.code().unwrap_or(-1),
        out: text(done.stdout),
        err: text(done.stderr),
    }
}

/// A daemon at work; killed when dropped.
pub struct Daemon {
    child: Child,
    log: Box<dyn BufRead>,
    pub data: PathBuf,
}

impl Daemon {
    /// Starts it and waits until it says that it is at work.
    pub fn start(data: &Path, bench: &str, seed: u64) -> Daemon {
        let program = Command::new(env!("CARGO_BIN_EXE_wakerail"));
        Daemon::start_as(program, data, bench, seed)
    }

    /// Like [`Daemon::start`], with several benches.
    pub fn start_with(data: &Path, benches: &[&str], seed: u64) -> Daemon {
        let mut program = Command::new(env!("CARGO_BIN_EXE_wakerail"));
        program.args(["serve", "--log", "json"]);
        for bench in benches {
            program.args(["--bench", &example(bench)]);
        }
        Daemon::begin(program, data, seed)
    }

    /// Like [`Daemon::start`]; no file may grow beyond 2 MB (4,000 blocks of 512 bytes),
    /// as on a disk that fills up: writes fail.
    pub fn start_on_a_small_disk(data: &Path, bench: &str, seed: u64) -> Daemon {
        let mut shell = Command::new("sh");
        let limited = "trap '' XFSZ; ulimit -f 4000; exec \"$0\" \"$@\"";
        shell.args(["-c", limited, env!("CARGO_BIN_EXE_wakerail")]);
        Daemon::start_as(shell, data, bench, seed)
    }

    /// Like [`Daemon::start`], with SIGHUP ignored.
    pub fn start_under_nohup(data: &Path, bench: &str, seed: u64) -> Daemon {
        let mut shell = Command::new("sh");
        let ignoring = "trap '' HUP; exec \"$0\" \"$@\"";
        shell.args(["-c", ignoring, env!("CARGO_BIN_EXE_wakerail")]);
        Daemon::start_as(shell, data, bench, seed)
    }

    fn start_as(mut program: Command, data: &Path, bench: &str, seed: u64) -> Daemon {
        program.args(["serve", "--log", "json", "--bench", &example(bench)]);
        Daemon::begin(program, data, seed)
    }

    fn begin(mut program: Command, data: &Path, seed: u64) -> Daemon {
        let mut child = program
            .env_clear()
            .args(["--rehearse", &seed.to_string(), "--data"])
            .arg(data)
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program runs");
        let log = Box::new(BufReader::new(child.stderr.take().expect("piped")));
        let data = data.to_owned();
        let mut daemon = Daemon { child, log, data };
        daemon.wait_for("REHEARSING");
        daemon
    }

    /// Reads the log until a line holds `words`; the line.
    pub fn wait_for(&mut self, words: &str) -> String {
        let mut line = String::new();
        loop {
            line.clear();
            let read = self.log.read_line(&mut line).expect("a log");
            assert!(read > 0, "the log ended without `{words}`");
            if line.contains(words) {
                return line;
            }
        }
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// One command against it.
    pub fn told(&self, words: &[&str]) -> Told {
        wakerail(&self.data, words)
    }

    /// One command that must succeed; its output.
    pub fn ok(&self, words: &[&str]) -> String {
        let told = self.told(words);
        assert_eq!(told.code, 0, "{words:?}: {told:?}");
        told.out
    }

    /// Sends a signal by its name.
    pub fn signal(&self, name: &str) {
        let pid = self.pid().to_string();
        let sent = Command::new("kill").args(["-s", name, &pid]).status();
        assert!(sent.expect("kill runs").success());
    }

    /// Closes its log: it cannot be written any more.
    pub fn unheard(&mut self) {
        self.log = Box::new(std::io::empty());
    }

    /// Waits for its end; the exit code (none: killed) and the rest of the log.
    pub fn ended(mut self) -> (Option<i32>, String) {
        let mut rest = String::new();
        self.log.read_to_string(&mut rest).expect("a log");
        let status = self.child.wait().expect("it ended");
        (status.code(), rest)
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
