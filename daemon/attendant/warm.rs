//! Warming the lamp up: read, let a pure rule decide, wait, read again.

use photometry::stabilisation::Sample;
use photometry::units::Span;

use super::acts::AtWork;
use super::asking::Broken;
use super::work::Attendant;
use crate::plan::itinerary::{Key, Purpose, SERIES_AT_MOST, WarmUpRule};
use crate::run::decide::{self, WarmUpStep};
use crate::run::journal::{Body, Facts};

/// Readings in a row without a value before a warm-up by values is given up.
const OUT_OF_RANGE_AT_MOST: u32 = 3;

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
        let mut out_of_range = 0;
        for askings in 1..=SERIES_AT_MOST {
            let visit = first.saturating_add(askings - 1);
            let key = Key {
                test: at_work.head.name.clone(),
                setting: at_work.action.setting.clone(),
                position: at_work.head.watch,
                purpose: Purpose::WarmUp,
                visit,
            };
            let at = self.seat.now().mono;
            let outcome = self.read_again(at_work, &key).await?;
            self.lamp_shines(&at_work.action.setting)?;
            match outcome.value() {
                Some(value) => {
                    samples.push((at, value));
                    out_of_range = 0;
                }
                None => out_of_range += 1,
            }
            let by_values = !matches!(rule, WarmUpRule::Fixed(_));
            if by_values && out_of_range >= OUT_OF_RANGE_AT_MOST {
                return Err(Broken::fault(
                    "out-of-range",
                    format!(
                        "`{}` is out of range at the reference position, so nobody can tell when \
                         the lamp is warm; choose another `reference: {{at: ...}}`, or a fixed \
                         warm-up time",
                        at_work.head.meter
                    ),
                ));
            }
            let now = self.seat.now().mono;
            match decide::warm_up(&samples, askings, rule, every, cap, since, now) {
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
