//! What each reader of bytes makes of some, in a line: for the corpus, and for
//! whoever looks for bytes that lead elsewhere.

use std::sync::{Arc, OnceLock};

use drivers::clock::Clock;
use drivers::exchange::block::{self, Length};
use drivers::exchange::frame;
use drivers::exchange::manner::{LineEnd, Manner};
use drivers::exchange::modbus::frames::{self, Form, Outcome};
use drivers::exchange::modbus::request::{BitSpace, RegisterSpace, Request};
use drivers::exchange::modbus::words;
use drivers::exchange::scpi;
use drivers::exchange::talk::{LinkState, Talk};
use drivers::link::wire::memory_wire;
use drivers::link::{Address, Link};
use drivers::profile::samples::told as told_by;
use drivers::profile::shipped::SHIPPED;
use drivers::profile::types::{Profile, ProfileVerb, Sample, SampleAnswer, VERBS};
use drivers::profile::value::{self, IlluminanceUnit};
use photometry::measured::Quantity;
use photometry::units::{Length as Way, Lux, Mono, Ratio, Span, Wall};
use wakerail::bench::profiles::{Kind, ProfileBook, of};
use wakerail::plan::frozen::SentText;
use wakerail::plan::profiles::{Profiles, UsedProfile};
use wakerail::script::codec;
use written::{Mistake, Mistakes, Severity};

use crate::talks;

/// How the files of a reader are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Written {
    /// As they are.
    Text,
    /// In hexadecimal digits.
    Hex,
}

/// A reader of bytes: its name, how its files are written, and what it makes of
/// bytes; none where it is not asked.
pub type Reading = (&'static str, Written, fn(&[u8]) -> Option<String>);

/// All of them.
pub const READINGS: &[Reading] = &[
    ("lines", Written::Text, |bytes| Some(lines(bytes))),
    ("answers", Written::Text, |bytes| text(bytes).map(answers)),
    ("blocks", Written::Hex, |bytes| Some(blocks(bytes))),
    ("frames-rtu", Written::Hex, |b| Some(modbus(Form::Rtu, b))),
    ("frames-tcp", Written::Hex, |b| Some(modbus(Form::Tcp, b))),
    ("registers", Written::Hex, |bytes| Some(registers(bytes))),
    ("codec-frames", Written::Hex, |bytes| Some(framed(bytes))),
    ("codecs", Written::Text, |bytes| text(bytes).map(codecs)),
    ("profiles", Written::Text, |bytes| text(bytes).map(profiles)),
    ("quantities", Written::Text, |bytes| {
        text(bytes).map(quantities)
    }),
    ("talks", Written::Text, |b| text(b).and_then(talks::told)),
];

fn text(bytes: &[u8]) -> Option<&str> {
    std::str::from_utf8(bytes).ok()
}

/// A text for a line: no control characters, its length where it is cut.
pub fn shown(text: &str) -> String {
    const AT_MOST: usize = 60;
    let count = text.chars().count();
    match count > AT_MOST {
        true => {
            let first: String = text.chars().take(AT_MOST).collect();
            format!("{first:?} and {} more", count - AT_MOST)
        }
        false => format!("{text:?}"),
    }
}

/// A shipped profile, its codec with it.
///
/// # Panics
/// When there is none of this name.
pub fn profile(name: &str) -> Arc<Profile> {
    let found = shipped().iter().find(|profile| profile.name == name);
    Arc::clone(found.expect("a shipped profile"))
}

fn shipped() -> &'static [Arc<Profile>] {
    static ALL: OnceLock<Vec<Arc<Profile>>> = OnceLock::new();
    ALL.get_or_init(|| {
        let used = |text: &(&str, &str)| SentText {
            name: text.0.to_owned(),
            text: text.1.to_owned(),
        };
        let read = |shipped: &drivers::profile::shipped::Shipped| {
            let used = UsedProfile {
                name: shipped.name.to_owned(),
                text: shipped.text.to_owned(),
                codec: shipped.codec.as_ref().map(used),
                settings: Vec::new(),
            };
            of(Some(&used), Kind::Meter(Quantity::Illuminance)).expect("a shipped profile")
        };
        SHIPPED.iter().map(read).collect()
    })
}

