//! The profiles that come with the program. A user's profile of the same name
//! stands before them.

use std::sync::Arc;

use super::read;
use super::types::Profile;

/// A profile's name and its text.
pub struct Shipped {
    /// As a bench file names it.
    pub name: &'static str,
    /// As it is written.
    pub text: &'static str,
    /// The name and the text of its codec, where it has one.
    pub codec: Option<(&'static str, &'static str)>,
}

/// The meter of a bench whose file names no profile.
pub const DEFAULT_METER: &str = "asked-luxmeter";
/// The same meter, held in one range.
pub const FIXED_RANGE_METER: &str = "fixed-range-luxmeter";
/// The relay fingers of a bench whose file names no profile.
pub const DEFAULT_FINGERS: &str = "asked-relays";

/// The rail of a bench whose file names no profile.
pub const DEFAULT_RAIL: &str = "byte-rail";

/// The mains relays of a bench whose file names no profile.
pub const DEFAULT_OUTLETS: &str = "asked-outlets";

/// The lamp that is told its level of a bench whose file names no profile.
pub const DEFAULT_LEVEL: &str = "asked-level";

/// The contact of a bench whose file names no profile.
pub const DEFAULT_CONTACT: &str = "asked-contact";

/// All of them.
pub const SHIPPED: &[Shipped] = &[
    Shipped {
        name: DEFAULT_METER,
        text: include_str!("../profiles/asked-luxmeter.yaml"),
        codec: None,
    },
    Shipped {
        name: DEFAULT_FINGERS,
        text: include_str!("../profiles/asked-relays.yaml"),
        codec: None,
    },
    Shipped {
        name: "heard-luxmeter",
        text: include_str!("../profiles/heard-luxmeter.yaml"),
        codec: None,
    },
    Shipped {
        name: FIXED_RANGE_METER,
        text: include_str!("../profiles/fixed-range-luxmeter.yaml"),
        codec: None,
    },
    Shipped {
        name: "register-luxmeter",
        text: include_str!("../profiles/register-luxmeter.yaml"),
        codec: None,
    },
    Shipped {
        name: "register-relays",
        text: include_str!("../profiles/register-relays.yaml"),
        codec: None,
    },
    Shipped {
        name: "block-luxmeter",
        text: include_str!("../profiles/block-luxmeter.yaml"),
        codec: None,
    },
    Shipped {
        name: "frame-luxmeter",
        text: include_str!("../profiles/frame-luxmeter.yaml"),
        codec: Some((
            "frame-luxmeter.rhai",
            include_str!("../profiles/frame-luxmeter.rhai"),
        )),
    },
    Shipped {
        name: DEFAULT_RAIL,
        text: include_str!("../profiles/byte-rail.yaml"),
        codec: None,
    },
    Shipped {
        name: "line-rail",
        text: include_str!("../profiles/line-rail.yaml"),
        codec: None,
    },
    Shipped {
        name: "register-rail",
        text: include_str!("../profiles/register-rail.yaml"),
        codec: None,
    },
    Shipped {
        name: "asked-spectroradiometer",
        text: include_str!("../profiles/asked-spectroradiometer.yaml"),
        codec: None,
    },
    Shipped {
        name: "asked-waveform-photometer",
        text: include_str!("../profiles/asked-waveform-photometer.yaml"),
        codec: None,
    },
    Shipped {
        name: "asked-wattmeter",
        text: include_str!("../profiles/asked-wattmeter.yaml"),
        codec: None,
    },
    Shipped {
        name: "asked-room-sensor",
        text: include_str!("../profiles/asked-room-sensor.yaml"),
        codec: None,
    },
    Shipped {
        name: DEFAULT_OUTLETS,
        text: include_str!("../profiles/asked-outlets.yaml"),
        codec: None,
    },
    Shipped {
        name: DEFAULT_LEVEL,
        text: include_str!("../profiles/asked-level.yaml"),
        codec: None,
    },
    Shipped {
        name: DEFAULT_CONTACT,
        text: include_str!("../profiles/asked-contact.yaml"),
        codec: None,
    },
];

/// A shipped profile's text.
pub fn text(name: &str) -> Option<&'static str> {
    let found = SHIPPED.iter().find(|shipped| shipped.name == name);
    found.map(|shipped| shipped.text)
}

/// A shipped codec's text.
pub fn codec(name: &str) -> Option<&'static str> {
    let mut codecs = SHIPPED.iter().filter_map(|shipped| shipped.codec);
    codecs
        .find(|(known, _)| *known == name)
        .map(|(_, text)| text)
}

/// A shipped profile that has no codec.
///
/// # Errors
/// When there is none of this name, or it has mistakes (a test holds that none
/// has).
pub fn profile(name: &str) -> Result<Arc<Profile>, read::Refused> {
    let text = text(name).unwrap_or_default();
    read::profile(&format!("{name}.yaml"), text).map(|(profile, _)| Arc::new(profile))
}
