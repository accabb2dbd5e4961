//! All figures of one spectrum, under their names.
//!
//! Used by: `compute spectrum`, reports, scripts. Not here: the computations
//! (colour, temperature, rendering, fidelity, alpha_opic, blue_light).

use crate::alpha_opic::{self, AlphaOpic, Receptor};
use crate::blue_light::{self, BlueLight};
use crate::colour::{self, Chromaticity, Tristimulus};
use crate::fidelity::{self, Fidelity};
use crate::figure::{Figure, FigureName, Given};
use crate::light_units::Kelvin;
use crate::rendering::{self, Rendering};
use crate::spectrum::Spectrum;
use crate::temperature::{self, ColourTemperature, NoTemperature};
use crate::units::Lux;

/// Below this colour temperature light is amber: the lamp's dawn light is so on
/// purpose, and neither a colour temperature nor an index describes it. Own
/// rule, no source.
const AMBER_BELOW_K: f64 = 2_000.0;
/// So is light with less for the S cones, against D65, than this: a bare amber
/// line lies beside the locus at 2100 to 3500 K and has hardly any blue. Own
/// rule, no source.
const AMBER_BELOW_S_CONE_DER: f64 = 0.10;
/// More unseen power than this share moves irradiance and efficacy by more than
/// their tolerance; they are bounds then. Own rule, no source.
const UNSEEN_AT_MOST: f64 = 0.005;

/// What stands in the place of an absolute figure of a relative spectrum.
pub const RELATIVE: &str = "the spectrum is relative";
/// What stands in the place of a figure that amber light does not have.
const AMBER: &str = "amber light has none to compare";
/// What stands in the place of a figure that noise has pulled below zero.
const BELOW_ZERO: &str = "below zero: there is nothing but noise";

/// Names with their standards, in the order in which they are given.
pub mod names {
    use crate::figure::figure_names;

