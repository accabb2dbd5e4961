//! What data decides while a run is at work: pure verdicts over readings. The
//! outcome becomes a *decided* event; replay reads that and asks no more.

use photometry::measured::Outcome;
use photometry::stabilisation::{self, Sample};
use photometry::units::{Mono, Ratio, Span};

use super::journal::{Decision, DriftVerdict};
use super::lit::is_lit;
use super::progress::State;
use super::restart::legs_again;
use crate::plan::itinerary::{Itinerary, WarmUpRule};

/// Readings in a row that must all fall before a lamp is said to dim itself.
const FALLS_IN_A_ROW: usize = 6;

/// A lamp that was switched off shows less than this share of its light.
/// Common practice, no source.
const OFF_BELOW: f64 = 0.5;

/// Whether a lamp went out between two looks; none when they do not say. A
/// look under range is dark only as far as its limit, one over range is light,
/// and a value after it is dark only far below that range: a meter may have
/// said over range wrongly.
pub fn went_out(before: &Outcome, after: &Outcome) -> Option<bool> {
    match (before, after) {
        (Outcome::Value(before), Outcome::Value(after)) => Some(*after < OFF_BELOW * before),
        (Outcome::Over(limit), Outcome::Value(after)) => Some(*after < OFF_BELOW * limit),
        (Outcome::Over(_), Outcome::Under(_)) => Some(true),
        (Outcome::Value(before), Outcome::Under(limit)) => {
            (*limit <= OFF_BELOW * before).then_some(true)
        }
        (_, Outcome::Over(_)) | (Outcome::Under(_), Outcome::Value(_)) => Some(false),
        _ => None,
    }
}

/// Whether a light is as dark as the darkest look of the same action, in lx: a
/// lamp that was off already, was lit by a press and is dimmer now is not off.
pub fn as_dark_as(darkest: Option<f64>, after: &Outcome) -> bool {
    let lit = darkest.zip(after.value());
    !lit.is_some_and(|(dark, value)| is_lit(dark, value))
}

/// Whether the light is no brighter than before, within a tenth: what can be
/// asked of a lamp that may have been off already.
pub fn no_brighter(before: &Outcome, after: &Outcome) -> bool {
    match (before, after) {
        (Outcome::Value(before), Outcome::Value(after)) => *after <= 1.1 * before.max(0.0) + 0.01,
        (_, Outcome::Under(_)) | (Outcome::Over(_), Outcome::Value(_)) => true,
        _ => false,
    }
}

/// What the warm-up does next.
#[derive(Clone, Debug, PartialEq)]
pub enum WarmUpStep {
    /// Read again at this instant.
    ReadAt(Mono),
    /// It is over.
    Over(Decision),
}

/// The next step of a warm-up whose level was set at `since`, with all its
/// samples so far in order of time, and how often the meter was asked.
pub fn warm_up(
    samples: &[Sample],
    askings: u32,
    rule: WarmUpRule,
    every: Span,
    cap: Span,
    since: Mono,
    now: Mono,
) -> WarmUpStep {
    let after = now.since(since);
    let (figure, stable, by) = match rule {
        WarmUpRule::Window(window) => {
            let verdict = stabilisation::window_rule(samples, window);
            (
                verdict.map(|v| v.spread),
                verdict.is_some_and(|v| v.stable),
                "spread",
            )
        }
        WarmUpRule::Predicted {
            ahead,
            limit,
            window,
        } => {
            let drift = stabilisation::predicted_drift(samples, window, ahead);
            let small = drift.is_some_and(|drift| drift.share() < limit.share());
            (drift, small, "predicted drift")
        }
        WarmUpRule::Fixed(time) => (None, after >= time, "fixed time"),
    };
    if stable || after >= cap {
        return WarmUpStep::Over(Decision::WarmUp {
            stable,
            figure,
            by: by.to_owned(),
            after,
            decline_per_hour: stabilisation::decline_per_hour(samples, FALLS_IN_A_ROW),
        });
    }
    let end = since
        + match rule {
            WarmUpRule::Fixed(time) => Span::from_ns(time.ns().min(cap.ns())),
            WarmUpRule::Window(_) | WarmUpRule::Predicted { .. } => cap,
        };
    // Counted from the level change, so that slow readings do not shift the
    // rest; every asking counts, or a meter without values would be asked
    // without a pause.
    let steps = i64::from(askings);
    let next = (since + every.times(steps)).max(now);
    WarmUpStep::ReadAt(next.min(end))
}

