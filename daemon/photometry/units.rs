//! Units as types, and their written form.
//!
//! Lengths are whole nanometres and durations whole nanoseconds inside, so
//! that a grid of 6 inches is exact (1 in = 25.4 mm exactly, NIST SP 811
//! App. B) and a key never depends on rounding. Readings are `f64`.
//!
//! A quantity is written as a number, a space, and a unit: `6 in`, `152.4 mm`,
//! `500 ms`, `30 min`, `0.5 %`. A number without a unit is refused.

use std::fmt;
use std::ops::{Add, AddAssign, Neg, Sub};

use serde::{Deserialize, Serialize};

/// Nanometres in an inch: 25.4 mm exactly (NIST SP 811, App. B).
const NM_PER_INCH: i128 = 25_400_000;

/// A length in whole nanometres; at most about 9.2 million km either way.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Length(i64);

/// A duration in whole nanoseconds; may be negative (a difference).
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Span(i64);

/// A share of one: `0.5 %` is 0.005.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Ratio(f64);

/// Illuminance in lux (lumen per square metre).
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Lux(pub f64);

/// Speed in nanometres per second.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Speed(i64);

/// Acceleration in nanometres per second squared.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Acceleration(i64);

/// Why a written quantity could not be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum UnitError {
    /// No number where one must stand.
    #[error("`{0}` is not a number with a unit")]
    NoNumber(String),
    /// A number without its unit.
    #[error("`{written}` has no unit; write it with one of {units}")]
    NoUnit {
        /// What was written.
        written: String,
        /// The units that would do.
        units: &'static str,
    },
    /// A unit of another quantity, or none that is known.
    #[error("`{unit}` is not a unit of {quantity}; use one of {units}")]
    WrongUnit {
        /// The unit as written.
        unit: String,
        /// What was asked for, such as `a length`.
        quantity: &'static str,
        /// The units that would do.
        units: &'static str,
    },
    /// Finer than a nanometre or a nanosecond, or too large to hold.
    #[error("`{0}` is finer or larger than can be held")]
    OutOfRange(String),
}

/// Most characters of a text that an error repeats.
const QUOTED: usize = 60;

/// What was written, as an error repeats it: a slip in a file of megabytes is
/// told in a line, and holds no second file.
fn quoted(text: &str) -> String {
    let text = text.trim();
    match text.char_indices().nth(QUOTED) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_owned(),
    }
}

/// Splits `152.4 mm` into `152.4` and `mm`; a missing unit gives an empty one.
fn split_unit(text: &str) -> (&str, &str) {
    let text = text.trim();
    let end = text
        .char_indices()
        .find(|&(at, c)| !(c.is_ascii_digit() || c == '.' || (at == 0 && (c == '-' || c == '+'))))
        .map_or(text.len(), |(at, _)| at);
    (&text[..end], text[end..].trim())
}

/// Reads a decimal as `number * per_unit` without going through a float.
/// `per_unit` is how many of the smallest parts one unit holds.
fn exact_decimal(number: &str, per_unit: i128, written: &str) -> Result<i64, UnitError> {
    let no_number = || UnitError::NoNumber(quoted(written));
    let out_of_range = || UnitError::OutOfRange(quoted(written));
    let (negative, digits) = match number.as_bytes().first() {
        Some(b'-') => (true, &number[1..]),
        Some(b'+') => (false, &number[1..]),
        _ => (false, number),
    };
    let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
    let all_digits = |part: &str| part.bytes().all(|b| b.is_ascii_digit());
    if (whole.is_empty() && fraction.is_empty()) || !all_digits(whole) || !all_digits(fraction) {
        return Err(no_number());
    }
    if whole.len() > 18 || fraction.len() > 15 {
        return Err(out_of_range());
    }
    let whole: i128 = if whole.is_empty() {
        0
    } else {
        whole.parse().map_err(|_| no_number())?
    };
    let scale = 10_i128.pow(fraction.len() as u32);
    let part: i128 = if fraction.is_empty() {
        0
    } else {
        fraction.parse().map_err(|_| no_number())?
    };
    let parts = (whole * scale + part)
        .checked_mul(per_unit)
        .ok_or_else(out_of_range)?;
    if parts % scale != 0 {
        return Err(out_of_range());
    }
    let value = i64::try_from(parts / scale).map_err(|_| out_of_range())?;
    Ok(if negative { -value } else { value })
}