    figure_names! {
        ILLUMINANCE_LX "illuminance_lx" "lx" "illuminance at the measured plane" "CIE 018:2019" "1 W/m2 at 555 nm: 683 lx, within 0.05";
        IRRADIANCE "irradiance_w_per_m2" "W/m2" "irradiance, 380 to 780 nm" "CIE 018:2019" "19 spectra, three implementations, 0.05 %";
        LER "ler_lm_per_w" "lm/W" "luminous efficacy of radiation, 380 to 780 nm" "CIE S 017 e-ILV" "28 spectra, three implementations, 0.05 %";
        X "x" "" "chromaticity x" "CIE 015:2018" "A 0.44758, D65 0.3127, FL and LED series, 3e-5 to 1e-4";
        Y "y" "" "chromaticity y" "CIE 015:2018" "A 0.40745, D65 0.3290, FL and LED series, 3e-5 to 1e-4";
        U_PRIME "u_prime" "" "chromaticity u'" "CIE 015:2018" "A 0.2560, 1e-4";
        V_PRIME "v_prime" "" "chromaticity v'" "CIE 015:2018" "A 0.5243, 1e-4";
        CCT_K "cct_k" "K" "correlated colour temperature" "CIE 015:2018, 9.4" "A 2855.5, FL2 4224.4, LED-B1 2733, 1.5 K";
        DUV "duv" "" "distance from the Planckian locus, CIE 1960 u, v" "ANSI C78.377" "9 points to 15000 K, 2e-5";
        RA "ra" "" "general colour rendering index" "CIE 13.3-1995" "FL1 76, FL2 64, FL11 83, 0.6";
        R1 "r1" "" "colour rendering, light greyish red" "CIE 13.3-1995" "FL3.1, FL4, 1.2";
        R2 "r2" "" "colour rendering, dark greyish yellow" "CIE 13.3-1995" "FL3.1, 1.2";
        R3 "r3" "" "colour rendering, strong yellow green" "CIE 13.3-1995" "FL3.1, 1.2";
        R4 "r4" "" "colour rendering, moderate yellowish green" "CIE 13.3-1995" "FL3.1, 1.2";
        R5 "r5" "" "colour rendering, light bluish green" "CIE 13.3-1995" "FL3.1, 1.2";
        R6 "r6" "" "colour rendering, light blue" "CIE 13.3-1995" "FL3.1, 1.2";
        R7 "r7" "" "colour rendering, light violet" "CIE 13.3-1995" "FL3.1, 1.2";
        R8 "r8" "" "colour rendering, light reddish purple" "CIE 13.3-1995" "FL3.1, 1.2";
        R9 "r9" "" "colour rendering, strong red" "CIE 13.3-1995" "FL3.1 -109, 1.2";
        R10 "r10" "" "colour rendering, strong yellow" "CIE 13.3-1995" "FL3.1, 1.2";
        R11 "r11" "" "colour rendering, strong green" "CIE 13.3-1995" "FL3.1, 1.2";
        R12 "r12" "" "colour rendering, strong blue" "CIE 13.3-1995" "FL3.1, 1.2";
        R13 "r13" "" "colour rendering, complexion" "CIE 13.3-1995" "FL3.1, 1.2";
        R14 "r14" "" "colour rendering, leaf green" "CIE 13.3-1995" "FL3.1, 1.2";
        RF "rf" "" "colour fidelity" "ANSI/IES TM-30-18, CIE 224:2017" "FL1 80.6, FL2 70.1, 0.1";
        RG "rg" "" "colour gamut" "ANSI/IES TM-30-18" "28 spectra, three implementations, 0.05";
        MELANOPIC_DER "melanopic_der" "" "melanopic daylight efficacy ratio" "CIE S 026:2018" "A 0.496, E 0.906, 0.001";
        MELANOPIC_PER_100 "melanopic_edi_per_100_lx" "lx" "melanopic equivalent daylight illuminance of 100 lx of this light" "CIE S 026:2018" "A 49.581, D55 90.402, 0.03";
        MELANOPIC_ELR "melanopic_elr_mw_per_lm" "mW/lm" "melanopic efficacy of luminous radiation" "CIE S 026:2018" "D65 1.3262, 28 spectra, 0.05 %";
        MELANOPIC_EDI_LX "melanopic_edi_lx" "lx" "melanopic equivalent daylight illuminance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        MELANOPIC_IRRADIANCE "melanopic_irradiance_mw_per_m2" "mW/m2" "melanopic irradiance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        S_CONE_DER "s_cone_der" "" "S-cone-opic daylight efficacy ratio" "CIE S 026:2018" "28 spectra, 0.05 %";
        S_CONE_ELR "s_cone_elr_mw_per_lm" "mW/lm" "S-cone-opic efficacy of luminous radiation" "CIE S 026:2018" "D65 0.8173, 28 spectra, 0.05 %";
        S_CONE_EDI_LX "s_cone_edi_lx" "lx" "S-cone-opic equivalent daylight illuminance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        S_CONE_IRRADIANCE "s_cone_irradiance_mw_per_m2" "mW/m2" "S-cone-opic irradiance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        M_CONE_DER "m_cone_der" "" "M-cone-opic daylight efficacy ratio" "CIE S 026:2018" "28 spectra, 0.05 %";
        M_CONE_ELR "m_cone_elr_mw_per_lm" "mW/lm" "M-cone-opic efficacy of luminous radiation" "CIE S 026:2018" "D65 1.4558, 28 spectra, 0.05 %";
        M_CONE_EDI_LX "m_cone_edi_lx" "lx" "M-cone-opic equivalent daylight illuminance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        M_CONE_IRRADIANCE "m_cone_irradiance_mw_per_m2" "mW/m2" "M-cone-opic irradiance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        L_CONE_DER "l_cone_der" "" "L-cone-opic daylight efficacy ratio" "CIE S 026:2018" "28 spectra, 0.05 %";
        L_CONE_ELR "l_cone_elr_mw_per_lm" "mW/lm" "L-cone-opic efficacy of luminous radiation" "CIE S 026:2018" "D65 1.6289, 28 spectra, 0.05 %";
        L_CONE_EDI_LX "l_cone_edi_lx" "lx" "L-cone-opic equivalent daylight illuminance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        L_CONE_IRRADIANCE "l_cone_irradiance_mw_per_m2" "mW/m2" "L-cone-opic irradiance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        RHODOPIC_DER "rhodopic_der" "" "rhodopic daylight efficacy ratio" "CIE S 026:2018" "28 spectra, 0.05 %";
        RHODOPIC_ELR "rhodopic_elr_mw_per_lm" "mW/lm" "rhodopic efficacy of luminous radiation" "CIE S 026:2018" "D65 1.4497, 28 spectra, 0.05 %";
        RHODOPIC_EDI_LX "rhodopic_edi_lx" "lx" "rhodopic equivalent daylight illuminance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        RHODOPIC_IRRADIANCE "rhodopic_irradiance_mw_per_m2" "mW/m2" "rhodopic irradiance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        SP_RATIO "sp_ratio" "" "scotopic over photopic light" "CIE 018:2019" "28 spectra, 0.05 %";
        BLUE_LIGHT_MW_PER_LM "blue_light_mw_per_lm" "mW/lm" "blue-light-weighted power per lumen" "IEC 62471:2006" "28 spectra, 0.1 %";
        BLUE_LIGHT_IRRADIANCE "blue_light_irradiance_mw_per_m2" "mW/m2" "blue-light-weighted irradiance" "IEC 62471:2006" "scale and efficacy of the same spectra";
        SMALL_SOURCE_LX "small_source_lx" "lx" "illuminance of a small source with 1 W/m2 weighted" "IEC 62471:2006, 4.3.4, from memory" "Planck 2700 K 3695, 4000 K 1737, 6500 K 956, 0.05 %";
    }

