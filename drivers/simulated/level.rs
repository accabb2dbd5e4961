//! A lamp's control that is told mode and level by lines, in the manner of SCPI-99:
//! `LEV warm,7`, `LEV?`, `LEV:OFF`.
//!
//! The lamp follows at the instant of the command. It tells how the lamp is lit, also
//! where a hand or a button changed that; only one that lies tells what it was told.
//! Started anew, it switches the lamp off. Served by `bench`; not here: lines
//! (`scpi_device`), what a lamp does at a level (`lamp`).

use photometry::units::Mono;
use serde::{Deserialize, Serialize};

use super::faults::{Device, Event, Fault};
use super::scpi_device::{
    DATA_TYPE, Instrument, OUT_OF_RANGE, Reply, ScpiDevice, UNDEFINED_HEADER, Unit,
};
use super::world::World;

/// What is fixed about the control.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct LevelModel {
    /// What it calls the lamp's white tones, in their order; a tone beyond them
    /// cannot be asked for.
    pub modes: Vec<String>,
}

impl Default for LevelModel {
    /// One tone, called `only`.
    fn default() -> LevelModel {
        LevelModel {
            modes: vec!["only".to_owned()],
        }
    }
}

/// What the control holds.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct LevelState {
    /// Tone and level that it tells although the lamp did not follow.
    #[serde(skip_serializing_if = "Option::is_none")]
    claims: Option<(u16, u16)>,
}

/// The control as an instrument.
pub(super) struct Level {
    world: World,
}

impl Level {
    /// A control in this world, ready for a wire.
    pub(super) fn machine(world: &World) -> ScpiDevice<Level> {
        let control = Level {
            world: world.clone(),
        };
        ScpiDevice::new(world.clone(), control)
    }

    /// Tone and level as told, level 0 for off; the lamp follows where no fault is.
    fn told(&self, now: Mono, (tone, level): (u16, u16)) {
        let faults = self.world.happens(Event::LevelTold);
        if faults.contains(&Fault::LevelIgnored) {
            return;
        }
        let lies = faults.contains(&Fault::LevelUnfollowed);
        self.world.edit(now, |spec, state, at| {
            state.equipment.level.claims = lies.then_some((tone, level));
            if !lies {
                state.lamp.set_tone(&spec.lamp, tone, level, at);
            }
        });
    }

    fn lit(&self, now: Mono) -> Reply {
        let (tone, level) = self.world.edit(now, |_, state, _| {
            let is = (state.lamp.tone(), state.lamp.shining());
            state.equipment.level.claims.unwrap_or(is)
        });
        let spec = self.world.spec();
        let mode = spec.equipment.level.modes.get(usize::from(tone));
        Reply::Answer(format!("{},{level}", mode.map_or("?", String::as_str)))
    }

    fn set(&self, now: Mono, unit: &Unit) -> Reply {
        let Some((mode, level)) = unit.argument.split_once(',') else {
            return DATA_TYPE;
        };
        let Ok(level) = level.trim().parse::<u16>() else {
            return DATA_TYPE;
        };
        let spec = self.world.spec();
        let mut modes = (0_u16..).zip(&spec.equipment.level.modes);
        let tone = modes.find(|(_, known)| known.eq_ignore_ascii_case(mode.trim()));
        match tone.map(|(tone, _)| tone) {
            Some(tone)
                if tone < spec.lamp.tone_count()
                    && (1..=spec.lamp.levels_of(tone)).contains(&level) =>
            {
                self.told(now, (tone, level));
                Reply::Done
            }
            _ => OUT_OF_RANGE,
        }
    }

    fn off(&self, now: Mono) {
        let tone = self.world.edit(now, |_, state, _| state.lamp.tone());
        self.told(now, (tone, 0));
    }
}

impl Instrument for Level {
    fn device(&self) -> Device {
        Device::Level
    }

    fn identity(&self) -> String {
        "Simulated,Lamp control,000001,1.0".to_owned()
    }

    fn reset(&mut self, now: Mono) {
        self.world.edit(now, |spec, state, at| {
            state.equipment.level.claims = None;
            state.lamp.set(&spec.lamp, 0, at);
        });
    }

    fn execute(&mut self, now: Mono, unit: &Unit) -> Reply {
        if unit.is("LEVel") && unit.query {
            self.lit(now)
        } else if unit.is("LEVel") {
            self.set(now, unit)
        } else if unit.is("LEVel:OFF") && !unit.query {
            self.off(now);
            Reply::Done
        } else {
            UNDEFINED_HEADER
        }
    }

    fn finish(&mut self, _now: Mono) -> Vec<u8> {
        Vec::new()
    }
}
