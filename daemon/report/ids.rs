//! The short id of each printed figure: what a reader types to hear its story.
//!
//! ```text
//! 12.r3                    ruling 3 of run 12
//! 12.levels.dark           the meter covered      12.levels.home   home, found again
//! 12.levels.ambient@24in   the lamp off, there
//! 12.levels.L07@24in       level 7 at 24 in
//! 12.levels.L07.drift      offset, disc, drift, warm-up, step, reaches-250lx
//! 12.levels.L07.warm-up-2  the second warm-up at that level
//! 12.colour.L07.cct_k      a named figure of another kind of test
//! ```
//!
//! A place is written exactly, in the survey's own unit, or in millimetres
//! where that unit has no end of decimals. Characters of names that would be
//! taken for the id's own are written as `%` and two hexadecimal digits, so
//! that every id can be read back. Pure; used by: page, account.

use std::fmt::{self, Write as _};

use photometry::figure::FigureName;
use photometry::units::{Length, LengthUnit};

/// Which figure.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FigureId {
    /// A ruling by its number.
    Ruling {
        /// The run.
        run: i64,
        /// Its number in the run, from 1.
        no: u32,
    },
    /// A figure of a whole test.
    Test {
        /// The run.
        run: i64,
        /// The test's name.
        test: String,
        /// Which.
        figure: TestFigure,
    },
    /// A figure of one setting.
    Setting {
        /// The run.
        run: i64,
        /// The test's name.
        test: String,
        /// The setting's key, such as `L07`.
        setting: String,
        /// Which.
        figure: SettingFigure,
    },
    /// A named figure of a test that is no survey.
    Measured {
        /// The run.
        run: i64,
        /// The test's name.
        test: String,
        /// A setting's key, or the run of a program: `dawn-1`.
        of: String,
        /// The figure's name.
        figure: &'static FigureName,
    },
}

impl FigureId {
    /// The run.
    pub const fn run(&self) -> i64 {
        match self {
            FigureId::Ruling { run, .. }
            | FigureId::Test { run, .. }
            | FigureId::Setting { run, .. }
            | FigureId::Measured { run, .. } => *run,
        }
    }
}

/// A figure of a whole test.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TestFigure {
    /// The meter covered, in lux.
    Dark,
    /// Where the home switch was found at the end, as an offset.
    Home,
    /// The lamp off at a place, in lux.
    Ambient(Place),
}

/// A figure of one setting.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SettingFigure {
    /// Illuminance at a place, in lux.
    At(Place),
    /// The offset fit.
    Offset,
    /// The disc fit.
    Disc,
    /// The drift over the leg, as a share.
    Drift,
    /// How a warm-up ended: which one at the setting, from 1.
    WarmUp(u32),
    /// The ratio to the level below.
    Step,
    /// The distance at which this many lux are reached.
    Reaches(u32),
}

/// A position with the unit in which it is written exactly.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    at: Length,
    written: LengthUnit,
}

/// 127 nm are 5 millionths of an inch: only multiples have an end in inches.
const NM_PER_FIVE_MICROINCH: i64 = 127;

impl Place {
    /// A position in the survey's unit; in millimetres where it would have no
    /// end of decimals.
    pub fn new(at: Length, wanted: LengthUnit) -> Place {
        let written = match wanted {
            LengthUnit::Inches if at.nm() % NM_PER_FIVE_MICROINCH == 0 => LengthUnit::Inches,
            _ => LengthUnit::Millimetres,
        };
        Place { at, written }
    }

    /// The position.
    pub const fn at(self) -> Length {
        self.at
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (millionths, unit) = match self.written {
            LengthUnit::Inches => (self.at.nm() / NM_PER_FIVE_MICROINCH * 5, "in"),
            LengthUnit::Millimetres => (self.at.nm(), "mm"),
        };
        let sign = if millionths < 0 { "-" } else { "" };
        let parts = millionths.unsigned_abs();
        let (whole, rest) = (parts / 1_000_000, parts % 1_000_000);
        write!(f, "{sign}{whole}")?;
        if rest > 0 {
            write!(f, ".{}", format!("{rest:06}").trim_end_matches('0'))?;
        }
        f.write_str(unit)
    }
}

/// A name with every character escaped that the id uses itself.
struct Written<'n>(&'n str);

impl fmt::Display for Written<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for byte in self.0.bytes() {
            if byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'_' {
                f.write_char(char::from(byte))?;
            } else {
                write!(f, "%{byte:02X}")?;
            }
        }
        Ok(())
    }
}

/// A setting's name: one that is called as the ambient light is has its first
/// letter escaped, so that the two are told apart.
fn setting_written(name: &str) -> String {
    match name {
        AMBIENT => "%61mbient".to_owned(),
        _ => Written(name).to_string(),
    }
}

const AMBIENT: &str = "ambient";

