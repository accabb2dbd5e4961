//! One foreign device at a time, through a profile: what it is, what it is set
//! to, what it reads, and how it fails.

use std::sync::Arc;
use std::time::Duration;

use drivers::error::DriverError;
use drivers::exchange::line::AFTER_RESYNC;
use drivers::profile::types::{Profile, ProfileVerb};
use drivers::roles::photometer::Photometer;
use drivers::roles::presser::Presser;
use drivers::roles::profiled_fingers::ProfiledFingers;
use drivers::roles::profiled_meter::{PhotometerCard, ProfiledMeter, SET_UP_AGAIN};
use photometry::measured::{Outcome, Reading};
use photometry::units::{Lux, Span};

use super::light::{LATE, Light};
use super::peer::{Call, Maker, each, each_of, past_the_driver, profile, profile_text, range_of};
use super::relay::{Lapse, Relay};

/// Integration of one sample.
pub const INTEGRATION: Span = Span::from_ms(20);
const AT_ONCE: Duration = Duration::ZERO;

fn meter(name: &str, integration: Span, averages: u32) -> ProfiledMeter {
    meter_of(profile(&profile_text(name)), integration, averages)
}

pub fn meter_of(profile: Arc<Profile>, integration: Span, averages: u32) -> ProfiledMeter {
    let card = PhotometerCard {
        name: "head".to_owned(),
        aperture: integration,
        averages,
        plausible: (Lux(-1.0), Lux(240_000.0)),
        has_shutter: profile.steps(ProfileVerb::CloseShutter).is_some(),
    };
    ProfiledMeter::new(card, profile, None)
}

/// An opened meter.
fn opened(name: &str, port: u16) -> (ProfiledMeter, Call) {
    let mut meter = meter(name, INTEGRATION, 1);
    let mut call = Call::to(port);
    meter.open(&mut call.talk()).expect("it opens");
    (meter, call)
}

/// A reading that must be what the lamp gave, to the last bit.
fn reads(meter: &mut ProfiledMeter, call: &mut Call, light: &Light) -> Reading {
    let reading = meter.read_illuminance(&mut call.talk()).expect("a reading");
    let given = light.given().last().expect("one was given").lux;
    assert_eq!(reading.outcome, Outcome::Value(given), "{reading:?}");
    reading
}

#[test]
fn who_it_is_and_what_it_is_set_to() {
    each("identity and settings", |peer, light| {
        let mut driver = meter("asked-luxmeter", Span::from_ms(50), 3);
        let mut call = Call::to(peer.meter);
        let identity = driver.open(&mut call.talk()).expect("it opens");
        assert_eq!(identity.raw, peer.identity);
        let began = std::time::Instant::now();
        let reading = reads(&mut driver, &mut call, light);
        // The device integrates as long as it was told: 3 times 50 ms.
        assert!(began.elapsed() >= Duration::from_millis(150));
        assert_eq!(reading.range, Some(2.0));
        // Another device at the port of this one is refused.
        let mut wrong = Call::to(peer.board);
        let refused = driver.open(&mut wrong.talk()).expect_err("another device");
        assert!(
            matches!(&refused, DriverError::IdentityChanged { was, is }
                if was == peer.identity && is != was),
            "{refused}"
        );
    });
}

#[test]
fn a_setting_that_it_rounds_or_refuses_is_told() {
    each("settings refused", |peer, _| {
        // 14 ms are rounded to 10 ms: further off than a hundredth.
        let mut rounded = meter("asked-luxmeter", Span::from_ms(14), 1);
        let error = rounded
            .open(&mut Call::to(peer.meter).talk())
            .expect_err("rounded");
        assert!(
            matches!(&error, DriverError::NotTaken { setting, wanted, got }
                if setting == "integration" && wanted == "0.014" && got.parse() == Ok(0.01)),
            "{error}"
        );
        // Longer than its longest: -222, data out of range (SCPI-99, vol. 2, 21.8.10).
        let mut refused = meter("asked-luxmeter", Span::from_secs(11), 1);
        let error = refused
            .open(&mut Call::to(peer.meter).talk())
            .expect_err("refused");
        assert!(
            matches!(&error, DriverError::Refused { code: -222, .. }),
            "{error}"
        );
        // The complaint was taken out of its queue, the next meter opens.
        opened("asked-luxmeter", peer.meter);
    });
}

