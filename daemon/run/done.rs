//! Which planned actions are done, and where the first is that is not: every
//! *started* of a journal asks for it, and a long night has 17,000 actions.
//!
//! Called by: progress. Not here: what an action is (plan), what undoes it.

/// A mark for each planned action.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Done {
    marks: Vec<bool>,
    /// Every mark before this one is set.
    prefix: usize,
}

impl Done {
    /// None of so many is done.
    pub(super) fn none_of(actions: usize) -> Done {
        Done {
            marks: vec![false; actions],
            prefix: 0,
        }
    }

    /// An action is done; a number that is none changes nothing.
    pub(super) fn mark(&mut self, no: usize) {
        if let Some(mark) = self.marks.get_mut(no) {
            *mark = true;
        }
        while self.marks.get(self.prefix) == Some(&true) {
            self.prefix += 1;
        }
    }

    /// An action is to be done again.
    pub(super) fn unmark(&mut self, no: u32) {
        let no = no as usize;
        if let Some(mark) = self.marks.get_mut(no) {
            *mark = false;
            self.prefix = self.prefix.min(no);
        }
    }

    /// Whether an action is done.
    pub(super) fn is(&self, no: u32) -> bool {
        self.marks.get(no as usize).copied().unwrap_or(false)
    }

    /// How many are done.
    pub(super) fn count(&self) -> usize {
        self.prefix
            + self.marks[self.prefix..]
                .iter()
                .filter(|mark| **mark)
                .count()
    }

    /// The first that is not done, or their number.
    pub(super) fn first_open(&self) -> usize {
        self.prefix
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Whatever is marked and unmarked, it is as counted one by one.
        #[test]
        fn as_counted_one_by_one(steps in prop::collection::vec((0..12_usize, any::<bool>()), 0..60)) {
            let mut done = Done::none_of(10);
            let mut plain = [false; 10];
            for (no, set) in steps {
                if set { done.mark(no) } else { done.unmark(no as u32) }
                if let Some(mark) = plain.get_mut(no) {
                    *mark = set;
                }
                prop_assert_eq!(done.count(), plain.iter().filter(|mark| **mark).count());
                prop_assert_eq!(done.first_open(), plain.iter().position(|mark| !mark).unwrap_or(10));
                for (no, mark) in plain.iter().enumerate() {
                    prop_assert_eq!(done.is(no as u32), *mark);
                }
                prop_assert!(!done.is(10));
            }
        }
    }
}
