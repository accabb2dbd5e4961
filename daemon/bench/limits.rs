//! Where the carriage may go. Checked against the path, not only its end: a
//! move that arrives from below first passes its target by the overshoot.

use photometry::units::Length;

use crate::plan::card::Rail;

/// The lowest and highest coordinate touched on the way to `target` from
/// `here`. Unknown whereabouts count as both ends of the travel.
pub fn path(rail: &Rail, here: Option<Length>, target: Length) -> (Length, Length) {
    let (low_start, high_start) =
        here.map_or((rail.travel_from, rail.travel_to), |here| (here, here));
    let turns_below = here.is_none_or(|here| here > target);
    let lowest = if turns_below {
        target - rail.overshoot
    } else {
        target
    };
    (lowest.min(low_start), target.max(high_start))
}

/// Why a move is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the way to {target} leads to {outside}, outside the travel of {low} to {high}")]
pub struct LeavesTravel {
    /// Where the carriage should go.
    pub target: Length,
    /// The coordinate outside.
    pub outside: Length,
    /// The lower end of the travel.
    pub low: Length,
    /// The upper end.
    pub high: Length,
}

/// Permits a move, or says where its path leaves the travel.
///
/// # Errors
/// When any part of the path lies outside.
pub fn permit(rail: &Rail, here: Option<Length>, target: Length) -> Result<(), LeavesTravel> {
    let (lowest, highest) = path(rail, here, target);
    let (low, high) = (rail.travel_from, rail.travel_to);
    let outside = if lowest < low {
        lowest
    } else if highest > high {
        highest
    } else {
        return Ok(());
    };
    Err(LeavesTravel {
        target,
        outside,
        low,
        high,
    })
}
