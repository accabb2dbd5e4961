//! The account of a figure as data: plain, complete, the same for people and
//! programs. Units stand in the names; times are UTC after RFC 3339.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// The full story of one printed figure.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Account {
    /// The figure's id.
    pub id: String,
    /// What it is, in a sentence.
    pub what: String,
    /// What is printed of it; ambient light has two, before and after.
    pub values: Vec<Stated>,
    /// What must be known of it.
    pub flags: Vec<String>,
    /// Where the plan asks for it.
    pub plan: Option<PlanPlace>,
    /// How it comes about, step by step, with numbers.
    pub steps: Vec<String>,
    /// One row for each reading in the mean.
    pub corrections: Vec<Correction>,
    /// Readings that a person set aside, which would be in it or behind a
    /// correction.
    #[serde(default)]
    pub set_aside: Vec<AsideTold>,
    /// Visits to the reference position that the drift was judged by.
    pub visits: Vec<VisitTold>,
    /// Where its uncertainty comes from.
    pub budget: Vec<BudgetLine>,
    /// The raw readings behind it.
    pub readings: Vec<Group>,
    /// Events other than readings that it rests on, as the journal has them.
    pub events: Vec<EventTold>,
    /// Figures that it rests on; each has an account of its own.
    pub rests_on: Vec<RestsOn>,
    /// The ruling, where it is one.
    pub ruling: Option<RulingTold>,
    /// Meters, each with the certificate that was in force.
    pub meters: Vec<MeterTold>,
    /// Which lamp stood where.
    pub placement: PlacementTold,
    /// The journal that covers it.
    pub journal: JournalTold,
}

/// A printed value.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Stated {
    /// Which of several; empty for the only one.
    pub label: String,
    /// As it is printed.
    pub shown: String,
    /// All digits; none where there is no value.
    pub value: Option<f64>,
    /// U = k u, all digits.
    pub expanded: Option<f64>,
    /// The coverage factor k of `expanded`.
    pub coverage_factor: Option<f64>,
    /// The unit of both.
    pub unit: String,
}

/// Readings that a person set aside.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct AsideTold {
    /// The number of the remark.
    pub remark: u64,
    /// Who set them aside.
    pub who: String,
    /// Why.
    pub because: String,
    /// When, UTC.
    pub at_utc: String,
    /// The readings, by event and key.
    pub readings: Vec<String>,
}

/// A place in a file that the run froze, or that was sent along to rule by.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanPlace {
    /// The file's name.
    pub file: String,
    /// The line, from 1.
    pub line: u32,
    /// SHA-256 of the file's text.
    #[serde(default)]
    pub digest: String,
    /// That line and what stands below it, as frozen.
    pub text: String,
}

/// One reading's way into the mean.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Correction {
    /// Whose: the id of the figure, in the account of a ruling.
    #[serde(default)]
    pub figure: String,
    /// What it was multiplied by before all else: another certificate's gain.
    #[serde(default)]
    pub gain: Option<f64>,
    /// The event that holds it.
    pub seq: u64,
    /// As it came, in lux.
    pub raw_lx: f64,
    /// What was taken off, in lux.
    pub subtracted_lx: f64,
    /// Where that comes from: the id of its figure.
    pub subtracted_from: Option<String>,
    /// What was left, in lux.
    pub net_lx: f64,
    /// The reference at the leg's first visit, in lux.
    pub reference_first_lx: Option<f64>,
    /// The reference at the reading's moment, in lux.
    pub reference_now_lx: Option<f64>,
    /// The one over the other.
    pub factor: Option<f64>,
    /// Corrected, in lux.
    pub corrected_lx: f64,
}

/// A visit to the reference position.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct VisitTold {
    /// Mean time of its readings, in seconds on the sitting's monotonic clock.
    pub at_mono_s: f64,
    /// How many breaks came before it; nothing is interpolated across one.
    pub stretch: usize,
    /// Mean net light in lux; none when a reading has no value.
    pub lx: Option<f64>,
    /// It is one of the leg's own: others only correct by.
    pub own: bool,
    /// The events that hold its readings.
    pub seqs: Vec<u64>,
}

