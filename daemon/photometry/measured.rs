//! What an instrument said, kept as it was said. Data only.
//!
//! A value is not a bare number: it has a quantity and a unit, and it may be
//! over range, under range, timed out or rejected. None of these is ever zero,
//! and none enters a mean.

use serde::{Deserialize, Serialize};

use crate::units::{Mono, Span, Wall};

/// What was measured. The unit follows from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Illuminance at the meter's reference plane, in lux; of a photometer in a
    /// sphere's wall, at its port.
    Illuminance,
    /// Electric power that the lamp takes, in watt.
    Power,
    /// Temperature of the air, in degrees Celsius.
    Temperature,
    /// Spectral irradiance at the meter's reference plane, in W/(m2 nm): many
    /// numbers, a [`Capture`].
    Spectrum,
    /// Light over a short time, sampled fast, in a unit of the meter's own: many
    /// numbers, a [`Capture`].
    Waveform,
}

impl Quantity {
    /// The unit of a stored value, as its standard symbol.
    pub const fn unit(self) -> &'static str {
        match self {
            Quantity::Illuminance => "lx",
            Quantity::Power => "W",
            Quantity::Temperature => "°C",
            Quantity::Spectrum => "W/(m2 nm)",
            Quantity::Waveform => "1",
        }
    }
    /// The name as written in files and shown to people.
    pub const fn name(self) -> &'static str {
        match self {
            Quantity::Illuminance => "illuminance",
            Quantity::Power => "power",
            Quantity::Temperature => "temperature",
            Quantity::Spectrum => "spectrum",
            Quantity::Waveform => "waveform",
        }
    }
    /// The quantities, in the order in which files name them.
    pub const ALL: [Quantity; 5] = [
        Quantity::Illuminance,
        Quantity::Power,
        Quantity::Temperature,
        Quantity::Spectrum,
        Quantity::Waveform,
    ];
    /// Whether one asking gives many numbers: a [`Capture`], no [`Reading`].
    pub const fn is_captured(self) -> bool {
        matches!(self, Quantity::Spectrum | Quantity::Waveform)
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

/// What the numbers of a capture are, as the meter sent them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NumberForm {
    /// IEEE 754 binary32.
    F32,
    /// IEEE 754 binary64.
    F64,
    /// A signed 16-bit integer.
    I16,
    /// An unsigned 16-bit integer.
    U16,
    /// A signed 32-bit integer.
    I32,
}

impl NumberForm {
    /// Bytes of one number.
    pub const fn bytes(self) -> usize {
        match self {
            NumberForm::I16 | NumberForm::U16 => 2,
            NumberForm::F32 | NumberForm::I32 => 4,
            NumberForm::F64 => 8,
        }
    }

    fn number(self, bytes: &[u8], high_first: bool) -> Option<f64> {
        fn ordered<const N: usize>(bytes: &[u8], high_first: bool) -> Option<[u8; N]> {
            let mut own: [u8; N] = bytes.try_into().ok()?;
            if high_first {
                own.reverse();
            }
            Some(own)
        }
        Some(match self {
            NumberForm::F32 => f64::from(f32::from_le_bytes(ordered(bytes, high_first)?)),
            NumberForm::F64 => f64::from_le_bytes(ordered(bytes, high_first)?),
            NumberForm::I16 => f64::from(i16::from_le_bytes(ordered(bytes, high_first)?)),
            NumberForm::U16 => f64::from(u16::from_le_bytes(ordered(bytes, high_first)?)),
            NumberForm::I32 => f64::from(i32::from_le_bytes(ordered(bytes, high_first)?)),
        })
    }
}

/// Where the numbers lie in an answer, and what each is multiplied by.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Packing {
    /// What each number is.
    pub form: NumberForm,
    /// The most significant byte comes first.
    pub high_first: bool,
    /// Bytes of the answer before the first number.
    pub from: u32,
    /// How many numbers there are.
    pub count: u32,
    /// What each is multiplied by.
    pub times: f64,
}

/// An answer of many numbers: its bytes as they came, and how they are read.
#[derive(Clone, Debug, PartialEq)]
pub struct Block {
    /// The whole answer, ends of line included.
    pub raw: Vec<u8>,
    /// How it is read.
    pub packing: Packing,
}

impl Block {
    /// The numbers; none where the bytes do not hold as many as they should.
    pub fn numbers(&self) -> Option<Vec<f64>> {
        let Packing {
            form,
            high_first,
            from,
            count,
            times,
        } = self.packing;
        let from = from as usize;
        let length = (count as usize).checked_mul(form.bytes())?;
        let payload = self.raw.get(from..from.checked_add(length)?)?;
        let numbers = payload.chunks_exact(form.bytes());
        numbers
            .map(|bytes| Some(form.number(bytes, high_first)? * times))
            .collect()
    }
}

