//! A result and where its doubt comes from.
//!
//! An [`Estimate`] keeps its terms apart, each with its source's name: equal
//! sources correlate fully (the same certificate lies behind every reading of
//! a meter), different ones not at all. U = k u appears only when shown.
//! Combination after JCGM 100:2008, 5.1 and 5.2.
//!
//! What cannot be computed is not-a-number or none, never zero: a budget whose
//! term is not known has no uncertainty that could be shown.

use serde::{Deserialize, Serialize};

use crate::distribution::{normal_quantile, t_quantile};
use crate::scale::{brought_back, unit_for};

/// How far a correlation may lie beyond 1, and a variance below 0 as a share of
/// its terms, by rounding alone.
const ROUNDING: f64 = 1e-12;
/// Effective degrees of freedom from which on they are infinitely many: as such
/// Student's t counts long before, and 1e-241 over more of them is no number.
const DOF_BELOW: f64 = 1e60;

/// One contribution to the doubt.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Term {
    /// Where it comes from: `certificate lux-head 2026-03`, `distance`, ...
    pub source: String,
    /// Standard uncertainty (k = 1) in the value's unit; signed by the
    /// sensitivity, so that equal sources may cancel.
    pub u: f64,
    /// Degrees of freedom, above 0; none means infinitely many. With any other
    /// number the estimate has no effective degrees of freedom.
    pub dof: Option<f64>,
}

/// A value with its terms of uncertainty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// The contributions.
    pub terms: Vec<Term>,
}

impl Estimate {
    /// A value without doubt yet.
    pub fn exact(value: f64) -> Estimate {
        Estimate {
            value,
            terms: Vec::new(),
        }
    }

    /// With one more contribution.
    pub fn with(mut self, source: &str, u: f64, dof: Option<f64>) -> Estimate {
        self.terms.push(Term {
            source: source.to_owned(),
            u,
            dof,
        });
        self
    }

