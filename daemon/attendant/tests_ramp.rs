//! A sunrise of 90 minutes on the simulated clock, held against its closed form.
//!
//! The light is the peak times (t/T)^2, so a share s of it is crossed at T sqrt(s),
//! and its integral is a third of peak times T: elementary, no source needed.

use std::collections::HashMap;
use std::sync::Arc;

use drivers::profile::shipped::{self, FIXED_RANGE_METER};
use drivers::simulated::lamp_model::LampModel;
use drivers::simulated::programs::Program as Runs;
use photometry::figure::Given;
use photometry::measured::{Moment, Outcome};
use photometry::units::{Length, Ratio, Span};

use super::scene::{By, Nobody, Sat, Scene};
use super::tests_kinds::{dawn, dawn_every, night, plover};
use crate::plan::intent::TestKind;
use crate::plan::itinerary::Purpose;
use crate::plan::kinds::RampTest;
use crate::plan::profiles::{GivenSetting, UsedProfile};
use crate::plan::samples::frozen as samples_of;
use crate::report::measures::{Measure, measures};
use crate::run::journal::{Body, Decision, End, Link};
use crate::store::readings::Whole;
use crate::store::samples::rows_of;

const LENGTH: Span = Span::from_mins(90);
const EVERY: Span = Span::from_secs(1);
const LEAD: Span = Span::from_mins(2);
const AFTER: Span = Span::from_mins(5);

fn ninety_minutes() -> Scene {
    let (model, mut lamp) = plover();
    let sunrise = Runs {
        length: LENGTH,
        ..model.sunrise.clone().expect("a sunrise")
    };
    // A lamp that does not warm: its light is the closed form alone.
    let model = LampModel {
        sag: Ratio::new(0.0),
        sunrise: Some(sunrise),
        ..model
    };
    lamp.programs[0].length = LENGTH;
    let TestKind::Ramp(ramp) = dawn() else {
        panic!("a ramp");
    };
    let kind = TestKind::Ramp(RampTest {
        every: EVERY,
        lead: LEAD,
        after: AFTER,
        hold: false,
        ..ramp
    });
    night(90, By::Memory, (model, lamp), kind)
}

fn whole(scene: &Scene) -> Whole {
    let (frozen, events) = (Arc::clone(&scene.frozen), scene.paper.events());
    let readings = rows_of(&frozen, &events, &HashMap::new());
    Whole {
        bundle: Link::of_bundle(&[]),
        frozen: (*frozen).clone(),
        captures: Vec::new(),
        readings,
        events,
    }
}

fn only(whole: &Whole) -> Measure {
    let [ramp] = <[Measure; 1]>::try_from(measures(whole)).expect("one program");
    ramp
}

fn found(scene: &Scene) -> Measure {
    only(&whole(scene))
}

