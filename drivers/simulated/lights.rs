//! The light at the meter's plane by its parts: how much of it is the lamp's, of
//! which colour, and how it moves.
//!
//! Made by `world`; used by the instruments that see more than its sum. Pure.

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
