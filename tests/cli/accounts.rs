//! Accounts and scripts as a person meets them, over a short run that really
//! was measured.

use std::collections::BTreeSet;
use std::path::Path;

use super::daemon::{Daemon, example, wakerail};

const CRITERIA: &str = "
criteria:
  bright at two feet:
    script: mine.rhai
    given: {target: 300 lx}
metrics:
  span:
    script: span.rhai
";

const MINE: &str = "// Whether the highest level gives a target at two feet.
fn given() { #{ target: \"250 lx\" } }
fn criterion(run, given) { at_least(run.levels[-1].lux_at(0.6096), given.target) }
";

const SPAN: &str = "// How much brighter the highest level is than the lowest.
fn metric(run, given) { run.levels[-1].lux_at(0.6096) / run.levels[0].lux_at(0.6096) }
";

fn written(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    std::fs::write(&path, text).expect("written");
    path.to_string_lossy().into_owned()
}

/// A daemon with one complete run.
fn measured(data: &Path, files: &Path) -> Daemon {
    let daemon = Daemon::start(data, "bench-strand.yaml", 1);
    let short = std::fs::read_to_string(example("plan-short.yaml")).expect("an example");
    let plan = written(files, "plan.yaml", &(short + CRITERIA));
    written(files, "mine.rhai", MINE);
    written(files, "span.rhai", SPAN);
    let lamp = example("lamp-dunlin.yaml");
    let fingers = "brighter=left,dimmer=right,power=round";
    daemon.ok(&[
        "place",
        "D-17",
        "--lamp",
        &lamp,
        "--gauge",
        "6 in",
        "--fingers",
        fingers,
    ]);
    daemon.ok(&["book", &plan, "--unit", "D-17"]);
    daemon.ok(&["watch", "1"]);
    daemon
}

/// Every id that stands on the report of run 1.
fn ids(page: &str) -> BTreeSet<String> {
    let words = page.split(|c: char| c.is_whitespace() || "<>\"'()#[]`".contains(c));
    let ids = words
        .filter(|word| word.starts_with("1.look.") || word.starts_with("1.r") && word.len() < 6);
    ids.map(|id| id.trim_end_matches(['.', ',']).to_owned())
        .collect()
}

/// Promise P8: one command from each printed figure to raw bytes, plan line,
/// script text, meter, calibration, unit and firmware.
#[test]
fn every_figure_of_a_report_has_an_account() {
    let (data, files) = (
        tempfile::tempdir().expect("a folder"),
        tempfile::tempdir().expect("one"),
    );
    let daemon = measured(data.path(), files.path());
    let page = daemon.ok(&["report", "1", "--to", "-"]);
    let ids = ids(&page);
    assert!(
        ids.len() > 20 && ids.contains("1.r1") && ids.contains("1.r2"),
        "{ids:?}"
    );
    for id in &ids {
        let text = daemon.ok(&["account", id, "--format", "json"]);
        let account: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        let plan = account["plan"]["text"].as_str().expect("a plan line");
        assert!(
            !plan.is_empty() && account["plan"]["file"] == "plan.yaml",
            "{id}: {plan}"
        );
        assert_eq!(account["placement"]["unit"], "D-17", "{id}");
        assert_eq!(
            account["journal"]["link"].as_str().map(str::len),
            Some(64),
            "{id}"
        );
        if id.contains(".r") && !id.contains("look") {
            let script = account["ruling"]["script_text"].as_str().expect("a text");
            assert!(script.starts_with("// "), "{id}: {script}");
            for figure in account["rests_on"].as_array().expect("ids") {
                let on = figure["id"].as_str().expect("an id");
                assert!(ids.contains(on), "{id} rests on {on}");
            }
        } else if id.ends_with(".home") {
            assert!(account["events"][0]["line"].is_string(), "{id}");
        } else {
            let raw = &account["readings"][0]["readings"][0]["raw"];
            assert!(
                raw.as_str().is_some_and(|raw| raw.ends_with("\\n")),
                "{id}: {raw}"
            );
            assert!(account["meters"][0]["certificate"].is_string(), "{id}");
        }
    }
    let told = daemon.ok(&["account", "latest.look.L12@24in"]);
    assert!(
        told.starts_with("1.look.L12@24in\nIlluminance of dunlin D-17"),
        "{told}"
    );
    let cases: &[&[&str]] = &[
        &["account", "1.look.L12@25in"],
        &["account", "1.look.L13@24in"],
        &["account", "look.L12"],
        &["account", "1.look"],
        &["account", "1.look.L12.drft"],
        &["account", "1.look.L12@24"],
        &["account", "7.look"],
        &["account", "7.look.L12@24in"],
        &["account", "1.r9"],
    ];
    insta::assert_snapshot!("no_account", said(&daemon, cases, files.path()));
    scripts(&daemon, files.path());
}

fn said(daemon: &Daemon, cases: &[&[&str]], files: &Path) -> String {
    let files = files.to_string_lossy().into_owned();
    let one = |words: &&[&str]| {
        let told = daemon.told(words);
        let text = format!(
            "$ wakerail {}\n[code {}]\n{}{}",
            words.join(" "),
            told.code,
            told.out,
            told.err
        );
        text.replace(&files, "FILES")
    };
    let all: Vec<String> = cases.iter().map(one).collect();
    all.join("\n")
}

/// A script is tried on the run; nothing of it is stored.
fn scripts(daemon: &Daemon, files: &Path) {
    let mine = files.join("mine.rhai").to_string_lossy().into_owned();
    let span = files.join("span.rhai").to_string_lossy().into_owned();
    let wrong = written(
        files,
        "wrong.rhai",
        "fn criterion(run, given) { at_most(run.levls, 3) }\n",
    );
    let cases: &[&[&str]] = &[
        &["script", "try", &mine, "1"],
        &[
            "script",
            "try",
            &mine,
            "latest",
            "--given",
            "target=9 klx",
            "--test",
            "look",
        ],
        &["script", "try", "drift-within", "1"],
        &["script", "try", &span, "1"],
        &[
            "script",
            "try",
            &mine,
            "1",
            "--given",
            "target=3 m",
            "--given",
            "far=2",
        ],
        &["script", "try", &mine, "1", "--given", "target"],
        &["script", "try", &mine, "1", "--test", "lok"],
        &["script", "try", &mine, "7"],
        &["script", "try", &wrong, "1"],
    ];
    let before = daemon.ok(&["rulings", "1", "--all", "--format", "csv"]);
    insta::assert_snapshot!("scripts_tried", said(daemon, cases, files));
    assert_eq!(
        before,
        daemon.ok(&["rulings", "1", "--all", "--format", "csv"])
    );
}

#[test]
fn scripts_are_checked_and_shown_without_a_daemon() {
    let folder = tempfile::tempdir().expect("a folder");
    let sound = written(folder.path(), "mine.rhai", MINE);
    let wrong = written(
        folder.path(),
        "wrong.rhai",
        "// Two mistakes.\nfn given() { #{ target: \"250 furlongs\" } }\nfn criterion(run, given) {\n    at_leest(run.levels[0].lux, given.target)\n}\n",
    );
    let broken = written(
        folder.path(),
        "broken.rhai",
        "fn criterion(run, given) {\n    at_least(\n",
    );
    let path = folder.path().to_string_lossy().into_owned();
    let cases: &[&[&str]] = &[
        &["script", "check", &sound],
        &["script", "check", &sound, &wrong, &broken],
        &["script", "check", &wrong, "--format", "json"],
        &["script", "check", "not-there.rhai"],
        &["script", "list"],
        &["script", "list", "--format", "json"],
        &["script", "show", "drift-within"],
        &["script", "show", "drift-withn"],
    ];
    let one = |words: &&[&str]| {
        let told = wakerail(folder.path(), words);
        let (code, text) = (told.code, [told.out, told.err].concat());
        format!("$ wakerail {}\n[code {code}]\n{text}", words.join(" ")).replace(&path, "FILES")
    };
    let all: Vec<String> = cases.iter().map(one).collect();
    insta::assert_snapshot!("scripts_checked", all.join("\n"));
}
