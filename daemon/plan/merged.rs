//! A plan as it is in force: what the file says, what its base says, and what
//! neither says, each value with where it comes from.
//!
//! Called by: cli (`check --merged`). The defaults are read from the plan as it
//! was understood, those of scripts are asked of whoever knows scripts, so that
//! none is told that does not hold. Pure.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use photometry::units::{LengthUnit, Span};
use serde::Serialize;
use written::{Document, Kind, Node};

use super::intent::{
    AfterPowerLoss, IfAbsent, OnFailure, Plan, Policies, Reference, Survey, TestKind, WarmUp,
};
use super::itinerary::KindName;
use super::kinds::{FluxTest, RampTest, Sight, StandbyTest};
use super::uses::{Purpose, Use};

/// One line of a merged plan.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Row {
    /// The keys that lead to it, `tests.levels.readings`.
    pub path: String,
    /// Its value; none of a group of keys.
    pub value: Option<String>,
    /// The file that says so; none for a default.
    pub file: Option<String>,
    /// The line of that file.
    pub line: Option<u32>,
    /// No file says it.
    pub is_default: bool,
    /// How many keys lead to it.
    #[serde(skip)]
    depth: usize,
    /// The last of them.
    #[serde(skip)]
    key: String,
}

/// A key that a group may have, with what holds when it has not.
enum Missing {
    /// A value.
    Value(String, String),
    /// A group of keys.
    Group(&'static str),
}

/// What defaults are asked of.
type Of<'p> = (&'p Plan, &'p GivenOf<'p>);

/// The rows of a plan, in the order of its file and its base; after the keys
/// of a group its defaults.
/// `given` tells the parameters of a use of a script, its defaults too.
pub fn rows(document: &Document, plan: &Plan, given: &GivenOf<'_>) -> Vec<Row> {
    let mut rows = Vec::new();
    group(Some(document.root()), &[], (plan, given), &mut rows);
    rows
}

/// The parameters of a use of a script as text with units, by name.
pub type GivenOf<'g> = dyn Fn(&Use) -> BTreeMap<String, String> + 'g;

/// As a person reads it: YAML, with the origin of each value as a comment.
pub fn text(rows: &[Row]) -> String {
    let said = |row: &Row| {
        let value = row.value.as_deref().map(|value| format!(" {value}"));
        let indent = "  ".repeat(row.depth);
        format!("{indent}{}:{}", row.key, value.unwrap_or_default())
    };
    let values = rows.iter().filter(|row| row.value.is_some());
    let width = values
        .map(|row| said(row).chars().count())
        .max()
        .unwrap_or(0);
    let mut text = String::new();
    for row in rows {
        let line = said(row);
        // Writing to a String cannot fail.
        let _ = match (&row.file, row.line, &row.value) {
            (_, _, None) => writeln!(text, "{line}"),
            (Some(file), Some(at), _) => writeln!(text, "{line:<width$}  # {file}:{at}"),
            _ => writeln!(text, "{line:<width$}  # default"),
        };
    }
    text
}

/// A group of keys as written (none: not at all), and its defaults.
fn group(node: Option<Node<'_>>, path: &[&str], of: Of<'_>, rows: &mut Vec<Row>) {
    for (key, value) in node.iter().flat_map(|node| node.entries()) {
        let name = key.text().unwrap_or_default();
        let path = [path, &[name]].concat();
        let is_group = value.kind() == Kind::Map && value.entries().next().is_some();
        let (file, line) = match is_group {
            true => key.place().plan_line(),
            false => value.place().plan_line(),
        };
        let mut row = row_at(&path);
        row.value = (!is_group).then(|| shown(value));
        row.file = Some(file.to_string());
        row.line = Some(line);
        rows.push(row);
        if is_group {
            group(Some(value), &path, of, rows);
        }
    }
    let says = |key: &str| node.is_some_and(|node| node.get(key).is_some());
    for missing in defaults(path, of) {
        match missing {
            Missing::Value(key, value) if !says(&key) => {
                let mut row = row_at(&[path, &[key.as_str()]].concat());
                row.value = Some(value);
                row.is_default = true;
                rows.push(row);
            }
            Missing::Group(key) if !says(key) => {
                let path = [path, &[key]].concat();
                let mut row = row_at(&path);
                row.is_default = true;
                rows.push(row);
                group(None, &path, of, rows);
            }
            Missing::Value(..) | Missing::Group(_) => {}
        }
    }
}

