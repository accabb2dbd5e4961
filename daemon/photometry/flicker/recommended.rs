//! Classes of the simple recommended practices of IEEE Std 1789-2015, 8.1.1
//! (the eight entries from two secondary texts; the standard was not read).
//!
//! The limits are for a periodic wave with one modulation and one frequency.
//! For a wave of several lines three readings are given: (a) the overall
//! modulation at the dominant frequency, (b) each line against the limit at its
//! own, (c) the overall modulation at the rate of repetition, the strict
//! reading. The headline is the worse of (a) and (b): own rule.
//!
//! Used by: flicker.

use super::lines::{Line, Lines};

/// A class, from best to worst.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    /// Below the level of no observable effect.
    NoObservableEffect,
    /// Below the limit of low risk.
    LowRisk,
    /// Not below it.
    HighRisk,
}

impl Class {
    /// The word, as in the figures.
    pub const fn word(self) -> &'static str {
        match self {
            Class::NoObservableEffect => "no_observable_effect",
            Class::LowRisk => "low_risk",
            Class::HighRisk => "high_risk",
        }
    }
}

/// Frequencies at which the limits change.
pub const EDGES_HZ: [f64; 3] = [90.0, 1_250.0, 3_000.0];
/// So near to an edge the class may turn on the last digit of the frequency.
const NEAR_EDGE: f64 = 0.02;

/// Modulation in per cent that is low risk below; none: no restriction.
pub fn low_risk_below_percent(hz: f64) -> Option<f64> {
    match hz {
        hz if hz < 90.0 => Some(0.025 * hz),
        hz if hz <= 1_250.0 => Some(0.08 * hz),
        _ => None,
    }
}

/// Modulation in per cent that has no observable effect below; none: no
/// restriction.
pub fn no_effect_below_percent(hz: f64) -> Option<f64> {
    match hz {
        hz if hz < 90.0 => Some(0.01 * hz),
        hz if hz <= 3_000.0 => Some(0.0333 * hz),
        _ => None,
    }
}

/// The class of a modulation in per cent at a frequency.
pub fn class(hz: f64, percent: f64) -> Class {
    let below = |limit: Option<f64>| limit.is_none_or(|limit| percent < limit);
    if below(no_effect_below_percent(hz)) {
        Class::NoObservableEffect
    } else if below(low_risk_below_percent(hz)) {
        Class::LowRisk
    } else {
        Class::HighRisk
    }
}

/// Whether a frequency lies within 2 % of an edge of the limits.
pub fn is_near_edge(hz: f64) -> bool {
    EDGES_HZ
        .iter()
        .any(|edge| (hz / edge - 1.0).abs() <= NEAR_EDGE)
}

/// The three readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Classes {
    /// (a) Overall modulation at the dominant frequency.
    pub simple: Class,
    /// The worse of (a) and (b), each line at its own frequency.
    pub worst: Class,
    /// (c) Overall modulation at the rate of repetition; none where the wave
    /// does not repeat.
    pub strict: Option<Class>,
    /// The dominant frequency lies within 2 % of an edge.
    pub near_edge: bool,
}

/// The classes of a wave; without lines nothing was seen, which is a class only
/// from 2 Hz up.
pub(super) fn of(lines: &Lines, percent: f64, fundamental_hz: Option<f64>) -> Classes {
    let simple = lines
        .dominant()
        .map_or(Class::NoObservableEffect, |line| class(line.hz, percent));
    let own = |line: &Line| class(line.hz, 100.0 * line.share);
    let worst = lines.lines.iter().map(own).fold(simple, Class::max);
    Classes {
        simple,
        worst,
        strict: fundamental_hz.map(|hz| class(hz, percent)),
        near_edge: lines.dominant().is_some_and(|line| is_near_edge(line.hz)),
    }
}
