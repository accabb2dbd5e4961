//! A SCPI spectroradiometer, on the carriage or at a sphere's port: an array of
//! elements, an integration, a well that fills, a shutter.
//!
//! `READ:SPEC?` integrates and then gives what each element shows, in W/(m2 nm):
//!
//! ```text
//!   share of full scale = (E · gain + dark · t · own) · sensitivity · t + noise,  at most 1
//!   shown               = share / (sensitivity · t)
//! ```
//!
//! The dark signal that is shown grows with the integration time t and differs from
//! element to element (`own`), so that a dark is good for its own t alone. Served by
//! `bench`; the light is `lights`. Not here: lines (`scpi_device`), colour figures.

use photometry::units::{Mono, Ratio, Span};
use serde::{Deserialize, Serialize};

use super::faults::{Amiss, Device, Fault};
use super::meter::nr3;
use super::random::{Stream, normal};
use super::scpi_device::{
    DATA_TYPE, Instrument, OUT_OF_RANGE, Reply, ScpiDevice, UNDEFINED_HEADER, Unit, amiss, block,
    block_amiss, closes, shutter,
};
use super::world::{World, WorldSpec};

/// How much the dark signal differs from element to element (one sigma).
const OWN_DARK: f64 = 0.2;
/// Most elements of an array.
const ELEMENTS_AT_MOST: u32 = 4096;
/// Integration times that it takes, in s.
const APERTURE_S: std::ops::RangeInclusive<f64> = 0.001..=60.0;

/// What a spectroradiometer is made of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SpectroradiometerModel {
    /// Wavelength of the first element in nm.
    pub from_nm: f64,
    /// From one element to the next in nm.
    pub step_nm: f64,
    /// How many, 1 to 4096.
    pub elements: u32,
    /// Share of full scale that 1 W/(m2 nm) gives in a second.
    pub sensitivity: f64,
    /// Dark signal shown for each second of integration, in W/(m2 nm).
    pub dark_per_s: f64,
    /// Noise of one reading of an element, as a share of full scale.
    pub read_noise: Ratio,
    /// Electrons in a full well, whose root is noise too.
    pub full_well: f64,
}

impl SpectroradiometerModel {
    /// 201 elements, 380 to 780 nm; half a second fills the well at some 1000 lx
    /// of white light.
    pub fn array() -> SpectroradiometerModel {
        SpectroradiometerModel {
            from_nm: 380.0,
            step_nm: 2.0,
            elements: 201,
            sensitivity: 100.0,
            dark_per_s: 1e-7,
            read_noise: Ratio::new(1e-4),
            full_well: 2e5,
        }
    }

    /// The same elements behind a diffuser, for the light at the port of a sphere of a
    /// metre: of white light, some 6,600 lx (1,050 lm) fill the well in 50 ms, and some
    /// 660 lx in 500 ms; the light of a filament in two thirds of that.
    pub fn sphere() -> SpectroradiometerModel {
        SpectroradiometerModel {
            sensitivity: 150.0,
            ..SpectroradiometerModel::array()
        }
    }

    /// Wavelengths of the elements in nm, as they are told.
    pub fn wavelengths(&self) -> Vec<f32> {
        let elements = self.elements.clamp(1, ELEMENTS_AT_MOST);
        let wavelength = |nth| (self.from_nm + self.step_nm * f64::from(nth)) as f32;
        (0..elements).map(wavelength).collect()
    }
}

/// A spectroradiometer's settings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SpectroradiometerState {
    aperture: Span,
    closed: bool,
    /// The fullest element of the last reading, as a share of full scale.
    fill: f64,
}

impl Default for SpectroradiometerState {
    /// As after power-up: 100 ms, shutter open, nothing read.
    fn default() -> SpectroradiometerState {
        SpectroradiometerState {
            aperture: Span::from_ms(100),
            closed: false,
            fill: 0.0,
        }
    }
}

/// A spectroradiometer as an instrument: the one on the carriage, or the sphere's.
pub(super) struct Spectroradiometer {
    world: World,
    device: Device,
    faults: Vec<Fault>,
}

