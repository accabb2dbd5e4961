//! The key `sphere` of a bench file: an integrating sphere with its reference lamp
//! and its auxiliary lamp, as written, become what the card says.
//!
//! ```yaml
//! spectrum: 2856 K                      # as a Planckian radiator
//! spectrum: {from-nm: 380, step-nm: 5, relative: [0.0433, 0.0479, ...]}
//! ```
//!
//! Called by: bench_file. Not here: what is measured in it (flux_layout).

use photometry::units::{self, Span};
use written::{Fields, Kind, Mistake, Mistakes, Node, readers};

use super::bench_file::{calibration, uncertainty};
use super::card::{AuxiliaryLamp, Card, LampSpectrum, LitBy, PlaceKind, ReferenceLamp, Sphere};
use super::file;

/// How long the reference lamp is on before it is read, unless the file says
/// otherwise. Common practice, no source.
const REFERENCE_WARM_UP: Span = Span::from_mins(10);
/// The same of the auxiliary lamp.
const AUXILIARY_WARM_UP: Span = Span::from_mins(5);
/// No lamp of a sphere needs longer.
const WARM_UP_AT_MOST: Span = Span::from_mins(240);
/// Distribution temperatures of lamps, in K.
const TEMPERATURES_K: std::ops::RangeInclusive<f64> = 1000.0..=25_000.0;
/// First wavelengths and steps of a table, in nm.
const FROM_NM: std::ops::RangeInclusive<f64> = 200.0..=400.0;
const STEP_NM: std::ops::RangeInclusive<f64> = 0.1..=20.0;
/// A table that ends below this lacks light (V(lambda) is 0.4 % of its peak there).
const TO_NM: f64 = 700.0;
/// How many values a table has, and how large one may be.
const VALUES_AT_MOST: usize = 1_000;
const VALUE_AT_MOST: f64 = 1e9;

