//! Which unit stands where, measured from what, worked by which fingers. It
//! ends when the next begins or a person touches the lamp; every reading
//! refers to one.

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
}

/// A finger on a button.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Seated {
    /// The lamp's button.
    pub button: String,
    /// The bench's finger.
    pub finger: String,
}
