//! From a card to instruments: which driver sits on which port.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use drivers::clock::{Mailbox, Seat, mailbox};
use drivers::exchange::modbus::frames::Form;
use drivers::exchange::modbus::station::Station;
use drivers::link::{Address, Framing, Parity, Tap};
use drivers::profile::types::Profile;
use drivers::roles::profiled_contact::ProfiledContact;
use drivers::roles::profiled_fingers::ProfiledFingers;
use drivers::roles::profiled_level::ProfiledLevel;
use drivers::roles::profiled_meter::{PhotometerCard, ProfiledMeter};
use drivers::roles::profiled_outlets::ProfiledOutlets;
use drivers::roles::profiled_rail::{ProfiledRail, RailCard};
use photometry::units::{Length, Lux, Span};

use super::instrument::{Answer, Attached, Follows, Instrument, Reply, Role, Trouble, Verb};
use super::profiles::{self, Kind};
use super::traffic::Kept;
use crate::plan::card::{self, Card, DarkBy, Meter, PortAddress, Rail};
use crate::plan::profiles::UsedProfile;

/// The rail's name among the instruments.
pub const RAIL: &str = "rail";
/// The relay board's name among the instruments.
pub const FINGERS: &str = "fingers";
/// The mains relays' name among the instruments.
pub const OUTLETS: &str = "outlets";
/// The name among the instruments of what tells a lamp its level.
pub const CONTROL: &str = "control";
/// The stop button's name among the instruments.
pub const STOP_BUTTON: &str = "stop-button";

/// The unit of a device that speaks by registers, where the bench file says none.
const UNIT: u8 = 1;
/// A value this far above the top range is not a plausible illuminance.
const PLAUSIBLE_OVER_TOP: f64 = 1.2;
/// And this much of a meter whose bench file tells no ranges, because a run reads no
/// illuminance with it; a person may, by hand. Ten times sunlight.
const PLAUSIBLE_WITHOUT_RANGES_LX: f64 = 1e6;
/// An offset this far below zero is still plausible noise of a dark meter.
const PLAUSIBLE_BELOW_ZERO_LX: f64 = 1.0;
/// Half a step and the controller's rounding to three decimals.
const ARRIVAL_TOLERANCE: Length = Length::from_um(20);
/// Homing crosses the whole travel at a fifth of the speed at worst.
const HOMING_SLOWER: i64 = 5;

/// Replies of one instrument that wait at most: readings at ten a second while the
/// record is not written for three minutes.
const REPLIES_AT_MOST: usize = 2_000;

/// The instruments of one bench.
pub struct Bench {
    card: Card,
    instruments: BTreeMap<String, Instrument>,
    replies: Mailbox<Reply>,
    early: BTreeMap<u64, Result<Answer, Trouble>>,
    /// Requests that may still be answered, and will be looked for.
    open: BTreeSet<u64>,
    next_id: u64,
    kept: Kept,
    /// How often the outlets' board must be fed.
    feed_every: Option<Span>,
}

/// Why a bench could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// A device names a port that the card does not have.
    #[error("the bench has no port `{0}`")]
    NoPort(String),
    /// A device's profile has mistakes.
    #[error("the profile of `{instrument}` cannot be used:\n{shown}")]
    Profile {
        /// The instrument.
        instrument: String,
        /// The mistakes.
        shown: String,
    },
    /// Fewer seats than instruments.
    #[error("the bench needs a seat for each of its instruments")]
    NoSeat,
    /// The system gave no thread.
    #[error("the thread of `{instrument}` could not be started")]
    NoThread {
        /// The instrument.
        instrument: String,
        /// Why.
        #[source]
        cause: std::io::Error,
    },
}

/// The names of the seats that a bench needs, in order: the attendant's, then
/// one for each instrument.
pub fn seat_names(card: &Card) -> Vec<String> {
    let mut names = vec![format!("attendant of {}", card.name)];
    let rail = card.rail.iter().map(|_| RAIL);
    let meters = card.meters.iter().map(|meter| meter.name.as_str());
    let fingers = card.fingers.iter().map(|_| FINGERS);
    let outlets = card.outlets.iter().map(|_| OUTLETS);
    let control = card.control.iter().map(|_| CONTROL);
    let devices = rail.chain(meters).chain(fingers).chain(outlets);
    let button = card.stop_button.iter().map(|_| STOP_BUTTON);
    let devices = devices.chain(control).chain(button);
    names.extend(devices.map(|name| format!("port of {name}")));
    names
}

