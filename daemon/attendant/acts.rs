//! One action, from *started* to *done* or to what broke it off.

use drivers::roles::positioner::Proof;
use photometry::measured::{Outcome, Quantity, Reading};
use photometry::units::{Length, Ratio, Span};

use super::asking::Broken;
use super::questions;
use super::record::RecordError;
use super::work::Attendant;
use crate::bench::instrument::{Answer, Verb};
use crate::bench::limits;
use crate::bench::open::{FINGERS, RAIL};
use crate::plan::card::Rail;
use crate::plan::itinerary::{Action, Key, OFF, Purpose, Question, TestHead, What};
use crate::plan::print;
use crate::run::decide;
use crate::run::journal::{
    Body, Decision, DriftVerdict, Facts, HoldCause, LIGHT_LOST, ResumeCause, STEPS_LOST,
};
use crate::run::lit::Astray;
use crate::run::progress::Unseen;

/// Between a reading in doubt and the look that settles it: a lamp that lost
/// its mains for a moment is back by then. Common practice, no source.
const LOOK_AGAIN_AFTER: Span = Span::from_secs(2);
/// Planes of two meters are near by so small a share of the distance: the light is
/// the same within a fifth by the inverse square.
const NEAR_PLANE: f64 = 0.1;
/// Looks back at the lamp, after a reading of something else, count from here, above
/// those of any series.
pub(super) const LOOKS_BACK_FROM: u32 = 1 << 30;
/// Askings of a meter that gives no value before the action fails.
pub(super) const TRIES_AT_MOST: u32 = 3;

/// The action at work and its attempt, as the journal names it.
#[derive(Clone, Debug)]
pub(super) struct AtWork {
    pub no: i64,
    pub attempt: u32,
    pub action: Action,
    pub head: TestHead,
}

/// What comes after an event of an action.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Follows {
    /// It ends its action; a reading does if it says something of the light.
    NextAction,
    /// A wait, another reading, a decision.
    Anything,
}

impl Attendant {
    /// Carries an action out, from *started* on.
    pub(super) async fn carry_out(&mut self, no: i64, attempt: u32) -> Result<(), Broken> {
        let (at_work, doing) = self.put_to_work(no, attempt)?;
        self.start(&at_work, Body::Started { doing }).await?;
        self.settle_doubt(&at_work).await?;
        self.look_after_hold(&at_work).await?;
        if let Some(facts) = self.act_on(&at_work).await? {
            let done = Body::Done { facts };
            self.tell(&at_work, done, Follows::NextAction).await?;
        }
        Ok(())
    }

    /// Writes that the action begins. A rest, a reading and a look at the room change
    /// nothing at the bench, and are begun while it is written.
    async fn start(&mut self, at_work: &AtWork, body: Body) -> Result<(), RecordError> {
        let changes_nothing = matches!(
            at_work.action.what,
            What::Settle { .. } | What::Read { .. } | What::LookAtRoom(_)
        );
        if !changes_nothing {
            return self.record(at_work, body).await;
        }
        let at = self.seat.now();
        let Some(current) = &mut self.current else {
            return Ok(());
        };
        let (no, attempt) = (Some(at_work.no), at_work.attempt);
        current.set_out(at, no, attempt, body).await
    }

    /// Before anything else is done: the lamp shines as it was set, or it is
    /// looked at once more where the last reading leaves that open.
    async fn settle_doubt(&mut self, at_work: &AtWork) -> Result<(), Broken> {
        let state = self.current.as_ref().map(|current| &current.state);
        let doubt = state.and_then(|state| state.doubted());
        let key = doubt.map(|doubt| doubt.key.clone());
        if let Some(key) = key {
            let until = self.seat.now().mono + LOOK_AGAIN_AFTER;
            self.pause_until(until).await?;
            let purpose = Purpose::Watch;
            self.read_again(at_work, &Key { purpose, ..key }).await?;
        }
        let state = self.current.as_ref().map(|current| &current.state);
        let unseen = state.and_then(|state| state.unseen()).cloned();
        let unseen = unseen.filter(|unseen| self.sees_the_lamp(at_work, unseen));
        if let Some(Unseen { key, .. }) = unseen {
            let (purpose, visit) = (Purpose::Watch, LOOKS_BACK_FROM + key.visit);
            let key = Key {
                purpose,
                visit,
                ..key
            };
            self.read_again(at_work, &key).await?;
        }
        self.lamp_shines(&at_work.action.setting)
    }

