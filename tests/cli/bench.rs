//! Devices tried by hand: the real program before simulated devices that the test
//! serves over pseudo-terminals in real time.

use std::io::{Read, Write};
use std::process::{Child, Command, Stdio};

use drivers::clock::{Clock, Seat};
use drivers::link::wire::{pty_wire, serve};
use drivers::link::{Address, Link};
use drivers::profile::shipped;
use drivers::simulated::faults::{Device, Event, Fault, Planned};
use drivers::simulated::registers::{Contents, Registers, Wrapping};
use drivers::simulated::world::{RailSpeech, WorldSpec};
use photometry::units::{Length, Mono, Span, Speed};
use serde_json::Value;
use tempfile::TempDir;

use super::daemon::{Told, wakerail};
use super::terminal::terminal;
use crate::faults::wall::{self, WallBench};

/// A bench and its file; `clock` is older than the bench's, so that its now is
/// never before the bench's.
struct Bench {
    clock: Clock,
    wall: WallBench,
    folder: TempDir,
}

impl Bench {
    fn start(change: impl FnOnce(&mut WorldSpec)) -> Bench {
        let clock = Clock::wall();
        let folder = tempfile::tempdir().expect("a folder");
        let mut spec = wall::spec(107);
        change(&mut spec);
        let wall = WallBench::start(folder.path(), spec);
        Bench {
            clock,
            wall,
            folder,
        }
    }

    fn plain() -> Bench {
        Bench::start(|_| ())
    }

    fn with_fault(fault: Fault) -> Bench {
        Bench::start(|spec| spec.faults = vec![Planned { nth: 1, fault }])
    }

    /// Changes the bench file.
    fn write(&self, from: &str, to: &str) {
        let path = self.wall.file("bench.yaml");
        let text = std::fs::read_to_string(&path).expect("there");
        assert!(text.contains(from), "no `{from}` in {text}");
        std::fs::write(&path, text.replace(from, to)).expect("written");
    }

    /// `bench WORD bench.yaml MORE`.
    fn told(&self, word: &str, more: &[&str]) -> Told {
        let file = self.wall.file("bench.yaml");
        let words = [&["bench", word, &file], more].concat();
        wakerail(self.folder.path(), &words)
    }

    /// As [`Bench::told`], all of it.
    fn whole(&self, word: &str, more: &[&str]) -> String {
        let told = self.told(word, more);
        let text = format!("[code {}]\n{}{}", told.code, told.out, told.err);
        text.replace(&*self.folder.path().to_string_lossy(), "FOLDER")
    }

    /// As [`Bench::whole`], measured times masked.
    fn shown(&self, word: &str, more: &[&str]) -> String {
        masked(&self.whole(word, more))
    }

    /// JSON of a command that must succeed.
    fn json(&self, word: &str, more: &[&str]) -> Value {
        let told = self.told(word, &[more, &["--format", "json"]].concat());
        assert_eq!(told.code, 0, "{told:?}");
        serde_json::from_str(&told.out).expect("JSON")
    }

    fn now(&self) -> Mono {
        self.clock.now().mono
    }

    fn carriage(&self) -> Length {
        self.wall.bench.world().carriage(self.now())
    }

    fn count(&self, event: Event) -> u64 {
        self.wall.bench.world().count(event)
    }
}

/// A bench whose rail speaks like this, by this profile.
fn with_rail(speaks: RailSpeech, profile: &str) -> Bench {
    let bench = Bench::start(|spec| {
        spec.rail_speaks = speaks;
        // Speeds are steps a second in sixteen bits there: 800 mm/s are 64 000.
        spec.rail.speed = Speed::from_nm_per_s(800_000_000);
    });
    bench.write("speed: 2000 mm/s", "speed: 800 mm/s");
    let port = "rail:\n  port: rail-port\n";
    bench.write(port, &format!("{port}  profile: {profile}\n"));
    bench
}

/// Numbers before ` ms` become `#`.
fn masked(text: &str) -> String {
    let pieces: Vec<&str> = text.split(" ms").collect();
    let (last, before) = pieces.split_last().expect("one at least");
    let number = |c: char| c.is_ascii_digit() || c == '.';
    let mut masked = String::new();
    for piece in before {
        masked.push_str(piece.trim_end_matches(number));
        masked.push_str("# ms");
    }
    masked.push_str(last);
    masked
}

