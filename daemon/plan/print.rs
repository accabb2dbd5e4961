//! The itinerary in words: one action, the summary, the whole list.

use std::fmt::Write as _;

use photometry::units::{LengthUnit, Span};

use super::card::Card;
use super::intent::of_day;
use super::itinerary::{Action, Duration3, Itinerary, Purpose, Question, WarmUpRule, What};
use super::{evenings, layout};

/// One action in words: `Set the lamp to level 7`.
pub fn doing(action: &Action, lengths: LengthUnit) -> String {
    match &action.what {
        What::ReleaseFingers => "Take all fingers off the buttons".to_owned(),
        What::Home => "Find the home switch".to_owned(),
        What::ProveHome { .. } => "Find the home switch again: were steps lost?".to_owned(),
        What::Move { to, .. } => format!("Go to {}", to.shown(lengths)),
        What::Settle { rest } => format!("Rest {}", rest.shown()),
        What::LampOff => "Switch the lamp off".to_owned(),
        What::SetLevel { target } => format!("Set the lamp to {}", target.shown()),
        What::FindHalfLight { .. } => "Find the level of half the light".to_owned(),
        What::WarmUp { rule, .. } => warming(rule),
        What::Shutter { closed, meter } => {
            let verb = if *closed { "Close" } else { "Open" };
            match meter {
                None => format!("{verb} the meter's shutter"),
                Some(meter) => format!("{verb} the shutter of {meter}"),
            }
        }
        What::Read {
            quantity, purpose, ..
        } => match purpose {
            Purpose::Read => format!("Read {}", quantity.name()),
            other => format!("Read {} ({})", quantity.name(), other.word()),
        },
        What::Expose { meter, .. } => format!("Find how long {meter} must integrate"),
        What::Capture {
            quantity,
            purpose,
            sampling,
            ..
        } => {
            let mut words = format!("Capture a {}", quantity.name());
            if let Some(sampling) = sampling {
                let _ = write!(words, " of {}", sampling.length().shown());
            }
            if *purpose != Purpose::Read {
                let _ = write!(words, " ({})", purpose.word());
            }
            words
        }
        What::Soak { least, .. } => format!("Leave the lamp off for {}", least.shown()),
        What::Wait { least } => format!("Wait {}", least.shown()),
        What::Record(recording) => {
            let what = match &recording.begins {
                Some(begins) => begins.program.as_str(),
                None => "the light",
            };
            let length = recording.lead + recording.length;
            let mut words = format!(
                "Record {what} for {}, every {}",
                length.shown(),
                recording.every.shown()
            );
            if let Some(spectra) = &recording.spectra {
                let _ = write!(words, "; a spectrum every {}", spectra.every.shown());
            }
            words
        }
        What::LookAtRoom(_) => "Look whether the room is quiet".to_owned(),
        What::Switch { outlet, on } => {
            format!(
                "Switch the outlet {outlet} {}",
                if *on { "on" } else { "off" }
            )
        }
        What::CheckDrift { limit, .. } => format!("Check the drift over the leg: at most {limit}"),
        What::CheckReturn { limit, .. } => {
            format!("Compare with the reference before the seam: at most {limit}")
        }
        What::Ask { question } => asking(question),
    }
}

/// How a lamp is warmed up, in words.
fn warming(rule: &WarmUpRule) -> String {
    match rule {
        WarmUpRule::Window(window) => format!(
            "Warm up: change under {} over {}",
            window.limit,
            window.window.shown()
        ),
        WarmUpRule::Predicted { limit, .. } => {
            format!("Warm up: predicted drift over the leg under {limit}")
        }
        WarmUpRule::Fixed(span) => format!("Warm up for {}", span.shown()),
    }
}

/// What a person is asked, in words.
fn asking(question: &Question) -> String {
    let to_do = to_do(question);
    let (first, rest) = to_do.split_at(1);
    format!("Ask a person to {}{rest}", first.to_lowercase())
}

/// What a person is to do, as a sentence begins.
pub fn to_do(question: &Question) -> String {
    match question {
        Question::CoverMeter(meter) => format!("Put the cap on the meter `{meter}`"),
        Question::UncoverMeter(meter) => format!("Take the cap off the meter `{meter}`"),
        Question::MountReference { reference, place } => {
            format!("Put the reference lamp `{reference}` into the sphere `{place}`")
        }
        Question::MountUnit { unit, place } => {
            format!("Put unit `{unit}` into the sphere `{place}`")
        }
        Question::SetAlarm { program, minute } => format!(
            "Set the lamp's alarm for `{program}` to {}, and arm it",
            of_day(*minute)
        ),
        Question::SwitchByHand { lamp, on } => {
            format!("Switch {lamp} {}", if *on { "on" } else { "off" })
        }
    }
}

