//! How late the readings of a recording were asked for, against the beat that was
//! decided before the first: told beside every figure of a recording, never hidden.
//!
//! Times are the bench's own clock. Called by: ramps, standby.

use photometry::units::{Mono, Span};

use super::Test;
use crate::plan::itinerary::{Action, RECORDED_AT_MOST};
use crate::run::journal::{Body, Decision};
use crate::store::readings::ReadingRow;

/// Shorter than this nothing is told in numbers: the clock's own grain, in ms.
const NOTHING_MS: f64 = 0.001;

/// A sentence about one meter's readings of a recording; none where none was read
/// in time, or no beat is on record.
pub(super) fn told(test: &Test<'_>, action: &Action, rows: &[&ReadingRow]) -> Option<String> {
    let (first, every) = beat(test, rows.first()?)?;
    let first_visit = action.key.as_ref()?.visit;
    let late = |row: &&&ReadingRow| {
        let nth = row.key.visit.checked_sub(first_visit)? % RECORDED_AT_MOST;
        let due = first + every.times(i64::from(nth));
        Some(row.reading.asked.mono.since(due).secs() * 1e3)
    };
    let in_time = rows
        .iter()
        .filter(|row| row.reading.outcome.says_something());
    let mut late: Vec<f64> = in_time.filter_map(|row| late(&row)).collect();
    late.sort_by(f64::total_cmp);
    let worst = *late.last()?;
    if worst < NOTHING_MS {
        return Some("Each reading was asked for when it was due.".to_owned());
    }
    // The nearest rank.
    let most = late.get((late.len() * 99).div_ceil(100) - 1)?;
    Some(format!(
        "99 of 100 readings were asked for within {most:.3} ms of when they were due, the \
         latest {worst:.3} ms after it."
    ))
}

/// When the first reading was due, and from one to the next.
fn beat(test: &Test<'_>, row: &ReadingRow) -> Option<(Mono, Span)> {
    let mut events = test.whole.events.iter();
    events.find_map(|event| match &event.body {
        Body::Decided {
            decision: Decision::Beat { first, every, .. },
        } if event.no == Some(row.no) && event.attempt == row.attempt => Some((first.mono, *every)),
        _ => None,
    })
}
