//! Curves and published recommendations that a ramp is compared with; none of
//! them is a verdict on a lamp.
//!
//! Used by: ramp, reports.

/// Standard logarithmic dimming: light in per cent at a level of 1 to 254 (IEC
/// 62386-102, from memory).
pub fn dimming_percent(level: u8) -> Option<f64> {
    let exponent = (f64::from(level) - 1.0) / (253.0 / 3.0) - 1.0;
    (1..=254).contains(&level).then(|| 10_f64.powf(exponent))
}

/// Ratio of two of its neighbouring levels: 1.0277.
pub fn dimming_step_ratio() -> f64 {
    10_f64.powf(3.0 / 253.0)
}

/// How bright a share of the light looks, in per cent, by the square law (IESNA
/// Lighting Handbook, 9th edition).
pub fn square_law_percent(measured_percent: f64) -> f64 {
    100.0 * (measured_percent / 100.0).sqrt()
}

/// A recommendation of Brown and others 2022, PLoS Biology 20(3) e3001571, in
/// melanopic EDI: vertical, at the open eye, awake (but for sleep). They say
/// nothing of closed eyes or of a pillow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Recommendation {
    /// By day: at least 250 lx.
    Day,
    /// From three hours before bed: at most 10 lx.
    Evening,
    /// Asleep: at most 1 lx.
    Night,
}

impl Recommendation {
    /// Whether a melanopic EDI in lux keeps it.
    pub fn is_kept(self, edi_lx: f64) -> bool {
        match self {
            Recommendation::Day => edi_lx >= 250.0,
            Recommendation::Evening => edi_lx <= 10.0,
            Recommendation::Night => edi_lx <= 1.0,
        }
    }
}

/// The ends of two programs of a lamp, compared.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EndColours {
    /// Distance in CIE 1976 u', v'.
    pub distance_uv_prime: f64,
    /// Colour temperatures in K, where they have any to compare.
    pub cct_k: (Option<f64>, Option<f64>),
    /// Melanopic daylight efficacy ratios.
    pub melanopic_der: (f64, f64),
    /// Blue-light-weighted power per lumen, in mW/lm, where there is any.
    pub blue_light_mw_per_lm: (Option<f64>, Option<f64>),
    /// Illuminance of the second over the first; none for relative spectra.
    pub lux_ratio: Option<f64>,
}

/// Compares two spectra's figures; none when one has no light.
pub fn end_colours(
    first: &crate::spectrum_figures::SpectrumFigures,
    second: &crate::spectrum_figures::SpectrumFigures,
) -> Option<EndColours> {
    use crate::alpha_opic::Receptor;
    use crate::spectrum_figures::SpectrumFigures;
    let melanopic = |of: &SpectrumFigures| {
        of.alpha_opic
            .map(|all| all[Receptor::Melanopic as usize].der)
    };
    let blue = |of: &SpectrumFigures| of.blue_light.map(|blue| blue.mw_per_lm);
    let ratio = second
        .illuminance
        .zip(first.illuminance)
        .map(|(b, a)| b.0 / a.0);
    Some(EndColours {
        distance_uv_prime: first.chromaticity?.distance_uv_prime(second.chromaticity?),
        cct_k: (first.comparable_cct_k(), second.comparable_cct_k()),
        melanopic_der: (melanopic(first)?, melanopic(second)?),
        blue_light_mw_per_lm: (blue(first), blue(second)),
        lux_ratio: ratio.filter(|ratio| ratio.is_finite()),
    })
}
