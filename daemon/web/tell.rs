//! Puts what the daemon knows into the words and types that cross the wire.

use photometry::measured::{Capture, CaptureOutcome, Moment, Outcome};
use photometry::units::{Ratio, Span, Wall};

use super::wire::{Entry, EntryReading, Instant, Progress, Run};
use crate::plan::frozen::Frozen;
use crate::plan::itinerary::Key;
use crate::run::journal::{
    Body, Decision, DriftVerdict, Event, HoldCause, LampLeft, Left, ResumeCause, RoomVerdict,
    SeamCause,
};
use crate::run::pressed::Pressed;
use crate::run::progress::{Phase, State};
use crate::run::room;
use crate::store::runs::RunRow;

/// An instant for people and for programs.
pub fn instant(wall: Wall) -> Instant {
    Instant::at(wall)
}

/// A run in one row.
pub fn run(row: &RunRow, progress: Option<&State>) -> Run {
    let (why, asks) = waiting(row, progress);
    Run {
        run: row.id.0,
        state: row.state.words().to_owned(),
        is_over: row.state.is_over(),
        why,
        asks,
        plan: row.plan.clone(),
        lamp: row.lamp.clone(),
        unit: row.unit.clone(),
        bench: row.bench.clone(),
        actions_done: progress.map_or(row.actions_done, |p| p.actions_done() as i64),
        actions: row.actions,
        readings: row.readings,
        booked: instant(row.booked),
        begun: row.begun.map(instant),
        ended: row.ended.map(instant),
        redo_of: row.redo_of.map(|run| run.0),
    }
}

/// Why a run waits, and its open question.
fn waiting(row: &RunRow, progress: Option<&State>) -> (Option<String>, Option<String>) {
    match progress.map(|progress| &progress.phase) {
        Some(Phase::Held(HoldCause::Question(words))) => {
            (Some("it asks a question".to_owned()), Some(words.clone()))
        }
        Some(Phase::Held(cause)) => (Some(hold_words(cause)), None),
        Some(Phase::BrokenOff(cause)) => (Some(seam_words(*cause).to_owned()), None),
        _ => (row.why.clone(), None),
    }
}

/// How far a run is.
pub fn progress(
    row: &RunRow,
    state: &State,
    frozen: &Frozen,
    now: Moment,
    rehearsal: bool,
) -> Progress {
    let (why, asks) = waiting(row, Some(state));
    let planned: f64 = state
        .still_to_do(&frozen.itinerary)
        .map(|action| action.time.likely.secs())
        .sum();
    let preamble: f64 = state
        .preamble
        .iter()
        .flat_map(|preamble| preamble.actions.iter().skip(preamble.done))
        .map(|action| action.time.likely.secs())
        .sum();
    Progress {
        state: row.state.words().to_owned(),
        is_over: row.state.is_over(),
        actions_done: state.actions_done() as i64,
        actions: frozen.itinerary.actions.len() as i64,
        remaining_s: Some(planned + preamble),
        now: instant(now.wall),
        rehearsal,
        why,
        asks,
        out_of_service: None,
    }
}

fn captured_words(key: &Key, capture: &Capture, frozen: &Frozen) -> String {
    let name = capture.quantity.name();
    let came = match &capture.outcome {
        CaptureOutcome::Numbers(count) => format!("{name} of {count} numbers"),
        CaptureOutcome::Saturated(count) => format!("{name} of {count} numbers, too bright"),
        CaptureOutcome::TimedOut => format!("{name}: no answer in time"),
        CaptureOutcome::Rejected(reason) => format!("{name} rejected: {reason}"),
    };
    let position = key.position.shown(frozen.card.lengths);
    let what = key.purpose.word();
    format!(
        "{came} ({what}, {}, {position})",
        setting_shown(&key.setting, frozen)
    )
}

