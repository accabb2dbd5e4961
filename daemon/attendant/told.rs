//! A lamp that is told its level by commands. What it answers is not believed: its
//! light must follow, as it must a person's hand.
//!
//! Called by: lamp, safe. Not here: what is said to it (`drivers::roles`).

use photometry::measured::Outcome;
use photometry::units::Span;

use super::acts::AtWork;
use super::asking::Broken;
use super::lamp::{hand_verdict, not_pressed};
use super::work::Attendant;
use crate::bench::instrument::{ModeName, Verb};
use crate::bench::open::CONTROL;
use crate::plan::lamp::Setting;
use crate::run::decide;
use crate::run::journal::Decision;
use crate::run::lit::{Lit, is_lit};

/// A lamp's light has followed a command after so long. Own rule, no source.
pub(super) const FOLLOWS: Span = Span::from_secs(2);
/// Times that it is told before it is given up.
const TELLINGS_AT_MOST: u32 = 3;
/// The fault of a control that says that the lamp is lit otherwise.
const NOT_TAKEN: &str = "not-taken";

impl Attendant {
    /// Tells the lamp its level until its light follows.
    pub(super) async fn tell_level(
        &mut self,
        at_work: &AtWork,
        setting: &Setting,
    ) -> Result<(), Broken> {
        let mode = ModeName::of(&setting.mode).ok_or_else(|| {
            Broken::fault(
                "unsendable",
                format!("the mode `{}` cannot be sent", setting.mode),
            )
        })?;
        let stood = self.known().and_then(|known| known.setting.clone());
        // Seen anew: the lamp has warmed up since, and that must not pass for a step.
        let changes = stood.as_ref().is_some_and(|stood| stood != setting);
        let light = match changes && self.at_watch(at_work) {
            true => self.look(at_work, &setting.key(), 1).await?.value(),
            false => None,
        };
        let before = stood.zip(light);
        if let Some(known) = self.known() {
            known.setting = None;
        }
        let state = self.current.as_ref().map(|current| &current.state);
        let expected = state.and_then(|state| state.light_at.get(&setting.key()).copied());
        let dark = state.and_then(|state| state.dark_light());
        let mut trouble = String::new();
        for telling in 1..=TELLINGS_AT_MOST {
            let level = setting.level;
            match self.ask(CONTROL, Verb::SetLevel { mode, level }).await {
                Ok(_) => {}
                Err(Broken::Fault(fault)) if fault.code == NOT_TAKEN => {
                    trouble = fault.message;
                    continue;
                }
                Err(broken) => return Err(broken),
            }
            let until = self.seat.now().mono + FOLLOWS;
            self.pause_until(until).await?;
            let light = match self.at_watch(at_work) {
                true => self
                    .look(at_work, &setting.key(), telling + 1)
                    .await?
                    .value(),
                false => None,
            };
            let verdict = match light.zip(dark) {
                Some((light, dark)) if !is_lit(dark, light) => {
                    Err("There is no more light than with the lamp off.".to_owned())
                }
                _ => hand_verdict(before.as_ref(), setting, expected, light),
            };
            match verdict {
                Ok(proof) => {
                    let decision = told(setting, light, proof);
                    return self.level_stands(at_work, setting, light, decision).await;
                }
                Err(why) => trouble = why,
            }
        }
        Err(Broken::fault(
            "level-not-reached",
            format!(
                "the lamp was told {} {TELLINGS_AT_MOST} times: {trouble}",
                setting.shown()
            ),
        ))
    }

    /// Tells the lamp to go off, and sees that it is dark.
    pub(super) async fn tell_off(&mut self, at_work: &AtWork) -> Result<(), Broken> {
        let state = self.current.as_ref().map(|current| &current.state);
        let lit = state.is_some_and(|state| matches!(state.lit, Lit::On { .. }));
        let dark = state.and_then(|state| state.dark_light());
        let before = self.look(at_work, "off", 1).await?;
        for telling in 1..=TELLINGS_AT_MOST {
            self.ask(CONTROL, Verb::LampOff).await?;
            let until = self.seat.now().mono + FOLLOWS;
            self.pause_until(until).await?;
            let after = self.look(at_work, "off", telling + 1).await?;
            let is_off = match lit {
                true => is_dark(Some(&before), Some(&after), dark) == Some(true),
                false => decide::no_brighter(&before, &after),
            };
            if is_off {
                return Ok(());
            }
        }
        Err(Broken::fault(
            "not-dark",
            format!("the lamp was told {TELLINGS_AT_MOST} times to go off, and its light stayed"),
        ))
    }
}

/// Whether the light after a lamp was told to go off is that of a dark one: it went
/// out, or it is as dark as the lamp was when it was last off (one may go off by
/// itself). None where nobody could see it.
pub(super) fn is_dark(
    before: Option<&Outcome>,
    after: Option<&Outcome>,
    dark_lx: Option<f64>,
) -> Option<bool> {
    let lux = after.and_then(Outcome::value);
    let as_dark = dark_lx.zip(lux).map(|(dark, lux)| !is_lit(dark, lux));
    let went_out = before
        .zip(after)
        .and_then(|(before, after)| decide::went_out(before, after));
    match (went_out, as_dark) {
        (None, None) => None,
        (went_out, as_dark) => Some(went_out == Some(true) || as_dark == Some(true)),
    }
}

fn told(setting: &Setting, light_lx: Option<f64>, proof: &str) -> Decision {
    not_pressed("told", setting, light_lx, proof)
}
