//! Spectra and waveforms: how long to integrate, and one capture.

use photometry::measured::{Capture, CaptureOutcome};
use photometry::units::Span;

use super::acts::{AtWork, Follows, TRIES_AT_MOST, unexpected};
use super::asking::Broken;
use super::work::Attendant;
use crate::bench::instrument::{Answer, Verb};
use crate::bench::open::OUTLETS;
use crate::plan::itinerary::{Key, Sampling};
use crate::run::exposure::{self, ExposureStep, Trial};
use crate::run::journal::{Body, Facts};

impl Attendant {
    /// Tries integrations until a pure rule is content; each trial is recorded.
    pub(super) async fn expose(
        &mut self,
        at_work: &AtWork,
        meter: &str,
        limits: (Span, Span),
    ) -> Result<(), Broken> {
        let meters = &self.bench.card().meters;
        let usual = meters.iter().find(|known| known.name == meter);
        let usual = usual.map_or(limits.0, |meter| meter.integration);
        let Some(first) = at_work.action.key.clone() else {
            return Err(Broken::fault("no-key", "trials without a key"));
        };
        let mut trials: Vec<Trial> = Vec::new();
        loop {
            match exposure::next(&trials, usual, limits) {
                ExposureStep::Try(integration) => {
                    self.ask(meter, Verb::Integrate(integration)).await?;
                    let key = Key {
                        visit: first.visit.saturating_add(trials.len() as u32),
                        ..first.clone()
                    };
                    let made = self
                        .capture_or_fail(at_work, meter, Verb::Spectrum, &key, Follows::Anything)
                        .await?;
                    trials.push(Trial {
                        integration,
                        fill: made.fill,
                        saturated: matches!(made.outcome, CaptureOutcome::Saturated(_)),
                    });
                }
                ExposureStep::Decided(chosen) => {
                    let decision = chosen.decision(meter);
                    self.record(at_work, Body::Decided { decision }).await?;
                    self.ask(meter, Verb::Integrate(chosen.integration)).await?;
                    return Ok(());
                }
            }
        }
    }

    /// One capture; it ends its action.
    pub(super) async fn capture(
        &mut self,
        at_work: &AtWork,
        meter: &str,
        sampling: Option<Sampling>,
    ) -> Result<(), Broken> {
        let Some(key) = at_work.action.key.clone() else {
            return Err(Broken::fault("no-key", "a capture without a key"));
        };
        let verb = sampling.map_or(Verb::Spectrum, Verb::Waveform);
        self.capture_or_fail(at_work, meter, verb, &key, Follows::NextAction)
            .await?;
        Ok(())
    }

    /// Captures until the meter says something.
    async fn capture_or_fail(
        &mut self,
        at_work: &AtWork,
        meter: &str,
        verb: Verb,
        key: &Key,
        follows: Follows,
    ) -> Result<Capture, Broken> {
        let mut last = String::new();
        for _ in 0..TRIES_AT_MOST {
            self.take_orders();
            self.check_limits()?;
            let capture = match self.ask(meter, verb).await? {
                Answer::Capture(capture) => *capture,
                other => return Err(unexpected(meter, &other)),
            };
            let says = capture.outcome.says_something();
            let body = Body::captured(key.clone(), capture.clone());
            let follows = if says { follows } else { Follows::Anything };
            self.tell(at_work, body, follows).await?;
            if says {
                return Ok(capture);
            }
            last = match capture.outcome {
                CaptureOutcome::Rejected(reason) => reason,
                _ => "no answer in time".to_owned(),
            };
        }
        Err(Broken::fault(
            "no-value",
            format!(
                "`{meter}` gave nothing in {TRIES_AT_MOST} askings ({last}); check that it is on \
                 and set as the bench file says"
            ),
        ))
    }

    /// Switches an outlet of this bench.
    pub(super) async fn switch(
        &mut self,
        at_work: &AtWork,
        outlet: &str,
        on: bool,
    ) -> Result<Facts, Broken> {
        let outlets = self.bench.card().outlets.as_ref();
        let channel = outlets.and_then(|outlets| outlets.channel(outlet));
        let channel = channel.ok_or_else(|| {
            Broken::fault("absent", format!("this bench has no outlet `{outlet}`"))
        })?;
        self.ask(OUTLETS, Verb::Switch { channel, on }).await?;
        self.look_whether_dark(at_work).await?;
        Ok(Facts::default())
    }
}