fn row_at(path: &[&str]) -> Row {
    Row {
        path: path.join("."),
        value: None,
        file: None,
        line: None,
        is_default: false,
        depth: path.len().saturating_sub(1),
        key: path.last().copied().unwrap_or_default().to_owned(),
    }
}

/// A value as it was written; a list in one line.
fn shown(node: Node<'_>) -> String {
    match node.kind() {
        Kind::List => {
            let items: Vec<String> = node.items().map(shown).collect();
            format!("[{}]", items.join(", "))
        }
        Kind::Map => {
            let pair = |(key, value): (Node<'_>, Node<'_>)| {
                format!("{}: {}", key.text().unwrap_or_default(), shown(value))
            };
            let pairs: Vec<String> = node.entries().map(pair).collect();
            format!("{{{}}}", pairs.join(", "))
        }
        _ => {
            let text = node.text().unwrap_or_default();
            match node.is_quoted() {
                // As JSON writes it, which YAML reads.
                true => quoted(text),
                false => text.to_owned(),
            }
        }
    }
}

/// Text in double quotes, as YAML reads it.
fn quoted(text: &str) -> String {
    let mut all = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => {
                all.push('\\');
                all.push(c);
            }
            '\n' => all.push_str("\\n"),
            '\t' => all.push_str("\\t"),
            c => all.push(c),
        }
    }
    all.push('"');
    all
}

/// What a group of keys may have besides, and what holds without.
fn defaults(path: &[&str], (plan, given): Of<'_>) -> Vec<Missing> {
    let test = |name: &str| plan.tests.iter().find(|test| test.name == name);
    let survey = |name: &str| test(name)?.kind.survey();
    match path {
        [] => vec![Missing::Group("policies")],
        ["policies"] => of_policies(&plan.policies),
        ["tests", name] => test(name)
            .map(|test| of_test(&test.kind))
            .unwrap_or_default(),
        ["tests", name, "reference"] => survey(name)
            .map(|survey| of_reference(&survey.reference))
            .unwrap_or_default(),
        [section, name] => match used(plan, section, name) {
            Some(one) if !given(one).is_empty() => vec![Missing::Group("given")],
            _ => Vec::new(),
        },
        [section, name, "given"] => used(plan, section, name)
            .map(|one| given(one).into_iter())
            .into_iter()
            .flatten()
            .map(|(name, value)| Missing::Value(name, value))
            .collect(),
        _ => Vec::new(),
    }
}

/// The use of a script that a section of the plan names.
fn used<'p>(plan: &'p Plan, section: &str, name: &str) -> Option<&'p Use> {
    let purpose = match section {
        "criteria" => Purpose::Criterion,
        "metrics" => Purpose::Metric,
        _ => return None,
    };
    let fits = |one: &&Use| one.purpose == purpose && one.name == name;
    plan.uses.iter().find(fits)
}

/// A default by its key.
fn value(key: &str, value: impl ToString) -> Missing {
    Missing::Value(key.to_owned(), value.to_string())
}

fn of_test(kind: &TestKind) -> Vec<Missing> {
    let mut all = match kind {
        TestKind::Survey(survey) => return of_survey(survey),
        TestKind::Spectrum(test) => vec![
            value("meter", "the only one that fits"),
            value("captures", test.captures),
            value("dark", test.dark),
            value("longest-integration", test.longest.shown()),
        ],
        TestKind::Flicker(test) => vec![
            value("meter", "the only one that fits"),
            value("length", test.length.shown()),
            value("rate", rate(test.step)),
            value(
                "other-rate",
                test.other_step.map_or_else(|| "none".to_owned(), rate),
            ),
            value("captures", test.captures),
            value("dark", test.dark),
            value("severity", test.severity),
        ],
        TestKind::Flux(test) => of_flux(test),
        TestKind::Ramp(test) => return of_ramp(test),
        TestKind::Standby(test) => return of_standby(test),
    };
    if let Some(sight) = kind.sight() {
        all.extend(of_sight(sight, kind.name()));
    }
    all
}

fn of_flux(test: &FluxTest) -> Vec<Missing> {
    let mut all = vec![
        value("power-meter", "the only one that fits, if there is one"),
        value("dark", test.dark),
        value("spectra", "none"),
    ];
    if let Some(spectra) = &test.spectra {
        all.push(value("spectrum-meter", "the only one that fits"));
        all.push(value("longest-integration", spectra.longest.shown()));
    }
    all
}

