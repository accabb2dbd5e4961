//! The attendant and the phases of a run in its hands.

use std::collections::{BTreeSet, VecDeque};

use drivers::clock::{Mailbox, Seat, mailbox};
use photometry::units::{Mono, Span};
use tokio::sync::broadcast;

use super::asking::Broken;
use super::handle::{Assignment, Handle, NOTES_KEPT, Note, ORDERS_AT_MOST, Order};
use super::record::{Current, RecordError};
use super::stop_button::Button;
use super::window::{self, Hours};
use crate::bench::open::Bench;
use crate::plan::intent::{AfterPowerLoss, OnFailure};
use crate::run::journal::{Body, End, HoldCause, ResumeCause, SeamCause};
use crate::run::ledger::LedgerError;
use crate::run::progress::{Move, Phase};

/// Evenings in a row that may pass without progress before a person is asked.
const FRUITLESS_WINDOWS_AT_MOST: u32 = 2;

/// The loop of one bench.
pub struct Attendant {
    pub(super) seat: Seat,
    pub(super) bench: Bench,
    pub(super) orders: Mailbox<Order>,
    pub(super) notes: broadcast::Sender<Note>,
    pub(super) waiting: VecDeque<Box<Assignment>>,
    pub(super) current: Option<Current>,
    /// An order that breaks the run in hand off, until its seam is dealt with.
    pub(super) interrupt: Option<SeamCause>,
    /// Told to leave; an order for the run in hand is still carried out.
    pub(super) leaving: bool,
    pub(super) answer: Option<String>,
    pub(super) released: bool,
    /// Instruments that were there in this sitting.
    pub(super) met: BTreeSet<String>,
    /// When the window of the run in hand closes.
    pub(super) closes: Option<Mono>,
    /// When the next piece of the kept traffic is cut.
    pub(super) piece_due: Mono,
    /// When the outlets' board is fed next.
    pub(super) feed_due: Mono,
    /// The stop button.
    pub(super) button: Button,
}

/// Whether the attendant goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stays {
    Yes,
    No,
}

impl Attendant {
    /// An attendant for a bench, sitting on its seat, and its handle.
    pub fn new(seat: Seat, bench: Bench) -> (Attendant, Handle) {
        let (post, orders) = mailbox(seat.bell(), ORDERS_AT_MOST);
        let (notes, _) = broadcast::channel(NOTES_KEPT);
        let handle = Handle {
            orders: post,
            notes: notes.clone(),
        };
        let attendant = Attendant {
            seat,
            bench,
            orders,
            notes,
            waiting: VecDeque::new(),
            current: None,
            interrupt: None,
            leaving: false,
            answer: None,
            released: false,
            met: BTreeSet::new(),
            closes: None,
            piece_due: Mono::ZERO,
            feed_due: Mono::ZERO,
            button: Button::default(),
        };
        (attendant, handle)
    }

    /// Works until it is told to leave. A run whose record fails is put down:
    /// whoever opens the record anew may hand it over again.
    ///
    /// # Errors
    /// When the record contradicts itself; the bench was made safe as far as
    /// it can be.
    pub async fn work(mut self) -> Result<(), RecordError> {
        let end = loop {
            match self.work_on().await {
                Err(RecordError::Ledger(error)) => self.put_down(&error).await,
                Err(error) => {
                    if let Some(current) = &mut self.current {
                        // It did happen; that it cannot be written is told below.
                        let _ = current.write_kept().await;
                    }
                    self.make_safe_unrecorded().await;
                    break Err(error);
                }
                Ok(()) => break Ok(()),
            }
        };
        self.settle_traffic().await;
        let _ = self.notes.send(Note::Left);
        end
    }

    /// What follows a failed write is no longer written down, but it is done.
    async fn make_safe_unrecorded(&mut self) {
        let left = self.make_safe().await;
        tracing::error!(
            ?left,
            "the record failed; the bench was made safe, unrecorded"
        );
    }

    async fn put_down(&mut self, error: &LedgerError) {
        self.make_safe_unrecorded().await;
        self.settle_traffic().await;
        if let Some(current) = self.current.take() {
            let (run, why) = (current.run, error.to_string());
            let _ = self.notes.send(Note::RecordFailed { run, why });
        }
    }

    async fn work_on(&mut self) -> Result<(), RecordError> {
        loop {
            self.keep_traffic();
            let stays = match &self.current {
                None => self.idle().await?,
                Some(current) => match current.state.phase.clone() {
                    Phase::New => self.begin().await?,
                    Phase::Measuring => self.measure().await?,
                    Phase::BrokenOff(cause) => self.after_seam(cause).await?,
                    Phase::Held(cause) => self.held(&cause).await?,
                    Phase::Ended(end) => {
                        self.settle_traffic().await;
                        self.ended(end)
                    }
                },
            };
            if stays == Stays::No {
                return Ok(());
            }
        }
    }

