//! Fingers on a lamp's buttons.

use photometry::measured::Moment;
use photometry::units::Span;

use crate::error::DriverError;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;

/// Longest press: a finger that stays down may ramp the lamp or burn its coil.
pub const HOLD_AT_MOST: Span = Span::from_secs(2);

/// A press that was carried out, both ends verified.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Press {
    /// When the finger was sent down.
    pub down: Moment,
    /// When it was sent up.
    pub up: Moment,
}

/// Presses buttons by coils.
pub trait Presser: Send {
    /// Takes all fingers off and makes sure of it, before anything else.
    ///
    /// # Errors
    /// When a coil stays closed, or the board does not answer as it should.
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError>;

    /// One press, at most [`HOLD_AT_MOST`] long; never cut in half by an
    /// abandoned request. Resting between presses is the caller's.
    ///
    /// # Errors
    /// [`DriverError::CoilStuck`] when the coil does not follow; all coils are
    /// then told to open.
    fn press(&mut self, talk: &mut Talk<'_>, coil: u16, hold: Span) -> Result<Press, DriverError>;

    /// Takes all fingers off and makes sure of it; deaf to being abandoned.
    ///
    /// # Errors
    /// [`DriverError::CoilStuck`] when one stays down, or when the link fails.
    fn release_all(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError>;
}