    /// This many times as much.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Estimate {
        self.joined(self.value * factor, factor, &Estimate::exact(0.0), 0.0)
    }

    /// The sum of two estimates in the same unit, to first order as all four of
    /// these are (JCGM 100:2008, 5.1.2): what both owe to one source adds up.
    #[must_use]
    pub fn plus(&self, other: &Estimate) -> Estimate {
        self.joined(self.value + other.value, 1.0, other, 1.0)
    }

    /// The difference of two estimates in the same unit; what both owe to one
    /// source cancels.
    #[must_use]
    pub fn minus(&self, other: &Estimate) -> Estimate {
        self.joined(self.value - other.value, 1.0, other, -1.0)
    }

    /// The product.
    #[must_use]
    pub fn times(&self, other: &Estimate) -> Estimate {
        let value = self.value * other.value;
        self.joined(value, other.value, other, self.value)
    }

    /// The quotient; not-a-number or infinite when the divisor's value is zero.
    #[must_use]
    pub fn over(&self, other: &Estimate) -> Estimate {
        let value = self.value / other.value;
        self.joined(value, 1.0 / other.value, other, -value / other.value)
    }

    /// A value with the terms of two estimates by their sensitivities. Each
    /// source stands there once, so that sums of sums do not grow without end.
    fn joined(&self, value: f64, by: f64, other: &Estimate, by_other: f64) -> Estimate {
        let mut sums: Vec<Term> = Vec::with_capacity(self.terms.len() + other.terms.len());
        for (terms, by) in [(&self.terms, by), (&other.terms, by_other)] {
            for term in terms {
                let u = term.u * by;
                match sums.iter_mut().find(|sum| sum.source == term.source) {
                    Some(sum) => {
                        sum.u += u;
                        sum.dof = lesser_dof(sum.dof, term.dof);
                    }
                    None => sums.push(Term {
                        source: term.source.clone(),
                        u,
                        dof: term.dof,
                    }),
                }
            }
        }
        Estimate { value, terms: sums }
    }

    /// Combined standard uncertainty: equal sources add, different ones add
    /// in squares. Not-a-number or infinite when a term is.
    pub fn combined(&self) -> f64 {
        let sources = self.by_source();
        let unit = unit_for(sources.iter().map(|(_, u, _)| *u));
        let squares = sources.iter().map(|(_, u, _)| (u / unit).powi(2));
        squares.sum::<f64>().sqrt() * unit
    }

    /// Expanded uncertainty U = k u; not-a-number unless k is a number above 0.
    pub fn expanded(&self, k: f64) -> f64 {
        if k > 0.0 && k.is_finite() {
            k * self.combined()
        } else {
            f64::NAN
        }
    }

    /// Effective degrees of freedom (Welch-Satterthwaite, JCGM 100:2008,
    /// G.4.1); none when they are infinite, not-a-number when a term's
    /// uncertainty is not finite or its degrees of freedom are not above 0 (or
    /// so near it that they cannot be counted).
    pub fn effective_dof(&self) -> Option<f64> {
        let sources = self.by_source();
        // Fourth powers underflow below 1e-81: they are taken in a unit near
        // the largest term.
        let unit = unit_for(sources.iter().map(|(_, u, _)| *u));
        let parts = sources
            .iter()
            .filter_map(|(_, u, dof)| dof.map(|dof| (u / unit).powi(4) / dof));
        let denominator: f64 = parts.sum();
        let dof = (self.combined() / unit).powi(4) / denominator;
        if !denominator.is_finite() || !self.combined().is_finite() {
            return Some(f64::NAN);
        }
        (denominator > 0.0 && dof < DOF_BELOW).then_some(dof)
    }

    /// Coverage factor for a level of confidence such as 0.95, with as many
    /// degrees of freedom as there are (JCGM 100:2008, G.4); none unless the
    /// level lies between 0 and 1 and there is at least one degree of freedom.
    pub fn coverage_factor(&self, level: f64) -> Option<f64> {
        coverage_factor(level, self.effective_dof())
    }

    /// The same without the sources for which this is true: in a comparison
    /// before and after with one meter, its certificate drops out.
    #[must_use]
    pub fn without(&self, drops: impl Fn(&str) -> bool) -> Estimate {
        let terms = self.terms.iter().filter(|term| !drops(&term.source));
        Estimate {
            value: self.value,
            terms: terms.cloned().collect(),
        }
    }

    /// Each source with its standard uncertainty and its share of the variance,
    /// in order of first appearance; shares sum to one unless all are zero, and
    /// are not-a-number when one uncertainty is not finite.
    pub fn shares(&self) -> Vec<Share> {
        let sources = self.by_source();
        let unit = unit_for(sources.iter().map(|(_, u, _)| *u));
        let whole = (self.combined() / unit).powi(2);
        let share = |u: f64| match whole {
            whole if !whole.is_finite() => f64::NAN,
            whole if whole > 0.0 => (u / unit).powi(2) / whole,
            _ => 0.0,
        };
        sources
            .into_iter()
            .map(|(source, u, dof)| Share {
                source: source.to_owned(),
                u: u.abs(),
                dof,
                share: share(u),
            })
            .collect()
    }

    /// Combined standard uncertainty with a correlation between any two terms,
    /// -1 to 1 by their places (JCGM 100:2008, 5.2.2). Terms of the same source
    /// are terms like others here. None when a term is not finite, when a
    /// correlation does not lie between -1 and 1, or when all of them together
    /// are impossible (three terms cannot all oppose one another).
    pub fn combined_with(&self, correlation: impl Fn(usize, usize) -> f64) -> Option<f64> {
        let unit = unit_for(self.terms.iter().map(|term| term.u));
        let (mut variance, mut size) = (0.0, 0.0);
        for (at, term) in self.terms.iter().enumerate() {
            let u = term.u / unit;
            variance += u * u;
            size += u * u;
            for (other_at, other) in self.terms.iter().enumerate().skip(at + 1) {
                let r = correlation(at, other_at);
                let possible = r.abs() <= 1.0 + ROUNDING;
                if !possible {
                    return None;
                }
                let both = 2.0 * r.clamp(-1.0, 1.0) * u * (other.u / unit);
                variance += both;
                size += both.abs();
            }
        }
        if !(variance >= -ROUNDING * size && variance.is_finite()) {
            return None;
        }
        brought_back(variance.max(0.0).sqrt(), unit)
    }

    /// (source, summed u, least dof), in order of first appearance.
    fn by_source(&self) -> Vec<(&str, f64, Option<f64>)> {
        let mut sums: Vec<(&str, f64, Option<f64>)> = Vec::new();
        for term in &self.terms {
            let freedom = term.dof.map(usable_dof);
            match sums.iter_mut().find(|(source, ..)| *source == term.source) {
                Some((_, u, dof)) => {
                    *u += term.u;
                    *dof = lesser_dof(*dof, freedom);
                }
                None => sums.push((&term.source, term.u, freedom)),
            }
        }
        sums
    }
}

