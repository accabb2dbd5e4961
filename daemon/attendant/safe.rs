//! Making the bench safe, as far as it can be, and saying how it was left.
//! Nothing here may be interrupted, and nothing here may fail the rest: what
//! does not work is written among the troubles.

use photometry::measured::{Outcome, Quantity};
use photometry::units::Span;

use super::told::{FOLLOWS, is_dark};
use super::work::Attendant;
use crate::bench::instrument::{Answer, Verb};
use crate::bench::open::{CONTROL, FINGERS, OUTLETS, RAIL};
use crate::plan::card::DarkBy;
use crate::plan::itinerary::KindName;
use crate::plan::lamp::{Buttons, Lamp, SwitchOff, Worked};
use crate::run::decide;
use crate::run::journal::{LampLeft, Left};
use crate::run::lit::{Lit, is_lit};

/// Presses of the power button before it is given up.
const PRESSES_AT_MOST: u32 = 3;

impl Attendant {
    /// Fingers off, carriage still, lamp off where that is possible.
    pub(super) async fn make_safe(&mut self) -> Left {
        // Also where the run itself lets time stand: devices need it to answer.
        let _flow = self.seat.clock().hold_flow();
        let mut troubles = Vec::new();
        let card = self.bench.card();
        let (has_fingers, has_rail) = (card.fingers.is_some(), card.rail.is_some());
        let mut fingers_off =
            !has_fingers || self.safely(FINGERS, Verb::ReleaseAll, &mut troubles).await;
        // A carriage that is known to stand is not reset: it keeps its home.
        let stands = self
            .current
            .as_ref()
            .is_some_and(|c| c.known.coordinate.is_some());
        let carriage_still =
            !has_rail || stands || self.safely(RAIL, Verb::Halt, &mut troubles).await;
        let mut lamp = self.leave_lamp(&mut troubles).await;
        if lamp == LampLeft::OnSwitchFailed && has_fingers {
            // The press that failed may have left its finger down.
            fingers_off = self.safely(FINGERS, Verb::ReleaseAll, &mut troubles).await;
        }
        if self.bench.card().outlets.is_some() {
            // After the lamp: it may have hung on one of them.
            self.safely(OUTLETS, Verb::AllOff, &mut troubles).await;
        }
        let dark = matches!(
            lamp,
            LampLeft::Off | LampLeft::OffNotSeen | LampLeft::NotTouched
        );
        if dark && self.sphere_is_lit().await {
            troubles.push(
                "there is still light in the sphere: look which of its lamps is on".to_owned(),
            );
            lamp = LampLeft::NotKnown;
        }
        Left {
            carriage_still,
            fingers_off,
            lamp,
            troubles,
        }
    }

    pub(super) async fn safely(
        &mut self,
        instrument: &str,
        verb: Verb,
        troubles: &mut Vec<String>,
    ) -> bool {
        match self.ask_to_the_end(instrument, verb, false).await {
            Ok(_) => true,
            Err(trouble) => {
                troubles.push(format!("{instrument}: {trouble}"));
                false
            }
        }
    }

