//! A lamp that the outlet of its mains lights and darkens. The relay is not believed,
//! the lamp's light is: it must rise when the outlet is closed, and be gone when that
//! is open.
//!
//! ```text
//!  open it, unless that was done · so long without mains · look · close it ·
//!  look until the light rose and stands        (else once more, else `not-lit`)
//! ```
//!
//! Where nobody knows how the outlet is (after a seam, or a failure) it is opened
//! first, so that the lamp has its rest in any case. A lamp of whose light nothing is
//! known is tried before it is taken for dark: lit, and darkened again; else one that
//! hangs elsewhere, and shines, would pass for a room that is not dark. Called by: lamp,
//! safe. Pure rules: `run::mains`; times: `plan::mains`.

use photometry::measured::Outcome;

use super::acts::AtWork;
use super::asking::Broken;
use super::lamp::not_pressed;
use super::work::Attendant;
use crate::bench::instrument::Verb;
use crate::bench::open::OUTLETS;
use crate::plan::lamp::{Lamp, ONLY_MODE, Setting};
use crate::plan::mains::{CLOSINGS_AT_MOST, FOLLOWS, LOOKS_AT_MOST, OFF_AT_LEAST};
use crate::run::journal::{Body, Decision, LampLeft};
use crate::run::mains::{KnownLight, Lighting, is_dark, lighting};

