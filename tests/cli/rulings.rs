//! Rulings as a person meets them: after a night, again under another limit,
//! with a script of their own, with another certificate.

use std::path::Path;

use super::daemon::{Daemon, example, wakerail};

/// A demo's record with a daemon on it.
fn after_a_night(folder: &Path) -> Daemon {
    let told = wakerail(
        folder,
        &["demo", "--short", "--data", &folder.to_string_lossy()],
    );
    assert_eq!(told.code, 0, "{told:?}");
    Daemon::start(folder, "bench-strand.yaml", 1)
}

fn written(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    std::fs::write(&path, text).expect("written");
    path.to_string_lossy().into_owned()
}

/// Rounds are headed by when they were made: not the same twice.
fn without_times(text: &str) -> String {
    let line = |line: &str| match line.rsplit_once(", ") {
        Some((head, _)) if line.starts_with("by ") => format!("{head}, WHEN\n"),
        _ => format!("{line}\n"),
    };
    text.lines().map(line).collect()
}

/// The example plan with other criteria.
fn plan_with(criteria: &str) -> String {
    let text = std::fs::read_to_string(example("plan-evening-survey.yaml")).expect("an example");
    let start = text.find("criteria:").expect("criteria");
    let end = text.find("policies:").expect("policies");
    format!("{}{criteria}\n{}", &text[..start], &text[end..])
}

/// Nine lines, written from `help scripts` alone.
const OWN: &str = "// Whether a level is near to a reading light.
fn given() { #{ light: \"250 lx\", within: \"25 %\", distance: \"24 in\" } }
fn criterion(run, given) {
    let rulings = [];
    for level in run.levels {
        rulings.push(same_as(level.lux_at(given.distance), given.light, given.within).named(level.name));
    }
    any_of(rulings)
}
";

#[test]
fn a_night_is_ruled_on_and_ruled_on_again() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = after_a_night(folder.path());
    let raw = || daemon.ok(&["readings", "1", "--what", "all", "--format", "csv"]);
    let (before, mut all) = (raw(), String::new());
    let mut say = |words: &[&str]| {
        let told = daemon.told(words);
        let path = folder.path().to_string_lossy().into_owned();
        let shown: Vec<String> = words.iter().map(|w| w.replace(&path, "FOLDER")).collect();
        let out = without_times(&told.out);
        let (out, err) = (out.trim_end(), told.err.trim_end());
        all += &format!(
            "$ wakerail {}\n{out}\n{err}\n[{}]\n\n",
            shown.join(" "),
            told.code
        );
    };
    say(&["rulings", "1"]);
    let strict = plan_with(
        "criteria:\n  very bright:\n    script: reaches-target\n    given: {target: 20000 lx, distance: 24 in}\n  \
         a reading light:\n    script: own.rhai\nmetrics:\n  directed:\n    script: directivity\n    \
         given: {flux: 400 lm}\n",
    );
    written(folder.path(), "own.rhai", OWN);
    let strict = written(folder.path(), "strict.yaml", &strict);
    say(&["rule", "1", "--plan", &strict]);
    say(&[
        "rule",
        "1",
        "--certificate",
        "K-2027-114",
        "--gain",
        "1.1",
        "--certificate-u",
        "3 %",
    ]);
    // Trials stand beside the run's own rulings, and put none of them aside.
    say(&["rulings", "1"]);
    say(&["rule", "1", "--certificate", "K-2027-114", "--gain", "11"]);
    say(&["rule", "1", "--gain", "1.1"]);
    say(&["rule", "1", "--certificate", "K-2027-114"]);
    say(&["rule", "9"]);
    insta::assert_snapshot!(all);
    let page = daemon.ok(&["report", "1", "--to", "-"]);
    for by in ["plan strict.yaml (", "as with certificate K-2027-114"] {
        let found = page.find(by).expect("a trial is named");
        assert!(
            page.find("bright enough").is_some_and(|own| own < found),
            "{by}"
        );
    }
    // The plan that ruled is told by its own text, k and budget with it.
    let ids = daemon.ok(&["rulings", "1", "--all", "--format", "json"]);
    let ids: serde_json::Value = serde_json::from_str(&ids).expect("JSON");
    let very = ids.as_array().expect("rulings").iter();
    let very = very.clone().find(|ruling| ruling["name"] == "very bright");
    let id = very
        .and_then(|ruling| ruling["id"].as_str())
        .expect("an id");
    let told = daemon.ok(&["account", id]);
    for wanted in [
        "Plan: strict.yaml:",
        "very bright:",
        "k = 2",
        "effective degrees of freedom",
    ] {
        assert!(told.contains(wanted), "{wanted}: {told}");
    }
    let under = ids.as_array().expect("rulings").iter();
    let mut under = under.filter(|r| r["certificate"].is_string() && r["word"].is_string());
    let id = under.next().and_then(|r| r["id"].as_str()).expect("an id");
    let told = daemon.ok(&["account", id]);
    for wanted in ["x gain", "certificate K-2027-114, due not known"] {
        assert!(told.contains(wanted), "{wanted}: {told}");
    }
    let rounds = daemon.ok(&["rulings", "1", "--all", "--format", "csv"]);
    // What was refused left no round.
    assert!(!rounds.contains(",4,asked for,"), "{rounds}");
    for round in ["1,the run ended", "2,asked for", "3,asked for"] {
        let (number, cause) = round.split_once(',').expect("two");
        let stands = |line: &&str| line.contains(&format!(",{number},")) && line.contains(cause);
        assert!(
            rounds.lines().any(|line| stands(&line)),
            "{round}: {rounds}"
        );
    }
    assert_eq!(before, raw(), "raw readings are never touched");
    let mut all = String::new();
    let mut say = |words: &[&str]| {
        let told = daemon.told(words);
        let out = without_times(&told.out);
        let (out, err) = (out.trim_end(), told.err.trim_end());
        all += &format!("{out}\n{err}\n[{}]\n\n", told.code);
    };
    // What was ruled before readings were set aside says so, and a criterion
    // for a test that the run does not have is not left out.
    daemon.ok(&["set-aside", "1.levels.L12@24in", "--because", "door open"]);
    say(&["rulings", "1"]);
    // Taken back, the same readings count: what was ruled is as good as before.
    let back = ["--take-back", "--because", "it was shut"];
    daemon.ok(&[&["set-aside", "1.levels.L12@24in"], &back[..]].concat());
    assert_eq!(daemon.told(&["rulings", "1"]).code, 0);
    assert!(
        !daemon
            .ok(&["report", "1", "--to", "-"])
            .contains("outdated")
    );
    daemon.ok(&["set-aside", "1.levels.L12@24in", "--because", "door open"]);
    assert!(
        daemon
            .ok(&["report", "1", "--to", "-"])
            .contains("outdated")
    );
    let told = daemon.ok(&["account", "1.r1"]);
    assert!(
        told.contains("Note: ruled before readings were set aside"),
        "{told}"
    );
    let other = plan_with(
        "criteria:\n  bright:\n    script: reaches-target\n    given: {distance: 24 in}\n    test: others\n",
    );
    let other = other.replace("  levels:", "  others:");
    let other = written(folder.path(), "other.yaml", &other);
    say(&["rule", "1", "--plan", &other]);
    say(&["rule", "1"]);
    say(&["rule", "1", "--certificate", "K", "--gain", "nan"]);
    insta::assert_snapshot!("after_setting_aside", all);
}