/// The reference visit that lies farthest from the first, over the first, minus
/// one: a shift that a seam mended shows in between only.
pub fn drift_of(means: &[f64]) -> Option<Ratio> {
    let (first, later) = means.split_first()?;
    if *first <= 0.0 {
        return None;
    }
    let drifts = later.iter().map(|mean| mean / first - 1.0);
    let farthest = drifts.max_by(|a, b| a.abs().total_cmp(&b.abs()));
    farthest.map(Ratio::new)
}

/// Light of a level before a seam and after it agree within this, when the
/// carriage stands in the same place: it may have been seen in the middle of a
/// warm-up.
const ROUGHLY: f64 = 0.02;

/// What follows from the drift of a leg.
pub fn leg_drift(state: &State, leg: u32, limit: Ratio, give_up: Ratio) -> Decision {
    let drift = drift_of(&state.references().steadied(leg));
    let verdict = match drift.map(|drift| drift.share().abs()) {
        None => DriftVerdict::NotKnown,
        Some(size) if size <= limit.share() => DriftVerdict::GoesOn,
        Some(_) if !state.drifted_before(leg) => DriftVerdict::LegAgain,
        Some(size) if size <= give_up.share() => DriftVerdict::Flagged,
        Some(_) => DriftVerdict::GivenUp,
    };
    Decision::Drift {
        leg,
        drift,
        verdict,
    }
}

/// Whether a leg goes on after a seam. Where homing could not prove that no
/// steps were lost before it (the daemon died, and its driver with it), the same
/// light at the reference does; a light that is not known, then or now, proves
/// nothing.
pub fn leg_return(state: &State, itinerary: &Itinerary, leg: u32, limit: Ratio) -> Decision {
    let first = state.references().means(leg).first().copied();
    let now = state.return_mean();
    let over = |then: f64, now: f64| (then > 0.0).then(|| Ratio::new(now / then - 1.0));
    let drift = first.zip(now).and_then(|(first, now)| over(first, now));
    let unproven = state.homing_unproven;
    let goes_on = match (first, drift) {
        // No reference of this leg gave a value yet; but the level's own light
        // tells roughly whether the carriage stood where it stands now. It need
        // not where no reading of the test rests on where it stood.
        (None, _) => {
            let then = state.light_before_the_seam(itinerary, leg);
            let shift = then.zip(now).and_then(|(then, now)| over(then, now));
            let same = shift.is_some_and(|shift| shift.share().abs() <= ROUGHLY);
            let mut at_stake = legs_again(itinerary, leg, true).into_iter();
            !unproven || same || !at_stake.any(|leg| state.leg_has_readings(itinerary, leg))
        }
        (Some(_), Some(drift)) => drift.share().abs() <= limit.share(),
        (Some(_), None) => false,
    };
    let is_done = state.leg_is_done(itinerary, leg);
    // A leg that was finished needs no more light than proves where it was.
    let goes_on = goes_on || (!unproven && is_done);
    // Points since the last reference visit were proven by nothing.
    let in_the_dark = unproven && !is_done && state.leg_has_readings(itinerary, leg);
    Decision::Return {
        leg,
        drift,
        goes_on: goes_on && !in_the_dark,
        unproven: unproven && !goes_on,
    }
}

