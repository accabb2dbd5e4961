//! Spectra on the way of a dawn, on a whole simulated bench: the melanopic dose held
//! against the lamp's closed form, without their meter, too bright, and killed.
//!
//! The simulated lamp mixes the illuminance of two lights in proportion to time, so its
//! melanopic ratio is a straight line d0 to d1 over time, whatever its brightness does;
//! its light is the peak times (t/T)^2. So the ratio of the doses from the start to the
//! end of T and of the time A after it is
//! (d0/3 + (d1 - d0)/4 + d1 A/T) / (1/3 + A/T): elementary, no source needed.

use drivers::simulated::bench::SimulatedBench;
use drivers::simulated::faults::{Amiss, Device, Fault, Planned};
use drivers::simulated::lamp::Button;
use drivers::simulated::lamp_model::LampModel;
use drivers::simulated::spectra::{Mixture, Spectrum as Light};
use photometry::figure::{Figure, Given};
use photometry::measured::{CaptureOutcome, Quantity};
use photometry::units::{Length, Ratio, Span};

use super::handle::{Handle, Order};
use super::scene::{By, Hands, Nobody, Sat, Scene};
use super::tests::{RUN, killed_at_writes, promised, results};
use super::tests_ends::{of_closed_form, value, whole};
use super::tests_kinds::{dawn, night, plover};
use super::tests_orders::last_left;
use crate::plan::card::DarkBy;
use crate::plan::intent::TestKind;
use crate::plan::itinerary::{Purpose, What};
use crate::plan::kinds::{RampTest, WaySpectra};
use crate::plan::lamp::{Lamp, Program, Way};
use crate::plan::samples;
use crate::queue::redo::missing;
use crate::report::measures::{Measure, measures};
use crate::run::journal::{Body, End, Event, HoldCause, LampLeft};

const LENGTH: Span = Span::from_mins(30);
const AFTER: Span = Span::from_mins(5);
/// One a minute, the last over before the recording is.
const SPECTRA: usize = 35;

/// A dawn from amber (1800 K) to a white of 5020 K that is recorded with spectra on its
/// way.
fn scene(faults: Vec<Planned>) -> Scene {
    let mut scene = night_of(plover(), "dawn");
    scene.world.faults = faults;
    scene
}

fn night_of((model, lamp): (LampModel, Lamp), program: &str) -> Scene {
    let mut model = LampModel {
        // A lamp that does not warm: its light is the closed form alone.
        sag: Ratio::new(0.0),
        ..model
    };
    model.tones[0].light = Mixture::of(Light::NeutralWhite);
    let TestKind::Ramp(ramp) = dawn() else {
        panic!("a ramp");
    };
    let kind = TestKind::Ramp(RampTest {
        program: program.to_owned(),
        hold: false,
        after: AFTER,
        on_the_way: Some(WaySpectra {
            meter: None,
            every: Span::from_mins(1),
            dark: 2,
            longest: Span::from_secs(10),
        }),
        ..ramp
    });
    night(8, By::Memory, (model, lamp), kind)
}

fn only(scene: &Scene) -> Measure {
    let [ramp] = <[Measure; 1]>::try_from(measures(&whole(scene))).expect("one program");
    ramp
}

fn figure<'m>(measure: &'m Measure, name: &str) -> &'m Figure {
    let mut figures = measure.figures.iter();
    let found = figures.find(|figure| figure.name.name == name);
    found.unwrap_or_else(|| panic!("{name}: {measure:?}"))
}

/// The melanopic ratio of the lamp so far into its dawn.
fn closed_der(scene: &Scene, share: f64) -> f64 {
    let model = &scene.world.lamp;
    let program = model.sunrise.as_ref().expect("a sunrise");
    let after = Span::from_secs_f64(share * program.length.secs());
    let colour = program.colour(&model.tones[0].light, after);
    let figures = of_closed_form(|nm| colour.at(nm)).figures();
    let mut figures = figures.iter();
    let der = figures.find(|figure| figure.name.name == "melanopic_der");
    der.and_then(Figure::value).expect("a ratio")
}

/// The mean ratio, weighted by light, by the closed form above.
fn closed_der_of_dose(scene: &Scene) -> f64 {
    let (d0, d1) = (closed_der(scene, 0.0), closed_der(scene, 1.0));
    let after = AFTER.secs() / LENGTH.secs();
    (d0 / 3.0 + (d1 - d0) / 4.0 + d1 * after) / (1.0 / 3.0 + after)
}

/// Keys of the captures of a run's last attempt at its recording, with what came of each.
fn captured(events: &[Event]) -> Vec<(String, CaptureOutcome, Option<Span>)> {
    let attempt = events.iter().filter_map(|event| match &event.body {
        Body::Captured { .. } => Some(event.attempt),
        _ => None,
    });
    let last = attempt.max();
    let of = events.iter().filter_map(|event| match &event.body {
        Body::Captured { key, capture, .. } if Some(event.attempt) == last => Some((
            format!("{}/{}/{}", key.setting, key.purpose.word(), key.visit),
            capture.outcome.clone(),
            capture.integration,
        )),
        _ => None,
    });
    of.collect()
}

