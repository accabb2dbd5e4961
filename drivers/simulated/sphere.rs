//! An integrating sphere in closed form: whatever shines in it gives the same
//! illuminance at every place of its wall.
//!
//! ```text
//!   E = (flux of what is inside + flux of the auxiliary lamp) · alpha · M / A
//!   M = rho / (1 - rho (1 - f)),   A = pi D²
//! ```
//!
//! rho is the wall's reflectance, f the ports' share of the wall, alpha what the
//! body that is inside leaves of the light. A wall may throw back more of the red than
//! of the blue (`tint`); what arrives at the port by its colours is `lights`. Kept by
//! `world`; its photometer is a `meter`, beside it stands a `spectroradiometer`. Not
//! here: what a real sphere does besides (baffles, a wall that is not even).

use photometry::units::{Length, Mono, Ratio, Span};
use serde::{Deserialize, Serialize};

use super::lights::{PortGlow, Shining};
use super::spectra::{Mixture, Spectrum};

/// What a sphere and its lamps are.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SphereModel {
    /// Inner diameter.
    pub diameter: Length,
    /// Of the wall.
    pub reflectance: Ratio,
    /// Of the ports in the wall.
    pub port_share: Ratio,
    /// What the body of the lamp under test leaves of the light.
    pub lamp_leaves: Ratio,
    /// What the reference lamp's body leaves of it.
    pub reference_leaves: Ratio,
    /// The lamp of known flux, which takes the place of the one under test.
    pub reference: SteadyLamp,
    /// The lamp in the wall, which shows what a body swallows.
    pub auxiliary: SteadyLamp,
    /// Colour of the reference lamp.
    #[serde(default = "reference_colour")]
    pub reference_colour: Spectrum,
    /// Colour of the auxiliary lamp.
    #[serde(default = "auxiliary_colour")]
    pub auxiliary_colour: Spectrum,
    /// How much more of the light its wall throws back for each 100 nm above 555 nm, as
    /// a share.
    #[serde(default)]
    pub tint: f64,
}

/// Reference lamps have a filament.
fn reference_colour() -> Spectrum {
    Spectrum::Incandescent
}

/// A lamp in the wall is an LED as a rule.
fn auxiliary_colour() -> Spectrum {
    Spectrum::NeutralWhite
}

/// A lamp that is only on or off.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SteadyLamp {
    /// Flux in lm when it is warm.
    pub flux_lm: f64,
    /// How far the flux of the cold lamp lies above that.
    pub sag: Ratio,
    /// Time constant of its warming.
    pub warming: Span,
}

/// What is inside the sphere.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Inside {
    /// Nothing but the auxiliary lamp in its wall; the lamp stands on the rail's
    /// axis.
    #[default]
    Nothing,
    /// The lamp under test; nothing stands on the rail's axis.
    Lamp,
    /// The reference lamp; the lamp under test stands on the rail's axis.
    Reference,
}

/// A lamp of the sphere that can be switched.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SphereLamp {
    /// In the wall.
    Auxiliary,
    /// In the place of the lamp under test.
    Reference,
}

/// What of a sphere changes.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct SphereState {
    /// What is inside.
    pub inside: Inside,
    auxiliary_since: Option<Mono>,
    reference_since: Option<Mono>,
}

impl SteadyLamp {
    /// Flux in lm so long after it was switched on: a cold start each time.
    pub fn flux(&self, on_for: Span) -> f64 {
        let cold = (-on_for.secs().max(0.0) / self.warming.secs()).exp();
        self.flux_lm * (1.0 + self.sag.share() * cold)
    }
}

impl SphereModel {
    /// A metre wide, reflectance 0.98, ports 3 % of the wall; a reference lamp of
    /// 1200 lm and an auxiliary one of 400 lm.
    pub fn one_metre() -> SphereModel {
        SphereModel {
            diameter: Length::from_mm(1000),
            reflectance: Ratio::new(0.98),
            port_share: Ratio::new(0.03),
            lamp_leaves: Ratio::new(0.94),
            reference_leaves: Ratio::new(0.99),
            reference: SteadyLamp {
                flux_lm: 1200.0,
                sag: Ratio::new(0.01),
                warming: Span::from_mins(3),
            },
            auxiliary: SteadyLamp {
                flux_lm: 400.0,
                sag: Ratio::new(0.005),
                warming: Span::from_mins(2),
            },
            reference_colour: reference_colour(),
            auxiliary_colour: auxiliary_colour(),
            tint: 0.0,
        }
    }

    /// How often light is thrown back before it is gone.
    pub fn multiplier(&self) -> f64 {
        let (rho, f) = (self.reflectance.share(), self.port_share.share());
        rho / (1.0 - rho * (1.0 - f))
    }

    /// Illuminance at the port in lx for each lm in the empty sphere.
    pub fn lux_per_lumen(&self) -> f64 {
        self.multiplier() / (std::f64::consts::PI * self.diameter.metres().powi(2))
    }

    /// What the body that is inside leaves of the light.
    pub fn leaves(&self, inside: Inside) -> f64 {
        match inside {
            Inside::Nothing => 1.0,
            Inside::Lamp => self.lamp_leaves.share(),
            Inside::Reference => self.reference_leaves.share(),
        }
    }
}

impl SphereState {
    /// Switches one of its lamps; one that is on stays as warm as it is.
    pub fn switch(&mut self, lamp: SphereLamp, on: bool, at: Mono) {
        let since = match lamp {
            SphereLamp::Auxiliary => &mut self.auxiliary_since,
            SphereLamp::Reference => &mut self.reference_since,
        };
        *since = on.then(|| since.unwrap_or(at));
    }

