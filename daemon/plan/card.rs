//! The bench card: what one bench can do, as data. A bench file becomes a
//! card; planning needs nothing else of the bench.
//!
//! Coordinates: the carriage's *coordinate* is what the rail reports after
//! homing. A *position* is the distance from the lamp's datum to the meter's
//! reference plane. [`Rail::coordinate_of`] turns one into the other.

use photometry::measured::Quantity;
use photometry::units::{Acceleration, Length, LengthUnit, Lux, Ratio, Span, Speed};
use serde::{Deserialize, Serialize};

use super::profiles::UsedProfile;

/// How long a device that is gone is waited for where the bench file says
/// nothing: an adapter that is enumerated anew takes seconds, a person who finds
/// the plug on the floor takes longer. Common practice, no source.
pub const BACK_WITHIN: Span = Span::from_secs(60);

const fn back_within_usually() -> Span {
    BACK_WITHIN
}

fn is_back_within_usually(span: &Span) -> bool {
    *span == BACK_WITHIN
}

/// One bench, as its file describes it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Card {
    /// The bench's name.
    pub name: String,
    /// How lengths are shown.
    pub lengths: LengthUnit,
    /// Ports by name.
    pub ports: Vec<Port>,
    /// Where a lamp can stand.
    pub places: Vec<Place>,
    /// The motorized axis.
    pub rail: Option<Rail>,
    /// The meters.
    pub meters: Vec<Meter>,
    /// Relay fingers that can sit on a lamp's buttons.
    pub fingers: Option<Fingers>,
    /// Mains relays that hold what they are told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outlets: Option<Outlets>,
    /// What tells a lamp its level.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub control: Option<Control>,
    /// An integrating sphere with its lamps.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sphere: Option<Sphere>,
    /// The outlet that feeds the lamp; none where it hangs on the mains itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lamp_outlet: Option<String>,
    /// The sense line of a stop button.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stop_button: Option<StopButton>,
    /// What looks at the room, and how quiet it must be.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub room: Option<Room>,
    /// The meter that stands still and always sees the lamp, by name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fixed_sensor: Option<String>,
}

impl Card {
    /// Whether this is the name of a sphere's place.
    pub fn is_sphere(&self, place: &str) -> bool {
        let mut places = self.places.iter();
        places.any(|other| other.name == place && other.kind == PlaceKind::Sphere)
    }
}

/// The room around the bench: a sensor that sees it and not the lamp, and what it may
/// show while something is measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Room {
    /// The meter that looks at it, by name.
    pub sensor: String,
    /// More light than this at the sensor disturbs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub light_at_most: Option<Lux>,
    /// Air outside these disturbs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub air: Option<AirLimits>,
}

/// The air while something is measured: in degrees Celsius, from -40 to 60, the first
/// the lower.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct AirLimits {
    /// Not colder.
    pub from_c: f64,
    /// Not warmer.
    pub to_c: f64,
}

/// A port and how to reach it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Port {
    /// Its name within the bench file.
    pub name: String,
    /// Where it is.
    pub at: PortAddress,
    /// The unit number of the device behind it, where it speaks by registers
    /// (Modbus); 1 if left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<u8>,
    /// A socket carries the frames of a serial line, as some gateways do.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub serial_frames: bool,
    /// What goes over its link is kept with each run.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub traffic_kept: bool,
}

/// Bits of a character on a serial line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Framing {
    /// Eight bits, no parity, one stop bit.
    #[default]
    #[serde(rename = "8N1")]
    Eight,
    /// Eight bits, even parity, one stop bit.
    #[serde(rename = "8E1")]
    EightEven,
    /// Eight bits, odd parity, one stop bit.
    #[serde(rename = "8O1")]
    EightOdd,
    /// Eight bits, no parity, two stop bits.
    #[serde(rename = "8N2")]
    EightTwo,
    /// Seven bits, even parity, one stop bit.
    #[serde(rename = "7E1")]
    SevenEven,
    /// Seven bits, odd parity, one stop bit.
    #[serde(rename = "7O1")]
    SevenOdd,
}

impl Framing {
    /// The words of a bench file.
    pub const WORDS: &[(&str, Framing)] = &[
        ("8N1", Framing::Eight),
        ("8E1", Framing::EightEven),
        ("8O1", Framing::EightOdd),
        ("8N2", Framing::EightTwo),
        ("7E1", Framing::SevenEven),
        ("7O1", Framing::SevenOdd),
    ];

    /// Whether it is the usual one.
    pub fn is_usual(&self) -> bool {
        *self == Framing::default()
    }
}

