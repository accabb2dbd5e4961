//! When a rising light crosses a level: onset, shares of the plateau.
//!
//! Used by: ramp.

/// Within this share of the plateau the end is reached.
pub const WITHIN: f64 = 0.02;
/// Samples in a row that must be above the dark.
const IN_A_ROW: usize = 3;

/// A light that rises.
pub struct Rise<'r> {
    /// Times in s.
    pub time_s: &'r [f64],
    /// Net light in lux.
    pub net_lx: &'r [f64],
}

impl Rise<'_> {
    /// Time and light of the first of three samples in a row above a threshold
    /// in lux (own rule; the five deviations after Currie 1968, from memory).
    pub fn onset(&self, threshold_lx: f64) -> Option<(f64, f64)> {
        let at = self
            .net_lx
            .windows(IN_A_ROW)
            .position(|row| row.iter().all(|e| *e > threshold_lx))?;
        Some((*self.time_s.get(at)?, *self.net_lx.get(at)?))
    }

    /// When the light first reaches a level in lux, on a straight line between
    /// samples; none when it never does, or is above it from the beginning.
    pub fn first_above(&self, level_lx: f64) -> Option<f64> {
        let at = self.net_lx.iter().position(|e| *e >= level_lx)?;
        let before = at.checked_sub(1)?;
        let (e0, e1) = (*self.net_lx.get(before)?, *self.net_lx.get(at)?);
        let (t0, t1) = (*self.time_s.get(before)?, *self.time_s.get(at)?);
        Some(t0 + (t1 - t0) * (level_lx - e0) / (e1 - e0))
    }

    /// When the light first comes within a share of the plateau.
    pub fn first_within(&self, plateau_lx: f64, share: f64) -> Option<f64> {
        let near = |e: &f64| (e - plateau_lx).abs() <= share * plateau_lx;
        let at = self.net_lx.iter().position(near)?;
        self.time_s.get(at).copied()
    }
}

/// When a falling light last crosses a limit from above, on a straight line
/// between samples; none when it never was above, or is at the end.
pub fn last_below(time_s: &[f64], lux: &[f64], limit: f64) -> Option<f64> {
    let at = lux.iter().rposition(|e| *e >= limit)?;
    let (e0, e1) = (*lux.get(at)?, *lux.get(at + 1)?);
    let (t0, t1) = (*time_s.get(at)?, *time_s.get(at + 1)?);
    Some(t0 + (t1 - t0) * (e0 - limit) / (e0 - e1))
}

/// Exponent of a power law through 10 and 90 %, both counted from where the
/// rise begins; none unless 0 < t10 < t90.
pub fn exponent(t10: Option<f64>, t90: Option<f64>) -> Option<f64> {
    let (t10, t90) = (t10?, t90?);
    if !(t10 > 0.0 && t90 > t10) {
        return None;
    }
    let exponent = 9.0_f64.ln() / (t90 / t10).ln();
    exponent.is_finite().then_some(exponent)
}
