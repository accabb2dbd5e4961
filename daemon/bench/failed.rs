//! Why a device failed in the hands of whoever attaches it: a name, what was
//! seen, and what to do now. A run's words stand with `DriverError`; here nobody
//! has a run to release, but a cable in the hand.
//!
//! Made by probe and by_hand.

use drivers::error::DriverError;
use drivers::link::LinkError;

use super::instrument::Trouble;

/// Kinds of failure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// No such port.
    NotThere,
    /// Another program has the port open.
    Busy,
    /// This user may not open it.
    NotPermitted,
    /// The port does not take the bench file's settings.
    Settings,
    /// Nothing comes.
    Silent,
    /// Something else comes than its profile says.
    Garbled,
    /// Another device than the bench file, or the answer before, says.
    AnotherDevice,
    /// It understood and refused.
    Refused,
    /// The rail stopped itself.
    Alarm,
    /// The carriage or a coil is not where it was sent.
    NotFollowed,
    /// The link broke off.
    Gone,
    /// Nothing was sent.
    NotSent,
    /// Withdrawn while it was at work.
    Withdrawn,
    /// The program's own thread.
    Hung,
}

impl Kind {
    /// Its name, as printed.
    pub const fn word(self) -> &'static str {
        match self {
            Kind::NotThere => "not there",
            Kind::Busy => "busy",
            Kind::NotPermitted => "not permitted",
            Kind::Settings => "settings",
            Kind::Silent => "silent",
            Kind::Garbled => "garbled",
            Kind::AnotherDevice => "another device",
            Kind::Refused => "refused",
            Kind::Alarm => "alarm",
            Kind::NotFollowed => "not followed",
            Kind::Gone => "gone",
            Kind::NotSent => "not sent",
            Kind::Withdrawn => "withdrawn",
            Kind::Hung => "hung",
        }
    }

    /// What to do now.
    pub const fn to_do(self) -> &'static str {
        match self {
            Kind::NotThere => {
                "plug it in and switch it on; `ls -l /dev/serial/by-id` lists what is there, \
                 and the bench file must name that"
            }
            Kind::Busy => {
                "a daemon that works this bench holds its ports: end it first, or close \
                 whatever else has this one open"
            }
            Kind::NotPermitted => "give this user the port, as the udev rule does",
            Kind::Settings => "correct the port's `baud` in the bench file",
            Kind::Silent => {
                "is it on, is it this cable, and are its rate and its lines' ends those of \
                 bench file and profile? `--bytes` shows what was sent"
            }
            Kind::Garbled => {
                "is its rate the one in the bench file, and its profile the right one? \
                 `--bytes` shows what came"
            }
            Kind::AnotherDevice => "plug the right one in, or correct the bench file",
            Kind::Refused => {
                "compare its profile with its manual; `--bytes` shows what it was told"
            }
            Kind::Alarm | Kind::NotFollowed => "look at it before anything moves again",
            Kind::Gone => "check its plug and power, then try again",
            Kind::NotSent => "nothing was sent; ask for what it can do",
            Kind::Withdrawn => "look at it before you try again",
            Kind::Hung => "end the program and look at the device",
        }
    }
}

/// One failure.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failed {
    /// Its name.
    pub kind: Kind,
    /// What was seen.
    pub seen: String,
}

impl Failed {
    /// Of this kind.
    pub fn new(kind: Kind, seen: impl Into<String>) -> Failed {
        let seen = seen.into();
        Failed { kind, seen }
    }
}

impl From<Trouble> for Failed {
    fn from(trouble: Trouble) -> Failed {
        match trouble {
            Trouble::Driver(error) => of_driver(error),
            Trouble::Absent(_) | Trouble::Unable(_) => {
                Failed::new(Kind::NotSent, trouble.to_string())
            }
            Trouble::ThreadGone | Trouble::Hung { .. } => {
                Failed::new(Kind::Hung, trouble.to_string())
            }
        }
    }
}

fn of_driver(error: DriverError) -> Failed {
    let whole = error.to_string();
    match error {
        DriverError::Link(error) => of_link(&error),
        DriverError::Gone { detail } => Failed::new(Kind::Silent, detail),
        DriverError::Silent { question, within } => {
            let within = within.shown();
            Failed::new(
                Kind::Silent,
                format!("no answer to `{question}` within {within}"),
            )
        }
        DriverError::Garbled {
            question,
            answer,
            wanted,
        } => Failed::new(
            Kind::Garbled,
            format!("`{question}` was answered by `{answer}`, which is not {wanted}"),
        ),
        DriverError::IdentityChanged { was, is } => Failed::new(
            Kind::AnotherDevice,
            format!("it was `{was}` and now says it is `{is}`"),
        ),
        DriverError::AnotherSerial { demanded, told, .. } => Failed::new(
            Kind::AnotherDevice,
            format!("the bench file demands serial {demanded}, and it says it is {told}"),
        ),
        DriverError::Refused { .. } | DriverError::NotTaken { .. } => {
            Failed::new(Kind::Refused, whole)
        }
        DriverError::Alarm { .. } | DriverError::Halted { .. } | DriverError::Restarted { .. } => {
            Failed::new(Kind::Alarm, whole)
        }
        DriverError::NotArrived { .. }
        | DriverError::CoilStuck { .. }
        | DriverError::OutletStuck { .. } => Failed::new(Kind::NotFollowed, whole),
        DriverError::NotHomed | DriverError::OutsideTravel { .. } | DriverError::Unsendable(_) => {
            Failed::new(Kind::NotSent, whole)
        }
        DriverError::Abandoned => Failed::new(Kind::Withdrawn, "it was withdrawn"),
    }
}

fn of_link(error: &LinkError) -> Failed {
    let kind = match error {
        LinkError::NotFound { .. } | LinkError::NotSimulated { .. } => Kind::NotThere,
        LinkError::Busy { .. } => Kind::Busy,
        LinkError::Denied { .. } => Kind::NotPermitted,
        LinkError::Settings { .. } => Kind::Settings,
        LinkError::Gone { .. } | LinkError::WriteTimedOut { .. } | LinkError::Io { .. } => {
            Kind::Gone
        }
    };
    // The hint stands apart.
    let seen = match error {
        LinkError::NotFound { address } => format!("{address} is not there"),
        LinkError::Denied { address } => format!("{address} may not be opened by this user"),
        other => other.to_string(),
    };
    Failed::new(kind, seen)
}
