//! A result and where its doubt comes from.
//!
//! An [`Estimate`] keeps its terms apart, each with its source's name: equal
//! sources correlate fully (the same certificate lies behind every reading of
//! a meter), different ones not at all. U = k u appears only when shown.
//! Combination after JCGM 100:2008, 5.1 and 5.2.

use serde::{Deserialize, Serialize};

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
