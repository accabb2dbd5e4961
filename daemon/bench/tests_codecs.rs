//! Codecs that are scripts, from the file to the reading: the shipped one before a
//! simulated meter of binary frames with every slip of it, faults of scripts, and
//! what of a codec is frozen.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use drivers::clock::Clock;
use drivers::error::DriverError;
use drivers::exchange::talk::{LinkState, Talk};
use drivers::link::wire::{memory_wire, serve};
use drivers::link::{Address, Link};
use drivers::profile::shipped::{self, SHIPPED};
use drivers::profile::types::Profile;
use drivers::roles::photometer::Photometer;
use drivers::roles::profiled_meter::{PhotometerCard, ProfiledMeter};
use drivers::simulated::framed::{Framed, Light, Slip};
use photometry::measured::{Outcome, Quantity, Reading};
use photometry::units::{Lux, Mono, Span, Wall};

use super::profiles::{self, Kind, ProfileBook};
use crate::plan::check::{self, Found};
use crate::plan::frozen::SentText;
use crate::plan::profiles::UsedProfile;
use crate::plan::uses::NotAsked;

const NAME: &str = "frame-luxmeter";
const CODEC: &str = "frame-luxmeter.rhai";

fn text(name: &str, text: &str) -> SentText {
    SentText {
        name: name.to_owned(),
        text: text.to_owned(),
    }
}

fn shipped_codec() -> &'static str {
    shipped::codec(CODEC).expect("a codec")
}

/// What is told of these files, checked by themselves.
fn told(files: &[SentText], beside: Vec<SentText>) -> Found {
    check::check(files, "2026-11-25", &NotAsked, &ProfileBook::of(beside))
}

/// The shipped profile with this codec.
fn profile(codec: &str) -> Arc<Profile> {
    let used = UsedProfile {
        name: NAME.to_owned(),
        text: shipped::text(NAME).expect("a profile").to_owned(),
        codec: Some(text(CODEC, codec)),
        ..UsedProfile::default()
    };
    profiles::of(Some(&used), Kind::Meter(Quantity::Illuminance))
        .unwrap_or_else(|no| panic!("{no}"))
}

/// The same, its samples left out: a codec that fails would not read them.
fn profile_without_samples(codec: &str) -> Arc<Profile> {
    let (text_of, _) = shipped::text(NAME)
        .and_then(|text| text.split_once("samples:"))
        .expect("samples");
    let used = UsedProfile {
        name: NAME.to_owned(),
        text: text_of.to_owned(),
        codec: Some(text(CODEC, codec)),
        ..UsedProfile::default()
    };
    profiles::of(Some(&used), Kind::Meter(Quantity::Illuminance))
        .unwrap_or_else(|no| panic!("{no}"))
}