    /// Whether one of its lamps is on.
    pub fn is_on(&self, lamp: SphereLamp) -> bool {
        match lamp {
            SphereLamp::Auxiliary => self.auxiliary_since.is_some(),
            SphereLamp::Reference => self.reference_since.is_some(),
        }
    }

    /// The light at the port, where `lamp` is that of the lamp under test.
    pub fn glow(&self, model: &SphereModel, lamp: Shining, at: Mono) -> PortGlow {
        let steady = |lamp: &SteadyLamp, since: Option<Mono>, colour| {
            since.map(|since| Shining {
                flux_lm: lamp.flux(at.since(since)),
                colour: Mixture::of(colour),
            })
        };
        let inside = match self.inside {
            Inside::Nothing => None,
            Inside::Lamp => Some(lamp),
            Inside::Reference => {
                let colour = model.reference_colour;
                steady(&model.reference, self.reference_since, colour)
            }
        };
        let colour = model.auxiliary_colour;
        let auxiliary = steady(&model.auxiliary, self.auxiliary_since, colour);
        PortGlow {
            lights: inside.into_iter().chain(auxiliary).collect(),
            leaves: model.leaves(self.inside),
            lux_per_lumen: model.lux_per_lumen(),
            tint: model.tint,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::lamp::LampModel;
    use super::super::world::{World, WorldSpec};
    use super::*;
    use photometry::units::Lux;

    fn at(secs: i64) -> Mono {
        Mono::ZERO + Span::from_secs(secs)
    }

    /// By hand: 0.98 / (1 - 0.98 * 0.97) = 0.98 / 0.0494 = 19.838; over pi m2 that is
    /// 6.3146 lx for each lm.
    #[test]
    fn the_multiplier_is_that_of_its_wall() {
        let model = SphereModel::one_metre();
        assert!((model.multiplier() - 19.84).abs() < 5e-3);
        assert!((model.lux_per_lumen() - 6.3146).abs() < 5e-4);
        let wide = SphereModel {
            diameter: Length::from_mm(2000),
            ..model.clone()
        };
        assert!((model.lux_per_lumen() / wide.lux_per_lumen() - 4.0).abs() < 1e-12);
    }

    /// Substitution, by hand from the readings of the port: flux = reference * y/y_r
    /// * (aux_r/aux) gives back the stated flux of the plover's level, 948 lm.
    #[test]
    fn a_person_can_measure_a_flux_by_substitution() {
        let spec = WorldSpec {
            lamp: LampModel {
                // Off is dark: no standby glow beside the auxiliary lamp.
                standby: Lux(0.0),
                ..LampModel::plover()
            },
            ..WorldSpec::new(1)
        };
        let world = World::start(spec, None, at(0), Span::ZERO).expect("a world");
        let person = world.person();
        let (auxiliary, reference) = (SphereLamp::Auxiliary, SphereLamp::Reference);
        // Each lamp burns for hours before it is read.
        let mut now = 0;
        let mut port = |what: &dyn Fn(Mono)| {
            what(at(now));
            now += 40_000;
            world.port(at(now)).0
        };
        let dark = port(&|now| person.puts_in_sphere(Inside::Reference, now));
        assert_eq!(dark, 0.0);
        let y_reference = port(&|now| person.switches(reference, true, now));
        let aux_reference = port(&|now| {
            person.switches(reference, false, now);
            person.switches(auxiliary, true, now);
        });
        let aux_lamp = port(&|now| person.puts_in_sphere(Inside::Lamp, now));
        let y_lamp = port(&|now| {
            person.switches(auxiliary, false, now);
            person.set_level(10, now);
        });
        let flux = 1200.0 * y_lamp / y_reference * aux_reference / aux_lamp;
        assert!((flux / 948.0 - 1.0).abs() < 1e-6, "{flux}");
        // 0.94/0.99 of the auxiliary light is left.
        assert!((aux_lamp / aux_reference - 0.94 / 0.99).abs() < 1e-12);
        // A lamp in the sphere gives no light on the rail, and the other way round.
        assert!(world.light(at(now)).0 < 0.1);
        person.puts_in_sphere(Inside::Nothing, at(now));
        assert!(world.light(at(now)).0 > 100.0);
        assert_eq!(world.port(at(now)).0, 0.0);
    }

    /// 1 % above at the start, 1 %/e after 3 min.
    #[test]
    fn its_lamps_start_cold() {
        let lamp = SphereModel::one_metre().reference;
        assert!((lamp.flux(Span::ZERO) - 1212.0).abs() < 1e-9);
        let later = 1200.0 * (1.0 + 0.01 / std::f64::consts::E);
        assert!((lamp.flux(Span::from_mins(3)) - later).abs() < 1e-9);
        let mut state = SphereState::default();
        state.switch(SphereLamp::Auxiliary, true, at(0));
        state.switch(SphereLamp::Auxiliary, true, at(9000));
        let model = SphereModel::one_metre();
        let lamp = Shining {
            flux_lm: 0.0,
            colour: Mixture::default(),
        };
        let warm = state.glow(&model, lamp, at(9000)).lux().0 / model.lux_per_lumen();
        assert!((warm - 400.0).abs() < 1e-6, "{warm}");
    }

    /// As an earlier version wrote it: without colours and tint.
    #[test]
    fn a_sphere_of_an_earlier_bench_is_read() {
        let model = SphereModel::one_metre();
        let mut kept = serde_json::to_value(&model).expect("json");
        let sphere = kept.as_object_mut().expect("a sphere");
        for new in ["reference_colour", "auxiliary_colour", "tint"] {
            assert!(sphere.remove(new).is_some(), "{new}");
        }
        let read: SphereModel = serde_json::from_value(kept).expect("a sphere");
        assert_eq!(read, model);
    }
}
