//! What is to go wrong, and when: a schedule of faults for a simulated bench.
//!
//! A fault strikes at the n-th event of its own kind, counted from 1 since the
//! world began (restarts included, the counters are in the world's file), so
//! that a failing case is reproduced by its schedule alone.

use photometry::units::{Length, Span};
use serde::{Deserialize, Serialize};

/// A simulated device.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Device {
    /// The illuminance meter on the carriage.
    Meter,
    /// The rail's controller.
    Rail,
    /// The relay board under the fingers.
    Fingers,
    /// The spectroradiometer on the carriage.
    Spectroradiometer,
    /// The waveform photometer.
    WaveformPhotometer,
    /// The power meter.
    PowerMeter,
    /// The sensor of ambient light and temperature.
    RoomSensor,
    /// A second illuminance meter, fixed beside the rail.
    Meter2,
    /// The photometer at the sphere's port.
    SpherePhotometer,
    /// The spectroradiometer at the sphere's port.
    SphereSpectroradiometer,
    /// The relays in the mains.
    Outlets,
    /// The control that tells the lamp its level.
    Level,
    /// The sense line of the stop button.
    Contact,
}

/// One thing that goes wrong. The counted event is named with each.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fault {
    /// No answer. Counts lines that ask something.
    Silent(Device),
    /// Silent from there on, whatever is asked.
    Dead(Device),
    /// The answer comes so much later. Counts lines that ask something.
    Late(Device, Span),
    /// Other bytes instead of the answer. Counts lines that ask something.
    Garbage(Device, Vec<u8>),
    /// The second half of the answer comes so much later than the first.
    /// Counts lines that ask something.
    Split(Device, Span),
    /// What was answered before is said once more, on a line of its own before
    /// the answer. Counts lines that ask something.
    Stale(Device),
    /// The answer's end of line is lost: it runs into what is said next.
    /// Counts lines that ask something.
    Unended(Device),
    /// Bytes before the answer, on the same line. Counts lines that ask
    /// something.
    Noise(Device, Vec<u8>),
    /// A megabyte without an end of line, and then the answer. Counts lines
    /// that ask something.
    Endless(Device),
    /// The device starts anew: a banner instead of the answer, its settings
    /// (integration; homing; coils) as at power-up. Counts lines that ask
    /// something.
    Reset(Device),
    /// The settings are as at power-up without a word; the line is answered.
    /// Counts lines that ask something.
    Forgets(Device),
    /// The link breaks off before the answer, and the device is not there for so
    /// long; it keeps its power meanwhile. Counts lines that ask something.
    LinkLost(Device, Span),
    /// The meter says this instead of its number. Counts its `READ?`.
    Says(String),
    /// The meter says that it is over range. Counts its `READ?`.
    OverRange,
    /// The meter says that it has no number. Counts its `READ?`.
    NoNumber,
    /// The lamp goes out by itself. Counts the meter's `READ?`.
    LampOut,
    /// The lamp goes out by itself and comes back so much later, at this
    /// level. Counts the meter's `READ?`.
    LampBack(Span, u16),
    /// A finger misses its button. Counts presses.
    MissedPress,
    /// A finger bounces and presses twice. Counts presses.
    DoublePress,
    /// A coil does not move from there on. Counts commands to close.
    StuckCoil(u16),
    /// A coil closes and does not open again. Counts commands to close.
    WeldedCoil(u16),
    /// The motor loses so much of its way. Counts moves of the rail.
    LostSteps(Length),
    /// The motor stands still for the second half of its way, unnoticed by
    /// the controller. Counts moves.
    Stall,
    /// A limit switch closes half-way. Counts moves.
    LimitHit,
    /// The home switch does not close. Counts homing cycles.
    BlindSwitch,
    /// The home switch does not open from there on. Counts homing cycles.
    StuckSwitch,
    /// Homing is not enabled in the controller. Counts homing cycles.
    HomingRefused,
    /// The controller resets itself and loses everything. Counts moves.
    PowerLoss,
    /// What is said above of the illuminance meter's readings, at a reading or
    /// capture of another device. Counts those.
    At(Device, Box<Fault>),
    /// A block that is not as it should be. Counts the captures of this device.
    Block(Device, Amiss),
    /// A relay in the mains that no longer follows, from its next closing on.
    /// Counts commands that close relays.
    Relay(u16, Contact),
    /// The lamp's control does not take a level, and tells what is. Counts the
    /// levels that it is told, off among them.
    LevelIgnored,
    /// It says that it took the level, and the light stays. Counts the same.
    LevelUnfollowed,
}

