//! The daemon as people use it: one per data directory, orders, signals,
//! going on after a stop and after a kill.

use super::daemon::{Daemon, example, wakerail};

const BENCH: &str = "bench-strand.yaml";
const FINGERS: &str = "brighter=left,dimmer=right,power=round";

fn place(daemon: &Daemon, unit: &str) -> String {
    let lamp = example("lamp-dunlin.yaml");
    daemon.ok(&[
        "place",
        unit,
        "--lamp",
        &lamp,
        "--gauge",
        "6 in",
        "--fingers",
        FINGERS,
    ])
}

#[test]
fn a_second_daemon_on_the_same_data_names_the_first() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), BENCH, 1);
    let second = wakerail(folder.path(), &["serve", "--bench", &example(BENCH)]);
    assert_eq!(second.code, 75, "{second:?}");
    let pid = format!("(pid {})", daemon.pid());
    assert!(second.err.contains(&pid), "{second:?}");
    // The first one still answers, behind a door that only its user may open.
    assert_eq!(daemon.told(&["runs"]).code, 0);
    let mode = |path: &str| {
        use std::os::unix::fs::PermissionsExt;
        let meta = std::fs::metadata(folder.path().join(path)).expect("there");
        meta.permissions().mode() & 0o777
    };
    assert_eq!(mode("socket"), 0o700);
}

/// A daemon that died leaves its socket and its lock file; neither hinders
/// the next one.
#[test]
fn a_socket_that_was_left_behind_is_replaced() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), BENCH, 1);
    daemon.signal("KILL");
    assert_eq!(daemon.ended().0, None);
    assert!(folder.path().join("socket/daemon.sock").exists());
    let told = wakerail(folder.path(), &["runs"]);
    assert_eq!(told.code, 69, "{told:?}");
    let next = Daemon::start(folder.path(), BENCH, 1);
    assert_eq!(next.told(&["runs"]).code, 0);
    next.signal("TERM");
    assert_eq!(next.ended().0, Some(0));
    assert!(!folder.path().join("socket/daemon.sock").exists());
}

#[test]
fn what_cannot_be_placed_or_booked_is_told_with_what_to_do() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), BENCH, 1);
    let lamp = example("lamp-dunlin.yaml");
    let plan = example("plan-short.yaml");
    let wrong = "brighter=lefd,dimmer=right";
    let cases: &[&[&str]] = &[
        &["show", "latest"],
        &["show", "12"],
        &["place", "D-17", "--lamp", &lamp, "--fingers", wrong],
        &["place", "D-17", "--lamp", &plan, "--fingers", FINGERS],
        &[
            "place",
            "D-17",
            "--lamp",
            &lamp,
            "--bench",
            "strnd",
            "--fingers",
            FINGERS,
        ],
        &[
            "place",
            "D-17",
            "--lamp",
            &lamp,
            "--gauge",
            "6 furlong",
            "--fingers",
            FINGERS,
        ],
        &["book", &plan, "--unit", "D-99"],
        &["book", &lamp, "--unit", "D-17", "--lamp", &lamp],
        &["answer", "3"],
    ];
    let examples = example("");
    let told: Vec<String> = cases
        .iter()
        .map(|words| {
            let told = daemon.told(words);
            let said = format!(
                "$ wakerail {}\n[code {}]\n{}{}",
                words.join(" "),
                told.code,
                told.out,
                told.err
            );
            said.replace(&examples, "")
        })
        .collect();
    insta::assert_snapshot!(told.join("\n"));
}

