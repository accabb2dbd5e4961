//! A SCPI board of relays in the mains: the lamp under test and the sphere's lamps
//! hang on it. Relays hold what they were told, and a watchdog of the board's own
//! opens them all when nobody has fed it for too long.
//!
//! What hangs on a relay follows it at the instant at which it moves, also where the
//! watchdog moved it while nobody looked: whoever looks at the world catches up
//! first (`world`). Served by `bench`; not here: lines (`scpi_device`), what a lamp
//! does without mains (`lamp`).

use std::collections::{BTreeMap, BTreeSet};

use photometry::units::{Mono, Span};
use serde::{Deserialize, Serialize};

use super::faults::{Contact, Device, Event, Fault};
use super::lamp::Lamp;
use super::lamp_model::LampModel;
use super::meter::nr3;
use super::scpi_device::{
    DATA_TYPE, Instrument, OUT_OF_RANGE, Reply, ScpiDevice, UNDEFINED_HEADER, Unit,
};
use super::sphere::{SphereLamp, SphereState};
use super::world::World;
use crate::exchange::scpi;

/// Times that the watchdog takes, in s; 0 is off.
const WATCHDOG_S: std::ops::RangeInclusive<f64> = 0.0..=86_400.0;

/// Which relay is in whose mains, numbered from 1; without one, the lamp under test
/// always has power, and a person switches the others.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct OutletsModel {
    /// How many relays.
    pub relays: u16,
    /// The lamp under test.
    pub lamp: Option<u16>,
    /// The sphere's reference lamp.
    pub reference: Option<u16>,
    /// The sphere's auxiliary lamp.
    pub auxiliary: Option<u16>,
}

impl Default for OutletsModel {
    /// Four relays, and nothing on them.
    fn default() -> OutletsModel {
        OutletsModel {
            relays: 4,
            lamp: None,
            reference: None,
            auxiliary: None,
        }
    }
}

/// The relays and their watchdog.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct OutletsState {
    /// As they were told.
    closed: BTreeSet<u16>,
    /// Those whose contacts no longer follow.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    broken: BTreeMap<u16, Contact>,
    /// A hand has pulled the lamp's plug.
    unplugged: bool,
    /// Not fed for so long, it opens all relays; `None` while it is off.
    watchdog: Option<Span>,
    /// When it was last fed, or has last opened them.
    fed: Option<Mono>,
}

impl OutletsState {
    /// Relays whose contacts are closed, rising.
    pub fn closed(&self) -> Vec<u16> {
        let known = self.closed.iter().chain(self.broken.keys());
        let known: BTreeSet<u16> = known.copied().collect();
        known
            .into_iter()
            .filter(|relay| self.is_closed(*relay))
            .collect()
    }

    /// Whether the contact of a relay is closed.
    fn is_closed(&self, relay: u16) -> bool {
        match self.broken.get(&relay) {
            Some(Contact::Dead | Contact::DeadUnseen) => false,
            Some(Contact::Welded | Contact::WeldedUnseen) => true,
            None => self.closed.contains(&relay),
        }
    }

    /// Whether the board says that a relay is closed.
    fn tells_closed(&self, relay: u16) -> bool {
        match self.broken.get(&relay) {
            Some(Contact::Dead | Contact::Welded) => self.is_closed(relay),
            _ => self.closed.contains(&relay),
        }
    }

    /// When the watchdog opens all relays, if it is on.
    pub(super) fn opens_at(&self) -> Option<Mono> {
        Some(self.fed? + self.watchdog?)
    }

    /// The watchdog has opened all relays by `at`, and counts anew.
    pub(super) fn opened(&mut self, at: Mono) {
        self.closed.clear();
        if let (Some(fed), Some(limit)) = (self.fed, self.watchdog) {
            let times = at.since(fed).ns() / limit.ns().max(1);
            self.fed = Some(fed + limit.times(times));
        }
    }

    /// A hand pulls the lamp's plug, or puts it in again.
    pub(super) fn unplug(&mut self, unplugged: bool) {
        self.unplugged = unplugged;
    }

    fn set_watchdog(&mut self, limit: Span, at: Mono) {
        self.watchdog = (limit > Span::ZERO).then_some(limit);
        self.fed = Some(at);
    }

    fn feed(&mut self, at: Mono) {
        self.fed = Some(at);
    }

    /// Whether the lamp under test has power.
    fn powers_lamp(&self, model: &OutletsModel) -> bool {
        let relay = model.lamp.is_none_or(|relay| self.is_closed(relay));
        relay && !self.unplugged
    }

    /// What hangs on the relays follows them, at the instant of their last change.
    pub(super) fn lead(
        &self,
        model: &OutletsModel,
        lamp: (&mut Lamp, &LampModel),
        sphere: &mut SphereState,
        at: Mono,
    ) {
        let (lamp, is) = lamp;
        lamp.power(is, self.powers_lamp(model), at);
        let others = [
            (model.auxiliary, SphereLamp::Auxiliary),
            (model.reference, SphereLamp::Reference),
        ];
        for (relay, which) in others {
            if let Some(relay) = relay {
                sphere.switch(which, self.is_closed(relay), at);
            }
        }
    }
}

