//! Spectra on the way of what is recorded: asked for at a beat of their own while the
//! meters of light keep theirs, and those with the meter covered afterwards.
//!
//! ```text
//!  series       r r r r r r r r r r r r r r r      port threads, untouched
//!  spectra      s0 ───── s1 ───── s2 ─────         posted, and met when they come
//!  afterwards                           shutter closed · d d · d d · open
//! ```
//!
//! Whatever becomes of them, the recording stands: one that fails or comes too late is
//! written down as a capture that is none. How long each integrates is decided by
//! `run::exposure`. A part of `series`.

use std::collections::BTreeSet;

use photometry::measured::{Axis, Capture, CaptureOutcome, Moment, Quantity};
use photometry::units::{Mono, Span};

use super::acts::{AtWork, unexpected};
use super::asking::{ANSWER_WITHIN, Broken};
use super::questions;
use super::series::NOT_IN_TIME;
use super::work::Attendant;
use crate::bench::instrument::{Answer, Verb};
use crate::plan::card::DarkBy;
use crate::plan::course::DARK;
use crate::plan::itinerary::{Key, Purpose, Recording, SpectraBeat};
use crate::run::exposure::{self, Chosen, Trial};
use crate::run::journal::Body;

/// A spectrum that was not there so long after the recording's end is given up.
const AFTERWARDS: Span = Span::from_secs(60);
/// Flag of one that was.
const NOT_THERE: &str = "not there when the recording was over";

/// Spectra on the way, as far as they came.
pub(super) struct Way {
    beat: SpectraBeat,
    /// The key of the first.
    key: Key,
    /// When the first is due.
    starts: Mono,
    count: u32,
    /// The next one to be asked for, from 0.
    nth: u32,
    /// The one that is asked for.
    asked: Option<Asked>,
    /// The last two that said something.
    seen: Vec<Trial>,
    /// The integration that was decided on last.
    decided: Option<Span>,
    /// The integrations of those that can be used.
    used: BTreeSet<Span>,
    /// What the bench file says.
    usual: Span,
}

/// One that was posted.
struct Asked {
    nth: u32,
    /// Numbers of the requests: to set the integration, and to capture.
    set: u64,
    taken: u64,
    at: Moment,
}

impl Way {
    /// All were asked for and came.
    pub(super) fn is_over(&self) -> bool {
        self.asked.is_none() && self.nth >= self.count
    }

    /// When something is to be done, of a recording that ends at `last`; none when all
    /// is over.
    pub(super) fn wakes(&self, last: Mono) -> Option<Mono> {
        match (self.is_over(), self.asked.is_some()) {
            (true, _) => None,
            (false, true) => Some(last + AFTERWARDS + Span::from_ms(1)),
            (false, false) => Some(self.due_of(self.nth)),
        }
    }

    fn due_of(&self, nth: u32) -> Mono {
        self.starts + self.beat.every.times(i64::from(nth))
    }

    fn key_of(&self, nth: u32) -> Key {
        Key {
            visit: self.key.visit.saturating_add(nth),
            ..self.key.clone()
        }
    }

    fn limits(&self) -> (Span, Span) {
        (self.beat.least, self.beat.most)
    }

    /// A capture that is none.
    fn gap(
        &self,
        why: CaptureOutcome,
        flags: Vec<String>,
        (asked, taken): (Moment, Moment),
    ) -> Capture {
        Capture {
            meter: self.beat.meter.clone(),
            quantity: Quantity::Spectrum,
            outcome: why,
            axis: Axis::Wavelengths,
            integration: None,
            fill: None,
            top: None,
            filter_hz: None,
            flags,
            packing: None,
            axis_packing: None,
            asked,
            taken,
            raw: Vec::new(),
            axis_raw: Vec::new(),
        }
    }

    /// Learns from one how long the next must integrate.
    fn learn(&mut self, capture: &Capture) {
        let (Some(integration), true) = (capture.integration, capture.outcome.says_something())
        else {
            return;
        };
        let saturated = matches!(capture.outcome, CaptureOutcome::Saturated(_));
        if !saturated {
            self.used.insert(integration);
        }
        self.seen.push(Trial {
            integration,
            fill: capture.fill,
            saturated,
        });
        if self.seen.len() > 2 {
            self.seen.remove(0);
        }
    }
}

