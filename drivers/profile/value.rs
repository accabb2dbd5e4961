//! What an answer's field means: a value in lux, over or under the range, no
//! number, or nothing that can be believed. Pure.
//!
//! Words that a device prints where a number should stand are looked for before
//! any number is read, and the sentinels of SCPI-99 (vol. 1, 7.2.1) before any
//! scaling: 9.9E37 klx would be a value.

use photometry::measured::Outcome;

use super::pattern::Found;
use super::types::{Marks, Profile};
use crate::exchange::line::shown;
use crate::exchange::scpi::{self, Number};

/// Lux in a foot-candle: one lumen per square foot, and a foot is 0.3048 m
/// exactly (NIST SP 811, appendix B).
const LUX_PER_FOOT_CANDLE: f64 = 1.0 / (0.3048 * 0.3048);

/// Why a reading was rejected when the device itself says that it has none.
pub const NO_NUMBER: &str = "the meter has no number";

/// A unit that meters print illuminance in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum IlluminanceUnit {
    /// Lux.
    Lux,
    /// A thousand lux.
    Kilolux,
    /// A thousandth of a lux.
    Millilux,
    /// Lumen per square foot.
    FootCandle,
}

impl IlluminanceUnit {
    /// The words for units that are read, whatever their case.
    pub const WORDS: &[(&str, IlluminanceUnit)] = &[
        ("lx", IlluminanceUnit::Lux),
        ("lux", IlluminanceUnit::Lux),
        ("klx", IlluminanceUnit::Kilolux),
        ("klux", IlluminanceUnit::Kilolux),
        ("fc", IlluminanceUnit::FootCandle),
        ("ftcd", IlluminanceUnit::FootCandle),
    ];

    /// Reads a unit as a meter prints it. `mlx` is taken in small letters alone:
    /// `Mlx` would be a million times as much.
    pub fn read(text: &str) -> Option<IlluminanceUnit> {
        if matches!(text, "mlx" | "mlux") {
            return Some(IlluminanceUnit::Millilux);
        }
        let found = IlluminanceUnit::WORDS
            .iter()
            .find(|(word, _)| word.eq_ignore_ascii_case(text));
        found.map(|(_, unit)| *unit)
    }

    /// Lux in one of it.
    pub fn lux(self) -> f64 {
        match self {
            IlluminanceUnit::Lux => 1.0,
            IlluminanceUnit::Kilolux => 1e3,
            IlluminanceUnit::Millilux => 1e-3,
            IlluminanceUnit::FootCandle => LUX_PER_FOOT_CANDLE,
        }
    }
}

/// A number of the device, its marks looked for first.
pub fn number(text: &str, marks: &Marks, decimal_comma: bool) -> Option<Number> {
    let text = text.trim();
    let is = |list: &[String]| list.iter().any(|mark| mark.eq_ignore_ascii_case(text));
    if is(&marks.over) {
        return Some(Number::Over);
    }
    if is(&marks.under) {
        return Some(Number::Under);
    }
    if is(&marks.invalid) {
        return Some(Number::Invalid);
    }
    if !decimal_comma {
        return scpi::number(text);
    }
    // A point would be a mark of thousands, or another device.
    if text.contains('.') {
        return None;
    }
    scpi::number(&text.replacen(',', ".", 1))
}

/// What a reading's answer says. `over_at` and `under_at`, in lux, are the ends
/// of what can be believed: a value outside is rejected.
pub fn illuminance(
    profile: &Profile,
    found: &Found,
    range: Option<f64>,
    plausible: (f64, f64),
) -> Outcome {
    let (low, high) = plausible;
    let text = found.get("illuminance").unwrap_or_default();
    if let Some(flag) = found.get("flag")
        && profile.marks.not_live.iter().any(|mark| mark == flag)
    {
        return Outcome::Rejected(format!("`{}` says that it is not live", shown(flag)));
    }
    let unit = match found.get("unit").filter(|unit| !unit.is_empty()) {
        Some(told) => match IlluminanceUnit::read(told) {
            Some(unit) => Some(unit),
            None => {
                return Outcome::Rejected(format!("`{}` is no unit of illuminance", shown(told)));
            }
        },
        None => profile.unit,
    };
    match number(text, &profile.marks, profile.decimal_comma) {
        None => Outcome::Rejected(format!("`{}` is not a number", shown(text))),
        Some(Number::Invalid) => Outcome::Rejected(NO_NUMBER.to_owned()),
        Some(Number::Over) => Outcome::Over(range.unwrap_or(high)),
        Some(Number::Under) => Outcome::Under(low),
        Some(Number::Value(value)) => {
            let Some(unit) = unit else {
                return Outcome::Rejected("the answer has no unit".to_owned());
            };
            let lux = value * unit.lux();
            if lux < low || lux > high {
                return Outcome::Rejected(format!("{lux} lx is outside {low} to {high}"));
            }
            Outcome::Value(lux)
        }
    }
}

