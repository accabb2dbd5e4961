//! A result and where its doubt comes from.
//!
//! An [`Estimate`] keeps its terms apart, each with its source's name: equal
//! sources correlate fully (the same certificate lies behind every reading of
//! a meter), different ones not at all. U = k u appears only when shown.
//! Combination after JCGM 100:2008, 5.1 and 5.2.

use serde::{Deserialize, Serialize};

use crate::distribution::{normal_quantile, t_quantile};

/// One contribution to the doubt.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Term {
    /// Where it comes from: `certificate lux-head 2026-03`, `distance`, ...
    pub source: String,
    /// Standard uncertainty (k = 1) in the value's unit; signed by the
    /// sensitivity, so that equal sources may cancel.
    pub u: f64,
    /// Degrees of freedom; none means infinitely many.
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

    /// Combined standard uncertainty: equal sources add, different ones add
    /// in squares.
    pub fn combined(&self) -> f64 {
        self.by_source()
            .iter()
            .map(|(_, u, _)| u * u)
            .sum::<f64>()
            .sqrt()
    }

    /// Expanded uncertainty U = k u.
    pub fn expanded(&self, k: f64) -> f64 {
        k * self.combined()
    }

    /// Effective degrees of freedom (Welch-Satterthwaite, JCGM 100:2008,
    /// G.4.1); none when they are infinite.
    pub fn effective_dof(&self) -> Option<f64> {
        let denominator: f64 = self
            .by_source()
            .iter()
            .filter_map(|(_, u, dof)| dof.map(|dof| u.powi(4) / dof))
            .sum();
        (denominator > 0.0).then(|| self.combined().powi(4) / denominator)
    }

    /// Coverage factor for a level of confidence such as 0.95, with as many
    /// degrees of freedom as there are (JCGM 100:2008, G.4); none unless the
    /// level lies between 0 and 1 and there is some uncertainty.
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
    /// in order of first appearance; shares sum to one unless all are zero.
    pub fn shares(&self) -> Vec<Share> {
        let whole = self.combined().powi(2);
        let sources = self.by_source().into_iter();
        sources
            .map(|(source, u, dof)| Share {
                source: source.to_owned(),
                u: u.abs(),
                dof,
                share: if whole > 0.0 { u * u / whole } else { 0.0 },
            })
            .collect()
    }

    /// Combined standard uncertainty with a correlation between any two terms,
    /// -1 to 1 by their places (JCGM 100:2008, 5.2.2). Terms of the same source
    /// are terms like others here.
    pub fn combined_with(&self, correlation: impl Fn(usize, usize) -> f64) -> f64 {
        let mut variance = 0.0;
        for (at, term) in self.terms.iter().enumerate() {
            variance += term.u * term.u;
            for (other_at, other) in self.terms.iter().enumerate().skip(at + 1) {
                let r = correlation(at, other_at).clamp(-1.0, 1.0);
                variance += 2.0 * r * term.u * other.u;
            }
        }
        variance.max(0.0).sqrt()
    }

    /// (source, summed u, least dof), in order of first appearance.
    fn by_source(&self) -> Vec<(&str, f64, Option<f64>)> {
        let mut sums: Vec<(&str, f64, Option<f64>)> = Vec::new();
        for term in &self.terms {
            match sums.iter_mut().find(|(source, ..)| *source == term.source) {
                Some((_, u, dof)) => {
                    *u += term.u;
                    *dof = match (*dof, term.dof) {
                        (Some(a), Some(b)) => Some(a.min(b)),
                        (a, b) => a.or(b),
                    };
                }
                None => sums.push((&term.source, term.u, term.dof)),
            }
        }
        sums
    }
}

/// What one source adds to a budget.
#[derive(Clone, Debug, PartialEq)]
pub struct Share {
    /// The source.
    pub source: String,
    /// Its standard uncertainty in the value's unit.
    pub u: f64,
    /// Its degrees of freedom; none means infinitely many.
    pub dof: Option<f64>,
    /// Its share of the combined variance.
    pub share: f64,
}

/// How an input's uncertainty is stated (JCGM 100:2008, 4.3).
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shape {
    /// A standard uncertainty already.
    Standard,
    /// An expanded one with its coverage factor.
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
    /// The standard uncertainty that a stated one stands for.
    pub fn standard(self, stated: f64) -> f64 {
        match self {
            Shape::Standard => stated,
            Shape::Expanded(k) => stated / k,
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
/// near zero (JCGM 100:2008, 5.1.2, as in H.1.7).
pub fn second_order(value: f64, u_a: f64, u_b: f64) -> f64 {
    (value * u_a * u_b).abs()
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
        assert_eq!(estimate.combined_with(|_, _| 1.0), 7.0);
        assert_eq!(estimate.combined_with(|_, _| -1.0), 1.0);
        assert_eq!(estimate.combined_with(|_, _| 0.0), 5.0);
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
}
