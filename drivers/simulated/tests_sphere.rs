//! The spectroradiometer at a sphere's port, held against the photometer there and
//! against the closed form of what shines in the sphere.

use photometry::units::{Length, Lux, Mono, Ratio, Span};

use super::faults::{Amiss, Device, Event, Fault, Planned};
use super::lamp::LampModel;
use super::meter::Meter;
use super::room::Unknowns;
use super::spectroradiometer::{Spectroradiometer, SpectroradiometerModel};
use super::sphere::{Inside, SphereLamp};
use super::testing::{answer, numbers, text};
use super::world::{World, WorldSpec};

/// A plover in a sphere with a wall of this tint, and nobody's errors. The array's
/// elements are those of the tables, so that their sum is the closed form's.
fn scene(tint: f64) -> WorldSpec {
    let mut spec = WorldSpec {
        lamp: LampModel {
            standby: Lux(0.0),
            ..LampModel::plover()
        },
        unknowns: Unknowns::NONE,
        datum: Length::from_mm(-300),
        ..WorldSpec::new(1)
    };
    spec.equipment.sphere.tint = tint;
    spec.equipment.sphere_spectroradiometer = SpectroradiometerModel {
        step_nm: 5.0,
        elements: 81,
        ..SpectroradiometerModel::sphere()
    };
    spec
}

fn world(spec: WorldSpec) -> World {
    World::start(spec, None, Mono::ZERO, Span::ZERO).expect("a world")
}

fn wavelengths() -> impl Iterator<Item = f64> {
    (0..81).map(|nth| 380.0 + 5.0 * f64::from(nth))
}

/// 683 lm/W times V(lambda) times the width of each element, by the trapezium rule.
fn weights() -> Vec<f64> {
    let csv = include_str!("spectra/v_lambda.csv");
    let rows = csv.lines().skip(1).zip(0..);
    let weight = |(row, nth): (&str, u32)| {
        let v = row.split(',').nth(1).expect("a cell");
        let v: f64 = v.parse().expect("a number");
        let width = if nth == 0 || nth == 80 { 2.5 } else { 5.0 };
        683.0 * v * width
    };
    rows.map(weight).collect()
}

/// Noise of each element, one sigma in W/(m2 nm), where it shows so much.
fn spread(model: &SpectroradiometerModel, seconds: f64, shown: f64) -> f64 {
    let full = model.sensitivity * seconds;
    let filled = shown * full;
    (model.read_noise.share().powi(2) + filled / model.full_well).sqrt() / full
}

/// Lights something in the sphere.
type Lit = fn(&World, Mono);

const LIT: [Lit; 3] = [
    |world, now| {
        let person = world.person();
        person.puts_in_sphere(Inside::Reference, now);
        person.switches(SphereLamp::Reference, true, now);
    },
    |world, now| world.person().switches(SphereLamp::Auxiliary, true, now),
    |world, now| {
        let person = world.person();
        person.puts_in_sphere(Inside::Lamp, now);
        person.set_level(10, now);
        person.switches(SphereLamp::Auxiliary, true, now);
    },
];

/// Weighted with V(lambda), the spectrum is the illuminance of the photometer beside
/// it, with a tint too: within five standard errors of the noise, and of the
/// photometer's (0.1 % and its counts).
#[test]
fn its_sum_over_the_eye_is_the_photometers_lux() {
    for tint in [0.0, 0.1, -0.2] {
        for lit in LIT {
            let world = world(scene(tint));
            lit(&world, Mono::ZERO);
            let mut now = Mono::ZERO + Span::from_secs(50_000);
            let mut machine = Spectroradiometer::of_sphere(&world);
            text(&mut machine, &mut now, "SENS:APER 0.02");
            let shown = numbers(&answer(&mut machine, &mut now, "READ:SPEC?"));
            let spec = world.spec();
            let model = &spec.equipment.sphere_spectroradiometer;
            let parts = weights().into_iter().zip(&shown);
            let (sum, variance) = parts.fold((0.0, 0.0), |(sum, variance), (weight, shown)| {
                let own = weight * spread(model, 0.02, *shown);
                (sum + weight * shown, variance + own * own)
            });
            let port = world.port(now).0;
            let most = 5.0 * variance.sqrt();
            assert!((sum - port).abs() < most, "{tint}: {sum} {port} {most}");
            assert!(most < 0.01 * port, "the noise hides all: {most} {port}");
            let mut photometer = Meter::of_sphere(&world);
            let read = text(&mut photometer, &mut now, "READ?");
            let read: f64 = read.trim().parse().expect("a number");
            assert!((read - port).abs() < 5e-3 * port, "{tint}: {read} {port}");
        }
    }
}

