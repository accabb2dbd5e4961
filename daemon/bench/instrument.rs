//! A device and the thread that owns its port. The thread opens the port when
//! it is first needed, answers one request at a time, and opens it anew after
//! the link was lost; a device opened anew knows nothing of its past.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

use drivers::clock::{Bell, Mailbox, Post, Seat, mailbox};
use drivers::error::DriverError;
use drivers::exchange::line;
use drivers::exchange::modbus::station::Station;
use drivers::exchange::scpi::{Complaint, Identity};
use drivers::exchange::talk::{LinkState, Talk};
use drivers::link::{Address, Link, LinkError, Tap};
use drivers::profile::perform::{self, Given};
use drivers::profile::types::{Profile, ProfileVerb, Speech};
use drivers::roles::contact::Contact;
use drivers::roles::leveller::Leveller;
use drivers::roles::photometer::{
    Photometer, Spectroradiometer, Thermometer, Wattmeter, WaveformPhotometer,
};
use drivers::roles::positioner::{Homing, Positioner, Whereabouts};
use drivers::roles::presser::Presser;
use drivers::roles::profiled_meter::ProfiledMeter;
use drivers::roles::switcher::Switcher;
use photometry::measured::{Capture, Moment, Quantity, Reading};
use photometry::units::{Length, Mono, Span};

use crate::plan::itinerary::Sampling;
use crate::plan::lamp::{TOLD_MODE_AT_MOST, can_be_told};
use crate::run::journal::Fault;

/// Requests that may wait for one instrument; the attendant asks one at a time.
const REQUESTS_AT_MOST: usize = 8;

/// What an instrument can be asked to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verb {
    /// Make the device ready, if its port is not open.
    Open,
    /// One reading.
    Read(Quantity),
    /// Readings at a steady beat, each answered by itself: the `n`-th reply has the
    /// request's number + n, and one more ends them.
    Series(Series),
    /// Integrate so long from here on.
    Integrate(Span),
    /// Capture a spectrum.
    Spectrum,
    /// Capture a waveform.
    Waveform(Sampling),
    /// Switch an outlet, by its channel.
    Switch {
        /// The relay's channel.
        channel: u16,
        /// On or off.
        on: bool,
    },
    /// Switch all outlets off.
    AllOff,
    /// Tell the outlets' board that somebody is there.
    Feed,
    /// Close or open the meter's shutter.
    Shutter(bool),
    /// Find the home switch.
    Home,
    /// Go to a coordinate.
    Go(Length),
    /// Stop moving.
    Halt,
    /// Press a button.
    Press {
        /// The relay's channel.
        coil: u16,
        /// How long.
        hold: Span,
    },
    /// Take all fingers off.
    ReleaseAll,
    /// Tell the lamp its mode and level.
    SetLevel {
        /// The mode.
        mode: ModeName,
        /// The level.
        level: u16,
    },
    /// Tell the lamp to go off.
    LampOff,
    /// Whether the contact is closed.
    Contact,
    /// Where the carriage stands.
    Status,
    /// A question that changes nothing: who it is, how a coil is, the rail's status.
    Question,
    /// What it complained of since its port was opened.
    Complaints,
}

/// The name of a mode as it is sent, [`can_be_told`].
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct ModeName {
    bytes: [u8; TOLD_MODE_AT_MOST],
    length: usize,
}

impl ModeName {
    /// A name that can be sent; none of one that is too long or not printable.
    pub fn of(name: &str) -> Option<ModeName> {
        if !can_be_told(name) {
            return None;
        }
        let mut bytes = [0; TOLD_MODE_AT_MOST];
        bytes[..name.len()].copy_from_slice(name.as_bytes());
        Some(ModeName {
            bytes,
            length: name.len(),
        })
    }

    /// The name.
    pub fn as_str(&self) -> &str {
        // Printable ASCII, by how it is made.
        std::str::from_utf8(&self.bytes[..self.length]).unwrap_or_default()
    }
}

impl std::fmt::Debug for ModeName {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:?}", self.as_str())
    }
}

/// Readings at a steady beat.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Series {
    /// What is read.
    pub quantity: Quantity,
    /// When the first is due.
    pub first: Mono,
    /// From one to the next.
    pub every: Span,
    /// How many.
    pub count: u32,
}