/// Finds the unit in `table`, then reads the number exactly.
fn written_in(
    text: &str,
    table: &[(&str, i128)],
    quantity: &'static str,
    units: &'static str,
) -> Result<i64, UnitError> {
    let (number, unit) = split_unit(text);
    if number.is_empty() || number == "-" || number == "+" {
        return Err(UnitError::NoNumber(quoted(text)));
    }
    if unit.is_empty() {
        return Err(UnitError::NoUnit {
            written: quoted(text),
            units,
        });
    }
    let per_unit = table
        .iter()
        .find(|(name, _)| *name == unit)
        .map(|(_, per_unit)| *per_unit)
        .ok_or_else(|| UnitError::WrongUnit {
            unit: quoted(unit),
            quantity,
            units,
        })?;
    exact_decimal(number, per_unit, text)
}

/// Writes `parts / per_unit` as the shortest exact decimal.
fn shortest(parts: i64, per_unit: i64) -> String {
    let sign = if parts < 0 { "-" } else { "" };
    let parts = parts.unsigned_abs();
    let per_unit = per_unit.unsigned_abs();
    let (whole, rest) = (parts / per_unit, parts % per_unit);
    if rest == 0 {
        return format!("{sign}{whole}");
    }
    let width = per_unit.ilog10() as usize;
    let fraction = format!("{rest:0width$}");
    format!("{sign}{whole}.{}", fraction.trim_end_matches('0'))
}

impl Length {
    /// No length at all.
    pub const ZERO: Length = Length(0);

    /// From whole nanometres.
    pub const fn from_nm(nm: i64) -> Length {
        Length(nm)
    }
    /// From whole micrometres.
    pub const fn from_um(um: i64) -> Length {
        Length(um * 1_000)
    }
    /// From whole millimetres.
    pub const fn from_mm(mm: i64) -> Length {
        Length(mm * 1_000_000)
    }
    /// From metres, rounded to the nanometre; not-a-number gives zero.
    pub fn from_metres(metres: f64) -> Length {
        Length((metres * 1e9).round() as i64)
    }
    /// In nanometres.
    pub const fn nm(self) -> i64 {
        self.0
    }
    /// In millimetres.
    pub fn mm(self) -> f64 {
        self.0 as f64 / 1e6
    }
    /// In metres.
    pub fn metres(self) -> f64 {
        self.0 as f64 / 1e9
    }
    /// In inches.
    pub fn inches(self) -> f64 {
        self.0 as f64 / NM_PER_INCH as f64
    }
    /// Without its sign.
    pub const fn abs(self) -> Length {
        Length(self.0.abs())
    }
    /// Reads `6 in`, `152.4 mm`, `15 cm`, `1.2 m`, `20 um`.
    ///
    /// # Errors
    /// When there is no number, no unit, a unit of another quantity, or parts
    /// finer than a nanometre.
    pub fn parse(text: &str) -> Result<Length, UnitError> {
        const TABLE: &[(&str, i128)] = &[
            ("nm", 1),
            ("um", 1_000),
            ("µm", 1_000),
            ("mm", 1_000_000),
            ("cm", 10_000_000),
            ("m", 1_000_000_000),
            ("in", NM_PER_INCH),
            ("ft", NM_PER_INCH * 12),
        ];
        written_in(text, TABLE, "length", "in, mm, cm, m").map(Length)
    }
    /// Written for a person, in inches or millimetres, to 0.1 mm or 0.01 in.
    pub fn shown(self, lengths: LengthUnit) -> String {
        match lengths {
            LengthUnit::Millimetres => {
                format!("{} mm", trim_zeros(&format!("{:.2}", self.mm())))
            }
            LengthUnit::Inches => format!("{} in", trim_zeros(&format!("{:.3}", self.inches()))),
        }
    }
}

