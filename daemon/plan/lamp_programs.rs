//! The programs of a lamp file: sunrises and sunsets that it runs by itself.
//!
//! ```yaml
//! programs:
//!   dawn: {kind: sunrise, length: 25 min, starts: {button: dawn}}
//!   wake: {kind: sunrise, length: 30 min, starts: {alarm: end, alarms: 1}}
//! ```

use photometry::units::Span;
use written::{Fields, Kind, Mistake, Mistakes, Node, readers};

use super::file;
use super::lamp::{Alarm, AlarmMarks, Program, Starts, Way};

/// A program lasts at most so long.
const LENGTH_AT_MOST: Span = Span::from_mins(120);
/// Alarms of one lamp.
const ALARMS_AT_MOST: i64 = 20;

/// Reads the programs.
pub fn programs(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<Program>> {
    if node.kind() != Kind::Map {
        mistakes.add(
            readers::must_be(node, "programs by their names")
                .hint("write `dawn: {kind: sunrise, length: 30 min, starts: by hand}`"),
        );
        return None;
    }
    let found: Vec<Option<Program>> = node
        .entries()
        .map(|(key, value)| {
            let name = readers::name(key, mistakes);
            let program = program(value, mistakes)?;
            Some(Program {
                name: name?,
                ..program
            })
        })
        .collect();
    found.into_iter().collect()
}

fn program(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Program> {
    let mut fields = Fields::of(node, "the program", mistakes)?;
    let ways = [
        (Way::Sunrise.word(), Way::Sunrise),
        (Way::Sunset.word(), Way::Sunset),
    ];
    let way = fields.need_like("kind", "sunrise", readers::one_of(&ways));
    let length = readers::checked(file::span, |length: &Span| {
        match *length <= LENGTH_AT_MOST && *length >= Span::from_mins(1) {
            true => Ok(()),
            false => Err(format!("a program of {length}; from 1 min to 120 min")),
        }
    });
    let length = fields.need_like("length", "30 min", length);
    let starts = fields.need_like("starts", "{button: dawn}", starts);
    fields.finish();
    let (length, starts) = (length?, starts?);
    if let Starts::Alarm(alarm) = starts
        && alarm.marks == AlarmMarks::End
        && length.ns() % Span::from_mins(1).ns() != 0
    {
        let text = "a program that ends at its alarm must last whole minutes";
        mistakes.add(Mistake::new(node.place(), "length", text));
        return None;
    }
    Some(Program {
        name: String::new(),
        way: way?,
        length,
        starts,
    })
}

/// `by hand`, `{button: dawn}`, `{alarm: end, alarms: 2, rearmed: true}`.
fn starts(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Starts> {
    if node.kind() != Kind::Map {
        return readers::one_of(&[("by hand", Starts::ByHand)])(node, mistakes);
    }
    let mut fields = Fields::of(node, "what starts the program", mistakes)?;
    let button = fields.may("button", readers::name);
    let marks = [("start", AlarmMarks::Start), ("end", AlarmMarks::End)];
    let marks = fields.may("alarm", readers::one_of(&marks));
    let alarms = fields.may_or("alarms", readers::integer_in(1..=ALARMS_AT_MOST), 1);
    let rearmed = fields.may_or("rearmed", readers::boolean, false);
    fields.finish();
    match (button, marks) {
        (Some(button), None) => Some(Starts::Button(button)),
        (None, Some(marks)) => Some(Starts::Alarm(Alarm {
            marks,
            alarms: alarms as u16,
            rearmed,
        })),
        (Some(_), Some(_)) => {
            let text = "a program is started by a button or by an alarm, not by both";
            mistakes.add(Mistake::new(node.place(), "starts-twice", text));
            None
        }
        (None, None) => {
            if node.get("button").is_none() && node.get("alarm").is_none() {
                let text = "nothing says what starts the program";
                mistakes.add(
                    Mistake::new(node.place(), "missing-key", text).hint(
                        "write `{button: NAME}`, `{alarm: start}`, `{alarm: end}` or `by hand`",
                    ),
                );
            }
            None
        }
    }
}
