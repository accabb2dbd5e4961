//! A whole characterisation where nothing works the lamp: a person sets it, sets
//! its alarm, caps the meter, loads the sphere and switches its lamps, and is told
//! in the evening and in the morning what there is to do.

use std::path::{Path, PathBuf};

use drivers::simulated::lamp_model::LampModel;
use drivers::simulated::programs::Program;
use photometry::units::Length;
use serde_json::Value;

use super::daemon::{Daemon, Told};

const UNIT: &str = "G-1";
/// From one look at a run to the next.
const PAUSE: std::time::Duration = std::time::Duration::from_millis(20);
/// Looks at a run until it has asked all, far above what is needed.
const LOOKS_AT_MOST: usize = 20_000;

/// The files that a person wrote.
fn file(name: &str) -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/cli/by_hand");
    folder.join(name).to_string_lossy().into_owned()
}

fn said(daemon: &Daemon, words: &[&str]) -> String {
    let Told { code, out, err } = daemon.told(words);
    let files: PathBuf = file("").into();
    let words = words.join(" ").replace(&*files.to_string_lossy(), "");
    format!("$ wakerail {words}\n[code {code}]\n{out}{err}")
}

fn json(daemon: &Daemon, words: &[&str]) -> Value {
    let words = [words, &["--format", "json"]].concat();
    serde_json::from_str(&daemon.ok(&words)).expect("JSON")
}

/// What a run asks now, or none once it is over; waits until it does either.
fn question(daemon: &Daemon, run: &str) -> Option<String> {
    for _ in 0..LOOKS_AT_MOST {
        let shown = json(daemon, &["show", run]);
        if let Some(asks) = shown["run"]["asks"].as_str() {
            return Some(asks.to_owned());
        }
        let state = shown["run"]["state"].as_str().expect("a state");
        if !["waiting", "measuring", "held"].contains(&state) {
            return None;
        }
        std::thread::sleep(PAUSE);
    }
    panic!("{}", daemon.ok(&["show", run]));
}

/// Waits until an answer was taken in: no person answers the next question before
/// having read it. The same words may come again; then it waits in vain.
fn taken_in(daemon: &Daemon, run: &str, words: &str) {
    for _ in 0..100 {
        let shown = json(daemon, &["show", run]);
        if shown["run"]["asks"].as_str() != Some(words) {
            return;
        }
        std::thread::sleep(PAUSE);
    }
}

/// Answers as it is asked, up to a question that holds `stop` or to the run's end;
/// the questions.
fn answered(daemon: &Daemon, run: &str, stop: Option<&str>) -> Vec<String> {
    let mut asked: Vec<String> = Vec::new();
    while let Some(words) = question(daemon, run) {
        if stop.is_some_and(|stop| words.contains(stop)) {
            return asked;
        }
        let told = daemon.told(&["answer", run, "done"]);
        match told.code {
            0 => {
                taken_in(daemon, run, &words);
                asked.push(words);
            }
            // The last answer was not taken in yet.
            75 => std::thread::sleep(PAUSE),
            _ => panic!("{words}: {told:?}"),
        }
        assert!(asked.len() < 60, "{asked:#?}");
    }
    asked
}

/// A figure of `figures --format json`.
fn figure(all: &Value, of: &str, name: &str) -> f64 {
    let measures = all.as_array().expect("measures");
    let measure = measures.iter().find(|measure| measure["of"] == of);
    let figures = measure.expect(of)["figures"].as_array().expect("figures");
    let found = figures.iter().find(|figure| figure["name"] == name);
    found.expect(name)["value"]
        .as_f64()
        .unwrap_or_else(|| panic!("{name}: {all:#}"))
}

/// The dawn of the simulated lamp in closed form.
fn dawn() -> Program {
    LampModel::godwit().sunrise.expect("it has a dawn")
}

/// The times of a recorded dawn against the closed form: its light moves in steps,
/// and the first shows half a step after it began; a beat of 2 s.
fn is_the_dawn(found: &Value) {
    let dawn = dawn();
    let steps = (1_u32 << dawn.bits.expect("steps")) - 1;
    let onset = dawn.crosses(0.5 / f64::from(steps)).expect("it is");
    for (name, truth) in [
        ("onset_s", onset),
        ("t10_s", dawn.crosses(0.1).expect("it is")),
        ("t50_s", dawn.crosses(0.5).expect("it is")),
        ("t90_s", dawn.crosses(0.9).expect("it is")),
    ] {
        let value = figure(found, "dawn-1", name);
        assert!(
            (value - truth.secs()).abs() < 4.0,
            "{name}: {value} {truth}"
        );
    }
}