/// A device of a card and how it is worked.
struct Device {
    name: String,
    port: String,
    role: Role,
    follows: Option<Follows>,
}

/// Every device on the card, in the order of [`seat_names`].
fn devices(card: &Card) -> Result<Vec<Device>, OpenError> {
    let mut devices = Vec::new();
    if let Some(rail) = &card.rail {
        let (profile, station) = followed(card, (RAIL, &rail.port), &rail.profile, Kind::Rail)?;
        let driver = ProfiledRail::new(rail_card(rail), Arc::clone(&profile), station.clone());
        devices.push(Device {
            name: RAIL.to_owned(),
            port: rail.port.clone(),
            role: Role::Positioner(Box::new(driver)),
            follows: Some(following(profile, station)),
        });
    }
    for meter in &card.meters {
        let (profile, station) = followed(
            card,
            (&meter.name, &meter.port),
            &meter.profile,
            Kind::of(meter),
        )?;
        let (follows, at) = (Arc::clone(&profile), station.clone());
        let driver = ProfiledMeter::new(meter_card(meter), follows, at);
        let driver = driver.demanding(meter.serial.clone());
        devices.push(Device {
            name: meter.name.clone(),
            port: meter.port.clone(),
            role: Role::Meter(Box::new(driver)),
            follows: Some(following(profile, station)),
        });
    }
    devices.extend(fingers(card)?);
    if let Some(outlets) = &card.outlets {
        let channels = outlets.channels.iter().map(|outlet| outlet.channel);
        let (profile, station) = followed(
            card,
            (OUTLETS, &outlets.port),
            &outlets.profile,
            Kind::Outlets,
        )?;
        let (follows, at) = (Arc::clone(&profile), station.clone());
        let driver = ProfiledOutlets::new(channels.collect(), follows, at);
        devices.push(Device {
            name: OUTLETS.to_owned(),
            port: outlets.port.clone(),
            role: Role::Switcher(Box::new(driver)),
            follows: Some(following(profile, station)),
        });
    }
    devices.extend(control(card)?);
    devices.extend(stop_button(card)?);
    Ok(devices)
}

/// The profile that a device follows, and who is spoken to where that is by registers.
fn followed(
    card: &Card,
    (instrument, port): (&str, &str),
    used: &Option<UsedProfile>,
    kind: Kind,
) -> Result<(Arc<Profile>, Option<Station>), OpenError> {
    let profile = profiles::of(used.as_ref(), kind).map_err(|refused| OpenError::Profile {
        instrument: instrument.to_owned(),
        shown: refused.to_string(),
    })?;
    let station = station(card, port, &profile);
    Ok((profile, station))
}

/// The relay fingers, and how they are worked.
fn fingers(card: &Card) -> Result<Option<Device>, OpenError> {
    let Some(fingers) = &card.fingers else {
        return Ok(None);
    };
    let coils = fingers
        .channels
        .iter()
        .map(|finger| finger.channel)
        .collect();
    let (profile, station) = followed(
        card,
        (FINGERS, &fingers.port),
        &fingers.profile,
        Kind::Fingers,
    )?;
    let driver = ProfiledFingers::new(coils, Arc::clone(&profile), station.clone());
    Ok(Some(Device {
        name: FINGERS.to_owned(),
        port: fingers.port.clone(),
        role: Role::Presser(Box::new(driver)),
        follows: Some(Follows {
            profile,
            station,
            coil: fingers.channels.first().map(|finger| finger.channel),
        }),
    }))
}

/// What tells a lamp its level, and how it is worked.
fn control(card: &Card) -> Result<Option<Device>, OpenError> {
    let Some(control) = &card.control else {
        return Ok(None);
    };
    let (profile, station) = followed(
        card,
        (CONTROL, &control.port),
        &control.profile,
        Kind::Control,
    )?;
    let driver = ProfiledLevel::new(Arc::clone(&profile), station.clone());
    Ok(Some(Device {
        name: CONTROL.to_owned(),
        port: control.port.clone(),
        role: Role::Leveller(Box::new(driver)),
        follows: Some(following(profile, station)),
    }))
}

/// The stop button's contact.
fn stop_button(card: &Card) -> Result<Option<Device>, OpenError> {
    let Some(button) = &card.stop_button else {
        return Ok(None);
    };
    let (profile, station) = followed(
        card,
        (STOP_BUTTON, &button.port),
        &button.profile,
        Kind::StopButton,
    )?;
    let driver = ProfiledContact::new(Arc::clone(&profile), station.clone());
    Ok(Some(Device {
        name: STOP_BUTTON.to_owned(),
        port: button.port.clone(),
        role: Role::Contact(Box::new(driver)),
        follows: Some(following(profile, station)),
    }))
}

