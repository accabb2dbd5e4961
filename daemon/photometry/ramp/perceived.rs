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
