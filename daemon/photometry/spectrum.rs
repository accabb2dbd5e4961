//! A measured spectrum on its own grid, from 380 to 780 nm.
//!
//! Integrals are trapezoids on the measurement's own wavelengths; weighting
//! tables are taken at those wavelengths; the spectrum itself is never
//! resampled. A grid that steps over 380 or 780 nm gets one sample there,
//! linear between its neighbours (leaving the edge out moves the luminous
//! efficacy by about 1 % on a 2.5 nm grid). Negative samples are kept: cutting
//! them off biases the figures of dim light.
//!
//! Used by: colour, rendering, fidelity, alpha-opic and blue-light figures.
//! Not here: reading files.

use crate::light_units::Irradiance;

/// Shortest wavelength of every integral, in nm.
pub const FROM_NM: f64 = 380.0;
/// Longest wavelength of every integral, in nm.
pub const TO_NM: f64 = 780.0;
/// The most samples that a spectrum may have.
pub const SAMPLES_AT_MOST: usize = 20_000;
/// A spectrum that begins above this is too narrow (V(lambda) below 400 nm is
/// 0.04 % of its peak; the alpha-opic figures would still suffer).
const BEGINS_AT_MOST_NM: f64 = 400.0;
/// A spectrum that ends below this is too narrow.
const ENDS_AT_LEAST_NM: f64 = 700.0;
/// Steps up to this are fine: within 3e-5 in x,y and 0.5 K of 1 nm on a
/// phosphor LED.
const FINE_STEP_NM: f64 = 5.0;
/// Steps beyond this are refused; in between, the figures are marked.
const STEP_AT_MOST_NM: f64 = 10.0;
/// A step as written may miss its nominal length by so much.
const STEP_SLACK_NM: f64 = 0.01;
/// Negative parts may be so large a share of the positive ones: beyond that it
/// is no noise but a dark reading gone wrong. Own rule, no source.
const NEGATIVE_AT_MOST: f64 = 0.10;
/// Beyond this share the negative parts are a mark: so much noise moves colour
/// figures. Own rule, no source.
const NOISY_ABOVE: f64 = 0.01;
/// How far from an end the light there is averaged, to judge what lies beyond.
const END_NM: f64 = 10.0;

/// What the values are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// Spectral irradiance in W/(m2 nm).
    Absolute,
    /// In any unit: only ratios mean something.
    Relative,
}

/// Why a spectrum cannot be used.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SpectrumError {
    /// Columns of different length.
    #[error("there are {wavelengths} wavelengths and {values} values")]
    Lengths {
        /// Wavelengths.
        wavelengths: usize,
        /// Values.
        values: usize,
    },
    /// Fewer than two samples.
    #[error("a spectrum needs at least two samples; there are {0}")]
    TooFew(usize),
    /// More than [`SAMPLES_AT_MOST`].
    #[error("a spectrum has at most {SAMPLES_AT_MOST} samples; there are {0}")]
    TooMany(usize),
    /// A wavelength or a value that is no finite number.
    #[error("sample {0} is not a finite number")]
    NotFinite(usize),
    /// Wavelengths that do not rise.
    #[error("the wavelength of sample {0} is not above the one before")]
    NotAscending(usize),
    /// Nothing but zeros between 380 and 780 nm.
    #[error("the spectrum is zero from 380 to 780 nm")]
    AllZero,
    /// It does not cover enough of the visible range.
    #[error("the spectrum covers {from_nm} to {to_nm} nm; it must cover at least 400 to 700 nm")]
    TooNarrow {
        /// Its first wavelength.
        from_nm: f64,
        /// Its last one.
        to_nm: f64,
    },
    /// A step beyond 10 nm.
    #[error("between {after_nm} and {next_nm} nm there is no sample; steps may be 10 nm at most")]
    TooCoarse {
        /// The sample before the gap.
        after_nm: f64,
        /// The sample after it.
        next_nm: f64,
    },
    /// More negative light than noise explains.
    #[error("negative values are {percent:.0} % of the positive ones: look at the dark reading")]
    Negative {
        /// Share of the positive parts.
        percent: f64,
    },
}

/// A spectrum that can be integrated.
#[derive(Clone, Debug, PartialEq)]
pub struct Spectrum {
    nm: Vec<f64>,
    /// Value times the width that it stands for, over `unit`.
    weighted: Vec<f64>,
    /// The largest magnitude, so that sums neither overflow nor vanish.
    unit: f64,
    scale: Scale,
    unseen_share: f64,
    marks: Vec<&'static str>,
}

