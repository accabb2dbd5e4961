//! What a simulated lamp is, in closed forms: white tones with their ladders, a
//! flat Lambertian disc, programs, modulation, power; nothing that changes.
//!
//! On its axis a flat Lambertian disc of radius R gives E = I/(d² + R²)
//! exactly. Used by `lamp` (what it is doing) and by whoever needs the truth; the
//! invented lamps themselves are `shore_birds`. Not here: stray light (`room`).

use photometry::units::{Length, Lux, Ratio, Span};
use serde::{Deserialize, Serialize};

use super::modulation::Modulation;
use super::programs::{Peak, Program, Way};
use super::spectra::Mixture;

/// What a lamp is; nothing that changes while it runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LampModel {
    /// Number of levels, 1 the darkest; at least 1. Where there are `tones`, they
    /// say it.
    pub levels: u16,
    /// Stabilised illuminance of the brightest level at 1 m on the axis.
    pub brightest: Lux,
    /// Stabilised illuminance of level 1 at 1 m on the axis. Where there are
    /// `tones`, they say it.
    pub darkest: Lux,
    /// Radius of the luminous disc.
    pub radius: Length,
    /// How far the light's centre lies behind the front face.
    pub behind_face: Length,
    /// How far the light of a cold lamp at its highest level lies above the
    /// stabilised one.
    pub sag: Ratio,
    /// Time constant of the warming.
    pub warming: Span,
    /// Time over which the light changes after a press.
    pub fade: Span,
    /// It switches itself off so long after the last press, if it does.
    pub auto_off: Option<Span>,
    /// Illuminance at 1 m while it is switched off: the standby glow.
    pub standby: Lux,
    /// What its button of brighter does at the highest level.
    #[serde(default)]
    pub wraps: Wraps,
    /// Level at which it lights when switched on for the first time.
    pub first_level: u16,
    /// True when it lights at power-up of the bench.
    pub starts_lit: bool,
    /// White tones, in the order of their button; without, one warm white with
    /// a geometric ladder from `darkest` to `brightest`.
    #[serde(default)]
    pub tones: Vec<Tone>,
    /// Its sunrise.
    #[serde(default)]
    pub sunrise: Option<Program>,
    /// Its sunset.
    #[serde(default)]
    pub sunset: Option<Program>,
    /// The light of its display while it is switched off.
    #[serde(default)]
    pub display: Option<Display>,
    /// What it takes from the mains, and what it does without.
    #[serde(default)]
    pub mains: Mains,
    /// Luminous flux at its brightest in lm; in proportion to the light else.
    #[serde(default)]
    pub flux_lm: f64,
}

/// What one brighter does at the highest level, and on a lamp that is off.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Wraps {
    /// Nothing.
    #[default]
    No,
    /// The lowest level follows; nothing while it is off.
    ToLowest,
    /// It goes off, and from there to the lowest level.
    ToOff,
}

/// A white tone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tone {
    /// As its owner calls it.
    pub name: String,
    /// Its levels.
    pub ladder: Ladder,
    /// Its colour.
    pub light: Mixture,
    /// Its modulation by levels, rising; levels above the last one are steady.
    pub modulation: Vec<Modulated>,
}

/// Stabilised illuminances of levels at 1 m on the axis.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ladder {
    /// Equal ratios.
    Geometric {
        /// How many, at least 1.
        levels: u16,
        /// Level 1.
        darkest: Lux,
        /// The highest level.
        brightest: Lux,
    },
    /// One by one, level 1 first; at least one.
    Rungs(Vec<Lux>),
}

/// Modulation up to a level.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Modulated {
    /// The highest level that has it.
    pub up_to: u16,
    /// How its light moves.
    pub is: Modulation,
}

/// A display's light at 1 m while the lamp is off.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Display {
    /// After the last touch.
    pub bright: Lux,
    /// Later.
    pub dim: Lux,
    /// So long after the last touch it dims.
    pub dims_after: Span,
    /// So long after the last touch it goes out.
    pub out_after: Span,
}

/// What a lamp takes from the mains, and what it does without.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Mains {
    /// Active power while it is off, in W.
    pub standby_w: f64,
    /// What its driver loses while it is lit, in W.
    pub driver_w: f64,
    /// Active power at its brightest, in W; between, in proportion to the light.
    pub full_w: f64,
    /// Its clock and alarm outlive a loss of power.
    pub keeps_clock: bool,
    /// It lights at its last level when power comes back; else it is off.
    pub comes_back_lit: bool,
}

impl Default for Mains {
    /// 0.4 W off, 1 W lost, 12 W at most; no battery, and off after a loss.
    fn default() -> Mains {
        Mains {
            standby_w: 0.4,
            driver_w: 1.0,
            full_w: 12.0,
            keeps_clock: false,
            comes_back_lit: false,
        }
    }
}

impl Ladder {
    /// How many levels, at least 1.
    pub fn levels(&self) -> u16 {
        match self {
            Ladder::Geometric { levels, .. } => (*levels).max(1),
            Ladder::Rungs(rungs) => u16::try_from(rungs.len()).unwrap_or(u16::MAX).max(1),
        }
    }

