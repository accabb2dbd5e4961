//! What a run knows of its lamp's being lit.
//!
//! Part of the state that `progress` replays; read by the attendant when it
//! makes the bench safe.

use photometry::measured::Moment;
use photometry::units::Length;

/// What is known of the lamp's being lit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lit {
    /// This run never touched it.
    NotTouched,
    /// Its switch was worked while it was not known to be lit; each press of a
    /// power button may have switched it on.
    MaybeOn {
        /// The sitting in which that began.
        sitting: u32,
        /// When.
        since: Moment,
    },
    /// On, since this moment of that sitting.
    On {
        /// The sitting in which it was switched on.
        sitting: u32,
        /// When.
        since: Moment,
        /// A meter saw its light, and its switch was not worked since.
        seen: bool,
    },
    /// Switched off.
    Off,
}

/// Share of a setting's light below which the lamp does not shine as it was
/// set: warming up never costs as much. Common practice, no source.
const SHINES_FROM: f64 = 0.5;
/// Times a setting's light above which it is another setting's, or another
/// lamp's: warming up from the last look on never gives as much. Common
/// practice, no source.
const SHINES_TO: f64 = 2.0;
/// A rise by less, in lx, is no lamp's: noise and the room of a dark level.
const RISE_OF_NO_LAMP_LX: f64 = 0.5;

/// Share of what the inverse square leaves of a light below which a lamp is not
/// seen to be lit elsewhere: near fields and tilted heads cost less.
const GLIMPSED_FROM: f64 = 0.2;
/// Share of the least light to be expected below which no lit lamp gives less,
/// however its light falls off. Common practice, no source.
const DARK_BELOW: f64 = 0.02;
/// Readings of one point, seconds apart, that differ by more are not of one
/// light. Common practice, no source.
const UNSTEADY_FROM: f64 = 0.2;
/// What a meter may show more or less from one reading to the next, in lx: two
/// steps of one that shows tenths. Common practice, no source.
const NOISE_LX: f64 = 0.2;
/// The same of a meter of power, in W.
const NOISE_W: f64 = 0.05;
/// A light that was another level's before is taken for it within this.
const SAME_WITHIN: f64 = 0.10;

/// How a reading says that the lamp is not, or was not all the time, as it was
/// set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Astray {
    /// At the watch position, less than half or more than twice the light of
    /// its setting.
    Reference,
    /// At the watch position, all at once the light of another level.
    OtherLevel,
    /// At a point, dark, or not what the reference lets expect there.
    AtPoint,
    /// Light while the lamp is to be off.
    NotDark,
    /// The readings of a point differ by more than a fifth.
    WithinPoint,
    /// In a sphere, no light of a lamp that was switched on.
    NotLit,
    /// In a sphere, light after its lamp was switched off.
    StaysLit,
}

impl Astray {
    /// What was seen, for a setting's key.
    pub fn words(self, setting: &str) -> String {
        match self {
            Astray::Reference => format!(
                "the light at the reference position is less than half or more than twice of \
                 what it was when {setting} was set"
            ),
            Astray::OtherLevel => format!(
                "the light at the reference position left that of {setting} all at once, for \
                 that of another level"
            ),
            Astray::AtPoint => format!(
                "the light at this point is not that of {setting}, going by the light at the \
                 reference position"
            ),
            Astray::NotDark => "there is more than twice the light that there was here when the \
                                lamp was off"
                .to_owned(),
            Astray::WithinPoint => {
                format!(
                    "readings of one point at {setting}, seconds apart, differ by more than a fifth"
                )
            }
            Astray::NotLit => "there is no more light in the sphere than with nothing lit, though \
                               its lamp was switched on"
                .to_owned(),
            Astray::StaysLit => "there is more light in the sphere than with nothing lit, though \
                                 its lamp was switched off"
                .to_owned(),
        }
    }

