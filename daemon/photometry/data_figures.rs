//! Figures of repeated readings, of a budget, and of a comparison, under their
//! names. Their unit is that of the data unless the name says otherwise.
//!
//! Used by: `compute stats | budget | compare`, reports, scripts. Not here: the
//! computations (statistics, robust, outliers, uncertainty, comparison).

use crate::comparison::Comparison;
use crate::figure::Figure;
use crate::outliers::{Ends, generalised_esd, grubbs};
use crate::robust::{huber, mad_scaled, median};
use crate::statistics::{lag_one, moments};
use crate::uncertainty::Estimate;

/// Level of the tests for outliers.
const OUTLIER_ALPHA: f64 = 0.05;
/// Outliers that are sought at most, as a share of the values.
const OUTLIERS_OF: usize = 5;
/// Beyond this, neighbouring readings hang together: they drift.
const LAG_ONE_AT_MOST: f64 = 0.5;

/// Names with their standards.
pub mod names {
    use crate::figure::figure_names;

    figure_names! {
        N "n" "" "number of values" "own definition" "counted";
        MEAN "mean" "" "arithmetic mean, in the data's unit" "JCGM 100:2008, 4.2.1" "NIST StRD NumAcc1, NumAcc3, Michelso, 1e-7";
        SD "sd" "" "standard deviation of one value, in the data's unit" "JCGM 100:2008, 4.2.2" "NIST StRD NumAcc1 1, NumAcc3 0.1, Michelso 0.0790105, 1e-7";
        STANDARD_ERROR "standard_error" "" "standard deviation of the mean, in the data's unit" "JCGM 100:2008, 4.2.3" "GUM 4.4.3: 0.33";
        MEDIAN "median" "" "median, in the data's unit" "own definition" "MASS chem 3.385";
        MAD_SCALED "mad_scaled" "" "median absolute deviation times 1.4826, in the data's unit" "Venables and Ripley, MASS" "MASS chem 0.526323, 2e-6";
        HUBER "huber" "" "Huber's location, k = 1.5, in the data's unit" "Venables and Ripley, MASS" "MASS chem 3.206724, 2e-6";
        LAG_ONE "lag_one" "" "correlation of each value with the next" "NIST StRD" "NumAcc1 -0.5, Michelso 0.535200, 1e-9";
        GRUBBS_G "grubbs_g" "" "distance of the farthest value in standard deviations" "NIST/SEMATECH e-Handbook 1.3.5.17.1" "Tietjen-Moore 2.4687, 1e-4";
        GRUBBS_CRITICAL "grubbs_critical" "" "what that distance may be, both ends, 5 %" "NIST/SEMATECH e-Handbook 1.3.5.17.1" "39 values of the table, 6e-4";
        OUTLIERS "outliers" "" "values that lie too far out, generalised ESD, 5 %: look at them, none was left out" "Rosner 1983" "Rosner's data: 3";
        VALUE "value" "" "the value, in its unit" "JCGM 100:2008" "as given";
        COMBINED "combined_u" "" "combined standard uncertainty, in the value's unit" "JCGM 100:2008, 5.1" "GUM H.1: 32 nm; G.4.1: 1.03 %";
        EFFECTIVE_DOF "effective_dof" "" "effective degrees of freedom" "JCGM 100:2008, G.4.1" "GUM H.1: 16.7; G.4.1: 19.0";
        COVERAGE_FACTOR "coverage_factor" "" "coverage factor for 95 %" "JCGM 100:2008, G.4" "GUM G.4.1: 2.09; H.1 (99 %): 2.92";
        EXPANDED "expanded_u" "" "expanded uncertainty for 95 %, in the value's unit" "JCGM 100:2008, 6.2" "GUM G.4.1: 2.2 %; H.1 (99 %): 93 nm";
        RATIO "ratio" "" "after over before" "own definition" "worked example with statsmodels 0.15, 1e-4";
        RATIO_LOW "ratio_low" "" "lower end of the ratio's 90 % interval" "Schuirmann 1987" "the same, 0.987194";
        RATIO_HIGH "ratio_high" "" "upper end of the ratio's 90 % interval" "Schuirmann 1987" "the same, 0.993512";
        P_DIFFERENT "p_welch" "" "chance of such a difference without a cause, Welch's test" "NIST/SEMATECH e-Handbook 1.3.5.3" "AUTO83B: t -12.94627, 136.875 dof, 1e-5";
        P_EQUIVALENT "p_equivalence" "" "chance of such likeness at the margin, two one-sided tests" "Schuirmann 1987" "worked example with statsmodels 0.15, 1e-4";
        CHANGE "change" "" "what the comparison comes to" "own definition" "all four rulings reached in a test";
    }
}

use names::*;

