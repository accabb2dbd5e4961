//! What tells the lamp's drift at one setting: the sensor that stands still, where
//! there is one and it gave a value, else the visits to the reference position.
//!
//! Called by: gather. Not here: how either does (`fixed`, `reference`).

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
        let fixed = self.fixed.as_ref();
        fixed
            .and_then(Fixed::left_over)
            .or_else(|| self.reference.drift())
    }

    /// What a correction leaves unknown.
    pub fn unknown_of(&self, found: &Corrected) -> impl Iterator<Item = &'static str> {
        let by_visits = found.by.tells == Tells::Visits;
        let blind = (by_visits && self.fixed.is_some()).then_some(FIXED_BLIND);
        let drift = (by_visits && found.residual.is_none()).then_some(NO_VISITS);
        let once = if by_visits { VISITED_ONCE } else { FIXED_ONCE };
        let scatter = found.scatter.is_none().then_some(once);
        blind.into_iter().chain(drift).chain(scatter)
    }
}
