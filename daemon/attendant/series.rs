//! Readings at a steady beat: a dawn, a display that dims. The ports' threads
//! keep the beat; here each reading is written down as it comes, and the program
//! is started while they go on.
//!
//! ```text
//!  port thread   r0 ─ r1 ─ r2 ─ r3 ─ ...      due at first + n x every
//!  attendant     w0   w1  start  w2 w3        writes; a late write delays none
//! ```
//!
//! A recording is one action: broken off, it is made again from its group's
//! beginning, for a lamp that has lit is no longer cold. Spectra on its way are
//! `on_the_way`.

use photometry::measured::{Moment, Outcome, Quantity, Reading};
use photometry::units::{Mono, Span};

use super::acts::{AtWork, LOOKS_BACK_FROM, unexpected};
use super::asking::{ANSWER_WITHIN, Broken};
use super::on_the_way::Way;
use super::work::Attendant;
use crate::bench::instrument::{Answer, Series, Trouble, Verb};
use crate::bench::open::FINGERS;
use crate::plan::card::Room;
use crate::plan::intent::IfDisturbed;
use crate::plan::itinerary::{Begins, Key, OFF, Purpose, RECORDED_AT_MOST, Recording, StartedBy};
use crate::plan::lamp::{HOLD, Worked};
use crate::run::journal::{Body, Decision, Facts};
use crate::run::lit::steady;
use crate::run::room::Seen;

/// From the posting of a series to its first reading.
const AHEAD: Span = Span::from_ms(100);
/// Readings of one meter in a row without a value before the recording fails.
const WITHOUT_VALUE_AT_MOST: u32 = 20;
/// Code of the fault of a program that changed no light.
const NOT_BEGUN: &str = "not-begun";
/// Flag of a reading that was due while the meter was still busy.
pub const NOT_IN_TIME: &str = "not in time: the meter was busy";

/// One meter's series, as far as it was written down.
struct Written {
    meter: String,
    quantity: Quantity,
    /// The number of its first reply.
    id: u64,
    /// The next reading, from 0.
    nth: u32,
    /// How many there are.
    count: u32,
    /// The key of the first.
    key: Key,
    over: bool,
    without_value: u32,
    /// The least and the most that it read.
    between: Option<(f64, f64)>,
    /// What it looks at the room for and saw of it, where it does: what becomes of
    /// that costs no recording.
    room: Option<(Room, Seen)>,
}

impl Written {
    fn is_of_room(&self) -> bool {
        self.room.is_some()
    }

    fn see(&mut self, value: Option<f64>) {
        let Some(value) = value else { return };
        let (least, most) = self.between.unwrap_or((value, value));
        self.between = Some((least.min(value), most.max(value)));
    }
}

impl Attendant {
    /// Waits until the lamp has been off so long, and then for the lead before
    /// its alarm.
    pub(super) async fn soak(
        &mut self,
        least: Span,
        before: Option<(u16, Span)>,
    ) -> Result<Facts, Broken> {
        let now = self.seat.now();
        let known = self.current.as_ref().map(|current| &current.known);
        let off_since = known.and_then(|known| known.off_since);
        let cold = off_since.unwrap_or(now.mono) + least;
        let until = match before {
            None => cold,
            Some((minute, lead)) => {
                let earliest = now.wall + cold.max(now.mono).since(now.mono) + lead;
                let rings = self.seat.clock().next_at(earliest, minute);
                rings.map_or(cold, |rings| now.mono + rings.since(now.wall) + -lead)
            }
        };
        self.pause_until(until).await?;
        Ok(Facts::default())
    }

