//! A foreign meter that answers blocks: framed by the crates, read by the shipped
//! profile.

use std::sync::Arc;

use drivers::error::DriverError;
use drivers::exchange::line::AFTER_RESYNC;
use drivers::profile::types::Profile;
use drivers::roles::photometer::Photometer;
use photometry::measured::Outcome;

use super::answers::{INTEGRATION, meter_of};
use super::light::LATE;
use super::peer::{Call, Maker, each_of, profile, profile_text};
use super::relay::{Lapse, Relay};

/// The shipped profile, and the same with the other order of bytes; whether the most
/// significant byte is the first.
fn profiles() -> [(Arc<Profile>, bool); 2] {
    let text = profile_text("block-luxmeter");
    let (swapped, _) = text.split_once("samples:").expect("samples");
    let sample =
        r#"samples: [{read-illuminance: {bytes: "23 31 34 00 00 0A 42"}, gives: 34.5 lx}]"#;
    let swapped = format!("{swapped}{sample}\n")
        .replace("value: NORM", "value: SWAP")
        .replace("order: high-first", "order: low-first");
    [(profile(&text), true), (profile(&swapped), false)]
}

/// Only the crates' meter can be told to answer blocks.
fn each(what: &str, test: impl Fn(&super::peer::Peer, &super::light::Light)) {
    each_of(&[Maker::Crates], what, test);
}

/// Numbers whose bytes hold ends of lines and semicolons, SCPI's sentinels (SCPI-99, vol. 1, 7.2.1) and
/// those of IEEE 754.
#[test]
fn numbers_in_blocks_are_read_in_both_orders() {
    let no_number = || Outcome::Rejected("the meter has no number".to_owned());
    let cases = [
        (34.5, Outcome::Value(34.5)),
        (
            f64::from(f32::from_bits(0x420A_0A0A)),
            Outcome::Value(34.509804),
        ),
        (
            f64::from(f32::from_bits(0x0A0D_0A3B)),
            Outcome::Value(6.790_827e-33),
        ),
        (0.1, Outcome::Value(0.1)),
        (0.0, Outcome::Value(0.0)),
        (199_999.98, Outcome::Value(199_999.98)),
        (9.9e37, Outcome::Over(2.4e5)),
        (-9.9e37, Outcome::Under(-1.0)),
        (9.91e37, no_number()),
        (f64::INFINITY, Outcome::Over(2.4e5)),
        (f64::NEG_INFINITY, Outcome::Under(-1.0)),
        (f64::NAN, no_number()),
    ];
    each("blocks in both orders", |peer, light| {
        for (profile, high_first) in profiles() {
            let mut meter = meter_of(profile, INTEGRATION, 1);
            let mut call = Call::to(peer.meter);
            let identity = meter.open(&mut call.talk()).expect("it opens");
            assert_eq!(identity.raw, peer.identity);
            for (given, outcome) in &cases {
                light.next(*given, std::time::Duration::ZERO);
                let reading = meter.read_illuminance(&mut call.talk()).expect("a reading");
                assert_eq!(&reading.outcome, outcome, "{given} {high_first}");
                let mut bytes = (*given as f32).to_be_bytes();
                if !high_first {
                    bytes.reverse();
                }
                let block = [&b"#14"[..], &bytes, b"\n"].concat();
                assert_eq!(reading.raw, block, "{given} {high_first}");
            }
        }
    });
}

/// A device that does not keep the order it was told is found out, and text in a
/// block's place is no value.
#[test]
fn another_order_and_a_text_are_not_believed() {
    each("blocks misread", |peer, light| {
        let [(_, _), (swapped, _)] = profiles();
        let mut misled = (*swapped).clone();
        misled
            .settings
            .retain(|setting| setting.name != "byte-order");
        let mut meter = meter_of(Arc::new(misled.clone()), INTEGRATION, 1);
        let mut call = Call::to(peer.meter);
        meter.open(&mut call.talk()).expect("it opens");
        light.next(34.5, std::time::Duration::ZERO);
        let reading = meter.read_illuminance(&mut call.talk()).expect("a reading");
        assert!(
            matches!(&reading.outcome, Outcome::Rejected(why) if why.contains("another order")),
            "{reading:?}"
        );
        // Told to answer text again, past the driver.
        super::peer::past_the_driver(peer.meter, &["FORM:DATA ASC"]);
        misled.settings.retain(|setting| setting.name != "data");
        let mut meter = meter_of(Arc::new(misled), INTEGRATION, 1);
        let mut call = Call::to(peer.meter);
        meter.open(&mut call.talk()).expect("it opens");
        light.next(34.5, std::time::Duration::ZERO);
        let reading = meter.read_illuminance(&mut call.talk()).expect("a reading");
        let why = "`34.5` is no block".to_owned();
        assert_eq!(reading.outcome, Outcome::Rejected(why));
        assert_eq!(reading.raw, b"34.5\n");
    });
}

/// Late, in pieces, cut off: no other reading's bytes are taken.
#[test]
fn blocks_late_in_pieces_and_cut_off() {
    each("blocks late and cut", |peer, light| {
        let [(profile, _), _] = profiles();
        let relay = Relay::to(peer.meter);
        let mut meter = meter_of(profile, INTEGRATION, 1);
        let mut call = Call::to(relay.port);
        meter.open(&mut call.talk()).expect("it opens");
        let reads = |meter: &mut drivers::roles::profiled_meter::ProfiledMeter,
                     call: &mut Call,
                     lux: f64| {
            light.next(lux, std::time::Duration::ZERO);
            let reading = meter.read_illuminance(&mut call.talk()).expect("a reading");
            assert_eq!(reading.outcome, Outcome::Value(lux));
            reading
        };
        relay.spoil(Lapse::ByteByByte);
        assert_eq!(
            reads(&mut meter, &mut call, 34.5).flags,
            Vec::<String>::new()
        );
        light.next(777.0, LATE);
        let late = meter
            .read_illuminance(&mut call.talk())
            .expect("an outcome");
        assert_eq!(late.outcome, Outcome::TimedOut);
        assert_eq!(reads(&mut meter, &mut call, 34.5).flags[0], AFTER_RESYNC);
        assert!(call.talk().state().counts().late_bytes >= 8);
        for lux in [10.0, 34.5, 11.5] {
            assert_eq!(
                reads(&mut meter, &mut call, lux).flags,
                Vec::<String>::new()
            );
        }
        light.next(34.5, std::time::Duration::ZERO);
        relay.spoil(Lapse::CutAfter(4));
        let gone: DriverError = meter
            .read_illuminance(&mut call.talk())
            .expect_err("half a block");
        assert!(gone.link_is_gone(), "{gone}");
        let mut again = Call::to(relay.port);
        meter.open(&mut again.talk()).expect("it opens again");
        reads(&mut meter, &mut again, 34.5);
    });
}
