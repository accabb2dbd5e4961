//! Illuminance weighed from spectra, before the simulated spectroradiometer: the closed
//! form's lux, whatever goes wrong on the way.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use photometry::colour;
use photometry::measured::{Outcome, Quantity, Reading};
use photometry::units::{Lux, Mono, Ratio, Span, Wall};

use super::photometer::{Photometer, Spectroradiometer};
use super::profiled_meter::{PhotometerCard, ProfiledMeter};
use super::testing::{self, FAST, block};
use crate::clock::Clock;
use crate::error::DriverError;
use crate::exchange::line;
use crate::exchange::talk::{LinkState, Talk};
use crate::exchange::testing::{converse_at, said};
use crate::link::Link;
use crate::profile::{read, shipped};
use crate::simulated::bench::{BenchSpec, SimulatedBench, Wire};
use crate::simulated::faults::{Amiss, Device, Event, Fault, Planned};
use crate::simulated::lamp_model::LampModel;
use crate::simulated::room::{RoomModel, Unknowns};
use crate::simulated::spectroradiometer::SpectroradiometerModel;
use crate::simulated::world::{World, WorldSpec};

const DEVICE: Device = Device::Spectroradiometer;
/// Integration of the captures of these tests.
const CHOSEN: Span = Span::from_ms(200);
/// Levels of the lamp: a tenth of a lux at the meter, and each ten times as much, to
/// 100 klx; the last is more than the meter can show.
const LEVELS: u16 = 8;
const DARKEST_LX: f64 = 0.0164;

/// A lamp of eight levels that is warm at once, 0.4 m before the meter, in a dark room.
fn world(faults: Vec<Planned>) -> WorldSpec {
    WorldSpec {
        lamp: LampModel {
            levels: LEVELS,
            darkest: Lux(DARKEST_LX),
            brightest: Lux(DARKEST_LX * 1e7),
            sag: Ratio::new(0.0),
            fade: Span::from_ms(1),
            auto_off: None,
            standby: Lux(0.0),
            ..LampModel::sanderling()
        },
        unknowns: Unknowns::NONE,
        room: RoomModel {
            ambient: Lux(0.0),
            stray: Ratio::new(0.0),
            ..RoomModel::night()
        },
        faults,
        ..WorldSpec::new(1)
    }
}

fn meter(highest: Lux) -> ProfiledMeter {
    let card = PhotometerCard {
        name: "knot".to_owned(),
        aperture: CHOSEN,
        averages: 1,
        plausible: (Lux(-1.0), highest),
        has_shutter: true,
    };
    let profile = shipped::profile("asked-spectroradiometer").expect("a profile");
    ProfiledMeter::new(card, profile, None)
}

