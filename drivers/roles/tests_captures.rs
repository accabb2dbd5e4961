//! Spectra by the shipped profile, before a device that is as wrong as each test wants
//! it.

use std::sync::Arc;

use photometry::measured::{Axis, CaptureOutcome, NumberForm, Packing};
use photometry::units::{Mono, Span};
use proptest::prelude::*;

use super::photometer::{Photometer, Spectroradiometer, WaveformPhotometer};
use super::testing::{
    Device, FAST, WAVEFORMS, block, block_of, machine, meter, opened, ruff, shown, values,
};
use crate::error::DriverError;
use crate::exchange::testing::{Said, converse, converse_at, said};
use crate::link::wire::Machine;

const SPECTRA: &str = "asked-spectroradiometer";
const NM: [f32; 3] = [380.0, 390.0, 400.0];
const LIGHT: [f32; 3] = [0.25, 0.5, -0.125];

/// A spectroradiometer of three elements that integrates 200 ms.
fn knot() -> Device {
    Device::saying([
        ("*IDN", said("Works,SR-1,7,1.0")),
        ("SENS:WAV", vec![(1, block(&NM))]),
        ("READ:SPEC", vec![(201, block(&LIGHT))]),
        ("SENS:FILL", said("7.1E-01")),
    ])
}

const AGAIN: &str = r#"Numbers(3) ["answered after a resync", "set up again"]"#;

#[test]
fn a_spectrum_is_kept_as_it_came() {
    let capture = opened(SPECTRA, knot(), |meter, talk| meter.read_spectrum(talk));
    let capture = capture.expect("a capture");
    assert_eq!(shown(&capture), "Numbers(3) []");
    assert_eq!(capture.raw, block(&LIGHT));
    assert_eq!(capture.axis_raw, block(&NM));
    let packing = Packing {
        form: NumberForm::F32,
        high_first: true,
        from: 4,
        count: 3,
        times: 1.0,
    };
    assert_eq!(capture.packing, Some(packing));
    assert_eq!(capture.axis_packing, Some(packing));
    assert_eq!(capture.numbers(), values(&LIGHT));
    assert_eq!(capture.axis_numbers(), values(&NM));
    assert_eq!(
        (capture.meter.as_str(), &capture.axis),
        ("knot", &Axis::Wavelengths)
    );
    assert_eq!(capture.integration, Some(Span::from_ms(200)));
    assert_eq!(
        (capture.fill, capture.top, capture.filter_hz),
        (Some(0.71), None, None)
    );
    let took = capture.taken.mono.since(capture.asked.mono);
    assert_eq!(took, Span::from_ms(201));
}

