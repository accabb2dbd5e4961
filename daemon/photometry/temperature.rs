//! Correlated colour temperature and Duv.
//!
//! The nearest point of the Planckian locus in CIE 1960 u, v (CIE 015:2018,
//! 9.4), found between the points of a table in 1 % steps of temperature,
//! through which a cubic is laid. The locus is computed from 360 to 830 nm:
//! cut at 780 nm it would be off by 15 K at 11500 K. Duv is positive above the
//! locus (ANSI C78.377, from memory).
//!
//! Outside |Duv| 0.05 there is no correlated colour temperature (CIE 015:2018,
//! 9.4): amber dawn light has none.
//!
//! Used by: rendering, fidelity, figures of a spectrum.

use std::sync::LazyLock;

use crate::colour::{Chromaticity, Tristimulus};
use crate::light_units::Kelvin;
use crate::tables::CIE_1931;

/// Second radiation constant in m K, as CIE 015 uses it.
pub const C2_M_K: f64 = 1.4388e-2;
/// Lowest temperature that is given.
pub const FROM: Kelvin = Kelvin(1_000.0);
/// Highest temperature that is given.
pub const TO: Kelvin = Kelvin(25_000.0);
/// Largest distance from the locus at which a temperature has a meaning.
pub const DUV_AT_MOST: f64 = 0.05;
/// First temperature of the table, below [`FROM`] so that its end is right.
const TABLE_FROM_K: f64 = 850.0;
/// Last temperature of the table at least, above [`TO`].
const TABLE_TO_K: f64 = 32_000.0;
/// Step of the table.
const TABLE_STEP: f64 = 1.01;
/// How often two steps of the table are halved: down to rounding.
const HALVINGS: usize = 50;

/// A correlated colour temperature with its distance from the locus.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ColourTemperature {
    /// The temperature, 1000 to 25000 K.
    pub cct: Kelvin,
    /// Distance in CIE 1960 u, v, positive above the locus.
    pub duv: f64,
}

/// Why there is no correlated colour temperature.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum NoTemperature {
    /// Too far from the locus.
    #[error("no CCT: |Duv| {0:.3} is above 0.05 (CIE 015)")]
    TooFar(f64),
    /// Nearest to a temperature outside the range.
    #[error("no CCT: outside 1000 to 25000 K")]
    OutOfRange,
    /// There is no chromaticity.
    #[error("no CCT: there is no light")]
    NoLight,
}

/// Spectral power of a Planckian radiator relative to that at 560 nm.
pub fn planck(nm: f64, temperature: Kelvin) -> f64 {
    let exponent = |nm: f64| C2_M_K / (nm * 1e-9 * temperature.0);
    (560.0 / nm).powi(5) * exponent(560.0).exp_m1() / exponent(nm).exp_m1()
}

/// Where a Planckian radiator lies in CIE 1960 u, v.
pub fn planckian_uv(temperature: Kelvin) -> (f64, f64) {
    let [x, y, z] = CIE_1931.rows().fold([0.0; 3], |sums, (nm, row)| {
        let power = planck(nm, temperature);
        [0, 1, 2].map(|at: usize| sums[at] + power * row[at])
    });
    let divisor = x + 15.0 * y + 3.0 * z;
    (4.0 * x / divisor, 6.0 * y / divisor)
}

/// (ln T, u, v) in equal steps of ln T.
static LOCUS: LazyLock<Vec<(f64, f64, f64)>> = LazyLock::new(|| {
    let steps = ((TABLE_TO_K / TABLE_FROM_K).ln() / TABLE_STEP.ln()).ceil() as i32;
    (0..=steps)
        .map(|step| {
            let temperature = TABLE_FROM_K * TABLE_STEP.powi(step);
            let (u, v) = planckian_uv(Kelvin(temperature));
            (temperature.ln(), u, v)
        })
        .collect()
});

/// A point of the locus between the table's, or its slope per step, on the
/// cubic through the four nearest, with the weights of those.
fn weighed(table: &[(f64, f64, f64)], base: usize, weights: [f64; 4]) -> (f64, f64, f64) {
    let points = table.iter().skip(base - 1).zip(weights);
    points.fold((0.0, 0.0, 0.0), |sum, (point, weight)| {
        (
            sum.0 + weight * point.0,
            sum.1 + weight * point.1,
            sum.2 + weight * point.2,
        )
    })
}

