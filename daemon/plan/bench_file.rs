//! A bench file as written becomes a card.

use photometry::measured::Quantity;
use photometry::units::{Length, LengthUnit, Lux, Span};
use written::{Fields, Mistake, Mistakes, Node, Place, readers};

use super::card::{
    BACK_WITHIN, Calibration, Card, Carries, Control, DarkBy, Finger, Fingers, Meter, Outlet,
    Outlets, Place as BenchPlace, PlaceKind, Port, PortAddress, Rail, StopButton, WrittenTerm,
};
use super::file;
use super::given_settings::{self, DeviceKind};
use super::port_file;
use super::profiles::{self, DevicePlaces, ProfilePlaces, UsedProfile};
use super::{fixed_sensor, room_file, sphere_file};

/// A device that is not back within this needs a person, who releases the run.
const BACK_WITHIN_AT_MOST: Span = Span::from_mins(10);

/// Where the parts of a bench file stand, for mistakes that are found later.
#[derive(Clone, Debug)]
pub struct BenchPlaces {
    /// The bench's name.
    pub name: Place,
    /// The due day of each meter's calibration, and of the reference lamp's.
    pub due: Vec<(String, Place)>,
    /// The names of profiles; of a device whose profile is not named, itself.
    pub profiles: ProfilePlaces,
}

/// Reads a bench file.
pub fn bench(root: Node<'_>, mistakes: &mut Mistakes) -> Option<(Card, BenchPlaces)> {
    let mut fields = Fields::of(root, "the bench file", mistakes)?;
    let name = fields.need("bench", readers::name);
    file::format(&mut fields);
    let lengths = fields.may_or("lengths", lengths, LengthUnit::Millimetres);
    let ports = fields.need("ports", ports);
    let places = fields.need("places", places);
    let rail = fields.may("rail", rail);
    let meters = fields.need("meters", meters);
    let fingers = fields.may("fingers", fingers);
    let outlets = fields.may("outlets", outlets);
    let control = fields.may("control", control);
    let stop_button = fields.may("stop-button", stop_button);
    let sphere = fields.may("sphere", sphere_file::sphere);
    let lamp_outlet = fields.may("lamp-outlet", readers::name);
    let room = fields.may("room", room_file::room);
    let fixed_sensor = fields.may("fixed-sensor", readers::name);
    let made_safe = fields.need("made-safe", made_safe);
    fields.finish();
    let name_place = root.get("bench").map_or_else(|| root.place(), Node::place);
    let due = due_places(root);
    let card = Card {
        name: name?,
        lengths,
        ports: ports?,
        places: places?,
        rail,
        meters: meters?,
        fingers,
        outlets,
        control,
        stop_button,
        sphere,
        lamp_outlet,
        room,
        fixed_sensor,
    };
    made_safe?;
    names_fit(root, &card, mistakes);
    sphere_file::fits(root, &card, mistakes);
    lamp_outlet_fits(root, &card, mistakes);
    room_file::fits(root, &card, mistakes);
    fixed_sensor::fits(root, &card, mistakes);
    // A part that is there and could not be read is not a part that lacks:
    // nothing is held against this bench.
    let lost = |key, read: bool| root.get(key).is_some() && !read;
    let parts = [
        lost("rail", card.rail.is_some()),
        lost("fingers", card.fingers.is_some()),
        lost("outlets", card.outlets.is_some()),
        lost("control", card.control.is_some()),
        lost("stop-button", card.stop_button.is_some()),
        lost("sphere", card.sphere.is_some()),
        lost("room", card.room.is_some()),
    ];
    if parts.contains(&true) {
        return None;
    }
    Some((
        card,
        BenchPlaces {
            name: name_place,
            due,
            profiles: profile_places(root),
        },
    ))
}

fn lengths(node: Node<'_>, mistakes: &mut Mistakes) -> Option<LengthUnit> {
    let words = [
        ("millimetres", LengthUnit::Millimetres),
        ("inches", LengthUnit::Inches),
    ];
    readers::one_of(&words)(node, mistakes)
}

