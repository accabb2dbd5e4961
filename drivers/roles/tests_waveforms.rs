//! Waveforms by the shipped profile, before a device that is as wrong as each test
//! wants it.

use std::sync::Arc;

use photometry::measured::Axis;
use photometry::units::Span;

use super::photometer::WaveformPhotometer;
use super::testing::{Device, WAVEFORMS, block, block_of, opened, ruff, shown, values};
use crate::error::DriverError;
use crate::exchange::testing::{Said, said};

/// 20 833 ns are the step of 48 kHz, to the nanosecond.
#[test]
fn a_waveform_is_set_up_read_back_and_kept_as_it_came() {
    let samples = [0.5, 1.0, 1.5, -2.0, 0.25];
    let step = Span::from_ns(20_833);
    let mut device = ruff(2, &samples);
    let told = Arc::clone(&device.told);
    device.once = vec![
        ("SENS:SWE:TINT", said("+2.0833E-05")),
        ("INP:FILT", said("8.0E+03")),
    ];
    let (first, again) = opened(WAVEFORMS, device, |meter, talk| {
        Device::taken(&told);
        let first = meter.capture(talk, step, 5).expect("a capture");
        (first, meter.capture(talk, step, 5).expect("a capture"))
    });
    for capture in [&first, &again] {
        assert_eq!(shown(capture), "Numbers(5) []");
        assert_eq!(capture.numbers(), values(&samples));
        assert_eq!(capture.raw, block(&samples));
        assert_eq!(capture.axis, Axis::Seconds(20_833e-9));
        assert_eq!(capture.axis_numbers().expect("times")[4], 4.0 * 20_833e-9);
        assert_eq!(
            (capture.fill, capture.top, capture.integration),
            (None, Some(5.0), None)
        );
    }
    assert_eq!((first.filter_hz, again.filter_hz), (Some(8_000.0), None));
    let told = Device::taken(&told);
    let each = ["SENS:SWE:TINT 0.000020833", "SENS:SWE:POIN 5"];
    assert_eq!(told, [each, each].concat());
}

#[test]
fn a_step_or_a_count_that_is_not_taken_is_named() {
    for (stuck, kept, wanted) in [
        (
            "SENS:SWE:TINT",
            "2.0E-03",
            "was set to 0.001 and reads back as 2.0E-03",
        ),
        ("SENS:SWE:POIN", "4", "was set to 5 and reads back as 4"),
    ] {
        let mut device = ruff(6, &[1.0; 5]);
        device.says(stuck, said(kept));
        device.stuck = Some(stuck);
        opened(WAVEFORMS, device, |meter, talk| {
            let refused = meter
                .capture(talk, Span::from_ms(1), 5)
                .expect_err("not taken");
            assert!(matches!(refused, DriverError::NotTaken { .. }), "{refused}");
            assert!(refused.to_string().ends_with(wanted), "{refused}");
        });
    }
}

/// What is said to a setting may be the answer to an earlier question: the link is put
/// to order before anything else is asked.
#[test]
fn after_a_setting_that_reads_back_as_something_else_the_link_is_put_to_order() {
    for answer in ["9", "ready"] {
        let mut device = ruff(6, &[1.0; 5]);
        device.once = vec![("SENS:SWE:TINT", said(answer))];
        let again = opened(WAVEFORMS, device, |meter, talk| {
            meter
                .capture(talk, Span::from_ms(1), 5)
                .expect_err("not taken");
            meter.capture(talk, Span::from_ms(1), 5).expect("a capture")
        });
        let wanted = r#"Numbers(5) ["answered after a resync", "set up again"]"#;
        assert_eq!(shown(&again), wanted, "{answer}");
    }
}

