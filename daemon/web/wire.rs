//! The only types that cross HTTP. They stay apart from those of the plan, so
//! that one can change without the other. Units stand in the names.
//!
//! Called by: web (writes them), cli (reads them). Times are given twice: UTC
//! after RFC 3339 for people, whole microseconds since 1970 for programs.

use std::collections::BTreeMap;

use photometry::units::Wall;
pub mod figures;

use serde::{Deserialize, Serialize};

/// `GET /morning`; times are those of the bench's clock, with its offset.
pub use crate::queue::sheets::morning::Morning;
/// `GET /tonight`; times as in [`Morning`].
pub use crate::queue::sheets::tonight::Tonight;
/// `GET /accounts/{id}`: made for this alone, and the same on both sides.
pub use crate::report::account::Account;

/// A file as the user wrote it; never a path.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Text {
    /// Its name, without folders.
    pub name: String,
    /// What it says.
    pub text: String,
}

/// An instant of civil time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Instant {
    /// `2026-11-25T21:04:05.123Z`
    pub utc: String,
    /// Microseconds since 1970-01-01 00:00 UTC.
    pub us: i64,
}

impl Instant {
    /// From civil time.
    pub fn at(wall: Wall) -> Instant {
        Instant {
            utc: utc(wall),
            us: wall.us(),
        }
    }
}

/// RFC 3339 in UTC, to the millisecond: days by the civil-from-days method of
/// the proleptic Gregorian calendar (ISO 8601).
pub fn utc(wall: Wall) -> String {
    let millis = wall.us().div_euclid(1_000);
    let (days, in_day) = (millis.div_euclid(86_400_000), millis.rem_euclid(86_400_000));
    let shifted = days + 719_468;
    let era = shifted.div_euclid(146_097);
    let of_era = shifted.rem_euclid(146_097);
    let year_of_era = (of_era - of_era / 1_460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let shifted_month = (5 * of_year + 2) / 153;
    let day = of_year - (153 * shifted_month + 2) / 5 + 1;
    let month = if shifted_month < 10 {
        shifted_month + 3
    } else {
        shifted_month - 9
    };
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    let (hour, minute) = (in_day / 3_600_000, in_day / 60_000 % 60);
    let (second, milli) = (in_day / 1_000 % 60, in_day % 1_000);
    format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}.{milli:03}Z")
}

/// `GET /health`
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Health {
    /// The program's version.
    pub version: String,
    /// The daemon's process.
    pub pid: u32,
    /// The seed, when every device is simulated.
    pub rehearsal: Option<u64>,
    /// Bench time.
    pub now: Instant,
}

/// One row of `GET /benches`
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Bench {
    /// Its name.
    pub name: String,
    /// The run at work there.
    pub run: Option<i64>,
    /// Why it takes no run, when it does not.
    pub out_of_service: Option<String>,
    /// Its places.
    pub places: Vec<String>,
    /// The names of its fingers.
    pub fingers: Vec<String>,
}

/// `POST /placements`
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Place {
    /// The unit.
    pub unit: String,
    /// Its model's file.
    pub lamp: Text,
    /// The bench, unless there is one only.
    pub bench: Option<String>,
    /// The place, unless it is clear.
    pub place: Option<String>,
    /// The firmware revision.
    pub firmware: Option<String>,
    /// The gauge block, as written: `6 in`.
    pub gauge: Option<String>,
    /// The carriage's coordinate while the gauge was used, as written.
    pub carriage_at: Option<String>,
    /// Finger by button.
    pub fingers: BTreeMap<String, String>,
    /// Who placed it.
    pub who: String,
    /// What that person states, words by item: `supply`, `air-temperature`,
    /// `hours-run`, `orientation`.
    #[serde(default)]
    pub stated: BTreeMap<String, String>,
}

/// A placement, as recorded.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Placement {
    /// The unit.
    pub unit: String,
    /// The lamp model.
    pub lamp: String,
    /// Its firmware.
    pub firmware: Option<String>,
    /// The bench.
    pub bench: String,
    /// The place.
    pub place: String,
    /// Coordinate at which the position is zero.
    pub datum_m: f64,
    /// Its standard uncertainty (k = 1).
    pub datum_uncertainty_m: f64,
    /// The gauge block, when one was used.
    pub gauge_m: Option<f64>,
    /// Finger by button.
    pub fingers: BTreeMap<String, String>,
    /// Who placed it.
    pub who: String,
    /// Since when.
    pub since: Instant,
    /// What that person states, words by item.
    #[serde(default)]
    pub stated: BTreeMap<String, String>,
    /// What ended by it: a unit that stood there before.
    pub replaced: Option<String>,
    /// Runs of this unit that were held for want of it; `release` them.
    pub held_runs: Vec<i64>,
}