/// One event as a row.
pub fn entry(event: &Event, frozen: &Frozen) -> Entry {
    let asks = match &event.body {
        Body::Held {
            cause: HoldCause::Question(words),
        } => Some(words.clone()),
        _ => None,
    };
    let reading = match &event.body {
        Body::Taken { key, reading } => Some(EntryReading {
            test: key.test.clone(),
            setting: setting_shown(&key.setting, frozen),
            position: key.position.shown(frozen.card.lengths),
            what: key.purpose.word().to_owned(),
            illuminance_lx: reading.outcome.value(),
            status: reading.outcome.kind().to_owned(),
            ends_point: ends_point(event, frozen),
        }),
        _ => None,
    };
    Entry {
        seq: event.seq,
        at: instant(event.at.wall),
        mono_s: event.at.mono.ns() as f64 / 1e9,
        kind: event.body.kind().to_owned(),
        no: event.no,
        attempt: event.attempt,
        sitting: event.sitting,
        says: says(event, frozen),
        reading,
        asks,
    }
}

/// The setting in words: `level 7`.
fn setting_shown(key: &str, frozen: &Frozen) -> String {
    let settings = frozen.lamp.modes.iter().flat_map(|mode| {
        (1..=mode.levels).map(|level| crate::plan::lamp::Setting {
            mode: mode.name.clone(),
            level,
        })
    });
    settings
        .into_iter()
        .find(|setting| setting.key() == key)
        .map_or_else(|| key.to_owned(), |setting| setting.shown())
}

/// Whether this reading is the last of its point.
fn ends_point(event: &Event, frozen: &Frozen) -> bool {
    let actions = &frozen.itinerary.actions;
    let Some(at) = event.no.and_then(|no| usize::try_from(no).ok()) else {
        return false;
    };
    let Some(point) = actions.get(at).and_then(|action| action.point) else {
        return false;
    };
    actions
        .get(at + 1)
        .is_none_or(|next| next.point != Some(point))
}

/// One event as a sentence.
pub fn says(event: &Event, frozen: &Frozen) -> String {
    match &event.body {
        Body::Begun { .. } => "the run began".to_owned(),
        Body::Started { doing } => doing.clone(),
        Body::Taken { key, reading } => {
            let unit = reading.quantity.unit();
            let value = match &reading.outcome {
                Outcome::Value(value) => format!("{value} {unit}"),
                Outcome::Over(limit) => format!("over {limit} {unit}"),
                Outcome::Under(limit) => format!("under {limit} {unit}"),
                Outcome::TimedOut => "no answer in time".to_owned(),
                Outcome::Rejected(reason) => format!("rejected: {reason}"),
            };
            let position = key.position.shown(frozen.card.lengths);
            let what = key.purpose.word();
            format!(
                "{value} ({what}, {}, {position})",
                setting_shown(&key.setting, frozen)
            )
        }
        Body::Captured { key, capture, .. } => captured_words(key, capture, frozen),
        Body::Decided { decision } => decision_words(decision, frozen),
        Body::Done { facts } => match (facts.home_offset, facts.coordinate, &facts.answer) {
            (Some(offset), ..) => format!("done; the home switch was found {offset} off its place"),
            (None, Some(at), _) => format!("done; the carriage stands at {at}"),
            (None, None, Some(answer)) => format!("answered: {answer}"),
            (None, None, None) => "done".to_owned(),
        },
        Body::Failed { fault } => match &fault.instrument {
            Some(instrument) => format!("failed: {instrument}: {}", fault.message),
            None => format!("failed: {}", fault.message),
        },
        Body::Lost { fault } => format!(
            "lost: {}: {}",
            fault.instrument.as_deref().unwrap_or("a device"),
            fault.message
        ),
        Body::Back {
            instrument,
            after,
            identity,
        } => format!("back after {}: {instrument}: {identity}", after.shown()),
        Body::Held { cause } => format!("held: {}", hold_words(cause)),
        Body::Resumed { cause } => match cause {
            ResumeCause::Released => "goes on: a person released it".to_owned(),
            ResumeCause::Answered => "goes on: a person answered".to_owned(),
            ResumeCause::Restarted => "goes on: the daemon started again".to_owned(),
            ResumeCause::WindowOpened => "goes on: the window opened".to_owned(),
            ResumeCause::DeviceBack => "goes on: the device is there again".to_owned(),
            ResumeCause::RoomQuiet => "goes on: the room is quiet again".to_owned(),
            ResumeCause::NextTest => "goes on with the next test".to_owned(),
        },
        Body::Seam { cause } => format!("broken off: {}", seam_words(*cause)),
        Body::MadeSafe { left } => left_words(left),
        Body::Ended { end } => {
            let state = crate::run::journal::RunState::Measuring.after(&Body::Ended { end: *end });
            format!("the run is {}", state.words())
        }
    }
}