/// One source of uncertainty.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BudgetLine {
    /// Where it comes from.
    pub source: String,
    /// Standard uncertainty in the figure's unit.
    pub u: Option<f64>,
    /// Its share of the variance, in per cent.
    pub share_percent: Option<f64>,
    /// Degrees of freedom; none for infinitely many.
    pub dof: Option<f64>,
}

/// Raw readings of one kind.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Group {
    /// What they are.
    pub title: String,
    /// The readings, in order.
    pub readings: Vec<RawTold>,
}

/// One raw reading.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RawTold {
    /// The number of its event.
    pub seq: u64,
    /// What was measured.
    pub key: String,
    /// Which attempt at its action.
    pub attempt: u32,
    /// Which life of the daemon.
    pub sitting: u32,
    /// When, UTC.
    pub taken_utc: String,
    /// When, in seconds on the sitting's monotonic clock.
    pub taken_mono_s: f64,
    /// The meter's answer, byte for byte, with what cannot be printed escaped.
    pub raw: String,
    /// `512.3 lx`, `over 2000 lx`, `timed out`, ...
    pub outcome: String,
    /// The upper end of the meter's range.
    pub range_lx: Option<f64>,
    /// The driver's remarks.
    pub flags: Vec<String>,
    /// `counts`, `superseded`, ...
    pub standing: String,
}

/// An event that is no reading.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct EventTold {
    /// Its number.
    pub seq: u64,
    /// When, UTC.
    pub at_utc: String,
    /// Its line in the journal.
    pub line: String,
}

/// A figure that another rests on.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RestsOn {
    /// Its id.
    pub id: String,
    /// Its printed value.
    pub shown: String,
}

/// A ruling, or the figure of a metric.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RulingTold {
    /// Its name in the plan.
    pub name: String,
    /// `pass` and the other four; none of a metric.
    pub word: Option<String>,
    /// Why.
    pub reason: String,
    /// The limit, in words.
    pub limit: String,
    /// The decision rule.
    pub rule: String,
    /// The script's name.
    pub script: String,
    /// SHA-256 of its text.
    pub script_digest: String,
    /// Its text, as it ruled.
    pub script_text: String,
    /// Its parameters, defaults too.
    pub given: BTreeMap<String, String>,
    /// Which round of the run's rulings.
    pub round: i64,
    /// Why that round was made.
    pub cause: String,
    /// When, UTC.
    pub ruled_utc: String,
    /// Another certificate than the run's.
    pub certificate: Option<String>,
}

/// A meter.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct MeterTold {
    /// Its name on the bench.
    pub name: String,
    /// Its serial number, as the bench file demands it.
    pub serial: Option<String>,
    /// The certificate in force when it read.
    pub certificate: String,
    /// The day after which that no longer holds.
    pub due: String,
    /// Its terms of uncertainty as the bench file states them.
    pub terms: Vec<String>,
    /// The profile that it was spoken to by, the SHA-256 of its text, and the values
    /// that the bench file gave to its settings; none in runs from before there were
    /// profiles.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile: Option<String>,
}

/// Which lamp stood where.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlacementTold {
    /// The model.
    pub lamp: String,
    /// The unit.
    pub unit: String,
    /// Its firmware.
    pub firmware: Option<String>,
    /// The bench.
    pub bench: String,
    /// The place on it.
    pub place: String,
    /// The carriage's coordinate at which the position is zero, and how well
    /// that is known (k = 1).
    pub datum: String,
    /// The gauge block, where one was used.
    pub gauge: Option<String>,
    /// Which finger sat on which button.
    pub fingers: Vec<String>,
    /// Who placed it.
    pub who: String,
    /// Since when, UTC.
    pub since_utc: String,
}

/// What proves that nothing was changed since.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct JournalTold {
    /// The run.
    pub run: i64,
    /// The program that froze the run.
    pub program: String,
    /// The program that computed the figure and this account.
    pub computed_by: String,
    /// SHA-256 of everything that the run froze: the chain's beginning.
    pub bundle: String,
    /// The last event that the figure rests on.
    pub seq: u64,
    /// The link of the chain after it: covers the bundle and every event up to
    /// it.
    pub link: String,
    /// The last event of the run so far.
    pub last_seq: u64,
    /// The link after that one.
    pub last_link: String,
}