#[test]
fn all_three_are_found_with_the_serial_that_is_demanded() {
    let bench = Bench::plain();
    bench.write("dark: shutter", "dark: shutter\n    serial: \"000107\"");
    insta::assert_snapshot!(bench.shown("probe", &[]));
    let rows = bench.json("probe", &[]);
    let rows = rows.as_array().expect("rows");
    assert_eq!(rows.len(), 3);
    for row in rows {
        let secs = |name: &str| row[name].as_f64().expect("a time");
        assert_eq!(row["ready"], true, "{row}");
        assert!(secs("least_s") > 0.0 && secs("least_s") <= secs("median_s"));
        assert!(secs("median_s") <= secs("largest_s"), "{row}");
        assert!(row.get("traffic").is_none(), "nobody asked for bytes");
    }
    assert_eq!(bench.count(Event::Moved) + bench.count(Event::Homed), 0);
    assert_eq!(bench.count(Event::Closed) + bench.count(Event::Read), 0);
}

#[test]
fn one_that_is_missing_does_not_hide_the_others() {
    let bench = Bench::plain();
    let port = bench.wall.file("meter");
    bench.write(&format!("serial: {port},"), "serial: /dev/no-such-meter,");
    insta::assert_snapshot!(bench.shown("probe", &[]));
}

/// The resync takes three times its longest answer; the profile makes that
/// short.
#[test]
fn a_silent_device_is_named_with_what_to_look_at() {
    let bench = Bench::with_fault(Fault::Dead(Device::Meter));
    let profile = shipped::text("asked-luxmeter").expect("shipped");
    let quick = profile.replace("longest-answer: 5 s", "longest-answer: 100 ms");
    let quick = quick.replace("answer-within: 2 s", "answer-within: 100 ms");
    assert!(!quick.contains("5 s"), "{quick}");
    std::fs::write(bench.wall.file("quick.yaml"), quick).expect("written");
    bench.write("dark: shutter", "dark: shutter\n    profile: quick.yaml");
    let shown = bench.shown("probe", &["--no-color"]);
    insta::assert_snapshot!(shown);
    let told = bench.told("try", &["lux-head", "read"]);
    assert_eq!((told.code, told.out.as_str()), (74, ""), "{told:?}");
    assert!(told.err.contains("lux-head: silent: no answer"), "{told:?}");
}

/// A setting that the bench file gives another value: checked, told, sent and read
/// back.
#[test]
fn a_value_that_the_bench_file_gives_is_told_and_sent() {
    let bench = Bench::plain();
    let profile = shipped::text("asked-luxmeter").expect("shipped");
    let averages = "averages: {set: \"SENS:AVER:COUN {value}\", ask: \"SENS:AVER:COUN?\"}";
    let smoothing = "smoothing: {set: \"SENS:AVER:COUN {value}\", ask: \"SENS:AVER:COUN?\", \
                     value: 1, between: [1, 9]}";
    assert!(profile.contains(averages), "{profile}");
    let smooth = profile.replace(averages, smoothing);
    std::fs::write(bench.wall.file("smooth.yaml"), smooth).expect("written");
    let keys = "dark: shutter\n    profile: smooth.yaml\n    settings: {smoothing: 3}";
    bench.write("dark: shutter", keys);
    let check = |code: i32, said: &str| {
        let told = wakerail(
            bench.folder.path(),
            &["check", &bench.wall.file("bench.yaml")],
        );
        assert_eq!(told.code, code, "{told:?}");
        assert!(told.err.contains(said), "{told:?}");
    };
    check(
        0,
        "lux-head: smooth.yaml, with smoothing 3\n1 file, no mistakes\n",
    );
    let told = bench.told("probe", &["--bytes"]);
    assert_eq!(told.code, 0, "{told:?}");
    assert!(told.out.contains("  settings    smoothing 3\n"), "{told:?}");
    assert!(told.err.contains("SENS:AVER:COUN 3\n"), "{told:?}");
    let rows = bench.json("probe", &[]);
    let settings = |device: usize| rows[device]["settings"].to_string();
    assert_eq!(rows[2]["device"], "lux-head");
    assert_eq!(settings(2), "{\"smoothing\":\"3\"}");
    assert_eq!(settings(0), "{}");
    let told = bench.told("probe", &["--format", "csv"]);
    let row = told.out.lines().find(|line| line.starts_with("lux-head,"));
    assert!(
        row.is_some_and(|row| row.contains(",smooth.yaml,smoothing 3,")),
        "{told:?}"
    );
    bench.write("smoothing: 3", "smoothing: 30");
    check(65, "`smoothing` takes 1 to 9, not 30");
}