impl Series {
    /// When the `nth` is due, from 0.
    pub fn due(&self, nth: u32) -> Mono {
        self.first + self.every.times(i64::from(nth))
    }
}

/// What came of it.
#[derive(Clone, Debug)]
pub enum Answer {
    /// The device is ready; its identity.
    Ready(Box<Identity>),
    /// A reading.
    Reading(Reading),
    /// One of a series was due while the one before was not over.
    NotInTime(Moment),
    /// A capture.
    Capture(Box<Capture>),
    /// Homed.
    Homed(Homing),
    /// The carriage stands here.
    At(Length),
    /// What is known of where the carriage stands.
    Whereabouts(Whereabouts),
    /// From a harmless question to its whole answer; none of a device that is
    /// never asked who it is.
    Took(Option<Span>),
    /// Its complaints, at most 30.
    Complaints(Vec<Complaint>),
    /// The contact is closed, or open.
    Closed(bool),
    /// Done.
    Done,
}

/// Why an instrument did not do it.
#[derive(Debug, thiserror::Error)]
pub enum Trouble {
    /// The bench has no such instrument.
    #[error("this bench has no instrument `{0}`")]
    Absent(String),
    /// The device or its link.
    #[error(transparent)]
    Driver(#[from] DriverError),
    /// It has no such verb.
    #[error("this instrument cannot {0:?}")]
    Unable(Verb),
    /// Its thread is gone or its mailbox is full.
    #[error("the thread of this instrument does not take requests")]
    ThreadGone,
    /// It did not answer.
    #[error("the thread of this instrument gave no answer within {}", within.shown())]
    Hung {
        /// The limit that passed.
        within: Span,
    },
}

impl Trouble {
    /// Whether the device is gone and may come back: its plug was pulled, it
    /// was switched off, or its link broke off.
    pub const fn is_a_loss(&self) -> bool {
        matches!(
            self,
            Trouble::Driver(
                DriverError::Gone { .. }
                    | DriverError::Link(
                        LinkError::NotFound { .. }
                            | LinkError::Gone { .. }
                            | LinkError::WriteTimedOut { .. }
                            | LinkError::Io { .. }
                    )
            )
        )
    }

    /// Whether its link was open before it broke off.
    pub const fn was_there(&self) -> bool {
        matches!(
            self,
            Trouble::Driver(DriverError::Link(LinkError::Gone { .. }))
        )
    }

    /// As it stands in the journal.
    pub fn fault(&self, instrument: &str) -> Fault {
        let code = match self {
            Trouble::Absent(_) => "absent",
            Trouble::Unable(_) => "unable",
            Trouble::ThreadGone | Trouble::Hung { .. } => "hung",
            Trouble::Driver(error) => driver_code(error),
        };
        Fault {
            code: code.to_owned(),
            instrument: Some(instrument.to_owned()),
            message: self.to_string(),
        }
    }
}

/// A stable word for each kind of driver error.
const fn driver_code(error: &DriverError) -> &'static str {
    match error {
        DriverError::Gone { .. } => "gone",
        DriverError::Silent { .. } => "silent",
        DriverError::Garbled { .. } => "garbled",
        DriverError::Refused { .. } => "refused",
        DriverError::Alarm { .. } | DriverError::Halted { .. } => "alarm",
        DriverError::NotHomed => "not-homed",
        DriverError::Abandoned => "abandoned",
        DriverError::OutsideTravel { .. } => "outside-travel",
        DriverError::CoilStuck { .. } => "coil-stuck",
        DriverError::OutletStuck { .. } => "outlet-stuck",
        DriverError::IdentityChanged { .. } => "identity-changed",
        DriverError::AnotherSerial { .. } => "another-serial",
        DriverError::Link(_) => "link",
        DriverError::Restarted { .. } => "restarted",
        DriverError::NotArrived { .. } => "not-arrived",
        DriverError::NotTaken { .. } => "not-taken",
        DriverError::Unsendable(_) => "unsendable",
    }
}

/// The driver that an instrument's thread owns.
pub enum Role {
    /// A meter.
    Meter(Box<ProfiledMeter>),
    /// The rail.
    Positioner(Box<dyn Positioner>),
    /// The relay board.
    Presser(Box<dyn Presser>),
    /// The mains relays.
    Switcher(Box<dyn Switcher>),
    /// What tells a lamp its level.
    Leveller(Box<dyn Leveller>),
    /// A contact.
    Contact(Box<dyn Contact>),
}