/// Each sample by its number, with when it was asked for.
fn samples(scene: &Scene) -> Vec<(u32, Moment)> {
    let events = scene.paper.events();
    let taken = events.iter().filter_map(|event| match &event.body {
        Body::Taken { key, reading } if key.purpose == Purpose::Sample => {
            assert!(reading.outcome.value().is_some(), "{reading:?}");
            Some((key.visit, reading.asked))
        }
        _ => None,
    });
    taken.collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn of_ninety_minutes_no_sample_is_lost_and_its_figures_are_the_closed_forms() {
    let scene = ninety_minutes();
    assert_eq!(
        scene.sit(Nobody).await,
        Sat::Ended(End::Complete),
        "{}",
        scene.paper.text()
    );
    let taken = samples(&scene);
    // Two minutes, ninety, five, at one a second, both ends included.
    let wanted = u32::try_from((LEAD + LENGTH + AFTER).ns() / EVERY.ns() + 1).expect("few");
    let numbers: Vec<u32> = taken.iter().map(|(visit, _)| *visit).collect();
    assert_eq!(numbers, (1..=wanted).collect::<Vec<u32>>());
    let first = taken[0].1.mono;
    for (visit, asked) in &taken {
        let due = first + EVERY.times(i64::from(visit - 1));
        assert_eq!(asked.mono, due, "sample {visit}");
    }

    let ramp = found(&scene);
    assert!(!ramp.unfinished, "{:?}", ramp.notes);
    let told = "Each reading was asked for when it was due.";
    assert!(
        ramp.notes.iter().any(|note| note == told),
        "{:?}",
        ramp.notes
    );
    let figure = |name: &str| {
        let mut figures = ramp.figures.iter();
        let figure = figures.find(|figure| figure.name.name == name);
        figure.unwrap_or_else(|| panic!("{name}: {figure:?}"))
    };
    let value = |name: &str| figure(name).value().unwrap_or_else(|| panic!("{name}"));
    for (name, share) in [("t10_s", 0.1_f64), ("t50_s", 0.5), ("t90_s", 0.9)] {
        let closed = LENGTH.secs() * share.sqrt();
        let Given::Estimate(found) = &figure(name).given else {
            panic!("{:?}", figure(name));
        };
        // Its own expanded uncertainty, which the meter's scatter of 0.1 % makes.
        let within = found.expanded(2.0);
        assert!(
            (found.value - closed).abs() < within,
            "{name}: {found:?} for {closed}"
        );
        assert!(within < 4.0, "{name}: {within}");
    }
    // The lamp moves in 65,535 steps; the first light is one that the meter tells from
    // its dark: five standard deviations.
    let model = &scene.world.lamp;
    let program = model.sunrise.as_ref().expect("a sunrise");
    let distance = Length::from_um(609_600);
    let plateau = value("plateau_lx");
    let lit = value("first_light_lx");
    let closed = (0..600)
        .map(Span::from_secs)
        .find(|after| plateau * program.share(*after) >= lit * 0.999);
    let closed = closed.expect("it lights").secs();
    let onset = value("onset_s");
    assert!((onset - closed).abs() <= 2.0, "onset {onset} for {closed}");
    assert!(onset < 60.0, "it is found in the first minute: {onset}");
    let truth = model.truth(10, distance).0;
    // The hidden error of the calibration is 1.5 % (k = 1).
    assert!(
        (plateau / truth - 1.0).abs() < 0.05,
        "{plateau} for {truth}"
    );
    // A third of the sunrise's length, and what was recorded after it at the full.
    let closed = plateau * (LENGTH.secs() / 3.0 + AFTER.secs()) / 60.0;
    let dose = value("dose_lux_min");
    assert!(
        (dose / closed - 1.0).abs() < 0.001,
        "dose {dose} for {closed}"
    );
    let began = scene.paper.events().iter().any(|event| {
        matches!(&event.body, Body::Decided { decision: Decision::Began { by, .. } } if by == "button")
    });
    assert!(began, "the finger starts it");

    // The meter's ranges end at 2, 20 and 200 lx: what its note tells is when the closed
    // form comes by there. Its scatter and its calibration's error move that.
    let note = ramp
        .notes
        .iter()
        .find(|note| note.contains("changed its range"));
    let note = note.expect("a note of ranges");
    let events = scene.paper.events();
    let room = events.iter().find_map(|event| match &event.body {
        Body::Taken { key, reading } if key.purpose == Purpose::Sample => reading.outcome.value(),
        _ => None,
    });
    let room = room.expect("a reading before the start");
    for end in [2.0_f64, 20.0, 200.0]
        .into_iter()
        .filter(|end| *end < plateau)
    {
        let told = note
            .split(&format!("between {end} and {} lx ", 10.0 * end))
            .nth(1);
        let told = told.unwrap_or_else(|| panic!("{end}: {note}"));
        let told = told.split_once("at ").or(told.split_once("from "));
        let minutes = told.and_then(|(_, rest)| rest.split(' ').next()?.parse::<f64>().ok());
        let minutes = minutes.unwrap_or_else(|| panic!("{end}: {note}"));
        let closed = LENGTH.secs() * ((end - room) / plateau).sqrt() / 60.0;
        assert!(
            (minutes / closed - 1.0).abs() < 0.01,
            "{end}: {note} for {closed}"
        );
    }
}

/// A meter whose ranges above 20 lx read a third more than those below, which is more
/// than the lamp's own steps near darkness: the curve steps there, and the step's
/// figures say that it may be the meter's.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_step_of_the_meters_ranges_is_not_put_down_to_the_lamp() {
    let TestKind::Ramp(ramp) = dawn_every(Span::from_ms(500)) else {
        panic!("a ramp");
    };
    let hold = false;
    let kind = TestKind::Ramp(RampTest { hold, ..ramp });
    let scene = night(91, By::Memory, plover(), kind);
    let sat = scene.sit(Nobody).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let of_step = |measure: &Measure| {
        let figures = measure.figures.iter();
        let marked = figures.filter(|figure| figure.marks.contains(&"range"));
        marked.map(|figure| figure.name.name).collect::<Vec<_>>()
    };
    let told = |measure: &Measure| {
        let mut notes = measure.notes.iter();
        notes.any(|note| note.starts_with("The largest step lies where the meter changed"))
    };
    let sound = found(&scene);
    assert!(of_step(&sound).is_empty() && !told(&sound), "{sound:?}");
    let mut night = whole(&scene);
    for row in &mut night.readings {
        let reading = &mut row.reading;
        if let (Outcome::Value(lux), Some(range)) = (&mut reading.outcome, reading.range)
            && range > 20.0
        {
            *lux *= 4.0 / 3.0;
        }
    }
    let stepped = only(&night);
    let names = [
        "largest_step_ratio",
        "largest_step_at_s",
        "largest_step_dimming_steps",
        "step_grade",
    ];
    assert_eq!(of_step(&stepped), names, "{stepped:?}");
    assert!(told(&stepped), "{:?}", stepped.notes);
}

