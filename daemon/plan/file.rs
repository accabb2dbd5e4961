//! What all three kinds of file have in common: the first key that says what
//! the file is, the format, and readers of quantities with their bounds.

use photometry::units::{self, Acceleration, Length, Lux, Ratio, Span, Speed};
use written::{Fields, Mistake, Mistakes, Node, readers};

/// The format of the files that this program reads.
pub const FORMAT: i64 = 1;

/// Kinds of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileKind {
    /// `bench:`
    Bench,
    /// `lamp:`
    Lamp,
    /// `plan:`
    Plan,
    /// `profile:`
    Profile,
}

/// What kind of file this is, by its first key; a mistake if by none.
pub fn kind(root: Node<'_>, mistakes: &mut Mistakes) -> Option<FileKind> {
    let kinds = [
        ("bench", FileKind::Bench),
        ("lamp", FileKind::Lamp),
        ("plan", FileKind::Plan),
        ("profile", FileKind::Profile),
    ];
    let found = kinds
        .iter()
        .find(|(key, _)| root.get(key).is_some())
        .map(|(_, kind)| *kind);
    if found.is_none() {
        let first = root.entries().next().and_then(|(key, _)| key.text());
        let meant = first.and_then(|first| written::nearest(first, kinds.iter().map(|k| k.0)));
        let hint = match meant {
            Some(meant) => format!("did you mean `{meant}:`?"),
            None => {
                "begin the file with `bench: NAME`, `lamp: NAME`, `plan: NAME` or `profile: NAME`"
                    .to_owned()
            }
        };
        mistakes.add(
            Mistake::new(
                root.place(),
                "no-kind",
                "this is no bench, lamp, plan or profile file",
            )
            .hint(hint),
        );
    }
    found
}

/// Takes the key `format`, which every file has.
pub fn format(fields: &mut Fields<'_, '_>) {
    let reader = readers::checked(readers::integer, |format: &i64| {
        if *format == FORMAT {
            return Ok(());
        }
        Err(format!(
            "format {format} is not known; this program reads format {FORMAT}"
        ))
    });
    let _ = fields.need_like("format", "1", reader);
}

/// No bench is longer, and sums of lengths cannot overflow.
const LONGEST: Length = Length::from_mm(1_000_000);

/// Within [`LONGEST`] either way.
pub fn bounded(length: &Length) -> Result<(), String> {
    if length.nm().unsigned_abs() <= LONGEST.nm().unsigned_abs() {
        Ok(())
    } else {
        Err(format!("{length} is longer than any bench"))
    }
}

/// A length above zero.
pub fn length(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Length> {
    let reader = readers::checked(coordinate, |length: &Length| {
        positive(length.nm() > 0, length)
    });
    reader(node, mistakes)
}

/// A length of any sign.
pub fn coordinate(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Length> {
    readers::checked(readers::quantity(Length::parse), bounded)(node, mistakes)
}

/// A length that is not below zero.
pub fn small_length(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Length> {
    let reader = readers::checked(coordinate, |length: &Length| {
        if length.nm() >= 0 {
            Ok(())
        } else {
            Err(format!("{length} is below zero"))
        }
    });
    reader(node, mistakes)
}

/// A time above zero, at most 30 days.
pub fn span(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Span> {
    let reader = readers::checked(readers::quantity(Span::parse), |span: &Span| {
        if *span > Span::from_mins(30 * 24 * 60) {
            return Err(format!("{span} is longer than 30 days"));
        }
        positive(span.ns() > 0, span)
    });
    reader(node, mistakes)
}

/// A speed above zero.
pub fn speed(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Speed> {
    let reader = readers::checked(readers::quantity(Speed::parse), |speed: &Speed| {
        positive(speed.nm_per_s() > 0, speed)
    });
    reader(node, mistakes)
}

/// An acceleration above zero.
pub fn acceleration(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Acceleration> {
    let reader = readers::checked(
        readers::quantity(Acceleration::parse),
        |a: &Acceleration| positive(a.nm_per_s2() > 0, a),
    );
    reader(node, mistakes)
}

/// An illuminance above zero.
pub fn lux(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Lux> {
    let reader = readers::checked(readers::quantity(Lux::parse), |lux: &Lux| {
        positive(lux.0 > 0.0, lux)
    });
    reader(node, mistakes)
}

/// A luminous flux above zero, in lm.
pub fn lumens(node: Node<'_>, mistakes: &mut Mistakes) -> Option<f64> {
    let reader = readers::checked(readers::quantity(units::lumens), |lm: &f64| {
        positive(*lm > 0.0, lm)
    });
    reader(node, mistakes)
}

/// A surface above zero, in m2.
pub fn surface(node: Node<'_>, mistakes: &mut Mistakes) -> Option<f64> {
    let reader = readers::checked(readers::quantity(units::square_metres), |m2: &f64| {
        positive(*m2 > 0.0, m2)
    });
    reader(node, mistakes)
}

/// A share above zero and at most one.
pub fn share(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Ratio> {
    let reader = readers::checked(readers::quantity(Ratio::parse), |ratio: &Ratio| {
        if ratio.share() > 1.0 {
            return Err(format!("{ratio} is more than the whole"));
        }
        positive(ratio.share() > 0.0, ratio)
    });
    reader(node, mistakes)
}

fn positive(is: bool, value: &impl std::fmt::Display) -> Result<(), String> {
    if is {
        Ok(())
    } else {
        Err(format!("{value} is not above zero"))
    }
}

/// `A to B`, both read by `parse`; B above A.
pub fn range<T: PartialOrd + Copy + std::fmt::Display>(
    text: &str,
    parse: impl Fn(&str) -> Result<T, String>,
) -> Result<(T, T), String> {
    let Some((from, to)) = text.split_once(" to ") else {
        return Err(format!(
            "`{text}` is no range; write it as `0 mm to 2000 mm`"
        ));
    };
    let (from, to) = (parse(from)?, parse(to)?);
    if from < to {
        Ok((from, to))
    } else {
        Err(format!(
            "{to} is not above {from}; write the lower end first"
        ))
    }
}

/// A day, `2027-03-01`.
pub fn day(node: Node<'_>, mistakes: &mut Mistakes) -> Option<String> {
    let reader = readers::checked(readers::text, |text: &String| {
        if is_day(text) {
            Ok(())
        } else {
            Err(format!("`{text}` is no day; write it as 2027-03-01"))
        }
    });
    reader(node, mistakes)
}

/// Whether a text is a day of the Gregorian calendar, `2027-03-01`.
pub fn is_day(text: &str) -> bool {
    let parts: Vec<&str> = text.split('-').collect();
    let [year, month, day] = parts.as_slice() else {
        return false;
    };
    let digits = |part: &str, width: usize| {
        (part.len() == width && part.bytes().all(|b| b.is_ascii_digit()))
            .then(|| part.parse::<u32>().ok())
            .flatten()
    };
    let (Some(year), Some(month), Some(day)) = (digits(year, 4), digits(month, 2), digits(day, 2))
    else {
        return false;
    };
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let days = match month {
        2 => 28 + u32::from(leap),
        4 | 6 | 9 | 11 => 30,
        1..=12 => 31,
        _ => return false,
    };
    (1..=days).contains(&day)
}
