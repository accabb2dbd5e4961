//! A plan of every kind of test in which exactly one goes wrong: the others are
//! complete, what is missing has no figure and is never zero, and a redo of what is
//! missing measures just that.

use std::collections::{BTreeMap, HashMap};

use drivers::simulated::bench::SimulatedBench;
use drivers::simulated::faults::{self, Device, Fault, Planned};
use drivers::simulated::lamp::Button;
use drivers::simulated::world::WorldSpec;
use photometry::figure::Given;
use photometry::units::{Ratio, Span};

use super::handle::Handle;
use super::scene::{By, Hands, Nobody, Sat, Scene};
use super::tests::{promised, results};
use super::tests_kinds::{dawn, laboratory, placement, plover, spectra, waveforms};
use super::tests_sphere::{self, AtTheSphere};
use crate::plan::frozen::Frozen;
use crate::plan::intent::{Plan, Reference, SettingWord, Settings, Survey, TestKind};
use crate::plan::kinds::StandbyTest;
use crate::plan::redo::{self, Part};
use crate::plan::samples;
use crate::plan::tests_standby::{outlets, standby, wattmeter};
use crate::queue::redo::missing;
use crate::report::gather::surveys;
use crate::report::measures::measures;
use crate::run::journal::{End, Event, Link};
use crate::run::progress::State;
use crate::store::readings::Whole;
use crate::store::samples::{captures_of, rows_of};

/// Every kind that a bench with a rail can do, in this order.
const TESTS: [&str; 5] = ["spectrum", "flicker", "ramp", "standby", "survey"];

/// Figures that two nights of a lamp have alike.
const STEADY: [&str; 5] = ["cct_k", "t50_s", "plateau_lx", "operating_w", "flux_lm"];

/// Two levels at 12 and 24 in.
fn survey() -> Survey {
    let survey = samples::survey(&[12, 24]);
    Survey {
        settings: Settings::These(vec![SettingWord::Full, SettingWord::Level(3)]),
        dark: 2,
        ambient: 1,
        reference: Reference {
            drift_limit: Ratio::new(0.02),
            give_up: Ratio::new(0.1),
            ..survey.reference
        },
        ..survey
    }
}

fn plan() -> Plan {
    let mut plan = samples::plan(samples::survey(&[24]));
    let like = plan.tests.remove(0);
    let idle = StandbyTest {
        every: Span::from_secs(5),
        ..standby()
    };
    for kind in [
        spectra(),
        waveforms(),
        dawn(),
        TestKind::Standby(idle),
        TestKind::Survey(survey()),
    ] {
        let mut test = like.clone();
        test.name = kind.name().word().to_owned();
        test.kind = kind;
        plan.tests.push(test);
    }
    plan
}

/// A night of a plan on a bench with all meters, the lamp on an outlet.
fn night(plan: Plan, faults: Vec<Planned>) -> Scene {
    let (model, lamp) = plover();
    let mut world = WorldSpec {
        lamp: model,
        faults,
        ..WorldSpec::new(1)
    };
    world.fingers.push((4, Button::Start));
    world.equipment.outlets.lamp = Some(1);
    let mut card = laboratory(&world);
    card.meters.push(wattmeter());
    card.outlets = Some(outlets());
    card.lamp_outlet = Some("lamp".to_owned());
    for port in ["plug-port", "outlet-port"] {
        let mut like = card.ports[0].clone();
        port.clone_into(&mut like.name);
        card.ports.push(like);
    }
    let placement = placement(&world);
    Scene::planned(world, By::Memory, lamp, card, plan, placement)
}

/// Notes how often something had happened at the bench at each test's first and
/// last event.
struct Counting<H> {
    hands: H,
    itinerary: crate::plan::itinerary::Itinerary,
    counts: Vec<faults::Event>,
    seen: BTreeMap<(u32, faults::Event), (u64, u64)>,
}

impl<H: Hands> Counting<H> {
    fn new(hands: H, scene: &Scene, counts: &[faults::Event]) -> Counting<H> {
        Counting {
            hands,
            itinerary: scene.frozen.itinerary.clone(),
            counts: counts.to_vec(),
            seen: BTreeMap::new(),
        }
    }

    /// So far into a test, as a share of what happens in it.
    fn at(&self, test: u32, what: faults::Event, share: f64) -> u64 {
        let (first, last) = self.seen[&(test, what)];
        assert!(last > first + 8, "{test} {what:?}: {first} {last}");
        first + ((last - first) as f64 * share) as u64
    }
}

