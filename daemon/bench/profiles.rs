//! The device profiles that a bench can use: those shipped with the program, and
//! files that were sent along. Answers for plan::check whether a profile fits its
//! device.
//!
//! Called by: cli (check, serve, demo), service; and by open, for the profile that
//! a card holds. Not here: what a profile says (`drivers::profile`).

use std::sync::Arc;

use drivers::profile::codec::Codecs;
use drivers::profile::read::{self, Refused};
use drivers::profile::shipped::{
    self, DEFAULT_CONTACT, DEFAULT_FINGERS, DEFAULT_LEVEL, DEFAULT_METER, DEFAULT_OUTLETS,
    DEFAULT_RAIL, FIXED_RANGE_METER, SHIPPED,
};
use drivers::profile::types::{DeviceRole, Profile, ProfileVerb, Speech};
use photometry::measured::Quantity;
use written::{Mistake, Mistakes, Place, nearest};

use crate::plan::card::{Card, DarkBy, Meter, Port, PortAddress};
use crate::plan::frozen::SentText;
use crate::plan::profiles::{
    self as plan_profiles, DevicePlaces, ProfilePlaces, Profiles, UsedProfile, is_file,
};

use super::codecs::{Frozen, Known};
use super::given_settings;

/// Profiles by name.
pub struct ProfileBook {
    files: Vec<SentText>,
}

impl ProfileBook {
    /// Of the files that were sent; the shipped ones are always there.
    pub fn of(files: Vec<SentText>) -> ProfileBook {
        ProfileBook { files }
    }

    fn text(&self, name: &str) -> Option<SentText> {
        if is_file(name) {
            return self.files.iter().find(|file| file.name == name).cloned();
        }
        shipped::text(name).map(|text| SentText {
            name: name.to_owned(),
            text: text.to_owned(),
        })
    }

    /// A user's profile may have a codec of the user's; a shipped one has its own.
    fn codecs_of(&self, profile: &str) -> Known<'_> {
        Known {
            files: if is_file(profile) { &self.files } else { &[] },
        }
    }

    /// Gives one device its text; its profile, if it can be used.
    fn one(
        &self,
        used: &mut Option<UsedProfile>,
        kind: Kind,
        places: &DevicePlaces,
        mistakes: &mut Mistakes,
    ) -> Option<Profile> {
        let role = kind.role();
        let place = &places.profile;
        let used = used.get_or_insert_default();
        if used.name.is_empty() {
            used.name = kind.usual().to_owned();
        }
        let Some(file) = self.text(&used.name) else {
            mistakes.add(missing(&used.name, place));
            return None;
        };
        used.text.clone_from(&file.text);
        used.codec = None;
        let codecs = self.codecs_of(&used.name);
        let profile = match read::profile_with(&file.name, &file.text, &codecs) {
            Ok((profile, warnings)) => {
                mistakes.extend(warnings);
                profile
            }
            Err(refused) => {
                mistakes.extend(refused.mistakes);
                return None;
            }
        };
        used.codec = profile.codec.as_ref().and_then(|codec| {
            let name = codec.0.name().to_owned();
            let text = codecs.text(&name)?;
            Some(SentText { name, text })
        });
        if profile.role == role {
            given_settings::check(&used.settings, &profile, places, mistakes);
            return Some(profile);
        }
        let text = format!(
            "the profile `{}` is for {}, not for {}",
            used.name,
            words(profile.role),
            words(role)
        );
        mistakes.add(Mistake::new(place.clone(), "other-role", text));
        None
    }
}

/// What a device is, as far as its usual profile goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A meter that yields this first.
    Meter(Quantity),
    /// Relay fingers.
    Fingers,
    /// A rail.
    Rail,
    /// Mains relays.
    Outlets,
    /// What tells a lamp its level.
    Control,
    /// The stop button.
    StopButton,
}