/// What a device follows.
pub struct Follows {
    /// How it is spoken to.
    pub profile: Arc<Profile>,
    /// Who is spoken to, where it is by registers.
    pub station: Option<Station>,
    /// A coil that may be asked for, of a board that does not tell who it is.
    pub coil: Option<u16>,
}

impl Follows {
    /// Asks who it is, or how a coil is; false where there is nothing to ask.
    fn answers(&self, talk: &mut Talk<'_>) -> Result<bool, DriverError> {
        let given = Given::of(&self.profile, self.station.as_ref());
        if !self.profile.identity.is_empty() {
            perform::identify(talk, &self.profile.identity, given)?;
            return Ok(true);
        }
        let coil = self.coil.map(|coil| coil.to_string());
        let steps = self.profile.steps(ProfileVerb::ReadCoil);
        let (Some(coil), Some(steps)) = (coil, steps) else {
            return Ok(false);
        };
        let values = [("coil", coil.as_str())];
        let given = Given {
            values: &values,
            ..given
        };
        perform::perform(talk, steps, given)?;
        Ok(true)
    }
}

/// A device as its thread takes it over.
pub struct Attached {
    /// Where it is.
    pub address: Address,
    /// How it is worked.
    pub role: Role,
    /// What the role follows, where it follows a profile.
    pub follows: Option<Follows>,
    /// Records what goes over its link, where somebody wants to see it.
    pub tap: Option<Tap>,
}

/// One request on its way to the thread.
struct Request {
    id: u64,
    verb: Verb,
}

/// One answer on its way back.
pub struct Reply {
    /// The request's number.
    pub id: u64,
    /// What came of it.
    pub outcome: Result<Answer, Trouble>,
}

/// A device, as the attendant holds it. Dropping it ends its thread.
pub struct Instrument {
    /// Its name on the bench.
    pub name: String,
    requests: Option<Post<Request>>,
    abandon: Arc<AtomicBool>,
    bell: Bell,
    thread: Option<JoinHandle<()>>,
}

impl Instrument {
    /// Starts the thread; the port is opened when it is first needed.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(
        name: &str,
        seat: Seat,
        attached: Attached,
        replies: Post<Reply>,
    ) -> std::io::Result<Instrument> {
        let bell = seat.bell();
        let (requests, inbox) = mailbox(seat.bell(), REQUESTS_AT_MOST);
        let abandon = Arc::new(AtomicBool::new(false));
        let worker = Worker {
            seat,
            attached,
            abandon: Arc::clone(&abandon),
            link: None,
            state: LinkState::new(),
            identity: None,
        };
        let thread = std::thread::Builder::new()
            .name(format!("port {name}"))
            .spawn(move || worker.work(inbox, &replies))?;
        Ok(Instrument {
            name: name.to_owned(),
            requests: Some(requests),
            abandon,
            bell,
            thread: Some(thread),
        })
    }

    /// Hands a request to the thread.
    ///
    /// # Errors
    /// When the thread is gone or does not keep up.
    pub fn post(&self, id: u64, verb: Verb) -> Result<(), Trouble> {
        self.abandon.store(false, Ordering::SeqCst);
        let requests = self.requests.as_ref().ok_or(Trouble::ThreadGone)?;
        requests
            .post(Request { id, verb })
            .map_err(|_| Trouble::ThreadGone)
    }

    /// Withdraws the request at work; what must not be cut in half goes on.
    pub fn abandon(&self) {
        self.abandon.store(true, Ordering::SeqCst);
        self.bell.ring();
    }
}

impl Drop for Instrument {
    fn drop(&mut self) {
        // The last post rings; the thread sees that no request will come. It
        // is not joined: in a simulation it may need this very seat's turn.
        self.abandon();
        self.requests = None;
        drop(self.thread.take());
    }
}

/// What the thread owns.
struct Worker {
    seat: Seat,
    attached: Attached,
    abandon: Arc<AtomicBool>,
    link: Option<Link>,
    state: LinkState,
    /// Who the device said it is when its port was last opened.
    identity: Option<Identity>,
}

