//! What is sent, as a profile writes it: text with named places, like
//! `SENS:APER {value}`. `{{` and `}}` stand for the braces themselves.
//!
//! Read with the profile, filled in before each sending. Pure.

use std::fmt;

/// Longest template: what devices take in one line.
const CHARS_AT_MOST: usize = 250;

/// A text with named places.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Template {
    parts: Vec<Part>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Part {
    Text(String),
    Place(String),
}

/// Why a text is no template.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TemplateError {
    /// A brace that is never closed, or closed without being opened.
    #[error("a brace stands alone; write `{{{{` or `}}}}` for the character itself")]
    Brace,
    /// A place that nothing fills.
    #[error("nothing is called `{{{name}}}` here; {}", known_places(.known))]
    Unknown {
        /// The name as written.
        name: String,
        /// What may stand there.
        known: Vec<String>,
    },
    /// Longer than a device takes.
    #[error("the text is longer than {CHARS_AT_MOST} characters")]
    Long,
    /// A character that cannot stand in a line.
    #[error("the text has the character {0:?}; a line is printable ASCII without its end")]
    Unprintable(char),
}

fn known_places(known: &[String]) -> String {
    if known.is_empty() {
        return "the text is sent as it stands".to_owned();
    }
    let listed: Vec<String> = known.iter().map(|name| format!("`{{{name}}}`")).collect();
    format!("write {}", listed.join(" or "))
}

impl Template {
    /// Reads a text whose places are among `known`.
    ///
    /// # Errors
    /// When a brace stands alone, a place is not known, or it is longer than 250
    /// characters or not printable.
    pub fn read(text: &str, known: &[&str]) -> Result<Template, TemplateError> {
        if text.chars().count() > CHARS_AT_MOST {
            return Err(TemplateError::Long);
        }
        if let Some(odd) = text.chars().find(|c| !(' '..='~').contains(c)) {
            return Err(TemplateError::Unprintable(odd));
        }
        let mut parts = Vec::new();
        let mut plain = String::new();
        let mut rest = text;
        while let Some(at) = rest.find(['{', '}']) {
            plain.push_str(&rest[..at]);
            let (brace, after) = rest[at..].split_at(1);
            if let Some(after) = after.strip_prefix(brace) {
                plain.push_str(brace);
                rest = after;
                continue;
            }
            let (name, after) = after
                .split_once('}')
                .filter(|(name, _)| brace == "{" && !name.contains('{'))
                .ok_or(TemplateError::Brace)?;
            if !known.contains(&name) {
                return Err(TemplateError::Unknown {
                    name: name.to_owned(),
                    known: known.iter().map(|name| (*name).to_owned()).collect(),
                });
            }
            if !plain.is_empty() {
                parts.push(Part::Text(std::mem::take(&mut plain)));
            }
            parts.push(Part::Place(name.to_owned()));
            rest = after;
        }
        plain.push_str(rest);
        if !plain.is_empty() {
            parts.push(Part::Text(plain));
        }
        Ok(Template { parts })
    }

    /// Whether it has this place.
    pub fn has(&self, name: &str) -> bool {
        self.parts
            .iter()
            .any(|part| matches!(part, Part::Place(place) if place == name))
    }

    /// The text with its places filled; one that `values` does not know stays
    /// empty, which reading the profile has ruled out.
    pub fn fill(&self, values: &[(&str, &str)]) -> String {
        let value = |name: &str| {
            let found = values.iter().find(|(known, _)| *known == name);
            found.map_or("", |(_, value)| value)
        };
        self.parts
            .iter()
            .map(|part| match part {
                Part::Text(text) => text.as_str(),
                Part::Place(name) => value(name),
            })
            .collect()
    }
}

/// As it is written in a profile.
impl fmt::Display for Template {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for part in &self.parts {
            match part {
                Part::Text(text) => {
                    write!(f, "{}", text.replace('{', "{{").replace('}', "}}"))?;
                }
                Part::Place(name) => write!(f, "{{{name}}}")?,
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_filled_and_braces_doubled() {
        let cases = [
            ("READ?", "READ?"),
            ("SENS:APER {value}", "SENS:APER 0.2"),
            ("ROUT:CLOS (@{coil})", "ROUT:CLOS (@3)"),
            ("{{{coil}}}", "{3}"),
            ("a{{b}}c", "a{b}c"),
            ("", ""),
        ];
        for (written, sent) in cases {
            let template = Template::read(written, &["value", "coil"]).expect(written);
            assert_eq!(template.fill(&[("value", "0.2"), ("coil", "3")]), sent);
            assert_eq!(template.to_string(), written);
        }
    }

    #[test]
    fn what_is_no_template_is_told() {
        let cases = [
            (
                "a{",
                "a brace stands alone; write `{{` or `}}` for the character itself",
            ),
            (
                "a}",
                "a brace stands alone; write `{{` or `}}` for the character itself",
            ),
            (
                "{a{b}}",
                "a brace stands alone; write `{{` or `}}` for the character itself",
            ),
            ("{vale}", "nothing is called `{vale}` here; write `{value}`"),
            (
                "a\nb",
                "the text has the character '\\n'; a line is printable ASCII without its end",
            ),
            (
                "ä",
                "the text has the character 'ä'; a line is printable ASCII without its end",
            ),
        ];
        for (written, why) in cases {
            let told = Template::read(written, &["value"]).map_err(|e| e.to_string());
            assert_eq!(told, Err(why.to_owned()), "{written}");
        }
        let long = "x".repeat(251);
        assert_eq!(Template::read(&long, &[]), Err(TemplateError::Long));
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics_and_what_is_read_is_written_again(text in "[ -~]{0,40}") {
            if let Ok(template) = Template::read(&text, &["value", "coil"]) {
                proptest::prop_assert_eq!(template.to_string(), text);
            }
        }
    }
}
