//! The state of a run as a replay of its journal, and its next move.
//!
//! [`State::apply`] is total: every event either changes the state or is
//! named illegal, whatever came before. The attendant applies each event
//! before it is written down anywhere else, and replays the same events after
//! a restart; there is no second way to reach a state.

use std::collections::{BTreeMap, BTreeSet};

use photometry::measured::Moment;
use photometry::units::{Span, Wall};

use super::done::Done;
use super::journal::{
    Body, End, Event, Fault, HoldCause, LIGHT_LOST, ResumeCause, STEPS_LOST, SeamCause,
};
use super::lit::{Astray, Lit};
use super::restart;
use super::restart::{legs_again, legs_of_test};
use super::room::FRUITLESS_SEAMS_AT_MOST;
use crate::plan::intent::OnFailure;
use crate::plan::itinerary::{Action, Itinerary, Purpose, What};
use light::Sightings;

mod light;
mod references;
mod sphere;
mod taken;

pub use light::Unseen;
pub use references::References;
use references::mean_of_all;

/// Where a run is.
#[derive(Clone, Debug, PartialEq)]
pub enum Phase {
    /// Nothing has happened.
    New,
    /// At work.
    Measuring,
    /// Broken off; waits to be resumed or held or ended.
    BrokenOff(SeamCause),
    /// Waits for a person.
    Held(HoldCause),
    /// Over.
    Ended(End),
}

/// A leg to be measured again, once the action that decided it is done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct LegAgain {
    leg: u32,
    /// The test's legs before it, too.
    earlier: bool,
    /// Because it drifted: that happens once. A repeat that a seam made
    /// necessary is not counted against the lamp.
    drifted: bool,
}

/// The action at work.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Running {
    /// Its number; negative in a preamble.
    pub no: i64,
    /// Which attempt.
    pub attempt: u32,
}

/// A device that is gone, and the action that needs it.
#[derive(Clone, Debug, PartialEq)]
pub struct LostDevice {
    /// The action's number; negative in a preamble.
    pub no: i64,
    /// Which attempt.
    pub attempt: u32,
    /// The device.
    pub instrument: String,
    /// The sitting that lost it.
    pub sitting: u32,
    /// When that was.
    pub at: Moment,
}

/// The actions that stand before going on after a seam.
#[derive(Clone, Debug, PartialEq)]
pub struct Preamble {
    /// Its actions, in order.
    pub actions: Vec<Action>,
    /// How many are done.
    pub done: usize,
}

/// An event that cannot follow what went before.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("event {seq} ({kind}) cannot follow: {why}")]
pub struct IllegalEvent {
    /// The event's number.
    pub seq: u64,
    /// Its kind.
    pub kind: &'static str,
    /// Why.
    pub why: String,
}

/// What comes next.
#[derive(Clone, Debug, PartialEq)]
pub enum Move {
    /// Write *begun*.
    Begin,
    /// Do this action.
    Do {
        /// Its number; negative in a preamble.
        no: i64,
        /// Which attempt it is.
        attempt: u32,
    },
    /// Make the bench safe.
    MakeSafe,
    /// Write *ended*.
    End(End),
    /// Nothing until somebody or something lets the run go on.
    Wait,
}

