//! What the reference visits of each leg gave, and what the sensor that stands
//! still saw beside its readings.
//!
//! Part of the state that `progress` replays. Not here: what follows (`decide`).

use std::collections::{BTreeMap, BTreeSet};

/// Readings by leg, each with its point, in order; none where the outcome was no
/// value.
type OfLegs = BTreeMap<u32, Vec<(u32, Option<f64>)>>;

/// The reference readings of each leg.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct References {
    visits: OfLegs,
    beside: OfLegs,
}

impl References {
    pub(super) fn visited(&mut self, leg: u32, point: u32, value: Option<f64>) {
        self.visits.entry(leg).or_default().push((point, value));
    }

    pub(super) fn seen_beside(&mut self, leg: u32, point: u32, value: Option<f64>) {
        self.beside.entry(leg).or_default().push((point, value));
    }

    pub(super) fn undo_point(&mut self, leg: u32, point: u32) {
        let both = [&mut self.visits, &mut self.beside];
        for values in both.into_iter().filter_map(|of_legs| of_legs.get_mut(&leg)) {
            values.retain(|(of, _)| *of != point);
        }
    }

    pub(super) fn undo_legs(&mut self, legs: &BTreeSet<u32>) {
        self.visits.retain(|leg, _| !legs.contains(leg));
        self.beside.retain(|leg, _| !legs.contains(leg));
    }

    /// Means of the reference visits of a leg in lx, in order. A visit that was
    /// partly outside the meter's range has none: the mean of the rest would
    /// be off to one side.
    pub fn means(&self, leg: u32) -> Vec<f64> {
        self.by_point(leg)
            .into_iter()
            .map(|(_, mean)| mean)
            .collect()
    }

    /// The same, each brought to the lamp's light at the first of them by the sensor
    /// that stands still, where it saw all of them: what is left is no drift of the
    /// lamp, but of the carriage or the meter.
    pub fn steadied(&self, leg: u32) -> Vec<f64> {
        let visits = self.by_point(leg);
        let seen: Option<Vec<f64>> = visits
            .iter()
            .map(|(point, _)| self.mean_beside(leg, *point))
            .collect();
        let seen = seen.filter(|seen| !seen.is_empty());
        let steadied = |(mean, now): (f64, f64), first: f64| mean * first / now;
        let means = visits.iter().map(|(_, mean)| *mean);
        match seen.as_deref() {
            Some(seen) => {
                let first = seen[0];
                means
                    .zip(seen)
                    .map(|(mean, now)| steadied((mean, *now), first))
                    .collect()
            }
            None => means.collect(),
        }
    }

    fn by_point(&self, leg: u32) -> Vec<(u32, f64)> {
        let readings = self.visits.get(&leg).map_or(&[][..], Vec::as_slice);
        readings
            .chunk_by(|(one, _), (next, _)| one == next)
            .filter_map(|visit| {
                let mean = mean_of_all(visit.iter().map(|(_, value)| *value))?;
                Some((visit.first()?.0, mean))
            })
            .collect()
    }

    fn mean_beside(&self, leg: u32, point: u32) -> Option<f64> {
        let readings = self.beside.get(&leg)?.iter();
        let of_point = readings.filter(|(of, _)| *of == point);
        mean_of_all(of_point.map(|(_, value)| *value)).filter(|mean| *mean > 0.0)
    }
}

/// The mean where all have a value; none of none.
pub(super) fn mean_of_all(values: impl Iterator<Item = Option<f64>>) -> Option<f64> {
    let values: Vec<f64> = values.collect::<Option<_>>()?;
    photometry::statistics::moments(&values).map(|moments| moments.mean)
}
