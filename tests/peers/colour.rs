//! Every figure of random spectra, by the definition on every grid and by
//! colour-science's own functions where these reach.

use photometry::figure::Figure;
use photometry::spectrum::{Scale, Spectrum};
use photometry::spectrum_figures::SpectrumFigures;
use serde_json::{Value, json};

use crate::contest::{Contest, answered};
use crate::lights::{Light, lights};
use crate::oracle;

const SPECTRA: usize = 360;
const SEED: u64 = 20_190_301;
/// CCT is given up to this distance from the locus; nearer to the edge than
/// `EDGE` either side may rule.
const DUV_AT_MOST: f64 = 0.05;
const EDGE: f64 = 2e-5;
/// So near to the edge of its hue bin a sample may fall on either side.
const EDGE_DEGREES: f64 = 0.05;

#[test]
fn every_figure_of_random_spectra_is_the_oracles() {
    let Some(python) = oracle::python("spectra") else {
        return;
    };
    let lights = lights(SPECTRA, SEED);
    let spectra: Vec<Value> = lights
        .iter()
        .map(|light| json!({"nm": light.nm, "values": light.values, "regular": light.regular}))
        .collect();
    let answer = oracle::ask(&python, "oracle_colour.py", &json!({ "spectra": spectra }));
    let answers = answer["spectra"].as_array().expect("a list");
    assert_eq!(answers.len(), lights.len());
    let mut contest = Contest::new("colour");
    for (light, answer) in lights.iter().zip(answers) {
        let spectrum = Spectrum::new(&light.nm, &light.values, Scale::Absolute);
        let found = SpectrumFigures::of(&spectrum.expect("a spectrum"));
        assert_eq!(is_amber(answer), found.is_amber(), "{}", light.name);
        let figures = as_computed(&found);
        by_definition(&mut contest, light, &figures, answer);
        if light.regular {
            by_library(&mut contest, light, &figures, answer);
        }
    }
    contest.end(lights.len(), &|name| match name {
        "library_ra" | "library_cct_k" | "library_rf" => 150,
        name if name.starts_with("library_") => 150,
        // Not every random light has a colour temperature.
        "rg" => 200,
        _ => 250,
    });
}

/// Amber light by the oracle's own numbers: neither temperature nor index is
/// given of it.
fn is_amber(answer: &Value) -> bool {
    let number = |name: &str| answer.get(name).and_then(Value::as_f64);
    let (kelvin, s_cone) = (number("cct_k"), number("s_cone_der"));
    kelvin.is_some_and(|kelvin| kelvin < 2_000.0 || s_cone.is_some_and(|der| der < 0.10))
}

/// The figures, with those of amber light as they were computed: what is
/// withheld from users is still held against the oracle.
fn as_computed(found: &SpectrumFigures) -> Vec<Figure> {
    let withheld = found.is_amber();
    let computed = |figure: Figure| {
        let name = figure.name;
        let (rendered, faithful) = (found.rendering.as_ref(), found.fidelity);
        let value = match name.name {
            "cct_k" => found.temperature.as_ref().ok().map(|found| found.cct.0),
            "ra" => rendered.map(|rendered| rendered.ra),
            "rf" => faithful.map(|faithful| faithful.rf),
            "rg" => faithful.and_then(|faithful| faithful.rg),
            other => {
                let number = other
                    .strip_prefix('r')
                    .and_then(|n| n.parse::<usize>().ok());
                number.and_then(|n| Some(*rendered?.special.get(n.checked_sub(1)?)?))
            }
        };
        match value {
            Some(value) if withheld => Figure::number(name, value),
            _ => figure,
        }
    };
    found.figures().into_iter().map(computed).collect()
}

fn ours(figures: &[Figure], name: &str) -> Option<f64> {
    let mut named = figures.iter().filter(|figure| figure.name.name == name);
    named.next().expect("the figure's name").value()
}

/// The tolerances for the same method: both integrate on the light's own grid.
fn by_definition(contest: &mut Contest, light: &Light, figures: &[Figure], answer: &Value) {
    let away = answered(answer, "nearest_duv").expect("a distance").abs();
    let on_the_edge = (away - DUV_AT_MOST).abs() < EDGE;
    for figure in figures {
        let name = figure.name.name;
        let rests_on_cct = matches!(name, "cct_k" | "duv" | "ra" | "rf" | "rg")
            || name
                .strip_prefix('r')
                .is_some_and(|n| n.parse::<u32>().is_ok());
        if rests_on_cct && on_the_edge {
            continue;
        }
        // No hue bin, no gamut: both sides must see it.
        let theirs = if answer.get(name).is_none() && rests_on_cct {
            None
        } else {
            answered(answer, name)
        };
        let size = theirs.unwrap_or(0.0).abs();
        let tolerance = match name {
            "x" | "y" => 3e-5,
            "u_prime" | "v_prime" => 2e-5,
            "cct_k" => 0.5_f64.max(2e-4 * size),
            "duv" => 2e-5,
            "ra" => 0.05,
            "rf" => 0.02,
            "rg" => 0.05,
            _ if rests_on_cct => 0.1,
            _ if name.contains("blue") || name == "small_source_lx" => 1e-3 * size,
            _ => 5e-4 * size,
        };
        contest.number(name, &light.name, figure.value(), theirs, tolerance);
    }
}

/// The tolerances for any method that the standards allow: the library sums
/// instead of laying trapezoids, takes Robertson's temperature for CIE 13.3 and
/// Sprague's interpolation of its samples.
fn by_library(contest: &mut Contest, light: &Light, figures: &[Figure], answer: &Value) {
    let Some(cct) = ours(figures, "cct_k") else {
        return;
    };
    let mut hold = |name: &str, tolerance: f64| {
        let library = format!("library_{name}");
        let theirs = answered(answer, &library);
        contest.number(
            &library,
            &light.name,
            ours(figures, name),
            theirs,
            tolerance,
        );
    };
    // Samples at 380 and 780 nm count in full: 13 K at 18600 K.
    let share = if cct < 10_000.0 { 5e-4 } else { 1e-3 };
    hold("cct_k", 2.0_f64.max(share * cct));
    hold("duv", 1.2e-4);
    hold("rf", 0.2);
    // A sample of the reference on the edge of a hue bin falls into one bin here
    // and into the next there, because the library rounds the daylight's M1 and
    // M2 to three digits: half a unit of Rg by one of 99 samples.
    let edge = answered(answer, "hue_edge_degrees").expect("an angle");
    hold("rg", if edge < EDGE_DEGREES { 1.0 } else { 0.2 });
    // Robertson's lines end at 600 mired (1667 K) and are up to 4 K off at
    // 11500 K; within that of 5000 K the two references may differ.
    if (1_700.0..11_500.0).contains(&cct) && (cct - 5_000.0).abs() > 5.0 {
        hold("ra", 0.3);
        for number in 1..=14 {
            let name = format!("r{number}");
            let lost = 100.0 - ours(figures, &name).unwrap_or(100.0);
            hold(&name, 0.5_f64.max(0.01 * lost));
        }
    }
    let efficacy = ours(figures, "ler_lm_per_w").unwrap_or(0.0);
    hold("ler_lm_per_w", 5e-3 * efficacy);
}