/// The light of a lamp and how it was seen.
type Seen = (Option<f64>, &'static str);
/// The looks of a trial count from here, above those of the action's own.
const TRIED_FROM: u32 = 100;

impl Attendant {
    /// Closes the lamp's outlet, and sees the lamp light.
    pub(super) async fn light_by_mains(
        &mut self,
        at_work: &AtWork,
        setting: &Setting,
    ) -> Result<(), Broken> {
        let stood = self.known().and_then(|known| known.setting.clone());
        if stood.as_ref() == Some(setting)
            && let Some(light) = self.stands_already(at_work, setting).await?
        {
            let decision = by_outlet(setting, light, "it is lit already");
            return self.level_stands(at_work, setting, light, decision).await;
        }
        if let Some(known) = self.known() {
            known.setting = None;
        }
        let (light, proof) = self.light_up(at_work, setting, 1).await?;
        let decision = by_outlet(setting, light, proof);
        self.level_stands(at_work, setting, light, decision).await
    }

    /// The same, whatever was before; `looks`: how many were taken in this action.
    async fn light_up(
        &mut self,
        at_work: &AtWork,
        setting: &Setting,
        mut looks: u32,
    ) -> Result<Seen, Broken> {
        let mut trouble = String::new();
        for _ in 0..CLOSINGS_AT_MOST {
            let open = self.rest_unlit(at_work, setting, &mut looks).await?;
            self.switch_lamp(true).await?;
            let lit = match &open {
                Some(open) => {
                    self.see_it_light(at_work, setting, open, &mut looks)
                        .await?
                }
                None => Ok((None, "not seen")),
            };
            match lit {
                Ok(seen) => return Ok(seen),
                Err(why) => trouble = why,
            }
        }
        // Whatever it is, it does not stay plugged in.
        self.switch_lamp(false).await?;
        Err(Broken::fault(
            "not-lit",
            format!(
                "the lamp's outlet `{}` was closed {CLOSINGS_AT_MOST} times: {trouble}",
                self.lamp_outlet()
            ),
        ))
    }

    /// The outlet open for long enough; the light then, where it can be seen.
    async fn rest_unlit(
        &mut self,
        at_work: &AtWork,
        setting: &Setting,
        looks: &mut u32,
    ) -> Result<Option<Outcome>, Broken> {
        if self.known().is_none_or(|known| known.mains_off.is_none()) {
            self.switch_lamp(false).await?;
        }
        let since = self.known().and_then(|known| known.mains_off);
        let since = since.unwrap_or(self.seat.now().mono);
        self.pause_until(since + OFF_AT_LEAST).await?;
        if !self.at_watch(at_work) {
            return Ok(None);
        }
        *looks += 1;
        let open = self.look(at_work, &setting.key(), *looks).await?;
        match self.known_light().shines(&open) {
            true => Err(self.stays_lit()),
            false => Ok(Some(open)),
        }
    }

    /// Looks until the light has risen and stands.
    async fn see_it_light(
        &mut self,
        at_work: &AtWork,
        setting: &Setting,
        open: &Outcome,
        looks: &mut u32,
    ) -> Result<Result<Seen, String>, Broken> {
        let mut last: Option<Outcome> = None;
        let mut seen = Lighting::Dark;
        for _ in 0..LOOKS_AT_MOST {
            let until = self.seat.now().mono + FOLLOWS;
            self.pause_until(until).await?;
            *looks += 1;
            let now = self.look(at_work, &setting.key(), *looks).await?;
            seen = lighting(open, last.as_ref(), &now);
            if seen == Lighting::Lit {
                return Ok(self.as_before(setting, now.value()));
            }
            last = Some(now);
        }
        Ok(Err(match seen {
            Lighting::Dark => "no light followed; the lamp stays off when its power comes back, \
                               until a button of its own is pressed (then this bench cannot light \
                               it so), its own switch is off, it hangs on another outlet, or it \
                               shone all the time because the relay does not open"
                .to_owned(),
            Lighting::Rising | Lighting::Lit => {
                "its light was still changing by more than a fifth after ten seconds".to_owned()
            }
        }))
    }

    /// A light that was seen at this setting before comes again, from half to twice of
    /// it: the lamp is cold.
    fn as_before(&self, setting: &Setting, light: Option<f64>) -> Result<Seen, String> {
        let state = self.current.as_ref().map(|current| &current.state);
        let shines = light.and_then(|light| state?.still_shines(&setting.key(), light));
        match shines {
            Some(false) => Err(
                "the lamp came back with less than half or more than twice of the \
                                light that it had before"
                    .to_owned(),
            ),
            Some(true) => Ok((light, "seen to light as before")),
            None => Ok((light, "seen to light")),
        }
    }

    /// Opens the lamp's outlet, and sees that it is dark. `lit`: this sitting lit it, and
    /// nothing came between.
    pub(super) async fn cut_mains(
        &mut self,
        at_work: &AtWork,
        lamp: &Lamp,
        lit: bool,
    ) -> Result<(), Broken> {
        let tried = !lit && self.known_light().lit.is_none();
        if tried {
            self.try_lamp(at_work, lamp).await?;
        }
        let lit = lit || tried;
        let before = self.look(at_work, "off", 1).await?;
        for nth in 1..=LOOKS_AT_MOST {
            self.switch_lamp(false).await?;
            let until = self.seat.now().mono + FOLLOWS;
            self.pause_until(until).await?;
            let after = self.look(at_work, "off", nth + 1).await?;
            if is_dark(lit, (&before, &after), self.known_light()) {
                return Ok(());
            }
        }
        Err(self.stays_lit())
    }

    /// Lights a lamp whose light nobody has seen yet.
    async fn try_lamp(&mut self, at_work: &AtWork, lamp: &Lamp) -> Result<(), Broken> {
        let mode = lamp.modes.first();
        let setting = Setting {
            mode: mode.map_or(ONLY_MODE, |mode| &mode.name).to_owned(),
            level: 1,
        };
        let (light, proof) = self.light_up(at_work, &setting, TRIED_FROM).await?;
        let decision = by_outlet(&setting, light, &format!("tried: {proof}"));
        self.record(at_work, Body::Decided { decision }).await?;
        Ok(())
    }

    /// The same when the bench is made safe: nothing interrupts it, and nothing fails it.
    pub(super) async fn cut_dark(
        &mut self,
        meter: Option<&str>,
        troubles: &mut Vec<String>,
    ) -> LampLeft {
        let lit = self.known().is_some_and(|known| known.setting.is_some());
        self.open_eyes(meter, troubles).await;
        let before = self.glance(meter).await;
        let Some(channel) = self.lamp_channel() else {
            troubles.push("the lamp's outlet is not one of this bench".to_owned());
            return LampLeft::NotKnown;
        };
        let switch = Verb::Switch { channel, on: false };
        if !self.safely(OUTLETS, switch, troubles).await {
            return LampLeft::OnSwitchFailed;
        }
        for _ in 0..LOOKS_AT_MOST {
            self.rest(FOLLOWS).await;
            let after = self.glance(meter).await;
            let (Some(before), Some(after)) = (&before, &after) else {
                troubles.push(
                    "the lamp's outlet is open, and no meter could see whether it went out"
                        .to_owned(),
                );
                return LampLeft::OffNotSeen;
            };
            // What was dark before proves nothing of a lamp that may have been lit.
            if is_dark(true, (before, after), self.known_light()) {
                return LampLeft::Off;
            }
        }
        if lit {
            troubles.push("the lamp's outlet was opened and its light stayed".to_owned());
            return LampLeft::OnSwitchFailed;
        }
        troubles.push(
            "the lamp's outlet is open, and its light was not seen to go out: look at it"
                .to_owned(),
        );
        LampLeft::NotKnown
    }

    /// Switches the outlet that feeds the lamp.
    async fn switch_lamp(&mut self, on: bool) -> Result<(), Broken> {
        let channel = self.lamp_channel().ok_or_else(|| {
            let outlet = self.lamp_outlet();
            Broken::fault("absent", format!("this bench has no outlet `{outlet}`"))
        })?;
        if on && let Some(known) = self.known() {
            known.mains_off = None;
        }
        self.ask(OUTLETS, Verb::Switch { channel, on }).await?;
        let now = self.seat.now().mono;
        if let Some(known) = self.known().filter(|_| !on) {
            known.mains_off.get_or_insert(now);
        }
        Ok(())
    }

    fn lamp_outlet(&self) -> &str {
        self.bench.card().lamp_outlet.as_deref().unwrap_or_default()
    }

    fn lamp_channel(&self) -> Option<u16> {
        let outlets = self.bench.card().outlets.as_ref()?;
        outlets.channel(self.lamp_outlet())
    }

    /// What this run saw of the lamp where it is watched from; it has one setting.
    fn known_light(&self) -> KnownLight {
        let state = self.current.as_ref().map(|current| &current.state);
        KnownLight {
            dark: state.and_then(|state| state.dark_light()),
            lit: state.and_then(|state| state.light_at.values().copied().reduce(f64::max)),
        }
    }

    fn stays_lit(&self) -> Broken {
        Broken::fault(
            "not-dark",
            format!(
                "the lamp's outlet `{}` is open and its light stays: the relay does not open, or \
                 the lamp hangs on another outlet; pull its plug",
                self.lamp_outlet()
            ),
        )
    }
}

fn by_outlet(setting: &Setting, light_lx: Option<f64>, proof: &str) -> Decision {
    not_pressed("by its outlet", setting, light_lx, proof)
}