/// A part of the work: its name, and which actions belong to it.
type PartOfWork = (&'static str, fn(&What) -> bool);

/// The parts whose times the summary tells apart.
const PARTS: [PartOfWork; 6] = [
    ("homing and moving", |what| {
        matches!(
            what,
            What::Home | What::ProveHome { .. } | What::Move { .. } | What::Settle { .. }
        )
    }),
    ("working the lamp", |what| {
        matches!(
            what,
            What::SetLevel { .. }
                | What::LampOff
                | What::FindHalfLight { .. }
                | What::ReleaseFingers
        )
    }),
    ("warming up", |what| {
        matches!(
            what,
            What::WarmUp { .. } | What::Soak { .. } | What::Wait { .. }
        )
    }),
    ("reading", |what| {
        matches!(
            what,
            What::Read { .. }
                | What::Shutter { .. }
                | What::Expose { .. }
                | What::Capture { .. }
                | What::Record(_)
                | What::LookAtRoom(_)
                | What::Switch { .. }
        )
    }),
    ("legs again (drift)", |what| {
        matches!(what, What::CheckDrift { .. } | What::CheckReturn { .. })
    }),
    ("asking a person", |what| matches!(what, What::Ask { .. })),
];

/// What will be done, how long it takes, and whether it fits the window.
pub fn summary(itinerary: &Itinerary, card: &Card) -> String {
    let mut text = String::new();
    let out = &mut text;
    // Writing to a String cannot fail.
    let _ = writeln!(
        out,
        "{} for {} (unit {}) on bench {}",
        itinerary.plan, itinerary.lamp, itinerary.unit, itinerary.bench
    );
    write_tests(out, itinerary);
    let _ = writeln!(
        out,
        "{:<22}{:>14}{:>14}{:>14}",
        "", "least", "likely", "most"
    );
    for (name, belongs) in PARTS {
        let time: Duration3 = itinerary
            .actions
            .iter()
            .filter(|action| belongs(&action.what))
            .map(|action| action.time)
            .sum();
        if time != Duration3::default() {
            write_row(out, name, time);
        }
    }
    write_row(out, "in all", itinerary.time());
    if let Some((laid, bound)) = layout::travel(itinerary, card) {
        let _ = writeln!(
            out,
            "The legs travel {}; no order could travel less than {}.",
            laid.shown(),
            bound.shown()
        );
    }
    for left in itinerary.not_measured() {
        let _ = writeln!(out, "Left out: {left}.");
    }
    let _ = writeln!(out, "{}", window_words(itinerary));
    text
}

/// One line for each test: how much it measures.
fn write_tests(out: &mut String, itinerary: &Itinerary) {
    for (index, test) in itinerary.tests.iter().enumerate() {
        let actions = || {
            itinerary
                .actions
                .iter()
                .filter(|action| action.test == index as u32)
        };
        let keys: Vec<_> = actions()
            .filter_map(|action| action.key.as_ref())
            .filter(|key| key.purpose == Purpose::Read)
            .collect();
        let count = |mut items: Vec<String>| {
            items.sort_unstable();
            items.dedup();
            items.len()
        };
        let settings = count(keys.iter().map(|key| key.setting.clone()).collect());
        let positions = count(
            keys.iter()
                .map(|key| key.position.nm().to_string())
                .collect(),
        );
        let reads = actions()
            .filter(|action| matches!(action.what, What::Read { .. } | What::Capture { .. }))
            .count();
        let _ = writeln!(
            out,
            "  test {} ({}:{}): {settings} settings x {positions} positions, {} readings of them, \
             {reads} planned readings in all, meter {}",
            test.name,
            test.line.file,
            test.line.line,
            keys.len(),
            test.meter
        );
    }
}

fn write_row(out: &mut String, name: &str, time: Duration3) {
    let _ = writeln!(
        out,
        "  {name:<20}{:>14}{:>14}{:>14}",
        time.least.shown(),
        time.likely.shown(),
        time.most.shown()
    );
}

/// Whether the whole fits the window, and how many evenings it takes if not.
pub fn window_words(itinerary: &Itinerary) -> String {
    let Some(window) = itinerary.policies.window else {
        return "No window: it begins at once and goes on until it is done.".to_owned();
    };
    let length = window.length();
    let window = format!("the window {} ({})", window.shown(), length.shown());
    match evenings::likely(itinerary, length) {
        Some(1) => format!("It likely fits {window}."),
        Some(evenings) => format!(
            "It does not fit {window}: likely {evenings} evenings, going on at a seam each \
             evening, and warming up anew for {}.",
            evenings::preamble(itinerary).shown()
        ),
        None => format!(
            "It never fits {window}: what is done in one go (a leg with its warm-up, a \
             recording) likely takes {}.",
            evenings::needed(itinerary).shown()
        ),
    }
}

/// Every action: number, likely time since the beginning, words, key.
pub fn list(itinerary: &Itinerary, lengths: LengthUnit) -> String {
    let mut text = String::new();
    let mut since = Span::ZERO;
    for action in &itinerary.actions {
        let words = doing(action, lengths);
        let begins = clock(since);
        // The looks while a level is set have keys too; they'd only clutter.
        let measures = matches!(
            action.what,
            What::Read { .. } | What::WarmUp { .. } | What::Capture { .. }
        );
        let line = match &action.key {
            Some(key) if measures => format!("{:>5}  {begins}  {words:<44}  {key}", action.no),
            _ => format!("{:>5}  {begins}  {words}", action.no),
        };
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{}", line.trim_end());
        since += action.time.likely;
    }
    text
}

/// A time since the beginning: `1:04:09`.
fn clock(span: Span) -> String {
    let secs = span.ns() / 1_000_000_000;
    format!("{:>3}:{:02}:{:02}", secs / 3600, secs / 60 % 60, secs % 60)
}