impl<H: Hands> Hands for Counting<H> {
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        let no = event.no.and_then(|no| usize::try_from(no).ok());
        if let Some(action) = no.and_then(|no| self.itinerary.actions.get(no)) {
            for what in &self.counts {
                let count = bench.world().count(*what);
                let seen = self.seen.entry((action.test, *what));
                seen.or_insert((count, count)).1 = count;
            }
        }
        self.hands.note(event, handle, bench);
    }
}

/// All that is recorded of a night.
pub(super) fn whole(scene: &Scene) -> Whole {
    let (frozen, events): (&Frozen, _) = (&scene.frozen, scene.paper.events());
    Whole {
        bundle: Link::of_bundle(&[]),
        frozen: frozen.clone(),
        readings: rows_of(frozen, &events, &HashMap::new()),
        captures: captures_of(frozen, &events),
        events,
    }
}

/// Every number of a night by test, of what, and name; none where it is not known.
type Figures = BTreeMap<(String, String, String), Option<f64>>;

fn figures(whole: &Whole) -> Figures {
    let mut all = Figures::new();
    for measure in measures(whole) {
        for figure in &measure.figures {
            let value = match &figure.given {
                Given::Number(value) => Some(*value),
                Given::Estimate(estimate) => Some(estimate.value),
                _ => None,
            };
            let name = figure.name.name.to_owned();
            all.insert((measure.test.clone(), measure.of.clone(), name), value);
        }
        // It tells of itself where it has nothing to tell.
        if measure.figures.is_empty() {
            assert!(measure.unfinished, "{measure:?}");
        }
    }
    for survey in surveys(&whole.frozen, &whole.readings, &whole.events) {
        for setting in &survey.settings {
            for point in &setting.points {
                let value = point.estimate.as_ref().map(|estimate| estimate.value);
                assert_eq!(value.is_none(), point.n == 0, "{point:?}");
                let at = point.position.to_string();
                all.insert((survey.test.clone(), setting.setting.clone(), at), value);
            }
        }
    }
    all
}

fn lacking(whole: &Whole) -> Vec<Part> {
    missing(
        &whole.frozen,
        &whole.readings,
        &whole.captures,
        &whole.events,
    )
}

/// Of the keys of a test, how many results each has.
fn of_test(all: &BTreeMap<String, usize>, test: &str) -> BTreeMap<String, usize> {
    let own = all
        .iter()
        .filter(|(key, _)| key.split('/').next() == Some(test));
    own.map(|(key, count)| (key.clone(), *count)).collect()
}

/// What a night in which one test failed must say, against one in which nothing did.
fn one_failed(scene: &Scene, sat: &Sat, failed: &str, sound: &Figures) -> Vec<Part> {
    let text = scene.paper.text();
    assert_eq!(*sat, Sat::Ended(End::CompleteWithGaps), "{failed}\n{text}");
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    let state = State::replay(itinerary, &events).expect("legal");
    let names = state.failed_tests.keys().map(|index| {
        let head = &itinerary.tests[*index as usize];
        head.name.as_str()
    });
    assert_eq!(names.collect::<Vec<_>>(), [failed], "{text}");
    let (there, asked) = (results(itinerary, &events), promised(itinerary));
    for head in itinerary.tests.iter().filter(|head| head.name != failed) {
        let (there, asked) = (of_test(&there, &head.name), of_test(&asked, &head.name));
        assert_eq!(there, asked, "{failed}: {}", head.name);
    }
    let night = whole(scene);
    let found = figures(&night);
    for (what, value) in sound {
        let here = found.get(what).copied().flatten();
        if what.0 != failed {
            assert_eq!(here.is_some(), value.is_some(), "{what:?}");
        }
        // What was measured before the test failed stands; the rest is not zero.
        if let (Some(here), Some(value)) = (here, value) {
            assert!(*value == 0.0 || here != 0.0, "{what:?}: {here} {value}");
        }
    }
    let of_failed = |(what, value): &(&(String, String, String), &Option<f64>)| {
        what.0 == failed && value.is_some()
    };
    let (sound, here) = (
        sound.iter().filter(of_failed).count(),
        found.iter().filter(of_failed).count(),
    );
    assert!(here < sound, "{failed}: {here} of {sound} figures");
    let parts = lacking(&night);
    let tests: Vec<&str> = parts.iter().map(|part| part.test.as_str()).collect();
    assert_eq!(tests, [failed], "{text}");
    parts
}

