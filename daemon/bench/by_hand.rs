//! One device of a bench in the hands of a person, without a daemon: one verb at
//! a time, within the bench file's limits, and made safe when it is broken off.
//!
//! ```text
//!  card, device, deed ──► check (limits; nothing is opened) ──► Hand: open, do ──► Came
//!                                                                └─ make_safe
//! ```
//!
//! Called by: cli. Not here: a person's word (`cli`), several devices (probe).

use std::collections::BTreeMap;

use drivers::clock::{Clock, Seat, Woken};
use drivers::link::Tap;
use drivers::link::tap::Way;
use drivers::roles::positioner::Whereabouts;
use drivers::roles::presser::HOLD_AT_MOST;
use photometry::measured::{Moment, Quantity, Reading};
use photometry::units::{Length, Span};
use written::nearest;

use super::failed::Failed;
use super::instrument::{Answer, ModeName, Trouble, Verb};
use super::limits;
pub use super::open::OpenError;
use super::open::{Bench, CONTROL, FINGERS, OUTLETS, RAIL, STOP_BUTTON, seat_names};
use crate::plan::card::{Card, DarkBy, Framing, PortAddress};
pub use crate::plan::lamp::HOLD;
use crate::plan::lamp::TOLD_MODE_AT_MOST;
use crate::plan::profiles::{self, GivenSetting, UsedProfile};

/// A device answers within this or counts as hung: longer than the longest homing
/// over the longest rail.
const ANSWER_WITHIN: Span = Span::from_mins(10);

/// What a person asks one device to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Deed {
    /// One reading of a meter.
    Read,
    /// Close (true) or open its shutter.
    Shutter(bool),
    /// Press with a finger, by its name, for so long.
    Press(String, Span),
    /// Take all fingers off.
    Release,
    /// Find the home switch.
    Home,
    /// Find the home switch, then go to a coordinate.
    Go(Length),
    /// Ask the rail how it is.
    Status,
    /// Tell the lamp a level, in a mode by its name.
    Level(u16, String),
    /// Switch an outlet on, by its name.
    On(String),
    /// Tell the lamp to go off, or switch all outlets off.
    Off,
}

/// What a device is on its bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The rail.
    Rail,
    /// A meter.
    Meter,
    /// The fingers.
    Fingers,
    /// The mains relays.
    Outlets,
    /// What tells a lamp its level.
    Control,
    /// The stop button's contact.
    StopButton,
}

impl Part {
    /// The verbs that it knows, as they are typed.
    pub const fn verbs(self) -> &'static str {
        match self {
            Part::Rail => "home, go COORDINATE, status",
            Part::Meter => "read, shutter closed, shutter open",
            Part::Fingers => "press FINGER [HOLD], release",
            Part::Outlets => "on OUTLET, off",
            Part::Control => "level NUMBER [MODE], off",
            Part::StopButton => "read",
        }
    }

    /// Whether it can be asked for that.
    const fn knows(self, deed: &Deed) -> bool {
        match deed {
            Deed::Read => matches!(self, Part::Meter | Part::StopButton),
            Deed::Shutter(_) => matches!(self, Part::Meter),
            Deed::Press(..) | Deed::Release => matches!(self, Part::Fingers),
            Deed::Home | Deed::Go(_) | Deed::Status => matches!(self, Part::Rail),
            Deed::Level(..) => matches!(self, Part::Control),
            Deed::On(_) => matches!(self, Part::Outlets),
            Deed::Off => matches!(self, Part::Control | Part::Outlets),
        }
    }
}

/// A device as the bench file has it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Device {
    /// Its name: a meter's own, `rail`, `fingers`, `outlets` or `control`.
    pub name: String,
    /// What it is.
    pub part: Part,
    /// Its port's name.
    pub port: String,
    /// Where that is, and at which rate.
    pub address: String,
    /// The profile that it follows.
    pub profile: Option<String>,
    /// The values that the bench file gives to that profile's settings.
    pub settings: Vec<GivenSetting>,
    /// The serial number that the bench file demands.
    pub demanded: Option<String>,
}

impl Device {
    /// The values that the bench file gives to its profile's settings, `gain 4,
    /// filter off`; none where it gives none.
    pub fn given(&self) -> Option<String> {
        profiles::given(&self.settings)
    }
}

