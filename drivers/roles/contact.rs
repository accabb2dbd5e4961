//! A contact that is closed or open, such as the sense line of a stop button.

use crate::error::DriverError;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;

/// Tells whether a contact is closed. An input: it switches nothing.
pub trait Contact: Send {
    /// Makes the device ready.
    ///
    /// # Errors
    /// When it does not answer as it should, or is another device than before.
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError>;

    /// Whether the contact is closed.
    ///
    /// # Errors
    /// When it does not answer, or neither 0 nor 1.
    fn is_closed(&mut self, talk: &mut Talk<'_>) -> Result<bool, DriverError>;
}
