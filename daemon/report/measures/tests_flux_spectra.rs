//! Flux by spectra whose outcome is reckoned by hand: check S02 (ours, by hand) at every
//! wavelength: 800 lm, 520/0.97 = 536.0825 lm. What lacks of them is told and leaves no
//! flux.

use photometry::figure::{Figure, Given};
use photometry::measured::{Axis, Capture, CaptureOutcome, NumberForm, Outcome, Packing, Quantity};
use photometry::temperature::planck;
use photometry::units::Span;

use super::{Curve, Measure, measures};
use crate::plan::card::{Card, LampSpectrum};
use crate::plan::intent::{SettingWord, Settings};
use crate::plan::itinerary::{Key, Purpose, What};
use crate::plan::samples;
use crate::run::journal::{Body, Facts, Link};
use crate::store::readings::Whole;
use crate::store::samples::{Story, captures_of};

/// 520/0.97 lm.
const FLUX: f64 = 536.082_474_226_804_1;
/// What the meter shows covered, at 50 ms.
const OWN_DARK: f64 = 1e-3;

fn wavelengths() -> Vec<f64> {
    (0..81).map(|n| 380.0 + 5.0 * f64::from(n)).collect()
}

/// What the chain reads of each light, in any unit.
fn chain(purpose: Purpose) -> f64 {
    match purpose {
        Purpose::StandardDark | Purpose::Dark => 0.004,
        Purpose::StandardAuxiliary => 1.504,
        Purpose::Auxiliary => 1.459,
        Purpose::Standard => 2.504,
        _ => 1.629,
    }
}

/// A capture, its numbers by wavelength.
fn capture(story: &Story, light: impl Fn(f64) -> f64) -> Capture {
    let bytes = |values: Vec<f64>| values.into_iter().flat_map(f64::to_be_bytes).collect();
    let nm = wavelengths();
    let packing = Some(Packing {
        form: NumberForm::F64,
        high_first: true,
        from: 0,
        count: nm.len() as u32,
        times: 1.0,
    });
    Capture {
        meter: "port-array".to_owned(),
        quantity: Quantity::Spectrum,
        outcome: CaptureOutcome::Numbers(nm.len() as u32),
        axis: Axis::Wavelengths,
        integration: Some(Span::from_ms(50)),
        fill: Some(0.6),
        top: None,
        filter_hz: None,
        flags: Vec::new(),
        packing,
        axis_packing: packing,
        asked: story.now(),
        taken: story.now(),
        raw: bytes(nm.iter().map(|nm| light(*nm)).collect()),
        axis_raw: bytes(nm),
    }
}

/// A night in the sphere of which `change` alters what is captured: none for a meter
/// that was silent.
pub(crate) fn told(
    on_bench: impl Fn(&mut Card),
    light: impl Fn(&Key, f64) -> f64,
    change: impl Fn(&Key, Capture) -> Capture,
) -> Story {
    let full = Settings::These(vec![SettingWord::Full]);
    let (mut card, placement, plan) = samples::in_sphere_with_array(full);
    on_bench(&mut card);
    let mut story = Story::begin(samples::frozen(plan, samples::lamp(2), card, placement));
    for no in 0..story.actions() {
        let action = story.frozen.itinerary.actions[no as usize].clone();
        story.seconds += 1;
        let doing = "as planned".to_owned();
        story.tell(Some(no.into()), Body::Started { doing });
        match (&action.what, action.key) {
            (What::Read { .. }, Some(key)) => {
                let value = Outcome::Value(chain(key.purpose));
                story.taken(no.into(), key, value);
            }
            (What::Capture { .. }, Some(key)) => {
                let made = capture(&story, |nm| light(&key, nm));
                let made = change(&key, made);
                story.tell(Some(no.into()), Body::captured(key, made));
            }
            _ => {
                let facts = Facts::default();
                story.tell(Some(no.into()), Body::Done { facts });
            }
        }
    }
    story
}

