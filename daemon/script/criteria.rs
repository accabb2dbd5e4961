//! Rulings: the only functions that make one, and how several become one.
//!
//! A measured value is held against a limit with a guard band of U (the four
//! words of ILAC-G8:09/2019, from memory); what is not known, or flagged, is
//! undecided, never pass or fail. A script cannot make a ruling in any other
//! way: a bare true or a number is none.
//!
//! Called by: scripts, `host`. Not here: the rule itself (photometry's decision).

use photometry::decision::{self, DecisionRule, guard_factor};
use photometry::uncertainty::Estimate;
use rhai::{Array, Dynamic};
use serde::{Deserialize, Serialize};

use super::api::{Entry, entries};
use super::fault::{Fault, Raised, raise};
use super::items::Items;
use super::limits::ITEMS_PER_VALUE;
use super::reach;
use super::sandbox::charge;
use super::seen::Run;
use super::unit::Unit;
use super::values::{Amount, amount_or_number, kind_of, quotient, with_u, with_unit};

/// The rule of every ruling, in words.
const RULE: &str = "guard band of U (95.45 %); words of ILAC-G8:09/2019";

/// Bytes of a reason, to which a script may add: a few sentences. The engine
/// does not count what a ruling holds.
const REASON_BYTES: usize = 1_000;

/// Letters of a ruling's name: a setting and a few words, in a table's column.
const NAME_LETTERS: usize = 80;

/// The five words, worst first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Word {
    /// Beyond the limit by at least the guard band.
    #[serde(rename = "fail")]
    Fail,
    /// Beyond the limit, within the guard band.
    #[serde(rename = "conditional fail")]
    ConditionalFail,
    /// Missing or flagged data, or a fault of the script.
    #[serde(rename = "undecided")]
    Undecided,
    /// Within the limit, and within the guard band.
    #[serde(rename = "conditional pass")]
    ConditionalPass,
    /// Within the limit by at least the guard band.
    #[serde(rename = "pass")]
    Pass,
}

impl Word {
    /// As written.
    pub const fn words(self) -> &'static str {
        match self {
            Word::Fail => "fail",
            Word::ConditionalFail => "conditional fail",
            Word::Undecided => "undecided",
            Word::ConditionalPass => "conditional pass",
            Word::Pass => "pass",
        }
    }
}

impl From<decision::Ruling> for Word {
    fn from(ruling: decision::Ruling) -> Word {
        match ruling {
            decision::Ruling::Fail => Word::Fail,
            decision::Ruling::ConditionalFail => Word::ConditionalFail,
            decision::Ruling::Undecided => Word::Undecided,
            decision::Ruling::ConditionalPass => Word::ConditionalPass,
            decision::Ruling::Pass => Word::Pass,
        }
    }
}

/// The figure that was ruled on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RuledOn {
    /// Its value in the ruling's unit.
    pub value: f64,
    /// Its expanded uncertainty U = k u.
    pub expanded: f64,
    /// The coverage factor k for 95.45 %.
    pub k: f64,
}

/// The outcome of a criterion.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ruling {
    /// The word.
    pub word: Word,
    /// What it is about; none where nothing is known.
    pub about: Option<RuledOn>,
    /// Unit of figure and limits.
    pub unit: Option<Unit>,
    /// Not below the first, not above the second.
    pub limit: Option<(Option<f64>, Option<f64>)>,
    /// The decision rule in words.
    pub rule: String,
    /// Why, in a sentence.
    pub reason: String,
    /// Keys of the readings or points that it rests on.
    pub rests_on: Vec<String>,
    /// What ended the script, where it did not reach a ruling.
    pub fault: Option<Fault>,
}

impl Ruling {
    /// Undecided without figures.
    pub fn undecided(reason: impl Into<String>) -> Ruling {
        Ruling {
            word: Word::Undecided,
            about: None,
            unit: None,
            limit: None,
            rule: RULE.to_owned(),
            reason: reason.into(),
            rests_on: Vec::new(),
            fault: None,
        }
    }

