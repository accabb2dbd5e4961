//! Two sheets for a person: what to do before going to bed (`tonight`), and what
//! is there and what needs a hand (`morning`). Pure: made of plain data and a
//! calendar, and told as text by themselves.
//!
//! ```text
//!  web (rows, states, words) ──► keeper (evening.rs: where units stand)
//!                                   ├─► tonight ◄── walk (when a run likely begins,
//!                                   │      └─ steps, cautions      asks and ends)
//!                                   └─► morning
//! ```
//!
//! They live here and not in report, because they need the calendar of the
//! bench's clock and know who is next. The same types cross the wire.
//!
//! Called by: queue::evening, web, cli (the text). Not here: asking, releasing.

mod cautions;
mod lines;
pub mod morning;
mod steps;
#[cfg(test)]
mod tests_morning;
#[cfg(test)]
mod tests_tonight;
pub mod tonight;
mod walk;

use drivers::clock::Clock;
use photometry::units::{Span, Wall};
use serde::{Deserialize, Serialize};

use crate::plan::frozen::Frozen;
use crate::run::journal::RunState;
use crate::run::progress::State;
use crate::store::runs::RunRow;

/// Minutes of the day at noon.
const NOON: u16 = 12 * 60;

/// An instant as the bench's clock on the wall shows it: a sheet is for somebody
/// who looks at that clock.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct At {
    /// Local time with its offset (RFC 3339), `2026-11-26T22:00:00+01:00`.
    pub local: String,
    /// Microseconds since 1970-01-01 00:00 UTC.
    pub us: i64,
}

impl At {
    /// On this clock.
    pub fn of(clock: &Clock, wall: Wall) -> At {
        let civil = clock.civil(wall);
        let minutes = civil.offset.ns() / 60_000_000_000;
        let sign = if minutes < 0 { '-' } else { '+' };
        let local = format!(
            "{}T{:02}:{:02}:{:02}{sign}{:02}:{:02}",
            civil.day_text(),
            civil.hour,
            civil.minute,
            civil.second,
            minutes.abs() / 60,
            minutes.abs() % 60
        );
        At {
            local,
            us: wall.us(),
        }
    }

    /// `2026-11-26`.
    fn day(&self) -> &str {
        self.local.split('T').next().unwrap_or_default()
    }

    /// `22:00`.
    fn minute(&self) -> &str {
        let time = self.local.split('T').nth(1).unwrap_or_default();
        time.get(..5).unwrap_or_default()
    }

    /// `22:00` on the day of `now`, `2026-11-27 05:30` on any other.
    pub fn shown(&self, now: &At) -> String {
        match self.day() == now.day() {
            true => self.minute().to_owned(),
            false => self.whole(),
        }
    }

    /// `2026-11-27 05:30`.
    pub fn whole(&self) -> String {
        format!("{} {}", self.day(), self.minute())
    }
}

/// Something to do, and the commands that do it or tell about it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Task {
    /// The run that it is for; none: for the bench.
    pub run: Option<i64>,
    /// What to do, and why.
    pub words: String,
    /// Commands, in order.
    pub commands: Vec<String>,
}

impl Task {
    /// For the bench as a whole, done by hand.
    fn by_hand(words: impl Into<String>) -> Task {
        Task {
            run: None,
            words: words.into(),
            commands: Vec::new(),
        }
    }
    /// For one run.
    fn of(run: i64, words: impl Into<String>, commands: &[String]) -> Task {
        Task {
            run: Some(run),
            words: words.into(),
            commands: commands.to_vec(),
        }
    }
}

/// A run as both sheets see it.
#[derive(Clone, Debug)]
pub struct Told {
    /// Its row.
    pub row: RunRow,
    /// What it froze.
    pub frozen: Frozen,
    /// The replay of its journal.
    pub progress: State,
    /// Why it waits, in words.
    pub why: Option<String>,
    /// Its open question.
    pub asks: Option<String>,
    /// Why unit or bench are not as it froze them; none when they are.
    pub displaced: Option<String>,
    /// Its unit stands on no bench.
    pub nowhere: bool,
}

/// What a person must do so that a run that waits for one goes on; none when it
/// waits for nobody.
fn unblocked(told: &Told) -> Option<Task> {
    let run = told.row.id.0;
    let words = if let Some(asks) = &told.asks {
        format!("Run {run} asks: {asks}")
    } else if let Some(displaced) = &told.displaced {
        format!("Run {run}: {displaced}.")
    } else if told.row.state == RunState::Held {
        let why = told.why.as_deref().unwrap_or("nobody said why");
        format!("Run {run} is held: {}.", why.trim_end_matches('.'))
    } else {
        return None;
    };
    Some(Task::of(run, words, &commands_to_go_on(told)))
}

/// The commands that let a run go on that waits for a person.
fn commands_to_go_on(told: &Told) -> Vec<String> {
    let command = |verb: &str| format!("wakerail {verb} {}", told.row.id);
    if told.asks.is_some() {
        return vec![command("answer")];
    }
    let held = told.row.state == RunState::Held;
    match (held, told.row.begun.is_some()) {
        (true, _) => vec![command("release")],
        // Only one that is held can be released, and that freezes it anew.
        (false, false) => vec![command("hold"), command("release")],
        (false, true) => Vec::new(),
    }
}

/// The noon of the day before `now`; half a day back where the calendar has none.
pub fn noon_before(clock: &Clock, now: Wall) -> Wall {
    let noon = clock.day_before(now, NOON);
    noon.unwrap_or(now + -Span::from_mins(i64::from(NOON)))
}

/// The instant at which the bench's clock shows `2026-11-26T12:00`; of one that
/// comes twice, the first.
///
/// # Errors
/// What is wrong with the text, as a sentence.
pub fn since(clock: &Clock, text: &str) -> Result<Wall, String> {
    let form = || {
        format!("`{text}` is no day and time; write it like 2026-11-26T12:00, on the bench's clock")
    };
    let (day, time) = text.split_once(['T', ' ']).ok_or_else(form)?;
    let numbers = |text: &str, mark: char, lengths: &[usize]| {
        let parts: Vec<&str> = text.split(mark).collect();
        let fits = parts.len() == lengths.len()
            && parts.iter().zip(lengths).all(|(part, length)| {
                part.len() == *length && part.bytes().all(|byte| byte.is_ascii_digit())
            });
        let numbers = parts.iter().filter_map(|part| part.parse::<u16>().ok());
        fits.then(|| numbers.collect::<Vec<u16>>())
    };
    let day_parts = numbers(day, '-', &[4, 2, 2]).ok_or_else(form)?;
    let time_parts = numbers(time, ':', &[2, 2]).ok_or_else(form)?;
    let (&[year, month, of_month], &[hour, minute]) = (&day_parts[..], &time_parts[..]) else {
        return Err(form());
    };
    if month > 12 || of_month > 31 || hour > 23 || minute > 59 {
        return Err(form());
    }
    // Four digits and two fit.
    let date = (year as i16, month as u8, of_month as u8);
    let found = clock.at(date, 60 * hour + minute);
    found.ok_or_else(|| format!("the bench's clock never shows {day} {time}"))
}
