//! Readings as rows: what was asked, what came of it, and by which meter
//! under which calibration.

use std::sync::Arc;

use photometry::measured::{Moment, Outcome, Quantity, Reading};
use photometry::units::{Length, Mono, Wall};
use sqlx::Row;
use sqlx::sqlite::SqliteRow;

use super::captures::{self, CaptureRow};
use super::counts::{self, Standing};
use super::error::StoreError;
use super::open::Store;
use super::remarks::{set_aside, taken_back};
use crate::plan::frozen::Frozen;
use crate::plan::itinerary::{Key, Purpose};
use crate::run::journal::{Body, Event, Link, RunId};

/// Where a reading comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// A meter said it to this program.
    Measured,
    /// A person typed it.
    Entered,
    /// It was read from a file.
    Imported,
}

impl Origin {
    /// The word that is stored.
    pub const fn word(self) -> &'static str {
        match self {
            Origin::Measured => "measured",
            Origin::Entered => "entered",
            Origin::Imported => "imported",
        }
    }
}

/// One reading with everything that it refers to.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadingRow {
    /// The run.
    pub run: RunId,
    /// The number of its event.
    pub seq: u64,
    /// Its action; negative in a preamble.
    pub no: i64,
    /// Which attempt at the action.
    pub attempt: u32,
    /// Which life of the daemon.
    pub sitting: u32,
    /// What was measured.
    pub key: Key,
    /// What the meter said.
    pub reading: Reading,
    /// The meter's calibration and the sample.
    pub beside: Arc<Beside>,
    /// Where the reading comes from.
    pub origin: Origin,
    /// It is the result of its key.
    pub counts: bool,
    /// Why it counts or does not.
    pub standing: Standing,
    /// Why a person set it aside, when one did.
    pub set_aside: Option<SetAside>,
    /// Why a person took it back that it was set aside, when one did.
    pub taken_back: Option<String>,
}

/// A reading that a person set aside. It stays where it is, and enters nothing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAside {
    /// Why.
    pub because: String,
    /// It would be the result of its key.
    pub counted: bool,
}

impl ReadingRow {
    /// It is the result of its key, or would be if it were not set aside.
    pub fn is_result(&self) -> bool {
        self.counts || self.set_aside.as_ref().is_some_and(|aside| aside.counted)
    }

    /// Takes its standing from the journal and from the remarks.
    pub(super) fn stand(&mut self, standing: Standing, because: Option<&String>) {
        (self.standing, self.set_aside) = stands(standing, because);
        self.counts = self.standing == Standing::Counts;
    }
}

/// How a row stands by the journal and the remarks, and why it was set aside where
/// one says so.
pub(super) fn stands(standing: Standing, because: Option<&String>) -> (Standing, Option<SetAside>) {
    let Some(because) = because.cloned() else {
        return (standing, None);
    };
    let counted = standing == Standing::Counts;
    (Standing::SetAside, Some(SetAside { because, counted }))
}

/// What a row says beside its event's line: from the bundle, and so the same
/// for all readings of one meter, which share it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Beside {
    /// The certificate in force when it was taken.
    pub certificate: Option<String>,
    /// The day after which that certificate no longer holds.
    pub calibration_due: Option<String>,
    /// The sample that was measured.
    pub sample: String,
    /// Its firmware.
    pub firmware: Option<String>,
}

impl Beside {
    /// For a meter of the bundle's bench.
    pub(super) fn of(frozen: &Frozen, meter: &str) -> Beside {
        let calibration = frozen
            .card
            .meters
            .iter()
            .find(|known| known.name == meter)
            .map(|known| &known.calibration);
        Beside {
            certificate: calibration.map(|c| c.certificate.clone()),
            calibration_due: calibration.map(|c| c.due.clone()),
            sample: frozen.placement.unit.clone(),
            firmware: frozen.placement.firmware.clone(),
        }
    }
}

/// All that is recorded of a run, each part of it made sense of once.
#[derive(Clone, Debug, PartialEq)]
pub struct Whole {
    /// What it froze.
    pub frozen: Frozen,
    /// The link of that bundle's text as it is stored.
    pub bundle: Link,
    /// Its journal, in order.
    pub events: Vec<Event>,
    /// Every reading in order, superseded ones too, each with its standing.
    pub readings: Vec<ReadingRow>,
    /// Every capture likewise; without bytes until [`Store::fetch_bytes`] was asked.
    pub captures: Vec<CaptureRow>,
}