/// A redo of what was missing measures it and nothing else.
fn filled(again: &Scene, sat: &Sat, parts: &[Part], sound: &Figures) {
    let text = again.paper.text();
    assert_eq!(*sat, Sat::Ended(End::Complete), "{parts:?}\n{text}");
    let night = whole(again);
    assert_eq!(lacking(&night), Vec::new());
    let found = figures(&night);
    let settings = &parts[0].settings;
    let wanted = |what: &(String, String, String)| {
        // `off`, `dawn-1`: what is no setting is measured with any of them.
        let is_setting = what.1.starts_with('L');
        what.0 == parts[0].test && (!is_setting || settings.contains(&what.1))
    };
    let asked: Vec<_> = sound.iter().filter(|(what, _)| wanted(what)).collect();
    let mut compared = 0;
    for (what, value) in &asked {
        let here = found.get(*what).copied().flatten();
        assert_eq!(here.is_some(), value.is_some(), "{what:?}");
        // Others are near nought, or made of noise.
        let steady = STEADY.contains(&what.2.as_str()) || what.0 == "survey";
        if let (Some(here), Some(value), true) = (here, value, steady) {
            assert!((here / value - 1.0).abs() < 0.02, "{what:?} {here} {value}");
            compared += 1;
        }
    }
    // A lamp without modulation has none in its waveforms.
    assert!(compared > 0 || parts[0].test == "flicker", "{parts:?}");
    assert_eq!(found.len(), asked.len(), "{parts:?}: {:?}", found.keys());
}

fn narrowed(scene: &Scene, parts: &[Part]) -> Plan {
    redo::narrowed(&scene.frozen.plan, &scene.frozen.lamp, parts)
}

/// The meter of each test in turn says nothing any more in the middle of it; that
/// which every test shares has no number for as long as the test still asks.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_test_that_fails_costs_no_other_and_is_measured_again() {
    let devices = [
        Device::Spectroradiometer,
        Device::WaveformPhotometer,
        Device::PowerMeter,
    ];
    let sound = night(plan(), Vec::new());
    let mut counts = vec![faults::Event::Read];
    counts.extend(devices.map(Device::asked));
    let mut counting = Counting::new(Nobody, &sound, &counts);
    let sat = sound.sit(&mut counting).await;
    let text = sound.paper.text();
    assert_eq!(sat, Sat::Ended(End::Complete), "{text}");
    assert_eq!(lacking(&whole(&sound)), Vec::new());
    let sound = figures(&whole(&sound));
    let dead = |test, device: Device| {
        let nth = counting.at(test, device.asked(), 0.6);
        let fault = Fault::Dead(device);
        vec![Planned { nth, fault }]
    };
    // A recording gives up after 20 readings, any other reading after 3.
    let says_nothing = |test, times: u64| {
        let first = counting.at(test, faults::Event::Read, 0.5);
        let nths = first..first + times;
        let fault = Fault::NoNumber;
        nths.map(|nth| Planned {
            nth,
            fault: fault.clone(),
        })
        .collect()
    };
    let cases: [Vec<Planned>; 5] = [
        dead(0, devices[0]),
        dead(1, devices[1]),
        says_nothing(2, 20),
        dead(3, devices[2]),
        says_nothing(4, 3),
    ];
    for (test, faults) in TESTS.iter().zip(cases) {
        let scene = night(plan(), faults);
        let sat = scene.sit(Nobody).await;
        let parts = one_failed(&scene, &sat, test, &sound);
        let again = night(narrowed(&scene, &parts), Vec::new());
        let sat = again.sit(Nobody).await;
        filled(&again, &sat, &parts, &sound);
    }
}

/// The same in a sphere, where flux is all that can be measured: the second of two
/// tests loses its photometer.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_flux_that_fails_leaves_the_other_and_is_measured_again() {
    let settings = vec![SettingWord::Full, SettingWord::Level(3)];
    let mut plan = samples::flux(Settings::These(settings));
    let mut second = plan.tests[0].clone();
    "again".clone_into(&mut second.name);
    plan.tests.push(second);
    let night = |plan: Plan, faults| tests_sphere::planned(1, By::Memory, false, faults, plan);
    let sound = night(plan.clone(), Vec::new());
    let asked = Device::SpherePhotometer.asked();
    let mut counting = Counting::new(AtTheSphere::default(), &sound, &[asked]);
    let sat = sound.sit(&mut counting).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", sound.paper.text());
    let sound = figures(&whole(&sound));
    for share in [0.2, 0.9] {
        let nth = counting.at(1, asked, share);
        let fault = Fault::Dead(Device::SpherePhotometer);
        let scene = night(plan.clone(), vec![Planned { nth, fault }]);
        let sat = scene.sit(&mut AtTheSphere::default()).await;
        let parts = one_failed(&scene, &sat, "again", &sound);
        let again = night(narrowed(&scene, &parts), Vec::new());
        let sat = again.sit(&mut AtTheSphere::default()).await;
        filled(&again, &sat, &parts, &sound);
    }
}
