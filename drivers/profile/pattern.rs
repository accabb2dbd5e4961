//! What an answer looks like, as a profile writes it: `{illuminance} {unit}`,
//! or a regular expression for what that cannot say.
//!
//! ```text
//!  {name}         anything, up to what follows it
//!  {name:number}  a decimal number          {name:word}  letters, µ, % and °
//!  {-}            anything, and not needed  a space      one space or more
//! ```
//!
//! The whole answer must fit, blanks around it left out. Pure; an answer of any
//! bytes takes time in proportion to its length (the engine has no way back).

use regex::{Regex, RegexBuilder};

/// Longest written pattern.
const CHARS_AT_MOST: usize = 500;
/// Largest compiled pattern, in bytes: a pattern is a line, not a program.
const COMPILED_AT_MOST_BYTES: usize = 256 << 10;

/// A decimal number, without the words and sentinels that stand for none.
const NUMBER: &str = r"[-+]?\s*(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][-+]?[0-9]+)?";
/// A unit or a mark.
const WORD: &str = r"[\p{L}µ%°²/]+";

/// What an answer looks like.
#[derive(Clone, Debug)]
pub struct Pattern {
    written: String,
    regex: Regex,
}

/// Two patterns are equal when they are written alike.
impl PartialEq for Pattern {
    fn eq(&self, other: &Pattern) -> bool {
        self.written == other.written && self.regex.as_str() == other.regex.as_str()
    }
}

impl Eq for Pattern {}

/// Why a text is no pattern.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PatternError {
    /// A brace that is never closed, or closed without being opened.
    #[error("a brace stands alone; write `{{{{` or `}}}}` for the character itself")]
    Brace,
    /// Two fields without anything between them that ends the first.
    #[error(
        "nothing says where `{{{0}}}` ends; put what stands between the fields, or say what it is: `{{{0}:number}}`"
    )]
    NoEnd(String),
    /// A name that is none.
    #[error(
        "`{{{0}}}` is no field; a field is a name of small letters, with `:number` or `:word` behind it where needed"
    )]
    NoField(String),
    /// A name that stands twice.
    #[error("the field `{{{0}}}` stands twice")]
    Twice(String),
    /// Longer than a line.
    #[error("the pattern is longer than {CHARS_AT_MOST} characters")]
    Long,
    /// The engine's reason.
    #[error("{0}")]
    Expression(String),
}

/// What was found in an answer: fields by their names.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Found(Vec<(String, String)>);

impl Found {
    /// A field, without blanks around it.
    pub fn get(&self, name: &str) -> Option<&str> {
        let found = self.0.iter().find(|(known, _)| known == name);
        found.map(|(_, text)| text.as_str())
    }

    /// Takes over the fields of a later answer.
    pub fn extend(&mut self, later: Found) {
        for (name, text) in later.0 {
            self.set(&name, text);
        }
    }

    /// Sets one field.
    pub fn set(&mut self, name: &str, text: String) {
        match self.0.iter_mut().find(|(known, _)| known == name) {
            Some(held) => held.1 = text,
            None => self.0.push((name.to_owned(), text)),
        }
    }
}

impl Pattern {
    /// Reads a pattern of fields.
    ///
    /// # Errors
    /// When a brace stands alone, a field has no end, no proper name, or stands
    /// twice.
    pub fn read(text: &str) -> Result<Pattern, PatternError> {
        if text.chars().count() > CHARS_AT_MOST {
            return Err(PatternError::Long);
        }
        let mut builder = Builder::default();
        let mut rest = text.trim();
        while let Some(at) = rest.find(['{', '}']) {
            builder.literal(&rest[..at]);
            let (brace, after) = rest[at..].split_at(1);
            if let Some(after) = after.strip_prefix(brace) {
                builder.literal(brace);
                rest = after;
                continue;
            }
            let (field, after) = after
                .split_once('}')
                .filter(|_| brace == "{")
                .ok_or(PatternError::Brace)?;
            builder.field(field)?;
            rest = after;
        }
        builder.literal(rest);
        compiled(text, &format!(r"^\s*{}\s*$", builder.regex))
    }