    /// Nothing in hand: waits for a run or for the end of the day.
    async fn idle(&mut self) -> Result<Stays, RecordError> {
        self.take_orders();
        if self.leaving {
            return Ok(Stays::No);
        }
        self.interrupt = None;
        self.forget_button();
        let Some(assignment) = self.waiting.pop_front() else {
            self.seat.wait_async(None).await;
            return Ok(Stays::Yes);
        };
        self.answer = None;
        self.released = false;
        self.closes = None;
        let cause = assignment.broken_off_by;
        let begun = assignment.past.first().map(|event| event.at);
        let current = Current::take_over(*assignment, self.notes.clone())?;
        let open = matches!(
            current.state.phase,
            Phase::Measuring | Phase::Held(HoldCause::Question(_))
        );
        self.current = Some(current);
        self.begin_traffic(begun);
        if open {
            // Whatever was at work when the journal ends is not there now.
            self.note(Body::Seam { cause }).await?;
        }
        Ok(Stays::Yes)
    }

    /// Writes an event that concerns no action.
    pub(super) async fn note(&mut self, body: Body) -> Result<(), RecordError> {
        let at = self.seat.now();
        match &mut self.current {
            Some(current) => current.write(at, None, 0, body).await,
            None => Ok(()),
        }
    }

    async fn begin(&mut self) -> Result<Stays, RecordError> {
        self.take_orders();
        match self.interrupt {
            Some(cause @ SeamCause::Stop) => {
                self.note(Body::Seam { cause }).await?;
                return Ok(Stays::Yes);
            }
            // It begins, and is broken off before anything moves.
            Some(SeamCause::Hold) => {}
            _ => {
                if self.leaving {
                    return Ok(Stays::No);
                }
                if !self.window_is_open().await? {
                    return Ok(Stays::Yes);
                }
            }
        }
        let Some(current) = &self.current else {
            return Ok(Stays::Yes);
        };
        let bundle = current.bundle_digest();
        self.hold_flow();
        // In a first sitting the run's own clock begins here.
        self.begin_traffic(None);
        self.note(Body::Begun { bundle }).await?;
        Ok(Stays::Yes)
    }

    pub(super) fn hours_now(&self) -> Hours {
        let current = self.current.as_ref();
        let window = current.and_then(|c| c.frozen.plan.policies.window);
        window::hours(self.seat.clock(), self.seat.now(), window)
    }

    /// Waits for the window if it is closed; false when something else woke it.
    pub(super) async fn window_is_open(&mut self) -> Result<bool, RecordError> {
        match self.hours_now() {
            Hours::Open(closes) => {
                self.closes = closes;
                Ok(true)
            }
            Hours::Closed(opens) => {
                self.wait_for_evening(opens).await?;
                Ok(false)
            }
        }
    }

    /// Waits for the next evening; nothing stays on until then, also where the
    /// daemon died before it had made the bench safe.
    async fn wait_for_evening(&mut self, opens: Option<Mono>) -> Result<(), RecordError> {
        self.make_safe_if_not().await?;
        // In a rehearsal the night comes at once.
        self.hold_flow();
        self.seat.wait_async(opens).await;
        Ok(())
    }

    pub(super) fn hold_flow(&mut self) {
        let flow = self.seat.clock().hold_flow();
        if let Some(current) = &mut self.current {
            current.flow = Some(flow);
        }
    }

    pub(super) fn let_time_stand(&mut self) {
        if let Some(current) = &mut self.current {
            current.flow = None;
        }
    }

    pub(super) fn let_time_pass(&mut self) {
        self.hold_flow();
    }

    async fn measure(&mut self) -> Result<Stays, RecordError> {
        let next = match &self.current {
            Some(current) => current.state.next_move(&current.frozen.itinerary),
            None => Move::Wait,
        };
        if !matches!(next, Move::Do { .. })
            && let Some(current) = &mut self.current
        {
            current.write_kept().await?;
        }
        match next {
            Move::Do { no, attempt } => {
                if let Err(broken) = self.act(no, attempt).await {
                    let broken = self.doubt_by_room(no, attempt, broken).await;
                    self.take_broken(no, attempt, broken).await?;
                }
            }
            Move::MakeSafe => self.make_safe_if_not().await?,
            Move::End(end) => self.note(Body::Ended { end }).await?,
            Move::Begin | Move::Wait => {}
        }
        Ok(Stays::Yes)
    }