/// One maker complains (-1xx: command errors, SCPI-99, vol. 2, 21.8.9), the other
/// falls over the parameter and closes the connection: neither is silence.
#[test]
fn a_parameter_that_it_cannot_read() {
    each("parameters it cannot read", |peer, light| {
        let text =
            profile_text("asked-luxmeter").replace("SENS:APER {value}", "SENS:APER {value}x");
        let mut misled = meter_of(profile(&text), INTEGRATION, 1);
        let error = misled
            .open(&mut Call::to(peer.meter).talk())
            .expect_err("no such unit");
        match (peer.closes_on_rubbish, &error) {
            (false, DriverError::Refused { question, code, .. }) => {
                assert!((-199..=-100).contains(code), "{error}");
                assert_eq!(question, "SENS:APER 0.02x");
            }
            (true, error) => assert!(error.link_is_gone(), "{error}"),
            (false, error) => panic!("{error}"),
        }
        let (mut meter, mut call) = opened("asked-luxmeter", peer.meter);
        reads(&mut meter, &mut call, light);
    });
}

/// SCPI-99, vol. 1, 7.2.1: 9.9E37 is over range, -9.9E37 under, 9.91E37 no number.
#[test]
fn values_over_range_and_no_number() {
    let values = [
        0.0,
        5e-324,
        1.5e-7,
        0.1 + 0.2,
        1.0 / 3.0,
        512.345_678_901_234_5,
        123_456.789,
        199_999.999_999_999_97,
    ];
    each("values and sentinels", |peer, light| {
        let other = peer.other_meter.map(|port| ("redshank-luxmeter", port));
        let meters = [Some(("asked-luxmeter", peer.meter)), other];
        for (name, port) in meters.into_iter().flatten() {
            let (mut meter, mut call) = opened(name, port);
            for value in values {
                light.next(value, AT_ONCE);
                let reading = reads(&mut meter, &mut call, light);
                assert_eq!(reading.flags, Vec::<String>::new(), "{reading:?}");
                let range = (name == "asked-luxmeter").then(|| range_of(value));
                assert_eq!(reading.range, range, "{reading:?}");
            }
            let top = if name == "asked-luxmeter" { 2e5 } else { 2.4e5 };
            let no_number = "the meter has no number".to_owned();
            for (given, outcome) in [
                (f64::INFINITY, Outcome::Over(top)),
                (f64::NEG_INFINITY, Outcome::Under(-1.0)),
                (f64::NAN, Outcome::Rejected(no_number)),
            ] {
                light.next(given, AT_ONCE);
                let reading = meter.read_illuminance(&mut call.talk());
                assert_eq!(reading.expect("a reading").outcome, outcome, "{name}");
            }
            reads(&mut meter, &mut call, light);
        }
    });
}

/// The device says nothing and complains; what it complained of stands beside
/// the next reading, and that is its own.
#[test]
fn a_question_that_it_does_not_know() {
    each("unknown question", |peer, light| {
        let (mut meter, mut call) = opened("misled-luxmeter", peer.meter);
        let first = reads(&mut meter, &mut call, light);
        assert_eq!(first.flags, ["range not told"]);
        let second = reads(&mut meter, &mut call, light);
        let complaint = format!("complaint {} ", peer.unknown);
        assert_eq!(second.flags[0], AFTER_RESYNC, "{second:?}");
        assert!(second.flags[1].starts_with(&complaint), "{second:?}");
    });
}

#[test]
fn an_answer_that_comes_a_byte_at_a_time() {
    each("a byte at a time", |peer, light| {
        let relay = Relay::to(peer.meter);
        let (mut meter, mut call) = opened("asked-luxmeter", relay.port);
        for no in 0..5 {
            relay.spoil(Lapse::ByteByByte);
            let reading = reads(&mut meter, &mut call, light);
            assert_eq!(reading.flags, Vec::<String>::new(), "{reading:?}");
            let raw = String::from_utf8(reading.raw).expect("text");
            assert_eq!(relay.spoilt()[no], raw.trim_end());
        }
    });
}

/// The worst fault: each answer after a late one is its own question's.
#[test]
fn a_late_answer_is_never_taken_for_the_next() {
    each("late answers", |peer, light| {
        let (mut meter, mut call) = opened("asked-luxmeter", peer.meter);
        reads(&mut meter, &mut call, light);
        light.next(777.0, LATE);
        let late = meter.read_illuminance(&mut call.talk());
        assert_eq!(late.expect("an outcome").outcome, Outcome::TimedOut);
        let after = reads(&mut meter, &mut call, light);
        assert_eq!(after.flags, [AFTER_RESYNC, SET_UP_AGAIN]);
        assert!(call.talk().state().counts().late_bytes >= 4);
        for _ in 0..20 {
            let reading = reads(&mut meter, &mut call, light);
            assert_eq!(reading.flags, Vec::<String>::new(), "{reading:?}");
        }
    });
}

