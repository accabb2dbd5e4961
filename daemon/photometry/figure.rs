//! A computed figure and its name: one name, quantity and unit for each, the
//! same in JSON, CSV, SQL, scripts and reports.
//!
//! A topic (colour, flicker, ramp, ...) owns its names as constants and gives
//! its results as a list of [`Figure`]s besides its own typed struct. A figure
//! that must not be believed is *withheld* with its reason, never given low;
//! one that may be given only with a remark carries its *marks*.

use serde::Serialize;

use crate::uncertainty::Estimate;

/// What a figure is called, what it means, and whose definition it follows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FigureName {
    /// In snake case, with its unit where it has one: `cct_k`, `svm`.
    pub name: &'static str,
    /// The unit's symbol; empty for a bare number or a word.
    pub unit: &'static str,
    /// What it is, in a few words.
    pub meaning: &'static str,
    /// The standard or publication that defines it, edition included;
    /// `own definition` where there is none.
    pub standard: &'static str,
    /// The published or closed-form value that the tests hold it against, with
    /// the tolerance.
    pub check: &'static str,
}

/// Every name of every topic, in the topics' order.
pub fn all_names() -> Vec<&'static FigureName> {
    let topics = [
        crate::spectrum_figures::names::ALL,
        crate::two_spectra::names::ALL,
        crate::flicker::figures::names::ALL,
        crate::ramp::figures::names::ALL,
        crate::ramp::figures::in_sphere::ALL,
        crate::ramp::figures::on_the_way::ALL,
        crate::distance_figures::names::ALL,
        crate::sphere_figures::names::ALL,
        crate::standby::names::ALL,
        crate::data_figures::names::ALL,
    ];
    topics.concat()
}