    /// Checks limits, then carries an action out.
    async fn act(&mut self, no: i64, attempt: u32) -> Result<(), Broken> {
        self.take_orders();
        self.look_at_button().await?;
        self.check_limits()?;
        self.check_fits(no)?;
        self.carry_out(no, attempt).await
    }

    /// A point, or an action outside one, is not begun when it will not end
    /// before the window closes.
    fn check_fits(&self, no: i64) -> Result<(), Broken> {
        let (Some(closes), Some(current)) = (self.closes, &self.current) else {
            return Ok(());
        };
        let Some(action) = current.action(no) else {
            return Ok(());
        };
        let likely: Span = match action.point {
            Some(point) => current
                .state
                .still_to_do(&current.frozen.itinerary)
                .take_while(|other| other.point == Some(point))
                .map(|other| other.time.likely)
                .sum(),
            None => action.time.least,
        };
        if self.seat.now().mono + likely > closes {
            return Err(Broken::Off(SeamCause::WindowClosed));
        }
        Ok(())
    }

    /// What follows when an action did not come to its end.
    async fn take_broken(
        &mut self,
        no: i64,
        attempt: u32,
        broken: Broken,
    ) -> Result<(), RecordError> {
        match broken {
            Broken::Record(error) => Err(error),
            Broken::Off(cause) => self.break_off(cause).await,
            Broken::Lost(fault) if self.is_waited_for(&fault) => {
                self.lose(no, attempt, fault).await
            }
            Broken::Fault(fault) | Broken::Lost(fault) => {
                tracing::warn!(action = no, code = fault.code, "{}", fault.message);
                let at = self.seat.now();
                let Some(current) = &mut self.current else {
                    return Ok(());
                };
                current.forget();
                current
                    .write(at, Some(no), attempt, Body::Failed { fault })
                    .await?;
                let policy = current.frozen.itinerary.policies.on_failure;
                if policy == OnFailure::NextTest {
                    return Ok(());
                }
                self.break_off(SeamCause::Failure).await
            }
        }
    }

    /// Breaks the run off here and makes the bench safe.
    pub(super) async fn break_off(&mut self, cause: SeamCause) -> Result<(), RecordError> {
        self.note(Body::Seam { cause }).await?;
        let left = self.make_safe().await;
        if let Some(current) = &mut self.current {
            current.forget();
        }
        self.note(Body::MadeSafe { left }).await
    }

    /// After a seam: go on, wait, hold, end or leave.
    async fn after_seam(&mut self, cause: SeamCause) -> Result<Stays, RecordError> {
        self.take_orders();
        match self.interrupt.take().unwrap_or(cause) {
            SeamCause::Stop => self.end_stopped().await,
            SeamCause::Hold => self.hold(HoldCause::Person).await,
            SeamCause::StopButton => self.hold(HoldCause::StopButton(self.stop_words())).await,
            SeamCause::MaximumOn => self.hold(HoldCause::MaximumOn).await,
            _ if self.leaving => Ok(Stays::No),
            SeamCause::Shutdown | SeamCause::Died | SeamCause::RecordFailed => {
                self.resume_after_start().await
            }
            SeamCause::WindowClosed => self.next_evening().await,
            SeamCause::DeviceLost => self.wait_for_device().await,
            SeamCause::Disturbed => self.after_disturbance().await,
            SeamCause::Failure => {
                let (policy, words) = self.failure_words();
                match policy {
                    OnFailure::Stop => self.end_stopped().await,
                    OnFailure::Hold | OnFailure::NextTest => {
                        self.hold(HoldCause::Failure(words)).await
                    }
                }
            }
        }
    }

    /// Waits for the next opening after the seam: what is left of this evening
    /// was too short already.
    async fn next_evening(&mut self) -> Result<Stays, RecordError> {
        if let Some(cause) = self.must_look() {
            return self.hold(cause).await;
        }
        let Some(current) = &self.current else {
            return Ok(Stays::Yes);
        };
        if current.state.fruitless_windows >= FRUITLESS_WINDOWS_AT_MOST {
            let words = "two windows closed before anything more was measured: the window is too \
                         short for the warm-up and one point";
            return self.hold(HoldCause::Failure(words.to_owned())).await;
        }
        let now = self.seat.now();
        let window = current.frozen.plan.policies.window;
        let opens = window::opens_after(self.seat.clock(), current.state.seam_at, window);
        if let Some(opens) = opens
            && now.wall < opens
        {
            let until = now.mono + opens.since(now.wall);
            self.wait_for_evening(Some(until)).await?;
            return Ok(Stays::Yes);
        }
        if self.window_is_open().await? {
            self.note(Body::Resumed {
                cause: ResumeCause::WindowOpened,
            })
            .await?;
        }
        Ok(Stays::Yes)
    }

