//! The sense line of a stop button, asked by `INP?`: 1 while its contact is closed, 0
//! while a person holds it pressed or its wire is cut.
//!
//! Served by `bench`; pressed by `person`. Not here: lines (`scpi_device`).

use photometry::units::Mono;
use serde::{Deserialize, Serialize};

use super::faults::Device;
use super::scpi_device::{Instrument, Reply, ScpiDevice, UNDEFINED_HEADER, Unit};
use super::world::World;

/// The button.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct ContactState {
    /// It is pressed: its contact is open.
    pub pressed: bool,
}

/// The contact as an instrument.
pub(super) struct Contact {
    world: World,
}

impl Contact {
    /// One in this world, ready for a wire.
    pub(super) fn machine(world: &World) -> ScpiDevice<Contact> {
        let contact = Contact {
            world: world.clone(),
        };
        ScpiDevice::new(world.clone(), contact)
    }
}

impl Instrument for Contact {
    fn device(&self) -> Device {
        Device::Contact
    }

    fn identity(&self) -> String {
        "Simulated,Stop button,000001,1.0".to_owned()
    }

    fn reset(&mut self, _now: Mono) {}

    fn execute(&mut self, _now: Mono, unit: &Unit) -> Reply {
        if !unit.query || !unit.is("INPut") {
            return UNDEFINED_HEADER;
        }
        let pressed = self.world.state().equipment.contact.pressed;
        Reply::Answer(u8::from(!pressed).to_string())
    }

    fn finish(&mut self, _now: Mono) -> Vec<u8> {
        Vec::new()
    }
}