fn trim_zeros(text: &str) -> &str {
    let trimmed = text.trim_end_matches('0').trim_end_matches('.');
    if trimmed == "-0" { "0" } else { trimmed }
}

/// Shown exactly, in millimetres.
impl fmt::Display for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} mm", shortest(self.0, 1_000_000))
    }
}

/// The unit in which lengths are *shown*; inside they are nanometres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LengthUnit {
    /// Millimetres.
    #[default]
    Millimetres,
    /// Inches.
    Inches,
}

impl Span {
    /// No time at all.
    pub const ZERO: Span = Span(0);

    /// From whole nanoseconds.
    pub const fn from_ns(ns: i64) -> Span {
        Span(ns)
    }
    /// From whole milliseconds.
    pub const fn from_ms(ms: i64) -> Span {
        Span(ms * 1_000_000)
    }
    /// From whole seconds.
    pub const fn from_secs(secs: i64) -> Span {
        Span(secs * 1_000_000_000)
    }
    /// From whole minutes.
    pub const fn from_mins(mins: i64) -> Span {
        Span::from_secs(mins * 60)
    }
    /// From seconds, rounded to the nanosecond.
    pub fn from_secs_f64(secs: f64) -> Span {
        Span((secs * 1e9).round() as i64)
    }
    /// In nanoseconds.
    pub const fn ns(self) -> i64 {
        self.0
    }
    /// In whole microseconds, cut towards zero.
    pub const fn us(self) -> i64 {
        self.0 / 1_000
    }
    /// In seconds.
    pub fn secs(self) -> f64 {
        self.0 as f64 / 1e9
    }
    /// The longer of two.
    pub fn max(self, other: Span) -> Span {
        Span(self.0.max(other.0))
    }
    /// `times` as long.
    pub const fn times(self, times: i64) -> Span {
        Span(self.0.saturating_mul(times))
    }
    /// Reads `500 ms`, `2 s`, `30 min`, `12 h`.
    ///
    /// # Errors
    /// When there is no number, no unit, or a unit of another quantity.
    pub fn parse(text: &str) -> Result<Span, UnitError> {
        const TABLE: &[(&str, i128)] = &[
            ("us", 1_000),
            ("ms", 1_000_000),
            ("s", 1_000_000_000),
            ("min", 60_000_000_000),
            ("h", 3_600_000_000_000),
        ];
        written_in(text, TABLE, "time", "ms, s, min, h").map(Span)
    }
    /// As `1 h 04 min`, `4 min 05 s`, `2.5 s` or `20 ms`, whichever is readable.
    pub fn shown(self) -> String {
        let sign = if self.0 < 0 { "-" } else { "" };
        let ns = self.0.unsigned_abs();
        let secs = (ns + 500_000_000) / 1_000_000_000;
        if ns < 1_000_000_000 {
            return format!("{sign}{} ms", (ns + 500_000) / 1_000_000);
        }
        if ns < 60_000_000_000 {
            return format!("{sign}{} s", trim_zeros(&format!("{:.1}", ns as f64 / 1e9)));
        }
        if secs < 3_600 {
            return format!("{sign}{} min {:02} s", secs / 60, secs % 60);
        }
        let mins = (secs + 30) / 60;
        format!("{sign}{} h {:02} min", mins / 60, mins % 60)
    }
}

/// Shown exactly, in the largest unit that divides it.
impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (per_unit, unit) = match self.0 {
            0 => (1_000_000_000, "s"),
            ns if ns % 3_600_000_000_000 == 0 => (3_600_000_000_000, "h"),
            ns if ns % 60_000_000_000 == 0 => (60_000_000_000, "min"),
            ns if ns.abs() >= 1_000_000_000 => (1_000_000_000, "s"),
            _ => (1_000_000, "ms"),
        };
        write!(f, "{} {unit}", shortest(self.0, per_unit))
    }
}

