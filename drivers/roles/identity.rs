//! Who a device says it is, and that it is the one it was.

use crate::error::DriverError;
use crate::exchange::modbus::station::Station;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;
use crate::exchange::{line, modbus};
use crate::profile::abort;
use crate::profile::perform::{self, Given};
use crate::profile::types::{Profile, Speech};

/// Stands in the record for a device that cannot tell.
const CANNOT_TELL: &str = "a device that does not tell who it is";

/// Does what the profile wants at an opening, asks who the device is, and makes
/// sure that it is the one it was.
pub(super) fn ready(
    talk: &mut Talk<'_>,
    profile: &Profile,
    given: Given<'_>,
    before: Option<&Identity>,
) -> Result<Identity, DriverError> {
    perform::perform(talk, &profile.on_open, given)?;
    let identity = match profile.identity.as_slice() {
        [_, ..] => perform::identify(talk, &profile.identity, given)?,
        [] => Identity {
            maker: String::new(),
            model: String::new(),
            serial: None,
            firmware: None,
            raw: format!("{CANNOT_TELL} ({})", profile.name),
        },
    };
    same_as_before(identity, before)
}

/// Sets what has a value in the profile, or was given another by the bench file, and
/// reads it back.
pub(super) fn set_up(
    talk: &mut Talk<'_>,
    profile: &Profile,
    given: Given<'_>,
) -> Result<(), DriverError> {
    for setting in &profile.settings {
        if let Some(value) = &setting.value {
            perform::set(talk, setting, value, given)?;
        }
    }
    Ok(())
}

/// Makes a link ready that was just opened: how the device wants to be spoken to,
/// the rest that it needs, and an end to what an earlier owner of the port may
/// have asked.
pub(super) fn begin(
    talk: &mut Talk<'_>,
    profile: &Profile,
    given: Given<'_>,
) -> Result<(), DriverError> {
    if let Speech::Lines(manner) | Speech::Frames(manner) = &profile.speech {
        talk.follow(manner.clone());
    }
    talk.aborts_by(abort::acts(profile, given)?);
    let settled = talk.now().mono + profile.settle_after_open;
    talk.pause(settled)
}

/// Makes sure that the next answer belongs to the next question.
pub(super) fn resynchronise(
    talk: &mut Talk<'_>,
    profile: &Profile,
    station: Option<&Station>,
) -> Result<(), DriverError> {
    match (&profile.speech, station) {
        (Speech::Lines(_) | Speech::Frames(_), _) => line::resynchronise(talk).map(|_| ()),
        (_, Some(station)) => modbus::resync::resynchronise(talk, station).map(|_| ()),
        // Each run of a program has a pipe of its own.
        (_, None) => Ok(()),
    }
}

/// What follows [`begin`] at an opening that has nothing of its own in between: the
/// thread is found, the device asked who it is, which is kept in `known`, and set up.
pub(super) fn known(
    talk: &mut Talk<'_>,
    profile: &Profile,
    station: Option<&Station>,
    known: &mut Option<Identity>,
) -> Result<Identity, DriverError> {
    let given = Given::of(profile, station);
    resynchronise(talk, profile, station)?;
    let identity = ready(talk, profile, given, known.as_ref())?;
    *known = Some(identity.clone());
    set_up(talk, profile, given)?;
    Ok(identity)
}

/// Before steps that may begin with something else than a question: a link of lines in
/// doubt is resynchronised. What must be on record of that.
pub(super) fn in_step(
    talk: &mut Talk<'_>,
    station: Option<&Station>,
) -> Result<Vec<String>, DriverError> {
    match talk.state().is_dirty() && station.is_none() {
        true => Ok(line::resynchronise(talk)?.flags()),
        false => Ok(Vec::new()),
    }
}

/// Refuses a device whose serial number is not the one that the bench file
/// demands. One that tells none is taken: nothing speaks against it.
pub(super) fn as_demanded(
    identity: Identity,
    demanded: Option<&str>,
) -> Result<Identity, DriverError> {
    match (demanded, &identity.serial) {
        (Some(demanded), Some(told)) if demanded != told => Err(DriverError::AnotherSerial {
            demanded: demanded.to_owned(),
            told: told.clone(),
            identity: identity.raw,
        }),
        _ => Ok(identity),
    }
}

/// Refuses another device under the same name.
pub(super) fn same_as_before(
    identity: Identity,
    before: Option<&Identity>,
) -> Result<Identity, DriverError> {
    match before {
        Some(was) if was.raw != identity.raw => Err(DriverError::IdentityChanged {
            was: was.raw.clone(),
            is: identity.raw,
        }),
        _ => Ok(identity),
    }
}