/// `POST /runs`, with an `Idempotency-Key`
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Book {
    /// The plan.
    pub plan: Text,
    /// The plan that it is based on, when it is.
    pub based_on: Option<Text>,
    /// The unit.
    pub unit: String,
    /// The bench, unless there is one only.
    pub bench: Option<String>,
    /// The lamp file, for a unit that was never placed.
    pub lamp: Option<Text>,
    /// Book it held.
    pub hold: bool,
    /// The script files that the plan names.
    #[serde(default)]
    pub scripts: Vec<Text>,
}

/// A run is to be ruled on again.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Rule {
    /// A plan whose criteria and metrics stand in place of the run's own.
    pub plan: Option<Text>,
    /// The plan that it is based on.
    pub based_on: Option<Text>,
    /// The script files that it names.
    #[serde(default)]
    pub scripts: Vec<Text>,
    /// Another certificate.
    pub certificate: Option<Certificate>,
}

/// A certificate in place of the one that a run froze.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Certificate {
    /// Its number.
    pub number: String,
    /// What readings are multiplied by; 1, if none, and then it has a `u_percent`.
    #[serde(default)]
    pub gain: Option<f64>,
    /// Its standard uncertainty (k = 1), in per cent.
    pub u_percent: Option<f64>,
}

/// `POST /runs/{run}/tries`: a script to be tried on a run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Try {
    /// The script.
    pub script: Text,
    /// Its parameters as written.
    #[serde(default)]
    pub given: BTreeMap<String, String>,
    /// The test that it looks at; none: every survey.
    #[serde(default)]
    pub test: Option<String>,
}

/// What a criterion ruled or a metric gave.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ruling {
    /// Its short id, `12.r3`.
    pub id: String,
    /// The run.
    pub run: i64,
    /// Which round of the run, from 1.
    pub round: i64,
    /// It is of the newest round that the same plan and certificate made.
    pub latest: bool,
    /// The run's own plan ruled, under its own certificate.
    #[serde(default)]
    pub own: bool,
    /// What ruled, in words: which plan, which certificate.
    #[serde(default)]
    pub by: String,
    /// Why the round was made.
    pub cause: String,
    /// The criterion's or metric's name in the plan.
    pub name: String,
    /// It is a metric: it has no word.
    pub metric: bool,
    /// The test.
    pub test: String,
    /// `pass`, `conditional pass`, `conditional fail`, `fail`, `undecided`.
    pub word: Option<String>,
    /// The value; none where nothing is known.
    pub value: Option<f64>,
    /// Its expanded uncertainty.
    pub expanded: Option<f64>,
    /// The unit of value and limit.
    pub unit: String,
    /// Value, U and unit as a person reads them; `not known` without a value.
    pub shown: String,
    /// The limit in words.
    pub limit: String,
    /// The decision rule.
    pub rule: String,
    /// What there is to say.
    pub reason: String,
    /// The script.
    pub script: String,
    /// SHA-256 of its text.
    pub script_digest: String,
    /// Its parameters.
    pub given: BTreeMap<String, String>,
    /// Ids of the figures that it rests on.
    pub rests_on: Vec<String>,
    /// The run was not over.
    pub unfinished: bool,
    /// Other readings are set aside now than when it was made.
    #[serde(default)]
    pub outdated: bool,
    /// Another certificate than the run's, in words.
    pub certificate: Option<String>,
    /// The version of the program.
    pub program: String,
    /// When.
    pub ruled: Instant,
}

/// A run's report.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// The whole page.
    pub html: String,
}

/// What was booked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Booked {
    /// The run, with its number.
    pub run: Run,
    /// How long it takes: least.
    pub least_s: f64,
    /// How long it takes: likely.
    pub likely_s: f64,
    /// How long it takes: most.
    pub most_s: f64,
    /// The hours in which it measures: `22:00 to 05:30`.
    pub window: Option<String>,
    /// What the plan asked for and cannot be had here.
    pub left_out: Vec<String>,
    /// The same request was answered before; nothing new was booked.
    pub repeated: bool,
    /// What of another run is measured again, a line for each test.
    #[serde(default)]
    pub again: Vec<String>,
    /// What may go wrong; the run is booked all the same.
    #[serde(default)]
    pub warnings: Vec<String>,
    /// The plan's other part: a run that is held until its unit stands there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub other_part: Option<OtherPart>,
}

