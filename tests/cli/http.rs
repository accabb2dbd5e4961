//! The daemon's HTTP as a program meets it: repeated and broken requests.

use std::io::{Read, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;

use super::daemon::{Daemon, example};

/// Sends bytes as they are; the status line's code, the type, and the body.
fn raw(data: &Path, request: &[u8]) -> (u16, String, String) {
    let mut stream = UnixStream::connect(data.join("socket/daemon.sock")).expect("a daemon");
    // A daemon that refuses may hang up before it has read everything.
    let _ = stream.write_all(request);
    let mut answer = String::new();
    let _ = stream.read_to_string(&mut answer);
    let (head, body) = answer.split_once("\r\n\r\n").unwrap_or((&answer, ""));
    let code = head.split(' ').nth(1).and_then(|code| code.parse().ok());
    let kind = head
        .lines()
        .find_map(|line| line.strip_prefix("content-type: "))
        .unwrap_or("");
    (code.unwrap_or(0), kind.to_owned(), body.to_owned())
}

fn post(data: &Path, path: &str, key: &str, body: &str) -> (u16, String, String) {
    let request = format!(
        "POST {path} HTTP/1.1\r\nhost: wakerail\r\nconnection: close\r\n\
         content-type: application/json\r\nidempotency-key: {key}\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    );
    raw(data, request.as_bytes())
}

fn booking(unit: &str) -> String {
    booking_of("plan-short.yaml", "lamp-dunlin.yaml", unit, None)
}

fn booking_of(plan: &str, lamp: &str, unit: &str, bench: Option<&str>) -> String {
    let text = |name: &str| {
        let text = std::fs::read_to_string(example(name)).expect("an example");
        serde_json::json!({ "name": name, "text": text })
    };
    serde_json::json!({
        "plan": text(plan),
        "based_on": null,
        "unit": unit,
        "bench": bench,
        "lamp": text(lamp),
        "hold": true,
    })
    .to_string()
}

/// A plan of two parts under one key, twice: two runs, each booked once, also for a
/// unit that stands nowhere yet.
#[test]
fn a_repeated_booking_of_two_parts_is_booked_once() {
    let folder = tempfile::tempdir().expect("a folder");
    let benches = ["bench-dune-sphere.yaml", "bench-shore.yaml"];
    let daemon = Daemon::start_with(folder.path(), &benches, 1);
    for (bench, first, other) in [("shore", 1, 2), ("dune", 3, 4)] {
        let body = booking_of("plan-tour.yaml", "lamp-plover.yaml", "P-9", Some(bench));
        for repeated in [false, true] {
            let key = format!("two-at-{bench}");
            let (code, _, answer) = post(folder.path(), "/runs", &key, &body);
            assert_eq!(code, 200, "{answer}");
            let answer: serde_json::Value = serde_json::from_str(&answer).expect("json");
            assert_eq!(answer["run"]["run"], first, "{answer}");
            assert_eq!(answer["run"]["bench"], bench, "{answer}");
            assert_eq!(answer["other_part"]["run"], other, "{answer}");
            assert_eq!(answer["repeated"], repeated, "{answer}");
        }
    }
    let runs = daemon.ok(&["runs", "--format", "json"]);
    let runs: serde_json::Value = serde_json::from_str(&runs).expect("json");
    let held = |run: &serde_json::Value| run["state"] == "held";
    let runs = runs.as_array().expect("runs");
    assert_eq!((runs.len(), runs.iter().all(held)), (4, true), "{runs:#?}");
}

/// The same request twice, and once more after a restart: one run.
#[test]
fn a_repeated_booking_is_booked_once() {
    let folder = tempfile::tempdir().expect("a folder");
    let body = booking("D-17");
    let number = |(code, _, answer): (u16, String, String)| {
        assert_eq!(code, 200, "{answer}");
        let answer: serde_json::Value = serde_json::from_str(&answer).expect("json");
        (answer["run"]["run"].as_i64(), answer["repeated"].as_bool())
    };
    let daemon = Daemon::start(folder.path(), "bench-strand.yaml", 1);
    let first = number(post(folder.path(), "/runs", "k1", &body));
    assert_eq!(first, (Some(1), Some(false)));
    let second = number(post(folder.path(), "/runs", "k1", &body));
    assert_eq!(second, (Some(1), Some(true)));
    daemon.signal("TERM");
    assert_eq!(daemon.ended().0, Some(0));
    let _daemon = Daemon::start(folder.path(), "bench-strand.yaml", 1);
    let third = number(post(folder.path(), "/runs", "k1", &body));
    assert_eq!(third, (Some(1), Some(true)));
    let (code, _, answer) = post(folder.path(), "/runs", "k1", &booking("D-18"));
    assert_eq!(code, 422, "{answer}");
    assert!(answer.contains("urn:wakerail:key-reused"), "{answer}");
    let fourth = number(post(folder.path(), "/runs", "k2", &body));
    assert_eq!(fourth, (Some(2), Some(false)));
}

/// What is no request of ours is refused with a problem's description, and
/// the daemon goes on.
#[test]
fn broken_requests_are_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), "bench-strand.yaml", 1);
    let data = folder.path();
    let huge = "x".repeat(5 << 20);
    let cases = [
        ("not json", post(data, "/runs", "k", "not json"), 400),
        ("another shape", post(data, "/runs", "k", "{}"), 422),
        ("too long", post(data, "/runs", "k", &huge), 413),
        ("no such route", post(data, "/brew", "k", "{}"), 404),
        (
            "no number",
            post(data, "/runs/seven/hold", "k", "null"),
            404,
        ),
        ("no such run", post(data, "/runs/7/hold", "k", "null"), 404),
    ];
    for (what, (code, kind, body), expected) in cases {
        assert_eq!(code, expected, "{what}: {body}");
        assert_eq!(kind, "application/problem+json", "{what}");
        let problem: serde_json::Value = serde_json::from_str(&body).expect(what);
        assert_eq!(problem["status"], expected, "{what}");
        assert!(
            problem["type"]
                .as_str()
                .is_some_and(|t| t.starts_with("urn:wakerail:")),
            "{what}: {body}"
        );
    }
    let (code, _, _) = raw(data, b"\x16\x03\x01 garbage\r\n\r\n");
    assert_eq!(code, 400);
    assert_eq!(daemon.told(&["runs"]).code, 0);
}

/// A stream of events begins after the event that was known last, and ends
/// when the run is over.
#[test]
fn events_can_be_read_from_where_one_was() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), "bench-strand.yaml", 1);
    let lamp = example("lamp-dunlin.yaml");
    daemon.ok(&[
        "place",
        "D-17",
        "--lamp",
        &lamp,
        "--fingers",
        "brighter=left,dimmer=right,power=round",
    ]);
    daemon.ok(&["book", &example("plan-short.yaml"), "--unit", "D-17"]);
    let ids = |after: u64| {
        let request = format!(
            "GET /runs/1/events?after={after} HTTP/1.1\r\nhost: wakerail\r\nconnection: close\r\n\r\n"
        );
        let (code, kind, body) = raw(folder.path(), request.as_bytes());
        assert_eq!((code, kind.as_str()), (200, "text/event-stream"));
        body.lines()
            .filter_map(|line| line.strip_prefix("id: ").or(line.strip_prefix("id:")))
            .map(|id| id.trim().parse().expect("a number"))
            .collect::<Vec<u64>>()
    };
    let all = ids(0);
    assert_eq!(all, (1..=all.len() as u64).collect::<Vec<_>>());
    assert_eq!(ids(10), all[10..]);
    assert_eq!(ids(all.len() as u64), Vec::<u64>::new());
}
