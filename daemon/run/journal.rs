//! The append-only record of a run: the truth. State is a replay of it.
//!
//! The journal's text is one canonical JSON line per event, without ids,
//! paths, ports or pids. Each line is linked to the one before:
//! link = SHA-256(previous link, line); the first link covers the frozen
//! bundle, the last one seals the run.

use std::collections::BTreeMap;

use photometry::measured::{Capture, Moment, Reading};
use photometry::units::{Length, Ratio, Span};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::pressed::Pressed;
use crate::plan::itinerary::Key;

/// A link of the chain: a SHA-256 digest (FIPS 180-4).
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Link(pub [u8; 32]);

impl Link {
    /// The link before the first event: the digest of the frozen bundle.
    pub fn of_bundle(bundle: &[u8]) -> Link {
        Link(Sha256::digest(bundle).into())
    }
    /// The link of a line that follows this one.
    pub fn next(&self, line: &str) -> Link {
        let mut digest = Sha256::new();
        digest.update(self.0);
        digest.update(line.as_bytes());
        Link(digest.finalize().into())
    }
    /// As 64 hexadecimal digits.
    pub fn hex(&self) -> String {
        self.0.iter().map(|byte| format!("{byte:02x}")).collect()
    }
}

impl std::fmt::Debug for Link {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.hex()[..12])
    }
}

/// The SHA-256 digest of bytes that lie beside a journal (FIPS 180-4), as 64
/// hexadecimal digits.
pub fn digest_of(bytes: &[u8]) -> String {
    Link(Sha256::digest(bytes).into()).hex()
}

/// One event of a run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// Counts the run's events, from 1.
    pub seq: u64,
    /// The action that it concerns: its place in the itinerary, or -1, -2, ...
    /// for the first, second, ... action of a preamble after a seam.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub no: Option<i64>,
    /// Which attempt at that action, from 1; 0 where no action is concerned.
    pub attempt: u32,
    /// Which life of the daemon in this run, from 1.
    pub sitting: u32,
    /// When, on both clocks.
    pub at: Moment,
    /// What happened.
    pub body: Body,
}

impl Event {
    /// The canonical line.
    ///
    /// # Errors
    /// When a number in it is not finite: JSON cannot hold it.
    pub fn line(&self) -> Result<String, serde_json::Error> {
        serde_json::to_string(self)
    }
}

/// What happened.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Body {
    /// The run began; the digest of its frozen bundle.
    Begun {
        /// 64 hexadecimal digits.
        bundle: String,
    },
    /// An action was started.
    Started {
        /// What is done, in words.
        doing: String,
    },
    /// A reading was taken; for a read action it also ends the action.
    Taken {
        /// What was measured.
        key: Key,
        /// What the meter said.
        reading: Reading,
    },
    /// Many numbers were captured; for a capture action it also ends the action.
    /// Their bytes lie beside the journal, under these digests.
    Captured {
        /// What was measured.
        key: Key,
        /// What the meter said.
        capture: Capture,
        /// SHA-256 of the answer, 64 hexadecimal digits.
        digest: String,
        /// The same of the answer that its axis was read from, where it has one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        axis_digest: Option<String>,
    },
    /// Data decided; replay reads this and never decides again.
    Decided {
        /// What was decided.
        decision: Decision,
    },
    /// An action was done.
    Done {
        /// What was found in doing it.
        facts: Facts,
    },
    /// An action failed.
    Failed {
        /// Why.
        fault: Fault,
    },
    /// A device that the action needs is gone, and is waited for.
    Lost {
        /// Which, and what was seen.
        fault: Fault,
    },
    /// The device that was lost is there again, made ready.
    Back {
        /// The device.
        instrument: String,
        /// Since it was lost.
        after: Span,
        /// Who it says it is.
        identity: String,
    },
    /// The run waits for a person.
    Held {
        /// Why.
        cause: HoldCause,
    },
    /// The run goes on after a seam or a hold.
    Resumed {
        /// What made it go on.
        cause: ResumeCause,
    },
    /// The run was broken off here.
    Seam {
        /// Why.
        cause: SeamCause,
    },
    /// The bench was made safe, as far as it can be.
    MadeSafe {
        /// How it was left.
        left: Left,
    },
    /// The run ended.
    Ended {
        /// How.
        end: End,
    },
}

impl Body {
    /// What a meter captured, with the digests of its bytes.
    pub fn captured(key: Key, capture: Capture) -> Body {
        let digest = digest_of(&capture.raw);
        let axis = &capture.axis_raw;
        let axis_digest = (!axis.is_empty()).then(|| digest_of(axis));
        Body::Captured {
            key,
            capture,
            digest,
            axis_digest,
        }
    }

    /// A meter was asked, for one number or for many: what a run counts as readings.
    pub const fn is_of_meter(&self) -> bool {
        matches!(self, Body::Taken { .. } | Body::Captured { .. })
    }