/// A stream cut into lines, whatever ends them.
fn lines(bytes: &[u8]) -> String {
    let ends = [("lf", LineEnd::Lf), ("cr", LineEnd::Cr)];
    let told = ends.map(|(name, end)| {
        let manner = Manner {
            end,
            ..Manner::default()
        };
        let (lines, thrown) = cut(bytes, manner);
        let count = lines.len();
        let lines: Vec<String> = lines.iter().take(8).map(|line| shown(line)).collect();
        format!("{name} {count}: {} thrown {thrown}", lines.join(" "))
    });
    told.join(" | ")
}

/// The lines of a stream and how many bytes were thrown away, by the splitter itself:
/// bytes are put on the wire whenever it wants some.
pub fn cut(bytes: &[u8], manner: Manner) -> (Vec<String>, u64) {
    let clock = Clock::simulated(Wall::from_us(0), Mono::ZERO);
    let mut port = clock.seats(&["port"]).pop().expect("a seat");
    let _flow = clock.hold_flow();
    let mut wire = memory_wire(&clock, "device");
    let mut link = Link::open(&Address::memory("device"), &clock).expect("a link");
    let never = std::sync::atomic::AtomicBool::new(false);
    let mut state = LinkState::new();
    let mut talk = Talk::new(&mut port, &mut link, &never, &mut state);
    talk.follow(manner);
    let mut found = Vec::new();
    let mut pieces = bytes.chunks(1500);
    loop {
        let until = talk.now().mono + Span::from_ms(10);
        match talk.next_line(until) {
            Ok(Some(line)) => found.push(line.text()),
            Ok(None) => match pieces.next() {
                Some(piece) => wire.write(piece).expect("memory"),
                None => break,
            },
            Err(why) => return (vec![why.to_string()], 0),
        }
    }
    let held: usize = found.iter().map(String::len).sum();
    assert!(held <= 2 * bytes.len(), "{held} bytes of {}", bytes.len());
    talk.drain().expect("a link");
    (found, talk.state().counts().thrown())
}

/// All that shipped profiles make of an answer, what they refuse left out.
pub fn by_profiles(answer: &SampleAnswer) -> Vec<String> {
    let verbs = VERBS.iter().map(|form| (form.word, Some(form.verb)));
    let others = [("identity", None), ("heard", Some(ProfileVerb::Heard))];
    let verbs: Vec<_> = verbs.chain(others).collect();
    let mut found = Vec::new();
    for profile in shipped() {
        for (word, verb) in &verbs {
            let sample = Sample {
                verb: *verb,
                answer: answer.clone(),
                gives: String::new(),
            };
            let told = told_by(profile, &sample);
            if told != "refused" {
                found.push(format!("{} {word} {}", profile.name, shown(&told)));
            }
        }
    }
    found
}

fn joined(found: &[String]) -> String {
    match found.is_empty() {
        true => "refused".to_owned(),
        false => found.join(" | "),
    }
}

/// A line of a device.
fn answers(text: &str) -> String {
    let mut found = Vec::new();
    if let Some(number) = scpi::number(text) {
        found.push(format!("{number:?}"));
    }
    if let Some(complaint) = scpi::complaint(text) {
        found.push(format!("{} {}", complaint.code, shown(&complaint.text)));
    }
    if let Some(channels) = scpi::channels(text) {
        assert!(channels.len() <= scpi::CHANNELS_AT_MOST);
        found.push(format!("{channels:?}"));
    }
    if let Some(unit) = IlluminanceUnit::read(text) {
        found.push(format!("{unit:?}"));
    }
    if let Some(closed) = value::closed(text) {
        found.push(format!("closed {closed}"));
    }
    found.extend(by_profiles(&SampleAnswer::Line(text.to_owned())));
    joined(&found)
}

