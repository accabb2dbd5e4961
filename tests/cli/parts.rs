//! A plan whose tests need two places: booked once, it is two runs, and two benches
//! work at once on two lamps.

use std::path::Path;

use drivers::simulated::lamp_model::LampModel;
use photometry::units::Length;
use serde_json::Value;

use super::daemon::{Daemon, Told, example};

const SPHERE: &str = "bench-dune-sphere.yaml";
const RAIL: &str = "bench-shore.yaml";
/// From one look at the runs to the next.
const PAUSE: std::time::Duration = std::time::Duration::from_millis(20);
/// Looks until two runs are over, far above what is needed.
const LOOKS_AT_MOST: usize = 20_000;
const FINGERS: [(&str, &str); 2] = [
    ("S-1", "brighter=left,dimmer=right,power=round,dusk=lower"),
    (
        "P-1",
        "brighter=left,dimmer=right,power=round,dawn=upper,dusk=lower",
    ),
];

fn plan() -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/cli/parts");
    folder.join("plan.yaml").to_string_lossy().into_owned()
}

fn lamp(unit: &str) -> String {
    let name = match unit {
        "S-1" => "lamp-stint.yaml",
        _ => "lamp-plover.yaml",
    };
    example(name)
}

fn model(unit: &str) -> LampModel {
    match unit {
        "S-1" => LampModel::stint(),
        _ => LampModel::plover(),
    }
}

fn json(daemon: &Daemon, words: &[&str]) -> Value {
    let words = [words, &["--format", "json"]].concat();
    serde_json::from_str(&daemon.ok(&words)).expect("JSON")
}

fn said(daemon: &Daemon, words: &[&str]) -> String {
    let Told { code, out, err } = daemon.told(words);
    let words = words.join(" ").replace(&plan(), "plan.yaml");
    let words = words.replace(&example(""), "");
    format!("$ wakerail {words}\n[code {code}]\n{out}{err}")
}

fn place(daemon: &Daemon, unit: &str, bench: &str) -> String {
    let lamp = lamp(unit);
    let mut words = vec!["place", unit, "--lamp", &lamp, "--bench", bench];
    let fingers = FINGERS.iter().find(|(of, _)| *of == unit).expect(unit).1;
    if bench == "shore" {
        words.extend(["--gauge", "6 in", "--fingers", fingers]);
    } else {
        words.extend(["--fingers", "brighter=left,dimmer=right,power=round"]);
    }
    // When depends on how soon the test answered what the other bench asked.
    let told = said(daemon, &words);
    let lines = told.lines().map(|line| match line.split_once(" since ") {
        Some((stands, _)) => stands,
        None => line,
    });
    lines.collect::<Vec<_>>().join("\n") + "\n"
}

/// Does what runs ask for, until all of them are over; their states.
fn over(daemon: &Daemon, runs: &[&str]) -> Vec<String> {
    for _ in 0..LOOKS_AT_MOST {
        let mut states = Vec::new();
        for run in runs {
            let shown = json(daemon, &["show", run]);
            if shown["run"]["asks"].is_string() {
                // One that was answered in between refuses; it is asked again.
                daemon.told(&["answer", run, "done"]);
            }
            states.push(shown["run"]["state"].as_str().expect("a state").to_owned());
        }
        let at_work = |state: &String| ["waiting", "measuring", "held"].contains(&state.as_str());
        if !states.iter().any(at_work) {
            return states;
        }
        std::thread::sleep(PAUSE);
    }
    panic!("{}", daemon.ok(&["runs"]));
}

fn is_the_flux(daemon: &Daemon, run: &str, unit: &str) {
    let all = json(daemon, &["figures", run]);
    let figures = all[0]["figures"].as_array().expect("figures");
    let flux = figures.iter().find(|figure| figure["name"] == "flux_lm");
    let flux = flux.expect("a flux")["value"].as_f64().expect("a number");
    let (model, level) = (model(unit), all[0]["of"].as_str().expect("a setting"));
    let level = level.trim_start_matches('L').parse().expect("a level");
    let truth = model.flux_of(0, level);
    assert!((flux / truth - 1.0).abs() < 0.03, "{unit}: {flux} {truth}");
}