    /// Makes the bench safe and writes it down, unless that was done.
    pub(super) async fn make_safe_if_not(&mut self) -> Result<(), RecordError> {
        if self.current.as_ref().is_none_or(|c| c.state.safe) {
            return Ok(());
        }
        let left = self.make_safe().await;
        self.note(Body::MadeSafe { left }).await
    }

    fn failure_words(&self) -> (OnFailure, String) {
        let Some(current) = &self.current else {
            return (OnFailure::Stop, String::new());
        };
        let words = current
            .last_fault
            .clone()
            .unwrap_or_else(|| "a failure".to_owned());
        (current.frozen.itinerary.policies.on_failure, words)
    }

    pub(super) async fn hold(&mut self, cause: HoldCause) -> Result<Stays, RecordError> {
        self.released = false;
        let cause = self.must_look().unwrap_or(cause);
        // After a loss of power, or with another unit there, nothing is touched
        // until a person has looked.
        if !matches!(cause, HoldCause::PowerLost | HoldCause::NoPlacement(_)) {
            self.make_safe_if_not().await?;
        }
        self.note(Body::Held { cause }).await?;
        self.let_time_stand();
        Ok(Stays::Yes)
    }

    async fn end_stopped(&mut self) -> Result<Stays, RecordError> {
        self.make_safe_if_not().await?;
        self.note(Body::Ended { end: End::Stopped }).await?;
        Ok(Stays::Yes)
    }

    async fn resume_after_start(&mut self) -> Result<Stays, RecordError> {
        if let Some(cause) = self.must_look() {
            return self.hold(cause).await;
        }
        if self.window_is_open().await? {
            self.hold_flow();
            self.note(Body::Resumed {
                cause: ResumeCause::Restarted,
            })
            .await?;
        }
        Ok(Stays::Yes)
    }

    /// Why a person must look at the bench before anything moves.
    pub(super) fn must_look(&self) -> Option<HoldCause> {
        let current = self.current.as_ref()?;
        if let Some(why) = &current.displaced {
            return Some(HoldCause::NoPlacement(why.clone()));
        }
        let policy = current.frozen.itinerary.policies.after_power_loss;
        let lost = current.other_boot && policy == AfterPowerLoss::Hold;
        lost.then_some(HoldCause::PowerLost)
    }

    /// Held: waits for a person.
    async fn held(&mut self, cause: &HoldCause) -> Result<Stays, RecordError> {
        self.take_orders();
        match self.interrupt.take() {
            Some(SeamCause::Stop) => return self.end_stopped().await,
            // Of a hold and a release at once, the hold.
            Some(SeamCause::Hold) => self.released = false,
            _ => {}
        }
        if std::mem::take(&mut self.released) {
            // After any other hold the run is broken off again before anything moves.
            let refuses = matches!(cause, HoldCause::StopButton(_));
            if refuses && !self.button_lets_go().await? {
                return Ok(Stays::Yes);
            }
            self.release(cause).await?;
            return Ok(Stays::Yes);
        }
        if self.leaving {
            return Ok(Stays::No);
        }
        self.let_time_stand();
        self.seat.wait_async(None).await;
        Ok(Stays::Yes)
    }

    /// Lets the run go on. That is written down at once, also where it waits
    /// for the evening or leaves: a release must not be lost with the daemon.
    async fn release(&mut self, cause: &HoldCause) -> Result<(), RecordError> {
        tracing::info!(?cause, "released");
        if let Some(current) = &mut self.current {
            current.other_boot = false;
            current.displaced = None;
        }
        self.hold_flow();
        let cause = ResumeCause::Released;
        self.note(Body::Resumed { cause }).await?;
        let seam = match self.hours_now() {
            _ if self.leaving => SeamCause::Shutdown,
            Hours::Closed(_) => SeamCause::WindowClosed,
            Hours::Open(closes) => {
                self.closes = closes;
                return Ok(());
            }
        };
        self.note(Body::Seam { cause: seam }).await
    }

    fn ended(&mut self, end: End) -> Stays {
        if let Some(current) = self.current.take() {
            let _ = self.notes.send(Note::Ended {
                run: current.run,
                end,
            });
        }
        if self.leaving { Stays::No } else { Stays::Yes }
    }
}
