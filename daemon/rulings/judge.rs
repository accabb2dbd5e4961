//! One round over the surveys of a run: every criterion and metric of the plan
//! on every survey that it is for. Pure, but for the scripts' second net, a
//! deadline; their first one counts operations, the same everywhere.
//!
//! Called by: round.

use std::collections::BTreeMap;
use std::sync::Arc;

use photometry::uncertainty::Estimate;

use super::library::{self, Library, Ready};
use super::view;
use crate::plan::frozen::Frozen;
use crate::plan::uses::{Purpose, Use};
use crate::report::survey::SurveyFigures;
use crate::run::journal::{Link, RunId};
use crate::script::criteria::{Ruling, Word};
use crate::script::host;
use crate::script::limits::{Limits, ROUND_OPERATIONS};
use crate::script::unit::Unit;
use crate::script::view::{Measured, View};
use crate::store::rulings::Ruled;

/// Coverage factor of a metric's U.
const K: f64 = 2.0;
/// What a metric says of its uncertainty.
const METRIC_RULE: &str = "U = k u, k = 2";

/// Why a script was not run.
const USED_UP: &str = "not run: the plan's scripts before it used up the 40 million operations \
     that one round may take; make their loops shorter, or put this one first";

/// What a round found, with the texts of its scripts by their digests.
pub struct Judged {
    /// The rulings and figures, in the plan's order.
    pub ruled: Vec<Ruled>,
    /// The scripts' texts.
    pub scripts: BTreeMap<String, String>,
}

/// Rules on the surveys of a run. A script that is missing or does not fit is
/// told as an undecided ruling, never left out; so is what stands behind scripts
/// that used up the round's operations.
pub fn judge(
    run: RunId,
    frozen: &Frozen,
    uses: &[Use],
    library: &Library,
    surveys: &[SurveyFigures],
) -> Judged {
    let mut judged = Judged {
        ruled: Vec::new(),
        scripts: BTreeMap::new(),
    };
    let views: Vec<(&str, Arc<View>)> = surveys
        .iter()
        .map(|figures| {
            let view = view::view(run, frozen, figures);
            (figures.test.as_str(), Arc::new(view))
        })
        .collect();
    let mut used: u64 = 0;
    for one in uses {
        let text = library.text(&one.script).map(|text| text.text);
        let text = text.unwrap_or_default();
        let digest = digest_of(&text);
        judged.scripts.entry(digest.clone()).or_insert(text);
        let mut ready = library::ready(one, library);
        let before = judged.ruled.len();
        for (test, view) in &views {
            if one.test.as_deref().is_none_or(|wanted| wanted == *test) {
                if used >= ROUND_OPERATIONS {
                    ready = Err(USED_UP.to_owned());
                }
                judged.ruled.push(on(one, test, &digest, &ready, view));
                if ready.is_ok() {
                    used = used.saturating_add(host::operations_used());
                }
            }
        }
        if judged.ruled.len() == before {
            judged.ruled.push(without_a_test(one, &digest, &ready));
        }
    }
    judged
}

/// SHA-256 as hexadecimal digits.
fn digest_of(text: &str) -> String {
    Link::of_bundle(text.as_bytes()).hex()
}

/// A use for a test that the run does not have: undecided, not left out.
fn without_a_test(one: &Use, digest: &str, ready: &Result<Ready, String>) -> Ruled {
    let test = one.test.as_deref().unwrap_or_default();
    let why = match test {
        "" => "the run has no survey".to_owned(),
        test => format!("the run has no test `{test}`"),
    };
    let blank = blank(one, test, digest, ready);
    match one.purpose {
        Purpose::Criterion => of_ruling(blank, (Ruling::undecided(why), None)),
        Purpose::Metric => Ruled {
            reason: why,
            ..blank
        },
    }
}

/// A ruling that says nothing yet.
fn blank(one: &Use, test: &str, digest: &str, ready: &Result<Ready, String>) -> Ruled {
    Ruled {
        name: one.name.clone(),
        purpose: one.purpose,
        test: test.to_owned(),
        line: Some(one.line.clone()).filter(|line| !line.file.is_empty()),
        script: one.script.clone(),
        script_digest: digest.to_owned(),
        given: given_shown(one, ready),
        word: None,
        value: None,
        unit: String::new(),
        expanded: None,
        k: None,
        at_least: None,
        at_most: None,
        rule: String::new(),
        reason: String::new(),
        estimate: None,
        rests_on: Vec::new(),
    }
}

