//! What colour the simulated light has: measured white spectra, black bodies in
//! closed form, and mixtures of them, each normalised to one lux.
//!
//! Illuminance is 683 lm/W times the integral of E(lambda) V(lambda) over 380 to
//! 780 nm, by the trapezium rule on the 5 nm of the tables; between their samples
//! spectra are linear. Where the tables come from: `spectra/README.md`. Used by
//! `lamp_model` (which lamp has which) and `spectroradiometer`. Not here: colour
//! figures; the simulation knows none.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

/// First wavelength of the tables, in nm.
pub const FROM_NM: f64 = 380.0;
/// Last wavelength of the tables, in nm.
pub const TO_NM: f64 = 780.0;
/// From one sample of the tables to the next, in nm.
pub const STEP_NM: f64 = 5.0;
/// Samples of a table.
const SAMPLES: usize = 81;
/// lm/W at 540 THz: the SI's constant K_cd (SI brochure, 9th edition, 2.3.1).
const LM_PER_W: f64 = 683.0;
/// Second radiation constant in m K: hc/k with the SI's h, c and k.
const C2_M_K: f64 = 1.438_776_877e-2;
/// Of the amber light of a dawn's beginning.
const AMBER_K: f64 = 1800.0;
/// Of a lamp with a filament, as standards of flux are (about illuminant A, 2856 K;
/// CIE 015:2018, 4.1.1, from memory).
const FILAMENT_K: f64 = 2856.0;

type Table = [f64; SAMPLES];

/// A light by the shape of its spectrum.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Spectrum {
    /// A phosphor LED of about 2780 K, near the Planckian locus.
    #[default]
    WarmWhite,
    /// A phosphor LED of about 5020 K, near the Planckian locus.
    NeutralWhite,
    /// Red, green and blue LEDs of about 5960 K, Duv +0.0139: greenish.
    OffLocusWhite,
    /// A black body of 1800 K, after Planck.
    Amber,
    /// A black body of 2856 K, after Planck: a lamp with a filament.
    Incandescent,
}

impl Spectrum {
    /// Spectral irradiance in W/(m2 nm) of one lux of this light at a wavelength
    /// in nm; zero outside 380 to 780 nm.
    pub fn at(self, nm: f64) -> f64 {
        between(self.table(), nm)
    }

    fn table(self) -> &'static Table {
        &TABLES[self as usize]
    }
}

/// Several lights at once, each with its share of the illuminance.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Mixture(Vec<(Spectrum, f64)>);

impl Mixture {
    /// One light alone.
    pub fn of(spectrum: Spectrum) -> Mixture {
        Mixture(vec![(spectrum, 1.0)])
    }

    /// This light and another one, which has `share` (0 to 1) of the illuminance.
    pub fn towards(&self, other: &Mixture, share: f64) -> Mixture {
        let share = share.clamp(0.0, 1.0);
        let scaled = |mixture: &Mixture, by: f64| -> Vec<(Spectrum, f64)> {
            let parts = mixture.0.iter();
            parts.map(|(spectrum, own)| (*spectrum, own * by)).collect()
        };
        let mut parts = scaled(self, 1.0 - share);
        parts.extend(scaled(other, share));
        parts.retain(|(_, own)| *own > 0.0);
        Mixture(parts)
    }

    /// Spectral irradiance in W/(m2 nm) of one lux at a wavelength in nm.
    pub fn at(&self, nm: f64) -> f64 {
        self.0
            .iter()
            .map(|(spectrum, share)| share * spectrum.at(nm))
            .sum()
    }

    /// What is left of its illuminance behind something that lets `factor(nm)` of each
    /// wavelength through: the mean of that over its spectrum, weighted with V(lambda).
    /// Exactly 1 where the factor is.
    pub fn seen_through(&self, factor: impl Fn(f64) -> f64) -> f64 {
        let bare: Table = std::array::from_fn(|nth| self.at(wavelength(nth)));
        let behind = std::array::from_fn(|nth| bare[nth] * factor(wavelength(nth)));
        illuminance(&behind) / illuminance(&bare)
    }