    type OfReceptor = [&'static crate::figure::FigureName; 4];
    /// DER, ELR, EDI and irradiance of one receptor.
    pub const MELANOPIC: OfReceptor = [
        &MELANOPIC_DER,
        &MELANOPIC_ELR,
        &MELANOPIC_EDI_LX,
        &MELANOPIC_IRRADIANCE,
    ];
    /// The same of the S cones.
    pub const S_CONE: OfReceptor = [&S_CONE_DER, &S_CONE_ELR, &S_CONE_EDI_LX, &S_CONE_IRRADIANCE];
    /// The same of the M cones.
    pub const M_CONE: OfReceptor = [&M_CONE_DER, &M_CONE_ELR, &M_CONE_EDI_LX, &M_CONE_IRRADIANCE];
    /// The same of the L cones.
    pub const L_CONE: OfReceptor = [&L_CONE_DER, &L_CONE_ELR, &L_CONE_EDI_LX, &L_CONE_IRRADIANCE];
    /// The same of the rods.
    pub const RHODOPIC: OfReceptor = [
        &RHODOPIC_DER,
        &RHODOPIC_ELR,
        &RHODOPIC_EDI_LX,
        &RHODOPIC_IRRADIANCE,
    ];
}

/// A number that cannot lie below zero; where noise has pulled it there, it is
/// withheld, as where there is none.
fn not_below_zero(name: &'static FigureName, value: Option<f64>, none: &str) -> Figure {
    match value {
        Some(value) if value < 0.0 => Figure::withheld(name, BELOW_ZERO),
        value => Figure::or_withheld(name, value, none),
    }
}

/// Everything that one spectrum says.
#[derive(Clone, Debug, PartialEq)]
pub struct SpectrumFigures {
    /// Illuminance; none for a relative spectrum.
    pub illuminance: Option<Lux>,
    /// Irradiance in W/m2; none for a relative spectrum.
    pub irradiance_w_per_m2: Option<f64>,
    /// Luminous efficacy of radiation.
    pub ler_lm_per_w: Option<f64>,
    /// Chromaticity; none without light.
    pub chromaticity: Option<Chromaticity>,
    /// Colour temperature, or why there is none.
    pub temperature: Result<ColourTemperature, NoTemperature>,
    /// Colour rendering; none without a colour temperature.
    pub rendering: Option<Rendering>,
    /// Colour fidelity; none without a colour temperature.
    pub fidelity: Option<Fidelity>,
    /// The five receptors.
    pub alpha_opic: Option<[AlphaOpic; 5]>,
    /// S/P ratio.
    pub sp_ratio: Option<f64>,
    /// Blue light.
    pub blue_light: Option<BlueLight>,
    unseen_share: f64,
    marks: Vec<&'static str>,
}

/// What tells the ends of programs apart: colour, melanopic and blue content.
pub const COMPARED: [&FigureName; 4] = [
    &names::CCT_K,
    &names::DUV,
    &names::MELANOPIC_DER,
    &names::BLUE_LIGHT_MW_PER_LM,
];

impl SpectrumFigures {
    /// Computes all of them.
    pub fn of(spectrum: &Spectrum) -> SpectrumFigures {
        let tristimulus = Tristimulus::of(spectrum);
        let temperature = temperature::of_tristimulus(tristimulus);
        let cct = temperature.as_ref().ok().map(|found| found.cct);
        SpectrumFigures {
            illuminance: colour::illuminance(spectrum),
            irradiance_w_per_m2: spectrum.irradiance().map(|irradiance| irradiance.0),
            ler_lm_per_w: colour::efficacy_lm_per_w(spectrum),
            chromaticity: tristimulus.chromaticity(),
            temperature,
            rendering: cct.and_then(|cct| rendering::of(spectrum, cct)),
            fidelity: cct.and_then(|cct| fidelity::of(spectrum, cct)),
            alpha_opic: alpha_opic::of(spectrum),
            sp_ratio: alpha_opic::scotopic_photopic_ratio(spectrum),
            blue_light: blue_light::of(spectrum),
            unseen_share: spectrum.unseen_share(),
            marks: spectrum.marks().to_vec(),
        }
    }