impl Spectroradiometer {
    /// The one on the carriage, ready for a wire.
    pub(super) fn machine(world: &World) -> ScpiDevice<Spectroradiometer> {
        Spectroradiometer::named(world, Device::Spectroradiometer)
    }

    /// The one at the sphere's port.
    pub(super) fn of_sphere(world: &World) -> ScpiDevice<Spectroradiometer> {
        Spectroradiometer::named(world, Device::SphereSpectroradiometer)
    }

    fn named(world: &World, device: Device) -> ScpiDevice<Spectroradiometer> {
        let instrument = Spectroradiometer {
            world: world.clone(),
            device,
            faults: Vec::new(),
        };
        ScpiDevice::new(world.clone(), instrument)
    }

    fn is_of_sphere(&self) -> bool {
        self.device == Device::SphereSpectroradiometer
    }

    /// What it is made of.
    fn model<'a>(&self, spec: &'a WorldSpec) -> &'a SpectroradiometerModel {
        match self.is_of_sphere() {
            true => &spec.equipment.sphere_spectroradiometer,
            false => &spec.equipment.spectroradiometer,
        }
    }

    fn settings(&self) -> SpectroradiometerState {
        self.with_settings(|state| state.clone())
    }

    fn change(&self, how: impl FnOnce(&mut SpectroradiometerState)) -> Reply {
        self.with_settings(how);
        Reply::Done
    }

    fn with_settings<T>(&self, how: impl FnOnce(&mut SpectroradiometerState) -> T) -> T {
        let equipment = &mut self.world.state().equipment;
        how(match self.is_of_sphere() {
            true => &mut equipment.sphere_spectroradiometer,
            false => &mut equipment.spectroradiometer,
        })
    }

    /// Streams of its noise, and of what differs from element to element.
    fn streams(&self) -> (Stream, Stream) {
        match self.is_of_sphere() {
            true => (Stream::SphereSpectrumNoise, Stream::SphereElements),
            false => (Stream::SpectrumNoise, Stream::Elements),
        }
    }

    /// Spectral irradiance before it in W/(m2 nm) at these wavelengths in nm.
    fn light(&self, wavelengths: &[f32], at: Mono) -> Vec<f64> {
        let each = |spectral: &dyn Fn(f64) -> f64| {
            let nm = wavelengths.iter().map(|nm| f64::from(*nm));
            nm.map(spectral).collect()
        };
        if self.is_of_sphere() {
            let glow = self.world.port_glow(at);
            return each(&|nm| glow.spectral(nm));
        }
        let glow = self.world.glow(at);
        each(&|nm| glow.spectral(nm))
    }

    /// What each element shows, and the fullest one's share of full scale.
    fn measure(&self, now: Mono) -> (Vec<f32>, f64) {
        let spec = self.world.spec();
        let model = self.model(&spec);
        let state = self.settings();
        let seconds = state.aperture.secs();
        let middle = now + -Span::from_ns(state.aperture.ns() / 2);
        let light = self.light(&model.wavelengths(), middle);
        let gain = if state.closed {
            0.0
        } else {
            self.world.gain(self.device)
        };
        let taken = self.world.count(self.device.read());
        let (noises, elements) = self.streams();
        let full = model.sensitivity * seconds;
        let mut fullest = 0.0_f64;
        let shown = light.iter().zip(0_u64..).map(|(light, nth)| {
            let own = 1.0 + OWN_DARK * normal(spec.seed, elements, nth);
            let dark = model.dark_per_s * seconds * own.max(0.0);
            let filled = (light * gain + dark) * full;
            let spread = (model.read_noise.share().powi(2) + filled / model.full_well).sqrt();
            let draw = taken * u64::from(ELEMENTS_AT_MOST) + nth;
            let noise = spread * normal(spec.seed, noises, draw);
            let share = (filled + noise).min(1.0);
            fullest = fullest.max(share);
            (share / full) as f32
        });
        let shown = shown.collect();
        (shown, fullest)
    }
}

