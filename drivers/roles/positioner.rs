//! A carriage that goes to a coordinate.

use photometry::units::Length;

use crate::error::DriverError;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;

/// What is known about where the carriage stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Whereabouts {
    /// Nothing: after power-up, opening, alarm, reset, or an abandoned move.
    Unknown,
    /// Homed, and standing at this coordinate.
    At(Length),
}

/// What homing says about the time since the last homing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Proof {
    /// The position was unknown before: nothing can be said.
    FirstTime,
    /// The switch was found so far above (positive) or below its coordinate:
    /// within one full step, no steps were lost.
    Offset(Length),
    /// The switch was not found within this distance of its coordinate:
    /// everything since the last good homing is suspect.
    NotWithin(Length),
    /// The controller has no slow touch.
    NotPossible,
}

/// A finished homing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Homing {
    /// Where the carriage stands now.
    pub at: Length,
    /// Whether steps were lost since the last homing.
    pub proof: Proof,
}

/// Moves a carriage; coordinates are the carriage's, not distances to a lamp.
pub trait Positioner: Send {
    /// Makes the controller ready. The position is unknown afterwards.
    ///
    /// # Errors
    /// When it does not answer as it should, or is another one than before.
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError>;

    /// Finds the home switch: fast, back off, slowly again. If the position was
    /// known, the switch is first touched at its old coordinate, as proof that
    /// no steps were lost.
    ///
    /// # Errors
    /// When the switch is not found or the controller refuses; the position is
    /// then unknown.
    fn home(&mut self, talk: &mut Talk<'_>) -> Result<Homing, DriverError>;

    /// Goes to a coordinate, always arriving upwards, and waits until it is
    /// there. Returns where it stands.
    ///
    /// # Errors
    /// [`DriverError::NotHomed`] and [`DriverError::OutsideTravel`] before
    /// anything moves; after any other error the position is unknown.
    fn go(&mut self, talk: &mut Talk<'_>, target: Length) -> Result<Length, DriverError>;

    /// Asks where the carriage stands.
    ///
    /// # Errors
    /// When the controller does not answer.
    fn whereis(&mut self, talk: &mut Talk<'_>) -> Result<Whereabouts, DriverError>;

    /// Stops motion and resets the controller; deaf to being abandoned. The
    /// position is unknown afterwards. It is a normal stop, never an emergency
    /// stop.
    ///
    /// # Errors
    /// When the controller does not answer; it may then still move.
    fn stop(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError>;
}
