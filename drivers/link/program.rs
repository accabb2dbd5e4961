//! A device that is reached through a program: it is run once for each question,
//! and what it prints is the answer.
//!
//! ```text
//!  arguments (no shell) ──► a process in a group of its own
//!                              stdin: nothing   stdout: the answer, read as a line
//!                              stderr: kept, its beginning, for the message
//!  at the limit, abandoned, or dropped: the whole group is killed and reaped
//! ```
//!
//! Called by `exchange::talk`. Not here: what the answer means.

use std::io::{self, Read};
use std::os::fd::OwnedFd;
use std::os::unix::process::CommandExt;
use std::process::{Child, ChildStderr, Command, Stdio};
use std::sync::Arc;

use rustix::fs::OFlags;
use rustix::process::{Pid, Signal, WaitId, WaitIdOptions, kill_process_group, waitid};

use super::error::LinkError;
use crate::clock::Ear;

/// Most of what a program may print as its answer.
const OUT_AT_MOST_BYTES: usize = 65_536;
/// So much of what it complains is kept.
const COMPLAINT_AT_MOST_BYTES: u64 = 1_000;

/// A program at work. Dropping it kills it and all that it started.
#[derive(Debug)]
pub struct Running {
    shown: String,
    child: Child,
    out: Arc<OwnedFd>,
    err: Option<ChildStderr>,
    printed: Vec<u8>,
}

/// How a program ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// By itself, with this code; 0 is success.
    Code(i32),
    /// By this signal.
    Signal(i32),
}

impl Running {
    /// Starts it with these arguments, as they are.
    ///
    /// # Errors
    /// `NotFound`, `Denied` or `Io` when it cannot be started.
    pub fn start(path: &str, arguments: &[String]) -> Result<Running, LinkError> {
        let of = |source| LinkError::of(path, source);
        let mut child = Command::new(path)
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .process_group(0)
            .spawn()
            .map_err(of)?;
        let err = child.stderr.take();
        let Some(out) = child.stdout.take() else {
            return Err(of(io::ErrorKind::BrokenPipe.into()));
        };
        let running = Running {
            shown: path.to_owned(),
            child,
            out: Arc::new(OwnedFd::from(out)),
            err,
            printed: Vec::new(),
        };
        never_blocks(&*running.out).map_err(of)?;
        if let Some(err) = &running.err {
            never_blocks(err).map_err(of)?;
        }
        Ok(running)
    }

    /// What a seat listens to while it waits.
    pub fn ear(&self) -> Ear {
        Ear::of_descriptor(&self.out)
    }

    /// Takes what it has printed; true when it has closed its output.
    ///
    /// # Errors
    /// `Io`, also for more than 64 KiB.
    pub fn take(&mut self) -> Result<bool, LinkError> {
        let mut buffer = [0_u8; 4096];
        loop {
            if self.printed.len() > OUT_AT_MOST_BYTES {
                let why = "it prints more than an answer has (64 KiB)";
                let source = io::Error::new(io::ErrorKind::InvalidData, why);
                return Err(LinkError::of(&self.shown, source));
            }
            match rustix::io::read(&self.out, &mut buffer) {
                Ok(0) => return Ok(true),
                Ok(count) => self.printed.extend_from_slice(&buffer[..count]),
                Err(rustix::io::Errno::INTR) => {}
                Err(rustix::io::Errno::AGAIN) => return Ok(false),
                Err(errno) => return Err(LinkError::of(&self.shown, errno.into())),
            }
        }
    }

    /// What it has printed so far.
    pub fn printed(&self) -> &[u8] {
        &self.printed
    }

    fn group(&self) -> Option<Pid> {
        i32::try_from(self.child.id()).ok().and_then(Pid::from_raw)
    }

    /// How it ended, if it has. It is not reaped yet: while it is not, its number
    /// stays its own, and its group can be killed without hitting another.
    ///
    /// # Errors
    /// `Io`.
    pub fn ended(&self) -> Result<Option<End>, LinkError> {
        let Some(pid) = self.group() else {
            return Ok(None);
        };
        let options = WaitIdOptions::EXITED | WaitIdOptions::NOHANG | WaitIdOptions::NOWAIT;
        let status = waitid(WaitId::Pid(pid), options);
        let status = status.map_err(|errno| LinkError::of(&self.shown, errno.into()))?;
        Ok(status.and_then(|status| {
            let code = status.exit_status().map(End::Code);
            code.or_else(|| status.terminating_signal().map(End::Signal))
        }))
    }

    /// The beginning of what it complained, on one line.
    pub fn complaint(&mut self) -> String {
        let mut said = Vec::new();
        if let Some(err) = self.err.take() {
            // Nothing more is there is an error of a pipe that never blocks.
            let _ = err.take(COMPLAINT_AT_MOST_BYTES).read_to_end(&mut said);
        }
        let text = String::from_utf8_lossy(&said);
        let lines = text.lines().map(str::trim).filter(|line| !line.is_empty());
        lines.collect::<Vec<_>>().join("; ")
    }
}

fn never_blocks(fd: &impl std::os::fd::AsFd) -> io::Result<()> {
    let flags = rustix::fs::fcntl_getfl(fd)?;
    Ok(rustix::fs::fcntl_setfl(fd, flags | OFlags::NONBLOCK)?)
}

impl Drop for Running {
    fn drop(&mut self) {
        if let Some(group) = self.group() {
            // What it started may outlive it, and must not work on unseen; that
            // nothing is left is the usual case.
            let _ = kill_process_group(group, Signal::KILL);
        }
        // Ended or killed: the wait is short, and leaves no zombie.
        let _ = self.child.wait();
    }
}
