//! What an instrument said, kept as it was said. Data only.
//!
//! A value is not a bare number: it has a quantity and a unit, and it may be
//! over range, under range, timed out or rejected. None of these is ever zero,
//! and none enters a mean.

use serde::{Deserialize, Serialize};

use crate::units::{Mono, Wall};

/// What was measured. The unit follows from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Illuminance at the meter's reference plane, in lux.
    Illuminance,
}

impl Quantity {
    /// The unit of a stored value, as its standard symbol.
    pub const fn unit(self) -> &'static str {
        match self {
            Quantity::Illuminance => "lx",
        }
    }
    /// The name as written in files and shown to people.
    pub const fn name(self) -> &'static str {
        match self {
            Quantity::Illuminance => "illuminance",
        }
    }
}

/// What came of one asking.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// A finite value in the quantity's unit.
    Value(f64),
    /// Above what the meter can show; the limit in the quantity's unit.
    Over(f64),
    /// Below what the meter can show; the limit in the quantity's unit.
    Under(f64),
    /// No answer within its time limit.
    TimedOut,
    /// An answer that is not a plausible value; why.
    Rejected(String),
}

impl Outcome {
    /// The value, if there is one.
    pub fn value(&self) -> Option<f64> {
        match self {
            Outcome::Value(value) => Some(*value),
            _ => None,
        }
    }
    /// It says something of the light: a value, or that there is more or less
    /// than the meter can tell.
    pub const fn says_something(&self) -> bool {
        !matches!(self, Outcome::TimedOut | Outcome::Rejected(_))
    }
    /// The kind's name, as stored and exported.
    pub const fn kind(&self) -> &'static str {
        match self {
            Outcome::Value(_) => "value",
            Outcome::Over(_) => "over",
            Outcome::Under(_) => "under",
            Outcome::TimedOut => "timed out",
            Outcome::Rejected(_) => "rejected",
        }
    }
}

/// An instant on both clocks: monotonic for intervals, civil for the record.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Moment {
    /// Nanoseconds on the sitting's monotonic clock.
    pub mono: Mono,
    /// Microseconds of civil time, UTC.
    pub wall: Wall,
}

/// One reading as the meter gave it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// The meter's name in the bench file.
    pub meter: String,
    /// What was measured; carries the unit.
    pub quantity: Quantity,
    /// What came of it.
    pub outcome: Outcome,
    /// The range that the meter used, in the quantity's unit (its upper end).
    pub range: Option<f64>,
    /// Remarks of the driver, such as `answered after a resync`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub flags: Vec<String>,
    /// The answer's bytes as they came, ends of line included. In JSON one
    /// character per byte (Latin-1), so that a person can read them.
    #[serde(with = "latin1")]
    pub raw: Vec<u8>,
    /// When the question left.
    pub asked: Moment,
    /// When the first byte of the answer was there (or the time-out passed).
    pub taken: Moment,
}

/// Bytes as text and back without loss: one character per byte.
pub mod latin1 {
    use std::fmt;

    use serde::de::{Error, Visitor};
    use serde::{Deserializer, Serializer};

    /// One character per byte.
    pub fn text(bytes: &[u8]) -> String {
        bytes.iter().map(|byte| char::from(*byte)).collect()
    }

    /// Writes bytes as text.
    ///
    /// # Errors
    /// Those of the serializer.
    pub fn serialize<S: Serializer>(bytes: &[u8], serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&text(bytes))
    }

    /// Reads text back into bytes.
    ///
    /// # Errors
    /// When a character lies outside Latin-1.
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<u8>, D::Error> {
        deserializer.deserialize_str(Text)
    }

    /// Takes the text where it lies: a record has tens of thousands of these.
    struct Text;

    impl Visitor<'_> for Text {
        type Value = Vec<u8>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("a text of characters up to U+00FF")
        }

        fn visit_str<E: Error>(self, text: &str) -> Result<Vec<u8>, E> {
            let mut bytes = Vec::with_capacity(text.len());
            for c in text.chars() {
                bytes.push(u8::try_from(u32::from(c)).map_err(|_| E::custom("not a byte"))?);
            }
            Ok(bytes)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn raw_bytes_survive_json() {
        let reading = Reading {
            meter: "lux-head".to_owned(),
            quantity: Quantity::Illuminance,
            outcome: Outcome::Over(20_000.0),
            range: Some(20_000.0),
            flags: Vec::new(),
            raw: (0..=255).collect(),
            asked: Moment::default(),
            taken: Moment::default(),
        };
        let json = serde_json::to_string(&reading).expect("json");
        assert_eq!(
            serde_json::from_str::<Reading>(&json).expect("a reading"),
            reading
        );
    }
}