/// What is wrong with a block of numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Amiss {
    /// It ends half-way: fewer bytes come than its head says.
    CutShort,
    /// Its head says that there is one number more than there is.
    SaysMore,
    /// Its head says that there is one number less than there is.
    SaysLess,
    /// One number is lacking, and its head says so.
    OneLess,
    /// A number of it is none.
    NoNumber,
    /// The light was too much: the numbers at their top.
    Saturated,
}

/// What is wrong with the contact of a relay, and whether the board knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Contact {
    /// It does not close, and the board tells so.
    Dead,
    /// It does not close, and the board tells what it was told.
    DeadUnseen,
    /// It closes and does not open again, and the board tells so.
    Welded,
    /// It closes and does not open again, and the board tells what it was told.
    WeldedUnseen,
}

/// What happens at the bench, counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Event {
    /// A line that asks the meter something.
    MeterAsked,
    /// A line to the rail.
    RailAsked,
    /// A line that asks the fingers something.
    FingersAsked,
    /// A reading of the meter.
    Read,
    /// A line that asks the spectroradiometer something.
    SpectroradiometerAsked,
    /// A spectrum was taken.
    SpectrumTaken,
    /// A line that asks the waveform photometer something.
    WaveformPhotometerAsked,
    /// A waveform was taken.
    WaveformTaken,
    /// A line that asks the power meter something.
    PowerMeterAsked,
    /// A reading of power.
    PowerRead,
    /// A line that asks the room sensor something.
    RoomSensorAsked,
    /// A reading of the room sensor.
    RoomRead,
    /// A line that asks the fixed meter something.
    Meter2Asked,
    /// A reading of the fixed meter.
    Meter2Read,
    /// A line that asks the sphere's photometer something.
    SpherePhotometerAsked,
    /// A reading of the sphere's photometer.
    SphereRead,
    /// A line that asks the sphere's spectroradiometer something.
    SphereSpectroradiometerAsked,
    /// A spectrum was taken at the sphere's port.
    SphereSpectrumTaken,
    /// A line that asks the outlets something.
    OutletsAsked,
    /// The outlets were told to close relays.
    RelayClosed,
    /// A line that asks the lamp's control something.
    LevelAsked,
    /// The lamp's control was told a level, or off.
    LevelTold,
    /// A line that asks the stop button's contact something.
    ContactAsked,
    /// A finger has left its button.
    Pressed,
    /// A coil was told to close.
    Closed,
    /// A move of the rail.
    Moved,
    /// A homing cycle.
    Homed,
}

impl Device {
    /// The event of asking this device.
    pub fn asked(self) -> Event {
        match self {
            Device::Meter => Event::MeterAsked,
            Device::Rail => Event::RailAsked,
            Device::Fingers => Event::FingersAsked,
            Device::Spectroradiometer => Event::SpectroradiometerAsked,
            Device::WaveformPhotometer => Event::WaveformPhotometerAsked,
            Device::PowerMeter => Event::PowerMeterAsked,
            Device::RoomSensor => Event::RoomSensorAsked,
            Device::Meter2 => Event::Meter2Asked,
            Device::SpherePhotometer => Event::SpherePhotometerAsked,
            Device::SphereSpectroradiometer => Event::SphereSpectroradiometerAsked,
            Device::Outlets => Event::OutletsAsked,
            Device::Level => Event::LevelAsked,
            Device::Contact => Event::ContactAsked,
        }
    }

