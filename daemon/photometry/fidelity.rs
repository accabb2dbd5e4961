//! Colour fidelity Rf and gamut Rg.
//!
//! ANSI/IES TM-30-18, whose Rf is that of CIE 224:2017: 99 evaluation samples,
//! the 1964 observer, CAM02-UCS (CIE 159:2004 with L_A 100, Y_b 20, D 1), a
//! Planckian reference up to 4000 K, daylight from 5000 K, a mixture of both
//! *at the same temperature* in between. Hue bins are those of the reference.
//!
//! Used by: figures of a spectrum.

use crate::light_units::Kelvin;
use crate::rendering::daylight;
use crate::spectrum::{Spectrum, widths};
use crate::tables::{CIE_1964, EVALUATION_COLOURS};
use crate::temperature::planck;

/// Evaluation samples of CIE 224.
const SAMPLES: usize = 99;
/// Hue bins of TM-30.
const BINS: usize = 16;
/// Colour difference to fidelity (CIE 224:2017, 4.5).
const FIDELITY_PER_DIFFERENCE: f64 = 6.73;
/// The reference is Planckian up to here.
const PLANCK_TO_K: f64 = 4_000.0;
/// The reference is daylight from here on.
const DAYLIGHT_FROM_K: f64 = 5_000.0;

/// Rf and Rg.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fidelity {
    /// Fidelity, 0 to 100.
    pub rf: f64,
    /// Gamut, 100 for the reference; none when a hue bin of the reference holds
    /// no sample, as near 1000 K.
    pub rg: Option<f64>,
}

/// X, Y, Z per sample, and of the light.
struct Seen {
    light: [f64; 3],
    x: [f64; SAMPLES],
    y: [f64; SAMPLES],
    z: [f64; SAMPLES],
}

impl Seen {
    fn of(observed: &[([f64; 3], [f64; SAMPLES])], parts: impl Iterator<Item = f64>) -> Seen {
        let mut seen = Seen {
            light: [0.0; 3],
            x: [0.0; SAMPLES],
            y: [0.0; SAMPLES],
            z: [0.0; SAMPLES],
        };
        for ((weights, reflected), part) in observed.iter().zip(parts) {
            let [x, y, z] = weights.map(|weight| weight * part);
            seen.light[0] += x;
            seen.light[1] += y;
            seen.light[2] += z;
            for (sums, weight) in [(&mut seen.x, x), (&mut seen.y, y), (&mut seen.z, z)] {
                for (sum, share) in sums.iter_mut().zip(reflected) {
                    *sum += weight * share;
                }
            }
        }
        seen
    }

    /// (a', b') and J' of each sample in CAM02-UCS.
    fn appearance(&self) -> Vec<[f64; 3]> {
        let to_hundred = 100.0 / self.light[1];
        let white = self.light.map(|value| value * to_hundred);
        let view = Viewing::under(white);
        (0..SAMPLES)
            .map(|at| view.ucs([self.x[at], self.y[at], self.z[at]].map(|v| v * to_hundred)))
            .collect()
    }
}

/// The viewing conditions of CIECAM02 under one white.
struct Viewing {
    gain: [f64; 3],
    f_l: f64,
    n: f64,
    n_bb: f64,
    z: f64,
    white_response: f64,
}

/// CAT02 (CIE 159:2004).
const CAT02: [[f64; 3]; 3] = [
    [0.7328, 0.4296, -0.1624],
    [-0.7036, 1.6975, 0.0061],
    [0.0030, 0.0136, 0.9834],
];
/// Hunt-Pointer-Estevez (CIE 159:2004).
const HPE: [[f64; 3]; 3] = [
    [0.38971, 0.68898, -0.07868],
    [-0.22981, 1.18340, 0.04641],
    [0.0, 0.0, 1.0],
];
/// The inverse of CAT02 (CIE 159:2004).
const CAT02_INVERSE: [[f64; 3]; 3] = [
    [1.096_124, -0.278_869, 0.182_745],
    [0.454_369, 0.473_533, 0.072_098],
    [-0.009_628, -0.005_698, 1.015_326],
];
/// Average surround: impact c and induction N_c.
const SURROUND_C: f64 = 0.69;
const SURROUND_N_C: f64 = 1.0;
/// Adapting luminance in cd/m2.
const ADAPTING_L_A: f64 = 100.0;
/// Relative luminance of the background.
const BACKGROUND_Y_B: f64 = 20.0;

fn times(matrix: &[[f64; 3]; 3], vector: [f64; 3]) -> [f64; 3] {
    [0, 1, 2].map(|row: usize| {
        matrix[row][0] * vector[0] + matrix[row][1] * vector[1] + matrix[row][2] * vector[2]
    })
}

impl Viewing {
    fn under(white: [f64; 3]) -> Viewing {
        let k = 1.0 / (5.0 * ADAPTING_L_A + 1.0);
        let k4 = k.powi(4);
        let f_l =
            0.2 * k4 * 5.0 * ADAPTING_L_A + 0.1 * (1.0 - k4).powi(2) * (5.0 * ADAPTING_L_A).cbrt();
        let n = BACKGROUND_Y_B / white[1];
        let n_bb = 0.725 * (1.0 / n).powf(0.2);
        // Full adaptation: D = 1.
        let gain = times(&CAT02, white).map(|response| white[1] / response);
        let mut view = Viewing {
            gain,
            f_l,
            n,
            n_bb,
            z: 1.48 + n.sqrt(),
            white_response: 1.0,
        };
        view.white_response = view.achromatic(view.responses(white));
        view
    }