impl Spectrum {
    /// Checks samples and prepares them; `wavelengths_nm` must rise strictly,
    /// in steps of at most 10 nm, from at most 400 to at least 700 nm.
    ///
    /// # Errors
    /// The first thing that forbids to use it.
    pub fn new(
        wavelengths_nm: &[f64],
        values: &[f64],
        scale: Scale,
    ) -> Result<Spectrum, SpectrumError> {
        let Counted { nm, values, marks } = counted(wavelengths_nm, values)?;
        let mut marks = marks;
        let unit = values.iter().fold(0.0_f64, |most, v| most.max(v.abs()));
        if unit == 0.0 {
            return Err(SpectrumError::AllZero);
        }
        let widths = widths(&nm);
        let parts = values.iter().zip(&widths);
        let weighted: Vec<f64> = parts.map(|(value, width)| value / unit * width).collect();
        let positive: f64 = weighted.iter().filter(|part| **part > 0.0).sum();
        let negative: f64 = -weighted.iter().filter(|part| **part < 0.0).sum::<f64>();
        if negative > NEGATIVE_AT_MOST * positive {
            let percent = (100.0 * negative / positive).min(1e6);
            return Err(SpectrumError::Negative { percent });
        }
        if negative > NOISY_ABOVE * positive {
            marks.push("noisy");
        }
        Ok(Spectrum {
            unseen_share: unseen(&nm, &weighted) / positive,
            nm,
            weighted,
            unit,
            scale,
            marks,
        })
    }

    /// The wavelengths in nm, from 380 to 780 at most.
    pub fn wavelengths_nm(&self) -> &[f64] {
        &self.nm
    }

    /// Each sample times the width that it stands for, as a share of the
    /// largest sample: sums of these with a table's values are integrals but
    /// for one factor.
    pub(crate) fn weighted(&self) -> &[f64] {
        &self.weighted
    }

    /// What the values are.
    pub fn scale(&self) -> Scale {
        self.scale
    }

    /// Power that may lie beyond its ends, from 380 and up to 780 nm, as a share
    /// of what it shows: if the light went on there as it is at the ends. 0 for
    /// a spectrum that covers the whole range.
    pub fn unseen_share(&self) -> f64 {
        self.unseen_share
    }

    /// `short`: it does not reach 380 or 780 nm and counts as zero beyond its
    /// ends; `coarse`: a step is longer than 5 nm; `noisy`: negative values are
    /// more than 1 % of the positive ones.
    pub fn marks(&self) -> &[&'static str] {
        &self.marks
    }

    /// The integral with a weighting of the wavelength, in the values' unit
    /// times nm.
    pub fn integral(&self, weight: impl Fn(f64) -> f64) -> f64 {
        let parts = self.nm.iter().zip(&self.weighted);
        let sum: f64 = parts.map(|(nm, part)| part * weight(*nm)).sum();
        sum * self.unit
    }

    /// Irradiance from 380 to 780 nm; none for relative values.
    pub fn irradiance(&self) -> Option<Irradiance> {
        (self.scale == Scale::Absolute).then(|| Irradiance(self.integral(|_| 1.0)))
    }
}

/// The integral of samples with a weighting of the wavelength, over the same range and
/// by the same rule as [`Spectrum::integral`], in the values' unit times nm. They need be
/// no light: noise about nought gives a value about nought.
///
/// # Errors
/// Those of [`Spectrum::new`] that concern the grid, or a sample that is no number.
pub fn integral_of(
    wavelengths_nm: &[f64],
    values: &[f64],
    weight: impl Fn(f64) -> f64,
) -> Result<f64, SpectrumError> {
    let Counted { nm, values, .. } = counted(wavelengths_nm, values)?;
    let parts = nm.iter().zip(values).zip(widths(&nm));
    Ok(parts
        .map(|((nm, value), width)| value * width * weight(*nm))
        .sum())
}

/// Samples of a grid that can be integrated.
struct Counted {
    /// From 380 to 780 nm at most.
    nm: Vec<f64>,
    values: Vec<f64>,
    /// `short` and `coarse`, see [`Spectrum::marks`].
    marks: Vec<&'static str>,
}

