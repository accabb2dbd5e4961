//! Looking at the room: after each point, while something is recorded, and before a
//! fault of the lamp's light is believed, for a door that was opened looks like a lamp
//! that went astray.
//!
//! What a look says and what follows is decided by `run::room`. A sensor that says
//! nothing costs no test: it is asked again some minutes later, and what is read
//! meanwhile is flagged.

use photometry::measured::{Quantity, Reading};
use photometry::units::Span;

use super::acts::AtWork;
use super::asking::Broken;
use super::record::RecordError;
use super::work::{Attendant, Stays};
use crate::bench::instrument::{Answer, Verb};
use crate::plan::intent::IfDisturbed;
use crate::plan::itinerary::{Key, Purpose, RoomLook};
use crate::run::journal::{
    Body, Facts, Fault, HoldCause, LIGHT_LOST, ResumeCause, RoomVerdict, SeamCause,
};
use crate::run::room::{self, REPEATS_AT_MOST, Seen};

/// Between two looks while a quiet room is waited for.
const LOOK_AGAIN: Span = Span::from_secs(15);
/// Somebody who fetches something is gone by then; daylight stays. Common practice, no
/// source.
const QUIET_WITHIN: Span = Span::from_mins(10);
/// A sensor that said nothing is asked again after this.
const ASK_AGAIN: Span = Span::from_mins(10);

/// Keys of looks that no itinerary plans count from here: before a fault is believed,
const IN_DOUBT: u32 = 1 << 30;
/// and after a hold.
const AFTER_HOLD: u32 = IN_DOUBT + (1 << 29);

/// Faults that an open door may explain.
const OF_LIGHT: [&str; 6] = [
    LIGHT_LOST,
    "level-not-reached",
    "not-lit",
    "not-dark",
    "stays-on",
    "half-light",
];

/// How a wait for a quiet room ended.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Waited {
    Quiet,
    /// It stayed lit.
    Lit,
    /// The sensor said nothing.
    Blind,
}

impl Attendant {
    /// The look at the end of a point.
    pub(super) async fn look_at_room(
        &mut self,
        at_work: &AtWork,
        look: &RoomLook,
    ) -> Result<Facts, Broken> {
        let Some(key) = at_work.action.key.clone() else {
            return Err(Broken::fault("no-key", "a look at the room without a key"));
        };
        let seen = self.see_room(at_work, look, &key).await?;
        self.judge_room(at_work, look, (seen, &key)).await?;
        Ok(Facts::default())
    }

    /// Writes down what follows from what was seen of the room, and waits for a quiet
    /// one where that is asked for. `key` is that of the last look.
    pub(super) async fn judge_room(
        &mut self,
        at_work: &AtWork,
        look: &RoomLook,
        (seen, key): (Seen, &Key),
    ) -> Result<(), Broken> {
        let state = self.current.as_ref().map(|current| &current.state);
        let repeats = state.map_or(0, |state| match state.room_stays_lit {
            true => REPEATS_AT_MOST,
            false => state.room_repeats(at_work.no),
        });
        let Some(mut verdict) = seen.verdict(look.if_disturbed, repeats) else {
            return Ok(());
        };
        let waits = verdict == RoomVerdict::Again;
        if waits && self.wait_for_quiet(at_work, look, key).await? != Waited::Quiet {
            verdict = RoomVerdict::Flagged;
        }
        self.decide_on_room(at_work, seen, verdict).await
    }

    /// Writes down what follows; a run that is to be held is broken off.
    async fn decide_on_room(
        &mut self,
        at_work: &AtWork,
        seen: Seen,
        verdict: RoomVerdict,
    ) -> Result<(), Broken> {
        let decision = seen.decision(verdict);
        self.record(at_work, Body::Decided { decision }).await?;
        match verdict {
            RoomVerdict::Held => Err(Broken::Off(SeamCause::Disturbed)),
            RoomVerdict::Flagged | RoomVerdict::Again | RoomVerdict::NotKnown => Ok(()),
        }
    }