    /// The share of the illuminance that one light has.
    pub fn share_of(&self, spectrum: Spectrum) -> f64 {
        let parts = self.0.iter().filter(|(own, _)| *own == spectrum);
        parts.map(|(_, share)| share).sum()
    }
}

impl Default for Mixture {
    /// Warm white.
    fn default() -> Mixture {
        Mixture::of(Spectrum::default())
    }
}

/// By the order of [`Spectrum`].
static TABLES: LazyLock<[Table; 5]> = LazyLock::new(|| {
    let whites = include_str!("spectra/whites.csv");
    [
        per_lux(column(whites, 1)),
        per_lux(column(whites, 2)),
        per_lux(column(whites, 3)),
        per_lux(std::array::from_fn(|nth| planck(wavelength(nth), AMBER_K))),
        per_lux(std::array::from_fn(|nth| {
            planck(wavelength(nth), FILAMENT_K)
        })),
    ]
});

static V_LAMBDA: LazyLock<Table> =
    LazyLock::new(|| column(include_str!("spectra/v_lambda.csv"), 1));

fn wavelength(nth: usize) -> f64 {
    FROM_NM + STEP_NM * nth as f64
}

/// One column of a shipped table; its tests see that it is whole.
fn column(csv: &str, nth: usize) -> Table {
    let mut values = csv.lines().skip(1).map(|line| {
        let cell = line.split(',').nth(nth);
        cell.and_then(|cell| cell.parse().ok()).unwrap_or(0.0)
    });
    std::array::from_fn(|_| values.next().unwrap_or(0.0))
}

/// Relative spectral exitance of a black body at a wavelength in nm.
fn planck(nm: f64, kelvin: f64) -> f64 {
    let metres = nm * 1e-9;
    metres.powi(-5) / (C2_M_K / (metres * kelvin)).exp_m1()
}

fn per_lux(relative: Table) -> Table {
    let lux = illuminance(&relative);
    relative.map(|value| value / lux)
}

/// Illuminance in lx of a table in W/(m2 nm).
fn illuminance(table: &Table) -> f64 {
    let products = table.iter().zip(V_LAMBDA.iter()).map(|(e, v)| e * v);
    let ends = 0.5 * (table[0] * V_LAMBDA[0] + table[SAMPLES - 1] * V_LAMBDA[SAMPLES - 1]);
    LM_PER_W * STEP_NM * (products.sum::<f64>() - ends)
}