/// Where a port is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PortAddress {
    /// A serial port by its stable name.
    Serial {
        /// `/dev/serial/by-id/...`
        path: String,
        /// Bits per second.
        baud: u32,
        /// Bits of a character.
        #[serde(default, skip_serializing_if = "Framing::is_usual")]
        framing: Framing,
    },
    /// A program that is run for each question.
    Program {
        /// Its path.
        path: String,
    },
    /// A TCP peer.
    Tcp {
        /// `host:port`
        host_port: String,
    },
}

/// A place where a lamp can stand.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Place {
    /// Its name.
    pub name: String,
    /// What kind of place.
    pub kind: PlaceKind,
}

/// Kinds of place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PlaceKind {
    /// On the rail's axis.
    Axis,
    /// In or at the integrating sphere.
    Sphere,
    /// Standing still, without a rail.
    Still,
}

/// What rides on the carriage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Carries {
    /// The meter; the lamp stands still.
    Meter,
    /// The lamp; the meter stands still.
    Lamp,
}

/// The motorized rail.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rail {
    /// The port that it hangs on.
    pub port: String,
    /// How it is spoken to; none in what was frozen before rails had profiles.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile: Option<UsedProfile>,
    /// The place whose axis it is.
    pub place: String,
    /// Least coordinate that may be gone to.
    pub travel_from: Length,
    /// Greatest coordinate that may be gone to.
    pub travel_to: Length,
    /// Cruising speed.
    pub speed: Speed,
    /// Acceleration, the same up and down.
    pub acceleration: Acceleration,
    /// Least rest after arrival before a reading.
    pub settle: Span,
    /// A growing coordinate takes the meter away from the lamp.
    pub away_is_up: bool,
    /// What the carriage carries.
    pub carries: Carries,
    /// Overshoot of the moves that come from the wrong side; more than the
    /// reversal value of the rail.
    pub overshoot: Length,
    /// Coordinate at which the position is zero when nobody used a gauge.
    pub datum_at: Length,
    /// Standard uncertainty of that datum (k = 1).
    pub datum_uncertainty: Length,
    /// Standard uncertainty of a datum set with a gauge block (k = 1).
    pub gauge_uncertainty: Length,
    /// Coordinate at which the carriage stands while the gauge is used.
    pub gauge_at: Length,
    /// Largest home offset that still means no lost steps.
    pub home_tolerance: Length,
    /// How long it is waited for when it is gone in the middle of a run.
    #[serde(
        default = "back_within_usually",
        skip_serializing_if = "is_back_within_usually"
    )]
    pub back_within: Span,
}

impl Rail {
    /// The coordinate for a position: the lamp's datum lies at `datum`, the
    /// meter's reference plane `plane` further away than the carriage's mark.
    pub fn coordinate_of(&self, position: Length, datum: Length, plane: Length) -> Length {
        let along = position - plane;
        if self.away_is_up {
            datum + along
        } else {
            datum - along
        }
    }
    /// The datum that makes `position` lie at `coordinate`.
    pub fn datum_for(&self, position: Length, coordinate: Length, plane: Length) -> Length {
        let along = position - plane;
        if self.away_is_up {
            coordinate - along
        } else {
            coordinate + along
        }
    }
    /// Whether a coordinate lies within the travel.
    pub fn reaches(&self, coordinate: Length) -> bool {
        (self.travel_from..=self.travel_to).contains(&coordinate)
    }
}

/// How a meter takes its dark reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DarkBy {
    /// The meter has a shutter of its own.
    Shutter,
    /// A person puts a cap on it.
    Cap,
}

/// One meter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Meter {
    /// Its name on this bench.
    pub name: String,
    /// The port that it hangs on.
    pub port: String,
    /// The place that it measures at.
    pub place: String,
    /// It rides on the carriage; otherwise it is fixed.
    pub rides: bool,
    /// How much further away its reference plane lies than the carriage's mark.
    pub plane: Length,
    /// What it yields.
    pub yields: Vec<Quantity>,
    /// Upper ends of its ranges, ascending.
    pub ranges: Vec<Lux>,
    /// Integration time of one reading.
    pub integration: Span,
    /// Readings averaged inside the meter for one answer.
    pub averages: u32,
    /// How it takes its dark reading.
    pub dark: DarkBy,
    /// How it is spoken to; none in what was frozen before there were profiles.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile: Option<UsedProfile>,
    /// The serial number that its identity must show, when given.
    pub serial: Option<String>,
    /// How long it is waited for when it is gone in the middle of a run.
    #[serde(
        default = "back_within_usually",
        skip_serializing_if = "is_back_within_usually"
    )]
    pub back_within: Span,
    /// Its calibration.
    pub calibration: Calibration,
    /// Its terms of uncertainty.
    pub uncertainty: Vec<WrittenTerm>,
}

/// A calibration certificate.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Calibration {
    /// The certificate's number or name.
    pub certificate: String,
    /// The day after which it no longer holds, `2027-03-01`.
    pub due: String,
}

