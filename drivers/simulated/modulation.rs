//! How fast light moves about its mean, in closed form: none, pulses, a sine, a
//! rectified sine; and what a filter leaves of it.
//!
//! Everything is relative: the mean over whole periods is 1. Phase is nought at
//! the world's zero and runs through, whatever the lamp does. Used by `lamp_model`
//! and `waveform_photometer`. Not here: flicker figures; the simulation knows none.

use std::f64::consts::{PI, TAU};

use photometry::units::Mono;
use serde::{Deserialize, Serialize};

/// Harmonics from where its gain is smaller are left out.
const GAIN_AT_LEAST: f64 = 1e-5;
/// Most harmonics that are summed for one sample.
const HARMONICS_AT_MOST: u32 = 4000;

/// The waveform of a light.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Modulation {
    /// Steady.
    #[default]
    None,
    /// Pulses: `high` for `duty` (0 to 1) of each period, then `low`, on any scale.
    Pulses {
        /// Pulses a second.
        hz: f64,
        /// Share of the period that is high.
        duty: f64,
        /// Light of the high part, at least `low`.
        high: f64,
        /// Light of the low part, at least 0.
        low: f64,
    },
    /// A sine about the mean.
    Sine {
        /// Periods a second.
        hz: f64,
        /// Amplitude as a share of the mean, 0 to 1.
        depth: f64,
    },
    /// The size of a sine of the mains: light at twice this frequency.
    RectifiedSine {
        /// Frequency of the mains in Hz.
        hz: f64,
    },
}

impl Modulation {
    /// Instantaneous light as a ratio to its mean, `after` seconds behind `start`.
    pub fn at(self, start: Mono, after: f64) -> f64 {
        match self {
            Modulation::None => 1.0,
            Modulation::Pulses {
                hz,
                duty,
                high,
                low,
            } => {
                let is_high = turns(hz, start, after) < duty;
                let light = if is_high { high } else { low };
                light / (duty * high + (1.0 - duty) * low)
            }
            Modulation::Sine { hz, depth } => 1.0 + depth * (TAU * turns(hz, start, after)).sin(),
            Modulation::RectifiedSine { hz } => {
                // The mean of |sin| is 2/pi.
                (TAU * turns(hz, start, after)).sin().abs() * PI / 2.0
            }
        }
    }

    /// The same behind a filter whose corner is `corner` Hz: those of its harmonics
    /// that pass, each by the filter's gain.
    pub fn behind(self, corner: f64) -> Filtered {
        let none = (1.0, 0.0, Vec::new());
        let (hz, back, harmonics) = match self {
            Modulation::None => none,
            // A sine is a cosine a quarter of a period later.
            Modulation::Sine { hz, depth } => {
                let lines = passing(hz, corner, |k| if k > 1.0 { 0.0 } else { depth });
                (hz, 0.25, lines)
            }
            // With the pulse's middle at phase nought the series has cosines alone:
            // a_k = 2 (H - L) sin(k pi d) / (k pi).
            Modulation::Pulses {
                hz,
                duty,
                high,
                low,
            } => {
                let mean = duty * high + (1.0 - duty) * low;
                let size = 2.0 * (high - low) / (PI * mean);
                let lines = passing(hz, corner, |k| size * (k * PI * duty).sin() / k);
                (hz, duty / 2.0, lines)
            }
            // |sin x| * pi/2 = 1 - 2 sum of cos(2kx) / (4k^2 - 1).
            Modulation::RectifiedSine { hz } => {
                let lines = passing(2.0 * hz, corner, |k| -2.0 / (4.0 * k * k - 1.0));
                (2.0 * hz, 0.0, lines)
            }
        };
        Filtered {
            hz,
            back,
            harmonics,
        }
    }
}

/// A waveform behind a filter.
#[derive(Clone, Debug, PartialEq)]
pub struct Filtered {
    hz: f64,
    /// Turns by which its cosines lag.
    back: f64,
    /// Amplitudes of the cosines of `hz`, twice `hz`, and so on.
    harmonics: Vec<f64>,
}

impl Filtered {
    /// Instantaneous light as a ratio to its mean, `after` seconds behind `start`.
    /// Cosines follow from the two before them (Chebyshev's recurrence).
    pub fn at(&self, start: Mono, after: f64) -> f64 {
        let phase = TAU * (turns(self.hz, start, after) - self.back);
        let twice = 2.0 * phase.cos();
        let (mut before, mut cosine, mut sum) = (1.0, phase.cos(), 1.0);
        for size in &self.harmonics {
            sum += size * cosine;
            (before, cosine) = (cosine, twice * cosine - before);
        }
        sum
    }
}

