//! Waiting, in the three ways an attendant does: for an instrument, for an
//! instant, for a person. Every wait ends at once when an order interrupts.

use drivers::clock::Woken;
use photometry::units::{Mono, Span};

use super::handle::Order;
use super::record::{Current, RecordError};
use super::work::Attendant;
use crate::bench::instrument::{Answer, Trouble, Verb};
use crate::bench::open::OUTLETS;
use crate::run::journal::{Fault, HoldCause, SeamCause};
use crate::run::progress::Phase;

/// An instrument's thread answers within this or counts as hung: longer than
/// the longest homing over the longest rail.
pub(super) const ANSWER_WITHIN: Span = Span::from_mins(10);

/// Why an act did not come to its end.
#[derive(Debug)]
pub enum Broken {
    /// An order, the window or a limit broke it off.
    Off(SeamCause),
    /// It failed.
    Fault(Fault),
    /// The device is gone, and may come back.
    Lost(Fault),
    /// The record failed.
    Record(RecordError),
}

impl From<RecordError> for Broken {
    fn from(error: RecordError) -> Broken {
        Broken::Record(error)
    }
}

impl Broken {
    /// A fault that is nobody's instrument's.
    pub fn fault(code: &str, message: impl Into<String>) -> Broken {
        Broken::Fault(Fault {
            code: code.to_owned(),
            instrument: None,
            message: message.into(),
        })
    }
}

impl Attendant {
    /// Asks an instrument and waits for its answer. An order that comes
    /// meanwhile withdraws the question.
    ///
    /// # Errors
    /// The instrument's fault, or the interruption.
    pub async fn ask(&mut self, instrument: &str, verb: Verb) -> Result<Answer, Broken> {
        let reply = self.ask_to_the_end(instrument, verb, true).await;
        // An order that came while the answer was on its way still counts,
        // but the answer may not be lost: the caller writes it down first and
        // meets the interruption at its next wait.
        match reply {
            Ok(answer) => {
                self.meet(instrument);
                Ok(answer)
            }
            Err(Trouble::Driver(drivers::error::DriverError::Abandoned)) => {
                Err(Broken::Off(self.interrupt.unwrap_or(SeamCause::Failure)))
            }
            Err(trouble) if trouble.is_a_loss() => {
                if trouble.was_there() {
                    self.meet(instrument);
                }
                Err(Broken::Lost(trouble.fault(instrument)))
            }
            Err(trouble) => Err(Broken::Fault(trouble.fault(instrument))),
        }
    }

    fn meet(&mut self, instrument: &str) {
        if !self.met.contains(instrument) {
            self.met.insert(instrument.to_owned());
        }
    }

    /// Asks and waits for the answer; orders withdraw the question only where
    /// `may_abandon`.
    pub(super) async fn ask_to_the_end(
        &mut self,
        instrument: &str,
        verb: Verb,
        may_abandon: bool,
    ) -> Result<Answer, Trouble> {
        debug_assert!(
            self.all_is_written() || (matches!(verb, Verb::Read(_)) && self.all_is_handed_over()),
            "asked before it was written"
        );
        let id = self.bench.post(instrument, verb)?;
        let until = self.seat.now().mono + ANSWER_WITHIN;
        loop {
            if let Some(reply) = self.bench.take_reply(id) {
                self.keep_traffic();
                return reply;
            }
            self.feed();
            if self.watch_button() && may_abandon {
                self.bench.abandon(instrument);
            }
            let wake = self.button_by(self.feed_by(until));
            match self.seat.wait_async(Some(wake)).await {
                Woken::Due if wake < until => {}
                Woken::Due => {
                    self.bench.give_up(id..id + 1);
                    return Err(Trouble::Hung {
                        within: ANSWER_WITHIN,
                    });
                }
                Woken::Mail | Woken::Bytes => {
                    self.take_orders();
                    if may_abandon && self.interrupt.is_some() {
                        self.bench.abandon(instrument);
                    }
                }
            }
        }
    }

    /// Waits until an instant.
    ///
    /// # Errors
    /// The interruption.
    pub async fn pause_until(&mut self, until: Mono) -> Result<(), Broken> {
        debug_assert!(self.all_is_handed_over(), "waited with something kept");
        loop {
            self.take_orders();
            self.check_limits()?;
            if self.seat.now().mono >= until {
                return Ok(());
            }
            let wake = self
                .earliest_limit()
                .map_or(until, |limit| limit.min(until));
            self.feed();
            if self.watch_button() {
                continue;
            }
            let wake = self.button_by(self.feed_by(wake));
            self.seat.wait_async(Some(wake)).await;
        }
    }