    /// The event of a reading or a capture of this device; for one that gives
    /// none, that of asking it.
    pub fn read(self) -> Event {
        match self {
            Device::Meter => Event::Read,
            Device::Spectroradiometer => Event::SpectrumTaken,
            Device::WaveformPhotometer => Event::WaveformTaken,
            Device::PowerMeter => Event::PowerRead,
            Device::RoomSensor => Event::RoomRead,
            Device::Meter2 => Event::Meter2Read,
            Device::SpherePhotometer => Event::SphereRead,
            Device::SphereSpectroradiometer => Event::SphereSpectrumTaken,
            Device::Rail | Device::Fingers | Device::Outlets | Device::Level | Device::Contact => {
                self.asked()
            }
        }
    }
}

impl Fault {
    /// What this fault counts.
    pub fn counts(&self) -> Event {
        match self {
            Fault::Silent(device)
            | Fault::Dead(device)
            | Fault::Late(device, _)
            | Fault::Garbage(device, _)
            | Fault::Split(device, _)
            | Fault::Stale(device)
            | Fault::Unended(device)
            | Fault::Noise(device, _)
            | Fault::Endless(device)
            | Fault::Reset(device)
            | Fault::Forgets(device)
            | Fault::LinkLost(device, _) => device.asked(),
            Fault::Says(_)
            | Fault::OverRange
            | Fault::NoNumber
            | Fault::LampOut
            | Fault::LampBack(..) => Event::Read,
            Fault::MissedPress | Fault::DoublePress => Event::Pressed,
            Fault::StuckCoil(_) | Fault::WeldedCoil(_) => Event::Closed,
            Fault::LostSteps(_) | Fault::Stall | Fault::LimitHit | Fault::PowerLoss => Event::Moved,
            Fault::BlindSwitch | Fault::StuckSwitch | Fault::HomingRefused => Event::Homed,
            Fault::At(device, _) | Fault::Block(device, _) => device.read(),
            Fault::Relay(..) => Event::RelayClosed,
            Fault::LevelIgnored | Fault::LevelUnfollowed => Event::LevelTold,
        }
    }

    /// What strikes, wherever it was counted.
    pub(super) fn itself(&self) -> &Fault {
        match self {
            Fault::At(_, fault) => fault.itself(),
            other => other,
        }
    }

    /// True when it stays from its n-th event on.
    fn stays(&self) -> bool {
        matches!(
            self,
            Fault::Dead(_) | Fault::StuckCoil(_) | Fault::StuckSwitch | Fault::Relay(..)
        )
    }
}

/// A fault with the event at which it strikes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Planned {
    /// The n-th event, from 1.
    pub nth: u64,
    /// What happens then.
    pub fault: Fault,
}

/// The faults that strike at the `nth` event of a kind.
pub fn striking(plan: &[Planned], event: Event, nth: u64) -> impl Iterator<Item = &Fault> {
    plan.iter()
        .filter(move |planned| {
            planned.fault.counts() == event
                && (planned.nth == nth || (planned.fault.stays() && nth > planned.nth))
        })
        .map(|planned| &planned.fault)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_strikes_once_or_stays() {
        let plan = [
            Planned {
                nth: 2,
                fault: Fault::Silent(Device::Meter),
            },
            Planned {
                nth: 3,
                fault: Fault::Dead(Device::Meter),
            },
            Planned {
                nth: 2,
                fault: Fault::LampOut,
            },
        ];
        let struck: Vec<usize> = (1..=5)
            .map(|nth| striking(&plan, Event::MeterAsked, nth).count())
            .collect();
        assert_eq!(struck, [0, 1, 1, 1, 1]);
        assert_eq!(striking(&plan, Event::Read, 2).count(), 1);
        assert_eq!(striking(&plan, Event::RailAsked, 2).count(), 0);
    }
}