/// Linear between the samples, zero outside them.
fn between(table: &Table, nm: f64) -> f64 {
    if !(FROM_NM..=TO_NM).contains(&nm) {
        return 0.0;
    }
    let place = (nm - FROM_NM) / STEP_NM;
    let below = (place as usize).min(SAMPLES - 2);
    let part = place - below as f64;
    table[below] + (table[below + 1] - table[below]) * part
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Spectrum; 5] = [
        Spectrum::WarmWhite,
        Spectrum::NeutralWhite,
        Spectrum::OffLocusWhite,
        Spectrum::Amber,
        Spectrum::Incandescent,
    ];

    /// The CIE's table: V(555) = 1 and V(510) = 0.503 (CIE 018:2019, table of
    /// V(lambda)); the toolbox's own first and last values.
    #[test]
    fn the_shipped_tables_are_whole() {
        for (csv, columns) in [
            (include_str!("spectra/whites.csv"), 4),
            (include_str!("spectra/v_lambda.csv"), 2),
        ] {
            let rows: Vec<Vec<f64>> = csv
                .lines()
                .skip(1)
                .map(|line| {
                    let cells = line.split(',');
                    cells.map(|cell| cell.parse().expect("a number")).collect()
                })
                .collect();
            assert_eq!(rows.len(), SAMPLES);
            for (nth, row) in rows.iter().enumerate() {
                assert_eq!((row.len(), row[0]), (columns, wavelength(nth)));
                assert!(row.iter().all(|value| *value >= 0.0), "{row:?}");
            }
        }
        assert_eq!((V_LAMBDA[35], V_LAMBDA[26]), (1.0, 0.503));
    }

    /// The definition of illuminance, summed here over every nanometre of the
    /// linear spectrum and of the linear V(lambda); the rule on 5 nm differs from
    /// it by less than a five-hundredth, also for LEDs with narrow lines.
    #[test]
    fn one_lux_is_one_lux() {
        for spectrum in ALL {
            let lux: f64 = (380..=780)
                .map(|nm| {
                    let nm = f64::from(nm);
                    LM_PER_W * spectrum.at(nm) * between(&V_LAMBDA, nm)
                })
                .sum();
            assert!((lux - 1.0).abs() < 2e-3, "{spectrum:?}: {lux}");
        }
    }

    /// Planck's ratio of two wavelengths at 1800 K, by hand: with x = c2/(lambda
    /// T), 700 nm to 550 nm is (550/700)^5 * (e^14.5331 - 1)/(e^11.4189 - 1).
    #[test]
    fn amber_is_a_black_body_of_1800_k() {
        let ratio = Spectrum::Amber.at(700.0) / Spectrum::Amber.at(550.0);
        let by_hand = (550.0_f64 / 700.0).powi(5) * 14.533_1_f64.exp_m1() / 11.418_86_f64.exp_m1();
        assert!((ratio / by_hand - 1.0).abs() < 1e-3, "{ratio} {by_hand}");
    }

    /// CIE 015:2018, table of illuminant A (from memory): 9.80 at 380 nm, 100 at 560
    /// nm, 198.26 at 700 nm, 241.68 at 780 nm.
    #[test]
    fn a_filament_has_the_colour_of_illuminant_a() {
        let over = |nm: f64| Spectrum::Incandescent.at(nm) / Spectrum::Incandescent.at(560.0);
        for (nm, published) in [(380.0, 0.0980), (700.0, 1.9826), (780.0, 2.4168)] {
            assert!((over(nm) / published - 1.0).abs() < 1e-3, "{}", over(nm));
        }
    }

    /// A step at 555 nm, by hand from the tables of the amber light; and where all
    /// passes, all is left, to the last bit.
    #[test]
    fn what_is_seen_through_a_filter_is_weighted_with_the_eye() {
        let amber = Mixture::of(Spectrum::Amber);
        let parts = (0..SAMPLES).map(|nth| {
            let end = if nth == 0 || nth == SAMPLES - 1 {
                0.5
            } else {
                1.0
            };
            let part = end * planck(wavelength(nth), AMBER_K) * V_LAMBDA[nth];
            (part, if wavelength(nth) > 555.0 { part } else { 0.0 })
        });
        let (all, red) = parts.fold((0.0, 0.0), |sum, part| (sum.0 + part.0, sum.1 + part.1));
        let seen = amber.seen_through(|nm| if nm > 555.0 { 1.0 } else { 0.0 });
        assert!((seen / (red / all) - 1.0).abs() < 1e-12, "{seen}");
        for spectrum in ALL {
            let mixed = amber.towards(&Mixture::of(spectrum), 0.3);
            assert_eq!(mixed.seen_through(|_| 1.0), 1.0, "{spectrum:?}");
        }
    }

    #[test]
    fn a_mixture_has_its_shares_of_the_illuminance() {
        let amber = Mixture::of(Spectrum::Amber);
        let white = Mixture::of(Spectrum::WarmWhite);
        let mixed = amber.towards(&white, 0.25);
        assert_eq!(mixed.share_of(Spectrum::WarmWhite), 0.25);
        let at_600 = 0.75 * Spectrum::Amber.at(600.0) + 0.25 * Spectrum::WarmWhite.at(600.0);
        assert!((mixed.at(600.0) / at_600 - 1.0).abs() < 1e-12);
        assert_eq!(amber.towards(&white, 1.0), white);
        assert_eq!(amber.at(379.9), 0.0);
        // Half-way between two samples: their mean.
        let mean = f64::midpoint(Spectrum::Amber.at(600.0), Spectrum::Amber.at(605.0));
        assert!((amber.at(602.5) / mean - 1.0).abs() < 1e-12);
    }
}