/// The part of a plan that is measured at another place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OtherPart {
    /// Its run.
    pub run: i64,
    /// The bench that has such a place.
    pub bench: String,
    /// Its tests.
    pub tests: Vec<String>,
    /// `in an integrating sphere`, `outside a sphere`.
    pub place: String,
}

/// `POST /runs/{id}/redo`, with an `Idempotency-Key`; all lists empty: what is
/// missing or failed.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Redo {
    /// Names of tests.
    pub tests: Vec<String>,
    /// Keys of settings, `L07`.
    pub settings: Vec<String>,
    /// Positions, in any unit.
    pub positions: Vec<String>,
    /// Book it held.
    pub hold: bool,
}

/// A run in one row.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Run {
    /// Its number.
    pub run: i64,
    /// `waiting`, `measuring`, `held`, `complete`, ...
    pub state: String,
    /// Nothing more will happen in it.
    pub is_over: bool,
    /// Why it waits, when it does.
    pub why: Option<String>,
    /// The open question, when there is one.
    pub asks: Option<String>,
    /// The plan.
    pub plan: String,
    /// The lamp model.
    pub lamp: String,
    /// The unit.
    pub unit: String,
    /// The bench.
    pub bench: String,
    /// Actions done.
    pub actions_done: i64,
    /// Actions in all.
    pub actions: i64,
    /// Readings taken.
    pub readings: i64,
    /// When it was booked.
    pub booked: Instant,
    /// When it began.
    pub begun: Option<Instant>,
    /// When it ended.
    pub ended: Option<Instant>,
    /// The run that it measures again.
    #[serde(default)]
    pub redo_of: Option<i64>,
}

/// `GET /runs/{id}`
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RunStory {
    /// Its row.
    pub run: Run,
    /// The tests: name, where they were written.
    pub tests: Vec<TestLine>,
    /// The hours in which it measures.
    pub window: Option<String>,
    /// What was left out.
    pub left_out: Vec<String>,
    /// What of the plan is measured at another place, in a run of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub elsewhere: Option<String>,
    /// How the bench was left the last time.
    pub bench_left: Option<String>,
    /// What was decided, and what failed, in words.
    pub remarks: Vec<String>,
    /// What people said of it: notes, and readings set aside.
    #[serde(default)]
    pub notes: Vec<Remark>,
    /// The digest of what was frozen at booking.
    pub bundle: String,
}

/// A test of a run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TestLine {
    /// Its name.
    pub test: String,
    /// The file that asks for it.
    pub file: String,
    /// The line of that file.
    pub line: u32,
    /// The meter.
    pub meter: String,
}

/// A row of `GET /runs/{id}/journal`, and the data of a `journal` event.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Counts the run's events, from 1.
    pub seq: u64,
    /// When.
    pub at: Instant,
    /// Seconds on the sitting's clock.
    pub mono_s: f64,
    /// `begun`, `started`, `taken`, ...
    pub kind: String,
    /// The action.
    pub no: Option<i64>,
    /// The attempt at it.
    pub attempt: u32,
    /// The daemon's life.
    pub sitting: u32,
    /// What happened, as a sentence.
    pub says: String,
    /// The reading, when one was taken.
    pub reading: Option<EntryReading>,
    /// The question, when one was asked.
    pub asks: Option<String>,
}

/// The reading of an entry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EntryReading {
    /// The test.
    pub test: String,
    /// The setting as a person reads it.
    pub setting: String,
    /// The position as a person reads it.
    pub position: String,
    /// `read`, `dark`, `warm-up`, ...
    pub what: String,
    /// The value, if there is one.
    pub illuminance_lx: Option<f64>,
    /// `value`, `over`, `under`, `timed out`, `rejected`.
    pub status: String,
    /// The point's last reading: its mean can be told.
    pub ends_point: bool,
}

/// The data of a `progress` event.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Progress {
    /// The run's state.
    pub state: String,
    /// Nothing more will happen.
    pub is_over: bool,
    /// Actions done.
    pub actions_done: i64,
    /// Actions in all.
    pub actions: i64,
    /// Bench time still needed, as likely; none before it begins.
    pub remaining_s: Option<f64>,
    /// Bench time.
    pub now: Instant,
    /// Bench time is simulated.
    pub rehearsal: bool,
    /// Why it waits.
    pub why: Option<String>,
    /// The open question.
    pub asks: Option<String>,
    /// Why its bench does nothing more in this life of the daemon; the stream
    /// ends with it.
    pub out_of_service: Option<String>,
}