/// The state of one run.
#[derive(Clone, Debug, PartialEq)]
pub struct State {
    /// Where it is.
    pub phase: Phase,
    /// The life of the daemon, from 1; 0 before the first event.
    pub sitting: u32,
    /// The next event's number.
    pub next_seq: u64,
    /// The action at work.
    pub running: Option<Running>,
    /// What stands before going on.
    pub preamble: Option<Preamble>,
    /// Tests that failed, by index.
    pub failed_tests: BTreeMap<u32, Fault>,
    /// The lamp.
    pub lit: Lit,
    /// The level of half the light, by mode.
    pub half_light: BTreeMap<String, u16>,
    /// The light seen at the watch position, by setting's key, in this run.
    pub light_at: BTreeMap<String, f64>,
    /// The light of each setting as it was last passed on the way up.
    pub passed_at: BTreeMap<String, f64>,
    /// The lights as they were before the seam from which the run returns.
    light_at_seam: BTreeMap<String, f64>,
    /// Broken off, and no preamble has come to its end since.
    returning: bool,
    /// A homing since that seam did not prove that no steps were lost before
    /// it; another, proven since that one, does not either.
    pub homing_unproven: bool,
    /// A reading was far from the light of its setting, and nothing was done
    /// about it yet.
    pub astray: Option<Astray>,
    sightings: Sightings,
    /// The test from whose watch position these lights were seen.
    looks_in: Option<u32>,
    /// The bench was made safe and nothing was done since.
    pub safe: bool,
    /// When the run was last broken off.
    pub seam_at: Wall,
    /// The device that is waited for, or was.
    pub lost: Option<LostDevice>,
    /// Losses in a row without more done than ever before at a loss.
    fruitless_losses: u32,
    done_at_loss: usize,
    /// Windows in a row that closed without one planned action more done.
    pub fruitless_windows: u32,
    done_at_window: usize,
    done: Done,
    attempts: Vec<u32>,
    preambles: u32,
    broken: bool,
    /// Legs that drifted over the limit once.
    drifted: BTreeSet<u32>,
    leg_again: Option<LegAgain>,
    /// What is to be read again because the room was disturbed: from the first of these
    /// actions to the last, once that is done.
    room_again: Option<(u32, u32)>,
    /// How often that was, by the last action.
    room_repeats: BTreeMap<u32, u32>,
    /// What was seen of the room when it was last not quiet: light in lx, air in
    /// degrees Celsius.
    pub room_seen: Option<(Option<f64>, Option<f64>)>,
    /// The room was waited for in vain, and was not seen quiet since.
    pub room_stays_lit: bool,
    /// A person was waited for because of the room, and nobody looked at it since.
    pub room_unseen: bool,
    /// Seams in a row because of the room without progress.
    fruitless_rooms: u32,
    done_at_room: usize,
    references: References,
    returns: Vec<Option<f64>>,
}

impl State {
    /// Before the first event.
    pub fn new(itinerary: &Itinerary) -> State {
        State {
            phase: Phase::New,
            sitting: 0,
            next_seq: 1,
            running: None,
            preamble: None,
            failed_tests: BTreeMap::new(),
            lit: Lit::NotTouched,
            half_light: BTreeMap::new(),
            light_at: BTreeMap::new(),
            passed_at: BTreeMap::new(),
            light_at_seam: BTreeMap::new(),
            returning: false,
            homing_unproven: false,
            astray: None,
            sightings: Sightings::default(),
            looks_in: None,
            safe: true,
            seam_at: Wall::default(),
            lost: None,
            fruitless_losses: 0,
            done_at_loss: 0,
            fruitless_windows: 0,
            done_at_window: 0,
            done: Done::none_of(itinerary.actions.len()),
            attempts: vec![0; itinerary.actions.len()],
            preambles: 0,
            broken: false,
            drifted: BTreeSet::new(),
            leg_again: None,
            room_again: None,
            room_repeats: BTreeMap::new(),
            room_seen: None,
            room_stays_lit: false,
            room_unseen: false,
            fruitless_rooms: 0,
            done_at_room: 0,
            references: References::default(),
            returns: Vec::new(),
        }
    }

    /// The state after all these events.
    ///
    /// # Errors
    /// At the first event that cannot follow.
    pub fn replay(itinerary: &Itinerary, events: &[Event]) -> Result<State, IllegalEvent> {
        let mut state = State::new(itinerary);
        for event in events {
            state.apply(itinerary, event)?;
        }
        Ok(state)
    }

    /// The action with this number, planned or of the preamble.
    pub fn action<'a>(&'a self, itinerary: &'a Itinerary, no: i64) -> Option<&'a Action> {
        match usize::try_from(no) {
            Ok(planned) => itinerary.actions.get(planned),
            Err(_) => {
                let index = no.unsigned_abs() as usize - 1; // -1 is its first
                self.preamble.as_ref()?.actions.get(index)
            }
        }
    }

    /// How many planned actions are done.
    pub fn actions_done(&self) -> usize {
        self.done.count()
    }

    /// How many losses of a device in a row it would be without any progress, if
    /// one were lost now.
    pub fn fruitless_losses_with_one_more(&self) -> u32 {
        match self.actions_done() > self.done_at_loss {
            true => 1,
            false => self.fruitless_losses + 1,
        }
    }

    /// How often this action was done again because the room was disturbed.
    pub fn room_repeats(&self, no: i64) -> u32 {
        let planned = u32::try_from(no).ok();
        planned.map_or(0, |no| self.room_repeats.get(&no).copied().unwrap_or(0))
    }