/// How a device without a coil of its own is followed.
fn following(profile: Arc<Profile>, station: Option<Station>) -> Follows {
    Follows {
        profile,
        station,
        coil: None,
    }
}

fn feed_every(devices: &[Device]) -> Option<Span> {
    devices.iter().find_map(|device| match &device.role {
        Role::Switcher(outlets) => Some(Span::from_ns(outlets.watchdog()?.ns() / 3)),
        _ => None,
    })
}

fn rail_card(rail: &Rail) -> RailCard {
    let travel = rail.travel_to - rail.travel_from;
    let crossing = travel.nm() / rail.speed.nm_per_s().max(1);
    RailCard {
        low: rail.travel_from,
        high: rail.travel_to,
        speed: rail.speed,
        acceleration: rail.acceleration,
        home_at: rail.travel_from,
        overshoot: rail.overshoot,
        tolerance: ARRIVAL_TOLERANCE,
        home_within: Span::from_secs(30) + Span::from_secs(crossing * HOMING_SLOWER),
    }
}

/// What the bench file says of a meter, as its driver takes it.
pub(super) fn meter_card(meter: &Meter) -> PhotometerCard {
    let ranges = meter.ranges.iter().map(|range| range.0);
    let top = ranges.reduce(f64::max);
    let top = top.map_or(PLAUSIBLE_WITHOUT_RANGES_LX, |top| top * PLAUSIBLE_OVER_TOP);
    PhotometerCard {
        name: meter.name.clone(),
        aperture: meter.integration,
        averages: meter.averages,
        plausible: (Lux(-PLAUSIBLE_BELOW_ZERO_LX), Lux(top)),
        has_shutter: meter.dark == DarkBy::Shutter,
    }
}

fn framing_of(framing: card::Framing) -> Framing {
    let (data_bits, parity, stop_bits) = match framing {
        card::Framing::Eight => (8, Parity::None, 1),
        card::Framing::EightEven => (8, Parity::Even, 1),
        card::Framing::EightOdd => (8, Parity::Odd, 1),
        card::Framing::EightTwo => (8, Parity::None, 2),
        card::Framing::SevenEven => (7, Parity::Even, 1),
        card::Framing::SevenOdd => (7, Parity::Odd, 1),
    };
    Framing {
        data_bits,
        parity,
        stop_bits,
    }
}

/// Who a profile that speaks by registers speaks to behind a port.
pub(super) fn station(card: &Card, port: &str, profile: &Profile) -> Option<Station> {
    let port = card.ports.iter().find(|known| known.name == port);
    let unit = port.and_then(|port| port.unit).unwrap_or(UNIT);
    let on_a_socket = port.is_some_and(|port| matches!(port.at, PortAddress::Tcp { .. }));
    let serial_frames = port.is_some_and(|port| port.serial_frames);
    let form = match on_a_socket && !serial_frames {
        true => Form::Tcp,
        false => Form::Rtu,
    };
    profile.station(unit, form)
}

pub(super) fn address_of(at: &PortAddress) -> Address {
    match at {
        PortAddress::Serial {
            path,
            baud,
            framing,
        } => Address::Serial {
            path: path.clone(),
            baud: *baud,
            framing: framing_of(*framing),
        },
        PortAddress::Program { path } => Address::Program { path: path.clone() },
        PortAddress::Tcp { host_port } => Address::Tcp {
            host_port: host_port.clone(),
        },
    }
}

impl Bench {
    /// Starts an instrument for each device of the card on its seat. The
    /// first seat is the attendant's and is given back. `elsewhere` replaces
    /// ports' addresses by name (a rehearsal, a test).
    ///
    /// # Errors
    /// When a port is not on the card, a profile has mistakes, a seat is missing,
    /// or the system gives no thread.
    pub fn open(
        card: &Card,
        seats: Vec<Seat>,
        elsewhere: &BTreeMap<String, Address>,
    ) -> Result<(Seat, Bench), OpenError> {
        let kept = Kept::of(card);
        let (seat, mut bench) = Bench::open_tapped(card, seats, elsewhere, &kept.taps())?;
        bench.kept = kept;
        Ok((seat, bench))
    }

