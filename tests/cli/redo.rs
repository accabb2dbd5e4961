//! Measuring part of a run again.

use super::daemon::{Daemon, Told, example};

const FINGERS: &str = "brighter=left,dimmer=right,power=round";

fn place(daemon: &Daemon) {
    let lamp = example("lamp-dunlin.yaml");
    daemon.ok(&["place", "D-17", "--lamp", &lamp, "--fingers", FINGERS]);
}

/// A short run, over: levels 12 and 6 at 12, 24 and 48 in, two readings each.
fn measured(folder: &std::path::Path) -> Daemon {
    let daemon = Daemon::start(folder, "bench-strand.yaml", 1);
    place(&daemon);
    let plan = example("plan-short.yaml");
    daemon.ok(&["book", &plan, "--unit", "D-17"]);
    assert_eq!(daemon.told(&["watch", "1"]).code, 0);
    daemon
}

fn said(daemon: &Daemon, words: &[&str]) -> String {
    let Told { code, out, err } = daemon.told(words);
    format!("$ wakerail {}\n[code {code}]\n{out}{err}", words.join(" "))
}

/// Setting and position of every result of kind `read`.
fn points(daemon: &Daemon, run: &str) -> Vec<String> {
    let readings = daemon.ok(&["readings", run, "--format", "csv"]);
    let mut points: Vec<String> = readings
        .lines()
        .map(|line| line.split(',').collect::<Vec<_>>())
        .filter(|cells| cells.get(5) == Some(&"read"))
        .map(|cells| format!("{} {}", cells[3], cells[4]))
        .collect();
    points.sort();
    points.dedup();
    points
}

#[test]
fn what_cannot_be_measured_again_is_told_all_at_once() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = measured(folder.path());
    let plan = example("plan-short.yaml");
    daemon.ok(&["book", &plan, "--unit", "D-17", "--hold"]);
    let all_wrong = [
        "redo",
        "1",
        "--test",
        "lok",
        "--setting",
        "L12,L7",
        "--position",
        "25 in,6 furlong",
    ];
    let cases: [&[&str]; 4] = [
        &["redo", "1"],
        &["redo", "2"],
        &["redo", "9", "--test", "look"],
        &all_wrong,
    ];
    let told: Vec<String> = cases.iter().map(|words| said(&daemon, words)).collect();
    insta::assert_snapshot!(told.join("\n"));
}

#[test]
fn a_chosen_part_is_measured_again_and_names_its_run() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = measured(folder.path());
    let before = daemon.ok(&["readings", "1", "--what", "all", "--format", "csv"]);
    let chosen = [
        "redo",
        "1",
        "--setting",
        "L06",
        "--position",
        "24 in",
        "--hold",
    ];
    insta::assert_snapshot!("booked", daemon.ok(&chosen));
    // Placed anew: the run is frozen anew when it is released, and still asks
    // for nothing but what was chosen.
    place(&daemon);
    daemon.ok(&["release", "2"]);
    assert_eq!(daemon.told(&["watch", "2"]).code, 0);
    assert_eq!(points(&daemon, "2"), ["L06 0.6096"]);
    let runs = daemon.ok(&["runs"]);
    assert!(runs.contains("short look, redo of run 1"), "{runs}");
    let shown = daemon.ok(&["show", "2"]);
    assert!(shown.contains("redo of        run 1"), "{shown}");
    for (run, says) in [
        ("1", "Run 2 measures a part of this run again (complete)"),
        ("2", "This run measures a part of run 1 again"),
    ] {
        let page = daemon.ok(&["report", run, "--to", "-"]);
        assert!(page.contains(says), "report of run {run}");
    }
    let after = daemon.ok(&["readings", "1", "--what", "all", "--format", "csv"]);
    assert_eq!(before, after, "the old run stays as it is");
}

/// Nothing chosen: what no reading is left of, and it alone.
#[test]
fn without_a_choice_what_is_missing_is_measured_again() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = measured(folder.path());
    daemon.ok(&["set-aside", "1.look.L12@48in", "--because", "a shadow"]);
    daemon.ok(&["redo", "latest", "--format", "json"]);
    assert_eq!(daemon.told(&["watch", "2"]).code, 0);
    assert_eq!(points(&daemon, "2"), ["L12 1.2192"]);
    // A run that was stopped before it began lacks everything.
    let plan = example("plan-short.yaml");
    daemon.ok(&["book", &plan, "--unit", "D-17", "--hold"]);
    daemon.ok(&["stop", "3"]);
    let booked = daemon.ok(&["redo", "3", "--hold"]);
    assert!(
        booked.contains("again: look: L06, L12 at 12 in, 24 in, 48 in"),
        "{booked}"
    );
}