    /// Whether one more seam because of the room would be one too many without progress.
    pub fn room_is_hopeless(&self) -> bool {
        let fruitless = self.actions_done() <= self.done_at_room;
        fruitless && self.fruitless_rooms >= FRUITLESS_SEAMS_AT_MOST
    }

    /// Whether a planned action is done.
    pub fn is_done(&self, no: u32) -> bool {
        self.done.is(no)
    }

    /// The planned actions that are still to be done.
    pub fn still_to_do<'a>(&'a self, itinerary: &'a Itinerary) -> impl Iterator<Item = &'a Action> {
        let open = itinerary.actions.iter().skip(self.done.first_open());
        open.filter(|action| {
            !self.is_done(action.no) && !self.failed_tests.contains_key(&action.test)
        })
    }

    /// What is at work is to be done again, because the room was disturbed.
    pub fn is_again(&self) -> bool {
        self.room_again.is_some()
    }

    /// What the reference visits of each leg gave.
    pub fn references(&self) -> &References {
        &self.references
    }

    /// Mean of the reference readings since the last seam.
    pub fn return_mean(&self) -> Option<f64> {
        mean_of_all(self.returns.iter().copied())
    }

    /// Whether everything in a leg is done.
    pub fn leg_is_done(&self, itinerary: &Itinerary, leg: u32) -> bool {
        let mut of_leg = itinerary.actions.iter().filter(|a| a.leg == Some(leg));
        of_leg.all(|action| self.is_done(action.no))
    }

    /// Whether a reading of a leg, other than of its reference, is done.
    pub fn leg_has_readings(&self, itinerary: &Itinerary, leg: u32) -> bool {
        let reads = |action: &&Action| {
            let purpose = action.key.as_ref().map(|key| key.purpose);
            action.leg == Some(leg) && purpose == Some(Purpose::Read)
        };
        let mut of_leg = itinerary.actions.iter().filter(reads);
        of_leg.any(|action| self.is_done(action.no))
    }

    /// The light of a leg's setting at the watch position before the last seam.
    pub fn light_before_the_seam(&self, itinerary: &Itinerary, leg: u32) -> Option<f64> {
        let mut actions = itinerary.actions.iter();
        let setting = &actions.find(|action| action.leg == Some(leg))?.setting;
        self.light_at_seam.get(setting).copied()
    }

    /// Whether a leg was measured again because of its drift.
    pub fn drifted_before(&self, leg: u32) -> bool {
        self.drifted.contains(&leg)
    }

    /// How long the lamp has been on at `now` of the present sitting.
    pub fn lit_for(&self, now: Moment) -> Option<Span> {
        match self.lit {
            Lit::On { sitting, since, .. } | Lit::MaybeOn { sitting, since } => {
                let here = sitting == self.sitting;
                Some(if here {
                    now.mono.since(since.mono)
                } else {
                    now.wall.since(since.wall)
                })
            }
            Lit::NotTouched | Lit::Off => None,
        }
    }

    /// What comes next.
    pub fn next_move(&self, itinerary: &Itinerary) -> Move {
        match self.phase {
            Phase::New => Move::Begin,
            Phase::BrokenOff(_) | Phase::Held(_) | Phase::Ended(_) => Move::Wait,
            Phase::Measuring => self.next_at_work(itinerary),
        }
    }

    fn next_at_work(&self, itinerary: &Itinerary) -> Move {
        // There is one only while something of it is left to do.
        if let Some(preamble) = &self.preamble {
            let no = -(preamble.done as i64) - 1;
            return Move::Do {
                no,
                attempt: self.preambles,
            };
        }
        if let Some(action) = self.still_to_do(itinerary).next() {
            let attempt = self.attempts[action.no as usize] + 1;
            return Move::Do {
                no: i64::from(action.no),
                attempt,
            };
        }
        if self.safe {
            Move::End(self.end(itinerary))
        } else {
            Move::MakeSafe
        }
    }

    /// How the run ends when nothing is left to do.
    fn end(&self, itinerary: &Itinerary) -> End {
        let tests = itinerary.tests.len();
        if tests > 0 && self.failed_tests.len() == tests {
            End::Failed
        } else if self.failed_tests.is_empty() && itinerary.left_out.is_empty() {
            End::Complete
        } else {
            End::CompleteWithGaps
        }
    }

