//! A contact that is asked as its profile says.
//!
//! Opened by the bench. Not here: what an open contact means (`plan`, attendant).

use std::sync::Arc;

use super::contact::Contact;
use super::identity;
use crate::error::DriverError;
use crate::exchange::modbus::station::Station;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;
use crate::profile::perform::{Given, perform};
use crate::profile::types::{Profile, ProfileVerb};
use crate::profile::value;

/// A contact behind a profile.
#[derive(Debug)]
pub struct ProfiledContact {
    profile: Arc<Profile>,
    /// Who is spoken to, where it is by registers.
    station: Option<Station>,
    identity: Option<Identity>,
}

impl ProfiledContact {
    /// A driver for this contact; nothing is sent. `station` is who is spoken to, where
    /// the profile speaks by registers ([`Profile::station`]).
    pub fn new(profile: Arc<Profile>, station: Option<Station>) -> ProfiledContact {
        ProfiledContact {
            profile,
            station,
            identity: None,
        }
    }

    fn given(&self) -> Given<'_> {
        Given::of(&self.profile, self.station.as_ref())
    }
}

impl Contact for ProfiledContact {
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError> {
        identity::begin(talk, &self.profile, self.given())?;
        let (station, known) = (self.station.as_ref(), &mut self.identity);
        identity::known(talk, &self.profile, station, known)
    }

    fn is_closed(&mut self, talk: &mut Talk<'_>) -> Result<bool, DriverError> {
        identity::in_step(talk, self.station.as_ref())?;
        let steps = self.profile.steps(ProfileVerb::ReadContact);
        let performed = perform(talk, steps.unwrap_or_default(), self.given())?;
        let told = performed.found.get("closed").and_then(value::closed);
        match (told, performed.last) {
            (Some(closed), _) => Ok(closed),
            (None, Some(answer)) => {
                // What it said may have been the answer to an earlier question.
                talk.distrust();
                Err(answer.garbled("the state of the contact", "0 or 1"))
            }
            (None, None) => Err(DriverError::Unsendable("nothing was asked".to_owned())),
        }
    }
}