/// Every reading of the light was asked for when it was due, whatever the spectra did.
fn beat_was_kept(found: &Measure) {
    let told = "Each reading was asked for when it was due.";
    assert!(
        found.notes.iter().any(|note| note == told),
        "{:?}",
        found.notes
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_melanopic_dose_of_a_dawn_is_that_of_the_closed_form() {
    let scene = scene(Vec::new());
    let sat = scene.sit(Nobody).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
    assert_eq!(results(itinerary, &events), promised(itinerary));
    let found = only(&scene);
    assert!(!found.unfinished, "{:?}", found.notes);
    beat_was_kept(&found);
    assert_eq!(found.on_the_way.len(), SPECTRA);
    let usable = || found.on_the_way.iter().filter(|one| one.unused.is_none());
    assert!(usable().count() >= SPECTRA - 2, "{:?}", found.on_the_way);
    let mut cct_before = 0.0;
    for one in usable() {
        let share = (one.after_s / LENGTH.secs()).min(1.0);
        let (der, closed) = (
            one.melanopic_der.expect("a ratio"),
            closed_der(&scene, share),
        );
        // Of the dimmest noise leaves 5 % (k = 1); of the rest it, and the array's steps, 2 %.
        let within = if one.after_s < 180.0 { 0.15 } else { 0.02 };
        assert!((der / closed - 1.0).abs() < within, "{one:?} for {closed}");
        let cct = one.cct_k.unwrap_or(cct_before);
        assert!(cct >= 0.98 * cct_before, "it becomes cooler: {one:?}");
        cct_before = cct;
    }
    let (of_dose, closed) = (
        value(&found, "melanopic_der_of_dose"),
        closed_der_of_dose(&scene),
    );
    assert!((of_dose / closed - 1.0).abs() < 0.005, "{of_dose} {closed}");
    // In lux-minutes, with the hidden error of the calibration: 1.5 % (k = 1).
    let at = Length::from_um(609_600);
    let peak = scene.world.lamp.truth(10, at).0;
    let minutes = LENGTH.secs() / 180.0 + AFTER.secs() / 60.0;
    let (dose, closed) = (
        value(&found, "melanopic_dose_lux_min"),
        peak * minutes * closed,
    );
    assert!((dose / closed - 1.0).abs() < 0.05, "{dose} for {closed}");
    // Only what lies before the first and after the last usable one is not between two.
    let covered = value(&found, "melanopic_dose_covered");
    assert!((0.85..1.0).contains(&covered), "{covered}");
    let Given::Estimate(dose) = &figure(&found, "melanopic_dose_lux_min").given else {
        panic!("no terms");
    };
    let terms: Vec<&str> = dose.terms.iter().map(|term| term.source.as_str()).collect();
    assert!(terms.contains(&"noise of the spectra"), "{terms:?}");
}

/// A sunset that lights its lamp, from white back to amber: the mirror of the dawn, so
/// that the mean ratio is d1 + (d0 - d1)/4.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_sunset_that_lights_its_lamp_has_its_melanopic_dose_too() {
    let (model, mut lamp) = plover();
    lamp.programs[0] = Program {
        name: "dusk".to_owned(),
        way: Way::Sunset,
        ..lamp.programs[0].clone()
    };
    let mut scene = night_of((model, lamp), "dusk");
    for (_, button) in &mut scene.world.fingers {
        if *button == Button::Start {
            *button = Button::Sunset;
        }
    }
    let sat = scene.sit(Nobody).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let found = only(&scene);
    beat_was_kept(&found);
    let (d0, d1) = (closed_der(&scene, 0.0), closed_der(&scene, 1.0));
    let (of_dose, closed) = (value(&found, "melanopic_der_of_dose"), d1 + (d0 - d1) / 4.0);
    assert!((of_dose / closed - 1.0).abs() < 0.01, "{of_dose} {closed}");
    // (1 - t/T)^2 of its first light's melanopic EDI is 10 lx then; the ratio is amber's
    // by and by, so the closed form is a bracket: as if it were white, as if amber.
    let peak = value(&found, "plateau_lx");
    let at = |der: f64| LENGTH.secs() * (1.0 - (10.0 / (peak * der)).sqrt());
    let below = value(&found, "below_10_lx_melanopic_s");
    assert!((at(d0)..at(d1)).contains(&below), "{below}");
}

/// Each spectrum has a key of its own, and so has each that was taken covered; there is
/// one for each integration that was used, twice, and for no other.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn darks_are_taken_for_the_integrations_that_were_used() {
    let scene = scene(Vec::new());
    assert_eq!(scene.sit(Nobody).await, Sat::Ended(End::Complete));
    let all = captured(&scene.paper.events());
    let keys: std::collections::BTreeSet<&String> = all.iter().map(|(key, ..)| key).collect();
    assert_eq!(keys.len(), all.len(), "{all:?}");
    let (lit, dark): (Vec<_>, Vec<_>) = all.iter().partition(|(key, ..)| key.starts_with("dawn/"));
    assert_eq!(lit.len(), SPECTRA);
    assert_eq!(lit[0].0, "dawn/sample/100001");
    let used = lit.iter().filter_map(|(_, outcome, integration)| {
        matches!(outcome, CaptureOutcome::Numbers(_)).then_some(*integration)
    });
    let used: std::collections::BTreeSet<_> = used.collect();
    let covered = dark.iter().map(|(.., integration)| *integration);
    let covered: Vec<_> = covered.collect();
    let twice: Vec<_> = used.iter().flat_map(|one| [*one, *one]).collect();
    assert_eq!(covered, twice);
    assert!(used.len() > 2, "the light changes by decades: {used:?}");
}