    /// Amber light, as a sunrise begins with: the nearest point of the locus is
    /// no colour temperature that another lamp's could be compared with, and no
    /// reference light is like it.
    pub fn is_amber(&self) -> bool {
        let cct = self.temperature.as_ref().map(|found| found.cct.0);
        let s_cone = self.alpha_opic.map(|all| all[Receptor::SCone as usize].der);
        let blueless = s_cone.is_some_and(|der| der < AMBER_BELOW_S_CONE_DER);
        cct.is_ok_and(|cct| cct < AMBER_BELOW_K || blueless)
    }

    /// The colour temperature, where it can be compared with another lamp's:
    /// none without one, none of amber light.
    pub fn comparable_cct(&self) -> Option<Kelvin> {
        let found = self.temperature.as_ref().ok()?;
        (!self.is_amber()).then_some(found.cct)
    }

    /// As named figures; `short`, `coarse`, `noisy`, `amber`,
    /// `far-from-reference` and `small-source` are their marks.
    pub fn figures(&self) -> Vec<Figure> {
        let mut figures = self.basic();
        figures.extend(self.quality());
        figures.extend(self.receptors());
        figures.extend(self.blue());
        let marks = self.marks.iter();
        marks.fold(figures, |figures, mark| {
            figures.into_iter().map(|one| one.marked(mark)).collect()
        })
    }