impl Ratio {
    /// From a share of one.
    pub const fn new(share: f64) -> Ratio {
        Ratio(share)
    }
    /// As a share of one.
    pub const fn share(self) -> f64 {
        self.0
    }
    /// In per cent.
    pub fn percent(self) -> f64 {
        self.0 * 100.0
    }
    /// Reads `0.5 %`.
    ///
    /// # Errors
    /// When there is no number or no percent sign.
    pub fn parse(text: &str) -> Result<Ratio, UnitError> {
        const TABLE: &[(&str, i128)] = &[("%", 10_000_000)];
        written_in(text, TABLE, "share", "%").map(|parts| Ratio(parts as f64 / 1e9))
    }
}

impl fmt::Display for Ratio {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} %", trim_zeros(&format!("{:.4}", self.percent())))
    }
}

impl Speed {
    /// From whole nanometres per second.
    pub const fn from_nm_per_s(nm_per_s: i64) -> Speed {
        Speed(nm_per_s)
    }
    /// In nanometres per second.
    pub const fn nm_per_s(self) -> i64 {
        self.0
    }
    /// In metres per second.
    pub fn metres_per_s(self) -> f64 {
        self.0 as f64 / 1e9
    }
    /// Reads `150 mm/s`, `6 in/s`.
    ///
    /// # Errors
    /// When there is no number, no unit, or a unit of another quantity.
    pub fn parse(text: &str) -> Result<Speed, UnitError> {
        const TABLE: &[(&str, i128)] = &[
            ("mm/s", 1_000_000),
            ("cm/s", 10_000_000),
            ("m/s", 1_000_000_000),
            ("in/s", NM_PER_INCH),
        ];
        written_in(text, TABLE, "speed", "mm/s, in/s").map(Speed)
    }
}

impl fmt::Display for Speed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} mm/s", shortest(self.0, 1_000_000))
    }
}

impl Acceleration {
    /// From whole nanometres per second squared.
    pub const fn from_nm_per_s2(nm_per_s2: i64) -> Acceleration {
        Acceleration(nm_per_s2)
    }
    /// In nanometres per second squared.
    pub const fn nm_per_s2(self) -> i64 {
        self.0
    }
    /// In metres per second squared.
    pub fn metres_per_s2(self) -> f64 {
        self.0 as f64 / 1e9
    }
    /// Reads `400 mm/s2`.
    ///
    /// # Errors
    /// When there is no number, no unit, or a unit of another quantity.
    pub fn parse(text: &str) -> Result<Acceleration, UnitError> {
        const TABLE: &[(&str, i128)] = &[
            ("mm/s2", 1_000_000),
            ("mm/s²", 1_000_000),
            ("m/s2", 1_000_000_000),
            ("in/s2", NM_PER_INCH),
        ];
        written_in(text, TABLE, "acceleration", "mm/s2, in/s2").map(Acceleration)
    }
}

impl fmt::Display for Acceleration {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} mm/s2", shortest(self.0, 1_000_000))
    }
}

impl Lux {
    /// Reads `250 lx`, `2000 lx`, `20 klx`.
    ///
    /// # Errors
    /// When there is no number, no unit, or a unit of another quantity.
    pub fn parse(text: &str) -> Result<Lux, UnitError> {
        const TABLE: &[(&str, i128)] = &[("lx", 1_000_000), ("klx", 1_000_000_000)];
        written_in(text, TABLE, "illuminance", "lx, klx").map(|micro| Lux(micro as f64 / 1e6))
    }
}

impl fmt::Display for Lux {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} lx", self.0)
    }
}

/// Reads a luminous flux, `812 lm`, in lm.
///
/// # Errors
/// When there is no number, no unit, or a unit of another quantity.
pub fn lumens(text: &str) -> Result<f64, UnitError> {
    const TABLE: &[(&str, i128)] = &[("lm", 1_000_000), ("klm", 1_000_000_000)];
    written_in(text, TABLE, "luminous flux", "lm, klm").map(|micro| micro as f64 / 1e6)
}

