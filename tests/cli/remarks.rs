//! Notes and readings set aside, as a person does it beside a run.

use super::daemon::{Daemon, Told, example};

const FINGERS: &str = "brighter=left,dimmer=right,power=round";

/// A short run, over.
fn measured(folder: &std::path::Path) -> Daemon {
    let daemon = Daemon::start(folder, "bench-strand.yaml", 1);
    let lamp = example("lamp-dunlin.yaml");
    daemon.ok(&["place", "D-17", "--lamp", &lamp, "--fingers", FINGERS]);
    let plan = example("plan-short.yaml");
    daemon.ok(&["book", &plan, "--unit", "D-17"]);
    assert_eq!(daemon.told(&["watch", "1"]).code, 0);
    daemon
}

/// Times depend on how long the daemon took to be asked.
fn without_times(text: &str) -> String {
    let part = |word: &str| {
        let is_time = word.len() >= 24 && word.contains('T') && word.contains("Z");
        match is_time {
            true => "TIME".to_owned() + word.split_once('Z').map_or("", |(_, rest)| rest),
            false => word.to_owned(),
        }
    };
    let line = |line: &str| line.split(' ').map(part).collect::<Vec<_>>().join(" ");
    text.lines().map(line).collect::<Vec<_>>().join("\n")
}

fn said(daemon: &Daemon, words: &[&str]) -> String {
    let Told { code, out, err } = daemon.told(words);
    let text = format!("$ wakerail {}\n[code {code}]\n{out}{err}", words.join(" "));
    without_times(&text)
}

#[test]
fn notes_and_set_asides_are_told_or_refused_with_what_to_do() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = measured(folder.path());
    let because = ["--because", "door open"];
    let aside = |key: &'static str| [&["set-aside", key][..], &because].concat();
    let mut told = vec![
        said(&daemon, &["note", "1", "thunder from 01:10"]),
        said(&daemon, &["note", "1", "  "]),
        said(&daemon, &["note", "9", "who is there"]),
        said(&daemon, &["set-aside", "levels", "--because", "x"]),
    ];
    for key in [
        "1:look/L12/24 in/read/1",
        "1:look/L12/609600000nm/read/1",
        "1.look.L12@24in",
        "1:look/L12/24 in",
        "1:lok/L12/24 in/read/1",
        "1:look/L21/24 in/read/1",
        "1:look/L12/25 in/read/1",
        "1:look/L12/24 furlong/read/1",
        "1:look/L12/24 in/raed/1",
        "1:look/L12/24 in/read/77",
        "1:look/L12",
    ] {
        told.push(said(&daemon, &aside(key)));
    }
    let attempt = [
        "set-aside",
        "1:look/L12/12 in/read/1",
        "--attempt",
        "4",
        "--because",
        "x",
    ];
    told.push(said(&daemon, &attempt));
    for key in [
        "1:look/L12/24 in/read/1",
        "1.look.L12@24in",
        "1:look/L12/24 in",
        "1:look/L12/12 in",
    ] {
        let back = ["set-aside", key, "--take-back", "--because", "wrong door"];
        told.push(said(&daemon, &back));
    }
    told.push(said(&daemon, &aside("1:look/L12/24 in/read/1")));
    insta::assert_snapshot!(told.join("\n"));

    let shown = daemon.ok(&["show", "1"]);
    let notes: Vec<&str> = shown.lines().rev().take(15).collect();
    let notes: Vec<&str> = notes.into_iter().rev().collect();
    insta::assert_snapshot!("shown", without_times(&notes.join("\n")));
    let json = daemon.ok(&["show", "1", "--format", "json"]);
    assert!(json.contains("\"kind\": \"set aside\""), "{json}");
}

/// The row stays, with its value, status and reason; the survey says what is
/// left; what was ruled stands.
#[test]
fn a_point_set_aside_stays_in_the_readings_and_leaves_the_survey() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = measured(folder.path());
    let readings = |what| daemon.ok(&["readings", "1", "--what", what, "--format", "csv"]);
    let before = (readings("results"), readings("all"));
    daemon.ok(&[
        "set-aside",
        "1:look/L12/24 in/read/1",
        "--because",
        "door open",
    ]);
    for (before, what) in [(&before.0, "results"), (&before.1, "all")] {
        let after = readings(what);
        assert_eq!(after.lines().count(), before.lines().count(), "{what}");
        let aside: Vec<&str> = after
            .lines()
            .filter(|l| l.contains(",set aside,"))
            .collect();
        assert_eq!(aside.len(), 1, "{what}");
        assert!(aside[0].contains(",door open,"), "{aside:?}");
        assert!(aside[0].ends_with(",1:look/L12/609600000nm/read/1"));
    }
    let survey = daemon.ok(&["survey", "1"]);
    let note = "* level 12 at 24 in: 1 reading set aside: door open.";
    assert!(survey.contains(note), "{survey}");
    daemon.ok(&["set-aside", "1.look.L12@24in", "--because", "door open"]);
    let survey = daemon.ok(&["survey", "1", "--format", "csv"]);
    let point = survey
        .lines()
        .find(|line| line.contains(",L12,") && line.contains(",0.6096,"));
    assert!(point.expect("a point").contains(",set aside,"), "{point:?}");
    let page = daemon.ok(&["report", "1", "--to", "-"]);
    assert!(page.contains("readings set aside: door open"));
    let back = ["--take-back", "--because", "wrong point"];
    daemon.ok(&[&["set-aside", "1.look.L12@24in"], &back[..]].concat());
    assert_eq!(readings("results"), before.0, "as it was before");
    let page = daemon.ok(&["report", "1", "--to", "-"]);
    assert!(!page.contains("readings set aside: door open"));
    let account = daemon.ok(&["account", "1.look.L12@24in"]);
    assert!(
        account.contains("that was taken back: wrong point"),
        "{account}"
    );
}

/// A remark is written beside the journal while the attendant writes it.
#[test]
fn a_note_is_taken_while_the_run_measures() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), "bench-strand.yaml", 1);
    let lamp = example("lamp-dunlin.yaml");
    daemon.ok(&["place", "D-17", "--lamp", &lamp, "--fingers", FINGERS]);
    let plan = example("plan-evening-survey.yaml");
    daemon.ok(&["book", &plan, "--unit", "D-17", "--hold"]);
    let early = daemon.told(&["note", "1", "not yet"]);
    assert_eq!(early.code, 75, "{early:?}");
    assert!(early.err.contains("has not begun"), "{early:?}");
    daemon.ok(&["release", "1"]);
    let mut taken = false;
    for _ in 0..200 {
        let noted = daemon.told(&["note", "1", "footsteps"]);
        let state = daemon.ok(&["runs", "--format", "csv"]);
        let measuring = state.contains("1,measuring,");
        taken |= noted.code == 0 && measuring;
        if taken {
            break;
        }
    }
    assert!(taken, "the run was over before a note was taken");
    assert_eq!(daemon.told(&["watch", "1"]).code, 0);
    assert!(daemon.ok(&["show", "1"]).contains("footsteps"));
}
