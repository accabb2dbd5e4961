//! The stop button: an input that is read again and again while a run is at work, beside
//! whatever else is done. Pressed, or when its input says nothing, the run is broken off,
//! the bench is made safe, and nothing moves again until a person has released the run;
//! that is refused while the button is still pressed. It is a normal stop by a program:
//! what must stop without one needs wires of its own.
//!
//! ```text
//!  ask() ── 250 ms ── ask() ── ...      in each wait of the attendant
//!    └► pressed ──► seam ──► made safe ──► held ──► released by a person ──► home, ...
//! ```

use photometry::units::{Mono, Span};

use super::asking::{ANSWER_WITHIN, Broken};
use super::record::RecordError;
use super::work::Attendant;
use crate::bench::instrument::{Answer, Verb};
use crate::bench::open::STOP_BUTTON;
use crate::run::journal::{Body, HoldCause, SeamCause};

/// From one question to the next.
const EVERY: Span = Span::from_ms(250);
/// An answer that is not there within this counts as silence, though the input may still
/// give it.
const OVERDUE: Span = Span::from_secs(2);
/// Askings in a row without an answer before it counts as pressed.
const SILENT_AT_MOST: u32 = 2;

const PRESSED: &str = "the stop button is pressed; look at the bench, release the button, then \
                       release the run: the rail finds its home anew before anything else";
const SILENT: &str = "the stop button cannot be read, so nothing moves; look at its cable, then \
                      release the run: the rail finds its home anew before anything else";

/// What is known of the button.
#[derive(Debug, Default)]
pub(super) struct Button {
    /// When it is asked next.
    due: Mono,
    /// The question that is open, and since when.
    asked: Option<(u64, Mono)>,
    /// When it last said something.
    heard: Option<Mono>,
    silent: u32,
    pressed: bool,
}

impl Attendant {
    fn has_stop_button(&self) -> bool {
        self.bench.card().stop_button.is_some()
    }

    /// When the button is looked at next: asked, or its answer overdue; none where there
    /// is none, or it counts as silent already.
    pub(super) fn button_due(&self) -> Option<Mono> {
        let due = match self.button.asked {
            None => Some(self.button.due),
            Some((_, since)) => (!self.stops()).then_some(since + OVERDUE),
        };
        due.filter(|_| self.has_stop_button())
    }

    /// The same, or this instant if that comes before.
    pub(super) fn button_by(&self, until: Mono) -> Mono {
        self.button_due().map_or(until, |due| due.min(until))
    }

    /// Takes the button's answer, and asks again when that is due. True where it breaks
    /// the run off.
    pub(super) fn watch_button(&mut self) -> bool {
        if !self.has_stop_button() {
            return false;
        }
        let now = self.seat.now().mono;
        if let Some((id, since)) = self.button.asked {
            if let Some(reply) = self.bench.take_reply(id) {
                self.button.asked = None;
                self.button.due = now + EVERY;
                self.heard(reply.ok());
            } else if now >= since + OVERDUE {
                self.button.silent = SILENT_AT_MOST;
            }
        }
        if self.button.asked.is_none() && now >= self.button.due {
            let posted = self.bench.post(STOP_BUTTON, Verb::Contact).ok();
            self.button.asked = posted.map(|id| (id, now));
            if posted.is_none() {
                self.button.due = now + EVERY;
                self.heard(None);
            }
        }
        let stops = self.stops();
        if stops {
            self.raise(SeamCause::StopButton);
        }
        stops
    }

    fn heard(&mut self, answer: Option<Answer>) {
        let button = self.bench.card().stop_button.as_ref();
        let pressed_is_closed = button.is_some_and(|button| button.pressed_is_closed);
        match answer {
            Some(Answer::Closed(closed)) => {
                self.button.silent = 0;
                self.button.heard = Some(self.seat.now().mono);
                self.button.pressed = closed == pressed_is_closed;
            }
            _ => self.button.silent = self.button.silent.saturating_add(1),
        }
    }

    fn stops(&self) -> bool {
        self.button.pressed || self.button.silent >= SILENT_AT_MOST
    }

    /// Before an action: a button that was not read lately is read now.
    pub(super) async fn look_at_button(&mut self) -> Result<(), Broken> {
        if !self.has_stop_button() {
            return Ok(());
        }
        let now = self.seat.now().mono;
        let lately = |heard: Mono| now <= heard + EVERY.times(2);
        if !self.button.heard.is_some_and(lately) {
            if let Some(current) = &mut self.current {
                current.write_kept().await?;
            }
            self.read_button().await;
        }
        match self.watch_button() {
            true => Err(Broken::Off(SeamCause::StopButton)),
            false => Ok(()),
        }
    }

    /// Reads it, twice where it says nothing.
    async fn read_button(&mut self) {
        // What was known of it is old: it must not raise anything meanwhile.
        self.forget_button();
        for _ in 0..SILENT_AT_MOST {
            // Not asked beside this.
            self.button.due = self.seat.now().mono + ANSWER_WITHIN;
            let answer = self.ask_to_the_end(STOP_BUTTON, Verb::Contact, false).await;
            let said = answer.is_ok();
            self.heard(answer.ok());
            if said {
                break;
            }
        }
        self.button.due = self.seat.now().mono + EVERY;
    }

    /// Nothing is known of it any more.
    pub(super) fn forget_button(&mut self) {
        if let Some((id, _)) = std::mem::take(&mut self.button).asked {
            self.bench.give_up(id..id + 1);
        }
    }

    /// Why the run waits.
    pub(super) fn stop_words(&self) -> String {
        match self.button.silent {
            0 => PRESSED.to_owned(),
            _ => SILENT.to_owned(),
        }
    }

    /// A person releases the run: whether the button lets it go on. Otherwise the run is
    /// held as before, and says why.
    pub(super) async fn button_lets_go(&mut self) -> Result<bool, RecordError> {
        if !self.has_stop_button() {
            return Ok(true);
        }
        self.hold_flow();
        self.read_button().await;
        if !self.stops() {
            // Raised by what was known of it before.
            self.interrupt
                .take_if(|cause| *cause == SeamCause::StopButton);
            return Ok(true);
        }
        let cause = HoldCause::StopButton(self.stop_words());
        self.note(Body::Held { cause }).await?;
        self.let_time_stand();
        Ok(false)
    }
}
