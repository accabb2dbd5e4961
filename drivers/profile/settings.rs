//! Values of settings: whether a device can be told one, and one that stands in the
//! place of the profile's own.
//!
//! Called by `read_settings` for a profile's own values, by whoever reads a bench
//! file for others, and by `perform` before each is set. Not here: setting one and
//! reading it back (`perform`).

use super::perform::Given;
use super::types::{Profile, Setting, SettingUnit, Step};
use super::{codec, registers};
use crate::error::DriverError;

/// Longest value in characters: a line of a question has 250 bytes.
const VALUE_AT_MOST_CHARS: usize = 100;

/// Why a setting cannot have a value.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoValue {
    /// A number is needed.
    #[error("`{name}` takes a number, not `{value}`")]
    NoNumber {
        /// The setting.
        name: String,
        /// What was given.
        value: String,
    },
    /// The device does not take it.
    #[error("`{name}` takes {low} to {high}, not {value}")]
    Outside {
        /// The setting.
        name: String,
        /// The least.
        low: f64,
        /// The largest.
        high: f64,
        /// What was given.
        value: String,
    },
    /// Nothing can be sent for it.
    #[error("`{name}` cannot be told `{value}`: {why}")]
    Unsendable {
        /// The setting.
        name: String,
        /// What was given.
        value: String,
        /// Why not.
        why: String,
    },
}

impl Setting {
    /// A value of it in seconds; none of what is no time.
    pub fn seconds(&self, text: &str) -> Option<f64> {
        let number = text
            .parse::<f64>()
            .ok()
            .filter(|number| number.is_finite())?;
        match self.unit {
            SettingUnit::Seconds | SettingUnit::Number => Some(number),
            SettingUnit::Milliseconds => Some(number / 1e3),
            SettingUnit::Word => None,
        }
    }

    /// Whether a number lies where the device takes it; a word always does.
    ///
    /// # Errors
    /// [`NoValue::Outside`].
    pub fn within(&self, text: &str) -> Result<(), NoValue> {
        match (self.between, text.parse::<f64>()) {
            (Some((low, high)), Ok(number)) if !(low..=high).contains(&number) => {
                Err(NoValue::Outside {
                    name: self.name.clone(),
                    low,
                    high,
                    value: text.to_owned(),
                })
            }
            _ => Ok(()),
        }
    }

    /// Whether the device can be told this value, as far as its profile knows.
    /// `given` is what its steps are given, but for the value.
    ///
    /// # Errors
    /// Why not.
    pub fn takes(&self, text: &str, given: Given<'_>) -> Result<(), NoValue> {
        let is_number = text.parse::<f64>().is_ok_and(f64::is_finite);
        if self.unit != SettingUnit::Word && !is_number {
            return Err(NoValue::NoNumber {
                name: self.name.clone(),
                value: shown(text),
            });
        }
        self.within(text)?;
        let cannot = |why: String| NoValue::Unsendable {
            name: self.name.clone(),
            value: shown(text),
            why,
        };
        if text.chars().any(char::is_control) {
            return Err(cannot(
                "it has more than one line, or signs of no letter".into(),
            ));
        }
        if text.chars().count() > VALUE_AT_MOST_CHARS {
            let why = format!("it has more than {VALUE_AT_MOST_CHARS} characters");
            return Err(cannot(why));
        }
        let values = [("value", text)];
        let given = Given {
            values: &values,
            ..given
        };
        for step in &self.set {
            let made = match step {
                Step::Write { target, .. } => registers::request(target, given).map(|_| ()),
                Step::Send(word) => codec::bytes_of(word, given).map(|_| ()),
                Step::Frame(frame) => codec::bytes_of(&frame.word, given).map(|_| ()),
                _ => Ok(()),
            };
            made.map_err(|error| match error {
                DriverError::Unsendable(why) => cannot(why),
                other => cannot(other.to_string()),
            })?;
        }
        Ok(())
    }
}

/// A value fit for a message.
fn shown(text: &str) -> String {
    crate::exchange::line::shown(text)
}

impl Profile {
    /// The settings that a bench file can give another value: those that have one.
    pub fn settable(&self) -> impl Iterator<Item = &Setting> {
        self.settings
            .iter()
            .filter(|setting| setting.value.is_some())
    }

    /// Puts another value into the place of its own; false where the profile has no
    /// such setting.
    #[must_use]
    pub fn give(&mut self, name: &str, value: &str) -> bool {
        let mut settings = self.settings.iter_mut();
        let named = settings.find(|setting| setting.name == name && setting.value.is_some());
        match named {
            Some(setting) => {
                setting.value = Some(value.to_owned());
                true
            }
            None => false,
        }
    }
}