/// The mean of rows of equal length; none of none.
pub fn mean_of(rows: &[Vec<f64>]) -> Option<Vec<f64>> {
    let first = rows.first()?;
    let same = rows.iter().all(|row| row.len() == first.len());
    let n = rows.len() as f64;
    let sums = (0..first.len()).map(|at| rows.iter().map(|row| row[at]).sum::<f64>() / n);
    same.then(|| sums.collect())
}

/// The samples that count, where the grid allows to integrate them.
fn counted(wavelengths_nm: &[f64], values: &[f64]) -> Result<Counted, SpectrumError> {
    checked(wavelengths_nm, values)?;
    let (nm, values) = within_limits(wavelengths_nm, values);
    let (Some(&from_nm), Some(&to_nm)) = (nm.first(), nm.last()) else {
        return Err(too_narrow(wavelengths_nm));
    };
    if from_nm > BEGINS_AT_MOST_NM || to_nm < ENDS_AT_LEAST_NM {
        return Err(too_narrow(wavelengths_nm));
    }
    let mut marks = Vec::new();
    if from_nm > FROM_NM || to_nm < TO_NM {
        marks.push("short");
    }
    if coarse_step(wavelengths_nm)? {
        marks.push("coarse");
    }
    Ok(Counted { nm, values, marks })
}

fn too_narrow(wavelengths_nm: &[f64]) -> SpectrumError {
    SpectrumError::TooNarrow {
        from_nm: wavelengths_nm.first().copied().unwrap_or_default(),
        to_nm: wavelengths_nm.last().copied().unwrap_or_default(),
    }
}

fn checked(nm: &[f64], values: &[f64]) -> Result<(), SpectrumError> {
    if nm.len() != values.len() {
        return Err(SpectrumError::Lengths {
            wavelengths: nm.len(),
            values: values.len(),
        });
    }
    if nm.len() < 2 {
        return Err(SpectrumError::TooFew(nm.len()));
    }
    if nm.len() > SAMPLES_AT_MOST {
        return Err(SpectrumError::TooMany(nm.len()));
    }
    let mut samples = nm.iter().zip(values);
    if let Some(at) = samples.position(|(nm, value)| !nm.is_finite() || !value.is_finite()) {
        return Err(SpectrumError::NotFinite(at + 1));
    }
    match nm.windows(2).position(|pair| pair[1] <= pair[0]) {
        Some(at) => Err(SpectrumError::NotAscending(at + 2)),
        None => Ok(()),
    }
}

/// Whether a step of the grid is coarse, between the samples as they were
/// measured: a sample filled in at an end must not hide a gap.
fn coarse_step(nm: &[f64]) -> Result<bool, SpectrumError> {
    let mut coarse = false;
    for pair in nm.windows(2) {
        let (after_nm, next_nm) = (pair[0], pair[1]);
        if next_nm <= FROM_NM || after_nm >= TO_NM {
            continue;
        }
        let step = next_nm - after_nm;
        if step > STEP_AT_MOST_NM + STEP_SLACK_NM {
            return Err(SpectrumError::TooCoarse { after_nm, next_nm });
        }
        coarse |= step > FINE_STEP_NM + STEP_SLACK_NM;
    }
    Ok(coarse)
}

/// The power beyond both ends if it went on as within [`END_NM`] of them.
fn unseen(nm: &[f64], weighted: &[f64]) -> f64 {
    let (Some(first), Some(last)) = (nm.first(), nm.last()) else {
        return 0.0;
    };
    let widths = widths(nm);
    let level = |near: &dyn Fn(f64) -> bool| {
        let parts = nm.iter().zip(weighted.iter().zip(&widths));
        let near = parts.filter(|(nm, _)| near(**nm));
        let (power, width) = near.fold((0.0, 0.0), |sum, (_, (power, width))| {
            (sum.0 + power, sum.1 + width)
        });
        if width > 0.0 {
            (power / width).max(0.0)
        } else {
            0.0
        }
    };
    let below = (first - FROM_NM).max(0.0) * level(&|nm| nm <= first + END_NM);
    let above = (TO_NM - last).max(0.0) * level(&|nm| nm >= last - END_NM);
    below + above
}

