//! The generalised extreme studentised deviate test, for so many readings as a
//! night gives.
//!
//! Each round takes off the value that lies farthest from the mean of those
//! left. Computed anew that is quadratic (half a second for 4000 readings);
//! here each round costs the same few steps. Rosner 1983, *Technometrics* 25,
//! 165 (from memory); NIST/SEMATECH e-Handbook, 1.3.5.17.3. Used by: outliers.

use std::ops::Range;

use crate::distribution::t_above;
use crate::outliers::{Ends, grubbs_critical, tail_of};
use crate::scale::unit_for;

/// Two distances are the same when they differ by less than this share:
/// rounding must not choose between them.
const SAME_DISTANCE: f64 = 1e-12;
/// A probability is that of the level when it differs by less than this share;
/// its own rounding is below 1e-8.
const SAME_PROBABILITY: f64 = 1e-6;
/// Of the values that are left, this part at most is taken off before sums are
/// made anew about a new middle.
const PART_AT_ONCE: usize = 4;
/// The same when their reach has shrunk to this share: squares of what is left
/// would soon be lost beside those of what was.
const REACH_AT_LEAST: f64 = 1e-60;

/// Places (from 0, in the order in which they were found) of up to `at_most`
/// outliers at either end, by the generalised ESD test (Rosner 1983). Of two
/// values equally far out the later one counts as the farther. Without
/// outliers, or when a value is not finite, there are none. The time grows as
/// n log n, beside one probability for each value that was tried.
pub fn generalised_esd(values: &[f64], at_most: usize, alpha: f64) -> Vec<usize> {
    if values.iter().any(|value| !value.is_finite()) || !(alpha > 0.0 && alpha < 1.0) {
        return Vec::new();
    }
    let sorted = Sorted::of(values);
    let rounds = at_most.min(values.len().saturating_sub(2));
    let mut taken: Vec<Taken> = Vec::new();
    let mut left = 0..values.len();
    while taken.len() < rounds {
        let before = taken.len();
        let most = (left.len() / PART_AT_ONCE).clamp(1, rounds - before);
        left = sorted.take_off(left, most, &mut taken);
        if taken.len() == before {
            break; // What is left has no scatter.
        }
    }
    let outliers = taken
        .iter()
        .rposition(|far| far.is_beyond(alpha))
        .map_or(0, |last| last + 1);
    taken.iter().take(outliers).map(|far| far.place).collect()
}

/// A value that was the farthest of `count`.
struct Taken {
    place: usize,
    deviate: f64,
    count: usize,
}

impl Taken {
    /// Whether it is farther than the critical distance. Its probability tells
    /// (one is computed where the critical distance needs seventy), except so
    /// near the level that its own rounding could rule.
    fn is_beyond(&self, alpha: f64) -> bool {
        let n = self.count as f64;
        let squared = self.deviate * self.deviate;
        let most = (n - 1.0) * (n - 1.0);
        let rest = most - n * squared;
        if rest > SAME_PROBABILITY * most {
            let t = (n * (n - 2.0) * squared / rest).sqrt();
            let tail = tail_of(n, alpha, Ends::Both);
            let p = t_above(t, n - 2.0).filter(|p| (p - tail).abs() > SAME_PROBABILITY * tail);
            if let Some(p) = p {
                return p < tail;
            }
        }
        grubbs_critical(self.count, alpha, Ends::Both)
            .is_some_and(|critical| self.deviate > critical)
    }
}

/// Values in ascending order. The farthest of any that are left lies at one end
/// of a stretch of them.
struct Sorted {
    values: Vec<f64>,
    /// Places of the values, equal ones ascending: as they are taken off above.
    from_above: Vec<usize>,
    /// The same, equal ones descending: as they are taken off below.
    from_below: Vec<usize>,
}

impl Sorted {
    fn of(values: &[f64]) -> Sorted {
        let mut order: Vec<usize> = (0..values.len()).collect();
        // Minus zero becomes zero, so that both are equal here too.
        order.sort_by(|a, b| (values[*a] + 0.0).total_cmp(&(values[*b] + 0.0)));
        let equal = order.chunk_by(|a, b| values[*a] == values[*b]);
        Sorted {
            values: order.iter().map(|place| values[*place]).collect(),
            from_below: equal.flat_map(|run| run.iter().rev().copied()).collect(),
            from_above: order,
        }
    }