/// The board as an instrument.
pub(super) struct Outlets {
    world: World,
}

impl Outlets {
    /// A board in this world, ready for a wire.
    pub(super) fn machine(world: &World) -> ScpiDevice<Outlets> {
        let board = Outlets {
            world: world.clone(),
        };
        ScpiDevice::new(world.clone(), board)
    }

    fn change(&self, now: Mono, how: impl FnOnce(&mut OutletsState, Mono)) -> Reply {
        self.world.edit(now, |spec, state, at| {
            how(&mut state.equipment.outlets, at);
            state.mains_follow(spec, at);
        });
        Reply::Done
    }

    /// `ROUT:CLOS`, `ROUT:OPEN` and their questions.
    fn route(&self, now: Mono, unit: &Unit, closes: bool) -> Reply {
        let Some(relays) = scpi::channels(&unit.argument) else {
            return DATA_TYPE;
        };
        let most = self.world.spec().equipment.outlets.relays;
        if relays.iter().any(|relay| !(1..=most).contains(relay)) {
            return OUT_OF_RANGE;
        }
        if !unit.query {
            let faults = if closes {
                self.world.happens(Event::RelayClosed)
            } else {
                Vec::new()
            };
            return self.change(now, |state, _| {
                for fault in faults {
                    if let Fault::Relay(relay, contact) = fault
                        && relays.contains(&relay)
                    {
                        state.broken.insert(relay, contact);
                    }
                }
                for relay in relays {
                    if closes {
                        state.closed.insert(relay);
                    } else {
                        state.closed.remove(&relay);
                    }
                }
            });
        }
        let board = self
            .world
            .edit(now, |_, state, _| state.equipment.outlets.clone());
        let told = |relay: &u16| u8::from(board.tells_closed(*relay) == closes).to_string();
        let told: Vec<String> = relays.iter().map(told).collect();
        Reply::Answer(told.join(","))
    }

    fn watchdog(&self, now: Mono, unit: &Unit) -> Reply {
        if unit.query {
            let outlets = &self.world.state().equipment.outlets;
            return Reply::Answer(nr3(outlets.watchdog.map_or(0.0, Span::secs)));
        }
        match unit.number() {
            Some(seconds) if WATCHDOG_S.contains(&seconds) => self.change(now, |state, at| {
                state.set_watchdog(Span::from_ms((seconds * 1e3).round() as i64), at);
            }),
            Some(_) => OUT_OF_RANGE,
            None => DATA_TYPE,
        }
    }
}

impl Instrument for Outlets {
    fn device(&self) -> Device {
        Device::Outlets
    }

    fn identity(&self) -> String {
        let relays = self.world.spec().equipment.outlets.relays;
        format!("Simulated,Outlet board,{relays},1.0")
    }

    fn reset(&mut self, now: Mono) {
        self.change(now, |state, at| {
            state.closed.clear();
            state.set_watchdog(Span::ZERO, at);
        });
    }

    fn execute(&mut self, now: Mono, unit: &Unit) -> Reply {
        if unit.is("ROUTe:OPEN:ALL") && !unit.query {
            self.change(now, |state, _| state.closed.clear())
        } else if unit.is("ROUTe:CLOSe") {
            self.route(now, unit, true)
        } else if unit.is("ROUTe:OPEN") {
            self.route(now, unit, false)
        } else if unit.is("SYSTem:WATChdog") {
            self.watchdog(now, unit)
        } else if unit.is("SYSTem:WATChdog:FEED") && !unit.query {
            self.change(now, OutletsState::feed)
        } else {
            UNDEFINED_HEADER
        }
    }

    fn finish(&mut self, _now: Mono) -> Vec<u8> {
        Vec::new()
    }
}

#[cfg(test)]
mod tests {
    use super::super::sphere::Inside;
    use super::super::testing::text;
    use super::super::world::WorldSpec;
    use super::*;

    fn at(secs: i64) -> Mono {
        Mono::ZERO + Span::from_secs(secs)
    }

    /// A plover on relay 1, the sphere's lamps on 2 and 3.
    fn spec() -> WorldSpec {
        let mut spec = WorldSpec {
            lamp: LampModel::plover(),
            ..WorldSpec::new(1)
        };
        spec.equipment.outlets = OutletsModel {
            relays: 4,
            lamp: Some(1),
            reference: Some(2),
            auxiliary: Some(3),
        };
        spec
    }

    fn told(machine: &mut ScpiDevice<Outlets>, secs: i64, line: &str) -> String {
        text(machine, &mut at(secs), line)
    }

