//! The lamp's drift as a sensor saw it that stands still: it is read beside each
//! reading, so that each becomes a ratio, and nothing need be interpolated.
//!
//! A reading of a point is brought to the light of the leg's first visit by what the
//! sensor saw at that visit over what it saw at the point. The same sensor gave
//! both, so that of its budget the scatter of its readings alone matters. What it
//! sees with the lamp off is taken off. Where it gave no value at a point, the
//! visits tell the drift ([`super::reference`]).
//!
//! Called by: gather. Not here: when it is read (plan::course).

use std::collections::HashMap;

use photometry::measured::Outcome;
use photometry::statistics;
use photometry::units::Ratio;

use super::reference::{Brought, Corrected, Tells, Visit, own_of};
use crate::plan::itinerary::Purpose;
use crate::store::counts::Standing;
use crate::store::readings::ReadingRow;

/// What the sensor saw at one point.
#[derive(Clone, Debug, PartialEq)]
struct Seen {
    /// Mean in lx, the room's light taken off; above zero.
    mean: f64,
    /// Standard error of that as a share, with its degrees of freedom; none of a
    /// single reading.
    share: Option<(f64, f64)>,
}

/// What the sensor saw beside one setting's readings.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Fixed {
    of_point: HashMap<u32, Seen>,
    /// At the leg's first visit that counts and gave a value.
    first: Option<Seen>,
    /// At each visit that counts and gave a value, beside what that gave.
    at_visits: Vec<(f64, Option<f64>)>,
}

impl Fixed {
    /// From the rows of one setting; `room_lx`: what the sensor sees with the lamp
    /// off. None where it was not read.
    pub fn of(
        rows: &[&ReadingRow],
        visits: &[Visit],
        room_lx: f64,
        point_of: impl Fn(i64) -> Option<u32>,
    ) -> Option<Fixed> {
        let mut values: HashMap<u32, Vec<Option<f64>>> = HashMap::new();
        let beside = |row: &&&ReadingRow| {
            row.key.purpose == Purpose::Fixed && row.standing == Standing::Counts
        };
        for row in rows.iter().filter(beside) {
            let value = match row.reading.outcome {
                Outcome::Value(value) => Some(value - room_lx),
                _ => None,
            };
            if let Some(point) = point_of(row.no) {
                values.entry(point).or_default().push(value);
            }
        }
        if values.is_empty() {
            return None;
        }
        let of_point: HashMap<u32, Seen> = values
            .into_iter()
            .filter_map(|(point, values)| Some((point, seen(&values)?)))
            .collect();
        let at = |visit: &Visit| point_of(visit.no).and_then(|point| of_point.get(&point));
        let own = own_of(visits);
        Some(Fixed {
            first: own.first().and_then(|visit| at(visit)).cloned(),
            at_visits: own
                .iter()
                .filter_map(|visit| Some((visit.lux?, at(visit).map(|seen| seen.mean))))
                .collect(),
            of_point,
        })
    }

    /// Corrects a net reading of a point; none where the sensor gave no value there
    /// or at the leg's first visit.
    pub fn correct(&self, lux: f64, point: Option<u32>) -> Option<Corrected> {
        let first = self.first.as_ref()?;
        let now = self.of_point.get(&point?)?;
        let by = Brought {
            first_lx: first.mean,
            now_lx: now.mean,
            tells: Tells::FixedSensor,
        };
        Some(Corrected {
            lux: lux * by.factor(),
            by,
            residual: None,
            scatter: now.share,
            scatter_of_first: first.share,
        })
    }

    /// The visit that lies farthest from the first, each brought to the lamp's light at
    /// the first, minus one: what is left once the lamp's drift is taken out is that
    /// of carriage and meter. None where the sensor missed one of them.
    pub fn left_over(&self) -> Option<Ratio> {
        let ratios: Option<Vec<f64>> = self
            .at_visits
            .iter()
            .map(|(lux, now)| now.map(|now| lux / now))
            .collect();
        let ratios = ratios?;
        let (first, later) = ratios.split_first()?;
        let off = later.iter().map(|ratio| ratio / first - 1.0);
        let farthest = off.max_by(|a, b| a.abs().total_cmp(&b.abs()));
        farthest.map(Ratio::new)
    }
}

/// The mean of a point's readings; none where one has no value, or there is no light.
fn seen(values: &[Option<f64>]) -> Option<Seen> {
    let values: Vec<f64> = values.iter().copied().collect::<Option<_>>()?;
    let moments = statistics::moments(&values)?;
    (moments.mean > 0.0).then(|| Seen {
        mean: moments.mean,
        share: moments
            .standard_error()
            .map(|error| (error / moments.mean, moments.n as f64 - 1.0)),
    })
}

/// What the sensor saw with the lamp off, in lx: the mean of its readings that count
/// and have a value; zero where it was not read then.
pub fn room_lx(rows: &[&ReadingRow]) -> f64 {
    let values: Vec<f64> = rows
        .iter()
        .filter(|row| row.key.purpose == Purpose::Fixed && row.counts)
        .filter_map(|row| row.reading.outcome.value())
        .collect();
    statistics::moments(&values).map_or(0.0, |moments| moments.mean)
}