/// A meter that follows this profile and talks to that device, 200 ms a reading.
fn with<T>(
    profile: Arc<Profile>,
    device: &Framed,
    how: impl FnOnce(&mut ProfiledMeter, &mut Talk<'_>) -> T,
) -> T {
    let clock = Clock::simulated(Wall::from_us(0), Mono::ZERO);
    let mut seats = clock.seats(&["port", "device"]);
    let (seat, mut port) = (seats.pop().expect("a seat"), seats.pop().expect("a seat"));
    let _flow = clock.hold_flow();
    let wire = memory_wire(&clock, "device");
    let _served = serve(seat, wire, device.machine()).expect("a thread");
    let mut link = Link::open(&Address::memory("device"), &clock).expect("a link");
    let never = AtomicBool::new(false);
    let mut state = LinkState::new();
    let card = PhotometerCard {
        name: "head".to_owned(),
        aperture: Span::from_ms(200),
        averages: 1,
        plausible: (Lux(-1.0), Lux(200_000.0)),
        has_shutter: false,
    };
    let mut meter = ProfiledMeter::new(card, profile, None);
    how(
        &mut meter,
        &mut Talk::new(&mut port, &mut link, &never, &mut state),
    )
}

fn shown(reading: &Reading) -> String {
    match &reading.outcome {
        Outcome::Value(lux) => format!("{lux} lx {:?}", reading.flags),
        Outcome::Rejected(why) => format!("rejected: {why} {:?}", reading.flags),
        other => format!("{other:?} {:?}", reading.flags),
    }
}

/// Every shipped profile, also those with a codec, is read without a word.
#[test]
fn every_shipped_profile_is_read_with_its_codec() {
    for shipped in SHIPPED {
        let file = text(&format!("{}.yaml", shipped.name), shipped.text);
        assert_eq!(
            told(&[file], Vec::new()).shown(false),
            "",
            "{}",
            shipped.name
        );
    }
    assert_eq!(
        SHIPPED
            .iter()
            .filter(|shipped| shipped.codec.is_some())
            .count(),
        1
    );
}

#[test]
fn a_meter_of_frames_is_read_through_its_codec() {
    let device = Framed::new(Light::Hundredths(3450));
    with(profile(shipped_codec()), &device, |meter, talk| {
        let identity = meter.open(talk).expect("it opens");
        assert_eq!(identity.raw, "Simulated,Framed,7,1.0");
        assert_eq!(device.integration_ms(), 200);
        for (light, wanted, raw) in [
            (Light::Hundredths(3450), "34.5 lx []", "020652007a0d0000df"),
            (
                Light::Hundredths(0x0A0A),
                "25.7 lx []",
                "020652000a0a00006c",
            ),
            (Light::Hundredths(0), "0 lx []", "0206520000000000"),
            (Light::Hundredths(-1), "-0.01 lx []", "02065200ffffffff54"),
            (Light::Hundredths(19_999_999), "199999.99 lx []", ""),
            (
                Light::Hundredths(20_000_001),
                "rejected: 200000.01 lx is outside -1 to 200000 []",
                "",
            ),
            (Light::Over, "Over(200000.0) []", "020652010000000059"),
            (Light::Under, "Under(-1.0) []", "02065202000000005a"),
            (
                Light::None,
                "rejected: the meter has no number []",
                "02065203000000005b",
            ),
        ] {
            device.shows(light);
            let reading = meter.read_illuminance(talk).expect("a reading");
            assert_eq!(
                shown(&reading).replace(" [\"set up again\"]", " []"),
                wanted
            );
            let bytes: String = reading.raw.iter().map(|b| format!("{b:02x}")).collect();
            assert!(bytes.starts_with(raw) && bytes.len() == 18, "{bytes}");
            let took = reading.taken.mono.since(reading.asked.mono);
            assert!(took >= Span::from_ms(200), "{took}");
        }
    });
}

/// Whatever goes wrong at one reading: it has no value or the right one, and the next
/// one is right. What is late belongs to no other question.
#[test]
fn no_slip_of_the_meter_gives_a_wrong_value() {
    let ms = Span::from_ms;
    let wrong = |line: u32, why: &str| format!("rejected: {CODEC}, line {line}: {why} []");
    let other = wrong(42, "the frame answers another question");
    let cases: [(Slip, String); 18] = [
        (Slip::ByteByByte(ms(5)), "34.5 lx []".to_owned()),
        (Slip::TwoPieces(ms(500)), "34.5 lx []".to_owned()),
        (Slip::WrongSum, wrong(35, "the frame's sum is wrong")),
        (Slip::OtherCommand, other),
        (
            Slip::Refused(9),
            wrong(40, "the meter refuses it, number 9"),
        ),
        (Slip::Noise(0x00), wrong(27, "a frame begins with 02")),
        (Slip::Noise(0x02), wrong(35, "the frame's sum is wrong")),
        (
            Slip::Twice,
            "rejected: it gave more than one answer []".to_owned(),
        ),
        (
            Slip::Early(ms(100)),
            "rejected: it answered in 103 ms, sooner than it integrates (200 ms) []".to_owned(),
        ),
        // Its bytes still come when the longest answer should be over.
        (Slip::ByteByByte(ms(500)), "TimedOut []".to_owned()),
        (Slip::CutShort(1), "TimedOut []".to_owned()),
        (Slip::CutShort(8), "TimedOut []".to_owned()),
        (Slip::TooLong(3), "TimedOut []".to_owned()),
        (Slip::Silent, "TimedOut []".to_owned()),
        (Slip::Late(ms(1_001)), "TimedOut []".to_owned()),
        (Slip::Late(ms(2_900)), "TimedOut []".to_owned()),
        (Slip::TwoPieces(ms(1_000)), "TimedOut []".to_owned()),
        (Slip::TwoPieces(ms(2_900)), "TimedOut []".to_owned()),
    ];
    for (slip, wanted) in cases {
        let device = Framed::new(Light::Hundredths(3450));
        with(profile(shipped_codec()), &device, |meter, talk| {
            meter.open(talk).expect("it opens");
            device.slips(slip);
            let reading = meter.read_illuminance(talk).expect("a reading");
            assert_eq!(shown(&reading), wanted, "{slip:?}");
            device.shows(Light::Hundredths(1_000));
            let next = meter.read_illuminance(talk).expect("a reading");
            let value = Outcome::Value(10.0);
            assert_eq!(next.outcome, value, "{slip:?} {next:?}");
            let again = meter.read_illuminance(talk).expect("a reading");
            assert_eq!(shown(&again), "10 lx []", "{slip:?}");
            assert_eq!(device.asked(), 3);
        });
    }
}

/// What a codec does wrong is a named error, never a value, and the daemon goes on.
#[test]
fn faults_of_a_codec_are_named() {
    let cases: [(&str, &str, &str); 10] = [
        (
            "if come.len() == 0 { return 2; }",
            "if come.len() == 0 { return 2000; }",
            "line 25: it gives no whole number from 0 to 1000",
        ),
        (
            "return come.unsigned(1, 1, \"low-first\") + 1;",
            "return 999;",
            "the codec wants a frame of 1001 bytes, and 1000 are the most",
        ),
        (
            "if come.len() == 0 { return 2; }",
            "if come.len() == 0 { return \"two\"; }",
            "line 25: it gives no whole number from 0 to 1000",
        ),
        (
            "if come.len() == 0 { return 2; }",
            "if come.len() == 0 { return 0; }",
            "the codec wants a frame of no bytes",
        ),
        (
            "if come.len() == 0 { return 2; }",
            "while true {}",
            "line 25: the script used up its operations",
        ),
        (
            "return #{ illuminance: body.signed(2, 4, \"low-first\") / 100 };",
            "return #{ lux: 3 };",
            "gives no `illuminance` of this answer",
        ),
        (
            "return #{ illuminance: body.signed(2, 4, \"low-first\") / 100 };",
            "return 34.5;",
            "it gives the plain number 34.5 and no fields",
        ),
        (
            "return #{ illuminance: body.signed(2, 4, \"low-first\") / 100 };",
            "return #{ illuminance: [1] };",
            "line 32: the field `illuminance` is an array and no number or short text",
        ),
        (
            "body.signed(2, 4, \"low-first\") / 100",
            "body.signed(2, 40, \"low-first\") / 100",
            "a whole number has 1 to 7 bytes",
        ),
        (
            "body.signed(2, 4, \"low-first\") / 100",
            "body.signed(20, 4, \"low-first\") / 100",
            "there are no 4 bytes at 20: it has 6",
        ),
    ];
    let device = Framed::new(Light::Hundredths(3450));
    for (old, new, wanted) in cases {
        assert!(shipped_codec().contains(old), "{old}");
        let codec = shipped_codec().replacen(old, new, 1);
        let failed = with(profile_without_samples(&codec), &device, |meter, talk| {
            if let Err(error) = meter.open(talk) {
                return error.to_string();
            }
            let reading = meter.read_illuminance(talk).expect("a reading");
            assert!(
                matches!(reading.outcome, Outcome::Rejected(_)),
                "{reading:?}"
            );
            shown(&reading)
        });
        assert!(failed.contains(wanted), "{new}: {failed}, not {wanted}");
    }
    // What cannot be sent is told before anything is.
    let codec = shipped_codec().replacen("return 0x52;", "throw \"not today\";", 1);
    with(profile_without_samples(&codec), &device, |meter, talk| {
        meter.open(talk).expect("it opens");
        let before = device.asked();
        let refused = meter.read_illuminance(talk).expect_err("nothing to send");
        assert!(
            matches!(&refused, DriverError::Unsendable(why) if why.contains("not today")),
            "{refused}"
        );
        assert_eq!(device.asked(), before);
    });
}

/// A bench file that names the profile freezes its codec with it; the user's codec is
/// taken for the user's profile, and the shipped one only where there is none.
#[test]
fn a_card_carries_the_text_of_each_codec() {
    const BENCH: &str = include_str!("../../examples/bench-strand.yaml");
    let bench = |profile: &str| {
        BENCH
            .replacen("    dark: shutter\n", "    dark: cap\n", 1)
            .replacen(
                "    port: meter-port\n",
                &format!("    port: meter-port\n    profile: {profile}\n"),
                1,
            )
    };
    let codec = |profile: &str, beside: Vec<SentText>| {
        let files = [text("bench.yaml", &bench(profile))];
        let found = told(&files, beside);
        assert_eq!(found.shown(false), "");
        let card = found.checked.bench.expect("a card");
        let used = card.meters.into_iter().next().and_then(|m| m.profile);
        let used = used.expect("a profile");
        let opened = profiles::of(Some(&used), Kind::Meter(Quantity::Illuminance));
        assert!(opened.expect("it is read again").codec.is_some());
        used.codec.map(|codec| (codec.name, codec.text))
    };
    let shipped = Some((CODEC.to_owned(), shipped_codec().to_owned()));
    assert_eq!(codec(NAME, Vec::new()), shipped);
    let own = format!("// mine\n{}", shipped_codec());
    let beside = || vec![text(CODEC, &own)];
    // A shipped profile has its own codec, whatever lies beside the bench file.
    assert_eq!(codec(NAME, beside()), shipped);
    let profile = || text("mine.yaml", shipped::text(NAME).expect("a profile"));
    assert_eq!(codec("mine.yaml", vec![profile()]), shipped);
    let both = [vec![profile()], beside()].concat();
    assert_eq!(codec("mine.yaml", both), Some((CODEC.to_owned(), own)));
}

/// The example of the help page, with a profile of its own.
#[test]
fn the_codec_of_the_help_page_reads_what_it_says() {
    let page = include_str!("../cli/help/profiles.md");
    let codec = page
        .split("```rhai\n")
        .nth(1)
        .and_then(|rest| rest.split("```").next());
    let codec = codec.expect("an example");
    let profile = r#"profile: tern
format: 1
role: meter
about: a meter of frames
codec: tern.rhai
unit: lx
read-illuminance: {frame: read, gives: illuminance}
samples:
  - {read-illuminance: {bytes: "52 01 59 AC"}, gives: 34.5 lx}
  - {read-illuminance: {bytes: "52 01 59 AD"}, gives: refused}
"#;
    let shown = told(
        &[text("tern.yaml", profile)],
        vec![text("tern.rhai", codec)],
    )
    .shown(false);
    assert_eq!(shown, "");
}

/// A run has the codec that it froze and no other: without one it does not open, also
/// where the program ships one of that name.
#[test]
fn a_run_never_reads_a_codec_again() {
    let mut used = UsedProfile {
        name: NAME.to_owned(),
        text: shipped::text(NAME).expect("a profile").to_owned(),
        ..UsedProfile::default()
    };
    let refused =
        profiles::of(Some(&used), Kind::Meter(Quantity::Illuminance)).expect_err("no codec");
    assert!(refused.to_string().contains("was not given"), "{refused}");
    used.codec = Some(text(CODEC, "// none\n"));
    let refused =
        profiles::of(Some(&used), Kind::Meter(Quantity::Illuminance)).expect_err("another codec");
    assert!(refused.to_string().contains("has no `decode`"), "{refused}");
}

/// A profile's author is told of the codec's mistakes at their lines, and of samples
/// that it does not read as they say.
#[test]
fn a_codec_is_checked_with_its_profile() {
    let of = |codec: &str| {
        let profile = text("mine.yaml", shipped::text(NAME).expect("a profile"));
        told(&[profile], vec![text(CODEC, codec)]).shown(false)
    };
    assert_eq!(of(shipped_codec()), "");
    for (old, new, wanted) in [
        (
            "counted.sum() & 255])",
            "counted.summ() & 255])",
            &[
                "there is no function `summ`",
                "did you mean `sum`?",
                "frame-luxmeter.rhai:13:",
            ][..],
        ),
        (
            "fn need(come)",
            "fn needs(come)",
            &["the codec has no `need`", "write `fn need(come)`"],
        ),
        (
            "given.value",
            "given.valu",
            &["there is no parameter `valu`", "did you mean `value`?"],
        ),
        (
            "fn light(body)",
            "fn ascii(body)",
            &[
                "`ascii` is a function of the host",
                "there is no function `light`",
            ],
        ),
        (
            "/ 100",
            "/ 10",
            &["is read as `345 lx`, not as `34.5 lx`", "mine.yaml:"],
        ),
        (
            "(counted.sum() & 255) != sum",
            "false",
            &["is read as `34.5 lx`, not as `refused`"],
        ),
        (
            "(counted.sum() & 255) != sum",
            "(counted.sum() & 127) != sum",
            &[
                "is read as `refused`, not as `34.5 lx`",
                "hint: frame-luxmeter.rhai, line 35: the frame's sum is wrong;",
            ],
        ),
        (
            "fn encode(word, given) {",
            "fn encode(word given) {",
            &["frame-luxmeter.rhai:7:"],
        ),
        (
            "// The frames",
            "let x = 1;\n// The frames",
            &["only functions stand outside"],
        ),
    ] {
        assert!(shipped_codec().contains(old), "{old}");
        let shown = of(&shipped_codec().replacen(old, new, 1));
        for wanted in wanted {
            assert!(shown.contains(wanted), "{new}: {wanted}\n{shown}");
        }
    }
}