    /// Takes one event in.
    ///
    /// # Errors
    /// When the event cannot follow what went before; the state is then
    /// unchanged.
    pub fn apply(&mut self, itinerary: &Itinerary, event: &Event) -> Result<(), IllegalEvent> {
        self.permits(itinerary, event).map_err(|why| IllegalEvent {
            seq: event.seq,
            kind: event.body.kind(),
            why,
        })?;
        if event.sitting > self.sitting {
            self.sits_anew();
        }
        self.sitting = event.sitting;
        self.next_seq = event.seq + 1;
        self.change(itinerary, event);
        Ok(())
    }

    /// A new life of the daemon: nobody looked meanwhile, and the mains may have
    /// failed.
    pub fn sits_anew(&mut self) {
        if let Lit::On { seen, .. } = &mut self.lit {
            *seen = false;
        }
    }

    /// Whether the event may follow; the reason if not.
    fn permits(&self, itinerary: &Itinerary, event: &Event) -> Result<(), String> {
        if event.seq != self.next_seq {
            return Err(format!("the next event is {}", self.next_seq));
        }
        if event.sitting == 0 {
            return Err("sittings count from 1".to_owned());
        }
        if event.sitting < self.sitting {
            return Err(format!("the present sitting is {}", self.sitting));
        }
        if let Phase::Ended(_) = self.phase {
            return Err("the run is over".to_owned());
        }
        let measuring = self.phase == Phase::Measuring;
        let at_work = self.running.is_some_and(|running| {
            event.no == Some(running.no) && event.attempt == running.attempt
        });
        // Its action fails when it was waited for in vain.
        let waited_for = self.phase == Phase::BrokenOff(SeamCause::DeviceLost)
            && self
                .lost
                .as_ref()
                .is_some_and(|lost| event.no == Some(lost.no) && event.attempt == lost.attempt);
        let legal = match &event.body {
            Body::Begun { .. } => self.phase == Phase::New,
            Body::Started { .. } => {
                let expected = self.next_move(itinerary);
                let wanted = event.no.map(|no| Move::Do {
                    no,
                    attempt: event.attempt,
                });
                self.running.is_none() && Some(expected) == wanted
            }
            Body::Taken { .. }
            | Body::Captured { .. }
            | Body::Decided { .. }
            | Body::Done { .. } => measuring && at_work,
            Body::Failed { .. } => measuring && at_work || waited_for,
            Body::Lost { fault } => measuring && at_work && fault.instrument.is_some(),
            Body::Back { instrument, .. } => {
                self.phase == Phase::BrokenOff(SeamCause::DeviceLost)
                    && self
                        .lost
                        .as_ref()
                        .is_some_and(|lost| lost.instrument == *instrument)
            }
            Body::Held {
                cause: HoldCause::Question(_),
            } => measuring && at_work,
            Body::Held { .. } => self.phase != Phase::Measuring,
            Body::Resumed {
                cause: ResumeCause::Answered,
            } => {
                matches!(self.phase, Phase::Held(HoldCause::Question(_)))
            }
            Body::Resumed { .. } => matches!(self.phase, Phase::BrokenOff(_) | Phase::Held(_)),
            Body::Seam { .. } => true,
            Body::MadeSafe { .. } => self.running.is_none(),
            Body::Ended { .. } => self.safe && self.running.is_none(),
        };
        if legal {
            Ok(())
        } else {
            Err(format!("the run is {:?}", self.phase))
        }
    }

