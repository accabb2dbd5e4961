//! Tristimulus values and chromaticities.
//!
//! CIE 015:2018; the 1931 observer (2 degrees) unless said. Used by: colour
//! temperature, rendering, fidelity, the figures of a spectrum.

use crate::light_units::Irradiance;
use crate::spectrum::{Scale, Spectrum, SpectrumError, integral_of};
use crate::tables::CIE_1931;
use crate::units::Lux;

/// Luminous efficacy at the peak of V(lambda) in lm/W (CIE 018:2019: 683 lm/W
/// at 540 THz, 683.002 at the peak of the tabulated function).
pub const KM_LM_PER_W: f64 = 683.002;

/// Tristimulus values, in any common unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tristimulus {
    /// X.
    pub x: f64,
    /// Y; with V(lambda) as weighting it goes as the illuminance.
    pub y: f64,
    /// Z.
    pub z: f64,
}

/// A chromaticity in CIE 1931 x, y.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chromaticity {
    /// x.
    pub x: f64,
    /// y.
    pub y: f64,
}

impl Tristimulus {
    /// Of a spectrum, under the 1931 observer.
    pub fn of(spectrum: &Spectrum) -> Tristimulus {
        let parts = spectrum.wavelengths_nm().iter().zip(spectrum.weighted());
        let sums = parts.fold([0.0; 3], |sums, (nm, part)| {
            let row = CIE_1931.at(*nm);
            [0, 1, 2].map(|at: usize| sums[at] + part * row[at])
        });
        Tristimulus {
            x: sums[0],
            y: sums[1],
            z: sums[2],
        }
    }

    /// Its chromaticity; none when there is no light in it.
    pub fn chromaticity(self) -> Option<Chromaticity> {
        let sum = self.x + self.y + self.z;
        if self.y <= 0.0 || sum <= 0.0 {
            return None;
        }
        let (x, y) = (self.x / sum, self.y / sum);
        (x.is_finite() && y.is_finite()).then_some(Chromaticity { x, y })
    }
}

impl Chromaticity {
    /// From CIE 1960 u, v; none where that has no x, y.
    pub fn from_uv(u: f64, v: f64) -> Option<Chromaticity> {
        let divisor = 2.0 * u - 8.0 * v + 4.0;
        let (x, y) = (3.0 * u / divisor, 2.0 * v / divisor);
        (x.is_finite() && y.is_finite() && y > 0.0).then_some(Chromaticity { x, y })
    }

    /// CIE 1960 u, v.
    pub fn uv(self) -> (f64, f64) {
        let divisor = -2.0 * self.x + 12.0 * self.y + 3.0;
        (4.0 * self.x / divisor, 6.0 * self.y / divisor)
    }

    /// CIE 1976 u', v'.
    pub fn uv_prime(self) -> (f64, f64) {
        let (u, v) = self.uv();
        (u, 1.5 * v)
    }

    /// Distance to another one in CIE 1976 u', v'.
    pub fn distance_uv_prime(self, other: Chromaticity) -> f64 {
        let ((u, v), (other_u, other_v)) = (self.uv_prime(), other.uv_prime());
        (u - other_u).hypot(v - other_v)
    }
}

/// Illuminance of an absolute spectrum; none for relative values.
pub fn illuminance(spectrum: &Spectrum) -> Option<Lux> {
    let weighted = || spectrum.integral(|nm| CIE_1931.at(nm)[1]);
    (spectrum.scale() == Scale::Absolute).then(|| Lux(KM_LM_PER_W * weighted()))
}

/// Illuminance of samples in W/(m2 nm), by the same sum. They need be no light: noise
/// about nought gives a value about nought.
///
/// # Errors
/// When they cannot be integrated over the visible range, [`integral_of`].
pub fn illuminance_of(wavelengths_nm: &[f64], values: &[f64]) -> Result<Lux, SpectrumError> {
    integral_of(wavelengths_nm, values, efficacy_at).map(Lux)
}

/// Luminous efficacy of radiation in lm/W, per watt from 380 to 780 nm; none
/// when there is no power in it.
pub fn efficacy_lm_per_w(spectrum: &Spectrum) -> Option<f64> {
    let power = spectrum.integral(|_| 1.0);
    let light = spectrum.integral(|nm| CIE_1931.at(nm)[1]);
    let efficacy = KM_LM_PER_W * light / power;
    (power > 0.0 && efficacy.is_finite()).then_some(efficacy)
}

/// Illuminance over irradiance at one wavelength, in lm/W.
pub fn efficacy_at(nm: f64) -> f64 {
    KM_LM_PER_W * CIE_1931.at(nm)[1]
}

/// Illuminance of light of one wavelength.
pub fn monochromatic(irradiance: Irradiance, nm: f64) -> Lux {
    Lux(irradiance.0 * efficacy_at(nm))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1 W/m2 at 555 nm is 683 lx: the definition of the candela (SI brochure,
    /// 9th edition, 2.3.1), within the 683.002 of CIE 018:2019.
    #[test]
    fn one_watt_at_555_nm_is_683_lux() {
        let lux = monochromatic(Irradiance(1.0), 555.0);
        assert!((lux.0 - 683.0).abs() < 0.05);
    }

    /// The equal-energy light: the sum of V(lambda) on 5 nm is 21.3714 (CIE 018:2019, from
    /// 380 to 780 nm: 106.857 nm), so 1 mW/(m2 nm) are 72.98 lx; of samples as of a
    /// spectrum, and of what is no light too.
    #[test]
    fn samples_have_the_illuminance_of_their_spectrum() {
        let nm: Vec<f64> = (0..81).map(|at| 380.0 + 5.0 * f64::from(at)).collect();
        let lux = |value: f64| illuminance_of(&nm, &[value; 81]).expect("a sum").0;
        assert!((lux(1e-3) - 72.98).abs() < 0.01, "{}", lux(1e-3));
        let spectrum = Spectrum::new(&nm, &[1e-3; 81], Scale::Absolute).expect("a spectrum");
        let whole = illuminance(&spectrum).expect("absolute").0;
        assert!((lux(1e-3) / whole - 1.0).abs() < 1e-12);
        assert_eq!((lux(0.0), lux(-1e-3)), (0.0, -lux(1e-3)));
    }

    #[test]
    fn uv_and_xy_are_the_same_point() {
        for (x, y) in [(0.3127, 0.3290), (0.44758, 0.40745), (0.6276804, 0.3699659)] {
            let point = Chromaticity { x, y };
            let (u, v) = point.uv();
            let back = Chromaticity::from_uv(u, v).expect("a point");
            assert!((back.x - x).abs() < 1e-12 && (back.y - y).abs() < 1e-12);
        }
        let none = Tristimulus {
            x: 0.0,
            y: 0.0,
            z: 0.0,
        };
        assert_eq!(none.chromaticity(), None);
    }
}