    /// Records what an action says.
    pub(super) async fn record_series(
        &mut self,
        at_work: &AtWork,
        recording: &Recording,
    ) -> Result<Facts, Broken> {
        self.take_orders();
        self.check_limits()?;
        let (first, starts) = self.beat(recording);
        let decision = Decision::Beat {
            first,
            every: recording.every,
            readings: recording.readings(),
        };
        self.record(at_work, Body::Decided { decision }).await?;
        let mut all = self.post_series(at_work, recording, first)?;
        let mut way = self.way_of(recording, &all[0].key, starts);
        let kept = self.keep_beat(at_work, recording, (&mut all, &mut way), (first, starts));
        let kept = kept.await;
        if kept.is_err() {
            self.end_series(&mut all).await;
            if let Some(way) = &mut way {
                self.end_way(way).await;
            }
        }
        kept?;
        if let (Some(begins), [watching, ..]) = (&recording.begins, &all[..]) {
            has_begun(begins, watching)?;
        }
        if recording.begins.is_none() {
            // A lamp that lit at the last reading shows in another alone.
            self.look(at_work, OFF, LOOKS_BACK_FROM).await?;
            self.lamp_shines(&at_work.action.setting)?;
        }
        self.look_back_at_room(at_work, recording, &all).await?;
        let again = self.current.as_ref().is_some_and(|c| c.state.is_again());
        if let Some(way) = way.as_ref().filter(|_| !again) {
            self.take_covered(at_work, way).await?;
        }
        Ok(Facts::default())
    }

    /// Has each meter read at the beat, and the room's sensor at its own.
    fn post_series(
        &mut self,
        at_work: &AtWork,
        recording: &Recording,
        first: Moment,
    ) -> Result<Vec<Written>, Broken> {
        let Some(key) = at_work.action.key.clone() else {
            return Err(Broken::fault("no-key", "a series without a key"));
        };
        let mut all = Vec::new();
        for (index, (meter, quantity)) in (0_u32..).zip(&recording.meters) {
            let series = Series {
                quantity: *quantity,
                first: first.mono,
                every: recording.every,
                count: recording.readings(),
            };
            let posted = self.post_one(meter, series, &key, key.visit + index * RECORDED_AT_MOST);
            all.push(posted.map_err(|trouble| Broken::Fault(trouble.fault(meter)))?);
        }
        let room = recording.room.as_ref();
        if let Some(room) = room.filter(|room| room.look.room.light_at_most.is_some()) {
            let series = Series {
                quantity: Quantity::Illuminance,
                first: first.mono,
                every: room.every,
                count: recording.looks(),
            };
            let key = Key {
                purpose: Purpose::Room,
                ..key
            };
            let seen = Some((room.look.room.clone(), Seen::default()));
            match self.post_one(&room.look.room.sensor, series, &key, room.first) {
                Ok(written) => all.push(Written {
                    room: seen,
                    ..written
                }),
                Err(_) => self.go_blind(),
            }
        }
        Ok(all)
    }

    fn post_one(
        &mut self,
        meter: &str,
        series: Series,
        key: &Key,
        visit: u32,
    ) -> Result<Written, Trouble> {
        Ok(Written {
            meter: meter.to_owned(),
            quantity: series.quantity,
            id: self.bench.post(meter, Verb::Series(series))?,
            nth: 0,
            count: series.count,
            key: Key {
                visit,
                ..key.clone()
            },
            over: false,
            without_value: 0,
            between: None,
            room: None,
        })
    }

    /// What the room was like while it was recorded, and is now.
    async fn look_back_at_room(
        &mut self,
        at_work: &AtWork,
        recording: &Recording,
        all: &[Written],
    ) -> Result<(), Broken> {
        let Some(room) = &recording.room else {
            return Ok(());
        };
        let key = Key {
            purpose: Purpose::Room,
            visit: room.first + recording.looks(),
            ..all[0].key.clone()
        };
        let mut seen = self.see_room(at_work, &room.look, &key).await?;
        let mut watched = all.iter().filter_map(|written| written.room.as_ref());
        if let Some((_, watched)) = watched.next() {
            seen.lit |= watched.lit;
            let lights = seen.light_lx.into_iter().chain(watched.light_lx);
            seen.light_lx = lights.reduce(f64::max);
        }
        // What needs a person, or the next night, is not begun again by itself.
        let by = recording.begins.as_ref().map(|begins| &begins.by);
        let mut look = room.look.clone();
        if look.if_disturbed == IfDisturbed::Repeat
            && matches!(by, Some(StartedBy::ByHand | StartedBy::Minute(_)))
        {
            look.if_disturbed = IfDisturbed::Flag;
        }
        self.judge_room(at_work, &look, (seen, &key)).await
    }

