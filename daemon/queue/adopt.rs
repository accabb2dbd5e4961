//! Whether a run may be handed over: where its unit stands, and whether the
//! machine is still the one that it began on. Pure.

/// Where a run's unit stands, against what the run froze.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stands {
    /// As it was frozen.
    AsFrozen,
    /// It was placed anew since, or for the first time.
    Anew,
    /// Nowhere.
    Nowhere,
}

/// Compares the placement that a run froze with the unit's current one, by
/// their numbers in the record.
pub fn stands(frozen: Option<i64>, current: Option<i64>) -> Stands {
    match (frozen, current) {
        (_, None) => Stands::Nowhere,
        (Some(frozen), Some(current)) if frozen == current => Stands::AsFrozen,
        (_, Some(_)) => Stands::Anew,
    }
}

/// Whether the machine was started anew since a run's last event: power may
/// have been lost. `last` is the boot under which that was written; none for
/// a run without events.
pub fn other_boot(last: Option<&str>, now: &str) -> bool {
    last.is_some_and(|last| last != now)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_unit_stands_as_frozen_only_under_the_same_placement() {
        let cases = [
            (Some(3), Some(3), Stands::AsFrozen),
            // Moved, and moved back: the datum is another.
            (Some(3), Some(5), Stands::Anew),
            (None, Some(5), Stands::Anew),
            (Some(3), None, Stands::Nowhere),
            (None, None, Stands::Nowhere),
        ];
        for (frozen, current, expected) in cases {
            assert_eq!(stands(frozen, current), expected, "{frozen:?} {current:?}");
        }
    }

    #[test]
    fn power_was_lost_when_an_event_bears_another_boot() {
        assert!(!other_boot(None, "b"));
        assert!(!other_boot(Some("b"), "b"));
        assert!(other_boot(Some("a"), "b"));
    }
}
