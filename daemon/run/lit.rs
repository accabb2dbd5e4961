//! What a run knows of its lamp's being lit.
//!
//! Part of the state that `progress` replays; read by the attendant when it
//! makes the bench safe.

use photometry::measured::Moment;

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

/// Whether a light at the watch position is that of a setting which gave
/// `light` there, both in lux: from half to twice of it.
pub(super) fn shines_as(light: f64, value: f64) -> bool {
    let brightest = light.max(0.0) * SHINES_TO + RISE_OF_NO_LAMP_LX;
    value >= SHINES_FROM * light && value <= brightest
}