/// The level whose light is nearest to half of the highest one's, from the
/// ladder seen so far: (level, light), the highest first. None while a lower
/// level must still be seen.
pub fn half_light(seen: &[(u16, f64)]) -> Option<(u16, Ratio)> {
    let (&(_, full), &(lowest, last)) = seen.first().zip(seen.last())?;
    if full <= 0.0 || (last > full / 2.0 && lowest > 1) {
        return None;
    }
    seen.iter()
        .map(|(level, light)| (*level, light / full))
        .min_by(|a, b| (a.1 - 0.5).abs().total_cmp(&(b.1 - 0.5).abs()))
        .map(|(level, share)| (level, Ratio::new(share)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use photometry::measured::{Moment, Quantity, Reading};

    use crate::plan::itinerary::{Key, Purpose, What};
    use crate::plan::{layout, samples};
    use crate::run::journal::{Body, Event, Facts};

    #[test]
    fn darkness_is_told_from_light_also_outside_the_range() {
        use Outcome::{Over, TimedOut, Under, Value};
        let cases = [
            (Value(5.0), Value(0.06), Some(true)),
            (Value(0.06), Value(5.0), Some(false)),
            (Value(5.0), Value(4.9), Some(false)),
            (Over(20.0), Value(0.06), Some(true)),
            (Over(20.0), Under(0.1), Some(true)),
            (Value(5.0), Under(0.1), Some(true)),
            (Value(0.15), Under(0.1), None),
            // A dark lamp that a press switches on must not pass as off.
            (Under(0.1), Value(5.0), Some(false)),
            (Under(0.1), Over(20.0), Some(false)),
            (Under(0.1), Under(0.1), None),
            (Over(20.0), Over(20.0), Some(false)),
            (TimedOut, Over(20.0), Some(false)),
            (Value(5.0), TimedOut, None),
        ];
        for (before, after, expected) in cases {
            assert_eq!(went_out(&before, &after), expected, "{before:?} {after:?}");
        }
    }

    /// A run as far as its first drift check, every reading as `light` says.
    fn up_to_the_drift_check(light: impl Fn(&Key) -> Outcome) -> (State, u32) {
        let (plan, lamp) = (samples::plan(samples::survey(&[12, 24])), samples::lamp(1));
        let (placement, card) = (samples::placement(), samples::card());
        let itinerary = layout::itinerary(&plan, &lamp, &placement, &card).expect("it fits");
        let mut state = State::new(&itinerary);
        let mut seq = 0;
        let mut say = |state: &mut State, no: Option<u32>, body: Body| {
            seq += 1;
            let (no, attempt, at) = (
                no.map(i64::from),
                u32::from(no.is_some()),
                Moment::default(),
            );
            let event = Event {
                seq,
                no,
                attempt,
                sitting: 1,
                at,
                body,
            };
            state.apply(&itinerary, &event).expect("a legal journal");
        };
        let bundle = String::new();
        say(&mut state, None, Body::Begun { bundle });
        for action in &itinerary.actions {
            if let What::CheckDrift { leg, .. } = action.what {
                return (state, leg);
            }
            let (no, doing) = (Some(action.no), String::new());
            say(&mut state, no, Body::Started { doing });
            let body = match (&action.what, &action.key) {
                (What::Read { .. }, Some(key)) => Body::Taken {
                    key: key.clone(),
                    reading: Reading {
                        meter: "lux-head".to_owned(),
                        quantity: Quantity::Illuminance,
                        outcome: light(key),
                        range: None,
                        flags: Vec::new(),
                        raw: Vec::new(),
                        asked: Moment::default(),
                        taken: Moment::default(),
                    },
                },
                _ => Body::Done {
                    facts: Facts::default(),
                },
            };
            say(&mut state, no, body);
        }
        panic!("no drift check");
    }

    /// Two readings a visit: the second one of the last visit decides.
    #[test]
    fn a_visit_partly_out_of_range_shifts_no_decision() {
        let (limit, give_up) = (Ratio::new(0.005), Ratio::new(0.02));
        let last = |outcome: Outcome| {
            move |key: &Key| match (key.purpose, key.visit) {
                (Purpose::Reference, 3) => Outcome::Value(98.0),
                (Purpose::Reference, 4) => outcome.clone(),
                _ => Outcome::Value(100.0),
            }
        };
        let verdict = |outcome| {
            let (state, leg) = up_to_the_drift_check(last(outcome));
            match leg_drift(&state, leg, limit, give_up) {
                Decision::Drift { verdict, .. } => verdict,
                other => panic!("{other:?}"),
            }
        };
        assert_eq!(verdict(Outcome::Value(102.0)), DriftVerdict::GoesOn);
        assert_eq!(verdict(Outcome::Value(98.0)), DriftVerdict::LegAgain);
        assert_eq!(verdict(Outcome::Over(100.0)), DriftVerdict::NotKnown);
    }
}