impl Kind {
    /// The kind of a meter: what it yields that needs the most of a profile.
    pub fn of(meter: &Meter) -> Kind {
        let yields = |quantity: &Quantity| meter.yields.contains(quantity);
        let first = [
            Quantity::Spectrum,
            Quantity::Waveform,
            Quantity::Temperature,
            Quantity::Power,
        ];
        let first = first.into_iter().find(|quantity| yields(quantity));
        Kind::Meter(first.unwrap_or(Quantity::Illuminance))
    }

    const fn role(self) -> DeviceRole {
        match self {
            Kind::Meter(_) => DeviceRole::Meter,
            Kind::Fingers => DeviceRole::Fingers,
            Kind::Rail => DeviceRole::Rail,
            Kind::Outlets => DeviceRole::Outlets,
            Kind::Control => DeviceRole::Level,
            Kind::StopButton => DeviceRole::Contact,
        }
    }

    /// The profile of a device whose bench file names none.
    const fn usual(self) -> &'static str {
        match self {
            Kind::Meter(Quantity::Illuminance) => DEFAULT_METER,
            Kind::Meter(Quantity::Power) => "asked-wattmeter",
            Kind::Meter(Quantity::Temperature) => "asked-room-sensor",
            Kind::Meter(Quantity::Spectrum) => "asked-spectroradiometer",
            Kind::Meter(Quantity::Waveform) => "asked-waveform-photometer",
            Kind::Fingers => DEFAULT_FINGERS,
            Kind::Rail => DEFAULT_RAIL,
            Kind::Outlets => DEFAULT_OUTLETS,
            Kind::Control => DEFAULT_LEVEL,
            Kind::StopButton => DEFAULT_CONTACT,
        }
    }
}

const fn words(role: DeviceRole) -> &'static str {
    match role {
        DeviceRole::Meter => "a meter",
        DeviceRole::Fingers => "relay fingers",
        DeviceRole::Rail => "a rail",
        DeviceRole::Outlets => "mains relays",
        DeviceRole::Level => "a lamp that is told its level",
        DeviceRole::Contact => "a contact",
    }
}

fn missing(name: &str, place: &Place) -> Mistake {
    if is_file(name) {
        let text = format!("the profile `{name}` was not given");
        return Mistake::new(place.clone(), "no-profile", text)
            .hint("it is looked for beside the bench file");
    }
    let names = || SHIPPED.iter().map(|shipped| shipped.name);
    let hint = match nearest(name, names()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!(
            "shipped are {}; a file beside the bench file is named with its ending, `mine.yaml`",
            names().collect::<Vec<_>>().join(", ")
        ),
    };
    let text = format!("there is no profile `{name}`");
    Mistake::new(place.clone(), "no-profile", text).hint(hint)
}

/// What the bench file says of a meter must be possible with its profile.
fn fits(meter: &Meter, profile: &Profile, place: &Place, mistakes: &mut Mistakes) {
    let name = &profile.name;
    if meter.dark == DarkBy::Shutter && !profile.has_shutter() {
        let text = format!(
            "the meter `{}` is to close its shutter, and the profile `{name}` has none",
            meter.name
        );
        mistakes.add(
            Mistake::new(place.clone(), "no-shutter", text)
                .hint("write `dark: cap`, or give the profile `close-shutter` and `open-shutter`"),
        );
    }
    let lacks = meter.yields.iter().find(|quantity| {
        let verb = match quantity {
            Quantity::Illuminance => return !profile.reads_illuminance(),
            Quantity::Power => ProfileVerb::ReadPower,
            Quantity::Temperature => ProfileVerb::ReadTemperature,
            Quantity::Spectrum => ProfileVerb::ReadSpectrum,
            Quantity::Waveform => ProfileVerb::ReadWaveform,
        };
        profile.steps(verb).is_none()
    });
    if let Some(quantity) = lacks {
        let text = format!(
            "the meter `{}` is to yield {}, and the profile `{name}` does not read that",
            meter.name,
            quantity.name()
        );
        let hint = "name a profile that reads it, or leave it out of `yields`";
        mistakes.add(Mistake::new(place.clone(), "not-read", text).hint(hint));
    }
    let averages = profile.settings.iter().any(|s| s.name == "averages");
    if meter.averages > 1 && !averages {
        let text = format!(
            "the meter `{}` is to average {} readings, and the profile `{name}` cannot set that",
            meter.name, meter.averages
        );
        mistakes.add(
            Mistake::new(place.clone(), "no-averages", text)
                .hint("leave `averages` out; a plan's `read` takes as many readings as you want"),
        );
    }
}

