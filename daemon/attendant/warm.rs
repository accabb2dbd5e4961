//! Warming the lamp up: read, let a pure rule decide, wait, read again.

use photometry::stabilisation::Sample;
use photometry::units::Span;

use super::acts::AtWork;
use super::asking::Broken;
use super::work::Attendant;
use crate::plan::itinerary::{Key, Purpose, SERIES_AT_MOST, WarmUpRule};
use crate::run::decide::{self, WarmUpStep};
use crate::run::journal::{Body, Facts};

impl Attendant {
    pub(super) async fn warm_up(
        &mut self,
        at_work: &AtWork,
        rule: WarmUpRule,
        every: Span,
        cap: Span,
    ) -> Result<Facts, Broken> {
        let set_at = self
            .current
            .as_ref()
            .and_then(|current| current.known.level_set);
        let since = set_at.unwrap_or(self.seat.now().mono);
        let mut samples: Vec<Sample> = Vec::new();
        let first = at_work.action.key.as_ref().map_or(1, |key| key.visit);
        for visit in first..first.saturating_add(SERIES_AT_MOST) {
            let key = Key {
                test: at_work.head.name.clone(),
                setting: at_work.action.setting.clone(),
                position: at_work.head.watch,
                purpose: Purpose::WarmUp,
                visit,
            };
            let at = self.seat.now().mono;
            if let Some(value) = self.read_or_fail(at_work, &key).await? {
                samples.push((at, value));
            }
            let now = self.seat.now().mono;
            match decide::warm_up(&samples, rule, every, cap, since, now) {
                WarmUpStep::ReadAt(next) => self.pause_until(next).await?,
                WarmUpStep::Over(decision) => {
                    self.record(at_work, Body::Decided { decision }).await?;
                    return Ok(Facts::default());
                }
            }
        }
        Err(Broken::fault(
            "warm-up",
            format!("the warm-up took more than {SERIES_AT_MOST} readings"),
        ))
    }
}
