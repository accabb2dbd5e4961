//! A lamp that is told its level as its profile says, read back where it can be asked.
//!
//! Opened by the bench. Not here: which levels a lamp has (`plan`), and whether its
//! light agrees with what it says.

use std::sync::Arc;

use super::identity;
use super::leveller::Leveller;
use crate::error::DriverError;
use crate::exchange::line;
use crate::exchange::modbus::station::Station;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;
use crate::profile::perform::{Given, Performed, perform};
use crate::profile::types::{Profile, ProfileVerb};
use crate::profile::value::{self, Lit};

/// Longest name of a mode, in characters.
const MODE_AT_MOST_CHARS: usize = 100;

/// A lamp behind a profile.
#[derive(Debug)]
pub struct ProfiledLevel {
    profile: Arc<Profile>,
    /// Who is spoken to, where it is by registers.
    station: Option<Station>,
    identity: Option<Identity>,
}

impl ProfiledLevel {
    /// A driver for this lamp; nothing is sent. `station` is who is spoken to, where the
    /// profile speaks by registers ([`Profile::station`]).
    pub fn new(profile: Arc<Profile>, station: Option<Station>) -> ProfiledLevel {
        ProfiledLevel {
            profile,
            station,
            identity: None,
        }
    }

    fn given(&self) -> Given<'_> {
        Given::of(&self.profile, self.station.as_ref())
    }

    /// Carries out a verb; an answer that is none leaves the link in doubt.
    fn carry_out(
        &self,
        talk: &mut Talk<'_>,
        verb: ProfileVerb,
        values: &[(&str, &str)],
    ) -> Result<Performed, DriverError> {
        identity::in_step(talk, self.station.as_ref())?;
        let steps = self.profile.steps(verb).unwrap_or_default();
        let given = Given {
            values,
            ..self.given()
        };
        perform(talk, steps, given).map_err(|not| {
            let error = DriverError::from(not);
            if matches!(error, DriverError::Garbled { .. }) {
                talk.distrust();
            }
            error
        })
    }
}

impl Leveller for ProfiledLevel {
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError> {
        identity::begin(talk, &self.profile, self.given())?;
        let (station, known) = (self.station.as_ref(), &mut self.identity);
        identity::known(talk, &self.profile, station, known)
    }

    fn set_level(
        &mut self,
        talk: &mut Talk<'_>,
        mode: &str,
        level: u16,
    ) -> Result<(), DriverError> {
        let printable = mode.chars().all(|c| (' '..='~').contains(&c));
        if mode.is_empty() || mode.len() > MODE_AT_MOST_CHARS || !printable {
            let text = format!("`{}` is no mode that can be sent", line::shown(mode));
            return Err(DriverError::Unsendable(text));
        }
        let number = level.to_string();
        let values = [("mode", mode), ("level", number.as_str())];
        self.carry_out(talk, ProfileVerb::SetLevel, &values)?;
        let Some(lit) = self.lit(talk)? else {
            return Ok(());
        };
        let told = lit.mode.as_deref();
        if lit.level == level && told.is_none_or(|told| told.eq_ignore_ascii_case(mode.trim())) {
            return Ok(());
        }
        // What it said may have been the answer to an earlier question.
        talk.distrust();
        let wanted = Lit {
            mode: told.map(|_| mode.trim().to_owned()),
            level,
        };
        Err(DriverError::NotTaken {
            setting: "level".to_owned(),
            wanted: wanted.to_string(),
            got: lit.to_string(),
        })
    }

    fn lit(&mut self, talk: &mut Talk<'_>) -> Result<Option<Lit>, DriverError> {
        if self.profile.steps(ProfileVerb::ReadLevel).is_none() {
            return Ok(None);
        }
        let performed = self.carry_out(talk, ProfileVerb::ReadLevel, &[])?;
        let lit = value::lit(&self.profile, &performed.found);
        match (lit, performed.last) {
            (Some(lit), _) => Ok(Some(lit)),
            (None, answer) => {
                talk.distrust();
                let answer = answer.map(|answer| line::shown(&answer.text));
                Err(DriverError::Garbled {
                    question: "the lamp's level".to_owned(),
                    answer: answer.unwrap_or_default(),
                    wanted: "a whole number",
                })
            }
        }
    }

    fn off(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        let mut talk = talk.undisturbed();
        self.carry_out(&mut talk, ProfileVerb::SwitchLampOff, &[])?;
        Ok(())
    }
}