    /// What may be behind it.
    pub const fn because(self) -> &'static str {
        match self {
            Astray::NotLit | Astray::StaysLit => {
                "the relay of its outlet does not follow, the lamp is broken, another lamp in the \
                 sphere changed by itself, or other light came in"
            }
            _ => {
                "the lamp went out, blinked or changed its level by itself, other light came in, \
                 or something stands before the meter"
            }
        }
    }
}

/// What a reading away from the watch position says of the lamp.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Shines {
    /// It may be lit as it was set.
    AsSet,
    /// It is dark, or falls off in an unusual way: another look tells.
    Doubtful,
    /// It is not.
    Not,
}

/// Whether a light at the watch position is that of a setting which gave
/// `light` there, both in lux: from half to twice of it.
pub(super) fn shines_as(light: f64, value: f64) -> bool {
    let brightest = light.max(0.0) * SHINES_TO + RISE_OF_NO_LAMP_LX;
    value >= SHINES_FROM * light && value <= brightest
}

/// Whether two readings of one place, in lx, may be of one light, minutes or
/// hours apart: within a factor of two, or apart by no lamp's light.
pub(super) fn agrees(one: f64, other: f64) -> bool {
    let (least, most) = (one.min(other), one.max(other));
    most <= least.max(0.0) * SHINES_TO + RISE_OF_NO_LAMP_LX
}

/// Whether a light, in lx, is too dark for a lamp that gives `lamp` there, whatever
/// the room adds. Brighter it may be: the room's light comes and goes, and what the
/// lamp itself does shows at the reference.
pub(super) fn too_dark(lamp: f64, value: f64) -> bool {
    value + RISE_OF_NO_LAMP_LX < SHINES_FROM * lamp
}

/// Whether a lamp's own light, in lx, is ten times the room's or more.
pub(super) fn mostly_lamp(room: f64, lamp: f64) -> bool {
    lamp > 10.0 * (room.max(0.0) + RISE_OF_NO_LAMP_LX)
}

/// Whether there is light, in lx, where the lamp left `dark` when it was
/// switched off, moments ago.
pub fn is_lit(dark: f64, value: f64) -> bool {
    value > dark && !agrees(dark, value)
}

/// Whether two readings of one point, in lx, seconds apart, are of one light.
/// What is less apart is in the scatter of the point.
pub fn steady(one: f64, other: f64) -> bool {
    let apart = (one - other).abs();
    apart <= UNSTEADY_FROM * one.max(other) + NOISE_LX
}

/// The same of power, in W.
pub(super) fn steady_power(one: f64, other: f64) -> bool {
    (one - other).abs() <= UNSTEADY_FROM * one.max(other) + NOISE_W
}

/// Whether a light that was `light` before is now another level's, which gave
/// `other`: a lamp that warms up changes little from one look to the next.
pub(super) fn is_another(light: f64, other: f64, value: f64) -> bool {
    let off = |light: f64| (value - light).abs();
    let same = |light: f64| off(light) <= SAME_WITHIN * light.abs().max(value.abs());
    off(light) > RISE_OF_NO_LAMP_LX && !same(light) && same(other)
}

/// Whether a reading away from the watch position is too dark for anyone to
/// have seen a lit lamp there: far below what the inverse square leaves.
pub(super) fn glimpsed(light: f64, watch: Length, position: Length, value: f64) -> bool {
    let ratio = watch.metres() / position.metres();
    value < GLIMPSED_FROM * light * ratio * ratio
}

/// What a reading says at a place of which nothing is known yet. Between the
/// lamp's face, where the light hardly falls off, and the inverse square of the
/// distance lies what any lamp on the rail's axis gives.
pub(super) fn least_at(light: f64, watch: Length, position: Length, value: f64) -> Shines {
    let ratio = watch.metres() / position.metres();
    let least = light * (ratio * ratio).min(1.0);
    if value >= GLIMPSED_FROM * least || least - value <= RISE_OF_NO_LAMP_LX {
        Shines::AsSet
    } else if value < DARK_BELOW * least {
        Shines::Not
    } else {
        Shines::Doubtful
    }
}