/// A run whose unit stands nowhere, and one whose place was taken by another
/// unit, are held and ask; neither measures the wrong lamp.
#[test]
fn a_run_without_its_lamp_is_held_until_it_is_placed_and_released() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), BENCH, 1);
    let lamp = example("lamp-dunlin.yaml");
    let plan = example("plan-short.yaml");
    let booked = daemon.ok(&["book", &plan, "--unit", "D-17", "--lamp", &lamp]);
    assert!(
        booked.contains("held: unit `D-17` stands on no bench"),
        "{booked}"
    );
    let refused = daemon.told(&["release", "1"]);
    assert_eq!(refused.code, 75, "{refused:?}");
    place(&daemon, "D-18");
    assert_eq!(daemon.told(&["release", "1"]).code, 75);
    let placed = place(&daemon, "D-17");
    assert!(placed.contains("D-18 no longer stands there"), "{placed}");
    assert!(placed.contains("`wakerail release 1`"), "{placed}");
    let held = daemon.ok(&["book", &plan, "--unit", "D-17", "--hold"]);
    assert!(
        held.contains("held: booked to be released by hand"),
        "{held}"
    );
    place(&daemon, "D-19");
    place(&daemon, "D-17");
    daemon.ok(&["release", "1"]);
    assert_eq!(daemon.told(&["watch", "1"]).code, 0);
    daemon.ok(&["release", "2"]);
    assert_eq!(daemon.told(&["watch", "2"]).code, 0);
}

/// Looks until the first run has taken a reading. An evening survey is at
/// work for seconds, a look takes some hundredths of one.
fn until_it_reads(daemon: &Daemon) {
    for _ in 0..1000 {
        let row = daemon.ok(&["runs", "--format", "csv"]);
        let readings = row.lines().nth(1).and_then(|line| line.split(',').nth(10));
        if readings.is_some_and(|count| count != "0") {
            return;
        }
    }
    panic!("run 1 never took a reading");
}

fn until_held(daemon: &Daemon, run: &str) {
    for _ in 0..1000 {
        let rows = daemon.ok(&["runs", "--format", "csv"]);
        let mut rows = rows
            .lines()
            .map(|line| line.split(',').take(2).collect::<Vec<_>>());
        if rows.any(|row| row == [run, "held"]) {
            return;
        }
    }
    panic!("run {run} was never held");
}

/// Told to leave, then killed: what a person sees of it.
#[test]
fn a_run_that_was_broken_off_goes_on() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut code = None;
    let plan = example("plan-evening-survey.yaml");
    for sitting in 1..=3 {
        let daemon = Daemon::start(folder.path(), BENCH, 5);
        if sitting == 1 {
            place(&daemon, "D-17");
            daemon.ok(&["book", &plan, "--unit", "D-17"]);
        }
        match sitting {
            1 => {
                until_it_reads(&daemon);
                daemon.signal("TERM");
                let (ended, log) = daemon.ended();
                assert_eq!(ended, Some(0), "{log}");
                assert!(log.contains("left: runs that are not over go on"), "{log}");
            }
            2 => {
                // The first sitting's readings are there at once; what this
                // one did when it is killed does not matter.
                daemon.signal("KILL");
                assert_eq!(daemon.ended().0, None);
            }
            _ => {
                code = Some(daemon.told(&["watch", "1"]).code);
                let journal = daemon.ok(&["show", "1", "--journal", "--format", "csv"]);
                let kinds: Vec<&str> = journal
                    .lines()
                    .filter_map(|line| line.split(',').nth(4))
                    .collect();
                assert!(kinds.contains(&"seam"), "no seam in {} events", kinds.len());
                assert!(kinds.contains(&"resumed"));
                let readings = daemon.ok(&["readings", "1", "--format", "csv"]);
                let results = readings
                    .lines()
                    .filter(|line| line.contains(",read,"))
                    .count();
                assert_eq!(results, 12 * 12 * 5);
            }
        }
    }
    assert_eq!(code, Some(0));
}

