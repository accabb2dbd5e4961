//! A lamp file as written becomes a lamp model. At most ten lines for a simple
//! lamp.

use photometry::units::Span;
use written::{Fields, Kind, Mistake, Mistakes, Node, readers};

use super::file;
use super::lamp::{Buttons, Datum, Descent, HOLD, Lamp, Mode, ONLY_MODE, SwitchOff, Worked, Wraps};
use super::lamp_programs;
use super::mains;

/// Most levels of one mode.
const LEVELS_AT_MOST: i64 = 1000;

/// Reads a lamp file.
pub fn lamp(root: Node<'_>, mistakes: &mut Mistakes) -> Option<Lamp> {
    let mut fields = Fields::of(root, "the lamp file", mistakes)?;
    let name = fields.need("lamp", readers::name);
    file::format(&mut fields);
    let levels = fields.may("levels", readers::integer_in(1..=LEVELS_AT_MOST));
    let modes = fields.may("modes", modes);
    let worked = fields.need_like("worked", "by hand", worked);
    let face = fields.need_like("face", "180 mm", file::length);
    let datum = fields.may_or("datum", datum, Datum::FrontFace);
    let off = fields.need_like("off", "by hand", off);
    let cap = fields.may_or("warm-up-cap", file::span, Span::from_mins(150));
    let maximum_on = fields.need_like("maximum-on-time", "12 h", file::span);
    let programs = fields.may_or("programs", lamp_programs::programs, Vec::new());
    let loses_clock = fields.may_or("loses-clock", readers::boolean, false);
    let surface_m2 = fields.may("surface", file::surface);
    let modes = match (levels, modes) {
        (Some(levels), None) => Some(vec![Mode {
            name: ONLY_MODE.to_owned(),
            levels: levels as u16,
        }]),
        (None, Some(modes)) => Some(modes),
        (Some(_), Some(_)) => {
            let text = "levels are given twice: `levels` and `modes`";
            fields.mistakes().add(
                Mistake::new(root.place(), "levels-twice", text).hint(
                    "write `levels: 12` for one mode, `modes: {warm: 4, cool: 4}` for several",
                ),
            );
            None
        }
        (None, None) => {
            if root.get("levels").is_none() && root.get("modes").is_none() {
                let text = "the lamp has neither `levels` nor `modes`";
                fields.mistakes().add(
                    Mistake::new(root.place(), "missing-key", text)
                        .hint("write `levels: 12`, or `modes: {warm: 4, cool: 4}`"),
                );
            }
            None
        }
    };
    fields.finish();
    let lamp = Lamp {
        name: name?,
        modes: modes?,
        worked: worked?,
        face: face?,
        datum,
        off: off?,
        warm_up_cap: cap,
        maximum_on: maximum_on?,
        programs,
        loses_clock,
        surface_m2,
    };
    power_fits(root, &lamp, mistakes);
    can_go_round(root, &lamp, mistakes);
    mains::fits(root, &lamp, mistakes);
    leaves_time(root, &lamp, mistakes);
    Some(lamp)
}

/// A lamp that warms up for as long as it may be on is never measured.
fn leaves_time(root: Node<'_>, lamp: &Lamp, mistakes: &mut Mistakes) {
    if lamp.warm_up_cap >= lamp.maximum_on {
        let place = root
            .get("maximum-on-time")
            .map_or_else(|| root.place(), Node::place);
        let text = format!(
            "the lamp may be on for {}, and its warm-up may take {} of that",
            lamp.maximum_on, lamp.warm_up_cap
        );
        mistakes.add(
            Mistake::new(place, "no-time-left", text)
                .hint("lower `warm-up-cap`, or raise `maximum-on-time` if its maker allows it"),
        );
    }
}

