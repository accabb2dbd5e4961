//! From a value and its uncertainty to a ruling.
//!
//! Conformance probability and guard bands after JCGM 106:2012; the four words
//! after ILAC-G8:09/2019 (both from memory); En after ISO/IEC 17043. A value
//! that is missing or flagged is *undecided*: neither pass nor fail. So is one
//! whose uncertainty or limit is no number.
//!
//! Guard bands are shares of U. For an estimate with few degrees of freedom U
//! is not 2 u: two readings need 13.97 u for the same risk, five need 2.87 u.
//!
//! Used by: criteria, reports.

use crate::distribution::normal_cdf;
use crate::uncertainty::{Estimate, coverage_factor};

/// Share of a normal distribution within two standard deviations: the level
/// of confidence of U at k = 2 (JCGM 100:2008, Table G.1: 95.45 %).
const LEVEL_OF_TWO: f64 = 0.954_499_736_103_642;

/// A limit on a figure, in its unit; finite, or nothing is ruled on it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Limit {
    /// The value must not be below this.
    AtLeast(f64),
    /// The value must not be above this.
    AtMost(f64),
    /// The value must lie between these, the lower first.
    Between(f64, f64),
}

/// How wide a guard band is, as a share of the expanded uncertainty U (95.45 %;
/// k = 2 with infinitely many degrees of freedom).
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DecisionRule {
    /// Simple acceptance: no guard band; at the limit up to half are wrong.
    Simple,
    /// Guard band of 0.83 U: below 5 % wrong (ISO 14253-1:2017's default).
    GuardedFive,
    /// Guard band of U: below 2.5 % wrong.
    Guarded,
}

impl DecisionRule {
    /// Guard band over U.
    pub const fn share_of_u(self) -> f64 {
        match self {
            DecisionRule::Simple => 0.0,
            DecisionRule::GuardedFive => 0.83,
            DecisionRule::Guarded => 1.0,
        }
    }
}

/// The ruling.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Ruling {
    /// Beyond the limit by more than the guard band.
    Fail,
    /// Beyond the limit, within the guard band.
    ConditionalFail,
    /// There is no value, or it must not be believed.
    Undecided,
    /// Within the limit, and within the guard band.
    ConditionalPass,
    /// Within the limit by at least the guard band.
    Pass,
}

impl Ruling {
    /// The words.
    pub const fn words(self) -> &'static str {
        match self {
            Ruling::Fail => "fail",
            Ruling::ConditionalFail => "conditional fail",
            Ruling::Undecided => "undecided",
            Ruling::ConditionalPass => "conditional pass",
            Ruling::Pass => "pass",
        }
    }
}

impl Limit {
    /// Whether it is a limit at all: finite, and two of them in order.
    fn is_usable(self) -> bool {
        match self {
            Limit::AtLeast(limit) | Limit::AtMost(limit) => limit.is_finite(),
            Limit::Between(lower, upper) => {
                lower.is_finite() && upper.is_finite() && lower <= upper
            }
        }
    }

    /// How far inside the limit a value lies; negative outside. Between two
    /// limits it is the nearer one that counts.
    fn inside_by(self, value: f64) -> f64 {
        match self {
            Limit::AtLeast(lower) => value - lower,
            Limit::AtMost(upper) => upper - value,
            Limit::Between(lower, upper) => (value - lower).min(upper - value),
        }
    }

    /// Probability that the true value keeps the limit, for a normal
    /// distribution about the value (JCGM 106:2012, 7.3 and 7.4); none without
    /// uncertainty, when a number is not finite, or when limits are reversed.
    pub fn conformance(self, value: f64, u: f64) -> Option<f64> {
        if !(self.is_usable() && value.is_finite() && u > 0.0 && u.is_finite()) {
            return None;
        }
        let below = |limit: f64| normal_cdf((limit - value) / u);
        let above = |limit: f64| normal_cdf((value - limit) / u);
        match self {
            Limit::AtLeast(lower) => above(lower),
            Limit::AtMost(upper) => below(upper),
            // Of the two tails the smaller ones are subtracted: near one the
            // difference would lose its digits.
            Limit::Between(lower, upper) if value < lower => {
                Some((above(lower)? - above(upper)?).max(0.0))
            }
            Limit::Between(lower, upper) => Some((below(upper)? - below(lower)?).max(0.0)),
        }
    }

