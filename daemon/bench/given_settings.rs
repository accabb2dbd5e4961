//! Values that a bench file gives to settings of a profile: whether the profile has
//! such settings and its device takes such values, each mistake at its line; and that
//! the device is told them.
//!
//! Called by: profiles. Not here: the file's form (`plan::given_settings`), setting
//! and reading back (`drivers::profile::perform`).

use drivers::profile::perform::Given;
use drivers::profile::read::Refused;
use drivers::profile::settings::NoValue;
use drivers::profile::types::Profile;
use written::{Mistake, Mistakes, Place, Sources, nearest};

use crate::plan::profiles::{DevicePlaces, GivenSetting, UsedProfile};

/// Every mistake of the values that are given to a profile's settings.
pub(super) fn check(
    given: &[GivenSetting],
    profile: &Profile,
    places: &DevicePlaces,
    mistakes: &mut Mistakes,
) {
    for one in given {
        let place = places.settings.iter().find(|(name, ..)| *name == one.name);
        let (key, value) = match place {
            Some((_, key, value)) => (key, value),
            None => (&places.profile, &places.profile),
        };
        let setting = profile.settable().find(|known| known.name == one.name);
        let Some(setting) = setting else {
            mistakes.add(unknown(&one.name, profile, key));
            continue;
        };
        if let Err(error) = setting.takes(&one.value, Given::of(profile, None)) {
            mistakes.add(refused(&error, value));
        }
    }
}

fn unknown(name: &str, profile: &Profile, key: &Place) -> Mistake {
    let known = || profile.settable().map(|setting| setting.name.as_str());
    let hint = match (nearest(name, known()), known().next()) {
        (Some(near), _) => format!("did you mean `{near}`?"),
        (None, Some(_)) => format!("it has {}", known().collect::<Vec<_>>().join(", ")),
        (None, None) => "it has none that a bench file can give a value to".to_owned(),
    };
    let text = format!("the profile `{}` has no setting `{name}`", profile.name);
    Mistake::new(key.clone(), "unknown-setting", text).hint(hint)
}

fn refused(error: &NoValue, value: &Place) -> Mistake {
    let mistake = Mistake::new(value.clone(), "setting-value", error.to_string());
    match error {
        NoValue::NoNumber { .. } => mistake.hint("write digits alone, such as 4 or 0.5"),
        NoValue::Outside { .. } => mistake.hint("the profile's `between` says so"),
        NoValue::Unsendable { .. } => mistake,
    }
}

/// Puts the values that are frozen with a profile into the place of its own.
///
/// # Errors
/// When it has no such setting: the record was not written by this program.
pub(super) fn give(used: &UsedProfile, profile: &mut Profile) -> Result<(), Refused> {
    for one in &used.settings {
        if profile.give(&one.name, &one.value) {
            continue;
        }
        let mut sources = Sources::new();
        sources.add(&used.name, &used.text);
        let place = Place {
            file: used.name.as_str().into(),
            line: 1,
            column: 1,
            end_column: 1,
        };
        return Err(Refused {
            mistakes: vec![unknown(&one.name, profile, &place)],
            sources,
        });
    }
    Ok(())
}
