//! What a report of a measurement must state, and what it must not be taken
//! for. What was not recorded is said to be so.

use super::markup::Markup;
use super::{Page, or_words};
use crate::plan::placement::Stated;
use crate::report::survey::{K, SurveyFigures};

/// All that must be stated, as terms and their words.
pub fn section(out: &mut Markup, page: &Page) {
    out.open("section", &[]);
    out.element("h2", &[], "How it was measured");
    for survey in &page.surveys {
        let test = super::of_test(page, survey);
        out.element("h3", &[], &format!("{test}Lamp, bench and meter"));
        list(out, &of_survey(survey));
    }
    out.element("h3", &[], "Run and decision");
    list(out, &of_run(page));
    out.close();
}

fn list(out: &mut Markup, entries: &[(&str, String)]) {
    out.open("dl", &[]);
    for (term, words) in entries {
        out.open("div", &[]);
        out.element("dt", &[], term);
        out.element("dd", &[], words);
        out.close();
    }
    out.close();
}

const NOT_RECORDED: &str = "not recorded";

fn of_survey(survey: &SurveyFigures) -> Vec<(&'static str, String)> {
    let heading = &survey.heading;
    let or_not = |text: &Option<String>| text.clone().unwrap_or_else(|| NOT_RECORDED.to_owned());
    let stated = Stated::ALL.map(|item| {
        let words = heading.stated.get(&item);
        let words =
            words.map(|words| format!("{words} (stated by {}, not measured)", heading.placed_by));
        (
            item.words(),
            words.unwrap_or_else(|| NOT_RECORDED.to_owned()),
        )
    });
    let recorded = vec![
        ("lamp", heading.lamp.clone()),
        ("unit", heading.unit.clone()),
        ("firmware", or_not(&heading.firmware)),
        ("settings", settings(survey)),
        ("distances", distances(survey)),
        ("measured from", heading.datum.to_owned()),
        (
            "near field",
            format!(
                "nearer than {}, 5 times the lamp's face",
                heading.near_field.shown(survey.lengths)
            ),
        ),
        ("bench", heading.bench.clone()),
        ("meter", heading.meter.clone()),
        ("certificate", or_not(&heading.certificate)),
        (
            "corrections",
            format!(
                "{}; the lamp's drift, by {}",
                survey.net_of.words(),
                heading.drift_by()
            ),
        ),
        (
            "uncertainty",
            format!(
                "U = k u with k = {K}, about 95 %: the meter's stated terms, the distance datum, repeatability, drift, background; nothing else"
            ),
        ),
        ("deviations", deviations(survey)),
        ("placed by", heading.placed_by.clone()),
    ];
    recorded.into_iter().chain(stated).collect()
}

fn settings(survey: &SurveyFigures) -> String {
    let names: Vec<&str> = survey.settings.iter().map(|s| s.shown.as_str()).collect();
    match names.as_slice() {
        [] => "none".to_owned(),
        [one] => (*one).to_owned(),
        [first, .., last] if names.len() > 12 => {
            format!("{} in this order, {first} to {last}", names.len())
        }
        _ => format!("in this order: {}", names.join(", ")),
    }
}

fn distances(survey: &SurveyFigures) -> String {
    let points = survey.settings.iter().flat_map(|s| &s.points);
    let mut at: Vec<_> = points.map(|p| p.position).collect();
    at.sort_unstable();
    at.dedup();
    match (at.first(), at.last()) {
        (Some(first), Some(last)) if first != last => format!(
            "{} from {} to {}",
            at.len(),
            first.shown(survey.lengths),
            last.shown(survey.lengths)
        ),
        (Some(only), _) => only.shown(survey.lengths),
        _ => "none".to_owned(),
    }
}

fn deviations(survey: &SurveyFigures) -> String {
    let mut said = survey.failures.clone();
    if survey.unfinished {
        said.push("something that the plan asks for is not measured".to_owned());
    }
    let aside = survey.set_aside.iter();
    said.extend(aside.map(|words| format!("set aside: {words}")));
    if said.is_empty() {
        "none recorded".to_owned()
    } else {
        said.join("; ")
    }
}

fn of_run(page: &Page) -> Vec<(&'static str, String)> {
    let run = &page.run;
    let words = |text: &str, none: &str| or_words(text, none).to_owned();
    let mut rules: Vec<&str> = page.rulings.iter().map(|r| r.rule.as_str()).collect();
    rules.retain(|rule| !rule.trim().is_empty());
    rules.sort_unstable();
    rules.dedup();
    let rule = match (page.rulings.is_empty(), rules.is_empty()) {
        (true, _) => "none: no criterion was ruled on".to_owned(),
        (_, true) => NOT_RECORDED.to_owned(),
        _ => rules.join("; "),
    };
    vec![
        (
            "run",
            format!("{}, {}", run.number, words(&run.state, "state not known")),
        ),
        ("booked", words(&run.booked, NOT_RECORDED)),
        ("begun", words(&run.begun, "not yet")),
        ("ended", words(&run.ended, "not yet")),
        ("decision rule", rule),
        ("program", words(&run.program, NOT_RECORDED)),
        ("page made", words(&run.made, NOT_RECORDED)),
    ]
}

const CAUTIONS: [&str; 7] = [
    "These are bright lights: do not look into one at close range, and warn whoever is in the room before one flashes.",
    "Nothing on this page is an assessment of safety. Hazards of blue light, of flashing, of heat and of electricity were not assessed here.",
    "Nothing on this page says what a lamp does for anyone's sleep, mood or health, or how it should be used; that is for a clinician to say.",
    "Lux at the bench is not dose at the eye: the meter stands on the lamp's axis and faces it. A head lies elsewhere, looks elsewhere, and may have its eyes closed.",
    "The figures speak of this one unit, with this firmware, on that night. Another unit of the same model may differ.",
    "U holds the terms that are named above and no others: stray light, a tilted meter or an unlike spectrum are not in it unless the meter's file says so.",
    "Distances between measured points are interpolated; nothing is said of those beyond.",
];

/// What the page must not be taken for.
pub fn cautions(out: &mut Markup) {
    out.open("section", &[]);
    out.element("h2", &[], "Cautions");
    out.open("ul", &[]);
    for caution in CAUTIONS {
        out.element("li", &[], caution);
    }
    out.close();
    out.close();
}
