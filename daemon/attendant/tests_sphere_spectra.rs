//! Flux by a spectroradiometer on a whole simulated bench whose sphere has a reddish
//! wall: beside a photometer, which is off by its mismatch factor, and alone, where the
//! illuminance that watches is weighed from spectra.

use drivers::simulated::faults::Planned;
use drivers::simulated::lamp_model::LampModel;
use drivers::simulated::spectra::{Mixture, Spectrum};
use photometry::units::{Ratio, Span};

use super::scene::{By, Sat, Scene};
use super::tests::{killed_at_writes, promised, results};
use super::tests_sphere::{AtTheSphere, Ports, TINT, at_ports, whole};
use crate::plan::intent::{Plan, SettingWord, Settings, TestKind};
use crate::plan::samples;
use crate::report::measures::{Measure, measures};
use crate::run::journal::End;

/// Two levels, two spectra of everything, none integrated for longer.
fn plan(longest: Span) -> Plan {
    let settings = vec![SettingWord::Full, SettingWord::Level(3)];
    let (_, _, mut plan) = samples::in_sphere_with_array(Settings::These(settings));
    if let TestKind::Flux(test) = &mut plan.tests[0].kind
        && let Some(spectra) = &mut test.spectra
    {
        spectra.longest = longest;
    }
    plan
}

/// A night of a spectroradiometer alone, by the readings that are weighed from spectra. It
/// integrates for as long as a photometer does: within 30 ms a lamp that goes out has not
/// faded, and a reading of such light is none that anybody could know.
pub(super) fn alone(seed: u64) -> Scene {
    let settings = vec![SettingWord::Full, SettingWord::Level(3)];
    let plan = samples::flux(Settings::These(settings));
    let seat = (seed, By::Memory);
    let mut scene = at_ports(Ports::Array, seat, false, Vec::new(), plan);
    let array = &mut scene.world.equipment.sphere_spectroradiometer;
    array.sensitivity /= 8.0;
    array.read_noise = Ratio::new(array.read_noise.share() / 8.0);
    scene
}

/// A night beside a photometer.
pub(super) fn night(seed: u64, longest: Span, faults: Vec<Planned>) -> Scene {
    let seat = (seed, By::Memory);
    at_ports(Ports::Both, seat, false, faults, plan(longest))
}

/// By spectra the colour of the wall is in neither the flux nor the colour; the photometer
/// that stands beside it is off by it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_flux_by_spectra_is_the_one_that_the_lamp_states() {
    let mut scene = night(1, Span::from_secs(10), Vec::new());
    for tone in &mut scene.world.lamp.tones {
        tone.light = Mixture::of(Spectrum::NeutralWhite);
    }
    let mut person = AtTheSphere::default();
    let sat = scene.sit(&mut person).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    assert_eq!(results(itinerary, &events), promised(itinerary));
    assert_eq!(person.asked(), 2);
    let all = found(&scene);
    assert_eq!(all.len(), 2);
    let wanted = factor_of_the_wall();
    assert!(wanted > 1.01, "{wanted}");
    for (measure, level) in all.iter().zip([10, 3]) {
        let of = |name: &str| {
            let mut figures = measure.figures.iter();
            figures
                .find(|figure| figure.name.name == name)
                .expect("told")
        };
        let value = |name: &str| of(name).value().expect("a number");
        assert!(!measure.unfinished, "{measure:?}");
        let truth = LampModel::plover().flux_of(0, level);
        let (by_spectra, by_photometer) = (value("flux_lm"), value("photometer_flux_lm"));
        // As far as the lamps of the sphere and this one are from their ends.
        assert!(
            (by_spectra / truth - 1.0).abs() < 0.03,
            "{by_spectra} {truth}"
        );
        let factor = by_spectra / by_photometer;
        assert!((factor - wanted).abs() < 0.002, "{factor} {wanted}");
        // The white of the toolbox that it has, and not what the wall makes of it.
        let cct = value("cct_k");
        assert!((cct - 5020.0).abs() < 25.0, "{cct}");
    }
}

/// What the reports find in such a night.
fn found(scene: &Scene) -> Vec<Measure> {
    measures(&whole(scene))
}

/// The mismatch factor of the wall for a unit of neutral white: what it makes of the
/// reference lamp's light over what it makes of the unit's. By a closed form.
fn factor_of_the_wall() -> f64 {
    let wall = |nm: f64| 1.0 + TINT * (nm - 555.0) / 100.0;
    let seen = |light: Spectrum| Mixture::of(light).seen_through(wall);
    seen(Spectrum::Incandescent) / seen(Spectrum::NeutralWhite)
}

/// Alone it watches, measures and proves each lamp lit and dark; asked for spectra the
/// wall's colour is out, asked for none it is the photometer without a mismatch of its own.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_spectroradiometer_can_stand_in_the_sphere_alone() {
    for by_spectra in [true, false] {
        let mut plan = plan(Span::from_secs(10));
        if let TestKind::Flux(test) = &mut plan.tests[0].kind {
            test.spectra = test.spectra.take().filter(|_| by_spectra);
        }
        let mut scene = at_ports(Ports::Array, (1, By::Pty), false, Vec::new(), plan);
        for tone in &mut scene.world.lamp.tones {
            tone.light = Mixture::of(Spectrum::NeutralWhite);
        }
        let sat = scene.sit(&mut AtTheSphere::default()).await;
        assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
        let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
        assert_eq!(results(itinerary, &events), promised(itinerary));
        let all = found(&scene);
        assert_eq!(all.len(), 2);
        for (measure, level) in all.iter().zip([10, 3]) {
            assert_eq!(measure.meter, "port-array");
            assert!(!measure.unfinished, "{measure:?}");
            let truth = LampModel::plover().flux_of(0, level);
            let left = if by_spectra {
                1.0
            } else {
                factor_of_the_wall()
            };
            let figures = || measure.figures.iter();
            let flux = figures().find(|figure| figure.name.name == "flux_lm");
            let flux = flux.and_then(|flux| flux.value()).expect("a flux") * left;
            // As far as the lamps are from their ends.
            assert!((flux / truth - 1.0).abs() < 0.01, "{flux} {truth}");
            let beside = figures().any(|figure| figure.name.name == "photometer_flux_lm");
            assert!(!beside, "there is no photometer");
            let wall = "without a mismatch of a head: what the colour of the sphere's wall does";
            let told = measure.notes.iter().any(|note| note.contains(wall));
            assert_eq!(told, !by_spectra, "{:?}", measure.notes);
        }
    }
}

/// The spectra of a lamp that is lit anew are taken anew with its readings.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_its_writes_it_ends_the_same() {
    let night = || night(1, Span::from_secs(2), Vec::new());
    killed_at_writes(23, night, AtTheSphere::default, |scene, _| {
        let all = found(scene);
        assert!(
            all.len() == 2 && !all.iter().any(|one| one.unfinished),
            "{all:?}"
        );
    })
    .await;
}