    /// Illuminance of a level at 1 m; beyond the ends, that of the end.
    fn rung(&self, level: u16) -> f64 {
        let top = self.levels();
        let level = level.clamp(1, top);
        match self {
            Ladder::Geometric { brightest, .. } if top == 1 => brightest.0,
            Ladder::Geometric {
                darkest, brightest, ..
            } => {
                let share = f64::from(level - 1) / f64::from(top - 1);
                darkest.0 * (brightest.0 / darkest.0).powf(share)
            }
            Ladder::Rungs(rungs) => rungs.get(usize::from(level - 1)).map_or(0.0, |lux| lux.0),
        }
    }
}

impl Display {
    /// Its light at 1 m, so long after the last touch.
    pub fn light(&self, after: Span) -> Lux {
        if after >= self.out_after {
            Lux(0.0)
        } else if after >= self.dims_after {
            self.dim
        } else {
            self.bright
        }
    }
}

impl LampModel {
    /// How many white tones, at least 1.
    pub fn tone_count(&self) -> u16 {
        u16::try_from(self.tones.len()).unwrap_or(u16::MAX).max(1)
    }

    /// How many levels a tone (from 0) has.
    pub fn levels_of(&self, tone: u16) -> u16 {
        match self.tone(tone) {
            Some(tone) => tone.ladder.levels(),
            None => self.levels.max(1),
        }
    }

    /// Stabilised direct illuminance of `level` of the first tone at `distance`
    /// from the front face: the truth that a survey is compared with. Level 0 is
    /// off, its display dark.
    pub fn truth(&self, level: u16, distance: Length) -> Lux {
        self.truth_of(0, level, distance)
    }

    /// The same of any tone, from 0.
    pub fn truth_of(&self, tone: u16, level: u16, distance: Length) -> Lux {
        let at_one_metre = if level == 0 {
            self.standby.0
        } else {
            self.rung(tone, level)
        };
        Lux(at_one_metre * self.geometry(distance))
    }

    /// Stabilised luminous flux of a level in lm; 0 when it is off.
    pub fn flux_of(&self, tone: u16, level: u16) -> f64 {
        match level {
            0 => 0.0,
            level => self.flux_of_light(self.rung(tone, level)),
        }
    }

    /// Active power at a level, in W.
    pub fn watts_of(&self, tone: u16, level: u16) -> f64 {
        match level {
            0 => self.mains.standby_w,
            level => self.watts_of_light(self.rung(tone, level)),
        }
    }

    /// A tone's colour.
    pub fn white(&self, tone: u16) -> Mixture {
        self.tone(tone)
            .map_or_else(Mixture::default, |tone| tone.light.clone())
    }

    /// How a level's light moves.
    pub fn modulation_of(&self, tone: u16, level: u16) -> Modulation {
        let ranges = self.tone(tone).map_or(&[][..], |tone| &tone.modulation);
        let range = ranges.iter().find(|range| level <= range.up_to);
        range.map_or(Modulation::None, |range| range.is)
    }

    /// The sunrise or the sunset.
    pub fn program(&self, way: Way) -> Option<&Program> {
        match way {
            Way::Up => self.sunrise.as_ref(),
            Way::Down => self.sunset.as_ref(),
        }
    }

    /// Direct illuminance of a program at 1 m, so long after its start.
    pub fn program_light(&self, program: &Program, after: Span) -> Lux {
        Lux(self.peak(program).0 * program.share(after))
    }

    /// Direct illuminance at 1 m at a program's bright end.
    pub fn peak(&self, program: &Program) -> Lux {
        match program.peak {
            Peak::Level(level) => Lux(self.rung(program.tone, level)),
            Peak::Light(light) => light,
        }
    }

    /// The lowest level that is at least this bright at 1 m, else the highest.
    pub(super) fn level_for(&self, tone: u16, light: f64) -> u16 {
        let top = self.levels_of(tone);
        // A hair of tolerance: the light of a level is that level.
        let reaches = |level: &u16| self.rung(tone, *level) >= light * (1.0 - 1e-9);
        (1..=top).find(reaches).unwrap_or(top)
    }

    /// Illuminance of a level (at least 1) at 1 m.
    pub(super) fn rung(&self, tone: u16, level: u16) -> f64 {
        match self.tone(tone) {
            Some(tone) => tone.ladder.rung(level),
            None => {
                let (levels, darkest, brightest) = (self.levels, self.darkest, self.brightest);
                Ladder::Geometric {
                    levels,
                    darkest,
                    brightest,
                }
                .rung(level)
            }
        }
    }

    fn tone(&self, tone: u16) -> Option<&Tone> {
        let last = self.tones.len().checked_sub(1)?;
        self.tones.get(usize::from(tone).min(last))
    }

    /// The disc law, as a ratio to 1 m.
    pub(super) fn geometry(&self, distance: Length) -> f64 {
        let r2 = self.radius.metres().powi(2);
        let at = |distance: Length| (distance + self.behind_face).metres().powi(2) + r2;
        at(Length::from_mm(1000)) / at(distance)
    }

    /// Heat of a light at 1 m as a share of the brightest one's; drivers lose
    /// more than proportionally at low levels, hence the root.
    pub(super) fn load(&self, light: f64) -> f64 {
        (light / self.brightest.0).max(0.0).sqrt()
    }

    pub(super) fn flux_of_light(&self, light: f64) -> f64 {
        self.flux_lm * light / self.brightest.0
    }

    pub(super) fn watts_of_light(&self, light: f64) -> f64 {
        let Mains {
            driver_w, full_w, ..
        } = self.mains;
        driver_w + (full_w - driver_w) * light / self.brightest.0
    }
}
