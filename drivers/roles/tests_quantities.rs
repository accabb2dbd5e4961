//! Power and temperature by the shipped profiles, with the same care as light.

use std::sync::Arc;

use photometry::measured::{Outcome, Quantity, Reading};
use photometry::units::{Mono, Span};

use super::photometer::{Photometer, Thermometer, Wattmeter};
use super::profiled_meter::ProfiledMeter;
use super::testing::{Device, opened};
use crate::exchange::testing::{Said, converse, said};
use crate::link::wire::Machine;
use crate::profile::read;
use crate::profile::testing::tern;

const POWER: &str = "asked-wattmeter";
const ROOM: &str = "asked-room-sensor";

fn shown(reading: &Reading) -> String {
    format!("{:?} {:?}", reading.outcome, reading.flags)
}

/// One line, so many milliseconds after the question.
fn after(ms: i64, text: &str) -> Said {
    vec![(ms, format!("{text}\n").into_bytes())]
}

/// SCPI-99, vol. 1, 7.2.1: 9.9E37 is over range, -9.9E37 under, 9.91E37 no number.
#[test]
fn power_is_a_value_or_says_why_it_is_none_and_the_next_one_is_good() {
    const GOOD: &str = "Value(0.42) []";
    const SET_UP: &str = r#"Value(0.42) ["set up again"]"#;
    const RESYNC: &str = r#"Value(0.42) ["answered after a resync", "set up again"]"#;
    let rejected = |why: &str| format!("Rejected({why:?}) []");
    let soon = "it answered in 100 ms, sooner than it integrates (200 ms)";
    let cases: [(Said, String, &str); 11] = [
        (after(201, "4.2E-01"), GOOD.to_owned(), GOOD),
        (after(201, "9.9E+37"), "Over(10000.0) []".to_owned(), GOOD),
        (after(201, "-9.9E+37"), "Under(-1.0) []".to_owned(), GOOD),
        (
            after(201, "9.91E+37"),
            rejected("the meter has no number"),
            SET_UP,
        ),
        (
            after(201, "20000"),
            rejected("20000 is outside -1 to 10000"),
            SET_UP,
        ),
        (
            after(201, "-2"),
            rejected("-2 is outside -1 to 10000"),
            SET_UP,
        ),
        (
            after(201, "0.4 W"),
            rejected("`0.4 W` is not a number"),
            SET_UP,
        ),
        (after(100, "0.7"), rejected(soon), RESYNC),
        (
            after(201, "0.7\n0.8"),
            rejected("it gave more than one answer"),
            RESYNC,
        ),
        (vec![], "TimedOut []".to_owned(), RESYNC),
        (after(3_000, "0.7"), "TimedOut []".to_owned(), RESYNC),
    ];
    for (says, first, second) in cases {
        let mut device = Device::saying([("*IDN", said("Works,PM-5,12,1.1"))]);
        device.says("READ", after(201, "4.2E-01"));
        device.once = vec![("READ", says.clone())];
        let got = opened(POWER, device, |meter, talk| {
            let first = meter.read_power(talk).expect("a reading");
            [first, meter.read_power(talk).expect("a reading")]
        });
        assert_eq!(shown(&got[0]), first, "{says:?}");
        assert_eq!(shown(&got[1]), second, "{says:?}");
        for reading in &got {
            assert_eq!((reading.quantity, reading.range), (Quantity::Power, None));
        }
        assert_eq!(got[1].raw, b"4.2E-01\n");
    }
}

/// Light and air by one sensor: what comes too late for the one is not the other's.
#[test]
fn a_sensor_of_two_quantities_does_not_mix_them_up() {
    let mut device = Device::saying([("*IDN", said("Works,RS-1,7,1.0"))]);
    device.says("READ", said("1.5E-02"));
    device.says("READ:TEMP", said("2.31E+01"));
    device.once = vec![
        ("READ", after(2_500, "9.5E+01")),
        ("READ:TEMP", said("121")),
    ];
    let told = opened(ROOM, device, |meter, talk| {
        let light = meter.read_illuminance(talk).expect("a reading");
        let hot = meter.read_temperature(talk).expect("a reading");
        let air = meter.read_temperature(talk).expect("a reading");
        let dim = meter.read_illuminance(talk).expect("a reading");
        assert_eq!(
            [light.quantity, air.quantity],
            [Quantity::Illuminance, Quantity::Temperature]
        );
        [light, hot, air, dim].map(|reading| shown(&reading))
    });
    let wanted = [
        "TimedOut []",
        r#"Rejected("121 is outside -40 to 100") ["answered after a resync"]"#,
        "Value(23.1) []",
        "Value(0.015) []",
    ];
    assert_eq!(told, wanted);
}

#[test]
fn what_it_does_not_yield_is_an_error() {
    let device = Device::saying([("*IDN", said("Works,PM-5,12,1.1"))]);
    opened(POWER, device, |meter, talk| {
        let no = meter.read_temperature(talk).expect_err("none");
        assert_eq!(
            no.to_string(),
            "knot does not yield temperature; nothing was sent"
        );
    });
    let device = Device::saying([("*IDN", said("Works,RS-1,7,1.0"))]);
    opened(ROOM, device, |meter, talk| {
        let no = meter.read_power(talk).expect_err("none");
        assert_eq!(
            no.to_string(),
            "knot does not yield power; nothing was sent"
        );
    });
}

/// Says its power by itself, three times every 100 ms, and hears nothing.
struct Talks {
    next: Mono,
}

impl Machine for Talks {
    fn bytes(&mut self, _: Mono, _: &[u8]) {}
    fn next_due(&self) -> Option<Mono> {
        Some(self.next)
    }
    fn due(&mut self, now: Mono) -> Vec<u8> {
        self.next = now + Span::from_ms(100);
        b"0.4 W\n".repeat(3)
    }
}

/// A meter that is only heard is of any quantity: its lines are no sign of a restart.
#[test]
fn a_meter_of_power_may_speak_by_itself() {
    let text = "profile: dunlin\nformat: 1\nrole: meter\nabout: a meter that prints watts\n\
                read-power: {hear: \"{power} W\"}\nsamples: [{read-power: \"0.4 W\", gives: \"0.4\"}]\n";
    let (profile, _) = read::profile("p.yaml", text).unwrap_or_else(|no| panic!("{no}"));
    converse(Talks { next: Mono::ZERO }, |talk| {
        let card = tern(Span::from_ms(1));
        let mut meter = ProfiledMeter::new(card, Arc::new(profile), None);
        meter.open(talk).expect("it opens");
        for _ in 0..3 {
            let reading = meter.read_power(talk).expect("a reading");
            assert_eq!(reading.outcome, Outcome::Value(0.4));
            assert_eq!(reading.flags, Vec::<String>::new());
        }
    });
}
