//! The morning sheet: what was done, test by test, what needs a person now, how
//! a gap is filled, where the report is. Pure.
//!
//! Called by: queue::evening, cli (the text).

use drivers::clock::Clock;
use photometry::units::Wall;
use serde::{Deserialize, Serialize};

use super::lines::{hang, tasks};
use super::{At, Task, Told, unblocked};
use crate::plan::itinerary::TestHead;
use crate::plan::parts::Elsewhere;
use crate::plan::redo::Part;
use crate::run::journal::{LampLeft, Left};
use crate::store::runs::RunRow;

/// `GET /morning`
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Morning {
    /// When it was made, on the bench's clock.
    pub now: At,
    /// What ended before is not told.
    pub since: At,
    /// The runs, in the order of booking.
    pub runs: Vec<RunMorning>,
    /// Runs that were not looked at, because there are so many.
    pub left_out: usize,
}

/// One run in the morning.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RunMorning {
    /// Its number.
    pub run: i64,
    /// `waiting`, `measuring`, `held`, `complete`, ...
    pub state: String,
    /// Nothing more will happen in it.
    pub is_over: bool,
    /// The plan.
    pub plan: String,
    /// The unit.
    pub unit: String,
    /// The bench.
    pub bench: String,
    /// When it began.
    pub begun: Option<At>,
    /// When it ended.
    pub ended: Option<At>,
    /// Actions done.
    pub actions_done: i64,
    /// Actions in all.
    pub actions: i64,
    /// Readings taken.
    pub readings: i64,
    /// Why it waits, when it waits for nobody: its window, a device.
    pub why: Option<String>,
    /// Its tests, in order.
    pub tests: Vec<TestMorning>,
    /// What the plan asked for and could not be had.
    pub left_out: Vec<String>,
    /// What of it is measured at another place, in a run of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub elsewhere: Option<String>,
    /// What needs a person now.
    pub needs: Vec<Task>,
    /// How its gaps are filled.
    pub fill: Option<Task>,
    /// Runs that measure a part of it again, `run 8 (waiting)`.
    pub again: Vec<String>,
    /// How the bench was left, where nothing was measured there since.
    pub bench_left: Option<String>,
    /// The command that writes its report, once something was measured.
    pub report: Option<String>,
}

/// One test in the morning.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TestMorning {
    /// Its name.
    pub test: String,
    /// `survey`, `ramp`, ...
    pub kind: String,
    /// `complete`, `with gaps`, `failed`, `not measured`; of a run that is not
    /// over also `under way`, `not begun`.
    pub state: String,
    /// Why it is not complete.
    pub reason: Option<String>,
}

/// A run with what only the morning needs.
pub struct Night {
    /// The run.
    pub told: Told,
    /// What of it is missing, when it is over.
    pub missing: Vec<Part>,
    /// How the bench was left the last time, and the same in words; none when
    /// another run was at work there since.
    pub left: Option<(Left, String)>,
    /// Why the bench takes no runs.
    pub trouble: Option<String>,
    /// Runs that measure a part of it again.
    pub again: Vec<RunRow>,
}

/// Whether a run belongs on the sheet: it is not over, or ended since.
pub fn belongs(row: &RunRow, since: Wall) -> bool {
    !row.state.is_over() || row.ended.is_some_and(|ended| ended >= since)
}