    /// The ruling on an estimate; none, one that is not finite, or one with
    /// less than one degree of freedom is undecided. U is that of 95.45 % with
    /// the estimate's degrees of freedom (JCGM 100:2008, G.4), which is k = 2
    /// when they are infinite: a guard band of 2 u from two readings would let
    /// 15 % wrong passes through.
    pub fn rule(self, estimate: Option<&Estimate>, rule: DecisionRule) -> Ruling {
        let Some(estimate) = estimate else {
            return Ruling::Undecided;
        };
        guard_factor(estimate).map_or(Ruling::Undecided, |k| {
            self.rule_value(estimate.value, estimate.expanded(k), rule)
        })
    }

    /// The ruling on a value with its expanded uncertainty U (k = 2); undecided
    /// when a number is not finite, U is negative or limits are reversed.
    pub fn rule_value(self, value: f64, expanded: f64, rule: DecisionRule) -> Ruling {
        let guard = rule.share_of_u() * expanded;
        let inside = self.inside_by(value);
        let known = expanded >= 0.0 && expanded.is_finite() && inside.is_finite();
        if !(self.is_usable() && known) {
            return Ruling::Undecided;
        }
        match inside {
            inside if inside >= guard => Ruling::Pass,
            inside if inside >= 0.0 => Ruling::ConditionalPass,
            inside if inside > -guard => Ruling::ConditionalFail,
            _ => Ruling::Fail,
        }
    }
}

/// The k with which U is taken for a guard band: 2 with infinitely many degrees
/// of freedom, else what covers 95.45 % with as many as there are; none below one.
pub fn guard_factor(estimate: &Estimate) -> Option<f64> {
    match estimate.effective_dof() {
        None => Some(2.0),
        dof => coverage_factor(LEVEL_OF_TWO, dof),
    }
}

/// En: the difference of two values over their joint expanded uncertainty; none
/// without uncertainty, when a number is not finite or an uncertainty negative.
pub fn en_number(value: f64, expanded: f64, other: f64, other_expanded: f64) -> Option<f64> {
    // An infinite U would make any two values agree.
    let usable = |u: f64| u >= 0.0 && u.is_finite();
    let en = (value - other) / expanded.hypot(other_expanded);
    (usable(expanded) && usable(other_expanded) && en.is_finite()).then_some(en)
}