/// Reads a surface, `0.12 m2` or `1200 cm2`, in m2.
///
/// # Errors
/// When there is no number, no unit, or a unit of another quantity.
pub fn square_metres(text: &str) -> Result<f64, UnitError> {
    const TABLE: &[(&str, i128)] = &[("m2", 1_000_000), ("dm2", 10_000), ("cm2", 100)];
    written_in(text, TABLE, "surface", "m2, dm2, cm2").map(|mm2| mm2 as f64 / 1e6)
}

/// Reads a colour temperature, `2856 K`, in K.
///
/// # Errors
/// When there is no number, no unit, or a unit of another quantity.
pub fn kelvins(text: &str) -> Result<f64, UnitError> {
    const TABLE: &[(&str, i128)] = &[("K", 1_000_000)];
    written_in(text, TABLE, "colour temperature", "K").map(|micro| micro as f64 / 1e6)
}

/// An instant on the monotonic clock of one sitting, nanoseconds since its
/// zero (the start of the daemon, or of the simulation).
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Mono(i64);

/// An instant of civil time: microseconds since 1970-01-01 00:00 UTC.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Wall(i64);

impl Mono {
    /// The zero of the clock.
    pub const ZERO: Mono = Mono(0);
    /// From nanoseconds since the zero.
    pub const fn from_ns(ns: i64) -> Mono {
        Mono(ns)
    }
    /// Nanoseconds since the zero.
    pub const fn ns(self) -> i64 {
        self.0
    }
    /// How long after `earlier`; negative if before it.
    pub const fn since(self, earlier: Mono) -> Span {
        Span(self.0 - earlier.0)
    }
}

impl Wall {
    /// From microseconds since 1970-01-01 00:00 UTC.
    pub const fn from_us(us: i64) -> Wall {
        Wall(us)
    }
    /// Microseconds since 1970-01-01 00:00 UTC.
    pub const fn us(self) -> i64 {
        self.0
    }
    /// How long after `earlier`; negative if before it.
    pub const fn since(self, earlier: Wall) -> Span {
        Span((self.0 - earlier.0) * 1_000)
    }
}

impl Add<Span> for Mono {
    type Output = Mono;
    fn add(self, span: Span) -> Mono {
        Mono(self.0.saturating_add(span.0))
    }
}

impl Add<Span> for Wall {
    type Output = Wall;
    fn add(self, span: Span) -> Wall {
        Wall(self.0.saturating_add(span.us()))
    }
}

// Sums stay within what can be held: a plan of absurd times is refused for its
// length, and must not end the program before that is said.
macro_rules! sums {
    ($unit:ident) => {
        impl Add for $unit {
            type Output = $unit;
            fn add(self, other: $unit) -> $unit {
                $unit(self.0.saturating_add(other.0))
            }
        }
        impl AddAssign for $unit {
            fn add_assign(&mut self, other: $unit) {
                self.0 = self.0.saturating_add(other.0);
            }
        }
        impl Sub for $unit {
            type Output = $unit;
            fn sub(self, other: $unit) -> $unit {
                $unit(self.0.saturating_sub(other.0))
            }
        }
        impl Neg for $unit {
            type Output = $unit;
            fn neg(self) -> $unit {
                $unit(self.0.saturating_neg())
            }
        }
        impl std::iter::Sum for $unit {
            fn sum<I: Iterator<Item = $unit>>(parts: I) -> $unit {
                parts.fold($unit(0), |sum, part| sum + part)
            }
        }
    };
}
sums!(Length);
sums!(Span);

#[cfg(test)]
mod tests {
    use super::*;

