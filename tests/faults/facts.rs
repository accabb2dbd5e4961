//! What must be true of a night's journal, for the tests of the attendant and
//! for those of the whole daemon: each brings its own path to these types.

use std::collections::BTreeMap;

use super::{Action, Body, Event, Itinerary, State, What};

/// The keys that the itinerary promises, each with its count among the
/// results: readings of the last completed attempt of their action.
pub fn results(itinerary: &Itinerary, events: &[Event]) -> BTreeMap<String, usize> {
    let planned: BTreeMap<i64, &Action> = itinerary
        .actions
        .iter()
        .map(|action| (i64::from(action.no), action))
        .collect();
    let mut last: BTreeMap<i64, String> = BTreeMap::new();
    for event in events {
        let action = event.no.and_then(|no| planned.get(&no));
        let key = match (&event.body, action.map(|action| &action.what)) {
            (Body::Taken { key, .. }, Some(What::Read { .. })) => key,
            (Body::Captured { key, .. }, Some(What::Capture { .. })) => key,
            _ => continue,
        };
        last.extend(event.no.map(|no| (no, key.to_string())));
    }
    let mut counts = BTreeMap::new();
    for key in last.into_values() {
        *counts.entry(key).or_insert(0) += 1;
    }
    counts
}

pub fn promised(itinerary: &Itinerary) -> BTreeMap<String, usize> {
    itinerary
        .actions
        .iter()
        .filter(|action| matches!(action.what, What::Read { .. } | What::Capture { .. }))
        .filter_map(|action| action.key.as_ref())
        .map(|key| (key.to_string(), 1))
        .collect()
}

/// In every sitting the rail finds its home before it goes anywhere.
pub fn moves_before_homing(itinerary: &Itinerary, events: &[Event]) -> usize {
    let mut state = State::new(itinerary);
    let (mut homed, mut sitting, mut early) = (false, 0, 0);
    for event in events {
        if event.sitting != sitting || matches!(event.body, Body::Seam { .. }) {
            sitting = event.sitting;
            homed = false;
        }
        let what = event
            .no
            .and_then(|no| state.action(itinerary, no))
            .map(|a| a.what.clone());
        match (&event.body, what) {
            (Body::Started { .. }, Some(What::Move { .. })) if !homed => early += 1,
            (Body::Done { .. }, Some(What::Home | What::ProveHome { .. })) => homed = true,
            _ => {}
        }
        state.apply(itinerary, event).expect("a legal journal");
    }
    early
}