/// Whether an En number is satisfactory: within 1 (ISO 13528:2022, 9.7).
pub fn is_satisfactory(en: f64) -> bool {
    en.abs() <= 1.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::distribution::t_above;

    const RULES: [DecisionRule; 3] = [
        DecisionRule::Simple,
        DecisionRule::GuardedFive,
        DecisionRule::Guarded,
    ];

    #[test]
    fn a_missing_value_is_neither_pass_nor_fail() {
        for rule in RULES {
            let limit = Limit::AtLeast(250.0);
            assert_eq!(limit.rule(None, rule), Ruling::Undecided);
            let none = Estimate::exact(f64::NAN);
            assert_eq!(limit.rule(Some(&none), rule), Ruling::Undecided);
            let wide = limit.rule_value(250.0, f64::INFINITY, rule);
            assert!(wide == Ruling::Undecided, "{rule:?}");
        }
    }

    /// From worst to best, in the words that a report prints.
    #[test]
    fn rulings_have_their_order_and_their_words() {
        let limit = Limit::AtLeast(100.0);
        let cases = [
            (Some(80.0), "fail"),
            (Some(99.0), "conditional fail"),
            (None, "undecided"),
            (Some(101.0), "conditional pass"),
            (Some(120.0), "pass"),
        ];
        let rulings = cases.map(|(value, words)| {
            let estimate = value.map(|value| Estimate::exact(value).with("a", 5.0, None));
            let ruling = limit.rule(estimate.as_ref(), DecisionRule::Guarded);
            assert_eq!(ruling.words(), words, "{value:?}");
            ruling
        });
        assert!(rulings.is_sorted(), "{rulings:?}");
    }

    /// ISO 13528:2022, 9.7: 1 itself is within; two values with U of 3 and 4 may
    /// differ by 5.
    #[test]
    fn an_en_number_is_satisfactory_up_to_one() {
        for (other, fine) in [(105.0, true), (95.0, true), (105.001, false), (94.9, false)] {
            let en = en_number(100.0, 3.0, other, 4.0).expect("a number");
            assert_eq!(is_satisfactory(en), fine, "{other}: {en}");
        }
        assert!(!is_satisfactory(f64::NAN));
    }

    #[test]
    fn what_is_no_number_is_undecided_and_no_figure() {
        let (nan, infinite) = (f64::NAN, f64::INFINITY);
        let mut limits = vec![Limit::Between(10.0, 5.0)];
        for bad in [nan, infinite, -infinite] {
            limits.extend([Limit::AtLeast(bad), Limit::AtMost(bad)]);
            limits.extend([Limit::Between(bad, 10.0), Limit::Between(5.0, bad)]);
        }
        for (rule, limit) in RULES
            .iter()
            .flat_map(|rule| limits.iter().map(move |l| (rule, l)))
        {
            for value in [-1.0, 7.0, 11.0] {
                let ruled = limit.rule_value(value, 1.0, *rule);
                assert_eq!(ruled, Ruling::Undecided, "{limit:?} {value}");
                assert_eq!(limit.conformance(value, 1.0), None, "{limit:?}");
            }
        }
        let sound = [
            Limit::AtLeast(5.0),
            Limit::AtMost(5.0),
            Limit::Between(5.0, 10.0),
        ];
        for (rule, limit) in RULES
            .iter()
            .flat_map(|rule| sound.iter().map(move |l| (rule, l)))
        {
            for bad in [nan, infinite, -infinite] {
                assert_eq!(limit.rule_value(bad, 1.0, *rule), Ruling::Undecided);
                assert_eq!(limit.rule_value(7.0, bad, *rule), Ruling::Undecided);
                assert_eq!(
                    (limit.conformance(bad, 1.0), limit.conformance(7.0, bad)),
                    (None, None)
                );
                let estimate = Estimate::exact(7.0).with("a", bad, None);
                assert_eq!(limit.rule(Some(&estimate), *rule), Ruling::Undecided);
            }
            assert_eq!(limit.rule_value(7.0, -1.0, *rule), Ruling::Undecided);
            let uncounted = Estimate::exact(7.0).with("a", 0.1, Some(0.0));
            assert_eq!(limit.rule(Some(&uncounted), *rule), Ruling::Undecided);
        }
        for bad in [nan, infinite, -1.0] {
            assert_eq!(
                (en_number(1.0, bad, 2.0, 1.0), en_number(1.0, 1.0, 2.0, bad)),
                (None, None)
            );
        }
        assert_eq!(en_number(1.0, nan, 2.0, infinite), None);
        // 20 and 30 standard deviations below: 2.75e-89, not 0.
        let far = Limit::Between(20.0, 30.0)
            .conformance(0.0, 1.0)
            .expect("a share");
        let mirrored = Limit::Between(-30.0, -20.0)
            .conformance(0.0, 1.0)
            .expect("a share");
        assert!(
            (far / 2.753_624e-89 - 1.0).abs() < 1e-6 && far == mirrored,
            "{far}"
        );
    }

    /// Student's t at 95.45 % (JCGM 100:2008, Table G.2, from memory): 13.97,
    /// 4.53, 3.31, 2.87, 2.65 with 1 to 5 degrees of freedom, 2.13 with 20.
    #[test]
    fn few_readings_have_a_wider_guard_band() {
        let limit = Limit::AtLeast(250.0);
        let table = [
            (1.0, 13.97),
            (2.0, 4.53),
            (3.0, 3.31),
            (4.0, 2.87),
            (5.0, 2.65),
            (20.0, 2.13),
        ];
        for (dof, k) in table {
            let at = |share: f64| Estimate::exact(250.0 + share).with("a", 1.0, Some(dof));
            let rule = |share: f64| limit.rule(Some(&at(share)), DecisionRule::Guarded);
            assert_eq!(rule(k + 0.006), Ruling::Pass, "{dof}");
            assert_eq!(rule(k - 0.006), Ruling::ConditionalPass, "{dof}");
            assert_eq!(rule(0.006 - k), Ruling::ConditionalFail, "{dof}");
            assert_eq!(rule(-0.006 - k), Ruling::Fail, "{dof}");
            // The risk is the rule's, whatever the degrees of freedom.
            for (rule, wrong) in [
                (DecisionRule::GuardedFive, 0.05),
                (DecisionRule::Guarded, 0.025),
            ] {
                let risk = t_above(rule.share_of_u() * k, dof).expect("a share");
                assert!(risk < wrong, "{rule:?} {dof}: {risk}");
            }
        }
        let many = Estimate::exact(252.0).with("a", 1.0, None);
        assert_eq!(limit.rule(Some(&many), DecisionRule::Guarded), Ruling::Pass);
        let risk = t_above(2.0, 1.0).expect("a share");
        assert!((risk - 0.147_6).abs() < 1e-4, "{risk}");
    }

    /// ISO 14253-1:2017 (from memory): the default guard band is 1.65 u.
    #[test]
    fn at_the_guard_band_the_risk_is_the_rules() {
        for (rule, wrong) in [
            (DecisionRule::GuardedFive, 0.05),
            (DecisionRule::Guarded, 0.025),
        ] {
            let u = 5.0;
            let at = 250.0 + rule.share_of_u() * 2.0 * u;
            let conforms = Limit::AtLeast(250.0).conformance(at, u).expect("a share");
            assert!(1.0 - conforms < wrong, "{rule:?}: {conforms}");
        }
    }

    proptest::proptest! {
        #[test]
        fn rulings_rise_with_the_value(
            values in proptest::collection::vec(-10.0..10.0_f64, 2..30),
            expanded in 0.0..5.0_f64,
        ) {
            let mut values = values;
            values.sort_by(f64::total_cmp);
            for rule in RULES {
                let rulings: Vec<_> = values
                    .iter()
                    .map(|value| Limit::AtLeast(0.0).rule_value(*value, expanded, rule))
                    .collect();
                proptest::prop_assert!(rulings.is_sorted());
                let mirrored: Vec<_> = values
                    .iter()
                    .map(|value| Limit::AtMost(0.0).rule_value(-value, expanded, rule))
                    .collect();
                proptest::prop_assert_eq!(rulings, mirrored);
            }
        }

        #[test]
        fn no_number_panics(
            a in proptest::num::f64::ANY, b in proptest::num::f64::ANY,
            c in proptest::num::f64::ANY, d in proptest::num::f64::ANY,
        ) {
            for limit in [Limit::AtLeast(a), Limit::AtMost(a), Limit::Between(a, d)] {
                let ruled = limit.rule_value(b, c, DecisionRule::Guarded);
                let known = [a, b, c].iter().all(|number| number.is_finite());
                proptest::prop_assert!(known || ruled == Ruling::Undecided, "{limit:?}");
                let share = limit.conformance(b, c);
                proptest::prop_assert!(share.is_none_or(|p| known && (0.0..=1.0).contains(&p)));
                let estimate = Estimate::exact(b).with("a", c, Some(d));
                let _ = limit.rule(Some(&estimate), DecisionRule::GuardedFive);
            }
            let all = [a, b, c, d].iter().all(|number| number.is_finite());
            proptest::prop_assert!(en_number(a, b, c, d).is_none_or(|en| all && en.is_finite()));
        }
    }
}
