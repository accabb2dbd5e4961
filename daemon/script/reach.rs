//! Where a value may lie that is not known, and what that does to a ruling on
//! the largest or smallest of those that are.
//!
//! An over-range reading lies above its limit, an under-range one below; what
//! timed out may lie anywhere. The largest of some values then lies between the
//! largest of their lower ends and the largest of their upper ends, the smallest
//! likewise. A ruling at the known value stands where every other place in that
//! reach would be ruled no worse (of a pass) or no better (of a fail).
//!
//! Called by: rulings (fills views), `values`, `columns`, `criteria`. Pure.

use photometry::decision::{DecisionRule, Limit};
use serde::{Deserialize, Serialize};

use super::criteria::Word;

/// What a net value beyond the meter's range may differ by from the limit of the
/// raw one: background, drift and certificate are not taken into account, and
/// nothing of a sane run halves or doubles a reading.
const SLACK: f64 = 2.0;

/// Where a value may lie.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reach {
    /// Not below this, in the value's unit; none where nothing tells.
    pub from: Option<f64>,
    /// Not above this; none where nothing tells.
    pub to: Option<f64>,
    /// Why it is not known: `over 20000 lx`.
    pub why: String,
}

impl Reach {
    /// Anywhere.
    pub fn anywhere(why: &str) -> Reach {
        Reach {
            from: None,
            to: None,
            why: why.to_owned(),
        }
    }

    /// Net of a reading that was over the meter's limit.
    pub fn over(limit: f64, why: &str) -> Reach {
        Reach {
            from: Some(limit / SLACK),
            ..Reach::anywhere(why)
        }
    }

    /// Net of a reading that was under the meter's limit.
    pub fn under(limit: f64, why: &str) -> Reach {
        Reach {
            to: Some(limit * SLACK),
            ..Reach::anywhere(why)
        }
    }

    /// In another unit.
    pub(super) fn scaled(&self, factor: f64) -> Reach {
        let scaled = |end: Option<f64>| end.map(|end| end * factor);
        let (from, to) = (scaled(self.from), scaled(self.to));
        let (from, to) = if factor < 0.0 { (to, from) } else { (from, to) };
        Reach {
            from,
            to,
            why: self.why.clone(),
        }
    }

    fn low(&self) -> f64 {
        self.from.unwrap_or(f64::NEG_INFINITY)
    }

    fn high(&self) -> f64 {
        self.to.unwrap_or(f64::INFINITY)
    }

    /// The remark for whatever is computed from a figure that passed it over.
    pub(super) fn flag(&self) -> String {
        format!("a value that is not known was passed over: {}", self.why)
    }
}

/// Which of some values is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Extreme {
    Largest,
    Smallest,
}

/// Where the largest or smallest of some values lies, when the extreme one of
/// those that are known is `known`; none where no other can lie beyond it.
pub(super) fn of_extreme<'a>(
    which: Extreme,
    known: f64,
    others: impl Iterator<Item = &'a Reach>,
) -> Option<Reach> {
    let (mut low, mut high) = (known, known);
    let mut why: Option<&str> = None;
    for other in others {
        let beyond = match which {
            Extreme::Largest => other.high() > high,
            Extreme::Smallest => other.low() < low,
        };
        if beyond || why.is_none() {
            why = Some(&other.why);
        }
        (low, high) = match which {
            Extreme::Largest => (low.max(other.low()), high.max(other.high())),
            Extreme::Smallest => (low.min(other.low()), high.min(other.high())),
        };
    }
    let why = why?;
    let finite = |end: f64| end.is_finite().then_some(end);
    let moved = low != known || high != known;
    moved.then(|| Reach {
        from: finite(low),
        to: finite(high),
        why: why.to_owned(),
    })
}

