//! A run walked through beforehand: when it likely begins, what it asks a person
//! and about when, when it ends. Likely times summed up; whatever lies behind the
//! closing of the window has no time. Pure.
//!
//! Called by: tonight.

use std::collections::BTreeSet;

use drivers::clock::Clock;
use photometry::units::{Span, Wall};

use super::Told;
use crate::plan::evenings;
use crate::plan::intent::Window;
use crate::plan::itinerary::{Action, Question, StartedBy, Target, What};
use crate::plan::lamp::{Lamp, SwitchOff, Worked};
use crate::plan::print;
use crate::run::journal::HoldCause;
use crate::run::progress::Phase;

/// How a run likely goes.
#[derive(Debug)]
pub struct Walk<'a> {
    /// When it measures next.
    pub begins: Option<Wall>,
    /// When it ends; none where the window closes before.
    pub ends: Option<Wall>,
    /// When its window closes after it begins; none without one.
    pub closes: Option<Wall>,
    /// From when it begins to its end, as if no window closed.
    pub takes: Span,
    /// What it asks.
    pub asked: Vec<Asking<'a>>,
}

/// One question to come.
#[derive(Clone, Debug)]
pub struct Asking<'a> {
    /// About when; none where that is on a later evening or not known.
    pub at: Option<Wall>,
    /// What a person is to do.
    pub words: String,
    /// The question as planned; none where it comes of a lamp that is worked by
    /// hand.
    pub question: Option<&'a Question>,
    /// What it is about was not used before: it can be done now.
    pub now: bool,
}

/// Walks a run whose bench is free from `free` on; none where that is not known.
pub fn walk<'a>(clock: &Clock, free: Option<Wall>, told: &'a Told) -> Walk<'a> {
    let window = told.frozen.plan.policies.window;
    let phase = &told.progress.phase;
    let open = matches!(phase, Phase::Held(HoldCause::Question(_)));
    let at_work = open || *phase == Phase::Measuring;
    let begins = match at_work {
        true => free,
        false => free.and_then(|free| opening(clock, free, window)),
    };
    let closes = begins
        .zip(window)
        .and_then(|(begins, window)| clock.next_at(begins, window.closes));
    // Without a beginning the walk still tells what is asked and how long it takes.
    let from = begins.unwrap_or_default();
    let mut walker = Walker {
        clock,
        lamp: &told.frozen.lamp,
        at: from,
        known: begins.is_some(),
        closes,
        mode: None,
        used: BTreeSet::new(),
        asked: Vec::new(),
    };
    let broken = matches!(phase, Phase::BrokenOff(_) | Phase::Held(_)) && !open;
    let preamble = told.progress.preamble.as_ref();
    if broken && preamble.is_none() {
        walker.at = walker.at + evenings::preamble(&told.frozen.itinerary);
    }
    let before = preamble.iter().flat_map(|preamble| {
        let open = preamble.actions.iter().skip(preamble.done);
        open.enumerate()
            .map(|(at, action)| (-((preamble.done + at) as i64) - 1, action))
    });
    let planned = told.progress.still_to_do(&told.frozen.itinerary);
    let planned = planned.map(|action| (i64::from(action.no), action));
    let answering = told.progress.running.filter(|_| open).map(|run| run.no);
    for (no, action) in before.chain(planned) {
        let meter = told.frozen.itinerary.tests.get(action.test as usize);
        let meter = meter.map_or("", |head| head.meter.as_str());
        walker.step(action, meter, answering == Some(no));
    }
    let ends = walker.at;
    Walk {
        begins,
        ends: begins.and(Some(ends)).filter(|_| !walker.is_late()),
        closes,
        takes: ends.since(from),
        asked: walker.asked,
    }
}

/// The first instant from `free` on at which the window is open.
fn opening(clock: &Clock, free: Wall, window: Option<Window>) -> Option<Wall> {
    let Some(window) = window else {
        return Some(free);
    };
    let civil = clock.civil(free);
    let minute = u16::from(civil.hour) * 60 + u16::from(civil.minute);
    match window.is_open(minute) {
        true => Some(free),
        false => clock.next_at(free, window.opens),
    }
}

