//! Working the lamp: its levels by fingers or by hand, off, and the level of
//! half the light. The pure ladder decides which button is next.

use std::collections::BTreeMap;

use photometry::measured::Outcome;
use photometry::units::{Length, Span};

use super::acts::{AFTER_A_HAND, AtWork};
use super::asking::Broken;
use super::record::Known;
use super::work::Attendant;
use crate::bench::instrument::Verb;
use crate::bench::open::FINGERS;
use crate::plan::itinerary::{Key, OFF, Purpose, Target};
use crate::plan::lamp::{Buttons, Lamp, ONLY_MODE, Setting, SwitchOff, Worked};
use crate::run::decide;
use crate::run::journal::{Body, Decision, Facts};
use crate::run::ladder::{Button, Step};
use crate::run::lit::Lit;
use crate::run::round::Before;
use crate::run::walk::Walk;

/// Steps of one walk: three anchors on the longest ladder, and a margin.
const STEPS_AT_MOST: u32 = 4_000;
/// Times that a person is asked again when the light did not follow.
const ASKINGS_AT_MOST: u32 = 3;
/// What a person answers where a lamp is off and only its display shines.
const DISPLAY: &str = "display";
/// A display that a touch wakes dims again within a minute, mostly (common
/// practice, no source); it is looked at so often, and so long apart.
const DISPLAY_LOOKS: u32 = 6;
const DISPLAY_LOOKED_AT_EVERY: Span = Span::from_secs(10);
/// A change of light that a person's hand must make at least.
const HAND_STEP: f64 = 0.02;

impl Attendant {
    /// Brings the lamp to a target and proves it.
    pub(super) async fn set_level(
        &mut self,
        at_work: &AtWork,
        target: &Target,
    ) -> Result<Facts, Broken> {
        let setting = self.resolve(target)?;
        self.set_setting(at_work, &setting).await?;
        Ok(Facts::default())
    }

    fn lamp(&self) -> Result<Lamp, Broken> {
        let lamp = self
            .current
            .as_ref()
            .map(|current| current.frozen.lamp.clone());
        lamp.ok_or_else(|| Broken::fault("no-run", "no run is in hand"))
    }

    pub(super) fn known(&mut self) -> Option<&mut Known> {
        self.current.as_mut().map(|current| &mut current.known)
    }

    fn resolve(&self, target: &Target) -> Result<Setting, Broken> {
        match target {
            Target::Setting(setting) => Ok(setting.clone()),
            Target::HalfLight(mode) => {
                let level = self
                    .current
                    .as_ref()
                    .and_then(|c| c.state.half_light.get(mode));
                let level = level.ok_or_else(|| {
                    Broken::fault("half-light", "the level of half the light was not found")
                })?;
                Ok(Setting {
                    mode: mode.clone(),
                    level: *level,
                })
            }
        }
    }

    async fn set_setting(&mut self, at_work: &AtWork, setting: &Setting) -> Result<(), Broken> {
        let lamp = self.lamp()?;
        match &lamp.worked {
            Worked::Buttons(buttons) => self.walk(at_work, &lamp, buttons, setting).await,
            Worked::ByHand => self.set_by_hand(at_work, setting).await,
            Worked::Direct => self.tell_level(at_work, setting).await,
            Worked::Mains => self.light_by_mains(at_work, setting).await,
        }
    }