/// Whether the ruling at `value` would be another somewhere in its reach.
pub(super) fn overturns(reach: &Reach, limit: Limit, value: f64, expanded: f64) -> bool {
    let word = |at: f64| Word::from(limit.rule_value(at, expanded, DecisionRule::Guarded));
    // Largest numbers in place of infinity, which no rule takes.
    let ends = |at: f64| at.clamp(-f64::MAX / 4.0, f64::MAX / 4.0);
    let (low, high) = (ends(reach.low().min(value)), ends(reach.high().max(value)));
    // Where in the reach the limit is met best.
    let best = match limit {
        Limit::AtLeast(_) => high,
        Limit::AtMost(_) => low,
        Limit::Between(least, most) => (least / 2.0 + most / 2.0).clamp(low, high),
    };
    let here = word(value);
    match here {
        Word::Pass | Word::ConditionalPass => word(low) < here || word(high) < here,
        Word::Fail | Word::ConditionalFail => word(best) > here,
        Word::Undecided => false,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// What the others are, beside a known value of 100 lx.
    fn others() -> Vec<(&'static str, Reach)> {
        vec![
            ("timed out", Reach::anywhere("timed out")),
            ("over 20000", Reach::over(20_000.0, "over 20000 lx")),
            ("over 150", Reach::over(150.0, "over 150 lx")),
            ("under 0.1", Reach::under(0.1, "under 0.1 lx")),
            ("under 80", Reach::under(80.0, "under 80 lx")),
        ]
    }

    /// Every cell: which extreme, which limit, what is not known. U is 4 lx.
    #[test]
    fn what_an_unknown_value_does_to_a_ruling() {
        let limits = [
            ("at_least  50", Limit::AtLeast(50.0)),
            ("at_least 120", Limit::AtLeast(120.0)),
            ("at_least 500", Limit::AtLeast(500.0)),
            ("at_most   50", Limit::AtMost(50.0)),
            ("at_most   70", Limit::AtMost(70.0)),
            ("at_most  500", Limit::AtMost(500.0)),
            ("between 50 500", Limit::Between(50.0, 500.0)),
            ("between 200 500", Limit::Between(200.0, 500.0)),
            ("between 20 50", Limit::Between(20.0, 50.0)),
        ];
        let mut told = String::new();
        for which in [Extreme::Largest, Extreme::Smallest] {
            for (said, limit) in limits {
                let word = Word::from(limit.rule_value(100.0, 4.0, DecisionRule::Guarded));
                told.push_str(&format!(
                    "{which:?} of 100 lx and ..., {said}: {}\n",
                    word.words()
                ));
                for (name, other) in others() {
                    let reach = of_extreme(which, 100.0, [&other].into_iter());
                    let turned = reach
                        .as_ref()
                        .is_some_and(|reach| overturns(reach, limit, 100.0, 4.0));
                    let left = if turned { "undecided" } else { word.words() };
                    told.push_str(&format!("    {name:12} {left}\n"));
                }
            }
        }
        insta::assert_snapshot!("unknown beside known", told);
    }

    proptest! {
        /// A pass or fail that stands is what the true values would give,
        /// whatever the unknown one is within its reach.
        #[test]
        fn what_stands_is_true_of_all_that_may_be(
            known in proptest::collection::vec(-10.0..10.0_f64, 1..5),
            ends in (proptest::option::of(-10.0..10.0_f64), 0.0..10.0_f64, any::<bool>()),
            place in 0.0..1.0_f64,
            edge in -12.0..12.0_f64,
            width in 0.0..8.0_f64,
            least in any::<bool>(),
            kind in 0..3,
        ) {
            let (from, more, open) = ends;
            let to = (!open).then(|| from.unwrap_or(0.0) + more);
            let other = Reach { from, to, why: "x".to_owned() };
            let low = from.unwrap_or(to.unwrap_or(0.0) - 30.0);
            let hidden = low + place * (to.unwrap_or(low + 30.0) - low);
            let limit = match kind {
                0 => Limit::AtLeast(edge),
                1 => Limit::AtMost(edge),
                _ => Limit::Between(edge, edge + width),
            };
            let which = if least { Extreme::Smallest } else { Extreme::Largest };
            let pick = |values: &[f64]| values.iter().copied().fold(f64::NAN, |a, b| {
                if least { a.min(b) } else { a.max(b) }
            });
            let seen = pick(&known);
            let truth = pick(&[&known[..], &[hidden]].concat());
            let word = |at| Word::from(limit.rule_value(at, 0.5, DecisionRule::Guarded));
            let reach = of_extreme(which, seen, [&other].into_iter());
            if !reach.is_some_and(|reach| overturns(&reach, limit, seen, 0.5)) {
                match word(seen) {
                    passes @ (Word::Pass | Word::ConditionalPass) => {
                        prop_assert!(word(truth) >= passes);
                    }
                    fails => prop_assert!(word(truth) <= fails),
                }
            }
        }
    }
}