/// More than one in a thousand at the top is no waveform; one in a thousand may be noise.
#[test]
fn a_waveform_that_is_cut_at_the_top_says_so() {
    let wave = |at_top: usize, top: f32| {
        let mut samples = vec![1.0_f32; 2_000];
        samples[..at_top].fill(top);
        samples
    };
    let over = f32::INFINITY;
    let cases = [
        (wave(2, 5.0), "5.0", "Numbers(2000) []"),
        (wave(3, 5.0), "5.0", "Saturated(2000) []"),
        (wave(3, 4.999_9), "5.0", "Saturated(2000) []"),
        (wave(500, 4.9), "5.0", "Numbers(2000) []"),
        (wave(1, 9.9e37), "5.0", "Saturated(2000) []"),
        (wave(1, over), "5.0", "Saturated(2000) []"),
        (wave(0, 5.0), "0", "Numbers(2000) [\"top not told\"]"),
        (wave(0, 5.0), "-", "Numbers(2000) [\"top not told\"]"),
    ];
    for (samples, top, wanted) in cases {
        let mut device = ruff(2_001, &samples);
        device.says("SENS:VOLT:RANG", said(top));
        let capture = opened(WAVEFORMS, device, |meter, talk| {
            meter
                .capture(talk, Span::from_ms(1), 2_000)
                .expect("a capture")
        });
        assert_eq!(shown(&capture), wanted, "{top} {:?}", &samples[..4]);
    }
}

#[test]
fn what_is_no_waveform_is_an_outcome_and_the_next_one_is_good() {
    let good = [0.5_f32; 1_000];
    let (step, count) = (Span::from_ms(1), 1_000);
    let rejected = |why: &str| format!("Rejected({why:?}) []");
    let soon = "it answered in 500 ms, sooner than it integrates (1 s)";
    let cases: [(Said, String); 5] = [
        (vec![], "TimedOut []".to_owned()),
        (
            vec![(12_000, block(&[9.0; 1_000]))],
            "TimedOut []".to_owned(),
        ),
        (vec![(500, block(&good))], rejected(soon)),
        (
            vec![(1_001, block(&good[1..]))],
            rejected("there are 999 numbers, and must be 1000"),
        ),
        (
            vec![(1_001, block(&[&good[1..], &[f32::NAN]].concat()))],
            rejected("number 1000 of 1000 is none"),
        ),
    ];
    for (says, wanted) in cases {
        let mut device = ruff(1_001, &good);
        device.once = vec![("READ:WAV", says)];
        let (first, again) = opened(WAVEFORMS, device, |meter, talk| {
            let first = meter.capture(talk, step, count).expect("an outcome");
            (first, meter.capture(talk, step, count).expect("a capture"))
        });
        assert_eq!(shown(&first), wanted);
        let after = r#"Numbers(1000) ["answered after a resync", "set up again"]"#;
        assert_eq!(
            (shown(&again).as_str(), again.numbers()),
            (after, values(&good))
        );
    }
}

/// A waveform may last longer than anything else that a device is asked.
#[test]
fn a_slow_waveform_is_waited_for() {
    let capture = opened(WAVEFORMS, ruff(20_001, &[0.5; 2_000]), |meter, talk| {
        let capture = meter.capture(talk, Span::from_ms(10), 2_000);
        capture.expect("a capture")
    });
    assert_eq!(shown(&capture), "Numbers(2000) []");
}

/// 400 kB: more than a reading may have, and more than one wire holds. The one that
/// comes too late is counted away, also where its bytes look like the answers that a
/// resync listens for.
#[test]
fn a_long_waveform_comes_whole_and_a_late_one_is_nobodys() {
    let samples: Vec<f32> = (0..100_000).map(|n| (n % 250) as f32 / 100.0).collect();
    let step = Span::from_ns(10_000);
    let tokens: Vec<String> = (101..255).map(|token| format!("{token}\n")).collect();
    let tokens = tokens.concat().into_bytes();
    let looks_like_tokens: Vec<u8> = tokens.iter().copied().cycle().take(400_000).collect();
    let mut device = ruff(1_001, &samples);
    device.once = vec![("READ:WAV", vec![(12_000, block_of(&looks_like_tokens))])];
    let (first, again) = opened(WAVEFORMS, device, |meter, talk| {
        let first = meter.capture(talk, step, 100_000).expect("an outcome");
        (
            first,
            meter.capture(talk, step, 100_000).expect("a capture"),
        )
    });
    assert_eq!(shown(&first), "TimedOut []");
    let after = r#"Numbers(100000) ["answered after a resync", "set up again"]"#;
    assert_eq!(shown(&again), after);
    assert_eq!(again.numbers(), values(&samples));
}
