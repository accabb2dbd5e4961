//! Colour rendering index: Ra and R1 to R14.
//!
//! CIE 13.3-1995, unrounded. The reference is a Planckian radiator below
//! 5000 K and a phase of daylight from there on: at 5000 K the index jumps by
//! the standard's own making. It holds only for light whose chromaticity lies
//! within 5.4e-3 (CIE 1960 u, v) of its reference; beyond, it is marked.
//!
//! Used by: figures of a spectrum.

use crate::light_units::Kelvin;
use crate::spectrum::{Spectrum, widths};
use crate::tables::{CIE_1931, DAYLIGHT, TEST_COLOURS};
use crate::temperature::planck;

/// Test colour samples of CIE 13.3.
pub const SAMPLES: usize = 14;
/// Samples whose mean is Ra.
const GENERAL: usize = 8;
/// From this temperature on the reference is daylight.
const DAYLIGHT_FROM_K: f64 = 5_000.0;
/// Largest distance from the reference for which the index is meant.
pub const CHROMATICITY_AT_MOST: f64 = 5.4e-3;

/// The indices, each at most 100.
#[derive(Clone, Debug, PartialEq)]
pub struct Rendering {
    /// General index: mean of R1 to R8.
    pub ra: f64,
    /// R1 to R14.
    pub special: [f64; SAMPLES],
    /// Distance of test and reference light in CIE 1960 u, v.
    pub chromaticity_distance: f64,
}

impl Rendering {
    /// Whether test light and reference are near enough for the index.
    pub fn holds(&self) -> bool {
        self.chromaticity_distance <= CHROMATICITY_AT_MOST
    }
}

/// A phase of daylight, relative spectral power; 4000 to 25000 K (CIE 015:2018,
/// 4.1.2).
pub fn daylight(temperature: Kelvin) -> impl Fn(f64) -> f64 {
    let t = temperature.0;
    let x = if t <= 7_000.0 {
        -4.6070e9 / t.powi(3) + 2.9678e6 / t.powi(2) + 0.09911e3 / t + 0.244063
    } else {
        -2.0064e9 / t.powi(3) + 1.9018e6 / t.powi(2) + 0.24748e3 / t + 0.237040
    };
    let y = -3.0 * x * x + 2.870 * x - 0.275;
    let divisor = 0.0241 + 0.2562 * x - 0.7341 * y;
    let first = (-1.3515 - 1.7703 * x + 5.9114 * y) / divisor;
    let second = (0.0300 - 31.4424 * x + 30.0717 * y) / divisor;
    move |nm| {
        let [s0, s1, s2] = DAYLIGHT.at(nm);
        s0 + first * s1 + second * s2
    }
}

/// X, Y, Z of a light and of the samples under it.
struct Seen {
    light: [f64; 3],
    samples: [[f64; 3]; SAMPLES],
}

/// What the 1931 observer sees of the light with these parts.
fn seen(nm: &[f64], parts: impl Iterator<Item = f64>) -> Seen {
    let mut seen = Seen {
        light: [0.0; 3],
        samples: [[0.0; 3]; SAMPLES],
    };
    for (nm, part) in nm.iter().zip(parts) {
        let stimulus = CIE_1931.at(*nm).map(|weight| weight * part);
        let reflected = TEST_COLOURS.at(*nm);
        let lit = seen.light.iter_mut().zip(stimulus);
        lit.for_each(|(sum, value)| *sum += value);
        for (sample, share) in seen.samples.iter_mut().zip(reflected) {
            let lit = sample.iter_mut().zip(stimulus);
            lit.for_each(|(sum, value)| *sum += value * share);
        }
    }
    seen
}

fn uv([x, y, z]: [f64; 3]) -> (f64, f64) {
    let divisor = x + 15.0 * y + 3.0 * z;
    (4.0 * x / divisor, 6.0 * y / divisor)
}

/// c and d of the adaptation (CIE 13.3-1995, 5.7).
fn adaptation((u, v): (f64, f64)) -> (f64, f64) {
    (
        (4.0 - u - 10.0 * v) / v,
        (1.708 * v + 0.404 - 1.481 * u) / v,
    )
}

/// U*, V*, W* about the reference's white (CIE 13.3-1995, 5.8).
fn uvw((u, v): (f64, f64), (white_u, white_v): (f64, f64), y: f64) -> [f64; 3] {
    let w = 25.0 * y.cbrt() - 17.0;
    [13.0 * w * (u - white_u), 13.0 * w * (v - white_v), w]
}

/// The indices of a spectrum of this correlated colour temperature; none when
/// a step of them gives no finite number.
pub fn of(spectrum: &Spectrum, cct: Kelvin) -> Option<Rendering> {
    let nm = spectrum.wavelengths_nm();
    let test = seen(nm, spectrum.weighted().iter().copied());
    let widths = widths(nm);
    let lit = nm.iter().zip(&widths);
    let reference = if cct.0 < DAYLIGHT_FROM_K {
        seen(nm, lit.map(|(nm, width)| width * planck(*nm, cct)))
    } else {
        let power = daylight(cct);
        seen(nm, lit.map(|(nm, width)| width * power(*nm)))
    };
    let (white, test_white) = (uv(reference.light), uv(test.light));
    let (c_ref, d_ref) = adaptation(white);
    let (c_test, d_test) = adaptation(test_white);
    let samples = test.samples.iter().zip(&reference.samples);
    let mut special = [0.0; SAMPLES];
    for (index, (under_test, under_reference)) in special.iter_mut().zip(samples) {
        let (c, d) = adaptation(uv(*under_test));
        let (c, d) = (c * c_ref / c_test, d * d_ref / d_test);
        let divisor = 16.518 + 1.481 * c - d;
        let adapted = ((10.872 + 0.404 * c - 4.0 * d) / divisor, 5.520 / divisor);
        let y_of = |seen: [f64; 3], light: [f64; 3]| 100.0 * seen[1] / light[1];
        let seen_test = uvw(adapted, white, y_of(*under_test, test.light));
        let y = y_of(*under_reference, reference.light);
        let seen_reference = uvw(uv(*under_reference), white, y);
        let axes = seen_test.iter().zip(seen_reference);
        let difference = axes.map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt();
        *index = 100.0 - 4.6 * difference;
    }
    let ra = special[..GENERAL].iter().sum::<f64>() / GENERAL as f64;
    let distance = (white.0 - test_white.0).hypot(white.1 - test_white.1);
    let finite = special.iter().all(|index| index.is_finite()) && distance.is_finite();
    finite.then_some(Rendering {
        ra,
        special,
        chromaticity_distance: distance,
    })
}
