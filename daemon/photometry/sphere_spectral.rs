//! Luminous flux in a sphere by a spectroradiometer: the substitution wavelength by
//! wavelength, so that neither the colour of the wall nor that of a photometer is in it.
//!
//! ```text
//!   net    = mean lit - mean covered, less the same with nothing lit
//!   colour = the reference lamp's spectral flux / its net      (W/nm for what is shown)
//!   alpha  = net of the auxiliary lamp beside the unit / beside the reference lamp
//!   flux   = 683 lm/W · sum of  net of the unit · colour / alpha · V(lambda) · width
//! ```
//!
//! LM-78 and LM-79-08, 9 (from memory) with y and alpha of each wavelength. Where the
//! reference lamp or the auxiliary lamp hardly shines, a ratio would be noise over
//! noise: there it is taken from the neighbours that do. Used by: reports. Not here:
//! the chain of a photometer (`sphere`), what the captures are (`measured`).

use crate::colour;
use crate::light_units::Kelvin;
use crate::spectrum::{integral_of, mean_of, widths};
use crate::sphere::{Flux, SphereError};
use crate::statistics;
use crate::temperature::planck;
use crate::uncertainty::Estimate;

/// A lamp of the sphere counts at a wavelength where it shines with this share of its
/// peak: three captures that fill half of a usual array know that to some 3 %. Own
/// rule, no source.
const SHINES_FROM: f64 = 0.005;

/// What is known of the reference lamp's colour.
#[derive(Clone, Debug, PartialEq)]
pub enum ReferenceColour {
    /// Nothing: it is taken to be as the meter at the port sees it, wall and all.
    AsSeen,
    /// That of a Planckian radiator of this distribution temperature.
    Planck(Kelvin),
    /// Its relative spectral flux at rising wavelengths in nm; linear between them.
    Table(Vec<(f64, f64)>),
}

impl ReferenceColour {
    /// Relative spectral flux; none where it is not known.
    fn at(&self, nm: f64, seen: f64) -> Option<f64> {
        match self {
            ReferenceColour::AsSeen => Some(seen),
            ReferenceColour::Planck(temperature) => Some(planck(nm, *temperature)),
            ReferenceColour::Table(rows) => {
                let after = rows.partition_point(|(at, _)| *at < nm);
                let (to, high) = *rows.get(after)?;
                if to == nm {
                    return Some(high);
                }
                let (from, low) = *rows.get(after.checked_sub(1)?)?;
                Some(low + (high - low) * (nm - from) / (to - from))
            }
        }
    }
}

/// The spectra of one step, all on one grid, in one unit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Repeats {
    /// As it is.
    pub lit: Vec<Vec<f64>>,
    /// With the meter covered, integrated as long.
    pub covered: Vec<Vec<f64>>,
}

/// The six steps of a substitution.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Steps {
    /// The unit at a setting.
    pub unit: Repeats,
    /// Nothing lit, the unit inside.
    pub unit_dark: Repeats,
    /// The auxiliary lamp beside the unit.
    pub auxiliary: Repeats,
    /// The reference lamp.
    pub reference: Repeats,
    /// Nothing lit, the reference lamp inside.
    pub reference_dark: Repeats,
    /// The auxiliary lamp beside the reference lamp.
    pub reference_auxiliary: Repeats,
}

/// A flux, and the light that it is made of.
#[derive(Clone, Debug, PartialEq)]
pub struct SpectralFlux {
    /// In lm, with its terms: those of the reference lamp's flux, and the scatter of
    /// each kind of capture.
    pub flux: Flux,
    /// Spectral flux in W/nm at each wavelength.
    pub w_per_nm: Vec<f64>,
    /// The same by each capture of the lit unit alone.
    pub each: Vec<Vec<f64>>,
    /// Share of the flux at wavelengths whose ratios are their neighbours'.
    pub bridged_share: f64,
}

/// Means of what the captures of each step show: lit and covered in turn.
type Means = [Vec<f64>; 12];

/// What the scatter of each of them is called.
const SOURCES: [&str; 12] = [
    "test reading",
    "test reading, covered",
    "dark, test",
    "dark, test, covered",
    "auxiliary, test",
    "auxiliary, test, covered",
    "reference reading",
    "reference reading, covered",
    "dark, reference",
    "dark, reference, covered",
    "auxiliary, reference",
    "auxiliary, reference, covered",
];

