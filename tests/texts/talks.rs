//! A conversation as a text: what is asked of which device, and what it says.
//!
//! ```text
//!  lines                 who is spoken to, and how: the first line
//!  : 5 12.5\n            to the first question: milliseconds after it, and bytes
//!  + 7 777\n             and besides
//!  :                     to the second question: nothing
//!  @ 20 0.5 klx LIVE\r\n by itself, milliseconds after the beginning
//! ```
//!
//! Bytes are written as they are; `\n`, `\r`, `\\` and `\x0A` stand for one. A line
//! that is none of these says nothing. Used by the corpus, and by whoever looks for
//! more of it.

use drivers::error::DriverError;
use drivers::exchange::modbus::ask;
use drivers::exchange::modbus::frames::Form;
use drivers::exchange::modbus::request::RegisterSpace;
use drivers::exchange::modbus::resync;
use drivers::exchange::modbus::station::{Limits, Station};
use drivers::exchange::talk::Talk;
use drivers::exchange::{ack, line};
use drivers::profile::perform::{self, Given};
use drivers::profile::read;
use drivers::profile::types::{Profile, ProfileVerb, Speech};
use photometry::units::Span;

use crate::device::{Piece, Says, with_device};
use crate::readings::{profile, shown};

/// Answers that are read of one text.
const ANSWERS_AT_MOST: usize = 40;
/// Later than this nothing is waited for.
const MS_AT_MOST: i64 = 100_000;

/// The bytes that a text stands for.
pub fn bytes(text: &str) -> Vec<u8> {
    let (mut found, text) = (Vec::new(), text.as_bytes());
    let mut at = 0;
    while at < text.len() {
        let rest = &text[at..];
        let hex = |b: u8| char::from(b).to_digit(16).map(|digit| digit as u8);
        let (byte, long) = match rest {
            [b'\\', b'n', ..] => (b'\n', 2),
            [b'\\', b'r', ..] => (b'\r', 2),
            [b'\\', b'\\', ..] => (b'\\', 2),
            [b'\\', b'x', high, low, ..] => match (hex(*high), hex(*low)) {
                (Some(high), Some(low)) => (high << 4 | low, 4),
                _ => (b'\\', 1),
            },
            [byte, ..] => (*byte, 1),
            [] => break,
        };
        found.push(byte);
        at += long;
    }
    found
}

fn piece(text: &str) -> Option<Piece> {
    let (ms, said) = text.trim_start_matches(' ').split_once(' ')?;
    let ms = ms.parse::<i64>().ok()?;
    (0..=MS_AT_MOST).contains(&ms).then(|| (ms, bytes(said)))
}

/// Who is spoken to, and what it says.
pub fn parsed(text: &str) -> (&str, Says) {
    let mut lines = text.split('\n');
    let who = lines.next().unwrap_or_default().trim();
    let mut says = Says::default();
    for line in lines.take(2 * ANSWERS_AT_MOST) {
        if let Some(rest) = line.strip_prefix(':') {
            if says.answers.len() < ANSWERS_AT_MOST {
                says.answers.push(piece(rest).into_iter().collect());
            }
        } else if let Some(rest) = line.strip_prefix('+')
            && let Some(last) = says.answers.last_mut()
        {
            last.extend(piece(rest));
        } else if let Some(rest) = line.strip_prefix('@') {
            says.alone.extend(piece(rest));
        }
    }
    (who, says)
}

fn error(error: &DriverError) -> String {
    let told = error.to_string();
    assert!(!told.chars().any(char::is_control), "{told:?}");
    // What to do about it is in other snapshots.
    told.split(". ").next().unwrap_or_default().to_owned()
}

fn lines(talk: &mut Talk<'_>) -> Vec<String> {
    let within = Span::from_secs(1);
    let mut told = Vec::new();
    for question in ["READ?", "RANG?", "READ?"] {
        told.push(match line::ask(talk, question, within) {
            Ok(answer) => format!("{} {:?}", shown(&answer.text), answer.flags()),
            Err(why) => error(&why),
        });
    }
    told.push(match line::set(talk, "APER 1") {
        Ok(()) => "taken".to_owned(),
        Err(why) => error(&why),
    });
    told
}

fn acks(talk: &mut Talk<'_>, rail: &Profile) -> Vec<String> {
    let within = Span::from_secs(1);
    let mut told = Vec::new();
    for line in ["G21", "G0 X5"] {
        told.push(match ack::send(talk, line, within) {
            Ok(accepted) => format!("ok {:?}", accepted.aside),
            Err(why) => error(&why),
        });
    }
    told.push(verb(talk, rail, ProfileVerb::ReadPlace, None));
    told
}

/// The fields that a verb of a profile gives.
fn verb(
    talk: &mut Talk<'_>,
    profile: &Profile,
    verb: ProfileVerb,
    station: Option<&Station>,
) -> String {
    let given = Given {
        values: &[("coil", "3"), ("target", "5"), ("speed", "100")],
        integration: Span::from_ms(200),
        ..Given::of(profile, station)
    };
    let Some(steps) = profile.steps(verb) else {
        return "no such verb".to_owned();
    };
    match perform::perform(talk, steps, given) {
        Ok(performed) => {
            let names = ["illuminance", "unit", "flag", "range", "at", "state"];
            let names = names.iter().chain(&["status", "closed", "switch"]);
            let found = names.filter_map(|name| {
                let text = performed.found.get(name)?;
                Some(format!("{name} {}", shown(text)))
            });
            let found: Vec<String> = found.collect();
            format!("{} {:?}", found.join(", "), performed.flags)
        }
        Err(not) => error(&not.into()),
    }
}