/// What came of one asking for many numbers.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CaptureOutcome {
    /// So many numbers.
    Numbers(u32),
    /// So many numbers, of which some lie at the top of what the meter can show:
    /// its figures would be wrong.
    Saturated(u32),
    /// No answer within its time limit.
    TimedOut,
    /// An answer that is none; why.
    Rejected(String),
}

impl CaptureOutcome {
    /// It says something of the light, also where that is too much of it.
    pub const fn says_something(&self) -> bool {
        matches!(
            self,
            CaptureOutcome::Numbers(_) | CaptureOutcome::Saturated(_)
        )
    }
    /// The kind's name, as stored and exported.
    pub const fn kind(&self) -> &'static str {
        match self {
            CaptureOutcome::Numbers(_) => "value",
            CaptureOutcome::Saturated(_) => "over",
            CaptureOutcome::TimedOut => "timed out",
            CaptureOutcome::Rejected(_) => "rejected",
        }
    }
}

/// What the numbers of a capture belong to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Axis {
    /// Wavelengths, in nanometres, one for each number: [`Capture::axis_raw`].
    Wavelengths,
    /// So many seconds from one number to the next.
    Seconds(f64),
}

/// Many numbers that one asking gave, as the meter gave them: a spectrum or a
/// waveform. Its bytes are kept beside its line of the journal, which holds
/// their digests.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Capture {
    /// The meter's name in the bench file.
    pub meter: String,
    /// What was measured; carries the unit.
    pub quantity: Quantity,
    /// What came of it.
    pub outcome: CaptureOutcome,
    /// What the numbers belong to.
    pub axis: Axis,
    /// How long the meter integrated for each number, where it was told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub integration: Option<Span>,
    /// The highest of the meter's elements, as a share of what it can show, where
    /// it tells.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fill: Option<f64>,
    /// The largest number that the meter can show, where it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub top: Option<f64>,
    /// The corner of the filter before the converter in hertz, where the meter
    /// has one: nothing above half its rate is folded down then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub filter_hz: Option<f64>,
    /// Remarks of the driver.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub flags: Vec<String>,
    /// How the numbers lie in their answer, where there are any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub packing: Option<Packing>,
    /// The same of the axis.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub axis_packing: Option<Packing>,
    /// When the question left.
    pub asked: Moment,
    /// When the first byte of the answer was there (or the time-out passed).
    pub taken: Moment,
    /// The answer, as it came.
    #[serde(skip)]
    pub raw: Vec<u8>,
    /// The answer that the axis was read from, when the meter was opened.
    #[serde(skip)]
    pub axis_raw: Vec<u8>,
}

impl Capture {
    /// The numbers, if there are any and the bytes are at hand.
    pub fn numbers(&self) -> Option<Vec<f64>> {
        let (raw, packing) = (self.raw.clone(), self.packing?);
        Block { raw, packing }.numbers()
    }

    /// The wavelengths in nanometres, or the times in seconds from the first
    /// number on.
    pub fn axis_numbers(&self) -> Option<Vec<f64>> {
        match (&self.axis, self.packing, self.axis_packing) {
            (Axis::Seconds(step), Some(packing), _) => {
                let nth = |n: u32| f64::from(n) * step;
                Some((0..packing.count).map(nth).collect())
            }
            (Axis::Wavelengths, _, Some(packing)) => {
                let raw = self.axis_raw.clone();
                Block { raw, packing }.numbers()
            }
            _ => None,
        }
    }
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

    /// 1.0, -2.5 as IEEE 754 writes them, both orders; a block of IEEE 488.2.
    #[test]
    fn a_block_is_read_as_its_packing_says() {
        let packing = |form, high_first, from, count| Packing {
            form,
            high_first,
            from,
            count,
            times: 1.0,
        };
        type Case<'a> = (&'a [u8], Packing, Option<Vec<f64>>);
        let cases: &[Case<'_>] = &[
            (
                b"#18\x3f\x80\x00\x00\xc0\x20\x00\x00\n",
                packing(NumberForm::F32, true, 3, 2),
                Some(vec![1.0, -2.5]),
            ),
            (
                b"\x00\x00\x80\x3f",
                packing(NumberForm::F32, false, 0, 1),
                Some(vec![1.0]),
            ),
            (
                b"\xff\xfe\x00\x05",
                packing(NumberForm::I16, true, 0, 2),
                Some(vec![-2.0, 5.0]),
            ),
            (b"\xff\xfe", packing(NumberForm::I16, true, 0, 2), None),
            (
                b"\xff\xfe",
                packing(NumberForm::U16, true, u32::MAX, u32::MAX),
                None,
            ),
        ];
        for (raw, packing, wanted) in cases {
            let (raw, packing) = (raw.to_vec(), *packing);
            assert_eq!(Block { raw, packing }.numbers(), *wanted, "{packing:?}");
        }
    }

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
