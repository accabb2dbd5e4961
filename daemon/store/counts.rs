//! Which readings are results. A pure function of the frozen itinerary and
//! the journal.
//!
//! A *unit* is a point, or an action outside any point. A *pass* is one
//! attempt at a unit from its first action to its last; it is complete when
//! every action in it is: a read action by a reading that says something about
//! the light (value, over, under), a capture likewise, any other by *done*.
//! A seam ends every pass that is still open: a point is redone whole. The
//! readings of a unit's last complete pass count; those of earlier complete
//! passes are superseded; those of passes that never got complete, and those
//! of a preamble (negative action numbers), never count. What a leg gave that
//! is to be measured again no longer counts from that decision on.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use crate::plan::itinerary::{Action, Itinerary};
use crate::run::journal::{Body, Decision, DriftVerdict, Event, LIGHT_LOST, STEPS_LOST};
use crate::run::restart::{legs_again, legs_of_test, points_in_doubt, recordings_of_test};

/// Why a reading counts, or does not.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Standing {
    /// It is the result of its key.
    Counts,
    /// A later complete pass stands in its place, or is to: its leg drifted
    /// too far and is measured again.
    Superseded,
    /// Its point or action was not completed in that pass.
    #[default]
    Unfinished,
    /// Taken after a seam, to find out whether to go on.
    Preamble,
    /// A person set it aside: it enters nothing, whatever it was before.
    SetAside,
}

/// A unit: a point by number, or a single action by number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
enum Unit {
    Point(u32),
    Single(u32),
}

fn unit_of(action: &Action) -> Unit {
    action.point.map_or(Unit::Single(action.no), Unit::Point)
}

/// Follows a journal for legs that are to be measured again. The decision
/// takes effect when its action is done; broken off before, it is taken again.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct LegsAgain {
    decided: Option<Again>,
    /// The test of the last planned action that was at work.
    test: Option<u32>,
}

/// What no longer stands: legs, points outside any leg, and single actions.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Undone {
    legs: BTreeSet<u32>,
    points: BTreeSet<u32>,
    singles: BTreeSet<u32>,
}

impl Undone {
    fn legs(legs: BTreeSet<u32>) -> Undone {
        Undone {
            legs,
            ..Undone::default()
        }
    }

    /// The actions of which nothing stands.
    pub(super) fn actions<'a>(
        &'a self,
        itinerary: &'a Itinerary,
    ) -> impl Iterator<Item = &'a Action> {
        let none = self.legs.is_empty() && self.points.is_empty() && self.singles.is_empty();
        let all = if none { &[][..] } else { &itinerary.actions };
        let of_leg = |action: &Action| action.leg.is_some_and(|leg| self.legs.contains(&leg));
        let of_point = |action: &Action| action.point.is_some_and(|at| self.points.contains(&at));
        let of_singles = |action: &Action| self.singles.contains(&action.no);
        all.iter()
            .filter(move |action| of_leg(action) || of_point(action) || of_singles(action))
    }
}

/// A leg to be measured again, and whether its test's earlier ones are too.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Again {
    leg: u32,
    earlier: bool,
}

impl LegsAgain {
    /// The legs and points of which nothing stands from this event on.
    pub(super) fn see(&mut self, itinerary: &Itinerary, event: &Event) -> Undone {
        let no = event.no.and_then(|no| usize::try_from(no).ok());
        let action = no.and_then(|no| itinerary.actions.get(no));
        if let Some(action) = action {
            self.test = Some(action.test);
        }
        if let (Body::Failed { fault }, Some(action)) = (&event.body, action)
            && fault.code == LIGHT_LOST
        {
            self.decided = None;
            return Undone {
                legs: action.leg.into_iter().collect(),
                points: points_in_doubt(itinerary, action.no),
                ..Undone::default()
            };
        }
        if let (Body::Failed { fault }, Some(test)) = (&event.body, self.test)
            && fault.code == STEPS_LOST
        {
            self.decided = None;
            return Undone {
                legs: legs_of_test(itinerary, test),
                singles: recordings_of_test(itinerary, test),
                ..Undone::default()
            };
        }
        let again = self.follow(&event.body);
        let legs = again.map(|again| legs_again(itinerary, again.leg, again.earlier));
        Undone::legs(legs.unwrap_or_default())
    }

    fn follow(&mut self, body: &Body) -> Option<Again> {
        use Decision::{Drift, Return};
        match body {
            Body::Decided { decision } => {
                self.decided = match decision {
                    Drift { leg, verdict, .. } => {
                        let (leg, earlier) = (*leg, false);
                        (*verdict == DriftVerdict::LegAgain).then_some(Again { leg, earlier })
                    }
                    Return {
                        leg,
                        goes_on,
                        unproven,
                        ..
                    } => {
                        let (leg, earlier) = (*leg, *unproven);
                        (!goes_on).then_some(Again { leg, earlier })
                    }
                    _ => self.decided,
                };
                None
            }
            Body::Done { .. } => self.decided.take(),
            Body::Failed { .. } | Body::Seam { .. } => {
                self.decided = None;
                None
            }
            _ => None,
        }
    }
}

