//! The invented lamps, each with what is wrong with it.
//!
//! Their figures are made up; the spectra behind their colours are measured ones
//! (`spectra/README.md`). What the fields mean: `lamp_model`, `programs`.

use photometry::units::{Length, Lux, Ratio, Span};

use super::lamp_model::{Display, Ladder, LampModel, Mains, Modulated, Tone, Wraps};
use super::modulation::Modulation;
use super::programs::{Marks, Program, Shape, Then};
use super::spectra::{Mixture, Spectrum};

/// A tone of equal ratios, steady.
fn even(name: &str, light: Spectrum, levels: u16, darkest: f64, brightest: f64) -> Tone {
    Tone {
        name: name.to_owned(),
        ladder: Ladder::Geometric {
            levels,
            darkest: Lux(darkest),
            brightest: Lux(brightest),
        },
        light: Mixture::of(light),
        modulation: Vec::new(),
    }
}

fn amber() -> Option<Mixture> {
    Some(Mixture::of(Spectrum::Amber))
}

impl LampModel {
    /// The sanderling: twelve levels, 2000 lx down to 6 lx at 1 m, a face of
    /// 18 cm, 6 % of warm-up sag at 18 min. A flat Lambertian disc gives pi times
    /// its intensity: 6330 lm.
    pub fn sanderling() -> LampModel {
        LampModel {
            levels: 12,
            brightest: Lux(2000.0),
            darkest: Lux(6.0),
            radius: Length::from_mm(90),
            behind_face: Length::ZERO,
            sag: Ratio::new(0.06),
            warming: Span::from_mins(18),
            fade: Span::from_ms(300),
            auto_off: None,
            standby: Lux(0.002),
            wraps: Wraps::No,
            first_level: 6,
            starts_lit: false,
            tones: Vec::new(),
            sunrise: None,
            sunset: None,
            display: None,
            mains: Mains::default(),
            flux_lm: 6330.0,
        }
    }

    /// The knot, a therapy panel: warm and cool, four levels each, 2500 lx at 1 m,
    /// a face of 320 mm. Its fault: the cool tone lies far off the Planckian locus,
    /// Duv +0.0139.
    pub fn knot() -> LampModel {
        LampModel {
            levels: 4,
            brightest: Lux(2500.0),
            darkest: Lux(330.0),
            radius: Length::from_mm(160),
            sag: Ratio::new(0.04),
            warming: Span::from_mins(14),
            wraps: Wraps::No,
            first_level: 2,
            tones: vec![
                even("warm", Spectrum::WarmWhite, 4, 330.0, 2200.0),
                even("cool", Spectrum::OffLocusWhite, 4, 375.0, 2500.0),
            ],
            mains: Mains {
                standby_w: 0.5,
                driver_w: 4.0,
                full_w: 62.0,
                comes_back_lit: true,
                ..Mains::default()
            },
            flux_lm: 8060.0,
            ..LampModel::sanderling()
        }
    }

    /// The godwit, a bedside globe: nine levels, a dawn of 25 min from the alarm
    /// (which marks the full light) or from a button, held for an hour. Its fault: pulses of 480 Hz
    /// down to nothing at its two lowest levels, none above.
    pub fn godwit() -> LampModel {
        let mut white = even("white", Spectrum::WarmWhite, 9, 1.5, 220.0);
        white.modulation = vec![Modulated {
            up_to: 2,
            is: Modulation::Pulses {
                hz: 480.0,
                duty: 0.25,
                high: 1.0,
                low: 0.0,
            },
        }];
        LampModel {
            levels: 9,
            brightest: Lux(220.0),
            darkest: Lux(1.5),
            radius: Length::from_mm(80),
            behind_face: Length::from_mm(70),
            sag: Ratio::new(0.03),
            warming: Span::from_mins(10),
            wraps: Wraps::No,
            first_level: 5,
            tones: vec![white],
            sunrise: Some(Program {
                bits: Some(10),
                hold: Span::from_mins(60),
                then: Then::Off,
                dark_end: amber(),
                by_alarm: Some(Marks::End),
                ..Program::sunrise(Span::from_mins(25), 9)
            }),
            display: Some(Display {
                bright: Lux(0.3),
                dim: Lux(0.03),
                dims_after: Span::from_secs(15),
                out_after: Span::from_mins(30),
            }),
            mains: Mains {
                standby_w: 0.8,
                driver_w: 1.1,
                full_w: 10.5,
                ..Mains::default()
            },
            flux_lm: 760.0,
            ..LampModel::sanderling()
        }
    }

    /// The stint, a pocket lamp of six levels: 6:1 between the third and the
    /// fourth, 1.8:1 elsewhere. Its other fault: a sunset of 20 min that stalls
    /// half-way.
    pub fn stint() -> LampModel {
        let rungs = [2.0, 3.6, 6.48, 38.88, 69.984, 125.9712].map(Lux);
        LampModel {
            levels: 6,
            brightest: rungs[5],
            darkest: rungs[0],
            radius: Length::from_mm(30),
            sag: Ratio::new(0.05),
            warming: Span::from_mins(6),
            wraps: Wraps::No,
            first_level: 3,
            auto_off: Some(Span::from_mins(120)),
            tones: vec![Tone {
                ladder: Ladder::Rungs(rungs.to_vec()),
                ..even("white", Spectrum::NeutralWhite, 6, 2.0, 125.9712)
            }],
            sunset: Some(Program {
                shape: Shape::Power(1.0),
                bits: Some(8),
                stalls_at: Some(Ratio::new(0.5)),
                dark_end: amber(),
                ..Program::sunset(Span::from_mins(20), 6)
            }),
            mains: Mains {
                standby_w: 0.2,
                driver_w: 0.4,
                full_w: 4.2,
                keeps_clock: true,
                ..Mains::default()
            },
            flux_lm: 396.0,
            ..LampModel::sanderling()
        }
    }

    /// The plover, without a fault: ten even levels of warm white, a dawn of 30
    /// min (square law, 16 bits) from the alarm or a button, held for 90 min, a
    /// sunset of 30 min, no modulation, 0.3 W of standby.
    pub fn plover() -> LampModel {
        let length = Span::from_mins(30);
        let sunrise = Program {
            bits: Some(16),
            hold: Span::from_mins(90),
            then: Then::Off,
            dark_end: amber(),
            by_alarm: Some(Marks::Start),
            ..Program::sunrise(length, 10)
        };
        LampModel {
            levels: 10,
            brightest: Lux(300.0),
            darkest: Lux(3.0),
            radius: Length::from_mm(75),
            sag: Ratio::new(0.02),
            warming: Span::from_mins(12),
            wraps: Wraps::No,
            first_level: 5,
            tones: vec![even("white", Spectrum::WarmWhite, 10, 3.0, 300.0)],
            sunset: Some(Program {
                bits: Some(16),
                dark_end: amber(),
                ..Program::sunset(length, 10)
            }),
            sunrise: Some(sunrise),
            mains: Mains {
                standby_w: 0.3,
                driver_w: 0.9,
                full_w: 12.5,
                keeps_clock: true,
                ..Mains::default()
            },
            flux_lm: 948.0,
            ..LampModel::sanderling()
        }
    }
}