#[test]
fn what_is_wrong_with_criteria_is_told_all_at_once() {
    let folder = tempfile::tempdir().expect("a folder");
    let wrong = plan_with(
        "criteria:\n  one:\n    script: reaches-targt\n  two:\n    script: directivity\n  three:\n    \
         script: useful-steps\n    given: {ratoi: 10, ratio: 5 lx}\n  four:\n    script: broken.rhai\n  \
         five:\n    script: nowhere.rhai\n    test: level\n  six:\n    script: ../etc/passwd\n  seven: 3\n",
    );
    let broken = "fn criterion(run, given) {\n    at_leest(run.levels[0].reference, 3);\n    \
                  let x = foo(1;\n}\n";
    written(folder.path(), "broken.rhai", broken);
    let plan = written(folder.path(), "wrong.yaml", &wrong);
    let told = wakerail(folder.path(), &["check", &plan]);
    assert_eq!(told.code, 65, "{told:?}");
    insta::assert_snapshot!(told.err);
}

#[test]
fn the_report_is_one_file_that_needs_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = after_a_night(folder.path());
    let page = folder.path().join("page.html");
    let words = ["report", "latest", "--to", &page.to_string_lossy()];
    daemon.ok(&words);
    let html = std::fs::read_to_string(&page).expect("a page");
    assert_eq!(html, std::fs::read_to_string(&page).expect("a page"));
    for wanted in [
        "<!DOCTYPE html>",
        "pass: bright enough",
        "1.levels.L07@24in",
        "prefers-color-scheme",
    ] {
        assert!(html.contains(wanted), "{wanted}");
    }
    for unwanted in ["http://", "https://", "<script", "<link", "url("] {
        let spaces = html.replace("http://www.w3.org", "");
        let at = spaces.find(unwanted);
        let clip =
            unwanted == "url(" && spaces.matches("url(").count() == spaces.matches("url(#").count();
        assert!(at.is_none() || clip, "{unwanted}");
    }
    let nowhere = daemon.told(&["report", "1", "--to", "/nowhere/page.html"]);
    assert_eq!(nowhere.code, 73, "{nowhere:?}");
}
