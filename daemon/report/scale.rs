//! From figures to places on paper: linear and logarithmic axes, their ticks,
//! and labels that never cover one another. Pure geometry.

/// A linear axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Linear {
    /// Figure at the axis's beginning.
    pub from: f64,
    /// Figure at its end.
    pub to: f64,
    /// Place of the beginning, in pixels.
    pub start: f64,
    /// Place of the end, in pixels.
    pub end: f64,
}

impl Linear {
    /// The place of a figure; also outside the axis: nothing is clamped.
    pub fn place(&self, value: f64) -> f64 {
        let share = (value - self.from) / (self.to - self.from);
        self.start + share * (self.end - self.start)
    }

    /// Round ticks, 1, 2 or 5 times a power of ten apart, about `wanted` of
    /// them.
    pub fn ticks(&self, wanted: usize) -> Vec<f64> {
        let rough = (self.to - self.from) / wanted.max(1) as f64;
        if !(rough.is_finite() && rough > 0.0) {
            return Vec::new();
        }
        let ten = 10_f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0]
            .into_iter()
            .map(|k| k * ten)
            .find(|step| *step >= rough * 0.999)
            .unwrap_or(10.0 * ten);
        let first = (self.from / step - 1e-9).ceil() as i64;
        let last = (self.to / step + 1e-9).floor() as i64;
        (first..=last).map(|k| k as f64 * step).collect()
    }
}

/// A logarithmic axis; figures must be above zero.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Log {
    /// Figure at the axis's beginning.
    pub from: f64,
    /// Figure at its end.
    pub to: f64,
    /// Place of the beginning, in pixels.
    pub start: f64,
    /// Place of the end, in pixels.
    pub end: f64,
}

/// One tick of a logarithmic axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LogTick {
    /// Where.
    pub value: f64,
    /// A power of ten; the others make the fine grid.
    pub decade: bool,
    /// It has its figure beside it.
    pub named: bool,
}

/// Decades that have their figure beside them.
const NAMED_AT_MOST: f64 = 10.0;

impl Log {
    /// An axis that holds every value, ending at 1, 2 or 5 times a power of
    /// ten. None without a value above zero.
    pub fn around(values: impl IntoIterator<Item = f64>, start: f64, end: f64) -> Option<Log> {
        let (mut least, mut most) = (f64::INFINITY, 0.0_f64);
        for value in values.into_iter().filter(|v| v.is_finite() && *v > 0.0) {
            least = least.min(value);
            most = most.max(value);
        }
        (most > 0.0).then(|| Log {
            from: round_step(least / 1.05, f64::floor, &[5.0, 2.0, 1.0]),
            to: round_step(most * 1.05, f64::floor, &[1.0, 2.0, 5.0, 10.0]),
            start,
            end,
        })
    }

    /// The place of a figure; none at or below zero. Outside the axis it lies
    /// outside the axis.
    pub fn place(&self, value: f64) -> Option<f64> {
        let share = (value / self.from).ln() / (self.to / self.from).ln();
        (value > 0.0 && share.is_finite()).then_some(self.start + share * (self.end - self.start))
    }

    /// 1 to 9 in every decade. Decades are named; where they are few, 2 and 5
    /// as well; where they are many, only every second or third and so on.
    pub fn ticks(&self) -> Vec<LogTick> {
        let decades = (self.to / self.from).log10();
        let every = (decades / NAMED_AT_MOST).ceil().max(1.0) as i32;
        let mut ticks = Vec::new();
        let first = self.from.log10().floor() as i32;
        let last = self.to.log10().ceil() as i32;
        for decade in first..=last {
            let steps = if every > 1 { 1..=1 } else { 1..=9 };
            for k in steps {
                let value = f64::from(k) * 10_f64.powi(decade);
                let inside = value >= self.from * (1.0 - 1e-9) && value <= self.to * (1.0 + 1e-9);
                if inside {
                    ticks.push(LogTick {
                        value,
                        decade: k == 1,
                        named: (k == 1 && decade % every == 0)
                            || (decades < 2.2 && (k == 2 || k == 5)),
                    });
                }
            }
        }
        ticks
    }
}

/// The step of `steps` times a power of ten next to a value: the greatest that
/// is not above it when the steps fall, the least that is not below it when
/// they rise.
fn round_step(value: f64, round: fn(f64) -> f64, steps: &[f64]) -> f64 {
    let ten = 10_f64.powf(round(value.log10()));
    let falling = steps.first() > steps.last();
    steps
        .iter()
        .map(|k| k * ten)
        .find(|step| {
            if falling {
                *step <= value * (1.0 + 1e-9)
            } else {
                *step >= value * (1.0 - 1e-9)
            }
        })
        .unwrap_or(ten)
}

