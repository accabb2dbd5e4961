//! What can go wrong between a driver and its device: the common kinds.
//!
//! Every message says what failed and what to do now, for a person who reads
//! it at midnight. The instrument's name, the action and the plan line are
//! added by the rooms that know them. Not here: a reading that timed out or is
//! over range; those are outcomes (`photometry::measured`), not errors.

use photometry::units::{Length, Span};

use crate::link::LinkError;

/// Why a device could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum DriverError {
    /// The line is dead: unplugged, closed, or silent after a reset.
    #[error("the device is gone: {detail}. Check its plug and power, then release the run")]
    Gone {
        /// What was seen.
        detail: String,
    },
    /// No answer within its time limit.
    #[error(
        "no answer to `{question}` within {}. Check that the device is on and set to the rate in the bench file",
        within.shown()
    )]
    Silent {
        /// The question as sent, without its end of line.
        question: String,
        /// The limit that passed.
        within: Span,
    },
    /// Bytes came that are no answer to the question.
    #[error(
        "`{question}` was answered by `{answer}`, which is not {wanted}. Check the cable, and that the device is the one in the bench file"
    )]
    Garbled {
        /// The question as sent.
        question: String,
        /// What came, shown as text and capped.
        answer: String,
        /// What would have done.
        wanted: &'static str,
    },
    /// The device refused the line.
    #[error("the device refused `{question}`: {}", numbered(*code, text))]
    Refused {
        /// The line as sent.
        question: String,
        /// The device's own number; 0 where it has none.
        code: i64,
        /// The device's own words, or what the number means.
        text: String,
    },
    /// The rail stopped itself; its position is unknown from now on.
    #[error("the rail raised alarm {code} ({}). Look at the carriage before it moves again", alarm_meaning(*code))]
    Alarm {
        /// The controller's number.
        code: u16,
    },
    /// The rail stopped itself and has no number for it; its position is unknown
    /// from now on.
    #[error("the rail has stopped itself (`{said}`). Look at the carriage before it moves again")]
    Halted {
        /// What it said, or what was seen.
        said: String,
    },
    /// The controller has restarted: it said its banner unasked, or had to be
    /// reset because an answer was missing.
    #[error(
        "the controller has restarted (`{banner}`); whatever it knew is lost, so it must find its home switch again"
    )]
    Restarted {
        /// What it said.
        banner: String,
    },
    /// The carriage does not stand where it was sent.
    #[error(
        "the carriage was sent to {target} and says it stands at {at}. Look for what blocks it"
    )]
    NotArrived {
        /// Where it was sent.
        target: Length,
        /// Where it says it is.
        at: Length,
    },
    /// A move was asked for while the position is unknown.
    #[error("the rail's position is unknown: it must find its home switch before it moves")]
    NotHomed,
    /// The caller withdrew the request while the driver waited.
    #[error("abandoned while waiting for the device")]
    Abandoned,
    /// The target, or the path to it, leaves the travel.
    #[error("{target} is outside the travel of {low} to {high}; nothing moved")]
    OutsideTravel {
        /// Where the carriage should have gone, overshoot included.
        target: Length,
        /// The lower end.
        low: Length,
        /// The upper end.
        high: Length,
    },
    /// A coil does not follow its command.
    #[error("coil {coil} does not {}. Take the finger off the lamp and check the relay board", if *wanted { "close" } else { "open" })]
    CoilStuck {
        /// The coil's number on the board.
        coil: u16,
        /// True when it should have closed.
        wanted: bool,
    },
    /// A mains relay does not follow its command.
    #[error(
        "outlet {outlet} does not switch {}. Pull its plug, and look at the relay board",
        if *wanted { "on" } else { "off" }
    )]
    OutletStuck {
        /// Its channel on the board.
        outlet: u16,
        /// True when it should have switched on.
        wanted: bool,
    },
    /// Another device answers under the same name.
    #[error(
        "the device was `{was}` and now says it is `{is}`. Plug the right one in, or correct the bench file"
    )]
    IdentityChanged {
        /// The identity on record.
        was: String,
        /// The identity that answered.
        is: String,
    },
    /// The device has another serial number than the one that was demanded.
    #[error(
        "the bench file demands serial {demanded}, and the device says it is {told}. Plug the right one in, or correct `serial` and the calibration in the bench file"
    )]
    AnotherSerial {
        /// The serial number in the bench file.
        demanded: String,
        /// The one in its identity.
        told: String,
        /// The whole identity as it came.
        identity: String,
    },
    /// A setting did not read back as it was set.
    #[error("`{setting}` was set to {wanted} and reads back as {got}")]
    NotTaken {
        /// The setting's header.
        setting: String,
        /// What was sent.
        wanted: String,
        /// What came back.
        got: String,
    },
    /// A request that no device could carry out; nothing was sent.
    #[error("{0}; nothing was sent")]
    Unsendable(String),
    /// The link itself failed.
    #[error(transparent)]
    Link(#[from] LinkError),
}

impl DriverError {
    /// True when the line is dead and the device must be opened anew.
    pub fn link_is_gone(&self) -> bool {
        matches!(self, DriverError::Gone { .. } | DriverError::Link(_))
    }
}

/// A refusal's number, where it has one, and its words.
fn numbered(code: i64, text: &str) -> String {
    match code {
        0 => text.to_owned(),
        code => format!("{code} {text}"),
    }
}

/// What an alarm number of the ok/error line dialect means.
const fn alarm_meaning(code: u16) -> &'static str {
    match code {
        1 => "a limit switch was hit",
        2 => "the target is outside its soft limits",
        3 => "reset while moving",
        4 | 5 => "the switch was not found where it should be",
        6..=9 => "the home switch was not found",
        11 => "it must find its home switch first",
        _ => "see the controller's manual",
    }
}
