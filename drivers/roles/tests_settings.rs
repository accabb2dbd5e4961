//! The settings of a profile before each role's device: told at every opening, read
//! back, and told with the value that a bench file gave in place of the profile's.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use photometry::units::{Mono, Span};

use super::photometer::Photometer;
use super::positioner::Positioner;
use super::presser::Presser;
use super::profiled_fingers::ProfiledFingers;
use super::profiled_meter::ProfiledMeter;
use super::profiled_rail::ProfiledRail;
use super::tests::rail_card;
use crate::error::DriverError;
use crate::exchange::talk::Talk;
use crate::exchange::testing::converse;
use crate::link::wire::Machine;
use crate::profile::read;
use crate::profile::testing::tern;
use crate::profile::types::Profile;

const METER: &str = r#"profile: tern
format: 1
role: meter
about: a meter with a gain
lines: {longest-answer: 100 ms}
unit: lx
settings:
  mode: {set: "MODE {value}", ask: "MODE?", in: word, value: FAST}
  gain: {set: "GAIN {value}", ask: "GAIN?", value: 2, between: [1, 4]}
read-illuminance: {ask: "E?", answer: "{illuminance}"}
samples: [{read-illuminance: "12", gives: 12 lx}]
"#;

const FINGERS: &str = r#"profile: knot
format: 1
role: fingers
about: a relay board that can be told how soft it closes
lines: {longest-answer: 100 ms}
settings:
  mode: {set: "MODE {value}", ask: "MODE?", in: word, value: FAST}
  gain: {set: "GAIN {value}", ask: "GAIN?", value: 2, between: [1, 4]}
close-coil: {tell: "ON {coil}"}
open-coil: {tell: "OFF {coil}"}
open-all-coils: {tell: "ALL OFF"}
read-coil: {ask: "COIL?", answer: "{closed}"}
samples: [{read-coil: "1", gives: closed}]
"#;

const RAIL: &str = r#"profile: dunlin
format: 1
role: rail
about: a rail that can be told how much current its motor gets
lines: {longest-answer: 100 ms}
acks: {good: ok, bad: "error:{code}", banner: start}
settings:
  mode: {set: "MODE {value}", ask: "MODE?", in: word, value: FAST}
  gain: {set: "GAIN {value}", ask: "GAIN?", value: 2, between: [1, 4]}
find-home: {set: HOME}
go: {set: "X{target}"}
wait-for-rest: {set: WAIT}
read-place: {ask: "X?", answer: "X:{at}"}
stop: {tell: STOP}
samples: [{read-place: "X:5", gives: 5 mm}]
"#;

/// What a device was told, and in which order.
type Told = Arc<Mutex<Vec<String>>>;

/// Keeps what it is told, `NAME VALUE`, and says it when it is asked, `NAME?`.
struct Keeps {
    /// Each line is followed by this.
    ack: &'static str,
    /// It sets no gain but this one.
    stuck_at: Option<&'static str>,
    kept: BTreeMap<String, String>,
    told: Told,
    input: Vec<u8>,
    says: Vec<u8>,
    due: Option<Mono>,
}

impl Keeps {
    fn new(ack: &'static str, stuck_at: Option<&'static str>, told: &Told) -> Keeps {
        let known = [("COIL", "0"), ("E", "12"), ("X", "X:0")];
        let known = known.map(|(name, value)| (name.to_owned(), value.to_owned()));
        Keeps {
            ack,
            stuck_at,
            kept: known.into(),
            told: Arc::clone(told),
            input: Vec::new(),
            says: Vec::new(),
            due: None,
        }
    }

    fn hear(&mut self, line: &str) {
        if let Some(name) = line.strip_suffix('?') {
            if let Some(kept) = self.kept.get(name) {
                self.says.extend(format!("{kept}\n").bytes());
            }
        } else if let Some((name, value)) = line.split_once(' ') {
            let stuck = self.stuck_at.filter(|_| name == "GAIN");
            let value = stuck.unwrap_or(value).to_owned();
            self.kept.insert(name.to_owned(), value);
            self.told.lock().expect("told").push(line.to_owned());
        }
        self.says.extend(self.ack.bytes());
    }
}

