//! Programs as devices, run for real: what they print, how they fail, and that
//! nothing of them is left.

use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use photometry::measured::Outcome;
use photometry::units::{Lux, Span};

use super::program;
use super::talk::{LinkState, Talk};
use crate::clock::Clock;
use crate::error::DriverError;
use crate::link::{Address, Link, LinkError};
use crate::profile::read;
use crate::profile::testing::tern;
use crate::roles::photometer::Photometer;
use crate::roles::profiled_meter::{PhotometerCard, ProfiledMeter};

/// A shell script that can be run.
fn script(folder: &Path, body: &str) -> String {
    let path = folder.join("lux-once");
    std::fs::write(&path, format!("#!/bin/sh\n{body}\n")).expect("written");
    let mode = std::fs::Permissions::from_mode(0o755);
    std::fs::set_permissions(&path, mode).expect("may be run");
    path.to_str().expect("a name").to_owned()
}

fn with_program<T>(path: &str, how: impl FnOnce(&mut Talk<'_>, &AtomicBool) -> T) -> T {
    let clock = Clock::wall();
    let mut seat = clock.seat("port");
    let address = Address::Program {
        path: path.to_owned(),
    };
    let mut link = Link::open(&address, &clock).expect("a program");
    let abandon = AtomicBool::new(false);
    let mut state = LinkState::new();
    how(
        &mut Talk::new(&mut seat, &mut link, &abandon, &mut state),
        &abandon,
    )
}

fn told(path: &str, arguments: &[&str], within: Span) -> String {
    let arguments: Vec<String> = arguments.iter().map(|one| (*one).to_owned()).collect();
    with_program(path, |talk, _| {
        match program::run(talk, &arguments, within) {
            Ok(answer) => format!(
                "{:?} {:?}",
                answer.text,
                String::from_utf8_lossy(&answer.raw)
            ),
            Err(error) => error.to_string().replace(path, "PROGRAM"),
        }
    })
}

const LONG: Span = Span::from_secs(30);

#[test]
fn what_a_program_prints_is_its_answer() {
    let folder = tempfile::tempdir().expect("a folder");
    let cases: [(&str, &[&str], &str); 6] = [
        ("echo 512.5 lx", &[], r#""512.5 lx" "512.5 lx\n""#),
        (
            r#"printf '%s|' "$@""#,
            &["a b", "$(id)", ""],
            r#""a b|$(id)||" "a b|$(id)||""#,
        ),
        ("printf '1'; sleep 0.05; printf '2'", &[], r#""12" "12""#),
        ("echo 7; exec >&-; sleep 0.05", &[], r#""7" "7\n""#),
        ("cat", &[], r#""" """#), // nothing is there to be read
        (
            "echo 'no lamp' >&2; echo 'no light' >&2; exit 3",
            &["--once"],
            "the device refused `PROGRAM --once`: 3 no lamp; no light",
        ),
    ];
    for (body, arguments, wanted) in cases {
        let path = script(folder.path(), body);
        assert_eq!(told(&path, arguments, LONG), wanted, "{body}");
    }
    let path = script(folder.path(), "kill -SEGV $$");
    let shown = told(&path, &[], LONG);
    assert!(
        shown.starts_with("the device refused `PROGRAM `: -11"),
        "{shown}"
    );
    let path = script(
        folder.path(),
        "while :; do echo 0123456789012345678901234567890123456789; done",
    );
    let shown = told(&path, &[], LONG);
    assert!(
        shown.contains("it prints more than an answer has"),
        "{shown}"
    );
}

/// Whether a process is at work; one that is killed and not yet reaped is not.
fn lives(pid: &str) -> bool {
    let stat = std::fs::read_to_string(format!("/proc/{}/stat", pid.trim()));
    stat.is_ok_and(|stat| !stat.contains(") Z ") && !stat.contains(") X "))
}

fn until(what: &str, holds: impl Fn() -> bool) {
    let begun = std::time::Instant::now();
    while !holds() {
        assert!(
            begun.elapsed() < std::time::Duration::from_secs(30),
            "{what}"
        );
        std::thread::yield_now();
    }
}

/// A program that takes too long is killed with all that it started; so is one
/// whose caller withdraws.
#[test]
fn nothing_is_left_of_a_program_that_takes_too_long() {
    let folder = tempfile::tempdir().expect("a folder");
    let pids = folder.path().join("pids");
    let body = format!(
        "sleep 600 & echo $! $$ > {}.new; mv {0}.new {0}; sleep 600",
        pids.display()
    );
    for abandoned in [false, true] {
        let _ = std::fs::remove_file(&pids);
        let path = script(folder.path(), &body);
        let within = if abandoned { LONG } else { Span::from_secs(2) };
        let outcome = with_program(&path, |talk, abandon| {
            if abandoned {
                let (pids, bell) = (pids.clone(), talk.seat.bell());
                std::thread::scope(|scope| {
                    scope.spawn(move || {
                        until("started", || pids.exists());
                        abandon.store(true, Ordering::SeqCst);
                        bell.ring();
                    });
                    program::run(talk, &[], within)
                })
            } else {
                program::run(talk, &[], within)
            }
        });
        match (abandoned, outcome) {
            (false, Err(DriverError::Silent { .. })) | (true, Err(DriverError::Abandoned)) => {}
            (_, other) => panic!("{other:?}"),
        }
        let started = std::fs::read_to_string(&pids).expect("it ran");
        for pid in started.split_whitespace() {
            until("all of it ends", || !lives(pid));
        }
    }
}

#[test]
fn what_cannot_be_run_is_no_port() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = script(folder.path(), "echo 1");
    let open = |path: &str| {
        let path = path.to_owned();
        Link::open(&Address::Program { path }, &Clock::wall())
    };
    assert!(open(&path).is_ok());
    let missing = open("/nowhere/lux-once");
    assert!(
        matches!(missing, Err(LinkError::NotFound { .. })),
        "{missing:?}"
    );
    let folder_itself = open(folder.path().to_str().expect("a name"));
    assert!(matches!(folder_itself, Err(LinkError::NotFound { .. })));
    let plain = std::fs::Permissions::from_mode(0o644);
    std::fs::set_permissions(&path, plain).expect("not run any more");
    assert!(matches!(open(&path), Err(LinkError::Denied { .. })));
    with_program("/bin/sh", |talk, _| {
        assert!(talk.send(b"echo 1\n").is_err());
    });
}

/// A whole meter that is a program, by its profile.
#[test]
fn a_meter_may_be_a_program() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = script(
        folder.path(),
        r#"case "$1" in who) echo "Works 17";; *) echo "{\"lux\": 512.5, \"unit\": \"lx\"}";; esac"#,
    );
    let text = r#"profile: tern
format: 1
role: meter
about: a meter behind a program
identity: {run: who, answer: "{maker} {serial}", within: 10 s}
read-illuminance:
  run: [read, "--json"]
  answer: '{{"lux": {illuminance}, "unit": "{unit}"}}'
  within: integration + 10 s
samples:
  - {read-illuminance: '{"lux": 0.5, "unit": "klx"}', gives: 500 lx}
"#;
    let (profile, warnings) = read::profile("tern.yaml", text).unwrap_or_else(|no| panic!("{no}"));
    assert!(warnings.is_empty(), "{warnings:?}");
    let card = PhotometerCard {
        plausible: (Lux(-1.0), Lux(1e5)),
        ..tern(Span::from_ms(1))
    };
    with_program(&path, |talk, _| {
        let mut meter = ProfiledMeter::new(card, Arc::new(profile), None);
        let identity = meter.open(talk).expect("it opens");
        assert_eq!(identity.serial.as_deref(), Some("17"));
        let reading = meter.read_illuminance(talk).expect("a reading");
        assert_eq!(reading.outcome, Outcome::Value(512.5));
        assert_eq!(reading.raw, b"{\"lux\": 512.5, \"unit\": \"lx\"}\n");
    });
    let mixed = text
        .replace("identity: {run: who", "identity: {ask: who")
        .replace(", within: 10 s}", "}");
    let refused = read::profile("tern.yaml", &mixed).expect_err("two ways");
    let wanted = "the device is spoken to by a program, and `ask` is no step of such a device";
    assert!(refused.to_string().contains(wanted), "{refused}");
}
