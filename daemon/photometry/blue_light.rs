//! Blue-light-weighted quantities after IEC 62471:2006.
//!
//! The figures here are weighted quantities and their efficacies. A risk group
//! is **not** among them for users: it follows from radiance averaged over a
//! field of view that depends on the exposure, with hot spots, which an
//! illuminance meter cannot see. [`hazard_of_radiance`] is for someone who has
//! measured that radiance.
//!
//! Used by: figures of a spectrum.

use crate::colour::KM_LM_PER_W;
use crate::spectrum::{Scale, Spectrum};
use crate::tables::{CIE_1931, blue_light};

/// Weighted irradiance of a small source from which 100 s of looking reach the
/// limit, in W/m2 (IEC 62471:2006, 4.3.4, from memory).
const SMALL_SOURCE_W_PER_M2: f64 = 1.0;
/// Radiance dose that limits an exposure, J/(m2 sr) (IEC 62471:2006, 4.3.3).
const DOSE_J_PER_M2_SR: f64 = 1e6;

/// Blue-light figures of a spectrum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BlueLight {
    /// Blue-light efficacy K_B,v in mW/lm (CIE S 017 e-ILV, 17-26-061).
    pub mw_per_lm: f64,
    /// Weighted irradiance in mW/m2; none for a relative spectrum.
    pub irradiance_mw_per_m2: Option<f64>,
    /// Illuminance at which a *small* source (below 11 mrad) gives 1 W/m2
    /// weighted. A lamp with a wide face is not a small source.
    pub small_source_lx: f64,
}

/// The figures; none when there is no light or nothing of it is blue.
pub fn of(spectrum: &Spectrum) -> Option<BlueLight> {
    let light = KM_LM_PER_W * spectrum.integral(|nm| CIE_1931.at(nm)[1]);
    let weighted = spectrum.integral(blue_light);
    let w_per_lm = weighted / light;
    let usable = light > 0.0 && w_per_lm > 0.0 && w_per_lm.is_finite();
    usable.then(|| BlueLight {
        mw_per_lm: 1_000.0 * w_per_lm,
        irradiance_mw_per_m2: (spectrum.scale() == Scale::Absolute).then_some(1_000.0 * weighted),
        small_source_lx: small_source_lx(w_per_lm),
    })
}

/// Illuminance at which a small source of this efficacy (W/lm) gives the
/// limiting weighted irradiance.
pub fn small_source_lx(w_per_lm: f64) -> f64 {
    SMALL_SOURCE_W_PER_M2 / w_per_lm
}

/// Luminance in cd/m2 at which a light of this efficacy (W/lm) has a weighted
/// radiance in W/(m2 sr).
pub fn luminance_cd_per_m2(weighted_radiance: f64, w_per_lm: f64) -> f64 {
    weighted_radiance / w_per_lm
}

/// Emission limits of a weighted radiance that was measured as the standard
/// asks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RadianceHazard {
    /// Risk group, 0 (exempt) to 3 (IEC 62471:2006, Table 6.1).
    pub risk_group: u8,
    /// Longest exposure in seconds; none at or under 100 W/(m2 sr).
    pub longest_s: Option<f64>,
}

/// What a weighted radiance in W/(m2 sr) means; none for a negative one or
/// no number.
pub fn hazard_of_radiance(weighted_radiance: f64) -> Option<RadianceHazard> {
    if !weighted_radiance.is_finite() || weighted_radiance < 0.0 {
        return None;
    }
    let risk_group = match weighted_radiance {
        l if l <= 100.0 => 0,
        l if l <= 1e4 => 1,
        l if l <= 4e6 => 2,
        _ => 3,
    };
    let longest_s = (risk_group > 0).then(|| DOSE_J_PER_M2_SR / weighted_radiance);
    Some(RadianceHazard {
        risk_group,
        longest_s,
    })
}
