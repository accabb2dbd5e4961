//! A dawn in the sphere: flux against time, by what the flux of the same run tells of a
//! lux at the port; held against the lamp's closed form.

use drivers::simulated::lamp_model::LampModel;
use photometry::figure::Given;
use photometry::units::Span;

use super::scene::{By, Sat, Scene};
use super::tests::{killed_at_writes, promised, results};
use super::tests_kinds::dawn;
use super::tests_sphere::{self, AtTheSphere, Ports, whole};
use crate::plan::intent::{Plan, SettingWord, Settings, TestKind};
use crate::plan::kinds::{RampTest, Sight};
use crate::plan::samples;
use crate::report::measures::{Curve, Measure, measures};
use crate::run::journal::End;
use crate::store::readings::Whole;

/// From the program's end to the last reading.
const AFTER: Span = Span::from_mins(5);

/// The flux of the highest level, then a dawn; or the dawn alone.
fn plan(with_flux: bool) -> Plan {
    let mut plan = samples::flux(Settings::These(vec![SettingWord::Full]));
    let TestKind::Ramp(ramp) = dawn() else {
        panic!("a ramp");
    };
    let kind = TestKind::Ramp(RampTest {
        sight: Sight {
            at: None,
            ..ramp.sight.clone()
        },
        after: AFTER,
        hold: false,
        ..ramp
    });
    let mut test = plan.tests[0].clone();
    "morning".clone_into(&mut test.name);
    test.kind = kind;
    plan.tests.push(test);
    if !with_flux {
        plan.tests.remove(0);
    }
    plan
}

fn night(with_flux: bool) -> Scene {
    tests_sphere::planned(8, By::Memory, false, Vec::new(), plan(with_flux))
}

