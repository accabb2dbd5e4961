//! A SCPI relay board whose coils push fingers on the lamp's buttons.
//!
//! Coils keep their state when nobody talks to them, as real boards do. Served
//! by `bench`; not here: lines (`scpi_device`), what a press does (`lamp`).

use std::collections::BTreeSet;

use photometry::units::Mono;
use serde::{Deserialize, Serialize};

use super::faults::{Device, Event, Fault};
use super::scpi_device::{
    DATA_TYPE, Instrument, OUT_OF_RANGE, Reply, ScpiDevice, UNDEFINED_HEADER, Unit,
};
use super::world::World;
use crate::exchange::scpi;

/// Coils on the board, numbered from 1.
const COILS: u16 = 8;

/// The coils.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Coils {
    closed: BTreeSet<u16>,
    stuck: BTreeSet<u16>,
}

impl Coils {
    /// All open.
    pub fn new() -> Coils {
        Coils::default()
    }

    /// Which are closed, rising.
    pub fn closed(&self) -> Vec<u16> {
        self.closed.iter().copied().collect()
    }
}

/// The board as an instrument.
pub(super) struct Fingers {
    world: World,
}

impl Fingers {
    /// A board in this world, ready for a wire.
    pub(super) fn machine(world: &World) -> ScpiDevice<Fingers> {
        let board = Fingers {
            world: world.clone(),
        };
        ScpiDevice::new(world.clone(), board)
    }

    fn close(&self, now: Mono, coil: u16) {
        let faults = self.world.happens(Event::Closed);
        self.world.edit(now, |spec, state, at| {
            let stuck_open = faults.contains(&Fault::StuckCoil(coil));
            let is_stuck = state.coils.stuck.contains(&coil);
            if stuck_open || faults.contains(&Fault::WeldedCoil(coil)) {
                state.coils.stuck.insert(coil);
            }
            if stuck_open || is_stuck || !state.coils.closed.insert(coil) {
                return;
            }
            let under = spec.fingers.iter().find(|(channel, _)| *channel == coil);
            if let Some((_, button)) = under {
                state.lamp.press(&spec.lamp, *button, at);
            }
        });
    }

    fn open(&self, now: Mono, coil: u16) {
        let moves = {
            let state = self.world.state();
            state.coils.closed.contains(&coil) && !state.coils.stuck.contains(&coil)
        };
        if !moves {
            return;
        }
        let faults = self.world.happens(Event::Pressed);
        self.world.edit(now, |spec, state, at| {
            state.coils.closed.remove(&coil);
            let under = spec.fingers.iter().find(|(channel, _)| *channel == coil);
            let Some((_, button)) = under else {
                return;
            };
            if faults.contains(&Fault::MissedPress) {
                state.lamp.slip();
                return;
            }
            let counted = state.lamp.release(&spec.lamp, *button, at);
            if counted && faults.contains(&Fault::DoublePress) {
                state.lamp.obey(&spec.lamp, *button, at);
            }
        });
    }
}

impl Instrument for Fingers {
    fn device(&self) -> Device {
        Device::Fingers
    }

    fn identity(&self) -> String {
        "Simulated,Relay board,8,1.0".to_owned()
    }

    fn reset(&mut self, now: Mono) {
        (1..=COILS).for_each(|coil| self.open(now, coil));
    }

    fn execute(&mut self, now: Mono, unit: &Unit) -> Reply {
        if unit.is("ROUTe:OPEN:ALL") && !unit.query {
            self.reset(now);
            return Reply::Done;
        }
        let (closes, opens) = (unit.is("ROUTe:CLOSe"), unit.is("ROUTe:OPEN"));
        if !closes && !opens {
            return UNDEFINED_HEADER;
        }
        let Some(coils) = scpi::channels(&unit.argument) else {
            return DATA_TYPE;
        };
        if coils.iter().any(|coil| !(1..=COILS).contains(coil)) {
            return OUT_OF_RANGE;
        }
        if unit.query {
            let closed = self.world.state().coils.closed();
            let shown: Vec<&str> = coils
                .iter()
                .map(|coil| {
                    if closed.contains(coil) == closes {
                        "1"
                    } else {
                        "0"
                    }
                })
                .collect();
            return Reply::Answer(shown.join(","));
        }
        for coil in coils {
            if closes {
                self.close(now, coil);
            } else {
                self.open(now, coil);
            }
        }
        Reply::Done
    }

    fn finish(&mut self, _now: Mono) -> Vec<u8> {
        Vec::new()
    }
}

#[cfg(test)]
mod tests {
    use super::super::faults::Planned;
    use super::super::world::WorldSpec;
    use super::*;
    use crate::link::wire::Machine;
    use photometry::units::Span;

    /// Sends each line at its millisecond; returns everything that came back.
    fn session(fault: Option<Fault>, lines: &[(i64, &str)]) -> (World, String) {
        let mut spec = WorldSpec::new(1);
        spec.faults = fault
            .map(|fault| Planned { nth: 1, fault })
            .into_iter()
            .collect();
        let world = World::start(spec, None, Mono::ZERO, Span::ZERO).expect("a world");
        let mut board = Fingers::machine(&world);
        let mut heard = Vec::new();
        for (ms, line) in lines {
            let now = Mono::ZERO + Span::from_ms(*ms);
            board.bytes(now, format!("{line}\n").as_bytes());
            while let Some(due) = board.next_due() {
                heard.extend(board.due(due));
            }
        }
        (world, String::from_utf8(heard).expect("text"))
    }

    const PRESS: [(i64, &str); 4] = [
        (1000, "ROUT:CLOS (@1)"),
        (1000, "ROUT:CLOS? (@1,2)"),
        (1100, "ROUT:OPEN (@1)"),
        (1100, "ROUT:CLOS? (@1,2)"),
    ];

    #[test]
    fn a_press_reaches_the_lamp_or_fails_in_a_known_way() {
        let cases = [
            (None, "1,0\n0,0\n", 6),
            (Some(Fault::MissedPress), "1,0\n0,0\n", 0),
            (Some(Fault::DoublePress), "1,0\n0,0\n", 0),
            (Some(Fault::StuckCoil(1)), "0,0\n0,0\n", 0),
            (Some(Fault::WeldedCoil(1)), "1,0\n1,0\n", 0),
        ];
        for (fault, heard, level) in cases {
            let (world, read_back) = session(fault.clone(), &PRESS);
            assert_eq!(read_back, heard, "{fault:?}");
            let late = Mono::ZERO + Span::from_secs(9);
            assert_eq!(world.person().sees_level(late), level, "{fault:?}");
        }
    }

    #[test]
    fn coils_stay_closed_until_they_are_opened() {
        let lines = [
            (0, "ROUT:CLOS (@1,3:5)"),
            (90_000, "ROUT:CLOS? (@1:8)"),
            (90_001, "ROUT:OPEN:ALL"),
            (90_002, "ROUT:CLOS? (@1:8)"),
            (90_003, "ROUT:CLOS (@9)"),
            (90_004, "SYST:ERR?"),
        ];
        let (_, heard) = session(None, &lines);
        assert_eq!(
            heard,
            "1,0,1,1,1,0,0,0\n0,0,0,0,0,0,0,0\n-222,\"Data out of range\"\n"
        );
    }
}