/// The point at a place and the slope there; a place counts steps of the table.
fn between(table: &[(f64, f64, f64)], place: f64) -> ((f64, f64, f64), (f64, f64, f64)) {
    let base = (place.floor() as usize).clamp(1, table.len().saturating_sub(3));
    let t = place - base as f64;
    let of_point = [
        -t * (t - 1.0) * (t - 2.0) / 6.0,
        (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
        -(t + 1.0) * t * (t - 2.0) / 2.0,
        (t + 1.0) * t * (t - 1.0) / 6.0,
    ];
    let square = 3.0 * t * t;
    let of_slope = [
        -(square - 6.0 * t + 2.0) / 6.0,
        (square - 4.0 * t - 1.0) / 2.0,
        -(square - 2.0 * t - 2.0) / 2.0,
        (square - 1.0) / 6.0,
    ];
    (
        weighed(table, base, of_point),
        weighed(table, base, of_slope),
    )
}

/// Where the locus comes nearest to a point, as a place in the table.
///
/// The distance itself is flat there and would fix the place to half of the
/// digits only; its derivative crosses zero, so that is what is halved down to.
fn nearest_place(table: &[(f64, f64, f64)], u: f64, v: f64) -> Option<f64> {
    let distances = table.iter().map(|at| (u - at.1).hypot(v - at.2));
    let (nearest, _) = distances.enumerate().min_by(|a, b| a.1.total_cmp(&b.1))?;
    let last = (table.len() - 1) as f64;
    let (mut low, mut high) = (
        (nearest as f64 - 1.0).max(0.0),
        (nearest as f64 + 1.0).min(last),
    );
    for _ in 0..HALVINGS {
        let middle = (low + high) / 2.0;
        let (point, slope) = between(table, middle);
        let rising = (point.1 - u) * slope.1 + (point.2 - v) * slope.2;
        if rising < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some((low + high) / 2.0)
}

/// The correlated colour temperature of a chromaticity.
///
/// # Errors
/// Why there is none.
pub fn of_chromaticity(point: Chromaticity) -> Result<ColourTemperature, NoTemperature> {
    let (u, v) = point.uv();
    if !u.is_finite() || !v.is_finite() {
        return Err(NoTemperature::NoLight);
    }
    let table: &[(f64, f64, f64)] = &LOCUS;
    let place = nearest_place(table, u, v).ok_or(NoTemperature::NoLight)?;
    let (nearest, _) = between(table, place);
    let temperature = nearest.0.exp();
    let away = (u - nearest.1).hypot(v - nearest.2);
    // Above the locus v is larger at the same temperature.
    let duv = if v >= nearest.2 { away } else { -away };
    if away > DUV_AT_MOST {
        return Err(NoTemperature::TooFar(away));
    }
    // Half a step of rounding at the ends.
    if !(FROM.0 * 0.9999..=TO.0 * 1.0001).contains(&temperature) {
        return Err(NoTemperature::OutOfRange);
    }
    Ok(ColourTemperature {
        cct: Kelvin(temperature),
        duv,
    })
}

/// The correlated colour temperature of tristimulus values.
///
/// # Errors
/// Why there is none.
pub fn of_tristimulus(tristimulus: Tristimulus) -> Result<ColourTemperature, NoTemperature> {
    of_chromaticity(tristimulus.chromaticity().ok_or(NoTemperature::NoLight)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// On the locus the temperature comes back, and Duv is zero.
    #[test]
    fn a_planckian_radiator_has_its_own_temperature() {
        for temperature in [1_000.0, 1_402.0, 2_700.0, 6_504.0, 11_500.0, 25_000.0] {
            let (u, v) = planckian_uv(Kelvin(temperature));
            let point = Chromaticity::from_uv(u, v).expect("a point");
            let found = of_chromaticity(point).expect("a temperature");
            assert!(
                (found.cct.0 / temperature - 1.0).abs() < 1e-6,
                "{temperature}: {found:?}"
            );
            assert!(found.duv.abs() < 1e-8, "{temperature}: {found:?}");
        }
    }

    /// A change of the chromaticity in its last digits moves the temperature in
    /// its last digits, also far from the locus where the distance is flat.
    #[test]
    fn the_last_digits_count() {
        for (x, y) in [
            (0.4476, 0.4075),
            (0.3127, 0.3290),
            (0.38, 0.42),
            (0.55, 0.42),
        ] {
            let found = of_chromaticity(Chromaticity { x, y }).expect("a temperature");
            for step in 1..40 {
                let x = x * (1.0 + 1e-15 * f64::from(step));
                let near = of_chromaticity(Chromaticity { x, y }).expect("a temperature");
                let moved = (near.cct.0 / found.cct.0 - 1.0).abs();
                assert!(moved < 2e-12, "{x}, {y}: {moved:e}");
            }
        }
    }

    #[test]
    fn where_it_has_no_meaning_there_is_none() {
        let red = Chromaticity { x: 0.70, y: 0.29 };
        let green = Chromaticity { x: 0.25, y: 0.60 };
        for point in [red, green] {
            let none = of_chromaticity(point);
            assert!(matches!(
                none,
                Err(NoTemperature::TooFar(_) | NoTemperature::OutOfRange)
            ));
        }
        let (u, v) = planckian_uv(Kelvin(940.0));
        let dull = Chromaticity::from_uv(u, v).expect("a point");
        assert_eq!(of_chromaticity(dull), Err(NoTemperature::OutOfRange));
        let nan = Chromaticity {
            x: f64::NAN,
            y: 0.3,
        };
        assert_eq!(of_chromaticity(nan), Err(NoTemperature::NoLight));
    }

    proptest::proptest! {
        #[test]
        fn no_chromaticity_panics(x in proptest::num::f64::ANY, y in proptest::num::f64::ANY) {
            let _ = of_chromaticity(Chromaticity { x, y });
        }
    }
}
