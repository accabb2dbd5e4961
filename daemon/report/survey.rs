//! The figures of a survey, as data. What each correction is, and in which
//! order, is said in [`super::gather`].

use std::collections::BTreeMap;

use photometry::uncertainty::Estimate;
use photometry::units::{Length, LengthUnit, Ratio, Span};
use serde::Serialize;

use crate::plan::placement::Stated;

use super::background::{Background, Subtracted};
use super::reference::{Brought, Visit};

/// Coverage factor of every expanded uncertainty that is shown: about 95 %.
pub const K: f64 = 2.0;

/// One survey of one run.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SurveyFigures {
    /// The test's name.
    pub test: String,
    /// What it was measured on and with.
    pub heading: Heading,
    /// How lengths are shown.
    pub lengths: LengthUnit,
    /// What was subtracted from each lit reading.
    pub net_of: NetOf,
    /// One for each setting, in the order of measuring.
    pub settings: Vec<SettingFigures>,
    /// The meter covered.
    pub dark: Option<Background>,
    /// The lamp off, ascending by position.
    pub ambient: Vec<AmbientFigure>,
    /// Where the home switch was found at the end against where it was
    /// expected; near zero proves that no step was lost.
    pub home_offset: Option<Length>,
    /// The largest offset that proves it.
    pub home_tolerance: Option<Length>,
    /// Something that the itinerary asked for is not measured (yet).
    pub unfinished: bool,
    /// What failed in this test, in words: figures may stand that it puts in
    /// doubt.
    pub failures: Vec<String>,
    /// Readings beside the points (dark, ambient, reference) that a person set
    /// aside, in words.
    pub set_aside: Vec<String>,
}

/// What was measured, on what, with what.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Heading {
    /// The plan's name.
    pub plan: String,
    /// The lamp model.
    pub lamp: String,
    /// The unit.
    pub unit: String,
    /// Its firmware.
    pub firmware: Option<String>,
    /// The bench.
    pub bench: String,
    /// The meter.
    pub meter: String,
    /// Its certificate.
    pub certificate: Option<String>,
    /// The sensor that stands still and tells the lamp's drift, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fixed_sensor: Option<String>,
    /// What positions are measured from, in words.
    pub datum: &'static str,
    /// Nearer than this (5 times the largest dimension of the face) the light
    /// does not fall as the inverse square.
    pub near_field: Length,
    /// Who placed the unit.
    pub placed_by: String,
    /// What that person states of it and the room, in words; not measured.
    pub stated: BTreeMap<Stated, String>,
}

impl Heading {
    /// What corrects the lamp's drift, as a person reads it.
    pub fn drift_by(&self) -> String {
        match &self.fixed_sensor {
            Some(sensor) => format!("the fixed sensor `{sensor}`, read beside each reading"),
            None => "the reference visits".to_owned(),
        }
    }
}

/// What was subtracted from lit readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum NetOf {
    /// The light without the lamp, interpolated in time.
    Ambient,
    /// The meter's own reading in the dark: nothing is known of stray light
    /// from elsewhere.
    Dark,
    /// Nothing.
    Nothing,
}

impl NetOf {
    /// As a person reads it.
    pub const fn words(self) -> &'static str {
        match self {
            NetOf::Ambient => {
                "net of ambient light (lamp off, before and after, interpolated in time)"
            }
            NetOf::Dark => "net of the meter's dark reading; no ambient reading counts",
            NetOf::Nothing => "as read (no dark and no ambient reading counts)",
        }
    }
}

/// The lamp off at one position.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AmbientFigure {
    /// Where.
    pub position: Length,
    /// Before the lit readings.
    pub before: Option<Background>,
    /// After them.
    pub after: Option<Background>,
}

