//! How a run fits the hours of its window: what must fit one evening, and how
//! many evenings it likely takes.
//!
//! When a window closes, the run stops at a seam with the lamp off. The next
//! evening begins with a preamble (home, level, the warm-up anew), and only
//! then does it go on.
//!
//! Called by: check, print. Not here: stopping when the window closes.

use std::collections::BTreeMap;

use photometry::units::Span;

use super::itinerary::{Action, Itinerary, Restart, What};

/// Evenings that are counted at most; more are no plan.
const EVENINGS_AT_MOST: i64 = 1_000;

/// What an evening after the first begins with: home, and the longest warm-up
/// under the full rule; both likely.
pub fn preamble(itinerary: &Itinerary) -> Span {
    longest(itinerary, |what| matches!(what, What::Home))
        + longest(itinerary, |what| matches!(what, What::WarmUp { .. }))
}

fn longest(itinerary: &Itinerary, is: fn(&What) -> bool) -> Span {
    let times = itinerary.actions.iter().filter(|action| is(&action.what));
    times
        .map(|action| action.time.likely)
        .max()
        .unwrap_or_default()
}

/// The least window in which everything gets done some evening: home, and what takes
/// longest in one go, likely. That is a leg after the longest warm-up, or a group
/// that is made again whole (a recording, a lamp of the sphere that is lit and read).
/// A soak counts for nothing: the lamp is off between two evenings.
pub fn needed(itinerary: &Itinerary) -> Span {
    let home = longest(itinerary, |what| matches!(what, What::Home));
    let leg = longest_leg(itinerary).map(|leg| preamble(itinerary) + leg);
    let group = longest_group(itinerary).map(|group| home + group);
    leg.into_iter()
        .chain(group)
        .max()
        .unwrap_or_else(|| preamble(itinerary))
}

/// What an action adds to a leg or a group beside the preamble.
fn in_one_go(action: &Action) -> Span {
    match action.what {
        What::WarmUp { .. } | What::Soak { .. } => Span::ZERO,
        _ => action.time.likely,
    }
}

fn longest_leg(itinerary: &Itinerary) -> Option<Span> {
    let legs = itinerary.actions.chunk_by(|one, next| one.leg == next.leg);
    let legs = legs.filter(|leg| leg.first().is_some_and(|first| first.leg.is_some()));
    legs.map(|leg| {
        leg.iter()
            .map(in_one_go)
            .fold(Span::ZERO, |sum, time| sum + time)
    })
    .max()
}

fn longest_group(itinerary: &Itinerary) -> Option<Span> {
    let mut ends: BTreeMap<u32, usize> = BTreeMap::new();
    for (at, action) in itinerary.actions.iter().enumerate() {
        if let Restart::FromGroup(first) = action.restart {
            ends.insert(first, at);
        }
    }
    let groups = ends
        .into_iter()
        .filter_map(|(first, last)| itinerary.actions.get(first as usize..=last));
    groups
        .map(|group| {
            group
                .iter()
                .map(in_one_go)
                .fold(Span::ZERO, |sum, time| sum + time)
        })
        .max()
}

/// How many evenings of this length the run likely takes; none when the
/// window is too short to get anything done.
pub fn likely(itinerary: &Itinerary, window: Span) -> Option<i64> {
    let total = itinerary.time().likely;
    if total <= window {
        return Some(1);
    }
    if needed(itinerary) > window {
        return None;
    }
    // Above zero: `needed` holds the preamble and a leg.
    let later = (window - preamble(itinerary)).ns().max(1);
    let evenings = 1 + ((total - window).ns() + later - 1) / later;
    (evenings <= EVENINGS_AT_MOST).then_some(evenings)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::{layout, samples};

    /// A window shorter than a recording never holds it, however short its legs.
    #[test]
    fn a_recording_must_fit_one_evening() {
        let given = crate::plan::tests_standby::given();
        let itinerary = given.laid_out().expect("it fits");
        let records = |action: &&Action| matches!(action.what, What::Record(_));
        let record = itinerary.actions.iter().find(records).expect("one");
        assert!(needed(&itinerary) > record.time.likely);
        assert!(needed(&itinerary) <= itinerary.time().likely);
        assert_eq!(likely(&itinerary, record.time.likely), None);
    }

    /// A run of several hours: each evening after the first loses the time of
    /// its preamble.
    #[test]
    fn evenings_after_the_first_begin_with_a_warm_up() {
        let mut survey = samples::survey(&[6, 12, 24, 36, 48]);
        survey.readings = 200;
        let itinerary = layout::itinerary(
            &samples::plan(survey),
            &samples::lamp(12),
            &samples::placement(),
            &samples::card(),
        )
        .expect("it fits");
        let total = itinerary.time().likely;
        let preamble = preamble(&itinerary);
        assert_eq!(likely(&itinerary, total), Some(1));
        let short = Span::from_ns(total.ns() - 1);
        assert_eq!(likely(&itinerary, short), Some(2));
        // Two evenings lose one preamble, three lose two.
        let two = Span::from_ns((total + preamble).ns() / 2 + 1);
        assert_eq!(likely(&itinerary, two), Some(2));
        let less = Span::from_ns((total + preamble).ns() / 2 - 1);
        assert_eq!(likely(&itinerary, less), Some(3));
        assert_eq!(
            likely(&itinerary, needed(&itinerary) - Span::from_ns(1)),
            None
        );
    }
}
