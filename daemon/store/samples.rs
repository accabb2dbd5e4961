//! A small journal for tests, written action by action, with readings from a
//! closed form. No device, no attendant.

use std::collections::BTreeMap;

use photometry::measured::{Moment, Outcome, Quantity, Reading};
use photometry::units::{Mono, Span, Wall};

use super::captures::{self, CaptureRow};
use super::counts;
use super::open::Store;
use super::readings::{ReadingRow, row_for};
use crate::plan::frozen::Frozen;
use crate::plan::intent::Survey;
use crate::plan::itinerary::{Key, What};
use crate::plan::samples;
use crate::run::journal::{
    Body, Event, Facts, HoldCause, LampLeft, Left, Link, ResumeCause, RunId, SeamCause,
};
use crate::run::ledger::Ledger;

/// 2026-03-01 20:00 UTC.
const BEGIN_WALL_US: i64 = 1_772_395_200_000_000;

/// An empty record, and the folder that it lies in.
pub async fn record() -> (tempfile::TempDir, Store) {
    let folder = tempfile::tempdir().expect("a folder");
    let store = Store::open(&folder.path().join("record.db"))
        .await
        .expect("opened");
    (folder, store)
}

/// A bundle of one survey on the sample bench.
pub fn frozen(levels: u16, survey: Survey) -> Frozen {
    let (plan, lamp) = (samples::plan(survey), samples::lamp(levels));
    samples::frozen(plan, lamp, samples::card(), samples::placement())
}

/// The readings of a journal as the store would give them, without a store.
pub fn rows_of(
    frozen: &Frozen,
    events: &[Event],
    set_aside: &std::collections::HashMap<u64, String>,
) -> Vec<ReadingRow> {
    let standings = counts::standings(&frozen.itinerary, events);
    let rows = events.iter().filter_map(|event| {
        let mut row = row_for(RunId(1), frozen, event)?;
        let standing = standings.get(&row.seq).copied().unwrap_or_default();
        row.stand(standing, set_aside.get(&row.seq));
        Some(row)
    });
    rows.collect()
}

/// The captures of a journal likewise, with their bytes.
pub fn captures_of(frozen: &Frozen, events: &[Event]) -> Vec<CaptureRow> {
    let standings = counts::standings(&frozen.itinerary, events);
    let none = std::collections::HashMap::new();
    captures::rows(RunId(1), frozen, events, &standings, &none)
}

/// A journal in the making.
pub struct Story {
    /// What the run froze.
    pub frozen: Frozen,
    /// The events so far.
    pub events: Vec<Event>,
    /// Seconds since the run began, on the wall.
    pub seconds: i64,
    /// Why readings are set aside, by their events' numbers.
    pub set_aside: std::collections::HashMap<u64, String>,
    sitting: u32,
    sitting_began: i64,
    attempts: BTreeMap<i64, u32>,
}

impl Story {
    /// A run that has begun.
    pub fn begin(frozen: Frozen) -> Story {
        let bundle = super::runs::bundle_json(&frozen).expect("a bundle");
        let mut story = Story {
            frozen,
            events: Vec::new(),
            seconds: 0,
            set_aside: std::collections::HashMap::new(),
            sitting: 1,
            sitting_began: 0,
            attempts: BTreeMap::new(),
        };
        let bundle = Link::of_bundle(bundle.as_bytes()).hex();
        story.tell(None, Body::Begun { bundle });
        story
    }

    /// Now, on both clocks.
    pub fn now(&self) -> Moment {
        Moment {
            mono: Mono::ZERO + Span::from_secs(self.seconds - self.sitting_began),
            wall: Wall::from_us(BEGIN_WALL_US) + Span::from_secs(self.seconds),
        }
    }