/// The lesser of two degrees of freedom, none being infinitely many;
/// not-a-number is kept, f64::min drops it.
pub fn lesser_dof(one: Option<f64>, other: Option<f64>) -> Option<f64> {
    match (one, other) {
        (Some(a), Some(b)) => Some(if a.is_nan() || a < b { a } else { b }),
        (a, b) => a.or(b),
    }
}

/// Degrees of freedom that can be counted; not-a-number for 0, below, or none.
fn usable_dof(dof: f64) -> f64 {
    if dof > 0.0 { dof } else { f64::NAN }
}

/// What one source adds to a budget.
#[derive(Clone, Debug, PartialEq)]
pub struct Share {
    /// The source.
    pub source: String,
    /// Its standard uncertainty in the value's unit.
    pub u: f64,
    /// Its degrees of freedom; none means infinitely many, not-a-number that
    /// they cannot be counted.
    pub dof: Option<f64>,
    /// Its share of the combined variance; not-a-number when that is not known.
    pub share: f64,
}

/// How an input's uncertainty is stated (JCGM 100:2008, 4.3).
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shape {
    /// A standard uncertainty already.
    Standard,
    /// An expanded one with its coverage factor, a number above 0.
    Expanded(f64),
    /// Half-width of limits with nothing known between them.
    Rectangular,
    /// Half-width of limits with the middle more likely.
    Triangular,
    /// Half-width of a sine's swing.
    Arcsine,
    /// The smallest step of a display.
    Resolution,
}

impl Shape {
    /// The standard uncertainty that a stated one stands for, in its unit;
    /// not-a-number when a coverage factor is not a number above 0.
    pub fn standard(self, stated: f64) -> f64 {
        match self {
            Shape::Standard => stated,
            Shape::Expanded(k) if k > 0.0 && k.is_finite() => stated / k,
            Shape::Expanded(_) => f64::NAN,
            Shape::Rectangular => stated / 3.0_f64.sqrt(),
            Shape::Triangular => stated / 6.0_f64.sqrt(),
            Shape::Arcsine => stated / 2.0_f64.sqrt(),
            Shape::Resolution => stated / 12.0_f64.sqrt(),
        }
    }
}

/// Coverage factor for a level of confidence: Student's t at the whole degrees
/// of freedom, where 0.05 short of a whole number counts as that (G.4.1 of
/// JCGM 100:2008 rounds 18.9987 to 19); the normal one without. None unless the
/// level lies between 0 and 1 and there is at least one degree of freedom.
pub fn coverage_factor(level: f64, dof: Option<f64>) -> Option<f64> {
    let p = (1.0 + level) / 2.0;
    match dof {
        None => normal_quantile(p).filter(|_| level > 0.0),
        Some(dof) => {
            let whole = (dof + 0.05).floor();
            let usable = whole >= 1.0 && level > 0.0;
            usable.then(|| t_quantile(p, whole)).flatten()
        }
    }
}