/// A port and a profile must speak of the same kind of device.
fn speaks(ports: &[Port], port: &str, profile: &Profile, place: &Place, mistakes: &mut Mistakes) {
    let Some(port) = ports.iter().find(|known| known.name == port) else {
        return; // told where the port is named
    };
    let is_program = matches!(port.at, PortAddress::Program { .. });
    let runs = profile.speech == Speech::Program;
    let by_registers = matches!(profile.speech, Speech::Registers(_));
    let text = if is_program != runs {
        format!(
            "the profile `{}` speaks {}, and the port `{}` is {}",
            profile.name,
            profile.speech.words(),
            port.name,
            if is_program {
                "a program"
            } else {
                "no program"
            }
        )
    } else if !by_registers && (port.unit.is_some() || port.serial_frames) {
        format!(
            "the port `{}` has `unit` or `frames`, and the profile `{}` speaks {}",
            port.name,
            profile.name,
            profile.speech.words()
        )
    } else {
        return;
    };
    mistakes.add(Mistake::new(place.clone(), "other-port", text));
}

impl Profiles for ProfileBook {
    fn texts(&self, card: &Card) -> Vec<SentText> {
        let meters = card.meters.iter().map(|meter| &meter.profile);
        let all = meters.chain(card.fingers.iter().map(|fingers| &fingers.profile));
        let all = all.chain(card.rail.iter().map(|rail| &rail.profile));
        let all = all.chain(card.outlets.iter().map(|outlets| &outlets.profile));
        let all = all.chain(card.control.iter().map(|control| &control.profile));
        let all = all.chain(card.stop_button.iter().map(|button| &button.profile));
        let texts = all.flatten().filter_map(|used| self.text(&used.name));
        texts
            .flat_map(|profile| {
                let codec = self.codec(&profile);
                [Some(profile), codec].into_iter().flatten()
            })
            .collect()
    }

    fn fill(&self, card: &mut Card, places: &ProfilePlaces, mistakes: &mut Mistakes) {
        let ports = &card.ports;
        for (meter, places) in card.meters.iter_mut().zip(&places.meters) {
            let place = &places.profile;
            let mut used = meter.profile.take();
            let kind = Kind::of(meter);
            let profile = self.one(&mut used, kind, places, mistakes);
            meter.profile = used;
            if let Some(profile) = profile {
                fits(meter, &profile, place, mistakes);
                speaks(ports, &meter.port, &profile, place, mistakes);
            }
        }
        if let (Some(fingers), Some(places)) = (&mut card.fingers, &places.fingers) {
            let kind = Kind::Fingers;
            if let Some(profile) = self.one(&mut fingers.profile, kind, places, mistakes) {
                speaks(ports, &fingers.port, &profile, &places.profile, mistakes);
            }
        }
        if let (Some(rail), Some(places)) = (&mut card.rail, &places.rail) {
            let kind = Kind::Rail;
            if let Some(profile) = self.one(&mut rail.profile, kind, places, mistakes) {
                speaks(ports, &rail.port, &profile, &places.profile, mistakes);
            }
        }
        if let (Some(outlets), Some(places)) = (&mut card.outlets, &places.outlets) {
            let kind = Kind::Outlets;
            if let Some(profile) = self.one(&mut outlets.profile, kind, places, mistakes) {
                speaks(ports, &outlets.port, &profile, &places.profile, mistakes);
            }
        }
        if let (Some(control), Some(places)) = (&mut card.control, &places.control) {
            let kind = Kind::Control;
            if let Some(profile) = self.one(&mut control.profile, kind, places, mistakes) {
                speaks(ports, &control.port, &profile, &places.profile, mistakes);
            }
        }
        if let (Some(button), Some(places)) = (&mut card.stop_button, &places.stop_button) {
            let kind = Kind::StopButton;
            if let Some(profile) = self.one(&mut button.profile, kind, places, mistakes) {
                speaks(ports, &button.port, &profile, &places.profile, mistakes);
            }
        }
    }

