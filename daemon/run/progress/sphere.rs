//! What readings in a sphere say of the lamps in it: whether one that was switched
//! on gives light, and whether it is dark again when it was switched off. A relay
//! is not believed: its board may tell what it was told.
//!
//! Part of the state that `progress` replays, as `light` is of the lamp under test.

use photometry::measured::Outcome;

use super::State;
use crate::plan::itinerary::Purpose;
use crate::run::journal::Event;
use crate::run::lit::{Astray, is_lit};

impl State {
    /// The light in the sphere when nothing was lit in it, in lx; none where this
    /// run did not see it.
    pub fn unlit_light(&self) -> Option<f64> {
        self.sightings.unlit
    }

    /// Holds a reading in a sphere against its light with nothing lit.
    pub(super) fn compare_in_sphere(&mut self, purpose: Purpose, event: &Event, outcome: &Outcome) {
        let Some(value) = outcome.value() else { return };
        match purpose {
            Purpose::StandardDark => {
                // The reference lamp hangs there now: what the unit gave off says nothing.
                (self.sightings.dark, self.sightings.unlit) = (None, Some(value));
            }
            Purpose::Dark => {
                // Held against what was seen when fingers switched the unit off. Where a
                // person did, its display may glow, and that is its dark.
                if self.sightings.dark.is_some_and(|off| is_lit(off, value)) {
                    self.lit_by_itself(event);
                } else {
                    self.sightings.unlit = Some(value);
                }
            }
            _ => {
                let unlit = self.sightings.unlit;
                if unlit.is_some_and(|unlit| !is_lit(unlit, value)) {
                    self.strays(Astray::NotLit);
                }
            }
        }
    }

    /// A look after a lamp of the sphere was switched off.
    pub(super) fn compare_switched_off(&mut self, outcome: &Outcome) {
        let unlit = self.sightings.unlit;
        let lit = match outcome {
            Outcome::Value(value) => unlit.is_some_and(|unlit| is_lit(unlit, *value)),
            Outcome::Over(_) => unlit.is_some(),
            _ => false,
        };
        if lit {
            self.strays(Astray::StaysLit);
        }
    }
}