#[test]
fn a_port_that_another_program_holds_is_busy() {
    let bench = Bench::plain();
    let port = bench.wall.file("rail");
    let owner = Link::open(&Address::serial(port, 115_200), &bench.clock).expect("a link");
    insta::assert_snapshot!(bench.shown("probe", &[]));
    let told = bench.told("try", &["rail", "status"]);
    assert_eq!(told.code, 75, "{told:?}");
    drop(owner);
    assert_eq!(bench.told("try", &["rail", "status"]).code, 0);
}

#[test]
fn another_serial_than_the_one_demanded_is_another_device() {
    let bench = Bench::plain();
    bench.write("dark: shutter", "dark: shutter\n    serial: \"0042\"");
    let told = bench.told("probe", &[]);
    assert_eq!(told.code, 78, "{told:?}");
    let seen = "the bench file demands serial 0042, and it says it is 000107";
    assert!(told.out.contains(seen), "{told:?}");
}

/// Its third answer is that to the question who it is.
#[test]
fn rubbish_in_the_place_of_an_identity_is_garbled() {
    let rubbish = Fault::Garbage(Device::Meter, b"\x1b[2J\xff\xfe\n".to_vec());
    let bench = Bench::start(|spec| {
        spec.faults = vec![Planned {
            nth: 3,
            fault: rubbish,
        }];
    });
    let told = bench.told("probe", &[]);
    assert_eq!(told.code, 74, "{told:?}");
    let garbled = told.out.split_once("lux-head: garbled\n");
    let (_, rest) = garbled.expect("it is named so");
    assert!(
        rest.contains("seen        `*IDN?` was answered by `"),
        "{told:?}"
    );
    assert!(!told.out.contains('\x1b'), "{told:?}");
}