    /// As [`Bench::open`]; what goes over the links of the instruments that are
    /// named in `taps` is recorded there.
    ///
    /// # Errors
    /// As [`Bench::open`].
    pub fn open_tapped(
        card: &Card,
        seats: Vec<Seat>,
        elsewhere: &BTreeMap<String, Address>,
        taps: &BTreeMap<String, Tap>,
    ) -> Result<(Seat, Bench), OpenError> {
        let mut seats = seats.into_iter();
        let attendant = seats.next().ok_or(OpenError::NoSeat)?;
        let devices = devices(card)?;
        let feed_every = feed_every(&devices);
        let (post, replies) = mailbox(attendant.bell(), devices.len().max(1) * REPLIES_AT_MOST);
        let mut instruments = BTreeMap::new();
        for device in devices {
            let Device {
                name,
                port,
                role,
                follows,
            } = device;
            let address = match elsewhere.get(&port) {
                Some(address) => address.clone(),
                None => {
                    let port = card.ports.iter().find(|p| p.name == port);
                    let port = port.ok_or_else(|| OpenError::NoPort(name.clone()))?;
                    address_of(&port.at)
                }
            };
            let seat = seats.next().ok_or(OpenError::NoSeat)?;
            let attached = Attached {
                address,
                role,
                follows,
                tap: taps.get(&name).cloned(),
            };
            let instrument =
                Instrument::start(&name, seat, attached, post.clone()).map_err(|cause| {
                    OpenError::NoThread {
                        instrument: name.clone(),
                        cause,
                    }
                })?;
            instruments.insert(name, instrument);
        }
        let bench = Bench {
            card: card.clone(),
            instruments,
            replies,
            early: BTreeMap::new(),
            open: BTreeSet::new(),
            next_id: 1,
            kept: Kept::default(),
            feed_every,
        };
        Ok((attendant, bench))
    }

    /// How often the outlets' board must be told that somebody is there: a third of
    /// what its watchdog waits. None where it has no watchdog.
    pub fn feed_every(&self) -> Option<Span> {
        self.feed_every
    }

    /// The links whose traffic is kept.
    pub fn kept_traffic(&mut self) -> &mut Kept {
        &mut self.kept
    }

    /// What the bench can do.
    pub fn card(&self) -> &Card {
        &self.card
    }

    /// How long an instrument that is gone in the middle of a run is waited for.
    pub fn back_within(&self, instrument: &str) -> Span {
        let card = &self.card;
        let meter = card.meters.iter().find(|meter| meter.name == instrument);
        let rail = card.rail.as_ref().filter(|_| instrument == RAIL);
        let fingers = card.fingers.as_ref().filter(|_| instrument == FINGERS);
        let told = meter.map(|meter| meter.back_within);
        let told = told.or_else(|| rail.map(|rail| rail.back_within));
        let outlets = card.outlets.as_ref().filter(|_| instrument == OUTLETS);
        let told = told.or_else(|| outlets.map(|outlets| outlets.back_within));
        let control = card.control.as_ref().filter(|_| instrument == CONTROL);
        let told = told.or_else(|| control.map(|control| control.back_within));
        told.or_else(|| fingers.map(|fingers| fingers.back_within))
            .unwrap_or(Span::ZERO)
    }

    /// Hands a request to an instrument; its number.
    ///
    /// # Errors
    /// When there is no such instrument, or its thread is gone.
    pub fn post(&mut self, instrument: &str, verb: Verb) -> Result<u64, Trouble> {
        let target = self
            .instruments
            .get(instrument)
            .ok_or_else(|| Trouble::Absent(instrument.to_owned()))?;
        // A series has a number for each reading, and one for its end.
        let numbers = match verb {
            Verb::Series(series) => u64::from(series.count) + 1,
            _ => 1,
        };
        let id = self.next_id;
        self.next_id += numbers;
        target.post(id, verb)?;
        self.open.extend(id..id + numbers);
        Ok(id)
    }

    /// The answer to a request, if it has come.
    pub fn take_reply(&mut self, id: u64) -> Option<Result<Answer, Trouble>> {
        while let Some(reply) = self.replies.take() {
            // An answer that nobody waits for any more belongs to a request
            // that was given up; it must not be taken for another's.
            if self.open.remove(&reply.id) {
                self.early.insert(reply.id, reply.outcome);
            }
        }
        self.early.remove(&id)
    }

    /// Nobody will look for the answers to these requests.
    pub fn give_up(&mut self, ids: std::ops::Range<u64>) {
        for id in ids {
            self.open.remove(&id);
            self.early.remove(&id);
        }
    }

    /// Withdraws what an instrument is doing.
    pub fn abandon(&self, instrument: &str) {
        if let Some(instrument) = self.instruments.get(instrument) {
            instrument.abandon();
        }
    }
}
