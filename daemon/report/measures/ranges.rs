//! In which of the meter's ranges a recording was read, and where that changed: two
//! ranges of one meter never agree wholly, and the curve may step by what they differ.
//!
//! ```text
//!  time       0 ──────── 12.7 ───────── 40.1  40.2  40.3 ── min
//!  range      to 2 lx   │   to 20 lx   │ 200 │ 20  │ 200     two pairs of ranges
//! ```
//!
//! Each reading keeps the range that the meter told with it; nothing is guessed where
//! it told none. Times are seconds from what the recording's figures count from.
//! Called by: ramps, standby.

use photometry::figure::{Figure, FigureName};
use photometry::ramp::figures::names;
use photometry::ramp::{Ramp, Way};
use photometry::units::Mono;

use crate::store::readings::ReadingRow;

/// Pairs of ranges that are told one by one; a meter has some six ranges.
const PAIRS_AT_MOST: usize = 8;
/// Two times closer than this are one: their sums are rounded, in s.
const SAME_S: f64 = 1e-6;
/// Stands at figures of a step that lies where the range changed.
const MARK: &str = "range";
/// The figures of a step.
const OF_THE_STEP: [&FigureName; 4] = [
    &names::LARGEST_STEP_RATIO,
    &names::LARGEST_STEP_AT_S,
    &names::LARGEST_STEP_DIMMING,
    &names::STEP_GRADE,
];

/// Two readings after each other that were taken in different ranges.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Change {
    before_s: f64,
    after_s: f64,
    /// The upper ends of both, the lower range first, in lx.
    pair: (f64, f64),
}

/// The ranges of one meter's readings in a recording.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Ranges {
    /// The first range that was told, in lx.
    first: Option<f64>,
    changes: Vec<Change>,
    /// Readings that say something of the light.
    there: usize,
    /// Those of them that do not tell their range.
    untold: usize,
}

impl Ranges {
    /// Of readings in the order of their beat; `zero` is what times count from.
    pub(super) fn of(rows: &[&ReadingRow], zero: Mono) -> Ranges {
        let answered = rows
            .iter()
            .filter(|row| row.reading.outcome.says_something());
        Ranges::among(answered.map(|row| {
            let reading = &row.reading;
            let asked = reading.asked.mono.since(zero).secs();
            let taken = reading.taken.mono.since(zero).secs();
            ((asked + taken) / 2.0, reading.range)
        }))
    }

    fn among(points: impl Iterator<Item = (f64, Option<f64>)>) -> Ranges {
        let mut found = Ranges {
            first: None,
            changes: Vec::new(),
            there: 0,
            untold: 0,
        };
        let mut last: Option<(f64, f64)> = None;
        for (at_s, range) in points {
            found.there += 1;
            let Some(range) = range else {
                found.untold += 1;
                continue;
            };
            if let Some((before_s, was)) = last.filter(|(_, was)| *was != range) {
                found.changes.push(Change {
                    before_s,
                    after_s: at_s,
                    pair: (was.min(range), was.max(range)),
                });
            }
            found.first.get_or_insert(range);
            last = Some((at_s, range));
        }
        found
    }

    /// What must be said of them, one sentence each.
    pub(super) fn told(&self) -> Vec<String> {
        let Some(first) = self.first else {
            let text = "The meter does not tell its range: where it changed is not known.";
            return match self.there {
                0 => Vec::new(),
                _ => vec![text.to_owned()],
            };
        };
        let mut told = Vec::new();
        if self.untold > 0 {
            let (untold, there) = (self.untold, self.there);
            told.push(format!(
                "{untold} of {there} readings do not tell their range."
            ));
        }
        told.push(match self.changes.is_empty() {
            true => format!("The meter stayed in its range to {first} lx."),
            false => format!(
                "The meter changed its range: {}. There the curve may step by what two ranges \
                 differ, which is not in U.",
                self.by_pair()
            ),
        });
        told
    }

