//! A device and the thread that owns its port. The thread opens the port when
//! it is first needed, answers one request at a time, and opens it anew after
//! the link was lost; a device opened anew knows nothing of its past.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

use drivers::clock::{Bell, Mailbox, Post, Seat, mailbox};
use drivers::error::DriverError;
use drivers::exchange::talk::{LinkState, Talk};
use drivers::link::{Address, Link};
use drivers::roles::photometer::Photometer;
use drivers::roles::positioner::{Homing, Positioner};
use drivers::roles::presser::Presser;
use photometry::measured::Reading;
use photometry::units::{Length, Span};

use crate::run::journal::Fault;

/// Requests that may wait for one instrument; the attendant asks one at a time.
const REQUESTS_AT_MOST: usize = 8;

/// What an instrument can be asked to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verb {
    /// Make the device ready, if its port is not open.
    Open,
    /// One illuminance reading.
    Read,
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
}

/// What came of it.
#[derive(Clone, Debug)]
pub enum Answer {
    /// The device is ready; its identity.
    Ready(String),
    /// A reading.
    Reading(Reading),
    /// Homed.
    Homed(Homing),
    /// The carriage stands here.
    At(Length),
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
        DriverError::Alarm { .. } => "alarm",
        DriverError::NotHomed => "not-homed",
        DriverError::Abandoned => "abandoned",
        DriverError::OutsideTravel { .. } => "outside-travel",
        DriverError::CoilStuck { .. } => "coil-stuck",
        DriverError::IdentityChanged { .. } => "identity-changed",
        DriverError::Link(_) => "link",
        DriverError::Restarted { .. } => "restarted",
        DriverError::NotArrived { .. } => "not-arrived",
        DriverError::NotTaken { .. } => "not-taken",
        DriverError::Unsendable(_) => "unsendable",
    }
}

/// The driver that an instrument's thread owns.
pub enum Role {
    /// An illuminance meter.
    Photometer(Box<dyn Photometer>),
    /// The rail.
    Positioner(Box<dyn Positioner>),
    /// The relay board.
    Presser(Box<dyn Presser>),
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
        address: Address,
        role: Role,
        replies: Post<Reply>,
    ) -> std::io::Result<Instrument> {
        let bell = seat.bell();
        let (requests, inbox) = mailbox(seat.bell(), REQUESTS_AT_MOST);
        let abandon = Arc::new(AtomicBool::new(false));
        let worker = Worker {
            seat,
            address,
            role,
            abandon: Arc::clone(&abandon),
            link: None,
            state: LinkState::new(),
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
    address: Address,
    role: Role,
    abandon: Arc<AtomicBool>,
    link: Option<Link>,
    state: LinkState,
}

impl Worker {
    fn work(mut self, mut inbox: Mailbox<Request>, replies: &Post<Reply>) {
        let mut queue: VecDeque<Request> = VecDeque::new();
        loop {
            while let Some(request) = inbox.take() {
                queue.push_back(request);
            }
            if let Some(Request { id, verb }) = queue.pop_front() {
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

    fn answer(&mut self, verb: Verb) -> Result<Answer, Trouble> {
        let ready = self.open_if_closed()?;
        if let (Verb::Open, Some(identity)) = (verb, ready) {
            return Ok(Answer::Ready(identity));
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

    /// Opens the port and makes the device ready; its identity if it was
    /// opened now.
    fn open_if_closed(&mut self) -> Result<Option<String>, Trouble> {
        if self.link.is_some() {
            return Ok(None);
        }
        let link = Link::open(&self.address, self.seat.clock()).map_err(DriverError::from)?;
        self.link = Some(link);
        self.state = LinkState::new();
        let identity = self.with_talk(|role, talk| match role {
            Role::Photometer(meter) => meter.open(talk),
            Role::Positioner(rail) => rail.open(talk),
            Role::Presser(fingers) => fingers.open(talk),
        });
        match identity {
            Ok(identity) => Ok(Some(identity.raw)),
            Err(trouble) => {
                self.link = None;
                Err(trouble)
            }
        }
    }

    fn with_talk<T>(
        &mut self,
        speak: impl FnOnce(&mut Role, &mut Talk<'_>) -> Result<T, DriverError>,
    ) -> Result<T, Trouble> {
        let Some(link) = &mut self.link else {
            return Err(Trouble::ThreadGone);
        };
        let mut talk = Talk::new(&mut self.seat, link, &self.abandon, &mut self.state);
        Ok(speak(&mut self.role, &mut talk)?)
    }

    fn carry_out(&mut self, verb: Verb) -> Result<Answer, Trouble> {
        let answer = self.with_talk(|role, talk| {
            Ok(match (role, verb) {
                (_, Verb::Open) => Some(Answer::Done),
                (Role::Photometer(meter), Verb::Read) => {
                    Some(Answer::Reading(meter.read_illuminance(talk)?))
                }
                (Role::Photometer(meter), Verb::Shutter(closed)) => {
                    meter.shutter(talk, closed)?;
                    Some(Answer::Done)
                }
                (Role::Positioner(rail), Verb::Home) => Some(Answer::Homed(rail.home(talk)?)),
                (Role::Positioner(rail), Verb::Go(target)) => {
                    Some(Answer::At(rail.go(talk, target)?))
                }
                (Role::Positioner(rail), Verb::Halt) => {
                    rail.stop(talk)?;
                    Some(Answer::Done)
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
