//! A meter that yields illuminance.

use photometry::measured::Reading;

use crate::error::DriverError;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;

/// Reads illuminance in lux.
pub trait Photometer: Send {
    /// Makes the meter ready: identity, settings, each read back. To be called
    /// after every opening of its link.
    ///
    /// # Errors
    /// When it does not answer as it should, is another meter than before, or
    /// does not take a setting.
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError>;

    /// One reading. A time-out, an over-range or an implausible value is an
    /// outcome of the reading, not an error.
    ///
    /// # Errors
    /// When the link is gone, the meter is silent also to a resync, or the
    /// caller withdrew.
    fn read_illuminance(&mut self, talk: &mut Talk<'_>) -> Result<Reading, DriverError>;

    /// Closes or opens the meter's own shutter, for dark readings.
    ///
    /// # Errors
    /// When it has none, or does not take the setting.
    fn shutter(&mut self, talk: &mut Talk<'_>, closed: bool) -> Result<(), DriverError>;
}