/// One setting.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SettingFigures {
    /// Its key.
    pub setting: String,
    /// As a person reads it.
    pub shown: String,
    /// Ascending by position.
    pub points: Vec<PointFigure>,
    /// Last reference visit over the first, minus one.
    pub drift: Option<Ratio>,
    /// What a sensor that stands still leaves of it: that of carriage and meter, which is
    /// then what has the limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub left_over: Option<Ratio>,
    /// The drift was over its limit, twice; it stands, flagged.
    pub drift_flagged: bool,
    /// The reference visits that the correction rests on.
    pub visits: usize,
    /// How each warm-up at this setting ended, in order.
    pub warm_up: Vec<WarmUpFigure>,
    /// The reference visits themselves; told by accounts only.
    #[serde(skip)]
    pub reference: Vec<Visit>,
}

/// How a warm-up ended.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WarmUpFigure {
    /// The rule passed.
    pub stable: bool,
    /// The spread, or the predicted drift, at the end.
    pub figure: Option<Ratio>,
    /// Which of them.
    pub by: String,
    /// How long the lamp was at this level.
    pub after: Span,
    /// How fast the light still fell, per hour, when it only fell.
    pub decline_per_hour: Option<Ratio>,
    /// It was repeated after a seam.
    pub after_seam: bool,
    /// The event that decided it; told by accounts only.
    #[serde(skip)]
    pub seq: u64,
}

/// One setting at one position.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct PointFigure {
    /// Where.
    pub position: Length,
    /// The corrected illuminance in lux; none when a reading was over or under
    /// range, or none has a value.
    pub estimate: Option<Estimate>,
    /// U = 2 u in lux.
    pub expanded_lx: Option<f64>,
    /// Readings with a value.
    pub n: usize,
    /// Standard deviation of the corrected readings, in lux.
    pub sd_lx: Option<f64>,
    /// Mean of the readings as they came, in lux.
    pub mean_raw_lx: Option<f64>,
    /// Readings over range.
    pub over: usize,
    /// The lowest limit that one was over, in lux.
    pub over_lx: Option<f64>,
    /// Readings under range.
    pub under: usize,
    /// The highest limit that one was under, in lux.
    pub under_lx: Option<f64>,
    /// Readings asked for and not there.
    pub missing: usize,
    /// What else must be known of it, in words; nothing is ruled on it then.
    pub flags: Vec<String>,
    /// Why readings were set aside, one for each of them. The mean of those
    /// that are left is as good as its U, so this is no flag.
    pub set_aside: Vec<String>,
    /// How each reading with a value came into the mean, in order; told by
    /// accounts only.
    #[serde(skip)]
    pub parts: Vec<Part>,
}

/// One reading on its way into a mean. The mean of the `lux` of all of them is
/// the figure, to the last bit.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// The event that holds it.
    pub seq: u64,
    /// As it came, in lux.
    pub raw_lx: f64,
    /// What was taken off.
    pub subtracted: Option<Subtracted>,
    /// What was left, in lux.
    pub net_lx: f64,
    /// What it was multiplied by; none without a reference visit.
    pub brought: Option<Brought>,
    /// Corrected, in lux.
    pub lux: f64,
}

impl PointFigure {
    /// What must be known beside the value: flags, and what was set aside.
    pub fn remarks(&self) -> Vec<String> {
        let mut remarks = self.flags.clone();
        remarks.extend(set_aside_words(&self.set_aside));
        remarks
    }

    /// `value`, `over`, `under`, `set aside` or `not measured`.
    pub fn status(&self) -> &'static str {
        if self.over > 0 {
            "over"
        } else if self.under > 0 {
            "under"
        } else if self.estimate.is_some() {
            "value"
        } else if !self.set_aside.is_empty() {
            "set aside"
        } else {
            "not measured"
        }
    }
}

/// `1 reading set aside: the door was open`; equal reasons together, in order.
fn set_aside_words(reasons: &[String]) -> Vec<String> {
    let mut said: Vec<(&String, usize)> = Vec::new();
    for reason in reasons {
        match said.iter_mut().find(|(known, _)| *known == reason) {
            Some((_, count)) => *count += 1,
            None => said.push((reason, 1)),
        }
    }
    let words = |(reason, count): (&String, usize)| match count {
        1 => format!("1 reading set aside: {reason}"),
        _ => format!("{count} readings set aside: {reason}"),
    };
    said.into_iter().map(words).collect()
}
