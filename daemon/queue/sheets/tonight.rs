//! The evening sheet: of each bench what a person must do before going to bed,
//! what each run will ask and about when, when it likely begins and ends, and
//! what to mind. Pure.
//!
//! Called by: queue::evening, cli (the text).

use drivers::clock::Clock;
use photometry::units::{Span, Wall};
use serde::{Deserialize, Serialize};

use super::lines::{hang, tasks};
use super::walk::{Walk, walk};
use super::{At, Task, Told, cautions, steps};
use crate::plan::evenings;
use crate::queue::orders::BenchShown;
use crate::run::journal::RunState;
use crate::run::progress::Phase;

/// Questions of a run that the text shows; JSON has all.
const QUESTIONS_SHOWN: usize = 6;
/// Runs of a bench that the text tells about in full; the rest has a line each.
const RUNS_SHOWN: usize = 3;

/// What a sheet of the evening is made of.
pub struct Evening<'a> {
    /// The bench's clock.
    pub clock: &'a Clock,
    /// Now, on it.
    pub now: Wall,
    /// The seed, when every device is simulated.
    pub rehearsal: Option<u64>,
    /// The benches of the daemon.
    pub benches: &'a [BenchShown],
    /// Runs that are not over, on any bench.
    pub runs: &'a [Told],
    /// Runs that were not looked at.
    pub left_out: usize,
}

/// `GET /tonight`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tonight {
    /// When it was made, on the bench's clock.
    pub now: At,
    /// The seed, when every device is simulated.
    pub rehearsal: Option<u64>,
    /// The benches, by name.
    pub benches: Vec<BenchNight>,
    /// Runs that wait and were not looked at, because there are so many.
    pub left_out: usize,
    /// Runs of the other part of a plan, whose unit is measured elsewhere now: not
    /// for tonight.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub later: Vec<Later>,
}

/// A run that waits for a unit which another run has.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Later {
    /// Its number.
    pub run: i64,
    /// The unit.
    pub unit: String,
    /// Its tests.
    pub tests: Vec<String>,
    /// The run that has the unit.
    pub after: i64,
}

/// One bench tonight.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BenchNight {
    /// Its name.
    pub bench: String,
    /// Why it takes no run, when it does not.
    pub out_of_service: Option<String>,
    /// What to do before going to bed, in order.
    pub steps: Vec<Task>,
    /// Its runs, in the order in which they likely measure.
    pub runs: Vec<RunNight>,
    /// What to mind.
    pub cautions: Vec<String>,
}

/// One run tonight.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunNight {
    /// Its number.
    pub run: i64,
    /// `waiting`, `measuring`, `held`.
    pub state: String,
    /// The plan.
    pub plan: String,
    /// The unit.
    pub unit: String,
    /// The lamp model.
    pub lamp: String,
    /// Its tests, `levels (survey)`.
    pub tests: Vec<String>,
    /// It waits for a person: all times are as if that were done at once.
    pub waits_for_you: bool,
    /// It is at work now.
    pub at_work: bool,
    /// When it likely measures next; none where that is on a later evening or
    /// cannot be told.
    pub begins: Option<At>,
    /// When it likely ends; none where that is on a later evening.
    pub ends: Option<At>,
    /// Likely bench time that it still takes.
    pub takes_s: f64,
    /// The hours in which it measures, `22:00 to 05:30`.
    pub window: Option<String>,
    /// It likely ends before its window closes; none without a window, or where
    /// nobody knows when it begins.
    pub fits: Option<bool>,
    /// The same in words.
    pub fit: String,
    /// What it will ask.
    pub questions: Vec<Asked>,
}

/// A question to come.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Asked {
    /// About when; none on a later evening.
    pub at: Option<At>,
    /// What a person is to do.
    pub words: String,
}

/// Makes the sheet.
pub fn tonight(evening: &Evening<'_>) -> Tonight {
    let now = At::of(evening.clock, evening.now);
    let mut names: Vec<&str> = evening
        .benches
        .iter()
        .map(|b| b.card.name.as_str())
        .collect();
    names.extend(evening.runs.iter().map(|told| told.row.bench.as_str()));
    names.sort_unstable();
    names.dedup();
    let benches = names.into_iter();
    Tonight {
        benches: benches.map(|name| bench(evening, &now, name)).collect(),
        rehearsal: evening.rehearsal,
        left_out: evening.left_out,
        later: later(evening.runs),
        now,
    }
}

/// The runs that wait for a unit which another run has.
fn later(runs: &[Told]) -> Vec<Later> {
    let waiting = runs.iter().filter_map(|told| {
        let heads = told.frozen.itinerary.tests.iter();
        Some(Later {
            run: told.row.id.0,
            unit: told.row.unit.clone(),
            tests: heads.map(|head| head.name.clone()).collect(),
            after: had_by(told, runs)?,
        })
    });
    waiting.collect()
}

