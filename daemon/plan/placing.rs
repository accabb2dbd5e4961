//! From what a person says of a placement to the placement: names checked, the
//! datum reckoned. Pure.

use std::collections::BTreeMap;

use photometry::units::{Length, Wall};

use super::card::{Card, PlaceKind, Rail};
use super::intent::Plan;
use super::lamp::{Lamp, Starts, Worked};
use super::parts::{self, Side};
use super::placement::{Placement, Seated, Stated};

/// What a person says.
#[derive(Clone, Debug)]
pub struct Request {
    /// The unit.
    pub unit: String,
    /// The place, unless it is clear.
    pub place: Option<String>,
    /// The firmware revision.
    pub firmware: Option<String>,
    /// The gauge block, as written.
    pub gauge: Option<String>,
    /// The carriage's coordinate while it was used, as written.
    pub carriage_at: Option<String>,
    /// Finger by button.
    pub fingers: BTreeMap<String, String>,
    /// Who placed it.
    pub who: String,
    /// When.
    pub since: Wall,
    /// What that person states: words by item, as written.
    pub stated: BTreeMap<String, String>,
}

/// The longest name of a unit, person or firmware, and the longest statement, in
/// characters.
const NAME_CHARS_AT_MOST: usize = 64;

/// The placement.
///
/// # Errors
/// Every mistake of the request, in words.
pub fn placement(request: &Request, lamp: &Lamp, card: &Card) -> Result<Placement, Vec<String>> {
    let mut mistakes = Vec::new();
    for (what, text) in [
        ("unit", Some(&request.unit)),
        ("name of who places it", Some(&request.who)),
        ("firmware", request.firmware.as_ref()),
    ] {
        let Some(text) = text else { continue };
        mistakes.extend(not_plain(what, text));
    }
    let place = place_of(request, card).map_err(|m| mistakes.push(m)).ok();
    let seated = seated(request, lamp, card, &mut mistakes);
    let rail = card.rail.as_ref();
    // Where it stands off the rail's axis there is nothing to measure from.
    let on_rail = rail.filter(|rail| place.as_ref().is_none_or(|place| *place == rail.place));
    let datum = datum(request, on_rail, card, &mut mistakes);
    let stated = stated(&request.stated, &mut mistakes);
    match (place, datum) {
        (Some(place), Some((datum, datum_uncertainty, gauge))) if mistakes.is_empty() => {
            Ok(Placement {
                unit: request.unit.clone(),
                lamp: lamp.name.clone(),
                firmware: request.firmware.clone(),
                bench: card.name.clone(),
                place,
                datum,
                datum_uncertainty,
                gauge,
                fingers: seated,
                who: request.who.clone(),
                since: request.since,
                stated,
            })
        }
        _ => Err(mistakes),
    }
}

/// Why words are not fit to be kept and printed; none when they are.
fn not_plain(what: &str, text: &str) -> Option<String> {
    let odd = text.trim().is_empty()
        || text.chars().count() > NAME_CHARS_AT_MOST
        || text.chars().any(char::is_control);
    odd.then(|| format!("the {what} must be 1 to {NAME_CHARS_AT_MOST} plain characters"))
}

/// What is stated, by items that a report has.
fn stated(
    written: &BTreeMap<String, String>,
    mistakes: &mut Vec<String>,
) -> BTreeMap<Stated, String> {
    let mut stated = BTreeMap::new();
    for (item, text) in written {
        let Some(known) = Stated::ALL.into_iter().find(|known| known.word() == item) else {
            let near = written::nearest(item, Stated::ALL.into_iter().map(Stated::word));
            let meant = near.map_or(String::new(), |near| format!("; did you mean `{near}`?"));
            let all = Stated::ALL.map(Stated::word).join(", ");
            mistakes.push(format!(
                "`{item}` is nothing that a report states ({all}){meant}"
            ));
            continue;
        };
        match not_plain(known.words(), text) {
            Some(mistake) => mistakes.push(mistake),
            None => {
                stated.insert(known, text.trim().to_owned());
            }
        }
    }
    stated
}