    /// The kind's word.
    pub const fn kind(&self) -> &'static str {
        match self {
            Body::Begun { .. } => "begun",
            Body::Started { .. } => "started",
            Body::Taken { .. } => "taken",
            Body::Captured { .. } => "captured",
            Body::Decided { .. } => "decided",
            Body::Done { .. } => "done",
            Body::Failed { .. } => "failed",
            Body::Lost { .. } => "lost",
            Body::Back { .. } => "back",
            Body::Held { .. } => "held",
            Body::Resumed { .. } => "resumed",
            Body::Seam { .. } => "seam",
            Body::MadeSafe { .. } => "made safe",
            Body::Ended { .. } => "ended",
        }
    }
}

/// Something that data decided, with the figures that it rests on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Decision {
    /// How a warm-up ended.
    WarmUp {
        /// The rule passed.
        stable: bool,
        /// The spread or the predicted drift at the end.
        figure: Option<Ratio>,
        /// Which figure: `spread`, `predicted drift`, `fixed time`.
        by: String,
        /// How long the lamp was at this level.
        after: Span,
        /// How fast the light still falls, per hour, when it only falls.
        decline_per_hour: Option<Ratio>,
    },
    /// How the level was reached.
    Level {
        /// The setting's key.
        setting: String,
        /// Presses by button's name.
        presses: BTreeMap<String, u32>,
        /// Presses that did not make just one step.
        #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
        went: BTreeMap<Pressed, u32>,
        /// The light at the watch position afterwards, when it could be seen.
        light_lx: Option<f64>,
        /// The light of each setting on the way up from the lower stop.
        #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
        passed_lx: BTreeMap<String, f64>,
        /// What proves the level: `walked to a stop`, `counted and seen`,
        /// `counted, not seen`, `said by a person and seen`, ...
        proof: String,
    },
    /// The drift over a leg.
    Drift {
        /// The leg.
        leg: u32,
        /// The reference that lies farthest from the first, over it, minus one.
        drift: Option<Ratio>,
        /// What follows.
        verdict: DriftVerdict,
    },
    /// The reference after a seam.
    Return {
        /// The leg.
        leg: u32,
        /// Reference now over the leg's first, minus one; none when the leg
        /// has none yet.
        drift: Option<Ratio>,
        /// The leg goes on where it was; otherwise it is measured again.
        goes_on: bool,
        /// No homing proves where the carriage was before the seam, and the
        /// light does not either: the test's earlier legs are measured again
        /// too.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        unproven: bool,
    },
    /// How long a meter integrates from here on.
    Exposure {
        /// The meter.
        meter: String,
        /// How long.
        integration: Span,
        /// How full its fullest element is then, of 1; none where it does not
        /// tell.
        fill: Option<f64>,
        /// Trials that it took.
        trials: u32,
        /// As full as it should be; otherwise it is at an end of its range.
        fits: bool,
    },
    /// When readings at a steady beat are due.
    Beat {
        /// The first one.
        first: Moment,
        /// From one to the next.
        every: Span,
        /// How many of each meter.
        readings: u32,
    },
    /// A program was started, or was to start.
    Began {
        /// Its name.
        program: String,
        /// When: as the button was let go, as a person answered, or the time of
        /// the alarm.
        at: Moment,
        /// How: `button`, `by hand`, `alarm`.
        by: String,
    },
    /// The room was not quiet when it was looked at, or nobody could tell.
    Room {
        /// The light at its sensor, in lx; a least one where it was over its range.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        light_lx: Option<f64>,
        /// Its air, in degrees Celsius.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        air_c: Option<f64>,
        /// There was more light than may be; otherwise it is the air, or nothing was
        /// seen.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        lit: bool,
        /// What follows.
        verdict: RoomVerdict,
    },
    /// The level of half the light.
    HalfLight {
        /// The mode.
        mode: String,
        /// The level found.
        level: u16,
        /// Its light as a share of the highest level's.
        share: Ratio,
    },
}

/// What follows from a leg's drift.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DriftVerdict {
    /// Within the limit.
    GoesOn,
    /// Over the limit: the leg is measured again.
    LegAgain,
    /// Over the limit again: it stands, flagged.
    Flagged,
    /// Beyond all use.
    GivenUp,
    /// No reference visit gave a value.
    NotKnown,
}

/// What follows from a look at a room that is not quiet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RoomVerdict {
    /// It stands, flagged.
    Flagged,
    /// The room is quiet by now; what was read meanwhile is read again.
    Again,
    /// The run waits for a person; then it is read again.
    Held,
    /// The sensor said nothing; the run goes on.
    NotKnown,
}

/// What was found in doing an action.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    /// Where the carriage stands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub coordinate: Option<Length>,
    /// Where the home switch was found against where it was expected.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub home_offset: Option<Length>,
    /// What a person answered.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub answer: Option<String>,
}

/// The code of a fault that says: every position since the last homing is
/// suspect. The legs of its test are measured again, if it goes on at all.
pub const STEPS_LOST: &str = "steps-lost";