/// Each entry of a map of named things.
fn named<T>(
    node: Node<'_>,
    what: &str,
    mistakes: &mut Mistakes,
    read: impl Fn(&str, Node<'_>, &mut Mistakes) -> Option<T>,
) -> Option<Vec<T>> {
    if node.kind() != written::Kind::Map {
        mistakes.add(readers::must_be(node, &format!("{what} by their names")));
        return None;
    }
    let found: Vec<Option<T>> = node
        .entries()
        .map(|(key, value)| {
            let name = readers::name(key, mistakes)?;
            read(&name, value, mistakes)
        })
        .collect();
    found.into_iter().collect()
}

fn ports(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<Port>> {
    named(node, "ports", mistakes, port_file::port)
}

fn places(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<BenchPlace>> {
    let words = [
        ("rail axis", PlaceKind::Axis),
        ("sphere", PlaceKind::Sphere),
        ("still", PlaceKind::Still),
    ];
    named(node, "places", mistakes, |name, node, mistakes| {
        let kind = readers::one_of(&words)(node, mistakes)?;
        Some(BenchPlace {
            name: name.to_owned(),
            kind,
        })
    })
}

fn rail(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Rail> {
    let mut fields = Fields::of(node, "the rail", mistakes)?;
    let port = fields.need("port", readers::name);
    let profile = followed(&mut fields, DeviceKind::Other);
    let place = fields.need("place", readers::name);
    let travel = fields.need_like("travel", "0 mm to 2000 mm", travel);
    let speed = fields.need_like("speed", "150 mm/s", file::speed);
    let acceleration = fields.need_like("acceleration", "400 mm/s2", file::acceleration);
    let settle = fields.may_or("settle", file::span, Span::from_ms(500));
    let away = fields.need("away", readers::one_of(&[("up", true), ("down", false)]));
    let carries = fields.need(
        "carries",
        readers::one_of(&[("meter", Carries::Meter), ("lamp", Carries::Lamp)]),
    );
    let overshoot = fields.may_or("overshoot", file::length, Length::from_mm(2));
    let datum_at = fields.need_like("datum-at", "-100 mm", file::coordinate);
    let datum_uncertainty = fields.need_like("datum-uncertainty", "1 mm", file::length);
    let gauge_at = fields.may("gauge-at", file::coordinate);
    let gauge_uncertainty = fields.may_or("gauge-uncertainty", file::length, Length::from_um(300));
    let home_tolerance = fields.may_or("home-tolerance", file::length, Length::from_um(100));
    let back_within = fields.may_or("back-within", back_within, BACK_WITHIN);
    if let (Some((from, to)), Some(at)) = (travel, gauge_at)
        && !(from..=to).contains(&at)
    {
        let place = node.get("gauge-at").map_or(node.place(), Node::place);
        let text = format!("the carriage cannot stand at {at}: the travel is {from} to {to}");
        fields
            .mistakes()
            .add(Mistake::new(place, "gauge-outside", text));
    }
    fields.finish();
    let (travel_from, travel_to) = travel?;
    Some(Rail {
        port: port?,
        profile,
        place: place?,
        travel_from,
        travel_to,
        speed: speed?,
        acceleration: acceleration?,
        settle,
        away_is_up: away?,
        carries: carries?,
        overshoot,
        datum_at: datum_at?,
        datum_uncertainty: datum_uncertainty?,
        gauge_uncertainty,
        gauge_at: gauge_at.unwrap_or(travel_from),
        home_tolerance,
        back_within,
    })
}

/// How long a device that is gone is waited for; 0 s for not at all.
fn back_within(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Span> {
    let reader = readers::checked(
        readers::quantity(Span::parse),
        |span: &Span| match (Span::ZERO..=BACK_WITHIN_AT_MOST).contains(span) {
            true => Ok(()),
            false => Err(format!(
                "{span} is not between 0 s (a device that is gone is not waited for) and {}",
                BACK_WITHIN_AT_MOST.shown()
            )),
        },
    );
    reader(node, mistakes)
}

fn travel(node: Node<'_>, mistakes: &mut Mistakes) -> Option<(Length, Length)> {
    let text = readers::text(node, mistakes)?;
    let parse = |text: &str| {
        let length = Length::parse(text).map_err(|error| error.to_string())?;
        file::bounded(&length).map(|()| length)
    };
    match file::range(&text, parse) {
        Ok(range) => Some(range),
        Err(error) => {
            let (message, hint) = match error.split_once("; ") {
                Some((message, hint)) => (message.to_owned(), Some(hint.to_owned())),
                None => (error, None),
            };
            mistakes.add(Mistake::new(node.place(), "range", message).maybe_hint(hint));
            None
        }
    }
}

fn meters(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<Meter>> {
    named(node, "meters", mistakes, meter)
}

fn meter(name: &str, node: Node<'_>, mistakes: &mut Mistakes) -> Option<Meter> {
    let mut fields = Fields::of(node, &format!("the meter `{name}`"), mistakes)?;
    let port = fields.need("port", readers::name);
    let place = fields.need("place", readers::name);
    let rides = fields.may_or("rides", readers::boolean, false);
    let plane = fields.may_or("plane", file::coordinate, Length::ZERO);
    let quantities = Quantity::ALL.map(|quantity| (quantity.name(), quantity));
    let yields = fields.need(
        "yields",
        readers::one_or_list_of(readers::one_of(&quantities)),
    );
    let sees = yields.as_deref().is_none_or(sees_light);
    let lux = yields
        .as_deref()
        .is_none_or(|yields| yields.contains(&Quantity::Illuminance));
    let ranges = readers::some_of(file::lux);
    let ranges = match lux {
        true => fields.need_like("ranges", "[200 lx, 2 klx]", ranges),
        false => Some(Vec::new()),
    };
    let integration = fields.need_like("integration", "200 ms", file::span);
    let averages = fields.may_or("averages", readers::integer_in(1..=100), 1);
    let words = [("shutter", DarkBy::Shutter), ("cap", DarkBy::Cap)];
    let dark = match sees {
        true => fields.need("dark", readers::one_of(&words)),
        false => Some(DarkBy::Cap),
    };
    let profile = followed(&mut fields, DeviceKind::Meter);
    let serial = fields.may("serial", readers::text);
    let back_within = fields.may_or("back-within", back_within, BACK_WITHIN);
    let calibration = fields.need("calibration", calibration);
    let uncertainty = fields.need("uncertainty", uncertainty);
    fields.finish();
    let mut ranges: Vec<Lux> = ranges?;
    ranges.sort_by(|a, b| a.0.total_cmp(&b.0));
    Some(Meter {
        name: name.to_owned(),
        port: port?,
        place: place?,
        rides,
        plane,
        yields: yields?,
        ranges,
        integration: integration?,
        averages: averages as u32,
        dark: dark?,
        profile,
        serial,
        back_within,
        calibration: calibration?,
        uncertainty: uncertainty?,
    })
}

/// Whether one of these quantities is light, which can be kept from the meter.
fn sees_light(yields: &[Quantity]) -> bool {
    let mut yields = yields.iter();
    yields.any(|quantity| !matches!(quantity, Quantity::Power | Quantity::Temperature))
}

/// The name of a profile: of a shipped one, or of a file.
fn profile(node: Node<'_>, mistakes: &mut Mistakes) -> Option<UsedProfile> {
    let text = readers::text(node, mistakes)?;
    if text.contains(['/', '\\']) {
        let message = "a profile's file lies beside the bench file";
        mistakes.add(
            Mistake::new(node.place(), "profile-path", message)
                .hint("write its name alone, such as `mine.yaml`"),
        );
        return None;
    }
    if !profiles::is_file(&text) {
        readers::name(node, mistakes)?;
    }
    Some(UsedProfile {
        name: text,
        ..UsedProfile::default()
    })
}

/// The keys `profile` and `settings` of a device.
fn followed(fields: &mut Fields<'_, '_>, kind: DeviceKind) -> Option<UsedProfile> {
    let named = fields.has("profile");
    let profile = fields.may("profile", profile);
    let settings = fields.may_or("settings", given_settings::settings(kind), Vec::new());
    match profile {
        Some(profile) => Some(UsedProfile {
            settings,
            ..profile
        }),
        // What a profile that could not be read makes of them is not known.
        None if named || settings.is_empty() => None,
        None => Some(UsedProfile {
            settings,
            ..UsedProfile::default()
        }),
    }
}

fn profile_places(root: Node<'_>) -> ProfilePlaces {
    let of = |device: Node<'_>| DevicePlaces {
        profile: device.get("profile").unwrap_or(device).place(),
        settings: given_settings::places(device),
    };
    let meters = root
        .get("meters")
        .into_iter()
        .flat_map(|meters| meters.entries());
    ProfilePlaces {
        meters: meters.map(|(_, meter)| of(meter)).collect(),
        fingers: root.get("fingers").map(of),
        rail: root.get("rail").map(of),
        outlets: root.get("outlets").map(of),
        control: root.get("control").map(of),
        stop_button: root.get("stop-button").map(of),
    }
}

pub(super) fn calibration(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Calibration> {
    let mut fields = Fields::of(node, "the calibration", mistakes)?;
    let certificate = fields.need("certificate", readers::text);
    let due = fields.need_like("due", "2027-03-01", file::day);
    fields.finish();
    Some(Calibration {
        certificate: certificate?,
        due: due?,
    })
}

pub(super) fn uncertainty(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<WrittenTerm>> {
    named(
        node,
        "terms of uncertainty",
        mistakes,
        |source, node, mistakes| {
            Some(WrittenTerm {
                source: source.to_owned(),
                share: file::share(node, mistakes)?,
            })
        },
    )
}

fn fingers(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Fingers> {
    let mut fields = Fields::of(node, "the fingers", mistakes)?;
    let port = fields.need("port", readers::name);
    let profile = followed(&mut fields, DeviceKind::Other);
    let back_within = fields.may_or("back-within", back_within, BACK_WITHIN);
    let channels = fields.need("channels", |node, mistakes| {
        named(node, "fingers", mistakes, |name, node, mistakes| {
            let channel = readers::integer_in(1..=999)(node, mistakes)?;
            let finger = Finger {
                name: name.to_owned(),
                channel: channel as u16,
            };
            Some((finger, node.place()))
        })
    });
    fields.finish();
    let channels = channels?;
    let numbers = channels
        .iter()
        .map(|(finger, place)| (&*finger.name, finger.channel, place));
    channels_differ("finger", &numbers.collect::<Vec<_>>(), mistakes);
    Some(Fingers {
        port: port?,
        profile,
        back_within,
        channels: channels.into_iter().map(|(finger, _)| finger).collect(),
    })
}

/// Two things on one relay would be worked together.
fn channels_differ(what: &str, channels: &[(&str, u16, &Place)], mistakes: &mut Mistakes) {
    for (index, (name, channel, place)) in channels.iter().enumerate() {
        let mut before = channels[..index].iter();
        if let Some((twin, ..)) = before.find(|(_, other, _)| other == channel) {
            let text = format!("the {what}s `{twin}` and `{name}` have the same channel {channel}");
            let hint =
                format!("give each {what} the channel of the relay board that it is wired to");
            let mistake = Mistake::new((*place).clone(), "same-channel", text);
            mistakes.add(mistake.hint(hint));
        }
    }
}

fn control(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Control> {
    let mut fields = Fields::of(node, "the control", mistakes)?;
    let port = fields.need("port", readers::name);
    let profile = followed(&mut fields, DeviceKind::Other);
    let back_within = fields.may_or("back-within", back_within, BACK_WITHIN);
    fields.finish();
    Some(Control {
        port: port?,
        profile,
        back_within,
    })
}

fn stop_button(node: Node<'_>, mistakes: &mut Mistakes) -> Option<StopButton> {
    let mut fields = Fields::of(node, "the stop button", mistakes)?;
    let port = fields.need("port", readers::name);
    let profile = followed(&mut fields, DeviceKind::Other);
    let words = [("open", false), ("closed", true)];
    let pressed_is_closed = fields.may_or("pressed", readers::one_of(&words), false);
    fields.finish();
    Some(StopButton {
        port: port?,
        profile,
        pressed_is_closed,
    })
}

fn outlets(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Outlets> {
    let mut fields = Fields::of(node, "the outlets", mistakes)?;
    let port = fields.need("port", readers::name);
    let profile = followed(&mut fields, DeviceKind::Other);
    let back_within = fields.may_or("back-within", back_within, BACK_WITHIN);
    let channels = fields.need("channels", |node, mistakes| {
        named(node, "outlets", mistakes, |name, node, mistakes| {
            let channel = readers::integer_in(1..=999)(node, mistakes)?;
            let outlet = Outlet {
                name: name.to_owned(),
                channel: channel as u16,
            };
            Some((outlet, node.place()))
        })
    });
    fields.finish();
    let channels = channels?;
    let numbers = channels
        .iter()
        .map(|(outlet, place)| (&*outlet.name, outlet.channel, place));
    channels_differ("outlet", &numbers.collect::<Vec<_>>(), mistakes);
    Some(Outlets {
        port: port?,
        profile,
        back_within,
        channels: channels.into_iter().map(|(outlet, _)| outlet).collect(),
    })
}

/// The outlet that feeds the lamp must be one of the bench's.
fn lamp_outlet_fits(root: Node<'_>, card: &Card, mistakes: &mut Mistakes) {
    let (Some(name), Some(node)) = (&card.lamp_outlet, root.get("lamp-outlet")) else {
        return;
    };
    let Some(outlets) = &card.outlets else {
        // Outlets that could not be read have their mistakes already.
        if root.get("outlets").is_none() {
            let text =
                format!("the lamp hangs on the outlet `{name}`, and the bench has no outlets");
            let mistake = Mistake::new(node.place(), "unknown-name", text);
            mistakes.add(mistake.hint("write `outlets:`, or leave `lamp-outlet` out"));
        }
        return;
    };
    if outlets.channel(name).is_some() {
        return;
    }
    let known = || outlets.channels.iter().map(|outlet| outlet.name.as_str());
    let hint = match written::nearest(name, known()) {
        Some(near) => format!("did you mean `{near}`?"),
        None if outlets.channels.is_empty() => "the bench's `channels` name no outlet".to_owned(),
        None => format!("the outlets are {}", known().collect::<Vec<_>>().join(", ")),
    };
    let text = format!("there is no outlet `{name}`");
    mistakes.add(Mistake::new(node.place(), "unknown-name", text).hint(hint));
}

/// What makes the bench safe, as its owner states it. Nothing computes with
/// it; it must be thought about and written down.
fn made_safe(node: Node<'_>, mistakes: &mut Mistakes) -> Option<()> {
    let mut fields = Fields::of(node, "made-safe", mistakes)?;
    let carriage = fields.need("carriage", readers::one_of(&[("stops", ())]));
    let fingers = fields.need("fingers", readers::one_of(&[("off", ()), ("none", ())]));
    let lamp = fields.need_like(
        "lamp",
        "by its own switch",
        readers::one_of(&[("by its own switch", ()), ("stays on", ())]),
    );
    fields.finish();
    carriage.and(fingers).and(lamp)
}

/// Every name of a port or place that is used must be there; one device a
/// port.
fn names_fit(root: Node<'_>, card: &Card, mistakes: &mut Mistakes) {
    if let Some(node) = root.get("made-safe").and_then(|safe| safe.get("fingers")) {
        let (says, has) = (node.text() == Some("off"), root.get("fingers").is_some());
        if says != has {
            let text = if has {
                "the bench has fingers, and `made-safe` says none"
            } else {
                "the bench has no fingers, and `made-safe` says that they go off"
            };
            mistakes.add(Mistake::new(node.place(), "made-safe", text));
        }
    }
    addresses_differ(root, card, mistakes);
    if let (Some(rail), Some(node)) = (&card.rail, root.get("rail").and_then(|r| r.get("place"))) {
        let place = card.places.iter().find(|place| place.name == rail.place);
        if place.is_some_and(|place| place.kind != PlaceKind::Axis) {
            let text = format!("the place `{}` is not a rail's axis", rail.place);
            mistakes.add(
                Mistake::new(node.place(), "not-an-axis", text)
                    .hint(format!("write `{}: rail axis` under `places`", rail.place)),
            );
        }
    }
    let mut taken: Vec<(String, Place)> = Vec::new();
    let ports: Vec<&str> = card.ports.iter().map(|port| port.name.as_str()).collect();
    let places: Vec<&str> = card
        .places
        .iter()
        .map(|place| place.name.as_str())
        .collect();
    let mut devices: Vec<Node<'_>> = Vec::new();
    devices.extend(root.get("rail"));
    devices.extend(root.get("fingers"));
    devices.extend(root.get("outlets"));
    devices.extend(root.get("control"));
    devices.extend(root.get("stop-button"));
    devices.extend(root.get("sphere")); // its place alone: it hangs on no port
    devices.extend(
        root.get("meters")
            .into_iter()
            .flat_map(|meters| meters.entries().map(|e| e.1)),
    );
    for device in devices {
        for (key, known, what) in [("port", &ports, "port"), ("place", &places, "place")] {
            let Some(node) = device.get(key) else {
                continue;
            };
            let Some(name) = node.text() else { continue };
            if !known.contains(&name) {
                let hint = match written::nearest(name, known.iter().copied()) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!("the bench has {}", known.join(", ")),
                };
                let text = format!("there is no {what} `{name}`");
                mistakes.add(Mistake::new(node.place(), "unknown-name", text).hint(hint));
            }
        }
        if let Some(node) = device.get("port")
            && let Some(port) = node.text()
        {
            if let Some((_, first)) = taken.iter().find(|(name, _)| name == port) {
                let text = format!("the port `{port}` has two devices");
                mistakes.add(
                    Mistake::new(node.place(), "port-taken", text)
                        .also(first.clone(), "the first one"),
                );
            } else {
                taken.push((port.to_owned(), node.place()));
            }
        }
    }
}

/// Two ports at one address would speak over each other.
fn addresses_differ(root: Node<'_>, card: &Card, mistakes: &mut Mistakes) {
    let address = |port: &Port| match &port.at {
        PortAddress::Serial { path, .. } => path.clone(),
        PortAddress::Tcp { host_port } => host_port.clone(),
        PortAddress::Program { path } => path.clone(),
    };
    let place = |port: &Port| {
        let node = root.get("ports").and_then(|ports| ports.get(&port.name));
        node.map_or_else(|| root.place(), Node::place)
    };
    for (index, port) in card.ports.iter().enumerate() {
        let twin = card.ports[..index]
            .iter()
            .find(|other| address(other) == address(port));
        if let Some(twin) = twin {
            let text = format!(
                "the ports `{}` and `{}` have the same address",
                twin.name, port.name
            );
            mistakes.add(
                Mistake::new(place(port), "same-address", text).also(place(twin), "the first one"),
            );
        }
    }
}

fn due_places(root: Node<'_>) -> Vec<(String, Place)> {
    let meters = root
        .get("meters")
        .into_iter()
        .flat_map(|meters| meters.entries());
    let due = |thing: Node<'_>| Some(thing.get("calibration")?.get("due")?.place());
    let reference = root
        .get("sphere")
        .and_then(|sphere| sphere.get("reference"))
        .and_then(|lamp| Some((lamp.get("name")?.text()?.to_owned(), due(lamp)?)));
    meters
        .filter_map(|(key, meter)| Some((key.text()?.to_owned(), due(meter)?)))
        .chain(reference)
        .collect()
}
