//! Depth of modulation: percent flicker, flicker index, duty.
//!
//! Percent flicker (modulation depth) and flicker index after the IES Lighting
//! Handbook and RP-16 (from memory). The extremes are those of the mean cycle,
//! folded at the rate of repetition into at least 64 phases: single extremes
//! take noise for light. Partial cycles would bias the index, so it is taken
//! over whole ones.
//!
//! Used by: flicker.

use super::waveform::{extremes, percent_of, sum_of};

/// Phases of a folded cycle at least.
const PHASES_AT_LEAST: usize = 64;
/// Samples in each phase at least, where there are more phases than that.
const PER_PHASE: usize = 16;
/// A wave has two levels when this share of its samples ...
const TWO_LEVEL_SHARE: f64 = 0.85;
/// ... lies within this share of peak to peak from one of them.
const NEAR_LEVEL: f64 = 0.15;

/// The mean cycle: light by phase, empty phases left out.
fn folded(light: &[f64], rate_hz: f64, cycle_hz: f64) -> Vec<f64> {
    let per_cycle = rate_hz / cycle_hz;
    let most = light.len() / PER_PHASE;
    let phases = (per_cycle + 1e-6) as usize;
    let phases = phases.min(most).max(PHASES_AT_LEAST);
    let mut sums = vec![(0.0, 0_u32); phases];
    // The phase in fractions of 2^64, so that whole cycles fall off by
    // themselves. A nudge keeps samples on a phase's edge on the same side.
    let step = 1.0 / per_cycle;
    let fraction = |cycles: f64| (cycles * 2.0_f64.powi(64)) as u64;
    let (step, mut turned) = (fraction(step), fraction(1e-6 * step));
    for value in light {
        let phase = (u128::from(turned) * phases as u128) >> 64;
        if let Some((sum, count)) = sums.get_mut(phase as usize) {
            *sum += value;
            *count += 1;
        }
        turned = turned.wrapping_add(step);
    }
    let filled = sums.into_iter().filter(|(_, count)| *count > 0);
    filled.map(|(sum, count)| sum / f64::from(count)).collect()
}

/// Percent flicker of the mean cycle.
pub(super) fn percent_folded(light: &[f64], rate_hz: f64, cycle_hz: f64) -> f64 {
    percent_of(extremes(&folded(light, rate_hz, cycle_hz)))
}

/// Area above the mean over the whole area, over whole cycles.
pub(super) fn index(light: &[f64], rate_hz: f64, cycle_hz: f64) -> f64 {
    let cycles = light.len() as f64 * cycle_hz / rate_hz;
    let whole = if cycles >= 1.0 {
        ((cycles + 1e-6).floor() * rate_hz / cycle_hz).round() as usize
    } else {
        light.len()
    };
    let light = light.get(..whole).unwrap_or(light);
    let sum = sum_of(light, |value| value);
    let mean = sum / light.len() as f64;
    sum_of(light, |value| (value - mean).max(0.0)) / sum
}

/// Share of the time above the middle, for a wave of two levels.
pub(super) fn duty(light: &[f64], rate_hz: f64, cycle_hz: f64) -> Option<f64> {
    let (least, most) = extremes(light);
    let near = NEAR_LEVEL * (most - least);
    let (high, low) = (most - near, least + near);
    let between = light.iter().filter(|value| **value < high && **value > low);
    if between.count() as f64 > (1.0 - TWO_LEVEL_SHARE) * light.len() as f64 {
        return None;
    }
    let cycles = (light.len() as f64 * cycle_hz / rate_hz + 1e-6).floor();
    let whole = (cycles * rate_hz / cycle_hz).round() as usize;
    let light = light.get(..whole).filter(|light| !light.is_empty())?;
    let middle = least.midpoint(most);
    let above = light.iter().filter(|value| **value > middle).count();
    Some(above as f64 / light.len() as f64)
}