impl Machine for Keeps {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        for &byte in bytes {
            match byte {
                b'\n' => {
                    let line = std::mem::take(&mut self.input);
                    self.hear(&String::from_utf8_lossy(&line));
                }
                _ => self.input.push(byte),
            }
        }
        self.due = (!self.says.is_empty()).then_some(now);
    }

    fn next_due(&self) -> Option<Mono> {
        self.due
    }

    fn due(&mut self, _: Mono) -> Vec<u8> {
        self.due = None;
        std::mem::take(&mut self.says)
    }
}

/// How a role's device is opened, once and again; a rail finds its home as well.
type Opens = fn(Arc<Profile>, &mut Talk<'_>) -> Result<(), DriverError>;

const ROLES: [(&str, &str, Opens); 3] = [
    (METER, "", |profile, talk| {
        let mut meter = ProfiledMeter::new(tern(Span::from_ms(1)), profile, None);
        meter.open(talk)?;
        meter.open(talk).map(|_| ())
    }),
    (FINGERS, "", |profile, talk| {
        let mut fingers = ProfiledFingers::new(vec![1], profile, None);
        fingers.open(talk)?;
        fingers.open(talk).map(|_| ())
    }),
    (RAIL, "ok\n", |profile, talk| {
        let mut rail = ProfiledRail::new(rail_card(), profile, None);
        rail.open(talk)?;
        rail.home(talk).map(|_| ())
    }),
];

/// What a role's device was told of its settings, and what came of it.
fn opened(
    (text, ack, opens): (&str, &'static str, Opens),
    given: &[(&str, &str)],
    stuck_at: Option<&'static str>,
) -> (Vec<String>, Result<(), DriverError>) {
    let (mut profile, _) = read::profile("p.yaml", text).unwrap_or_else(|no| panic!("{no}"));
    for (name, value) in given {
        assert!(profile.give(name, value), "{name}");
    }
    let told = Told::default();
    let device = Keeps::new(ack, stuck_at, &told);
    let came = converse(device, |talk| opens(Arc::new(profile), talk));
    let told = told.lock().expect("told").clone();
    let known = |line: &String| line.starts_with("GAIN") || line.starts_with("MODE");
    (told.into_iter().filter(known).collect(), came)
}

#[test]
fn settings_are_told_at_every_opening_with_the_value_in_force() {
    for role in ROLES {
        let (told, came) = opened(role, &[], None);
        came.expect("it opens");
        let own = ["MODE FAST", "GAIN 2"];
        assert_eq!(told, [own, own].concat(), "{}", role.0);
        let (told, came) = opened(role, &[("gain", "4")], None);
        came.expect("it opens");
        let given = ["MODE FAST", "GAIN 4"];
        assert_eq!(told, [given, given].concat(), "{}", role.0);
    }
}

#[test]
fn a_value_in_force_that_does_not_read_back_is_named() {
    for role in ROLES {
        let (told, came) = opened(role, &[("gain", "4")], Some("2"));
        let error = came.expect_err("it kept another");
        let DriverError::NotTaken {
            setting,
            wanted,
            got,
        } = &error
        else {
            panic!("{error}");
        };
        assert_eq!([setting, wanted, got], ["gain", "4", "2"]);
        assert_eq!(told, ["MODE FAST", "GAIN 4"], "{}", role.0);
    }
}

/// A meter that may have started anew is set up again, with the same value.
#[test]
fn a_meter_is_set_up_again_with_the_value_in_force() {
    let (mut profile, _) = read::profile("p.yaml", METER).unwrap_or_else(|no| panic!("{no}"));
    assert!(profile.give("gain", "3"));
    let told = Told::default();
    converse(Keeps::new("", None, &told), |talk| {
        let mut meter = ProfiledMeter::new(tern(Span::from_ms(1)), Arc::new(profile), None);
        meter.open(talk).expect("it opens");
        talk.distrust();
        let reading = meter.read_illuminance(talk).expect("a reading");
        assert_eq!(reading.outcome.value(), Some(12.0), "{reading:?}");
    });
    let told = told.lock().expect("told").clone();
    let given = ["MODE FAST", "GAIN 3"];
    assert_eq!(told, [given, given].concat());
}
