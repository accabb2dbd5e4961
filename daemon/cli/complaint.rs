//! The one file that knows every message of a failure: what failed, where,
//! why (the chain of causes), what to do now, and the exit code.
//!
//! Called by: everything in this room, service, main. A snapshot test shows
//! every variant (promise P5). Not here: mistakes in files (written renders
//! them) and what the daemon says (it arrives as a [`Problem`]).

use std::error::Error;
use std::fmt::Write as _;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use super::exit_codes::ExitCode;
use super::terminal::{Terminal, printable};
use crate::web::wire::{Problem, problems};

/// Why the program did not do what it was told.
#[derive(Debug, thiserror::Error)]
pub enum Complaint {
    /// Files have mistakes; they are told in full.
    #[error("{count} mistake{}", if *.count == 1 { "" } else { "s" })]
    Mistakes {
        /// How many.
        count: usize,
        /// The mistakes as rendered.
        shown: String,
    },
    /// A bench file has mistakes; they are told in full.
    #[error("{name} has mistakes")]
    BenchFile {
        /// Which.
        name: String,
        /// The mistakes as rendered.
        shown: String,
    },
    /// A file could not be read.
    #[error("cannot read {}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// A file is longer than the cap.
    #[error("{} is longer than {at_most} bytes", path.display())]
    FileTooLong {
        /// Which.
        path: PathBuf,
        /// The cap in bytes.
        at_most: u64,
    },
    /// A file is not UTF-8 text.
    #[error("{} is not UTF-8 text", path.display())]
    NotText {
        /// Which.
        path: PathBuf,
    },
    /// Measured data in a file cannot be computed with.
    #[error("{name}{}: {reason}", line.map_or(String::new(), |line| format!(":{line}")))]
    Measured {
        /// The file, or `standard input`.
        name: String,
        /// The line that is to blame, where one is.
        line: Option<u64>,
        /// Why.
        reason: String,
    },
    /// A file could not be written.
    #[error("cannot write {}", path.display())]
    CannotWrite {
        /// Which.
        path: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// A file is there already and is not overwritten.
    #[error("{} is there already", path.display())]
    Exists {
        /// Which.
        path: PathBuf,
    },
    /// Standard output could not be written.
    #[error("cannot write the output")]
    Output {
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// An option's value is not understood.
    #[error("--{option}: {reason}")]
    Option {
        /// Which.
        option: &'static str,
        /// Why.
        reason: String,
    },
    /// Nothing was asked for.
    #[error("say what to do")]
    NoCommand,
    /// No such page of the manual.
    #[error("there is no page or command `{topic}`")]
    NoTopic {
        /// What was asked for.
        topic: String,
        /// What may have been meant.
        near: Option<String>,
    },
    /// No such script is shipped.
    #[error("no script `{name}` comes with this program")]
    NoScript {
        /// What was asked for.
        name: String,
        /// What may have been meant.
        near: Option<String>,
    },
    /// Nothing tells where the data are.
    #[error("no data directory: neither HOME, XDG_STATE_HOME nor WAKERAIL_DATA is set")]
    NoDataDirectory,
    /// The data directory cannot be used.
    #[error("the data directory {} cannot be used", path.display())]
    DataDirectory {
        /// Which.
        path: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// The socket's path is too long for a socket address.
    #[error("the socket's path {} is longer than {at_most} bytes", path.display())]
    SocketPath {
        /// Which.
        path: PathBuf,
        /// The limit.
        at_most: usize,
    },
    /// Another daemon works with these data.
    #[error("another daemon{} works with {}", pid.map_or(String::new(), |pid| format!(" (pid {pid})")), path.display())]
    AlreadyServed {
        /// The data directory.
        path: PathBuf,
        /// Its process, as far as the lock file tells.
        pid: Option<u32>,
    },
    /// No daemon answers at the socket.
    #[error("no daemon answers at {}", socket.display())]
    NoDaemon {
        /// The socket.
        socket: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// The daemon broke off while answering.
    #[error("the daemon broke off: {reason}")]
    BrokenOff {
        /// Why.
        reason: String,
    },
    /// The daemon's answer is not one of ours.
    #[error("the daemon's answer is not understood: {reason}")]
    Answer {
        /// Why.
        reason: String,
    },
    /// The daemon refused.
    #[error("{}", .0.title)]
    Refused(Box<Problem>),
    /// The record cannot be opened.
    #[error("the record {} cannot be opened", path.display())]
    Record {
        /// The database.
        path: PathBuf,
        /// It is damaged, foreign, or of a newer version; waiting won't help.
        #[source]
        source: Box<dyn Error + Send + Sync>,
    },
    /// The record is not what was written.
    #[error("the record {} is damaged: {found}", path.display())]
    RecordDamaged {
        /// The database.
        path: PathBuf,
        /// The first thing that is not.
        found: String,
    },
    /// A bench cannot be opened.
    #[error("bench `{bench}` cannot be opened")]
    Bench {
        /// Which.
        bench: String,
        /// Why.
        #[source]
        source: Box<dyn Error + Send + Sync>,
    },
    /// Two bench files have the same name.
    #[error("two benches have the name `{bench}`")]
    SameBench {
        /// Which.
        bench: String,
    },
    /// The runtime or a task failed.
    #[error("the daemon cannot {doing}")]
    System {
        /// Doing what.
        doing: &'static str,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// A second signal ended the daemon before it was done.
    #[error("ended by the second signal, before the bench was made safe")]
    Forced,
    /// The run did not measure everything.
    #[error("run {run} is {state}")]
    Gaps {
        /// Which.
        run: i64,
        /// Its state's words.
        state: String,
    },
    /// The daemon left before the run was over.
    #[error("the daemon left; run {run} goes on when it starts again")]
    DaemonLeft {
        /// Which.
        run: i64,
    },
    /// A bench does nothing more until the daemon starts again.
    #[error("{bench} is out of service: {why}")]
    BenchOut {
        /// Which, in words: by its name, or by its run.
        bench: String,
        /// Why.
        why: String,
    },
    /// Ctrl-C in the demo.
    #[error("the demo was broken off; its bench was made safe")]
    DemoLeft {
        /// Its data directory.
        path: PathBuf,
    },
    /// A criterion of a run is not a pass.
    #[error("run {run}: {other} of {of} criteria {}", if *other == 1 { "is not a pass" } else { "are not a pass" })]
    NotPassed {
        /// Which.
        run: i64,
        /// Criteria that are not a pass.
        other: usize,
        /// Criteria in all.
        of: usize,
        /// Readings were set aside or taken back since they were ruled on.
        outdated: bool,
    },
    /// A person was asked whether `stop` is meant, and did not say yes.
    #[error("run {run} was not stopped")]
    NotStopped {
        /// Which.
        run: i64,
    },
    /// Devices of a bench failed while they were probed; each was told.
    #[error("{failed} of {of} devices {}", if *failed == 1 { "is not ready" } else { "are not ready" })]
    Devices {
        /// How many.
        failed: usize,
        /// Of how many.
        of: usize,
        /// What kind of failure.
        code: ExitCode,
    },
    /// A device did not do what it was asked by hand.
    #[error("{device}: {kind}: {seen}{left}")]
    Device {
        /// Which.
        device: String,
        /// The failure's name.
        kind: &'static str,
        /// What was seen.
        seen: String,
        /// How it was left, where it moved or pressed.
        left: String,
        /// What to do now.
        to_do: &'static str,
        /// What kind of failure.
        code: ExitCode,
    },
    /// What was asked of a device by hand is outside its limits or its verbs.
    #[error("{why}; nothing was sent")]
    NotTried {
        /// Why.
        why: String,
        /// What to do now.
        to_do: String,
    },
    /// Nobody said that something may move.
    #[error("nobody said that {what}; nothing was sent")]
    NoWord {
        /// What may happen.
        what: &'static str,
        /// A person was asked, and did not say yes.
        asked: bool,
    },
    /// Ctrl-C while a device was worked by hand.
    #[error("broken off; {left}")]
    HandWithdrawn {
        /// How the device was left.
        left: String,
        /// Whether it is known to be safe.
        safe: bool,
    },
    /// Ctrl-C while looking on.
    #[error("no longer looking on; run {run} goes on")]
    LookedAway {
        /// Which.
        run: i64,
    },
}

fn of_gaps(run: i64) -> String {
    format!("`wakerail show {run}` tells what is missing and why")
}

fn of_rulings(run: i64, outdated: bool) -> String {
    if outdated {
        return format!(
            "readings were set aside or taken back since they were made: `wakerail rule {run}` \
             rules on those that are left"
        );
    }
    format!("`wakerail rulings {run}` tells why; `wakerail report {run}` shows it")
}

fn of_not_stopped(run: i64) -> String {
    format!("say y when asked, or `wakerail stop {run} --yes`")
}

fn of_looked_away(run: i64) -> String {
    format!("look again with `wakerail watch {run}`; end it with `wakerail stop {run}`")
}

fn of_demo(path: &Path) -> String {
    format!("what was measured is in {}", path.display())
}

const OF_BENCH_OUT: &str = "look at the bench and at the daemon's log; a record that failed is tried again while the \
     daemon runs; otherwise, when the cause is gone, start it again: the run goes on";

const OF_DEVICES: &str =
    "what to do stands with each; `--bytes` shows every byte that was sent and came";
const OF_NO_WORD: &str =
    "look whether its way is clear, then say y when asked, or add --way-is-clear";

const OF_MEASURED: &str = "`wakerail help compute` tells what each topic reads";
const OF_UNSAFE: &str = "look at the bench, and cut the power of what does not stand still or lift";
const OF_DAEMON_LEFT: &str = "start it again with the same data; what was measured is kept";
const OF_BROKEN_OFF: &str = "see what the daemon knows (`wakerail runs`) before you repeat";

fn of_scripts(near: Option<&str>) -> String {
    match near {
        Some(near) => format!("did you mean `wakerail script show {near}`?"),
        None => "`wakerail script list` lists them".to_owned(),
    }
}

impl Complaint {
    /// The exit code.
    pub fn code(&self) -> ExitCode {
        match self {
            Complaint::Mistakes { .. }
            | Complaint::BenchFile { .. }
            | Complaint::FileTooLong { .. }
            | Complaint::Measured { .. }
            | Complaint::NotText { .. } => ExitCode::Data,
            Complaint::File { source, .. } => match source.kind() {
                ErrorKind::NotFound | ErrorKind::IsADirectory => ExitCode::NoInput,
                ErrorKind::PermissionDenied => ExitCode::NotPermitted,
                _ => ExitCode::Io,
            },
            Complaint::CannotWrite { .. } | Complaint::Exists { .. } => ExitCode::CannotCreate,
            Complaint::Output { .. } | Complaint::BrokenOff { .. } => ExitCode::Io,
            Complaint::NoCommand | Complaint::Option { .. } | Complaint::NoTopic { .. } => {
                ExitCode::Usage
            }
            Complaint::DataDirectory { source, .. }
                if source.kind() == ErrorKind::PermissionDenied =>
            {
                ExitCode::NotPermitted
            }
            Complaint::NoDataDirectory
            | Complaint::DataDirectory { .. }
            | Complaint::SocketPath { .. }
            | Complaint::Record { .. }
            | Complaint::Bench { .. }
            | Complaint::SameBench { .. } => ExitCode::Config,
            Complaint::AlreadyServed { .. } | Complaint::Forced | Complaint::DaemonLeft { .. } => {
                ExitCode::Retry
            }
            Complaint::RecordDamaged { .. } => ExitCode::Data,
            Complaint::NoScript { .. } => ExitCode::NoInput,
            Complaint::NoDaemon { .. } => ExitCode::Unavailable,
            Complaint::Answer { .. } => ExitCode::Bug,
            Complaint::System { .. } | Complaint::BenchOut { .. } => ExitCode::Io,
            Complaint::Refused(problem) => refusal(&problem.kind),
            Complaint::Gaps { .. } => ExitCode::Gaps,
            Complaint::NotPassed { .. } => ExitCode::NotPassed,
            Complaint::LookedAway { .. }
            | Complaint::NotStopped { .. }
            | Complaint::NoWord { asked: true, .. }
            | Complaint::HandWithdrawn { .. }
            | Complaint::DemoLeft { .. } => ExitCode::Interrupted,
            Complaint::Devices { code, .. } | Complaint::Device { code, .. } => *code,
            Complaint::NotTried { .. } | Complaint::NoWord { asked: false, .. } => ExitCode::Usage,
        }
    }

    /// What to do now, one sentence each.
    pub fn hints(&self) -> Vec<String> {
        let one = |text: &str| vec![text.to_owned()];
        match self {
            Complaint::Mistakes { .. } | Complaint::BenchFile { .. } | Complaint::Output { .. } => {
                Vec::new()
            }
            Complaint::Measured { .. } => one(OF_MEASURED),
            Complaint::File { .. } => one("look at the path and its permissions"),
            Complaint::FileTooLong { .. } => one(
                "a bench, lamp, plan or profile file is a few pages at most; is this the right one?",
            ),
            Complaint::NotText { .. } => one("save the file as UTF-8; is this the right one?"),
            Complaint::CannotWrite { .. } => {
                one("name a file in a folder that exists and that you may write to")
            }
            Complaint::Exists { .. } => {
                one("it was not touched; name another file with --to FILE, or move this one away")
            }
            Complaint::Option { .. } => one("`wakerail help COMMAND` shows examples"),
            Complaint::NoCommand => {
                one("`wakerail demo` shows the whole job; `wakerail help` lists the commands")
            }
            Complaint::NoTopic { near, .. } => vec![match near {
                Some(near) => format!("did you mean `wakerail help {near}`?"),
                None => "`wakerail help` lists the pages and commands".to_owned(),
            }],
            Complaint::NoScript { near, .. } => vec![of_scripts(near.as_deref())],
            Complaint::NoDataDirectory => one("name a directory with --data DIR"),
            Complaint::DataDirectory { .. } => {
                one("make it yours, or name another one with --data DIR")
            }
            Complaint::SocketPath { .. } => one("name a shorter path with --data DIR"),
            Complaint::AlreadyServed { .. } => one(
                "use the one that runs (`wakerail runs`), end it first, or name other data with --data DIR",
            ),
            Complaint::NoDaemon { .. } => one(
                "start it with `wakerail serve --bench bench.yaml`, or name its data with --data DIR",
            ),
            Complaint::BrokenOff { .. } => one(OF_BROKEN_OFF),
            Complaint::Answer { .. } => {
                one("do the daemon and this command have the same version? `wakerail --version`")
            }
            Complaint::Refused(problem) => problem.hints.clone(),
            Complaint::Record { .. } => {
                one("nothing was changed; keep the file, and name other data with --data DIR")
            }
            Complaint::RecordDamaged { .. } => one(
                "keep this file as it is and restore a back-up beside it; what is listed as whole can still be used and exported",
            ),
            Complaint::Bench { .. } => {
                one("look at the ports in the bench file, or rehearse with --rehearse 1")
            }
            Complaint::SameBench { .. } => one("give each bench file its own name after `bench:`"),
            Complaint::System { .. } => one("nothing was measured; repeat when the cause is gone"),
            Complaint::Forced => one(
                "look at the bench: the carriage may have moved, a finger may sit on a button, the lamp may be on; runs go on with `wakerail serve`",
            ),
            Complaint::BenchOut { .. } => one(OF_BENCH_OUT),
            Complaint::DaemonLeft { .. } => one(OF_DAEMON_LEFT),
            Complaint::Gaps { run, .. } => vec![of_gaps(*run)],
            Complaint::NotPassed { run, outdated, .. } => vec![of_rulings(*run, *outdated)],
            Complaint::Devices { .. }
            | Complaint::Device { .. }
            | Complaint::NotTried { .. }
            | Complaint::NoWord { .. }
            | Complaint::HandWithdrawn { .. } => self.hint_by_hand().map(one).unwrap_or_default(),
            Complaint::NotStopped { run } => vec![of_not_stopped(*run)],
            Complaint::LookedAway { run } => vec![of_looked_away(*run)],
            Complaint::DemoLeft { path } => vec![of_demo(path)],
        }
    }

    /// What to do with a bench in hand.
    fn hint_by_hand(&self) -> Option<&str> {
        match self {
            Complaint::Devices { .. } => Some(OF_DEVICES),
            Complaint::Device { to_do, .. } => Some(to_do),
            Complaint::NotTried { to_do, .. } => Some(to_do),
            Complaint::NoWord { .. } => Some(OF_NO_WORD),
            Complaint::HandWithdrawn { safe: false, .. } => Some(OF_UNSAFE),
            _ => None,
        }
    }

    /// The whole message, for stderr.
    pub fn shown(&self, terminal: Terminal) -> String {
        let mut text = String::new();
        if let Complaint::Mistakes { shown, .. } | Complaint::BenchFile { shown, .. } = self {
            text.push_str(shown);
            text.push('\n');
        }
        // Writing to a String cannot fail.
        let _ = writeln!(
            text,
            "{} {}",
            terminal.bold("wakerail:"),
            printable(&self.to_string())
        );
        if let Complaint::Refused(problem) = self
            && !problem.detail.is_empty()
        {
            for line in printable(&problem.detail).lines() {
                let _ = writeln!(text, "  {line}");
            }
        }
        let mut cause = self.source();
        let mut said = self.to_string();
        for _ in 0..CAUSES_AT_MOST {
            let Some(error) = cause else { break };
            let words = error.to_string();
            // Some libraries repeat their cause in their own message.
            if !said.contains(&words) {
                let _ = writeln!(text, "  because: {}", printable(&words));
            }
            said = words;
            cause = error.source();
        }
        for hint in self.hints() {
            let _ = writeln!(text, "  {} {}", terminal.bold("do:"), printable(&hint));
        }
        text
    }
}

/// Links of a chain of causes that are printed.
const CAUSES_AT_MOST: usize = 10;

/// The exit code for a daemon's refusal.
fn refusal(kind: &str) -> ExitCode {
    match kind {
        problems::MISTAKES => ExitCode::Data,
        problems::NOT_UNDERSTOOD | problems::KEY_REUSED => ExitCode::Usage,
        problems::NO_SUCH_RUN | problems::NO_SUCH_NAME => ExitCode::NoInput,
        problems::WRONG_STATE | problems::NOT_NOW => ExitCode::Retry,
        problems::RECORD => ExitCode::Io,
        problems::TOO_MUCH => ExitCode::Data,
        _ => ExitCode::Bug,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn io(kind: ErrorKind) -> std::io::Error {
        std::io::Error::from(kind)
    }

    /// Where a variant stands among [`every_variant`]; a new variant does not
    /// compile before it has a place here, and then needs an example there.
    fn place(complaint: &Complaint) -> usize {
        match complaint {
            Complaint::Mistakes { .. } => 0,
            Complaint::BenchFile { .. } => 1,
            Complaint::File { .. } => 2,
            Complaint::FileTooLong { .. } => 3,
            Complaint::NotText { .. } => 4,
            Complaint::CannotWrite { .. } => 5,
            Complaint::Output { .. } => 6,
            Complaint::Option { .. } => 7,
            Complaint::NoCommand => 8,
            Complaint::NoTopic { .. } => 9,
            Complaint::NoDataDirectory => 10,
            Complaint::DataDirectory { .. } => 11,
            Complaint::SocketPath { .. } => 12,
            Complaint::AlreadyServed { .. } => 13,
            Complaint::NoDaemon { .. } => 14,
            Complaint::BrokenOff { .. } => 15,
            Complaint::Answer { .. } => 16,
            Complaint::Refused(_) => 17,
            Complaint::Record { .. } => 18,
            Complaint::Bench { .. } => 19,
            Complaint::SameBench { .. } => 20,
            Complaint::System { .. } => 21,
            Complaint::Forced => 22,
            Complaint::Gaps { .. } => 23,
            Complaint::DaemonLeft { .. } => 24,
            Complaint::DemoLeft { .. } => 25,
            Complaint::LookedAway { .. } => 26,
            Complaint::BenchOut { .. } => 27,
            Complaint::Measured { .. } => 28,
            Complaint::NotPassed { .. } => 29,
            Complaint::Exists { .. } => 30,
            Complaint::NoScript { .. } => 31,
            Complaint::NotStopped { .. } => 32,
            Complaint::RecordDamaged { .. } => 33,
            Complaint::Devices { .. } => 34,
            Complaint::Device { .. } => 35,
            Complaint::NotTried { .. } => 36,
            Complaint::NoWord { .. } => 37,
            Complaint::HandWithdrawn { .. } => 38,
        }
    }

    fn about_files() -> Vec<Complaint> {
        let path = || PathBuf::from("plan.yaml");
        vec![
            Complaint::Mistakes {
                count: 2,
                shown: "plan.yaml:3:5 ...\nplan.yaml:9:1 ...".to_owned(),
            },
            Complaint::BenchFile {
                name: "bench.yaml".to_owned(),
                shown: "bench.yaml:3:5 ...".to_owned(),
            },
            Complaint::File {
                path: path(),
                source: io(ErrorKind::NotFound),
            },
            Complaint::FileTooLong {
                path: path(),
                at_most: 1 << 20,
            },
            Complaint::NotText { path: path() },
            Complaint::CannotWrite {
                path: "/nowhere/lux.svg".into(),
                source: io(ErrorKind::NotFound),
            },
            Complaint::Output {
                source: io(ErrorKind::StorageFull),
            },
            Complaint::Option {
                option: "fingers",
                reason: "`up` is not BUTTON=FINGER".to_owned(),
            },
            Complaint::NoCommand,
            Complaint::NoTopic {
                topic: "plam".to_owned(),
                near: Some("plan".to_owned()),
            },
        ]
    }

    fn about_the_daemon() -> Vec<Complaint> {
        let data = || PathBuf::from("/home/ada/.local/state/wakerail");
        vec![
            Complaint::NoDataDirectory,
            Complaint::DataDirectory {
                path: data(),
                source: io(ErrorKind::PermissionDenied),
            },
            Complaint::SocketPath {
                path: data().join("socket/daemon.sock"),
                at_most: 107,
            },
            Complaint::AlreadyServed {
                path: data(),
                pid: Some(4711),
            },
            Complaint::NoDaemon {
                socket: data().join("socket/daemon.sock"),
                source: io(ErrorKind::NotFound),
            },
            Complaint::BrokenOff {
                reason: "connection closed before message completed".to_owned(),
            },
            Complaint::Answer {
                reason: "missing field `run`".to_owned(),
            },
            Complaint::Refused(Box::new(Problem {
                kind: problems::NO_SUCH_RUN.to_owned(),
                title: "there is no run 12\u{1b}[31m".to_owned(),
                status: 404,
                detail: "the newest is 7".to_owned(),
                hints: vec!["`wakerail runs` lists them".to_owned()],
            })),
            Complaint::Record {
                path: data().join("wakerail.db"),
                source: "it was written by a newer version".into(),
            },
            Complaint::Bench {
                bench: "strand".to_owned(),
                source: "the bench has no port `meter`".into(),
            },
            Complaint::SameBench {
                bench: "strand".to_owned(),
            },
            Complaint::System {
                doing: "listen for signals",
                source: io(ErrorKind::Unsupported),
            },
            Complaint::Forced,
            Complaint::Gaps {
                run: 7,
                state: "complete with gaps".to_owned(),
            },
            Complaint::DaemonLeft { run: 7 },
            Complaint::DemoLeft {
                path: "/tmp/wakerail-demo-1".into(),
            },
            Complaint::LookedAway { run: 7 },
            Complaint::BenchOut {
                bench: "the bench of run 7".to_owned(),
                why: "its record failed: database or disk is full".to_owned(),
            },
        ]
    }

    fn about_the_hand() -> Vec<Complaint> {
        vec![
            Complaint::Devices {
                failed: 1,
                of: 3,
                code: ExitCode::Config,
            },
            Complaint::Device {
                device: "lux-head".to_owned(),
                kind: "silent",
                seen: "no answer to `*IDN?` within 2 s".to_owned(),
                left: String::new(),
                to_do: "is it on?",
                code: ExitCode::Io,
            },
            Complaint::NotTried {
                why: "2500 mm is outside the travel of 1 mm to 2000 mm".to_owned(),
                to_do: "name a coordinate within the bench file's `travel`".to_owned(),
            },
            Complaint::NoWord {
                what: "the carriage may move",
                asked: false,
            },
            Complaint::HandWithdrawn {
                left: "the carriage may still move: silent".to_owned(),
                safe: false,
            },
        ]
    }

    /// Promise P5: every message, as a person reads it, with its exit code.
    #[test]
    fn every_message_is_as_shown() {
        let mut all = about_files();
        all.extend(about_the_daemon());
        all.push(Complaint::Measured {
            name: "dawn.csv".to_owned(),
            line: Some(7),
            reason: "the wavelength of sample 5 is not above the one before".to_owned(),
        });
        all.push(Complaint::NotPassed {
            run: 7,
            other: 1,
            of: 3,
            outdated: false,
        });
        let told = Complaint::NotPassed {
            run: 7,
            other: 3,
            of: 3,
            outdated: true,
        };
        assert!(told.shown(Terminal::PLAIN).contains("`wakerail rule 7`"));
        all.push(Complaint::Exists {
            path: "lamp-sanderling.yaml".into(),
        });
        all.push(Complaint::NoScript {
            name: "reaches-tarket".to_owned(),
            near: Some("reaches-target".to_owned()),
        });
        all.push(Complaint::NotStopped { run: 7 });
        all.push(Complaint::RecordDamaged {
            path: "/home/ada/.local/state/wakerail/wakerail.db".into(),
            found:
                "run 7, event 31 (reading levels/L07/24 in/read/1): its line does not fit its link"
                    .to_owned(),
        });
        all.extend(about_the_hand());
        let places: Vec<usize> = all.iter().map(place).collect();
        assert_eq!(places, (0..39).collect::<Vec<_>>());
        let shown: Vec<String> = all
            .iter()
            .map(|complaint| {
                let code = complaint.code().number();
                format!("[code {code}]\n{}", complaint.shown(Terminal::PLAIN))
            })
            .collect();
        insta::assert_snapshot!(shown.join("\n"));
    }
}
