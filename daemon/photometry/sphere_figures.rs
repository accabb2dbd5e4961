//! The figures of a sphere measurement under their names: flux, what the lamp
//! absorbs, directivity, efficacy.
//!
//! Used by: `compute sphere`, reports, scripts. Not here: the chain (sphere).

use crate::far_field::directivity;
use crate::figure::Figure;
use crate::light_units::{Candelas, Lumens};
use crate::sphere::{Flux, largest_surface_m2};
use crate::uncertainty::Estimate;

/// Names with their standards.
pub mod names {
    use crate::figure::figure_names;

    figure_names! {
        FLUX_LM "flux_lm" "lm" "total luminous flux" "LM-79-08, 9 (from memory)" "worked chain: 542.515464 lm, 1e-7";
        ABSORPTION "absorption_ratio" "" "auxiliary light beside the test lamp over that beside the reference lamp" "LM-79-08, 9.1.3 (from memory)" "worked chain: 0.97, 1e-7";
        UNCORRECTED_FLUX_LM "uncorrected_flux_lm" "lm" "flux without absorption and mismatch corrected" "own definition" "worked chain: 520 lm, 1e-7";
        PHOTOMETER_FLUX_LM "photometer_flux_lm" "lm" "total luminous flux by the photometer beside the spectroradiometer, mismatch factor taken as 1" "LM-79-08, 9 (from memory)" "worked chain: 536.0825 lm, 1e-7";
        DIRECTIVITY "directivity" "" "on-axis intensity over that of a ball with the same flux" "own definition" "ball 1, flat Lambertian face 4";
        EFFICACY_LM_PER_W "efficacy_lm_per_w" "lm/W" "luminous efficacy, flux over electrical power" "CIE S 017 e-ILV" "closed form";
        WALL_SHARE_PERCENT "wall_share_percent" "%" "surface of the lamp over that of the sphere's wall" "LM-79-08, 9.1.2 (from memory)" "2 m sphere: 2 % are 0.2513 m2";
    }
}

use names::*;

/// The mark of a lamp that is large for its sphere.
pub const LARGE_LAMP: &str = "large-lamp";

/// What is known beside the readings.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Beside {
    /// Intensity on the axis.
    pub on_axis: Option<Candelas>,
    /// Electrical power in watts, read while the flux was.
    pub power_w: Option<Estimate>,
    /// Surface of the lamp in m2 with the diameter of the sphere in m.
    pub surface_m2_in_m: Option<(f64, f64)>,
}

/// The figures; directivity, efficacy and share of the wall only where what
/// they need is known. A lamp over 2 % of the wall marks the flux: the
/// auxiliary lamp no longer corrects all that it absorbs.
pub fn of(flux: &Flux, beside: &Beside) -> Vec<Figure> {
    let value = flux.flux_lm.value;
    let large = beside
        .surface_m2_in_m
        .is_some_and(|(surface, diameter)| surface > largest_surface_m2(diameter));
    let marked = |figure: Figure| {
        if large {
            figure.marked(LARGE_LAMP)
        } else {
            figure
        }
    };
    let mut figures = vec![
        marked(Figure::estimate(&FLUX_LM, flux.flux_lm.clone())),
        Figure::number(&ABSORPTION, flux.absorption),
        Figure::number(&UNCORRECTED_FLUX_LM, flux.uncorrected_lm),
    ];
    if let Some(on_axis) = beside.on_axis {
        let ratio = directivity(on_axis, Lumens(value));
        figures.push(Figure::or_withheld(&DIRECTIVITY, ratio, "there is no flux"));
    }
    if let Some(power_w) = &beside.power_w {
        let efficacy = flux.flux_lm.over(power_w);
        figures.push(marked(Figure::estimate(&EFFICACY_LM_PER_W, efficacy)));
    }
    if let Some((surface_m2, diameter_m)) = beside.surface_m2_in_m {
        let wall_m2 = std::f64::consts::PI * diameter_m * diameter_m;
        let percent = 100.0 * surface_m2 / wall_m2;
        figures.push(Figure::number(&WALL_SHARE_PERCENT, percent));
    }
    figures
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figure::Given;

    fn flux() -> Flux {
        Flux {
            flux_lm: Estimate::exact(400.0).with("reading", 4.0, None),
            absorption: 0.95,
            uncorrected_lm: 380.0,
        }
    }

    fn value(figures: &[Figure], name: &str) -> Option<f64> {
        let found = figures.iter().find(|figure| figure.name.name == name);
        found.expect("the figure").value()
    }

    /// 400 lm from 5 W are 80 lm/W; a flat Lambertian face of 400/pi cd has
    /// directivity 4; 0.1257 m2 in 1 m are 4 % of the wall.
    #[test]
    fn what_is_known_beside_the_readings_adds_figures() {
        assert_eq!(of(&flux(), &Beside::default()).len(), 3);
        let beside = Beside {
            on_axis: Some(Candelas(400.0 / std::f64::consts::PI)),
            power_w: Some(Estimate::exact(5.0).with("certificate", 0.05, None)),
            surface_m2_in_m: Some((0.04 * std::f64::consts::PI, 1.0)),
        };
        let figures = of(&flux(), &beside);
        // All but that of a photometer beside a spectroradiometer.
        assert_eq!(figures.len(), names::ALL.len() - 1);
        assert_eq!(value(&figures, "efficacy_lm_per_w"), Some(80.0));
        // 1 % of the flux and 1 % of the power: the root of the sum of squares.
        let efficacy = figures.iter().find(|f| f.name.name == "efficacy_lm_per_w");
        let Some(Given::Estimate(efficacy)) = efficacy.map(|f| &f.given) else {
            panic!("{efficacy:?}");
        };
        assert!((efficacy.combined() - 0.8 * 2.0_f64.sqrt()).abs() < 1e-12);
        let directivity = value(&figures, "directivity").expect("a ratio");
        assert!((directivity - 4.0).abs() < 1e-12);
        let share = value(&figures, "wall_share_percent").expect("a share");
        assert!((share - 4.0).abs() < 1e-12);
        assert_eq!(figures[0].marks, [LARGE_LAMP]);
        assert!(of(&flux(), &Beside::default())[0].marks.is_empty());
    }

    #[test]
    fn no_power_gives_no_efficacy() {
        let beside = Beside {
            power_w: Some(Estimate::exact(0.0)),
            ..Beside::default()
        };
        assert_eq!(value(&of(&flux(), &beside), "efficacy_lm_per_w"), None);
    }
}