    async fn leave_lamp(&mut self, troubles: &mut Vec<String>) -> LampLeft {
        let Some(current) = &self.current else {
            return LampLeft::NotTouched;
        };
        let lit = current.state.lit;
        match lit {
            Lit::NotTouched => return LampLeft::NotTouched,
            Lit::Off => return LampLeft::Off,
            Lit::On { .. } | Lit::MaybeOn { .. } => {}
        }
        let left_lit = match lit {
            Lit::On { .. } => LampLeft::On,
            _ => LampLeft::NotKnown,
        };
        let lamp = current.frozen.lamp.clone();
        let meter = current
            .frozen
            .itinerary
            .tests
            .first()
            .map(|test| test.meter.clone());
        if lamp.off == SwitchOff::Mains {
            return self.cut_dark(meter.as_deref(), troubles).await;
        }
        if let (SwitchOff::Power, Worked::Direct) = (&lamp.off, &lamp.worked) {
            return self.tell_dark(meter.as_deref(), troubles).await;
        }
        let (SwitchOff::Power, Worked::Buttons(buttons)) = (&lamp.off, &lamp.worked) else {
            troubles.push(match lamp.off {
                SwitchOff::Cannot => {
                    "the lamp is left on: nothing on this bench can switch it off".to_owned()
                }
                SwitchOff::ByHand | SwitchOff::Power | SwitchOff::Mains => {
                    "the lamp is left on: switch it off by hand".to_owned()
                }
            });
            return left_lit;
        };
        let power = buttons.power.as_deref();
        let power = if buttons.goes_off_round() {
            Some(buttons.up.as_str())
        } else {
            power
        };
        let Some(coil) = power.and_then(|power| self.coil_of(power).ok()) else {
            troubles.push("the lamp is left on: no finger sits on its power button".to_owned());
            return left_lit;
        };
        let meter = meter.as_deref();
        self.open_eyes(meter, troubles).await;
        let before = self.glance(meter).await;
        let seen_lit = matches!(lit, Lit::On { seen: true, .. });
        if before.is_none() && !seen_lit {
            // A power button toggles: a blind press could light a dark lamp.
            troubles.push("no meter can see whether the lamp is on: look at it".to_owned());
            return LampLeft::NotKnown;
        }
        if buttons.goes_off_round() {
            if before.is_none() {
                // Each press is a level more, and nobody would see the last.
                troubles.push("the lamp is left on: no meter can see it go round".to_owned());
                return left_lit;
            }
            return self
                .press_round(&lamp, (buttons, coil), meter, before, troubles)
                .await;
        }
        self.press_dark(buttons, coil, meter, before, troubles)
            .await
    }

    /// One press, its rest, and the light's own time after it; false where it failed.
    async fn press_safely(
        &mut self,
        buttons: &Buttons,
        coil: u16,
        troubles: &mut Vec<String>,
    ) -> bool {
        let press = Verb::Press {
            coil,
            hold: buttons.hold,
        };
        let pressed = self.safely(FINGERS, press, troubles).await;
        if pressed {
            self.rest(buttons.rest.max(buttons.follows)).await;
        }
        pressed
    }

    /// Presses the only button until the light falls past the highest level, to
    /// less than half of what the lowest level would leave of it.
    async fn press_round(
        &mut self,
        lamp: &Lamp,
        (buttons, coil): (&Buttons, u16),
        meter: Option<&str>,
        mut before: Option<Outcome>,
        troubles: &mut Vec<String>,
    ) -> LampLeft {
        let levels = lamp.modes.iter().map(|mode| mode.levels).max();
        let presses = u32::from(levels.unwrap_or(1)) + PRESSES_AT_MOST;
        let spread = self.greatest_spread(lamp);
        for _ in 0..presses {
            if !self.press_safely(buttons, coil, troubles).await {
                return LampLeft::OnSwitchFailed;
            }
            let after = self.glance(meter).await;
            let (Some(was), Some(is)) = (&before, &after) else {
                troubles.push("no meter could see whether the lamp went out".to_owned());
                return LampLeft::OffNotSeen;
            };
            if decide::went_out(was, is) == Some(true) {
                let lowest = was.value().zip(spread).map(|(was, spread)| was / spread);
                let is_off =
                    lowest.is_some_and(|lowest| is.value().is_none_or(|is| is < lowest / 2.0));
                if is_off {
                    return LampLeft::Off;
                }
                // The room's light may be as much as its lowest level: one press more
                // could light it again.
                troubles.push(
                    "the light fell past the highest level, and the lamp may be off or at its \
                     lowest: look at it"
                        .to_owned(),
                );
                return LampLeft::NotKnown;
            }
            before = after;
        }
        troubles.push("the button was pressed all round and the light did not go out".to_owned());
        LampLeft::OnSwitchFailed
    }

    /// How much brighter a mode's highest level is than its lowest, the greatest of
    /// those that this run knows; of one level, one.
    fn greatest_spread(&self, lamp: &Lamp) -> Option<f64> {
        let spreads = lamp.modes.iter().filter_map(|mode| {
            if mode.levels == 1 {
                return Some(1.0);
            }
            let lights = self.lights_seen(&mode.name, mode.levels);
            Some(lights.get(&mode.levels)? / lights.get(&1)?)
        });
        spreads.reduce(f64::max)
    }