/// Moves labels apart so that neighbours are at least `gap` apart and all lie
/// within `top..=bottom`, each as near to its wish as that allows in the
/// least-squares sense (pool adjacent violators). Wishes may come in any
/// order; the places keep it. When there is not room for all, they are spread
/// evenly.
pub fn apart(wishes: &[f64], gap: f64, top: f64, bottom: f64) -> Vec<f64> {
    let mut order: Vec<usize> = (0..wishes.len()).collect();
    order.sort_by(|a, b| wishes[*a].total_cmp(&wishes[*b]));
    let n = wishes.len();
    if n > 1 && gap * (n - 1) as f64 > bottom - top {
        let step = (bottom - top) / (n - 1) as f64;
        let mut places = vec![0.0; n];
        for (rank, index) in order.iter().enumerate() {
            places[*index] = top + rank as f64 * step;
        }
        return places;
    }
    // With k * gap taken from the k-th wish, "at least gap apart" becomes
    // "not falling": isotonic regression, by pooling (sum, count) blocks.
    let mut blocks: Vec<(f64, usize)> = Vec::new();
    for (rank, index) in order.iter().enumerate() {
        let mut block = (wishes[*index] - rank as f64 * gap, 1);
        while let Some(before) = blocks.last().copied() {
            if before.0 / before.1 as f64 <= block.0 / block.1 as f64 {
                break;
            }
            blocks.pop();
            block = (before.0 + block.0, before.1 + block.1);
        }
        blocks.push(block);
    }
    let highest = bottom - gap * n.saturating_sub(1) as f64;
    let levels = blocks
        .iter()
        .flat_map(|(sum, count)| std::iter::repeat_n(sum / *count as f64, *count));
    let mut places = vec![0.0; n];
    for ((rank, index), level) in order.iter().enumerate().zip(levels) {
        places[*index] = level.max(top).min(highest) + rank as f64 * gap;
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;

    const AXIS: Linear = Linear {
        from: 0.0,
        to: 72.0,
        start: 100.0,
        end: 820.0,
    };

    #[test]
    fn a_linear_axis_places_and_names_round_figures() {
        assert_eq!(AXIS.place(0.0), 100.0);
        assert_eq!(AXIS.place(36.0), 460.0);
        assert_eq!(AXIS.place(144.0), 1540.0, "outside stays outside");
        assert_eq!(
            AXIS.ticks(8),
            [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0]
        );
        let flat = Linear { to: 0.0, ..AXIS };
        assert!(flat.ticks(8).is_empty());
    }

    #[test]
    fn a_log_axis_holds_its_values_and_ends_at_round_ones() {
        let cases = [
            (vec![1.3, 18_200.0], (1.0, 20_000.0)),
            (vec![0.96], (0.5, 2.0)),
            (vec![1.0, 1000.0], (0.5, 2000.0)),
            (vec![0.0, -4.0, f64::NAN, 30.0], (20.0, 50.0)),
        ];
        for (values, ends) in cases {
            let axis = Log::around(values.clone(), 0.0, 1.0).expect("an axis");
            assert!(
                (axis.from / ends.0 - 1.0).abs() < 1e-9,
                "{values:?} {axis:?}"
            );
            assert!((axis.to / ends.1 - 1.0).abs() < 1e-9, "{values:?} {axis:?}");
        }
        assert_eq!(Log::around([0.0, -1.0], 0.0, 1.0), None);
        let axis = Log {
            from: 1.0,
            to: 10_000.0,
            start: 400.0,
            end: 0.0,
        };
        assert_eq!(axis.place(100.0), Some(200.0));
        assert_eq!(axis.place(0.0), None);
        let outside = axis.place(1e6).expect("a place");
        assert!((outside + 200.0).abs() < 1e-9, "outside stays outside");
        let named: Vec<f64> = axis
            .ticks()
            .iter()
            .filter(|t| t.named)
            .map(|t| t.value)
            .collect();
        assert_eq!(named, [1.0, 10.0, 100.0, 1000.0, 10_000.0]);
        let short = Log {
            from: 10.0,
            to: 100.0,
            start: 0.0,
            end: 1.0,
        };
        let named = short.ticks().iter().filter(|t| t.named).count();
        assert_eq!(named, 4, "10, 20, 50, 100");
    }

    #[test]
    fn labels_keep_their_wish_where_there_is_room() {
        assert_eq!(
            apart(&[10.0, 50.0, 90.0], 16.0, 0.0, 100.0),
            [10.0, 50.0, 90.0]
        );
        assert_eq!(apart(&[50.0, 50.0], 16.0, 0.0, 100.0), [42.0, 58.0]);
        assert_eq!(apart(&[50.0, 48.0], 16.0, 0.0, 100.0), [57.0, 41.0]);
        assert_eq!(apart(&[99.0, 98.0], 16.0, 0.0, 100.0), [100.0, 84.0]);
        assert_eq!(
            apart(&[5.0, 5.0, 5.0], 60.0, 0.0, 100.0),
            [0.0, 50.0, 100.0]
        );
        assert!(apart(&[], 16.0, 0.0, 100.0).is_empty());
    }

    proptest::proptest! {
        #[test]
        fn labels_never_touch_nor_leave(
            wishes in proptest::collection::vec(-500.0_f64..1500.0, 0..40)
        ) {
            let places = apart(&wishes, 16.0, 0.0, 1000.0);
            let mut sorted = places.clone();
            sorted.sort_by(f64::total_cmp);
            for pair in sorted.windows(2) {
                proptest::prop_assert!(pair[1] - pair[0] >= 16.0 - 1e-6);
            }
            for place in &places {
                proptest::prop_assert!((-1e-6..=1000.0 + 1e-6).contains(place));
            }
            for (a, b) in wishes.iter().zip(&places).flat_map(|a| {
                wishes.iter().zip(&places).map(move |b| (a, b))
            }) {
                proptest::prop_assert!(a.0 >= b.0 || a.1 <= b.1, "the order is kept");
            }
        }
    }
}
