//! What meters yield: illuminance, power, temperature, spectra, waveforms. A small
//! trait for each.

use photometry::measured::{Capture, Reading};
use photometry::units::Span;

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

    /// One reading; by a meter that knows spectra alone, one of those, weighed. A
    /// time-out, an over-range or an implausible value is an outcome of the reading,
    /// not an error.
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

/// Reads electric power in watt.
pub trait Wattmeter: Send {
    /// One reading.
    ///
    /// # Errors
    /// As [`Photometer::read_illuminance`]; also when it does not yield power.
    fn read_power(&mut self, talk: &mut Talk<'_>) -> Result<Reading, DriverError>;
}

/// Reads the temperature of the air in degrees Celsius.
pub trait Thermometer: Send {
    /// One reading.
    ///
    /// # Errors
    /// As [`Photometer::read_illuminance`]; also when it yields no temperature.
    fn read_temperature(&mut self, talk: &mut Talk<'_>) -> Result<Reading, DriverError>;
}

/// Captures spectra in W/(m2 nm).
pub trait Spectroradiometer: Send {
    /// Integrates so long from here on, also when its link was lost meanwhile.
    ///
    /// # Errors
    /// When it does not take the setting, or has none.
    fn integrate(&mut self, talk: &mut Talk<'_>, integration: Span) -> Result<(), DriverError>;

    /// One spectrum. A time-out, a well that is full or a block of another length
    /// is an outcome, not an error.
    ///
    /// # Errors
    /// As [`Photometer::read_illuminance`]; also when it yields no spectra.
    fn read_spectrum(&mut self, talk: &mut Talk<'_>) -> Result<Capture, DriverError>;
}

/// Captures light over a short time, in a unit of its own.
pub trait WaveformPhotometer: Send {
    /// So many samples, one each `step`.
    ///
    /// # Errors
    /// As [`Photometer::read_illuminance`]; also when it does not take the step or
    /// the count, or yields no waveforms.
    fn capture(
        &mut self,
        talk: &mut Talk<'_>,
        step: Span,
        count: u32,
    ) -> Result<Capture, DriverError>;
}
