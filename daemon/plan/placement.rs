//! Which unit stands where, measured from what, worked by which fingers. It
//! ends when the next begins or a person touches the lamp; every reading
//! refers to one.

use std::collections::BTreeMap;

use photometry::units::{Length, Wall};
use serde::{Deserialize, Serialize};

/// One placement.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Placement {
    /// The physical sample's name or serial number.
    pub unit: String,
    /// The lamp model's name.
    pub lamp: String,
    /// The unit's firmware revision, when known.
    pub firmware: Option<String>,
    /// The bench.
    pub bench: String,
    /// The place on the bench.
    pub place: String,
    /// Coordinate at which the position is zero.
    pub datum: Length,
    /// Standard uncertainty of the datum (k = 1).
    pub datum_uncertainty: Length,
    /// The gauge block used, when one was.
    pub gauge: Option<Length>,
    /// Which finger sits on which button.
    pub fingers: Vec<Seated>,
    /// Who placed it.
    pub who: String,
    /// Since when.
    pub since: Wall,
    /// What that person states of the unit and the room; none of it is measured.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub stated: BTreeMap<Stated, String>,
}

/// What a good report states (ISO/IEC 17025:2017, 7.8, from memory) and this
/// bench does not measure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stated {
    /// The mains or the battery: voltage, frequency.
    Supply,
    /// Temperature of the air around the lamp.
    AirTemperature,
    /// How long the unit has been on in its life.
    HoursRun,
    /// How it stands or lies.
    Orientation,
}

impl Stated {
    /// All of them, in a report's order.
    pub const ALL: [Stated; 4] = [
        Stated::Supply,
        Stated::AirTemperature,
        Stated::HoursRun,
        Stated::Orientation,
    ];

    /// As it is written.
    pub const fn word(self) -> &'static str {
        match self {
            Stated::Supply => "supply",
            Stated::AirTemperature => "air-temperature",
            Stated::HoursRun => "hours-run",
            Stated::Orientation => "orientation",
        }
    }

    /// As a person reads it.
    pub const fn words(self) -> &'static str {
        match self {
            Stated::Supply => "supply voltage and frequency",
            Stated::AirTemperature => "air temperature",
            Stated::HoursRun => "hours run",
            Stated::Orientation => "orientation",
        }
    }
}

/// A finger on a button.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Seated {
    /// The lamp's button.
    pub button: String,
    /// The bench's finger.
    pub finger: String,
}