/// The same dawn by a meter that is held in one range: no reading tells another, and the
/// curve ends where it did within the meter's counts.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_meter_that_is_held_in_a_range_changes_none() {
    let quick = || {
        let TestKind::Ramp(ramp) = dawn() else {
            panic!("a ramp");
        };
        let hold = false;
        night(
            92,
            By::Memory,
            plover(),
            TestKind::Ramp(RampTest { hold, ..ramp }),
        )
    };
    let free = quick();
    assert_eq!(free.sit(Nobody).await, Sat::Ended(End::Complete));
    let mut scene = quick();
    let frozen = (*scene.frozen).clone();
    let mut card = frozen.card.clone();
    card.meters[0].profile = Some(UsedProfile {
        name: FIXED_RANGE_METER.to_owned(),
        text: shipped::text(FIXED_RANGE_METER)
            .expect("shipped")
            .to_owned(),
        codec: None,
        settings: vec![GivenSetting {
            name: "range".to_owned(),
            value: "20000".to_owned(),
        }],
    });
    let (plan, lamp) = (frozen.plan, frozen.lamp);
    scene.frozen = Arc::new(samples_of(plan, lamp, card, frozen.placement));
    let sat = scene.sit(Nobody).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let ranges = |scene: &Scene| {
        let rows = whole(scene).readings;
        let samples = rows
            .into_iter()
            .filter(|row| row.key.purpose == Purpose::Sample);
        let told = samples.filter_map(|row| row.reading.range.map(|range| range as u64));
        told.collect::<std::collections::BTreeSet<_>>()
    };
    assert!(ranges(&free).len() > 2, "{:?}", ranges(&free));
    assert_eq!(ranges(&scene), [20_000].into());
    let (free, held) = (found(&free), found(&scene));
    let told = |measure: &Measure| {
        measure
            .notes
            .iter()
            .any(|n| n.contains("changed its range"))
    };
    assert!(told(&free) && !told(&held), "{:?}", held.notes);
    let plateau = |measure: &Measure| {
        let mut figures = measure.figures.iter();
        let found = figures.find(|figure| figure.name.name == "plateau_lx");
        match found.map(|figure| &figure.given) {
            Some(Given::Number(value)) => *value,
            other => panic!("{other:?}"),
        }
    };
    assert!((plateau(&held) / plateau(&free) - 1.0).abs() < 1e-3);
}
