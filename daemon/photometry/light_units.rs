//! The units of light as types, beside the lengths and times of [`crate::units`].
//!
//! Each is one `f64` in its SI unit, so that a candela is never taken for a
//! lumen. They are what public functions take and give where a bare number
//! could be confused; rows of many values (spectra, waveforms) are plain
//! slices with the unit in the name.
//!
//! Conversions are exact where the definition is: 1 ft = 0.3048 m (NIST SP
//! 811, App. B), so one foot-candle, a lumen per square foot, is
//! 1/0.3048^2 lx.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::units::Lux;

/// Square metres in a square foot: 0.3048 m squared, exactly.
const M2_PER_FT2: f64 = 0.092_903_04;

macro_rules! light_unit {
    ($(#[$doc:meta])* $name:ident, $symbol:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// The unit's symbol.
            pub const SYMBOL: &'static str = $symbol;
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!("{} ", $symbol), self.0)
            }
        }
    };
}

light_unit!(
    /// Luminous flux in lumens.
    Lumens,
    "lm"
);
light_unit!(
    /// Luminous intensity in candelas (lumens per steradian).
    Candelas,
    "cd"
);
light_unit!(
    /// A temperature, or a correlated colour temperature, in kelvins.
    Kelvin,
    "K"
);
light_unit!(
    /// Irradiance in watts per square metre.
    Irradiance,
    "W/m2"
);
light_unit!(
    /// Spectral irradiance in watts per square metre and nanometre.
    SpectralIrradiance,
    "W/(m2 nm)"
);
light_unit!(
    /// Volts of a light sensor's output.
    Volts,
    "V"
);

impl Lux {
    /// From foot-candles (lumens per square foot).
    pub fn from_foot_candles(foot_candles: f64) -> Lux {
        Lux(foot_candles / M2_PER_FT2)
    }
    /// In foot-candles.
    pub fn foot_candles(self) -> f64 {
        self.0 * M2_PER_FT2
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST SP 811, App. B.8: foot-candle to lux, factor 1.076 391 E+01.
    #[test]
    fn a_foot_candle_is_ten_point_seven_six_lux() {
        assert!((Lux::from_foot_candles(1.0).0 - 10.763_91).abs() < 5e-6);
        assert!((Lux(10_000.0).foot_candles() - 929.0304).abs() < 1e-12);
    }

    proptest::proptest! {
        #[test]
        fn to_foot_candles_and_back(lx in 1e-6..1e6_f64) {
            let back = Lux::from_foot_candles(Lux(lx).foot_candles());
            proptest::prop_assert!((back.0 - lx).abs() <= 1e-15 * lx + f64::EPSILON * lx);
        }
    }

    #[test]
    fn each_is_shown_with_its_symbol() {
        let shown = [
            Lumens(800.0).to_string(),
            Candelas(63.7).to_string(),
            Kelvin(2_856.0).to_string(),
            Irradiance(0.5).to_string(),
            SpectralIrradiance(0.001).to_string(),
            Volts(1.25).to_string(),
        ];
        assert_eq!(
            shown.join(", "),
            "800 lm, 63.7 cd, 2856 K, 0.5 W/m2, 0.001 W/(m2 nm), 1.25 V"
        );
    }
}
