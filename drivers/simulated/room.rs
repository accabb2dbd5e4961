//! The room around the bench: stray and ambient light, and the errors that the
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
}

impl RoomModel {
    /// A darkened room at night.
    pub fn night() -> RoomModel {
        RoomModel {
            stray: Ratio::new(0.002),
            ambient: Lux(0.05),
            swing: Ratio::new(0.2),
            period: Span::from_mins(240),
        }
    }

    /// Illuminance with the lamp dark.
    pub fn ambient_at(&self, at: Mono) -> Lux {
        let turns = at.since(Mono::ZERO).secs() / self.period.secs();
        Lux(self.ambient.0 * (1.0 + self.swing.share() * (std::f64::consts::TAU * turns).sin()))
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
