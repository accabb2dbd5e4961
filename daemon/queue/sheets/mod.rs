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
use photometry::units::Wall;
use serde::{Deserialize, Serialize};

use crate::plan::frozen::Frozen;
use crate::run::journal::RunState;
use crate::run::progress::State;
use crate::store::runs::RunRow;

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
    let today = clock.civil(now).day_text();
    let day = photometry::units::Span::from_mins(24 * 60);
    let mut found = now + -day.times(3);
    let mut last = None;
    // Three days back have at most four noons.
    for _ in 0..4 {
        let Some(noon) = clock.next_at(found, 12, 0) else {
            break;
        };
        if noon > now || clock.civil(noon).day_text() == today {
            break;
        }
        last = Some(noon);
        found = noon;
    }
    last.unwrap_or(now + photometry::units::Span::from_mins(-12 * 60))
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
    let whole = |part: Option<&str>, digits: usize| {
        let part = part
            .filter(|part| part.len() == digits && part.bytes().all(|byte| byte.is_ascii_digit()));
        part.and_then(|part| part.parse::<i64>().ok())
            .ok_or_else(form)
    };
    let mut parts = day.split('-');
    let year = whole(parts.next(), 4)?;
    let month = whole(parts.next(), 2)?;
    let of_month = whole(parts.next(), 2)?;
    let mut of_day = time.split(':');
    let (hour, minute) = (whole(of_day.next(), 2)?, whole(of_day.next(), 2)?);
    let wrong = month > 12 || of_month > 31 || hour > 23 || minute > 59;
    if wrong || parts.next().is_some() || of_day.next().is_some() {
        return Err(form());
    }
    let minutes = (days(year, month, of_month) * 24 + hour) * 60 + minute;
    // No zone is more than 26 h from another: from a day and a half before on,
    // the time of day comes by within four days, or the day has none.
    let mut at = Wall::from_us((minutes - 36 * 60) * 60_000_000);
    for _ in 0..4 {
        let Some(next) = clock.next_at(at, hour as u8, minute as u8) else {
            break;
        };
        if clock.civil(next).day_text() == day {
            return Ok(next);
        }
        at = next;
    }
    Err(format!("the bench's clock never shows {day} {time}"))
}

/// Days since 1970-01-01 in the proleptic Gregorian calendar (ISO 8601): the
/// year begins in March, so that the leap day is its last.
fn days(year: i64, month: i64, day: i64) -> i64 {
    let year = year - i64::from(month <= 2);
    let (era, of_era) = (year.div_euclid(400), year.rem_euclid(400));
    let of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719_468
}
