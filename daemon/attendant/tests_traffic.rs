//! The traffic of a night: kept where the bench file says so, whole up to a death.

use std::sync::Arc;

use drivers::simulated::faults::{Device, Fault, Planned};
use photometry::units::Span;

use super::scene::{By, Dies, Nobody, Sat, Scene};
use super::tests::short;
use crate::bench::traffic::{FIRST_LINE, read};
use crate::run::journal::{Body, End};
use crate::run::traffic::Piece;

/// A night whose meter's traffic is kept, with a late answer and a silence in it.
fn night(by: By) -> Scene {
    let mut scene = Scene::new(7, by, 2, short());
    let late = Fault::Late(Device::Meter, Span::from_secs(4));
    scene.world.faults = vec![
        Planned {
            nth: 40,
            fault: late,
        },
        Planned {
            nth: 60,
            fault: Fault::Silent(Device::Meter),
        },
    ];
    let frozen = Arc::get_mut(&mut scene.frozen).expect("nobody else has it");
    let port = frozen
        .card
        .ports
        .iter_mut()
        .find(|p| p.name == "meter-port");
    port.expect("the meter's port").traffic_kept = true;
    scene
}

/// What came from the device, in one go.
fn heard(pieces: &[Piece]) -> Vec<u8> {
    let said = pieces
        .iter()
        .flat_map(|piece| read(&piece.text).expect("a session"));
    said.filter(|said| !said.to_device)
        .flat_map(|said| said.bytes)
        .collect()
}

/// The raw answers of the readings that were taken until an instant before the
/// last one, in their order.
fn answers(scene: &Scene, before_last: Span) -> Vec<Vec<u8>> {
    let events = scene.paper.events();
    let taken = events.iter().filter_map(|event| match &event.body {
        Body::Taken { reading, .. } => Some(reading),
        _ => None,
    });
    let last = taken.clone().next_back().expect("a reading").taken.mono;
    taken
        .filter(|reading| last.since(reading.taken.mono) >= before_last)
        .map(|reading| reading.raw.clone())
        .collect()
}

fn in_order(heard: &[u8], answers: &[Vec<u8>]) -> Result<(), usize> {
    let mut rest = heard;
    for (at, answer) in answers.iter().enumerate().filter(|(_, a)| !a.is_empty()) {
        let found = rest
            .windows(answer.len())
            .position(|window| window == answer);
        rest = &rest[found.ok_or(at)? + answer.len()..];
    }
    Ok(())
}

#[tokio::test]
async fn every_byte_of_a_night_is_kept_in_its_order() {
    for by in [By::Memory, By::Pty] {
        let scene = night(by);
        assert_eq!(scene.sit(Nobody).await, Sat::Ended(End::Complete));
        let pieces = scene.paper.pieces();
        assert!(pieces.len() > 3, "{} pieces", pieces.len());
        assert!(pieces.iter().all(|piece| piece.device == "lux-head"));
        let readings = answers(&scene, Span::ZERO);
        assert_eq!(in_order(&heard(&pieces), &readings), Ok(()));
        let mut end = 0;
        let mut last = Span::ZERO;
        for piece in &pieces {
            let said = read(&piece.text).expect("a session");
            let bytes: usize = said.iter().map(|said| said.bytes.len()).sum();
            assert_eq!((piece.begins_at, piece.bytes), (end, bytes as u64));
            assert!(last <= piece.from && piece.from <= piece.to);
            (end, last) = (end + piece.bytes, piece.to);
        }
    }
}

/// Every reading of a night, with its key and flags, without its times.
fn readings(scene: &Scene) -> Vec<String> {
    let events = scene.paper.events();
    let taken = events.iter().filter_map(|event| match &event.body {
        Body::Taken { key, reading } => Some((key, reading)),
        _ => None,
    });
    // A number's Debug form is exact.
    taken
        .map(|(key, r)| {
            format!(
                "{key} {:?} {:?} {:?} {:?}",
                r.outcome, r.raw, r.flags, r.range
            )
        })
        .collect()
}

/// The meter is gone, its record plays in its place: the same attendant, bench and
/// driver make the same night of it.
#[tokio::test]
async fn a_night_with_a_replayed_meter_has_the_same_readings_to_the_last_bit() {
    let first = night(By::Memory);
    assert_eq!(first.sit(Nobody).await, Sat::Ended(End::Complete));
    let wanted = readings(&first);
    let lapses = ["TimedOut", "answered after a resync"];
    for lapse in lapses {
        assert!(wanted.iter().any(|line| line.contains(lapse)), "{lapse}");
    }
    let texts: Vec<String> = first.paper.pieces().into_iter().map(|p| p.text).collect();
    let session = format!("{FIRST_LINE}\n{}", texts.concat());
    for by in [By::Memory, By::Pty] {
        let mut again = night(by);
        again.world.faults.clear();
        again.played = Some(drivers::link::session::read(&session).expect("a session"));
        assert_eq!(again.sit(Nobody).await, Sat::Ended(End::Complete));
        let followed = again.followed.lock().expect("a lock").clone();
        assert_eq!(followed.departure(), None);
        assert_eq!(readings(&again), wanted);
        assert_eq!(followed.questions_left(), 0);
    }
}

#[tokio::test]
async fn nothing_is_kept_where_nothing_was_said_of_it() {
    let mut scene = night(By::Memory);
    let frozen = Arc::get_mut(&mut scene.frozen).expect("nobody else has it");
    for port in &mut frozen.card.ports {
        port.traffic_kept = false;
    }
    assert_eq!(scene.sit(Nobody).await, Sat::Ended(End::Complete));
    assert_eq!(scene.paper.pieces(), []);
}

/// What is lost is what was said since the last piece, ten seconds at most before
/// the last answer. The next sitting counts its time from the run's beginning.
#[tokio::test]
async fn a_death_costs_the_last_seconds_of_traffic_alone() {
    let scene = night(By::Memory);
    scene.paper.dies_at(150, Dies::After);
    assert_eq!(scene.sit(Nobody).await, Sat::Died);
    let pieces = scene.paper.pieces();
    let old = answers(&scene, Span::from_secs(10));
    assert!(old.len() > 10, "{} readings", old.len());
    assert_eq!(in_order(&heard(&pieces), &old), Ok(()));
    scene.paper.lives();
    assert_eq!(scene.sit(Nobody).await, Sat::Ended(End::Complete));
    let all = scene.paper.pieces();
    let (first, second) = all.split_at(pieces.len());
    assert!(second.iter().all(|piece| piece.sitting == 2));
    assert_eq!(second[0].begins_at, 0);
    let events = scene.paper.events();
    let resumed = events.iter().find(|event| event.sitting == 2).expect("one");
    let since = resumed.at.wall.since(events[0].at.wall);
    assert!(first[first.len() - 1].to < since && since <= second[0].from);
    assert!(second[0].from < since + Span::from_secs(60));
}
