//! The kinds of test beside the survey on a whole simulated bench, each from end
//! to end and killed at its writes: spectra, waveforms, a program of a lamp. What
//! is on record is held against the lamp's closed forms.

use drivers::simulated::lamp::Button;
use drivers::simulated::lamp_model::{LampModel, Modulated};
use drivers::simulated::modulation::Modulation;
use drivers::simulated::world::WorldSpec;
use photometry::figure::Given;
use photometry::measured::{CaptureOutcome, Quantity};
use photometry::stabilisation::WindowRule;
use photometry::units::{Length, Ratio, Span};

use super::scene::{self, By, Nobody, Sat, Scene};
use super::tests::{complete, killed_at_writes, moves_before_homing, promised, results};
use super::tests_gaps::whole;
use crate::plan::card::{Card, DarkBy, Meter};
use crate::plan::intent::{SettingWord, Settings, TestKind, WarmUp};
use crate::plan::itinerary::Purpose;
use crate::plan::kinds::{FlickerTest, RampTest, Sight, SpectrumTest};
use crate::plan::lamp::{Lamp, Program, Starts, Way};
use crate::plan::placement::{Placement, Seated};
use crate::plan::samples;
use crate::report::measures::measures;
use crate::run::journal::{Body, Decision, End, Event};

/// A bench with a spectroradiometer and a waveform photometer on its carriage.
pub fn laboratory(world: &WorldSpec) -> Card {
    let mut card = scene::card(world, true);
    let lux = card.meters[0].clone();
    let meter = |name: &str, port: &str, quantity| Meter {
        name: name.to_owned(),
        port: port.to_owned(),
        yields: vec![quantity],
        ranges: Vec::new(),
        dark: DarkBy::Shutter,
        ..lux.clone()
    };
    card.meters
        .push(meter("array", "array-port", Quantity::Spectrum));
    card.meters
        .push(meter("fast-head", "fast-port", Quantity::Waveform));
    for port in ["array-port", "fast-port"] {
        scene::add_port(&mut card, port);
    }
    if let Some(board) = &mut card.fingers {
        let mut finger = board.channels[0].clone();
        "start".clone_into(&mut finger.name);
        finger.channel = 4;
        board.channels.push(finger);
    }
    card
}

/// The plover, and what its lamp file says.
pub fn plover() -> (LampModel, Lamp) {
    let model = LampModel::plover();
    let lamp = Lamp {
        programs: vec![Program {
            name: "dawn".to_owned(),
            way: Way::Sunrise,
            length: Span::from_mins(30),
            starts: Starts::Button("dawn".to_owned()),
        }],
        ..samples::lamp(10)
    };
    (model, lamp)
}

fn sight(settings: &[SettingWord]) -> Sight {
    Sight {
        settings: Settings::These(settings.to_vec()),
        at: Some(Length::from_um(609_600)),
        watched_by: None,
        settle: None,
        warm_up: WarmUp::Fixed(Span::from_mins(20)),
        readings: 2,
        drift_limit: Ratio::new(0.02),
        give_up: Ratio::new(0.1),
    }
}

/// Two of full and of level 3.
pub fn spectra() -> TestKind {
    TestKind::Spectrum(SpectrumTest {
        sight: sight(&[SettingWord::Full, SettingWord::Level(3)]),
        meter: None,
        captures: 2,
        dark: 1,
        longest: Span::from_secs(10),
    })
}

/// Half a second of full and of the lowest level, at two rates.
pub fn waveforms() -> TestKind {
    TestKind::Flicker(FlickerTest {
        sight: sight(&[SettingWord::Full, SettingWord::Level(1)]),
        meter: None,
        length: Span::from_ms(500),
        step: Span::from_ns(50_000),
        other_step: Some(Span::from_ns(52_632)),
        dark: 1,
        captures: 1,
        severity: false,
    })
}

/// The plover's dawn, read every 5 s.
pub fn dawn() -> TestKind {
    dawn_every(Span::from_secs(5))
}

pub(super) fn dawn_every(every: Span) -> TestKind {
    TestKind::Ramp(RampTest {
        sight: Sight {
            warm_up: WarmUp::Standard(WindowRule::LM79),
            ..sight(&[])
        },
        program: "dawn".to_owned(),
        beside: Vec::new(),
        every,
        soak: Span::from_mins(60),
        lead: Span::from_mins(2),
        after: Span::from_mins(5),
        times: 1,
        alarm: None,
        dark: 5,
        hold: true,
        spectra: None,
        on_the_way: None,
    })
}

/// A finger on each button, the one that starts the dawn too.
pub fn placement(world: &WorldSpec) -> Placement {
    let mut placement = scene::placement(world);
    placement.fingers.push(Seated {
        button: "dawn".to_owned(),
        finger: "start".to_owned(),
    });
    placement
}

/// A night with one test of a kind, in this laboratory.
pub fn night(seed: u64, by: By, (model, lamp): (LampModel, Lamp), kind: TestKind) -> Scene {
    let mut world = WorldSpec {
        lamp: model,
        ..WorldSpec::new(seed)
    };
    world.fingers.push((4, Button::Start));
    let card = laboratory(&world);
    let mut plan = samples::plan(samples::survey(&[24]));
    plan.tests[0].name = kind.name().word().to_owned();
    plan.tests[0].kind = kind;
    let placement = placement(&world);
    Scene::planned(world, by, lamp, card, plan, placement)
}