/// The devices of a bench: fingers first, because they are to be off before
/// anything else is tried.
pub fn devices(card: &Card) -> Vec<Device> {
    let named = |profile: &Option<UsedProfile>| profile.as_ref().map(|used| used.name.clone());
    let given = |profile: &Option<UsedProfile>| {
        let used = profile.as_ref();
        used.map(|used| used.settings.clone()).unwrap_or_default()
    };
    let device = |name: &str, part, port: &str| Device {
        name: name.to_owned(),
        part,
        port: port.to_owned(),
        address: address(card, port),
        profile: None,
        settings: Vec::new(),
        demanded: None,
    };
    let fingers = card.fingers.iter().map(|fingers| Device {
        profile: named(&fingers.profile),
        settings: given(&fingers.profile),
        ..device(FINGERS, Part::Fingers, &fingers.port)
    });
    let rail = card.rail.iter();
    let rail = rail.map(|rail| Device {
        profile: named(&rail.profile),
        settings: given(&rail.profile),
        ..device(RAIL, Part::Rail, &rail.port)
    });
    let meters = card.meters.iter().map(|meter| Device {
        profile: named(&meter.profile),
        settings: given(&meter.profile),
        demanded: meter.serial.clone(),
        ..device(&meter.name, Part::Meter, &meter.port)
    });
    let outlets = card.outlets.iter().map(|outlets| Device {
        profile: named(&outlets.profile),
        settings: given(&outlets.profile),
        ..device(OUTLETS, Part::Outlets, &outlets.port)
    });
    let control = card.control.iter().map(|control| Device {
        profile: named(&control.profile),
        settings: given(&control.profile),
        ..device(CONTROL, Part::Control, &control.port)
    });
    let button = card.stop_button.iter().map(|button| Device {
        profile: named(&button.profile),
        settings: given(&button.profile),
        ..device(STOP_BUTTON, Part::StopButton, &button.port)
    });
    let all = fingers.chain(rail).chain(meters).chain(outlets);
    all.chain(control).chain(button).collect()
}

fn address(card: &Card, name: &str) -> String {
    let Some(port) = card.ports.iter().find(|port| port.name == name) else {
        return String::new();
    };
    let unit = port.unit.map(|unit| format!(", unit {unit}"));
    let unit = unit.unwrap_or_default();
    match &port.at {
        PortAddress::Serial {
            path,
            baud,
            framing,
        } => {
            let words = Framing::WORDS.iter();
            let bits = words.filter(|(_, known)| known == framing && !framing.is_usual());
            let bits: String = bits.map(|(word, _)| format!(" {word}")).collect();
            format!("{path}, {baud} baud{bits}{unit}")
        }
        PortAddress::Tcp { host_port } => format!("tcp:{host_port}{unit}"),
        PortAddress::Program { path } => format!("program:{path}"),
    }
}

/// Why a deed is not even tried; nothing was opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotTried {
    /// Why.
    pub why: String,
    /// What to do now.
    pub to_do: String,
}

fn not_tried(why: impl Into<String>, to_do: impl Into<String>) -> NotTried {
    let (why, to_do) = (why.into(), to_do.into());
    NotTried { why, to_do }
}

/// The device of that name.
///
/// # Errors
/// When the bench has none.
pub fn device(card: &Card, name: &str) -> Result<Device, NotTried> {
    let all = devices(card);
    if let Some(device) = all.iter().find(|device| device.name == name) {
        return Ok(device.clone());
    }
    let names = || all.iter().map(|device| device.name.as_str());
    Err(no_such(card, "device", name, names()))
}

/// That the bench has nothing of that name, and what it has.
fn no_such<'a>(
    card: &Card,
    what: &str,
    name: &str,
    names: impl Iterator<Item = &'a str> + Clone,
) -> NotTried {
    let to_do = match nearest(name, names.clone()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("it has {}", names.collect::<Vec<_>>().join(", ")),
    };
    let why = format!("the bench `{}` has no {what} `{name}`", card.name);
    not_tried(why, to_do)
}

/// Whether a deed lies within the limits of the bench file.
///
/// # Errors
/// When the device knows no such verb, has no such finger or shutter, the hold is
/// too long, or the way leaves the travel.
pub fn check(card: &Card, device: &Device, deed: &Deed) -> Result<(), NotTried> {
    if !device.part.knows(deed) {
        let why = format!("`{}` knows no such verb", device.name);
        let to_do = format!("it knows {}", device.part.verbs());
        return Err(not_tried(why, to_do));
    }
    match deed {
        Deed::Press(finger, hold) => {
            coil(card, finger)?;
            if *hold <= Span::ZERO || *hold > HOLD_AT_MOST {
                let why = format!(
                    "a press of {} is not between 0 s and {HOLD_AT_MOST}",
                    hold.shown()
                );
                return Err(not_tried(why, "write a hold such as '120 ms'"));
            }
            Ok(())
        }
        Deed::Shutter(_) => {
            let meter = card.meters.iter().find(|meter| meter.name == device.name);
            match meter {
                Some(meter) if meter.dark == DarkBy::Shutter => Ok(()),
                _ => Err(not_tried(
                    format!("`{}` has no shutter by the bench file", device.name),
                    "with `dark: cap` a person puts the cap on",
                )),
            }
        }
        Deed::Go(target) => {
            let Some(rail) = &card.rail else {
                return Ok(());
            };
            // Homing comes first and ends there.
            limits::permit(rail, Some(rail.travel_from), *target).map_err(|leaves| {
                let (low, high) = (leaves.low, leaves.high);
                not_tried(
                    format!("{target} is outside the travel of {low} to {high}"),
                    "name a coordinate within the bench file's `travel`",
                )
            })
        }
        Deed::Level(_, mode) => match ModeName::of(mode) {
            Some(_) => Ok(()),
            None => Err(not_tried(
                format!("the mode `{mode}` cannot be sent"),
                format!(
                    "write it in ASCII, {} characters at most",
                    TOLD_MODE_AT_MOST
                ),
            )),
        },
        Deed::On(outlet) => channel(card, outlet).map(|_| ()),
        Deed::Read | Deed::Release | Deed::Home | Deed::Status | Deed::Off => Ok(()),
    }
}