    /// Whether the watching meter, where the carriage stands, has about the light that
    /// it has where it watches from: its plane lies near that of the one that captured.
    fn sees_the_lamp(&self, at_work: &AtWork, unseen: &Unseen) -> bool {
        let meters = &self.bench.card().meters;
        let plane = |name: &str| {
            let meter = meters.iter().find(|meter| meter.name == name);
            meter.map_or(Length::ZERO, |meter| meter.plane)
        };
        let Some(captured_by) = &unseen.captured_by else {
            return true;
        };
        let watch = at_work.head.watch;
        let off = plane(&at_work.head.meter) - plane(captured_by);
        off == Length::ZERO || off.abs().metres() <= NEAR_PLANE * watch.metres()
    }

    /// After a lamp of the sphere was switched off: nothing shines any more.
    pub(super) async fn look_whether_dark(&mut self, at_work: &AtWork) -> Result<(), Broken> {
        let is_off = match &at_work.action.what {
            What::Switch { on, .. } => !on,
            What::Ask {
                question: Question::SwitchByHand { on, .. },
            } => !on,
            _ => false,
        };
        // What was frozen before there was such a look has no key for it.
        if is_off && at_work.action.key.is_some() {
            self.look(at_work, OFF, 1).await?;
            self.lamp_shines(OFF)?;
        }
        Ok(())
    }

    /// Fails where a reading said that the lamp is not as it was set.
    pub(super) fn lamp_shines(&self, setting: &str) -> Result<(), Broken> {
        let state = self.current.as_ref().map(|current| &current.state);
        match state.and_then(|state| state.astray) {
            Some(astray) => Err(light_lost(astray, setting)),
            None => Ok(()),
        }
    }

    /// The action with this number and its head, and what is done, in words.
    pub(super) fn put_to_work(&self, no: i64, attempt: u32) -> Result<(AtWork, String), Broken> {
        let Some(current) = &self.current else {
            return Err(Broken::fault("no-run", "no run is in hand"));
        };
        let itinerary = &current.frozen.itinerary;
        let Some(action) = current.action(no) else {
            return Err(Broken::fault(
                "no-action",
                format!("there is no action {no}"),
            ));
        };
        let Some(head) = itinerary.tests.get(action.test as usize).cloned() else {
            return Err(Broken::fault(
                "no-test",
                format!("action {no} belongs to no test"),
            ));
        };
        let doing = print::doing(&action, current.frozen.card.lengths);
        let at_work = AtWork {
            no,
            attempt,
            action,
            head,
        };
        Ok((at_work, doing))
    }

    /// From now on the lamp cools.
    fn note_lamp_off(&mut self) {
        let now = self.seat.now().mono;
        if let Some(current) = &mut self.current {
            current.known.off_since = Some(now);
        }
    }

    /// Rests until so long after the carriage came.
    async fn rest_since_arrival(&mut self, rest: Span) -> Result<Facts, Broken> {
        let arrived = self.current.as_ref().and_then(|c| c.known.arrived);
        let since = arrived.unwrap_or(self.seat.now().mono);
        self.pause_until(since + rest).await?;
        Ok(Facts::default())
    }

    /// Takes the reading of an action that is no more than one; it stands for the
    /// action's end.
    async fn read_keyed(
        &mut self,
        at_work: &AtWork,
        purpose: Purpose,
    ) -> Result<Option<Facts>, Broken> {
        let Some(key) = at_work.action.key.clone() else {
            return Err(Broken::fault("no-key", "a reading without a key"));
        };
        let key = Key { purpose, ..key };
        self.read_or_fail(at_work, &key, Follows::NextAction)
            .await?;
        Ok(None)
    }