/// The code of a fault that says: the lamp does not shine as it was set. Nobody
/// knows since when, so its leg is measured again, if it goes on at all.
pub const LIGHT_LOST: &str = "light-lost";

/// Why an action failed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fault {
    /// A short, stable word: `silent`, `gone`, `not-homed`, `level-not-reached`.
    pub code: String,
    /// The instrument, where one is to blame.
    pub instrument: Option<String>,
    /// What failed and why, in words.
    pub message: String,
}

/// Why a run waits for a person.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HoldCause {
    /// A person asked for it.
    Person,
    /// A question is open; its words.
    Question(String),
    /// The unit does not stand on this bench as the run needs it.
    NoPlacement(String),
    /// Power was lost: no motion until a person releases the run.
    PowerLost,
    /// Something failed, and the plan says hold.
    Failure(String),
    /// The lamp has been on as long as it may.
    MaximumOn,
    /// The room was disturbed, and the plan says hold; what was seen.
    Disturbed(String),
    /// The stop button was pressed, or could not be read; which of both.
    StopButton(String),
}

/// What made a run go on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ResumeCause {
    /// A person released it.
    Released,
    /// A person answered; the bench was not touched meanwhile.
    Answered,
    /// The daemon started again.
    Restarted,
    /// The window opened.
    WindowOpened,
    /// The device that was lost is there again.
    DeviceBack,
    /// The room is quiet again.
    RoomQuiet,
    /// The device that was lost did not come back in time, and its test failed.
    NextTest,
}

/// Why a run was broken off.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SeamCause {
    /// A person asked to hold.
    Hold,
    /// A person asked to stop.
    Stop,
    /// The daemon was told to end.
    Shutdown,
    /// The daemon died without a word.
    Died,
    /// The record could not be written, and was opened anew.
    RecordFailed,
    /// The window closed.
    WindowClosed,
    /// A failure.
    Failure,
    /// The lamp has been on as long as it may.
    MaximumOn,
    /// A device is gone; it is waited for.
    DeviceLost,
    /// The room was disturbed.
    Disturbed,
    /// The stop button was pressed, or could not be read.
    StopButton,
}

/// How the bench was left.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Left {
    /// The carriage stands still: yes, no (`false` when it could not be seen).
    pub carriage_still: bool,
    /// All fingers are off the buttons.
    pub fingers_off: bool,
    /// The lamp.
    pub lamp: LampLeft,
    /// What could not be done, in words.
    pub troubles: Vec<String>,
}

/// How the lamp was left.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LampLeft {
    /// Switched off, and seen to be dark.
    Off,
    /// Its power button was pressed, or it was switched off otherwise, and no meter could
    /// see what came of it.
    OffNotSeen,
    /// It may be on: no meter could see it, and a press might have lit it.
    NotKnown,
    /// On: nothing on this bench can switch it off.
    On,
    /// On: switching it off failed.
    OnSwitchFailed,
    /// It was never switched on.
    NotTouched,
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum End {
    /// Everything was measured.
    Complete,
    /// Some test failed or was left out.
    CompleteWithGaps,
    /// A person stopped it, or a failure under `on-failure: stop`.
    Stopped,
    /// It could not go on; the record itself failed, or nothing was measured.
    Failed,
}

/// A run's number in its store, from 1; what people type.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct RunId(pub i64);

impl std::fmt::Display for RunId {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}", self.0)
    }
}

/// The states of a run (after IEC 61512-1, from memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RunState {
    /// Booked; not begun, or between two windows.
    Waiting,
    /// At work.
    Measuring,
    /// Waiting for a person.
    Held,
    /// Everything was measured.
    Complete,
    /// Some test failed or was left out.
    CompleteWithGaps,
    /// Ended before its end, on purpose.
    Stopped,
    /// Could not go on.
    Failed,
}

impl RunState {
    /// The state's words.
    pub const fn words(self) -> &'static str {
        match self {
            RunState::Waiting => "waiting",
            RunState::Measuring => "measuring",
            RunState::Held => "held",
            RunState::Complete => "complete",
            RunState::CompleteWithGaps => "complete with gaps",
            RunState::Stopped => "stopped",
            RunState::Failed => "failed",
        }
    }
    /// Nothing more will happen in the run.
    pub const fn is_over(self) -> bool {
        !matches!(
            self,
            RunState::Waiting | RunState::Measuring | RunState::Held
        )
    }
    /// The state after an event, given the one before.
    pub fn after(self, body: &Body) -> RunState {
        match body {
            Body::Begun { .. } | Body::Resumed { .. } => RunState::Measuring,
            Body::Held { .. } => RunState::Held,
            Body::Seam {
                cause: SeamCause::WindowClosed,
            } => RunState::Waiting,
            Body::Ended { end } => match end {
                End::Complete => RunState::Complete,
                End::CompleteWithGaps => RunState::CompleteWithGaps,
                End::Stopped => RunState::Stopped,
                End::Failed => RunState::Failed,
            },
            _ => self,
        }
    }
}
