//! What looks at a lamp say of its outlet: whether the lamp lights when that is
//! closed, and is dark when it is open. Pure.
//!
//! Read by the attendant. Not here: what shines as what (lit).

use photometry::measured::Outcome;

use super::decide;
use super::lit::{is_lit, shines_as, steady};

/// What a look says of a lamp whose outlet was closed moments ago.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lighting {
    /// No more light than before.
    Dark,
    /// More, and it still changes.
    Rising,
    /// More, and it stands.
    Lit,
}

/// The same of a look `now`, of the one before it since the outlet was closed, if
/// there was one, and of the one with the outlet open.
pub fn lighting(open: &Outcome, last: Option<&Outcome>, now: &Outcome) -> Lighting {
    let rose = match (open, now) {
        (Outcome::Value(open) | Outcome::Under(open), Outcome::Value(now)) => is_lit(*open, *now),
        (Outcome::Value(_) | Outcome::Under(_), Outcome::Over(_)) => true,
        _ => false,
    };
    let stands = match (last, now) {
        (Some(Outcome::Value(last)), Outcome::Value(now)) => steady(*last, *now),
        (Some(Outcome::Over(_)), Outcome::Over(_)) => true,
        _ => false,
    };
    match (rose, stands) {
        (false, _) => Lighting::Dark,
        (true, false) => Lighting::Rising,
        (true, true) => Lighting::Lit,
    }
}

/// What is known of a lamp's light where it is watched from, in lx.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct KnownLight {
    /// With the lamp off.
    pub dark: Option<f64>,
    /// With the lamp lit.
    pub lit: Option<f64>,
}

impl KnownLight {
    /// Whether the lamp shines: there is more light than with it off, and as much as it
    /// gives. The room's may have changed meanwhile.
    pub fn shines(self, outcome: &Outcome) -> bool {
        let both = self.dark.zip(self.lit).zip(outcome.value());
        both.is_some_and(|((dark, lit), value)| is_lit(dark, value) && shines_as(lit, value))
    }
}

/// Whether a lamp is dark by looks before and after its outlet was opened. One that
/// this sitting saw `lit` must go out, or be as dark as it was when it was last off.
/// Any other may have been dark already, because its board opens the outlet by itself:
/// it must not be brighter, nor shine as it does when it is lit.
pub fn is_dark(lit: bool, (before, after): (&Outcome, &Outcome), known: KnownLight) -> bool {
    if !lit {
        return decide::no_brighter(before, after) && !known.shines(after);
    }
    let as_dark = known.dark.zip(after.value());
    let as_dark = as_dark.is_some_and(|(dark, value)| !is_lit(dark, value));
    as_dark || decide::went_out(before, after) == Some(true)
}

#[cfg(test)]
mod tests {
    use super::*;
    use Outcome::{Over, Under, Value};

    /// Own rules; the numbers are lux.
    #[test]
    fn a_lamp_is_lit_when_its_light_rose_and_stands() {
        let cases = [
            (Value(0.2), None, Value(0.3), Lighting::Dark),
            // Half a lux more is no lamp.
            (Value(0.2), Some(Value(0.8)), Value(0.8), Lighting::Dark),
            (Value(0.2), None, Value(800.0), Lighting::Rising),
            (
                Value(0.2),
                Some(Value(500.0)),
                Value(800.0),
                Lighting::Rising,
            ),
            (Value(0.2), Some(Value(700.0)), Value(800.0), Lighting::Lit),
            // It shone all the time.
            (
                Value(800.0),
                Some(Value(800.0)),
                Value(800.0),
                Lighting::Dark,
            ),
            (Under(0.1), Some(Value(800.0)), Value(800.0), Lighting::Lit),
            (Value(0.2), None, Over(2e4), Lighting::Rising),
            (Value(0.2), Some(Over(2e4)), Over(2e4), Lighting::Lit),
            (Over(2e4), Some(Over(2e4)), Over(2e4), Lighting::Dark),
            (Value(0.2), Some(Value(800.0)), Under(0.1), Lighting::Dark),
        ];
        for (open, last, now, expected) in cases {
            let found = lighting(&open, last.as_ref(), &now);
            assert_eq!(found, expected, "{open:?} {last:?} {now:?}");
        }
    }

    #[test]
    fn a_lamp_is_dark_when_it_went_out_or_is_as_dark_as_before() {
        let unknown = KnownLight::default();
        let known = KnownLight {
            dark: Some(0.2),
            lit: Some(800.0),
        };
        let cases = [
            (true, Value(800.0), Value(0.2), unknown, true),
            (true, Value(800.0), Value(790.0), unknown, false),
            // It had gone out by itself, which only its dark light tells.
            (true, Value(0.2), Value(0.2), unknown, false),
            (true, Value(0.2), Value(0.2), known, true),
            // Its board had opened the outlet; the room may be brighter by now.
            (false, Value(0.2), Value(0.2), unknown, true),
            (false, Value(3.0), Value(3.0), known, true),
            (false, Value(0.2), Value(800.0), unknown, false),
            // The relay does not open.
            (false, Value(800.0), Value(800.0), known, false),
            (false, Value(800.0), Value(0.2), known, true),
            (true, Value(800.0), Under(0.1), unknown, true),
            (false, Under(0.1), Under(0.1), known, true),
        ];
        for (lit, before, after, known, expected) in cases {
            let found = is_dark(lit, (&before, &after), known);
            assert_eq!(found, expected, "{lit} {before:?} {after:?} {known:?}");
        }
    }
}