pub(super) const COLUMNS: &str = "seq, no, attempt, sitting, key, test, setting, position_nm, purpose, \
     visit, meter, quantity, outcome, value, unit, limit_value, reason, range_top, flags, raw, \
     asked_mono_ns, taken_mono_ns, asked_wall_us, taken_wall_us, certificate, calibration_due, \
     sample, firmware, origin";

impl Store {
    /// Every reading of a run in order, superseded ones too, each with its
    /// standing. Whoever also needs the journal asks for [`Store::whole`].
    ///
    /// # Errors
    /// When there is no such run, or the record cannot be read.
    pub async fn readings(&self, id: RunId) -> Result<Vec<ReadingRow>, StoreError> {
        let whole = self.whole(id).await?.ok_or(StoreError::NoRun(id))?;
        Ok(whole.readings)
    }

    /// All of a run. Its readings are those of the journal: the rows beside it
    /// are for whoever queries the file, and [`Store::verify`] compares them.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn whole(&self, id: RunId) -> Result<Option<Whole>, StoreError> {
        self.whole_until(id, u64::MAX, u64::MAX).await
    }

    /// A run as its record stood once: up to an event and a remark.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn whole_until(
        &self,
        id: RunId,
        last_seq: u64,
        last_remark: u64,
    ) -> Result<Option<Whole>, StoreError> {
        let all = tokio::try_join!(
            self.frozen(id),
            self.events(id, 0, u32::MAX),
            self.remarks(id)
        );
        let (Some((frozen, bundle)), mut events, mut remarks) = all? else {
            return Ok(None);
        };
        events.retain(|event| event.seq <= last_seq);
        remarks.retain(|remark| remark.no <= last_remark);
        let taken = || {
            let is_taken = |event: &&Event| matches!(event.body, Body::Taken { .. });
            events.iter().filter(is_taken)
        };
        let mut readings = Vec::with_capacity(taken().count());
        let mut rows = Rows::of(id, &frozen);
        readings.extend(taken().filter_map(|event| rows.row(event)));
        let standings = counts::standings(&frozen.itinerary, &events);
        let (asides, mut taken_back) = (set_aside(&remarks), taken_back(&remarks));
        for row in &mut readings {
            let standing = standings.get(&row.seq).copied().unwrap_or_default();
            row.stand(standing, asides.get(&row.seq));
            row.taken_back = taken_back.remove(&row.seq);
        }
        let captures = captures::rows(id, &frozen, &events, &standings, &asides);
        Ok(Some(Whole {
            frozen,
            bundle,
            events,
            readings,
            captures,
        }))
    }

    /// The rows in order, not made sense of: a damaged one must not hide the
    /// others.
    pub(super) async fn reading_rows(&self, id: RunId) -> Result<Vec<SqliteRow>, StoreError> {
        let sql = format!("SELECT {COLUMNS} FROM readings WHERE run = ? ORDER BY seq");
        sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(id.0)
            .fetch_all(self.readers())
            .await
            .map_err(StoreError::sql("reading the readings"))
    }
}

/// Makes the rows of one run.
struct Rows<'f> {
    run: RunId,
    frozen: &'f Frozen,
    /// By meter; a bench has a handful.
    beside: Vec<(String, Arc<Beside>)>,
}

impl Rows<'_> {
    fn of(run: RunId, frozen: &Frozen) -> Rows<'_> {
        Rows {
            run,
            frozen,
            beside: Vec::new(),
        }
    }

    /// The row that an event's reading makes; none for other events.
    fn row(&mut self, event: &Event) -> Option<ReadingRow> {
        let Body::Taken { key, reading } = &event.body else {
            return None;
        };
        Some(ReadingRow {
            run: self.run,
            seq: event.seq,
            no: event.no.unwrap_or_default(),
            attempt: event.attempt,
            sitting: event.sitting,
            key: key.clone(),
            reading: reading.clone(),
            beside: self.beside(&reading.meter),
            origin: Origin::Measured,
            counts: false,
            standing: Standing::default(),
            set_aside: None,
            taken_back: None,
        })
    }

    fn beside(&mut self, meter: &str) -> Arc<Beside> {
        if let Some((_, known)) = self.beside.iter().find(|(known, _)| known == meter) {
            return Arc::clone(known);
        }
        let beside = Arc::new(Beside::of(self.frozen, meter));
        self.beside.push((meter.to_owned(), Arc::clone(&beside)));
        beside
    }
}