/// Whatever is no spectrum of this meter has no numbers, says why, keeps its bytes, and
/// spoils no other: before the next one the meter is set up again.
#[test]
fn what_is_no_spectrum_is_an_outcome_and_the_next_one_is_good() {
    let rejected = |why: &str| format!("Rejected({why:?}) []");
    let soon = "it answered in 100 ms, sooner than it integrates (200 ms)";
    let cases: [(&str, Said, String); 15] = [
        ("silent", vec![], "TimedOut []".to_owned()),
        ("late", vec![(4_000, block(&NM))], "TimedOut []".to_owned()),
        (
            "cut off",
            vec![(201, block(&LIGHT)[..9].to_vec())],
            "TimedOut []".to_owned(),
        ),
        (
            "text",
            vec![(201, b"12.5\n".to_vec())],
            rejected("`12.5` is no block"),
        ),
        (
            "without a length",
            vec![(201, b"#0\x3F\0\0\0\n".to_vec())],
            rejected(
                "the block is of the indefinite form `#0`, whose end cannot be seen on this line",
            ),
        ),
        (
            "longer than any",
            vec![(201, b"#9999999999\n".to_vec())],
            rejected("the block has 999999999 bytes, more than 16777216"),
        ),
        (
            "too short",
            vec![(201, block(&LIGHT[..2]))],
            rejected("there are 2 numbers, and must be 3"),
        ),
        (
            "too long",
            vec![(201, block(&[1.0; 4]))],
            rejected("there are 4 numbers, and must be 3"),
        ),
        (
            "uneven",
            vec![(201, block_of(&[0x3F; 13]))],
            rejected("the block has 13 bytes, and a number has 4"),
        ),
        (
            "empty",
            vec![(201, b"#10\n".to_vec())],
            rejected("the block has 0 bytes, and a number has 4"),
        ),
        (
            "no number",
            vec![(201, block(&[0.5, f32::NAN, 0.5]))],
            rejected("number 2 of 3 is none"),
        ),
        // SCPI-99, vol. 1, 7.2.1.5: not-a-number.
        (
            "no number, as SCPI writes it",
            vec![(201, block(&[0.5, 0.5, 9.91e37]))],
            rejected("number 3 of 3 is none"),
        ),
        (
            "below the range",
            vec![(201, block(&[f32::NEG_INFINITY, 0.5, 0.5]))],
            rejected("number 1 of 3 is none"),
        ),
        ("too soon", vec![(100, block(&LIGHT))], rejected(soon)),
        (
            "two answers",
            vec![(201, [block(&LIGHT), block(&LIGHT)].concat())],
            rejected("it gave more than one answer"),
        ),
    ];
    for (name, says, wanted) in cases {
        let came = says.first().map(|(_, bytes)| bytes.clone());
        let mut device = knot();
        let told = Arc::clone(&device.told);
        device.once = vec![("READ:SPEC", says)];
        let (first, again) = opened(SPECTRA, device, |meter, talk| {
            let first = meter.read_spectrum(talk).expect("an outcome");
            Device::taken(&told);
            (first, meter.read_spectrum(talk).expect("a capture"))
        });
        assert_eq!(shown(&first), wanted, "{name}");
        assert_eq!((first.packing, first.numbers()), (None, None), "{name}");
        assert_eq!(
            (shown(&again), again.numbers()),
            (AGAIN.to_owned(), values(&LIGHT)),
            "{name}"
        );
        let told = Device::taken(&told).join(" ");
        assert!(
            told.contains("SENS:APER 0.2 INP:SHUT OPEN"),
            "{name}: {told}"
        );
        if matches!(first.outcome, CaptureOutcome::Rejected(_)) {
            let came = came.expect("bytes");
            assert!(
                !first.raw.is_empty() && came.starts_with(&first.raw),
                "{name}"
            );
        }
    }
}

