//! Mains relays that hold what they are told.

use photometry::units::Span;

use crate::error::DriverError;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;

/// Switches outlets.
pub trait Switcher: Send {
    /// Switches everything off and makes sure of it, before anything else.
    ///
    /// # Errors
    /// When an outlet stays on, or the board does not answer as it should.
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError>;

    /// Switches one outlet, to stay so.
    ///
    /// # Errors
    /// [`DriverError::OutletStuck`] when its relay does not follow.
    fn switch(&mut self, talk: &mut Talk<'_>, outlet: u16, on: bool) -> Result<(), DriverError>;

    /// Switches everything off and makes sure of it; deaf to being abandoned.
    ///
    /// # Errors
    /// [`DriverError::OutletStuck`] when one stays on, or when the link fails.
    fn all_off(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError>;

    /// Tells the board's watchdog that somebody is there; nothing where it has
    /// none.
    ///
    /// # Errors
    /// When the link fails.
    fn feed(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError>;

    /// After so long without being fed the board switches everything off by
    /// itself; none where it does not.
    fn watchdog(&self) -> Option<Span>;
}