/// A bench file that was changed under a run: the run is held, because what it
/// would measure now is not what its account tells, and goes on with the file as
/// it was.
#[test]
fn a_bench_that_changed_under_a_run_holds_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let data = folder.path().join("data");
    let bench = folder.path().join("bench.yaml");
    let text = std::fs::read_to_string(example(BENCH)).expect("text");
    let changed = text.replace("integration: 200 ms", "integration: 400 ms");
    assert_ne!(changed, text);
    let start = |text: &str| {
        std::fs::write(&bench, text).expect("written");
        Daemon::start(&data, &bench.to_string_lossy(), 5)
    };
    let daemon = start(&text);
    place(&daemon, "D-17");
    let plan = example("plan-evening-survey.yaml");
    daemon.ok(&["book", &plan, "--unit", "D-17"]);
    until_it_reads(&daemon);
    daemon.ok(&["book", &example("plan-short.yaml"), "--unit", "D-17"]);
    daemon.signal("KILL");
    assert_eq!(daemon.ended().0, None);

    let daemon = start(&changed);
    let words = "the file of bench `strand` says otherwise than when this run was booked (the \
                 meter `lux-head`)";
    until_held(&daemon, "1");
    let shown = daemon.ok(&["show", "1", "--journal"]);
    assert!(shown.contains(words), "{shown}");
    let refused = daemon.told(&["release", "1"]);
    assert_ne!(refused.code, 0);
    assert!(refused.err.contains(words), "{refused:?}");
    daemon.signal("TERM");
    assert_eq!(daemon.ended().0, Some(0));

    let daemon = start(&text);
    daemon.ok(&["release", "1"]);
    for run in ["1", "2"] {
        assert_eq!(daemon.told(&["watch", run]).code, 0);
    }
}

/// Two signals that have both arrived before the daemon looks: it ends without
/// making the bench safe, and says so.
#[test]
fn a_second_signal_ends_the_daemon_at_once() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), BENCH, 5);
    place(&daemon, "D-17");
    daemon.ok(&[
        "book",
        &example("plan-evening-survey.yaml"),
        "--unit",
        "D-17",
    ]);
    until_it_reads(&daemon);
    for signal in ["STOP", "TERM", "INT", "CONT"] {
        daemon.signal(signal);
    }
    let (code, log) = daemon.ended();
    assert_eq!(code, Some(75), "{log}");
    assert!(log.contains("before the bench was made safe"), "{log}");
    let daemon = Daemon::start(folder.path(), BENCH, 5);
    daemon.ok(&["show", "1"]); // the record is whole
}

/// A child ignores what its parent ignored, so under `nohup` nothing can be lost.
fn hangups_are_ignored() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let ignored = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    let mask = ignored.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok());
    mask.is_some_and(|mask| mask & 1 == 1) // SIGHUP is signal 1
}

/// A closed lid or a lost connection at night: the log cannot be written any
/// more, and SIGHUP comes, from the kernel and from the shell.
#[test]
fn a_lost_terminal_makes_the_bench_safe() {
    if hangups_are_ignored() {
        eprintln!("SKIPPED: a lost terminal; SIGHUP is ignored here, and so by the daemon (nohup)");
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let mut daemon = Daemon::start(folder.path(), BENCH, 5);
    place(&daemon, "D-17");
    daemon.ok(&[
        "book",
        &example("plan-evening-survey.yaml"),
        "--unit",
        "D-17",
    ]);
    until_it_reads(&daemon);
    daemon.unheard();
    for signal in ["STOP", "HUP", "HUP", "CONT"] {
        daemon.signal(signal);
    }
    assert_eq!(daemon.ended().0, Some(0));
    let daemon = Daemon::start(folder.path(), BENCH, 5);
    let journal = daemon.ok(&["show", "1", "--journal"]);
    assert!(journal.contains("no finger presses"), "{journal}");
}

/// Under `nohup` the person wants it to go on.
#[test]
fn a_hangup_that_is_ignored_stays_ignored() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start_under_nohup(folder.path(), BENCH, 5);
    daemon.signal("HUP");
    daemon.ok(&["runs"]);
    daemon.signal("TERM");
    let (code, log) = daemon.ended();
    assert_eq!(code, Some(0), "{log}");
}