/// What is done with a meter that is not open yet, in this world.
fn before<T>(
    spec: WorldSpec,
    how: impl FnOnce(&World, &mut ProfiledMeter, &mut Talk<'_>) -> T,
) -> T {
    let clock = Clock::simulated(Wall::from_us(0), Mono::ZERO);
    let wire = Wire::Memory("array".to_owned());
    let address = wire.address();
    let bench = BenchSpec {
        world: spec,
        world_file: None,
        absent: Span::ZERO,
        devices: vec![(DEVICE, wire)],
    };
    let (bench, mut seats) = SimulatedBench::start(&clock, bench, &["port"]).expect("a bench");
    let _flow = clock.hold_flow();
    let mut link = Link::open(&address, &clock).expect("a link");
    let (never, mut state) = (AtomicBool::new(false), LinkState::new());
    let mut talk = Talk::new(&mut seats[0], &mut link, &never, &mut state);
    let mut meter = meter(Lux(1e7));
    how(bench.world(), &mut meter, &mut talk)
}

fn set_level(world: &World, talk: &mut Talk<'_>, level: u16) {
    world.person().set_level(level, talk.now().mono);
    let faded = talk.now().mono + Span::from_ms(10);
    talk.pause(faded).expect("a pause");
}

/// How far a value may lie from the light: five standard errors of the noise of spectra
/// that integrated so long, the dark signal (1e-7 W/(m2 nm) for each second), and what
/// the sum on 2 nm differs from that on the tables' 5 nm.
fn most(world: &World, now: Mono, integration: Span) -> f64 {
    let (glow, seconds) = (world.glow(now), integration.secs());
    let model = SpectroradiometerModel::array();
    let full = model.sensitivity * seconds;
    let variance = model.wavelengths().into_iter().map(|nm| {
        let (nm, weight) = (f64::from(nm), 2.0 * colour::efficacy_at(f64::from(nm)));
        let filled = glow.spectral(nm) * full;
        let noise = model.read_noise.share().powi(2) + filled / model.full_well;
        (weight / full).powi(2) * noise
    });
    let dark = 683.0 * 106.9 * model.dark_per_s * seconds;
    5.0 * variance.sum::<f64>().sqrt() + 1.3 * dark + 2e-3 * world.light(now).0
}

#[test]
fn over_decades_the_lux_is_that_of_the_closed_form() {
    before(world(Vec::new()), |world, meter, talk| {
        meter.open(talk).expect("it opens");
        // From each level to brighter and darker ones, and the dark.
        for level in [1, 2, 3, 4, 5, 6, 7, 0, 7, 1, 6, 3, 0, 4] {
            set_level(world, talk, level);
            for _ in 0..2 {
                let reading = meter.read_illuminance(talk).expect("a reading");
                let light = world.light(talk.now().mono).0;
                let most = most(world, talk.now().mono, meter.weighs_by);
                let value = reading.outcome.value().expect("a value");
                assert!(
                    (value - light).abs() < most,
                    "{level}: {value} {light} {most}"
                );
                assert!(level < 4 || most < 0.02 * light, "{level}: {most} {light}");
                let (quantity, range) = (reading.quantity, reading.range);
                assert_eq!((quantity, range), (Quantity::Illuminance, None));
                assert!(reading.raw.starts_with(b"#3804") && reading.raw.len() == 810);
                assert_eq!(reading.flags, Vec::<String>::new());
                let took = reading.taken.mono.since(reading.asked.mono);
                assert!(took >= meter.weighs_by, "{took:?}");
            }
        }
    });
}

/// 500 lx s fill the well: at 98 klx 200 ms are forty times too long, an eighth of it
/// five times, and an eighth of that fits. A tenth of a lux is read as long as any, from
/// 3 over 50 ms. What was found is remembered.
#[test]
fn the_integration_is_found_and_remembered() {
    before(world(Vec::new()), |world, meter, talk| {
        meter.open(talk).expect("it opens");
        for (level, wanted, spectra) in [
            (7, [Span::from_ms(3), Span::from_ms(3)], 3),
            (1, [Span::from_secs(1), Span::from_secs(1)], 3),
        ] {
            set_level(world, talk, level);
            let before = world.count(Event::SpectrumTaken);
            let found = [(); 2].map(|()| {
                meter.read_illuminance(talk).expect("a reading");
                meter.weighs_by
            });
            assert_eq!(found, wanted, "{level}");
            let taken = world.count(Event::SpectrumTaken) - before;
            assert_eq!(taken, spectra + 1, "{level}");
        }
    });
}

/// The last level is some 980 klx, and a millisecond is full at 500: over, by what the
/// spectrum shows, or where its card ends. The next one, of a light that it can show, is
/// good.
#[test]
fn too_bright_is_over_and_no_value() {
    for (highest, capped) in [(Lux(1e7), false), (Lux(1_000.0), true)] {
        before(world(Vec::new()), |world, _, talk| {
            let mut meter = meter(highest);
            meter.open(talk).expect("it opens");
            set_level(world, talk, 8);
            let reading = meter.read_illuminance(talk).expect("a reading");
            let light = world.light(talk.now().mono).0;
            let Outcome::Over(shown) = reading.outcome else {
                panic!("{:?}", reading.outcome);
            };
            assert!(shown < light, "{shown} {light}");
            match capped {
                true => assert_eq!(shown, 1_000.0),
                false => assert!(shown > 300_000.0, "{shown}"),
            }
            assert_eq!(reading.raw.len(), 810);
            set_level(world, talk, 3);
            let good = meter.read_illuminance(talk).expect("a reading");
            assert!(good.outcome.value().is_some(), "{good:?}");
            // Plausible is what its card says.
            set_level(world, talk, 6);
            let reading = meter.read_illuminance(talk).expect("a reading");
            let refused = matches!(&reading.outcome, Outcome::Rejected(why)
                if why.ends_with("lx is outside -1 to 1000"));
            assert_eq!(refused, capped, "{reading:?}");
        });
    }
}

/// What the device itself says of its integration.
fn integrates(talk: &mut Talk<'_>) -> String {
    let answer = line::ask(talk, "SENS:APER?", Span::from_secs(1));
    answer.expect("an answer").text
}

#[test]
fn captures_integrate_as_was_chosen_for_them() {
    before(world(Vec::new()), |world, meter, talk| {
        meter.open(talk).expect("it opens");
        let chosen = Span::from_ms(250);
        meter.integrate(talk, chosen).expect("it takes it");
        for level in [7, 1, 0, 8] {
            set_level(world, talk, level);
            meter.read_illuminance(talk).expect("a reading");
            assert_ne!(meter.weighs_by, chosen, "{level}");
            assert_eq!(integrates(talk), "2.500000E-01", "{level}");
            for covered in [false, true] {
                meter.shutter(talk, covered).expect("it moves");
                meter.read_illuminance(talk).expect("a reading");
                let capture = meter.read_spectrum(talk).expect("a capture");
                assert_eq!(capture.integration, Some(chosen), "{level}");
                let took = capture.taken.mono.since(capture.asked.mono);
                assert!(took >= chosen && took < chosen + Span::from_ms(20));
            }
            meter.shutter(talk, false).expect("it opens");
        }
    });
}

/// A meter of another maker: it tells no fill unless a test adds that, and takes times
/// in milliseconds.
const TURNSTONE: &str = r#"profile: turnstone
format: 1
role: meter
about: a meter that gives spectra and little else
lines: {end: lf, answer-within: 1 s, longest-answer: 2 s}
resync: {ask: "*ESE {token};*ESE?"}
read-wavelengths: {numbers: "NM?", as: f32, order: high-first}
read-spectrum: {numbers: "E?", as: f32, order: high-first}
samples: []
"#;

/// 380 to 780 nm in steps of 10 nm.
fn coarse() -> Vec<f32> {
    (0..41).map(|nth| (380 + 10 * nth) as f32).collect()
}

/// One reading of a meter that follows this profile besides, shows the same for each of
/// its wavelengths, and says this of its fill; and what it was told after its opening.
fn of_another(more: &str, shows: f32, fill: &str) -> (Reading, Vec<String>) {
    let text = format!("{TURNSTONE}{more}");
    let (profile, _) = read::profile("turnstone.yaml", &text).unwrap_or_else(|no| panic!("{no}"));
    let device = testing::Device::saying([
        ("NM", vec![(1, block(&coarse()))]),
        ("E", vec![(1, block(&[shows; 41]))]),
        ("FILL", said(fill)),
    ]);
    let told = Arc::clone(&device.told);
    let card = PhotometerCard {
        has_shutter: false,
        ..meter(Lux(1e5)).card
    };
    let reading = converse_at(FAST, testing::machine(device), |talk| {
        let mut meter = ProfiledMeter::new(card, Arc::new(profile), None);
        meter.open(talk).expect("it opens");
        testing::Device::taken(&told);
        meter.read_illuminance(talk).expect("a reading")
    });
    (reading, testing::Device::taken(&told))
}

/// Equal energy: 1 mW/(m2 nm) from 380 to 780 nm are 72.98 lx (683.002 lm/W times 106.857
/// nm, CIE 018:2019), within 0.1 % on 10 nm; less than no light is less than no lux.
#[test]
fn a_meter_without_a_setting_is_weighed_as_it_is() {
    for (shows, lux) in [(1e-3, 72.98), (0.0, 0.0), (-1e-6, -0.072_98)] {
        let (reading, told) = of_another("", shows, "");
        let value = reading.outcome.value().expect("a value");
        assert!((value - lux).abs() <= 1e-3 * lux.abs(), "{value} {lux}");
        assert_eq!(told, Vec::<String>::new());
        assert_eq!(reading.raw, block(&[shows; 41]));
    }
    // Elements that are full, told as infinite (SCPI-99, vol. 1, 7.2.1.4): what its card
    // ends at, because a spectrum that shows no number has no sum.
    for full in [f32::INFINITY, 9.9e37] {
        let (reading, _) = of_another("", full, "");
        assert_eq!(reading.outcome, Outcome::Over(1e5));
    }
}

/// 200 ms down to the shortest that it takes, or up to the longest, and back.
#[test]
fn the_limits_of_the_meter_are_kept() {
    let more = "settings:\n  integration: {set: \"T {value}\", ask: \"T?\", in: ms, between: [10, 400]}\n\
                read-fill: {ask: \"FILL?\", answer: \"{fill}\"}\n";
    let cases = [
        ("1", vec!["T 25", "T 10", "T 200"]),
        ("0.01", vec!["T 400", "T 200"]),
        ("0.5", vec![]),
    ];
    for (fill, sets) in cases {
        let (reading, told) = of_another(more, 1e-3, fill);
        assert_eq!(told, sets, "{fill}");
        match reading.outcome {
            Outcome::Over(lux) => assert!(fill == "1" && (lux - 72.98).abs() < 0.1),
            Outcome::Value(lux) => assert!(fill != "1" && (lux - 72.98).abs() < 0.1),
            other => panic!("{other:?}"),
        }
    }
    // One that can tell how full it was, and does not, may have been too full.
    let (reading, told) = of_another(more, 1e-3, "-");
    let why = "the meter did not tell how full it was".to_owned();
    assert_eq!(reading.outcome, Outcome::Rejected(why));
    assert!(told.iter().all(|told| told == "T 200"), "{told:?}");
}

/// A level of the lamp, and whether the meter is covered.
type Scene = (u16, bool);

/// One that fits at once, one that is too bright, one that is too dim, and a dark under
/// a bright lamp.
const SCENES: [Scene; 4] = [(4, false), (7, false), (2, false), (6, true)];

/// Readings of a night with a fault.
const READINGS: usize = 3;

/// What came of a night, and the events of a kind at its opening and at its end.
struct Night {
    came: Vec<Result<Reading, DriverError>>,
    events: (u64, u64),
}

/// Some readings, with what may go wrong; whatever is a value must be the light's, and
/// after an error the meter must be left as it was found.
fn night(spec: WorldSpec, (level, covered): Scene, counted: Event) -> Night {
    before(spec, |world, meter, talk| {
        meter.open(talk).expect("it opens");
        let from = world.count(counted);
        set_level(world, talk, level);
        if covered && meter.shutter(talk, true).is_err() {
            meter.open(talk).expect("it opens");
            meter.shutter(talk, true).expect("it closes");
        }
        let came = (0..READINGS).map(|_| {
            let reading = meter.read_illuminance(talk);
            assert_eq!(meter.card.aperture, CHOSEN);
            assert!(reading.is_ok() || meter.suspect, "{reading:?}");
            if let Some(value) = reading.as_ref().ok().and_then(|it| it.outcome.value()) {
                let now = talk.now().mono;
                let light = if covered { 0.0 } else { world.light(now).0 };
                let most = most(world, now, meter.weighs_by);
                let off = (value - light).abs();
                assert!(off < most, "{value} for {light} ({most})");
            }
            reading
        });
        let came = came.collect();
        let events = (from, world.count(counted));
        Night { came, events }
    })
}

/// Each fault at each of the askings, or captures, of a night: no value is wrong, and
/// one reading is lost at most. How many nights there were.
fn nights(counted: Event, faults: &[Fault]) -> usize {
    let mut nights = 0;
    for scene in SCENES {
        let quiet = night(world(Vec::new()), scene, counted);
        let value = |came: &Result<Reading, DriverError>| {
            came.as_ref().is_ok_and(|it| it.outcome.value().is_some())
        };
        assert!(quiet.came.iter().all(value), "{:?}", quiet.came);
        let (from, to) = quiet.events;
        for fault in faults {
            for nth in from + 1..=to {
                let fault = fault.clone();
                let words = format!("{fault:?} at {nth} of {to} in {scene:?}");
                let spec = world(vec![Planned { nth, fault }]);
                let night = std::panic::catch_unwind(|| night(spec, scene, counted));
                let night = night.unwrap_or_else(|_| panic!("{words}"));
                let lost = night.came.iter().filter(|came| !value(came)).count();
                assert!(lost <= 1, "{words}: {:?}", night.came);
                nights += 1;
            }
        }
    }
    nights
}

#[test]
fn no_fault_of_a_question_gives_a_wrong_value() {
    let mut faults = vec![
        Fault::Silent(DEVICE),
        Fault::Garbage(DEVICE, b"?".to_vec()),
        Fault::Reset(DEVICE),
        Fault::Forgets(DEVICE),
    ];
    if std::env::var_os("WAKERAIL_LONG").is_some() {
        faults.extend([
            Fault::Late(DEVICE, Span::from_ms(700)),
            Fault::Late(DEVICE, Span::from_ms(2_500)),
            Fault::Split(DEVICE, Span::from_ms(700)),
            Fault::Stale(DEVICE),
            Fault::Unended(DEVICE),
            Fault::Noise(DEVICE, b"\0".to_vec()),
            Fault::Endless(DEVICE),
        ]);
    }
    let nights = nights(DEVICE.asked(), &faults);
    assert!(nights > 400, "{nights}");
}

#[test]
fn no_fault_of_a_spectrum_gives_a_wrong_value() {
    let block = |amiss| Fault::Block(DEVICE, amiss);
    let faults = [
        block(Amiss::CutShort),
        block(Amiss::SaysMore),
        block(Amiss::SaysLess),
        block(Amiss::OneLess),
        block(Amiss::NoNumber),
        block(Amiss::Saturated),
    ];
    let nights = nights(DEVICE.read(), &faults);
    assert!(nights > 80, "{nights}");
}

/// A meter that is gone for good, or whose link breaks off, is an error in the end.
#[test]
fn a_meter_that_is_lost_is_an_error() {
    let lost = Span::from_mins(60);
    for fault in [Fault::Dead(DEVICE), Fault::LinkLost(DEVICE, lost)] {
        for nth in 20..=30 {
            let fault = fault.clone();
            let spec = world(vec![Planned { nth, fault }]);
            let Night { came, .. } = night(spec, (7, false), DEVICE.asked());
            let last = came.last().expect("a reading");
            assert!(last.is_err(), "{nth}: {came:?}");
        }
    }
}
