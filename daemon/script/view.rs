//! What a script sees of one lamp's measured data: plain structs, no engine.
//!
//! Whoever has the data fills a [`View`]; a sample beside each shipped script is
//! one in JSON. A value is an estimate or the reason why there is none, and it
//! carries its flags and the keys of what it rests on wherever it goes.
//!
//! Called by: the rooms that fill views, `seen` and `values`.

use photometry::uncertainty::Estimate;
use serde::{Deserialize, Serialize};

use super::reach::Reach;
use super::unit::Unit;

/// A measured value with its unit, or why there is none.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// The estimate in its unit, or why there is none: `timed out`.
    pub what: Result<Estimate, String>,
    /// Its unit.
    pub unit: Unit,
    /// Remarks that make every ruling on it undecided: `drift`, `over range`.
    #[serde(default)]
    pub flags: Vec<String>,
    /// Keys of the readings or points behind it.
    #[serde(default)]
    pub rests_on: Vec<String>,
    /// Where the value may lie, where it is not known and something tells.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reach: Option<Reach>,
}

impl Measured {
    /// A known value that rests on one key.
    pub fn known(estimate: Estimate, unit: Unit, key: &str) -> Measured {
        Measured {
            what: Ok(estimate),
            unit,
            flags: Vec::new(),
            rests_on: vec![key.to_owned()],
            reach: None,
        }
    }

    /// No value; why.
    pub fn unknown(why: &str, unit: Unit) -> Measured {
        Measured {
            what: Err(why.to_owned()),
            unit,
            flags: Vec::new(),
            rests_on: Vec::new(),
            reach: None,
        }
    }
}

/// One lamp's measured data.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct View {
    /// The lamp's model.
    pub lamp: String,
    /// The sample.
    pub unit: String,
    /// Its firmware, where known.
    pub firmware: Option<String>,
    /// The plan's name.
    pub plan: String,
    /// The bench's name.
    pub bench: String,
    /// Whether the run is not yet complete.
    #[serde(default)]
    pub unfinished: bool,
    /// What was measured at each setting.
    pub settings: Vec<SettingView>,
}

/// One setting of the lamp.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SettingView {
    /// As in keys: `L07`.
    pub name: String,
    /// As for a person: `level 7`.
    pub shown: String,
    /// The mode, where the lamp has several.
    pub mode: Option<String>,
    /// The level, where the setting is one.
    pub level: Option<u16>,
    /// What was measured along the rail.
    pub points: Vec<PointView>,
    /// Change of the light at the reference from first to last visit, in per cent.
    pub drift: Measured,
    /// Light at the reference position, in lux.
    pub reference: Measured,
}

/// One position at one setting.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PointView {
    /// Distance from the lamp's datum in m.
    pub position_m: f64,
    /// Net illuminance there in lux.
    pub lux: Measured,
    /// The point's key.
    pub key: String,
}
