//! Mains relays that are worked as their profile says, each read back.
//!
//! A board keeps what it was told when nobody talks to it, unless it has a
//! watchdog: that one is fed by the daemon, and opens every relay when the daemon
//! is gone. Opened by the bench. Not here: what hangs on an outlet.

use std::sync::Arc;

use photometry::units::Span;

use super::identity;
use super::switcher::Switcher;
use crate::error::DriverError;
use crate::exchange::modbus::station::Station;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;
use crate::profile::perform::{Given, NotPerformed, Performed, perform};
use crate::profile::read_outlets::WATCHDOG;
use crate::profile::types::{Profile, ProfileVerb};
use crate::profile::value;

/// A board of mains relays behind a profile.
#[derive(Debug)]
pub struct ProfiledOutlets {
    outlets: Vec<u16>,
    profile: Arc<Profile>,
    station: Option<Station>,
    identity: Option<Identity>,
}

impl ProfiledOutlets {
    /// A driver for these outlets; nothing is sent.
    pub fn new(
        outlets: Vec<u16>,
        profile: Arc<Profile>,
        station: Option<Station>,
    ) -> ProfiledOutlets {
        ProfiledOutlets {
            outlets,
            profile,
            station,
            identity: None,
        }
    }

    fn given(&self) -> Given<'_> {
        Given::of(&self.profile, self.station.as_ref())
    }

    fn carry_out(
        &self,
        talk: &mut Talk<'_>,
        verb: ProfileVerb,
        outlet: u16,
    ) -> Result<Performed, NotPerformed> {
        let outlet = outlet.to_string();
        let values = [("outlet", outlet.as_str())];
        let given = Given {
            values: &values,
            ..self.given()
        };
        perform(talk, self.profile.steps(verb).unwrap_or_default(), given)
    }

    fn verify(&self, talk: &mut Talk<'_>, outlet: u16, wanted: bool) -> Result<(), DriverError> {
        let performed = self.carry_out(talk, ProfileVerb::ReadOutlet, outlet)?;
        let told = performed.found.get("on").and_then(value::closed);
        match (told, performed.last) {
            (Some(on), _) if on == wanted => Ok(()),
            (None, Some(answer)) => {
                Err(answer.garbled(&format!("the state of outlet {outlet}"), "0 or 1"))
            }
            _ => Err(DriverError::OutletStuck { outlet, wanted }),
        }
    }
}

impl Switcher for ProfiledOutlets {
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError> {
        identity::begin(talk, &self.profile, self.given())?;
        // Whatever else may fail; below it is made sure that all are off.
        if let Err(error) = self.carry_out(talk, ProfileVerb::SwitchAllOff, 0) {
            let error = DriverError::from(error);
            if error.link_is_gone() {
                return Err(error);
            }
        }
        let (station, known) = (self.station.as_ref(), &mut self.identity);
        let identity = identity::known(talk, &self.profile, station, known)?;
        self.all_off(talk)?;
        Ok(identity)
    }

    fn switch(&mut self, talk: &mut Talk<'_>, outlet: u16, on: bool) -> Result<(), DriverError> {
        if !self.outlets.contains(&outlet) {
            let text = format!("no outlet is at channel {outlet}");
            return Err(DriverError::Unsendable(text));
        }
        let mut talk = talk.undisturbed();
        identity::in_step(&mut talk, self.station.as_ref())?;
        talk.rest()?;
        let verb = match on {
            true => ProfileVerb::SwitchOn,
            false => ProfileVerb::SwitchOff,
        };
        self.carry_out(&mut talk, verb, outlet)?;
        self.verify(&mut talk, outlet, on)
    }

    fn all_off(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        let mut talk = talk.undisturbed();
        self.carry_out(&mut talk, ProfileVerb::SwitchAllOff, 0)?;
        let mut stuck = None;
        for &outlet in &self.outlets {
            match self.verify(&mut talk, outlet, false) {
                // The others may still be on as well: look at all of them.
                Err(error @ DriverError::OutletStuck { .. }) => stuck = stuck.or(Some(error)),
                other => other?,
            }
        }
        stuck.map_or(Ok(()), Err)
    }

    fn feed(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        if self.profile.steps(ProfileVerb::Feed).is_none() {
            return Ok(());
        }
        identity::in_step(talk, self.station.as_ref())?;
        self.carry_out(talk, ProfileVerb::Feed, 0)?;
        Ok(())
    }

    fn watchdog(&self) -> Option<Span> {
        let mut settings = self.profile.settings.iter();
        let setting = settings.find(|setting| setting.name == WATCHDOG)?;
        let seconds = setting.seconds(setting.value.as_ref()?)?;
        self.profile.steps(ProfileVerb::Feed)?;
        // One that waits for less would have the line filled with feeding.
        (seconds > 0.0).then(|| Span::from_secs_f64(seconds.max(1.0)))
    }
}