    fn change(&mut self, itinerary: &Itinerary, event: &Event) {
        match &event.body {
            Body::Begun { .. } => self.phase = Phase::Measuring,
            Body::Started { .. } => self.start(itinerary, event),
            Body::Taken { key, reading } => self.take(itinerary, event, key, reading),
            Body::Captured { key, capture, .. } => {
                self.take_capture(itinerary, event, key, &capture.outcome);
            }
            Body::Decided { decision } => self.decide(itinerary, event, decision),
            Body::Done { facts } => {
                self.light(itinerary, event);
                self.found_home(itinerary, event, facts.home_offset.is_some());
                self.finish(itinerary, event.no);
            }
            Body::Failed { fault } => self.fail(itinerary, event, fault),
            Body::Lost { fault } => self.lose(event, fault),
            Body::Back { .. } => {}
            Body::Held { cause } => self.phase = Phase::Held(cause.clone()),
            Body::Resumed { cause } => {
                // That hold asks a person to switch the lamp off; the release
                // says that it is done.
                let asked_off = self.phase == Phase::Held(HoldCause::MaximumOn);
                if asked_off && *cause == ResumeCause::Released {
                    self.lit = Lit::Off;
                }
                if *cause == ResumeCause::Released {
                    // A person wants it tried again.
                    (self.fruitless_windows, self.fruitless_losses) = (0, 0);
                    self.fruitless_rooms = 0;
                }
                self.resume(itinerary);
            }
            Body::Seam { cause } => {
                self.lose_sight(itinerary);
                self.running = None;
                self.broken = true;
                if !std::mem::replace(&mut self.returning, true) {
                    self.light_at_seam.clone_from(&self.light_at);
                }
                self.seam_at = event.at.wall;
                if *cause == SeamCause::Disturbed {
                    let gained = self.actions_done() > self.done_at_room;
                    self.fruitless_rooms = if gained { 1 } else { self.fruitless_rooms + 1 };
                    self.done_at_room = self.done_at_room.max(self.actions_done());
                }
                if *cause == SeamCause::WindowClosed {
                    let done = self.actions_done();
                    let gained = done > self.done_at_window;
                    self.fruitless_windows = if gained {
                        0
                    } else {
                        self.fruitless_windows + 1
                    };
                    self.done_at_window = done;
                }
                self.phase = Phase::BrokenOff(*cause);
            }
            Body::MadeSafe { left } => {
                self.safe = true;
                self.left_lamp(left.lamp);
            }
            Body::Ended { end } => self.phase = Phase::Ended(*end),
        }
    }

    fn start(&mut self, itinerary: &Itinerary, event: &Event) {
        let Some(no) = event.no else { return };
        self.look_from(itinerary, no);
        self.running = Some(Running {
            no,
            attempt: event.attempt,
        });
        self.safe = false;
        self.point_at_work(itinerary, no);
        if let Ok(planned) = usize::try_from(no)
            && let Some(attempts) = self.attempts.get_mut(planned)
        {
            *attempts = event.attempt;
        }
        // From the first press on the lamp counts as lit, also where it is to
        // be switched off: a power button toggles. A limit on its time must err
        // towards the longer.
        let (sitting, since) = match self.lit {
            Lit::On { sitting, since, .. } | Lit::MaybeOn { sitting, since } => (sitting, since),
            Lit::NotTouched | Lit::Off => (event.sitting, event.at),
        };
        match self.action(itinerary, no).map(|action| &action.what) {
            // The walk to a level may press the power button too.
            // A recording that starts nothing lights nothing.
            Some(What::Record(recording)) if recording.begins.is_none() => {}
            Some(What::SetLevel { .. } | What::FindHalfLight { .. } | What::Record(_)) => {
                self.lit = Lit::On {
                    sitting,
                    since,
                    seen: false,
                };
            }
            Some(What::LampOff) if matches!(self.lit, Lit::NotTouched | Lit::Off) => {
                self.lit = Lit::MaybeOn { sitting, since };
            }
            _ => {}
        }
    }

    /// Homing after a seam proves where the carriage was, or does not.
    fn found_home(&mut self, itinerary: &Itinerary, event: &Event, proven: bool) {
        let action = event.no.and_then(|no| self.action(itinerary, no));
        if action.is_some_and(|action| matches!(action.what, What::Home)) {
            let after_a_seam = event.no.is_some_and(|no| no < 0);
            self.homing_unproven = after_a_seam && (self.homing_unproven || !proven);
        }
    }

    fn finish(&mut self, itinerary: &Itinerary, no: Option<i64>) {
        self.running = None;
        let Some(no) = no else { return };
        match usize::try_from(no) {
            Ok(planned) => {
                self.done.mark(planned);
            }
            Err(_) => {
                if let Some(preamble) = &mut self.preamble {
                    preamble.done += 1;
                }
            }
        }
        if let Some(again) = self.leg_again.take() {
            self.undo_leg(itinerary, again);
        }
        if let Some((first, last)) = self.room_again.take() {
            self.undo_actions(itinerary, first, last);
            *self.room_repeats.entry(last).or_default() += 1;
        }
        if self
            .preamble
            .as_ref()
            .is_some_and(|p| p.done == p.actions.len())
        {
            self.preamble = None;
            (self.returning, self.homing_unproven) = (false, false);
        }
    }

