//! The program at a terminal: a pseudo-terminal with a person before it who
//! reads what is written and types.

use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::OwnedFd;
use std::process::{Command, Stdio};

use rustix::pty::{OpenptFlags, ioctl_tiocgptpeer, openpt, unlockpt};

use super::daemon::{Daemon, example};

/// A terminal's two sides: the person's, and the program's.
pub fn terminal() -> (File, OwnedFd) {
    let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
    let person = openpt(flags).expect("a terminal");
    unlockpt(&person).expect("unlocked");
    let program = ioctl_tiocgptpeer(&person, flags).expect("its other side");
    (File::from(person), program)
}

/// Looks on at a terminal until the program ends, and presses Enter whenever
/// that is asked for; the exit code, what stood on the screen, the questions.
fn watched(daemon: &Daemon, run: &str) -> (Option<i32>, String, usize) {
    let (mut person, program) = terminal();
    let side = || Stdio::from(program.try_clone().expect("a side"));
    let mut child = Command::new(env!("CARGO_BIN_EXE_wakerail"))
        .env_clear()
        .env("WAKERAIL_DATA", &daemon.data)
        .env("USER", "ada")
        .args(["watch", run])
        .stdin(side())
        .stdout(side())
        .stderr(side())
        .spawn()
        .expect("the program runs");
    drop(program);
    let (mut screen, mut asked) = (String::new(), 0);
    let mut bytes = [0_u8; 4096];
    // Linux ends it with an error once the program's side is closed.
    while let Ok(count) = person.read(&mut bytes) {
        screen.push_str(&String::from_utf8_lossy(&bytes[..count]));
        while screen.matches("press Enter").count() > asked {
            asked += 1;
            person.write_all(b"\n").expect("typed");
        }
    }
    let code = child.wait().expect("it ended").code();
    (code, screen, asked)
}

/// No fingers: everything is asked, and answered where it is looked on.
#[test]
fn a_survey_by_hand_is_answered_at_the_terminal() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), "bench-strand-by-hand.yaml", 2);
    let lamp = example("lamp-turnstone.yaml");
    daemon.ok(&["place", "T-1", "--lamp", &lamp]);
    daemon.ok(&["book", &example("plan-short.yaml"), "--unit", "T-1"]);
    let (code, screen, asked) = watched(&daemon, "latest");
    assert_eq!(code, Some(0), "{screen}");
    // Cap on, cap off, dark room; the highest level, the middle one, off.
    assert!((4..=12).contains(&asked), "{asked} questions: {screen}");
    for words in ["Put the cap", "Set the lamp to", "Switch the lamp off"] {
        assert!(screen.contains(words), "no `{words}`: {screen}");
    }
    let row = daemon.ok(&["runs", "--format", "csv"]);
    assert!(row.contains(",complete,"), "{row}");
}
