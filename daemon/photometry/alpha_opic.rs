//! What the eye's five receptors get: alpha-opic quantities after CIE S
//! 026:2018, the melanopic ones among them, and the S/P ratio.
//!
//! An alpha-opic equivalent daylight illuminance (EDI) is the illuminance of
//! daylight D65 that gives the same alpha-opic irradiance. The divisor is
//! D65's efficacy of the 1 nm data, also for coarser spectra.
//!
//! These describe light at the plane that was measured. What reaches a sleeper
//! passes the lid first, and recommendations in melanopic EDI are for the open
//! eye, vertical, awake.
//!
//! Used by: figures of a spectrum, ramps.

use crate::colour::KM_LM_PER_W;
use crate::spectrum::{Scale, Spectrum};
use crate::tables::{ALPHA_OPIC, CIE_1931};

/// Scotopic efficacy at the peak of V'(lambda), in lm/W (CIE 018:2019).
pub const KM_SCOTOPIC_LM_PER_W: f64 = 1_700.05;

/// The five receptors, in the order of CIE S 026.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Receptor {
    /// S cones.
    SCone,
    /// M cones.
    MCone,
    /// L cones.
    LCone,
    /// Rods.
    Rhodopic,
    /// Ganglion cells with melanopsin.
    Melanopic,
}

impl Receptor {
    /// All, in the order of the values.
    pub const ALL: [Receptor; 5] = [
        Receptor::SCone,
        Receptor::MCone,
        Receptor::LCone,
        Receptor::Rhodopic,
        Receptor::Melanopic,
    ];

    /// Efficacy of D65 in mW/lm (CIE S 026:2018: 0.8173, 1.4558, 1.6289, 1.4497,
    /// 1.3262; here with the digits of the 1 nm tables).
    pub const fn d65_mw_per_lm(self) -> f64 {
        match self {
            Receptor::SCone => 0.817_289,
            Receptor::MCone => 1.455_825,
            Receptor::LCone => 1.628_907,
            Receptor::Rhodopic => 1.449_703,
            Receptor::Melanopic => 1.326_212,
        }
    }
}

/// Alpha-opic figures of one receptor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AlphaOpic {
    /// Efficacy of the light: alpha-opic irradiance over illuminance, mW/lm.
    pub mw_per_lm: f64,
    /// The same over D65's: daylight efficacy ratio (DER).
    pub der: f64,
    /// Alpha-opic irradiance in mW/m2; none for a relative spectrum.
    pub irradiance_mw_per_m2: Option<f64>,
    /// Equivalent daylight illuminance in lux; none for a relative spectrum.
    pub edi_lx: Option<f64>,
}

/// All five, in the order of [`Receptor::ALL`]; none when there is no light.
pub fn of(spectrum: &Spectrum) -> Option<[AlphaOpic; 5]> {
    let light = spectrum.integral(|nm| CIE_1931.at(nm)[1]) * KM_LM_PER_W;
    if !(light > 0.0 && light.is_finite()) {
        return None;
    }
    let absolute = spectrum.scale() == Scale::Absolute;
    let every = Receptor::ALL.map(|receptor| {
        let power = spectrum.integral(|nm| ALPHA_OPIC.at(nm)[receptor as usize]);
        let mw_per_lm = 1_000.0 * power / light;
        let der = mw_per_lm / receptor.d65_mw_per_lm();
        AlphaOpic {
            mw_per_lm,
            der,
            irradiance_mw_per_m2: absolute.then_some(1_000.0 * power),
            edi_lx: absolute.then_some(der * light),
        }
    });
    every.iter().all(|one| one.der.is_finite()).then_some(every)
}

/// Scotopic over photopic luminous quantity; none when there is no light.
pub fn scotopic_photopic_ratio(spectrum: &Spectrum) -> Option<f64> {
    let photopic = KM_LM_PER_W * spectrum.integral(|nm| CIE_1931.at(nm)[1]);
    let scotopic = KM_SCOTOPIC_LM_PER_W
        * spectrum.integral(|nm| ALPHA_OPIC.at(nm)[Receptor::Rhodopic as usize]);
    let ratio = scotopic / photopic;
    (photopic > 0.0 && ratio.is_finite()).then_some(ratio)
}