/// A relative standard uncertainty (k = 1) with its source's name, such as
/// `certificate`, `spectral mismatch`, `stray light and cosine`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WrittenTerm {
    /// Where it comes from.
    pub source: String,
    /// As a share of the value.
    pub share: Ratio,
}

/// The board of mains relays.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Outlets {
    /// The port that it hangs on.
    pub port: String,
    /// How it is spoken to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile: Option<UsedProfile>,
    /// How long it is waited for when it is gone in the middle of a run.
    #[serde(
        default = "back_within_usually",
        skip_serializing_if = "is_back_within_usually"
    )]
    pub back_within: Span,
    /// Its channels by the outlets' names: `auxiliary` -> 1.
    pub channels: Vec<Outlet>,
}

impl Outlets {
    /// The channel of an outlet.
    pub fn channel(&self, outlet: &str) -> Option<u16> {
        let mut channels = self.channels.iter();
        let found = channels.find(|channel| channel.name == outlet);
        found.map(|outlet| outlet.channel)
    }
}

/// What tells a lamp its mode and level by commands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Control {
    /// The port that it hangs on.
    pub port: String,
    /// How it is spoken to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile: Option<UsedProfile>,
    /// How long it is waited for when it is gone in the middle of a run.
    #[serde(
        default = "back_within_usually",
        skip_serializing_if = "is_back_within_usually"
    )]
    pub back_within: Span,
}

/// The sense line of a stop button: an input alone, and a normal stop.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StopButton {
    /// The port that it hangs on.
    pub port: String,
    /// How it is spoken to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile: Option<UsedProfile>,
    /// Its contact is closed while it is pressed; otherwise open, as a cut wire is.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub pressed_is_closed: bool,
}

/// An integrating sphere. Its photometer is an illuminance meter at its place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sphere {
    /// The place where a lamp hangs in it.
    pub place: String,
    /// Inner diameter.
    pub diameter: Length,
    /// The lamp of known flux that takes the place of the one under test.
    pub reference: ReferenceLamp,
    /// The lamp in the wall, by which is seen what a housing swallows.
    pub auxiliary: AuxiliaryLamp,
}

impl Sphere {
    /// The share of the wall that a lamp's outer surface in m2 takes.
    pub fn wall_share(&self, surface_m2: f64) -> f64 {
        surface_m2 / (std::f64::consts::PI * self.diameter.metres().powi(2))
    }
}

/// A lamp's surface above this share of the sphere's wall is worth a word, and a
/// term of uncertainty (LM-79-08, 9.1.2, from memory).
pub const SHARE_OF_WALL_AT_MOST: Ratio = Ratio::new(0.02);

/// The reference lamp of a sphere.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReferenceLamp {
    /// Its name.
    pub name: String,
    /// Luminous flux in lm when it is warm, above zero.
    pub flux_lm: f64,
    /// The terms of that flux, as shares of it (k = 1).
    pub uncertainty: Vec<WrittenTerm>,
    /// Its relative spectral flux, where its certificate tells it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spectrum: Option<LampSpectrum>,
    /// Its calibration.
    pub calibration: Calibration,
    /// How long it is on before it is read.
    pub warm_up: Span,
    /// What lights it.
    pub lit: LitBy,
}

/// The relative spectral flux of a lamp.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LampSpectrum {
    /// That of a Planckian radiator: the distribution temperature in K.
    Planckian(f64),
    /// From this wavelength in nm on, one value every so many nm, in any unit.
    Table {
        /// The first wavelength in nm.
        from_nm: f64,
        /// From one to the next in nm.
        step_nm: f64,
        /// The values, none below zero.
        relative: Vec<f64>,
    },
}

/// The auxiliary lamp of a sphere.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct AuxiliaryLamp {
    /// What lights it.
    pub lit: LitBy,
    /// How long it is on before it is read.
    pub warm_up: Span,
}

/// What lights a lamp of a sphere.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LitBy {
    /// This outlet of the bench.
    Outlet(String),
    /// A person, asked by the daemon.
    ByHand,
}

/// One outlet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Outlet {
    /// Its name on the bench.
    pub name: String,
    /// Its relay channel.
    pub channel: u16,
}

/// The relay board that works the fingers.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fingers {
    /// The port that it hangs on.
    pub port: String,
    /// How it is spoken to; none in what was frozen before there were profiles.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile: Option<UsedProfile>,
    /// How long it is waited for when it is gone in the middle of a run.
    #[serde(
        default = "back_within_usually",
        skip_serializing_if = "is_back_within_usually"
    )]
    pub back_within: Span,
    /// Its channels by the fingers' names: `left` -> 1.
    pub channels: Vec<Finger>,
}

/// One finger.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finger {
    /// Its name on the bench.
    pub name: String,
    /// Its relay channel.
    pub channel: u16,
}