/// Where a unit would stand by the bench file alone: for checks, and for runs
/// that are booked before the unit is placed.
pub fn nominal(unit: &str, lamp: &Lamp, card: &Card) -> Placement {
    let fingers = match (&lamp.worked, &card.fingers) {
        (_, Some(board)) => all_buttons(lamp)
            .into_iter()
            .zip(&board.channels)
            .map(|(button, finger)| Seated {
                button,
                finger: finger.name.clone(),
            })
            .collect(),
        _ => Vec::new(),
    };
    let rail = card.rail.as_ref();
    Placement {
        unit: unit.to_owned(),
        lamp: lamp.name.clone(),
        firmware: None,
        bench: card.name.clone(),
        place: rail.map_or_else(String::new, |rail| rail.place.clone()),
        datum: rail.map_or(Length::ZERO, |rail| rail.datum_at),
        datum_uncertainty: rail.map_or(Length::ZERO, |rail| rail.datum_uncertainty),
        gauge: None,
        fingers,
        who: "nobody yet".to_owned(),
        since: Wall::default(),
        stated: BTreeMap::new(),
    }
}

/// The same for a plan: in the sphere where all of it is measured there.
pub fn nominal_for(plan: &Plan, unit: &str, lamp: &Lamp, card: &Card) -> Placement {
    let side = parts::only(plan).unwrap_or(Side::Outside);
    nominal_on(side, unit, lamp, card)
}

/// The same on one side of a bench; outside where it has no sphere.
pub fn nominal_on(side: Side, unit: &str, lamp: &Lamp, card: &Card) -> Placement {
    let placement = nominal(unit, lamp, card);
    match card.sphere.as_ref().filter(|_| side == Side::Sphere) {
        Some(sphere) => Placement {
            place: sphere.place.clone(),
            datum: Length::ZERO,
            datum_uncertainty: Length::ZERO,
            ..placement
        },
        None => placement,
    }
}

fn place_of(request: &Request, card: &Card) -> Result<String, String> {
    let names = || {
        card.places
            .iter()
            .map(|p| p.name.as_str())
            .collect::<Vec<_>>()
            .join(", ")
    };
    if let Some(place) = &request.place {
        if card.places.iter().any(|known| known.name == *place) {
            return Ok(place.clone());
        }
        let near = written::nearest(place, card.places.iter().map(|p| p.name.as_str()));
        return Err(match near {
            Some(near) => format!(
                "bench `{}` has no place `{place}`; did you mean `{near}`?",
                card.name
            ),
            None => format!(
                "bench `{}` has no place `{place}`; it has {}",
                card.name,
                names()
            ),
        });
    }
    if let Some(rail) = &card.rail {
        return Ok(rail.place.clone());
    }
    match card.places.as_slice() {
        [only] => Ok(only.name.clone()),
        _ => Err(format!("name the place with --place: {}", names())),
    }
}

/// The lamp's buttons that must have a finger.
fn buttons_of(lamp: &Lamp) -> Vec<String> {
    match &lamp.worked {
        Worked::Buttons(buttons) => buttons.needed().cloned().collect(),
        Worked::ByHand | Worked::Direct | Worked::Mains => Vec::new(),
    }
}

/// The buttons that a finger may sit on: those that must, and those that start
/// programs.
fn all_buttons(lamp: &Lamp) -> Vec<String> {
    let mut buttons = buttons_of(lamp);
    for program in &lamp.programs {
        if let Starts::Button(button) = &program.starts
            && !buttons.contains(button)
        {
            buttons.push(button.clone());
        }
    }
    buttons
}