/// The run that has the unit of a plan's other part; none where it can be moved.
fn had_by(told: &Told, runs: &[Told]) -> Option<i64> {
    let waits = told.frozen.itinerary.elsewhere.is_some() && told.displaced.is_some();
    let mut others = runs.iter().filter(|other| {
        let same_unit = other.row.unit == told.row.unit;
        same_unit && other.row.id != told.row.id && other.displaced.is_none()
    });
    others.next().filter(|_| waits).map(|other| other.row.id.0)
}

fn bench(evening: &Evening<'_>, now: &At, name: &str) -> BenchNight {
    let shown = evening.benches.iter().find(|b| b.card.name == name);
    let out_of_service = match shown {
        Some(shown) => shown.out_of_service.clone(),
        None => Some("this daemon does not work it".to_owned()),
    };
    let mut here: Vec<&Told> = evening
        .runs
        .iter()
        .filter(|t| t.row.bench == name && had_by(t, evening.runs).is_none())
        .collect();
    // As the line has it: what was begun first, then in the order of booking.
    here.sort_by_key(|told| (told.row.begun.is_none(), told.row.id));
    let mut free = Some(evening.now).filter(|_| out_of_service.is_none());
    let mut walked = Vec::new();
    for told in here {
        let behind = steps::is_behind(told, &walked);
        let way = walk(evening.clock, free.filter(|_| !behind), told);
        if !behind {
            free = way.ends;
        }
        walked.push((told, way));
    }
    let told: Vec<&Told> = walked.iter().map(|(told, _)| *told).collect();
    let last = last_question(evening.clock, now, &walked);
    BenchNight {
        bench: name.to_owned(),
        steps: steps::steps(now, &walked, last.as_deref()),
        runs: walked
            .iter()
            .map(|(told, way)| run(evening, told, way))
            .collect(),
        cautions: cautions::cautions(&told),
        out_of_service,
    }
}

/// Nobody stays up for a question that comes so long after the one before it.
const SLEPT: Span = Span::from_mins(180);