fn only(story: &Story) -> Measure {
    let whole = Whole {
        frozen: story.frozen.clone(),
        bundle: Link::of_bundle(b"any"),
        events: story.events.clone(),
        readings: story.rows(),
        captures: captures_of(&story.frozen, &story.events),
    };
    let mut all = measures(&whole);
    assert_eq!(all.len(), 1);
    all.remove(0)
}

/// The chain's lights, all of one colour that rises with the wavelength.
pub(crate) fn flat(key: &Key, nm: f64) -> f64 {
    match key.purpose {
        Purpose::Covered => OWN_DARK,
        purpose => chain(purpose) * nm / 555.0 + OWN_DARK,
    }
}

pub(crate) fn sound(_: &Key, capture: Capture) -> Capture {
    capture
}

fn figure<'m>(measure: &'m Measure, name: &str) -> &'m Figure {
    let mut figures = measure.figures.iter();
    let found = figures.find(|figure| figure.name.name == name);
    found.unwrap_or_else(|| panic!("no {name}"))
}

fn value(measure: &Measure, name: &str) -> f64 {
    figure(measure, name).value().expect("a number")
}

fn close(found: f64, wanted: f64, within: f64) {
    assert!((found - wanted).abs() < within, "{found} is not {wanted}");
}

#[test]
fn the_worked_chain_gives_its_flux_by_spectra_too() {
    let found = only(&told(|_| {}, flat, sound));
    assert_eq!(found.meter, "port-array");
    close(value(&found, "flux_lm"), FLUX, 1e-9);
    close(value(&found, "photometer_flux_lm"), FLUX, 1e-9);
    close(value(&found, "absorption_ratio"), 0.97, 1e-12);
    close(value(&found, "uncorrected_flux_lm"), 520.0, 1e-9);
    let Given::Estimate(flux) = &figure(&found, "flux_lm").given else {
        panic!("no estimate")
    };
    let term = |source: &str| {
        let mut terms = flux.terms.iter().filter(|term| term.source == source);
        let u = terms.next().map(|term| term.u);
        assert!(terms.next().is_none(), "{source} twice");
        u
    };
    // The reference lamp's 1.2 %, the array's 0.3 %; neither its certificate, which
    // cancels, nor the mismatch of the photometer.
    close(
        term("reference lamp, certificate").expect("a term"),
        0.012 * FLUX,
        1e-9,
    );
    close(term("linearity").expect("a term"), 0.003 * FLUX, 1e-9);
    assert_eq!(
        (term("certificate"), term("spectral mismatch")),
        (None, None)
    );
    assert!(!found.unfinished);
    // Six kinds, two lit and two covered each, are behind it beside 40 readings.
    assert_eq!(found.rests_on.len(), 6 * 4 + 40);
    // What it is made of weighs as much as it, at 683 lm/W.
    let Some(Curve::SpectralFlux(points)) = &found.curve else {
        panic!("no curve")
    };
    assert_eq!(points.len(), 81);
    insta::assert_snapshot!(found.notes.join("\n"));
}

