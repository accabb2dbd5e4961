//! The device profiles that a bench file names: how a meter, the relay board or the
//! rail is spoken to.
//!
//! ```yaml
//! meters:
//!   lux-head:
//!     profile: asked-luxmeter        # a shipped one, or a file beside the bench file
//! ```
//!
//! It may give a profile's settings other values (`settings: {gain: 4}`); they are
//! frozen with the profile's text, and are what the device is told whenever that text
//! is followed.
//!
//! A bench file says which; what a profile is, and whether it fits the device, is
//! asked of [`Profiles`], so that plans need no drivers. Called by: bench_file,
//! check.

use serde::{Deserialize, Serialize};
use written::{Document, Mistakes, Place};

use super::card::Card;
use super::frozen::SentText;

/// A profile that a device follows.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct UsedProfile {
    /// The name of a shipped one, or of a file beside the bench file
    /// (`mine.yaml`); empty for the usual one of its role, until somebody who knows
    /// it was asked.
    pub name: String,
    /// Its text as it was when the bench file was read, so that whoever reads a
    /// run later needs nothing else; empty until somebody who knows it was asked.
    pub text: String,
    /// Its codec, the text of which is kept for the same reason.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub codec: Option<SentText>,
    /// Values that the bench file gives to its settings, in the file's order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub settings: Vec<GivenSetting>,
}

/// A value that stands in the place of a profile's own.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct GivenSetting {
    /// The setting.
    pub name: String,
    /// Its value, as it was written.
    pub value: String,
}

/// Values in words, `gain 4, filter off`; none of none.
pub fn given(settings: &[GivenSetting]) -> Option<String> {
    let told = settings.iter();
    let told = told.map(|one| format!("{} {}", one.name, one.value));
    let told: Vec<String> = told.collect();
    (!told.is_empty()).then(|| told.join(", "))
}

/// Where a device's profile is named, and what its settings are given.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DevicePlaces {
    /// The profile's name; of a device that names none, the device itself.
    pub profile: Place,
    /// Each setting's name, where that stands, and where its value does.
    pub settings: Vec<(String, Place, Place)>,
}

/// Where profiles are named in a bench file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ProfilePlaces {
    /// Of each meter, in their order.
    pub meters: Vec<DevicePlaces>,
    /// Of the fingers.
    pub fingers: Option<DevicePlaces>,
    /// Of the rail.
    pub rail: Option<DevicePlaces>,
    /// Of the mains relays.
    pub outlets: Option<DevicePlaces>,
    /// Of what tells a lamp its level.
    pub control: Option<DevicePlaces>,
    /// Of the stop button.
    pub stop_button: Option<DevicePlaces>,
}

/// Who knows profiles.
pub trait Profiles {
    /// The texts of the profiles that a card names, where they are known:
    /// mistakes point into them.
    fn texts(&self, card: &Card) -> Vec<SentText>;

    /// The codec that a profile names, where it is known.
    fn codec(&self, _profile: &SentText) -> Option<SentText> {
        None
    }

    /// Gives each device of the card the text of its profile; whether it exists,
    /// can be read, is for such a device and fits what the bench file says of it:
    /// every mistake at its place.
    fn fill(&self, card: &mut Card, places: &ProfilePlaces, mistakes: &mut Mistakes);

    /// Every mistake of a profile's own file.
    fn check(&self, file: &SentText, mistakes: &mut Mistakes);
}

/// Whether a name is that of a file beside the bench file.
pub fn is_file(name: &str) -> bool {
    name.ends_with(".yaml") || name.ends_with(".yml")
}

/// The codec that a profile's text names, a file beside it or a shipped one.
pub fn codec(profile: &SentText) -> Option<String> {
    let document = written::read(&profile.name, &profile.text).ok()?;
    let root = document.root();
    root.get("profile")?;
    let name = root.get("codec")?.text()?;
    let bare = name.ends_with(".rhai") && !name.contains(['/', '\\']);
    bare.then(|| name.to_owned())
}

/// The profile files that a bench file names, which lie beside it.
pub fn files(document: &Document) -> Vec<String> {
    let root = document.root();
    let meters = root
        .get("meters")
        .into_iter()
        .flat_map(|meters| meters.entries());
    let others = ["fingers", "rail", "outlets", "control", "stop-button"];
    let others = others.map(|key| root.get(key));
    let devices = meters.map(|(_, meter)| meter);
    let devices = devices.chain(others.into_iter().flatten());
    let mut files: Vec<String> = Vec::new();
    for name in devices.filter_map(|device| device.get("profile")?.text()) {
        if is_file(name) && !files.iter().any(|known| known == name) {
            files.push(name.to_owned());
        }
    }
    files
}