/// The second-order term of a product `value * a * b` whose factors are both
/// near zero (JCGM 100:2008, 5.1.2, as in H.1.7), in the product's unit;
/// not-a-number when one of them is.
pub fn second_order(value: f64, u_a: f64, u_b: f64) -> f64 {
    let mut factors = [value, u_a, u_b].map(f64::abs);
    factors.sort_by(f64::total_cmp);
    let [least, middle, largest] = factors;
    // The ends first: two small ones would underflow.
    least * largest * middle
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, G.4.1 (numbers recalled, arithmetic agrees): 0.25, 0.57
    /// and 0.82 % with n = 10, 5, 15 give 1.03 % and 19.0 degrees of freedom.
    #[test]
    fn gum_g41_is_met() {
        let estimate = Estimate::exact(1.0)
            .with("a", 0.25, Some(9.0))
            .with("b", 0.57, Some(4.0))
            .with("c", 0.82, Some(14.0));
        assert!((estimate.combined() - 1.03).abs() < 0.005);
        assert!((estimate.effective_dof().expect("finite") - 19.0).abs() < 0.05);
    }

    #[test]
    fn a_budget_shows_who_is_to_blame() {
        let estimate =
            Estimate::exact(100.0)
                .with("certificate", 3.0, None)
                .with("noise", 4.0, Some(9.0));
        let shares: Vec<(String, f64)> = estimate
            .shares()
            .into_iter()
            .map(|share| (share.source, share.share))
            .collect();
        let wanted = [("certificate".to_owned(), 0.36), ("noise".to_owned(), 0.64)];
        assert_eq!(shares, wanted);
        let repeatable = estimate.without(|source| source == "certificate");
        assert_eq!(repeatable.combined(), 4.0);
        assert_eq!(estimate.combined_with(|_, _| 1.0), Some(7.0));
        assert_eq!(estimate.combined_with(|_, _| -1.0), Some(1.0));
        assert_eq!(estimate.combined_with(|_, _| 0.0), Some(5.0));
    }

    /// JCGM 100:2008, 5.1.6 and 5.2.2, note 1: relative variances of a quotient
    /// add, and inputs that correlate fully add or cancel without squares.
    #[test]
    fn sums_and_quotients_carry_their_terms() {
        let own = |value: f64, shared: f64, source: &str, u: f64| {
            let estimate = Estimate::exact(value).with("certificate", shared, None);
            estimate.with(source, u, Some(9.0))
        };
        let (a, b) = (own(100.0, 3.0, "a", 4.0), own(50.0, 1.5, "b", 1.0));
        let sum = a.plus(&b);
        assert_eq!(sum.value, 150.0);
        assert!((sum.combined() - (4.5_f64.powi(2) + 16.0 + 1.0).sqrt()).abs() < 1e-12);
        let rest = a.minus(&b).combined();
        assert!((rest - (1.5_f64.powi(2) + 16.0 + 1.0).sqrt()).abs() < 1e-12);
        // The certificate is 3 % of both: it leaves their ratio alone.
        let ratio = a.over(&b);
        let wanted = 2.0 * (0.04_f64.powi(2) + 0.02_f64.powi(2)).sqrt();
        assert_eq!(ratio.value, 2.0);
        assert!((ratio.combined() - wanted).abs() < 1e-12);
        let product = a.times(&b).combined() / 5000.0;
        assert!((product - (0.06_f64.powi(2) + 0.002).sqrt()).abs() < 1e-12);
        assert_eq!(a.minus(&a).combined(), 0.0);
        assert_eq!(a.over(&a).combined(), 0.0);
        assert_eq!(a.scaled(-2.0).combined(), 2.0 * a.combined());
        assert_eq!(a.plus(&a).plus(&a).terms.len(), 2);
        assert_eq!(sum.terms[1].dof, Some(9.0));
        assert!(!a.over(&Estimate::exact(0.0)).value.is_finite());
    }

    #[test]
    fn a_coverage_factor_needs_a_level_and_freedom() {
        assert_eq!(coverage_factor(0.0, None), None);
        assert_eq!(coverage_factor(1.0, Some(5.0)), None);
        assert_eq!(coverage_factor(0.95, Some(0.5)), None);
        let k = coverage_factor(0.95, None).expect("a factor");
        assert!((k - 1.96).abs() < 1e-3);
        // JCGM 100:2008, G.4.1: 18.9987 counts as 19, and 18.9 as 18.
        let t = |dof| coverage_factor(0.95, Some(dof)).expect("a factor");
        assert_eq!(t(18.9987), t(19.0));
        assert_eq!(t(18.9), t(18.0));
    }

    #[test]
    fn stated_limits_become_standard_uncertainties() {
        // JCGM 100:2008, 4.3.7, 4.3.9, F.2.2.1 and H.1.3.3.
        let cases = [
            (Shape::Standard, 1.0),
            (Shape::Expanded(2.0), 0.5),
            (Shape::Rectangular, 0.577_350),
            (Shape::Triangular, 0.408_248),
            (Shape::Arcsine, std::f64::consts::FRAC_1_SQRT_2),
            (Shape::Resolution, 0.288_675),
        ];
        for (shape, u) in cases {
            assert!((shape.standard(1.0) - u).abs() < 1e-6, "{shape:?}");
        }
    }

    #[test]
    fn equal_sources_add_and_cancel() {
        let same =
            Estimate::exact(1.0)
                .with("certificate", 3.0, None)
                .with("certificate", 1.0, None);
        assert_eq!(same.combined(), 4.0);
        let opposed =
            Estimate::exact(1.0)
                .with("certificate", 3.0, None)
                .with("certificate", -3.0, None);
        assert_eq!(opposed.combined(), 0.0);
        let apart = Estimate::exact(1.0)
            .with("a", 3.0, None)
            .with("b", 4.0, None);
        assert_eq!(
            (apart.combined(), apart.expanded(2.0), apart.effective_dof()),
            (5.0, 10.0, None)
        );
    }

    #[test]
    fn what_is_not_known_is_never_zero() {
        let nan = f64::NAN;
        let of = |u: f64, dof: Option<f64>| {
            Estimate::exact(1.0)
                .with("a", u, dof)
                .with("b", 3.0, Some(9.0))
        };
        for u in [nan, f64::INFINITY, -f64::INFINITY] {
            let unknown = of(u, None);
            assert_eq!(unknown.combined_with(|_, _| 0.0), None, "{u}");
            assert!(!unknown.combined().is_finite());
            assert!(unknown.shares().iter().all(|share| share.share.is_nan()));
            assert!(unknown.effective_dof().is_some_and(f64::is_nan));
            assert_eq!(unknown.coverage_factor(0.95), None);
        }
        for r in [nan, f64::INFINITY, 1.1, -1.000_1] {
            assert_eq!(of(4.0, None).combined_with(|_, _| r), None, "{r}");
        }
        // Rounding beyond 1 is not a mistake; three terms that all oppose one
        // another are.
        let close = of(4.0, None).combined_with(|_, _| 1.0 + 1e-15);
        assert_eq!(close, Some(7.0));
        let three = of(3.0, None).with("c", 3.0, None);
        assert_eq!(three.combined_with(|_, _| -1.0), None);
        assert!((second_order(1e-200, 1e-200, 1e300) / 1e-100 - 1.0).abs() < 1e-12);
        assert!(second_order(1.0, nan, 0.0).is_nan());
        for k in [0.0, -2.0, nan, f64::INFINITY] {
            assert!(Shape::Expanded(k).standard(1.0).is_nan(), "{k}");
            assert!(of(4.0, None).expanded(k).is_nan(), "{k}");
        }
    }

    #[test]
    fn freedom_of_zero_or_below_is_not_infinite() {
        for dof in [0.0, -0.0, -3.0, f64::NAN] {
            let alone = Estimate::exact(1.0).with("a", 0.5, Some(dof));
            let same = alone.clone().with("a", 0.5, Some(4.0));
            let turned = Estimate::exact(1.0)
                .with("a", 0.5, Some(4.0))
                .with("a", 0.5, Some(dof));
            for estimate in [alone, same, turned] {
                let found = estimate.effective_dof();
                assert!(found.is_some_and(f64::is_nan), "{dof}: {found:?}");
                assert_eq!(estimate.coverage_factor(0.95), None, "{dof}");
            }
        }
        let infinite = Estimate::exact(1.0).with("a", 0.5, Some(f64::INFINITY));
        assert_eq!(infinite.effective_dof(), None);
    }

    /// The example of JCGM 100:2008, G.4.1, in other units.
    #[test]
    fn tiny_and_huge_budgets_are_the_same_budget() {
        let of = |unit: f64| {
            Estimate::exact(1.0)
                .with("a", 0.25 * unit, Some(9.0))
                .with("b", 0.57 * unit, Some(4.0))
                .with("c", 0.82 * unit, Some(14.0))
        };
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-12;
        let plain = of(1.0);
        let dof = plain.effective_dof().expect("finite");
        for unit in [1e-300, 1e-200, 1e-90, 1e-81, 1e81, 1e200, 1e300] {
            let found = of(unit);
            assert!(near(found.combined() / unit, plain.combined()), "{unit}");
            assert!(near(found.effective_dof().expect("finite"), dof), "{unit}");
            let with = found.combined_with(|_, _| 0.0).expect("u");
            assert!(near(with, found.combined()), "{unit}");
            let shares = found.shares().into_iter().zip(plain.shares());
            assert!(shares.into_iter().all(|(a, b)| near(a.share, b.share)));
        }
    }

    proptest::proptest! {
        #[test]
        fn no_budget_is_silently_wrong(
            terms in proptest::collection::vec(
                (0_u8..4, proptest::num::f64::ANY, proptest::option::of(proptest::num::f64::ANY)), 0..8),
            r in proptest::num::f64::ANY,
        ) {
            let estimate = terms.iter().fold(Estimate::exact(1.0), |sum, (source, u, dof)| {
                sum.with(&source.to_string(), *u, *dof)
            });
            let known = terms.iter().all(|(_, u, _)| u.is_finite());
            let counted = terms.iter().all(|(.., dof)| dof.is_none_or(|dof| dof > 0.0));
            let (u, dof) = (estimate.combined(), estimate.effective_dof());
            proptest::prop_assert!(known || !u.is_finite());
            proptest::prop_assert!(counted || dof.is_some_and(f64::is_nan), "{dof:?}");
            // Never fewer than the least of the sources.
            if let Some(dof) = dof.filter(|dof| dof.is_finite()) {
                let least = terms.iter().filter_map(|(.., dof)| *dof).fold(f64::INFINITY, f64::min);
                proptest::prop_assert!(dof >= least * (1.0 - 1e-9), "{dof} {least}");
            }
            let whole: f64 = estimate.shares().iter().map(|share| share.share).sum();
            let one = (whole - 1.0).abs() < 1e-9 || (whole == 0.0 && u == 0.0);
            proptest::prop_assert!(one || !u.is_finite(), "{whole}");
            let together = estimate.combined_with(|_, _| r);
            proptest::prop_assert!(together.is_none_or(|u| known && u.is_finite() && u >= 0.0));
            let _ = (estimate.coverage_factor(r), coverage_factor(r, Some(u)), estimate.expanded(r));
        }
    }
}