fn hold_words(cause: &HoldCause) -> String {
    match cause {
        HoldCause::Person => "a person asked for it".to_owned(),
        HoldCause::Question(words) => words.clone(),
        HoldCause::NoPlacement(words) => words.clone(),
        HoldCause::PowerLost => {
            "power was lost; look at the bench, then release the run".to_owned()
        }
        HoldCause::Failure(words) => words.clone(),
        HoldCause::Disturbed(words) | HoldCause::StopButton(words) => words.clone(),
        HoldCause::MaximumOn => {
            "the lamp has been on as long as it may; if it is still on, switch it off and let it cool, then release the run".to_owned()
        }
    }
}

const fn seam_words(cause: SeamCause) -> &'static str {
    match cause {
        SeamCause::Hold => "a person asked to hold",
        SeamCause::Stop => "a person asked to stop",
        SeamCause::Shutdown => "the daemon was told to leave",
        SeamCause::Died => "the daemon died without a word",
        SeamCause::RecordFailed => "the record failed and was opened anew",
        SeamCause::WindowClosed => "the window closed",
        SeamCause::Failure => "a failure",
        SeamCause::MaximumOn => "the lamp has been on as long as it may",
        SeamCause::DeviceLost => "a device is gone, and is waited for",
        SeamCause::Disturbed => "the room was disturbed",
        SeamCause::StopButton => "the stop button was pressed, or could not be read",
    }
}

/// How the bench was left, in words.
pub fn left(left: &Left) -> String {
    left_words(left)
}

fn left_words(left: &Left) -> String {
    let carriage = if left.carriage_still {
        "the carriage stands still"
    } else {
        "THE CARRIAGE MAY BE MOVING"
    };
    let fingers = if left.fingers_off {
        "no finger presses"
    } else {
        "A FINGER MAY BE PRESSING"
    };
    let lamp = match left.lamp {
        LampLeft::Off => "the lamp is off",
        LampLeft::OffNotSeen => "it was tried to switch the lamp off, and NO METER SAW IT GO OUT",
        LampLeft::NotKnown => "IT IS NOT KNOWN WHETHER THE LAMP IS ON",
        LampLeft::On => "THE LAMP IS LEFT ON",
        LampLeft::OnSwitchFailed => "THE LAMP IS LEFT ON: switching it off failed",
        LampLeft::NotTouched => "the lamp was not touched",
    };
    let mut words = format!("{carriage}, {fingers}, {lamp}");
    for trouble in &left.troubles {
        words.push_str("; ");
        words.push_str(trouble);
    }
    words
}

fn signed(share: Ratio) -> String {
    format!("{:+.3} %", share.percent())
}

fn exposure_words(meter: &str, integration: Span, fill: Option<f64>, fits: bool) -> String {
    let fill = fill.map_or_else(String::new, |fill| format!(", {:.0} % full", 100.0 * fill));
    let end = if fits { "" } else { ": an end of its range" };
    format!("`{meter}` integrates {}{fill}{end}", integration.shown())
}

/// What became of presses that did not make just one step; where levels go round,
/// that they did is no news.
fn slip_words((how, times): (&Pressed, &u32)) -> Option<String> {
    let words = match how {
        Pressed::Missed => "not felt",
        Pressed::Double => "counted twice",
        Pressed::Off => "left it dark",
        Pressed::Unknown => "led to another light",
        Pressed::Wrapped => return None,
    };
    let presses = if *times == 1 { "press" } else { "presses" };
    Some(format!("; {times} {presses} {words}"))
}