impl Instrument for Spectroradiometer {
    fn device(&self) -> Device {
        self.device
    }

    fn identity(&self) -> String {
        let (kind, nth) = match self.is_of_sphere() {
            true => ("Sphere spectroradiometer", 1),
            false => ("Spectroradiometer", 0),
        };
        let serial = (self.world.spec().seed + nth) % 1_000_000;
        format!("Simulated,{kind},{serial:06},1.0")
    }

    fn reset(&mut self, _now: Mono) {
        self.change(|state| *state = SpectroradiometerState::default());
    }

    fn execute(&mut self, now: Mono, unit: &Unit) -> Reply {
        let state = self.settings();
        if unit.query {
            return if unit.is("READ:SPECtrum") {
                self.faults = self.world.happens(self.device.read());
                self.world.lamp_suffers(&self.faults, now);
                Reply::After(state.aperture)
            } else if unit.is("SENSe:WAVelength") {
                let spec = self.world.spec();
                Reply::Bytes(block(&self.model(&spec).wavelengths()))
            } else if unit.is("SENSe:APERture") {
                Reply::Answer(nr3(state.aperture.secs()))
            } else if unit.is("SENSe:FILL") {
                Reply::Answer(nr3(state.fill))
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
        if !unit.is("SENSe:APERture") {
            return UNDEFINED_HEADER;
        }
        match unit.number() {
            Some(seconds) if APERTURE_S.contains(&seconds) => {
                // Rounded to the microsecond without a word, as devices do.
                let aperture = Span::from_ns((seconds * 1e6).round() as i64 * 1000);
                self.change(|state| state.aperture = aperture)
            }
            Some(_) => OUT_OF_RANGE,
            None => DATA_TYPE,
        }
    }

    fn finish(&mut self, now: Mono) -> Vec<u8> {
        let faults = std::mem::take(&mut self.faults);
        let aperture = self.settings().aperture;
        let (mut shown, mut fullest) = self.measure(now);
        if amiss(&faults) == Some(Amiss::Saturated) {
            let spec = self.world.spec();
            let full = self.model(&spec).sensitivity * aperture.secs();
            (shown, fullest) = (shown.iter().map(|_| (1.0 / full) as f32).collect(), 1.0);
        }
        self.change(|state| state.fill = fullest);
        block_amiss(&shown, amiss(&faults))
    }
}

#[cfg(test)]
mod tests {
    use super::super::lamp::LampModel;
    use super::super::room::{RoomModel, Unknowns};
    use super::super::testing::{answer, numbers, text};
    use super::super::world::WorldSpec;
    use super::*;
    use photometry::units::{Length, Lux};

    /// A knot's cool light, warm, at 0.6 m and without errors.
    fn scene() -> (World, ScpiDevice<Spectroradiometer>, Mono) {
        let spec = WorldSpec {
            lamp: LampModel::knot(),
            unknowns: Unknowns::NONE,
            datum: Length::from_mm(-300),
            room: RoomModel {
                ambient: Lux(0.0),
                stray: Ratio::new(0.0),
                ..RoomModel::night()
            },
            ..WorldSpec::new(1)
        };
        let world = World::start(spec, None, Mono::ZERO, Span::ZERO).expect("a world");
        world.person().set_tone(1, 4, Mono::ZERO);
        let machine = Spectroradiometer::machine(&world);
        (world, machine, Mono::ZERO + Span::from_secs(50_000))
    }

    #[test]
    fn it_answers_as_such_devices_do() {
        let (_, mut machine, mut now) = scene();
        let cases = [
            ("*IDN?", "Simulated,Spectroradiometer,000001,1.0\n"),
            ("SENS:APER 0.0502;APER?", "5.020000E-02\n"),
            ("SENS:APER 61", ""),
            ("SYST:ERR?", "-222,\"Data out of range\"\n"),
            ("SENS:FILL?", "0.000000E+00\n"),
            ("INP:SHUT CLOS;SHUT?", "CLOS\n"),
            ("*RST;INP:SHUT?;*ESE 7;*ESE?", "OPEN;7\n"),
        ];
        for (line, said) in cases {
            assert_eq!(text(&mut machine, &mut now, line), said, "{line}");
        }
        let wavelengths = numbers(&answer(&mut machine, &mut now, "SENS:WAV?"));
        assert_eq!(wavelengths.len(), 201);
        assert_eq!((wavelengths[0], wavelengths[200]), (380.0, 780.0));
    }

    /// The measured white of the toolbox: its ratios are in the numbers, and their
    /// sum weighted with V(lambda) is the illuminance of the closed form. All within
    /// five standard errors of the noise.
    #[test]
    fn it_shows_the_spectrum_of_the_lamp() {
        let (world, mut machine, mut now) = scene();
        text(&mut machine, &mut now, "SENS:APER 0.02");
        let asked = now;
        let shown = numbers(&answer(&mut machine, &mut now, "READ:SPEC?"));
        // 20 ms, and 3 ms until the answer leaves.
        assert_eq!(now.since(asked), Span::from_ms(23));
        let glow = world.glow(now);
        for (nth, value) in shown.iter().enumerate() {
            let nm = 380.0 + 2.0 * nth as f64;
            let (wanted, full) = (glow.spectral(nm), 100.0 * 0.02);
            let spread = (1e-8 + wanted * full / 2e5).sqrt() / full;
            assert!(
                (value - wanted).abs() < 6.0 * spread,
                "{nm}: {value} {wanted}"
            );
        }
        // 450 and 550 nm of the file: its numbers, in the same ratio.
        let csv = include_str!("spectra/whites.csv");
        let of = |nm: &str| -> f64 {
            let line = csv
                .lines()
                .find(|line| line.starts_with(nm))
                .expect("a row");
            line.split(',')
                .nth(3)
                .expect("a cell")
                .parse()
                .expect("a number")
        };
        let ratio = glow.spectral(450.0) / glow.spectral(550.0);
        assert!((ratio / (of("450") / of("550")) - 1.0).abs() < 1e-9);
    }

    /// By the model: 1e-7 W/(m2 nm) for each second; ten times the integration,
    /// ten times the dark. 201 elements of 20 % each: 1.5 % of their mean.
    #[test]
    fn the_dark_grows_with_the_integration() {
        let (_, mut machine, mut now) = scene();
        text(&mut machine, &mut now, "INP:SHUT CLOS");
        let mut mean = |seconds: f64| {
            text(&mut machine, &mut now, &format!("SENS:APER {seconds}"));
            let shown = numbers(&answer(&mut machine, &mut now, "READ:SPEC?"));
            shown.iter().sum::<f64>() / shown.len() as f64
        };
        let (short, long) = (mean(6.0), mean(60.0));
        assert!((short / 6e-7 - 1.0).abs() < 0.1, "{short}");
        assert!((long / 6e-6 - 1.0).abs() < 0.07, "{long}");
    }

    #[test]
    fn a_full_well_is_told_and_shown_no_higher() {
        let (_, mut machine, mut now) = scene();
        text(&mut machine, &mut now, "SENS:APER 1");
        let shown = numbers(&answer(&mut machine, &mut now, "READ:SPEC?"));
        assert_eq!(text(&mut machine, &mut now, "SENS:FILL?"), "1.000000E+00\n");
        let highest = shown.iter().copied().fold(0.0, f64::max);
        assert!((highest - 0.01).abs() < 1e-8, "{highest}");
        text(&mut machine, &mut now, "SENS:APER 0.01");
        let shown = numbers(&answer(&mut machine, &mut now, "READ:SPEC?"));
        let fill: f64 = text(&mut machine, &mut now, "SENS:FILL?")
            .trim()
            .parse()
            .expect("a number");
        let highest = shown.iter().copied().fold(0.0, f64::max);
        assert!(
            (fill - highest).abs() < 1e-6 && fill < 0.9,
            "{fill} {highest}"
        );
    }
}
