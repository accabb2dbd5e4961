//! A pseudo-terminal as a device would hold it.

use std::fs;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustix::fs::{OFlags, fcntl_setfl};
use rustix::io::Errno;
use rustix::pty::{OpenptFlags, ioctl_tiocgptpeer, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

use crate::link::descriptor::{read_exactly, write_all};

/// Bytes taken in one read on the wall clock.
const READ_BYTES: usize = 4096;

#[derive(Debug)]
pub(super) struct Pty {
    master: Arc<OwnedFd>,
    /// Kept open, so that the master lives on when the port is closed.
    _slave: OwnedFd,
    slave_path: PathBuf,
    link_path: PathBuf,
}

impl Pty {
    pub(super) fn open(link_path: &Path) -> io::Result<Pty> {
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let master = openpt(flags)?;
        unlockpt(&master)?;
        // Raw before the first byte, through the master: else the kernel sends
        // what the port is told back to the device, and turns CR into NL.
        let mut settings = tcgetattr(&master)?;
        settings.make_raw();
        tcsetattr(&master, OptionalActions::Now, &settings)?;
        let slave = ioctl_tiocgptpeer(&master, flags)?;
        fcntl_setfl(&master, OFlags::RDWR | OFlags::NONBLOCK)?;
        let name = ptsname(&master, Vec::new())?;
        let slave_path = PathBuf::from(std::ffi::OsStr::from_bytes(name.to_bytes()));
        replace_link(&slave_path, link_path)?;
        Ok(Pty {
            master: Arc::new(master),
            _slave: slave,
            slave_path,
            link_path: link_path.to_owned(),
        })
    }

    pub(super) fn master(&self) -> &Arc<OwnedFd> {
        &self.master
    }

    pub(super) fn read_counted(&self, into: &mut Vec<u8>, count: usize) -> io::Result<usize> {
        read_exactly(&self.master, count, into, &mut |buffer| {
            none_yet(rustix::io::read(&self.master, buffer))
        })
    }

    pub(super) fn write_counted(&self, bytes: &[u8]) -> io::Result<()> {
        write_all(&self.master, bytes)
    }

    pub(super) fn read_now(&self, into: &mut Vec<u8>) -> io::Result<usize> {
        let mut buffer = [0_u8; READ_BYTES];
        let count = none_yet(rustix::io::read(&self.master, &mut buffer))?;
        into.extend_from_slice(&buffer[..count]);
        Ok(count)
    }

    /// Writes what the kernel takes now; returns how many bytes it did not.
    pub(super) fn write_now(&self, bytes: &[u8]) -> io::Result<usize> {
        let mut rest = bytes;
        while !rest.is_empty() {
            match none_yet(rustix::io::write(&self.master, rest))? {
                0 => break,
                written => rest = &rest[written..],
            }
        }
        Ok(rest.len())
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        // Only if no later wire has taken the name.
        if fs::read_link(&self.link_path).is_ok_and(|target| target == self.slave_path) {
            let _ = fs::remove_file(&self.link_path);
        }
    }
}

fn none_yet(moved: rustix::io::Result<usize>) -> io::Result<usize> {
    match moved {
        Err(Errno::AGAIN | Errno::INTR) => Ok(0),
        moved => Ok(moved?),
    }
}

/// Makes the link under another name first, so that whoever opens the address
/// finds the old terminal or the new one, never none.
fn replace_link(target: &Path, link_path: &Path) -> io::Result<()> {
    let mut name = link_path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".{}.new", std::process::id()));
    let fresh = link_path.with_file_name(name);
    match fs::remove_file(&fresh) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    symlink(target, &fresh)?;
    fs::rename(&fresh, link_path)
}