fn seated(request: &Request, lamp: &Lamp, card: &Card, mistakes: &mut Vec<String>) -> Vec<Seated> {
    let buttons = all_buttons(lamp);
    let channels = card
        .fingers
        .as_ref()
        .map(|f| f.channels.as_slice())
        .unwrap_or_default();
    let mut seated = Vec::new();
    for (button, finger) in &request.fingers {
        if !buttons.contains(button) {
            let hint = match written::nearest(button, buttons.iter().map(String::as_str)) {
                Some(near) => format!("did you mean `{near}`?"),
                None if buttons.is_empty() => "it is not worked by buttons".to_owned(),
                None => format!("it has {}", buttons.join(", ")),
            };
            mistakes.push(format!(
                "the lamp `{}` has no button `{button}`; {hint}",
                lamp.name
            ));
        }
        if !channels.iter().any(|known| known.name == *finger) {
            let names = || channels.iter().map(|f| f.name.as_str());
            let hint = match written::nearest(finger, names()) {
                Some(near) => format!("did you mean `{near}`?"),
                None if channels.is_empty() => "it has none".to_owned(),
                None => format!("it has {}", names().collect::<Vec<_>>().join(", ")),
            };
            mistakes.push(format!(
                "bench `{}` has no finger `{finger}`; {hint}",
                card.name
            ));
        }
        if let Some(other) = seated
            .iter()
            .find(|other: &&Seated| other.finger == *finger)
        {
            mistakes.push(format!(
                "the finger `{finger}` cannot sit on two buttons, `{}` and `{button}`",
                other.button
            ));
        }
        seated.push(Seated {
            button: button.clone(),
            finger: finger.clone(),
        });
    }
    let needed = buttons_of(lamp);
    let bare: Vec<&String> = needed
        .iter()
        .filter(|button| !request.fingers.contains_key(*button))
        .collect();
    if let Some(first) = bare.first() {
        let all = bare
            .iter()
            .map(|button| format!("`{button}`"))
            .collect::<Vec<_>>()
            .join(", ");
        let hint = if channels.is_empty() {
            "the bench has no fingers; write `worked: by hand` in the lamp file".to_owned()
        } else {
            format!("say which finger sits there: --fingers {first}=FINGER,...")
        };
        mistakes.push(format!("no finger sits on {all}; {hint}"));
    }
    seated
}

/// Datum, its standard uncertainty, and the gauge block.
fn datum(
    request: &Request,
    rail: Option<&Rail>,
    card: &Card,
    mistakes: &mut Vec<String>,
) -> Option<(Length, Length, Option<Length>)> {
    let mut length = |what: &str, text: &Option<String>| -> Option<Option<Length>> {
        match text.as_deref().map(Length::parse) {
            None => Some(None),
            Some(Ok(length)) => Some(Some(length)),
            Some(Err(error)) => {
                mistakes.push(format!("{what}: {error}"));
                None
            }
        }
    };
    let gauge = length("--gauge", &request.gauge);
    let carriage_at = length("--carriage-at", &request.carriage_at);
    let (gauge, carriage_at) = (gauge?, carriage_at?);
    let Some(rail) = rail else {
        if gauge.is_some() {
            let why = match card.rail {
                Some(_) => "and this unit stands elsewhere",
                None => "and this bench has none",
            };
            mistakes.push(format!("a gauge block is of use only on a rail, {why}"));
        }
        return Some((Length::ZERO, Length::ZERO, None));
    };
    let Some(gauge) = gauge else {
        return Some((rail.datum_at, rail.datum_uncertainty, None));
    };
    let at = carriage_at.unwrap_or(rail.gauge_at);
    if !rail.reaches(at) {
        mistakes.push(format!(
            "the carriage cannot stand at {at}: the rail goes from {} to {}",
            rail.travel_from, rail.travel_to
        ));
        return None;
    }
    if gauge <= Length::ZERO {
        mistakes.push(format!("a gauge block of {gauge} is none"));
        return None;
    }
    let axis = card
        .places
        .iter()
        .any(|p| p.name == rail.place && p.kind == PlaceKind::Axis);
    let riding = card.meters.iter().find(|meter| meter.place == rail.place);
    let plane = riding
        .filter(|_| axis)
        .map_or(Length::ZERO, |meter| meter.plane);
    Some((
        rail.datum_for(gauge, at, plane),
        rail.gauge_uncertainty,
        Some(gauge),
    ))
}
