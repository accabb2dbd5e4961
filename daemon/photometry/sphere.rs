//! Luminous flux in an integrating sphere: substitution of a reference lamp,
//! with an auxiliary lamp for what the lamps themselves absorb.
//!
//! `flux = flux_ref * (y_test / y_ref) * F / alpha`, where `alpha = aux_test /
//! aux_ref`, the dark taken off every reading (LM-79-08, 9.2, and LM-78, from
//! memory). A housing close beside its own face swallows light that the
//! auxiliary lamp does not see. Used by: reports. Not here: the same by a
//! spectroradiometer (`sphere_spectral`).

use crate::uncertainty::Estimate;

/// A lamp's surface may be this share of the wall (LM-79-08, 9.1.2, from
/// memory). Larger lamps are a warning with an uncertainty, not a refusal.
const SURFACE_AT_MOST: f64 = 0.02;
/// A port may be this share of the sphere's diameter.
const PORT_AT_MOST: f64 = 1.0 / 3.0;

/// Sphere multiplier of a wall's reflectance and its ports' share of the wall.
pub fn multiplier(reflectance: f64, port_share: f64) -> f64 {
    reflectance / (1.0 - reflectance * (1.0 - port_share))
}

/// Largest surface in m2 of a lamp in the middle of a sphere of this diameter.
pub fn largest_surface_m2(diameter_m: f64) -> f64 {
    SURFACE_AT_MOST * std::f64::consts::PI * diameter_m * diameter_m
}

/// Largest port in m of a sphere of this diameter.
pub fn largest_port_m(diameter_m: f64) -> f64 {
    PORT_AT_MOST * diameter_m
}

/// A reading with its standard uncertainty, in the meter's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty.
    pub u: f64,
}

/// The readings of a substitution.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Readings {
    /// The test lamp, lit.
    pub test: Reading,
    /// The reference lamp, lit.
    pub reference: Reading,
    /// Nothing lit.
    pub dark: Reading,
    /// The auxiliary lamp with the test lamp mounted, off.
    pub aux_test: Reading,
    /// The auxiliary lamp with the reference lamp mounted, off.
    pub aux_reference: Reading,
    /// Nothing lit, in the auxiliary lamp's readings.
    pub aux_dark: Reading,
}

/// A flux and what led to it.
#[derive(Clone, Debug, PartialEq)]
pub struct Flux {
    /// Luminous flux in lm.
    pub flux_lm: Estimate,
    /// What the test lamp leaves of the auxiliary light, over what the
    /// reference lamp leaves.
    pub absorption: f64,
    /// Flux in lm without absorption and mismatch corrected.
    pub uncorrected_lm: f64,
}

/// Why there is no flux.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SphereError {
    /// A reading is not above its dark.
    #[error("{0} is not above its dark reading")]
    NoLight(&'static str),
    /// Rows of different length.
    #[error("the rows must have the same wavelengths, rising")]
    Lengths,
    /// The spectra do not hold enough of what the eye sees.
    #[error("the spectra must cover 400 to 700 nm in steps of 10 nm at most")]
    Coverage,
    /// The result is no finite number.
    #[error("the readings give no finite flux")]
    NotFinite,
}

/// The flux of the test lamp; `mismatch` is the factor F with its uncertainty.
///
/// # Errors
/// When a reading is not above its dark.
pub fn flux(
    reference_lm: &Estimate,
    readings: &Readings,
    mismatch: &Estimate,
) -> Result<Flux, SphereError> {
    let lit = |reading: Reading, dark: Reading, name: &'static str| {
        let net = reading.value - dark.value;
        if net > 0.0 && net.is_finite() {
            Ok(net)
        } else {
            Err(SphereError::NoLight(name))
        }
    };
    let r = readings;
    let test = lit(r.test, r.dark, "the test lamp")?;
    let reference = lit(r.reference, r.dark, "the reference lamp")?;
    let aux_test = lit(
        r.aux_test,
        r.aux_dark,
        "the auxiliary lamp beside the test lamp",
    )?;
    let aux_reference = lit(
        r.aux_reference,
        r.aux_dark,
        "the auxiliary lamp beside the reference lamp",
    )?;
    let absorption = aux_test / aux_reference;
    let uncorrected_lm = reference_lm.value * test / reference;
    let value = uncorrected_lm * mismatch.value / absorption;
    if !value.is_finite() {
        return Err(SphereError::NotFinite);
    }
    let scaled = |estimate: &Estimate, sum: Estimate| {
        let scale = value / estimate.value;
        estimate.terms.iter().fold(sum, |sum, term| {
            sum.with(&term.source, scale * term.u, term.dof)
        })
    };
    let mut sum = scaled(reference_lm, Estimate::exact(value));
    sum = scaled(mismatch, sum);
    // One dark serves two readings: its errors go against each other.
    let terms = [
        ("test reading", r.test.u / test),
        ("reference reading", r.reference.u / reference),
        ("dark", r.dark.u * (1.0 / reference - 1.0 / test)),
        ("auxiliary, test", r.aux_test.u / aux_test),
        ("auxiliary, reference", r.aux_reference.u / aux_reference),
        (
            "auxiliary dark",
            r.aux_dark.u * (1.0 / aux_test - 1.0 / aux_reference),
        ),
    ];
    let flux_lm = terms.into_iter().fold(sum, |sum, (source, share)| {
        sum.with(source, value * share, None)
    });
    Ok(Flux {
        flux_lm,
        absorption,
        uncorrected_lm,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn exact(value: f64) -> Reading {
        Reading { value, u: 0.0 }
    }

    fn readings() -> Readings {
        Readings {
            test: Reading {
                value: 1.629,
                u: 0.001_625,
            },
            reference: exact(2.504),
            dark: exact(0.004),
            aux_test: exact(1.459),
            aux_reference: exact(1.504),
            aux_dark: exact(0.004),
        }
    }

    #[test]
    fn terms_are_carried_through_the_chain() {
        let reference = Estimate::exact(800.0).with("certificate", 8.0, None);
        let mismatch = Estimate::exact(1.012).with("mismatch", 0.001_012, None);
        let found = flux(&reference, &readings(), &mismatch).expect("a flux");
        let shares = found.flux_lm.shares();
        let relative = |source: &str| {
            let mut named = shares.iter().filter(|share| share.source == source);
            named
                .next()
                .map_or(f64::NAN, |share| share.u / found.flux_lm.value)
        };
        assert!((relative("certificate") - 0.01).abs() < 1e-12);
        assert!((relative("mismatch") - 0.001).abs() < 1e-12);
        assert!((relative("test reading") - 0.001).abs() < 1e-12);
    }

    #[test]
    fn a_reading_in_the_dark_is_refused() {
        let dark = Readings {
            test: exact(0.004),
            ..readings()
        };
        let one = Estimate::exact(1.0);
        let refused = flux(&one, &dark, &one);
        assert_eq!(refused, Err(SphereError::NoLight("the test lamp")));
    }

    proptest::proptest! {
        #[test]
        fn no_readings_panic(v in proptest::collection::vec(proptest::num::f64::ANY, 8)) {
            let reading = |at: usize| Reading { value: v[at], u: v[7 - at] };
            let readings = Readings {
                test: reading(0), reference: reading(1), dark: reading(2),
                aux_test: reading(3), aux_reference: reading(4), aux_dark: reading(5),
            };
            let _ = flux(&Estimate::exact(v[6]), &readings, &Estimate::exact(v[7]));
            let _ = multiplier(v[0], v[1]);
        }
    }
}
