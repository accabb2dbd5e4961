//! What was ruled: a word and a mark, the figure with its U, the limit, the
//! decision rule, the reason. First what the run's own plan ruled; beside it
//! what other plans and certificates did, each named.

use super::markup::Markup;
use super::{Page, Ruled, or_words};
use crate::report::digits;

/// The words of a ruling, with a mark that is told apart without colour.
const WORDS: [(&str, &str); 5] = [
    ("pass", "✓"),
    ("conditional pass", "(✓)"),
    ("conditional fail", "(✗)"),
    ("fail", "✗"),
    ("undecided", "?"),
];

/// All rulings, in the order given.
pub fn section(out: &mut Markup, page: &Page) {
    out.open("section", &[]);
    out.element("h2", &[], "Rulings");
    if page.rulings.is_empty() {
        out.element(
            "p",
            &[],
            "No criterion was ruled on: the figures below stand without a pass or a fail.",
        );
    } else {
        list(out, &page.rulings);
    }
    for other in &page.other_rulings {
        let by = format!(
            "Beside them, not the run's own rulings: by {}, {}",
            other.by, other.when
        );
        out.element("h3", &[], &by);
        if other.by.contains("certificate") {
            let words = "They rest on another certificate than the figures below; their accounts show theirs.";
            out.element("p", &[], words);
        }
        list(out, &other.rulings);
    }
    out.close();
}

fn list(out: &mut Markup, rulings: &[Ruled]) {
    out.open("ol", &[("class", "rulings")]);
    for ruled in rulings {
        one(out, ruled);
    }
    out.close();
}

fn one(out: &mut Markup, ruled: &Ruled) {
    out.open("li", &[]);
    out.open("h3", &[]);
    let known = WORDS.iter().find(|(word, _)| *word == ruled.word);
    let mark = known.map_or("–", |(_, mark)| mark);
    out.element("span", &[("class", "mark"), ("aria-hidden", "true")], mark);
    let criterion = or_words(&ruled.criterion, "a criterion without a name");
    let word = or_words(&ruled.word, "no word");
    let outdated = match ruled.outdated {
        true => ", before readings were set aside or taken back",
        false => "",
    };
    out.text(&format!("{word}: {criterion}{outdated}"));
    out.account(&ruled.id);
    out.close();
    let limit = or_words(&ruled.limit, "no limit is written");
    out.element("p", &[], &format!("{}; limit: {limit}.", figure(ruled)));
    let script = match ruled.script.trim() {
        "" => "no script is named".to_owned(),
        script => format!("script {script}"),
    };
    let rule = or_words(&ruled.rule, "none is written");
    let reason = sentence(or_words(&ruled.reason, "none is written"));
    let why = format!("Reason: {reason} Decision rule: {rule} ({script}).");
    out.element("p", &[("class", "why")], &why);
    out.close();
}

/// A full stop at the end, once.
fn sentence(text: &str) -> String {
    let text = text.trim_end();
    if text.ends_with(['.', '!', '?']) {
        text.to_owned()
    } else {
        format!("{text}.")
    }
}

/// Value and U with the digits that U allows, or that there is none.
fn figure(ruled: &Ruled) -> String {
    let unit = ruled.unit.trim();
    let space = if unit.is_empty() { "" } else { " " };
    match ruled.value.filter(|value| value.is_finite()) {
        None => "No value".to_owned(),
        Some(value) => match digits::shown(value, ruled.expanded) {
            (value, Some(u)) => format!("{value} ± {u}{space}{unit} (U for 95 %)"),
            (value, None) => format!("{value}{space}{unit}, its U is not known"),
        },
    }
}

/// How many of each word, for the title; what rests on other readings than the
/// figures do is not counted as what it says.
pub fn summary(rulings: &[Ruled]) -> String {
    let mut counts: Vec<String> = Vec::new();
    let outdated = rulings.iter().filter(|r| r.outdated).count();
    for (word, _) in WORDS {
        let n = rulings
            .iter()
            .filter(|r| !r.outdated && r.word == word)
            .count();
        if n > 0 {
            counts.push(format!("{n} {word}"));
        }
    }
    if outdated > 0 {
        counts.push(format!("{outdated} outdated"));
    }
    let known = |r: &&Ruled| r.outdated || WORDS.iter().any(|(word, _)| *word == r.word);
    let other = rulings.iter().filter(|r| !known(r)).count();
    if other > 0 {
        counts.push(format!("{other} without a known word"));
    }
    match (rulings.len(), counts.as_slice()) {
        (1, [only]) => format!("1 criterion: {}", only.trim_start_matches("1 ")),
        (n, [only]) => {
            let word = only.trim_start_matches(|c: char| c.is_ascii_digit());
            format!("all {n} criteria:{word}")
        }
        (n, _) => format!("of {n} criteria: {}", counts.join(", ")),
    }
}