fn found(scene: &Scene) -> Vec<Measure> {
    measures(&whole(scene))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_dawn_in_the_sphere_is_lumens_against_time() {
    let scene = night(true);
    let sat = scene.sit(&mut AtTheSphere::default()).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    assert_eq!(results(itinerary, &events), promised(itinerary));
    let all = found(&scene);
    let ramp = all.last().expect("a ramp");
    assert!(!ramp.unfinished && ramp.of == "dawn-1", "{ramp:?}");
    let estimate = |name: &str| {
        let mut figures = ramp.figures.iter();
        let figure = figures.find(|figure| figure.name.name == name);
        match figure.map(|figure| &figure.given) {
            Some(Given::Estimate(estimate)) => estimate.clone(),
            other => panic!("{name}: {other:?} {:?}", ramp.notes),
        }
    };
    // The peak of the plover's dawn is its highest level: 948 lm, by a square law.
    let model = LampModel::plover();
    let (truth, length) = (model.flux_of(0, 10), Span::from_mins(30));
    let plateau = estimate("plateau_lm");
    // Readings within 3 %, as in the test of flux: the lamp sags while it warms up.
    assert!((plateau.value / truth - 1.0).abs() < 0.03, "{plateau:?}");
    let terms: Vec<&str> = plateau
        .terms
        .iter()
        .map(|term| term.source.as_str())
        .collect();
    assert!(terms.contains(&"reference lamp, certificate"), "{terms:?}");
    for (name, share) in [("t10_s", 0.1_f64), ("t50_s", 0.5), ("t90_s", 0.9)] {
        let closed = length.secs() * share.sqrt();
        let time = estimate(name);
        // It sags by 2 % while it rises, which a square law does not know.
        assert!(
            (time.value - closed).abs() < 25.0,
            "{name}: {time:?} {closed}"
        );
    }
    // A third of the length, and what was recorded at the full light after it.
    let closed = plateau.value * (length.secs() / 3.0 + AFTER.secs()) / 60.0;
    let light = estimate("light_lm_min");
    assert!(
        (light.value / closed - 1.0).abs() < 0.02,
        "{light:?} {closed}"
    );
    assert_eq!(light.terms.len(), plateau.terms.len());
    let names: Vec<&str> = ramp.figures.iter().map(|figure| figure.name.unit).collect();
    assert!(
        !names.iter().any(|unit| unit.starts_with("lx")),
        "{names:?}"
    );
    let Some(Curve::FluxRamp(points)) = &ramp.curve else {
        panic!("{:?}", ramp.curve);
    };
    let last = points.last().expect("points").1;
    assert!((last / truth - 1.0).abs() < 0.03, "{last} {truth}");
}

/// The flux of the same run by a spectroradiometer, beside a photometer whose readings the
/// dawn is: the lumens are by spectra, with what the photometer adds to their doubt; with
/// all spectra set aside they are by the photometer; of a meter that did not watch the
/// flux there are none.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_dawn_in_lumens_rests_on_a_flux_by_spectra() {
    let mut plan = plan(true);
    let (_, _, by_spectra) = samples::in_sphere_with_array(Settings::All);
    if let (TestKind::Flux(flux), TestKind::Flux(asks)) =
        (&mut plan.tests[0].kind, &by_spectra.tests[0].kind)
    {
        flux.spectra.clone_from(&asks.spectra);
    }
    let scene = tests_sphere::at_ports(Ports::Both, (8, By::Memory), false, Vec::new(), plan);
    let sat = scene.sit(&mut AtTheSphere::default()).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let whole = whole(&scene);
    let plateau = |whole: &Whole| {
        let all = measures(whole);
        let ramp = all.last().expect("a ramp");
        let mut figures = ramp.figures.iter();
        let figure = figures.find(|figure| figure.name.name == "plateau_lm");
        figure.expect("told").given.clone()
    };
    let truth = LampModel::plover().flux_of(0, 10);
    let held = |given: Given, wanted: &[&str], other: &str| {
        let Given::Estimate(found) = given else {
            panic!("{given:?}");
        };
        assert!((found.value / truth - 1.0).abs() < 0.03, "{found:?}");
        let terms: Vec<&str> = found.terms.iter().map(|t| t.source.as_str()).collect();
        assert!(wanted.iter().all(|one| terms.contains(one)), "{terms:?}");
        assert!(!terms.contains(&other), "{terms:?}");
    };
    let of_both = [
        "linearity",
        "reading at the port",
        "dark at the port",
        "port-head, spectral mismatch",
    ];
    held(plateau(&whole), &of_both, "spectral mismatch");
    let without = Whole {
        captures: Vec::new(),
        ..whole.clone()
    };
    held(plateau(&without), &["spectral mismatch"], "linearity");
    let mut elsewhere = whole;
    "another".clone_into(&mut elsewhere.frozen.itinerary.tests[0].meter);
    let why = "the flux of this run was watched by `another`, and this was read by `port-head`";
    assert_eq!(plateau(&elsewhere), Given::Withheld(why.to_owned()));
}

/// Without a flux nobody knows what a lux at the port is: times, and no lumens.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_a_flux_there_are_times_and_no_lumens() {
    let scene = night(false);
    let sat = scene.sit(&mut AtTheSphere::default()).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let all = found(&scene);
    let [ramp] = all.as_slice() else {
        panic!("{all:?}");
    };
    let figure = |name: &str| ramp.figures.iter().find(|figure| figure.name.name == name);
    let plateau = figure("plateau_lm").expect("it is told");
    assert!(matches!(plateau.given, Given::Withheld(_)), "{plateau:?}");
    assert!(figure("t50_s").and_then(|figure| figure.value()).is_some());
    assert!(figure("plateau_lx").is_none() && figure("light_lm_min").is_none());
    assert!(
        matches!(ramp.curve, Some(Curve::Ramp(_))),
        "{:?}",
        ramp.curve
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_its_writes_it_ends_the_same() {
    killed_at_writes(131, || night(true), AtTheSphere::default, |_, _| {}).await;
}