/// The channel of an outlet.
///
/// # Errors
/// When the bench has no such outlet.
pub fn channel(card: &Card, outlet: &str) -> Result<u16, NotTried> {
    let outlets = card.outlets.iter();
    if let Some(found) = outlets.clone().find_map(|outlets| outlets.channel(outlet)) {
        return Ok(found);
    }
    let channels = outlets.flat_map(|outlets| &outlets.channels);
    let names = || channels.clone().map(|channel| channel.name.as_str());
    Err(no_such(card, "outlet", outlet, names()))
}

/// The coil of a finger.
///
/// # Errors
/// When the bench has no such finger.
pub fn coil(card: &Card, finger: &str) -> Result<u16, NotTried> {
    let channels = card.fingers.iter().flat_map(|fingers| &fingers.channels);
    let names = || channels.clone().map(|channel| channel.name.as_str());
    if let Some(found) = channels.clone().find(|channel| channel.name == finger) {
        return Ok(found.channel);
    }
    Err(no_such(card, "finger", finger, names()))
}

/// What came of a deed.
#[derive(Clone, Debug)]
pub enum Came {
    /// A reading.
    Reading(Box<Reading>),
    /// The carriage stands here.
    At(Length),
    /// What the rail says of itself, as it came; where it stands, if that is
    /// known.
    Status(Vec<u8>, Option<Length>),
    /// A contact is closed, or open.
    Contact(bool),
    /// Done, and read back where the device can.
    Done,
}

/// A deed that was done.
#[derive(Clone, Debug)]
pub struct Done {
    /// Who the device says it is.
    pub identity: String,
    /// What came of it.
    pub came: Came,
    /// When it was begun, the device being ready.
    pub begun: Moment,
    /// When it was done.
    pub ended: Moment,
}

/// Bytes that went over a link.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Said {
    /// Since the bench was opened.
    pub after: Span,
    /// To the device, or from it.
    pub to_device: bool,
    /// The bytes.
    pub bytes: Vec<u8>,
}

/// A bench in a person's hands. Ports are opened when they are first needed.
pub struct Hand {
    seat: Seat,
    bench: Bench,
    begun: Moment,
    taps: BTreeMap<String, Tap>,
    /// The request whose answer nobody has taken yet.
    pending: Option<u64>,
    /// Something was told to move or to press.
    touched: bool,
}

impl Hand {
    /// Takes a bench in hand; nothing is sent.
    ///
    /// # Errors
    /// As [`Bench::open`].
    pub fn open(card: &Card) -> Result<Hand, OpenError> {
        let clock = Clock::wall();
        let names = seat_names(card);
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let devices = devices(card).into_iter();
        let taps = devices.map(|device| (device.name, Tap::new())).collect();
        let seats = clock.seats(&names);
        let (seat, bench) = Bench::open_tapped(card, seats, &BTreeMap::new(), &taps)?;
        let begun = seat.now();
        Ok(Hand {
            seat,
            bench,
            begun,
            taps,
            pending: None,
            touched: false,
        })
    }

    /// Asks a device and waits for its answer. May be dropped while it waits: the
    /// device works on until it is [made safe](Hand::make_safe).
    ///
    /// # Errors
    /// Whatever kept the device from it.
    pub(super) async fn ask(&mut self, device: &str, verb: Verb) -> Result<Answer, Trouble> {
        let moves = matches!(
            verb,
            Verb::Home
                | Verb::Go(_)
                | Verb::Press { .. }
                | Verb::SetLevel { .. }
                | Verb::Switch { on: true, .. }
        );
        self.touched |= moves;
        let id = self.bench.post(device, verb)?;
        self.pending = Some(id);
        self.answer(id).await
    }