    /// Where it changed between which two: a light that lingers at a range's end goes to
    /// and fro.
    fn by_pair(&self) -> String {
        let mut pairs: Vec<(f64, f64)> = Vec::new();
        for change in &self.changes {
            if !pairs.contains(&change.pair) {
                pairs.push(change.pair);
            }
        }
        let more = pairs.len().saturating_sub(PAIRS_AT_MOST);
        let told = pairs.iter().take(PAIRS_AT_MOST).map(|pair| {
            let of = || self.changes.iter().filter(|change| change.pair == *pair);
            let minutes = |change: Option<&Change>| change.map_or(0.0, |one| one.after_s / 60.0);
            let (from, to) = (minutes(of().next()), minutes(of().next_back()));
            let (low, high) = pair;
            match of().count() {
                1 => format!("between {low} and {high} lx at {from:.2} min"),
                n => format!("between {low} and {high} lx {n} times from {from:.2} to {to:.2} min"),
            }
        });
        let mut told: Vec<String> = told.collect();
        if more > 0 {
            told.push(format!("and between {more} more"));
        }
        told.join("; ")
    }

    /// Marks the figures of the largest step where it may be the meter's: it lies
    /// between two readings of different ranges. Says so.
    pub(super) fn mark_step(&self, ramp: &Ramp, figures: &mut [Figure]) -> Option<String> {
        let at_s = ramp.largest_step?.at_s;
        let change = self
            .changes
            .iter()
            .find(|change| change.holds(at_s, ramp.way))?;
        for figure in figures {
            if OF_THE_STEP.contains(&figure.name) {
                *figure = figure.clone().marked(MARK);
            }
        }
        let (low, high) = change.pair;
        Some(format!(
            "The largest step lies where the meter changed between its ranges to {low} and \
             {high} lx: it may be the meter's and not the lamp's."
        ))
    }
}

impl Change {
    /// Whether a step that is told by this time lies between its two readings. A
    /// sunset is looked at backwards, so a step of one is told by its earlier reading.
    fn holds(&self, at_s: f64, way: Way) -> bool {
        match way {
            Way::Sunrise => at_s > self.before_s + SAME_S && at_s < self.after_s + SAME_S,
            Way::Sunset => at_s > self.before_s - SAME_S && at_s < self.after_s - SAME_S,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(ranges: &[Option<f64>]) -> String {
        let points = ranges.iter().enumerate();
        let points = points.map(|(nth, range)| (30.0 * nth as f64, *range));
        Ranges::among(points).told().join("\n")
    }

    #[test]
    fn what_is_told_of_ranges() {
        let lx = |values: &[f64]| values.iter().copied().map(Some).collect::<Vec<_>>();
        assert_eq!(told(&[]), "");
        assert_eq!(
            told(&[None, None]),
            "The meter does not tell its range: where it changed is not known."
        );
        assert_eq!(
            told(&lx(&[200.0, 200.0])),
            "The meter stayed in its range to 200 lx."
        );
        // To and fro between two is one place; a way back is another pair's.
        assert_eq!(
            told(&lx(&[2.0, 20.0, 20.0, 200.0, 20.0, 200.0, 2000.0])),
            "The meter changed its range: between 2 and 20 lx at 0.50 min; between 20 and 200 lx \
             3 times from 1.50 to 2.50 min; between 200 and 2000 lx at 3.00 min. There the curve \
             may step by what two ranges differ, which is not in U."
        );
        // One that does not tell hides no change between its neighbours.
        assert_eq!(
            told(&[Some(2.0), None, Some(20.0)]),
            "1 of 3 readings do not tell their range.\nThe meter changed its range: between 2 and \
             20 lx at 1.00 min. There the curve may step by what two ranges differ, which is not \
             in U."
        );
    }

    #[test]
    fn many_ranges_are_cut_short() {
        let rising: Vec<Option<f64>> = (1..=12).map(|n| Some(f64::from(n))).collect();
        let told = told(&rising);
        assert!(
            told.contains("between 8 and 9 lx at 4.00 min; and between 3 more."),
            "{told}"
        );
    }

    #[test]
    fn a_step_belongs_to_the_readings_on_both_its_sides() {
        let change = Change {
            before_s: 10.0,
            after_s: 10.5,
            pair: (2.0, 20.0),
        };
        let holds = |at_s, way| change.holds(at_s, way);
        assert!(holds(10.5, Way::Sunrise) && !holds(10.0, Way::Sunrise));
        assert!(holds(10.0, Way::Sunset) && !holds(10.5, Way::Sunset));
        assert!(!holds(11.0, Way::Sunrise) && !holds(9.5, Way::Sunset));
    }
}
