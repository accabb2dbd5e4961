//! A SCPI photometer for light that moves fast: samples at equal steps, a converter
//! with a top, with or without a filter before it, a shutter.
//!
//! Each sample is the closed form at one instant (`modulation`), so that without the
//! filter whatever moves faster than half the rate is folded down. The lamp's slow
//! changes are taken every few milliseconds and linear between. Served by `bench`;
//! the light is `lights`. Not here: lines (`scpi_device`), flicker figures.

use photometry::units::{Mono, Span};
use serde::{Deserialize, Serialize};

use super::faults::{Amiss, Device, Event, Fault};
use super::meter::nr3;
use super::modulation::{Filtered, Modulation};
use super::random::{Stream, normal};
use super::scpi_device::{
    DATA_TYPE, Instrument, OUT_OF_RANGE, Reply, ScpiDevice, UNDEFINED_HEADER, Unit, amiss,
    block_amiss, closes, shutter,
};
use super::world::World;

/// Most samples of one capture.
const POINTS_AT_MOST: u32 = 4_000_000;
/// Times between two samples that it takes, in s.
const STEP_S: std::ops::RangeInclusive<f64> = 1e-6..=1.0;
/// From the last sample to the answer.
const CONVERTS: Span = Span::from_ms(10);
/// The lamp's slow changes are looked at so often,
const LOOKS_EVERY: Span = Span::from_ms(5);
/// and at most so often in a capture.
const LOOKS_AT_MOST: i64 = 20_000;

/// What a waveform photometer is made of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WaveformPhotometerModel {
    /// Volt for each lux.
    pub volts_per_lux: f64,
    /// Top of the converter in V; its bottom is as far below nought.
    pub top_v: f64,
    /// Bits of the converter, sign included, 2 to 24.
    pub bits: u8,
    /// What it shows in the dark, in V.
    pub dark_v: f64,
    /// Noise of a sample, one sigma, in V.
    pub noise_v: f64,
    /// Corner of the filter before the converter in Hz, where it has one.
    pub filter_hz: Option<f64>,
}

impl WaveformPhotometerModel {
    /// 2 mV/lx, 10 V, 16 bits, a filter at 4 kHz.
    pub fn filtered() -> WaveformPhotometerModel {
        WaveformPhotometerModel {
            volts_per_lux: 2e-3,
            top_v: 10.0,
            bits: 16,
            dark_v: 1.2e-3,
            noise_v: 2e-4,
            filter_hz: Some(4000.0),
        }
    }

    /// The same without the filter.
    pub fn unfiltered() -> WaveformPhotometerModel {
        WaveformPhotometerModel {
            filter_hz: None,
            ..WaveformPhotometerModel::filtered()
        }
    }

    /// What the converter makes of a voltage, in V.
    fn converted(&self, volts: f64) -> f64 {
        let lsb = self.top_v / f64::from(1_u32 << (self.bits.clamp(2, 24) - 1));
        ((volts / lsb).round() * lsb).clamp(-self.top_v, self.top_v)
    }
}

/// A waveform photometer's settings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WaveformPhotometerState {
    step: Span,
    points: u32,
    closed: bool,
}

impl Default for WaveformPhotometerState {
    /// As after power-up: 1000 samples, 50 us apart, shutter open.
    fn default() -> WaveformPhotometerState {
        WaveformPhotometerState {
            step: Span::from_ns(50_000),
            points: 1000,
            closed: false,
        }
    }
}

/// The light at one instant: the lamp's in lx, how it moves (an index), the room's.
type Look = (f64, usize, f64);

/// The light at equal steps, to be met in between.
struct Looks {
    /// World time of the first, in which phases are counted.
    began: Mono,
    every: Span,
    seen: Vec<Look>,
    /// How light moves in this capture, and behind the filter if there is one.
    moves: Vec<(Modulation, Option<Filtered>)>,
}

impl Looks {
    fn of(world: &World, began: Mono, length: Span, filter: Option<f64>) -> Looks {
        let every = LOOKS_EVERY.max(Span::from_ns(length.ns() / LOOKS_AT_MOST));
        let mut looks = Looks {
            began: world.time(began),
            every,
            seen: Vec::new(),
            moves: Vec::new(),
        };
        for nth in 0..length.ns() / every.ns() + 2 {
            let glow = world.glow(began + every.times(nth));
            let known = looks
                .moves
                .iter()
                .position(|(is, _)| *is == glow.modulation);
            let moves = known.unwrap_or_else(|| {
                let filtered = filter.map(|corner| glow.modulation.behind(corner));
                looks.moves.push((glow.modulation, filtered));
                looks.moves.len() - 1
            });
            looks.seen.push((glow.lamp.0, moves, glow.ambient.0));
        }
        looks
    }

