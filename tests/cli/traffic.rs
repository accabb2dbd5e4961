//! The traffic of a run, kept and printed by the real program over PTYs.

use super::daemon::{Daemon, Told, example};

const FINGERS: &str = "brighter=left,dimmer=right,power=round";

/// A short run, over, on the example bench whose meter's traffic is kept.
fn measured(folder: &std::path::Path) -> Daemon {
    let text = std::fs::read_to_string(example("bench-strand.yaml")).expect("text");
    let port = text
        .lines()
        .find(|line| line.trim_start().starts_with("meter-port:"));
    let port = port.expect("the meter's port");
    let kept = port.replacen('}', ", traffic: kept}", 1);
    assert_ne!(kept, port);
    let bench = folder.join("bench.yaml");
    std::fs::write(&bench, text.replace(port, &kept)).expect("written");
    let daemon = Daemon::start(&folder.join("data"), &bench.to_string_lossy(), 1);
    let lamp = example("lamp-dunlin.yaml");
    daemon.ok(&["place", "D-17", "--lamp", &lamp, "--fingers", FINGERS]);
    let plan = example("plan-short.yaml");
    daemon.ok(&["book", &plan, "--unit", "D-17"]);
    assert_eq!(daemon.told(&["watch", "1"]).code, 0);
    daemon
}

/// Way and hexadecimal bytes of every line of a session.
fn lines(session: &str) -> Vec<(String, String)> {
    let said = session.lines().filter(|line| !line.starts_with('#'));
    let said = said.skip_while(|line| *line != "session 1").skip(1);
    said.map(|line| {
        let (line, _) = line.split_once("  # ").expect("a comment");
        let mut words = line.split_whitespace().skip(1);
        let way = words.next().expect("a way").to_owned();
        (way, words.collect::<Vec<_>>().join(" "))
    })
    .collect()
}

fn hex(bytes: &str) -> String {
    let bytes = bytes.bytes().map(|byte| format!("{byte:02x}"));
    bytes.collect::<Vec<_>>().join(" ")
}

#[test]
fn what_went_over_a_kept_link_is_printed_and_checked() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = measured(folder.path());
    let listed = daemon.ok(&["traffic", "latest"]);
    let row: Vec<&str> = listed
        .lines()
        .last()
        .expect("a row")
        .split_whitespace()
        .collect();
    let [device, _, sittings, _, _, bytes, missing] = row[..] else {
        panic!("{listed}");
    };
    assert_eq!(
        (device, sittings, missing),
        ("lux-head", "1", "0"),
        "{listed}"
    );

    let session = daemon.ok(&["traffic", "1", "lux-head"]);
    let said = lines(&session);
    let kept: usize = said.iter().map(|(_, hex)| hex.split(' ').count()).sum();
    assert_eq!(bytes, kept.to_string());
    let asked = said.iter().find(|(way, _)| way == "to");
    assert!(
        asked.is_some_and(|(_, bytes)| bytes.starts_with(&hex("*ESE "))),
        "{session}"
    );
    let who = ("to".to_owned(), hex("*IDN?\n"));
    assert!(said.contains(&who), "{session}");
    let heard = said.iter().filter(|(way, _)| way == "from");
    let heard: Vec<&str> = heard.map(|(_, hex)| hex.as_str()).collect();
    let heard = heard.join(" ");
    let readings = daemon.ok(&["readings", "1", "--what", "all", "--format", "json"]);
    let readings: serde_json::Value = serde_json::from_str(&readings).expect("json");
    let readings = readings.as_array().expect("rows");
    assert!(readings.len() > 10);
    let mut rest = heard.as_str();
    for reading in readings {
        let raw = hex(reading["raw"].as_str().expect("raw"));
        let at = rest
            .find(&raw)
            .unwrap_or_else(|| panic!("{raw} is not in the rest"));
        rest = &rest[at + raw.len()..];
    }

    let json = daemon.ok(&["traffic", "1", "lux-head", "--format", "json"]);
    let json: Vec<(String, String)> = json
        .lines()
        .map(|line| {
            let said: serde_json::Value = serde_json::from_str(line).expect("json");
            let text = |key: &str| said[key].as_str().expect("text").to_owned();
            (text("way"), text("hex"))
        })
        .collect();
    assert_eq!(json, said);

    let checked = daemon.ok(&["store", "check", "--format", "json"]);
    let checked: serde_json::Value = serde_json::from_str(&checked).expect("json");
    let pieces = checked["runs"][0]["traffic"].as_u64().expect("a number");
    assert!(pieces > 0, "{checked}");
}

#[test]
fn what_was_not_kept_is_told_with_how_to_keep_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), "bench-strand.yaml", 1);
    let lamp = example("lamp-dunlin.yaml");
    daemon.ok(&["place", "D-17", "--lamp", &lamp, "--fingers", FINGERS]);
    let plan = example("plan-short.yaml");
    daemon.ok(&["book", &plan, "--unit", "D-17", "--hold"]);
    let cases: [&[&str]; 3] = [
        &["traffic", "1"],
        &["traffic", "1", "lux-head"],
        &["traffic", "9"],
    ];
    let told = cases.map(|words| {
        let Told { code, out, err } = daemon.told(words);
        format!("$ wakerail {}\n[code {code}]\n{out}{err}", words.join(" "))
    });
    insta::assert_snapshot!(told.join("\n"));
}
