//! The room around the bench: stray and ambient light, the air, and the errors that the
//! bench's owner cannot know.
//!
//! The hidden errors are drawn once from the seed, each with the standard
//! uncertainty that the bench file states, so that a survey's interval can be
//! tested for whether it covers the truth. Kept by `world`.

use photometry::units::{Length, Lux, Mono, Ratio, Span};
use serde::{Deserialize, Serialize};

use super::random::{Stream, normal};

/// What the room adds to the lamp's direct light.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RoomModel {
    /// Scattered light at the meter as a share of the direct light.
    pub stray: Ratio,
    /// Mean illuminance with the lamp dark.
    pub ambient: Lux,
    /// The ambient light swings by this share of its mean.
    pub swing: Ratio,
    /// Period of the swing.
    pub period: Span,
    /// Light that comes and goes: doors, daylight.
    #[serde(default)]
    pub events: Vec<LightEvent>,
    /// The temperature of the air.
    #[serde(default)]
    pub air: Air,
}

/// Light from outside for a time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LightEvent {
    /// So long after the world's zero.
    pub begins: Span,
    /// For so long.
    pub lasts: Span,
    /// At most so much more at the meter's plane.
    pub adds: Lux,
    /// How it comes and goes.
    pub shows: Shows,
}

/// How light from outside comes and goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shows {
    /// At once, as through a door.
    AtOnce,
    /// As half a sine, as daylight does.
    Slowly,
}

impl LightEvent {
    /// What it adds so long after the world's zero.
    fn light(&self, since: Span) -> f64 {
        let part = (since - self.begins).secs() / self.lasts.secs();
        match self.shows {
            _ if !(0.0..1.0).contains(&part) => 0.0,
            Shows::AtOnce => self.adds.0,
            Shows::Slowly => self.adds.0 * (std::f64::consts::PI * part).sin(),
        }
    }
}

/// The temperature of the air: a slow sine about its mean.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Air {
    /// In degrees Celsius.
    pub mean_c: f64,
    /// Amplitude in K.
    pub swing_k: f64,
    /// Period of the swing.
    pub period: Span,
}

impl Default for Air {
    /// 22 degrees, 0.6 K about them in 100 min.
    fn default() -> Air {
        Air {
            mean_c: 22.0,
            swing_k: 0.6,
            period: Span::from_mins(100),
        }
    }
}

impl Air {
    /// In degrees Celsius.
    pub fn celsius_at(&self, at: Mono) -> f64 {
        let turns = at.since(Mono::ZERO).secs() / self.period.secs();
        self.mean_c + self.swing_k * (std::f64::consts::TAU * turns).sin()
    }
}

impl RoomModel {
    /// A darkened room at night.
    pub fn night() -> RoomModel {
        RoomModel {
            stray: Ratio::new(0.002),
            ambient: Lux(0.05),
            swing: Ratio::new(0.2),
            period: Span::from_mins(240),
            events: Vec::new(),
            air: Air::default(),
        }
    }

    /// Illuminance with the lamp dark.
    pub fn ambient_at(&self, at: Mono) -> Lux {
        let since = at.since(Mono::ZERO);
        let turns = since.secs() / self.period.secs();
        let swing = self.swing.share() * (std::f64::consts::TAU * turns).sin();
        let outside: f64 = self.events.iter().map(|event| event.light(since)).sum();
        Lux(self.ambient.0 * (1.0 + swing) + outside)
    }

    /// What reaches the meter when `direct` comes from the lamp.
    pub fn total(&self, direct: Lux, at: Mono) -> Lux {
        Lux(self.with_stray(direct).0 + self.ambient_at(at).0)
    }

    /// The same without the ambient light.
    pub fn with_stray(&self, direct: Lux) -> Lux {
        Lux(direct.0 * (1.0 + self.stray.share()))
    }
}

/// Standard uncertainties (k = 1) from which the hidden errors are drawn.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Unknowns {
    /// Of the meter's calibration, relative.
    pub calibration: Ratio,
    /// Of the datum.
    pub datum: Length,
}

impl Unknowns {
    /// No hidden error at all.
    pub const NONE: Unknowns = Unknowns {
        calibration: Ratio::new(0.0),
        datum: Length::ZERO,
    };
}

/// The errors of one bench; constant while its seed is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hidden {
    /// The meter shows this factor too much.
    pub gain: f64,
    /// The datum face truly lies so much farther along the rail.
    pub datum: Length,
}

impl Hidden {
    /// Draws both errors.
    pub fn draw(seed: u64, unknowns: Unknowns) -> Hidden {
        Hidden {
            gain: 1.0 + unknowns.calibration.share() * normal(seed, Stream::Hidden, 0),
            datum: Length::from_metres(unknowns.datum.metres() * normal(seed, Stream::Hidden, 1)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ambient_light_swings_about_its_mean() {
        let room = RoomModel::night();
        let at = |mins| room.ambient_at(Mono::ZERO + Span::from_mins(mins)).0;
        assert!((at(0) - 0.05).abs() < 1e-12);
        assert!((at(60) - 0.06).abs() < 1e-12);
        assert!((at(180) - 0.04).abs() < 1e-12);
        let total = room.total(Lux(100.0), Mono::ZERO).0;
        assert!((total - 100.25).abs() < 1e-9);
    }

    /// Half a sine of 6 h up to 500 lx: half of it after a sixth of its length (by
    /// hand: sin 30 degrees), nothing before and behind.
    #[test]
    fn daylight_comes_and_goes() {
        let room = RoomModel {
            events: vec![LightEvent {
                begins: Span::from_mins(600),
                lasts: Span::from_mins(360),
                adds: Lux(500.0),
                shows: Shows::Slowly,
            }],
            swing: Ratio::new(0.0),
            ..RoomModel::night()
        };
        for (mins, light) in [(599, 0.0), (660, 250.0), (780, 500.0), (960, 0.0)] {
            let shown = room.ambient_at(Mono::ZERO + Span::from_mins(mins)).0 - 0.05;
            assert!((shown - light).abs() < 1e-9, "{mins}: {shown}");
        }
    }

    #[test]
    fn hidden_errors_follow_the_seed_and_their_uncertainty() {
        let unknowns = Unknowns {
            calibration: Ratio::new(0.015),
            datum: Length::from_um(500),
        };
        assert_eq!(Hidden::draw(1, unknowns), Hidden::draw(1, unknowns));
        assert_ne!(Hidden::draw(1, unknowns), Hidden::draw(2, unknowns));
        let exact = Hidden::draw(1, Unknowns::NONE);
        assert_eq!((exact.gain, exact.datum), (1.0, Length::ZERO));
        for seed in 0..500 {
            let hidden = Hidden::draw(seed, unknowns);
            assert!((hidden.gain - 1.0).abs() < 5.0 * 0.015);
            assert!(hidden.datum.abs() < Length::from_um(2500));
        }
    }
}