    /// Illuminance in lx, so long after the beginning.
    fn at(&self, after: Span) -> f64 {
        let nth = (after.ns() / self.every.ns()) as usize;
        let part = (after.ns() % self.every.ns()) as f64 / self.every.ns() as f64;
        let Some((lamp, moves, ambient)) = self.seen.get(nth) else {
            return 0.0;
        };
        let next = self.seen.get(nth + 1).map_or(*lamp, |(lamp, ..)| *lamp);
        let relative = match self.moves.get(*moves) {
            Some((_, Some(filtered))) => filtered.at(self.began, after.secs()),
            Some((plain, None)) => plain.at(self.began, after.secs()),
            None => 1.0,
        };
        (lamp + (next - lamp) * part) * relative + ambient
    }
}

/// The waveform photometer as an instrument.
pub(super) struct WaveformPhotometer {
    world: World,
    /// When the capture at work began.
    began: Mono,
    faults: Vec<Fault>,
}

impl WaveformPhotometer {
    /// One in this world, ready for a wire.
    pub(super) fn machine(world: &World) -> ScpiDevice<WaveformPhotometer> {
        let instrument = WaveformPhotometer {
            world: world.clone(),
            began: Mono::ZERO,
            faults: Vec::new(),
        };
        ScpiDevice::new(world.clone(), instrument)
    }

    fn settings(&self) -> WaveformPhotometerState {
        self.world.state().equipment.waveform_photometer.clone()
    }

    fn change(&self, how: impl FnOnce(&mut WaveformPhotometerState)) -> Reply {
        how(&mut self.world.state().equipment.waveform_photometer);
        Reply::Done
    }

    /// Samples in V.
    fn capture(&self) -> Vec<f32> {
        let spec = self.world.spec();
        let model = &spec.equipment.waveform_photometer;
        let state = self.settings();
        let looks = (!state.closed).then(|| {
            let length = state.step.times(i64::from(state.points));
            Looks::of(&self.world, self.began, length, model.filter_hz)
        });
        let gain = model.volts_per_lux * self.world.gain(Device::WaveformPhotometer);
        let taken = self.world.count(Event::WaveformTaken);
        let sample = |nth: u32| {
            let after = state.step.times(i64::from(nth));
            let light = looks.as_ref().map_or(0.0, |looks| looks.at(after));
            let draw = taken * u64::from(POINTS_AT_MOST) + u64::from(nth);
            let noise = model.noise_v * normal(spec.seed, Stream::WaveformNoise, draw);
            model.converted(light * gain + model.dark_v + noise) as f32
        };
        (0..state.points).map(sample).collect()
    }
}

impl Instrument for WaveformPhotometer {
    fn device(&self) -> Device {
        Device::WaveformPhotometer
    }

    fn identity(&self) -> String {
        let serial = self.world.spec().seed % 1_000_000;
        format!("Simulated,Waveform photometer,{serial:06},1.0")
    }

    fn reset(&mut self, _now: Mono) {
        self.change(|state| *state = WaveformPhotometerState::default());
    }

    fn execute(&mut self, now: Mono, unit: &Unit) -> Reply {
        let state = self.settings();
        if unit.query {
            let spec = self.world.spec();
            let model = &spec.equipment.waveform_photometer;
            return if unit.is("READ:WAVeform") {
                self.faults = self.world.happens(Event::WaveformTaken);
                self.world.lamp_suffers(&self.faults, now);
                self.began = now;
                Reply::After(state.step.times(i64::from(state.points)) + CONVERTS)
            } else if unit.is("SENSe:SWEep:TINTerval") {
                Reply::Answer(nr3(state.step.secs()))
            } else if unit.is("SENSe:SWEep:POINts") {
                Reply::Answer(state.points.to_string())
            } else if unit.is("SENSe:VOLTage:RANGe") {
                Reply::Answer(nr3(model.top_v))
            } else if unit.is("INPut:FILTer") {
                Reply::Answer(nr3(model.filter_hz.unwrap_or(0.0)))
            } else if unit.is("INPut:SHUTter") {
                shutter(state.closed)
            } else {
                UNDEFINED_HEADER
            };
        }
        if unit.is("INPut:SHUTter") {
            return match closes(unit) {
                Some(closed) => self.change(|state| state.closed = closed),
                None => DATA_TYPE,
            };
        }
        let (step, points) = (
            unit.is("SENSe:SWEep:TINTerval"),
            unit.is("SENSe:SWEep:POINts"),
        );
        if !step && !points {
            return UNDEFINED_HEADER;
        }
        match unit.number() {
            // Rounded to the nanosecond without a word, as devices do.
            Some(seconds) if step && STEP_S.contains(&seconds) => {
                let step = Span::from_ns((seconds * 1e9).round() as i64);
                self.change(|state| state.step = step)
            }
            Some(count) if points && (1.0..=f64::from(POINTS_AT_MOST)).contains(&count) => {
                self.change(|state| state.points = count as u32)
            }
            Some(_) => OUT_OF_RANGE,
            None => DATA_TYPE,
        }
    }