    /// Waits for a person's answer; time may stand still meanwhile.
    ///
    /// # Errors
    /// The interruption.
    pub async fn wait_for_answer(&mut self) -> Result<String, Broken> {
        loop {
            self.take_orders();
            if let Some(answer) = self.answer.take() {
                return Ok(answer);
            }
            self.check_limits()?;
            let limit = self.earliest_limit();
            self.feed();
            if self.watch_button() {
                continue;
            }
            let limit = match self.bench.feed_every() {
                Some(_) => Some(limit.map_or(self.feed_due, |limit| self.feed_by(limit))),
                None => limit,
            };
            let limit = limit.into_iter().chain(self.button_due()).min();
            self.seat.wait_async(limit).await;
        }
    }

    /// Tells the outlets' board that somebody is there, when that is due: a daemon
    /// that hangs or is gone no longer does, and the board opens its relays.
    pub(super) fn feed(&mut self) {
        let Some(every) = self.bench.feed_every() else {
            return;
        };
        let now = self.seat.now().mono;
        if now < self.feed_due {
            return;
        }
        self.feed_due = now + every;
        // Nobody waits for it: what is wrong with the board is told where it is
        // next asked for something.
        if let Ok(id) = self.bench.post(OUTLETS, Verb::Feed) {
            self.bench.give_up(id..id + 1);
        }
    }

    /// This instant, or when the board must be fed, if that comes before.
    pub(super) fn feed_by(&self, until: Mono) -> Mono {
        match self.bench.feed_every() {
            Some(_) => self.feed_due.min(until),
            None => until,
        }
    }

    /// Nothing that happened is still to be written.
    fn all_is_written(&self) -> bool {
        self.current.as_ref().is_none_or(Current::is_written)
    }

    /// Nothing that happened is kept to be written later.
    fn all_is_handed_over(&self) -> bool {
        let current = self.current.as_ref();
        current.is_none_or(Current::is_handed_over)
    }

    /// Raises an interruption that is due.
    ///
    /// # Errors
    /// The interruption.
    pub fn check_limits(&mut self) -> Result<(), Broken> {
        if let Some(cause) = self.interrupt {
            return Err(Broken::Off(cause));
        }
        let now = self.seat.now();
        let Some(current) = &self.current else {
            return Ok(());
        };
        let maximum = current.frozen.lamp.maximum_on;
        if current.state.lit_for(now).is_some_and(|lit| lit >= maximum) {
            return Err(Broken::Off(SeamCause::MaximumOn));
        }
        if self.closes.is_some_and(|closes| now.mono >= closes) {
            return Err(Broken::Off(SeamCause::WindowClosed));
        }
        Ok(())
    }

    /// The instant at which a limit next interrupts.
    pub(super) fn earliest_limit(&self) -> Option<Mono> {
        let now = self.seat.now();
        let on_time = self.current.as_ref().and_then(|current| {
            let lit = current.state.lit_for(now)?;
            Some(now.mono + (current.frozen.lamp.maximum_on - lit))
        });
        match (on_time, self.closes) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }

    /// Takes the orders that have come; those behind a run are for that run,
    /// and wait until it is in hand.
    pub(super) fn take_orders(&mut self) {
        while let Some(order) = self.orders.take() {
            let current = self.current.as_ref().map(|current| current.run);
            match order {
                Order::Begin(assignment) => {
                    self.waiting.push_back(assignment);
                    if current.is_none() {
                        return;
                    }
                }
                Order::Hold(run) if current == Some(run) => self.raise(SeamCause::Hold),
                Order::Stop(run) if current == Some(run) => self.raise(SeamCause::Stop),
                // A release is for the hold that is there when it comes; kept,
                // it would end the next one.
                Order::Release(run) if current == Some(run) => {
                    self.released |= self.is_held();
                }
                Order::Answer { run, text } if current == Some(run) => self.answer = Some(text),
                Order::Pulse(pulse) => pulse.answer(),
                Order::Shutdown => {
                    self.leaving = true;
                    self.raise(SeamCause::Shutdown);
                }
                // Meant for a run that is no longer here.
                Order::Hold(_) | Order::Stop(_) | Order::Release(_) | Order::Answer { .. } => {}
            }
        }
    }

    fn is_held(&self) -> bool {
        self.current.as_ref().is_some_and(|c| match &c.state.phase {
            Phase::Held(cause) => !matches!(cause, HoldCause::Question(_)),
            _ => false,
        })
    }

    /// Notes an interruption; a stop outranks a hold, and what a person wants
    /// of the run outranks a shutdown, after which it would go on.
    pub(super) fn raise(&mut self, cause: SeamCause) {
        let rank = |cause: SeamCause| match cause {
            SeamCause::StopButton => 4,
            SeamCause::Stop => 3,
            SeamCause::Hold => 2,
            _ => 1,
        };
        if self
            .interrupt
            .is_none_or(|present| rank(cause) > rank(present))
        {
            self.interrupt = Some(cause);
        }
    }
}