    /// Does what the action says; what was found in doing it, or none where a
    /// reading ends the action by itself.
    async fn act_on(&mut self, at_work: &AtWork) -> Result<Option<Facts>, Broken> {
        let facts = match at_work.action.what.clone() {
            What::Read { purpose, .. } => return self.read_keyed(at_work, purpose).await,
            What::ReleaseFingers => {
                self.ask(FINGERS, Verb::ReleaseAll).await?;
                Facts::default()
            }
            What::Home => self.home(self.proof_after_a_seam(at_work)).await?,
            What::ProveHome { tolerance } => self.home(Some(tolerance)).await?,
            What::Move { to, coordinate } => self.go(to, coordinate).await?,
            What::Settle { rest } => self.rest_since_arrival(rest).await?,
            What::LampOff => {
                let facts = self.lamp_off(at_work).await?;
                self.note_lamp_off();
                facts
            }
            What::SetLevel { target } => self.set_level(at_work, &target).await?,
            What::FindHalfLight {
                mode,
                highest,
                readings,
            } => {
                self.find_half_light(at_work, &mode, highest, readings)
                    .await?
            }
            What::WarmUp { rule, every, cap } => self.warm_up(at_work, rule, every, cap).await?,
            What::Shutter { closed, meter } => {
                let meter = meter.unwrap_or_else(|| at_work.head.meter.clone());
                self.ask(&meter, Verb::Shutter(closed)).await?;
                Facts::default()
            }
            What::Expose { meter, least, most } => {
                self.expose(at_work, &meter, (least, most)).await?;
                Facts::default()
            }
            What::Capture {
                meter, sampling, ..
            } => {
                self.capture(at_work, &meter, sampling).await?;
                return Ok(None);
            }
            What::Soak { least, before } => self.soak(least, before).await?,
            What::Wait { least } => {
                let until = self.seat.now().mono + least;
                self.pause_until(until).await?;
                Facts::default()
            }
            What::Record(recording) => self.record_series(at_work, &recording).await?,
            What::LookAtRoom(look) => self.look_at_room(at_work, &look).await?,
            What::Switch { outlet, on } => self.switch(at_work, &outlet, on).await?,
            What::CheckDrift {
                limit,
                give_up,
                leg,
            } => self.check_drift(at_work, leg, limit, give_up).await?,
            What::CheckReturn { limit, leg } => {
                self.check_return(at_work, leg, limit).await?;
                Facts::default()
            }
            What::Ask { question } => {
                let words = questions::words(&question);
                self.asked_of_a_person(at_work, &words).await?
            }
        };
        Ok(Some(facts))
    }

    async fn asked_of_a_person(&mut self, at_work: &AtWork, words: &str) -> Result<Facts, Broken> {
        let answer = Some(self.ask_person(at_work, words).await?);
        self.look_whether_dark(at_work).await?;
        Ok(Facts {
            answer,
            ..Facts::default()
        })
    }

    /// Writes an event of the action at work.
    pub(super) async fn record(&mut self, at_work: &AtWork, body: Body) -> Result<(), RecordError> {
        self.tell(at_work, body, Follows::Anything).await
    }

    /// Tells an event of the action at work. Where it ends the action, the next
    /// one's first comes at once, and both are written together.
    pub(super) async fn tell(
        &mut self,
        at_work: &AtWork,
        body: Body,
        follows: Follows,
    ) -> Result<(), RecordError> {
        let at = self.seat.now();
        let Some(current) = &mut self.current else {
            return Ok(());
        };
        let (no, attempt) = (Some(at_work.no), at_work.attempt);
        match follows {
            Follows::NextAction => current.keep(at, no, attempt, body).await,
            Follows::Anything => current.write(at, no, attempt, body).await,
        }
    }

    /// Reads once and tells it; the outcome as it was.
    async fn read_once(
        &mut self,
        at_work: &AtWork,
        key: &Key,
        follows: Follows,
    ) -> Result<Reading, Broken> {
        self.take_orders();
        self.check_limits()?;
        let (meter, quantity) = match &at_work.action.what {
            // A look in between is the watching meter's.
            What::Read {
                meter: Some(meter),
                quantity,
                ..
            } if key.purpose != Purpose::Watch => (meter.clone(), *quantity),
            _ => (at_work.head.meter.clone(), Quantity::Illuminance),
        };
        let reading = match self.ask(&meter, Verb::Read(quantity)).await? {
            Answer::Reading(reading) => reading,
            other => return Err(unexpected(&meter, &other)),
        };
        let body = Body::Taken {
            key: key.clone(),
            reading: reading.clone(),
        };
        let follows = if reading.outcome.says_something() {
            follows
        } else {
            Follows::Anything // it is asked again
        };
        self.tell(at_work, body, follows).await?;
        Ok(reading)
    }