/// Reads the sphere.
pub fn sphere(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Sphere> {
    let mut fields = Fields::of(node, "the sphere", mistakes)?;
    let place = fields.need("place", readers::name);
    let diameter = fields.need_like("diameter", "1 m", file::length);
    let reference = fields.need("reference", reference);
    let auxiliary = fields.need("auxiliary", auxiliary);
    fields.finish();
    Some(Sphere {
        place: place?,
        diameter: diameter?,
        reference: reference?,
        auxiliary: auxiliary?,
    })
}

fn reference(node: Node<'_>, mistakes: &mut Mistakes) -> Option<ReferenceLamp> {
    let mut fields = Fields::of(node, "the reference lamp", mistakes)?;
    let name = fields.need("name", readers::name);
    let flux = fields.need_like("flux", "812 lm", file::lumens);
    let uncertainty = fields.need_like("uncertainty", "{certificate: 1.2 %}", uncertainty);
    let calibration = fields.need_like(
        "calibration",
        "{certificate: K-2026-040, due: 2027-09-01}",
        calibration,
    );
    let warm_up = fields.may_or("warm-up", warm_up, REFERENCE_WARM_UP);
    let spectrum = fields.may("spectrum", spectrum);
    let lit = fields.need_like("lit", "by hand", lit);
    fields.finish();
    Some(ReferenceLamp {
        name: name?,
        flux_lm: flux?,
        uncertainty: uncertainty?,
        spectrum,
        calibration: calibration?,
        warm_up,
        lit: lit?,
    })
}

/// A lamp's relative spectral flux: a temperature, or a table.
fn spectrum(node: Node<'_>, mistakes: &mut Mistakes) -> Option<LampSpectrum> {
    if node.kind() != Kind::Map {
        let reader =
            readers::checked(
                readers::quantity(units::kelvins),
                |kelvin: &f64| match TEMPERATURES_K.contains(kelvin) {
                    true => Ok(()),
                    false => Err(format!("{kelvin} K; from 1000 K to 25000 K")),
                },
            );
        return reader(node, mistakes).map(LampSpectrum::Planckian);
    }
    let mut fields = Fields::of(node, "the spectrum", mistakes)?;
    let from = fields.need_like("from-nm", "380", readers::number_in(FROM_NM));
    let step = fields.need_like("step-nm", "5", readers::number_in(STEP_NM));
    let relative = fields.need_like(
        "relative",
        "[0.043, 0.048]",
        readers::some_of(readers::number_in(0.0..=VALUE_AT_MOST)),
    );
    fields.finish();
    let (from_nm, step_nm, relative) = (from?, step?, relative?);
    let to_nm = from_nm + step_nm * (relative.len() - 1) as f64;
    let text = if relative.len() > VALUES_AT_MOST {
        format!("{} values; at most {VALUES_AT_MOST}", relative.len())
    } else if to_nm < TO_NM {
        format!("the spectrum ends at {to_nm} nm, and must reach {TO_NM} nm")
    } else if relative.iter().all(|value| *value == 0.0) {
        "a spectrum of nothing but zeros".to_owned()
    } else {
        return Some(LampSpectrum::Table {
            from_nm,
            step_nm,
            relative,
        });
    };
    mistakes.add(Mistake::new(node.place(), "spectrum", text));
    None
}

fn auxiliary(node: Node<'_>, mistakes: &mut Mistakes) -> Option<AuxiliaryLamp> {
    let mut fields = Fields::of(node, "the auxiliary lamp", mistakes)?;
    let lit = fields.need_like("lit", "by hand", lit);
    let warm_up = fields.may_or("warm-up", warm_up, AUXILIARY_WARM_UP);
    fields.finish();
    Some(AuxiliaryLamp { lit: lit?, warm_up })
}

fn warm_up(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Span> {
    let reader = readers::checked(file::span, |span: &Span| match *span <= WARM_UP_AT_MOST {
        true => Ok(()),
        false => Err(format!("{span} is too long; at most 4 h")),
    });
    reader(node, mistakes)
}

/// An outlet's name, or `by hand`.
fn lit(node: Node<'_>, mistakes: &mut Mistakes) -> Option<LitBy> {
    match readers::name(node, mistakes)?.as_str() {
        "by hand" => Some(LitBy::ByHand),
        outlet => Some(LitBy::Outlet(outlet.to_owned())),
    }
}

/// Whether place and outlets are there, and each lamp has an outlet of its own.
pub fn fits(root: Node<'_>, card: &Card, mistakes: &mut Mistakes) {
    let (Some(sphere), Some(node)) = (&card.sphere, root.get("sphere")) else {
        return;
    };
    let of_kind = card.places.iter().find(|place| place.name == sphere.place);
    if let (Some(place), Some(at)) = (of_kind, node.get("place"))
        && place.kind != PlaceKind::Sphere
    {
        let text = format!("the place `{}` is not a sphere", sphere.place);
        let hint = format!("write `{}: sphere` under `places`", sphere.place);
        mistakes.add(Mistake::new(at.place(), "not-a-sphere", text).hint(hint));
    }
    let known: Vec<&str> = card
        .outlets
        .iter()
        .flat_map(|outlets| &outlets.channels)
        .map(|outlet| outlet.name.as_str())
        .collect();
    let mut first = None;
    for key in ["reference", "auxiliary"] {
        let at = node.get(key).and_then(|lamp| lamp.get("lit"));
        let named = at.and_then(|at| Some((at, at.text().filter(|text| *text != "by hand")?)));
        let Some((at, name)) = named else { continue };
        if !known.contains(&name) {
            let hint = match written::nearest(name, known.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None if known.is_empty() => {
                    "name the bench's `outlets`, or write `lit: by hand`".to_owned()
                }
                None => format!("the bench has {}", known.join(", ")),
            };
            let text = format!("there is no outlet `{name}`");
            mistakes.add(Mistake::new(at.place(), "unknown-name", text).hint(hint));
        }
        match &first {
            Some((other, place)) if *other == name => {
                let text = format!("the outlet `{name}` lights both lamps of the sphere");
                let mistake = Mistake::new(at.place(), "same-outlet", text);
                mistakes.add(mistake.also(written::Place::clone(place), "the first one"));
            }
            _ => first = Some((name, at.place())),
        }
    }
}