    fn responses(&self, xyz: [f64; 3]) -> [f64; 3] {
        let sharp = times(&CAT02, xyz);
        let adapted = [0, 1, 2].map(|at: usize| sharp[at] * self.gain[at]);
        times(&HPE, times(&CAT02_INVERSE, adapted)).map(|response| {
            let power = (self.f_l * response.abs() / 100.0).powf(0.42);
            (400.0 * power / (power + 27.13)).copysign(response) + 0.1
        })
    }

    fn achromatic(&self, [r, g, b]: [f64; 3]) -> f64 {
        (2.0 * r + g + b / 20.0 - 0.305) * self.n_bb
    }

    /// a', b', J' of CAM02-UCS.
    fn ucs(&self, xyz: [f64; 3]) -> [f64; 3] {
        let [r, g, b] = self.responses(xyz);
        let red_green = r - 12.0 * g / 11.0 + b / 11.0;
        let yellow_blue = (r + g - 2.0 * b) / 9.0;
        let hue = yellow_blue.atan2(red_green);
        let share = (self.achromatic([r, g, b]) / self.white_response).max(0.0);
        let lightness = 100.0 * share.powf(SURROUND_C * self.z);
        let eccentricity = 0.25 * ((hue + 2.0).cos() + 3.8);
        let t = (50_000.0 / 13.0 * SURROUND_N_C * self.n_bb)
            * eccentricity
            * red_green.hypot(yellow_blue)
            / (r + g + 21.0 * b / 20.0);
        let chroma = t.max(0.0).powf(0.9)
            * (lightness / 100.0).sqrt()
            * (1.64 - 0.29_f64.powf(self.n)).powf(0.73);
        let colourfulness = (0.0228 * chroma * self.f_l.powf(0.25)).ln_1p() / 0.0228;
        [
            colourfulness * hue.cos(),
            colourfulness * hue.sin(),
            1.7 * lightness / (1.0 + 0.007 * lightness),
        ]
    }
}

/// The reference's spectral power at each wavelength times its width.
fn reference(nm: &[f64], y: &[f64], cct: Kelvin) -> Vec<f64> {
    let widths = widths(nm);
    let lit = |power: &dyn Fn(f64) -> f64| -> Vec<f64> {
        let parts: Vec<f64> = nm
            .iter()
            .zip(&widths)
            .map(|(nm, w)| w * power(*nm))
            .collect();
        let light: f64 = parts.iter().zip(y).map(|(part, y)| part * y).sum();
        parts.iter().map(|part| part / light).collect()
    };
    if cct.0 <= PLANCK_TO_K {
        return lit(&|nm| planck(nm, cct));
    }
    let day = lit(&daylight(cct));
    if cct.0 >= DAYLIGHT_FROM_K {
        return day;
    }
    let share = (cct.0 - PLANCK_TO_K) / (DAYLIGHT_FROM_K - PLANCK_TO_K);
    let glow = lit(&|nm| planck(nm, cct));
    let both = glow.iter().zip(&day);
    both.map(|(glow, day)| (1.0 - share) * glow + share * day)
        .collect()
}

/// Rf and Rg of a spectrum of this correlated colour temperature; none when a
/// step gives no finite number.
pub fn of(spectrum: &Spectrum, cct: Kelvin) -> Option<Fidelity> {
    let nm = spectrum.wavelengths_nm();
    let observed: Vec<_> = nm
        .iter()
        .map(|nm| (CIE_1964.at(*nm), EVALUATION_COLOURS.at(*nm)))
        .collect();
    let y: Vec<f64> = observed.iter().map(|(weights, _)| weights[1]).collect();
    let test = Seen::of(&observed, spectrum.weighted().iter().copied()).appearance();
    let under_reference = Seen::of(&observed, reference(nm, &y, cct).into_iter()).appearance();
    let differences = test.iter().zip(&under_reference).map(|(a, b)| {
        let axes = a.iter().zip(b);
        axes.map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt()
    });
    let mean = differences.sum::<f64>() / SAMPLES as f64;
    let rf = 10.0
        * ((100.0 - FIDELITY_PER_DIFFERENCE * mean) / 10.0)
            .exp()
            .ln_1p();
    rf.is_finite().then(|| Fidelity {
        rf: rf.min(100.0),
        rg: gamut(&test, &under_reference),
    })
}

/// Area of the test light's mean colours by hue bin over the reference's.
fn gamut(test: &[[f64; 3]], reference: &[[f64; 3]]) -> Option<f64> {
    let mut sums = [([0.0; 2], [0.0; 2], 0_u32); BINS];
    for (seen, other) in test.iter().zip(reference) {
        let hue = other[1].atan2(other[0]).rem_euclid(std::f64::consts::TAU);
        let bin = (hue / std::f64::consts::TAU * BINS as f64) as usize;
        let (of_test, of_reference, count) = sums.get_mut(bin.min(BINS - 1))?;
        for axis in 0..2 {
            of_test[axis] += seen[axis];
            of_reference[axis] += other[axis];
        }
        *count += 1;
    }
    if sums.iter().any(|(.., count)| *count == 0) {
        return None;
    }
    let mean = |sum: [f64; 2], count: u32| sum.map(|value| value / f64::from(count));
    let of_test: Vec<_> = sums.iter().map(|(sum, _, n)| mean(*sum, *n)).collect();
    let of_reference: Vec<_> = sums.iter().map(|(_, sum, n)| mean(*sum, *n)).collect();
    let gamut = 100.0 * area(&of_test) / area(&of_reference);
    gamut.is_finite().then_some(gamut)
}

/// Area of a polygon.
fn area(corners: &[[f64; 2]]) -> f64 {
    let next = corners.iter().cycle().skip(1);
    let doubled: f64 = corners
        .iter()
        .zip(next)
        .map(|(a, b)| a[0] * b[1] - b[0] * a[1])
        .sum();
    doubled.abs() / 2.0
}
