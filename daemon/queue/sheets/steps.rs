//! What a person does before going to bed, in order. Pure.
//!
//! Hands come first and motion last: units placed, lamps and fingers looked at,
//! caps and alarms, the dark; only then what lets a run go on, because it may move
//! the carriage at once. At a run that is at work nobody touches anything.
//!
//! Called by: tonight.

use super::walk::Walk;
use super::{At, Task, Told, commands_to_go_on, unblocked};
use crate::plan::card::PlaceKind;
use crate::plan::intent::of_day;
use crate::plan::itinerary::{Question, What};
use crate::plan::lamp::{Starts, Worked};

/// The steps of one bench: its runs in their order, each with its walk. `last`:
/// when the last question of all comes; none without questions.
pub fn steps(now: &At, runs: &[(&Told, Walk<'_>)], last: Option<&str>) -> Vec<Task> {
    let mut steps = Vec::new();
    if runs.is_empty() {
        return steps;
    }
    for (at, (told, _)) in runs.iter().enumerate() {
        if let Some(displaced) = &told.displaced {
            let words = format!("Run {}: {displaced}.", told.row.id);
            let task = Task::of(told.row.id.0, words, &[]);
            if told.nowhere && !is_behind(told, &runs[..at]) {
                // A placement says where it stands: it is aligned before.
                steps.extend(aligned(told, ""));
            }
            steps.push(after_others(task, told, &runs[..at]));
        }
    }
    standing(&mut steps, runs);
    disarmed(&mut steps, runs);
    for (at, (told, walk)) in runs.iter().enumerate() {
        caps_and_alarms(&mut steps, now, told, walk, at == 0);
    }
    steps.push(Task::by_hand(
        "Make the room dark and keep it so: curtains, other lamps, displays, the door.",
    ));
    let_go_on(&mut steps, runs);
    if let Some(last) = last {
        steps.push(Task::by_hand(format!(
            "Stay up for what is asked, the last {last}: a run that asks waits for its answer, and \
             measures nothing meanwhile."
        )));
    }
    steps
}

/// What lets runs go on that wait for a person.
fn let_go_on(steps: &mut Vec<Task>, runs: &[(&Told, Walk<'_>)]) {
    for (at, (told, _)) in runs.iter().enumerate() {
        if is_behind(told, &runs[..at]) {
            continue;
        }
        let task = match told.displaced {
            Some(_) => {
                let words = format!("Let run {} go on.", told.row.id);
                Some(Task::of(told.row.id.0, words, &commands_to_go_on(told)))
            }
            None => unblocked(told),
        };
        let mut todo = told.progress.still_to_do(&told.frozen.itinerary);
        let moves = todo.any(|action| {
            matches!(
                action.what,
                What::Move { .. } | What::Home | What::ProveHome { .. }
            )
        });
        steps.extend(task.map(|mut task| {
            if moves {
                task.words.push_str(
                    " With the command the carriage may move at once: be away from the bench.",
                );
            }
            task
        }));
    }
}

/// The run before it that still has another unit where this one must stand.
fn in_the_way<'a>(told: &Told, before: &[(&'a Told, Walk<'_>)]) -> Option<&'a Told> {
    told.displaced.as_ref()?;
    let mine = &told.frozen.placement;
    let mut others = before.iter().map(|(other, _)| *other);
    others.find(|other| {
        let its = &other.frozen.placement;
        other.displaced.is_none() && its.place == mine.place && its.unit != mine.unit
    })
}

/// Whether its unit can only be placed when a run before it is over.
pub fn is_behind(told: &Told, before: &[(&Told, Walk<'_>)]) -> bool {
    in_the_way(told, before).is_some()
}

/// Says so.
fn after_others(mut task: Task, told: &Told, before: &[(&Told, Walk<'_>)]) -> Task {
    if let Some(other) = in_the_way(told, before) {
        task.words = format!(
            "Not before run {} is over, which has unit `{}` there. {}",
            other.row.id, other.row.unit, task.words
        );
    }
    task
}

/// How lamp, meter and fingers must stand: of each unit once.
fn standing(steps: &mut Vec<Task>, runs: &[(&Told, Walk<'_>)]) {
    let mut seen: Vec<&str> = Vec::new();
    for (at, (told, _)) in runs.iter().enumerate() {
        if is_behind(told, &runs[..at]) {
            continue;
        }
        let frozen = &told.frozen;
        let placement = &frozen.placement;
        if seen.contains(&placement.unit.as_str()) {
            continue;
        }
        seen.push(&placement.unit);
        let unit = &placement.unit;
        if told.row.begun.is_some() {
            steps.push(Task::by_hand(format!(
                "Touch neither unit `{unit}` nor what stands around it, unless run {} asks for it: it \
                 has begun, and its readings rest on where they are.",
                told.row.id
            )));
            continue;
        }
        if !told.nowhere {
            let moved = " Whoever moves it now places it anew.";
            steps.extend(aligned(told, moved));
        }
        steps.extend(fixed_sensor(told));
        if frozen.lamp.worked == Worked::Mains {
            steps.extend(plugged_in(told));
        }
        // What was frozen for a unit that stands elsewhere names other fingers.
        let seated = told.displaced.is_none() && !placement.fingers.is_empty();
        if matches!(frozen.lamp.worked, Worked::Buttons(_)) && seated {
            let seats = placement.fingers.iter();
            let seats: Vec<String> = seats
                .map(|seat| format!("{} on `{}`", seat.finger, seat.button))
                .collect();
            steps.push(Task::by_hand(format!(
                "Look that each finger sits on its button of unit `{unit}`: {}.",
                seats.join(", ")
            )));
        }
    }
}

/// A sensor that stands still sees the lamp, whatever the carriage does.
fn fixed_sensor(told: &Told) -> Option<Task> {
    let card = &told.frozen.card;
    let sensor = card.fixed_sensor.as_ref()?;
    let mut todo = told.progress.still_to_do(&told.frozen.itinerary);
    todo.any(|action| action.other_meter() == Some(sensor))
        .then(|| {
            Task::by_hand(format!(
                "Let the fixed sensor `{sensor}` see the lamp, and nothing that moves: neither the \
             carriage nor its shadow may come before it at any position."
            ))
        })
}

/// How a unit hangs on the outlet that lights it.
fn plugged_in(told: &Told) -> Option<Task> {
    let (unit, card) = (&told.frozen.placement.unit, &told.frozen.card);
    let outlet = card.lamp_outlet.as_deref()?;
    let channel = card.outlets.as_ref()?.channel(outlet)?;
    Some(Task::by_hand(format!(
        "Plug unit `{unit}` into the outlet `{outlet}` (relay {channel}) and into no other, and leave \
         its own switch on: it stays dark until its run lights it by that outlet."
    )))
}

/// How a unit must stand at its place; `then`: what else there is to say. Common
/// practice, no source.
fn aligned(told: &Told, then: &str) -> Option<Task> {
    let placement = &told.frozen.placement;
    let (unit, place) = (&placement.unit, &placement.place);
    let mut places = told.frozen.card.places.iter();
    let words = match places.find(|known| known.name == *place)?.kind {
        PlaceKind::Axis => format!(
            "Align unit `{unit}`: its face square to the axis, its middle and the meter's at one \
             height, nothing between them.{then}"
        ),
        PlaceKind::Sphere => {
            format!("Look that the sphere `{place}` is closed around what the run wants in it.")
        }
        PlaceKind::Still => format!("Look that unit `{unit}` stands square at `{place}`.{then}"),
    };
    Some(Task::by_hand(words))
}

/// Alarms that no run of tonight asks for: an armed one lights the lamp in the
/// middle of whatever is measured. Of each unit once.
fn disarmed(steps: &mut Vec<Task>, runs: &[(&Told, Walk<'_>)]) {
    let mut seen: Vec<&str> = Vec::new();
    for (at, (told, _)) in runs.iter().enumerate() {
        let unit = told.frozen.placement.unit.as_str();
        if seen.contains(&unit) || is_behind(told, &runs[..at]) {
            continue;
        }
        seen.push(unit);
        let of_unit = runs.iter().filter(|(o, _)| o.frozen.placement.unit == unit);
        let mut set = of_unit.flat_map(|(_, walk)| &walk.asked);
        let is_asked = set.any(|a| matches!(a.question, Some(Question::SetAlarm { .. })));
        let mut programs = told.frozen.lamp.programs.iter();
        let by_alarm = programs.any(|program| matches!(program.starts, Starts::Alarm(_)));
        if by_alarm && !is_asked && told.row.begun.is_none() {
            steps.push(Task::by_hand(format!(
                "Disarm the alarm of unit `{unit}`: no run tonight asks for it, and it would light \
                 the lamp in the middle of one."
            )));
        }
    }
}

/// Caps that can be put on at once, alarms that can be set at once: the run asks
/// for them all the same, and waits for the answer. Of a run that is `first` on
/// its bench and has not begun; for any other the bench is not free.
fn caps_and_alarms(steps: &mut Vec<Task>, now: &At, told: &Told, walk: &Walk<'_>, first: bool) {
    let run = told.row.id.0;
    let free = first && told.row.begun.is_none();
    let then = format!("run {run} asks for it and waits for the answer: `wakerail answer {run}`");
    let mut said: Vec<&Question> = Vec::new();
    for asking in &walk.asked {
        let Some(question) = asking.question else {
            continue;
        };
        if said.contains(&question) {
            continue;
        }
        said.push(question);
        let words = match question {
            Question::CoverMeter(meter) => {
                let cap = match free && asking.now {
                    true => format!("Put the cap on the meter `{meter}`"),
                    false => format!("Lay the cap of the meter `{meter}` ready"),
                };
                format!("{cap}; {then}.")
            }
            Question::SetAlarm { program, minute } if free => {
                let forgets = match told.frozen.lamp.loses_clock {
                    true => " It forgets clock and alarm without power: leave it plugged in.",
                    false => "",
                };
                format!(
                    "Set the clock of unit `{}` to that of this bench (now {}), its alarm for \
                     `{program}` to {}, arm it, and switch the lamp off; {then}.{forgets}",
                    told.row.unit,
                    now.minute(),
                    of_day(*minute)
                )
            }
            Question::SetAlarm { program, minute } => format!(
                "Leave the alarm for `{program}` ({}) alone until run {run} asks for it: it would \
                 light the lamp in another run.",
                of_day(*minute)
            ),
            Question::MountReference { reference, .. } => {
                format!("Lay the reference lamp `{reference}` ready; {then}.")
            }
            Question::UncoverMeter(_)
            | Question::MountUnit { .. }
            | Question::SwitchByHand { .. } => continue,
        };
        steps.push(Task::of(run, words, &[]));
    }
}