    /// Takes up to `most` values off a stretch, the farthest from the mean of
    /// what is left first, and gives the stretch that is left. Fewer, when there
    /// is no scatter left or it has become too small beside what there was.
    ///
    /// The sums of each stretch are those of the core, which stays, and of what
    /// lies below and above it, added from the core outwards: nothing is
    /// subtracted that could be larger than what is left. They are about the
    /// core's middle, which lies within about a standard deviation of each
    /// stretch's mean, so that the usual loss of S2 - S1^2/n is small.
    fn take_off(&self, left: Range<usize>, most: usize, taken: &mut Vec<Taken>) -> Range<usize> {
        let part = &self.values[left.clone()];
        let unit = unit_for(part.iter().copied());
        let middle = part[part.len() / 2] / unit;
        let away: Vec<f64> = part.iter().map(|value| value / unit - middle).collect();
        let (below, core) = away.split_at(most);
        let (core, above) = core.split_at(core.len() - most);
        let core = outwards((0.0, 0.0), core.iter())[core.len()];
        let below = outwards((0.0, 0.0), below.iter().rev());
        let above = outwards(core, above.iter());
        let reach = |low: usize, high: usize| away[low].abs().max(away[high - 1].abs());
        let (mut low, mut high) = (0, away.len());
        let least = REACH_AT_LEAST * reach(low, high);
        for _ in 0..most {
            let count = high - low;
            let n = count as f64;
            let (lower, upper) = (below[most - low], above[high + most - away.len()]);
            let (sum, squares) = (lower.0 + upper.0, lower.1 + upper.1);
            let mean = sum / n;
            let sd = ((squares - sum * mean) / (n - 1.0)).sqrt();
            // Equal values are told by their ends, not by a rounded sum.
            let scatters = away[low] < away[high - 1] && sd > 0.0;
            if !scatters || reach(low, high) < least {
                break;
            }
            let (down, up) = (mean - away[low], away[high - 1] - mean);
            let places = (
                self.from_below[left.start + low],
                self.from_above[left.start + high - 1],
            );
            let same = (up - down).abs() <= SAME_DISTANCE * up.max(down);
            let takes_upper = if same { places.1 > places.0 } else { up > down };
            taken.push(Taken {
                place: if takes_upper { places.1 } else { places.0 },
                deviate: up.max(down) / sd,
                count,
            });
            if takes_upper {
                high -= 1;
            } else {
                low += 1;
            }
        }
        left.start + low..left.start + high
    }
}

/// Sums and sums of squares of the first 0, 1, 2, ... values on top of others.
fn outwards<'a>(start: (f64, f64), values: impl Iterator<Item = &'a f64>) -> Vec<(f64, f64)> {
    let sums = values.scan(start, |sums, value| {
        *sums = (sums.0 + value, sums.1 + value * value);
        Some(*sums)
    });
    std::iter::once(start).chain(sums).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::outliers::farthest;

    /// The test as Rosner wrote it, every round anew: what the quick one must
    /// find.
    fn one_by_one(values: &[f64], at_most: usize, alpha: f64) -> Vec<usize> {
        let mut left: Vec<(usize, f64)> = values.iter().copied().enumerate().collect();
        let (mut taken, mut outliers) = (Vec::new(), 0);
        for round in 1..=at_most.min(values.len().saturating_sub(2)) {
            let plain: Vec<f64> = left.iter().map(|(_, value)| *value).collect();
            let critical = grubbs_critical(plain.len(), alpha, Ends::Both);
            let (Some((at, deviate)), Some(critical)) = (farthest(&plain), critical) else {
                break;
            };
            taken.push(left.remove(at).0);
            if deviate > critical {
                outliers = round;
            }
        }
        taken.truncate(outliers);
        taken
    }

    /// Values that look like noise, the same each time.
    fn noise(n: usize) -> Vec<f64> {
        let mut state = 1_u64;
        let mut next = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        let mut one = || (0..12).map(|_| next()).sum::<f64>() - 6.0;
        (0..n).map(|_| one()).collect()
    }

    /// 20 000 rounds: with each computed anew they would take minutes.
    #[test]
    fn three_of_a_hundred_thousand_readings_are_found() {
        let mut values = noise(100_000);
        for (at, far) in [(7, 1e9), (70_000, -2e9), (99_999, 40.0)] {
            values[at] = far;
        }
        let found = generalised_esd(&values, values.len() / 5, 0.05);
        assert_eq!(found, [70_000, 7, 99_999]);
    }

    #[test]
    fn it_finds_what_the_slow_test_finds() {
        let mut values = noise(400);
        for (at, far) in [
            (7, 1e300),
            (40, -3e290),
            (99, 1e18),
            (100, 1e18),
            (300, -30.0),
            (301, 6.0),
        ] {
            values[at] = far;
        }
        for at_most in [1, 2, 3, 5, 8, 40, 80, 200, usize::MAX] {
            for alpha in [0.5, 0.05, 1e-9] {
                let wanted = one_by_one(&values, at_most, alpha);
                assert_eq!(
                    generalised_esd(&values, at_most, alpha),
                    wanted,
                    "{at_most}"
                );
                assert!(at_most < 5 || wanted.len() >= 5, "{wanted:?}");
            }
        }
        let tiny: Vec<f64> = noise(50).iter().map(|v| v * 1e-310).collect();
        assert_eq!(generalised_esd(&tiny, 9, 0.9), one_by_one(&tiny, 9, 0.9));
        assert_eq!(
            generalised_esd(&[0.0, 0.0, -0.0, 0.0, 1e-320], 3, 0.05),
            [4]
        );
    }

    proptest::proptest! {
        /// Whole numbers have many equal values and exact ties.
        #[test]
        fn it_finds_the_same_in_any_order(
            whole in proptest::collection::vec(-4_i32..=4, 0..40),
            wild in proptest::collection::vec(-100_i32..=100, 0..8),
            scattered in proptest::collection::vec(-1.0..1.0_f64, 0..60),
            at_most in 0_usize..50,
            alpha in 0.001..0.9_f64,
        ) {
            let mut values: Vec<f64> = whole.iter().chain(&wild).map(|v| f64::from(*v)).collect();
            proptest::prop_assert_eq!(
                generalised_esd(&values, at_most, alpha), one_by_one(&values, at_most, alpha));
            values.extend(scattered.iter().map(|v| v * v * v));
            proptest::prop_assert_eq!(
                generalised_esd(&values, at_most, alpha), one_by_one(&values, at_most, alpha));
        }
    }
}
