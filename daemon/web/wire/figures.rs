//! What crosses of the figures of spectra, waveforms and programs.

use serde::{Deserialize, Serialize};

/// `GET /runs/{id}/figures`: what one setting or one run of a program says.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Measure {
    /// The test.
    pub test: String,
    /// Its kind, as a plan writes it.
    pub kind: String,
    /// A setting's key, or the run of a program: `dawn-1`.
    pub of: String,
    /// The same in words.
    pub shown: String,
    /// The meter that measured.
    pub meter: String,
    /// Its figures.
    pub figures: Vec<Figure>,
    /// What must be known of them.
    pub notes: Vec<String>,
    /// How many events they rest on.
    pub events: usize,
    /// Something that the plan asks for is not there.
    pub unfinished: bool,
    /// What the curve is of; none without one.
    pub curve: Option<Curve>,
    /// The spectra on the way of a recording.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub on_the_way: Vec<WaySpectrum>,
}

/// One spectrum on the way of a recording.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct WaySpectrum {
    /// Minutes from the program's start to its middle.
    pub time_min: f64,
    /// How long it integrated, in s.
    pub integration_s: Option<f64>,
    /// Its correlated colour temperature, where it has one.
    pub cct_k: Option<f64>,
    /// Its melanopic daylight efficacy ratio.
    pub melanopic_der: Option<f64>,
    /// Why it is not used; none where it is.
    pub unused: Option<String>,
}

/// A curve's points, with the names of its columns.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// `wavelength_nm`, `time_ms`, `time_min`.
    pub x: String,
    /// `irradiance_w_per_m2_nm`, `flux_w_per_nm`, `light_over_mean`, `net_illuminance_lx`,
    /// `net_flux_lm`.
    pub y: String,
    /// The points, x rising.
    pub points: Vec<(f64, f64)>,
}

/// One figure: exactly one of `value`, `word`, `at_most`, `at_least`, `withheld`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Figure {
    /// What `account` takes.
    pub id: String,
    /// Its name.
    pub name: String,
    /// Its unit; empty for a bare number or a word.
    pub unit: String,
    /// Its value.
    pub value: Option<f64>,
    /// U = 2 u, where terms of uncertainty are known.
    pub expanded: Option<f64>,
    /// A class or another word.
    pub word: Option<String>,
    /// Not seen; it is not above this.
    pub at_most: Option<f64>,
    /// Only a bound from below is known.
    pub at_least: Option<f64>,
    /// Why there is none.
    pub withheld: Option<String>,
    /// Remarks without which it must not be read.
    pub marks: Vec<String>,
    /// The sources of its uncertainty, each with u (k = 1).
    pub terms: Vec<(String, f64)>,
    /// What it is.
    pub meaning: String,
    /// Whose definition it follows.
    pub standard: String,
}