/// A person who covers what is to be covered: the lamp's plug is as good as a cap here.
/// Never before the recording is over.
#[derive(Default)]
struct Covers {
    asked: Vec<String>,
    samples: usize,
}

impl Hands for Covers {
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        if let Body::Taken { key, .. } = &event.body {
            self.samples += usize::from(key.purpose == Purpose::Sample);
        }
        let Body::Held {
            cause: HoldCause::Question(words),
        } = &event.body
        else {
            return;
        };
        // 2 min, 30 min and 5 min, one every 5 s.
        assert_eq!(self.samples, 37 * 12 + 1, "{words}");
        let cover = words.starts_with("Put the cap on the meter `array`");
        bench.person().unplugs_lamp(cover, event.at.mono);
        self.asked.push(words.clone());
        let (run, text) = (RUN, "done".to_owned());
        handle
            .orders
            .post(Order::Answer { run, text })
            .expect("an order");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_a_shutter_a_person_is_asked_when_the_recording_is_over() {
    let mut scene = scene(Vec::new());
    let frozen = (*scene.frozen).clone();
    let mut card = frozen.card.clone();
    for meter in card.meters.iter_mut().filter(|meter| meter.name == "array") {
        meter.dark = DarkBy::Cap;
    }
    let (plan, lamp, placement) = (frozen.plan, frozen.lamp, frozen.placement);
    scene.frozen = std::sync::Arc::new(samples::frozen(plan, lamp, card, placement));
    let mut hands = Covers::default();
    let sat = scene.sit(&mut hands).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    assert_eq!(hands.asked.len(), 2, "{:?}", hands.asked);
    let found = only(&scene);
    beat_was_kept(&found);
    let (of_dose, closed) = (
        value(&found, "melanopic_der_of_dose"),
        closed_der_of_dose(&scene),
    );
    assert!((of_dose / closed - 1.0).abs() < 0.01, "{of_dose} {closed}");
}

/// Stops the run at a reading of the light that comes while a spectrum is integrated.
struct StopsBetween;

impl Hands for StopsBetween {
    fn note(&mut self, event: &Event, handle: &Handle, _bench: &SimulatedBench) {
        // Two minutes after the start, where a spectrum is due too and takes seconds.
        if let Body::Taken { key, .. } = &event.body
            && (key.purpose, key.visit) == (Purpose::Sample, 4 * 12 + 1)
        {
            handle.orders.post(Order::Stop(RUN)).expect("an order");
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_order_is_heard_while_a_spectrum_is_integrated() {
    let scene = scene(Vec::new());
    assert_eq!(scene.sit(StopsBetween).await, Sat::Ended(End::Stopped));
    let events = scene.paper.events();
    let samples = events.iter().filter(
        |event| matches!(&event.body, Body::Taken { key, .. } if key.purpose == Purpose::Sample),
    );
    assert!(samples.count() <= 4 * 12 + 2, "nothing went on");
    // Those of 0 and 1 min came, that of 2 min was withdrawn.
    assert_eq!(captured(&events).len(), 2);
    assert_eq!(last_left(&events), LampLeft::Off);
}

/// Silent from the middle on: what came before is not enough of the dose, the light's
/// own figures stand, and the night is complete.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_meter_that_dies_on_the_way_costs_no_recording() {
    let fault = Fault::Dead(Device::Spectroradiometer);
    // Each spectrum is some three questions.
    let scene = scene(vec![Planned { nth: 60, fault }]);
    let sat = scene.sit(Nobody).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let found = only(&scene);
    beat_was_kept(&found);
    assert_eq!(found.on_the_way.len(), SPECTRA, "each has its key");
    assert!(value(&found, "t50_s") > 0.0 && value(&found, "dose_lux_min") > 0.0);
    for name in ["melanopic_dose_lux_min", "melanopic_der_of_dose"] {
        let Given::Withheld(why) = &figure(&found, name).given else {
            panic!("{:?}", figure(&found, name));
        };
        // Nothing could be taken covered any more.
        assert!(why.starts_with("0 of the spectra"), "{why}");
    }
    assert!(found.unfinished);
    let whole = whole(&scene);
    let parts = missing(
        &whole.frozen,
        &whole.readings,
        &whole.captures,
        &whole.events,
    );
    assert_eq!(parts.len(), 1, "a redo records it again: {parts:?}");
}

/// One answer lost, one broken, one too bright: three gaps, told, and the dose is still
/// that of the closed form.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn spectra_that_fail_on_the_way_are_gaps() {
    let device = Device::Spectroradiometer;
    let faults = [
        (30, Fault::Silent(device)),
        (50, Fault::Garbage(device, b"#9\n".to_vec())),
        (12, Fault::Block(device, Amiss::Saturated)),
    ];
    let faults = faults.map(|(nth, fault)| Planned { nth, fault });
    let scene = scene(faults.to_vec());
    let sat = scene.sit(Nobody).await;
    assert_eq!(sat, Sat::Ended(End::Complete), "{}", scene.paper.text());
    let found = only(&scene);
    beat_was_kept(&found);
    let late = found.on_the_way.iter().filter(|one| one.after_s > 240.0);
    let unused: Vec<&str> = late.filter_map(|one| one.unused.as_deref()).collect();
    assert!((2..=3).contains(&unused.len()), "{:?}", found.on_the_way);
    assert!(unused.contains(&"too bright for the meter"), "{unused:?}");
    let all = captured(&scene.paper.events());
    let full = all
        .iter()
        .position(|(_, outcome, _)| matches!(outcome, CaptureOutcome::Saturated(_)))
        .expect("one was too bright");
    assert!(all[full + 1].2 < all[full].2, "the next one is shorter");
    let (of_dose, closed) = (
        value(&found, "melanopic_der_of_dose"),
        closed_der_of_dose(&scene),
    );
    assert!((of_dose / closed - 1.0).abs() < 0.01, "{of_dose} {closed}");
}

/// Broken off anywhere, also among the spectra that are taken covered, the dawn is
/// recorded anew, and has its spectra under the same keys.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_its_writes_it_ends_with_the_same_keys() {
    let sound = scene(Vec::new());
    assert_eq!(sound.sit(Nobody).await, Sat::Ended(End::Complete));
    let keys = |events: &[Event]| {
        let sample = Purpose::Sample.word();
        let lit = captured(events).into_iter().map(|(key, ..)| key);
        lit.filter(|key| key.contains(sample)).collect::<Vec<_>>()
    };
    let wanted = keys(&sound.paper.events());
    assert_eq!(wanted.len(), SPECTRA);
    killed_at_writes(
        97,
        || scene(Vec::new()),
        || Nobody,
        |_, events| assert_eq!(keys(events), wanted),
    )
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn repeats_have_visits_of_their_own() {
    let mut scene = scene(Vec::new());
    let frozen = (*scene.frozen).clone();
    let mut plan = frozen.plan.clone();
    let TestKind::Ramp(ramp) = &mut plan.tests[0].kind else {
        panic!("a ramp");
    };
    ramp.times = 2;
    let (lamp, card, placement) = (frozen.lamp, frozen.card, frozen.placement);
    scene.frozen = std::sync::Arc::new(samples::frozen(plan, lamp, card, placement));
    let records = scene.frozen.itinerary.actions.iter();
    let firsts = records.filter_map(|action| match &action.what {
        What::Record(recording) => {
            let key = action.key.as_ref().expect("a key").visit;
            Some((key, recording.spectra.as_ref().expect("spectra").first))
        }
        _ => None,
    });
    // 100,000 readings of the light and as many numbers for spectra, then the next.
    assert_eq!(
        firsts.collect::<Vec<_>>(),
        [(1, 100_001), (200_001, 300_001)]
    );
    assert_eq!(scene.sit(Nobody).await, Sat::Ended(End::Complete));
    let all = measures(&whole(&scene));
    assert_eq!(all.len(), 2);
    let doses: Vec<f64> = all
        .iter()
        .map(|one| value(one, "melanopic_der_of_dose"))
        .collect();
    assert!((doses[0] / doses[1] - 1.0).abs() < 0.005, "{doses:?}");
    let spectra = scene.paper.events().into_iter().filter(|event| {
        matches!(&event.body, Body::Captured { capture, .. } if capture.quantity == Quantity::Spectrum)
    });
    assert!(spectra.count() > 2 * SPECTRA);
}