fn of_ramp(test: &RampTest) -> Vec<Missing> {
    let at = test.sight.at.map(|at| at.shown(LengthUnit::Inches));
    let mut all: Vec<Missing> = at.map(|at| value("at", at)).into_iter().collect();
    all.extend([
        value("watched-by", "the only one that fits"),
        value("beside", "none"),
        value("every", test.every.shown()),
        value("soak", test.soak.shown()),
        value("lead", test.lead.shown()),
        value("after", test.after.shown()),
        value("times", test.times),
        value("dark", test.dark),
        value("hold", test.hold),
        value("warm-up-rule", "lm-79"),
        value("spectra", "none"),
        value("spectra-every", "never"),
    ]);
    if test.spectra.is_some() || test.on_the_way.is_some() {
        let longest = test.spectra.as_ref().map(|spectra| spectra.longest);
        let longest = longest.or(test.on_the_way.as_ref().map(|way| way.longest));
        all.push(value("spectrum-meter", "the only one that fits"));
        all.extend(longest.map(|longest| value("longest-integration", longest.shown())));
    }
    all
}

fn of_standby(test: &StandbyTest) -> Vec<Missing> {
    let mut all = vec![
        value("at", "6 in, or the nearest that the rail reaches"),
        value("watched-by", "the only one that fits"),
        value("settle", "as long as the rail needs"),
        value("power-meter", "the only one that fits, if there is one"),
        value("watch", test.watch.shown()),
        value("every", test.every.shown()),
        value("settings", "[full]"),
        value("readings", test.sight.readings),
        value("dark", test.dark),
        value("ambient", test.ambient),
    ];
    if let WarmUp::Fixed(span) = test.sight.warm_up {
        all.push(value("warm-up", span.shown()));
    }
    all
}

/// Samples a second, as a plan writes them.
fn rate(step: Span) -> String {
    format!("{:.6} kHz", 1e-3 / step.secs())
}

fn of_sight(sight: &Sight, kind: KindName) -> Vec<Missing> {
    let settings = match kind {
        KindName::Flicker => "[full, half-setting]",
        _ => "all",
    };
    let mut all = vec![value("settings", settings)];
    all.extend(sight.at.map(|at| value("at", at.shown(LengthUnit::Inches))));
    all.extend([
        value("watched-by", "the only one that fits"),
        value("warm-up", "leg"),
    ]);
    if sight.at.is_some() {
        all.push(value("settle", "as long as the rail needs"));
    }
    // A fixed time needs no rule.
    if !matches!(sight.warm_up, WarmUp::Fixed(_)) {
        all.push(value("warm-up-rule", "lm-79"));
    }
    all.extend([
        value("readings", sight.readings),
        value("drift-limit", sight.drift_limit),
        value("give-up", sight.give_up),
    ]);
    all
}

fn of_survey(survey: &Survey) -> Vec<Missing> {
    let mut all = vec![
        value("meter", "the only one that fits"),
        value("settings", "all"),
        value("readings", survey.readings),
        value("settle", "as long as the rail needs"),
        value("dark", survey.dark),
        value("ambient", survey.ambient),
        value("warm-up", "leg"),
    ];
    // A fixed time needs no rule.
    if !matches!(survey.warm_up, WarmUp::Fixed(_)) {
        all.push(value("warm-up-rule", "lm-79"));
    }
    all.push(Missing::Group("reference"));
    all
}

fn of_reference(reference: &Reference) -> Vec<Missing> {
    vec![
        value("at", reference.at.shown(LengthUnit::Inches)),
        value("every", reference.every),
        value("drift-limit", reference.drift_limit),
        value("give-up", reference.give_up),
    ]
}

fn of_policies(policies: &Policies) -> Vec<Missing> {
    let on_failure = match policies.on_failure {
        OnFailure::NextTest => "next test",
        OnFailure::Hold => "hold",
        OnFailure::Stop => "stop",
    };
    let if_absent = match policies.if_absent {
        IfAbsent::Refuse => "refuse",
        IfAbsent::LeaveOut => "leave out",
    };
    let after_power_loss = match policies.after_power_loss {
        AfterPowerLoss::Hold => "hold",
        AfterPowerLoss::Resume => "resume",
    };
    vec![
        value("on-failure", on_failure),
        value("if-absent", if_absent),
        value("after-power-loss", after_power_loss),
        value("if-disturbed", policies.if_disturbed.word()),
        value("window", "any time"),
    ]
}