/// Reads light twice, sets the first setting, and asks who it is.
fn meter(talk: &mut Talk<'_>, meter: &Profile) -> Vec<String> {
    let given = Given::of(meter, None);
    let mut told = vec![
        verb(talk, meter, ProfileVerb::ReadIlluminance, None),
        verb(talk, meter, ProfileVerb::ReadIlluminance, None),
    ];
    if let Some(setting) = meter.settings.first() {
        told.push(match perform::set(talk, setting, "1", given) {
            Ok(()) => format!("{} is 1", setting.name),
            Err(why) => error(&why),
        });
    }
    if !meter.identity.is_empty() {
        told.push(match perform::identify(talk, &meter.identity, given) {
            Ok(who) => format!("{} {:?}", shown(&who.raw), who.serial),
            Err(why) => error(&why),
        });
    }
    told
}

/// A device of registers by its profile: the link made sure of, then each verb.
fn by_registers(talk: &mut Talk<'_>, profile: &Profile, verbs: &[ProfileVerb]) -> Vec<String> {
    let station = profile.station(1, Form::Rtu).expect("registers");
    let mut told = vec![match resync::resynchronise(talk, &station) {
        Ok(found) => format!("{found:?}"),
        Err(why) => error(&why),
    }];
    let all = verbs.iter();
    told.extend(all.map(|one| verb(talk, profile, *one, Some(&station))));
    told
}

/// Steps that no shipped profile has.
const TERN: &str = r#"profile: tern
format: 1
role: meter
about: a meter with steps of many kinds
unit: lx
lines: {end: lf, answer-within: 1 s, longest-answer: 2 s}
resync: quiet
identity: {ask: "WHO", answer: "{maker},{serial}"}
settings:
  gain: {set: "G {value}", value: 3, between: [2, 9]}
read-illuminance:
  - {tell: "ARM"}
  - {until: "STATE?", answer: "{state}", is: {state: ready}, every: 100 ms, within: 500 ms}
  - {ask: "MODE?", answer: "{mode:word}", is: {mode: FAST}}
  - {ask: "READ?", answer: "{illuminance:number} {unit:word}"}
  - {ask: "READ?", answer: "{illuminance:number} {unit:word}"}
samples: [{read-illuminance: "12 lx", gives: 12 lx}]
"#;

fn modbus(talk: &mut Talk<'_>, name: &str, form: Form, echo: bool) -> Vec<String> {
    let profile = profile(name);
    let mut station = profile.station(1, form).expect("registers");
    station.echo = echo;
    let limits = Limits {
        within: Span::from_ms(300),
        retries: 1,
    };
    let mut told = Vec::new();
    for count in [2, 3] {
        let came = ask::read_registers(talk, &station, RegisterSpace::Input, 0, count, limits);
        told.push(match came {
            Ok(answer) => {
                assert_eq!(answer.value.len(), usize::from(count));
                format!("{:04X?} {:?}", answer.value, answer.flags())
            }
            Err(why) => error(&why),
        });
    }
    told.push(match ask::write_coil(talk, &station, 2, true, limits) {
        Ok(answer) => format!("written {:?}", answer.flags()),
        Err(why) => error(&why),
    });
    told
}

/// Everything that is asked in a conversation, and what came of it.
pub fn told(text: &str) -> Option<String> {
    let (who, says) = parsed(text);
    talked(who, says)
}

/// The same of a device that says this; none where nobody is called so.
pub fn talked(who: &str, mut says: Says) -> Option<String> {
    says.by_frames = matches!(who, "rtu" | "rtu-echo" | "tcp" | "frame-luxmeter")
        || who.starts_with("register-");
    let shutters = [
        ProfileVerb::CloseCoil,
        ProfileVerb::ReadCoil,
        ProfileVerb::OpenAllCoils,
    ];
    let known = [
        "tern",
        "asked-relays",
        "register-luxmeter",
        "register-relays",
        "register-rail",
        "lines",
        "rtu",
        "rtu-echo",
        "tcp",
        "byte-rail",
        "line-rail",
        "asked-luxmeter",
        "heard-luxmeter",
        "block-luxmeter",
        "frame-luxmeter",
    ];
    if !known.contains(&who) {
        return None;
    }
    let told = with_device(says, |talk| {
        let mut told = match who {
            "lines" => lines(talk),
            "rtu" => modbus(talk, "register-luxmeter", Form::Rtu, false),
            "rtu-echo" => modbus(talk, "register-luxmeter", Form::Rtu, true),
            "tcp" => modbus(talk, "register-luxmeter", Form::Tcp, false),
            "register-luxmeter" => {
                let light = [ProfileVerb::ReadIlluminance; 2];
                by_registers(talk, &profile(who), &light)
            }
            "register-relays" => by_registers(talk, &profile(who), &shutters),
            "register-rail" => {
                let verbs = [ProfileVerb::ReadPlace, ProfileVerb::Go, ProfileVerb::Stop];
                by_registers(talk, &profile(who), &verbs)
            }
            name => {
                let profile = match name {
                    "tern" => read::profile("tern.yaml", TERN)
                        .expect("a profile")
                        .0
                        .into(),
                    name => profile(name),
                };
                if let Speech::Lines(manner) | Speech::Frames(manner) = &profile.speech {
                    talk.follow(manner.clone());
                }
                match name {
                    "byte-rail" | "line-rail" => acks(talk, &profile),
                    "asked-relays" => {
                        let verbs = shutters.iter();
                        verbs.map(|one| verb(talk, &profile, *one, None)).collect()
                    }
                    _ => meter(talk, &profile),
                }
            }
        };
        let state = talk.state();
        told.push(format!(
            "{} thrown away, {} resyncs, {:?}",
            state.counts().thrown(),
            state.resyncs(),
            talk.now().mono
        ));
        told
    });
    Some(told.join(" | "))
}
