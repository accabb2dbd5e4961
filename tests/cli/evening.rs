//! The sheets of the evening and the morning, by the real program.

use super::daemon::{Daemon, Told, example};

const FINGERS: &str = "brighter=left,dimmer=right,power=round";

fn said(daemon: &Daemon, words: &[&str]) -> String {
    let Told { code, out, err } = daemon.told(words);
    format!("$ wakerail {}\n[code {code}]\n{out}{err}", words.join(" "))
}

/// Booked before the unit stands anywhere; the clock of the rehearsal stands at
/// 20:00 until a run begins.
#[test]
fn a_night_is_prepared_measured_and_told() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), "bench-strand.yaml", 1);
    let lamp = example("lamp-dunlin.yaml");
    let (night, short) = (example("plan-night.yaml"), example("plan-short.yaml"));
    let mut told = vec![said(&daemon, &["tonight"]), said(&daemon, &["morning"])];
    daemon.ok(&["book", &night, "--unit", "D-17", "--lamp", &lamp]);
    told.push(said(&daemon, &["tonight"]));
    daemon.ok(&["place", "D-17", "--lamp", &lamp, "--fingers", FINGERS]);
    daemon.ok(&["book", &short, "--unit", "D-17", "--hold"]);
    told.push(said(&daemon, &["tonight"]));
    daemon.ok(&["stop", "1"]);
    daemon.ok(&["release", "2"]);
    assert_eq!(daemon.told(&["watch", "2"]).code, 0);
    told.push(said(&daemon, &["morning"]));
    // Nothing is left of a point: it is a gap, and `redo` fills it as it is told.
    daemon.ok(&["set-aside", "2.look.L12@48in", "--because", "a shadow"]);
    told.push(said(&daemon, &["morning", "--since", "2026-11-02T20:00"]));
    daemon.ok(&["redo", "2", "--hold"]);
    told.push(said(&daemon, &["morning", "--since", "2026-11-03T00:00"]));
    told.push(said(&daemon, &["morning", "--since", "noon"]));
    insta::assert_snapshot!(told.join("\n"));
}

/// For programs: the same sheets as JSON.
#[test]
fn the_sheets_are_told_as_json() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), "bench-strand.yaml", 1);
    let lamp = example("lamp-dunlin.yaml");
    let night = example("plan-night.yaml");
    daemon.ok(&["book", &night, "--unit", "D-17", "--lamp", &lamp]);
    let json = |words: &[&str]| -> serde_json::Value {
        serde_json::from_str(&daemon.ok(words)).expect("JSON")
    };
    let tonight = json(&["tonight", "--format", "json"]);
    let run = &tonight["benches"][0]["runs"][0];
    assert_eq!(run["begins"]["local"], "2026-11-02T22:00:00+00:00");
    assert_eq!(run["fits"], true);
    assert_eq!(tonight["rehearsal"], 1);
    let morning = json(&["morning", "--format", "json"]);
    let run = &morning["runs"][0];
    assert_eq!(run["state"], "held");
    assert_eq!(run["needs"][0]["commands"][0], "wakerail release 1");
    assert_eq!(morning["since"]["local"], "2026-11-01T12:00:00+00:00");
}

/// Who works the lamp by hand hears in the evening what will be asked, and in the
/// morning what is asked now.
#[test]
fn an_open_question_is_told_until_it_is_answered() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), "bench-strand-by-hand.yaml", 2);
    let lamp = example("lamp-turnstone.yaml");
    let place = ["place", "T-2", "--lamp", &lamp];
    daemon.ok(&place);
    daemon.ok(&[
        "book",
        &example("plan-short.yaml"),
        "--unit",
        "T-2",
        "--hold",
    ]);
    let evening = said(&daemon, &["tonight"]);
    daemon.ok(&["release", "1"]);
    // It waits at its first question for as long as nobody answers; that it is held
    // is written a moment after it asks.
    let asked = (0..400)
        .map(|_| said(&daemon, &["morning"]))
        .find(|morning| morning.contains("asks: ") && morning.contains(": HELD"));
    let asked = asked.expect("a question");
    insta::assert_snapshot!([evening, asked, said(&daemon, &["tonight"])].join("\n"));
}
