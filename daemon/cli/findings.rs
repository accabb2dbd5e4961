//! What stands out of a lamp's figures: pure rules over what the daemon told, each
//! with the figure's id. They compare; they rule on nothing.
//!
//! Called by: demo. Not here: criteria (scripts), the figures themselves.

use crate::web::wire::figures::{Figure, Measure};
use crate::web::wire::{Survey, SurveyCell};

/// A light farther from the Planckian locus than this is seen as tinted: half the
/// width of the boxes of ANSI C78.377 (from memory).
const DUV_AT_MOST: f64 = 0.006;
/// A level that gives so many times the light of the next lower one is a jump. Own
/// rule, no source.
const STEP_AT_MOST: f64 = 3.0;
/// A program that goes between a half and a tenth of its plateau in less than this
/// share of its length does so at once. Own rule, no source.
const AT_ONCE: f64 = 0.01;
/// The class of IEEE 1789-2015, 8.1.1, that is worth a word.
const HIGH_RISK: &str = "high_risk";

/// One thing that stands out.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// What it is about: `colour`, `modulation`, `step`, `program`.
    pub about: &'static str,
    /// In a sentence.
    pub says: String,
}

/// Everything that stands out.
pub fn findings(survey: Option<&Survey>, measures: &[Measure]) -> Vec<Finding> {
    let mut found = steps(survey);
    for measure in measures {
        let about = |about, says: String| Finding { about, says };
        let of = &measure.of;
        if let Some(duv) = value(measure, "duv").filter(|duv| duv.abs() > DUV_AT_MOST) {
            // Towards one meter and into the whole sphere a lamp may have two colours.
            let all = if measure.kind == "flux" {
                ", all its light"
            } else {
                ""
            };
            let says = format!("{of}{all}: Duv {duv:+.4}, beyond {DUV_AT_MOST}");
            found.push(about("colour", says));
        }
        if word(measure, "ieee_worst") == Some(HIGH_RISK) {
            let percent = value(measure, "percent_flicker");
            let hertz = value(measure, "dominant_hz");
            let much = percent.zip(hertz);
            let much = much.map(|(percent, hertz)| format!(": {percent:.0} % at {hertz:.0} Hz"));
            let says = format!(
                "{of}: high risk by IEEE 1789-2015{}",
                much.unwrap_or_default()
            );
            found.push(about("modulation", says));
        }
        if measure.kind == "ramp" && never_ends(measure) {
            let says = format!("{of}: its light never comes to 10 % of its plateau");
            found.push(about("program", says));
        }
        if let Some(seconds) = at_once(measure) {
            let says =
                format!("{of}: between a half and a tenth of its plateau within {seconds:.1} s");
            found.push(about("program", says));
        }
    }
    found
}

/// How long a program takes between a half and a tenth, where that is no time.
fn at_once(measure: &Measure) -> Option<f64> {
    let (t10, t50) = (value(measure, "t10_s")?, value(measure, "t50_s")?);
    let length = t50 / value(measure, "t50_over_length")?;
    let took = (t10 - t50).abs();
    (took < AT_ONCE * length).then_some(took)
}

/// A program that crosses half of its plateau, or less, and never a tenth.
fn never_ends(measure: &Measure) -> bool {
    value(measure, "plateau_lx").is_some() && value(measure, "t10_s").is_none()
}

/// Steps between neighbouring levels of one tone at the nearest position.
fn steps(survey: Option<&Survey>) -> Vec<Finding> {
    let Some(survey) = survey else {
        return Vec::new();
    };
    let nearest = survey.cells.iter().map(|cell| cell.position_m);
    let nearest = nearest.fold(f64::INFINITY, f64::min);
    let at = |cell: &&SurveyCell| cell.position_m == nearest;
    let mut cells: Vec<&SurveyCell> = survey.cells.iter().filter(at).collect();
    cells.sort_by(|a, b| a.setting.cmp(&b.setting));
    let tone = |cell: &SurveyCell| {
        cell.setting
            .rsplit_once('L')
            .map(|(tone, _)| tone.to_owned())
    };
    let pairs = cells
        .windows(2)
        .filter(|pair| tone(pair[0]) == tone(pair[1]));
    let ratios = pairs.filter_map(|pair| {
        let (low, high) = (pair[0].illuminance_lx?, pair[1].illuminance_lx?);
        (low > 0.0).then(|| (pair[0], pair[1], high / low))
    });
    ratios
        .filter(|(.., ratio)| *ratio > STEP_AT_MOST)
        .map(|(low, high, ratio)| Finding {
            about: "step",
            says: format!(
                "{} to {}: {ratio:.1} times the light",
                low.setting, high.setting
            ),
        })
        .collect()
}