    /// One event.
    pub fn tell(&mut self, no: Option<i64>, body: Body) {
        if let (Some(no), Body::Started { .. }) = (no, &body) {
            *self.attempts.entry(no).or_default() += 1;
        }
        let attempt = no.map_or(0, |no| self.attempts.get(&no).copied().unwrap_or(1));
        self.events.push(Event {
            seq: self.events.len() as u64 + 1,
            no,
            attempt,
            sitting: self.sitting,
            at: self.now(),
            body,
        });
    }

    /// A reading, taken now.
    pub fn taken(&mut self, no: i64, key: Key, outcome: Outcome) {
        let raw = match &outcome {
            Outcome::Value(value) => format!("{value}\r\n"),
            other => format!("{}\r\n", other.kind()),
        };
        let reading = Reading {
            meter: "lux-head".to_owned(),
            quantity: Quantity::Illuminance,
            outcome,
            range: Some(20_000.0),
            flags: Vec::new(),
            raw: raw.into_bytes(),
            asked: self.now(),
            taken: self.now(),
        };
        self.tell(Some(no), Body::Taken { key, reading });
    }

    /// Does the actions `from..to`, one a second; every read action gets what
    /// `light` says.
    pub fn act(
        &mut self,
        actions: std::ops::Range<u32>,
        mut light: impl FnMut(&Key, i64) -> Outcome,
    ) {
        for no in actions {
            let action = self.frozen.itinerary.actions[no as usize].clone();
            self.seconds += 1;
            let doing = "as planned".to_owned();
            self.tell(Some(i64::from(no)), Body::Started { doing });
            match (&action.what, action.key) {
                (What::Read { .. }, Some(key)) => {
                    let outcome = light(&key, self.seconds);
                    self.taken(i64::from(no), key, outcome);
                }
                (what, key) => {
                    if let (What::LookAtRoom(_), Some(key)) = (what, key) {
                        let outcome = light(&key, self.seconds);
                        self.taken(i64::from(no), key, outcome);
                    }
                    let facts = Facts::default();
                    self.tell(Some(i64::from(no)), Body::Done { facts });
                }
            }
        }
    }

    /// How many actions there are.
    pub fn actions(&self) -> u32 {
        self.frozen.itinerary.actions.len() as u32
    }

    /// Broken off, and resumed `away` seconds later in a new sitting.
    pub fn break_off(&mut self, away: i64) {
        let cause = SeamCause::Shutdown;
        self.tell(None, Body::Seam { cause });
        let left = Left {
            carriage_still: true,
            fingers_off: true,
            lamp: LampLeft::Off,
            troubles: Vec::new(),
        };
        self.tell(None, Body::MadeSafe { left });
        self.seconds += away;
        self.sitting += 1;
        self.sitting_began = self.seconds;
        let cause = ResumeCause::Restarted;
        self.tell(None, Body::Resumed { cause });
    }

    /// Held by a person.
    pub fn hold(&mut self) {
        let cause = HoldCause::Person;
        self.tell(None, Body::Held { cause });
    }

    /// The events with their lines and links.
    pub fn linked(&self) -> Vec<(Event, String, Link)> {
        let bundle = super::runs::bundle_json(&self.frozen).expect("a bundle");
        let mut link = Link::of_bundle(bundle.as_bytes());
        self.events
            .iter()
            .map(|event| {
                let line = event.line().expect("a line");
                link = link.next(&line);
                (event.clone(), line, link)
            })
            .collect()
    }

    /// The readings as the store would give them, without a store.
    pub fn rows(&self) -> Vec<ReadingRow> {
        rows_of(&self.frozen, &self.events, &self.set_aside)
    }

    /// Books the run and writes its journal.
    pub async fn write(&self, store: &Store) -> RunId {
        let placement = store.place(&self.frozen.placement).await.expect("placed");
        let at = Wall::from_us(BEGIN_WALL_US);
        let run = store
            .book_run(None, &self.frozen, Some(placement), at)
            .await
            .expect("booked");
        let mut ledger = store.ledger(run, "boot-1");
        for (event, line, link) in self.linked() {
            ledger.append(&event, &line, link).await.expect("written");
        }
        run
    }
}
