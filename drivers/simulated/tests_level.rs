//! The simulated lamp's control: by its lines, and by the real driver with the shipped
//! profile over a wire, held against the lamp's closed form.

use std::sync::atomic::AtomicBool;

use photometry::units::{Mono, Span, Wall};

use super::bench::{BenchSpec, SimulatedBench, Wire};
use super::faults::{Device, Event, Fault, Planned};
use super::lamp_model::LampModel;
use super::level::Level;
use super::testing::text;
use super::world::{Person, World, WorldSpec};
use crate::clock::Clock;
use crate::error::DriverError;
use crate::exchange::talk::{LinkState, Talk};
use crate::link::Link;
use crate::profile::shipped;
use crate::roles::leveller::Leveller;
use crate::roles::profiled_level::ProfiledLevel;

fn spec(faults: Vec<Planned>) -> WorldSpec {
    WorldSpec {
        lamp: LampModel::plover(),
        faults,
        ..WorldSpec::new(1)
    }
}

fn at(secs: i64) -> Mono {
    Mono::ZERO + Span::from_secs(secs)
}

#[test]
fn a_lamp_follows_what_its_control_is_told() {
    let mut spec = spec(Vec::new());
    let (tones, top) = (spec.lamp.tone_count(), spec.lamp.levels_of(0));
    spec.equipment.level.modes = (0..=tones).map(|tone| format!("m{tone}")).collect();
    let world = World::start(spec, None, at(0), Span::ZERO).expect("a world");
    let mut control = Level::machine(&world);
    let beyond = [format!("LEV m0,{}", top + 1), format!("LEV m{tones},1")];
    let mut now = at(1);
    let mut told = |line: &str| text(&mut control, &mut now, line);
    assert_eq!(told("LEV?"), "m0,0\n");
    assert_eq!(told("LEV M0,3;:LEV?"), "m0,3\n");
    for no in ["LEV m0,0", "LEV other,1", &beyond[0], &beyond[1]] {
        let refused = "-222,\"Data out of range\"\n";
        assert_eq!(told(&format!("{no};:SYST:ERR?")), refused, "{no}");
    }
    for no in ["LEV 3", "LEV m0,half", "LEV m0,-1"] {
        let refused = "-104,\"Data type error\"\n";
        assert_eq!(told(&format!("{no};:SYST:ERR?")), refused, "{no}");
    }
    assert_eq!(told("LEVEL?"), "m0,3\n");
    // What a hand did is told as well.
    world.person().set_level(2, at(60));
    assert_eq!(told("LEV?"), "m0,2\n");
    assert_eq!(told("LEV:OFF;:LEV?"), "m0,0\n");
    assert_eq!(told("LEV m0,5;*RST;:LEV?"), "m0,0\n");
    assert_eq!(world.count(Event::LevelTold), 3);
}

/// The real driver before the simulated control over its wire.
fn driven<T>(
    faults: Vec<Planned>,
    how: impl FnOnce(&mut ProfiledLevel, &mut Talk<'_>, &Person) -> T,
) -> T {
    let clock = Clock::simulated(Wall::from_us(0), Mono::ZERO);
    let wire = Wire::Memory("level".to_owned());
    let address = wire.address();
    let bench = BenchSpec {
        world: spec(faults),
        world_file: None,
        absent: Span::ZERO,
        devices: vec![(Device::Level, wire)],
    };
    let (bench, mut seats) = SimulatedBench::start(&clock, bench, &["port"]).expect("a bench");
    let _flow = clock.hold_flow();
    let mut link = Link::open(&address, &clock).expect("a link");
    let (never, mut state) = (AtomicBool::new(false), LinkState::new());
    let mut talk = Talk::new(&mut seats[0], &mut link, &never, &mut state);
    let profile = shipped::profile(shipped::DEFAULT_LEVEL).expect("a profile");
    let mut lamp = ProfiledLevel::new(profile, None);
    lamp.open(&mut talk).expect("it opens");
    how(&mut lamp, &mut talk, &bench.person())
}

fn told_as(nth: u64, fault: Fault) -> Vec<Planned> {
    vec![Planned { nth, fault }]
}

/// Each level, five hours later: the light is the closed form's at rest.
#[test]
fn the_driver_lights_each_level() {
    driven(Vec::new(), |lamp, talk, person| {
        let model = LampModel::plover();
        for level in 1..=model.levels_of(0) {
            lamp.set_level(talk, "only", level).expect("it is taken");
            assert_eq!(person.sees_level(talk.now().mono), level);
            let later = talk.now().mono + Span::from_mins(300);
            talk.pause(later).expect("a pause");
            let now = talk.now().mono;
            let (world, room) = (&person.0, person.0.spec().room.clone());
            let truth = room.with_stray(model.truth(level, world.distance(now))).0;
            let is = world.glow(now).lamp.0;
            assert!((is / truth - 1.0).abs() < 1e-6, "{level}: {is} of {truth}");
        }
        lamp.off(talk).expect("it goes out");
        assert_eq!(person.sees_level(talk.now().mono), 0);
    });
}

#[test]
fn an_ignored_command_is_told_by_the_driver_and_a_lie_is_not() {
    driven(told_as(2, Fault::LevelIgnored), |lamp, talk, person| {
        lamp.set_level(talk, "only", 2).expect("it is taken");
        let ignored = lamp.set_level(talk, "only", 5).expect_err("ignored");
        assert!(matches!(ignored, DriverError::NotTaken { .. }), "{ignored}");
        assert_eq!(person.sees_level(talk.now().mono), 2);
        lamp.set_level(talk, "only", 5).expect("it is taken");
        assert_eq!(person.sees_level(talk.now().mono), 5);
    });
    // Only the light tells that the lamp did not follow.
    driven(told_as(2, Fault::LevelUnfollowed), |lamp, talk, person| {
        lamp.set_level(talk, "only", 2).expect("it is taken");
        lamp.set_level(talk, "only", 5).expect("it says so");
        assert_eq!(person.sees_level(talk.now().mono), 2);
        let lit = lamp.lit(talk).expect("an answer").expect("it tells");
        assert_eq!(lit.to_string(), "only 5");
        lamp.off(talk).expect("it goes out");
        assert_eq!(person.sees_level(talk.now().mono), 0);
    });
}

#[test]
fn a_silent_control_is_named_and_believed_again() {
    let dead = told_as(6, Fault::Silent(Device::Level));
    driven(dead, |lamp, talk, person| {
        let levels = [3, 4, 5, 6];
        let came = levels.map(|level| lamp.set_level(talk, "only", level));
        let silent = came.iter().filter(|came| came.is_err()).count();
        assert_eq!(silent, 1, "{came:?}");
        assert!(came[3].is_ok(), "{came:?}");
        assert_eq!(person.sees_level(talk.now().mono), 6);
    });
}