    /// These actions are to be done again, both ends included.
    fn undo_actions(&mut self, itinerary: &Itinerary, first: u32, last: u32) {
        for action in &itinerary.actions[first as usize..=last as usize] {
            self.done.unmark(action.no);
            if let (Some(leg), Some(point)) = (action.leg, action.point) {
                self.references.undo_point(leg, point);
            }
        }
    }

    /// This leg is to be measured again, and its test's earlier ones where that
    /// is said.
    fn undo_leg(&mut self, itinerary: &Itinerary, again: LegAgain) {
        let legs = legs_again(itinerary, again.leg, again.earlier);
        self.undo_legs(itinerary, &legs);
        if again.drifted {
            self.drifted.insert(again.leg);
        }
    }

    fn undo_legs(&mut self, itinerary: &Itinerary, legs: &BTreeSet<u32>) {
        let within = |leg: Option<u32>| leg.is_some_and(|leg| legs.contains(&leg));
        for action in itinerary.actions.iter().filter(|action| within(action.leg)) {
            self.done.unmark(action.no);
        }
        self.references.undo_legs(legs);
        self.sightings.unlearn();
    }

    /// Broken off while it was being switched off: its last look may be old.
    fn lose_sight(&mut self, itinerary: &Itinerary) {
        let running = self.running.and_then(|r| self.action(itinerary, r.no));
        let off = running.is_some_and(|action| matches!(action.what, What::LampOff));
        if off {
            self.lose_sight_of_it();
        }
    }

    fn fail(&mut self, itinerary: &Itinerary, event: &Event, fault: &Fault) {
        self.lose_sight(itinerary);
        self.running = None;
        self.lost = None;
        (self.leg_again, self.room_again) = (None, None);
        self.drop_doubt(itinerary);
        let test = event
            .no
            .and_then(|no| self.action(itinerary, no))
            .map(|action| action.test);
        let planned = event.no.and_then(|no| usize::try_from(no).ok());
        let action = planned.and_then(|no| itinerary.actions.get(no));
        if let Some(action) = action
            && fault.code == LIGHT_LOST
        {
            self.undo_legs(itinerary, &action.leg.into_iter().collect());
            self.undo_points(itinerary, &restart::points_in_doubt(itinerary, action.no));
        }
        if let Some(test) = test
            && fault.code == STEPS_LOST
        {
            self.undo_legs(itinerary, &legs_of_test(itinerary, test));
            for no in restart::recordings_of_test(itinerary, test) {
                self.done.unmark(no);
            }
        }
        if let Some(test) = test
            && itinerary.policies.on_failure == OnFailure::NextTest
        {
            self.failed_tests.insert(test, fault.clone());
            (self.preamble, self.returning) = (None, false);
        }
    }

    /// A device is gone. How often that happens without progress is counted
    /// against the most that was ever done, because legs that are measured again
    /// are no progress.
    fn lose(&mut self, event: &Event, fault: &Fault) {
        self.fruitless_losses = self.fruitless_losses_with_one_more();
        self.done_at_loss = self.done_at_loss.max(self.actions_done());
        if let (Some(no), Some(instrument)) = (event.no, fault.instrument.clone()) {
            self.lost = Some(LostDevice {
                no,
                attempt: event.attempt,
                instrument,
                sitting: event.sitting,
                at: event.at,
            });
        }
    }

    fn resume(&mut self, itinerary: &Itinerary) {
        self.phase = Phase::Measuring;
        if !std::mem::take(&mut self.broken) {
            return;
        }
        self.drop_doubt(itinerary);
        self.preamble = None;
        self.returns.clear();
        (self.leg_again, self.room_again) = (None, None);
        let Some(at) = self.still_to_do(itinerary).next().map(|action| action.no) else {
            return;
        };
        let first = restart::first_to_redo(itinerary, at);
        self.undo_actions(itinerary, first, at);
        let actions = restart::preamble(itinerary, first, |no| self.is_done(no));
        self.returning = !actions.is_empty();
        if self.returning {
            self.preambles += 1;
            self.preamble = Some(Preamble { actions, done: 0 });
        }
    }
}
