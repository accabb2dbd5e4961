//! The kinds of test beside the survey, as understood: what each measures, and
//! how the lamp is looked at meanwhile.
//!
//! All of them set the lamp to settings and watch it by an illuminance meter
//! from one place (a position on the rail, or inside the sphere); that meter
//! sees levels, warming and drift, whichever meter then measures.

use photometry::units::{Length, Ratio, Span};
use serde::{Deserialize, Serialize};

use super::intent::{Settings, WarmUp};

/// How the lamp is set and watched.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sight {
    /// The settings to measure.
    pub settings: Settings,
    /// Where the meters stand; none where there is no axis.
    pub at: Option<Length>,
    /// The illuminance meter that watches, by name; none when the only fitting
    /// one is meant.
    pub watched_by: Option<String>,
    /// Rest after a move, when longer than the rail's own.
    pub settle: Option<Span>,
    /// How the lamp is warmed up.
    pub warm_up: WarmUp,
    /// Readings of the watching meter at each reference visit.
    pub readings: u16,
    /// A leg that drifts by more is measured again, once.
    pub drift_limit: Ratio,
    /// A leg that drifts by more fails the test.
    pub give_up: Ratio,
}

/// Spectra.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SpectrumTest {
    /// How the lamp is set and watched.
    pub sight: Sight,
    /// The spectroradiometer by name; none when the only fitting one is meant.
    pub meter: Option<String>,
    /// Spectra at each setting.
    pub captures: u16,
    /// Spectra with the meter covered, integrated as long, at each setting.
    pub dark: u16,
    /// Longest integration.
    pub longest: Span,
}

/// Waveforms.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FlickerTest {
    /// How the lamp is set and watched.
    pub sight: Sight,
    /// The waveform photometer by name; none when the only fitting one is meant.
    pub meter: Option<String>,
    /// Length of a capture.
    pub length: Span,
    /// Time between samples.
    pub step: Span,
    /// Time between the samples of the second capture, which tells real lines
    /// from folded ones; none for no second capture.
    pub other_step: Option<Span>,
    /// Captures at the first of both rates, at least one: how far they lie apart is in
    /// U. Bundles of before had one.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub captures: u16,
    /// Captures with the meter covered, before.
    pub dark: u16,
    /// A capture long enough for the short-term severity PstLM (180 s after 20 s
    /// of settling) is made as well.
    pub severity: bool,
}

const fn one() -> u16 {
    1
}

fn is_one(captures: &u16) -> bool {
    *captures == one()
}

/// Luminous flux in a sphere, against that of its reference lamp.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FluxTest {
    /// How the lamp is set and watched: by the sphere's photometer, from no
    /// position.
    pub sight: Sight,
    /// Readings with nothing lit, for each of the two lamps that hang there.
    pub dark: u16,
    /// The meter of power by name; none when the only fitting one is meant, if
    /// there is one. Flux over power is the efficacy.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub power_meter: Option<String>,
    /// Spectra of everything that is read: the flux is then the spectroradiometer's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spectra: Option<SpectraAsked>,
}

/// Light against time while the lamp runs a program by itself.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RampTest {
    /// How the lamp is watched; its settings are none.
    pub sight: Sight,
    /// The program's name in the lamp file.
    pub program: String,
    /// Other illuminance meters that record as well, by name.
    pub beside: Vec<String>,
    /// From one reading to the next.
    pub every: Span,
    /// The lamp is off for so long before.
    pub soak: Span,
    /// From the first reading to the program's start.
    pub lead: Span,
    /// Recorded after the program's end.
    pub after: Span,
    /// How often it is recorded.
    pub times: u16,
    /// When the lamp's alarm is set for, a minute of the day; for a program that
    /// an alarm starts.
    pub alarm: Option<u16>,
    /// Readings with the lamp off, before each.
    pub dark: u16,
    /// The lamp is watched after the end until its light is stable.
    pub hold: bool,
    /// Spectra of the light in which a sunrise ends; none where none are asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spectra: Option<SpectraAsked>,
    /// Spectra while it is recorded; none where none are asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on_the_way: Option<WaySpectra>,
}

/// Spectra on the way of a program, at a beat of their own.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WaySpectra {
    /// The spectroradiometer by name; none when the only fitting one is meant.
    pub meter: Option<String>,
    /// From one to the next.
    pub every: Span,
    /// Spectra with the meter covered afterwards, at least two, for each integration
    /// that was used.
    pub dark: u16,
    /// Longest integration.
    pub longest: Span,
}

/// Spectra of the light as it is: right after a recording, before the lamp is watched
/// on; in a sphere, of each of the lights that are read there.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SpectraAsked {
    /// The spectroradiometer by name; none when the only fitting one is meant.
    pub meter: Option<String>,
    /// Spectra, at least one.
    pub captures: u16,
    /// Spectra with the meter covered, integrated as long, at least one.
    pub dark: u16,
    /// Longest integration.
    pub longest: Span,
}

/// The lamp switched off: the light of its display over time, and its power.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StandbyTest {
    /// How the lamp is watched; its settings are those at which operating power
    /// is read. No `at`: the nearest position to 6 in that the rail can reach.
    pub sight: Sight,
    /// The meter of power by name; none when the only fitting one is meant, if
    /// there is one.
    pub power_meter: Option<String>,
    /// The lamp is watched for so long after it was switched off.
    pub watch: Span,
    /// From one reading to the next.
    pub every: Span,
    /// Readings with the meter covered.
    pub dark: u16,
    /// Readings with the lamp's outlet off, where it hangs on one; zero leaves it
    /// plugged in.
    pub ambient: u16,
}