    /// Undecided because a fault ended the script.
    pub fn of_fault(fault: Fault) -> Ruling {
        Ruling {
            fault: Some(fault.clone()),
            ..Ruling::undecided(format!("the script ended with a fault: {fault}"))
        }
    }
}

/// A ruling as scripts hold it: its keys are still numbers.
#[derive(Clone, Debug)]
pub(super) struct Ruled {
    ruling: Ruling,
    items: Items,
    /// What was ruled on.
    value: Option<Amount>,
    /// How many U it lies inside of its limit; negative outside, zero where
    /// nothing is known. Between equal words it tells the worse.
    margin: (f64, f64),
}

impl Ruled {
    /// With its keys, and the figure that was ruled on with its terms.
    pub(super) fn told(self, run: &Run) -> (Ruling, Option<Estimate>) {
        let value = self.value.filter(|_| self.ruling.about.is_some());
        let ruling = Ruling {
            rests_on: run.keys(&self.items),
            ..self.ruling
        };
        (ruling, value.and_then(|value| value.0.what.clone().ok()))
    }
}

/// What may be ruled on: a measured value.
fn measured(function: &str, value: &Dynamic) -> Raised<Amount> {
    let Some(amount) = value.read_lock::<Amount>() else {
        let kind = kind_of(value);
        return raise(format!(
            "{function} rules on a measured value; {kind} has no uncertainty and rests on nothing"
        ));
    };
    if amount.0.given {
        return raise(format!(
            "{function} rules on a measured value; this one is only given"
        ));
    }
    Ok((*amount).clone())
}

/// A limit in a value's unit: a number, or a given quantity.
fn limit(value: &Dynamic, unit: &Unit) -> Raised<f64> {
    let Some(amount) = amount_or_number(value, unit) else {
        return raise(format!(
            "a limit is a number or a quantity, not {}",
            kind_of(value)
        ));
    };
    if !amount.0.given {
        return raise("a limit is given, not measured; same_as compares two measured values");
    }
    let Some(same) = amount.in_unit(unit) else {
        let (theirs, ours) = (amount.0.unit.words(), unit.words());
        return raise(format!("the limit is in {theirs} and the value in {ours}"));
    };
    match &same.0.what {
        Ok(estimate) => Ok(estimate.value),
        Err(why) => raise(format!("the limit is not known: {why}")),
    }
}

/// (low, high) as the rule takes it.
type Bounds = (Option<f64>, Option<f64>);

fn rule_of(bounds: Bounds) -> Option<decision::Limit> {
    match bounds {
        (Some(low), None) => Some(decision::Limit::AtLeast(low)),
        (None, Some(high)) => Some(decision::Limit::AtMost(high)),
        (Some(low), Some(high)) => Some(decision::Limit::Between(low, high)),
        (None, None) => None,
    }
}

/// Rules on a value; `said` tells the limit in words.
fn ruled(value: &Amount, bounds: Bounds, said: &str) -> Ruled {
    charge(4 * ITEMS_PER_VALUE);
    let unit = value.0.unit.clone();
    let blank = Ruling {
        unit: Some(unit.clone()),
        limit: Some(bounds),
        ..Ruling::undecided("")
    };
    let items = value.0.items.clone();
    let undecided = |about: Option<RuledOn>, reason: String| Ruled {
        ruling: Ruling {
            about,
            reason,
            ..blank.clone()
        },
        items: items.clone(),
        value: Some(value.clone()),
        margin: (0.0, 0.0),
    };
    let estimate = match &value.0.what {
        Ok(estimate) => estimate,
        Err(why) => return undecided(None, format!("not known: {why}")),
    };
    let about = guard_factor(estimate).and_then(|k| {
        let expanded = estimate.expanded(k);
        let value = estimate.value;
        expanded
            .is_finite()
            .then_some(RuledOn { value, expanded, k })
    });
    let Some(found) = about else {
        return undecided(None, "its uncertainty is not known".to_owned());
    };
    if !value.0.flags.is_empty() {
        let flags = value.0.flags.join(", ");
        let figure = with_u(found.value, found.expanded, &unit);
        return undecided(about, format!("{figure} is flagged: {flags}"));
    }
    let word = rule_of(bounds).map_or(Word::Undecided, |limit| {
        limit.rule(Some(estimate), DecisionRule::Guarded).into()
    });
    let found_shown = with_u(found.value, found.expanded, &unit);
    if let (Some(reach), Some(limit)) = (&value.0.reach, rule_of(bounds))
        && reach::overturns(reach, limit, found.value, found.expanded)
    {
        let why = &reach.why;
        let reason = format!(
            "{found_shown} against {said}, but one that is not known ({why}) may lie beyond"
        );
        return undecided(about, reason);
    }
    Ruled {
        ruling: Ruling {
            word,
            about,
            reason: format!("{found_shown} against {said}"),
            ..blank
        },
        items: value.0.items.clone(),
        value: Some(value.clone()),
        margin: margin(&found, bounds),
    }
}

