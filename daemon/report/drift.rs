//! What tells the lamp's drift at one setting: the sensor that stands still, where
//! there is one and it gave a value, else the visits to the reference position.
//!
//! Called by: gather. Not here: how either does (`fixed`, `reference`).

use photometry::uncertainty::Estimate;
use photometry::units::Ratio;

use super::fixed::Fixed;
use super::reference::{Corrected, Reference, Tells};
use crate::store::readings::ReadingRow;

/// The flag of a value whose drift no straight line bounds.
const NO_VISITS: &str = "no term for the drift: no two reference visits without a break between \
                         them";
/// The flag of a value whose correction rests on a visit of one reading.
const VISITED_ONCE: &str = "a reference visit of one reading: its scatter is not known";
/// The flag of a value whose drift the sensor that stands still could not tell.
const FIXED_BLIND: &str =
    "the fixed sensor gave no value here: the drift is told by the reference visits";
/// The flag of a value beside which the sensor that stands still was read once.
const FIXED_ONCE: &str = "one reading of the fixed sensor: its scatter is not known";

/// What tells the drift of one setting's readings.
pub struct Drift {
    /// The visits to the reference position.
    pub reference: Reference,
    /// The sensor that stands still, where it was read.
    pub fixed: Option<Fixed>,
}

impl Drift {
    /// Corrects a net reading in lx; none where nothing tells the drift.
    pub fn correct(
        &self,
        lux: f64,
        row: &ReadingRow,
        point: Option<u32>,
        stretch: usize,
    ) -> Option<Corrected> {
        let fixed = self.fixed.as_ref();
        let by_sensor = fixed.and_then(|fixed| fixed.correct(lux, point));
        let at = row.reading.taken.mono;
        by_sensor.or_else(|| self.reference.correct(lux, at, stretch))
    }

    /// What is left of the drift between the visits, once a fixed sensor took out the
    /// lamp's; where there is none, all of it.
    pub fn left_over(&self) -> Option<Ratio> {
        self.by_sensor().or_else(|| self.reference.drift())
    }

    /// What the fixed sensor leaves of it; none where there is none, or it did not see
    /// all visits.
    pub fn by_sensor(&self) -> Option<Ratio> {
        self.fixed.as_ref().and_then(Fixed::left_over)
    }

    /// What a correction leaves unknown.
    pub fn unknown_of(&self, found: &Corrected) -> impl Iterator<Item = &'static str> {
        let by_visits = found.by.tells == Tells::Visits;
        let blind = (by_visits && self.fixed.is_some()).then_some(FIXED_BLIND);
        let drift = (by_visits && found.residual.is_none()).then_some(NO_VISITS);
        let once = if by_visits { VISITED_ONCE } else { FIXED_ONCE };
        let of_both = found.scatter.is_some() && (by_visits || found.scatter_of_first.is_some());
        let scatter = (!of_both).then_some(once);
        blind.into_iter().chain(drift).chain(scatter)
    }
}

/// With the scatter of what tells the drift, as shares: of a fixed sensor at the leg's
/// first visit, and of what the point rests on besides.
pub(super) fn with_scatter(
    mut estimate: Estimate,
    tells: Tells,
    [first, here]: [Option<(f64, f64)>; 2],
    rows: &[&ReadingRow],
) -> Estimate {
    let Some(key) = rows.first().map(|row| &row.key) else {
        return estimate;
    };
    let value = estimate.value;
    if let (Some((share, dof)), Tells::FixedSensor) = (first, tells) {
        let source = format!("fixed sensor, first visit {}", key.setting);
        estimate = estimate.with(&source, share * value, Some(dof));
    }
    if let Some((share, dof)) = here {
        let source = match tells {
            Tells::Visits => format!("reference visits {}", key.setting),
            Tells::FixedSensor => format!("fixed sensor {key}"),
        };
        estimate = estimate.with(&source, share * value, Some(dof));
    }
    estimate
}

/// What is over its limit: the lamp's drift, or, where a sensor that stands still took
/// that out, what is left.
pub fn drifted_words(left_over: Option<Ratio>) -> &'static str {
    match left_over {
        None => "the lamp drifted by more than the limit",
        Some(_) => "carriage or meter changed by more than the limit",
    }
}