    fn codec(&self, profile: &SentText) -> Option<SentText> {
        let name = plan_profiles::codec(profile)?;
        let text = self.codecs_of(&profile.name).text(&name)?;
        Some(SentText { name, text })
    }

    fn check(&self, file: &SentText, mistakes: &mut Mistakes) {
        match read::profile_with(&file.name, &file.text, &self.codecs_of(&file.name)) {
            Ok((_, warnings)) => mistakes.extend(warnings),
            Err(refused) => mistakes.extend(refused.mistakes),
        }
    }
}

/// Gives every device the shipped profile that simulated devices understand; the
/// names of the devices whose own was put aside for it. No serial number is
/// demanded of a simulated meter.
pub fn for_rehearsal(card: &mut Card) -> Vec<String> {
    let mut put_aside = Vec::new();
    let mut usual = |used: &mut Option<UsedProfile>, kind: Kind, device: &str| {
        let mut name = kind.usual();
        let held = used
            .as_ref()
            .is_some_and(|used| used.name == FIXED_RANGE_METER);
        if held && kind == Kind::Meter(Quantity::Illuminance) {
            name = FIXED_RANGE_METER;
        }
        if used.as_ref().is_some_and(|used| used.name != name) {
            put_aside.push(device.to_owned());
        }
        let same = used.take().filter(|used| used.name == name);
        *used = shipped::text(name).map(|text| UsedProfile {
            name: name.to_owned(),
            text: text.to_owned(),
            codec: None,
            settings: same.map(|used| used.settings).unwrap_or_default(),
        });
    };
    for meter in &mut card.meters {
        let kind = Kind::of(meter);
        usual(&mut meter.profile, kind, &meter.name);
        meter.serial = None;
    }
    if let Some(rail) = &mut card.rail {
        usual(&mut rail.profile, Kind::Rail, "rail");
    }
    if let Some(fingers) = &mut card.fingers {
        usual(&mut fingers.profile, Kind::Fingers, "fingers");
    }
    if let Some(outlets) = &mut card.outlets {
        usual(&mut outlets.profile, Kind::Outlets, "outlets");
    }
    if let Some(control) = &mut card.control {
        usual(&mut control.profile, Kind::Control, "control");
    }
    if let Some(button) = &mut card.stop_button {
        usual(&mut button.profile, Kind::StopButton, "stop-button");
        button.pressed_is_closed = false;
    }
    put_aside
}

/// The profile that a device on a card follows: the frozen text, or where there is
/// none, as in what was frozen before there were profiles, the shipped one.
///
/// # Errors
/// When the text has mistakes, or no setting that a value is given to, which reading
/// the bench file has ruled out.
pub fn of(used: Option<&UsedProfile>, kind: Kind) -> Result<Arc<Profile>, Refused> {
    match used.filter(|used| !used.text.is_empty()) {
        Some(used) => {
            let codec = Frozen(used.codec.as_ref());
            let (mut profile, _) = read::profile_with(&used.name, &used.text, &codec)?;
            given_settings::give(used, &mut profile)?;
            Ok(Arc::new(profile))
        }
        None => shipped::profile(kind.usual()),
    }
}