fn modes(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<Mode>> {
    if node.kind() != Kind::Map {
        mistakes.add(
            readers::must_be(node, "modes with their levels").hint("write `{warm: 4, cool: 4}`"),
        );
        return None;
    }
    let found: Vec<Option<Mode>> = node
        .entries()
        .map(|(key, value)| {
            let name = readers::name(key, mistakes)?;
            let levels = readers::integer_in(1..=LEVELS_AT_MOST)(value, mistakes)?;
            Some(Mode {
                name,
                levels: levels as u16,
            })
        })
        .collect();
    let modes: Vec<Mode> = found.into_iter().collect::<Option<_>>()?;
    if modes.is_empty() {
        mistakes.add(Mistake::new(node.place(), "empty", "the lamp has no mode"));
        return None;
    }
    // Its levels are called by their numbers alone, in keys and in plans.
    let only = node
        .entries()
        .find(|(key, _)| key.text() == Some(ONLY_MODE));
    if let Some((key, _)) = only.filter(|_| modes.len() > 1) {
        let text = format!("a mode beside others cannot be named `{ONLY_MODE}`");
        mistakes.add(
            Mistake::new(key.place(), "mode-name", text)
                .hint("name it after its light, such as `warm`"),
        );
        return None;
    }
    Some(modes)
}

fn datum(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Datum> {
    let words = [
        ("front face", Datum::FrontFace),
        ("axis", Datum::Axis),
        ("centre", Datum::Centre),
    ];
    readers::one_of(&words)(node, mistakes)
}

fn off(node: Node<'_>, mistakes: &mut Mistakes) -> Option<SwitchOff> {
    let words = [
        ("power", SwitchOff::Power),
        ("by hand", SwitchOff::ByHand),
        ("cannot", SwitchOff::Cannot),
        ("mains", SwitchOff::Mains),
    ];
    readers::one_of(&words)(node, mistakes)
}

fn worked(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Worked> {
    if node.kind() != Kind::Map {
        let words = [
            ("by hand", Worked::ByHand),
            ("direct", Worked::Direct),
            ("mains", Worked::Mains),
        ];
        return readers::one_of(&words)(node, mistakes);
    }
    let mut fields = Fields::of(node, "worked", mistakes)?;
    let up = fields.need_like("up", "brighter", readers::name);
    let down = fields.may("down", readers::name);
    let wraps = fields.may("wraps", wraps);
    let power = fields.may("power", readers::name);
    let mode = fields.may("mode", readers::name);
    if mode.is_some() {
        let place = node.get("mode").map_or(node.place(), Node::place);
        fields.mistakes().add(
            Mistake::warning(
                place,
                "mode-by-hand",
                "the mode button is not pressed: a meter cannot tell one white from another",
            )
            .hint("a person is asked to change the mode"),
        );
    }
    let named: Vec<&String> = [&up, &down, &power].into_iter().flatten().collect();
    let twice = |name: &&String| named.iter().filter(|other| *other == name).count() > 1;
    if named.iter().any(twice) {
        let text = "two of the lamp's buttons have the same name";
        fields
            .mistakes()
            .add(Mistake::new(node.place(), "same-button", text));
    }
    let descent = descent(node, (down, wraps), fields.mistakes());
    let hold = fields.may_or("hold", press_hold, HOLD);
    let rest = fields.may_or("rest", file::span, Span::from_ms(300));
    let follows = fields.may_or("follows", file::span, Span::from_ms(600));
    fields.finish();
    Some(Worked::Buttons(Buttons {
        up: up?,
        descent: descent?,
        power,
        mode,
        hold,
        rest,
        follows,
    }))
}

fn wraps(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Wraps> {
    let words = [("lowest", Wraps::ToLowest), ("off", Wraps::ToOff)];
    readers::one_of(&words)(node, mistakes)
}

/// A lamp gets darker by a button, or past its highest level, not by both. What
/// was written wrong is told already.
fn descent(
    node: Node<'_>,
    (down, wraps): (Option<String>, Option<Wraps>),
    mistakes: &mut Mistakes,
) -> Option<Descent> {
    let hint = "write `down: dimmer` for a button that dims, or `wraps: lowest` or `wraps: off` \
                for a lamp of one button, by what follows its highest level";
    let mut add = |code, text| mistakes.add(Mistake::new(node.place(), code, text).hint(hint));
    match (down, wraps) {
        (Some(down), None) => Some(Descent::Button { down }),
        (None, Some(wraps)) => Some(Descent::Wraps { wraps }),
        (Some(_), Some(_)) => {
            add(
                "down-and-wraps",
                "a lamp with a button that dims does not go round",
            );
            None
        }
        (None, None) => {
            if node.get("down").is_none() && node.get("wraps").is_none() {
                add("missing-key", "worked says neither `down` nor `wraps`");
            }
            None
        }
    }
}

/// A press must be felt by the lamp and must not turn into a long one; the
/// relay board's own cap is 2 s.
fn press_hold(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Span> {
    let reader = readers::checked(file::span, |hold: &Span| {
        if *hold <= Span::from_secs(2) {
            Ok(())
        } else {
            Err(format!("a press of {hold} is too long; at most 2 s"))
        }
    });
    reader(node, mistakes)
}

/// One level goes round through off alone.
fn can_go_round(root: Node<'_>, lamp: &Lamp, mistakes: &mut Mistakes) {
    let Worked::Buttons(buttons) = &lamp.worked else {
        return;
    };
    let single = lamp.modes.iter().any(|mode| mode.levels == 1);
    if single && buttons.wraps() == Some(Wraps::ToLowest) {
        let worked = root.get("worked");
        let wraps = worked.and_then(|node| node.get("wraps"));
        let place = wraps.map_or_else(|| root.place(), Node::place);
        let text = "a mode of one level has no lowest level to go round to";
        mistakes.add(
            Mistake::new(place, "one-level-round", text)
                .hint("write `wraps: off` if its button switches it on and off"),
        );
    }
}

/// A lamp that is switched off by its power button must have one.
fn power_fits(root: Node<'_>, lamp: &Lamp, mistakes: &mut Mistakes) {
    if lamp.off != SwitchOff::Power {
        return;
    }
    let has = match &lamp.worked {
        Worked::Buttons(buttons) => buttons.power.is_some() || buttons.goes_off_round(),
        // That of one that is worked by its mains is told by `mains`.
        Worked::Direct | Worked::Mains => true,
        Worked::ByHand => false,
    };
    if !has {
        let place = root.get("off").map_or_else(|| root.place(), Node::place);
        mistakes.add(
            Mistake::new(
                place,
                "no-power-button",
                "the lamp has no power button to switch it off",
            )
            .hint("name it: `worked: {up: ..., down: ..., power: power}`, or write `off: by hand`"),
        );
    }
}
