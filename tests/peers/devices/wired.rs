//! A serial line between a driver and a foreign device: two pseudo-terminals, and
//! what is written to the one is read from the other. It has no rate, no parity.

use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::OwnedFd;
use std::path::PathBuf;

use rustix::pty::{OpenptFlags, ioctl_tiocgptpeer, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

/// A line with two ends.
pub struct Line {
    /// The paths of its ends.
    pub ends: [PathBuf; 2],
    /// Held open, so that the line outlives whoever opens an end and closes it.
    _held: [OwnedFd; 2],
}

/// A pseudo-terminal: its device's side, its port's side, and the port's path.
pub fn terminal() -> (File, OwnedFd, PathBuf) {
    let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
    let master = openpt(flags).expect("a pseudo-terminal");
    unlockpt(&master).expect("unlocked");
    let mut settings = tcgetattr(&master).expect("its settings");
    settings.make_raw();
    tcsetattr(&master, OptionalActions::Now, &settings).expect("raw");
    let port = ioctl_tiocgptpeer(&master, flags).expect("its port");
    let name = ptsname(&master, Vec::new()).expect("its name");
    let path = PathBuf::from(name.into_string().expect("text"));
    (File::from(master), port, path)
}

impl Line {
    /// Lays one.
    pub fn lay() -> Line {
        let (one, one_held, one_path) = terminal();
        let (other, other_held, other_path) = terminal();
        let carry = |mut from: File, mut to: File| {
            std::thread::spawn(move || {
                let mut bytes = [0; 512];
                // Ends when nobody holds the port any more.
                while let Ok(count @ 1..) = from.read(&mut bytes) {
                    if to.write_all(&bytes[..count]).is_err() {
                        return;
                    }
                }
            });
        };
        let cloned = |file: &File| file.try_clone().expect("cloned");
        carry(cloned(&one), cloned(&other));
        carry(other, one);
        Line {
            ends: [one_path, other_path],
            _held: [one_held, other_held],
        }
    }
}