    fn finish(&mut self, _now: Mono) -> Vec<u8> {
        let amiss = amiss(&std::mem::take(&mut self.faults));
        let mut samples = self.capture();
        if amiss == Some(Amiss::Saturated) {
            let spec = self.world.spec();
            samples.fill(spec.equipment.waveform_photometer.top_v as f32);
        }
        block_amiss(&samples, amiss)
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use photometry::units::Lux;

    use super::super::lamp::LampModel;
    use super::super::lamp_model::Modulated;
    use super::super::testing::{answer, numbers, text};
    use super::super::world::WorldSpec;
    use super::*;

    /// A godwit at a level, warm, before this photometer without noise.
    fn scene(
        model: WaveformPhotometerModel,
        lamp: LampModel,
        level: u16,
    ) -> (World, ScpiDevice<WaveformPhotometer>, Mono) {
        let mut spec = WorldSpec {
            lamp,
            ..WorldSpec::new(1)
        };
        spec.equipment.waveform_photometer = WaveformPhotometerModel {
            noise_v: 0.0,
            ..model
        };
        let world = World::start(spec, None, Mono::ZERO, Span::ZERO).expect("a world");
        world.person().set_level(level, Mono::ZERO);
        let machine = WaveformPhotometer::machine(&world);
        (world, machine, Mono::ZERO + Span::from_secs(50_000))
    }

    fn plain() -> WaveformPhotometerModel {
        WaveformPhotometerModel {
            bits: 24,
            ..WaveformPhotometerModel::unfiltered()
        }
    }

    /// Amplitude of one line of the samples, by the sum of its definition.
    fn line(samples: &[f64], step: f64, hz: f64) -> f64 {
        let sums = samples
            .iter()
            .enumerate()
            .fold((0.0, 0.0), |sums, (nth, v)| {
                let phase = TAU * hz * step * nth as f64;
                (sums.0 + v * phase.cos(), sums.1 + v * phase.sin())
            });
        2.0 * f64::hypot(sums.0, sums.1) / samples.len() as f64
    }

    #[test]
    fn it_answers_as_such_devices_do() {
        let filtered = WaveformPhotometerModel::filtered();
        let (_, mut machine, mut now) = scene(filtered, LampModel::godwit(), 1);
        let cases = [
            ("*IDN?", "Simulated,Waveform photometer,000001,1.0\n"),
            ("SENS:SWE:TINT 2.2675737E-5;TINT?", "2.267600E-05\n"),
            ("SENS:SWE:POIN 4000000;POIN?", "4000000\n"),
            ("SENS:SWE:POIN 4000001", ""),
            ("SYST:ERR?", "-222,\"Data out of range\"\n"),
            ("SENS:VOLT:RANG?", "1.000000E+01\n"),
            ("INP:FILT?", "4.000000E+03\n"),
            ("INP:SHUT CLOS;SHUT?", "CLOS\n"),
            ("*RST;SENS:SWE:POIN?;:INP:SHUT?", "1000;OPEN\n"),
        ];
        for (line, said) in cases {
            assert_eq!(text(&mut machine, &mut now, line), said, "{line}");
        }
        let (_, mut machine, mut now) = scene(plain(), LampModel::godwit(), 1);
        assert_eq!(text(&mut machine, &mut now, "INP:FILT?"), "0.000000E+00\n");
    }

    /// The godwit's pulses of a quarter of 480 Hz: a quarter of the samples is four
    /// times the mean, the others show the dark and the room.
    #[test]
    fn pulses_are_sampled_as_they_are() {
        let (world, mut machine, mut now) = scene(plain(), LampModel::godwit(), 2);
        text(&mut machine, &mut now, "SENS:SWE:POIN 4800;TINT 1E-5");
        let asked = now;
        let samples = numbers(&answer(&mut machine, &mut now, "READ:WAV?"));
        // 48 ms, 10 ms to convert, 3 ms until the answer leaves.
        assert_eq!(now.since(asked), Span::from_ms(61));
        let glow = world.glow(now);
        let gain = 2e-3 * world.gain(Device::WaveformPhotometer);
        let low = glow.ambient.0 * gain + 1.2e-3;
        let high = low + 4.0 * glow.lamp.0 * gain;
        let near = |wanted: f64| {
            let close = |sample: &&f64| (**sample - wanted).abs() < 1e-5;
            samples.iter().filter(close).count()
        };
        // 23.04 periods: a quarter of the samples within one of each period.
        let count = near(high);
        assert!((1200 - 23..=1200 + 24).contains(&count), "{count}");
        assert_eq!(near(low), samples.len() - count);
    }

    /// A sine of 9.7 kHz sampled at 10 kHz shows as one of 300 Hz; behind the filter
    /// of 4 kHz it has the gain of a Gaussian there, 2^-((9.7/4)^2 / 2) = 0.1303, and
    /// one of 19.7 kHz is gone, all by hand.
    #[test]
    fn lines_above_half_the_rate_are_folded_unless_a_filter_stops_them() {
        let with = |hz| {
            let mut lamp = LampModel::godwit();
            lamp.tones[0].modulation = vec![Modulated {
                up_to: 9,
                is: Modulation::Sine { hz, depth: 0.5 },
            }];
            lamp
        };
        let filtered = WaveformPhotometerModel {
            filter_hz: Some(4000.0),
            ..plain()
        };
        let cases = [
            (plain(), 9700.0, 0.5),
            (filtered.clone(), 9700.0, 0.5 * 0.1303),
            (plain(), 19_700.0, 0.5),
            (filtered, 19_700.0, 0.5 * 2.2e-4),
        ];
        for (model, hz, depth) in cases {
            let (world, mut machine, mut now) = scene(model.clone(), with(hz), 9);
            text(&mut machine, &mut now, "SENS:SWE:POIN 10000;TINT 1E-4");
            let samples = numbers(&answer(&mut machine, &mut now, "READ:WAV?"));
            let mean = world.glow(now).lamp.0 * 2e-3 * world.gain(Device::WaveformPhotometer);
            let shown = line(&samples, 1e-4, 300.0) / mean;
            assert!(
                (shown - depth).abs() < 2e-4,
                "{model:?} {hz}: {shown} {depth}"
            );
        }
    }

    #[test]
    fn too_much_light_ends_at_the_top_and_a_closed_shutter_is_dark() {
        let lamp = LampModel {
            brightest: Lux(20_000.0),
            ..LampModel::sanderling()
        };
        let (_, mut machine, mut now) = scene(plain(), lamp, 12);
        let bright = numbers(&answer(&mut machine, &mut now, "READ:WAV?"));
        assert!(bright.iter().all(|sample| *sample == 10.0));
        text(&mut machine, &mut now, "INP:SHUT CLOS");
        let dark = numbers(&answer(&mut machine, &mut now, "READ:WAV?"));
        // Within half a step of 24 bits: 10 V / 2^23 / 2.
        assert!(dark.iter().all(|sample| (sample - 1.2e-3).abs() < 6e-7));
    }

    /// A fade within a capture is met in between: 300 ms from light to dark.
    #[test]
    fn slow_changes_show_within_a_capture() {
        let (world, mut machine, mut now) = scene(plain(), LampModel::sanderling(), 6);
        text(&mut machine, &mut now, "SENS:SWE:POIN 301;TINT 1E-3");
        world.person().set_level(0, now);
        let samples = numbers(&answer(&mut machine, &mut now, "READ:WAV?"));
        let (first, last) = (samples[0], samples[300]);
        for (nth, sample) in samples.iter().enumerate() {
            let wanted = first + (last - first) * nth as f64 / 300.0;
            assert!((sample - wanted).abs() < 1e-5, "{nth}: {sample} {wanted}");
        }
        assert!(last < 2e-3 && first > 0.3, "{first} {last}");
    }
}
