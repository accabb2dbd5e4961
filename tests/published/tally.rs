//! Counts what was checked, keeps every miss, and ends with all of them.

use std::collections::BTreeMap;

/// The checks of one reference file or of a group in it.
pub struct Tally {
    group: &'static str,
    checked: BTreeMap<String, usize>,
    misses: Vec<String>,
}

impl Tally {
    pub fn new(group: &'static str) -> Tally {
        Tally {
            group,
            checked: BTreeMap::new(),
            misses: Vec::new(),
        }
    }

    /// A number within a tolerance; `kind` is what it is counted under.
    pub fn number(&mut self, kind: &str, at: &str, got: Option<f64>, want: f64, tolerance: f64) {
        let near = got.is_some_and(|got| (got - want).abs() <= tolerance);
        self.holds(kind, near, || {
            format!("{at}: {kind} is {got:?}, must be {want} within {tolerance}")
        });
    }

    /// Anything else that must hold.
    pub fn holds(&mut self, kind: &str, holds: bool, said: impl FnOnce() -> String) {
        *self.checked.entry(kind.to_owned()).or_default() += 1;
        if !holds {
            self.misses.push(said());
        }
    }

    /// How many were checked so far.
    pub fn count(&self) -> usize {
        self.checked.values().sum()
    }

    /// Prints the counts. Fails with every miss, or when fewer or more were
    /// checked than the file holds.
    pub fn end(self, in_the_file: usize) {
        let count = self.count();
        println!("{}: {count} of {in_the_file} checked", self.group);
        for (kind, n) in &self.checked {
            println!("  {n:5}  {kind}");
        }
        assert!(
            self.misses.is_empty(),
            "{} of {count} missed:\n{}",
            self.misses.len(),
            self.misses.join("\n")
        );
        assert_eq!(count, in_the_file, "{}: some were skipped", self.group);
    }
}
