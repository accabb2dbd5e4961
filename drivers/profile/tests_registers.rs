//! Meters and fingers by registers: the shipped profiles against a simulated
//! Modbus device, over both kinds of frames, and every slip of such a profile.

use std::sync::Arc;

use photometry::measured::{Outcome, Reading};
use photometry::units::Span;

use super::read::profile;
use super::shipped;
use super::testing::{shown, tern};
use crate::error::DriverError;
use crate::exchange::line::AFTER_RESYNC;
use crate::exchange::modbus::frames::Form;
use crate::exchange::talk::Talk;
use crate::exchange::testing::converse;
use crate::roles::photometer::Photometer;
use crate::roles::presser::Presser;
use crate::roles::profiled_fingers::ProfiledFingers;
use crate::roles::profiled_meter::ProfiledMeter;
use crate::roles::profiled_outlets::ProfiledOutlets;
use crate::roles::switcher::Switcher;
use crate::simulated::lapses::Lapse;
use crate::simulated::registers::{Contents, Registers, Wrapping};

const FORMS: [(Form, Wrapping); 2] = [(Form::Rtu, Wrapping::Rtu), (Form::Tcp, Wrapping::Tcp)];

/// A transmitter that holds a number, low word first.
fn transmitter(lux: f32) -> Registers {
    let registers = Registers::new(Contents {
        input: (0..4).map(|at| (at, 0)).collect(),
        ..Contents::default()
    });
    holds(&registers, lux);
    registers
}

fn holds(registers: &Registers, lux: f32) {
    let bits = lux.to_bits();
    registers.edit(|held| {
        held.input.insert(0, bits as u16);
        held.input.insert(1, (bits >> 16) as u16);
    });
}

fn meter(form: Form) -> ProfiledMeter {
    let profile = shipped::profile("register-luxmeter").expect("a profile");
    let station = profile.station(1, form);
    let card = tern(Span::from_ms(200));
    ProfiledMeter::new(card, profile, station)
}

#[test]
fn a_transmitter_is_read_as_its_profile_says() {
    for (form, wrapping) in FORMS {
        let registers = transmitter(1009.93);
        let device = registers.machine(wrapping, 1);
        converse(device, |talk| {
            let mut meter = meter(form);
            let identity = meter.open(talk).expect("it opens");
            assert_eq!(
                identity.raw,
                "a device that does not tell who it is (register-luxmeter)"
            );
            for (held, wanted) in [
                (1009.93, "1009.93 lx []"),
                (0.0, "0 lx []"),
                (0.125, "0.125 lx []"),
                (250_000.0, "Over(200000.0) []"),
                (f32::INFINITY, "Over(200000.0) []"),
                (f32::NAN, "rejected: the meter has no number []"),
                (-5.0, "rejected: -5 lx is outside -1 to 200000 []"),
            ] {
                holds(&registers, held);
                let asked = talk.now().mono;
                let reading = meter.read_illuminance(talk).expect("a reading");
                assert_eq!(shown(&reading), wanted, "{form:?} {held}");
                // What the transmitter held was measured after it was wanted.
                let waited = reading.asked.mono.since(asked);
                assert!(waited >= Span::from_ms(200), "{waited}");
                assert!(!reading.raw.is_empty());
            }
        });
    }
}

/// A device that refuses its probe is not the one that is meant: it does not open,
/// on either kind of frames.
#[test]
fn a_refused_probe_does_not_open() {
    for (form, wrapping) in FORMS {
        let registers = transmitter(1.0);
        registers.misbehave(Some(Lapse::Exception(11)));
        converse(registers.machine(wrapping, 1), |talk| {
            let refused = meter(form).open(talk).expect_err("refused");
            assert!(
                matches!(&refused, DriverError::Refused { code: 11, .. }),
                "{form:?} {refused}"
            );
        });
    }
}

/// Driver acceptance: word order swapped. The order is the profile's; another one
/// gives a number of another size, and what is not plausible is no reading.
#[test]
fn a_swapped_word_order_is_not_believed() {
    let registers = transmitter(1009.93);
    registers.edit(|held| {
        let (low, high) = (held.input[&0], held.input[&1]);
        held.input.insert(0, high);
        held.input.insert(1, low);
    });
    converse(registers.machine(Wrapping::Rtu, 1), |talk| {
        let mut meter = meter(Form::Rtu);
        meter.open(talk).expect("it opens");
        let reading = meter.read_illuminance(talk).expect("a reading");
        assert!(
            matches!(reading.outcome, Outcome::Rejected(_)),
            "{reading:?}"
        );
    });
}

