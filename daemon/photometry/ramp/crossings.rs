//! When a rising light crosses a level: onset, shares of the plateau.
//!
//! A share is crossed where the nearest curve that never falls crosses it. Of the
//! readings themselves the first that the scatter lifts above it would be early: by
//! 5 s of 90 min where they lie 1 s apart and scatter by 0.1 %.
//!
//! Used by: ramp.

use crate::robust::mad_scaled;

/// Within this share of the plateau the end is reached.
pub const WITHIN: f64 = 0.02;
/// Samples in a row that must be above the dark.
const IN_A_ROW: usize = 3;
/// So many samples on either side of a crossing tell the scatter there.
const AROUND: usize = 25;

/// A level that was crossed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossing {
    /// When, in s.
    pub at_s: f64,
    /// Standard uncertainty that the scatter of the light leaves, in s: the time in
    /// which the light changes by its standard deviation, over the root of the
    /// number of samples within that of the level.
    pub u_s: f64,
}

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

    /// When the light first crosses a level in lux. The rise is the nearest one that
    /// never falls; `as_read_lx` is the light as it was read, at the same times.
    pub fn crossing(&self, as_read_lx: &[f64], level_lx: f64) -> Option<Crossing> {
        let at_s = self.first_above(level_lx)?;
        let at = self.net_lx.iter().position(|e| *e >= level_lx)?;
        let sd = scatter(as_read_lx, at);
        let (low, high) = (level_lx - sd, level_lx + sd);
        let before = at_s - self.first_above(low).unwrap_or(at_s);
        let after = self.first_above(high).unwrap_or(at_s) - at_s;
        let within = self.net_lx.iter().filter(|e| (low..=high).contains(*e));
        let n = within.count().max(1) as f64;
        Some(Crossing {
            at_s,
            u_s: before.max(after) / n.sqrt(),
        })
    }

    /// When the light first comes within a share of the plateau.
    pub fn first_within(&self, plateau_lx: f64, share: f64) -> Option<f64> {
        let near = |e: &f64| (e - plateau_lx).abs() <= share * plateau_lx;
        let at = self.net_lx.iter().position(near)?;
        self.time_s.get(at).copied()
    }
}

/// Standard deviation of one reading of light that changes evenly, near a sample:
/// from the second differences, which a straight line does not move and in which
/// six variances stand; robust, so that a step of the light counts as none.
fn scatter(lux: &[f64], at: usize) -> f64 {
    let from = at.saturating_sub(AROUND);
    let near = lux.get(from..(at + AROUND).min(lux.len()));
    let second = near.unwrap_or_default().windows(3);
    let second: Vec<f64> = second.map(|e| e[0] - 2.0 * e[1] + e[2]).collect();
    mad_scaled(&second).unwrap_or(0.0) / 6.0_f64.sqrt()
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

#[cfg(test)]
mod tests {
    use super::super::isotonic::rising;
    use super::*;

    /// Sums of twelve even numbers, less six: nearly normal, standard deviation 1.
    fn noise(seed: u64) -> impl FnMut() -> f64 {
        let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
        let mut even = move || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        move || (0..12).map(|_| even()).sum::<f64>() - 6.0
    }

    /// A square law of 90 min read every second with a scatter of 0.1 %: closed form,
    /// T sqrt(share).
    #[test]
    fn scatter_makes_a_crossing_neither_early_nor_late() {
        const LENGTH: f64 = 5_400.0;
        let time_s: Vec<f64> = (0..=5_700).map(f64::from).collect();
        for share in [0.1_f64, 0.5, 0.9] {
            let closed = LENGTH * share.sqrt();
            let (mut z, mut first) = (Vec::new(), Vec::new());
            for seed in 1..=200 {
                let mut noise = noise(seed);
                let read = |t: &f64| (t / LENGTH).min(1.0).powi(2) * (1.0 + 0.001 * noise());
                let as_read: Vec<f64> = time_s.iter().map(read).collect();
                let fitted = rising(&as_read);
                let rise = |net_lx| Rise {
                    time_s: &time_s,
                    net_lx,
                };
                let found = rise(&fitted)
                    .crossing(&as_read, share)
                    .expect("it is crossed");
                assert!(found.u_s > 0.0 && found.u_s < 3.0, "{found:?}");
                z.push((found.at_s - closed) / found.u_s);
                first.push(rise(&as_read).first_above(share).expect("crossed") - closed);
            }
            let mean = |all: &[f64]| all.iter().sum::<f64>() / all.len() as f64;
            let square = z.iter().map(|z| z * z).collect::<Vec<f64>>();
            // Of 200 the mean of z is good to 0.07, their root mean square to 0.05.
            let (shift, spread) = (mean(&z), mean(&square).sqrt());
            assert!(shift.abs() < 0.3, "{share}: {shift}");
            assert!((0.8..1.25).contains(&spread), "{share}: {spread}");
            // The first reading above it is early, and the more so the slower it goes.
            let early = -mean(&first);
            assert!(share < 0.5 || early > 0.5, "{share}: {early}");
        }
    }
}