    async fn answer(&mut self, id: u64) -> Result<Answer, Trouble> {
        let until = self.seat.now().mono + ANSWER_WITHIN;
        loop {
            if let Some(reply) = self.bench.take_reply(id) {
                self.pending = None;
                return reply;
            }
            if self.seat.wait_async(Some(until)).await == Woken::Due {
                return Err(Trouble::Hung {
                    within: ANSWER_WITHIN,
                });
            }
        }
    }

    /// Makes the device ready, as a run would, and does what was asked.
    ///
    /// # Errors
    /// Whatever kept the device from it; it may be at work on it then.
    pub async fn carry_out(&mut self, device: &str, deed: &Deed) -> Result<Done, Failed> {
        let identity = match self.ask(device, Verb::Open).await? {
            Answer::Ready(identity) => identity.raw,
            _ => String::new(),
        };
        let begun = self.seat.now();
        let came = match deed {
            Deed::Read if device == STOP_BUTTON => self.ask(device, Verb::Contact).await?,
            Deed::Read => self.ask(device, Verb::Read(Quantity::Illuminance)).await?,
            Deed::Shutter(closed) => self.ask(device, Verb::Shutter(*closed)).await?,
            Deed::Press(finger, hold) => {
                let coil =
                    coil(self.bench.card(), finger).map_err(|_| Trouble::Absent(finger.clone()))?;
                self.ask(device, Verb::Press { coil, hold: *hold }).await?
            }
            Deed::Release => self.ask(device, Verb::ReleaseAll).await?,
            Deed::Home => self.ask(device, Verb::Home).await?,
            Deed::Go(target) => {
                self.ask(device, Verb::Home).await?;
                self.ask(device, Verb::Go(*target)).await?
            }
            Deed::Status => self.ask(device, Verb::Status).await?,
            Deed::Level(level, mode) => {
                let (level, mode) = (*level, ModeName::of(mode));
                let mode = mode.ok_or_else(|| Trouble::Absent("mode".to_owned()))?;
                self.ask(device, Verb::SetLevel { mode, level }).await?
            }
            Deed::On(outlet) => {
                let channel = channel(self.bench.card(), outlet)
                    .map_err(|_| Trouble::Absent(outlet.clone()))?;
                self.ask(device, Verb::Switch { channel, on: true }).await?
            }
            Deed::Off if device == OUTLETS => self.ask(device, Verb::AllOff).await?,
            Deed::Off => self.ask(device, Verb::LampOff).await?,
        };
        let came = match came {
            Answer::Reading(reading) => Came::Reading(Box::new(reading)),
            Answer::Homed(homing) => Came::At(homing.at),
            Answer::At(at) => Came::At(at),
            Answer::Closed(closed) => Came::Contact(closed),
            Answer::Whereabouts(known) => Came::Status(self.last_heard(device), at(known)),
            _ => Came::Done,
        };
        Ok(Done {
            identity,
            came,
            begun,
            ended: self.seat.now(),
        })
    }

    /// Whether something was told to move or to press since it was taken in hand.
    pub const fn touched(&self) -> bool {
        self.touched
    }

    /// Withdraws what the device is doing and makes it safe: the carriage halted,
    /// all fingers, outlets and the lamp off. A meter has nothing to make safe.
    ///
    /// # Errors
    /// When the device does not do that either: look at it.
    pub async fn make_safe(&mut self, device: &Device) -> Result<(), Failed> {
        if let Some(id) = self.pending {
            self.bench.abandon(&device.name);
            // Its end comes first: the next request would take the word back. What
            // it says does not matter any more.
            let _ = self.answer(id).await;
        }
        let safely = match device.part {
            Part::Rail => Verb::Halt,
            Part::Fingers => Verb::ReleaseAll,
            Part::Outlets => Verb::AllOff,
            Part::Control => Verb::LampOff,
            Part::Meter | Part::StopButton => return Ok(()),
        };
        self.ask(&device.name, safely).await?;
        self.touched = false;
        Ok(())
    }

    /// What went over a device's link since this was last asked, and bytes beyond
    /// what is kept.
    pub fn traffic(&self, device: &str) -> (Vec<Said>, u64) {
        let Some(tap) = self.taps.get(device) else {
            return (Vec::new(), 0);
        };
        let traffic = tap.take();
        let said = traffic.chunks.into_iter().map(|chunk| Said {
            after: chunk.at.mono.since(self.begun.mono),
            to_device: chunk.way == Way::To,
            bytes: chunk.bytes,
        });
        (said.collect(), traffic.not_kept_bytes)
    }

    /// The bytes that came since something was last sent.
    fn last_heard(&self, device: &str) -> Vec<u8> {
        self.taps
            .get(device)
            .map(Tap::last_heard)
            .unwrap_or_default()
    }
}

const fn at(known: Whereabouts) -> Option<Length> {
    match known {
        Whereabouts::At(at) => Some(at),
        Whereabouts::Unknown => None,
    }
}