/// Whatever goes wrong at one reading: it has no value or the right one, and the
/// next one is right.
#[test]
fn no_lapse_gives_a_wrong_value() {
    let lapses = [
        Lapse::Late(Span::from_ms(1_500)),
        Lapse::ByteByByte(Span::from_ms(3)),
        Lapse::WrongTransaction,
        Lapse::WrongUnit,
        Lapse::Fewer,
        Lapse::Exception(6),
        Lapse::Exception(4),
        Lapse::BareException(2),
        Lapse::Silent,
        Lapse::TwoPieces(Span::from_ms(30)),
        Lapse::Twice,
        Lapse::SwappedWords,
        Lapse::Garbage(vec![1, 4, 4, 0, 0, 0, 0, 0, 0]),
    ];
    for (form, wrapping) in FORMS {
        for lapse in &lapses {
            let registers = transmitter(77.0);
            converse(registers.machine(wrapping, 1), |talk| {
                let mut meter = meter(form);
                meter.open(talk).expect("it opens");
                registers.plan(1, lapse.clone());
                let first = meter.read_illuminance(talk);
                let value = first.as_ref().ok().and_then(|r| r.outcome.value());
                assert!(
                    value.is_none_or(|lux| lux == 77.0),
                    "{form:?} {lapse:?} {first:?}"
                );
                if first.as_ref().err().is_some_and(DriverError::link_is_gone) {
                    assert_eq!(form, Form::Tcp, "{lapse:?}");
                    return; // the port thread opens it anew
                }
                holds(&registers, 78.0);
                let second = meter.read_illuminance(talk).expect("a reading");
                assert_eq!(second.outcome, Outcome::Value(78.0), "{form:?} {lapse:?}");
            });
        }
    }
}

/// Driver acceptance: a late answer after a time-out, on a line where nothing in an
/// answer says whose it is.
#[test]
fn a_late_answer_is_never_the_next_reading() {
    for late_ms in [1_001, 1_999, 2_500, 3_100, 4_000] {
        let registers = transmitter(1.0);
        converse(registers.machine(Wrapping::Rtu, 1), |talk| {
            let mut meter = meter(Form::Rtu);
            meter.open(talk).expect("it opens");
            // Silence is asked again twice: all three are late.
            for nth in 1..=3 {
                registers.plan(nth, Lapse::Late(Span::from_ms(late_ms)));
            }
            let first = meter.read_illuminance(talk);
            holds(&registers, 2.0);
            let second = meter.read_illuminance(talk);
            let value = |reading: &Result<Reading, DriverError>| {
                reading.as_ref().ok().and_then(|r| r.outcome.value())
            };
            assert!(value(&first).is_none_or(|lux| lux == 1.0), "{first:?}");
            assert!(
                value(&second).is_none_or(|lux| lux == 2.0),
                "{late_ms}: {second:?}"
            );
            let third = meter.read_illuminance(talk).expect("a reading");
            assert_eq!(third.outcome, Outcome::Value(2.0), "{late_ms}");
            let resynced = |reading: &Reading| reading.flags.iter().any(|f| f == AFTER_RESYNC);
            let all = [second.ok(), Some(third)];
            assert!(value(&first).is_some() || all.iter().flatten().any(resynced));
        });
    }
}

fn board() -> Registers {
    Registers::new(Contents {
        coils: (0..8).map(|at| (at, true)).collect(),
        ..Contents::default()
    })
}

fn fingers(form: Form) -> ProfiledFingers {
    let profile = shipped::profile("register-relays").expect("a profile");
    let station = profile.station(1, form);
    ProfiledFingers::new(vec![1, 3], profile, station)
}

/// Mains relays behind the same coils: a channel is `{outlet}` there.
const OUTLETS: &str = r#"profile: plover
format: 1
role: outlets
about: mains relays behind coils
registers: {gap: 20 ms, longest-answer: 1 s, probe: {read: coil, at: 0, count: 8}}
switch-on: {write: coil, at: "{outlet} - 1", value: on}
switch-off: {write: coil, at: "{outlet} - 1", value: off}
switch-all-off: {write: coils, at: 0, count: 8, value: off}
read-outlet: {read: coil, at: "{outlet} - 1", gives: on}
samples: [{read-outlet: "1", gives: "on"}]
"#;

#[test]
fn outlets_by_coils_hold_what_they_are_told() {
    for (form, wrapping) in FORMS {
        let registers = board();
        converse(registers.machine(wrapping, 1), |talk| {
            let (profile, _) = profile("p.yaml", OUTLETS).unwrap_or_else(|no| panic!("{no}"));
            let station = profile.station(1, form);
            let mut outlets = ProfiledOutlets::new(vec![1, 3], Arc::new(profile), station);
            outlets.open(talk).expect("a board");
            assert_eq!(down(&registers), Vec::<u16>::new());
            outlets.switch(talk, 3, true).expect("it follows");
            assert_eq!(down(&registers), [2]);
            outlets.all_off(talk).expect("they follow");
            assert_eq!(down(&registers), Vec::<u16>::new());
        });
    }
    let found = super::testing::told(&OUTLETS.replacen("{outlet} - 1", "{coil} - 1", 1));
    assert!(
        found
            .iter()
            .any(|told| told.contains("`{coil} - 1` is no address")),
        "{found:?}"
    );
}