/// What is told of one run.
pub fn run(clock: &Clock, night: &Night) -> RunMorning {
    let (row, frozen) = (&night.told.row, &night.told.frozen);
    let at = |wall: Option<Wall>| wall.map(|wall| At::of(clock, wall));
    let tests: Vec<TestMorning> = frozen
        .itinerary
        .tests
        .iter()
        .enumerate()
        .map(|(index, head)| test(night, index as u32, head))
        .collect();
    let again = night.again.iter();
    let needs = needs(night);
    RunMorning {
        run: row.id.0,
        state: row.state.words().to_owned(),
        is_over: row.state.is_over(),
        plan: row.plan.clone(),
        unit: row.unit.clone(),
        bench: row.bench.clone(),
        begun: at(row.begun),
        ended: at(row.ended),
        actions_done: row.actions_done,
        actions: row.actions,
        readings: row.readings,
        why: night.told.why.clone().filter(|_| needs.is_empty()),
        fill: fill(night, &tests),
        tests,
        left_out: frozen.itinerary.not_measured(),
        elsewhere: frozen.itinerary.elsewhere.as_ref().map(Elsewhere::words),
        needs,
        again: again
            .map(|row| format!("run {} ({})", row.id, row.state.words()))
            .collect(),
        bench_left: night.left.as_ref().map(|(_, words)| words.clone()),
        report: (row.readings > 0).then(|| format!("wakerail report {}", row.id)),
    }
}

/// How one test of a run came out.
fn test(night: &Night, index: u32, head: &TestHead) -> TestMorning {
    let (progress, itinerary) = (&night.told.progress, &night.told.frozen.itinerary);
    let actions = itinerary.actions.iter().filter(|a| a.test == index);
    let (mut all, mut done) = (0, 0);
    for action in actions {
        all += 1;
        done += usize::from(progress.is_done(action.no));
    }
    let over = night.told.row.state.is_over();
    let part = night.missing.iter().find(|part| part.test == head.name);
    let count = || Some(format!("{done} of its {all} actions are done"));
    let (state, reason) = match progress.failed_tests.get(&index) {
        Some(fault) => {
            let device = fault.instrument.as_ref();
            let device = device.map_or_else(String::new, |name| format!("{name}: "));
            ("failed", Some(format!("{device}{}", fault.message)))
        }
        None if over && done == 0 && all > 0 => ("not measured", None),
        None if over && done < all => ("with gaps", count()),
        None => match part {
            Some(part) => ("with gaps", Some(lacking(night, part))),
            None if done == all => ("complete", None),
            None if done == 0 => ("not begun", None),
            None => ("under way", count()),
        },
    };
    TestMorning {
        test: head.name.clone(),
        kind: head.kind.word().to_owned(),
        state: state.to_owned(),
        reason,
    }
}

/// What a part lacks, in words.
fn lacking(night: &Night, part: &Part) -> String {
    let lengths = night.told.frozen.card.lengths;
    let at: Vec<String> = part.positions.iter().map(|p| p.shown(lengths)).collect();
    format!(
        "readings are missing, set aside or drifted too far: {} at {}",
        part.settings.join(", "),
        at.join(", ")
    )
}

/// What needs a person now.
fn needs(night: &Night) -> Vec<Task> {
    let told = &night.told;
    let (run, bench) = (told.row.id.0, &told.row.bench);
    let mut needs = Vec::new();
    if let Some((left, words)) = &night.left
        && !is_safe(left)
        && told.progress.safe
    {
        let words = format!("Look at bench `{bench}`: run {run} left it like this: {words}.");
        needs.push(Task::of(run, words, &[]));
    }
    if told.row.state.is_over() {
        return needs;
    }
    if let Some(trouble) = &night.trouble {
        let words = format!("Bench `{bench}` takes no runs: {trouble}.");
        needs.push(Task::by_hand(words));
    }
    needs.extend(unblocked(told));
    needs
}

/// Nobody needs to look.
fn is_safe(left: &Left) -> bool {
    let dark = match left.lamp {
        LampLeft::Off | LampLeft::NotTouched => true,
        LampLeft::OffNotSeen | LampLeft::NotKnown | LampLeft::On | LampLeft::OnSwitchFailed => {
            false
        }
    };
    dark && left.carriage_still && left.fingers_off
}

