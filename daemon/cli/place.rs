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
        fingers: fingers(&args.fingers)?,
        who: args.who.clone().unwrap_or_else(user),
    };
    let placement: Placement = client.post("/placements", &place, None).await?;
    Ok(told(&placement))
}

/// Reads `brighter=left` and the like.
fn fingers(written: &[String]) -> Result<BTreeMap<String, String>, Complaint> {
    let mut fingers = BTreeMap::new();
    for word in written {
        let Some((button, finger)) = word.split_once('=') else {
            return Err(option(format!(
                "`{word}` is not BUTTON=FINGER; write it like brighter=left,dimmer=right"
            )));
        };
        let (button, finger) = (button.trim().to_owned(), finger.trim().to_owned());
        if button.is_empty() || finger.is_empty() {
            return Err(option(format!("`{word}` has an empty side")));
        }
        if let Some(other) = fingers.insert(button.clone(), finger.clone()) {
            return Err(option(format!(
                "button `{button}` has two fingers, `{other}` and `{finger}`"
            )));
        }
    }
    Ok(fingers)
}

const fn option(reason: String) -> Complaint {
    Complaint::Option {
        option: "fingers",
        reason,
    }
}

/// The user's name, as far as the environment tells.
pub fn user() -> String {
    ["USER", "LOGNAME"]
        .iter()
        .find_map(|name| std::env::var(name).ok().filter(|value| !value.is_empty()))
        .unwrap_or_else(|| "not said".to_owned())
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
            let found = match fingers(&words) {
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
