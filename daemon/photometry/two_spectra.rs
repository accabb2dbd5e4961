//! Two spectra compared: the ends of two programs of a lamp, or one level before
//! and after.
//!
//! Used by: `compute spectrum --second`, reports, scripts. Not here: what one
//! spectrum says (spectrum_figures).

use crate::alpha_opic::Receptor;
use crate::figure::Figure;
use crate::light_units::Kelvin;
use crate::spectrum_figures::SpectrumFigures;

/// Names with their standards.
pub mod names {
    use crate::figure::figure_names;

    figure_names! {
        DISTANCE_UV_PRIME "distance_uv_prime" "" "distance of two lights in CIE 1976 u', v'" "CIE 015:2018, 8.2" "A to D65: 0.0808 from the published points, 2e-4";
        CCT_DIFFERENCE_K "cct_difference_k" "K" "correlated colour temperature, second less first" "CIE 015:2018, 9.4" "A and D65: 3647, 3";
        MELANOPIC_DER_RATIO "melanopic_der_ratio" "" "melanopic daylight efficacy ratio, second over first" "CIE S 026:2018" "A and E: 0.906 over 0.496";
        BLUE_LIGHT_RATIO "blue_light_ratio" "" "blue-light-weighted power per lumen, second over first" "IEC 62471:2006" "A and D65: 3.21, 1 %";
        LUX_RATIO "lux_ratio" "" "illuminance, second over first" "CIE 018:2019" "a spectrum and its double: 2";
    }
}

use names::*;

/// Two lights, compared.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TwoSpectra {
    /// Distance in CIE 1976 u', v'; none when one has no light.
    pub distance_uv_prime: Option<f64>,
    /// Colour temperatures, where they have any to compare.
    pub cct: (Option<Kelvin>, Option<Kelvin>),
    /// Melanopic daylight efficacy ratios; none without light.
    pub melanopic_der: (Option<f64>, Option<f64>),
    /// Blue-light-weighted power per lumen, in mW/lm, where there is any.
    pub blue_light_mw_per_lm: (Option<f64>, Option<f64>),
    /// Illuminances in lux; none of relative spectra.
    pub illuminance_lx: (Option<f64>, Option<f64>),
}

/// Second over first; none without both, or over nothing.
fn ratio((first, second): (Option<f64>, Option<f64>)) -> Option<f64> {
    let ratio = second? / first?;
    (ratio.is_finite() && ratio >= 0.0).then_some(ratio)
}

impl TwoSpectra {
    /// Compares the figures of two spectra.
    pub fn of(first: &SpectrumFigures, second: &SpectrumFigures) -> TwoSpectra {
        let both = |of: fn(&SpectrumFigures) -> Option<f64>| (of(first), of(second));
        let points = first.chromaticity.zip(second.chromaticity);
        TwoSpectra {
            distance_uv_prime: points.map(|(a, b)| a.distance_uv_prime(b)),
            cct: (first.comparable_cct(), second.comparable_cct()),
            melanopic_der: both(|one| Some(one.alpha_opic?[Receptor::Melanopic as usize].der)),
            blue_light_mw_per_lm: both(|one| Some(one.blue_light?.mw_per_lm)),
            illuminance_lx: both(|one| Some(one.illuminance?.0)),
        }
    }

    /// As named figures.
    pub fn figures(&self) -> Vec<Figure> {
        let cct = self.cct.0.zip(self.cct.1).map(|(a, b)| b.0 - a.0);
        let given = |name, value, why| Figure::or_withheld(name, value, why);
        vec![
            given(
                &DISTANCE_UV_PRIME,
                self.distance_uv_prime,
                "one is without light",
            ),
            given(
                &CCT_DIFFERENCE_K,
                cct,
                "one has no colour temperature to compare",
            ),
            given(
                &MELANOPIC_DER_RATIO,
                ratio(self.melanopic_der),
                "one is without light",
            ),
            given(
                &BLUE_LIGHT_RATIO,
                ratio(self.blue_light_mw_per_lm),
                "one has no blue light",
            ),
            given(
                &LUX_RATIO,
                ratio(self.illuminance_lx),
                "one is relative or without light",
            ),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rendering::daylight;
    use crate::spectrum::{Scale, Spectrum};
    use crate::temperature::planck;

    fn figures(power: impl Fn(f64) -> f64, scale: Scale) -> SpectrumFigures {
        let nm: Vec<f64> = (0..81).map(|at| 380.0 + 5.0 * f64::from(at)).collect();
        let values: Vec<f64> = nm.iter().map(|nm| power(*nm)).collect();
        SpectrumFigures::of(&Spectrum::new(&nm, &values, scale).expect("a spectrum"))
    }

    /// CIE 015:2018: illuminant A at u' 0.2560, v' 0.5243, 2856 K; D65 at u'
    /// 0.1978, v' 0.4683, 6503 K. CIE S 026: DER 0.496 and 1.
    #[test]
    fn incandescent_light_and_daylight() {
        let a = figures(|nm| planck(nm, Kelvin(2_855.5)), Scale::Relative);
        let d65 = figures(daylight(Kelvin(6_503.6)), Scale::Relative);
        let two = TwoSpectra::of(&a, &d65);
        let near = |value: Option<f64>, want: f64, within: f64| {
            let value = value.expect("a value");
            assert!((value - want).abs() < within, "{value} for {want}");
        };
        let apart = (0.2560_f64 - 0.1978).hypot(0.5243 - 0.4683);
        near(two.distance_uv_prime, apart, 2e-4);
        near(two.figures()[1].value(), 3_647.0, 3.0);
        near(ratio(two.melanopic_der), 1.0 / 0.496, 0.005);
        near(ratio(two.blue_light_mw_per_lm), 3.21, 0.03);
        assert_eq!(two.figures()[4].value(), None);
        assert_eq!(two.figures().len(), names::ALL.len());
    }

    #[test]
    fn twice_the_light_is_twice_the_lux_and_amber_has_no_temperature() {
        let one = figures(|nm| planck(nm, Kelvin(2_700.0)), Scale::Absolute);
        let double = figures(|nm| 2.0 * planck(nm, Kelvin(2_700.0)), Scale::Absolute);
        let two = TwoSpectra::of(&one, &double).figures();
        assert!((two[4].value().expect("a ratio") - 2.0).abs() < 1e-12);
        assert!(two[0].value().expect("a distance") < 1e-12);
        let amber = figures(|nm| planck(nm, Kelvin(1_600.0)), Scale::Absolute);
        let two = TwoSpectra::of(&amber, &one).figures();
        assert_eq!(two[1].value(), None);
        assert!(two[0].value().is_some());
    }
}