    /// Reads a regular expression with named groups, `(?<name>...)`.
    ///
    /// # Errors
    /// When it is none, or a group is called by no field's name.
    pub fn expression(text: &str) -> Result<Pattern, PatternError> {
        if text.chars().count() > CHARS_AT_MOST {
            return Err(PatternError::Long);
        }
        let pattern = compiled(text, text)?;
        if let Some(odd) = pattern.fields().find(|name| !is_name(name)) {
            return Err(PatternError::NoField(odd.to_owned()));
        }
        Ok(pattern)
    }

    /// The fields of an answer, or none when it does not fit.
    pub fn find(&self, answer: &str) -> Option<Found> {
        let caught = self.regex.captures(answer)?;
        let fields = self.fields().filter_map(|name| {
            let text = caught.name(name)?.as_str().trim();
            Some((name.to_owned(), text.to_owned()))
        });
        Some(Found(fields.collect()))
    }

    /// Whether an answer looks like this.
    pub fn fits(&self, answer: &str) -> bool {
        self.regex.is_match(answer)
    }

    /// The names of its fields.
    pub fn fields(&self) -> impl Iterator<Item = &str> {
        self.regex.capture_names().flatten()
    }

    /// As it is written in the profile.
    pub fn written(&self) -> &str {
        &self.written
    }
}

fn compiled(written: &str, regex: &str) -> Result<Pattern, PatternError> {
    let built = RegexBuilder::new(regex)
        .size_limit(COMPILED_AT_MOST_BYTES)
        .build();
    let regex = built.map_err(|error| {
        // The engine draws the place over several lines; its last one says why.
        let told = error.to_string();
        let why = told.lines().last().unwrap_or_default();
        PatternError::Expression(why.trim_start_matches("error: ").to_owned())
    })?;
    Ok(Pattern {
        written: written.to_owned(),
        regex,
    })
}

fn is_name(name: &str) -> bool {
    let mut chars = name.chars();
    chars.next().is_some_and(|c| c.is_ascii_lowercase())
        && chars.all(|c| c.is_ascii_lowercase() || c == '_' || c.is_ascii_digit())
}

#[derive(Default)]
struct Builder {
    regex: String,
    /// The field before, which reads on until something follows it.
    open: Option<String>,
    names: Vec<String>,
}

impl Builder {
    fn literal(&mut self, text: &str) {
        if text.is_empty() {
            return;
        }
        self.open = None;
        let mut blank = false;
        for c in text.chars() {
            let is_blank = c.is_whitespace();
            if is_blank && !blank {
                self.regex.push_str(r"\s+");
            } else if !is_blank {
                self.regex.push_str(&regex::escape(&c.to_string()));
            }
            blank = is_blank;
        }
    }

