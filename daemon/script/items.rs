//! Which measured items stand behind a value: a set of their numbers.
//!
//! Keys are long texts; inside the engine an item of the view is one bit, and
//! the union of thousands takes a microsecond. `seen` numbers the items and
//! turns them into keys at the end.

/// Items in one word.
const BITS: usize = u64::BITS as usize;

/// A set of items.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Items(Vec<u64>);

impl Items {
    /// One item.
    pub(super) fn one(item: usize) -> Items {
        let mut items = Items::default();
        items.insert(item);
        items
    }

    /// Adds one.
    pub(super) fn insert(&mut self, item: usize) {
        let word = item / BITS;
        if self.0.len() <= word {
            self.0.resize(word + 1, 0);
        }
        self.0[word] |= 1 << (item % BITS);
    }

    /// With those of another.
    pub(super) fn union(&self, other: &Items) -> Items {
        let (long, short) = if self.0.len() >= other.0.len() {
            (self, other)
        } else {
            (other, self)
        };
        let mut both = long.clone();
        for (word, more) in both.0.iter_mut().zip(&short.0) {
            *word |= more;
        }
        both
    }

    /// Words that a union goes through.
    pub(super) fn words(&self) -> usize {
        self.0.len()
    }

    /// Their numbers, ascending.
    pub(super) fn numbers(&self) -> impl Iterator<Item = usize> + '_ {
        let of_word = |(at, word): (usize, &u64)| {
            let word = *word;
            (0..BITS)
                .filter(move |bit| word >> bit & 1 == 1)
                .map(move |bit| at * BITS + bit)
        };
        self.0.iter().enumerate().flat_map(of_word)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_union_has_the_items_of_both() {
        let mut some = Items::one(3);
        some.insert(200);
        let both = some.union(&Items::one(64));
        assert_eq!(both, Items::one(64).union(&some));
        assert_eq!(both.numbers().collect::<Vec<_>>(), [3, 64, 200]);
    }
}
