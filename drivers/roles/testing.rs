//! A device of lines for the tests of the roles: it keeps what it is told, and is as
//! wrong as a test wants it.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use photometry::measured::Capture;
use photometry::units::{Lux, Span};

use super::photometer::Photometer;
use super::profiled_meter::{PhotometerCard, ProfiledMeter};
use crate::exchange::talk::Talk;
use crate::exchange::testing::{Hearing, Said, converse_at, said};
use crate::link::wire::Machine;
use crate::profile::shipped;

/// What a device was told, in its order.
pub(super) type Told = Arc<Mutex<Vec<String>>>;

/// Keeps what it is told, `NAME VALUE`, and says it when it is asked, `NAME?`; what it
/// is asked once is said before that.
#[derive(Default)]
pub(super) struct Device {
    pub(super) kept: BTreeMap<String, Said>,
    pub(super) once: Vec<(&'static str, Said)>,
    /// It does not take this setting.
    pub(super) stuck: Option<&'static str>,
    pub(super) told: Told,
}

impl Device {
    /// One that says this whenever it is asked.
    pub(super) fn saying<const N: usize>(kept: [(&str, Said); N]) -> Device {
        let kept = kept.map(|(name, said)| (name.to_owned(), said));
        Device {
            kept: kept.into(),
            ..Device::default()
        }
    }

    /// From now on it says this as well.
    pub(super) fn says(&mut self, name: &str, said: Said) {
        self.kept.insert(name.to_owned(), said);
    }

    /// What it was told since it was last looked at.
    pub(super) fn taken(told: &Told) -> Vec<String> {
        std::mem::take(&mut *told.lock().expect("told"))
    }

    fn hear(&mut self, line: &str) -> Said {
        if let Some(name) = line.strip_suffix('?') {
            if let Some(at) = self.once.iter().position(|(known, _)| *known == name) {
                return self.once.remove(at).1;
            }
            return self.kept.get(name).cloned().unwrap_or_default();
        }
        self.told.lock().expect("told").push(line.to_owned());
        if let Some((name, value)) = line.split_once(' ')
            && self.stuck != Some(name)
        {
            self.kept.insert(name.to_owned(), said(value));
        }
        Said::new()
    }
}

/// The device as a machine on a wire.
pub(super) fn machine(mut device: Device) -> impl Machine + 'static {
    Hearing::new(move |line: &str| device.hear(line))
}

/// A block of IEEE 488.2 (8.7.9, from memory) of these bytes, with its end of line.
pub(super) fn block_of(payload: &[u8]) -> Vec<u8> {
    let length = payload.len().to_string();
    let header = format!("#{}{length}", length.len());
    [header.as_bytes(), payload, b"\n"].concat()
}

/// The same of numbers in binary32, the most significant byte first.
pub(super) fn block(numbers: &[f32]) -> Vec<u8> {
    let bytes = numbers.iter().flat_map(|number| number.to_be_bytes());
    block_of(&bytes.collect::<Vec<u8>>())
}

pub(super) const WAVEFORMS: &str = "asked-waveform-photometer";

/// A waveform photometer that gives what it is given here.
pub(super) fn ruff(took_ms: i64, samples: &[f32]) -> Device {
    Device::saying([
        ("*IDN", said("Works,WP-2,7,1.0")),
        ("READ:WAV", vec![(took_ms, block(samples))]),
        ("SENS:VOLT:RANG", said("5.0E+00")),
        ("INP:FILT", said("0.0E+00")),
    ])
}

/// A meter that integrates 200 ms, with a shutter if its profile has one.
pub(super) fn meter(profile: &str) -> ProfiledMeter {
    let profile = shipped::profile(profile).expect("a profile");
    let card = PhotometerCard {
        name: "knot".to_owned(),
        aperture: Span::from_ms(200),
        averages: 1,
        plausible: (Lux(-1.0), Lux(200_000.0)),
        has_shutter: profile.has_shutter(),
    };
    ProfiledMeter::new(card, profile, None)
}

/// What is done with a meter that was opened before this device.
pub(super) fn opened<T>(
    profile: &str,
    device: Device,
    how: impl FnOnce(&mut ProfiledMeter, &mut Talk<'_>) -> T,
) -> T {
    converse_at(FAST, machine(device), |talk| {
        let mut meter = meter(profile);
        meter.open(talk).expect("it opens");
        how(&mut meter, talk)
    })
}

/// Bytes a second over the cable of such meters.
pub(super) const FAST: u32 = 1_000_000;

/// What came of a capture, and its flags.
pub(super) fn shown(capture: &Capture) -> String {
    format!("{:?} {:?}", capture.outcome, capture.flags)
}

/// Binary32 as what is read of it.
pub(super) fn values(numbers: &[f32]) -> Option<Vec<f64>> {
    Some(numbers.iter().copied().map(f64::from).collect())
}
