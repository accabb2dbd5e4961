//! A standby test on a whole simulated bench: the lamp on an outlet, a meter of
//! power in its mains, and killed at its writes.

use std::collections::HashMap;
use std::sync::Arc;

use drivers::simulated::lamp_model::{Display, LampModel};
use drivers::simulated::world::WorldSpec;
use photometry::figure::Given;
use photometry::measured::Quantity;
use photometry::units::{Lux, Span};

use super::scene::{self, By, Nobody, Sat, Scene};
use super::tests::{killed_at_writes, promised, results};
use crate::plan::intent::TestKind;
use crate::plan::itinerary::{Purpose, What};
use crate::plan::kinds::StandbyTest;
use crate::plan::samples;
use crate::plan::tests_standby::{outlets, standby, wattmeter};
use crate::report::measures::{Measure, measures};
use crate::run::journal::{Body, End, Event, Link};
use crate::store::readings::Whole;
use crate::store::samples::rows_of;

/// 0.3 lx at 1 m, 0.03 after 2 min, nothing after 6.
const DISPLAY: Display = Display {
    bright: Lux(0.3),
    dim: Lux(0.03),
    dims_after: Span::from_mins(2),
    out_after: Span::from_mins(6),
};

fn night() -> Scene {
    night_every(Span::from_secs(5))
}

pub(super) fn night_every(every: Span) -> Scene {
    let lamp = LampModel {
        display: Some(DISPLAY),
        standby: Lux(0.0),
        ..LampModel::plover()
    };
    let mut world = WorldSpec {
        lamp,
        ..WorldSpec::new(1)
    };
    world.equipment.outlets.lamp = Some(1);
    let mut card = scene::card(&world, true);
    card.meters.push(wattmeter());
    card.outlets = Some(outlets());
    card.lamp_outlet = Some("lamp".to_owned());
    for port in ["plug-port", "outlet-port"] {
        let mut like = card.ports[0].clone();
        port.clone_into(&mut like.name);
        card.ports.push(like);
    }
    let mut plan = samples::plan(samples::survey(&[24]));
    plan.tests[0].name = "idle".to_owned();
    plan.tests[0].kind = TestKind::Standby(StandbyTest { every, ..standby() });
    let placement = scene::placement(&world);
    Scene::planned(world, By::Memory, samples::lamp(10), card, plan, placement)
}

/// The figures of what is on paper.
fn found(scene: &Scene) -> Vec<Measure> {
    let (frozen, events) = (Arc::clone(&scene.frozen), scene.paper.events());
    let readings = rows_of(&frozen, &events, &HashMap::new());
    measures(&Whole {
        bundle: Link::of_bundle(&[]),
        frozen: (*frozen).clone(),
        captures: Vec::new(),
        readings,
        events,
    })
}

fn value(all: &[Measure], of: &str, name: &str) -> f64 {
    let measure = all.iter().find(|measure| measure.of == of).expect(of);
    let figure = measure
        .figures
        .iter()
        .find(|figure| figure.name.name == name);
    match &figure.expect(name).given {
        Given::Estimate(estimate) => estimate.value,
        other => panic!("{name}: {other:?} {:?}", measure.notes),
    }
}

fn samples_of(events: &[Event], quantity: Quantity) -> usize {
    let is = |event: &&Event| {
        matches!(&event.body, Body::Taken { key, reading }
            if key.purpose == Purpose::Sample && reading.quantity == quantity)
    };
    events.iter().filter(is).count()
}

/// Against what the simulated lamp is: 0.3 W of standby, its display's times, and
/// the power of its levels.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_display_is_watched_until_it_goes_out() {
    let scene = night();
    let end = scene.sit(Nobody).await;
    assert_eq!(end, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    assert_eq!(results(itinerary, &events), promised(itinerary));
    // 10 min at one every 5 s, by both meters, none lost.
    for quantity in [Quantity::Illuminance, Quantity::Power] {
        assert_eq!(samples_of(&events, quantity), 121, "{quantity:?}");
    }
    let all = found(&scene);
    let dims = value(&all, "off", "display_dims_s");
    assert!((dims - 120.0).abs() < 8.0, "{dims}");
    let out = value(&all, "off", "display_out_s");
    assert!((out - 360.0).abs() < 8.0, "{out}");
    let watts = value(&all, "off-power", "standby_w");
    let model = &scene.world.lamp.mains;
    assert!((watts - model.standby_w).abs() < 0.01, "{watts}");
    let full = value(&all, "L10", "operating_w");
    assert!((full / model.full_w - 1.0).abs() < 0.05, "{full}");
    assert!(value(&all, "L01", "operating_w") < full);
}

/// After each death the outlets are off: the lamp has its power again before a
/// button is pressed, and the recording is made again whole.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_its_writes_a_standby_test_ends_the_same() {
    killed_at_writes(
        29,
        night,
        || Nobody,
        |scene, events| {
            let mut actions = scene.frozen.itinerary.actions.iter();
            let record = actions.find(|a| matches!(a.what, What::Record(_)));
            let record = i64::from(record.expect("a recording").no);
            let last = events.iter().rfind(|event| {
                event.no == Some(record) && matches!(event.body, Body::Started { .. })
            });
            let from = last.expect("it was recorded").seq;
            let of_last: Vec<Event> = events
                .iter()
                .filter(|event| event.seq > from)
                .cloned()
                .collect();
            assert_eq!(samples_of(&of_last, Quantity::Power), 121);
        },
    )
    .await;
}