/// The samples from 380 to 780 nm, with one at each end that the grid steps
/// over.
fn within_limits(nm: &[f64], values: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let mut kept = (Vec::with_capacity(nm.len()), Vec::with_capacity(nm.len()));
    let mut keep = |nm: f64, value: f64| {
        kept.0.push(nm);
        kept.1.push(value);
    };
    for (at, (&here, &value)) in nm.iter().zip(values).enumerate() {
        if let (Some(&before), Some(&from)) = (
            at.checked_sub(1).and_then(|at| nm.get(at)),
            at.checked_sub(1).and_then(|at| values.get(at)),
        ) {
            for edge in [FROM_NM, TO_NM] {
                if before < edge && edge < here {
                    let part = (edge - before) / (here - before);
                    keep(edge, from + part * (value - from));
                }
            }
        }
        if (FROM_NM..=TO_NM).contains(&here) {
            keep(here, value);
        }
    }
    kept
}

/// The trapezoid's width of each sample.
pub(crate) fn widths(nm: &[f64]) -> Vec<f64> {
    let mut widths = vec![0.0; nm.len()];
    for (at, pair) in nm.windows(2).enumerate() {
        let half = (pair[1] - pair[0]) / 2.0;
        widths[at] += half;
        widths[at + 1] += half;
    }
    widths
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(from: f64, step: f64, n: usize) -> Vec<f64> {
        (0..n).map(|at| from + step * at as f64).collect()
    }

    fn flat(nm: &[f64]) -> Result<Spectrum, SpectrumError> {
        Spectrum::new(nm, &vec![1.0; nm.len()], Scale::Absolute)
    }

    #[test]
    fn what_cannot_be_used_is_refused_by_its_name() {
        use SpectrumError as E;
        let five = grid(380.0, 5.0, 81);
        let ones = vec![1.0; 81];
        let with = |at: usize, value: f64| {
            let mut values = ones.clone();
            values[at] = value;
            Spectrum::new(&five, &values, Scale::Relative).expect_err("refused")
        };
        assert_eq!(with(3, f64::NAN), E::NotFinite(4));
        assert_eq!(with(80, f64::INFINITY), E::NotFinite(81));
        assert!(matches!(with(40, -50.0), E::Negative { .. }));
        let zero = Spectrum::new(&five, &[0.0; 81], Scale::Relative);
        assert_eq!(zero, Err(E::AllZero));
        assert_eq!(flat(&[]), Err(E::TooFew(0)));
        assert_eq!(flat(&[500.0]), Err(E::TooFew(1)));
        assert_eq!(flat(&vec![1.0; 20_001]), Err(E::TooMany(20_001)));
        assert_eq!(flat(&[400.0, 400.0]), Err(E::NotAscending(2)));
        let narrow = flat(&grid(420.0, 5.0, 60));
        assert!(matches!(narrow, Err(E::TooNarrow { .. })), "{narrow:?}");
        let outside = flat(&grid(800.0, 5.0, 60));
        assert!(matches!(outside, Err(E::TooNarrow { .. })), "{outside:?}");
        let coarse = flat(&grid(380.0, 20.0, 21));
        assert!(matches!(coarse, Err(E::TooCoarse { .. })), "{coarse:?}");
        let lengths = Spectrum::new(&five, &ones[1..], Scale::Relative);
        assert!(matches!(lengths, Err(E::Lengths { .. })), "{lengths:?}");
    }

    #[test]
    fn edges_that_the_grid_steps_over_are_filled_in() {
        for (from, step, n) in [(378.5, 3.0, 140), (360.0, 2.5, 200), (380.0, 1.0, 401)] {
            let spectrum = flat(&grid(from, step, n)).expect("a spectrum");
            let whole = spectrum.irradiance().expect("absolute");
            assert!((whole.0 - 400.0).abs() < 1e-9, "{whole}");
            assert!(spectrum.marks().is_empty());
        }
    }

    /// 370 then 460 nm: the sample filled in at 380 must not stand for the gap.
    #[test]
    fn a_gap_at_an_edge_is_a_gap() {
        let mut nm = vec![340.0, 350.0, 360.0, 370.0];
        nm.extend(grid(460.0, 5.0, 65));
        let gap = SpectrumError::TooCoarse {
            after_nm: 370.0,
            next_nm: 460.0,
        };
        assert_eq!(flat(&nm), Err(gap));
        let mut nm = grid(380.0, 5.0, 65);
        nm.push(785.0);
        let gap = SpectrumError::TooCoarse {
            after_nm: 700.0,
            next_nm: 785.0,
        };
        assert_eq!(flat(&nm), Err(gap));
        // Far outside the range the grid may be as it likes.
        let mut nm = vec![200.0, 375.0];
        nm.extend(grid(380.0, 5.0, 81));
        nm.push(900.0);
        assert!(flat(&nm).expect("a spectrum").marks().is_empty());
    }

    #[test]
    fn what_lies_beyond_the_ends_is_judged() {
        let whole = flat(&grid(380.0, 5.0, 81)).expect("a spectrum");
        assert_eq!(whole.unseen_share(), 0.0);
        let cut = flat(&grid(380.0, 5.0, 65)).expect("a spectrum");
        assert!((cut.unseen_share() - 80.0 / 320.0).abs() < 1e-12);
        let late = flat(&grid(400.0, 5.0, 77)).expect("a spectrum");
        assert!((late.unseen_share() - 20.0 / 380.0).abs() < 1e-12);
    }

    /// Noise about zero must not add up to light.
    #[test]
    fn negative_samples_are_kept() {
        let nm = grid(380.0, 5.0, 81);
        let mut values = vec![1.0; 81];
        values[20] = -2.0;
        let spectrum = Spectrum::new(&nm, &values, Scale::Absolute).expect("a spectrum");
        let whole = spectrum.irradiance().expect("absolute");
        assert!((whole.0 - (400.0 - 15.0)).abs() < 1e-9, "{whole}");
    }

    /// What is no light has an integral all the same: -0.001 over 400 nm, and nought.
    #[test]
    fn noise_about_nought_is_integrated_as_it_is() {
        let nm = grid(378.5, 3.0, 140);
        let whole = |value: f64| integral_of(&nm, &vec![value; 140], |_| 1.0).expect("a sum");
        assert!((whole(-1e-3) + 0.4).abs() < 1e-12);
        assert_eq!(whole(0.0), 0.0);
        let spectrum = flat(&nm).expect("a spectrum");
        let (red, same) = (|nm: f64| nm - 380.0, whole(1.0));
        assert!((spectrum.integral(|_| 1.0) - same).abs() < 1e-9);
        let red_too = integral_of(&nm, &[1.0; 140], red).expect("a sum");
        assert!((spectrum.integral(red) - red_too).abs() < 1e-6);
        let narrow = integral_of(&grid(420.0, 5.0, 60), &[0.0; 60], red);
        assert!(matches!(narrow, Err(SpectrumError::TooNarrow { .. })));
        let none = integral_of(&nm, &[f64::NAN; 140], red);
        assert_eq!(none, Err(SpectrumError::NotFinite(1)));
    }

    #[test]
    fn short_and_coarse_ones_carry_a_mark() {
        let short = flat(&grid(390.0, 5.0, 79)).expect("a spectrum");
        assert_eq!(short.marks(), ["short"]);
        let coarse = flat(&grid(380.0, 10.0, 41)).expect("a spectrum");
        assert_eq!(coarse.marks(), ["coarse"]);
        let nm = grid(380.0, 5.0, 81);
        let noisy = |depth: f64| {
            let values: Vec<f64> = (0..81)
                .map(|at| if at % 9 == 4 { -depth } else { 1.0 })
                .collect();
            Spectrum::new(&nm, &values, Scale::Absolute).expect("a spectrum")
        };
        assert_eq!(noisy(0.2).marks(), ["noisy"]);
        assert!(noisy(0.02).marks().is_empty());
        let relative = Spectrum::new(&[380.0, 390.0], &[1.0, 1.0], Scale::Relative);
        assert!(relative.is_err());
    }

    proptest::proptest! {
        #[test]
        fn no_samples_panic(
            samples in proptest::collection::vec(
                (proptest::num::f64::ANY, proptest::num::f64::ANY), 0..200),
            start in 300.0..420.0_f64,
        ) {
            let (nm, values): (Vec<f64>, Vec<f64>) = samples.into_iter().unzip();
            let _ = Spectrum::new(&nm, &values, Scale::Absolute);
            let nm = grid(start, 5.0, values.len());
            if let Ok(spectrum) = Spectrum::new(&nm, &values, Scale::Absolute) {
                proptest::prop_assert!(spectrum.weighted().iter().all(|part| part.is_finite()));
            }
        }
    }
}
