//! A short night with each kind of rail: the same results, whatever it speaks.

use drivers::link::Tap;
use drivers::link::tap::Way;
use drivers::profile::shipped;
use drivers::simulated::faults::Device::Rail;
use drivers::simulated::faults::{Fault, Planned};
use drivers::simulated::world::{RailSpeech, WorldSpec};
use photometry::units::{Length, Span};

use super::scene::{self, By, Dies, Nobody, Sat, Scene};
use super::tests::{moves_before_homing, promised, results, short};
use super::tests_faults::{Witness, complaints, sat_out};
use crate::plan::profiles::UsedProfile;
use crate::plan::samples;
use crate::run::journal::{Body, End};

const KINDS: [(RailSpeech, &str); 4] = [
    (RailSpeech::Bytes, "byte-rail"),
    (RailSpeech::Lines, "line-rail"),
    (RailSpeech::Registers, "register-rail"),
    (RailSpeech::RegistersTcp, "register-rail"),
];

/// A short night with such a rail.
fn night(speaks: RailSpeech, profile: &str, by: By, faults: Vec<Planned>) -> Scene {
    let mut world = WorldSpec::new(12);
    world.lamp.levels = 2;
    world.rail_speaks = speaks;
    world.faults = faults;
    let mut card = scene::card(&world, true);
    let rail = card.rail.as_mut().expect("a rail");
    rail.profile = Some(UsedProfile {
        name: profile.to_owned(),
        text: shipped::text(profile).expect("a profile").to_owned(),
        ..UsedProfile::default()
    });
    for port in &mut card.ports {
        port.serial_frames = port.name == rail.port && speaks == RailSpeech::Registers;
    }
    Scene::of(world, by, samples::lamp(2), card, short())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_kind_of_rail_gives_the_same_set_of_results() {
    let mut sets = Vec::new();
    for (speaks, profile) in KINDS {
        for by in [By::Memory, By::Pty] {
            let scene = night(speaks, profile, by, Vec::new());
            let sat = scene.sit(Nobody).await;
            let what = format!("{speaks:?} {by:?}\n{}", scene.paper.text());
            assert_eq!(sat, Sat::Ended(End::Complete), "{what}");
            let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
            assert_eq!(moves_before_homing(itinerary, &events), 0, "{what}");
            assert_eq!(results(itinerary, &events), promised(itinerary), "{what}");
            // The touch of the switch, or its being felt for, proves that no steps
            // were lost.
            let proved = events.iter().filter_map(|event| match &event.body {
                Body::Done { facts } => facts.home_offset,
                _ => None,
            });
            let proved: Vec<Length> = proved.collect();
            assert_eq!(proved, [Length::ZERO], "{what}");
            sets.push(results(itinerary, &events));
        }
    }
    assert!(sets.windows(2).all(|two| two[0] == two[1]));
}

/// A controller that would move without its home switch is homed first by whoever
/// goes on, and the results are those of a whole night.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_the_night_of_each_kind_ends_the_same() {
    for ((speaks, profile), kills) in KINDS[1..3].iter().zip([[20, 160], [90, 220]]) {
        for nth in kills {
            let scene = night(*speaks, profile, By::Memory, Vec::new());
            scene.paper.dies_at(nth, Dies::After);
            assert_eq!(scene.sit(Nobody).await, Sat::Died, "{speaks:?} {nth}");
            scene.paper.lives();
            let sat = scene.sit(Nobody).await;
            let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
            let what = format!("{speaks:?} {nth}\n{}", scene.paper.text());
            assert_eq!(sat, Sat::Ended(End::Complete), "{what}");
            assert_eq!(moves_before_homing(itinerary, &events), 0, "{what}");
            assert_eq!(results(itinerary, &events), promised(itinerary), "{what}");
        }
    }
}