fn extent(found: Result<block::Extent, block::Malformed>, bytes: &[u8]) -> String {
    match found {
        Ok(block::Extent::More(wanted)) => {
            assert!(wanted > bytes.len());
            format!("{wanted} wanted")
        }
        Ok(block::Extent::Whole(frame)) => {
            assert!(frame.rest.end <= bytes.len());
            format!("whole {:?} {:?}", frame.payload, frame.rest)
        }
        Err(malformed) => {
            assert!(malformed.bytes <= bytes.len());
            format!("{} ({})", malformed.why, malformed.bytes)
        }
    }
}

fn blocks(bytes: &[u8]) -> String {
    let cases = [
        ("lf 4", LineEnd::Lf, Length::Exactly(4)),
        ("cr at most 16", LineEnd::Cr, Length::AtMost(16)),
    ];
    let told = cases.map(|(name, end, length)| {
        let told = extent(block::extent(bytes, end, length), bytes);
        format!("{name}: {}", told.escape_debug())
    });
    let mut told = told.to_vec();
    told.extend(by_profiles(&SampleAnswer::Bytes(bytes.to_vec())));
    told.join(" | ")
}

/// What was asked of unit 1 in transaction 258.
fn requests() -> [(&'static str, Request); 6] {
    let registers = Request::ReadRegisters {
        space: RegisterSpace::Holding,
        at: 0,
        count: 2,
    };
    let coils = Request::ReadBits {
        space: BitSpace::Coils,
        at: 0,
        count: 10,
    };
    let on = vec![true, false, true];
    let values = vec![1, 2];
    [
        ("registers", registers),
        ("coils", coils),
        ("coil", Request::WriteCoil { at: 5, on: true }),
        ("register", Request::WriteRegister { at: 5, value: 7 }),
        ("many coils", Request::WriteCoils { at: 5, on }),
        ("many registers", Request::WriteRegisters { at: 5, values }),
    ]
}

fn modbus(form: Form, bytes: &[u8]) -> String {
    let mut told = vec![format!("{:?}", frames::extent(form, bytes))];
    let mut mismatches = Vec::new();
    for (name, request) in requests() {
        match frames::decode(form, 1, 258, &request, bytes) {
            Ok(Outcome::Done(data)) => {
                assert_eq!(data.len(), request.data_bytes().unwrap_or(0));
                told.push(format!("{name} {data:02X?}"));
            }
            Ok(Outcome::Refused(why)) => {
                told.push(format!("{name} refused {} {}", why.0, why.meaning()));
            }
            Err(why) => mismatches.push((name, why)),
        }
    }
    let same = mismatches.windows(2).all(|two| two[0].1 == two[1].1);
    if mismatches.len() == 6 && same {
        told.push(format!("none: {:?}", mismatches[0].1));
    } else {
        let all = mismatches.iter();
        told.extend(all.map(|(name, why)| format!("{name} no: {why:?}")));
    }
    told.join(" | ")
}

/// Registers as numbers, and as answers to the shipped profiles.
fn registers(bytes: &[u8]) -> String {
    let registers = frames::registers(bytes);
    let forms = [
        ("u16", words::Form::U16),
        ("i16", words::Form::I16),
        ("u32", words::Form::U32),
        ("i32", words::Form::I32),
        ("f32", words::Form::F32),
        ("f64", words::Form::F64),
    ];
    let orders = [
        words::Order::Abcd,
        words::Order::Cdab,
        words::Order::Badc,
        words::Order::Dcba,
    ];
    let mut found = Vec::new();
    for (name, form) in forms {
        let read = orders.map(|order| words::number(form, order, &registers));
        if let Some(numbers) = read.into_iter().collect::<Option<Vec<f64>>>() {
            found.push(format!("{name} {numbers:?}"));
        }
        // What can be read can be written again, or is no number.
        for (order, number) in orders.iter().zip(read) {
            let Some(number) = number else { continue };
            let again = words::registers(form, *order, number);
            assert!(!number.is_finite() || again.as_deref() == Ok(&registers));
        }
    }
    found.extend(by_profiles(&SampleAnswer::Words(registers)));
    joined(&found)
}

/// A frame through the shipped codec: how far it reaches, and what it says.
fn framed(bytes: &[u8]) -> String {
    let profile = profile("frame-luxmeter");
    let codec = &profile.codec.as_ref().expect("a codec").0;
    let need = |come: &[u8]| codec.need(come);
    let reach = frame::Extent::default().reach(bytes, &need);
    let mut told = vec![match reach {
        Ok(reach) => format!("{reach:?}"),
        Err(why) => why.to_string(),
    }];
    for word in ["who", "read", "integration"] {
        told.push(match codec.decode(word, bytes) {
            Ok(fields) => {
                let fields = fields
                    .iter()
                    .map(|(name, text)| format!("{name} {}", shown(text)));
                format!("{word}: {}", fields.collect::<Vec<_>>().join(", "))
            }
            Err(why) => format!("{word}: {why}"),
        });
    }
    told.extend(by_profiles(&SampleAnswer::Bytes(bytes.to_vec())));
    told.join(" | ")
}

/// A codec, and what it makes of three bytes.
fn codecs(text: &str) -> String {
    let script = match codec::compile("c.rhai", text, &["value"]) {
        Ok(script) => script,
        Err(mistakes) => {
            let told = mistakes.iter().take(8);
            let told = told.map(|m| format!("{}:{} {}", m.line, m.column, shown(&m.message)));
            return told.collect::<Vec<_>>().join(" | ");
        }
    };
    let three = [0x02, 0x02, 0x52];
    let told = [
        script
            .encode("read", &[("value", "200")])
            .map(|bytes| format!("{bytes:02X?}")),
        script.need(&three).map(|more| format!("{more} more")),
        script
            .decode("read", &three)
            .map(|fields| shown(&format!("{fields:?}"))),
    ];
    let told = told.map(|told| told.unwrap_or_else(|fault| shown(&fault.message)));
    told.join(" | ")
}

fn mistakes(mistakes: Vec<Mistake>) -> String {
    const AT_MOST: usize = 12;
    let count = mistakes.len();
    let told = mistakes.iter().take(AT_MOST).map(|mistake| {
        let warning = match mistake.severity {
            Severity::Mistake => "",
            Severity::Warning => "warning ",
        };
        let place = &mistake.place;
        format!("{warning}{}:{} {}", place.line, place.column, mistake.code)
    });
    let told = told.collect::<Vec<_>>().join(" | ");
    match count {
        0 => "read".to_owned(),
        count if count > AT_MOST => format!("{told} and {} more", count - AT_MOST),
        _ => told,
    }
}

/// A profile: what is wrong with it, and where.
fn profiles(text: &str) -> String {
    let mut found = Mistakes::new();
    let file = SentText {
        name: "p.yaml".to_owned(),
        text: text.to_owned(),
    };
    ProfileBook::of(Vec::new()).check(&file, &mut found);
    let found = found.into_sorted();
    assert!(found.iter().all(|mistake| !mistake.message.is_empty()));
    mistakes(found)
}

fn quantities(text: &str) -> String {
    let told = [
        ("length", Way::parse(text).map(|way| way.to_string())),
        ("span", Span::parse(text).map(|span| span.to_string())),
        ("ratio", Ratio::parse(text).map(|r| r.share().to_string())),
        ("lux", Lux::parse(text).map(|lux| lux.0.to_string())),
    ];
    let found = told.iter().filter_map(|(name, told)| {
        let told = told.as_ref().ok()?;
        Some(format!("{name} {told}"))
    });
    let found: Vec<String> = found.collect();
    match (found.is_empty(), &told[0].1) {
        (true, Err(why)) => shown(&why.to_string()),
        _ => found.join(" | "),
    }
}