impl Worker {
    fn work(mut self, mut inbox: Mailbox<Request>, replies: &Post<Reply>) {
        let mut queue: VecDeque<Request> = VecDeque::new();
        loop {
            while let Some(request) = inbox.take() {
                queue.push_back(request);
            }
            if let Some(Request { id, verb }) = queue.pop_front() {
                if let Verb::Series(series) = verb {
                    self.series(id, series, replies);
                    continue;
                }
                let outcome = self.answer(verb);
                // Nobody is left to hear it: the bench was closed meanwhile.
                let _ = replies.post(Reply { id, outcome });
                continue;
            }
            if inbox.is_finished() {
                return;
            }
            self.seat.wait(None, None);
        }
    }

    /// Reads at a steady beat, on this thread and by absolute times, so that
    /// nothing else on the bench makes a reading late. A reading that is not over
    /// when others are due costs those: they are answered as not read in time, and
    /// there is no burst to catch up. A trouble ends the series.
    fn series(&mut self, id: u64, series: Series, replies: &Post<Reply>) {
        let post = |nth: u32, outcome| {
            let id = id + u64::from(nth);
            // Nobody is left to hear it, or it does not keep up: its wait says so.
            replies.post(Reply { id, outcome }).is_ok()
        };
        let mut nth = 0;
        while nth < series.count {
            let due = series.due(nth);
            while self.seat.now().mono < due && !self.abandon.load(Ordering::SeqCst) {
                self.seat.wait_sharply(due);
            }
            if self.abandon.load(Ordering::SeqCst) {
                break;
            }
            let outcome = self.answer(Verb::Read(series.quantity));
            let failed = outcome.is_err();
            if !post(nth, outcome) || failed {
                break;
            }
            nth += 1;
            let now = self.seat.now();
            // Whole beats that passed meanwhile.
            while nth < series.count && series.due(nth + 1) <= now.mono {
                if !post(nth, Ok(Answer::NotInTime(now))) {
                    return;
                }
                nth += 1;
            }
        }
        post(series.count, Ok(Answer::Done));
    }

    fn answer(&mut self, verb: Verb) -> Result<Answer, Trouble> {
        self.open_if_closed()?;
        if let (Verb::Open, Some(identity)) = (verb, &self.identity) {
            return Ok(Answer::Ready(Box::new(identity.clone())));
        }
        let outcome = self.carry_out(verb);
        if let Err(Trouble::Driver(error)) = &outcome
            && error.link_is_gone()
        {
            // Closed at once: a port kept open comes back under another name.
            self.link = None;
        }
        outcome
    }

    /// Opens the port and makes the device ready, unless that was done.
    fn open_if_closed(&mut self) -> Result<(), Trouble> {
        if self.link.is_some() {
            return Ok(());
        }
        let (address, tap) = (&self.attached.address, self.attached.tap.clone());
        let link = Link::open_tapped(address, self.seat.clock(), tap).map_err(DriverError::from)?;
        self.link = Some(link);
        self.state = LinkState::new();
        let identity = self.with_talk(|attached, talk| match &mut attached.role {
            Role::Meter(meter) => meter.open(talk),
            Role::Positioner(rail) => rail.open(talk),
            Role::Presser(fingers) => fingers.open(talk),
            Role::Switcher(outlets) => outlets.open(talk),
            Role::Leveller(control) => control.open(talk),
            Role::Contact(contact) => contact.open(talk),
        });
        self.identity = Some(identity.inspect_err(|_| self.link = None)?);
        Ok(())
    }