/// The link of each kind breaks off once and is back in time: it is lost, found
/// again, homed before it moves, and the results are those of a whole night.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn lost_and_back_the_night_of_each_kind_ends_the_same() {
    for (speaks, profile) in KINDS {
        for nth in [12, 40] {
            let fault = Fault::LinkLost(Rail, Span::from_secs(20));
            let scene = night(speaks, profile, By::Memory, vec![Planned { nth, fault }]);
            let sat = scene.sit(Nobody).await;
            let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
            let what = format!("{speaks:?} {nth}\n{}", scene.paper.text());
            assert_eq!(sat, Sat::Ended(End::Complete), "{what}");
            let told = |kind| {
                events
                    .iter()
                    .filter(|event| event.body.kind() == kind)
                    .count()
            };
            assert_eq!((told("lost"), told("back")), (1, 1), "{what}");
            assert_eq!(moves_before_homing(itinerary, &events), 0, "{what}");
            assert_eq!(results(itinerary, &events), promised(itinerary), "{what}");
        }
    }
}

/// Every line that the rail is sent in a short night, for the judge of G-code
/// (`tests/tools/gcode.py`).
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_lines_of_a_short_night_are_as_shown() {
    for (speaks, profile) in &KINDS[..2] {
        let mut scene = night(*speaks, profile, By::Memory, Vec::new());
        let tap = Tap::new();
        scene.taps.insert("rail".to_owned(), tap.clone());
        assert_eq!(scene.sit(Nobody).await, Sat::Ended(End::Complete));
        let traffic = tap.take();
        assert_eq!(traffic.not_kept_bytes, 0);
        let sent = traffic.chunks.iter().filter(|chunk| chunk.way == Way::To);
        let bytes: Vec<u8> = sent.flat_map(|chunk| chunk.bytes.clone()).collect();
        let text: String = bytes
            .iter()
            .filter(|byte| !b"?!~\x18".contains(byte))
            .map(|byte| char::from(*byte))
            .collect();
        insta::assert_snapshot!(format!("lines_of_a_night_{profile}"), text);
    }
}

/// Every seventh night of two kinds, all of them in the long loop. Whatever goes wrong
/// with it, nothing wrong is among the results, nothing moves
/// before it was homed, and the end has a name.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_fault_of_a_rail_spoils_the_results() {
    let long = std::env::var_os("WAKERAIL_LONG").is_some();
    let (stride, kinds) = if long { (1, 1..4) } else { (7, 1..3) };
    for (speaks, profile) in &KINDS[kinds] {
        let mut nights = 0;
        for planned in faults(*speaks).into_iter().step_by(stride) {
            let scene = night(*speaks, profile, By::Memory, vec![planned.clone()]);
            let hands = Witness::releasing_once();
            let Some(sat) = sat_out(&scene, hands.clone()).await else {
                panic!("{speaks:?} {planned:?} hangs");
            };
            let (compared, found) = complaints(&scene, &sat, &hands.sights());
            println!("{speaks:?} {planned:?}: {sat:?}, {compared} compared");
            let text = scene.paper.text();
            assert_eq!(found, [""; 0], "{speaks:?} {planned:?}\n{text}");
            nights += 1;
        }
        assert!(nights > 5, "{nights}");
    }
}

fn faults(speaks: RailSpeech) -> Vec<Planned> {
    let at = |nth: &[u64], fault: Fault| -> Vec<Planned> {
        let planned = nth.iter().map(|nth| Planned {
            nth: *nth,
            fault: fault.clone(),
        });
        planned.collect()
    };
    // A drive of registers is asked some hundred times as often.
    let asked: &[u64] = match speaks {
        RailSpeech::Lines => &[1, 3, 9, 20, 41],
        _ => &[1, 30, 600, 1_000, 1_500],
    };
    let late = Fault::Late(Rail, Span::from_secs(4));
    [
        at(asked, Fault::Silent(Rail)),
        at(asked, Fault::Dead(Rail)),
        at(asked, late),
        at(asked, Fault::Reset(Rail)),
        at(asked, Fault::Forgets(Rail)),
        at(asked, Fault::Garbage(Rail, b"ok?\n".to_vec())),
        at(&[1, 9, 60], Fault::PowerLoss),
        at(&[1, 60], Fault::LimitHit),
        at(&[1, 2], Fault::BlindSwitch),
        at(&[1, 2], Fault::StuckSwitch),
        at(&[1, 2], Fault::HomingRefused),
        at(&[2, 60], Fault::LostSteps(Length::from_mm(7))),
        at(&[2, 60], Fault::Stall),
    ]
    .concat()
}