fn next_words(goes_on: bool, unproven: bool) -> &'static str {
    match (goes_on, unproven) {
        (true, _) => "the leg goes on",
        (false, false) => "the leg is measured again",
        (false, true) => {
            "nothing proves where the carriage was before; the test's legs are measured again"
        }
    }
}

fn verdict_words(verdict: DriftVerdict) -> &'static str {
    match verdict {
        DriftVerdict::GoesOn => "within the limit",
        DriftVerdict::LegAgain => "over the limit; the leg is measured again",
        DriftVerdict::Flagged => "over the limit again; it stands, flagged",
        DriftVerdict::GivenUp => "beyond all use",
        DriftVerdict::NotKnown => "no reference gave a value",
    }
}

fn room_words(
    frozen: &Frozen,
    (light_lx, air_c): (Option<f64>, Option<f64>),
    verdict: RoomVerdict,
) -> String {
    let room = frozen.card.room.as_ref();
    let seen = room.map(|room| room::words(room, light_lx, air_c));
    let seen = seen.unwrap_or_else(|| "no sensor sees it".to_owned());
    let follows = match verdict {
        RoomVerdict::Flagged => "what was read meanwhile is flagged",
        RoomVerdict::Again => "quiet by now, what was read meanwhile is read again",
        RoomVerdict::Held => "the run waits for a person",
        RoomVerdict::NotKnown => "what is read is flagged until it is seen again",
    };
    format!("the room: {seen}; {follows}")
}

fn decision_words(decision: &Decision, frozen: &Frozen) -> String {
    match decision {
        Decision::Exposure {
            meter,
            integration,
            fill,
            fits,
            ..
        } => exposure_words(meter, *integration, *fill, *fits),
        Decision::Beat {
            every, readings, ..
        } => format!(
            "{readings} readings of each meter, one every {}",
            every.shown()
        ),
        Decision::Began { program, by, at } => {
            format!("`{program}` starts ({by}) at {}", instant(at.wall).utc)
        }
        Decision::WarmUp {
            stable,
            figure,
            by,
            after,
            decline_per_hour,
        } => {
            let figure = figure.map_or(String::new(), |figure| format!(" {figure}"));
            let is = if *stable { "warm" } else { "NOT STABILISED" };
            let mut words = format!("{is} after {}: {by}{figure}", after.shown());
            if let Some(decline) = decline_per_hour {
                words.push_str(&format!(", still falling by {decline} an hour"));
            }
            words
        }
        Decision::Level {
            setting,
            went,
            light_lx,
            proof,
            ..
        } => {
            let setting = setting_shown(setting, frozen);
            let at = light_lx.map_or(String::new(), |light| format!(" at {light} lx"));
            let slips: String = went.iter().filter_map(slip_words).collect();
            format!("{setting} stands{at}: {proof}{slips}")
        }
        Decision::Drift { drift, verdict, .. } => {
            let drift = drift.map_or("unknown".to_owned(), signed);
            let verdict = verdict_words(*verdict);
            format!(
                "the reference was {drift} off the leg's first visit at the farthest: {verdict}"
            )
        }
        Decision::Return {
            drift,
            goes_on,
            unproven,
            ..
        } => {
            let drift = drift.map_or("nothing to compare with".to_owned(), signed);
            let next = next_words(*goes_on, *unproven);
            format!("reference after the seam: {drift}; {next}")
        }
        Decision::Room {
            light_lx,
            air_c,
            verdict,
            ..
        } => room_words(frozen, (*light_lx, *air_c), *verdict),
        Decision::HalfLight { level, share, .. } => half_light_words(*level, *share),
    }
}

fn half_light_words(level: u16, share: Ratio) -> String {
    format!("level {level} gives {share} of the highest level's light")
}