    fn field(&mut self, written: &str) -> Result<(), PatternError> {
        if let Some(open) = self.open.take() {
            return Err(PatternError::NoEnd(open));
        }
        let (name, kind) = match written.split_once(':') {
            Some((name, kind)) => (name, Some(kind)),
            None => (written, None),
        };
        let no_field = || PatternError::NoField(written.to_owned());
        let form = match kind {
            None => ".*?",
            Some("number") => NUMBER,
            Some("word") => WORD,
            Some(_) => return Err(no_field()),
        };
        if kind.is_none() {
            self.open = Some(name.to_owned());
        }
        if name == "-" {
            self.regex.push_str(&format!("(?:{form})"));
            return Ok(());
        }
        if !is_name(name) {
            return Err(no_field());
        }
        if self.names.iter().any(|known| known == name) {
            return Err(PatternError::Twice(name.to_owned()));
        }
        self.names.push(name.to_owned());
        self.regex.push_str(&format!("(?<{name}>{form})"));
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A pattern, an answer, and its fields.
    type Case = (
        &'static str,
        &'static str,
        Option<&'static [(&'static str, &'static str)]>,
    );

    fn found(pattern: &Pattern, answer: &str) -> Option<Vec<(String, String)>> {
        pattern.find(answer).map(|found| found.0)
    }

    #[test]
    fn answers_are_taken_apart() {
        let cases: &[Case] = &[
            ("{lux}", " 5.006312E+02\r", Some(&[("lux", "5.006312E+02")])),
            (
                "{lux} {unit}",
                "500.1 lx",
                Some(&[("lux", "500.1"), ("unit", "lx")]),
            ),
            (
                "{lux} {unit}",
                "  500.1    klx ",
                Some(&[("lux", "500.1"), ("unit", "klx")]),
            ),
            ("{lux} {unit}", "500.1", None),
            (
                "{lux:number}{unit:word}",
                "+500.1lx",
                Some(&[("lux", "+500.1"), ("unit", "lx")]),
            ),
            ("{lux:number}{unit:word}", "OLlx", None),
            ("P1 {lux:number}", "P1 -1,5", Some(&[("lux", "-1,5")])),
            (
                "{maker},{model},{serial},{firmware}",
                "A B,C,0,1.2,beta",
                Some(&[
                    ("maker", "A B"),
                    ("model", "C"),
                    ("serial", "0"),
                    ("firmware", "1.2,beta"),
                ]),
            ),
            ("{-},{lux}", "7,3", Some(&[("lux", "3")])),
            ("E={lux}lx", "E=12lx", Some(&[("lux", "12")])),
            ("E={lux}lx", "F=12lx", None),
            ("{{{lux}}}", "{12}", Some(&[("lux", "12")])),
            ("ready", "ready", Some(&[])),
            ("ready", "not ready", None),
        ];
        for (written, answer, wanted) in cases {
            let pattern = Pattern::read(written).expect(written);
            let wanted = wanted.map(|fields| {
                let owned = fields
                    .iter()
                    .map(|(n, t)| ((*n).to_owned(), (*t).to_owned()));
                owned.collect::<Vec<_>>()
            });
            assert_eq!(found(&pattern, answer), wanted, "{written} {answer}");
        }
    }

    #[test]
    fn an_expression_has_named_groups() {
        let pattern = Pattern::expression(r"^(?<lux>\d+) *(?<flag>HOLD)?$").expect("a pattern");
        assert_eq!(
            pattern.find("12 HOLD").expect("fits").get("flag"),
            Some("HOLD")
        );
        assert_eq!(pattern.find("12").expect("fits").get("flag"), None);
    }

    #[test]
    fn what_is_no_pattern_is_told() {
        let cases = [
            (
                "{a}{b}",
                "nothing says where `{a}` ends; put what stands between the fields, or say what it is: `{a:number}`",
            ),
            (
                "{A}",
                "`{A}` is no field; a field is a name of small letters, with `:number` or `:word` behind it where needed",
            ),
            (
                "{a:digits}",
                "`{a:digits}` is no field; a field is a name of small letters, with `:number` or `:word` behind it where needed",
            ),
            ("{a} {a}", "the field `{a}` stands twice"),
            (
                "{a",
                "a brace stands alone; write `{{` or `}}` for the character itself",
            ),
        ];
        for (written, why) in cases {
            let told = Pattern::read(written).map_err(|e| e.to_string());
            assert_eq!(told.expect_err(written), why);
        }
        let told = |text: &str| Pattern::expression(text).map_err(|e| e.to_string());
        assert_eq!(told("(").expect_err("an open group"), "unclosed group");
        assert!(told(r"(?<A>.)").is_err());
        assert!(told(r"(\w{900}){900}").is_err());
        assert_eq!(Pattern::read(&"x".repeat(501)), Err(PatternError::Long));
    }

    proptest::proptest! {
        #[test]
        fn no_pattern_and_no_answer_panics(written in "\\PC{0,30}", answer in "\\PC{0,200}") {
            for pattern in [Pattern::read(&written).ok(), Pattern::expression(&written).ok()] {
                let _ = pattern.and_then(|pattern| pattern.find(&answer));
            }
        }

        #[test]
        fn a_written_number_is_found(value in -1e30_f64..1e30) {
            let pattern = Pattern::read("{a:number} {unit}").expect("a pattern");
            let found = pattern.find(&format!("{value:e} lx")).expect("a number");
            let text = found.get("a").expect("the field");
            proptest::prop_assert_eq!(text.parse::<f64>(), Ok(value));
        }
    }
}