/// A number to five digits, as a person reads it; zeros at its end say nothing.
pub fn five_digits(value: f64) -> String {
    let size = value.abs();
    if value == 0.0 || !value.is_finite() {
        return format!("{}", value + 0.0);
    }
    if !(1e-4..1e7).contains(&size) {
        return format!("{value:.4e}");
    }
    let decimals = (4 - size.log10().floor() as i32).clamp(0, 8) as usize;
    let text = format!("{value:.decimals$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// What is given for a figure.
#[derive(Clone, Debug, PartialEq)]
pub enum Given {
    /// A finite number in the figure's unit.
    Number(f64),
    /// A number with its terms of uncertainty.
    Estimate(Estimate),
    /// A class or another word.
    Word(&'static str),
    /// Not seen; it is not above this.
    AtMost(f64),
    /// Only a bound from below is known.
    AtLeast(f64),
    /// There is none; why.
    Withheld(String),
}

/// A computed figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Its name.
    pub name: &'static FigureName,
    /// Its value, or why there is none.
    pub given: Given,
    /// Remarks without which it must not be read, as short words: `drift`,
    /// `short`.
    pub marks: Vec<&'static str>,
}

impl Figure {
    /// A number; withheld when it is not finite, so that a figure is never
    /// not-a-number.
    pub fn number(name: &'static FigureName, value: f64) -> Figure {
        let given = if value.is_finite() {
            Given::Number(value)
        } else {
            Given::Withheld("the computation gave no finite number".to_owned())
        };
        Figure::of(name, given)
    }

    /// An estimate with its terms.
    pub fn estimate(name: &'static FigureName, estimate: Estimate) -> Figure {
        if !estimate.value.is_finite() || !estimate.combined().is_finite() {
            return Figure::number(name, f64::NAN);
        }
        Figure::of(name, Given::Estimate(estimate))
    }

    /// A word.
    pub fn word(name: &'static FigureName, word: &'static str) -> Figure {
        Figure::of(name, Given::Word(word))
    }

    /// None; why.
    pub fn withheld(name: &'static FigureName, why: impl Into<String>) -> Figure {
        Figure::of(name, Given::Withheld(why.into()))
    }

    /// A number where there is one, else withheld for this reason.
    pub fn or_withheld(name: &'static FigureName, value: Option<f64>, why: &str) -> Figure {
        match value {
            Some(value) => Figure::number(name, value),
            None => Figure::withheld(name, why),
        }
    }

    /// Whatever is given.
    pub fn of(name: &'static FigureName, given: Given) -> Figure {
        let marks = Vec::new();
        Figure { name, given, marks }
    }

    /// With one more remark; the same remark stands there once.
    #[must_use]
    pub fn marked(mut self, mark: &'static str) -> Figure {
        if !self.marks.contains(&mark) {
            self.marks.push(mark);
        }
        self
    }

    /// The number, where a plain one or an estimate is given.
    pub fn value(&self) -> Option<f64> {
        match &self.given {
            Given::Number(value) => Some(*value),
            Given::Estimate(estimate) => Some(estimate.value),
            Given::Word(_) | Given::AtMost(_) | Given::AtLeast(_) | Given::Withheld(_) => None,
        }
    }
}

/// As it crosses to JSON: name, unit, one of `value`, `word`, `at_most`,
/// `at_least`, `withheld`, then `u` (k = 1), `marks`, `standard`.
impl Serialize for Figure {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        use serde::ser::SerializeMap;
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("name", self.name.name)?;
        match &self.given {
            Given::Number(value) => map.serialize_entry("value", value)?,
            Given::Estimate(estimate) => {
                map.serialize_entry("value", &estimate.value)?;
                map.serialize_entry("u", &estimate.combined())?;
            }
            Given::Word(word) => map.serialize_entry("word", word)?,
            Given::AtMost(bound) => map.serialize_entry("at_most", bound)?,
            Given::AtLeast(bound) => map.serialize_entry("at_least", bound)?,
            Given::Withheld(why) => map.serialize_entry("withheld", why)?,
        }
        if !self.name.unit.is_empty() {
            map.serialize_entry("unit", self.name.unit)?;
        }
        if !self.marks.is_empty() {
            map.serialize_entry("marks", &self.marks)?;
        }
        map.serialize_entry("standard", self.name.standard)?;
        map.end()
    }
}

/// Constants of names, a line each: name of the constant, name, unit, meaning,
/// standard, check; and `ALL` of them.
macro_rules! figure_names {
    ($($konst:ident $name:literal $unit:literal $meaning:literal $standard:literal
       $check:literal;)*) => {
        $(
            #[doc = $meaning]
            pub const $konst: $crate::figure::FigureName = $crate::figure::FigureName {
                name: $name,
                unit: $unit,
                meaning: $meaning,
                standard: $standard,
                check: $check,
            };
        )*
        /// All of them.
        pub const ALL: &[&$crate::figure::FigureName] = &[$(&$konst),*];
    };
}
pub(crate) use figure_names;

#[cfg(test)]
mod tests {
    use super::*;

    const SVM: FigureName = FigureName {
        name: "svm",
        unit: "",
        meaning: "stroboscopic visibility measure",
        standard: "CIE TN 006:2016",
        check: "none",
    };

    /// One name, one figure; snake case; its standard and its check are said.
    #[test]
    fn every_name_is_the_only_one_and_says_what_it_rests_on() {
        let mut seen = std::collections::BTreeSet::new();
        for name in all_names() {
            assert!(seen.insert(name.name), "{} twice", name.name);
            let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
            assert!(name.name.chars().all(plain), "{}", name.name);
            let said = [name.meaning, name.standard, name.check];
            assert!(said.iter().all(|text| text.len() > 2), "{}", name.name);
        }
        assert!(seen.len() > 90, "{}", seen.len());
    }

    #[test]
    fn a_figure_is_never_not_a_number() {
        for value in [f64::NAN, f64::INFINITY] {
            let figure = Figure::number(&SVM, value);
            assert!(matches!(figure.given, Given::Withheld(_)), "{figure:?}");
            assert_eq!(figure.value(), None);
            let estimate = Estimate::exact(1.0).with("a", value, None);
            let figure = Figure::estimate(&SVM, estimate);
            assert!(matches!(figure.given, Given::Withheld(_)), "{figure:?}");
        }
    }

    #[test]
    fn it_crosses_with_its_name_its_remarks_and_its_standard() {
        let estimate = Estimate::exact(1.5).with("noise", 0.25, None);
        let figure = Figure::estimate(&SVM, estimate)
            .marked("drift")
            .marked("drift");
        assert_eq!(
            serde_json::to_string(&figure).expect("json"),
            "{\"name\":\"svm\",\"value\":1.5,\"u\":0.25,\"marks\":[\"drift\"],\
             \"standard\":\"CIE TN 006:2016\"}"
        );
    }
}