/// A tenth more for each 100 nm above 555 nm: each element within six times its noise.
#[test]
fn a_tint_shows_at_each_wavelength() {
    let (plain, tinted) = (world(scene(0.0)), world(scene(0.1)));
    LIT[0](&plain, Mono::ZERO);
    LIT[0](&tinted, Mono::ZERO);
    let mut now = Mono::ZERO + Span::from_secs(50_000);
    let bare = plain.port_glow(now);
    let mut machine = Spectroradiometer::of_sphere(&tinted);
    text(&mut machine, &mut now, "SENS:APER 0.02");
    let shown = numbers(&answer(&mut machine, &mut now, "READ:SPEC?"));
    let spec = tinted.spec();
    let model = &spec.equipment.sphere_spectroradiometer;
    for (nm, shown) in wavelengths().zip(shown) {
        let wanted = bare.spectral(nm) * (1.0 + 0.1 * (nm - 555.0) / 100.0);
        let most = 6.0 * spread(model, 0.02, wanted);
        assert!((shown - wanted).abs() < most, "{nm}: {shown} {wanted}");
    }
}

/// By the model 1e-7 W/(m2 nm) for each second, and for each element its own 20 %: the
/// mean of 81 within 10 %, and not that of the array on the carriage, which looks into
/// a lit room meanwhile.
#[test]
fn a_dark_sphere_shows_the_dark_signal_alone() {
    let world = world(scene(0.1));
    world.person().set_level(10, Mono::ZERO);
    let mut now = Mono::ZERO + Span::from_secs(50_000);
    let mut machine = Spectroradiometer::of_sphere(&world);
    text(&mut machine, &mut now, "SENS:APER 60");
    let first = numbers(&answer(&mut machine, &mut now, "READ:SPEC?"));
    let mean = first.iter().sum::<f64>() / first.len() as f64;
    assert!((mean / 6e-6 - 1.0).abs() < 0.1, "{mean}");
    let mut own = Spectroradiometer::machine(&world);
    let lit = numbers(&answer(&mut own, &mut now, "READ:SPEC?"));
    assert!(lit.iter().sum::<f64>() / lit.len() as f64 > 1e-4);
    // Closed, the same elements stand out: six times the noise of both.
    text(&mut machine, &mut now, "INP:SHUT CLOS");
    let again = numbers(&answer(&mut machine, &mut now, "READ:SPEC?"));
    let spec = world.spec();
    let model = &spec.equipment.sphere_spectroradiometer;
    for (first, again) in first.iter().zip(again) {
        let most = 6.0 * 2.0_f64.sqrt() * spread(model, 60.0, 1.2e-5);
        assert!((first - again).abs() < most, "{first} {again}");
    }
}

/// Its faults, its settings and its full well are its own: full is 1 over 150 times
/// the seconds.
#[test]
fn what_happens_to_it_happens_to_no_other() {
    let device = Device::SphereSpectroradiometer;
    let mut spec = scene(0.0);
    spec.faults = vec![Planned {
        nth: 1,
        fault: Fault::Block(device, Amiss::Saturated),
    }];
    let world = world(spec);
    let mut now = Mono::ZERO;
    let mut other = Spectroradiometer::machine(&world);
    text(&mut other, &mut now, "SENS:APER 1");
    answer(&mut other, &mut now, "READ:SPEC?");
    let mut machine = Spectroradiometer::of_sphere(&world);
    text(&mut machine, &mut now, "SENS:APER 0.5");
    let shown = numbers(&answer(&mut machine, &mut now, "READ:SPEC?"));
    let top = f64::from((1.0 / (150.0 * 0.5)) as f32);
    assert!(shown.iter().all(|shown| *shown == top));
    assert_eq!(text(&mut machine, &mut now, "SENS:FILL?"), "1.000000E+00\n");
    assert_eq!(text(&mut other, &mut now, "SENS:APER?"), "1.000000E+00\n");
    assert_eq!(world.count(Event::SphereSpectrumTaken), 1);
    assert_eq!(world.count(Event::SpectrumTaken), 1);
    assert_eq!(world.count(device.asked()), 2);
}

/// White light of 1,050 lm fills the well in some 50 ms, and of 105 lm in half a
/// second: within a tenth, as the page says.
#[test]
fn its_well_suits_a_sphere() {
    let filled = |flux_lm: f64, seconds: f64| {
        let mut spec = scene(0.0);
        spec.equipment.sphere.auxiliary.flux_lm = flux_lm;
        spec.equipment.sphere.auxiliary.sag = Ratio::new(0.0);
        let world = world(spec);
        LIT[1](&world, Mono::ZERO);
        let mut now = Mono::ZERO + Span::from_secs(100);
        let mut machine = Spectroradiometer::of_sphere(&world);
        text(&mut machine, &mut now, &format!("SENS:APER {seconds}"));
        answer(&mut machine, &mut now, "READ:SPEC?");
        let fill = text(&mut machine, &mut now, "SENS:FILL?");
        fill.trim().parse::<f64>().expect("a number")
    };
    for (flux_lm, seconds) in [(1_050.0, 0.05), (105.0, 0.5)] {
        let half = filled(flux_lm, seconds / 2.0);
        assert!((half - 0.5).abs() < 0.05, "{flux_lm} lm: {half}");
    }
}