/// The record cannot be written any more: whoever looks on, lists, or ends the
/// daemon is told; with room again the run goes on and is complete.
#[test]
fn a_full_disk_is_told_everywhere_and_costs_no_reading() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start_on_a_small_disk(folder.path(), BENCH, 5);
    place(&daemon, "D-17");
    daemon.ok(&[
        "book",
        &example("plan-evening-survey.yaml"),
        "--unit",
        "D-17",
    ]);
    let watched = daemon.told(&["watch", "1"]);
    assert_eq!(watched.code, 74, "{watched:?}");
    let row = daemon.ok(&["runs"]);
    let shown = daemon.ok(&["show", "1"]);
    // Another lamp in its place would be measured as this one.
    let lamp = example("lamp-dunlin.yaml");
    let other = daemon.told(&["place", "D-18", "--lamp", &lamp, "--fingers", FINGERS]);
    assert_eq!(other.code, 75, "{other:?}");
    assert!(other.err.contains("has begun and is not over"), "{other:?}");
    let log = {
        daemon.signal("TERM");
        let (code, log) = daemon.ended();
        assert_eq!(code, Some(74), "{log}");
        log
    };
    for told in [&watched.err, &row, &shown, &log] {
        assert!(told.contains("out of service: its record failed"), "{told}");
    }
    let daemon = Daemon::start(folder.path(), BENCH, 5);
    assert_eq!(daemon.told(&["watch", "1"]).code, 0);
    let readings = daemon.ok(&["readings", "1", "--format", "csv"]);
    let results = readings.lines().filter(|line| line.contains(",read,"));
    assert_eq!(results.count(), 12 * 12 * 5);
}

#[test]
fn a_stopped_run_is_told_apart_by_its_exit_code() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), BENCH, 1);
    place(&daemon, "D-17");
    let plan = example("plan-evening-survey.yaml");
    daemon.ok(&["book", &plan, "--unit", "D-17", "--hold"]);
    daemon.ok(&["stop", "1"]);
    let told = daemon.told(&["watch", "1"]);
    assert_eq!(told.code, 3, "{told:?}");
    assert_eq!(daemon.told(&["stop", "1"]).code, 75);
    daemon.ok(&["book", &plan, "--unit", "D-17"]);
    daemon.ok(&["stop", "2"]);
    assert_eq!(daemon.told(&["watch", "2"]).code, 3);
    let left = daemon.ok(&["show", "2"]);
    assert!(left.contains("bench left"), "{left}");
}

/// No fingers: the daemon asks, and each question is answered from outside.
#[test]
fn a_survey_by_hand_is_answered_from_another_terminal() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), "bench-strand-by-hand.yaml", 2);
    let lamp = example("lamp-turnstone.yaml");
    daemon.ok(&["place", "T-1", "--lamp", &lamp]);
    daemon.ok(&["book", &example("plan-short.yaml"), "--unit", "T-1"]);
    let mut asked = 0;
    // Far above the number of questions: one that comes again and again is a
    // fault.
    let mut refused = 0;
    for _ in 0..400 {
        let row = daemon.ok(&["runs", "--format", "csv"]);
        let state = row.lines().nth(1).and_then(|line| line.split(',').nth(1));
        match state {
            Some("held") => {
                // A question is no hold: a release would be for the next one.
                let released = daemon.told(&["release", "latest"]);
                assert_eq!(released.code, 75, "{released:?}");
                refused += usize::from(released.err.contains("it asks a question"));
                let told = daemon.told(&["answer", "latest"]);
                // The last answer may not have been taken in yet.
                match told.code {
                    0 => asked += 1,
                    75 => {}
                    _ => panic!("{told:?}"),
                }
            }
            Some("complete") => break,
            Some("measuring" | "waiting") => {}
            other => panic!("{other:?}: {}", daemon.ok(&["show", "latest"])),
        }
    }
    assert_eq!(daemon.told(&["watch", "latest"]).code, 0);
    // Cap on, cap off, dark room; the highest level, the middle one, off.
    assert!((4..=12).contains(&asked), "{asked} questions");
    assert!(refused > 0);
}
