//! How a run fits the hours of its window: what must fit one evening, and how
//! many evenings it likely takes.
//!
//! When a window closes, the run stops at a seam with the lamp off. The next
//! evening begins with a preamble (home, level, the warm-up anew), and only
//! then does it go on.
//!
//! Called by: check, print. Not here: stopping when the window closes.

use photometry::units::Span;

use super::itinerary::{Itinerary, What};

/// Evenings that are counted at most; more are no plan.
const EVENINGS_AT_MOST: i64 = 1_000;

/// What an evening after the first begins with: home, and the longest warm-up
/// under the full rule; both likely.
pub fn preamble(itinerary: &Itinerary) -> Span {
    let longest = |is: fn(&What) -> bool| {
        let times = itinerary.actions.iter().filter(|action| is(&action.what));
        times
            .map(|action| action.time.likely)
            .max()
            .unwrap_or_default()
    };
    longest(|what| matches!(what, What::Home)) + longest(|what| matches!(what, What::WarmUp { .. }))
}

/// The least window in which anything gets done: the preamble and the longest
/// leg (without its own warm-up, which the preamble holds), both likely.
pub fn needed(itinerary: &Itinerary) -> Span {
    let mut legs: Vec<(u32, Span)> = Vec::new();
    for action in &itinerary.actions {
        let Some(leg) = action.leg else { continue };
        let warming = matches!(action.what, What::WarmUp { .. });
        let time = if warming {
            Span::ZERO
        } else {
            action.time.likely
        };
        match legs.last_mut().filter(|(last, _)| *last == leg) {
            Some((_, sum)) => *sum += time,
            None => legs.push((leg, time)),
        }
    }
    let longest = legs.iter().map(|(_, time)| *time).max();
    preamble(itinerary) + longest.unwrap_or_default()
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
