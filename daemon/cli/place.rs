//! `place`: which unit stands where, by which fingers.
//!
//! Called by: main, demo. Not here: checking it (the daemon does, against its
//! bench).

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::arguments;
use super::client::Client;
use super::complaint::Complaint;
use super::text_files;
use super::user::user;
use crate::web::wire::{Place, Placement};

/// Sends a placement and tells what was recorded.
///
/// # Errors
/// A file that cannot be read, no daemon, or its refusal.
pub async fn run(client: &Client, args: &arguments::Place) -> Result<String, Complaint> {
    let place = Place {
        unit: args.unit.clone(),
        lamp: text_files::read(&args.lamp)?,
        bench: args.bench.clone(),
        place: args.place.clone(),
        firmware: args.firmware.clone(),
        gauge: args.gauge.clone(),
        carriage_at: args.carriage_at.clone(),
        fingers: pairs(&args.fingers, &FINGERS)?,
        stated: pairs(&args.stated, &STATED)?,
        who: args.who.clone().unwrap_or_else(user),
    };
    let placement: Placement = client.post("/placements", &place, None).await?;
    Ok(told(&placement))
}

/// An option that is made of pairs, and how it is spoken of.
struct Pairs {
    option: &'static str,
    form: &'static str,
    like: &'static str,
    left: &'static str,
    right: &'static str,
}

const FINGERS: Pairs = Pairs {
    option: "fingers",
    form: "BUTTON=FINGER",
    like: "brighter=left,dimmer=right",
    left: "button",
    right: "two fingers",
};

const STATED: Pairs = Pairs {
    option: "stated",
    form: "ITEM=WORDS",
    like: "'supply=230 V, 50 Hz'",
    left: "item",
    right: "two statements",
};

/// Reads `brighter=left` and the like.
fn pairs(written: &[String], about: &Pairs) -> Result<BTreeMap<String, String>, Complaint> {
    let wrong = |reason: String| Complaint::Option {
        option: about.option,
        reason,
    };
    let mut pairs = BTreeMap::new();
    for word in written {
        let Some((left, right)) = word.split_once('=') else {
            let (form, like) = (about.form, about.like);
            return Err(wrong(format!(
                "`{word}` is not {form}; write it like {like}"
            )));
        };
        let (left, right) = (left.trim().to_owned(), right.trim().to_owned());
        if left.is_empty() || right.is_empty() {
            return Err(wrong(format!("`{word}` has an empty side")));
        }
        if let Some(other) = pairs.insert(left.clone(), right.clone()) {
            let (what, twice) = (about.left, about.right);
            return Err(wrong(format!(
                "{what} `{left}` has {twice}, `{other}` and `{right}`"
            )));
        }
    }
    Ok(pairs)
}

fn told(placement: &Placement) -> String {
    let mut text = format!(
        "{} ({}) stands at {} of {} since {}\n",
        placement.unit, placement.lamp, placement.place, placement.bench, placement.since.utc
    );
    // Writing to a String cannot fail.
    let _ = match placement.gauge_m {
        Some(gauge) => writeln!(
            text,
            "datum at {:.2} mm by a gauge of {:.2} mm, standard uncertainty {:.2} mm",
            placement.datum_m * 1e3,
            gauge * 1e3,
            placement.datum_uncertainty_m * 1e3
        ),
        None => writeln!(
            text,
            "datum at {:.2} mm as the bench file says (no gauge), standard uncertainty {:.2} mm",
            placement.datum_m * 1e3,
            placement.datum_uncertainty_m * 1e3
        ),
    };
    for (item, words) in &placement.stated {
        let _ = writeln!(text, "stated, not measured: {item} {words}");
    }
    for (button, finger) in &placement.fingers {
        let _ = writeln!(text, "finger {finger} sits on button {button}");
    }
    if let Some(replaced) = &placement.replaced {
        let _ = writeln!(text, "{replaced} no longer stands there");
    }
    for run in &placement.held_runs {
        let _ = writeln!(text, "run {run} waited for it: `wakerail release {run}`");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fingers_are_read_or_refused_with_a_reason() {
        let cases = [
            ("up=left", "up on left"),
            ("up = left,down=right", "down on right, up on left"),
            (
                "up",
                "`up` is not BUTTON=FINGER; write it like brighter=left,dimmer=right",
            ),
            ("up=", "`up=` has an empty side"),
            ("up=a,up=b", "button `up` has two fingers, `a` and `b`"),
        ];
        for (written, expected) in cases {
            let words: Vec<String> = written.split(',').map(str::to_owned).collect();
            let found = match pairs(&words, &FINGERS) {
                Ok(fingers) => fingers
                    .iter()
                    .map(|(button, finger)| format!("{button} on {finger}"))
                    .collect::<Vec<_>>()
                    .join(", "),
                Err(Complaint::Option { reason, .. }) => reason,
                Err(other) => other.to_string(),
            };
            assert_eq!(found, expected, "{written}");
        }
    }
}