/// `POST /runs/{id}/answer`
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Answer {
    /// The answer's words.
    pub text: String,
}

/// `POST /runs/{id}/notes`
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// What there is to say.
    pub text: String,
    /// Who says it.
    pub who: String,
}

/// `POST /runs/{id}/set-aside`, and `/take-back`, which undoes it
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SetAside {
    /// A reading, `levels/L07/24 in/read/1`, or a whole point, `levels/L07/24 in`
    /// or the id of its figure, `7.levels.L07@24in`.
    pub key: String,
    /// Which attempt, where the key was read more than once.
    pub attempt: Option<u32>,
    /// Why.
    pub because: String,
    /// Who says so.
    pub who: String,
}

/// What a person said of a run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Remark {
    /// The run.
    pub run: i64,
    /// Counts the run's remarks, from 1.
    pub no: u64,
    /// `note`, `set aside` or `taken back`.
    pub kind: String,
    /// The note, or the reason.
    pub text: String,
    /// The readings that were set aside, by run and key.
    pub readings: Vec<String>,
    /// Who.
    pub who: String,
    /// When.
    pub at: Instant,
}

/// A piece of kept traffic, of `GET /runs/{id}/traffic`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Piece {
    /// The run.
    pub run: i64,
    /// The device.
    pub device: String,
    /// Counts the device's pieces, from 1.
    pub no: u64,
    /// Which life of the daemon, from 1.
    pub sitting: u32,
    /// Its first and last bytes went so long after the run began.
    pub from_s: f64,
    /// See `from_s`.
    pub to_s: f64,
    /// Bytes in it.
    pub bytes: u64,
    /// Bytes before it that went over the link and are in no piece.
    pub missing_before_bytes: u64,
    /// Bytes after it that came too fast to be kept.
    pub missing_after_bytes: u64,
    /// The limit of what is kept was reached: nothing of it and after it.
    pub is_full: bool,
    /// Under which its text is asked for.
    pub digest: String,
}

/// `GET /runs/{id}/traffic/{digest}`
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PieceText {
    /// Lines of a session, a comment first.
    pub text: String,
}

/// A row of `GET /runs/{id}/readings`. The order of the fields is the order
/// of the columns.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// The run.
    pub run: i64,
    /// The event that recorded it.
    pub seq: u64,
    /// The test.
    pub test: String,
    /// The setting's key.
    pub setting: String,
    /// From the lamp's datum to the meter's reference plane.
    pub position_m: f64,
    /// `read`, `dark`, `ambient`, `reference`, ...
    pub what: String,
    /// Counts readings of the same kind at the same place.
    pub visit: u32,
    /// Which attempt at the action.
    pub attempt: u32,
    /// Which life of the daemon.
    pub sitting: u32,
    /// It is the result of its key; otherwise a later one took its place, or
    /// it was set aside.
    pub counts: bool,
    /// `value`, `over`, `under`, `timed out`, `rejected`, `set aside`.
    pub status: String,
    /// What was measured.
    pub quantity: String,
    /// The value; empty unless the status is `value`, or the reading was set
    /// aside with one.
    pub illuminance_lx: Option<f64>,
    /// The value where it is electric power.
    pub power_w: Option<f64>,
    /// The value where it is the air's temperature.
    pub temperature_c: Option<f64>,
    /// The limit that it is over or under.
    pub limit_lx: Option<f64>,
    /// Why it was rejected or set aside.
    pub reason: Option<String>,
    /// The upper end of the meter's range.
    pub range_lx: Option<f64>,
    /// The driver's remarks.
    pub flags: String,
    /// When, UTC.
    pub taken_utc: String,
    /// When, microseconds since 1970.
    pub taken_us: i64,
    /// When, nanoseconds on the sitting's monotonic clock.
    pub taken_mono_ns: i64,
    /// The meter.
    pub meter: String,
    /// Its calibration.
    pub certificate: String,
    /// The day after which that no longer holds.
    pub calibration_due: String,
    /// The unit.
    pub unit: String,
    /// Its firmware.
    pub firmware: Option<String>,
    /// `measured`, `entered`, `imported`.
    pub origin: String,
    /// The answer's bytes, one character each (Latin-1).
    pub raw: String,
    /// Run and key, as `set-aside` takes them.
    pub key: String,
}

