//! The melanopic dose of a program: light at all times, its colour at some.
//!
//! ```text
//!   light E(t)  ···············      read at a steady beat
//!   DER(t)      x─────x───x────x     of spectra: straight between them, held
//!                                    before the first and after the last
//!   dose = ∫ E(t) · DER(t) dt        in lux-minutes of melanopic EDI
//! ```
//!
//! No standard defines the dose of a program: it is our own. CIE S 026:2018 defines
//! the melanopic EDI, which is E times the daylight efficacy ratio (DER). A DER of a
//! light whose colours are mixed in proportion to time is a straight line over time,
//! whatever its brightness does.
//!
//! Used by: reports. Not here: the DER of a spectrum (`alpha_opic`).

use std::collections::BTreeMap;

use crate::spectrum::widths;
use crate::tables::{ALPHA_OPIC, CIE_1931};

use super::dose_lux_min;
use crate::alpha_opic::Receptor;

/// Usable spectra at least: two tell no change from chance. Own rule, no source.
pub const SPECTRA_AT_LEAST: usize = 3;
/// So much of a dose at least lies between usable spectra, or it is not told: else the
/// held ends decide it. Own rule, no source.
pub const COVERED_AT_LEAST: f64 = 0.5;
/// A DER whose noise (k = 1) is a larger share of it says nothing. Own rule, no source.
pub const NOISE_AT_MOST: f64 = 0.05;

/// A usable spectrum of a program.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sighting {
    /// When, in s on the clock of the light.
    pub time_s: f64,
    /// Its melanopic daylight efficacy ratio.
    pub der: f64,
    /// Standard uncertainty of that by its own noise, as a share of it.
    pub noise: f64,
    /// The same by the noise of the mean that was taken off, which all have in common
    /// that were taken off the same.
    pub dark_noise: f64,
    /// Which mean was taken off: equal ones are the same.
    pub dark: u64,
}

/// Why there is no melanopic dose.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum NoDose {
    /// Too few spectra.
    #[error(
        "{0} of the spectra on its way can be used, and {SPECTRA_AT_LEAST} at least are needed"
    )]
    TooFew(usize),
    /// Most of the light lies where no spectra are.
    #[error(
        "{:.0} % of the dose lies between spectra that can be used, and 50 % at least must",
        100.0 * .0
    )]
    NotCovered(f64),
    /// No light, or numbers that are none.
    #[error("there is no light to weight the spectra with")]
    NoLight,
}

/// A program's melanopic dose.
#[derive(Clone, Debug, PartialEq)]
pub struct MelanopicDose {
    /// The DER at each time of the light.
    pub der: Vec<f64>,
    /// The dose in lux-minutes of melanopic EDI.
    pub lux_min: f64,
    /// The share of it that lies between neighbouring spectra.
    pub covered: f64,
    /// Standard uncertainty of the dose by the spectra's noise, in lux-minutes.
    pub noise_lux_min: f64,
}

/// The melanopic dose of net light in lux over times in s that rise, as many of both;
/// light below nought counts as none. Between spectra that lie farther apart than
/// `bridged_s`, in s, the DER is bridged as well, but that part does not count as
/// covered.
///
/// # Errors
/// Why there is none.
pub fn melanopic_dose(
    time_s: &[f64],
    net_lx: &[f64],
    sightings: &[Sighting],
    bridged_s: f64,
) -> Result<MelanopicDose, NoDose> {
    let n = sightings.len();
    if n < SPECTRA_AT_LEAST {
        return Err(NoDose::TooFew(n));
    }
    let lit: Vec<f64> = net_lx.iter().map(|lux| lux.max(0.0)).collect();
    let der: Vec<f64> = time_s.iter().map(|t| der_at(sightings, *t)).collect();
    let edi: Vec<f64> = lit.iter().zip(&der).map(|(lux, der)| lux * der).collect();
    let lux_min = dose_lux_min(time_s, &edi);
    if !(lux_min > 0.0 && lux_min.is_finite()) {
        return Err(NoDose::NoLight);
    }
    let is_covered = |t: f64| match beside(sightings, t) {
        (Some(before), Some(after)) => {
            sightings[after].time_s - sightings[before].time_s <= bridged_s
        }
        _ => false,
    };
    let pairs = time_s.windows(2).zip(edi.windows(2));
    let covered = pairs.filter(|(t, _)| is_covered((t[0] + t[1]) / 2.0));
    let covered = covered.map(|(t, edi)| (t[1] - t[0]) * (edi[0] + edi[1]) / 120.0);
    let covered = covered.sum::<f64>() / lux_min;
    if covered < COVERED_AT_LEAST {
        return Err(NoDose::NotCovered(covered));
    }
    let light = light_of_each(time_s, &lit, sightings);
    let noise_lux_min = noise_of_dose(sightings, &light);
    Ok(MelanopicDose {
        der,
        lux_min,
        covered,
        noise_lux_min,
    })
}

