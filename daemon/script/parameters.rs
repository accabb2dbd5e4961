//! Parameters of a script: their defaults in its text, their values in a plan.
//!
//! The default fixes the kind: a parameter with `250 lx` takes any illuminance
//! and nothing else.
//!
//! Called by: `host`, `check`, the readers of plans. Not here: units' spelling
//! (photometry's units).

use std::collections::BTreeMap;

use photometry::units::{Length, Lux, Ratio, Span, UnitError};
use rhai::{Dynamic, Map};
use serde::{Deserialize, Serialize};
use written::nearest;

use super::host::Script;
use super::unit::Unit;
use super::values::{Amount, number, with_unit};

/// A parameter's value.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Value {
    /// A number without unit.
    Number(f64),
    /// A text that is no quantity.
    Text(String),
    /// A number in a unit: lx, m, s, %, cd, lm, K.
    Quantity(f64, Unit),
}

impl Value {
    /// Of what kind it is, in words.
    fn kind(&self) -> String {
        match self {
            Value::Number(_) => "a number".to_owned(),
            Value::Text(_) => "a text".to_owned(),
            Value::Quantity(_, unit) => format!("a quantity in {unit}"),
        }
    }

    /// As for a person.
    pub fn shown(&self) -> String {
        match self {
            Value::Number(value) => with_unit(*value, &Unit::One),
            Value::Text(text) => text.clone(),
            Value::Quantity(value, unit) => with_unit(*value, unit),
        }
    }
}

/// One parameter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Parameter {
    /// Its name.
    pub name: String,
    /// Its value where a plan gives none.
    pub default: Value,
}

/// Parameters with their values, checked against a script.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Given {
    /// By name.
    pub values: BTreeMap<String, Value>,
}

/// Reads a value as it is written: `250 lx`, `12 in`, `2 s`, `5 %`, `10`; what
/// does not begin as a number is a text.
///
/// # Errors
/// When a number has a unit that is not known, or more digits than can be held.
pub fn parse_value(text: &str) -> Result<Value, String> {
    let text = text.trim();
    let unsigned = text.trim_start_matches(['-', '+']);
    let begins = |c: char| c.is_ascii_digit() || c == '.';
    if !unsigned.starts_with(begins) {
        return Ok(Value::Text(text.to_owned()));
    }
    if let Ok(number) = text.parse::<f64>() {
        return finite(number, text).map(Value::Number);
    }
    let of_unit = |number: f64, unit: Unit| finite(number, text).map(|n| Value::Quantity(n, unit));
    for (symbol, unit) in [
        ("cd", Unit::Candela),
        ("lm", Unit::Lumen),
        ("K", Unit::Kelvin),
    ] {
        let before = text.strip_suffix(symbol).map(str::trim_end);
        if let Some(number) = before.and_then(|number| number.parse().ok()) {
            return of_unit(number, unit);
        }
    }
    let read: [(Result<f64, UnitError>, Unit); 4] = [
        (Lux::parse(text).map(|lux| lux.0), Unit::Lux),
        (Length::parse(text).map(Length::metres), Unit::Metre),
        (Span::parse(text).map(Span::secs), Unit::Second),
        (Ratio::parse(text).map(Ratio::percent), Unit::Percent),
    ];
    let mut why = None;
    for (read, unit) in read {
        match read {
            Ok(number) => return of_unit(number, unit),
            Err(UnitError::WrongUnit { .. }) => {}
            Err(other) => why = Some(other.to_string()),
        }
    }
    Err(why.unwrap_or_else(|| {
        format!(
            "`{text}` has no unit that is known here: lx, klx, in, mm, cm, m, s, min, %, cd, lm, K"
        )
    }))
}

fn finite(number: f64, text: &str) -> Result<f64, String> {
    if number.is_finite() {
        return Ok(number);
    }
    Err(format!("`{text}` is not a finite number"))
}

/// A parameter's default as the script's `given` gave it.
pub(super) fn default_of(value: &Dynamic) -> Result<Value, String> {
    if let Some(number) = number(value) {
        return finite(number, "the default").map(Value::Number);
    }
    match value.read_lock::<rhai::ImmutableString>() {
        Some(text) => parse_value(&text),
        None => Err("a default is a number or a text such as \"250 lx\"".to_owned()),
    }
}

/// The parameters of a script: a plan's values over the defaults.
///
/// # Errors
/// All mistakes at once: names that the script does not have, values of
/// another kind than the default.
pub fn given(script: &Script, plan_values: &BTreeMap<String, Value>) -> Result<Given, Vec<String>> {
    let mut values = BTreeMap::new();
    let mut mistakes = Vec::new();
    for parameter in &script.parameters {
        let value = plan_values.get(&parameter.name);
        let value = value.map_or(Ok(parameter.default.clone()), |v| fitting(parameter, v));
        match value {
            Ok(value) => {
                values.insert(parameter.name.clone(), value);
            }
            Err(why) => mistakes.push(why),
        }
    }
    let known = || script.parameters.iter().map(|p| p.name.as_str());
    for name in plan_values.keys() {
        if known().any(|known| known == name) {
            continue;
        }
        let hint = match nearest(name, known()) {
            Some(meant) => format!("; did you mean `{meant}`?"),
            None if script.parameters.is_empty() => "; it has no parameters".to_owned(),
            None => format!("; it has {}", known().collect::<Vec<_>>().join(", ")),
        };
        mistakes.push(format!("`{}` has no parameter `{name}`{hint}", script.name));
    }
    if mistakes.is_empty() {
        Ok(Given { values })
    } else {
        Err(mistakes)
    }
}

/// A value of the default's kind, in the default's unit.
fn fitting(parameter: &Parameter, value: &Value) -> Result<Value, String> {
    let same = match (&parameter.default, value) {
        (Value::Quantity(_, wanted), Value::Quantity(number, unit)) => unit
            .factor_to(wanted)
            .map(|factor| Value::Quantity(number * factor, wanted.clone())),
        (Value::Number(_), Value::Number(_)) | (Value::Text(_), Value::Text(_)) => {
            Some(value.clone())
        }
        _ => None,
    };
    let finite = |value: &Value| match value {
        Value::Number(number) | Value::Quantity(number, _) => number.is_finite(),
        Value::Text(_) => true,
    };
    same.filter(finite).ok_or_else(|| {
        format!(
            "`{}` is {}, as its default {}; {} is {}",
            parameter.name,
            parameter.default.kind(),
            parameter.default.shown(),
            value.shown(),
            value.kind()
        )
    })
}

impl Given {
    /// As the script's second argument; numbers are never whole ones, which
    /// would divide without a remainder elsewhere.
    pub(super) fn to_map(&self) -> Map {
        let one = |(name, value): (&String, &Value)| {
            let value = match value {
                Value::Number(number) => Dynamic::from(*number),
                Value::Text(text) => Dynamic::from(text.clone()),
                Value::Quantity(number, unit) => {
                    Dynamic::from(Amount::given(*number, unit.clone()))
                }
            };
            (name.as_str().into(), value)
        };
        self.values.iter().map(one).collect()
    }
}