    /// Reads until the meter says something, in the middle of an action.
    pub(super) async fn read_again(
        &mut self,
        at_work: &AtWork,
        key: &Key,
    ) -> Result<Outcome, Broken> {
        self.read_or_fail(at_work, key, Follows::Anything).await
    }

    /// Reads until the meter says something: a value, over or under range.
    async fn read_or_fail(
        &mut self,
        at_work: &AtWork,
        key: &Key,
        follows: Follows,
    ) -> Result<Outcome, Broken> {
        let mut last = String::new();
        for _ in 0..TRIES_AT_MOST {
            let reading = self.read_once(at_work, key, follows).await?;
            if reading.outcome.says_something() {
                return Ok(reading.outcome);
            }
            last = match reading.outcome {
                Outcome::Rejected(reason) => reason,
                _ => "no answer in time".to_owned(),
            };
        }
        Err(Broken::fault(
            "no-value",
            format!(
                "`{}` gave no value in {TRIES_AT_MOST} askings ({last}); check that it is on and \
                 set as the bench file says",
                at_work.action.other_meter().unwrap_or(&at_work.head.meter)
            ),
        ))
    }

    /// A look at the light for a decision: recorded, and what came of it. `nth`
    /// counts the looks of this action, from 1.
    pub(super) async fn look(
        &mut self,
        at_work: &AtWork,
        setting: &str,
        nth: u32,
    ) -> Result<Outcome, Broken> {
        let first = at_work.action.key.as_ref().map_or(1, |key| key.visit);
        let visit = first.saturating_add(nth - 1);
        let key = Key {
            test: at_work.head.name.clone(),
            setting: setting.to_owned(),
            position: at_work.head.watch,
            purpose: Purpose::Watch,
            visit,
        };
        self.read_again(at_work, &key).await
    }

    /// Asks a person and waits; the run is held meanwhile.
    pub(super) async fn ask_person(
        &mut self,
        at_work: &AtWork,
        words: &str,
    ) -> Result<String, Broken> {
        self.answer = None;
        let cause = HoldCause::Question(words.to_owned());
        self.record(at_work, Body::Held { cause }).await?;
        self.let_time_stand();
        let answer = self.wait_for_answer().await;
        self.let_time_pass();
        let answer = answer?;
        self.record(
            at_work,
            Body::Resumed {
                cause: ResumeCause::Answered,
            },
        )
        .await?;
        Ok(answer)
    }

    /// How far the home switch may lie off when it is sought after a seam: what
    /// was measured before rests on it. None at a test's own beginning.
    fn proof_after_a_seam(&self, at_work: &AtWork) -> Option<Length> {
        let current = self.current.as_ref().filter(|_| at_work.no < 0)?;
        let mut actions = current.frozen.itinerary.actions.iter();
        actions.find_map(|action| match action.what {
            What::ProveHome { tolerance } if action.test == at_work.action.test => Some(tolerance),
            _ => None,
        })
    }

    async fn home(&mut self, prove: Option<Length>) -> Result<Facts, Broken> {
        self.carriage_moves();
        let homing = match self.ask(RAIL, Verb::Home).await? {
            Answer::Homed(homing) => homing,
            other => return Err(unexpected(RAIL, &other)),
        };
        let offset = match homing.proof {
            Proof::Offset(offset) => Some(offset),
            Proof::FirstTime | Proof::NotPossible | Proof::NotWithin(_) => None,
        };
        let now = self.seat.now().mono;
        if let Some(current) = &mut self.current {
            current.known.coordinate = Some(homing.at);
            current.known.arrived = Some(now);
        }
        if let Some(tolerance) = prove {
            steps_kept(homing.proof, tolerance)?;
        }
        Ok(Facts {
            coordinate: Some(homing.at),
            home_offset: offset,
            answer: None,
        })
    }