/// The noise of a dose in lux-minutes: each spectrum's own adds up in squares, that of a
/// mean which several had taken off as it is (JCGM 100:2008, 5.2.2: fully correlated).
fn noise_of_dose(sightings: &[Sighting], light: &[f64]) -> f64 {
    let (mut own, mut of_darks) = (0.0, BTreeMap::<u64, f64>::new());
    for (one, light) in sightings.iter().zip(light) {
        own += (light * one.der * one.noise).powi(2);
        *of_darks.entry(one.dark).or_default() += light * one.der * one.dark_noise;
    }
    let of_darks = of_darks.values().map(|noise| noise.powi(2));
    (own + of_darks.sum::<f64>()).sqrt()
}

/// What each spectrum's DER is multiplied by in the dose, in lux-minutes: the light for
/// which it stands, shared with its neighbours as the straight lines between them say.
fn light_of_each(time_s: &[f64], lit: &[f64], sightings: &[Sighting]) -> Vec<f64> {
    let mut light = vec![0.0; sightings.len()];
    for ((t, lux), width) in time_s.iter().zip(lit).zip(widths(time_s)) {
        let lux_min = lux * width / 60.0;
        match beside(sightings, *t) {
            (Some(before), Some(after)) => {
                let share = share_of_way(sightings, (before, after), *t);
                light[before] += (1.0 - share) * lux_min;
                light[after] += share * lux_min;
            }
            (Some(only), None) | (None, Some(only)) => light[only] += lux_min,
            (None, None) => {}
        }
    }
    light
}

/// The spectra before and after a time in s, by number.
fn beside(sightings: &[Sighting], time_s: f64) -> (Option<usize>, Option<usize>) {
    let next = sightings.partition_point(|one| one.time_s <= time_s);
    let after = (next < sightings.len()).then_some(next);
    (next.checked_sub(1), after)
}

/// How far a time in s lies from one spectrum to the next, 0 to 1.
fn share_of_way(sightings: &[Sighting], (before, after): (usize, usize), time_s: f64) -> f64 {
    let (from, to) = (sightings[before].time_s, sightings[after].time_s);
    (time_s - from) / (to - from)
}

/// The DER at a time in s: on the straight line between the spectra before and after
/// it, that of the first before all, that of the last after all; 0 of none.
pub fn der_at(sightings: &[Sighting], time_s: f64) -> f64 {
    match beside(sightings, time_s) {
        (Some(before), Some(after)) => {
            let (from, to) = (sightings[before].der, sightings[after].der);
            from + share_of_way(sightings, (before, after), time_s) * (to - from)
        }
        (Some(only), None) | (None, Some(only)) => sightings[only].der,
        (None, None) => 0.0,
    }
}