impl Attendant {
    /// The spectra that a recording asks for on its way, of which the first is due when
    /// its program starts.
    pub(super) fn way_of(&mut self, recording: &Recording, key: &Key, starts: Mono) -> Option<Way> {
        let beat = (**recording.spectra.as_ref()?).clone();
        let mut meters = self.bench.card().meters.iter();
        let meter = meters.find(|meter| meter.name == beat.meter);
        let usual = meter.map_or(beat.least, |meter| meter.integration);
        if meter.is_some_and(|meter| meter.dark == DarkBy::Shutter) {
            // A night that was broken off may have left it closed.
            self.tell_in_passing(&beat.meter, Verb::Shutter(false));
        }
        Some(Way {
            key: Key {
                visit: beat.first,
                ..key.clone()
            },
            starts,
            count: recording.spectra_on_the_way(),
            nth: 0,
            asked: None,
            seen: Vec::new(),
            decided: None,
            used: BTreeSet::new(),
            usual,
            beat,
        })
    }

    /// Asks for something that nobody waits for.
    fn tell_in_passing(&mut self, meter: &str, verb: Verb) {
        if let Ok(id) = self.bench.post(meter, verb) {
            self.bench.give_up(id..id + 1);
        }
    }

    /// Writes down what has come, and asks for the next one where it is due. Waits for
    /// nothing but the record, but for one that is given up when the recording, which
    /// ends at `last`, is over.
    pub(super) async fn go_on_the_way(
        &mut self,
        at_work: &AtWork,
        way: &mut Way,
        last: Mono,
    ) -> Result<(), Broken> {
        loop {
            if let Some(asked) = &way.asked {
                let Some(reply) = self.bench.take_reply(asked.taken) else {
                    if self.seat.now().mono > last + AFTERWARDS {
                        self.give_up_way(at_work, way).await?;
                    }
                    return Ok(());
                };
                // Where its integration was not taken, the capture tells the one it has.
                self.bench.give_up(asked.set..asked.set + 1);
                let (nth, at) = (asked.nth, asked.at);
                way.asked = None;
                let capture = match reply {
                    Ok(Answer::Capture(capture)) => *capture,
                    Ok(other) => return Err(unexpected(&way.beat.meter, &other)),
                    Err(trouble) => {
                        let why = CaptureOutcome::Rejected(trouble.to_string());
                        way.gap(why, Vec::new(), (at, self.seat.now()))
                    }
                };
                way.learn(&capture);
                self.record(at_work, Body::captured(way.key_of(nth), capture))
                    .await?;
                continue;
            }
            let now = self.seat.now();
            // Those that were due while one was out are never made up for.
            while way.nth < way.count && now.mono >= way.due_of(way.nth + 1) {
                self.miss(at_work, way, NOT_IN_TIME).await?;
            }
            if way.nth >= way.count || now.mono < way.due_of(way.nth) {
                return Ok(());
            }
            self.ask_on_the_way(at_work, way).await?;
        }
    }

    /// Writes down that the next one was not asked for.
    async fn miss(&mut self, at_work: &AtWork, way: &mut Way, why: &str) -> Result<(), Broken> {
        let now = self.seat.now();
        let capture = way.gap(CaptureOutcome::TimedOut, vec![why.to_owned()], (now, now));
        let key = way.key_of(way.nth);
        way.nth += 1;
        self.record(at_work, Body::captured(key, capture)).await?;
        Ok(())
    }

    /// Writes down that the one that is out did not come, nor those after it.
    async fn give_up_way(&mut self, at_work: &AtWork, way: &mut Way) -> Result<(), Broken> {
        if let Some(Asked { nth, at, .. }) = way.asked {
            let flags = vec![NOT_THERE.to_owned()];
            let capture = way.gap(CaptureOutcome::TimedOut, flags, (at, self.seat.now()));
            self.record(at_work, Body::captured(way.key_of(nth), capture))
                .await?;
        }
        while way.nth < way.count {
            self.miss(at_work, way, NOT_THERE).await?;
        }
        self.end_way(way).await;
        Ok(())
    }