impl Steps {
    fn groups(&self) -> [&[Vec<f64>]; 12] {
        let steps = [
            &self.unit,
            &self.unit_dark,
            &self.auxiliary,
            &self.reference,
            &self.reference_dark,
            &self.reference_auxiliary,
        ];
        std::array::from_fn(|at| match at % 2 {
            0 => steps[at / 2].lit.as_slice(),
            _ => steps[at / 2].covered.as_slice(),
        })
    }
}

/// The flux of the unit. `reference_lm` is the reference lamp's with its terms.
///
/// # Errors
/// When a step lacks captures or they do not fit the wavelengths, when a lamp is not
/// above its dark, when nothing finite comes of it.
pub fn flux(
    wavelengths_nm: &[f64],
    reference_lm: &Estimate,
    colour: &ReferenceColour,
    steps: &Steps,
) -> Result<SpectralFlux, SphereError> {
    let n = wavelengths_nm.len();
    let rising = wavelengths_nm.windows(2).all(|pair| pair[0] < pair[1]);
    if n < 2 || !rising {
        return Err(SphereError::Lengths);
    }
    // The flux of a reference lamp is that of all wavelengths.
    integral_of(wavelengths_nm, &vec![0.0; n], |_| 0.0).map_err(|_| SphereError::Coverage)?;
    let groups = steps.groups();
    let mut means = Means::default();
    for (mean, rows) in means.iter_mut().zip(groups) {
        let found = mean_of(rows).filter(|found| found.len() == n);
        *mean = found.ok_or(SphereError::Lengths)?;
    }
    let chain = Chain::over(wavelengths_nm, reference_lm.value, colour);
    let (found, own) = chain.of(&means, None)?;
    let scale = found.lm / reference_lm.value;
    let terms = reference_lm.terms.iter();
    let mut flux_lm = terms.fold(Estimate::exact(found.lm), |sum, term| {
        sum.with(&term.source, scale * term.u, term.dof)
    });
    let mut each = Vec::new();
    for (at, rows) in groups.into_iter().enumerate().filter(|(_, g)| g.len() > 1) {
        // The flux by each capture of a kind alone: noise that several wavelengths
        // share, and a dark that two nets have in common, are in it as they act.
        let mut alone = Vec::new();
        for row in rows {
            let mean = std::mem::replace(&mut means[at], row.clone());
            let by_it = chain.of(&means, Some(&own));
            means[at] = mean;
            let (by_it, _) = by_it?;
            alone.push(by_it.lm);
            if at == 0 {
                each.push(by_it.w_per_nm);
            }
        }
        if let Some(moments) = statistics::moments(&alone) {
            let u = moments.standard_error().unwrap_or(0.0);
            flux_lm = flux_lm.with(SOURCES[at], u, Some(moments.n as f64 - 1.0));
        }
    }
    if each.is_empty() {
        each.push(found.w_per_nm.clone());
    }
    Ok(SpectralFlux {
        flux: Flux {
            flux_lm,
            absorption: found.absorption,
            uncorrected_lm: found.uncorrected_lm,
        },
        w_per_nm: found.w_per_nm,
        each,
        bridged_share: found.bridged_lm / found.lm,
    })
}

/// What does not change from capture to capture.
struct Chain<'a> {
    nm: &'a [f64],
    /// lm of one W/nm at each wavelength.
    lm: Vec<f64>,
    reference_lm: f64,
    colour: &'a ReferenceColour,
}

/// Where the reference lamp, and where the auxiliary lamp, tells its own ratio.
type Own = (Vec<bool>, Vec<bool>);

/// What one set of means gives.
struct Chained {
    lm: f64,
    w_per_nm: Vec<f64>,
    absorption: f64,
    uncorrected_lm: f64,
    bridged_lm: f64,
}