/// One use on one survey.
fn on(
    one: &Use,
    test: &str,
    digest: &str,
    ready: &Result<Ready, String>,
    view: &Arc<View>,
) -> Ruled {
    let limits = Limits::default();
    let blank = blank(one, test, digest, ready);
    match (one.purpose, ready) {
        (Purpose::Criterion, Err(why)) => of_ruling(blank, (Ruling::undecided(why.as_str()), None)),
        (Purpose::Criterion, Ok(ready)) => of_ruling(
            blank,
            host::rule_with_terms(&ready.script, view, &ready.given, &limits),
        ),
        (Purpose::Metric, Err(why)) => Ruled {
            reason: why.clone(),
            ..blank
        },
        (Purpose::Metric, Ok(ready)) => {
            match host::measure(&ready.script, view, &ready.given, &limits) {
                Ok(measured) => of_metric(blank, measured),
                Err(fault) => Ruled {
                    reason: format!("the script ended with a fault: {fault}"),
                    ..blank
                },
            }
        }
    }
}

/// The parameters as text: all of them where the script is ready, else those
/// that the plan wrote.
fn given_shown(one: &Use, ready: &Result<Ready, String>) -> BTreeMap<String, String> {
    match ready {
        Ok(ready) => {
            let all = ready.given.values.iter();
            all.map(|(name, value)| (name.clone(), value.shown()))
                .collect()
        }
        Err(_) => one.given.clone(),
    }
}

fn of_ruling(blank: Ruled, (ruling, estimate): (Ruling, Option<Estimate>)) -> Ruled {
    let (at_least, at_most) = ruling.limit.unwrap_or((None, None));
    let unit = ruling.unit.as_ref().map_or("", Unit::symbol).to_owned();
    Ruled {
        word: Some(ruling.word.words().to_owned()),
        value: ruling.about.map(|about| about.value),
        expanded: ruling.about.map(|about| about.expanded),
        k: ruling.about.map(|about| about.k),
        unit,
        at_least,
        at_most,
        rule: ruling.rule,
        reason: ruling.reason,
        estimate,
        rests_on: ruling.rests_on,
        ..blank
    }
}

fn of_metric(blank: Ruled, measured: Measured) -> Ruled {
    let unit = measured.unit.symbol().to_owned();
    let flags = measured.flags.join("; ");
    match measured.what {
        Ok(estimate) => Ruled {
            value: Some(estimate.value),
            expanded: Some(estimate.expanded(K)).filter(|u| u.is_finite()),
            k: Some(K),
            unit,
            rule: METRIC_RULE.to_owned(),
            reason: flags,
            estimate: Some(estimate),
            rests_on: measured.rests_on,
            ..blank
        },
        Err(why) => Ruled {
            unit,
            reason: if flags.is_empty() {
                why
            } else {
                format!("{why}; {flags}")
            },
            rests_on: measured.rests_on,
            ..blank
        },
    }
}

/// Whether a round holds something that is not a pass: what `rule` ends with.
pub fn all_pass(ruled: &[Ruled]) -> bool {
    ruled
        .iter()
        .filter_map(|one| one.word.as_deref())
        .all(|word| word == Word::Pass.words())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::frozen::SentText;
    use crate::plan::intent::PlanLine;
    use crate::plan::samples::survey;
    use crate::report::gather::surveys;
    use crate::store::samples::{Story, frozen};

    /// Endless scripts before a sound one: each is ended by its own limit, and
    /// when the round's is used up the rest is undecided and says so.
    #[test]
    fn a_round_has_a_limit_over_all_its_scripts() {
        let story = Story::begin(frozen(1, survey(&[6])));
        let figures = surveys(&story.frozen, &story.rows(), &story.events);
        let text = |name: &str, body: &str| SentText {
            name: name.to_owned(),
            text: format!("// Nothing but a test.\nfn criterion(run, given) {{ {body} }}"),
        };
        let library = Library::of(vec![
            text("endless.rhai", "loop {}"),
            text("sound.rhai", "undecided(\"it ran\")"),
        ]);
        let one = |script: &str| Use {
            name: script.to_owned(),
            line: PlanLine::default(),
            purpose: Purpose::Criterion,
            script: script.to_owned(),
            given: BTreeMap::new(),
            test: None,
        };
        let reasons = |endless: usize| -> Vec<String> {
            let mut uses = vec![one("endless.rhai"); endless];
            uses.push(one("sound.rhai"));
            let judged = judge(RunId(1), &story.frozen, &uses, &library, &figures);
            judged.ruled.into_iter().map(|one| one.reason).collect()
        };
        assert_eq!(reasons(3).last().map(String::as_str), Some("it ran"));
        let all = reasons(22);
        assert_eq!(all.len(), 23, "none is left out");
        let ran = all
            .iter()
            .filter(|why| why.contains("used up its operations"));
        assert_eq!(ran.count(), 20, "{all:?}");
        assert!(all[20..].iter().all(|why| why == USED_UP), "{all:?}");
        assert!(USED_UP.contains(&format!("{} million", ROUND_OPERATIONS / 1_000_000)));
    }
}
