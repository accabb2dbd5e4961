//! Seeded numbers: SplitMix64 and the Box-Muller transform.
//!
//! Every draw is a function of (seed, stream, counter), so that a restarted
//! simulation goes on where it stopped. Used by `room` and the instruments.
//! Source of the generator: Steele, Lea and Flood, OOPSLA 2014, figure 16.

/// What a draw is for; streams never share numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stream {
    /// Errors that stay hidden for a whole bench.
    Hidden = 1,
    /// The meter's noise, one counter per reading.
    MeterNoise = 2,
    /// The spectroradiometer's noise, one counter per reading and element.
    SpectrumNoise = 3,
    /// What differs from element to element of the spectroradiometer.
    Elements = 4,
    /// The waveform photometer's noise, one counter per reading and sample.
    WaveformNoise = 5,
    /// The power meter's noise.
    PowerNoise = 6,
    /// The room sensor's noise.
    RoomNoise = 7,
    /// The fixed meter's noise.
    Meter2Noise = 8,
    /// The noise of the sphere's photometer.
    SphereNoise = 9,
    /// The noise of the sphere's spectroradiometer, as that of the other one.
    SphereSpectrumNoise = 10,
    /// What differs from element to element of the sphere's spectroradiometer.
    SphereElements = 11,
}

/// The golden ratio's fraction as a 64-bit odd number.
const GAMMA: u64 = 0x9E37_79B9_7F4A_7C15;

/// SplitMix64's output for the state after `steps` steps from `seed`.
fn splitmix(seed: u64, steps: u64) -> u64 {
    let z = seed.wrapping_add(GAMMA.wrapping_mul(steps));
    let z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// Uniform in (0, 1), never either end.
fn uniform(bits: u64) -> f64 {
    ((bits >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
}

/// A standard normal deviate for this seed, stream and counter.
pub fn normal(seed: u64, stream: Stream, counter: u64) -> f64 {
    let own = splitmix(seed, stream as u64);
    let radius = (-2.0 * uniform(splitmix(own, 2 * counter + 1)).ln()).sqrt();
    let angle = std::f64::consts::TAU * uniform(splitmix(own, 2 * counter + 2));
    radius * angle.cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// First outputs for seed 1234567, as in Rosetta Code, "Pseudo-random
    /// numbers/Splitmix64".
    #[test]
    fn the_generator_gives_its_published_numbers() {
        let published = [
            6_457_827_717_110_365_317,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423,
            4_593_380_528_125_082_431,
            16_408_922_859_458_223_821,
        ];
        for (step, number) in published.into_iter().enumerate() {
            assert_eq!(splitmix(1_234_567, step as u64 + 1), number);
        }
    }

    #[test]
    fn deviates_are_standard_normal() {
        let n = 20_000;
        let draws: Vec<f64> = (0..n).map(|i| normal(7, Stream::MeterNoise, i)).collect();
        let mean = draws.iter().sum::<f64>() / n as f64;
        let variance = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1) as f64;
        // Five standard errors: 5/sqrt(n) and 5*sqrt(2/n).
        assert!(mean.abs() < 0.036, "{mean}");
        assert!((variance - 1.0).abs() < 0.05, "{variance}");
        let other = normal(8, Stream::MeterNoise, 0);
        assert_ne!(other, draws[0]);
    }
}