    /// A person let the run go on that waited because of the room: whether it is quiet now
    /// is seen before anything is read.
    pub(super) async fn look_after_hold(&mut self, at_work: &AtWork) -> Result<(), Broken> {
        // Before every action: what follows looks through the itinerary.
        if !self.current.as_ref().is_some_and(|c| c.state.room_unseen) {
            return Ok(());
        }
        let Some(look) = self.look_of(at_work.action.test) else {
            return Ok(());
        };
        let key = key_beside(at_work, AFTER_HOLD);
        let seen = self.see_room(at_work, &look, &key).await?;
        let waited = match (seen.blind, seen.lit) {
            (true, _) => Waited::Blind,
            (false, true) => self.wait_for_quiet(at_work, &look, &key).await?,
            (false, false) => Waited::Quiet,
        };
        let verdict = match waited {
            Waited::Quiet => return Ok(()),
            Waited::Lit => RoomVerdict::Held,
            Waited::Blind => RoomVerdict::NotKnown,
        };
        self.decide_on_room(at_work, seen, verdict).await
    }

    /// Looks until the room is quiet, or for so long, or until its sensor says nothing.
    async fn wait_for_quiet(
        &mut self,
        at_work: &AtWork,
        look: &RoomLook,
        key: &Key,
    ) -> Result<Waited, Broken> {
        let until = self.seat.now().mono + QUIET_WITHIN;
        let mut key = key.clone();
        while self.seat.now().mono < until {
            self.pause_until(self.seat.now().mono + LOOK_AGAIN).await?;
            key.visit += 1;
            let seen = self.see_room(at_work, look, &key).await?;
            match (seen.blind, seen.lit) {
                (true, _) => return Ok(Waited::Blind),
                (false, false) => return Ok(Waited::Quiet),
                (false, true) => {}
            }
        }
        Ok(Waited::Lit)
    }

    /// Reads the room's light and air, as far as they matter, and writes them down.
    pub(super) async fn see_room(
        &mut self,
        at_work: &AtWork,
        look: &RoomLook,
        key: &Key,
    ) -> Result<Seen, Broken> {
        let mut seen = Seen::default();
        let asked = [
            (
                look.room.light_at_most.is_some(),
                Quantity::Illuminance,
                Purpose::Room,
            ),
            (look.room.air.is_some(), Quantity::Temperature, Purpose::Air),
        ];
        for (_, quantity, purpose) in asked.into_iter().filter(|(matters, ..)| *matters) {
            let Some(reading) = self.ask_room(&look.room.sensor, quantity).await? else {
                seen.blind = true;
                break;
            };
            seen.see(&look.room, &reading);
            let key = Key {
                purpose,
                ..key.clone()
            };
            self.record(at_work, Body::Taken { key, reading }).await?;
        }
        Ok(seen)
    }

    /// Asks the sensor; none where it says nothing, and then not again for a while.
    async fn ask_room(
        &mut self,
        sensor: &str,
        quantity: Quantity,
    ) -> Result<Option<Reading>, Broken> {
        let now = self.seat.now().mono;
        let known = self.current.as_ref().map(|current| &current.known);
        let blind_until = known.and_then(|known| known.room_blind_until);
        if blind_until.is_some_and(|until| now < until) {
            return Ok(None);
        }
        if blind_until.is_some() && !self.is_room_sensor_back(sensor).await? {
            self.go_blind();
            return Ok(None);
        }
        match self.ask(sensor, Verb::Read(quantity)).await {
            Ok(Answer::Reading(reading)) => {
                if let Some(current) = &mut self.current {
                    current.known.room_blind_until = None;
                }
                Ok(Some(reading))
            }
            Err(broken @ (Broken::Off(_) | Broken::Record(_))) => Err(broken),
            Ok(_) => {
                self.go_blind();
                Ok(None)
            }
            Err(Broken::Fault(fault) | Broken::Lost(fault)) => {
                tracing::warn!(code = fault.code, "{}", fault.message);
                self.go_blind();
                Ok(None)
            }
        }
    }

    async fn is_room_sensor_back(&mut self, sensor: &str) -> Result<bool, Broken> {
        if let Some(current) = &mut self.current {
            current.write_kept().await?;
        }
        match self.ask(sensor, Verb::Open).await {
            Ok(_) => Ok(true),
            Err(broken @ (Broken::Off(_) | Broken::Record(_))) => Err(broken),
            Err(Broken::Fault(_) | Broken::Lost(_)) => Ok(false),
        }
    }

