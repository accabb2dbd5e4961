//! A lamp whose only control is its mains: an outlet of the bench lights it and
//! darkens it. What its file must say, what the bench must have, how long it takes.
//!
//! ```text
//!  lit       outlet open for 10 s at least · closed · the light rises and stands
//!  dark      outlet open · the light is gone    (tried first, where nobody saw its light)
//! ```
//!
//! A relay can only light or darken, so such a lamp has one mode and one level, no
//! program and no standby. Called by: lamp_file, fitting, course, standby_layout,
//! attendant. Not here: the switching (`attendant::mains`).

use photometry::units::Span;
use written::{Mistake, Mistakes, Node};

use super::card::Card;
use super::faults::Problem;
use super::itinerary::Duration3;
use super::lamp::{Lamp, SwitchOff, Worked};

/// So long a lamp is without its mains before it has them again: capacitors
/// discharge, inrush limiters cool. Common practice, no source.
pub const OFF_AT_LEAST: Span = Span::from_secs(10);
/// Between two looks at a light that is to follow its outlet. Own rule, no source.
pub const FOLLOWS: Span = Span::from_secs(2);
/// Looks at most until it has: a lamp lights, or is dark, within ten seconds. Common
/// practice, no source.
pub const LOOKS_AT_MOST: u32 = 5;
/// Times that the outlet is closed before the lamp is given up.
pub const CLOSINGS_AT_MOST: u32 = 2;

/// How long it takes to light such a lamp; nothing where it is lit already.
pub const LIGHTING: Duration3 = Duration3 {
    least: Span::ZERO,
    likely: Span::from_secs(16),
    most: Span::from_mins(1),
};

/// How long it takes to darken it; the first time in a run it is tried before.
pub const DARKENING: Duration3 = Duration3 {
    least: FOLLOWS,
    likely: Span::from_secs(4),
    most: Span::from_secs(90),
};

/// What of a lamp's file does not go with how it is worked.
pub(super) fn fits(root: Node<'_>, lamp: &Lamp, mistakes: &mut Mistakes) {
    let place = |key: &str| root.get(key).map_or_else(|| root.place(), Node::place);
    let mut wrong = |key: &str, code: &'static str, text: String, hint: &str| {
        mistakes.add(Mistake::new(place(key), code, text).hint(hint.to_owned()));
    };
    match (&lamp.worked, &lamp.off) {
        (Worked::Mains, SwitchOff::Mains) => {}
        (Worked::Mains, _) => wrong(
            "off",
            "off-by-mains",
            "the lamp is lit by its mains, and is to go off otherwise".to_owned(),
            "write `off: mains`: the same outlet darkens it",
        ),
        (_, SwitchOff::Mains) => wrong(
            "off",
            "off-by-mains",
            "a lamp with another control is not switched off by its mains: nobody knows at which \
             level it comes back, or whether it does"
                .to_owned(),
            "write `off: power` or `off: by hand`; `worked: mains` if it has no other control",
        ),
        _ => {}
    }
    if lamp.worked != Worked::Mains {
        return;
    }
    let levels: u32 = lamp.modes.iter().map(|mode| u32::from(mode.levels)).sum();
    if levels != 1 {
        let key = ["levels", "modes"]
            .into_iter()
            .find(|key| root.get(key).is_some());
        let all = match lamp.modes.len() {
            1 => format!("{levels} levels"),
            modes => format!("{levels} levels in {modes} modes"),
        };
        let text = format!("the lamp has {all}, and its mains can only light or darken it");
        wrong(
            key.unwrap_or("levels"),
            "mains-levels",
            text,
            "write `levels: 1` if it has no other; else its buttons, `by hand` or `direct` under \
             `worked`",
        );
    }
    if !lamp.programs.is_empty() {
        wrong(
            "programs",
            "mains-programs",
            "a lamp that is lit and darkened by its mains runs no program: it would need them all \
             the time"
                .to_owned(),
            "leave `programs` out, or write `worked: by hand`",
        );
    }
}

/// What keeps the bench from lighting it.
pub(super) fn problems(lamp: &Lamp, card: &Card) -> Vec<Problem> {
    let lacks = match (&card.outlets, &card.lamp_outlet) {
        (None, _) => "has no outlets",
        (Some(_), None) => "does not say which outlet feeds it",
        (Some(outlets), Some(name)) if outlets.channel(name).is_none() => {
            "does not have the outlet that is to feed it"
        }
        (Some(_), Some(_)) => return Vec::new(),
    };
    vec![Problem::NoLampOutlet {
        lamp: lamp.name.clone(),
        bench: card.name.clone(),
        lacks,
    }]
}

/// The outlet that is closed at a test's beginning and stays so: that of a lamp with
/// another control. One that is worked by its mains would be lit by it.
pub(super) fn on_throughout<'a>(lamp: &Lamp, card: &'a Card) -> Option<&'a str> {
    let outlet = card.lamp_outlet.as_deref();
    outlet.filter(|_| lamp.worked != Worked::Mains)
}