    #[test]
    fn relays_hold_what_they_were_told() {
        let world = World::start(spec(), None, at(0), Span::ZERO).expect("a world");
        let mut board = Outlets::machine(&world);
        let cases = [
            ("*IDN?", "Simulated,Outlet board,4,1.0\n"),
            ("ROUT:CLOS (@1,3:4);CLOS? (@1:4)", "1,0,1,1\n"),
            ("ROUT:OPEN (@3);OPEN? (@1:4)", "0,1,1,0\n"),
            ("SYST:WATC?", "0.000000E+00\n"),
            ("SYST:WATC 20;WATC?", "2.000000E+01\n"),
            ("ROUT:OPEN:ALL;:ROUT:CLOS? (@1:4)", "0,0,0,0\n"),
            ("ROUT:CLOS (@5)", ""),
            ("SYST:WATC -1", ""),
            ("SYST:WATC:FEED?", ""),
            (
                "SYST:ERR?;ERR?;ERR?",
                "-222,\"Data out of range\";-222,\"Data out of range\";\
                 -113,\"Undefined header\"\n",
            ),
        ];
        for (line, said) in cases {
            assert_eq!(told(&mut board, 1, line), said, "{line}");
        }
    }

    #[test]
    fn what_hangs_on_a_relay_follows_it() {
        let world = World::start(spec(), None, at(0), Span::ZERO).expect("a world");
        let mut board = Outlets::machine(&world);
        let person = world.person();
        // No mains: neither light nor power, whatever a hand does.
        person.set_level(10, at(1));
        assert_eq!((person.sees_level(at(2)), world.watts(at(2))), (0, 0.0));
        told(&mut board, 3, "ROUT:CLOS (@1)");
        assert_eq!(world.watts(at(4)), 0.3);
        person.set_level(10, at(5));
        assert_eq!(person.sees_level(at(6)), 10);
        told(&mut board, 7, "ROUT:OPEN (@1)");
        assert_eq!((person.sees_level(at(8)), world.watts(at(8))), (0, 0.0));
        // The sphere's lamps: 1200 lm and 400 lm, with what the body leaves.
        person.puts_in_sphere(Inside::Reference, at(9));
        told(&mut board, 10, "ROUT:CLOS (@2)");
        let sphere = &world.spec().equipment.sphere;
        let lumen = |at| world.port(at).0 / sphere.lux_per_lumen() / 0.99;
        assert!((lumen(at(9000)) - 1200.0).abs() < 1e-6);
        told(&mut board, 9001, "ROUT:CLOS (@3)");
        assert!((lumen(at(18_000)) - 1600.0).abs() < 1e-6);
        told(&mut board, 18_001, "*RST");
        assert_eq!(lumen(at(18_002)), 0.0);
        // A hand at the plug.
        told(&mut board, 18_003, "ROUT:CLOS (@1)");
        person.unplugs_lamp(true, at(18_004));
        assert_eq!(world.watts(at(18_005)), 0.0);
        person.unplugs_lamp(false, at(18_006));
        assert_eq!(world.watts(at(18_007)), 0.3);
    }

    #[test]
    fn a_watchdog_that_is_not_fed_opens_all_relays() {
        let world = World::start(spec(), None, at(0), Span::ZERO).expect("a world");
        let mut board = Outlets::machine(&world);
        let person = world.person();
        told(&mut board, 0, "SYST:WATC 20;:ROUT:CLOS (@1,4)");
        person.set_level(5, at(1));
        told(&mut board, 15, "SYST:WATC:FEED");
        assert_eq!(told(&mut board, 34, "ROUT:CLOS? (@1,4)"), "1,1\n");
        assert_eq!(person.sees_level(at(34)), 5);
        // The light goes at the 35th second, seen afterwards.
        assert_eq!(person.sees_level(at(35)), 0);
        assert_eq!(told(&mut board, 36, "ROUT:CLOS? (@1,4)"), "0,0\n");
        // It counts on: relays closed at 50 s are open again at 55 s; off, they stay.
        told(&mut board, 50, "ROUT:CLOS (@1)");
        assert_eq!(told(&mut board, 54, "ROUT:CLOS? (@1)"), "1\n");
        assert_eq!(told(&mut board, 55, "ROUT:CLOS? (@1)"), "0\n");
        told(&mut board, 60, "SYST:WATC 0;:ROUT:CLOS (@1)");
        assert_eq!(told(&mut board, 9000, "ROUT:CLOS? (@1)"), "1\n");
    }

    /// The daemon dies after ten seconds and is away for half a minute; the board's
    /// 20 s are over meanwhile.
    #[test]
    fn the_watchdog_survives_the_daemon() {
        let dir = tempfile::tempdir().expect("a directory");
        let file = dir.path().join("world.json");
        let life =
            |now, absent| World::start(spec(), Some(file.clone()), now, absent).expect("a world");
        let first = life(at(0), Span::ZERO);
        let mut board = Outlets::machine(&first);
        told(&mut board, 1, "ROUT:CLOS (@1,4)");
        told(&mut board, 2, "SYST:WATC 20");
        first.person().set_level(7, at(10));
        drop((board, first));
        let kept = std::fs::read(&file).expect("the world");
        for (absent, level, relays) in [(11, 7, "1,1\n"), (12, 0, "0,0\n")] {
            std::fs::write(&file, &kept).expect("written");
            let again = life(at(3), Span::from_secs(absent));
            assert_eq!(again.person().sees_level(at(3)), level, "{absent}");
            let mut board = Outlets::machine(&again);
            assert_eq!(told(&mut board, 3, "ROUT:CLOS? (@1,4)"), relays, "{absent}");
        }
    }
}