    /// Tells the lamp to go off, and looks whether it did.
    async fn tell_dark(&mut self, meter: Option<&str>, troubles: &mut Vec<String>) -> LampLeft {
        self.open_eyes(meter, troubles).await;
        let before = self.glance(meter).await;
        if !self.safely(CONTROL, Verb::LampOff, troubles).await {
            return LampLeft::OnSwitchFailed;
        }
        self.rest(FOLLOWS).await;
        let after = self.glance(meter).await;
        let dark = self.current.as_ref().and_then(|c| c.state.dark_light());
        match is_dark(before.as_ref(), after.as_ref(), dark) {
            Some(true) => LampLeft::Off,
            None => {
                troubles.push("no meter could see whether the lamp went out".to_owned());
                LampLeft::OffNotSeen
            }
            Some(false) => {
                troubles.push("the lamp was told to go off and its light stayed".to_owned());
                LampLeft::OnSwitchFailed
            }
        }
    }

    /// Presses the power button until the meter sees the light go out.
    async fn press_dark(
        &mut self,
        buttons: &Buttons,
        coil: u16,
        meter: Option<&str>,
        mut before: Option<Outcome>,
        troubles: &mut Vec<String>,
    ) -> LampLeft {
        for _ in 0..PRESSES_AT_MOST {
            if !self.press_safely(buttons, coil, troubles).await {
                return LampLeft::OnSwitchFailed;
            }
            let after = self.glance(meter).await;
            let went_out = match (&before, &after) {
                (Some(before), Some(after)) => decide::went_out(before, after),
                _ => None,
            };
            match went_out {
                Some(true) => return LampLeft::Off,
                Some(false) => before = after,
                None => {
                    troubles.push("no meter could see whether the lamp went out".to_owned());
                    return LampLeft::OffNotSeen;
                }
            }
        }
        troubles.push("the power button was pressed and the light did not go out".to_owned());
        LampLeft::OnSwitchFailed
    }

    /// Whether there is light in the sphere when everything in it is off.
    async fn sphere_is_lit(&mut self) -> bool {
        let Some(current) = &self.current else {
            return false;
        };
        let unlit = current.state.unlit_light();
        let heads = &current.frozen.itinerary.tests;
        let in_sphere = heads.iter().find(|head| head.kind == KindName::Flux);
        let meter = in_sphere.map(|head| head.meter.clone());
        let (Some(unlit), Some(meter)) = (unlit, meter) else {
            return false;
        };
        match self.glance(Some(&meter)).await {
            Some(Outcome::Value(value)) => is_lit(unlit, value),
            Some(Outcome::Over(_)) => true,
            _ => false,
        }
    }

    /// Opens the meter's shutter: it may be broken off in a dark reading.
    pub(super) async fn open_eyes(&mut self, meter: Option<&str>, troubles: &mut Vec<String>) {
        let Some(meter) = meter else { return };
        let card = self.bench.card().meters.iter().find(|m| m.name == meter);
        if card.is_some_and(|meter| meter.dark == DarkBy::Shutter) {
            self.safely(meter, Verb::Shutter(false), troubles).await;
        }
    }

    /// A look that is not a measurement: only for seeing whether the lamp went
    /// out.
    pub(super) async fn glance(&mut self, meter: Option<&str>) -> Option<Outcome> {
        match self
            .ask_to_the_end(meter?, Verb::Read(Quantity::Illuminance), false)
            .await
        {
            Ok(Answer::Reading(reading)) if reading.outcome != Outcome::TimedOut => {
                Some(reading.outcome)
            }
            Ok(_) | Err(_) => None,
        }
    }

    /// Waits without being interrupted.
    pub(super) async fn rest(&mut self, span: Span) {
        let until = self.seat.now().mono + span;
        while self.seat.now().mono < until {
            self.seat.wait_async(Some(until)).await;
            self.take_orders();
        }
    }
}