    fn basic(&self) -> Vec<Figure> {
        use names::*;
        let none = "there is no light";
        let point = self.chromaticity;
        let prime = point.map(Chromaticity::uv_prime);
        let mut figures = vec![
            not_below_zero(&ILLUMINANCE_LX, self.illuminance.map(|lux| lux.0), RELATIVE),
            self.bounded(
                &IRRADIANCE,
                self.irradiance_w_per_m2,
                RELATIVE,
                Given::AtLeast,
            ),
            self.bounded(&LER, self.ler_lm_per_w, none, Given::AtMost),
            Figure::or_withheld(&X, point.map(|point| point.x), none),
            Figure::or_withheld(&Y, point.map(|point| point.y), none),
            Figure::or_withheld(&U_PRIME, prime.map(|prime| prime.0), none),
            Figure::or_withheld(&V_PRIME, prime.map(|prime| prime.1), none),
        ];
        figures.extend(self.temperature_figures());
        figures
    }

    /// A figure that light beyond the ends of the spectrum would move.
    fn bounded(
        &self,
        name: &'static FigureName,
        value: Option<f64>,
        none: &str,
        bound: fn(f64) -> Given,
    ) -> Figure {
        match value {
            Some(value) if value >= 0.0 && self.unseen_share > UNSEEN_AT_MOST => {
                Figure::of(name, bound(value))
            }
            value => not_below_zero(name, value, none),
        }
    }

    fn temperature_figures(&self) -> [Figure; 2] {
        use names::{CCT_K, DUV};
        match &self.temperature {
            Err(why) => [&CCT_K, &DUV].map(|name| Figure::withheld(name, why.to_string())),
            Ok(found) if self.is_amber() => {
                let kelvin = found.cct.0;
                let why = format!("{AMBER}: {kelvin:.0} K is only the locus's nearest point");
                [
                    Figure::withheld(&CCT_K, why),
                    Figure::number(&DUV, found.duv).marked("amber"),
                ]
            }
            Ok(found) => [
                Figure::number(&CCT_K, found.cct.0),
                Figure::number(&DUV, found.duv),
            ],
        }
    }

    fn quality(&self) -> Vec<Figure> {
        use names::*;
        const SPECIAL: [&FigureName; rendering::SAMPLES] = [
            &R1, &R2, &R3, &R4, &R5, &R6, &R7, &R8, &R9, &R10, &R11, &R12, &R13, &R14,
        ];
        if self.is_amber() {
            let every = [&RA].into_iter().chain(SPECIAL).chain([&RF, &RG]);
            return every.map(|name| Figure::withheld(name, AMBER)).collect();
        }
        let none = "there is no colour temperature to compare with";
        let rendered = self.rendering.as_ref();
        let far = rendered.is_some_and(|rendered| !rendered.holds());
        let index = |name, value| {
            let figure = Figure::or_withheld(name, value, none);
            if far {
                figure.marked("far-from-reference")
            } else {
                figure
            }
        };
        let mut figures: Vec<Figure> = vec![index(&RA, rendered.map(|rendered| rendered.ra))];
        for (at, name) in SPECIAL.into_iter().enumerate() {
            figures.push(index(name, rendered.map(|rendered| rendered.special[at])));
        }
        let faithful = self.fidelity;
        let rg = match faithful {
            Some(Fidelity { rg: Some(rg), .. }) => Figure::number(&RG, rg),
            Some(_) => Figure::withheld(&RG, "a hue bin of the reference is empty"),
            None => Figure::withheld(&RG, none),
        };
        figures.push(Figure::or_withheld(&RF, faithful.map(|one| one.rf), none));
        figures.push(rg);
        figures
    }

    fn receptors(&self) -> Vec<Figure> {
        use names::*;
        let none = "there is no light";
        let mut figures = Vec::new();
        for (receptor, [der, elr, edi, power]) in [
            (Receptor::Melanopic, MELANOPIC),
            (Receptor::SCone, S_CONE),
            (Receptor::MCone, M_CONE),
            (Receptor::LCone, L_CONE),
            (Receptor::Rhodopic, RHODOPIC),
        ] {
            let one = self.alpha_opic.map(|all| all[receptor as usize]);
            figures.push(not_below_zero(der, one.map(|one| one.der), none));
            if receptor == Receptor::Melanopic {
                let per_100 = one.map(|one| 100.0 * one.der);
                figures.push(not_below_zero(&MELANOPIC_PER_100, per_100, none));
            }
            figures.push(not_below_zero(elr, one.map(|one| one.mw_per_lm), none));
            let lux = one.and_then(|one| one.edi_lx);
            figures.push(not_below_zero(edi, lux, RELATIVE));
            let power_seen = one.and_then(|one| one.irradiance_mw_per_m2);
            figures.push(not_below_zero(power, power_seen, RELATIVE));
        }
        figures.push(not_below_zero(&SP_RATIO, self.sp_ratio, none));
        figures
    }