    /// When the first reading is due, and when the program starts.
    fn beat(&self, recording: &Recording) -> (Moment, Mono) {
        let now = self.seat.now();
        let later = |span: Span| Moment {
            mono: now.mono + span,
            wall: now.wall + span,
        };
        let by = recording.begins.as_ref().map(|begins| &begins.by);
        if let Some(StartedBy::Minute(minute)) = by {
            let rings = self.seat.clock().next_at(now.wall, *minute);
            if let Some(rings) = rings {
                let until = rings.since(now.wall);
                let first = later((until + -recording.lead).max(AHEAD));
                return (first, now.mono + until);
            }
        }
        let first = later(AHEAD);
        (first, first.mono + recording.lead)
    }

    /// Writes readings down until all series are over, starts the program and asks for
    /// spectra meanwhile.
    async fn keep_beat(
        &mut self,
        at_work: &AtWork,
        recording: &Recording,
        (all, way): (&mut [Written], &mut Option<Way>),
        (first, starts): (Moment, Mono),
    ) -> Result<(), Broken> {
        let last = first.mono + recording.lead + recording.length;
        let mut to_start = recording.begins.as_ref();
        let goes_on = |all: &[Written], way: &Option<Way>| {
            let open = all.iter().any(|written| !written.over);
            open || way.as_ref().is_some_and(|way| !way.is_over())
        };
        while goes_on(all, way) {
            self.take_orders();
            self.check_limits()?;
            for written in all.iter_mut() {
                self.write_down(at_work, written).await?;
            }
            let now = self.seat.now().mono;
            if let Some(begins) = to_start.take_if(|_| now >= starts) {
                self.start_program(at_work, begins, first, starts).await?;
                continue;
            }
            if let Some(way) = way {
                self.go_on_the_way(at_work, way, last).await?;
            }
            if now > last + ANSWER_WITHIN {
                let within = ANSWER_WITHIN;
                let open = |written: &&Written| !written.over && !written.is_of_room();
                if let Some(written) = all.iter().find(open) {
                    let trouble = Trouble::Hung { within };
                    return Err(Broken::Fault(trouble.fault(&written.meter)));
                }
                self.end_series(all).await;
                self.go_blind();
                return Ok(());
            }
            if goes_on(all, way) {
                let until = match to_start {
                    Some(_) => starts,
                    None => last + ANSWER_WITHIN + Span::from_ms(1),
                };
                let due = way.as_ref().and_then(|way| way.wakes(last));
                let until = due.map_or(until, |due| due.min(until));
                let limit = self.earliest_limit();
                let until = limit.map_or(until, |limit| limit.min(until));
                self.feed();
                if self.watch_button() {
                    continue;
                }
                let until = self.button_by(self.feed_by(until));
                self.seat.wait_async(Some(until)).await;
            }
        }
        Ok(())
    }

    /// Writes down what has come of one series.
    async fn write_down(&mut self, at_work: &AtWork, written: &mut Written) -> Result<(), Broken> {
        let count = written.count;
        while !written.over {
            let id = written.id + u64::from(written.nth.min(count));
            let Some(reply) = self.bench.take_reply(id) else {
                // A series that ends early has its last answer ready.
                let end = written.id + u64::from(count);
                if self.bench.take_reply(end).is_some() {
                    if written.is_of_room() {
                        written.over = true;
                        self.go_blind();
                        return Ok(());
                    }
                    return Err(Broken::fault(
                        "series-ended",
                        format!("`{}` stopped reading", written.meter),
                    ));
                }
                return Ok(());
            };
            let reading = match reply {
                Ok(Answer::Reading(reading)) => reading,
                Ok(Answer::NotInTime(at)) => not_in_time(written, at),
                Ok(Answer::Done) => {
                    written.over = true;
                    return Ok(());
                }
                Ok(other) => return Err(unexpected(&written.meter, &other)),
                Err(_) if written.is_of_room() => {
                    written.over = true;
                    self.go_blind();
                    return Ok(());
                }
                Err(trouble) if trouble.is_a_loss() => {
                    return Err(Broken::Lost(trouble.fault(&written.meter)));
                }
                Err(trouble) => return Err(Broken::Fault(trouble.fault(&written.meter))),
            };
            self.write_reading(at_work, written, reading).await?;
            written.nth += 1;
        }
        Ok(())
    }