impl<'a> Chain<'a> {
    fn over(nm: &'a [f64], reference_lm: f64, colour: &'a ReferenceColour) -> Chain<'a> {
        let widths = widths(nm);
        let lm = nm.iter().zip(widths);
        let lm = lm.map(|(nm, width)| colour::efficacy_at(*nm) * width);
        Chain {
            nm,
            lm: lm.collect(),
            reference_lm,
            colour,
        }
    }

    fn weighed(&self, values: &[f64]) -> f64 {
        values.iter().zip(&self.lm).map(|(a, b)| a * b).sum()
    }

    fn lit(&self, net: &[f64], name: &'static str) -> Result<f64, SphereError> {
        let light = self.weighed(net);
        (light > 0.0 && light.is_finite())
            .then_some(light)
            .ok_or(SphereError::NoLight(name))
    }

    /// What these means give, and at which wavelengths the lamps' own ratios are taken:
    /// as `own` says, or where they shine. By one capture alone, for which `own` is given,
    /// a dim unit may lie below its dark.
    fn of(&self, means: &Means, own: Option<&Own>) -> Result<(Chained, Own), SphereError> {
        let net = |lit: usize, dark: usize| -> Vec<f64> {
            let value = |at: usize| {
                let own = means[lit][at] - means[lit + 1][at];
                own - (means[dark][at] - means[dark + 1][at])
            };
            (0..self.nm.len()).map(value).collect()
        };
        let (unit, auxiliary) = (net(0, 2), net(4, 2));
        let (reference, reference_auxiliary) = (net(6, 8), net(10, 8));
        let of_unit = |light: &[f64]| match own {
            None => self.lit(light, "the test lamp"),
            Some(_) => Ok(self.weighed(light)),
        };
        let unit_light = of_unit(&unit)?;
        let reference_light = self.lit(&reference, "the reference lamp")?;
        let beside_unit = self.lit(&auxiliary, "the auxiliary lamp beside the test lamp")?;
        let beside_reference = self.lit(
            &reference_auxiliary,
            "the auxiliary lamp beside the reference lamp",
        )?;
        let relative = self.nm.iter().zip(&reference);
        let relative: Vec<Option<f64>> = relative
            .map(|(nm, seen)| self.colour.at(*nm, *seen))
            .collect();
        let known: Vec<f64> = relative.iter().map(|r| r.unwrap_or(0.0)).collect();
        let watts = self.reference_lm / self.lit(&known, "the reference lamp")?;
        let as_seen = *self.colour == ReferenceColour::AsSeen;
        let [from_reference, from_auxiliary, from_beside] =
            [&reference, &auxiliary, &reference_auxiliary].map(|net| shines_from(net));
        let colour = self.bridged("the reference lamp", |at| {
            let shines = as_seen || reference[at] >= from_reference;
            let shown = own.map_or(shines, |own| own.0[at]);
            let ratio = if as_seen {
                1.0
            } else {
                relative[at]? / reference[at]
            };
            shown.then_some(ratio)
        })?;
        let passes = self.bridged("the auxiliary lamp", |at| {
            let beside = reference_auxiliary[at] >= from_beside;
            let shines = beside && auxiliary[at] >= from_auxiliary;
            let shown = own.map_or(shines, |own| own.1[at]);
            shown.then(|| reference_auxiliary[at] / auxiliary[at])
        })?;
        let ratios = colour.iter().zip(&passes);
        let w_per_nm: Vec<f64> = unit
            .iter()
            .zip(ratios)
            .map(|(unit, (colour, passes))| watts * unit * colour.0 * passes.0)
            .collect();
        let its_own = |at: &usize| colour[*at].1 && passes[*at].1;
        let bridged = (0..w_per_nm.len()).filter(|at| !its_own(at));
        let bridged_lm = bridged.map(|at| w_per_nm[at] * self.lm[at]).sum();
        let lm = of_unit(&w_per_nm)?;
        let each = |ratios: &[(f64, bool)]| ratios.iter().map(|ratio| ratio.1).collect();
        let chained = Chained {
            lm,
            w_per_nm,
            absorption: beside_unit / beside_reference,
            uncorrected_lm: self.reference_lm * unit_light / reference_light,
            bridged_lm,
        };
        Ok((chained, (each(&colour), each(&passes))))
    }

    /// A ratio at each wavelength, and whether it is its own; the others lie on the
    /// line between those beside them, or are as the nearest.
    fn bridged(
        &self,
        name: &'static str,
        ratio: impl Fn(usize) -> Option<f64>,
    ) -> Result<Vec<(f64, bool)>, SphereError> {
        let own: Vec<Option<f64>> = (0..self.nm.len())
            .map(|at| ratio(at).filter(|ratio| ratio.is_finite()))
            .collect();
        let mut before: Vec<Option<usize>> = Vec::with_capacity(own.len());
        for (at, ratio) in own.iter().enumerate() {
            let earlier = before.last().copied().flatten();
            before.push(ratio.map(|_| at).or(earlier));
        }
        let mut after = None;
        let mut found = vec![(0.0, false); own.len()];
        for at in (0..own.len()).rev() {
            if own[at].is_some() {
                after = Some(at);
            }
            let value = |at: usize| own[at].unwrap_or(0.0);
            found[at] = match (before[at], after) {
                (Some(low), Some(high)) if low < high => {
                    let along = (self.nm[at] - self.nm[low]) / (self.nm[high] - self.nm[low]);
                    (value(low) + along * (value(high) - value(low)), false)
                }
                (Some(one), _) | (None, Some(one)) => (value(one), one == at),
                (None, None) => return Err(SphereError::NoLight(name)),
            };
        }
        Ok(found)
    }
}