    fn with_talk<T>(
        &mut self,
        speak: impl FnOnce(&mut Attached, &mut Talk<'_>) -> Result<T, DriverError>,
    ) -> Result<T, Trouble> {
        let Some(link) = &mut self.link else {
            return Err(Trouble::ThreadGone);
        };
        let mut talk = Talk::new(&mut self.seat, link, &self.abandon, &mut self.state);
        Ok(speak(&mut self.attached, &mut talk)?)
    }

    /// The harmless question, timed from when it may be asked to its whole answer.
    fn question(&mut self) -> Result<Answer, Trouble> {
        self.with_talk(|Attached { role, follows, .. }, talk| {
            talk.rest()?;
            let asked = talk.now().mono;
            let answered = match (role, follows) {
                (Role::Positioner(rail), _) => rail.whereis(talk).map(|_| true)?,
                (_, Some(follows)) => follows.answers(talk)?,
                _ => false,
            };
            let took = talk.now().mono.since(asked);
            Ok(Answer::Took(answered.then_some(took)))
        })
    }

    fn complaints(&mut self) -> Result<Answer, Trouble> {
        self.with_talk(|Attached { follows, .. }, talk| {
            // Registers have no queue of complaints, and the rail's are errors.
            let speech = follows.as_ref().map(|follows| &follows.profile.speech);
            if matches!(speech, Some(Speech::Lines(_))) {
                line::complaints(talk)?;
            }
            Ok(Answer::Complaints(talk.state().complaints().to_vec()))
        })
    }

    fn carry_out(&mut self, verb: Verb) -> Result<Answer, Trouble> {
        match verb {
            Verb::Question => return self.question(),
            Verb::Complaints => return self.complaints(),
            _ => {}
        }
        let answer = self.with_talk(|attached, talk| {
            Ok(match (&mut attached.role, verb) {
                (_, Verb::Open) => Some(Answer::Done),
                (Role::Meter(meter), verb) => measured(meter, talk, verb)?,
                (Role::Switcher(outlets), verb) => switched(outlets.as_mut(), talk, verb)?,
                (Role::Leveller(control), Verb::SetLevel { mode, level }) => {
                    control.set_level(talk, mode.as_str(), level)?;
                    Some(Answer::Done)
                }
                (Role::Leveller(control), Verb::LampOff) => {
                    control.off(talk)?;
                    Some(Answer::Done)
                }
                (Role::Contact(contact), Verb::Contact) => {
                    Some(Answer::Closed(contact.is_closed(talk)?))
                }
                (Role::Positioner(rail), Verb::Home) => Some(Answer::Homed(rail.home(talk)?)),
                (Role::Positioner(rail), Verb::Go(target)) => {
                    Some(Answer::At(rail.go(talk, target)?))
                }
                (Role::Positioner(rail), Verb::Halt) => {
                    rail.stop(talk)?;
                    Some(Answer::Done)
                }
                (Role::Positioner(rail), Verb::Status) => {
                    Some(Answer::Whereabouts(rail.whereis(talk)?))
                }
                (Role::Presser(fingers), Verb::Press { coil, hold }) => {
                    fingers.press(talk, coil, hold)?;
                    Some(Answer::Done)
                }
                (Role::Presser(fingers), Verb::ReleaseAll) => {
                    fingers.release_all(talk)?;
                    Some(Answer::Done)
                }
                _ => None,
            })
        })?;
        answer.ok_or(Trouble::Unable(verb))
    }
}

/// What a meter does; none of what it cannot.
fn measured(
    meter: &mut ProfiledMeter,
    talk: &mut Talk<'_>,
    verb: Verb,
) -> Result<Option<Answer>, DriverError> {
    let captured = |capture| Some(Answer::Capture(Box::new(capture)));
    Ok(match verb {
        Verb::Read(Quantity::Illuminance) => Some(Answer::Reading(meter.read_illuminance(talk)?)),
        Verb::Read(Quantity::Power) => Some(Answer::Reading(meter.read_power(talk)?)),
        Verb::Read(Quantity::Temperature) => Some(Answer::Reading(meter.read_temperature(talk)?)),
        Verb::Shutter(closed) => {
            meter.shutter(talk, closed)?;
            Some(Answer::Done)
        }
        Verb::Integrate(integration) => {
            meter.integrate(talk, integration)?;
            Some(Answer::Done)
        }
        Verb::Spectrum => captured(meter.read_spectrum(talk)?),
        Verb::Waveform(Sampling { step, count }) => captured(meter.capture(talk, step, count)?),
        _ => None,
    })
}

/// What the outlets do; none of what they cannot.
fn switched(
    outlets: &mut dyn Switcher,
    talk: &mut Talk<'_>,
    verb: Verb,
) -> Result<Option<Answer>, DriverError> {
    match verb {
        Verb::Switch { channel, on } => outlets.switch(talk, channel, on)?,
        Verb::AllOff => outlets.all_off(talk)?,
        Verb::Feed => outlets.feed(talk)?,
        _ => return Ok(None),
    }
    Ok(Some(Answer::Done))
}
