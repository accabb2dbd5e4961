//! From a value and its uncertainty to a ruling.
//!
//! Conformance probability and guard bands after JCGM 106:2012; the four words
//! after ILAC-G8:09/2019 (both from memory); En after ISO/IEC 17043. A value
//! that is missing or flagged is *undecided*: neither pass nor fail.
//!
//! Used by: criteria, reports.

use crate::distribution::normal_cdf;
use crate::uncertainty::Estimate;

/// A limit on a figure, in its unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Limit {
    /// The value must not be below this.
    AtLeast(f64),
    /// The value must not be above this.
    AtMost(f64),
    /// The value must lie between these, the lower first.
    Between(f64, f64),
}

/// How wide a guard band is, as a share of the expanded uncertainty U (k = 2).
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
    /// uncertainty or when a number is not finite.
    pub fn conformance(self, value: f64, u: f64) -> Option<f64> {
        if !(value.is_finite() && u > 0.0 && u.is_finite()) {
            return None;
        }
        let below = |limit: f64| normal_cdf((limit - value) / u);
        let above = |limit: f64| normal_cdf((value - limit) / u);
        match self {
            Limit::AtLeast(lower) => above(lower),
            Limit::AtMost(upper) => below(upper),
            Limit::Between(lower, upper) => Some((below(upper)? - below(lower)?).max(0.0)),
        }
    }

    /// The ruling on an estimate; none, or one that is not finite, is
    /// undecided.
    pub fn rule(self, estimate: Option<&Estimate>, rule: DecisionRule) -> Ruling {
        let Some(estimate) = estimate else {
            return Ruling::Undecided;
        };
        self.rule_value(estimate.value, estimate.expanded(2.0), rule)
    }

    /// The ruling on a value with its expanded uncertainty U (k = 2).
    pub fn rule_value(self, value: f64, expanded: f64, rule: DecisionRule) -> Ruling {
        let guard = rule.share_of_u() * expanded;
        let inside = self.inside_by(value);
        if !(inside.is_finite() && guard >= 0.0 && guard.is_finite()) {
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

/// En: the difference of two values over their joint expanded uncertainty; none
/// without uncertainty or when a number is not finite.
pub fn en_number(value: f64, expanded: f64, other: f64, other_expanded: f64) -> Option<f64> {
    let en = (value - other) / expanded.hypot(other_expanded);
    en.is_finite().then_some(en)
}

/// Whether an En number is satisfactory: within 1 (ISO 13528:2022, 9.7).
pub fn is_satisfactory(en: f64) -> bool {
    en.abs() <= 1.0
}

#[cfg(test)]
mod tests {
    use super::*;

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
                let _ = limit.rule_value(b, c, DecisionRule::Guarded);
                let _ = limit.conformance(b, c);
            }
            let _ = en_number(a, b, c, d);
        }
    }
}