/// A tinted wall and a reference lamp of 2856 K: the flux is that of the unit's own
/// colour where the bench file tells the lamp's, and the photometer's stays what it was.
#[test]
fn the_reference_lamps_spectrum_takes_the_wall_out() {
    let wall = |nm: f64| 1.0 + 0.2 * (nm - 555.0) / 100.0;
    let lamp = |nm: f64| planck(nm, photometry::light_units::Kelvin(2856.0));
    let unit = |nm: f64| 2.0 - nm / 555.0;
    let light = move |key: &Key, nm: f64| match key.purpose {
        Purpose::Covered => OWN_DARK,
        Purpose::Dark | Purpose::StandardDark => OWN_DARK,
        Purpose::StandardAuxiliary => wall(nm) + OWN_DARK,
        Purpose::Auxiliary => 0.9 * wall(nm) + OWN_DARK,
        Purpose::Standard => lamp(nm) * wall(nm) + OWN_DARK,
        _ => 0.9 * unit(nm) * wall(nm) + OWN_DARK,
    };
    let sum = |light: &dyn Fn(f64) -> f64| -> f64 {
        let each = wavelengths().into_iter();
        each.map(|nm| light(nm) * photometry::colour::efficacy_at(nm))
            .sum()
    };
    let truth = 800.0 * sum(&unit) / sum(&lamp);
    let of = |spectrum: Option<LampSpectrum>| {
        let night = told(
            |card| {
                let sphere = card.sphere.as_mut().expect("a sphere");
                sphere.reference.spectrum.clone_from(&spectrum);
            },
            light,
            sound,
        );
        only(&night)
    };
    let known = of(Some(LampSpectrum::Planckian(2856.0)));
    // Plain sums here, trapezoids there.
    close(value(&known, "flux_lm") / truth, 1.0, 1e-5);
    let note = "The reference lamp is taken for a Planckian radiator of 2856 K; how well that is known \
                is not in U.";
    assert!(known.notes.iter().any(|said| said == note), "{known:?}");
    let table = LampSpectrum::Table {
        from_nm: 380.0,
        step_nm: 5.0,
        relative: wavelengths().into_iter().map(lamp).collect(),
    };
    close(value(&of(Some(table)), "flux_lm") / truth, 1.0, 1e-5);
    let seen = of(None);
    let away = value(&seen, "flux_lm") / truth - 1.0;
    assert!(away.abs() > 0.005, "{away}");
    // The unit's own colour: bluer than what the wall makes of it.
    assert!(value(&known, "cct_k") > 1.01 * value(&seen, "cct_k"));
}

/// Whatever lacks is told, and never taken as nought.
#[test]
fn what_lacks_of_the_spectra_leaves_no_flux() {
    let mut all = String::new();
    let mut tell = |name: &str, change: &dyn Fn(&Key, Capture) -> Capture| {
        let found = only(&told(|_| {}, flat, change));
        all.push_str(&format!("{name}\n"));
        for name in ["flux_lm", "absorption_ratio", "photometer_flux_lm"] {
            let figure = figure(&found, name);
            let given = match &figure.given {
                Given::Withheld(why) => why.clone(),
                _ => format!("{:.4}", figure.value().expect("a number")),
            };
            all.push_str(&format!("  {name}: {given}\n"));
        }
        let notes = found.notes.iter().filter(|note| note.contains("spectr"));
        notes.for_each(|note| all.push_str(&format!("  {note}\n")));
        all.push_str(&format!("  unfinished: {}\n", found.unfinished));
        let colour = found.figures.iter().any(|one| one.name.name == "cct_k");
        all.push_str(&format!("  colour: {colour}\n"));
    };
    tell("all there", &sound);
    for (name, purpose) in [
        ("the unit", Purpose::Read),
        ("the reference lamp", Purpose::Standard),
        ("the auxiliary lamp beside the unit", Purpose::Auxiliary),
        ("nothing lit, the unit inside", Purpose::Dark),
    ] {
        let bright = |visit: Option<u32>| {
            move |key: &Key, made: Capture| match key.purpose == purpose
                && visit.is_none_or(|visit| key.visit == visit)
            {
                true => Capture {
                    outcome: CaptureOutcome::Saturated(81),
                    ..made
                },
                false => made,
            }
        };
        tell(&format!("{name}, one too bright"), &bright(Some(6)));
        tell(&format!("{name}, all too bright"), &bright(None));
    }
    tell(
        "all covered integrated for another time",
        &|key, made| match key.purpose {
            Purpose::Covered => Capture {
                integration: Some(Span::from_ms(60)),
                ..made
            },
            _ => made,
        },
    );
    tell("a reference lamp that stayed dark", &|key, mut made| {
        if key.purpose == Purpose::Standard {
            let dark = |nm: f64| 0.004 * nm / 555.0 + OWN_DARK;
            made.raw = wavelengths()
                .into_iter()
                .flat_map(|nm| dark(nm).to_be_bytes())
                .collect();
        }
        made
    });
    tell("other wavelengths in between", &|key, mut made| {
        if key.purpose == Purpose::Auxiliary {
            made.axis_raw = wavelengths()
                .into_iter()
                .flat_map(|nm| (nm + 1.0).to_be_bytes())
                .collect();
        }
        made
    });
    insta::assert_snapshot!(all);
}