    async fn walk(
        &mut self,
        at_work: &AtWork,
        lamp: &Lamp,
        buttons: &Buttons,
        setting: &Setting,
    ) -> Result<(), Broken> {
        let levels = lamp
            .modes
            .iter()
            .find(|m| m.name == setting.mode)
            .map_or(1, |m| m.levels);
        let expected = self
            .current
            .as_ref()
            .and_then(|c| c.state.light_at.get(&setting.key()).copied());
        let known = self.known().and_then(|known| known.setting.clone());
        if lamp.modes.len() > 1 && known.as_ref().is_none_or(|k| k.mode != setting.mode) {
            // No meter can tell one white from another by its lux alone.
            let words = format!("Set the lamp to its mode `{}`, then answer.", setting.mode);
            self.ask_person(at_work, &words).await?;
        }
        let known_level = known.filter(|k| k.mode == setting.mode).map(|k| k.level);
        let sees = self.at_watch(at_work);
        if let Some(known) = self.known() {
            known.setting = None;
        }
        let state = self.current.as_ref().map(|current| &current.state);
        let dark = state.and_then(|state| state.dark_light());
        let before = Before {
            known: known_level,
            sees,
            has_power: buttons.power.is_some(),
            lights: self.lights_seen(&setting.mode, levels),
            floor: self.nothing_to(&at_work.head.meter),
            dark,
        };
        let mut walk = Walk::to(buttons, levels, setting.level, before, expected);
        let key = setting.key();
        match self.go_along(at_work, buttons, &key, &mut walk).await? {
            Ok(proof) => {
                let decision = walk.decision(
                    &key,
                    proof,
                    |button| button_name(buttons, button).to_owned(),
                    |level| setting_of(&setting.mode, level).key(),
                );
                self.level_stands(at_work, setting, walk.light(), decision)
                    .await
            }
            Err(why) => {
                let words = format!("{} could not be reached: {why}", setting.shown());
                Err(Broken::fault("level-not-reached", words))
            }
        }
    }