#[test]
fn what_a_device_complained_of_is_told() {
    let bench = Bench::plain();
    let port = Address::serial(bench.wall.file("meter"), 115_200);
    let mut seat = bench.clock.seat("another program");
    let mut link = Link::open(&port, &bench.clock).expect("a link");
    let second = Span::from_secs(1);
    link.write(&mut seat, b"SENS:FROG 1\n", second)
        .expect("sent");
    drop(link);
    let rows = bench.json("probe", &[]);
    let complaints: Vec<_> = rows
        .as_array()
        .expect("rows")
        .iter()
        .map(|row| row["complaints"].to_string())
        .collect();
    assert_eq!(complaints, ["[]", "[]", r#"["-113 Undefined header"]"#]);
}

/// A board that speaks by registers and does not tell who it is: a coil is asked
/// for. Coil 2 was left closed.
#[test]
fn a_board_without_a_name_is_timed_by_a_coil() {
    let bench = Bench::plain();
    let board = Registers::new(Contents {
        coils: (0..8).map(|coil| (coil, coil == 2)).collect(),
        ..Contents::default()
    });
    let port = bench.wall.file("board");
    let end = pty_wire(&bench.clock, port.as_ref()).expect("a pseudo-terminal");
    let seat = bench.clock.seat("board");
    let _served = serve(seat, end, board.machine(Wrapping::Rtu, 9)).expect("a thread");
    let other = format!("serial: {},", bench.wall.file("fingers"));
    bench.write(&other, &format!("serial: {port}, framing: 8E1, unit: 9,"));
    bench.write(
        "port: finger-port",
        "port: finger-port\n  profile: register-relays",
    );
    let shown = bench.shown("probe", &[]);
    let (fingers, _) = shown.split_once("rail: ready").expect("the next one");
    insta::assert_snapshot!(fingers);
    assert!(board.contents().coils.values().all(|closed| !closed));
}

/// Pieces of one direction joined: how the kernel cuts them is its affair.
fn conversation(traffic: &Value) -> String {
    let mut lines: Vec<(String, String)> = Vec::new();
    for piece in traffic.as_array().expect("pieces") {
        let (way, text) = (&piece["way"], &piece["text"]);
        let (way, text) = (way.as_str().expect("way"), text.as_str().expect("text"));
        match lines.last_mut() {
            Some((last, said)) if last == way => said.push_str(text),
            _ => lines.push((way.to_owned(), text.to_owned())),
        }
    }
    let lines = lines.iter().map(|(way, said)| format!("{way:<4} {said:?}"));
    lines.collect::<Vec<_>>().join("\n")
}

#[test]
fn every_byte_is_shown_with_its_moment_and_way() {
    let bench = Bench::plain();
    // The rail greets when it is switched on, sooner or later: not in this probe.
    assert_eq!(bench.told("probe", &[]).code, 0);
    let rows = bench.json("probe", &["--bytes"]);
    let said: Vec<String> = rows
        .as_array()
        .expect("rows")
        .iter()
        .map(|row| {
            let mut last = 0.0;
            for piece in row["traffic"].as_array().expect("pieces") {
                let after = piece["after_ms"].as_f64().expect("a time");
                assert!(after >= last, "{row}");
                last = after;
            }
            let device = row["device"].as_str().expect("a name");
            format!("{device}\n{}", conversation(&row["traffic"]))
        })
        .collect();
    insta::assert_snapshot!(said.join("\n\n"));
    let told = bench.told("probe", &["--bytes"]);
    let line = " ms  lux-head <-  2a 49 44 4e 3f 0a                                *IDN?.\n";
    assert_eq!(told.err.matches(line).count(), 11, "{}", told.err);
    assert!(!told.out.contains("<-"), "{}", told.out);
}

#[test]
fn a_reading_by_hand_is_told_whole() {
    let bench = Bench::plain();
    let told = bench.json("try", &["lux-head", "read"]);
    let value = told["value_lx"].as_f64().expect("a value");
    let raw: f64 = told["raw_text"]
        .as_str()
        .and_then(|text| text.parse().ok())
        .expect("the answer's bytes");
    assert_eq!(value, raw, "{told}");
    assert_eq!(told["outcome"], "value");
    // It integrates for 20 ms.
    assert!(told["took_s"].as_f64().expect("a time") >= 0.019, "{told}");
    assert!(told["range_lx"].as_f64().expect("a range") >= value.abs());
    let table = bench.told("try", &["lux-head", "read"]);
    let names: Vec<&str> = table.out.lines().map(|line| line[..12].trim()).collect();
    assert_eq!(
        names,
        [
            "device",
            "verb",
            "identity",
            "outcome",
            "value",
            "range",
            "raw hex",
            "raw text",
            "asked utc",
            "took"
        ],
        "{table:?}"
    );
    for (word, said) in [("closed", "CLOS"), ("open", "OPEN")] {
        let told = bench.json("try", &["lux-head", "shutter", word, "--bytes"]);
        let talk = conversation(&told["traffic"]);
        let last = format!("from \"{said}\\n\"");
        assert!(talk.ends_with(&last), "{talk}");
    }
}

#[test]
fn a_press_by_hand_presses_once_and_lifts() {
    let bench = Bench::plain();
    let press = ["fingers", "press", "left", "60 ms"];
    let told = bench.told("try", &press);
    assert_eq!((told.code, bench.count(Event::Closed)), (64, 0), "{told:?}");
    let told = bench.told("try", &[&press[..], &["--way-is-clear"]].concat());
    assert_eq!((told.code, bench.count(Event::Closed)), (0, 1), "{told:?}");
    assert_eq!(bench.count(Event::Pressed), 1);
    let will = "finger `left` (channel 2) will press for 60 ms whatever it sits on";
    assert!(told.err.starts_with(will), "{told:?}");
    assert_eq!(bench.told("try", &["fingers", "release"]).code, 0);
    assert!(bench.wall.bench.person().sees_fingers_down().is_empty());
}

#[test]
fn a_rail_of_another_kind_is_tried_by_its_profile() {
    for (speaks, profile, said) in [
        (RailSpeech::Lines, "line-rail", "X:0.00 Y:0.00"),
        (RailSpeech::Registers, "register-rail", ""),
    ] {
        let bench = with_rail(speaks, profile);
        let rows = bench.json("probe", &[]);
        let rail = rows.as_array().expect("rows")[1].clone();
        assert_eq!(rail["device"], "rail", "{rows}");
        assert_eq!(rail["profile"], profile, "{rows}");
        assert_eq!(rail["ready"], true, "{rows}");
        let status = bench.json("try", &["rail", "status"]);
        assert!(status["at_mm"].is_null(), "{profile} {status}");
        let told = status["said"].as_str().expect("what it says");
        assert!(told.starts_with(said), "{profile} {told}");
        assert_eq!(bench.count(Event::Homed), 0, "{profile}");
        let told = bench.json("try", &["rail", "go", "500 mm", "--way-is-clear"]);
        assert_eq!(told["at_mm"], 500.0, "{profile}");
        assert_eq!(bench.count(Event::Homed), 1, "{profile}");
        let off = (bench.carriage() - Length::from_mm(500)).abs();
        assert!(off <= Length::from_um(100), "{profile} {off}");
    }
}

#[test]
fn the_carriage_finds_home_and_goes_where_it_is_sent() {
    let bench = Bench::plain();
    let status = bench.json("try", &["rail", "status"]);
    assert!(status["at_mm"].is_null(), "{status}");
    let said = status["said"].as_str().expect("what it says");
    assert!(said.starts_with('<') && said.ends_with('>'), "{said}");
    let told = bench.json("try", &["rail", "home", "--way-is-clear"]);
    assert_eq!(
        (&told["at_mm"], bench.count(Event::Homed)),
        (&Value::from(1.0), 1)
    );
    let told = bench.json("try", &["rail", "go", "500 mm", "--way-is-clear"]);
    assert_eq!(told["at_mm"], 500.0);
    assert_eq!(bench.count(Event::Homed), 2);
    // The switch's place is not known to the nanometre: a motor's step.
    let off = (bench.carriage() - Length::from_mm(500)).abs();
    assert!(off <= Length::from_um(100), "{off}");
}

#[test]
fn what_is_outside_the_limits_is_refused_and_nothing_is_sent() {
    let bench = Bench::plain();
    let cases: &[&[&str]] = &[
        &["rail", "go", "2001 mm", "--way-is-clear"],
        &["rail", "go", "0 mm", "--way-is-clear"],
        &["rail", "go", "500", "--way-is-clear"],
        &["rail", "go"],
        &["rail", "read"],
        &["rail", "dance"],
        &["lux-haed", "read"],
        &["fingers", "press", "rigth", "--way-is-clear"],
        &["fingers", "press", "left", "3 s", "--way-is-clear"],
    ];
    let shown = cases.iter().map(|words| {
        let shown = bench.whole("try", words);
        format!(
            "$ wakerail bench try bench.yaml {}\n{shown}",
            words.join(" ")
        )
    });
    insta::assert_snapshot!(shown.collect::<Vec<_>>().join("\n"));
    bench.write("dark: shutter", "dark: cap");
    let told = bench.told("try", &["lux-head", "shutter", "closed"]);
    assert_eq!(told.code, 64, "{told:?}");
    for event in [Event::RailAsked, Event::MeterAsked, Event::FingersAsked] {
        assert_eq!(bench.count(event), 0, "{event:?}");
    }
}

#[test]
fn without_a_terminal_and_without_a_word_nothing_moves() {
    let bench = Bench::plain();
    let shown = [
        bench.whole("try", &["rail", "home"]),
        bench.whole("try", &["rail", "go", "500 mm"]),
        bench.whole("try", &["fingers", "press", "left"]),
    ];
    insta::assert_snapshot!(shown.join("\n"));
    let asked = bench.count(Event::RailAsked) + bench.count(Event::FingersAsked);
    assert_eq!(asked, 0);
}

#[test]
fn a_verb_that_fails_says_how_the_device_was_left() {
    let cases: [(Fault, &[&str], &str); 2] = [
        (
            Fault::LimitHit,
            &["rail", "go", "1500 mm"],
            "; the carriage was halted\n",
        ),
        (
            Fault::WeldedCoil(2),
            &["fingers", "press", "left"],
            "; A FINGER MAY STILL BE DOWN (not followed: coil 2 does not open. Take the finger \
             off the lamp and check the relay board)\n",
        ),
    ];
    for (fault, words, left) in cases {
        let bench = Bench::with_fault(fault);
        let told = bench.told("try", &[words, &["--way-is-clear"]].concat());
        assert_eq!((told.code, told.out.as_str()), (74, ""), "{told:?}");
        assert!(told.err.contains(left), "{told:?}");
    }
}

/// A person at a terminal is asked and types `answer`; the exit code and the
/// screen.
fn at_a_terminal(bench: &Bench, answer: &str) -> (Option<i32>, String) {
    let (mut person, program) = terminal();
    let side = || Stdio::from(program.try_clone().expect("a side"));
    let file = bench.wall.file("bench.yaml");
    let mut child = Command::new(env!("CARGO_BIN_EXE_wakerail"))
        .env_clear()
        .args(["bench", "try", &file, "rail", "home"])
        .stdin(side())
        .stdout(side())
        .stderr(side())
        .spawn()
        .expect("the program runs");
    drop(program);
    let (mut screen, mut bytes, mut typed) = (String::new(), [0_u8; 4096], false);
    // Linux ends it with an error once the program's side is closed.
    while let Ok(count) = person.read(&mut bytes) {
        screen.push_str(&String::from_utf8_lossy(&bytes[..count]));
        if !typed && screen.contains("Is its way clear? [y/N]") {
            typed = true;
            person.write_all(answer.as_bytes()).expect("typed");
        }
    }
    (child.wait().expect("it ended").code(), screen)
}

#[test]
fn a_terminal_is_asked_before_the_carriage_moves() {
    let bench = Bench::plain();
    let (code, screen) = at_a_terminal(&bench, "\n");
    assert_eq!(
        (code, bench.count(Event::RailAsked)),
        (Some(130), 0),
        "{screen}"
    );
    assert!(screen.contains("is no emergency stop"), "{screen}");
    let (code, screen) = at_a_terminal(&bench, "y\n");
    assert_eq!((code, bench.count(Event::Homed)), (Some(0), 1), "{screen}");
}

/// Looks every 5 ms until it holds; the program must be at work meanwhile.
fn until(seat: &mut Seat, child: &mut Child, what: &str, mut holds: impl FnMut() -> bool) {
    while !holds() {
        let ended = child.try_wait().expect("it can be asked");
        assert!(ended.is_none(), "{what}: it ended: {ended:?}");
        let next = seat.now().mono + Span::from_ms(5);
        seat.wait(Some(next), None);
    }
}

/// Starts `bench try` with a word that all is clear.
fn begun(bench: &Bench, words: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_wakerail"))
        .env_clear()
        .args(["bench", "try", &bench.wall.file("bench.yaml")])
        .args(words)
        .arg("--way-is-clear")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program runs")
}

/// Interrupts it; all that it said.
fn interrupted(child: Child) -> String {
    let pid = child.id().to_string();
    let sent = Command::new("kill").args(["-s", "INT", &pid]).status();
    assert!(sent.expect("kill runs").success());
    let done = child.wait_with_output().expect("it ended");
    let err = String::from_utf8_lossy(&done.stderr).into_owned();
    assert_eq!(done.status.code(), Some(130), "{err}");
    err
}

/// At 50 mm/s the way takes 38 s; it is broken off at 100 mm.
#[test]
fn a_signal_stops_the_carriage_on_its_way() {
    let bench = Bench::start(|spec| spec.rail.speed = Speed::from_nm_per_s(50_000_000));
    bench.write("speed: 2000 mm/s", "speed: 50 mm/s");
    let mut child = begun(&bench, &["rail", "go", "1900 mm"]);
    let mut seat = bench.clock.seat("onlooker");
    let near = |mm| bench.carriage() < Length::from_mm(mm);
    until(&mut seat, &mut child, "homing", || near(50));
    until(&mut seat, &mut child, "on its way", || !near(100));
    assert!(bench.wall.bench.person().sees_motion(bench.now()));
    let err = interrupted(child);
    let last = "wakerail: broken off; the carriage was halted\n";
    assert!(err.ends_with(last), "{err}");
    assert!(!bench.wall.bench.person().sees_motion(bench.now()), "{err}");
    assert!(near(1899), "it went on to its end");
}

#[test]
fn a_signal_lifts_the_finger() {
    let bench = Bench::plain();
    let person = bench.wall.bench.person();
    let mut child = begun(&bench, &["fingers", "press", "left", "2 s"]);
    let mut seat = bench.clock.seat("onlooker");
    until(&mut seat, &mut child, "a press", || {
        person.sees_fingers_down() == [2]
    });
    let err = interrupted(child);
    let last = "wakerail: broken off; all fingers are off\n";
    assert!(err.ends_with(last), "{err}");
    assert!(person.sees_fingers_down().is_empty(), "{err}");
}

/// A bench with mains relays and a lamp that is told its level beside the usual three.
fn with_outlets_and_control() -> Bench {
    let (clock, folder) = (Clock::wall(), tempfile::tempdir().expect("a folder"));
    let more = [Device::Outlets, Device::Level];
    let wall = WallBench::with(folder.path(), wall::spec(107), &more);
    let bench = Bench {
        clock,
        wall,
        folder,
    };
    let port = |name: &str, device: &str| {
        let path = bench.wall.file(device);
        format!("  {name}: {{serial: {path}, baud: 115200}}\n")
    };
    let ports = format!(
        "{}{}",
        port("outlet-port", "outlets"),
        port("level-port", "level")
    );
    bench.write("ports:\n", &format!("ports:\n{ports}"));
    bench.write(
        "made-safe:",
        "outlets: {port: outlet-port, channels: {lamp: 1}}\ncontrol: {port: level-port}\nmade-safe:",
    );
    bench
}

/// What lights or has mains voltage needs a person's word, and goes off when told.
#[test]
fn outlets_and_a_lamps_control_are_tried_by_hand() {
    let bench = with_outlets_and_control();
    let rows = bench.json("probe", &[]);
    let rows = rows.as_array().expect("rows");
    let ready = rows.iter().filter(|row| row["ready"] == true);
    assert_eq!((rows.len(), ready.count()), (5, 5), "{rows:#?}");
    let clear = "--way-is-clear";
    let refused: [&[&str]; 6] = [
        &["control", "level", "3"],
        &["outlets", "on", "lamp"],
        &["outlets", "on", "lmap", clear],
        &["outlets", "level", "3", clear],
        &["control", "level", "bright", clear],
        &["control", "level", "3", "wärmer", clear],
    ];
    let mut told = Vec::new();
    for words in refused {
        let shown = bench.whole("try", words);
        told.push(format!(
            "$ wakerail bench try bench.yaml {}\n{shown}",
            words.join(" ")
        ));
    }
    insta::assert_snapshot!(told.join("\n"));
    assert_eq!(bench.count(Event::LevelTold), 0, "nothing was sent");
    let person = || bench.wall.bench.person();
    assert_eq!(bench.told("try", &["control", "level", "3", clear]).code, 0);
    assert_eq!(person().sees_level(bench.now()), 3);
    // A mode that the lamp does not have, and a level beyond its last.
    for words in [
        ["control", "level", "3", "green", clear].as_slice(),
        &["control", "level", "99", clear],
    ] {
        assert_ne!(bench.told("try", words).code, 0, "{words:?}");
    }
    assert_eq!(bench.told("try", &["control", "off"]).code, 0);
    assert_eq!(person().sees_level(bench.now()), 0);
    assert_eq!(bench.told("try", &["outlets", "on", "lamp", clear]).code, 0);
    assert_eq!(person().sees_relays_closed(bench.now()), [1]);
    assert_eq!(bench.told("try", &["outlets", "off"]).code, 0);
    assert!(person().sees_relays_closed(bench.now()).is_empty());
}