    fn blue(&self) -> Vec<Figure> {
        use names::*;
        let none = "there is no blue light";
        let per_lm = self.blue_light.map(|blue| blue.mw_per_lm);
        let power = self.blue_light.and_then(|blue| blue.irradiance_mw_per_m2);
        let small = self.blue_light.map(|blue| blue.small_source_lx);
        vec![
            Figure::or_withheld(&BLUE_LIGHT_MW_PER_LM, per_lm, none),
            Figure::or_withheld(&BLUE_LIGHT_IRRADIANCE, power, RELATIVE),
            Figure::or_withheld(&SMALL_SOURCE_LX, small, none).marked("small-source"),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::Scale;

    fn grid() -> Vec<f64> {
        (0..81).map(|at| 380.0 + 5.0 * f64::from(at)).collect()
    }

    fn figures(values: &[f64], scale: Scale) -> Vec<Figure> {
        let spectrum = Spectrum::new(&grid(), values, scale).expect("a spectrum");
        SpectrumFigures::of(&spectrum).figures()
    }

    fn figure<'f>(figures: &'f [Figure], name: &str) -> &'f Figure {
        let mut named = figures.iter().filter(|figure| figure.name.name == name);
        named.next().expect("a figure")
    }

    #[test]
    fn every_name_is_given_once_and_in_order() {
        let given: Vec<&str> = figures(&[1.0; 81], Scale::Relative)
            .iter()
            .map(|figure| figure.name.name)
            .collect();
        let mut known: Vec<&str> = names::ALL.iter().map(|name| name.name).collect();
        let mut sorted = given.clone();
        sorted.sort_unstable();
        known.sort_unstable();
        assert_eq!(sorted, known);
    }

    #[test]
    fn a_relative_spectrum_has_no_absolute_figure() {
        let relative = figures(&[1.0; 81], Scale::Relative);
        for name in ["illuminance_lx", "melanopic_edi_lx", "irradiance_w_per_m2"] {
            assert_eq!(figure(&relative, name).value(), None, "{name}");
        }
        assert!(
            figure(&relative, "melanopic_edi_per_100_lx")
                .value()
                .is_some()
        );
        // CIE 13.3: illuminant E lies 0.0077 from its reference.
        assert_eq!(figure(&relative, "ra").marks, ["far-from-reference"]);
    }

    fn peak(centre: f64, width: f64) -> Vec<f64> {
        let part = |nm: &f64| (-((nm - centre) / width).powi(2)).exp();
        grid().iter().map(part).collect()
    }

    /// Amber lines lie beside the locus at 2100 to 3500 K; a candle is at 1900 K.
    /// White lamps down to 2000 K are none.
    #[test]
    fn amber_light_has_no_temperature_and_no_indices() {
        let planck = |kelvin| -> Vec<f64> {
            let nm = grid();
            let power = |nm: &f64| temperature::planck(*nm, crate::light_units::Kelvin(kelvin));
            nm.iter().map(power).collect()
        };
        for values in [
            peak(575.0, 8.0),
            peak(580.0, 10.0),
            peak(585.0, 10.0),
            planck(1_900.0),
        ] {
            let amber = figures(&values, Scale::Absolute);
            for name in ["cct_k", "ra", "r1", "r9", "r14", "rf", "rg"] {
                let given = &figure(&amber, name).given;
                assert!(
                    matches!(given, Given::Withheld(why) if why.starts_with("amber light")),
                    "{name}: {given:?}"
                );
            }
            assert_eq!(figure(&amber, "duv").marks, ["amber"]);
            assert!(figure(&amber, "x").value().is_some());
        }
        for kelvin in [2_050.0, 2_700.0, 6_500.0] {
            let white = figures(&planck(kelvin), Scale::Absolute);
            assert!(figure(&white, "cct_k").value().is_some(), "{kelvin}");
            assert!(figure(&white, "ra").value().is_some(), "{kelvin}");
        }
    }