/// What is on record of a spectrum that came to nothing, after one that did.
#[test]
fn a_lapse_after_a_lapse_says_that_it_was_asked_after_a_resync() {
    let cases: [(Said, &str); 3] = [
        (vec![], r#"TimedOut ["asked after a resync"]"#),
        (
            vec![(201, b"12\n".to_vec())],
            r#"Rejected("`12` is no block") ["answered after a resync"]"#,
        ),
        (
            vec![(201, block(&[f32::NAN; 3]))],
            r#"Rejected("number 1 of 3 is none") ["answered after a resync"]"#,
        ),
    ];
    for (says, wanted) in cases {
        let mut device = knot();
        device.once = vec![("READ:SPEC", vec![]), ("READ:SPEC", says)];
        let second = opened(SPECTRA, device, |meter, talk| {
            meter.read_spectrum(talk).expect("an outcome");
            meter.read_spectrum(talk).expect("an outcome")
        });
        assert_eq!(shown(&second), wanted);
    }
}

#[test]
fn a_meter_that_is_full_says_so() {
    let full = f32::INFINITY;
    let cases: [(&str, [f32; 3], &str); 8] = [
        ("9.79E-01", LIGHT, "Numbers(3) []"),
        ("9.8E-01", LIGHT, "Saturated(3) []"),
        ("1", LIGHT, "Saturated(3) []"),
        // SCPI-99, vol. 1, 7.2.1.4: infinity, of the share and of an element.
        ("9.9E+37", LIGHT, "Saturated(3) [\"fill over range\"]"),
        ("7.1E-01", [0.5, 9.9e37, 0.5], "Saturated(3) []"),
        ("7.1E-01", [0.5, full, 0.5], "Saturated(3) []"),
        ("9.91E+37", LIGHT, "Numbers(3) [\"fill not told\"]"),
        ("much", LIGHT, "Numbers(3) [\"fill not told\"]"),
    ];
    for (fill, light, wanted) in cases {
        let mut device = knot();
        device.says("SENS:FILL", said(fill));
        device.says("READ:SPEC", vec![(201, block(&light))]);
        let capture = opened(SPECTRA, device, |meter, talk| meter.read_spectrum(talk));
        let capture = capture.expect("a capture");
        assert_eq!(shown(&capture), wanted, "{fill} {light:?}");
        assert_eq!(capture.numbers(), values(&light));
    }
    // One that answers nothing at all: the spectrum stands, the link is put to order.
    let mut device = knot();
    device.once = vec![("SENS:FILL", vec![])];
    let (first, again) = opened(SPECTRA, device, |meter, talk| {
        let first = meter.read_spectrum(talk).expect("a capture");
        (first, meter.read_spectrum(talk).expect("a capture"))
    });
    assert_eq!(shown(&first), "Numbers(3) [\"fill not told\"]");
    assert_eq!((shown(&again).as_str(), again.fill), (AGAIN, Some(0.71)));
}

#[test]
fn wavelengths_that_cannot_be_are_refused_at_the_opening() {
    let many: Vec<f32> = (0..20_001).map(|n| 300.0 + n as f32 * 0.03).collect();
    let rise = "`read-wavelengths` was answered by";
    let cases: [(&str, Said, &str); 10] = [
        (
            "fall",
            vec![(1, block(&[400.0, 390.0]))],
            "wavelength 2 is 390 nm",
        ),
        (
            "stay",
            vec![(1, block(&[380.0, 390.0, 390.0]))],
            "wavelength 3 is 390 nm",
        ),
        (
            "none",
            vec![(1, block(&[380.0, f32::NAN, 400.0]))],
            "wavelength 2 is NaN nm",
        ),
        (
            "no end",
            vec![(1, block(&[380.0, f32::INFINITY]))],
            "wavelength 2 is inf nm",
        ),
        ("one", vec![(1, block(&[380.0]))], "wavelengths, 1 of them"),
        (
            "micrometres",
            vec![(1, block(&[0.38, 0.39]))],
            "wavelength 1 is 0.3",
        ),
        (
            "negative",
            vec![(1, block(&[-5.0, 390.0]))],
            "wavelength 1 is -5 nm",
        ),
        (
            "too many",
            vec![(1, block(&many))],
            "wavelengths, 20001 of them",
        ),
        ("text", said("380"), "`SENS:WAV?` was answered by `380`"),
        (
            "uneven",
            vec![(1, block_of(&[0x43; 7]))],
            "`SENS:WAV?` was answered by",
        ),
    ];
    for (name, says, wanted) in cases {
        let mut device = knot();
        device.says("SENS:WAV", says);
        let refused = converse_at(FAST, machine(device), |talk| meter(SPECTRA).open(talk));
        let refused = refused.expect_err("it is refused");
        let told = refused.to_string();
        assert!(
            matches!(refused, DriverError::Garbled { .. }),
            "{name}: {told}"
        );
        assert!(told.contains(wanted), "{name}: {told}");
        assert_eq!(
            told.starts_with(rise),
            !wanted.contains("SENS"),
            "{name}: {told}"
        );
    }
}

/// A spectrum of another count than the wavelengths is none, also when the meter is
/// opened anew with others.
#[test]
fn each_spectrum_is_held_against_the_wavelengths_of_the_last_opening() {
    let mut device = knot();
    device.once = vec![("SENS:WAV", vec![(1, block(&NM[..2]))])];
    let (first, again) = opened(SPECTRA, device, |meter, talk| {
        let first = meter.read_spectrum(talk).expect("an outcome");
        meter.open(talk).expect("it opens");
        (first, meter.read_spectrum(talk).expect("a capture"))
    });
    assert_eq!(
        shown(&first),
        r#"Rejected("there are 3 numbers, and must be 2") []"#
    );
    assert_eq!(shown(&again), "Numbers(3) []");
    assert_eq!(again.axis_numbers(), values(&NM));
}

#[test]
fn an_integration_that_was_chosen_stays_so() {
    let device = knot();
    let told = Arc::clone(&device.told);
    let heard = |line: &str| {
        let told = told.lock().expect("told");
        told.iter().filter(|told| *told == line).count()
    };
    let mut slow = device;
    slow.says("READ:SPEC", vec![(1_990, block(&LIGHT))]);
    slow.once = vec![("READ:SPEC", vec![(1_900, block(&LIGHT))])];
    opened(SPECTRA, slow, |meter, talk| {
        meter
            .integrate(talk, Span::from_secs(2))
            .expect("it takes it");
        assert_eq!((heard("SENS:APER 0.2"), heard("SENS:APER 2")), (1, 1));
        // Sooner than it integrates now: no spectrum of this question.
        let soon = meter.read_spectrum(talk).expect("an outcome");
        let why = "it answered in 1.9 s, sooner than it integrates (2 s)";
        assert_eq!(soon.outcome, CaptureOutcome::Rejected(why.to_owned()));
        let good = meter.read_spectrum(talk).expect("a capture");
        assert_eq!(
            (shown(&good).as_str(), good.integration),
            (AGAIN, Some(Span::from_secs(2)))
        );
        meter.open(talk).expect("it opens");
    });
    // Set, set up again before the second spectrum, and at the second opening.
    assert_eq!((heard("SENS:APER 0.2"), heard("SENS:APER 2")), (1, 3));
}

/// One that it does not take is named, and the one before is in force again: the meter
/// can be opened and read.
#[test]
fn an_integration_that_is_not_taken_is_put_back() {
    let mut device = knot();
    device.once = vec![("SENS:APER", said("0.2")), ("SENS:APER", said("0.2"))];
    opened(SPECTRA, device, |meter, talk| {
        let refused = meter
            .integrate(talk, Span::from_secs(2))
            .expect_err("not taken");
        let told = refused.to_string();
        assert_eq!(told, "`integration` was set to 2 and reads back as 0.2");
        let good = meter.read_spectrum(talk).expect("a capture");
        let wanted = (r#"Numbers(3) ["set up again"]"#, Some(Span::from_ms(200)));
        assert_eq!((shown(&good).as_str(), good.integration), wanted);
        // Longer than any such meter takes: nothing is sent.
        let refused = meter
            .integrate(talk, Span::from_secs(61))
            .expect_err("too long");
        assert!(matches!(refused, DriverError::Unsendable(_)), "{refused}");
        meter.open(talk).expect("it opens");
        let good = meter.read_spectrum(talk).expect("a capture");
        assert_eq!(good.integration, Some(Span::from_ms(200)));
    });
}

/// A meter that starts anew says so or not; it is set up again before it is asked.
#[test]
fn a_restart_in_between_is_seen() {
    let mut device = knot();
    let told = Arc::clone(&device.told);
    // Its greeting comes while nobody asks anything.
    device.once = vec![(
        "SENS:FILL",
        vec![(1, b"7.1E-01\n".to_vec()), (50, b"SR-1 1.0\n".to_vec())],
    )];
    opened(SPECTRA, device, |meter, talk| {
        meter.shutter(talk, true).expect("it closes");
        let first = meter.read_spectrum(talk).expect("a capture");
        assert_eq!(shown(&first), "Numbers(3) []");
        let until = talk.now().mono + Span::from_secs(1);
        talk.pause(until).expect("a pause");
        Device::taken(&told);
        let again = meter.read_spectrum(talk).expect("a capture");
        assert_eq!(shown(&again), r#"Numbers(3) ["set up again"]"#);
    });
    let told = Device::taken(&told);
    assert_eq!(told, ["SENS:APER 0.2", "INP:SHUT CLOS"]);
}

/// Is unplugged when it hears a line.
struct Unplugs<M> {
    device: M,
    at: &'static [u8],
    pulled: bool,
}

impl<M: Machine> Machine for Unplugs<M> {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        self.pulled |= bytes.starts_with(self.at);
        self.device.bytes(now, bytes);
    }
    fn next_due(&self) -> Option<Mono> {
        self.device.next_due()
    }
    fn due(&mut self, now: Mono) -> Vec<u8> {
        self.device.due(now)
    }
    fn breaks_off(&mut self) -> Option<Span> {
        std::mem::take(&mut self.pulled).then_some(Span::from_mins(60))
    }
}

#[test]
fn a_meter_that_is_gone_is_an_error() {
    let device = Unplugs {
        device: machine(knot()),
        at: b"READ:SPEC?",
        pulled: false,
    };
    converse(device, |talk| {
        let mut meter = meter(SPECTRA);
        meter.open(talk).expect("it opens");
        let gone = meter.read_spectrum(talk);
        assert!(
            gone.as_ref().is_err_and(DriverError::link_is_gone),
            "{gone:?}"
        );
    });
}

#[test]
fn what_a_meter_does_not_yield_is_not_asked() {
    let device = knot();
    let told = Arc::clone(&device.told);
    opened(SPECTRA, device, |meter, talk| {
        Device::taken(&told);
        let no = meter.read_illuminance(talk).expect_err("none");
        assert_eq!(
            no.to_string(),
            "knot does not yield illuminance: the spectrum covers 380 to 400 nm; it must cover \
             at least 400 to 700 nm; nothing was sent"
        );
        let no = meter.capture(talk, Span::from_ms(1), 5).expect_err("none");
        assert_eq!(
            no.to_string(),
            "knot does not yield a waveform; nothing was sent"
        );
    });
    opened(WAVEFORMS, ruff(1, &[1.0]), |meter, talk| {
        let no = meter.read_spectrum(talk).expect_err("none");
        assert_eq!(
            no.to_string(),
            "knot does not yield a spectrum; nothing was sent"
        );
        let no = meter.integrate(talk, Span::from_secs(1)).expect_err("none");
        assert!(matches!(no, DriverError::Unsendable(_)), "{no}");
    });
    assert_eq!(Device::taken(&told), Vec::<String>::new());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Whatever comes in the place of a spectrum and of what is asked besides: an
    /// outcome or an error, and where there are numbers, as many as wavelengths.
    #[test]
    fn no_bytes_panic_a_reader_of_captures(
        bytes in prop::collection::vec(any::<u8>(), 0..60),
        payload in prop::collection::vec(any::<u8>(), 0..24),
        besides in "[ -~]{0,12}",
    ) {
        for answer in [bytes, block_of(&payload)] {
            let mut device = knot();
            device.once = vec![
                ("READ:SPEC", vec![(201, answer.clone())]),
                ("SENS:FILL", said(&besides)),
            ];
            let came = opened(SPECTRA, device, |meter, talk| meter.read_spectrum(talk));
            if let Ok(capture) = came && capture.outcome.says_something() {
                prop_assert_eq!(capture.numbers().map(|numbers| numbers.len()), Some(3));
            }
            let mut device = ruff(3, &[1.0]);
            device.once = vec![
                ("READ:WAV", vec![(4, answer)]),
                ("SENS:VOLT:RANG", said(&besides)),
            ];
            let came = opened(WAVEFORMS, device, |meter, talk| {
                meter.capture(talk, Span::from_ms(1), 3)
            });
            if let Ok(capture) = came && capture.outcome.says_something() {
                prop_assert_eq!(capture.numbers().map(|numbers| numbers.len()), Some(3));
            }
        }
    }

    /// Wavelengths of any bytes: refused, or numbers that rise.
    #[test]
    fn no_bytes_panic_a_reader_of_wavelengths(
        payload in prop::collection::vec(any::<u8>(), 0..24),
    ) {
        let mut device = knot();
        device.says("SENS:WAV", vec![(1, block_of(&payload))]);
        let _ = converse_at(FAST, machine(device), |talk| meter(SPECTRA).open(talk));
    }
}