impl fmt::Display for FigureId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            FigureId::Measured {
                run,
                test,
                of,
                figure,
            } => {
                let (test, of) = (Written(test), setting_written(of));
                write!(f, "{run}.{test}.{of}.{}", figure.name)
            }
            FigureId::Ruling { run, no } => write!(f, "{run}.r{no}"),
            FigureId::Test { run, test, figure } => {
                write!(f, "{run}.{}.", Written(test))?;
                match figure {
                    TestFigure::Dark => f.write_str("dark"),
                    TestFigure::Home => f.write_str("home"),
                    TestFigure::Ambient(place) => write!(f, "{AMBIENT}@{place}"),
                }
            }
            FigureId::Setting {
                run,
                test,
                setting,
                figure,
            } => {
                write!(f, "{run}.{}.{}", Written(test), setting_written(setting))?;
                match figure {
                    SettingFigure::At(place) => write!(f, "@{place}"),
                    SettingFigure::Offset => f.write_str(".offset"),
                    SettingFigure::Disc => f.write_str(".disc"),
                    SettingFigure::Drift => f.write_str(".drift"),
                    SettingFigure::WarmUp(..=1) => f.write_str(".warm-up"),
                    SettingFigure::WarmUp(no) => write!(f, ".warm-up-{no}"),
                    SettingFigure::Step => f.write_str(".step"),
                    SettingFigure::Reaches(lux) => write!(f, ".reaches-{lux}lx"),
                }
            }
        }
    }
}

/// Why a text is not the id of a figure.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{0}` is not the id of a figure; ids look like 12.levels.L07@24in, 12.levels.L07.drift or 12.r3"
)]
pub struct NoFigureId(pub String);

/// Reads an id as the page prints it.
///
/// # Errors
/// When the text is none.
pub fn parse(text: &str) -> Result<FigureId, NoFigureId> {
    read(text).ok_or_else(|| NoFigureId(text.to_owned()))
}

fn read(text: &str) -> Option<FigureId> {
    // A place may hold a full stop, names never do.
    if let Some((head, place)) = text.split_once('@') {
        let place = read_place(place)?;
        let [run, test, what] = parts(head)?;
        let (run, test) = (read_run(run)?, unwritten(test)?);
        return Some(match what {
            AMBIENT => FigureId::Test {
                run,
                test,
                figure: TestFigure::Ambient(place),
            },
            _ => FigureId::Setting {
                run,
                test,
                setting: unwritten(what)?,
                figure: SettingFigure::At(place),
            },
        });
    }
    if let Some([run, ruling]) = parts(text) {
        let (run, no) = (read_run(run)?, ruling.strip_prefix('r')?);
        let no = digits(no)?.parse().ok()?;
        return Some(FigureId::Ruling { run, no });
    }
    if let Some([run, test, what]) = parts(text) {
        let figure = match what {
            "dark" => TestFigure::Dark,
            "home" => TestFigure::Home,
            _ => return None,
        };
        let (run, test) = (read_run(run)?, unwritten(test)?);
        return Some(FigureId::Test { run, test, figure });
    }
    let [run, test, setting, what] = parts(text)?;
    let (run, test, setting) = (read_run(run)?, unwritten(test)?, unwritten(setting)?);
    let mut names = photometry::figure::all_names().into_iter();
    if let Some(figure) = names.find(|name| name.name == what) {
        return Some(FigureId::Measured {
            run,
            test,
            of: setting,
            figure,
        });
    }
    Some(FigureId::Setting {
        run,
        test,
        setting,
        figure: read_figure(what)?,
    })
}

fn parts<const N: usize>(text: &str) -> Option<[&str; N]> {
    let parts: Vec<&str> = text.split('.').collect();
    parts.try_into().ok()
}

/// Digits alone: `parse` would take a sign too.
fn digits(text: &str) -> Option<&str> {
    text.bytes().all(|b| b.is_ascii_digit()).then_some(text)
}

fn read_run(text: &str) -> Option<i64> {
    digits(text)?.parse().ok()
}

fn read_figure(text: &str) -> Option<SettingFigure> {
    Some(match text {
        "offset" => SettingFigure::Offset,
        "disc" => SettingFigure::Disc,
        "drift" => SettingFigure::Drift,
        "warm-up" => SettingFigure::WarmUp(1),
        "step" => SettingFigure::Step,
        _ if text.starts_with("warm-up-") => {
            let no = digits(text.strip_prefix("warm-up-")?)?.parse().ok()?;
            (no > 1).then_some(SettingFigure::WarmUp(no))?
        }
        _ => {
            let lux = text.strip_prefix("reaches-")?.strip_suffix("lx")?;
            SettingFigure::Reaches(digits(lux)?.parse().ok()?)
        }
    })
}

fn read_place(text: &str) -> Option<Place> {
    let unit = match text.get(text.len().checked_sub(2)?..)? {
        "in" => LengthUnit::Inches,
        "mm" => LengthUnit::Millimetres,
        _ => return None,
    };
    Some(Place::new(Length::parse(text).ok()?, unit))
}