/// How the gaps of a run that is over are filled. What the record itself knows
/// to be missing needs no choice; a test whose readings are no reason is named.
fn fill(night: &Night, tests: &[TestMorning]) -> Option<Task> {
    let run = night.told.row.id.0;
    if !night.told.row.state.is_over() {
        return None;
    }
    let gaps: Vec<&str> = tests
        .iter()
        .filter(|test| test.state != "complete")
        .map(|test| test.test.as_str())
        .collect();
    if gaps.is_empty() {
        return None;
    }
    let known = |name: &&str| night.missing.iter().any(|part| part.test == **name);
    let command = match gaps.iter().all(known) {
        true => format!("wakerail redo {run}"),
        false => format!("wakerail redo {run} --test {}", quoted(&gaps.join(","))),
    };
    let unless = match night.again.is_empty() {
        true => "",
        false => ", if that does not",
    };
    let words = format!(
        "To measure again what is missing ({}){unless}:",
        gaps.join(", ")
    );
    Some(Task::of(run, words, &[command]))
}

/// As one word of a shell's line.
fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_.,/".contains(c);
    match word.chars().all(plain) {
        true => word.to_owned(),
        false => format!("'{}'", word.replace('\'', r"'\''")),
    }
}

impl Morning {
    /// As plain text.
    pub fn text(&self) -> String {
        let mut text = String::new();
        let (now, since) = (self.now.whole(), self.since.whole());
        hang(
            &mut text,
            "",
            &format!("Since {since}; the clock shows {now}"),
        );
        if self.runs.is_empty() {
            text.push_str("\nNothing ended, and nothing is booked.\n");
        } else {
            let needs = self.runs.iter().flat_map(|run| run.needs.iter().cloned());
            let mut needs: Vec<Task> = needs.collect();
            // A bench out of service is told with each of its runs.
            let mut said: Vec<Task> = Vec::new();
            needs.retain(|task| {
                let new = !said.contains(task);
                said.push(task.clone());
                new
            });
            text.push_str("\nNeeds a person now\n");
            tasks(&mut text, &needs);
            if needs.is_empty() {
                text.push_str("  nothing\n");
            }
        }
        for run in &self.runs {
            text.push('\n');
            run.write(&mut text, &self.now);
        }
        if self.left_out > 0 {
            let words = format!(
                "{} more runs are not told here: `wakerail runs`",
                self.left_out
            );
            text.push('\n');
            hang(&mut text, "", &words);
        }
        text
    }
}

impl RunMorning {
    fn write(&self, text: &mut String, now: &At) {
        let head = format!(
            "Run {}: {}, unit {} on {}: {}",
            self.run,
            self.plan,
            self.unit,
            self.bench,
            self.state.to_uppercase()
        );
        hang(text, "", &head);
        let mut when = match &self.begun {
            Some(at) => format!("began {}", at.shown(now)),
            None => "never began".to_owned(),
        };
        if !self.is_over && self.begun.is_none() {
            "has not begun".clone_into(&mut when);
        }
        if let Some(at) = &self.ended {
            when.push_str(&format!(", ended {}", at.shown(now)));
        }
        let (done, all, readings) = (self.actions_done, self.actions, self.readings);
        hang(
            text,
            "  ",
            &format!("{when}; {done} of {all} actions, {readings} readings"),
        );
        if let Some(why) = &self.why {
            hang(text, "  waits: ", why);
        }
        for test in &self.tests {
            let reason = test.reason.as_ref();
            let reason = reason.map_or_else(String::new, |reason| format!(": {reason}"));
            let words = format!("{} ({}): {}{reason}", test.test, test.kind, test.state);
            hang(text, "  - ", &words);
        }
        for left in &self.left_out {
            hang(text, "  - ", &format!("left out: {left}"));
        }
        if let Some(other) = &self.elsewhere {
            hang(text, "  - ", &format!("in another run: {other}"));
        }
        if !self.again.is_empty() {
            let words = format!("measured again by {}", self.again.join(", "));
            hang(text, "  ", &words);
        }
        if let Some(left) = &self.bench_left {
            hang(text, "  ", &format!("its bench was left like this: {left}"));
        }
        if let Some(fill) = &self.fill {
            hang(text, "  ", &fill.words);
            for command in &fill.commands {
                text.push_str(&format!("      {command}\n"));
            }
        }
        if let Some(report) = &self.report {
            text.push_str(&format!("  {report}\n"));
        }
    }
}