fn is_the_light(daemon: &Daemon, run: &str, unit: &str) {
    let found = json(daemon, &["survey", run]);
    let cells = found["cells"].as_array().expect("cells");
    assert_eq!(cells.len(), 4, "{found}");
    for cell in cells {
        let level = cell["setting"].as_str().expect("a setting");
        let level = level.trim_start_matches('L').parse().expect("a level");
        let metres = cell["position_m"].as_f64().expect("metres");
        let lux = cell["illuminance_lx"].as_f64().expect("lux");
        let distance = Length::from_nm((metres * 1e9).round() as i64);
        let truth = model(unit).truth(level, distance).0;
        assert!((lux / truth - 1.0).abs() < 0.04, "{unit}: {cell} {truth}");
    }
}

/// Two lamps, each booked once, change places; each bench measures one while the
/// other measures the other, and every test of both is done.
#[test]
fn two_benches_measure_two_lamps_at_once_by_one_plan() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start_with(folder.path(), &[SPHERE, RAIL], 7);
    let plan = plan();
    let mut told = vec![
        place(&daemon, "S-1", "dune"),
        place(&daemon, "P-1", "shore"),
    ];
    for unit in ["S-1", "P-1"] {
        let words = ["book", &plan, "--unit", unit, "--hold"];
        told.push(said(&daemon, &words));
    }
    // What waits for a lamp that is measured elsewhere is not for tonight.
    let tonight = daemon.ok(&["tonight"]);
    let lines: Vec<&str> = tonight
        .lines()
        .filter(|line| line.starts_with("Not tonight"))
        .collect();
    told.push(lines.join("\n"));
    // Where the unit does not stand, its part cannot begin.
    told.push(said(&daemon, &["release", "2"]));
    for run in ["1", "3"] {
        daemon.ok(&["release", run]);
    }
    assert_eq!(over(&daemon, &["1", "3"]), ["complete", "complete"]);
    told.push(place(&daemon, "S-1", "shore"));
    told.push(place(&daemon, "P-1", "dune"));
    for run in ["2", "4"] {
        daemon.ok(&["release", run]);
    }
    assert_eq!(over(&daemon, &["2", "4"]), ["complete", "complete"]);
    insta::assert_snapshot!("changed_places", told.join("\n"));
    is_the_flux(&daemon, "1", "S-1");
    // Whoever has the page alone knows that it is not all.
    let page = daemon.ok(&["report", "1", "--to", "-"]);
    assert!(page.contains("report: levels, outside a sphere."), "{page}");
    // A flux rests on the certificate of the reference lamp as on the photometer's.
    let account = daemon.ok(&["account", "1.flux.L06.flux_lm"]);
    for words in ["reference lamp R-1", "K-2026-040", "K-2026-052"] {
        assert!(account.contains(words), "{words}: {account}");
    }
    is_the_light(&daemon, "2", "S-1");
    is_the_light(&daemon, "3", "P-1");
    is_the_flux(&daemon, "4", "P-1");
    // The criterion looks at surveys: it rules where there is one, and only there.
    for (run, rules) in [("1", 0), ("2", 1), ("3", 1), ("4", 0)] {
        let rulings = json(&daemon, &["rulings", run]);
        assert_eq!(rulings.as_array().map(Vec::len), Some(rules), "{rulings}");
    }
    for (one, other) in [("1", "3"), ("2", "4")] {
        let hours = [one, other].map(|run| {
            let shown = json(&daemon, &["show", run]);
            ["begun", "ended"].map(|at| shown["run"][at]["us"].as_i64().expect("an instant"))
        });
        let [[begun, ended], [other_begun, other_ended]] = hours;
        assert!(begun < other_ended && other_begun < ended, "{hours:?}");
    }
}

/// A bench without a sphere, and no other: the part that has no place is told, and
/// the rest is booked.
#[test]
fn a_part_without_a_place_is_told() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start_with(folder.path(), &[RAIL], 7);
    place(&daemon, "P-1", "shore");
    let told = said(&daemon, &["book", &plan(), "--unit", "P-1", "--hold"]);
    insta::assert_snapshot!("no_sphere", told);
    let shown = daemon.ok(&["show", "1"]);
    assert!(shown.contains("flux, in an integrating sphere"), "{shown}");
}
