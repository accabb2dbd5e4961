//! What else may stand on a simulated bench beside rail, meter and fingers: what
//! each further device is, and what it holds.
//!
//! Kept by `world`; each device has a file of its own.

use photometry::units::Ratio;
use serde::{Deserialize, Serialize};

use super::contact::ContactState;
use super::level::{LevelModel, LevelState};
use super::meter::{MeterModel, MeterState};
use super::outlets::{OutletsModel, OutletsState};
use super::power_meter::{PowerMeterModel, PowerMeterState};
use super::room_sensor::RoomSensorModel;
use super::spectroradiometer::{SpectroradiometerModel, SpectroradiometerState};
use super::sphere::{SphereModel, SphereState};
use super::waveform_photometer::{WaveformPhotometerModel, WaveformPhotometerState};

/// What is fixed about the further devices.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Equipment {
    /// Speed of the lines of those devices that send many numbers, in bytes a
    /// second, at least 1.
    pub bytes_per_second: u32,
    /// The spectroradiometer.
    pub spectroradiometer: SpectroradiometerModel,
    /// The waveform photometer.
    pub waveform_photometer: WaveformPhotometerModel,
    /// The power meter.
    pub power_meter: PowerMeterModel,
    /// The room sensor.
    pub room_sensor: RoomSensorModel,
    /// The fixed illuminance meter beside the rail.
    pub fixed_meter: MeterModel,
    /// Its light as a share of the lamp's at 1 m on the axis.
    pub fixed_meter_sees: Ratio,
    /// The sphere and its lamps.
    pub sphere: SphereModel,
    /// The photometer at the sphere's port.
    pub sphere_photometer: MeterModel,
    /// The spectroradiometer at the sphere's port.
    pub sphere_spectroradiometer: SpectroradiometerModel,
    /// The relays in the mains.
    pub outlets: OutletsModel,
    /// The control that tells the lamp its level.
    pub level: LevelModel,
}

impl Default for Equipment {
    /// Lines of 921,600 baud, ten bits a byte.
    fn default() -> Equipment {
        Equipment {
            bytes_per_second: 92_160,
            spectroradiometer: SpectroradiometerModel::array(),
            waveform_photometer: WaveformPhotometerModel::filtered(),
            power_meter: PowerMeterModel::plug(),
            room_sensor: RoomSensorModel::wall(),
            fixed_meter: MeterModel::handheld(),
            fixed_meter_sees: Ratio::new(0.35),
            sphere: SphereModel::one_metre(),
            sphere_photometer: MeterModel::sphere(),
            sphere_spectroradiometer: SpectroradiometerModel::sphere(),
            outlets: OutletsModel::default(),
            level: LevelModel::default(),
        }
    }
}

/// What the further devices hold.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct EquipmentState {
    /// The spectroradiometer's settings.
    pub spectroradiometer: SpectroradiometerState,
    /// The waveform photometer's settings.
    pub waveform_photometer: WaveformPhotometerState,
    /// The power meter's settings.
    pub power_meter: PowerMeterState,
    /// The fixed meter's settings.
    pub fixed_meter: MeterState,
    /// What is in the sphere, and which of its lamps are on.
    pub sphere: SphereState,
    /// The settings of the sphere's photometer.
    pub sphere_photometer: MeterState,
    /// The settings of the sphere's spectroradiometer.
    pub sphere_spectroradiometer: SpectroradiometerState,
    /// The relays in the mains.
    pub outlets: OutletsState,
    /// What the lamp's control claims.
    pub level: LevelState,
    /// The stop button.
    pub contact: ContactState,
}
