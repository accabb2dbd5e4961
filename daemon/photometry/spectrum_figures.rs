//! All figures of one spectrum, under their names.
//!
//! Used by: `compute spectrum`, reports, scripts. Not here: the computations
//! (colour, temperature, rendering, fidelity, alpha_opic, blue_light).

use crate::alpha_opic::{self, AlphaOpic, Receptor};
use crate::blue_light::{self, BlueLight};
use crate::colour::{self, Chromaticity, Tristimulus};
use crate::fidelity::{self, Fidelity};
use crate::figure::{Figure, FigureName};
use crate::rendering::{self, Rendering};
use crate::spectrum::Spectrum;
use crate::temperature::{self, ColourTemperature, NoTemperature};
use crate::units::Lux;

/// Below this colour temperature the indices say little: a lamp's dawn light
/// is amber on purpose. Own rule, no source.
const AMBER_BELOW_K: f64 = 2_000.0;

/// What stands in the place of an absolute figure of a relative spectrum.
const RELATIVE: &str = "the spectrum is relative";

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
        MELANOPIC_EDI_LX "melanopic_edi_lx" "lx" "melanopic equivalent daylight illuminance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        S_CONE_DER "s_cone_der" "" "S-cone-opic daylight efficacy ratio" "CIE S 026:2018" "28 spectra, 0.05 %";
        M_CONE_DER "m_cone_der" "" "M-cone-opic daylight efficacy ratio" "CIE S 026:2018" "28 spectra, 0.05 %";
        L_CONE_DER "l_cone_der" "" "L-cone-opic daylight efficacy ratio" "CIE S 026:2018" "28 spectra, 0.05 %";
        RHODOPIC_DER "rhodopic_der" "" "rhodopic daylight efficacy ratio" "CIE S 026:2018" "28 spectra, 0.05 %";
        S_CONE_EDI_LX "s_cone_edi_lx" "lx" "S-cone-opic equivalent daylight illuminance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        M_CONE_EDI_LX "m_cone_edi_lx" "lx" "M-cone-opic equivalent daylight illuminance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        L_CONE_EDI_LX "l_cone_edi_lx" "lx" "L-cone-opic equivalent daylight illuminance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        RHODOPIC_EDI_LX "rhodopic_edi_lx" "lx" "rhodopic equivalent daylight illuminance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        MELANOPIC_IRRADIANCE "melanopic_irradiance_mw_per_m2" "mW/m2" "melanopic irradiance" "CIE S 026:2018" "19 spectra at 100 lx, 0.05 %";
        SP_RATIO "sp_ratio" "" "scotopic over photopic light" "CIE 018:2019" "28 spectra, 0.05 %";
        BLUE_LIGHT_MW_PER_LM "blue_light_mw_per_lm" "mW/lm" "blue-light-weighted power per lumen" "IEC 62471:2006" "28 spectra, 0.1 %";
        BLUE_LIGHT_IRRADIANCE "blue_light_irradiance_mw_per_m2" "mW/m2" "blue-light-weighted irradiance" "IEC 62471:2006" "scale and efficacy of the same spectra";
        SMALL_SOURCE_LX "small_source_lx" "lx" "illuminance of a small source with 1 W/m2 weighted" "IEC 62471:2006, 4.3.4, from memory" "Planck 2700 K 3695, 4000 K 1737, 6500 K 956, 0.05 %";
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
    marks: Vec<&'static str>,
}

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
            marks: spectrum.marks().to_vec(),
        }
    }

    /// Amber light: colour temperature and indices say little of it.
    pub fn is_amber(&self) -> bool {
        let cct = self.temperature.as_ref().map(|found| found.cct.0);
        cct.is_ok_and(|cct| cct < AMBER_BELOW_K)
    }

    /// As named figures; `short`, `coarse`, `amber`, `far-from-reference` and
    /// `small-source` are their marks.
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
        let why = match &self.temperature {
            Ok(_) => String::new(),
            Err(why) => why.to_string(),
        };
        let found = self.temperature.as_ref().ok();
        let mut figures = vec![
            Figure::or_withheld(&ILLUMINANCE_LX, self.illuminance.map(|lux| lux.0), RELATIVE),
            Figure::or_withheld(&IRRADIANCE, self.irradiance_w_per_m2, RELATIVE),
            Figure::or_withheld(&LER, self.ler_lm_per_w, none),
            Figure::or_withheld(&X, point.map(|point| point.x), none),
            Figure::or_withheld(&Y, point.map(|point| point.y), none),
            Figure::or_withheld(&U_PRIME, prime.map(|prime| prime.0), none),
            Figure::or_withheld(&V_PRIME, prime.map(|prime| prime.1), none),
        ];
        let cct = Figure::or_withheld(&CCT_K, found.map(|found| found.cct.0), &why);
        let duv = Figure::or_withheld(&DUV, found.map(|found| found.duv), &why);
        figures.extend(self.as_amber([cct, duv]));
        figures
    }

    fn as_amber<const N: usize>(&self, figures: [Figure; N]) -> [Figure; N] {
        figures.map(|figure| {
            if self.is_amber() {
                figure.marked("amber")
            } else {
                figure
            }
        })
    }

    fn quality(&self) -> Vec<Figure> {
        use names::*;
        const SPECIAL: [&FigureName; rendering::SAMPLES] = [
            &R1, &R2, &R3, &R4, &R5, &R6, &R7, &R8, &R9, &R10, &R11, &R12, &R13, &R14,
        ];
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
        let amber = figures.into_iter().map(|one| self.as_amber([one]));
        amber.flatten().collect()
    }

    fn receptors(&self) -> Vec<Figure> {
        use names::*;
        let none = "there is no light";
        let one = |receptor: Receptor| self.alpha_opic.map(|all| all[receptor as usize]);
        let der = |name, receptor| Figure::or_withheld(name, one(receptor).map(|r| r.der), none);
        let edi = |name, receptor| {
            Figure::or_withheld(name, one(receptor).and_then(|r| r.edi_lx), RELATIVE)
        };
        let melanopic = one(Receptor::Melanopic);
        let per_100 = melanopic.map(|melanopic| 100.0 * melanopic.der);
        let power = melanopic.and_then(|melanopic| melanopic.irradiance_mw_per_m2);
        vec![
            der(&MELANOPIC_DER, Receptor::Melanopic),
            Figure::or_withheld(&MELANOPIC_PER_100, per_100, none),
            edi(&MELANOPIC_EDI_LX, Receptor::Melanopic),
            Figure::or_withheld(&MELANOPIC_IRRADIANCE, power, RELATIVE),
            der(&S_CONE_DER, Receptor::SCone),
            der(&M_CONE_DER, Receptor::MCone),
            der(&L_CONE_DER, Receptor::LCone),
            der(&RHODOPIC_DER, Receptor::Rhodopic),
            edi(&S_CONE_EDI_LX, Receptor::SCone),
            edi(&M_CONE_EDI_LX, Receptor::MCone),
            edi(&L_CONE_EDI_LX, Receptor::LCone),
            edi(&RHODOPIC_EDI_LX, Receptor::Rhodopic),
            Figure::or_withheld(&SP_RATIO, self.sp_ratio, none),
        ]
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