/// Every point of a survey against the lamp's stabilised light.
fn is_the_light(daemon: &Daemon, run: &str) {
    let found = json(daemon, &["survey", run]);
    let cells = found["cells"].as_array().expect("cells");
    for cell in cells {
        // 8 levels of equal ratios: the one below the highest gives 0.54 of it.
        let level = match cell["setting"].as_str().expect("a setting") {
            "L09" => 9,
            "half-light" => 8,
            other => panic!("{other}"),
        };
        let metres = cell["position_m"].as_f64().expect("metres");
        let lux = cell["illuminance_lx"].as_f64().expect("lux");
        let distance = Length::from_nm((metres * 1e9).round() as i64);
        let truth = LampModel::godwit().truth(level, distance).0;
        assert!((lux / truth - 1.0).abs() < 0.04, "{cell} {truth}");
    }
    assert_eq!(cells.len(), 4, "{found}");
}

/// Asserts that an answer is refused as one that comes too early, or is none.
fn refused(daemon: &Daemon, told: &mut Vec<String>, words: &[&str]) {
    assert_eq!(daemon.told(words).code, 75, "{words:?}");
    told.push(said(daemon, words));
}

#[test]
fn a_lamp_is_characterised_with_nothing_but_hands() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), &file("bench.yaml"), 3);
    let lamp = file("lamp.yaml");
    daemon.ok(&["place", UNIT, "--lamp", &lamp, "--place", "axis"]);
    daemon.ok(&["book", &file("plan.yaml"), "--unit", UNIT, "--hold"]);
    insta::assert_snapshot!("evening", said(&daemon, &["tonight"]));
    let mut no = Vec::new();
    refused(&daemon, &mut no, &["answer", "1"]);
    daemon.ok(&["release", "1"]);
    let mut asked = Vec::new();
    for (stop, wrong) in [
        ("Put the cap", "no, where is it?"),
        ("Set the lamp to level 9", "level is 3"),
        ("its alarm for `dawn`", "armed for 07:30"),
    ] {
        asked.extend(answered(&daemon, "1", Some(stop)));
        refused(&daemon, &mut no, &["answer", "1", wrong]);
        let open = question(&daemon, "1").expect("it is still open");
        assert!(open.contains(stop), "{open}");
    }
    asked.extend(answered(&daemon, "1", None));
    refused(&daemon, &mut no, &["answer", "1"]);
    insta::assert_snapshot!("refused", no.join("\n"));
    insta::assert_snapshot!("asked", asked.join("\n"));
    assert_eq!(daemon.told(&["watch", "1"]).code, 0);
    is_the_light(&daemon, "1");
    is_the_dawn(&json(&daemon, &["figures", "1"]));

    daemon.ok(&["place", UNIT, "--lamp", &lamp, "--place", "sphere"]);
    daemon.ok(&["book", &file("plan-flux.yaml"), "--unit", UNIT, "--hold"]);
    insta::assert_snapshot!("evening_of_the_sphere", said(&daemon, &["tonight"]));
    daemon.ok(&["release", "2"]);
    let asked = answered(&daemon, "2", None);
    insta::assert_snapshot!("asked_at_the_sphere", asked.join("\n"));
    assert_eq!(daemon.told(&["watch", "2"]).code, 0);
    let found = json(&daemon, &["figures", "2"]);
    for level in [9, 5] {
        let flux = figure(&found, &format!("L{level:02}"), "flux_lm");
        let truth = LampModel::godwit().flux_of(0, level);
        assert!((flux / truth - 1.0).abs() < 0.03, "{level}: {flux} {truth}");
    }
    insta::assert_snapshot!("morning", said(&daemon, &["morning"]));
}

/// Nobody sets the alarm: in the morning the question is still open. The run is
/// stopped, and what is missing is measured the next night.
#[test]
fn a_night_with_a_gap_is_told_in_the_morning_and_filled() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), &file("bench.yaml"), 4);
    let lamp = file("lamp.yaml");
    daemon.ok(&["place", UNIT, "--lamp", &lamp, "--place", "axis"]);
    daemon.ok(&["book", &file("plan.yaml"), "--unit", UNIT]);
    answered(&daemon, "1", Some("its alarm for `dawn`"));
    let mut told = vec![said(&daemon, &["morning"])];
    daemon.ok(&["stop", "1"]);
    assert_eq!(question(&daemon, "1"), None);
    told.push(said(&daemon, &["morning"]));
    told.push(said(&daemon, &["redo", "1", "--hold"]));
    told.push(said(&daemon, &["tonight"]));
    daemon.ok(&["release", "2"]);
    answered(&daemon, "2", None);
    assert_eq!(daemon.told(&["watch", "2"]).code, 0);
    told.push(said(&daemon, &["morning"]));
    insta::assert_snapshot!("a_gap", told.join("\n"));
    is_the_light(&daemon, "1");
    is_the_dawn(&json(&daemon, &["figures", "2"]));
}
