//! Spectra of the light in which a sunrise ends, on a whole simulated bench: held
//! against the lamp's closed form, killed at their writes, and without their meter.

use std::collections::HashMap;

use drivers::simulated::faults::{Device, Fault, Planned};
use drivers::simulated::programs::Program as Runs;
use photometry::measured::{CaptureOutcome, Quantity};
use photometry::spectrum::{Scale, Spectrum};
use photometry::spectrum_figures::SpectrumFigures;
use photometry::units::{Ratio, Span};

use super::scene::{By, Nobody, Sat, Scene};
use super::tests::{killed_at_writes, promised, results};
use super::tests_kinds::{dawn, night, plover};
use crate::plan::intent::TestKind;
use crate::plan::itinerary::{Purpose, What};
use crate::plan::kinds::{RampTest, SpectraAsked};
use crate::plan::redo;
use crate::queue::redo::missing;
use crate::report::measures::{Measure, measures};
use crate::run::journal::{Body, End, Link};
use crate::store::readings::Whole;
use crate::store::samples::{captures_of, rows_of};

/// The dawn's colour stops on its way here, so that it ends in no colour of a level.
const STALLS_AT: f64 = 0.6;

/// A dawn that is recorded, and its end captured.
fn to_its_end() -> TestKind {
    let TestKind::Ramp(ramp) = dawn() else {
        panic!("a ramp");
    };
    TestKind::Ramp(RampTest {
        spectra: Some(SpectraAsked {
            meter: None,
            captures: 2,
            dark: 1,
            longest: Span::from_secs(10),
        }),
        ..ramp
    })
}

/// A night of it.
fn scene(faults: Vec<Planned>) -> Scene {
    let (model, lamp) = plover();
    let sunrise = Runs {
        stalls_at: Some(Ratio::new(STALLS_AT)),
        ..model.sunrise.clone().expect("a sunrise")
    };
    let model = drivers::simulated::lamp_model::LampModel {
        sunrise: Some(sunrise),
        ..model
    };
    let mut scene = night(5, By::Memory, (model, lamp), to_its_end());
    scene.world.faults = faults;
    scene
}

pub(super) fn whole(scene: &Scene) -> Whole {
    let (frozen, events) = (&scene.frozen, scene.paper.events());
    Whole {
        bundle: Link::of_bundle(&[]),
        frozen: (**frozen).clone(),
        readings: rows_of(frozen, &events, &HashMap::new()),
        captures: captures_of(frozen, &events),
        events,
    }
}

pub(super) fn value(measure: &Measure, name: &str) -> f64 {
    let mut figures = measure.figures.iter();
    let found = figures.find(|figure| figure.name.name == name);
    found
        .and_then(|figure| figure.value())
        .unwrap_or_else(|| panic!("{name}: {measure:?}"))
}

/// The same figures of a closed form.
pub(super) fn of_closed_form(at: impl Fn(f64) -> f64) -> SpectrumFigures {
    let nm: Vec<f64> = (380..=780).map(f64::from).collect();
    let values: Vec<f64> = nm.iter().map(|nm| at(*nm)).collect();
    let spectrum = Spectrum::new(&nm, &values, Scale::Absolute).expect("a spectrum");
    SpectrumFigures::of(&spectrum)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_dawn_ends_in_the_colour_of_the_lamps_closed_form() {
    let scene = scene(Vec::new());
    let sat = scene.sit(Nobody).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    assert_eq!(results(itinerary, &events), promised(itinerary));
    // They come after the recording and before the lamp is watched on.
    let place = |of: fn(&What) -> bool| itinerary.actions.iter().position(|a| of(&a.what));
    let recorded = place(|what| matches!(what, What::Record(_)));
    let exposed = place(|what| matches!(what, What::Expose { .. }));
    let held = place(|what| matches!(what, What::WarmUp { .. }));
    assert!(
        recorded < exposed && exposed < held,
        "{recorded:?} {exposed:?} {held:?}"
    );
    let night = whole(&scene);
    let all = measures(&night);
    let names: Vec<&str> = all.iter().map(|measure| measure.of.as_str()).collect();
    assert_eq!(names, ["dawn-1", "dawn-1-end"]);
    let end = &all[1];
    assert!(!end.unfinished, "{:?}", end.notes);
    let model = &scene.world.lamp;
    let program = model.sunrise.as_ref().expect("a sunrise");
    let white = &model.tones[0].light;
    let ended = program.colour(white, program.length);
    let truth = of_closed_form(|nm| ended.at(nm));
    let level = of_closed_form(|nm| white.at(nm));
    for name in ["cct_k", "melanopic_der"] {
        let number = |figures: &SpectrumFigures| {
            let figures = figures.figures();
            let found = figures.iter().find(|figure| figure.name.name == name);
            found.and_then(|figure| figure.value()).expect(name)
        };
        let (found, truth, level) = (value(end, name), number(&truth), number(&level));
        // The array has steps of its own width, and its stray light.
        assert!(
            (found / truth - 1.0).abs() < 0.03,
            "{name}: {found} {truth}"
        );
        // And it is not the colour of a level.
        assert!((found / level - 1.0).abs() > 0.1, "{name}: {found} {level}");
    }
    assert_eq!(
        missing(
            &night.frozen,
            &night.readings,
            &night.captures,
            &night.events
        ),
        []
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_its_writes_a_dawn_to_its_end_ends_the_same() {
    killed_at_writes(61, || scene(Vec::new()), || Nobody, |_, _| {}).await;
}

/// A spectroradiometer that dies costs what it measures; the program's curve stands,
/// and a redo measures the whole program, for a lamp that was lit is not cold.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_its_meter_the_end_alone_is_missing() {
    let fault = Fault::Dead(Device::Spectroradiometer);
    let scene = scene(vec![Planned { nth: 12, fault }]);
    let sat = scene.sit(Nobody).await;
    let text = scene.paper.text();
    assert_eq!(sat, Sat::Ended(End::Failed), "{text}");
    let died = scene.paper.events().iter().any(|event| {
        let fault = match &event.body {
            Body::Failed { fault, .. } => fault,
            _ => return false,
        };
        fault.instrument.as_deref() == Some("array")
    });
    assert!(died, "{text}");
    let night = whole(&scene);
    let all = measures(&night);
    let [curve, end] = all.as_slice() else {
        panic!("{all:?}");
    };
    assert!(
        value(curve, "t50_s") > 0.0 && !curve.unfinished,
        "{curve:?}"
    );
    assert!(end.unfinished && end.figures.is_empty(), "{end:?}");
    let parts = missing(
        &night.frozen,
        &night.readings,
        &night.captures,
        &night.events,
    );
    assert_eq!(parts.len(), 1, "{parts:?}");
    let plan = redo::narrowed(&scene.frozen.plan, &scene.frozen.lamp, &parts);
    assert_eq!(plan.tests, scene.frozen.plan.tests);
}

/// Too bright for its shortest integration: said, and no figure of it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_end_too_bright_for_the_meter_has_no_figures() {
    let sound = scene(Vec::new());
    assert_eq!(sound.sit(Nobody).await, Sat::Ended(End::Complete));
    let mut night = whole(&sound);
    for row in &mut night.captures {
        if row.key.purpose == Purpose::Read && row.capture.quantity == Quantity::Spectrum {
            row.capture.outcome = CaptureOutcome::Saturated(3);
        }
    }
    let all = measures(&night);
    let end = &all[1];
    assert!(end.figures.is_empty() && end.unfinished, "{end:?}");
    let told = end
        .notes
        .iter()
        .any(|note| note.contains("too bright for the meter"));
    assert!(told, "{:?}", end.notes);
}
