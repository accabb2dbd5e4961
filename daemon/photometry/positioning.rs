//! How well an axis goes where it is told: steps of a grid, reversal value and
//! repeatability.
//!
//! ISO 230-2:2014's definitions (from memory): deviations at several targets,
//! approached from either side, several runs each. Used by: the yearly check of
//! a rail, reports.

use crate::statistics::moments;

/// Steps from the origin to the nth station of a grid, before rounding: targets
/// are computed from the origin, never from summed moves.
pub fn steps_to(station: u32, pitch_mm: f64, steps_per_mm: f64) -> f64 {
    f64::from(station) * pitch_mm * steps_per_mm
}

/// What summing rounded single moves to the nth station would lose, in mm.
pub fn error_of_summed_moves_mm(station: u32, pitch_mm: f64, steps_per_mm: f64) -> f64 {
    let exact = pitch_mm * steps_per_mm;
    f64::from(station) * (exact.round() - exact) / steps_per_mm
}

/// Figures of an axis, in the unit of the deviations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Positioning {
    /// Largest difference of the mean deviations from both sides: reversal
    /// value B.
    pub reversal: f64,
    /// Repeatability from below, 4 s at the worst target.
    pub repeatability_up: f64,
    /// Repeatability from above.
    pub repeatability_down: f64,
    /// Bidirectional repeatability R.
    pub repeatability: f64,
    /// Range of the mean bidirectional deviations M.
    pub mean_range: f64,
}

/// Deviations by run and target, from below and from above; none unless there
/// are at least two runs from each side with the same targets, all finite.
pub fn positioning(up: &[Vec<f64>], down: &[Vec<f64>]) -> Option<Positioning> {
    let targets = up.first()?.len();
    let same = |runs: &[Vec<f64>]| runs.len() >= 2 && runs.iter().all(|r| r.len() == targets);
    if targets == 0 || !same(up) || !same(down) {
        return None;
    }
    let mut found = Positioning {
        reversal: 0.0,
        repeatability_up: 0.0,
        repeatability_down: 0.0,
        repeatability: 0.0,
        mean_range: 0.0,
    };
    let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
    for target in 0..targets {
        let at = |runs: &[Vec<f64>]| -> Option<(f64, f64)> {
            let values: Vec<f64> = runs.iter().map(|run| run[target]).collect();
            let moments = moments(&values)?;
            Some((moments.mean, moments.sd?))
        };
        let ((mean_up, sd_up), (mean_down, sd_down)) = (at(up)?, at(down)?);
        let reversal = (mean_up - mean_down).abs();
        let both = 2.0 * sd_up + 2.0 * sd_down + reversal;
        let middle = (mean_up + mean_down) / 2.0;
        (least, most) = (least.min(middle), most.max(middle));
        found.reversal = found.reversal.max(reversal);
        found.repeatability_up = found.repeatability_up.max(4.0 * sd_up);
        found.repeatability_down = found.repeatability_down.max(4.0 * sd_down);
        let worst = both.max(4.0 * sd_up).max(4.0 * sd_down);
        found.repeatability = found.repeatability.max(worst);
    }
    found.mean_range = most - least;
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_run_or_other_targets_say_nothing() {
        assert_eq!(positioning(&[], &[]), None);
        assert_eq!(positioning(&[vec![1.0]], &[vec![1.0], vec![2.0]]), None);
        let uneven = [vec![1.0, 2.0], vec![1.0]];
        assert_eq!(positioning(&uneven, &uneven), None);
        let empty = [vec![], vec![]];
        assert_eq!(positioning(&empty, &empty), None);
    }

    proptest::proptest! {
        #[test]
        fn a_common_offset_is_no_scatter(
            runs in proptest::collection::vec(proptest::collection::vec(-9.0..9.0_f64, 3), 2..6),
            offset in -5.0..5.0_f64,
        ) {
            let moved: Vec<Vec<f64>> =
                runs.iter().map(|run| run.iter().map(|v| v + offset).collect()).collect();
            let found = positioning(&runs, &moved).expect("figures");
            proptest::prop_assert!((found.reversal - offset.abs()).abs() < 1e-9);
            proptest::prop_assert!((found.repeatability_up - found.repeatability_down).abs() < 1e-6);
        }
    }
}