/// A figure of a measure by its name.
pub fn figure<'m>(measure: &'m Measure, name: &str) -> Option<&'m Figure> {
    measure.figures.iter().find(|figure| figure.name == name)
}

fn value(measure: &Measure, name: &str) -> Option<f64> {
    figure(measure, name)?.value
}

fn word<'m>(measure: &'m Measure, name: &str) -> Option<&'m str> {
    figure(measure, name)?.word.as_deref()
}

/// The values of a figure over measures of a kind.
pub fn values<'m>(
    measures: &'m [Measure],
    kind: &'m str,
    name: &'m str,
) -> impl Iterator<Item = f64> + 'm {
    let of_kind = measures.iter().filter(move |measure| measure.kind == kind);
    of_kind.filter_map(move |measure| value(measure, name))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measure(kind: &str, of: &str, figures: &[(&str, Option<f64>, Option<&str>)]) -> Measure {
        let figures = figures.iter().map(|(name, value, word)| Figure {
            name: (*name).to_owned(),
            value: *value,
            word: word.map(str::to_owned),
            ..Figure::default()
        });
        Measure {
            test: kind.to_owned(),
            kind: kind.to_owned(),
            of: of.to_owned(),
            shown: of.to_owned(),
            meter: "m".to_owned(),
            figures: figures.collect(),
            notes: Vec::new(),
            events: 1,
            unfinished: false,
            curve: None,
            on_the_way: Vec::new(),
        }
    }

    #[test]
    fn only_what_stands_out_is_told() {
        let measures = [
            measure("spectrum", "L01", &[("duv", Some(0.0059), None)]),
            measure("spectrum", "L02", &[("duv", Some(-0.0061), None)]),
            measure("flux", "L02", &[("duv", Some(-0.0062), None)]),
            measure("flicker", "L01", &[("ieee_worst", None, Some("high_risk"))]),
            measure("flicker", "L02", &[("ieee_worst", None, Some("low_risk"))]),
            measure(
                "ramp",
                "dawn-1",
                &[("plateau_lx", Some(9.0), None), ("t10_s", Some(1.0), None)],
            ),
            measure(
                "ramp",
                "dusk-1",
                &[("plateau_lx", Some(9.0), None), ("t10_s", None, None)],
            ),
            measure("ramp", "dusk-2", &[]),
            measure(
                "ramp",
                "dusk-3",
                &[
                    ("t10_s", Some(900.4), None),
                    ("t50_s", Some(900.0), None),
                    ("t50_over_length", Some(0.5), None),
                ],
            ),
            measure(
                "ramp",
                "dusk-4",
                &[
                    ("t10_s", Some(919.0), None),
                    ("t50_s", Some(900.0), None),
                    ("t50_over_length", Some(0.5), None),
                ],
            ),
        ];
        let told: Vec<String> = findings(None, &measures)
            .into_iter()
            .map(|found| format!("{}: {}", found.about, found.says))
            .collect();
        assert_eq!(
            told,
            [
                "colour: L02: Duv -0.0061, beyond 0.006",
                "colour: L02, all its light: Duv -0.0062, beyond 0.006",
                "modulation: L01: high risk by IEEE 1789-2015",
                "program: dusk-1: its light never comes to 10 % of its plateau",
                "program: dusk-3: between a half and a tenth of its plateau within 0.4 s",
            ]
        );
    }
}