/// How many U a figure lies inside of its limits, the nearer one counting, and
/// how much in its unit: that tells figures without uncertainty apart.
fn margin(found: &RuledOn, bounds: Bounds) -> (f64, f64) {
    let low = bounds.0.map(|low| found.value - low);
    let high = bounds.1.map(|high| high - found.value);
    let inside = low.into_iter().chain(high).fold(f64::INFINITY, f64::min);
    if inside == 0.0 {
        (0.0, 0.0)
    } else {
        (inside / found.expanded, inside)
    }
}

fn at_least(value: &Dynamic, low: &Dynamic) -> Raised<Ruled> {
    let value = measured("at_least", value)?;
    let low = limit(low, &value.0.unit)?;
    let said = format!("at least {}", with_unit(low, &value.0.unit));
    Ok(ruled(&value, (Some(low), None), &said))
}

fn at_most(value: &Dynamic, high: &Dynamic) -> Raised<Ruled> {
    let value = measured("at_most", value)?;
    let high = limit(high, &value.0.unit)?;
    let said = format!("at most {}", with_unit(high, &value.0.unit));
    Ok(ruled(&value, (None, Some(high)), &said))
}

fn between(value: &Dynamic, low: &Dynamic, high: &Dynamic) -> Raised<Ruled> {
    let value = measured("between", value)?;
    let unit = &value.0.unit;
    let (low, high) = (limit(low, unit)?, limit(high, unit)?);
    if low > high {
        let (low, high) = (with_unit(low, unit), with_unit(high, unit));
        return raise(format!(
            "between {low} and {high} lies nothing: the lower comes first"
        ));
    }
    let said = format!(
        "between {} and {}",
        with_unit(low, unit),
        with_unit(high, unit)
    );
    Ok(ruled(&value, (Some(low), Some(high)), &said))
}

/// The ratio of two values lies this near to one; what both owe to one source
/// cancels in the ratio, and so in the guard band.
fn same_as(value: &Dynamic, other: &Dynamic, within: &Dynamic) -> Raised<Ruled> {
    let value = measured("same_as", value)?;
    let Some(other) = amount_or_number(other, &value.0.unit) else {
        return raise(format!(
            "same_as compares with a value, not with {}",
            kind_of(other)
        ));
    };
    let Some(other) = other.in_unit(&value.0.unit) else {
        let (a, b) = (value.0.unit.words(), other.0.unit.words());
        return raise(format!("{a} and {b} are never the same"));
    };
    let within = limit(within, &Unit::One)?;
    if within < 0.0 {
        return raise("same_as: how near must not be below zero");
    }
    let ratio = quotient(&value, &other);
    let percent = with_unit(100.0 * within, &Unit::Percent);
    let said = format!("the same within {percent}");
    Ok(ruled(
        &ratio,
        (Some(1.0 - within), Some(1.0 + within)),
        &said,
    ))
}

