//! A device that is gone in the middle of a run: its plug was pulled, or its
//! adapter came back under another number, or its link broke off.
//!
//! ```text
//!  action ──► lost ──► seam ──► made safe ──► opened again and again ──► back ──► resumed
//!                                                   │
//!                                                   └► its time is over: the action fails
//! ```
//!
//! Its port was closed at once (`bench::instrument`). The bench is made safe as
//! far as the devices that are left allow, before anything is waited for. What is
//! opened anew knows nothing of its past: after the seam the usual preamble takes
//! fingers off, finds home, sets the level and looks at the reference. Every order
//! and limit ends the wait at once.

use photometry::measured::Moment;
use photometry::units::Span;

use super::asking::Broken;
use super::record::RecordError;
use super::window::Hours;
use super::work::{Attendant, Stays};
use crate::bench::instrument::{Answer, Verb};
use crate::plan::intent::OnFailure;
use crate::run::journal::{Body, Fault, ResumeCause, SeamCause};
use crate::run::progress::LostDevice;

/// Between two openings of a port at first; twice as long each time.
const FIRST_PAUSE: Span = Span::from_ms(500);
/// Between two openings at most: nobody waits much longer than the device did.
const LONGEST_PAUSE: Span = Span::from_secs(8);
/// Losses in a row without progress; the next one fails its action at once. A hub
/// that takes all three devices with it is three losses.
const FRUITLESS_LOSSES_AT_MOST: u32 = 5;

/// Faults that no waiting mends: another device answers in its place.
const ANOTHER_DEVICE: [&str; 2] = ["identity-changed", "another-serial"];

/// How the waiting ended.
enum Waited {
    /// Who it says it is.
    Back(String),
    /// The fault of its action.
    InVain(Fault),
    /// An order, the window or a limit.
    BrokenOff(SeamCause),
}

impl Attendant {
    /// Whether a device that is gone is waited for: in the middle of a run, and
    /// not without end. One that was never there may be a mistake in the bench
    /// file, which no waiting mends.
    pub(super) fn is_waited_for(&self, fault: &Fault) -> bool {
        let (Some(current), Some(instrument)) = (&self.current, &fault.instrument) else {
            return false;
        };
        let was_there = self.met.contains(instrument) || current.sitting > 1;
        let losses = current.state.fruitless_losses_with_one_more();
        let within = self.bench.back_within(instrument);
        was_there && within > Span::ZERO && losses <= FRUITLESS_LOSSES_AT_MOST
    }

    /// The action at work lost its device.
    pub(super) async fn lose(
        &mut self,
        no: i64,
        attempt: u32,
        fault: Fault,
    ) -> Result<(), RecordError> {
        tracing::warn!(action = no, code = fault.code, "lost: {}", fault.message);
        let at = self.seat.now();
        if let Some(current) = &mut self.current {
            current.forget();
            let lost = Body::Lost { fault };
            current.write(at, Some(no), attempt, lost).await?;
        }
        self.break_off(SeamCause::DeviceLost).await
    }

    /// After the seam: opens the device's port again and again, until it is there
    /// or its time is over. A daemon that was started anew waits anew.
    pub(super) async fn wait_for_device(&mut self) -> Result<Stays, RecordError> {
        if let Some(cause) = self.must_look() {
            return self.hold(cause).await;
        }
        self.make_safe_if_not().await?;
        self.hold_flow();
        let current = self.current.as_ref();
        let Some(lost) = current.and_then(|current| current.state.lost.clone()) else {
            // The daemon died when the action had failed.
            self.go_on_without().await?;
            return Ok(Stays::Yes);
        };
        match self.until_back(&lost).await? {
            Waited::Back(identity) => {
                let back = Body::Back {
                    after: self.gone_for(&lost),
                    instrument: lost.instrument,
                    identity,
                };
                self.note(back).await?;
                let cause = ResumeCause::DeviceBack;
                self.note(Body::Resumed { cause }).await?;
            }
            Waited::InVain(fault) => self.give_up(&lost, fault).await?,
            Waited::BrokenOff(cause) => self.note(Body::Seam { cause }).await?,
        }
        Ok(Stays::Yes)
    }

    async fn until_back(&mut self, lost: &LostDevice) -> Result<Waited, RecordError> {
        match self.hours_now() {
            Hours::Open(closes) => self.closes = closes,
            Hours::Closed(_) => return Ok(Waited::BrokenOff(SeamCause::WindowClosed)),
        }
        let until = self.seat.now().mono + self.bench.back_within(&lost.instrument);
        let mut pause = FIRST_PAUSE;
        loop {
            let fault = match self.ask(&lost.instrument, Verb::Open).await {
                Ok(Answer::Ready(identity)) => return Ok(Waited::Back(identity.raw)),
                Ok(_) => return Ok(Waited::Back(String::new())),
                Err(Broken::Off(cause)) => return Ok(Waited::BrokenOff(cause)),
                Err(Broken::Record(error)) => return Err(error),
                Err(Broken::Fault(fault) | Broken::Lost(fault)) => fault,
            };
            let now = self.seat.now().mono;
            if ANOTHER_DEVICE.contains(&fault.code.as_str()) {
                return Ok(Waited::InVain(fault));
            }
            if now >= until {
                return Ok(Waited::InVain(self.not_back(lost, fault)));
            }
            match self.pause_until(until.min(now + pause)).await {
                Ok(()) => {}
                Err(Broken::Record(error)) => return Err(error),
                Err(Broken::Off(cause)) => return Ok(Waited::BrokenOff(cause)),
                Err(Broken::Fault(fault) | Broken::Lost(fault)) => {
                    return Ok(Waited::InVain(fault));
                }
            }
            pause = pause.times(2).min(LONGEST_PAUSE);
        }
    }

    /// What its last opening said, and how long it was waited for.
    fn not_back(&self, lost: &LostDevice, fault: Fault) -> Fault {
        let after = self.gone_for(lost).shown();
        Fault {
            message: format!("{}; it was gone for {after} by then", fault.message),
            ..fault
        }
    }

    /// Since it was lost; by the time of day when the daemon was started anew
    /// since.
    fn gone_for(&self, lost: &LostDevice) -> Span {
        let Moment { mono, wall } = self.seat.now();
        let here = self.current.as_ref().map(|current| current.sitting);
        let span = match here == Some(lost.sitting) {
            true => mono.since(lost.at.mono),
            false => wall.since(lost.at.wall),
        };
        span.max(Span::ZERO)
    }

    /// The action fails now, and the plan's policy says what follows.
    async fn give_up(&mut self, lost: &LostDevice, fault: Fault) -> Result<(), RecordError> {
        tracing::warn!(action = lost.no, code = fault.code, "{}", fault.message);
        let at = self.seat.now();
        let Some(current) = &mut self.current else {
            return Ok(());
        };
        let failed = Body::Failed { fault };
        current
            .write(at, Some(lost.no), lost.attempt, failed)
            .await?;
        self.go_on_without().await
    }

    async fn go_on_without(&mut self) -> Result<(), RecordError> {
        let current = self.current.as_ref();
        let policy = current.map(|current| current.frozen.itinerary.policies.on_failure);
        self.note(match policy {
            Some(OnFailure::NextTest) => Body::Resumed {
                cause: ResumeCause::NextTest,
            },
            _ => Body::Seam {
                cause: SeamCause::Failure,
            },
        })
        .await
    }
}
