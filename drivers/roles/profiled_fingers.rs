//! Relay fingers that are worked as their profile says, every coil read back.
//!
//! Opened by the bench. Not here: which button sits under which coil (`bench`).

use std::sync::Arc;

use photometry::units::Span;

use super::identity;
use super::presser::{HOLD_AT_MOST, Press, Presser};
use crate::error::DriverError;
use crate::exchange::modbus::station::Station;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;
use crate::profile::abort;
use crate::profile::perform::{Given, NotPerformed, Performed, perform};
use crate::profile::types::{Profile, ProfileVerb};
use crate::profile::value;

/// A relay board behind a profile.
#[derive(Debug)]
pub struct ProfiledFingers {
    coils: Vec<u16>,
    profile: Arc<Profile>,
    /// Who is spoken to, where it is by registers.
    station: Option<Station>,
    identity: Option<Identity>,
}

impl ProfiledFingers {
    /// A driver for the coils that carry fingers; nothing is sent. `station` is
    /// who is spoken to, where the profile speaks by registers
    /// ([`Profile::station`]).
    pub fn new(
        coils: Vec<u16>,
        profile: Arc<Profile>,
        station: Option<Station>,
    ) -> ProfiledFingers {
        ProfiledFingers {
            coils,
            profile,
            station,
            identity: None,
        }
    }

    fn carry_out(
        &self,
        talk: &mut Talk<'_>,
        verb: ProfileVerb,
        coil: u16,
    ) -> Result<Performed, NotPerformed> {
        let coil = coil.to_string();
        let values = [("coil", coil.as_str())];
        let given = Given {
            values: &values,
            ..self.given()
        };
        perform(talk, self.profile.steps(verb).unwrap_or_default(), given)
    }

    fn given(&self) -> Given<'_> {
        Given::of(&self.profile, self.station.as_ref())
    }

    fn open_all(&self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        self.carry_out(talk, ProfileVerb::OpenAllCoils, 0)?;
        Ok(())
    }

    /// Makes sure that a coil is closed, or open.
    fn verify(&self, talk: &mut Talk<'_>, coil: u16, wanted: bool) -> Result<(), DriverError> {
        let performed = self.carry_out(talk, ProfileVerb::ReadCoil, coil)?;
        let told = performed.found.get("closed").and_then(value::closed);
        match (told, performed.last) {
            (Some(closed), _) if closed == wanted => Ok(()),
            (Some(_), _) => Err(DriverError::CoilStuck { coil, wanted }),
            (None, Some(answer)) => {
                Err(answer.garbled(&format!("the state of coil {coil}"), "0 or 1"))
            }
            (None, None) => Err(DriverError::CoilStuck { coil, wanted }),
        }
    }

    fn press_once(&self, talk: &mut Talk<'_>, coil: u16, hold: Span) -> Result<Press, DriverError> {
        identity::in_step(talk, self.station.as_ref())?;
        talk.rest()?;
        let down = talk.now();
        self.carry_out(talk, ProfileVerb::CloseCoil, coil)?;
        self.verify(talk, coil, true)?;
        talk.pause(down.mono + hold)?;
        talk.rest()?;
        let up = talk.now();
        self.carry_out(talk, ProfileVerb::OpenCoil, coil)?;
        self.verify(talk, coil, false)?;
        Ok(Press { down, up })
    }
}

impl Presser for ProfiledFingers {
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError> {
        identity::begin(talk, &self.profile, self.given())?;
        let open_all = self.profile.steps(ProfileVerb::OpenAllCoils);
        let open_all = abort::frames(open_all.unwrap_or_default(), self.given())?;
        talk.aborts_by([abort::acts(&self.profile, self.given())?, open_all].concat());
        // Boards keep their coils when nobody talks to them: fingers off first,
        // whatever else may fail. What an earlier owner asked may be answered now;
        // below, when the thread was found, it is made sure that they are off.
        if let Err(error) = self.open_all(talk)
            && error.link_is_gone()
        {
            return Err(error);
        }
        let (station, known) = (self.station.as_ref(), &mut self.identity);
        let identity = identity::known(talk, &self.profile, station, known)?;
        self.release_all(talk)?;
        Ok(identity)
    }

    fn press(&mut self, talk: &mut Talk<'_>, coil: u16, hold: Span) -> Result<Press, DriverError> {
        if !self.coils.contains(&coil) {
            return Err(DriverError::Unsendable(format!(
                "no finger sits at coil {coil}"
            )));
        }
        if hold <= Span::ZERO || hold > HOLD_AT_MOST {
            return Err(DriverError::Unsendable(format!(
                "a press of {} is not between 0 s and {HOLD_AT_MOST}",
                hold.shown()
            )));
        }
        let mut talk = talk.undisturbed();
        self.press_once(&mut talk, coil, hold).inspect_err(|_| {
            // The first error is the one to report; this is the attempt to
            // leave no finger down.
            if let Err(error) = self.open_all(&mut talk) {
                tracing::warn!(%error, "fingers could not be taken off");
            }
        })
    }

    fn release_all(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        let mut talk = talk.undisturbed();
        self.open_all(&mut talk)?;
        let mut stuck = None;
        for &coil in &self.coils {
            match self.verify(&mut talk, coil, false) {
                // The others may still be down as well: look at all of them.
                Err(error @ DriverError::CoilStuck { .. }) => stuck = stuck.or(Some(error)),
                other => other?,
            }
        }
        stuck.map_or(Ok(()), Err)
    }
}
