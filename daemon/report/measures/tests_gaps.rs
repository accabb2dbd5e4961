//! What spectra, waveforms and programs say where something is missing, flagged or
//! out of range: what is not known is withheld with its reason, and is never zero.

use photometry::figure::Given;
use photometry::measured::{Axis, Capture, CaptureOutcome, NumberForm, Outcome, Packing, Quantity};
use photometry::units::{Ratio, Span};

use super::{Measure, measures};
use crate::attendant::tests_kinds::{dawn, laboratory, placement, plover, spectra, waveforms};
use crate::plan::intent::TestKind;
use crate::plan::itinerary::{Begins, Key, Purpose, Recording, Sampling, What};
use crate::plan::samples;
use crate::run::journal::{Body, Decision, DriftVerdict, Event, Facts, Link};
use crate::store::readings::Whole;
use crate::store::samples::{Story, captures_of};
use drivers::simulated::world::WorldSpec;

/// What is other than in a sound night.
#[derive(Clone, Debug)]
enum Change {
    Nothing,
    /// Captures for this with these numbers, at the first setting.
    Captures(Purpose, &'static [u32], CaptureOutcome),
    /// Darks that were integrated for another time.
    OtherIntegration,
    /// The light drifted too far to the end.
    Drift(Option<Ratio>, DriftVerdict),
    /// Readings of a recording from one second of the program to another.
    Samples(i64, i64, Outcome),
    /// Readings with the lamp off.
    Off(Outcome),
    /// The program was never started.
    NotBegun,
}

/// Numbers as they lie in an answer.
fn capture(story: &Story, quantity: Quantity, axis: Axis, values: &[f64]) -> Capture {
    let bytes = |values: &[f64]| values.iter().flat_map(|v| v.to_be_bytes()).collect();
    let count = values.len() as u32;
    let packing = Some(Packing {
        form: NumberForm::F64,
        high_first: true,
        from: 0,
        count,
        times: 1.0,
    });
    let nm: Vec<f64> = (0..values.len()).map(|n| 380.0 + 5.0 * n as f64).collect();
    let is_spectrum = axis == Axis::Wavelengths;
    Capture {
        meter: if is_spectrum { "array" } else { "fast-head" }.to_owned(),
        quantity,
        outcome: CaptureOutcome::Numbers(count),
        axis,
        integration: is_spectrum.then(|| Span::from_ms(50)),
        fill: None,
        top: None,
        filter_hz: None,
        flags: Vec::new(),
        packing,
        axis_packing: packing.filter(|_| is_spectrum),
        asked: story.now(),
        taken: story.now(),
        raw: bytes(values),
        axis_raw: if is_spectrum { bytes(&nm) } else { Vec::new() },
    }
}

/// A warm white hump over 380 to 780 nm, brighter at the higher level.
fn spectrum(key: &Key) -> Vec<f64> {
    let lit = match (key.purpose, key.setting.as_str()) {
        (Purpose::Dark, _) => 0.0,
        (_, "L10") => 1e-3,
        _ => 4e-4,
    };
    let hump = |n: i32| (-((380.0 + 5.0 * f64::from(n) - 600.0) / 90.0).powi(2)).exp();
    let wobble = 1.0 + 1e-4 * f64::from(key.visit);
    (0..81).map(|n| lit * wobble * hump(n) + 1e-6).collect()
}

/// Light of 100 Hz, a fifth deep.
fn waveform(key: &Key, sampling: Sampling) -> Vec<f64> {
    let step = sampling.step.secs();
    let lit = match key.purpose {
        Purpose::Dark => 0.0,
        _ => 1.0,
    };
    let at =
        |n: u32| lit * (1.0 + 0.2 * (std::f64::consts::TAU * 100.0 * f64::from(n) * step).sin());
    (0..sampling.count).map(|n| at(n) + 0.001).collect()
}

/// A square law to 100 lx in 30 min that stays, over 0.02 lx of the room.
fn dawn_lx(seconds: i64) -> f64 {
    let part = (seconds as f64 / 1800.0).clamp(0.0, 1.0);
    0.02 + 0.001 * (seconds.rem_euclid(3) - 1) as f64 + 100.0 * part * part
}

fn begun(kind: TestKind) -> Story {
    let (model, lamp) = plover();
    let world = WorldSpec {
        lamp: model,
        ..WorldSpec::new(1)
    };
    let mut plan = samples::plan(samples::survey(&[24]));
    plan.tests[0].name = kind.name().word().to_owned();
    plan.tests[0].kind = kind;
    let frozen = samples::frozen(plan, lamp, laboratory(&world), placement(&world));
    Story::begin(frozen)
}

fn captured(story: &mut Story, no: u32, key: &Key, sampling: Option<Sampling>, change: &Change) {
    let mut made = match sampling {
        None => capture(story, Quantity::Spectrum, Axis::Wavelengths, &spectrum(key)),
        Some(sampling) => {
            let axis = Axis::Seconds(sampling.step.secs());
            capture(story, Quantity::Waveform, axis, &waveform(key, sampling))
        }
    };
    match change {
        Change::Captures(purpose, visits, outcome)
            if *purpose == key.purpose
                && visits.contains(&key.visit)
                && ["L10", "dark"].contains(&key.setting.as_str()) =>
        {
            made.outcome = outcome.clone();
        }
        Change::OtherIntegration if key.purpose == Purpose::Dark => {
            made.integration = Some(Span::from_ms(60));
        }
        _ => {}
    }
    story.tell(Some(no.into()), Body::captured(key.clone(), made));
}

fn recorded(story: &mut Story, no: u32, key: &Key, recording: &Recording, change: &Change) {
    let lead = recording.lead.ns() / Span::from_secs(1).ns();
    let every = recording.every.ns() / Span::from_secs(1).ns();
    let (begin, program) = (story.seconds, recording.begins.as_ref());
    for nth in 0..recording.readings() {
        let after = i64::from(nth) * every - lead;
        story.seconds = begin + i64::from(nth) * every;
        if after == 0
            && let Some(Begins { program, .. }) = program
            && !matches!(change, Change::NotBegun)
        {
            let decision = Decision::Began {
                program: program.clone(),
                at: story.now(),
                by: "button".to_owned(),
            };
            story.tell(Some(no.into()), Body::Decided { decision });
        }
        let outcome = match change {
            Change::Samples(from, to, outcome) if (*from..*to).contains(&after) => outcome.clone(),
            _ => Outcome::Value(dawn_lx(after)),
        };
        let visit = key.visit + nth;
        story.taken(
            no.into(),
            Key {
                visit,
                ..key.clone()
            },
            outcome,
        );
    }
}

/// Every action of a test, with a change.
fn told(kind: TestKind, change: &Change) -> Vec<Measure> {
    let mut story = begun(kind);
    for action in story.frozen.itinerary.actions.clone() {
        let (no, key) = (action.no, action.key);
        let doing = "as planned".to_owned();
        story.seconds += 1;
        story.tell(Some(no.into()), Body::Started { doing });
        match (action.what, key) {
            (What::Capture { sampling, .. }, Some(key)) => {
                captured(&mut story, no, &key, sampling, change);
                continue;
            }
            (What::Read { .. }, Some(key)) => {
                let outcome = match change {
                    Change::Off(outcome) if key.purpose == Purpose::Ambient => outcome.clone(),
                    _ if key.purpose == Purpose::Ambient => Outcome::Value(dawn_lx(-1)),
                    _ => Outcome::Value(50.0),
                };
                story.taken(no.into(), key, outcome);
                continue;
            }
            (What::Record(recording), Some(key)) => {
                recorded(&mut story, no, &key, &recording, change);
            }
            (What::CheckDrift { leg, .. }, _) if action.setting == "L10" => {
                if let Change::Drift(drift, verdict) = change {
                    let decision = Decision::Drift {
                        leg,
                        drift: *drift,
                        verdict: *verdict,
                    };
                    story.tell(Some(no.into()), Body::Decided { decision });
                }
            }
            _ => {}
        }
        let facts = Facts::default();
        story.tell(Some(no.into()), Body::Done { facts });
    }
    let events: Vec<Event> = story.events.clone();
    measures(&Whole {
        bundle: Link::of_bundle(b"any"),
        readings: story.rows(),
        captures: captures_of(&story.frozen, &events),
        events,
        frozen: story.frozen,
    })
}

/// How many figures have a value, why others have none, and the notes that a sound
/// night has not; none is zero that is not zero there.
fn shown(name: &str, sound: &[Measure], found: &[Measure]) -> String {
    let mut text = format!("{name}\n");
    for (sound, found) in sound.iter().zip(found) {
        let mut why: Vec<&str> = Vec::new();
        let mut values = 0;
        for figure in &found.figures {
            match (&figure.given, figure.value()) {
                (Given::Withheld(reason), _) => why.push(reason),
                (_, value) => {
                    values += 1;
                    let same = sound.figures.iter().find(|one| one.name == figure.name);
                    let was = same.and_then(|one| one.value());
                    assert!(value != Some(0.0) || was == Some(0.0), "{name}: {figure:?}");
                }
            }
        }
        let usual: Vec<&str> = sound
            .figures
            .iter()
            .filter_map(|one| match &one.given {
                Given::Withheld(reason) => Some(reason.as_str()),
                _ => None,
            })
            .collect();
        why.retain(|reason| !usual.contains(reason));
        why.dedup();
        let unfinished = if found.unfinished { ", unfinished" } else { "" };
        text.push_str(&format!("  {}: {values} figures{unfinished}\n", found.of));
        let notes = found
            .notes
            .iter()
            .filter(|note| !sound.notes.contains(note));
        for line in why.into_iter().chain(notes.map(String::as_str)) {
            text.push_str(&format!("    {line}\n"));
        }
    }
    assert_eq!(sound.len(), found.len(), "{name}");
    text
}

fn all(kind: fn() -> TestKind, cases: &[(&str, Change)]) -> String {
    let sound = told(kind(), &Change::Nothing);
    let told = cases
        .iter()
        .map(|(name, change)| shown(name, &sound, &told(kind(), change)));
    let told: Vec<String> = told.collect();
    told.join("")
}

#[test]
fn spectra_that_lack_something() {
    let many = |visits, outcome| Change::Captures(Purpose::Read, visits, outcome);
    let bright = || CaptureOutcome::Saturated(81);
    let silent = || CaptureOutcome::TimedOut;
    let cases = [
        ("sound", Change::Nothing),
        ("one too bright", many(&[1], bright())),
        ("all too bright", many(&[1, 2], bright())),
        ("one not there", many(&[2], silent())),
        (
            "none there",
            many(&[1, 2], CaptureOutcome::Rejected("noise".to_owned())),
        ),
        ("no dark", Change::Captures(Purpose::Dark, &[1], silent())),
        ("a dark of another integration", Change::OtherIntegration),
        (
            "drifted",
            Change::Drift(Some(Ratio::new(0.03)), DriftVerdict::Flagged),
        ),
        (
            "given up",
            Change::Drift(Some(Ratio::new(0.12)), DriftVerdict::GivenUp),
        ),
        (
            "drift not known",
            Change::Drift(None, DriftVerdict::NotKnown),
        ),
    ];
    insta::assert_snapshot!(all(spectra, &cases));
}

#[test]
fn waveforms_that_lack_something() {
    let of = |purpose, outcome| Change::Captures(purpose, &[1], outcome);
    let bright = || CaptureOutcome::Saturated(10_000);
    let silent = || CaptureOutcome::TimedOut;
    let cases = [
        ("sound", Change::Nothing),
        ("too bright", of(Purpose::Read, bright())),
        ("not there", of(Purpose::Read, silent())),
        ("no second rate", of(Purpose::OtherRate, silent())),
        ("the second too bright", of(Purpose::OtherRate, bright())),
        ("no dark", of(Purpose::Dark, silent())),
        (
            "drifted",
            Change::Drift(Some(Ratio::new(0.03)), DriftVerdict::Flagged),
        ),
    ];
    insta::assert_snapshot!(all(waveforms, &cases));
}

#[test]
fn dawns_that_lack_something() {
    let over = || Outcome::Over(100.0);
    let under = || Outcome::Under(0.01);
    let cases = [
        ("sound", Change::Nothing),
        ("over at its end", Change::Samples(1_700, 1_750, over())),
        ("over on its plateau", Change::Samples(1_790, 9_000, over())),
        ("under at its beginning", Change::Samples(-200, 20, under())),
        (
            "a gap of two minutes",
            Change::Samples(600, 720, Outcome::TimedOut),
        ),
        (
            "no plateau",
            Change::Samples(1_790, 1_930, Outcome::TimedOut),
        ),
        ("no dark", Change::Off(under())),
        ("never began", Change::NotBegun),
    ];
    insta::assert_snapshot!(all(dawn, &cases));
}
