//! Figure for figure ours and theirs: counts, the worst difference of each as a
//! share of its tolerance, every miss.

use std::collections::BTreeMap;

use serde_json::Value;

/// What was compared under one name.
#[derive(Default)]
struct Compared {
    count: usize,
    /// Neither side gives it.
    both_none: usize,
    worst_share: f64,
    worst_difference: f64,
    worst_at: String,
}

/// The comparisons of one topic.
pub struct Contest {
    topic: &'static str,
    figures: BTreeMap<String, Compared>,
    misses: Vec<String>,
}

impl Contest {
    pub fn new(topic: &'static str) -> Contest {
        Contest {
            topic,
            figures: BTreeMap::new(),
            misses: Vec::new(),
        }
    }

    /// Two numbers, or none on both sides.
    pub fn number(
        &mut self,
        name: &str,
        at: &str,
        ours: Option<f64>,
        theirs: Option<f64>,
        tolerance: f64,
    ) {
        let figure = self.figures.entry(name.to_owned()).or_default();
        let (Some(mine), Some(other)) = (ours, theirs) else {
            figure.both_none += 1;
            if ours.is_some() || theirs.is_some() {
                let miss = format!("{name} of {at}: ours {ours:?}, theirs {theirs:?}");
                self.misses.push(miss);
            }
            return;
        };
        figure.count += 1;
        let difference = (mine - other).abs();
        let share = difference / tolerance;
        if share >= figure.worst_share {
            figure.worst_share = share;
            figure.worst_difference = difference;
            at.clone_into(&mut figure.worst_at);
        }
        // Not-a-number is a miss too.
        if !share.is_finite() || share > 1.0 {
            self.misses.push(format!(
                "{name} of {at}: ours {mine}, theirs {other}, tolerance {tolerance:e}"
            ));
        }
    }

    /// Two words.
    pub fn word(&mut self, name: &str, at: &str, ours: &str, theirs: &str) {
        let figure = self.figures.entry(name.to_owned()).or_default();
        figure.count += 1;
        if ours != theirs {
            self.misses
                .push(format!("{name} of {at}: ours {ours}, theirs {theirs}"));
        }
    }

    /// Prints what was compared; fails with every miss, or when a figure was
    /// compared less often than it must be.
    pub fn end(self, cases: usize, at_least: &dyn Fn(&str) -> usize) {
        let compared: usize = self.figures.values().map(|figure| figure.count).sum();
        println!("{}: {cases} cases, {compared} figures", self.topic);
        println!(
            "  {:<34} {:>6} {:>6} {:>10} {:>12}  worst at",
            "figure", "n", "none", "share", "difference"
        );
        let mut few = Vec::new();
        for (name, figure) in &self.figures {
            println!(
                "  {name:<34} {:>6} {:>6} {:>9.1}% {:>12.3e}  {}",
                figure.count,
                figure.both_none,
                100.0 * figure.worst_share,
                figure.worst_difference,
                figure.worst_at
            );
            if figure.count < at_least(name) {
                few.push(format!("{name}: {}", figure.count));
            }
        }
        assert!(
            self.misses.is_empty(),
            "{}: {} of {compared} differ:\n{}",
            self.topic,
            self.misses.len(),
            self.misses.join("\n")
        );
        assert!(few.is_empty(), "{}: too few: {few:?}", self.topic);
    }
}

/// A number of an answer; none where it is null. A figure that is not in the
/// answer at all is a mistake of the test.
pub fn answered(answer: &Value, name: &str) -> Option<f64> {
    let value = answer.get(name);
    value
        .unwrap_or_else(|| panic!("the oracle does not give {name}"))
        .as_f64()
}