fn down(registers: &Registers) -> Vec<u16> {
    let contents = registers.contents();
    let down = contents.coils.iter().filter(|(_, closed)| **closed);
    down.map(|(at, _)| *at).collect()
}

/// Boards keep their coils: all are opened before anything else. Channel 1 is coil
/// 0 on the wire.
#[test]
fn fingers_by_coils_press_and_let_go() {
    for (form, wrapping) in FORMS {
        let registers = board();
        converse(registers.machine(wrapping, 1), |talk| {
            let mut fingers = fingers(form);
            fingers.open(talk).expect("a board");
            assert_eq!(down(&registers), Vec::<u16>::new());
            let watch = registers.clone();
            let press = fingers.press(talk, 3, Span::from_ms(100)).expect("a press");
            let held = press.up.mono.since(press.down.mono);
            assert!(
                held >= Span::from_ms(100) && held < Span::from_ms(200),
                "{held}"
            );
            assert_eq!(down(&watch), Vec::<u16>::new());
            let refused = fingers.press(talk, 2, Span::from_ms(100));
            assert!(
                matches!(refused, Err(DriverError::Unsendable(_))),
                "{refused:?}"
            );
        });
    }
}

/// Driver acceptance: a coil that does not follow.
#[test]
fn a_coil_that_does_not_follow_is_named() {
    for (form, wrapping) in FORMS {
        let registers = board();
        converse(registers.machine(wrapping, 1), |talk: &mut Talk<'_>| {
            let mut fingers = fingers(form);
            fingers.open(talk).expect("a board");
            registers.plan(1, Lapse::StuckCoil);
            let stuck = fingers.press(talk, 3, Span::from_ms(100));
            let wanted = DriverError::CoilStuck {
                coil: 3,
                wanted: true,
            };
            assert_eq!(stuck.map_err(|e| e.to_string()), Err(wanted.to_string()));
            assert_eq!(down(&registers), Vec::<u16>::new());
        });
    }
}

const SHORT: &str = r#"profile: tern
format: 1
role: meter
about: a transmitter
unit: lx
registers: {probe: {read: holding, at: 0, count: 2}}
read-illuminance: {read: holding, at: 0, as: u16, gives: illuminance}
samples: [{read-illuminance: [12], gives: 12 lx}]
"#;

#[test]
fn each_slip_of_registers_has_its_own_message() {
    let told = |text: &str| match profile("p.yaml", text) {
        Ok((_, warnings)) => warnings,
        Err(refused) => refused.mistakes,
    };
    assert_eq!(told(SHORT).len(), 0, "{:?}", told(SHORT));
    let cases = [
        ("at: 0, as", "at: 65536, as", "`65536` is out of range"),
        ("as: u16", "as: u8", "`u8` is not known here"),
        ("as: u16", "as: f32, order: 4321", "is not known here"),
        (
            "read: holding, at: 0, as",
            "read: holdin, at: 0, as",
            "`holdin` is not known here",
        ),
        (
            "gives: illuminance",
            "gives: lux",
            "`read-illuminance` gives no `{illuminance}`",
        ),
        (
            "at: 0, as",
            "at: \"{coil}\", as",
            "`{coil}` must be a whole number",
        ),
        (
            "{probe: {read: holding, at: 0, count: 2}}",
            "{gap: 20 ms}",
            "`registers` lacks the key `probe`",
        ),
        (
            "unit: lx",
            "unit: lx\nresync: quiet",
            "a device that speaks by registers has no `resync`",
        ),
        (
            "[12]",
            "\"12\"",
            "the sample `12` is read as `refused`, not as `12 lx`",
        ),
        (
            "[12]",
            "[0x000C, 1]",
            "is read as `refused`, not as `12 lx`",
        ),
        (
            "gives: 12 lx",
            "gives: 13 lx",
            "the sample `[0x000C]` is read as `12 lx`, not as `13 lx`",
        ),
        (
            "{read: holding, at: 0, as: u16",
            "{read: coil, at: \"{coil} - x\"",
            "`{coil} - x` is no address",
        ),
    ];
    let mut wrong = Vec::new();
    for (old, new, wanted) in cases {
        assert!(SHORT.contains(old), "{old}");
        let found = told(&SHORT.replacen(old, new, 1));
        if !found.iter().any(|mistake| mistake.message.contains(wanted)) {
            let messages: Vec<&String> = found.iter().map(|m| &m.message).collect();
            wrong.push(format!("{new}: {messages:#?}, not {wanted}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    let with = |arc: Arc<super::types::Profile>| arc.station(1, Form::Rtu).is_some();
    assert!(with(
        shipped::profile("register-relays").expect("a profile")
    ));
    assert!(!with(
        shipped::profile(shipped::DEFAULT_METER).expect("a profile")
    ));
}