    pub(super) fn go_blind(&mut self) {
        let until = self.seat.now().mono + ASK_AGAIN;
        if let Some(current) = &mut self.current {
            current.known.room_blind_until = Some(until);
        }
        tracing::warn!("the sensor of the room says nothing; what is read is flagged");
    }

    /// How the room is looked at in a test.
    fn look_of(&self, test: u32) -> Option<RoomLook> {
        let current = self.current.as_ref()?;
        let mut actions = current.frozen.itinerary.actions.iter();
        actions.find_map(|action| action.room_look().filter(|_| action.test == test).cloned())
    }

    /// A fault of the lamp's light is not believed while the room is lit: it waits for a
    /// quiet room, and then the action is tried again after a seam. What broke it off
    /// otherwise is given back as it came.
    pub(super) async fn doubt_by_room(&mut self, no: i64, attempt: u32, broken: Broken) -> Broken {
        let of_light = |fault: &Fault| OF_LIGHT.contains(&fault.code.as_str());
        let Broken::Fault(fault) = broken else {
            return broken;
        };
        let hopeless = self
            .current
            .as_ref()
            .is_none_or(|c| c.state.room_is_hopeless());
        if !of_light(&fault) || hopeless {
            return Broken::Fault(fault);
        }
        match self.was_the_room(no, attempt).await {
            Ok(true) => Broken::Off(SeamCause::Disturbed),
            Ok(false) => Broken::Fault(fault),
            Err(other) => other,
        }
    }

    /// Whether the room is lit now; then it is waited for, and what is known of it is
    /// written down.
    async fn was_the_room(&mut self, no: i64, attempt: u32) -> Result<bool, Broken> {
        let stays_lit = self
            .current
            .as_ref()
            .is_some_and(|c| c.state.room_stays_lit);
        if stays_lit {
            return Ok(false); // it was waited for in vain already
        }
        let (at_work, _) = self.put_to_work(no, attempt)?;
        let look = self.look_of(at_work.action.test);
        let Some(look) = look.filter(|look| look.room.light_at_most.is_some()) else {
            return Ok(false);
        };
        let key = key_beside(&at_work, IN_DOUBT);
        let seen = self.see_room(&at_work, &look, &key).await?;
        if !seen.lit {
            return Ok(false);
        }
        let quiet = self.wait_for_quiet(&at_work, &look, &key).await?;
        let verdict = match (look.if_disturbed, quiet) {
            (IfDisturbed::Hold, _) => RoomVerdict::Held,
            (_, Waited::Quiet) => RoomVerdict::Again,
            (_, Waited::Lit | Waited::Blind) => RoomVerdict::Flagged,
        };
        let decision = seen.decision(verdict);
        self.record(&at_work, Body::Decided { decision }).await?;
        Ok(verdict != RoomVerdict::Flagged)
    }

    /// After a seam because of the room: a person is asked, or it is quiet by now.
    pub(super) async fn after_disturbance(&mut self) -> Result<Stays, RecordError> {
        let Some(current) = &self.current else {
            return Ok(Stays::Yes);
        };
        let policy = current.frozen.itinerary.policies.if_disturbed;
        if policy == IfDisturbed::Hold {
            let seen = current.state.room_seen;
            let room = current.frozen.card.room.as_ref();
            let words = room
                .zip(seen)
                .map(|(room, (light, air))| room::words(room, light, air));
            let words = words.unwrap_or_else(|| "it was not quiet".to_owned());
            let words = format!(
                "the room was disturbed: {words}; make it dark and quiet again, then release the run"
            );
            return self.hold(HoldCause::Disturbed(words)).await;
        }
        if let Some(cause) = self.must_look() {
            return self.hold(cause).await;
        }
        self.make_safe_if_not().await?;
        if self.window_is_open().await? {
            self.hold_flow();
            let cause = ResumeCause::RoomQuiet;
            self.note(Body::Resumed { cause }).await?;
        }
        Ok(Stays::Yes)
    }
}

/// The key of a look that no itinerary plans, while an action is at work.
fn key_beside(at_work: &AtWork, visit: u32) -> Key {
    Key {
        test: at_work.head.name.clone(),
        setting: at_work.action.setting.clone(),
        position: at_work.action.position.unwrap_or(at_work.head.watch),
        purpose: Purpose::Room,
        visit,
    }
}