#[test]
fn a_connection_closed_within_an_answer() {
    each("closed within an answer", |peer, light| {
        let relay = Relay::to(peer.meter);
        let (mut meter, mut call) = opened("asked-luxmeter", relay.port);
        light.next(512.345, AT_ONCE);
        // `512` would be a number.
        relay.spoil(Lapse::CutAfter(3));
        let error = meter
            .read_illuminance(&mut call.talk())
            .expect_err("half an answer");
        assert!(error.link_is_gone(), "{error}");
        let mut again = Call::to(relay.port);
        meter.open(&mut again.talk()).expect("it opens again");
        reads(&mut meter, &mut again, light);
    });
}

/// A queue that was full ends with -350, queue overflow (SCPI-99, vol. 2, 21.8).
#[test]
fn an_error_queue_that_ran_over() {
    each("error queue over", |peer, light| {
        let (mut meter, mut call) = opened("asked-luxmeter", peer.meter);
        light.next(777.0, LATE);
        let late = meter.read_illuminance(&mut call.talk());
        assert_eq!(late.expect("an outcome").outcome, Outcome::TimedOut);
        past_the_driver(peer.meter, &["NO:SUCH:WORD"; 25]);
        let reading = reads(&mut meter, &mut call, light);
        // Both makers' queues hold ten.
        assert_eq!(reading.flags.len(), 1 + 10 + 1, "{reading:?}");
        assert_eq!(reading.flags[0], AFTER_RESYNC);
        assert_eq!(reading.flags[10], "complaint -350 Queue overflow");
        reads(&mut meter, &mut call, light);
    });
}

/// More complaints than are kept: none is left over to be taken for one of the
/// settings that are set again.
#[test]
fn a_long_error_queue_is_emptied() {
    each_of(&[Maker::Scpipy], "a long error queue", |peer, light| {
        let port = peer.other_meter.expect("such a meter");
        let (mut meter, mut call) = opened("redshank-luxmeter", port);
        light.next(777.0, LATE);
        let late = meter.read_illuminance(&mut call.talk());
        assert_eq!(late.expect("an outcome").outcome, Outcome::TimedOut);
        past_the_driver(port, &["NO:SUCH:WORD"; 80]);
        let reading = reads(&mut meter, &mut call, light);
        assert_eq!(reading.flags.len(), 1 + 30 + 1, "{reading:?}");
        let next = reads(&mut meter, &mut call, light);
        assert_eq!(next.flags, Vec::<String>::new());
    });
}

#[test]
fn the_shutter_is_closed_and_read_back() {
    each("shutter", |peer, light| {
        let (mut meter, mut call) = opened("asked-luxmeter", peer.meter);
        meter.shutter(&mut call.talk(), true).expect("closed");
        reads(&mut meter, &mut call, light);
        assert!(light.given().last().is_some_and(|given| given.dark));
        meter.shutter(&mut call.talk(), false).expect("open");
        reads(&mut meter, &mut call, light);
        assert!(light.given().last().is_some_and(|given| !given.dark));
    });
}

#[test]
fn coils_are_pressed_and_read_back() {
    each("coils", |peer, light| {
        let hold = Span::from_ms(100);
        // Closed before: boards keep their coils.
        light.coil(2, true);
        let mut fingers = ProfiledFingers::new(
            vec![1, 2, 3, 9],
            profile(&profile_text("asked-relays")),
            None,
        );
        let mut call = Call::to(peer.board);
        // The board has eight coils: nine cannot be read back.
        let error = fingers.open(&mut call.talk()).expect_err("no ninth coil");
        assert!(matches!(error, DriverError::Silent { .. }), "{error}");
        assert_eq!(light.closed(), [0_u16; 0]);
        let mut fingers =
            ProfiledFingers::new(vec![1, 2, 3], profile(&profile_text("asked-relays")), None);
        fingers.open(&mut call.talk()).expect("it opens");
        let before = light.presses();
        let press = fingers.press(&mut call.talk(), 1, hold).expect("pressed");
        assert!(press.up.mono.since(press.down.mono) >= hold);
        assert_eq!(light.presses(), before + 1);
        assert_eq!(light.reading().level, 2);
        fingers.press(&mut call.talk(), 2, hold).expect("pressed");
        assert_eq!(light.reading().level, 3);
        assert_eq!(light.closed(), [0_u16; 0]);
        // A contact that does not follow, and says nothing of it.
        light.stick(Some(3));
        let error = fingers.press(&mut call.talk(), 3, hold).expect_err("stuck");
        assert!(
            matches!(
                error,
                DriverError::CoilStuck {
                    coil: 3,
                    wanted: true
                }
            ),
            "{error}"
        );
        light.stick(None);
        light.coil(3, true);
        light.stick(Some(3));
        let error = fingers.release_all(&mut call.talk()).expect_err("stuck");
        assert!(
            matches!(
                error,
                DriverError::CoilStuck {
                    coil: 3,
                    wanted: false
                }
            ),
            "{error}"
        );
    });
}
