//! The scripts that a plan uses: criteria that rule on what was measured, and
//! metrics that derive figures from it.
//!
//! ```yaml
//! criteria:
//!   bright enough at the pillow:
//!     script: reaches-target            # a shipped one, or a file beside the plan
//!     given: {target: 250 lx, distance: 24 in}
//!     test: levels                      # every survey, if left out
//! ```
//!
//! A plan says which script and with what; what a script is, and whether these
//! parameters fit it, is asked of [`Scripts`], so that plans need no script
//! engine. Called by: plan_file, check.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use written::{Fields, Kind, Mistake, Mistakes, Node, Place, readers};

use super::card::Card;
use super::frozen::SentText;
use super::intent::PlanLine;
use super::profiles::{ProfilePlaces, Profiles};

/// Scripts of one kind in a plan.
const USES_AT_MOST: usize = 100;

/// What a script is used for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Purpose {
    /// It rules on what was measured.
    Criterion,
    /// It derives a figure.
    Metric,
}

/// One use of a script.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Use {
    /// The name of the criterion or metric in this plan.
    pub name: String,
    /// Where it was written.
    pub line: PlanLine,
    /// What the script is used for.
    pub purpose: Purpose,
    /// The script: the name of a shipped one, or of a file beside the plan
    /// (`mine.rhai`).
    pub script: String,
    /// Its parameters as written, by name.
    pub given: BTreeMap<String, String>,
    /// The test that it looks at; none: every survey.
    pub test: Option<String>,
}

/// Where the parts of a use stand.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UsePlaces {
    /// Its name.
    pub name: Place,
    /// The script's name.
    pub script: Place,
    /// Each parameter.
    pub given: BTreeMap<String, Place>,
    /// The test's name.
    pub test: Option<Place>,
}

/// Who knows scripts.
pub trait Scripts {
    /// The texts of the scripts that these uses name, where they are known:
    /// mistakes point into them.
    fn texts(&self, uses: &[Use]) -> Vec<SentText>;

    /// Whether the script exists, compiles, serves this purpose and takes
    /// these parameters; every mistake at its place.
    fn check(&self, one: &Use, places: &UsePlaces, mistakes: &mut Mistakes);
}

/// Knows no scripts and no profiles and finds no fault: for readers that only want
/// the plan.
pub struct NotAsked;

impl Scripts for NotAsked {
    fn texts(&self, _: &[Use]) -> Vec<SentText> {
        Vec::new()
    }

    fn check(&self, _: &Use, _: &UsePlaces, _: &mut Mistakes) {}
}

impl Profiles for NotAsked {
    fn texts(&self, _: &Card) -> Vec<SentText> {
        Vec::new()
    }

    fn fill(&self, _: &mut Card, _: &ProfilePlaces, _: &mut Mistakes) {}

    fn check(&self, _: &SentText, _: &mut Mistakes) {}
}

/// Files beside the plan that a plan's uses name, each once.
pub fn files(uses: &[Use]) -> Vec<&str> {
    let mut files: Vec<&str> = Vec::new();
    for one in uses {
        if is_file(&one.script) && !files.contains(&one.script.as_str()) {
            files.push(&one.script);
        }
    }
    files
}

/// A script named with the ending of the language is a file beside the plan.
pub fn is_file(script: &str) -> bool {
    script.ends_with(".rhai")
}

/// Reads the uses of one purpose.
pub(super) fn uses(
    purpose: Purpose,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Vec<(Use, UsePlaces)>> {
    move |node, mistakes| {
        if node.kind() != Kind::Map || node.entries().next().is_none() {
            let wanted = match purpose {
                Purpose::Criterion => "criteria by their names",
                Purpose::Metric => "metrics by their names",
            };
            mistakes.add(readers::must_be(node, wanted).hint(
                "write a name such as `bright enough:`, and below it `script: reaches-target`",
            ));
            return None;
        }
        let entries: Vec<_> = node.entries().collect();
        if entries.len() > USES_AT_MOST {
            let what = match purpose {
                Purpose::Criterion => "criteria",
                Purpose::Metric => "metrics",
            };
            let text = format!(
                "that is {} {what}; at most {USES_AT_MOST} are read",
                entries.len()
            );
            mistakes.add(Mistake::new(node.place(), "too-many", text).hint("leave some out"));
            return None;
        }
        let read = |(key, value)| one(purpose, key, value, mistakes);
        Some(entries.into_iter().filter_map(read).collect())
    }
}

fn one(
    purpose: Purpose,
    key: Node<'_>,
    node: Node<'_>,
    mistakes: &mut Mistakes,
) -> Option<(Use, UsePlaces)> {
    let name = readers::name(key, mistakes);
    let what = format!("`{}`", key.text().unwrap_or("?"));
    let mut fields = Fields::of(node, &what, mistakes)?;
    let script = fields.need_like("script", "reaches-target", script);
    let given = fields.may_or("given", given, BTreeMap::new());
    let test = fields.may("test", readers::name);
    fields.finish();
    let place = |key: &str| node.get(key).map(Node::place);
    let places = UsePlaces {
        name: key.place(),
        script: place("script").unwrap_or_else(|| key.place()),
        given: given
            .iter()
            .map(|(name, (_, place))| (name.clone(), place.clone()))
            .collect(),
        test: place("test"),
    };
    let (file, line) = key.place().plan_line();
    let line = PlanLine {
        file: file.to_string(),
        line,
    };
    let given = given.into_iter().map(|(name, (value, _))| (name, value));
    let one = Use {
        name: name?,
        line,
        purpose,
        script: script?,
        given: given.collect(),
        test,
    };
    Some((one, places))
}

/// A script's name: of a shipped one, or of a file, without folders.
fn script(node: Node<'_>, mistakes: &mut Mistakes) -> Option<String> {
    let reader = readers::checked(readers::text, |text: &String| {
        let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
        let hidden = text.starts_with('.');
        let text_shown = readers::shown(text);
        if !text.chars().all(plain) || hidden {
            Err(format!(
                "{text_shown} is no script; write the name of a shipped one (`reaches-target`) or \
                 of a file beside the plan (`mine.rhai`)"
            ))
        } else if text.len() > readers::MAX_NAME_CHARS {
            Err(format!(
                "the name {text_shown} is longer than {} characters; give the file a shorter one",
                readers::MAX_NAME_CHARS
            ))
        } else {
            Ok(())
        }
    });
    reader(node, mistakes)
}

type Written = BTreeMap<String, (String, Place)>;

fn given(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Written> {
    if node.kind() != Kind::Map {
        let wanted = "parameters by their names, such as {target: 250 lx}";
        mistakes.add(readers::must_be(node, wanted));
        return None;
    }
    let read = node.entries().filter_map(|(key, value)| {
        let name = key.text()?.to_owned();
        let text = readers::text(value, mistakes)?;
        Some((name, (text, value.place())))
    });
    Some(read.collect())
}