    /// Decides how long the next one integrates, and asks for it.
    async fn ask_on_the_way(&mut self, at_work: &AtWork, way: &mut Way) -> Result<(), Broken> {
        let integration = exposure::on_the_way(&way.seen, way.usual, way.limits());
        if way.decided != Some(integration) {
            let last = way.seen.last();
            let chosen = Chosen {
                integration,
                fill: last.and_then(|last| last.fill),
                trials: way.nth,
                fits: true,
            };
            let decision = chosen.decision(&way.beat.meter);
            self.record(at_work, Body::Decided { decision }).await?;
            way.decided = Some(integration);
        }
        let (nth, at) = (way.nth, self.seat.now());
        way.nth += 1;
        let meter = &way.beat.meter;
        let posted = self
            .bench
            .post(meter, Verb::Integrate(integration))
            .and_then(|set| Ok((set, self.bench.post(meter, Verb::Spectrum)?)));
        match posted {
            Ok((set, taken)) => {
                way.asked = Some(Asked {
                    nth,
                    set,
                    taken,
                    at,
                });
            }
            Err(trouble) => {
                let why = CaptureOutcome::Rejected(trouble.to_string());
                let capture = way.gap(why, Vec::new(), (at, at));
                self.record(at_work, Body::captured(way.key_of(nth), capture))
                    .await?;
            }
        }
        Ok(())
    }

    /// Nothing more is asked on the way; one that is out is withdrawn, and its thread
    /// waited for.
    pub(super) async fn end_way(&mut self, way: &mut Way) {
        way.nth = way.count;
        let Some(asked) = way.asked.take() else {
            return;
        };
        self.bench.abandon(&way.beat.meter);
        let until = self.seat.now().mono + ANSWER_WITHIN;
        while self.bench.take_reply(asked.taken).is_none() && self.seat.now().mono < until {
            self.seat.wait_async(Some(until)).await;
        }
        self.bench.give_up(asked.set..asked.taken + 1);
    }

    /// Spectra with the meter covered, for each integration that was used; the recording
    /// is over, and stands whatever becomes of them.
    pub(super) async fn take_covered(&mut self, at_work: &AtWork, way: &Way) -> Result<(), Broken> {
        if way.used.is_empty() {
            return Ok(());
        }
        let rungs = exposure::rungs(way.limits());
        let dark = u32::from(way.beat.dark);
        // By the place of its integration, so that a key is of one integration alone; a
        // meter that took another than it was told moves those above it.
        let mut free = 0;
        let mut keys: Vec<(Span, Key)> = Vec::new();
        for integration in &way.used {
            let place = rungs.partition_point(|rung| rung < integration) as u32;
            let place = place.max(free);
            free = place + 1;
            keys.extend((0..dark).map(|nth| {
                let key = Key {
                    setting: DARK.to_owned(),
                    purpose: Purpose::Dark,
                    visit: way.key.visit.saturating_add(place * dark + nth),
                    ..way.key.clone()
                };
                (*integration, key)
            }));
        }
        let mut done = 0;
        match self.capture_covered(at_work, way, &keys, &mut done).await {
            Err(Broken::Fault(fault) | Broken::Lost(fault)) => {
                for (_, key) in &keys[done..] {
                    let now = self.seat.now();
                    let why = CaptureOutcome::Rejected(fault.message.clone());
                    let capture = way.gap(why, Vec::new(), (now, now));
                    self.record(at_work, Body::captured(key.clone(), capture))
                        .await?;
                }
                Ok(())
            }
            other => other,
        }
    }

    async fn capture_covered(
        &mut self,
        at_work: &AtWork,
        way: &Way,
        keys: &[(Span, Key)],
        done: &mut usize,
    ) -> Result<(), Broken> {
        let meter = &way.beat.meter;
        match &way.beat.by_hand {
            Some((cover, _)) => _ = self.ask_person(at_work, &questions::words(cover)).await?,
            None => _ = self.ask(meter, Verb::Shutter(true)).await?,
        }
        let captured = self.capture_at_each(at_work, way, keys, done).await;
        match (&way.beat.by_hand, &captured) {
            (_, Err(Broken::Off(_) | Broken::Record(_))) => {}
            (Some((_, open)), _) => _ = self.ask_person(at_work, &questions::words(open)).await?,
            (None, _) => _ = self.ask(meter, Verb::Shutter(false)).await?,
        }
        captured
    }

    async fn capture_at_each(
        &mut self,
        at_work: &AtWork,
        way: &Way,
        keys: &[(Span, Key)],
        done: &mut usize,
    ) -> Result<(), Broken> {
        let meter = &way.beat.meter;
        let mut told = None;
        for (integration, key) in keys {
            if told != Some(*integration) {
                self.ask(meter, Verb::Integrate(*integration)).await?;
                told = Some(*integration);
            }
            self.take_orders();
            self.check_limits()?;
            let capture = match self.ask(meter, Verb::Spectrum).await? {
                Answer::Capture(capture) => *capture,
                other => return Err(unexpected(meter, &other)),
            };
            self.record(at_work, Body::captured(key.clone(), capture))
                .await?;
            *done += 1;
        }
        Ok(())
    }
}