    /// 1 in = 25.4 mm exactly: NIST SP 811, App. B. Stations of the rail grid
    /// after the same source (metrology check D04).
    #[test]
    fn six_inch_stations_are_exact() {
        for (station, mm) in [
            (1, 152.4),
            (2, 304.8),
            (3, 457.2),
            (6, 914.4),
            (12, 1828.8),
            (20, 3048.0),
        ] {
            let written = Length::parse(&format!("{} in", station * 6)).expect("a length");
            assert_eq!(written.mm(), mm, "station {station}");
            assert_eq!(written.nm() % 100_000, 0);
        }
    }

    #[test]
    fn quantities_are_read_exactly_and_shown_shortest() {
        let lengths = [
            ("6 in", "152.4 mm"),
            ("152.4mm", "152.4 mm"),
            ("-2 cm", "-20 mm"),
            ("0.5 um", "0.0005 mm"),
        ];
        for (written, shown) in lengths {
            assert_eq!(
                Length::parse(written).map(|l| l.to_string()),
                Ok(shown.to_owned()),
                "{written}"
            );
        }
        let spans = [
            ("500 ms", "500 ms"),
            ("30 min", "30 min"),
            ("90 s", "90 s"),
            ("120 min", "2 h"),
            ("1.5 s", "1.5 s"),
        ];
        for (written, shown) in spans {
            assert_eq!(
                Span::parse(written).map(|s| s.to_string()),
                Ok(shown.to_owned()),
                "{written}"
            );
        }
        assert_eq!(Ratio::parse("0.5 %"), Ok(Ratio::new(0.005)));
        assert_eq!(Lux::parse("20 klx"), Ok(Lux(20_000.0)));
        assert_eq!(
            Speed::parse("6 in/s").map(|s| s.to_string()),
            Ok("152.4 mm/s".to_owned())
        );
    }

    #[test]
    fn what_is_not_a_quantity_is_refused_with_its_reason() {
        let cases = [
            ("6", "`6` has no unit; write it with one of in, mm, cm, m"),
            ("six in", "`six in` is not a number with a unit"),
            (
                "6 furlong",
                "`furlong` is not a unit of length; use one of in, mm, cm, m",
            ),
            ("1.2.3 mm", "`1.2.3 mm` is not a number with a unit"),
            (
                "0.00000001 mm",
                "`0.00000001 mm` is finer or larger than can be held",
            ),
            (
                "99999999999999999 m",
                "`99999999999999999 m` is finer or larger than can be held",
            ),
            ("- mm", "`- mm` is not a number with a unit"),
        ];
        for (written, reason) in cases {
            assert_eq!(
                Length::parse(written).map_err(|e| e.to_string()),
                Err(reason.to_owned())
            );
        }
        let long = |head: &str| format!("{head}{}", "é".repeat(1 << 20));
        for head in ["12", "12 ", "", "1.2.3 "] {
            let told = Length::parse(&long(head)).map_err(|e| e.to_string().len());
            assert!(told.is_err_and(|bytes| bytes < 300), "{head}");
        }
    }

    #[test]
    fn spans_are_shown_for_a_reader() {
        let cases = [
            (Span::from_ms(20), "20 ms"),
            (Span::from_ms(2_500), "2.5 s"),
            (Span::from_secs(245), "4 min 05 s"),
            (Span::from_mins(64), "1 h 04 min"),
        ];
        for (span, shown) in cases {
            assert_eq!(span.shown(), shown);
        }
    }

    proptest::proptest! {
        #[test]
        fn a_length_shown_reads_back_the_same(nm in -1_000_000_000_000_i64..1_000_000_000_000) {
            let length = Length::from_nm(nm);
            proptest::prop_assert_eq!(Length::parse(&length.to_string()), Ok(length));
        }

        #[test]
        fn a_span_shown_reads_back_the_same(ms in -100_000_000_i64..100_000_000) {
            let span = Span::from_ms(ms);
            proptest::prop_assert_eq!(Span::parse(&span.to_string()), Ok(span));
        }

        #[test]
        fn no_text_panics(text in ".*") {
            let _ = (Length::parse(&text), Span::parse(&text), Ratio::parse(&text), Lux::parse(&text));
        }
    }
}