/// When the last question of a bench comes before a night's sleep, and when the next
/// one after it, in words; none without questions.
fn last_question(clock: &Clock, now: &At, walked: &[(&Told, Walk<'_>)]) -> Option<String> {
    let asked: Vec<Option<Wall>> = walked
        .iter()
        .flat_map(|(_, way)| way.asked.iter().map(|asking| asking.at))
        .collect();
    let mut known: Vec<Wall> = asked.iter().flatten().copied().collect();
    known.sort_unstable();
    let slept = known
        .windows(2)
        .position(|two| two[1].since(two[0]) >= SLEPT);
    let tonight = match slept {
        Some(last) => known.get(last),
        None => known.last(),
    };
    let next = slept.and_then(|last| known.get(last + 1));
    let later = match asked.iter().any(Option::is_none) {
        true => " (and on later evenings)",
        false => "",
    };
    match tonight {
        Some(wall) => {
            let at = |wall: Wall| At::of(clock, wall).shown(now);
            let next = next.map(|next| format!(", and be there again about {}", at(*next)));
            let next = next.unwrap_or_default();
            Some(format!("about {}{next}{later}", at(*wall)))
        }
        None => asked.first().map(|_| "on a later evening".to_owned()),
    }
}

fn run(evening: &Evening<'_>, told: &Told, way: &Walk<'_>) -> RunNight {
    let at = |wall: Option<Wall>| wall.map(|wall| At::of(evening.clock, wall));
    let window = told.frozen.plan.policies.window;
    let (fits, fit) = fit(told, way);
    let heads = told.frozen.itinerary.tests.iter();
    let tests = heads.map(|head| format!("{} ({})", head.name, head.kind.word()));
    let asked = way.asked.iter().map(|asking| Asked {
        at: at(asking.at),
        words: asking.words.clone(),
    });
    RunNight {
        run: told.row.id.0,
        state: told.row.state.words().to_owned(),
        plan: told.row.plan.clone(),
        unit: told.row.unit.clone(),
        lamp: told.row.lamp.clone(),
        tests: tests.collect(),
        waits_for_you: super::unblocked(told).is_some(),
        at_work: told.row.state == RunState::Measuring && told.progress.phase == Phase::Measuring,
        begins: at(way.begins),
        ends: at(way.ends),
        takes_s: way.takes.secs(),
        window: window.map(|window| window.shown()),
        fits,
        fit,
        questions: asked.collect(),
    }
}

/// Whether a run likely ends before its window closes, and the words.
fn fit(told: &Told, way: &Walk<'_>) -> (Option<bool>, String) {
    let Some(window) = told.frozen.plan.policies.window else {
        return (None, "no window: it goes on until it is done".to_owned());
    };
    let shown = format!("the window {}", window.shown());
    if let Some((ends, closes)) = way.ends.zip(way.closes) {
        let spare = closes.since(ends).shown();
        return (
            Some(true),
            format!("likely fits {shown}, with {spare} to spare"),
        );
    }
    let needed = evenings::needed(&told.frozen.itinerary);
    if needed > window.length() {
        let words = format!(
            "never fits {shown}: what is done in one go (a leg with its warm-up, a recording) \
             likely takes {}",
            needed.shown()
        );
        return (Some(false), words);
    }
    match way.begins {
        None => (None, shown),
        Some(_) => (
            Some(false),
            format!("does not end in {shown}: it stops at a seam and goes on the next evening"),
        ),
    }
}

impl Tonight {
    /// As plain text, a screen for each bench.
    pub fn text(&self) -> String {
        let mut text = String::new();
        let whole = self.now.whole();
        for (nth, bench) in self.benches.iter().enumerate() {
            if nth > 0 {
                text.push('\n');
            }
            let rehearsed = match self.rehearsal {
                Some(_) => " (REHEARSED on simulated devices)",
                None => "",
            };
            let head = format!(
                "Bench {} tonight; its clock shows {whole}{rehearsed}",
                bench.bench
            );
            hang(&mut text, "", &head);
            bench.write(&mut text, &self.now);
        }
        for (nth, later) in self.later.iter().enumerate() {
            if nth == 0 {
                text.push('\n');
            }
            let Later {
                run, unit, after, ..
            } = later;
            let words = format!(
                "Not tonight: run {run} ({}), because unit `{unit}` is where run {after} measures it.",
                later.tests.join(", ")
            );
            hang(&mut text, "", &words);
        }
        if self.left_out > 0 {
            let words = format!(
                "{} more runs wait and are not told here: `wakerail runs`",
                self.left_out
            );
            text.push('\n');
            hang(&mut text, "", &words);
        }
        text
    }
}

impl BenchNight {
    fn write(&self, text: &mut String, now: &At) {
        if let Some(why) = &self.out_of_service {
            hang(text, "  ", &format!("It takes no runs: {why}."));
        }
        if self.runs.is_empty() {
            hang(text, "  ", "Nothing is booked here: nothing to do.");
            return;
        }
        text.push_str("\nBefore you go to bed\n");
        tasks(text, &self.steps);
        for run in self.runs.iter().take(RUNS_SHOWN) {
            text.push('\n');
            run.write(text, now);
        }
        let rest = self.runs.iter().skip(RUNS_SHOWN);
        for (nth, run) in rest.enumerate() {
            if nth == 0 {
                text.push('\n');
            }
            let begins = match &run.begins {
                Some(at) => format!("about {}", at.shown(now)),
                None => "later".to_owned(),
            };
            hang(text, "", &format!("{}; begins {begins}", run.head()));
        }
        text.push_str("\nMind\n");
        for caution in &self.cautions {
            hang(text, "  - ", caution);
        }
    }
}

impl RunNight {
    fn head(&self) -> String {
        format!(
            "Run {}: {}, unit {} ({}), {}",
            self.run, self.plan, self.unit, self.lamp, self.state
        )
    }

    fn write(&self, text: &mut String, now: &At) {
        hang(text, "", &self.head());
        hang(text, "  tests   ", &self.tests.join(", "));
        hang(text, "  likely  ", &self.likely(now));
        hang(text, "  hours   ", &self.fit);
        if self.questions.is_empty() {
            hang(text, "  asks    ", "nothing: it needs nobody");
        }
        for (nth, asked) in self.questions.iter().take(QUESTIONS_SHOWN).enumerate() {
            let mark = if nth == 0 { "  asks    " } else { "          " };
            hang(
                text,
                mark,
                &format!("{}: {}", asked.about(now), asked.words),
            );
        }
        let more = self.questions.len().saturating_sub(QUESTIONS_SHOWN);
        if let Some(last) = self.questions.last()
            && more > 0
        {
            let about = last.about(now);
            let words = format!("and {more} times more, the last {about}");
            hang(text, "          ", &words);
        }
    }

    fn likely(&self, now: &At) -> String {
        let takes = photometry::units::Span::from_secs_f64(self.takes_s).shown();
        let begins = match (&self.begins, self.at_work) {
            (_, true) => "measures now".to_owned(),
            (Some(at), false) => format!("begins about {}", at.shown(now)),
            (None, false) => "begins not tonight, or nobody knows when".to_owned(),
        };
        let ends = match &self.ends {
            Some(at) => format!(", ends about {}", at.shown(now)),
            None => String::new(),
        };
        let if_done = match self.waits_for_you && self.begins.is_some() {
            true => ", if you do now what is asked above",
            false => "",
        };
        format!("{begins}{ends} (takes {takes}){if_done}")
    }
}

impl Asked {
    fn about(&self, now: &At) -> String {
        match &self.at {
            Some(at) => format!("about {}", at.shown(now)),
            None => "on a later evening".to_owned(),
        }
    }
}