/// From where on a lamp shines at a wavelength of its spectrum.
fn shines_from(net: &[f64]) -> f64 {
    let peak = net.iter().copied().fold(0.0, f64::max);
    (SHINES_FROM * peak).max(f64::MIN_POSITIVE)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid() -> Vec<f64> {
        (0..81).map(|at| 380.0 + 5.0 * f64::from(at)).collect()
    }

    /// A light by a closed form of the wavelength, several times over.
    fn rows(n: usize, light: impl Fn(f64) -> f64) -> Vec<Vec<f64>> {
        let row: Vec<f64> = grid().into_iter().map(light).collect();
        vec![row; n]
    }

    /// A step of one capture; the meter's own dark is taken off.
    fn step(light: impl Fn(f64) -> f64) -> Repeats {
        let own = 0.3;
        Repeats {
            lit: rows(1, |nm| light(nm) + own),
            covered: rows(1, |_| own),
        }
    }

    /// The worked chain S02 (ours, by hand) at every wavelength of a light that rises
    /// with it.
    fn chain() -> Steps {
        let light = |value: f64| step(move |nm| value * nm / 555.0);
        Steps {
            unit: light(1.629),
            unit_dark: light(0.004),
            auxiliary: light(1.459),
            reference: light(2.504),
            reference_dark: light(0.004),
            reference_auxiliary: light(1.504),
        }
    }

    fn found(colour: &ReferenceColour, steps: &Steps) -> SpectralFlux {
        flux(&grid(), &Estimate::exact(800.0), colour, steps).expect("a flux")
    }

    fn close(found: f64, wanted: f64, within: f64) {
        assert!((found - wanted).abs() < within, "{found} is not {wanted}");
    }

    #[test]
    fn with_flat_ratios_it_is_the_plain_chain() {
        let found = found(&ReferenceColour::AsSeen, &chain());
        close(found.flux.flux_lm.value, 520.0 / 0.97, 1e-9);
        close(found.flux.uncorrected_lm, 520.0, 1e-9);
        close(found.flux.absorption, 0.97, 1e-12);
        assert_eq!((found.bridged_share, found.each.len()), (0.0, 1));
        // 683 lm/W times what it is made of is the flux again.
        let lm = found.w_per_nm.iter().zip(grid()).zip(widths(&grid()));
        let lm: f64 = lm
            .map(|((watt, nm), width)| watt * colour::efficacy_at(nm) * width)
            .sum();
        close(lm, 520.0 / 0.97, 1e-9);
    }

    /// A wall that throws back ever more towards the red, a reference lamp of 2856 K
    /// and a unit that rises to the blue: with the lamp's colour known the wall cancels
    /// at every wavelength; without it what is left is the ratio of two sums.
    #[test]
    fn the_colour_of_the_wall_cancels_where_the_reference_lamps_is_known() {
        let wall = |nm: f64| 1.0 + 0.2 * (nm - 555.0) / 100.0;
        let kelvin = Kelvin(2856.0);
        let lamp = |nm: f64| planck(nm, kelvin);
        let unit = |nm: f64| 2.0 - nm / 555.0;
        let steps = Steps {
            unit: step(|nm| unit(nm) * wall(nm) * 0.9),
            unit_dark: step(|_| 0.0),
            auxiliary: step(|nm| wall(nm) * 0.9),
            reference: step(|nm| lamp(nm) * wall(nm)),
            reference_dark: step(|_| 0.0),
            reference_auxiliary: step(wall),
        };
        let sum = |light: &dyn Fn(f64) -> f64| -> f64 {
            let all = grid().into_iter().zip(widths(&grid()));
            all.map(|(nm, w)| light(nm) * colour::efficacy_at(nm) * w)
                .sum()
        };
        let truth = 800.0 * sum(&unit) / sum(&lamp);
        let planckian = found(&ReferenceColour::Planck(kelvin), &steps);
        close(planckian.flux.flux_lm.value, truth, 1e-9);
        let table = (0..=40).map(|at| 380.0 + 10.0 * f64::from(at));
        let table = ReferenceColour::Table(table.map(|nm| (nm, lamp(nm))).collect());
        let by_table = found(&table, &steps).flux.flux_lm.value;
        // Linear over 10 nm: 0.02 % at most of so smooth a light.
        close(by_table / truth, 1.0, 2e-4);
        let as_seen = found(&ReferenceColour::AsSeen, &steps).flux.flux_lm.value;
        let wanted = 800.0 * sum(&|nm| unit(nm) * wall(nm)) / sum(&|nm| lamp(nm) * wall(nm));
        close(as_seen, wanted, 1e-9);
        assert!((as_seen / truth - 1.0).abs() > 0.005, "{as_seen} {truth}");
    }

    /// An auxiliary lamp that gives nothing below 430 and above 700 nm, and a unit that
    /// leaves ever less of it towards the red.
    #[test]
    fn where_a_lamp_of_the_sphere_does_not_shine_its_neighbours_tell() {
        let leaves = |nm: f64| 0.95 - 0.05 * (nm - 380.0) / 400.0;
        let auxiliary = |nm: f64| f64::from(u8::from((430.0..=700.0).contains(&nm)));
        let dark = || step(|_| 0.0);
        let steps = Steps {
            unit: step(leaves),
            unit_dark: dark(),
            auxiliary: step(|nm| auxiliary(nm) * leaves(nm)),
            reference: step(|_| 1.0),
            reference_dark: dark(),
            reference_auxiliary: step(auxiliary),
        };
        let found = found(&ReferenceColour::AsSeen, &steps);
        // The unit shines as the reference lamp does, and swallows its own light too.
        close(found.flux.flux_lm.value, 800.0, 0.2);
        assert!((1e-4..0.01).contains(&found.bridged_share), "{found:?}");
        close(
            found.w_per_nm[0] / found.w_per_nm[20],
            0.95 / leaves(430.0),
            1e-12,
        );
    }

    /// Two captures 1 % off to either side: sd 1.41421 % over sqrt 2 is 1 %. A dark of
    /// 0.002 to either side is in the unit's net and in the auxiliary lamp's: 0.002 is
    /// its standard error, and it enters by 1/1.455 - 1/1.625 = 0.0719006.
    #[test]
    fn the_scatter_of_each_kind_of_capture_is_a_term() {
        let mut steps = chain();
        let shifted = |value: f64, by: f64| {
            let at = |by: f64| rows(1, |nm| 0.3 + (value + by) * nm / 555.0).remove(0);
            vec![at(by), at(-by)]
        };
        steps.unit.lit = shifted(1.629, 0.01625);
        steps.unit_dark.lit = shifted(0.004, 0.002);
        steps.reference.covered = vec![rows(1, |_| 0.3).remove(0); 2];
        let reference = Estimate::exact(800.0).with("certificate", 8.0, None);
        let found = flux(&grid(), &reference, &ReferenceColour::AsSeen, &steps);
        let found = found.expect("a flux");
        assert_eq!(found.each.len(), 2);
        let value = 520.0 / 0.97;
        let term = |source: &str| {
            let mut terms = found.flux.flux_lm.terms.iter();
            let term = terms.find(|term| term.source == source).expect("the term");
            (term.u / value, term.dof)
        };
        close(term("certificate").0, 0.01, 1e-12);
        close(term("test reading").0, 0.01, 1e-9);
        assert_eq!(term("test reading").1, Some(1.0));
        close(term("dark, test").0, 0.002 * 0.071_900_6, 2e-7);
        assert_eq!(term("reference reading, covered"), (0.0, Some(1.0)));
        // One capture has no scatter, and no term.
        assert_eq!(found.flux.flux_lm.terms.len(), 4);
    }

    /// A night light of 0.01 beside noise of 0.02: one capture lies below the dark, the
    /// mean of three above it. sd 0.02 over sqrt 3 is 0.011547, 1.1547 times the light.
    #[test]
    fn one_capture_below_the_dark_is_scatter_and_no_refusal() {
        let mut steps = chain();
        let at = |value: f64| rows(1, |nm| 0.3 + (0.004 + value) * nm / 555.0).remove(0);
        steps.unit.lit = vec![at(0.03), at(0.01), at(-0.01)];
        let found = found(&ReferenceColour::AsSeen, &steps);
        let value = 800.0 * 0.01 / 2.5 / 0.97;
        close(found.flux.flux_lm.value, value, 1e-9);
        let terms = &found.flux.flux_lm.terms;
        assert_eq!(terms.len(), 1);
        close(terms[0].u / value, 2.0 / 3.0_f64.sqrt(), 1e-9);
    }

    #[test]
    fn what_gives_no_flux_is_refused() {
        let lamp = Estimate::exact(800.0);
        let told = |change: &dyn Fn(&mut Steps)| {
            let mut steps = chain();
            change(&mut steps);
            flux(&grid(), &lamp, &ReferenceColour::AsSeen, &steps).map(|found| found.flux)
        };
        let no_light = |name| Err(SphereError::NoLight(name));
        type Case<'c> = (&'c dyn Fn(&mut Steps), Result<Flux, SphereError>);
        let cases: [Case<'_>; 5] = [
            (&|s| s.unit = s.unit_dark.clone(), no_light("the test lamp")),
            (
                &|s| s.reference = s.reference_dark.clone(),
                no_light("the reference lamp"),
            ),
            (
                &|s| s.auxiliary = s.unit_dark.clone(),
                no_light("the auxiliary lamp beside the test lamp"),
            ),
            (&|s| s.unit.covered.clear(), Err(SphereError::Lengths)),
            (
                &|s| {
                    s.unit.lit[0].pop();
                },
                Err(SphereError::Lengths),
            ),
        ];
        for (change, wanted) in cases {
            assert_eq!(told(change), wanted);
        }
        // An array that ends in the red has no flux: the reference lamp's is of all.
        let narrow = |light: &Repeats| Repeats {
            lit: vec![light.lit[0][..50].to_vec()],
            covered: vec![light.covered[0][..50].to_vec()],
        };
        let whole = chain();
        let short = Steps {
            unit: narrow(&whole.unit),
            unit_dark: narrow(&whole.unit_dark),
            auxiliary: narrow(&whole.auxiliary),
            reference: narrow(&whole.reference),
            reference_dark: narrow(&whole.reference_dark),
            reference_auxiliary: narrow(&whole.reference_auxiliary),
        };
        let found = flux(&grid()[..50], &lamp, &ReferenceColour::AsSeen, &short);
        assert_eq!(found, Err(SphereError::Coverage));
        let nowhere = ReferenceColour::Table(vec![(900.0, 1.0), (950.0, 1.0)]);
        let found = flux(&grid(), &lamp, &nowhere, &chain());
        assert_eq!(found, Err(SphereError::NoLight("the reference lamp")));
    }

    proptest::proptest! {
        #[test]
        fn no_captures_panic(v in proptest::collection::vec(proptest::num::f64::ANY, 13)) {
            let of = |at: usize| Repeats {
                lit: vec![v[at..at + 2].to_vec(), v[at + 1..at + 3].to_vec()],
                covered: vec![vec![0.0, v[12]]],
            };
            let steps = Steps {
                unit: of(0), unit_dark: of(1), auxiliary: of(2),
                reference: of(3), reference_dark: of(4), reference_auxiliary: of(5),
            };
            for colour in [
                ReferenceColour::AsSeen,
                ReferenceColour::Planck(Kelvin(v[9])),
                ReferenceColour::Table(vec![(400.0, v[10]), (700.0, v[11])]),
            ] {
                let _ = flux(&[450.0, 550.0], &Estimate::exact(v[8]), &colour, &steps);
                let _ = flux(&v[..2], &Estimate::exact(v[8]), &colour, &steps);
            }
        }
    }
}
