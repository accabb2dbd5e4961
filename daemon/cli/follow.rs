//! What a person reads while a run measures, from the daemon's events. Pure.
//!
//! Called by: watch, demo. Not here: connections, terminals.

use photometry::statistics;
use photometry::units::Span;

use crate::web::wire::{Entry, EntryReading, Progress};

/// Something to show.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Shown {
    /// A point's mean: data, for stdout.
    Mean(String),
    /// Something worth knowing: for stderr.
    Said(String),
    /// A question to a person: for stderr.
    Asked(String),
}

/// Gathers the readings of the current point.
#[derive(Debug, Default)]
pub struct Follower {
    point: Option<(String, String, String, u32)>,
    values: Vec<f64>,
    others: Vec<String>,
    last: u64,
}

/// The purpose of readings that make a point.
const POINT: &str = "read";

impl Follower {
    /// The number of the last entry taken.
    pub fn last(&self) -> u64 {
        self.last
    }

    /// Takes one entry of the journal.
    pub fn take(&mut self, entry: &Entry) -> Option<Shown> {
        self.last = entry.seq;
        if let Some(reading) = &entry.reading {
            return self.reading(reading, entry.attempt);
        }
        if let Some(question) = &entry.asks {
            return Some(Shown::Asked(question.clone()));
        }
        match entry.kind.as_str() {
            "started" | "done" | "taken" => None,
            _ => Some(Shown::Said(entry.says.clone())),
        }
    }

    fn reading(&mut self, reading: &EntryReading, attempt: u32) -> Option<Shown> {
        if reading.what != POINT {
            return None;
        }
        let point = (
            reading.test.clone(),
            reading.setting.clone(),
            reading.position.clone(),
            attempt,
        );
        if self.point.as_ref() != Some(&point) {
            self.point = Some(point);
            self.values.clear();
            self.others.clear();
        }
        match reading.illuminance_lx {
            Some(value) => self.values.push(value),
            None => self.others.push(reading.status.clone()),
        }
        if !reading.ends_point {
            return None;
        }
        self.point = None;
        let line = point_line(reading, &self.values, &self.others);
        Some(Shown::Mean(line))
    }
}

/// `level 7, 24 in: 312.4 lx, mean of 5, standard deviation 0.05 %`
fn point_line(reading: &EntryReading, values: &[f64], others: &[String]) -> String {
    let mut line = format!("{}, {}: ", reading.setting, reading.position);
    match statistics::moments(values) {
        None => line.push_str("no value"),
        Some(moments) => {
            let mean = moments.mean;
            line.push_str(&format!("{} lx, mean of {}", rounded(mean), values.len()));
            if let Some(deviation) = moments.sd
                && mean != 0.0
            {
                let percent = 100.0 * deviation / mean.abs();
                line.push_str(&format!(", standard deviation {percent:.2} %"));
            }
        }
    }
    if !others.is_empty() {
        line.push_str(&format!(
            "; {} not a value ({})",
            others.len(),
            others.join(", ")
        ));
    }
    line
}

/// Five significant digits, enough to see the noise.
fn rounded(value: f64) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    let decimals = (4 - value.abs().log10().floor() as i32).clamp(0, 6);
    format!("{value:.*}", decimals as usize)
}

/// The line that tells how far a run is.
pub fn status(progress: &Progress) -> String {
    let mut line = match progress.actions {
        0 => progress.state.clone(),
        actions => {
            let percent = 100 * progress.actions_done / actions;
            format!("{}: {percent} % of {actions} actions", progress.state)
        }
    };
    if let Some(remaining) = progress.remaining_s
        && !progress.is_over
    {
        let time = Span::from_secs_f64(remaining).shown();
        let kind = if progress.rehearsal {
            "bench time"
        } else {
            "time"
        };
        line.push_str(&format!(", about {time} of {kind} left"));
    }
    if let Some(why) = &progress.why {
        line.push_str(&format!("; {why}"));
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::web::wire::Instant;

    fn entry(seq: u64, kind: &str, says: &str) -> Entry {
        Entry {
            seq,
            at: Instant {
                utc: String::new(),
                us: 0,
            },
            mono_s: 0.0,
            kind: kind.to_owned(),
            no: None,
            attempt: 1,
            sitting: 1,
            says: says.to_owned(),
            reading: None,
            asks: None,
        }
    }

    fn taken(seq: u64, what: &str, value: Option<f64>, ends_point: bool) -> Entry {
        let reading = EntryReading {
            test: "survey".to_owned(),
            setting: "level 7".to_owned(),
            position: "24 in".to_owned(),
            what: what.to_owned(),
            illuminance_lx: value,
            status: if value.is_some() { "value" } else { "over" }.to_owned(),
            ends_point,
        };
        Entry {
            reading: Some(reading),
            ..entry(seq, "taken", "")
        }
    }

    /// A point broken off and redone: the first attempt's values are not in
    /// the mean, and neither is what is no value.
    #[test]
    fn means_are_told_when_their_point_ends() {
        let mut again = taken(5, "read", Some(100.0), false);
        again.attempt = 2;
        let mut last = taken(6, "read", Some(102.0), true);
        last.attempt = 2;
        let asked = Entry {
            asks: Some("cover the meter".to_owned()),
            ..entry(7, "held", "held")
        };
        let entries = [
            entry(1, "begun", "the run began"),
            entry(2, "started", "home"),
            taken(3, "reference", Some(500.0), false),
            taken(4, "read", Some(9.0), false),
            again,
            last,
            asked,
            taken(8, "read", None, true),
            entry(9, "ended", "the run is complete with gaps"),
        ];
        let mut follower = Follower::default();
        let shown: Vec<Shown> = entries
            .iter()
            .filter_map(|entry| follower.take(entry))
            .collect();
        insta::assert_debug_snapshot!(shown);
        assert_eq!(follower.last(), 9);
    }

    #[test]
    fn progress_is_one_line() {
        let progress = Progress {
            state: "measuring".to_owned(),
            is_over: false,
            actions_done: 42,
            actions: 200,
            remaining_s: Some(7_450.0),
            now: Instant {
                utc: String::new(),
                us: 0,
            },
            rehearsal: true,
            why: None,
            asks: None,
            out_of_service: None,
        };
        assert_eq!(
            status(&progress),
            "measuring: 21 % of 200 actions, about 2 h 04 min of bench time left"
        );
        let held = Progress {
            state: "held".to_owned(),
            rehearsal: false,
            why: Some("a person asked for it".to_owned()),
            ..progress
        };
        assert_eq!(
            status(&held),
            "held: 21 % of 200 actions, about 2 h 04 min of time left; a person asked for it"
        );
    }
}
