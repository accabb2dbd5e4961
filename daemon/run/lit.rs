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