/// `GET /runs/{id}/survey`: the figures, and the same as a person and a
/// spreadsheet want them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SurveyAnswer {
    /// The figures.
    pub survey: Survey,
    /// Tables and record as text.
    pub table: String,
    /// One row for each setting and position, RFC 4180.
    pub csv: String,
    /// A chart for each test.
    pub charts: Vec<Chart>,
}

/// A drawn chart.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Chart {
    /// The test.
    pub test: String,
    /// The drawing.
    pub svg: String,
}

/// The figures of a run's surveys.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Survey {
    /// The run.
    pub run: i64,
    /// Bench time from the first event to the last.
    pub bench_s: f64,
    /// One for each setting and position.
    pub cells: Vec<SurveyCell>,
    /// One for each setting and warm-up.
    pub warm_ups: Vec<WarmUp>,
    /// What must be known beside the figures.
    pub notes: Vec<String>,
}

/// The result at one setting and position.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SurveyCell {
    /// The test.
    pub test: String,
    /// The setting's key.
    pub setting: String,
    /// The position.
    pub position_m: f64,
    /// The corrected mean; none when there is no value.
    pub illuminance_lx: Option<f64>,
    /// Its expanded uncertainty (k = 2).
    pub expanded_uncertainty_lx: Option<f64>,
    /// Readings in the mean.
    pub readings: usize,
    /// `value`, `over`, `under`, `not measured`.
    pub status: String,
    /// What else must be known of it.
    pub flags: Vec<String>,
}

/// How a warm-up ended, and the drift that followed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WarmUp {
    /// The test.
    pub test: String,
    /// The setting's key.
    pub setting: String,
    /// The lamp was warm by the rule.
    pub stable: bool,
    /// By which figure.
    pub by: String,
    /// That figure, as a share of one.
    pub figure: Option<f64>,
    /// How long the lamp had been at this level.
    pub after_s: f64,
    /// How fast the light still fell, as a share of one per hour.
    pub decline_per_hour: Option<f64>,
    /// Last reference visit over the first, minus one.
    pub drift: Option<f64>,
    /// The drift was over its limit twice.
    pub drift_flagged: bool,
}

/// An error, after RFC 9457.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Problem {
    /// A stable name: `urn:wakerail:no-such-run`.
    #[serde(rename = "type")]
    pub kind: String,
    /// What failed.
    pub title: String,
    /// The HTTP status.
    pub status: u16,
    /// Why, in words.
    pub detail: String,
    /// What to do now.
    #[serde(default)]
    pub hints: Vec<String>,
}

/// Stable names of problems.
pub mod problems {
    /// A text that was sent has mistakes.
    pub const MISTAKES: &str = "urn:wakerail:mistakes";
    /// The request does not make sense.
    pub const NOT_UNDERSTOOD: &str = "urn:wakerail:not-understood";
    /// No such run.
    pub const NO_SUCH_RUN: &str = "urn:wakerail:no-such-run";
    /// No such bench, place, unit or lamp.
    pub const NO_SUCH_NAME: &str = "urn:wakerail:no-such-name";
    /// The run's state does not allow it.
    pub const WRONG_STATE: &str = "urn:wakerail:wrong-state";
    /// The request's key was used for another request.
    pub const KEY_REUSED: &str = "urn:wakerail:key-reused";
    /// The daemon is busy or leaving.
    pub const NOT_NOW: &str = "urn:wakerail:not-now";
    /// The record cannot be read or written.
    pub const RECORD: &str = "urn:wakerail:record";
    /// The request is larger than allowed, or too slow.
    pub const TOO_MUCH: &str = "urn:wakerail:too-much";
    /// A defect.
    pub const DEFECT: &str = "urn:wakerail:defect";
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Known instants: the epoch, a leap day, and the last microsecond of a
    /// year (ISO 8601 calendar; values from `date -u -d @...`).
    #[test]
    fn instants_are_told_in_utc() {
        let cases = [
            (0, "1970-01-01T00:00:00.000Z"),
            (951_782_400_000_000, "2000-02-29T00:00:00.000Z"),
            (1_767_225_599_999_999, "2025-12-31T23:59:59.999Z"),
            (-1_000, "1969-12-31T23:59:59.999Z"),
        ];
        for (us, told) in cases {
            assert_eq!(utc(Wall::from_us(us)), told);
        }
    }
}