/// A name read back; none when it is empty or not one that could be written.
fn unwritten(text: &str) -> Option<String> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let Some((first, tail)) = rest.split_first() {
        rest = tail;
        if *first == b'%' {
            let hex = std::str::from_utf8(rest.get(..2)?).ok()?;
            bytes.push(u8::from_str_radix(hex, 16).ok()?);
            rest = &rest[2..];
        } else {
            bytes.push(*first);
        }
    }
    let name = String::from_utf8(bytes).ok()?;
    (!name.is_empty()).then_some(name)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn ids_read_as_they_are_printed() {
        let place = |nm, unit| Place::new(Length::from_nm(nm), unit);
        let of = |figure| FigureId::Setting {
            run: 12,
            test: "levels".to_owned(),
            setting: "L07".to_owned(),
            figure,
        };
        let of_test = |figure| FigureId::Test {
            run: 12,
            test: "levels".to_owned(),
            figure,
        };
        let inches = LengthUnit::Inches;
        let cases = [
            (FigureId::Ruling { run: 12, no: 3 }, "12.r3"),
            (of_test(TestFigure::Dark), "12.levels.dark"),
            (
                of_test(TestFigure::Ambient(place(609_600_000, inches))),
                "12.levels.ambient@24in",
            ),
            (
                of(SettingFigure::At(place(609_600_000, inches))),
                "12.levels.L07@24in",
            ),
            (
                of(SettingFigure::At(place(600_000_000, inches))),
                "12.levels.L07@600mm",
            ),
            (
                of(SettingFigure::At(place(
                    152_400_000,
                    LengthUnit::Millimetres,
                ))),
                "12.levels.L07@152.4mm",
            ),
            (of(SettingFigure::WarmUp(1)), "12.levels.L07.warm-up"),
            (of(SettingFigure::WarmUp(2)), "12.levels.L07.warm-up-2"),
            (
                of(SettingFigure::Reaches(250)),
                "12.levels.L07.reaches-250lx",
            ),
        ];
        for (id, text) in cases {
            assert_eq!(id.to_string(), text);
            assert_eq!(parse(text), Ok(id));
        }
    }

    #[test]
    fn what_is_no_id_is_refused() {
        let none = [
            "",
            "12",
            "12.",
            "12.r",
            "12.r+3",
            "-1.r3",
            "12.levels",
            "12.levels.light",
            "12..L07@24in",
            "12.levels.L07@24",
            "12.levels.L07@24ft",
            "12.levels.L07.reaches-lx",
            "12.levels.L07.drift.drift",
            "12.levels.L07.warm-up-",
            "12.levels.L07.warm-up-1",
            "12.levels.L07.warm-up-+2",
            "12.le%vels.dark",
            "12.l%FF.dark",
            "12.levels.@24in",
            "99999999999999999999.r1",
            "12.levels.L07@é",
        ];
        for text in none {
            assert_eq!(parse(text), Err(NoFigureId(text.to_owned())));
        }
    }

    fn any_place() -> impl Strategy<Value = Place> {
        (-4_000_000_000_000_i64..4_000_000_000_000, 0..3).prop_map(|(nm, how)| match how {
            0 => Place::new(Length::from_nm(nm), LengthUnit::Millimetres),
            1 => Place::new(Length::from_nm(nm), LengthUnit::Inches),
            _ => Place::new(Length::from_nm(nm / 127 * 127), LengthUnit::Inches),
        })
    }

    fn any_id() -> impl Strategy<Value = FigureId> {
        let name = prop_oneof![".+", "[a-z0-9-]{1,9}", Just(AMBIENT.to_owned())];
        let figures = (any_place(), any::<u32>(), 0..7_u8);
        (0..i64::MAX, name.clone(), name, figures, 0..5_u8).prop_map(
            |(run, test, setting, (place, lux, which), kind)| match kind {
                0 => FigureId::Ruling { run, no: lux },
                1 => FigureId::Test {
                    run,
                    test,
                    figure: match which {
                        0 => TestFigure::Dark,
                        1 => TestFigure::Home,
                        _ => TestFigure::Ambient(place),
                    },
                },
                _ => FigureId::Setting {
                    run,
                    test,
                    setting,
                    figure: match which {
                        0 => SettingFigure::Offset,
                        1 => SettingFigure::Disc,
                        2 => SettingFigure::Drift,
                        3 => SettingFigure::WarmUp(lux.max(1)),
                        4 => SettingFigure::Step,
                        5 => SettingFigure::Reaches(lux),
                        _ => SettingFigure::At(place),
                    },
                },
            },
        )
    }

    proptest! {
        #[test]
        fn every_id_reads_back(id in any_id()) {
            prop_assert_eq!(parse(&id.to_string()), Ok(id));
        }

        #[test]
        fn no_text_panics(text in ".*", tail in "[0-9a-zA-Z.@%-]{0,20}") {
            let _ = (parse(&text), parse(&tail), parse(&format!("12.levels.{tail}")));
        }
    }
}