/// What the field of an answer says that has no unit of its own.
pub fn plain(profile: &Profile, found: &Found, field: &str, between: (f64, f64)) -> Outcome {
    let (low, high) = between;
    let text = found.get(field).unwrap_or_default();
    match number(text, &profile.marks, profile.decimal_comma) {
        None => Outcome::Rejected(format!("`{}` is not a number", shown(text))),
        Some(Number::Invalid) => Outcome::Rejected(NO_NUMBER.to_owned()),
        Some(Number::Over) => Outcome::Over(high),
        Some(Number::Under) => Outcome::Under(low),
        Some(Number::Value(value)) if (low..=high).contains(&value) => Outcome::Value(value),
        Some(Number::Value(value)) => {
            Outcome::Rejected(format!("{value} is outside {low} to {high}"))
        }
    }
}

/// How a lamp says that it is lit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lit {
    /// Its mode, where it tells one.
    pub mode: Option<String>,
    /// Its level, 0 and more.
    pub level: u16,
}

/// `7`, or `warm 7`.
impl std::fmt::Display for Lit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if let Some(mode) = &self.mode {
            write!(f, "{} ", shown(mode))?;
        }
        write!(f, "{}", self.level)
    }
}

/// What an answer says of a lamp; none where it tells no whole level.
pub fn lit(profile: &Profile, found: &Found) -> Option<Lit> {
    let text = found.get("level")?;
    match number(text, &profile.marks, profile.decimal_comma)? {
        Number::Value(level)
            if level.fract() == 0.0 && (0.0..=f64::from(u16::MAX)).contains(&level) =>
        {
            let mode = found.get("mode").map(str::trim);
            Some(Lit {
                mode: mode.filter(|mode| !mode.is_empty()).map(str::to_owned),
                level: level as u16,
            })
        }
        _ => None,
    }
}

/// Whether a coil's answer says that it is closed.
pub fn closed(text: &str) -> Option<bool> {
    match text.trim() {
        "1" | "+1" => Some(true),
        "0" | "+0" => Some(false),
        word if word.eq_ignore_ascii_case("on") => Some(true),
        word if word.eq_ignore_ascii_case("off") => Some(false),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_are_read_and_a_foot_candle_is_exact() {
        let cases = [
            ("lx", Some(1.0)),
            ("Lux", Some(1.0)),
            ("kLx", Some(1e3)),
            ("mlx", Some(1e-3)),
            ("Mlx", None),
            ("fc", Some(10.763_910_416_709_722)), // NIST SP 811, appendix B: 10.763 91
            ("cd", None),
            ("", None),
        ];
        for (text, lux) in cases {
            assert_eq!(
                IlluminanceUnit::read(text).map(IlluminanceUnit::lux),
                lux,
                "{text}"
            );
        }
    }

    #[test]
    fn marks_come_before_numbers_and_commas_by_leave_only() {
        let marks = Marks {
            over: vec!["1".to_owned(), "OVER".to_owned()],
            under: vec!["UL".to_owned()],
            invalid: vec!["Err".to_owned()],
            not_live: Vec::new(),
        };
        let cases = [
            ("1", false, Some(Number::Over)),
            ("over", false, Some(Number::Over)),
            ("UL", false, Some(Number::Under)),
            ("ERR", false, Some(Number::Invalid)),
            ("1.5", false, Some(Number::Value(1.5))),
            ("1,5", false, None),
            ("1,5", true, Some(Number::Value(1.5))),
            ("1.5", true, None),
            ("1,234,5", true, None),
            ("9.9E37", false, Some(Number::Over)),
            ("9,9E37", true, Some(Number::Over)),
        ];
        for (text, comma, read) in cases {
            assert_eq!(number(text, &marks, comma), read, "{text} {comma}");
        }
    }
}