/// Noise of one element of a meter, from spectra of no light that were integrated alike:
/// the standard deviation about each element's own mean, over all elements, in their
/// unit. None of fewer than two, or where their lengths differ.
pub fn noise_of_element(darks: &[Vec<f64>]) -> Option<f64> {
    let first = darks.first()?;
    let (n, elements) = (darks.len() as f64, first.len());
    if darks.len() < 2 || elements == 0 || darks.iter().any(|dark| dark.len() != elements) {
        return None;
    }
    let squares = (0..elements).map(|at| {
        let mean = darks.iter().map(|dark| dark[at]).sum::<f64>() / n;
        let about = darks.iter().map(|dark| (dark[at] - mean).powi(2));
        about.sum::<f64>()
    });
    let variance = squares.sum::<f64>() / (elements as f64 * (n - 1.0));
    Some(variance.sqrt()).filter(|noise| noise.is_finite())
}

/// What noise of each element, in the unit of the values, adds to the melanopic DER of a
/// spectrum: its standard uncertainty as a share of it. With M and V the melanopic and
/// the photopic sum, an element's share of DER = M / V is its width times s/M - v/V.
/// None where there is no light.
pub fn noise_of_der(wavelengths_nm: &[f64], values: &[f64], noise: f64) -> Option<f64> {
    let widths = widths(wavelengths_nm);
    let eye = |nm: f64| {
        let melanopic = ALPHA_OPIC.at(nm)[Receptor::Melanopic as usize];
        (melanopic, CIE_1931.at(nm)[1])
    };
    let parts = || wavelengths_nm.iter().zip(&widths);
    let sums = parts().zip(values).map(|((nm, width), value)| {
        let (melanopic, photopic) = eye(*nm);
        (width * value * melanopic, width * value * photopic)
    });
    let (m, v) = sums.fold((0.0, 0.0), |sum, part| (sum.0 + part.0, sum.1 + part.1));
    if !(m > 0.0 && v > 0.0) {
        return None;
    }
    let squares = parts().map(|(nm, width)| {
        let (melanopic, photopic) = eye(*nm);
        (width * (melanopic / m - photopic / v)).powi(2)
    });
    let share = noise * squares.sum::<f64>().sqrt();
    share.is_finite().then_some(share)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alpha_opic;
    use crate::spectrum::{Scale, Spectrum};

    const LENGTH: f64 = 1_800.0;
    const PEAK: f64 = 250.0;

    fn times() -> Vec<f64> {
        (0..=3_600).map(|at| 0.5 * f64::from(at)).collect()
    }

    fn sighting(time_s: f64, der: f64) -> Sighting {
        Sighting {
            time_s,
            der,
            noise: 0.0,
            dark_noise: 0.0,
            dark: 0,
        }
    }

    /// From 0.3 to 0.9 in proportion to time.
    fn linear(t: f64) -> f64 {
        0.3 + 0.6 * t / LENGTH
    }

    fn every(step_s: f64) -> Vec<Sighting> {
        let n = (LENGTH / step_s).round() as usize;
        let at = (0..=n).map(|nth| step_s * nth as f64);
        at.map(|t| sighting(t, linear(t))).collect()
    }

    /// By hand: with u = t/T and light P u^p the dose is
    /// P T (d0/(p+1) + (d1-d0)/(p+2)); of 250 lx, 30 min, p = 1 it is
    /// 7500 (0.15 + 0.2) = 2625, of p = 2 it is 7500 (0.1 + 0.15) = 1875.
    #[test]
    fn a_power_law_whose_colour_moves_with_time_has_its_closed_form() {
        let time = times();
        for (p, wanted) in [(1, 2_625.0), (2, 1_875.0)] {
            let light: Vec<f64> = time.iter().map(|t| PEAK * (t / LENGTH).powi(p)).collect();
            for step in [60.0, 120.0, 300.0] {
                let found = melanopic_dose(&time, &light, &every(step), 2.5 * step);
                let found = found.expect("a dose");
                assert!(
                    (found.lux_min / wanted - 1.0).abs() < 1e-6,
                    "{p} {step}: {found:?}"
                );
                assert!((found.covered - 1.0).abs() < 1e-12, "{}", found.covered);
                assert_eq!(found.noise_lux_min, 0.0);
            }
        }
    }

    /// By hand: light P e^(k(u-1)) gives
    /// P T [(d0 + (d1-d0))/k - (d1-d0)/k^2 - e^-k (d0/k - (d1-d0)/k^2)].
    #[test]
    fn an_exponential_has_its_closed_form() {
        let (time, k) = (times(), 100.0_f64.ln());
        let light = time.iter().map(|t| PEAK * (k * (t / LENGTH - 1.0)).exp());
        let light: Vec<f64> = light.collect();
        let (d0, slope) = (0.3, 0.6);
        let at_end = (d0 + slope) / k - slope / (k * k);
        let at_start = d0 / k - slope / (k * k);
        let wanted = PEAK * LENGTH / 60.0 * (at_end - (-k).exp() * at_start);
        let found = melanopic_dose(&time, &light, &every(120.0), 300.0).expect("a dose");
        assert!((found.lux_min / wanted - 1.0).abs() < 1e-6, "{found:?}");
    }

    /// CIE S 026:2018: a DER of 0.496 for illuminant A, of 0.906 for E, within 0.001.
    /// What mixes them in proportion to time has their mean half way, and a square-law
    /// dawn of 250 lx in 30 min from one to the other a dose of
    /// 7500 (0.496/3 + 0.410/4) = 2008.75 lx min.
    #[test]
    fn a_dawn_from_one_illuminant_to_another_is_told_by_their_published_ratios() {
        let nm: Vec<f64> = (0..=400).map(|at| 380.0 + f64::from(at)).collect();
        // CIE 015:2018: the exponent's numerator of A, over 2848 K.
        let a = |nm: f64| 1.0 / nm.powi(5) / ((1.435e7 / (nm * 2_848.0)).exp_m1());
        let per_lux = |values: Vec<f64>| {
            let sum = nm
                .iter()
                .zip(&values)
                .map(|(nm, v)| v * CIE_1931.at(*nm)[1]);
            let sum: f64 = sum.sum();
            values.into_iter().map(|v| v / sum).collect::<Vec<f64>>()
        };
        let warm = per_lux(nm.iter().map(|nm| a(*nm)).collect());
        let cool = per_lux(vec![1.0; nm.len()]);
        let der = |share: f64| {
            let parts = warm.iter().zip(&cool);
            let mixed: Vec<f64> = parts.map(|(w, c)| w + share * (c - w)).collect();
            let spectrum = Spectrum::new(&nm, &mixed, Scale::Relative).expect("a spectrum");
            alpha_opic::of(&spectrum).expect("light")[Receptor::Melanopic as usize].der
        };
        for (share, wanted) in [(0.0, 0.496), (0.5, 0.701), (1.0, 0.906)] {
            assert!(
                (der(share) - wanted).abs() < 0.001,
                "{share}: {}",
                der(share)
            );
        }
        let seen: Vec<Sighting> = (0..=15)
            .map(|nth| sighting(120.0 * f64::from(nth), der(f64::from(nth) / 15.0)))
            .collect();
        let time = times();
        let light: Vec<f64> = time.iter().map(|t| PEAK * (t / LENGTH).powi(2)).collect();
        let found = melanopic_dose(&time, &light, &seen, 300.0).expect("a dose");
        assert!((found.lux_min / 2_008.75 - 1.0).abs() < 0.0015, "{found:?}");
    }

    /// By hand, of steady light: ends that are held are not covered, nor is what lies
    /// between spectra too far apart, and both count in the dose.
    #[test]
    fn what_no_spectra_enclose_is_held_or_bridged_and_told() {
        let time = times();
        let light = vec![100.0; time.len()];
        let seen = [(360.0, 0.5), (720.0, 0.5), (1_440.0, 0.5)].map(|(t, der)| sighting(t, der));
        let found = melanopic_dose(&time, &light, &seen, 720.0).expect("a dose");
        assert!((found.lux_min - 1_500.0).abs() < 1e-9, "{found:?}");
        assert!((found.covered - 0.6).abs() < 1e-9, "{found:?}");
        let none = melanopic_dose(&time, &light, &seen, 719.0);
        let Err(NoDose::NotCovered(covered)) = none else {
            panic!("{none:?}");
        };
        assert!((covered - 0.2).abs() < 1e-9);
        let few = melanopic_dose(&time, &light, &seen[..2], 720.0);
        assert_eq!(few, Err(NoDose::TooFew(2)));
        let dark = vec![-0.1; time.len()];
        let dark = melanopic_dose(&time, &dark, &seen, 720.0);
        assert_eq!(dark, Err(NoDose::NoLight));
        assert_eq!(der_at(&seen, 0.0), 0.5);
        assert_eq!(der_at(&[], 0.0), 0.0);
    }

    /// By hand: spectra at 0, T/2 and T of steady light stand for T/4, T/2 and T/4 of
    /// it; with a noise of 4 % each, the dose's is 4 % of the root of 6/16. What the mean
    /// adds that all had taken off is 4 % of all of it; of two means, that of the ends
    /// and that of the middle, 4 % of the root of 1/4 and 1/4.
    #[test]
    fn the_spectras_noise_is_weighted_by_the_light_that_each_stands_for() {
        let time = times();
        let light = vec![120.0; time.len()];
        let cases: [(f64, f64, [u64; 3], f64); 4] = [
            (0.04, 0.0, [1, 1, 1], 6.0 / 16.0),
            (0.0, 0.04, [1, 1, 1], 1.0),
            (0.0, 0.04, [1, 2, 1], 0.5),
            (0.04, 0.04, [1, 2, 1], 14.0 / 16.0),
        ];
        for (noise, dark_noise, darks, square) in cases {
            let mut seen = [0.0, 900.0, 1_800.0].map(|time_s| Sighting {
                time_s,
                der: 0.5,
                noise,
                dark_noise,
                dark: 0,
            });
            for (one, dark) in seen.iter_mut().zip(darks) {
                one.dark = dark;
            }
            let found = melanopic_dose(&time, &light, &seen, 900.0).expect("a dose");
            let wanted = 0.04 * found.lux_min * square.sqrt();
            let off = found.noise_lux_min / wanted - 1.0;
            assert!(off.abs() < 1e-3, "{darks:?} {found:?}");
        }
    }

    /// Draws from a generator (Numerical Recipes' constants, from memory; the sum of
    /// twelve uniform draws less six): the scatter of the DER of noisy spectra is what
    /// the formula tells, within 5 % for 2,000 of them; so is the noise of darks.
    #[test]
    fn the_noise_of_a_ratio_is_that_of_many_draws() {
        let mut state = 1_u64;
        let mut uniform = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223) % (1 << 32);
            state as f64 / f64::from(u32::MAX)
        };
        let mut normal = || (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
        let nm: Vec<f64> = (0..=80).map(|at| 380.0 + 5.0 * f64::from(at)).collect();
        let light = |nm: f64| 1.0 + (nm - 380.0) / 400.0;
        let noise = 0.2;
        let ders = (0..2_000).map(|_| {
            let values: Vec<f64> = nm.iter().map(|nm| light(*nm) + noise * normal()).collect();
            let spectrum = Spectrum::new(&nm, &values, Scale::Relative).expect("a spectrum");
            alpha_opic::of(&spectrum).expect("light")[Receptor::Melanopic as usize].der
        });
        let ders: Vec<f64> = ders.collect();
        let found = crate::statistics::moments(&ders).expect("moments");
        let values: Vec<f64> = nm.iter().map(|nm| light(*nm)).collect();
        let wanted = noise_of_der(&nm, &values, noise).expect("a share");
        let scatter = found.sd.expect("a deviation") / found.mean;
        assert!((scatter / wanted - 1.0).abs() < 0.05, "{scatter} {wanted}");
        let darks: Vec<Vec<f64>> = (0..4)
            .map(|_| nm.iter().map(|nm| 0.01 * nm + noise * normal()).collect())
            .collect();
        let told = noise_of_element(&darks).expect("a noise");
        assert!((told / noise - 1.0).abs() < 0.15, "{told}");
        assert_eq!(noise_of_element(&darks[..1]), None);
        assert_eq!(noise_of_der(&nm, &vec![0.0; nm.len()], noise), None);
    }
}