    async fn write_reading(
        &mut self,
        at_work: &AtWork,
        written: &mut Written,
        reading: Reading,
    ) -> Result<(), Broken> {
        let visit = written.key.visit + written.nth;
        written.without_value = match reading.outcome.says_something() {
            true => 0,
            false => written.without_value + 1,
        };
        let key = Key {
            visit,
            ..written.key.clone()
        };
        written.see(reading.outcome.value());
        if let Some((room, seen)) = &mut written.room {
            seen.see(room, &reading);
        }
        self.record(at_work, Body::Taken { key, reading }).await?;
        // While it is watched being off it does not light.
        self.lamp_shines(&at_work.action.setting)?;
        if written.without_value >= WITHOUT_VALUE_AT_MOST && !written.is_of_room() {
            return Err(Broken::fault(
                "no-value",
                format!(
                    "`{}` gave no value {WITHOUT_VALUE_AT_MOST} times in a row",
                    written.meter
                ),
            ));
        }
        Ok(())
    }

    /// Starts the program, or says when it starts by itself.
    async fn start_program(
        &mut self,
        at_work: &AtWork,
        begins: &Begins,
        first: Moment,
        starts: Mono,
    ) -> Result<(), Broken> {
        let due = Moment {
            mono: starts,
            wall: first.wall + starts.since(first.mono),
        };
        let (at, by) = match &begins.by {
            StartedBy::Minute(_) => (due, "alarm"),
            StartedBy::ByHand => {
                let words = format!(
                    "Start the lamp's program `{}` now, then answer at once.",
                    begins.program
                );
                self.ask_person(at_work, &words).await?;
                (self.seat.now(), "by hand")
            }
            StartedBy::Button(button) => {
                let coil = self.coil_of(button)?;
                let lamp = self.current.as_ref().map(|current| &current.frozen.lamp);
                let hold = lamp.and_then(|lamp| match &lamp.worked {
                    Worked::Buttons(buttons) => Some(buttons.hold),
                    _ => None,
                });
                let hold = hold.unwrap_or(HOLD);
                self.ask(FINGERS, Verb::Press { coil, hold }).await?;
                (self.seat.now(), "button")
            }
        };
        let decision = Decision::Began {
            program: begins.program.clone(),
            at,
            by: by.to_owned(),
        };
        self.record(at_work, Body::Decided { decision }).await?;
        Ok(())
    }

    /// Withdraws series that are still going, and waits for the threads.
    async fn end_series(&mut self, all: &mut [Written]) {
        for written in all.iter().filter(|written| !written.over) {
            self.bench.abandon(&written.meter);
        }
        let until = self.seat.now().mono + ANSWER_WITHIN;
        for written in all.iter_mut().filter(|written| !written.over) {
            let end = written.id + u64::from(written.count);
            while self.bench.take_reply(end).is_none() && self.seat.now().mono < until {
                self.seat.wait_async(Some(until)).await;
            }
            self.bench.give_up(written.id..end + 1);
        }
    }
}

/// A program changes the light: where all readings are of one light, it never began.
fn has_begun(begins: &Begins, watching: &Written) -> Result<(), Broken> {
    let still = watching
        .between
        .is_some_and(|(least, most)| steady(least, most));
    if !still {
        return Ok(());
    }
    Err(Broken::fault(
        NOT_BEGUN,
        format!(
            "the light did not change while the program `{}` was to run: it never began; try its \
             start by hand, and look whether the finger sits on its button",
            begins.program
        ),
    ))
}

/// A reading that was due while the one before was not over.
fn not_in_time(written: &Written, at: Moment) -> Reading {
    Reading {
        meter: written.meter.clone(),
        quantity: written.quantity,
        outcome: Outcome::TimedOut,
        range: None,
        flags: vec![NOT_IN_TIME.to_owned()],
        raw: Vec::new(),
        asked: at,
        taken: at,
    }
}