/// The worst or the best of some rulings, with the deciding one's figures: of
/// equal words the one nearer to its limit, or farther beyond it. What it rests
/// on is what all of them rest on.
fn decided(list: &Array, best: bool) -> Raised<Ruled> {
    let mut deciding: Option<Ruled> = None;
    let mut items = Items::default();
    for item in list {
        let Some(next) = item.read_lock::<Ruled>() else {
            return raise(format!("{} stands among the rulings", kind_of(item)));
        };
        items = items.union(&next.items);
        let better = deciding.as_ref().is_none_or(|so_far| {
            let place = |ruled: &Ruled| (ruled.ruling.word, ruled.margin);
            let (a, b) = (place(so_far), place(&next));
            if best { b > a } else { b < a }
        });
        if better {
            deciding = Some((*next).clone());
        }
    }
    let nothing = || Ruling::undecided("there is nothing to rule on");
    let margin = deciding
        .as_ref()
        .map_or((0.0, 0.0), |deciding| deciding.margin);
    let value = deciding.as_ref().and_then(|so_far| so_far.value.clone());
    let mut ruling = deciding.map_or_else(nothing, |deciding| deciding.ruling);
    if list.len() > 1 && ruling.reason.len() < REASON_BYTES {
        // Counted in U, so it need not be the largest or the smallest value.
        let which = if best { "widest" } else { "narrowest" };
        ruling.reason = format!("{} ({which} margin of {})", ruling.reason, list.len());
    }
    Ok(Ruled {
        ruling,
        items,
        value,
        margin,
    })
}

/// Undecided for the script's own reason.
fn undecided(why: &str) -> Raised<Ruled> {
    if why.len() > REASON_BYTES {
        return raise(format!("a reason is at most {REASON_BYTES} bytes long"));
    }
    if why.chars().any(char::is_control) {
        return raise("a reason is one line: no line breaks, tabs or control characters");
    }
    Ok(Ruled {
        ruling: Ruling::undecided(why),
        items: Items::default(),
        value: None,
        margin: (0.0, 0.0),
    })
}

/// The same ruling with a name before its reason.
fn named(ruled: &Ruled, name: &str) -> Raised<Ruled> {
    if name.chars().count() > NAME_LETTERS {
        return raise(format!(
            "a ruling's name has at most {NAME_LETTERS} letters"
        ));
    }
    if name.chars().any(char::is_control) {
        return raise("a ruling's name is one line: no line breaks, tabs or control characters");
    }
    if ruled.ruling.reason.len() + name.len() > REASON_BYTES {
        return raise(format!("a reason is at most {REASON_BYTES} bytes long"));
    }
    charge(4 * ITEMS_PER_VALUE);
    let mut ruled = ruled.clone();
    ruled.ruling.reason = format!("{name}: {}", ruled.ruling.reason);
    Ok(ruled)
}

pub(super) const ENTRIES: &[Entry] = entries! {
    "" "at_least" (Some("x, limit")) -> "a ruling": "x is not below the limit", |e| {
            e.register_fn("at_least", |x: Dynamic, low: Dynamic| at_least(&x, &low));
        };
    "" "at_most" (Some("x, limit")) -> "a ruling": "x is not above the limit", |e| {
            e.register_fn("at_most", |x: Dynamic, high: Dynamic| at_most(&x, &high));
        };
    "" "between" (Some("x, low, high")) -> "a ruling": "x is neither below the one nor above the other", |e| {
            e.register_fn("between", |x: Dynamic, low: Dynamic, high: Dynamic| {
                between(&x, &low, &high)
            });
        };
    "" "same_as" (Some("x, y, within")) -> "a ruling": "x/y differs from 1 by at most a ratio or per cent", |e| {
            e.register_fn("same_as", |x: Dynamic, y: Dynamic, within: Dynamic| {
                same_as(&x, &y, &within)
            });
        };
    "" "undecided" (Some("why")) -> "a ruling": "neither pass nor fail", |e| {
            e.register_fn("undecided", undecided);
        };
    "" "all_of" (Some("[ruling, ...]")) -> "a ruling": "the worst of them", |e| {
            e.register_fn("all_of", |list: Array| decided(&list, false));
        };
    "" "any_of" (Some("[ruling, ...]")) -> "a ruling": "the best of them", |e| {
            e.register_fn("any_of", |list: Array| decided(&list, true));
        };
    "ruling" "named" (Some("name")) -> "a ruling": "the same, its reason begins with the name", |e| {
            e.register_fn("named", |r: &mut Ruled, name: &str| named(r, name));
        };
};
