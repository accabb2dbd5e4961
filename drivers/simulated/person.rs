//! The person at a simulated bench: hands that work lamp and bench, and eyes that
//! see the truth.
//!
//! Called by whoever plays one: the rehearsal, and tests. Not here: the state that
//! the hands change (`world`, `lamp`).

use photometry::units::{Length, Lux, Mono};

use super::lamp::Button;
use super::lights::{Glow, PortGlow};
use super::programs::Way;
use super::sphere::{Inside, SphereLamp};
use super::world::World;

/// A scripted person: works the lamp by hand and knows the truth.
#[derive(Clone)]
pub struct Person(pub(super) World);

impl Person {
    /// Sets the lamp's level by hand; 0 switches it off.
    pub fn set_level(&self, level: u16, now: Mono) {
        self.0
            .edit(now, |spec, state, at| state.lamp.set(&spec.lamp, level, at));
        self.0.save(now);
    }

    /// Sets tone (from 0) and level by hand; level 0 switches it off.
    pub fn set_tone(&self, tone: u16, level: u16, now: Mono) {
        self.0.edit(now, |spec, state, at| {
            state.lamp.set_tone(&spec.lamp, tone, level, at);
        });
        self.0.save(now);
    }

    /// Sets the lamp's alarm clock to an instant, or clears it.
    pub fn set_alarm(&self, alarm: Option<Mono>, now: Mono) {
        let alarm = alarm.map(|alarm| self.0.time(alarm));
        self.0.edit(now, |spec, state, at| {
            state.lamp.set_alarm(&spec.lamp, alarm, at);
        });
        self.0.save(now);
    }

    /// Starts a program as its owner does, whichever way that is; without effect
    /// where the lamp has none.
    pub fn starts(&self, way: Way, now: Mono) {
        self.0.edit(now, |spec, state, at| {
            state.lamp.advance(&spec.lamp, at);
            state.lamp.start(&spec.lamp, way, at);
        });
        self.0.save(now);
    }

    /// The program that the lamp is in, and since when.
    pub fn sees_program(&self, now: Mono) -> Option<(Way, Mono)> {
        let (way, since) = self.0.edit(now, |_, state, _| state.lamp.runs())?;
        Some((way, self.0.clock_time(since)))
    }

    /// Puts the lamp under test, the reference lamp or nothing into the sphere. What
    /// is taken out of it stands where it belongs; lamps stay lit.
    pub fn puts_in_sphere(&self, inside: Inside, now: Mono) {
        self.0
            .edit(now, |_, state, _| state.equipment.sphere.inside = inside);
        self.0.save(now);
    }

    /// Switches one of the sphere's lamps by hand; a relay that it hangs on rules
    /// again with the board's next change.
    pub fn switches(&self, lamp: SphereLamp, on: bool, now: Mono) {
        self.0.edit(now, |_, state, at| {
            state.equipment.sphere.switch(lamp, on, at)
        });
        self.0.save(now);
    }

    /// Pulls the plug of the lamp under test, or puts it in again.
    pub fn unplugs_lamp(&self, unplugged: bool, now: Mono) {
        self.0.edit(now, |spec, state, at| {
            state.equipment.outlets.unplug(unplugged);
            state.mains_follow(spec, at);
        });
        self.0.save(now);
    }

    /// Presses the stop button, or lets it go.
    pub fn presses_stop(&self, pressed: bool, now: Mono) {
        self.0
            .edit(now, |_, state, _| state.equipment.contact.pressed = pressed);
        self.0.save(now);
    }

    /// Presses a button by hand.
    pub fn press(&self, button: Button, now: Mono) {
        self.0.edit(now, |spec, state, at| {
            state.lamp.obey(&spec.lamp, button, at)
        });
        self.0.save(now);
    }

    /// The level that shines, 0 when the lamp is off.
    pub fn sees_level(&self, now: Mono) -> u16 {
        self.0.edit(now, |_, state, _| state.lamp.shining())
    }

    /// Whether the carriage moves.
    pub fn sees_motion(&self, now: Mono) -> bool {
        let at = self.0.time(now);
        self.0.state().carriage.moves(at)
    }

    /// What is in the sphere.
    pub fn sees_in_sphere(&self) -> Inside {
        self.0.state().equipment.sphere.inside
    }

    /// The relays in the mains that are closed.
    pub fn sees_relays_closed(&self, now: Mono) -> Vec<u16> {
        self.0
            .edit(now, |_, state, _| state.equipment.outlets.closed())
    }

    /// Illuminance at the sphere's port, as an instrument without errors shows it.
    pub fn sees_port(&self, at: Mono) -> Lux {
        self.0.port(at)
    }

    /// Active power that the lamp takes, in W.
    pub fn sees_watts(&self, at: Mono) -> f64 {
        self.0.watts(at)
    }

    /// Whether one of the sphere's lamps is lit.
    pub fn sees_lit(&self, lamp: SphereLamp, now: Mono) -> bool {
        self.0
            .edit(now, |_, state, _| state.equipment.sphere.is_on(lamp))
    }

    /// Whether the lamp under test has power.
    pub fn sees_powered(&self, now: Mono) -> bool {
        self.0.edit(now, |_, state, _| state.lamp.is_powered())
    }

    /// The coils whose fingers are down.
    pub fn sees_fingers_down(&self) -> Vec<u16> {
        self.0.state().coils.closed()
    }

    /// Illuminance at the meter's plane, as an instrument without errors shows
    /// it; `at` may lie one integration back.
    pub fn sees_light(&self, at: Mono) -> Lux {
        self.0.light(at)
    }

    /// True distance from the lamp's datum face, as a person with the bench's
    /// own datum measures it.
    pub fn sees_distance(&self, at: Mono) -> Length {
        self.0.distance(at) + self.0.hidden().datum
    }

    /// Stabilised direct illuminance of a level at a true distance.
    pub fn truth(&self, level: u16, distance: Length) -> Lux {
        self.0.spec().lamp.truth(level, distance)
    }

    /// The same of any tone, from 0.
    pub fn truth_of(&self, tone: u16, level: u16, distance: Length) -> Lux {
        self.0.spec().lamp.truth_of(tone, level, distance)
    }

    /// The light at the plane of the meter on the carriage by its parts: colour and
    /// modulation too.
    pub fn sees_glow(&self, at: Mono) -> Glow {
        self.0.glow(at)
    }

    /// The same at the sphere's port.
    pub fn sees_port_glow(&self, at: Mono) -> PortGlow {
        self.0.port_glow(at)
    }
}