/// The row that an event's reading makes; none for other events.
pub(super) fn row_for(run: RunId, frozen: &Frozen, event: &Event) -> Option<ReadingRow> {
    Rows::of(run, frozen).row(event)
}

fn bad(what: &'static str) -> impl Fn(String) -> StoreError {
    move |found| StoreError::BadRow { what, found }
}

fn purpose_of(word: &str) -> Result<Purpose, StoreError> {
    let mut all = Purpose::ALL.into_iter();
    all.find(|purpose| purpose.word() == word)
        .ok_or_else(|| bad("a purpose")(word.to_owned()))
}

fn origin_of(word: &str) -> Result<Origin, StoreError> {
    [Origin::Measured, Origin::Entered, Origin::Imported]
        .into_iter()
        .find(|origin| origin.word() == word)
        .ok_or_else(|| bad("an origin")(word.to_owned()))
}

fn outcome_of(
    kind: &str,
    value: Option<f64>,
    limit: Option<f64>,
    reason: Option<String>,
) -> Result<Outcome, StoreError> {
    match (kind, value, limit, reason) {
        ("value", Some(value), None, None) => Ok(Outcome::Value(value)),
        ("over", None, Some(limit), None) => Ok(Outcome::Over(limit)),
        ("under", None, Some(limit), None) => Ok(Outcome::Under(limit)),
        ("timed out", None, None, None) => Ok(Outcome::TimedOut),
        ("rejected", None, None, Some(reason)) => Ok(Outcome::Rejected(reason)),
        _ => Err(bad("an outcome")(kind.to_owned())),
    }
}

pub(super) fn reading_of(run: RunId, row: &SqliteRow) -> Result<ReadingRow, StoreError> {
    let doing = StoreError::sql("reading a reading");
    let whole = |at: usize| row.try_get::<i64, _>(at).map_err(&doing);
    let words = |at: usize| row.try_get::<String, _>(at).map_err(&doing);
    let maybe = |at: usize| row.try_get::<Option<String>, _>(at).map_err(&doing);
    let number = |at: usize| row.try_get::<Option<f64>, _>(at).map_err(&doing);
    let count = |at: usize| {
        let found = whole(at)?;
        u32::try_from(found).map_err(|_| bad("a count")(found.to_string()))
    };
    let name = words(11)?;
    let mut quantities = Quantity::ALL.into_iter();
    let quantity = quantities
        .find(|quantity| quantity.name() == name)
        .ok_or_else(|| bad("a quantity")(name))?;
    let unit = words(14)?;
    if unit != quantity.unit() {
        return Err(bad("a unit")(unit));
    }
    let origin = origin_of(&words(28)?)?;
    let moment = |mono: usize, wall: usize| -> Result<Moment, StoreError> {
        Ok(Moment {
            mono: Mono::from_ns(whole(mono)?),
            wall: Wall::from_us(whole(wall)?),
        })
    };
    let reading = Reading {
        meter: words(10)?,
        quantity,
        outcome: outcome_of(&words(12)?, number(13)?, number(15)?, maybe(16)?)?,
        range: number(17)?,
        flags: serde_json::from_str(&words(18)?).map_err(StoreError::json("a reading's flags"))?,
        raw: row.try_get(19).map_err(&doing)?,
        asked: moment(20, 22)?,
        taken: moment(21, 23)?,
    };
    let key = Key {
        test: words(5)?,
        setting: words(6)?,
        position: Length::from_nm(whole(7)?),
        purpose: purpose_of(&words(8)?)?,
        visit: count(9)?,
    };
    let key_text = words(4)?;
    if key_text != key.to_string() {
        return Err(bad("a key")(key_text));
    }
    let seq = whole(0)?;
    Ok(ReadingRow {
        run,
        seq: u64::try_from(seq).map_err(|_| bad("an event's number")(seq.to_string()))?,
        no: whole(1)?,
        attempt: count(2)?,
        sitting: count(3)?,
        key,
        reading,
        beside: Arc::new(Beside {
            certificate: maybe(24)?,
            calibration_due: maybe(25)?,
            sample: words(26)?,
            firmware: maybe(27)?,
        }),
        origin,
        counts: false,
        standing: Standing::default(),
        set_aside: None,
        taken_back: None,
    })
}