fn captures(events: &[Event], purpose: Purpose) -> Vec<&photometry::measured::Capture> {
    let of =
        |event: &Event| matches!(&event.body, Body::Captured { key, .. } if key.purpose == purpose);
    let found = events.iter().filter(|event| of(event));
    found
        .filter_map(|event| match &event.body {
            Body::Captured { capture, .. } => Some(capture),
            _ => None,
        })
        .collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn spectra_are_exposed_captured_and_complete() {
    let scene = night(1, By::Memory, plover(), spectra());
    assert_eq!(
        scene.sit(Nobody).await,
        Sat::Ended(End::Complete),
        "{}",
        scene.paper.text()
    );
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    assert_eq!(results(itinerary, &events), promised(itinerary));
    assert_eq!(moves_before_homing(itinerary, &events), 0);
    let read = captures(&events, Purpose::Read);
    assert_eq!(read.len(), 4);
    for capture in &read {
        let fill = capture.fill.expect("a fill");
        assert!((0.3..0.95).contains(&fill), "{fill}");
        assert!(matches!(capture.outcome, CaptureOutcome::Numbers(n) if n > 80));
        let (nm, values) = (capture.axis_numbers(), capture.numbers());
        assert_eq!(nm.expect("an axis").len(), values.expect("numbers").len());
    }
    // The dark is integrated as long as the light that it is taken off.
    let dark = captures(&events, Purpose::Dark);
    let times = |all: &[&photometry::measured::Capture]| -> Vec<Option<Span>> {
        all.iter().map(|capture| capture.integration).collect()
    };
    let lit = times(&read);
    assert_eq!(times(&dark), [lit[0], lit[2]]);
    assert!(lit[0] < lit[2], "level 3 is darker than level 10");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn waveforms_are_captured_at_two_rates() {
    let scene = night(1, By::Pty, plover(), waveforms());
    assert_eq!(
        scene.sit(Nobody).await,
        Sat::Ended(End::Complete),
        "{}",
        scene.paper.text()
    );
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    assert_eq!(results(itinerary, &events), promised(itinerary));
    let (first, other) = (
        captures(&events, Purpose::Read),
        captures(&events, Purpose::OtherRate),
    );
    assert_eq!((first.len(), other.len()), (2, 2));
    let numbers = first[0].numbers().expect("numbers");
    assert_eq!(numbers.len(), 10_000);
    assert_eq!(captures(&events, Purpose::Dark).len(), 1);
}

/// A sine of 30 % at 100 Hz: percent flicker 30, flicker index 0.3/pi (IES RP-16, closed
/// forms), within the U of three captures and three of the dark, which is small and not
/// nothing.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn several_waveforms_give_their_figures_an_uncertainty() {
    let TestKind::Flicker(test) = waveforms() else {
        panic!("a flicker test");
    };
    let kind = TestKind::Flicker(FlickerTest {
        captures: 3,
        dark: 3,
        ..test
    });
    let (mut model, lamp) = plover();
    for tone in &mut model.tones {
        tone.modulation = vec![Modulated {
            up_to: u16::MAX,
            is: Modulation::Sine {
                hz: 100.0,
                depth: 0.3,
            },
        }];
    }
    let scene = night(3, By::Memory, (model, lamp), kind);
    complete(&scene, Nobody, "").await;
    let full = measures(&whole(&scene)).remove(0);
    let wanted = [
        ("percent_flicker", 30.0),
        ("flicker_index", 0.3 / std::f64::consts::PI),
    ];
    for (name, truth) in wanted {
        let mut figures = full.figures.iter();
        let figure = figures.find(|figure| figure.name.name == name);
        let given = &figure.expect("the figure").given;
        let Given::Estimate(estimate) = given else {
            panic!("{name} has no U: {given:?}");
        };
        let sources: Vec<&str> = estimate.terms.iter().map(|t| t.source.as_str()).collect();
        let terms = ["repeatability", "dark captures", "evaluation"];
        assert_eq!(sources, terms, "{name}");
        let off = (estimate.value - truth).abs();
        assert!(off < 2.0 * estimate.combined(), "{name}: {off}");
        assert!(estimate.combined() < 0.015 * truth, "{name}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_dawn_is_recorded_from_before_it_begins_until_after_it_ended() {
    let scene = night(1, By::Memory, plover(), dawn());
    assert_eq!(
        scene.sit(Nobody).await,
        Sat::Ended(End::Complete),
        "{}",
        scene.paper.text()
    );
    let events = scene.paper.events();
    let began = events.iter().find_map(|event| match &event.body {
        Body::Decided {
            decision: Decision::Began { at, .. },
        } => Some(*at),
        _ => None,
    });
    let began = began.expect("it began");
    let samples: Vec<(f64, f64)> = events
        .iter()
        .filter_map(|event| match &event.body {
            Body::Taken { key, reading } if key.purpose == Purpose::Sample => {
                let at = reading.asked.mono.since(began.mono).secs();
                Some((at, reading.outcome.value()?))
            }
            _ => None,
        })
        .collect();
    // 2 min + 30 min + 5 min at one every 5 s, none lost.
    assert_eq!(samples.len(), 37 * 12 + 1);
    let lit = |at: f64| {
        let near = samples
            .iter()
            .min_by(|a, b| (a.0 - at).abs().total_cmp(&(b.0 - at).abs()));
        near.expect("a sample").1
    };
    // A square law: half the time, a quarter of the light.
    let (half, end) = (lit(900.0), lit(1_830.0));
    assert!((half / end - 0.25).abs() < 0.01, "{half} {end}");
    assert!(lit(-60.0) < 0.2, "dark before");
}

/// Every write of the three nights, a few at a time by default.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_its_writes_each_kind_ends_the_same() {
    // A recording has hundreds of writes alike.
    let kinds: [(fn() -> TestKind, usize); 3] = [(spectra, 17), (waveforms, 17), (dawn, 85)];
    for (kind, stride) in kinds {
        let night = || night(1, By::Memory, plover(), kind());
        killed_at_writes(stride, night, || Nobody, |_, _| {}).await;
    }
}