    /// A spectrum of incandescent light cut at 700 nm lacks a third of its
    /// power: irradiance is a bound from below, efficacy one from above.
    #[test]
    fn what_a_short_spectrum_cannot_say_is_a_bound() {
        let nm: Vec<f64> = grid().into_iter().take(65).collect();
        let warm = |nm: &f64| temperature::planck(*nm, crate::light_units::Kelvin(2_856.0));
        let values: Vec<f64> = nm.iter().map(warm).collect();
        let spectrum = Spectrum::new(&nm, &values, Scale::Absolute).expect("a spectrum");
        let short = SpectrumFigures::of(&spectrum).figures();
        let irradiance = figure(&short, "irradiance_w_per_m2");
        assert!(
            matches!(irradiance.given, Given::AtLeast(_)),
            "{irradiance:?}"
        );
        let efficacy = figure(&short, "ler_lm_per_w");
        assert!(matches!(efficacy.given, Given::AtMost(_)), "{efficacy:?}");
        assert_eq!(efficacy.marks, ["short"]);
        assert!(figure(&short, "illuminance_lx").value().is_some());
        // Nothing is lost where the light has ended before.
        let values: Vec<f64> = peak(550.0, 30.0).into_iter().take(65).collect();
        let spectrum = Spectrum::new(&nm, &values, Scale::Absolute).expect("a spectrum");
        let green = SpectrumFigures::of(&spectrum).figures();
        assert!(figure(&green, "irradiance_w_per_m2").value().is_some());
    }

    /// Noise below zero where only the S cones look: no negative light.
    #[test]
    fn nothing_is_given_below_zero() {
        let mut values = peak(600.0, 20.0);
        for value in &mut values[..20] {
            *value = -0.01;
        }
        let noisy = figures(&values, Scale::Absolute);
        for name in ["s_cone_der", "s_cone_elr_mw_per_lm", "s_cone_edi_lx"] {
            let given = &figure(&noisy, name).given;
            assert_eq!(given, &Given::Withheld(BELOW_ZERO.to_owned()), "{name}");
        }
        assert!(figure(&noisy, "illuminance_lx").marks.contains(&"noisy"));
        for figure in &noisy {
            let below = figure.value().is_some_and(|value| value < 0.0);
            assert!(!below || ["duv"].contains(&figure.name.name), "{figure:?}");
        }
    }

    #[test]
    fn deep_red_light_has_no_temperature_and_no_indices() {
        let red: Vec<f64> = grid()
            .iter()
            .map(|nm| (-((nm - 640.0) / 12.0).powi(2)).exp())
            .collect();
        let red = figures(&red, Scale::Absolute);
        for name in ["cct_k", "duv", "ra", "r9", "rf", "rg"] {
            assert_eq!(figure(&red, name).value(), None, "{name}");
        }
        assert!(figure(&red, "illuminance_lx").value().is_some());
    }

    proptest::proptest! {
        #[test]
        fn no_spectrum_panics(
            values in proptest::collection::vec(proptest::num::f64::ANY, 81),
            tame in proptest::collection::vec(-0.01..1.0_f64, 81),
        ) {
            for values in [values, tame] {
                if let Ok(spectrum) = Spectrum::new(&grid(), &values, Scale::Absolute) {
                    let figures = SpectrumFigures::of(&spectrum).figures();
                    proptest::prop_assert_eq!(figures.len(), names::ALL.len());
                }
            }
        }
    }
}