    async fn go(&mut self, to: Length, coordinate: Length) -> Result<Facts, Broken> {
        let rail = self.rail()?;
        let here = self
            .current
            .as_ref()
            .and_then(|current| current.known.coordinate);
        limits::permit(&rail, here, coordinate)
            .map_err(|error| Broken::fault("outside-travel", error.to_string()))?;
        self.carriage_moves();
        let at = match self.ask(RAIL, Verb::Go(coordinate)).await? {
            Answer::At(at) => at,
            other => return Err(unexpected(RAIL, &other)),
        };
        let now = self.seat.now().mono;
        if let Some(current) = &mut self.current {
            current.known.position = Some(to);
            current.known.coordinate = Some(at);
            current.known.arrived = Some(now);
        }
        Ok(Facts {
            coordinate: Some(at),
            ..Facts::default()
        })
    }

    /// From here on nobody knows where the carriage is, until it has arrived.
    fn carriage_moves(&mut self) {
        if let Some(current) = &mut self.current {
            current.known.position = None;
            current.known.coordinate = None;
        }
    }

    fn rail(&self) -> Result<Rail, Broken> {
        let rail = self.bench.card().rail.clone();
        rail.ok_or_else(|| Broken::fault("absent", "this bench has no rail"))
    }

    async fn check_drift(
        &mut self,
        at_work: &AtWork,
        leg: u32,
        limit: Ratio,
        give_up: Ratio,
    ) -> Result<Facts, Broken> {
        let decision = match &self.current {
            Some(current) => decide::leg_drift(&current.state, leg, limit, give_up),
            None => Decision::Drift {
                leg,
                drift: None,
                verdict: DriftVerdict::NotKnown,
            },
        };
        self.record(
            at_work,
            Body::Decided {
                decision: decision.clone(),
            },
        )
        .await?;
        match decision {
            Decision::Drift {
                drift: Some(drift),
                verdict: DriftVerdict::GivenUp,
                ..
            } => Err(Broken::fault(
                "drifted",
                format!(
                    "the light drifted by {drift} over the leg, twice; at most {give_up} is of use"
                ),
            )),
            _ => Ok(Facts::default()),
        }
    }

    async fn check_return(
        &mut self,
        at_work: &AtWork,
        leg: u32,
        limit: Ratio,
    ) -> Result<(), Broken> {
        let decision = match &self.current {
            Some(current) => {
                decide::leg_return(&current.state, &current.frozen.itinerary, leg, limit)
            }
            None => Decision::Return {
                leg,
                drift: None,
                goes_on: true,
                unproven: false,
            },
        };
        self.record(at_work, Body::Decided { decision }).await?;
        Ok(())
    }
}

/// The lamp went out, or changed its level by itself, after that was set.
fn light_lost(astray: Astray, setting: &str) -> Broken {
    let seen = astray.words(setting);
    Broken::fault(LIGHT_LOST, format!("{seen}: {}", astray.because()))
}

/// Whether a homing proves that no steps were lost.
fn steps_kept(proof: Proof, tolerance: Length) -> Result<(), Broken> {
    match proof {
        Proof::Offset(offset) if offset.abs() <= tolerance => Ok(()),
        Proof::Offset(offset) => Err(Broken::fault(
            STEPS_LOST,
            format!(
                "the home switch was found {offset} from its place, more than {tolerance}: steps \
                 were lost, and every position since the last homing is suspect"
            ),
        )),
        Proof::NotWithin(reach) => Err(Broken::fault(
            STEPS_LOST,
            format!("the home switch was not found within {reach} of its place: steps were lost"),
        )),
        // The controller cannot touch its switch: open loop, said in the facts
        // by the missing offset.
        Proof::FirstTime | Proof::NotPossible => Ok(()),
    }
}

/// An answer of another kind than asked for: a mistake of ours.
pub(super) fn unexpected(instrument: &str, answer: &Answer) -> Broken {
    Broken::fault(
        "unexpected",
        format!("`{instrument}` answered {answer:?} to another question"),
    )
}

/// A pause between looks at a lamp that a person has just set.
pub(super) const AFTER_A_HAND: Span = Span::from_secs(3);