/// Figures of repeated readings; none of them when a value is not finite.
pub fn of_values(values: &[f64]) -> Vec<Figure> {
    let found = moments(values);
    let none = "there is no finite value";
    let few = "fewer than two values";
    let equal = "all values are equal, or fewer than three";
    let farthest = grubbs(values, OUTLIER_ALPHA, Ends::Both);
    let outliers = outliers(values).len() as f64;
    let lag = lag_one(values);
    let mut drifts = Figure::or_withheld(&LAG_ONE, lag, "all values are equal, or one is alone");
    if lag.is_some_and(|lag| lag > LAG_ONE_AT_MOST) {
        drifts = drifts.marked("drift");
    }
    vec![
        Figure::number(&N, values.len() as f64),
        Figure::or_withheld(&MEAN, found.map(|found| found.mean), none),
        Figure::or_withheld(&SD, found.and_then(|found| found.sd), few),
        Figure::or_withheld(
            &STANDARD_ERROR,
            found.and_then(|found| found.standard_error()),
            few,
        ),
        Figure::or_withheld(&MEDIAN, median(values), none),
        Figure::or_withheld(&MAD_SCALED, mad_scaled(values), none),
        Figure::or_withheld(&HUBER, huber(values), none),
        drifts,
        Figure::or_withheld(&GRUBBS_G, farthest.map(|far| far.g), equal),
        Figure::or_withheld(&GRUBBS_CRITICAL, farthest.map(|far| far.critical), equal),
        Figure::or_withheld(&OUTLIERS, farthest.map(|_| outliers), equal),
    ]
}

/// Places of values that lie too far out, farthest first.
pub fn outliers(values: &[f64]) -> Vec<usize> {
    let at_most = (values.len() / OUTLIERS_OF).max(1);
    generalised_esd(values, at_most, OUTLIER_ALPHA)
}

/// Figures of a budget, for a level of 95 %.
pub fn of_budget(estimate: &Estimate) -> Vec<Figure> {
    let k = estimate.coverage_factor(0.95);
    let few = "fewer than one degree of freedom";
    let expanded = k.map(|k| estimate.expanded(k));
    vec![
        Figure::number(&VALUE, estimate.value),
        Figure::number(&COMBINED, estimate.combined()),
        Figure::or_withheld(&EFFECTIVE_DOF, estimate.effective_dof(), "infinitely many"),
        Figure::or_withheld(&COVERAGE_FACTOR, k, few),
        Figure::or_withheld(&EXPANDED, expanded, few),
    ]
}

/// Figures of a comparison.
pub fn of_comparison(found: &Comparison) -> Vec<Figure> {
    let none = "there is no scatter to judge by";
    vec![
        Figure::number(&RATIO, found.ratio),
        Figure::or_withheld(&RATIO_LOW, found.interval.map(|ends| ends.0), none),
        Figure::or_withheld(&RATIO_HIGH, found.interval.map(|ends| ends.1), none),
        Figure::or_withheld(&P_DIFFERENT, found.welch.map(|test| test.p), none),
        Figure::or_withheld(&P_EQUIVALENT, found.p_equivalence, none),
        Figure::word(&CHANGE, found.change.words()),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::comparison::compare;

    #[test]
    fn every_name_is_given_once() {
        let estimate = Estimate::exact(1.0).with("a", 0.1, Some(4.0));
        let compared = compare(&[1.0, 1.1], &[1.0, 1.2], 0.1).expect("a comparison");
        let mut given: Vec<&str> = of_values(&[1.0, 2.0, 4.0])
            .into_iter()
            .chain(of_budget(&estimate))
            .chain(of_comparison(&compared))
            .map(|figure| figure.name.name)
            .collect();
        let mut known: Vec<&str> = names::ALL.iter().map(|name| name.name).collect();
        given.sort_unstable();
        known.sort_unstable();
        assert_eq!(given, known);
    }

    #[test]
    fn a_drift_is_marked_and_an_outlier_counted() {
        let drifting: Vec<f64> = (0..20).map(f64::from).collect();
        let figures = of_values(&drifting);
        assert_eq!(figures[7].marks, ["drift"]);
        let mut wild: Vec<f64> = (0..20).map(|at| f64::from(at % 5)).collect();
        wild[7] = 1_000.0;
        assert_eq!(outliers(&wild), [7]);
        assert_eq!(of_values(&wild)[10].value(), Some(1.0));
    }

    proptest::proptest! {
        #[test]
        fn no_values_panic(values in proptest::collection::vec(proptest::num::f64::ANY, 0..30)) {
            let estimate = values.iter().fold(Estimate::exact(1.0), |sum, u| {
                sum.with("a", *u, Some(*u)).with("b", *u, None)
            });
            let _ = (of_values(&values), of_budget(&estimate));
        }
    }
}