/// One pass at a unit, as far as it got.
#[derive(Default)]
struct Pass {
    /// The last action that was started in it.
    reached: u32,
    done: BTreeSet<u32>,
    /// (action, its attempt, event), in order.
    taken: Vec<(u32, u32, u64)>,
}

struct Counting<'a> {
    itinerary: &'a Itinerary,
    /// How many actions each unit has.
    sizes: HashMap<Unit, usize>,
    open: HashMap<Unit, Pass>,
    /// The readings of each unit's last complete pass.
    last: BTreeMap<Unit, Vec<u64>>,
    legs_again: LegsAgain,
    standings: HashMap<u64, Standing>,
}

/// The standing of every reading, by its event's number.
pub fn standings(itinerary: &Itinerary, events: &[Event]) -> HashMap<u64, Standing> {
    let mut counting = Counting {
        itinerary,
        sizes: HashMap::new(),
        open: HashMap::new(),
        last: BTreeMap::new(),
        legs_again: LegsAgain::default(),
        standings: HashMap::new(),
    };
    for action in &itinerary.actions {
        let unit = unit_of(action);
        *counting.sizes.entry(unit).or_default() += 1;
    }
    for event in events {
        counting.see(event);
    }
    counting.standings
}

impl Counting<'_> {
    fn see(&mut self, event: &Event) {
        let undone = self.legs_again.see(self.itinerary, event);
        self.drop_undone(&undone);
        if matches!(event.body, Body::Seam { .. }) {
            self.open.clear();
            return;
        }
        let taken = event.body.is_of_meter();
        let action = event
            .no
            .and_then(|no| usize::try_from(no).ok())
            .and_then(|no| self.itinerary.actions.get(no));
        let Some(action) = action else {
            if taken {
                self.standings.insert(event.seq, Standing::Preamble);
            }
            return;
        };
        let unit = unit_of(action);
        let pass = self.open.entry(unit).or_default();
        match &event.body {
            Body::Started { .. } => {
                if action.no < pass.reached || pass.done.contains(&action.no) {
                    *pass = Pass::default(); // the unit begins anew
                }
                pass.reached = action.no;
            }
            Body::Taken { key, reading } => {
                self.standings.insert(event.seq, Standing::Unfinished);
                pass.reached = action.no;
                pass.taken.push((action.no, event.attempt, event.seq));
                if action.ends_with(key.purpose, &reading.outcome) {
                    pass.done.insert(action.no);
                }
            }
            Body::Captured { key, capture, .. } => {
                self.standings.insert(event.seq, Standing::Unfinished);
                pass.reached = action.no;
                pass.taken.push((action.no, event.attempt, event.seq));
                if action.ends_with_capture(key.purpose, &capture.outcome) {
                    pass.done.insert(action.no);
                }
            }
            Body::Done { .. } => {
                pass.done.insert(action.no);
            }
            _ => {}
        }
        if pass.done.len() == self.sizes.get(&unit).copied().unwrap_or_default() {
            self.complete(unit);
        }
    }

    /// Nothing of these legs and points counts any more.
    fn drop_undone(&mut self, undone: &Undone) {
        for action in undone.actions(self.itinerary) {
            let unit = unit_of(action);
            self.open.remove(&unit);
            for seq in self.last.remove(&unit).unwrap_or_default() {
                self.standings.insert(seq, Standing::Superseded);
            }
        }
    }

    /// The open pass is complete: its readings count instead of the earlier
    /// pass's. Of each action only the last attempt within the pass does.
    fn complete(&mut self, unit: Unit) {
        let Some(pass) = self.open.remove(&unit) else {
            return;
        };
        let mut last_attempt: BTreeMap<u32, u32> = BTreeMap::new();
        for (no, attempt, _) in &pass.taken {
            let last = last_attempt.entry(*no).or_default();
            *last = (*last).max(*attempt);
        }
        let counting: Vec<u64> = pass
            .taken
            .iter()
            .filter(|(no, attempt, _)| last_attempt.get(no) == Some(attempt))
            .map(|(_, _, seq)| *seq)
            .collect();
        for seq in self.last.insert(unit, counting.clone()).unwrap_or_default() {
            self.standings.insert(seq, Standing::Superseded);
        }
        for seq in counting {
            self.standings.insert(seq, Standing::Counts);
        }
    }
}
