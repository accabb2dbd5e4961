//! A lamp of one button before a sensor that stands still, in a rehearsal of the real
//! program: told in the evening, measured at night, explained in the morning.

use super::daemon::{Daemon, example};

/// The strand bench with a second meter that stands before the lamp.
fn bench(folder: &std::path::Path) -> String {
    let text = std::fs::read_to_string(example("bench-strand.yaml")).expect("the example");
    let port = "ports:\n  pane-port: {tcp: \"192.0.2.30:5025\"}\n";
    let meter = "meters:
  pane:
    port: pane-port
    place: axis
    yields: illuminance
    ranges: [2 lx, 20 lx, 200 lx, 2 klx, 20 klx, 200 klx]
    integration: 200 ms
    dark: cap
    calibration: {certificate: K-2026-032, due: 2027-09-01}
    uncertainty: {certificate: 3 %}
";
    let text = text
        .replacen("ports:\n", port, 1)
        .replacen("meters:\n", meter, 1);
    let file = folder.join("bench.yaml");
    std::fs::write(&file, format!("{text}\nfixed-sensor: pane\n")).expect("written");
    file.display().to_string()
}

#[test]
fn a_rehearsed_night_goes_round_and_makes_ratios() {
    let folder = tempfile::tempdir().expect("a folder");
    let data = folder.path().join("data");
    let daemon = Daemon::start(&data, &bench(folder.path()), 5);
    let lamp = example("lamp-dotterel.yaml");
    let fingers = ["--fingers", "touch=left"];
    let place = ["place", "D-1", "--lamp", &lamp, "--gauge", "6 in"];
    daemon.ok(&[&place[..], &fingers[..]].concat());
    let plan = example("plan-short.yaml");
    daemon.ok(&["book", &plan, "--unit", "D-1", "--hold"]);
    let sheet = daemon.ok(&["tonight"]);
    let words: Vec<&str> = sheet.split_whitespace().collect();
    let words = words.join(" ");
    for told in [
        "left on `touch`",
        "Let the fixed sensor `pane` see the lamp",
        "asks nothing: it needs nobody",
    ] {
        assert!(words.contains(told), "{told}\n{sheet}");
    }
    daemon.ok(&["release", "latest"]);
    let watched = daemon.told(&["watch", "latest"]);
    assert_eq!(watched.code, 0);
    let told = format!("{}{}", watched.out, watched.err);
    let by = "counted through a whole round and seen";
    assert!(told.contains(by), "{told}");
    let shown = daemon.ok(&["show", "latest"]);
    assert!(shown.contains("the lamp is off"), "{shown}");
    let survey = daemon.ok(&["survey", "latest"]);
    let by = "corrected for the lamp's drift by the fixed sensor `pane`, read beside each reading";
    let words: Vec<&str> = survey.split_whitespace().collect();
    assert!(words.join(" ").contains(by), "{survey}");
    let account = daemon.ok(&["account", "1.look.L05@24in"]);
    assert!(account.contains("what the fixed sensor saw"), "{account}");
    let readings = daemon.ok(&["readings", "latest", "--what", "all"]);
    assert!(readings.contains("fixed"), "{readings}");
}
