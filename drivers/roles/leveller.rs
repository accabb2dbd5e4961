//! A lamp that takes its level directly.

use crate::error::DriverError;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;
use crate::profile::value::Lit;

/// Tells a lamp how to be lit.
pub trait Leveller: Send {
    /// Makes the lamp ready; how it is lit stays as it was.
    ///
    /// # Errors
    /// When it does not answer as it should, or is another lamp than before.
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError>;

    /// Lights it in a mode (printable ASCII, at most 100 characters) at a level, as the
    /// lamp counts them, and makes sure of it where it can be asked.
    ///
    /// # Errors
    /// [`DriverError::NotTaken`] when it says that it is lit otherwise,
    /// [`DriverError::Unsendable`] for a mode that is no such word.
    fn set_level(&mut self, talk: &mut Talk<'_>, mode: &str, level: u16)
    -> Result<(), DriverError>;

    /// How it says that it is lit; none where it cannot tell.
    ///
    /// # Errors
    /// When it does not answer, or answers no level.
    fn lit(&mut self, talk: &mut Talk<'_>) -> Result<Option<Lit>, DriverError>;

    /// Switches it off; deaf to being abandoned.
    ///
    /// # Errors
    /// When the lamp refuses, or the link fails; it may then still be lit.
    fn off(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError>;
}