    /// Presses and looks as a walk says, until it has arrived, and how that is
    /// proven, or is lost, and why.
    async fn go_along(
        &mut self,
        at_work: &AtWork,
        buttons: &Buttons,
        setting: &str,
        walk: &mut Walk,
    ) -> Result<Result<&'static str, String>, Broken> {
        let mut step = walk.next_step();
        let mut looks = 0;
        for _ in 0..STEPS_AT_MOST {
            step = match step {
                Step::Press(button) => {
                    self.press(buttons, button).await?;
                    walk.next_step()
                }
                Step::Look => {
                    looks += 1;
                    let light = self.look(at_work, setting, looks).await?;
                    walk.seen(light.value())
                }
                Step::Reached(proof) => return Ok(Ok(proof)),
                Step::Lost(why) => return Ok(Err(why)),
            };
        }
        Ok(Err("the walk did not end".to_owned()))
    }

    /// What each level of a mode looked like in this run: as it last stood, or
    /// as it was passed.
    pub(super) fn lights_seen(&self, mode: &str, levels: u16) -> BTreeMap<u16, f64> {
        let Some(state) = self.current.as_ref().map(|current| &current.state) else {
            return BTreeMap::new();
        };
        let light = |level: u16| {
            let key = setting_of(mode, level).key();
            let light = state
                .light_at
                .get(&key)
                .or_else(|| state.passed_at.get(&key))?;
            Some((level, *light))
        };
        (1..=levels).filter_map(light).collect()
    }

    pub(super) async fn level_stands(
        &mut self,
        at_work: &AtWork,
        setting: &Setting,
        light: Option<f64>,
        decision: Decision,
    ) -> Result<(), Broken> {
        self.record(at_work, Body::Decided { decision }).await?;
        let now = self.seat.now().mono;
        if let Some(known) = self.known() {
            known.setting = Some(setting.clone());
            known.light = light;
            known.level_set = Some(now);
        }
        Ok(())
    }

    /// A difference in lux that is nothing to a meter: a thousandth of its
    /// lowest range. Common practice, no source.
    fn nothing_to(&self, meter: &str) -> f64 {
        let meter = self.bench.card().meters.iter().find(|m| m.name == meter);
        let lowest = meter
            .and_then(|m| m.ranges.first())
            .map_or(0.0, |range| range.0);
        lowest / 1_000.0
    }

    /// The carriage stands where the lamp is watched from; where there is no axis
    /// (the watch position is zero) the meter always does.
    pub(super) fn at_watch(&self, at_work: &AtWork) -> bool {
        let position = self
            .current
            .as_ref()
            .and_then(|current| current.known.position);
        let watch = at_work.head.watch;
        watch == Length::ZERO || position == Some(watch)
    }

    /// One press, and the rest and the light's own time after it.
    async fn press(&mut self, buttons: &Buttons, button: Button) -> Result<(), Broken> {
        let name = button_name(buttons, button);
        let coil = self.coil_of(name)?;
        self.take_orders();
        self.check_limits()?;
        self.ask(
            FINGERS,
            Verb::Press {
                coil,
                hold: buttons.hold,
            },
        )
        .await?;
        let wait: Span = buttons.rest.max(buttons.follows);
        let until = self.seat.now().mono + wait;
        self.pause_until(until).await
    }

    /// The relay channel of the finger that sits on a button.
    pub(super) fn coil_of(&self, button: &str) -> Result<u16, Broken> {
        let finger = self.current.as_ref().and_then(|current| {
            let seated = &current.frozen.placement.fingers;
            seated
                .iter()
                .find(|s| s.button == button)
                .map(|s| s.finger.clone())
        });
        let channels = self
            .bench
            .card()
            .fingers
            .as_ref()
            .map(|f| f.channels.as_slice());
        finger
            .and_then(|finger| {
                channels
                    .unwrap_or_default()
                    .iter()
                    .find(|c| c.name == finger)
            })
            .map(|finger| finger.channel)
            .ok_or_else(|| {
                Broken::fault(
                    "no-finger",
                    format!("no finger sits on the button `{button}`"),
                )
            })
    }

    /// A person sets the level; the meter must see the light change the right
    /// way.
    async fn set_by_hand(&mut self, at_work: &AtWork, setting: &Setting) -> Result<(), Broken> {
        let stood = self.known().and_then(|known| known.setting.clone());
        if stood.as_ref() == Some(setting)
            && let Some(light) = self.stands_already(at_work, setting).await?
        {
            let decision = by_hand(setting, light, "it stands there already");
            return self.level_stands(at_work, setting, light, decision).await;
        }
        // Seen anew: the lamp has warmed up since its level was set, and that
        // change must not pass for a person's.
        let light =
            if stood.as_ref().is_some_and(|stood| stood != setting) && self.at_watch(at_work) {
                self.look(at_work, &setting.key(), 1).await?.value()
            } else {
                None
            };
        let before = stood.zip(light);
        if let Some(known) = self.known() {
            known.setting = None;
        }
        let expected = self
            .current
            .as_ref()
            .and_then(|c| c.state.light_at.get(&setting.key()).copied());
        let mut trouble = String::new();
        for asking in 1..=ASKINGS_AT_MOST {
            let words = format!("{trouble}Set the lamp to {}, then answer.", setting.shown());
            self.ask_person(at_work, &words).await?;
            let until = self.seat.now().mono + AFTER_A_HAND;
            self.pause_until(until).await?;
            let light = if self.at_watch(at_work) {
                let seen = self.look(at_work, &setting.key(), asking + 1).await?;
                seen.value()
            } else {
                None
            };
            match hand_verdict(before.as_ref(), setting, expected, light) {
                Ok(proof) => {
                    let decision = by_hand(setting, light, proof);
                    return self.level_stands(at_work, setting, light, decision).await;
                }
                Err(why) => trouble = format!("{why} "),
            }
        }
        Err(Broken::fault(
            "level-not-reached",
            format!(
                "{} was asked for {ASKINGS_AT_MOST} times. {trouble}",
                setting.shown()
            ),
        ))
    }

    /// The light of a level that a person set before, seen anew where it can be
    /// seen; none when it does not shine so any more.
    pub(super) async fn stands_already(
        &mut self,
        at_work: &AtWork,
        setting: &Setting,
    ) -> Result<Option<Option<f64>>, Broken> {
        if !self.at_watch(at_work) {
            return Ok(Some(self.known().and_then(|known| known.light)));
        }
        let Some(light) = self.look(at_work, &setting.key(), 1).await?.value() else {
            return Ok(Some(None));
        };
        let state = self.current.as_ref().map(|current| &current.state);
        let shines = state.and_then(|state| state.still_shines(&setting.key(), light));
        Ok((shines != Some(false)).then_some(Some(light)))
    }

    /// Finds the level whose light is nearest to half of the highest one's.
    pub(super) async fn find_half_light(
        &mut self,
        at_work: &AtWork,
        mode: &str,
        highest: u16,
        readings: u16,
    ) -> Result<Facts, Broken> {
        let mut seen: Vec<(u16, f64)> = Vec::new();
        for level in (1..=highest).rev() {
            let setting = Setting {
                mode: mode.to_owned(),
                level,
            };
            self.set_setting(at_work, &setting).await?;
            let mut values = Vec::new();
            for visit in 1..=u32::from(readings.max(1)) {
                let key = Key {
                    test: at_work.head.name.clone(),
                    setting: setting.key(),
                    position: at_work.head.watch,
                    purpose: Purpose::HalfLight,
                    visit,
                };
                values.extend(self.read_again(at_work, &key).await?.value());
            }
            let Some(mean) = photometry::statistics::moments(&values).map(|m| m.mean) else {
                let words = format!("{} gave no value to compare", setting.shown());
                return Err(Broken::fault("half-light", words));
            };
            seen.push((level, mean));
            if let Some((level, share)) = decide::half_light(&seen) {
                let decision = Decision::HalfLight {
                    mode: mode.to_owned(),
                    level,
                    share,
                };
                self.record(at_work, Body::Decided { decision }).await?;
                return Ok(Facts::default());
            }
        }
        Err(Broken::fault(
            "half-light",
            "no level lies near half the light",
        ))
    }

    /// Switches the lamp off and sees that it is dark.
    pub(super) async fn lamp_off(&mut self, at_work: &AtWork) -> Result<Facts, Broken> {
        let lamp = self.lamp()?;
        let mut stood = None;
        if let Some(known) = self.known() {
            stood = known.setting.take();
            known.light = None;
        }
        match (&lamp.off, &lamp.worked) {
            (SwitchOff::Power, Worked::Buttons(buttons)) if buttons.goes_off_round() => {
                self.go_off_round(at_work, &lamp, buttons, stood).await?;
            }
            (SwitchOff::Power, Worked::Buttons(buttons)) => {
                self.press_off(at_work, buttons).await?;
            }
            (SwitchOff::Power, Worked::Direct) => self.tell_off(at_work).await?,
            (SwitchOff::Mains, _) => self.cut_mains(at_work, &lamp, stood.is_some()).await?,
            (SwitchOff::Cannot, _) => {
                return Err(Broken::fault(
                    "stays-on",
                    "nothing on this bench can switch the lamp off",
                ));
            }
            (SwitchOff::ByHand | SwitchOff::Power, _) => return self.ask_off(at_work).await,
        }
        Ok(Facts::default())
    }

    /// A person switches the lamp off; the meter must see it go out, or, where
    /// this run never lit it, see that it is no brighter than before: a display
    /// that the hand woke dims by itself, or is told by the person.
    async fn ask_off(&mut self, at_work: &AtWork) -> Result<Facts, Broken> {
        let lit = self
            .current
            .as_ref()
            .is_some_and(|c| matches!(c.state.lit, Lit::On { .. }));
        let before = self.look(at_work, "off", 1).await?;
        let mut looks = 1;
        let mut trouble = String::new();
        for asking in 1..=ASKINGS_AT_MOST {
            let words = format!("{trouble}Switch the lamp off, then answer.");
            let answer = self.ask_person(at_work, &words).await?;
            let until = self.seat.now().mono + AFTER_A_HAND;
            self.pause_until(until).await?;
            looks += 1;
            let after = self.look(at_work, "off", looks).await?;
            let dark = match lit {
                true => decide::went_out(&before, &after) == Some(true),
                false => {
                    decide::no_brighter(&before, &after)
                        || self.dims_by_itself(at_work, &after, &mut looks).await?
                }
            };
            if dark {
                return Ok(Facts::default());
            }
            let display = !lit && asking > 1 && answer.trim().eq_ignore_ascii_case(DISPLAY);
            if display {
                return Ok(Facts {
                    answer: Some(answer),
                    ..Facts::default()
                });
            }
            "The meter did not see the lamp go out. ".clone_into(&mut trouble);
            if !lit {
                trouble.push_str(&format!(
                    "If it is off and its display shines, answer `{DISPLAY}`. If not: "
                ));
            }
        }
        Err(Broken::fault(
            "not-dark",
            format!("a person was asked {ASKINGS_AT_MOST} times, and the light did not go out"),
        ))
    }

    /// Whether a light that came with a hand falls to less than half of itself soon:
    /// a display that was woken does, a lit lamp does not.
    async fn dims_by_itself(
        &mut self,
        at_work: &AtWork,
        bright: &Outcome,
        looks: &mut u32,
    ) -> Result<bool, Broken> {
        for _ in 0..DISPLAY_LOOKS {
            let until = self.seat.now().mono + DISPLAY_LOOKED_AT_EVERY;
            self.pause_until(until).await?;
            *looks += 1;
            let later = self.look(at_work, "off", *looks).await?;
            if decide::went_out(bright, &later) == Some(true) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// The only button goes round through off: walked to, as to a level.
    async fn go_off_round(
        &mut self,
        at_work: &AtWork,
        lamp: &Lamp,
        buttons: &Buttons,
        stood: Option<Setting>,
    ) -> Result<(), Broken> {
        let stood = stood.and_then(|setting| {
            let mode = lamp.modes.iter().find(|mode| mode.name == setting.mode)?;
            Some((mode, setting.level))
        });
        let Some((mode, known)) = stood
            .map(|(mode, level)| (mode, Some(level)))
            .or_else(|| Some((lamp.modes.first()?, None)))
        else {
            return Err(Broken::fault("no-mode", "the lamp has no mode"));
        };
        let before = Before {
            known,
            sees: self.at_watch(at_work),
            has_power: false,
            lights: self.lights_seen(&mode.name, mode.levels),
            floor: self.nothing_to(&at_work.head.meter),
            dark: self.current.as_ref().and_then(|c| c.state.dark_light()),
        };
        let mut walk = Walk::to_off(mode.levels, before);
        let end = self.go_along(at_work, buttons, OFF, &mut walk);
        end.await?.map(|_| ()).map_err(|why| {
            let words =
                format!("the lamp could not be brought past its highest level to off: {why}");
            Broken::fault("not-dark", words)
        })
    }

    /// The power button toggles: look, press, look, and press again if the
    /// light rose.
    async fn press_off(&mut self, at_work: &AtWork, buttons: &Buttons) -> Result<(), Broken> {
        let mut visit = 1;
        let mut before = self.look(at_work, "off", visit).await?;
        let mut darkest = before.value();
        for _ in 0..3 {
            self.press(buttons, Button::Power).await?;
            visit += 1;
            let after = self.look(at_work, "off", visit).await?;
            if decide::went_out(&before, &after) == Some(true)
                && decide::as_dark_as(darkest, &after)
            {
                return Ok(());
            }
            darkest = darkest.into_iter().chain(after.value()).reduce(f64::min);
            before = after;
        }
        Err(Broken::fault(
            "not-dark",
            "the power button was pressed three times and the light did not go out",
        ))
    }
}

fn setting_of(mode: &str, level: u16) -> Setting {
    let mode = mode.to_owned();
    Setting { mode, level }
}

fn by_hand(setting: &Setting, light_lx: Option<f64>, proof: &str) -> Decision {
    not_pressed("set by hand", setting, light_lx, proof)
}

/// A level that stands without a press: how it was set, and what proves it.
pub(super) fn not_pressed(
    how: &str,
    setting: &Setting,
    light_lx: Option<f64>,
    proof: &str,
) -> Decision {
    Decision::Level {
        setting: setting.key(),
        presses: BTreeMap::new(),
        went: BTreeMap::new(),
        light_lx,
        passed_lx: BTreeMap::new(),
        proof: format!("{how}, {proof}"),
    }
}

/// Whether the light after a person's hand fits what was asked for.
pub(super) fn hand_verdict(
    before: Option<&(Setting, f64)>,
    setting: &Setting,
    expected: Option<f64>,
    light: Option<f64>,
) -> Result<&'static str, String> {
    let Some(light) = light else {
        return Ok("not seen");
    };
    if let Some(expected) = expected {
        let off = (light / expected - 1.0).abs();
        if off > 0.1 {
            let percent = off * 100.0;
            return Err(format!(
                "The light differs by {percent:.0} % from before at this level."
            ));
        }
        return Ok("seen as before");
    }
    let Some((stood, was)) = before.filter(|(stood, _)| stood.mode == setting.mode) else {
        return Ok("seen");
    };
    let should_rise = setting.level > stood.level;
    let changed = if should_rise {
        light / was - 1.0
    } else {
        was / light - 1.0
    };
    if changed < HAND_STEP {
        let way = if should_rise { "rise" } else { "fall" };
        return Err(format!(
            "The light did not {way} ({was:.4} lx before, {light:.4} lx now)."
        ));
    }
    Ok("seen to change the right way")
}

/// The lamp's own name of a button.
fn button_name(buttons: &Buttons, button: Button) -> &str {
    match button {
        Button::Up => &buttons.up,
        Button::Down => buttons.down().map_or(ONLY_MODE, String::as_str),
        Button::Power => buttons.power.as_deref().unwrap_or(ONLY_MODE),
    }
}