struct Walker<'a, 'c> {
    clock: &'c Clock,
    lamp: &'a Lamp,
    at: Wall,
    known: bool,
    closes: Option<Wall>,
    /// The lamp's mode as far as it is known.
    mode: Option<String>,
    /// Meters that have looked at the light.
    used: BTreeSet<&'a str>,
    asked: Vec<Asking<'a>>,
}

impl<'a> Walker<'a, '_> {
    fn is_late(&self) -> bool {
        self.closes.is_some_and(|closes| self.at > closes)
    }

    /// One action; `answering`: its question is open now.
    fn step(&mut self, action: &'a Action, meter: &'a str, answering: bool) {
        let mut lead = Span::ZERO;
        if let What::Record(recording) = &action.what {
            lead = recording.lead;
        }
        let begun = self.at;
        self.at = self.at + lead;
        if let Some(words) = self.words(&action.what)
            && !answering
        {
            let question = match &action.what {
                What::Ask { question } => Some(question),
                _ => None,
            };
            let now = match question {
                Some(Question::CoverMeter(meter)) => !self.used.contains(meter.as_str()),
                Some(Question::SetAlarm { .. }) => true,
                _ => false,
            };
            self.asked.push(Asking {
                at: Some(self.at).filter(|_| self.known && !self.is_late()),
                words,
                question,
                now,
            });
        }
        self.at = self.after(begun, action);
        self.covers_afterwards(&action.what);
        let others = action.meters();
        match &action.what {
            What::SetLevel { .. }
            | What::LampOff
            | What::FindHalfLight { .. }
            | What::WarmUp { .. }
            | What::Read { meter: None, .. } => {
                self.used.insert(meter);
            }
            _ => self.used.extend(others),
        }
    }

    /// A meter without a shutter is covered when what was recorded is over.
    fn covers_afterwards(&mut self, what: &'a What) {
        let What::Record(recording) = what else {
            return;
        };
        let by_hand = recording.spectra.as_ref();
        let Some((cover, uncover)) = by_hand.and_then(|spectra| spectra.by_hand.as_ref()) else {
            return;
        };
        for question in [cover, uncover] {
            self.asked.push(Asking {
                at: Some(self.at).filter(|_| self.known && !self.is_late()),
                words: print::to_do(question),
                question: Some(question),
                now: false,
            });
        }
    }

    fn after(&self, begun: Wall, action: &Action) -> Wall {
        match action.what {
            What::Soak {
                least,
                before: Some((minute, lead)),
            } => {
                let cold = begun + least;
                let rings = self.clock.next_at(cold + lead, minute);
                rings.map_or(cold, |rings| rings + -lead)
            }
            _ => begun + action.time.likely,
        }
    }

    /// What a person is asked in an action, if anything.
    fn words(&mut self, what: &What) -> Option<String> {
        let by_hand = self.lamp.worked == Worked::ByHand;
        match what {
            What::Ask { question } => Some(print::to_do(question)),
            What::SetLevel { target } if by_hand => {
                Some(format!("Set the lamp to {}", target.shown()))
            }
            What::SetLevel { target } => {
                let mode = match target {
                    Target::Setting(setting) => &setting.mode,
                    Target::HalfLight(mode) => mode,
                };
                let asks = self.lamp.modes.len() > 1 && self.mode.as_ref() != Some(mode);
                self.mode = Some(mode.clone());
                asks.then(|| format!("Set the lamp to its mode `{mode}`"))
            }
            What::FindHalfLight { highest, .. } if by_hand => Some(format!(
                "Set the lamp to one level after the other, from {highest} down, each when asked"
            )),
            What::LampOff => {
                self.mode = None;
                let asks = match (&self.lamp.off, &self.lamp.worked) {
                    (SwitchOff::Cannot | SwitchOff::Mains, _)
                    | (SwitchOff::Power, Worked::Buttons(_) | Worked::Direct) => false,
                    (SwitchOff::ByHand | SwitchOff::Power, _) => true,
                };
                asks.then(|| "Switch the lamp off".to_owned())
            }
            What::Record(recording) => {
                let begins = recording.begins.as_ref()?;
                let asks = begins.by == StartedBy::ByHand;
                asks.then(|| format!("Start the lamp's program `{}`", begins.program))
            }
            _ => None,
        }
    }
}
