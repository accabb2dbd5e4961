//! What readings, captures and decisions change in the state of a run.
//!
//! Part of the state that `progress` replays. Not here: what a reading says of
//! the lamp (`light`).

use photometry::measured::{CaptureOutcome, Quantity, Reading};

use super::{LegAgain, State};
use crate::plan::intent::IfDisturbed;
use crate::plan::itinerary::{Action, Itinerary, Key, Purpose, TestHead};
use crate::run::journal::{Decision, DriftVerdict, Event, RoomVerdict};
use crate::run::lit::Lit;
use crate::run::restart;
use crate::run::room::Seen;

impl State {
    /// A reading was taken.
    pub(super) fn take(
        &mut self,
        itinerary: &Itinerary,
        event: &Event,
        key: &Key,
        reading: &Reading,
    ) {
        let outcome = &reading.outcome;
        let Some(no) = event.no else { return };
        let Some(action) = self.action(itinerary, no).cloned() else {
            return;
        };
        let purpose = key.purpose;
        let (leg, point) = (action.leg, action.point);
        let says_something = outcome.says_something();
        let ends_action = action.ends_with(purpose, outcome);
        let value = outcome.value();
        match (purpose, leg, point) {
            // Only planned readings are of a point.
            (Purpose::Reference, Some(leg), Some(point)) if says_something => {
                self.references.visited(leg, point, value);
            }
            (Purpose::Fixed, Some(leg), Some(point)) if says_something => {
                self.references.seen_beside(leg, point, value);
            }
            (Purpose::Return, ..) if says_something => self.returns.push(value),
            (Purpose::Room, ..) => {
                self.room_unseen = false;
                let quiet = looks_quiet(&action, reading);
                self.room_stays_lit &= !quiet;
            }
            _ => {}
        }
        let watches = |test: &&TestHead| {
            test.meter == reading.meter && reading.quantity == Quantity::Illuminance
        };
        if let Some(test) = itinerary.tests.get(action.test as usize).filter(watches) {
            self.compare((&action, test), event, key, outcome);
        } else if reading.quantity == Quantity::Power && says_something {
            self.compare_power(&action, key, outcome);
            self.read_unseen(&action, key);
        }
        if ends_action {
            self.finish(itinerary, event.no);
        }
    }

    /// Many numbers were captured.
    pub(super) fn take_capture(
        &mut self,
        itinerary: &Itinerary,
        event: &Event,
        key: &Key,
        outcome: &CaptureOutcome,
    ) {
        let action = event.no.and_then(|no| self.action(itinerary, no)).cloned();
        let Some(action) = action else { return };
        self.read_unseen(&action, key);
        if action.ends_with_capture(key.purpose, outcome) {
            self.finish(itinerary, event.no);
        }
    }

    /// The room was not quiet, or nobody saw it.
    fn decide_on_room(&mut self, itinerary: &Itinerary, no: Option<i64>, decision: &Decision) {
        let Decision::Room {
            light_lx,
            air_c,
            lit,
            verdict,
        } = decision
        else {
            return;
        };
        self.room_seen = Some((*light_lx, *air_c));
        self.room_unseen = *verdict == RoomVerdict::Held;
        if *lit {
            let waits = itinerary.policies.if_disturbed == IfDisturbed::Repeat;
            self.room_stays_lit |= waits && *verdict == RoomVerdict::Flagged;
            // What was seen of the lamp meanwhile was the room's light too.
            self.lights_unknown();
        }
        let no = no.and_then(|no| u32::try_from(no).ok());
        if let (RoomVerdict::Again, Some(no)) = (*verdict, no) {
            self.room_again = Some((restart::first_to_redo(itinerary, no), no));
        }
    }

    /// Data decided.
    pub(super) fn decide(&mut self, itinerary: &Itinerary, event: &Event, decision: &Decision) {
        match decision {
            Decision::Drift {
                verdict: DriftVerdict::GoesOn,
                ..
            } => {
                let action = event.no.and_then(|no| self.action(itinerary, no));
                if let Some(test) = action.map(|action| action.test) {
                    self.sightings.learn(test);
                }
            }
            Decision::Drift {
                leg,
                verdict: DriftVerdict::LegAgain,
                ..
            } => {
                self.leg_again = Some(LegAgain {
                    leg: *leg,
                    earlier: false,
                    drifted: true,
                });
            }
            Decision::Drift { .. } => self.sightings.forget_leg(),
            Decision::Return {
                leg,
                goes_on: false,
                unproven,
                ..
            } => {
                self.leg_again = Some(LegAgain {
                    leg: *leg,
                    earlier: *unproven,
                    drifted: false,
                });
            }
            Decision::Room { .. } => self.decide_on_room(itinerary, event.no, decision),
            Decision::HalfLight { mode, level, .. } => {
                self.half_light.insert(mode.clone(), *level);
            }
            Decision::Level {
                setting,
                light_lx,
                passed_lx,
                ..
            } => {
                self.passed_at.extend(passed_lx.clone());
                let Some(light) = light_lx else { return };
                self.light_at.insert(setting.clone(), *light);
                if let Lit::On { seen, .. } = &mut self.lit {
                    *seen = true;
                }
            }
            _ => {}
        }
    }
}

/// Whether a look of this action shows a room that is dark enough.
fn looks_quiet(action: &Action, reading: &Reading) -> bool {
    action.room_look().is_some_and(|look| {
        let mut seen = Seen::default();
        seen.see(&look.room, reading);
        !seen.lit && !seen.blind
    })
}