/// Amplitudes of the harmonics k = 1, 2, ... of `hz` behind the filter.
fn passing(hz: f64, corner: f64, size: impl Fn(f64) -> f64) -> Vec<f64> {
    let gain = |hz: f64| gain(hz, corner);
    (1..=HARMONICS_AT_MOST)
        .map(|k| (gain(hz * f64::from(k)), size(f64::from(k))))
        .take_while(|(gain, _)| *gain >= GAIN_AT_LEAST)
        .map(|(gain, size)| gain * size)
        .collect()
}

/// What the filter before a converter leaves of `hz`: a Gaussian, 1/sqrt(2) at the
/// corner and without a delay. A steeper one would ring at every edge of a pulse,
/// and a meter for flicker must not show light below the dark.
fn gain(hz: f64, corner: f64) -> f64 {
    (-0.5 * (hz / corner).powi(2)).exp2()
}

/// Where in its period a light of `hz` stands, 0 to 1.
fn turns(hz: f64, start: Mono, after: f64) -> f64 {
    let whole = (start.ns() as f64 * 1e-9 * hz).fract();
    (whole + after * hz).rem_euclid(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const PWM: Modulation = Modulation::Pulses {
        hz: 480.0,
        duty: 0.3,
        high: 1.0,
        low: 0.2,
    };

    fn mean(of: impl Fn(f64) -> f64, period: f64) -> f64 {
        let n = 6000;
        let sum: f64 = (0..n)
            .map(|i| of(period * (f64::from(i) + 0.5) / f64::from(n)))
            .sum();
        sum / f64::from(n)
    }

    /// Mean d*H + (1-d)*L = 0.44, by hand: the high part is 1/0.44 of it.
    #[test]
    fn pulses_are_high_and_low_about_their_mean() {
        let at = |after| PWM.at(Mono::ZERO, after);
        assert!((at(0.0) - 1.0 / 0.44).abs() < 1e-12);
        assert!((at(0.299 / 480.0) - 1.0 / 0.44).abs() < 1e-12);
        assert!((at(0.301 / 480.0) - 0.2 / 0.44).abs() < 1e-12);
        assert!((at(1.0001 / 480.0) - 1.0 / 0.44).abs() < 1e-12);
    }

    #[test]
    fn every_mean_is_one() {
        let cases = [
            (Modulation::None, 0.01),
            (PWM, 1.0 / 480.0),
            (
                Modulation::Sine {
                    hz: 100.0,
                    depth: 0.4,
                },
                0.01,
            ),
            (Modulation::RectifiedSine { hz: 50.0 }, 0.01),
        ];
        let start = Mono::from_ns(987_654_321_000);
        for (modulation, period) in cases {
            let plain = mean(|after| modulation.at(start, after), period);
            assert!((plain - 1.0).abs() < 1e-3, "{modulation:?}: {plain}");
            let filtered = modulation.behind(2000.0);
            let behind = mean(|after| filtered.at(start, after), period);
            assert!((behind - 1.0).abs() < 1e-3, "{modulation:?}: {behind}");
        }
    }

    /// Phase goes through: a capture that starts later sees the same light.
    #[test]
    fn the_phase_is_the_worlds() {
        let late = Mono::from_ns(100_000_300_000_000);
        for modulation in [PWM, Modulation::RectifiedSine { hz: 50.0 }] {
            for step in 0..50 {
                let after = f64::from(step) * 37e-6;
                let early = modulation.at(Mono::from_ns(300_000_000), after);
                let then = modulation.at(late, after);
                assert!((early - then).abs() < 1e-4, "{modulation:?} {after}");
            }
        }
    }

    /// The series of a wide filter comes back to the waveform itself, away from
    /// its edges; a filter far below leaves the mean; at the corner a sine keeps
    /// 1/sqrt(2) (the definition of a corner).
    #[test]
    fn a_filter_leaves_what_it_should() {
        let sine = Modulation::RectifiedSine { hz: 50.0 };
        for turn in [0.1, 0.2, 0.45, 0.6, 0.8] {
            let (fast, slow) = (turn / 480.0, turn / 50.0);
            let wide = PWM.behind(400_000.0).at(Mono::ZERO, fast);
            assert!(
                (wide - PWM.at(Mono::ZERO, fast)).abs() < 0.01,
                "{turn}: {wide}"
            );
            let wide = sine.behind(50_000.0).at(Mono::ZERO, slow);
            assert!(
                (wide - sine.at(Mono::ZERO, slow)).abs() < 0.01,
                "{turn}: {wide}"
            );
            let narrow = PWM.behind(48.0).at(Mono::ZERO, fast);
            assert!((narrow - 1.0).abs() < 1e-6, "{turn}: {narrow}");
        }
        let sine = Modulation::Sine {
            hz: 100.0,
            depth: 0.5,
        };
        let crest = sine.behind(100.0).at(Mono::ZERO, 0.0025) - 1.0;
        assert!((crest - 0.5 * std::f64::consts::FRAC_1_SQRT_2).abs() < 1e-12);
    }
}
