//! The light at the meter's plane by its parts: how much of it is the lamp's, of
//! which colour, and how it moves; and the light at a sphere's port by what shines in
//! the sphere.
//!
//! Made by `world` and `sphere`; used by the instruments that see more than its sum.
//! Pure.

use photometry::units::Lux;

use super::modulation::Modulation;
use super::spectra::{Mixture, Spectrum};

/// The room's light is neutral white.
const AMBIENT: Spectrum = Spectrum::NeutralWhite;

/// Light at the meter's plane at one instant.
#[derive(Clone, Debug, PartialEq)]
pub struct Glow {
    /// The lamp's, stray light included, meant over its modulation.
    pub lamp: Lux,
    /// The room's, which is steady.
    pub ambient: Lux,
    /// Colour of the lamp's.
    pub colour: Mixture,
    /// How the lamp's moves.
    pub modulation: Modulation,
}

impl Glow {
    /// Spectral irradiance in W/(m2 nm) at a wavelength in nm.
    pub fn spectral(&self, nm: f64) -> f64 {
        self.lamp.0 * self.colour.at(nm) + self.ambient.0 * AMBIENT.at(nm)
    }
}

/// The least that a tinted wall throws back of a light, as a share of what it throws
/// back of green light.
const THROWN_BACK_AT_LEAST: f64 = 0.05;
/// Where a tinted wall throws back what it would without a tint, in nm.
const UNTINTED_NM: f64 = 555.0;

/// One light in a sphere.
#[derive(Clone, Debug, PartialEq)]
pub struct Shining {
    /// Its flux in lm.
    pub flux_lm: f64,
    /// Its colour.
    pub colour: Mixture,
}

/// Light at a sphere's port at one instant, by what shines in the sphere.
#[derive(Clone, Debug, PartialEq)]
pub struct PortGlow {
    /// The lights.
    pub lights: Vec<Shining>,
    /// What the body that is inside leaves of all of them, of 1.
    pub leaves: f64,
    /// Illuminance in lx of each lm of a light that the wall does not tint, in the empty
    /// sphere.
    pub lux_per_lumen: f64,
    /// How much more of the light the wall throws back for each 100 nm above 555 nm.
    pub tint: f64,
}

impl PortGlow {
    /// How much of a light of a wavelength in nm arrives at the port, over what would
    /// without a tint.
    pub fn tinted(&self, nm: f64) -> f64 {
        let more = self.tint * (nm - UNTINTED_NM) / 100.0;
        (1.0 + more).max(THROWN_BACK_AT_LEAST)
    }

    /// Spectral irradiance in W/(m2 nm) at a wavelength in nm.
    pub fn spectral(&self, nm: f64) -> f64 {
        let lights = self.lights.iter();
        let one_lux: f64 = lights.map(|it| it.flux_lm * it.colour.at(nm)).sum();
        one_lux * self.leaves * self.lux_per_lumen * self.tinted(nm)
    }

    /// Illuminance, as a photometer shows it whose response is V(lambda).
    pub fn lux(&self) -> Lux {
        let seen = |colour: &Mixture| colour.seen_through(|nm| self.tinted(nm));
        let lights = self.lights.iter();
        // From nought: the sum of no numbers is a negative zero.
        let all = lights.fold(0.0, |sum, it| sum + it.flux_lm * seen(&it.colour));
        Lux(all * self.leaves * self.lux_per_lumen)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn amber(tint: f64) -> PortGlow {
        let colour = Mixture::of(Spectrum::Amber);
        PortGlow {
            lights: vec![Shining {
                flux_lm: 100.0,
                colour,
            }],
            leaves: 0.9,
            lux_per_lumen: 6.0,
            tint,
        }
    }

    /// By hand: a tenth more for each 100 nm, so 1.1 at 655 nm, 0.9 at 455 nm; never
    /// less than a twentieth.
    #[test]
    fn a_tint_throws_back_more_of_the_red() {
        let (plain, tinted) = (amber(0.0), amber(0.1));
        for (nm, factor) in [(380.0, 0.825), (455.0, 0.9), (555.0, 1.0), (655.0, 1.1)] {
            let ratio = tinted.spectral(nm) / plain.spectral(nm);
            assert!((ratio - factor).abs() < 1e-12, "{nm}: {ratio}");
        }
        assert_eq!(amber(2.0).tinted(455.0), 0.05);
    }

    /// 100 lm * 0.9 * 6 lx/lm, times the mean of the tint over the amber light, weighted with
    /// V(lambda): 1.031 786 5, worked out from the tables apart from this code. Without a
    /// tint nothing, to the last bit; and no light is no negative zero.
    #[test]
    fn a_photometer_sees_the_tint_as_its_mean() {
        assert_eq!(amber(0.0).lux(), Lux(100.0 * 0.9 * 6.0));
        let lux = amber(0.1).lux().0;
        assert!((lux / 540.0 - 1.031_786_5).abs() < 1e-7, "{lux}");
        let lights = Vec::new();
        let dark = PortGlow {
            lights,
            ..amber(0.1)
        };
        assert!(dark.lux().0.is_sign_positive());
    }
}
