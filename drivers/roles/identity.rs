//! Who a device says it is, and that it is the one it was.

use crate::error::DriverError;
use crate::exchange::scpi::Identity;
use crate::exchange::talk::Talk;
use crate::profile::perform;
use crate::profile::types::Profile;

/// Stands in the record for a device that cannot tell.
const CANNOT_TELL: &str = "a device that does not tell who it is";

/// Asks a device who it is, as its profile says, and compares it with who it
/// was.
pub(super) fn who(
    talk: &mut Talk<'_>,
    profile: &Profile,
    before: &mut Option<Identity>,
) -> Result<Identity, DriverError> {
    let identity = match &profile.identity {
        Some(asking) => perform::identify(talk, asking)?,
        None => Identity {
            maker: String::new(),
            model: String::new(),
            serial: None,
            firmware: None,
            raw: format!("{CANNOT_TELL} ({})", profile.name),
        },
    };
    same_as_before(identity, before)
}

/// Refuses another device under the same name.
pub(super) fn same_as_before(
    identity: Identity,
    before: &mut Option<Identity>,
) -> Result<Identity, DriverError> {
    match before {
        Some(was) if was.raw != identity.raw => Err(DriverError::IdentityChanged {
            was: was.raw.clone(),
            is: identity.raw,
        }),
        _ => Ok(before.insert(identity).clone()),
    }
}
